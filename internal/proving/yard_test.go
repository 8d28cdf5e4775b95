package proving_test

import (
	"cmp"
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"rimeyard/internal/fleet"
	"rimeyard/internal/proving"
)

func build(tb testing.TB, o proving.Options) proving.Fleet {
	tb.Helper()
	f, err := proving.Build(tb.Context(), plain{}, o)
	require.NoError(tb, err)
	return f
}

func TestSameFleetWhateverTheWorkers(t *testing.T) {
	o := proving.Options{Seed: 7, Units: 24, Years: 1, Futures: 20, Dirt: true, Workers: 1}
	one := build(t, o)
	o.Workers = 5
	require.Equal(t, one, build(t, o))
	o.Seed++
	require.NotEqual(t, one.Histories, build(t, o).Histories)
}

// Where faults are slow all units have a logger that tells mean volts, and are tested every week or two.
func TestGradualYardIsWellRead(t *testing.T) {
	f := build(t, proving.Options{Seed: 7, Units: 24, Years: 1, Gradual: true})
	for _, h := range f.Histories {
		tests := 0
		for _, row := range h.Tests {
			if row.Position == 1 {
				tests++
			}
		}
		require.GreaterOrEqual(t, tests, 26, h.Unit.ID)
		require.NotEmpty(t, h.Cranks, h.Unit.ID)
		require.True(t, h.Cranks[0].MeanV.IsKnown(), h.Unit.ID)
	}
	require.Less(t, proving.Kind{Gradual: true}.Sudden(), proving.Kind{}.Sudden())
	require.Greater(t, proving.Kind{Gradual: true}.Ripening(), proving.Kind{}.Ripening())
}

func TestOptionsThatCannotBe(t *testing.T) {
	_, err := proving.Build(t.Context(), plain{}, proving.Options{Years: 40})
	require.ErrorContains(t, err, "40 years of records")
	_, err = proving.Build(t.Context(), plain{}, proving.Options{Futures: -1})
	require.ErrorContains(t, err, "negative")
}

func TestRecordsKeepTheRulesOfTheFiles(t *testing.T) {
	for name, dirt := range map[string]bool{"clean": false, "dirty": true} {
		t.Run(name, func(t *testing.T) {
			f := build(t, proving.Options{Seed: 3, Units: 40, Dirt: dirt})
			zones := map[fleet.DepotID]*time.Location{}
			for _, d := range f.Depots {
				zones[d.ID] = d.Zone()
				for _, day := range f.Temps[d.ID] {
					require.Equal(t, d.ID, day.Depot)
					require.LessOrEqual(t, day.MinC.Or(99), day.MaxC.Or(-99))
					require.LessOrEqual(t, day.Date, f.Season.To)
				}
			}
			for i, h := range f.Histories {
				require.True(t, i == 0 || f.Histories[i-1].Unit.ID < h.Unit.ID)
				require.Contains(t, f.Truth, h.Unit.ID)
				require.Positive(t, h.Unit.NoStartCost.Or(0))
				keepsRules(t, h, f.Season, zones[h.Unit.Depot])
			}
		})
	}
}

func keepsRules(t *testing.T, h fleet.History, season fleet.Season, zone *time.Location) {
	t.Helper()
	u := h.Unit
	inTime := func(at time.Time) bool {
		return at.Location() == time.UTC && fleet.DateOf(at, zone) <= season.To+2
	}
	fits := func(pos int) bool { return pos >= 1 && pos <= u.Batteries }
	require.True(t, slices.IsSortedFunc(h.Batteries, func(a, b fleet.BatteryFitting) int { return cmp.Compare(a.FittedOn.Or(0), b.FittedOn.Or(0)) }))
	require.True(t, slices.IsSortedFunc(h.Starters, func(a, b fleet.StarterFitting) int { return cmp.Compare(a.FittedOn.Or(0), b.FittedOn.Or(0)) }))
	now := map[int]int{}
	for _, b := range h.Batteries {
		require.True(t, b.Unit == u.ID && fits(b.Position) && b.RatedCCAA > 0 && b.CCAStandard != "")
		require.LessOrEqual(t, b.MadeOn.Or(0), b.FittedOn.Or(0))
		require.LessOrEqual(t, b.FittedOn.Or(0), b.RemovedOn.Or(season.To))
		require.Equal(t, b.RemovedOn.IsKnown(), b.RemovedBecause != "")
		if !b.RemovedOn.IsKnown() {
			now[b.Position]++
		}
	}
	require.Len(t, now, u.Batteries)
	for pos, n := range now {
		require.Equal(t, 1, n, "batteries in place %d of %s", pos, u.ID)
	}
	require.False(t, h.Starters[len(h.Starters)-1].RemovedOn.IsKnown())
	for i, c := range h.Cranks {
		require.True(t, c.Unit == u.ID && inTime(c.At), "%+v", c)
		require.True(t, i == 0 || h.Cranks[i-1].At.Before(c.At), "the pair of unit and time is the key")
		low, mean, rest := c.MinV.Or(-1), c.MeanV.Or(c.MinV.Or(-1)), c.RestV.Or(-1)
		require.True(t, 0 <= low && low <= mean && mean <= rest && rest < 16*float64(u.SystemVolts)/12, "%v %v %v", low, mean, rest)
		require.True(t, c.DurationMs.Or(0) >= 0 && c.DurationMs.Or(0) <= 120_000)
		for _, x := range []float64{c.TemperatureC.Or(0), c.CoolantC.Or(0), c.CurrentA.Or(0), c.RPM.Or(0)} {
			require.False(t, math.IsNaN(x) || math.IsInf(x, 0))
		}
	}
	for i, x := range h.Tests {
		require.True(t, x.Unit == u.ID && inTime(x.At) && fits(x.Position) && x.RestV.Or(0) < 16)
		require.True(t, i == 0 || !h.Tests[i-1].At.After(x.At))
		require.Equal(t, x.CCAA.IsKnown(), x.CCAStandard != "")
		require.Equal(t, x.LoadV.IsKnown(), x.LoadA.IsKnown() && x.LoadS.IsKnown())
		require.True(t, x.Battery == "" || slices.ContainsFunc(h.Batteries, func(b fleet.BatteryFitting) bool {
			return b.Battery == x.Battery && b.Position == x.Position && b.FittedAt(fleet.DateOf(x.At, zone))
		}), "%s is not in place %d of %s", x.Battery, x.Position, u.ID)
	}
	require.True(t, slices.IsSortedFunc(h.Breakdowns, func(a, b fleet.Breakdown) int { return a.At.Compare(b.At) }))
}

// Whoever failed by the truth broke down by the books on that day, and nobody else did.
func TestTruthIsWhatTheBooksSay(t *testing.T) {
	f := build(t, proving.Options{Seed: 4, Units: 200})
	causes := map[bool]int{}
	for _, h := range f.Histories {
		truth, first := f.Truth[h.Unit.ID], (*fleet.Breakdown)(nil)
		zone := f.Depots[slices.IndexFunc(f.Depots, func(d fleet.Depot) bool { return d.ID == h.Unit.Depot })].Zone()
		for i := range h.Breakdowns {
			if b := &h.Breakdowns[i]; first == nil && b.Cause != fleet.OtherPart && fleet.DateOf(b.At, zone) >= f.AsOf {
				first = b
			}
		}
		require.Equal(t, truth.Failed, first != nil)
		require.True(t, math.IsNaN(truth.Chance), "no futures were asked for")
		if truth.Failed {
			require.Equal(t, truth.On, fleet.DateOf(first.At, zone))
			causes[truth.Cause == first.Cause]++
		}
	}
	require.Greater(t, causes[true], 5*causes[false], "the workshop finds the cause most of the time")
}

func TestDirtSpoilsRecordsAndNothingElse(t *testing.T) {
	o := proving.Options{Seed: 5, Units: 150}
	clean := build(t, o)
	o.Dirt = true
	dirty := build(t, o)
	sameTruth(t, clean, dirty)
	warmest := func(f proving.Fleet) float64 { // what the loggers say it was between December and February
		most := -99.0
		for _, h := range f.Histories {
			for _, c := range h.Cranks {
				if m := c.At.Month(); m == time.December || m <= time.February {
					most = max(most, c.TemperatureC.Or(-99))
				}
			}
		}
		return most
	}
	require.Less(t, warmest(clean), 28.0)
	require.Greater(t, warmest(dirty), 33.0, "degrees Fahrenheit among the Celsius")
	a, b := count(clean), count(dirty)
	require.Less(t, b.swaps, a.swaps)
	require.InDelta(t, 0.9, float64(b.temperatures)/float64(b.cranks)/(float64(a.temperatures)/float64(a.cranks)), 0.01)
	require.InDelta(t, 0.97, float64(b.cranks)/float64(a.cranks), 0.05)
	require.Equal(t, a.tests, b.tests, "tests are misfiled, not lost")
	require.Equal(t, a.breakdowns, b.breakdowns)
}

func sameTruth(t *testing.T, a, b proving.Fleet) {
	t.Helper()
	for unit, x := range a.Truth {
		y := b.Truth[unit]
		require.Equal(t, [4]any{x.Failed, x.Cause, x.On, x.ColdLimitC}, [4]any{y.Failed, y.Cause, y.On, y.ColdLimitC})
	}
}

type counts struct{ cranks, temperatures, tests, swaps, breakdowns int }

func count(f proving.Fleet) (n counts) {
	for _, h := range f.Histories {
		n.cranks += len(h.Cranks)
		n.tests += len(h.Tests)
		n.breakdowns += len(h.Breakdowns)
		n.swaps += len(h.Batteries)
		for _, c := range h.Cranks {
			if c.TemperatureC.IsKnown() {
				n.temperatures++
			}
		}
	}
	return n
}

func TestChanceForesees(t *testing.T) {
	var expected, failed float64
	var failing, sound []float64
	for seed := range uint64(4) {
		for _, truth := range build(t, proving.Options{Seed: seed + 20, Units: 120, Years: 1, Futures: 30}).Truth {
			require.True(t, truth.Chance >= 0 && truth.Chance <= 1)
			require.Equal(t, truth.Chance > 0.02, truth.Worst != "")
			expected += truth.Chance
			if truth.Failed {
				failed++
				failing = append(failing, truth.Chance)
			} else {
				sound = append(sound, truth.Chance)
			}
		}
	}
	var above float64
	for _, p := range failing {
		for _, q := range sound {
			switch {
			case p > q:
				above++
			case p == q:
				above += 0.5
			}
		}
	}
	require.Greater(t, above/float64(len(failing)*len(sound)), 0.85, "area under the curve")
	require.InEpsilon(t, expected, failed, 0.35, "four winters differ from all by this much")
}

// steady is plain but for a spare that is known: it is 0 at limitC of the air.
type steady struct {
	plain
	limitC float64
}

type steadyMachine struct {
	proving.Machine
	limitC float64
}

func (s steady) New(k proving.Kind, ageYears, meanAirC float64, r *rand.Rand) proving.Machine {
	return steadyMachine{s.plain.New(k, ageYears, meanAirC, r), s.limitC}
}

func (s steadyMachine) Spare(c proving.Crank) float64 { return c.AirC - s.limitC }
func (s steadyMachine) Clone() proving.Machine        { return steadyMachine{s.Machine.Clone(), s.limitC} }

func TestColdLimitIsWhereTheSpareEnds(t *testing.T) {
	for limitC, want := range map[float64]float64{-18: -18, 4.5: 4.5, -80: math.Inf(-1), 45: math.Inf(1)} {
		f, err := proving.Build(t.Context(), steady{limitC: limitC}, proving.Options{Seed: 8, Units: 10, Years: 1})
		require.NoError(t, err)
		for _, truth := range f.Truth {
			if math.IsInf(want, 0) {
				require.True(t, math.IsInf(truth.ColdLimitC, int(math.Copysign(1, want))))
			} else {
				require.InDelta(t, want, truth.ColdLimitC, 0.01)
			}
		}
	}
}

func BenchmarkBuild(b *testing.B) {
	for b.Loop() {
		build(b, proving.Options{Seed: 1, Workers: 1})
	}
}
