package tides_test

import (
	"cmp"
	"context"
	"math"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"rimeyard/internal/fleet"
	"rimeyard/internal/proving"
	"rimeyard/internal/proving/tides"
)

func build(t *testing.T, o proving.Options) proving.Fleet {
	t.Helper()
	f, err := tides.Build(t.Context(), o)
	require.NoError(t, err)
	return f
}

func TestSameFleetWhateverTheWorkers(t *testing.T) {
	o := proving.Options{Seed: 7, Units: 24, Years: 1, Futures: 10, Dirt: true, Workers: 1}
	one := build(t, o)
	o.Workers = 5
	require.Equal(t, one, build(t, o))
	o.Seed++
	require.NotEqual(t, one.Histories, build(t, o).Histories)
}

func TestOptionsThatCannotBe(t *testing.T) {
	_, err := tides.Build(t.Context(), proving.Options{Futures: -1})
	require.ErrorContains(t, err, "negative")
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	_, err = tides.Build(ctx, proving.Options{Units: 3, Years: 1})
	require.ErrorIs(t, err, context.Canceled)
}

func TestAsManyFailAsInFleetsAtLarge(t *testing.T) {
	var failed, cranks, units float64
	causes := map[fleet.Part]float64{}
	for seed := range uint64(3) {
		f := build(t, proving.Options{Seed: seed + 40, Units: 200, Years: 2})
		units += 200
		for _, h := range f.Histories {
			cranks += float64(len(h.AsOf(f.AsOf, time.UTC).Cranks)) / 730
			if truth := f.Truth[h.Unit.ID]; truth.Failed {
				failed++
				causes[truth.Cause]++
			}
		}
	}
	require.True(t, 0.08 <= failed/units && failed/units <= 0.17, "%.3f fail", failed/units)
	require.True(t, 1.4 <= cranks/units && cranks/units <= 2.1, "%.2f cranks a unit and day", cranks/units)
	require.True(t, 0.35 <= causes[fleet.BatteryPart]/failed && causes[fleet.BatteryPart]/failed <= 0.7, "%v", causes)
	require.Greater(t, len(causes), 3)
}

// Whoever failed by the truth broke down by the books on that day, and nobody else did; most causes are found.
func TestTruthIsWhatTheBooksSay(t *testing.T) {
	f := build(t, proving.Options{Seed: 4, Units: 250, Years: 1})
	right := map[bool]int{}
	zones := map[fleet.DepotID]*time.Location{}
	for _, d := range f.Depots {
		zones[d.ID] = d.Zone()
	}
	for _, h := range f.Histories {
		truth, zone := f.Truth[h.Unit.ID], zones[h.Unit.Depot]
		at := slices.IndexFunc(h.Breakdowns, func(b fleet.Breakdown) bool {
			return b.Cause != fleet.OtherPart && fleet.DateOf(b.At, zone) >= f.AsOf
		})
		require.Equal(t, truth.Failed, at >= 0)
		require.True(t, math.IsNaN(truth.Chance), "no futures were asked for")
		for _, b := range h.Batteries {
			on, out := b.RemovedOn.Get()
			require.False(t, out && on >= f.AsOf && b.RemovedBecause != fleet.RemovedFailed, "left as they are until they fail")
		}
		if truth.Failed {
			require.Equal(t, truth.On, fleet.DateOf(h.Breakdowns[at].At, zone))
			right[truth.Cause == h.Breakdowns[at].Cause]++
		}
	}
	require.Greater(t, right[true], 3*right[false])
}

func TestChanceForesees(t *testing.T) {
	var cases []proving.Case
	for _, truth := range build(t, proving.Options{Seed: 9, Units: 250, Years: 1, Futures: 20}).Truth {
		require.True(t, truth.Chance >= 0 && truth.Chance <= 1)
		require.Equal(t, truth.Chance > 0.02, truth.Worst != "")
		cases = append(cases, proving.Case{Said: proving.Said{P: truth.Chance, Suspect: truth.Worst}, Truth: truth})
	}
	s := proving.ScoreOf(cases)
	require.Greater(t, s.AUC, 0.94)
	require.Greater(t, s.TopShare, 0.75)
	require.Greater(t, s.RightCaught, 0.75)
	require.InDelta(t, 1, s.Ratio, 0.5, "one winter is not all winters")
}

func TestRecordsKeepTheRulesOfTheFiles(t *testing.T) {
	for name, dirt := range map[string]bool{"clean": false, "dirty": true} {
		t.Run(name, func(t *testing.T) {
			f := build(t, proving.Options{Seed: 3, Units: 40, Years: 2, Dirt: dirt})
			winters := map[fleet.DepotID]int{}
			zones := map[fleet.DepotID]*time.Location{}
			for _, d := range f.Depots {
				zones[d.ID] = d.Zone()
				require.NotEqual(t, time.UTC, d.Zone())
				for _, day := range f.Temps[d.ID] {
					require.LessOrEqual(t, day.MinC.Or(99), day.MaxC.Or(-99))
					if _, month, _ := day.Date.YMD(); month == time.January && day.Date < f.AsOf {
						winters[d.ID]++
					}
				}
				require.Greater(t, winters[d.ID], 12*25)
			}
			for i, h := range f.Histories {
				require.True(t, i == 0 || f.Histories[i-1].Unit.ID < h.Unit.ID)
				keepsRules(t, &h, f.Season, zones[h.Unit.Depot])
			}
		})
	}
}

func keepsRules(t *testing.T, h *fleet.History, season fleet.Season, zone *time.Location) {
	t.Helper()
	u := h.Unit
	inTime := func(at time.Time) bool { return at.Location() == time.UTC && fleet.DateOf(at, zone) <= season.To+2 }
	require.True(t, slices.IsSortedFunc(h.Batteries, func(a, b fleet.BatteryFitting) int { return cmp.Compare(a.FittedOn.Or(0), b.FittedOn.Or(0)) }))
	require.True(t, slices.IsSortedFunc(h.Breakdowns, func(a, b fleet.Breakdown) int { return a.At.Compare(b.At) }))
	now := map[int]int{}
	for _, b := range h.Batteries {
		require.True(t, b.Unit == u.ID && b.Position >= 1 && b.Position <= u.Batteries && b.RatedCCAA > 0 && b.CCAStandard != "")
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
	for i, c := range h.Cranks {
		require.True(t, c.Unit == u.ID && inTime(c.At))
		require.True(t, i == 0 || h.Cranks[i-1].At.Before(c.At), "the pair of unit and time is the key")
		low, mean, rest := c.MinV.Or(-1), c.MeanV.Or(c.MinV.Or(-1)), c.RestV.Or(-1)
		require.True(t, 0 <= low && low <= mean && mean <= rest && rest < 15*float64(u.SystemVolts)/12, "%v %v %v", low, mean, rest)
		require.True(t, c.DurationMs.Or(0) >= 0 && c.DurationMs.Or(0) <= 120_000)
		for _, x := range []float64{c.TemperatureC.Or(0), c.CoolantC.Or(0), c.CurrentA.Or(0), c.RPM.Or(0)} {
			require.False(t, math.IsNaN(x) || math.IsInf(x, 0))
		}
	}
	for i, x := range h.Tests {
		require.True(t, x.Unit == u.ID && inTime(x.At) && x.Position >= 1 && x.Position <= u.Batteries && x.RestV.Or(0) < 15)
		require.True(t, i == 0 || !h.Tests[i-1].At.After(x.At))
		require.Equal(t, x.CCAA.IsKnown(), x.CCAStandard != "")
		require.True(t, x.Battery == "" || slices.ContainsFunc(h.Batteries, func(b fleet.BatteryFitting) bool {
			return b.Battery == x.Battery && b.Position == x.Position && b.FittedAt(fleet.DateOf(x.At, zone))
		}), "%s is not in place %d of %s", x.Battery, x.Position, u.ID)
	}
}

func TestDirtSpoilsRecordsAndNothingElse(t *testing.T) {
	o := proving.Options{Seed: 5, Units: 100, Years: 2}
	clean := build(t, o)
	o.Dirt = true
	dirty := build(t, o)
	count := func(f proving.Fleet) (cranks, temperatures, tests, swaps, breakdowns int) {
		for _, h := range f.Histories {
			cranks, tests, swaps, breakdowns = cranks+len(h.Cranks), tests+len(h.Tests), swaps+len(h.Batteries), breakdowns+len(h.Breakdowns)
			for _, c := range h.Cranks {
				if c.TemperatureC.IsKnown() {
					temperatures++
				}
			}
		}
		return cranks, temperatures, tests, swaps, breakdowns
	}
	for unit, a := range clean.Truth {
		b := dirty.Truth[unit]
		require.Equal(t, [4]any{a.Failed, a.Cause, a.On, a.ColdLimitC}, [4]any{b.Failed, b.Cause, b.On, b.ColdLimitC})
	}
	cranks, warm, tests, swaps, breakdowns := count(clean)
	cranks2, warm2, tests2, swaps2, breakdowns2 := count(dirty)
	require.Less(t, swaps2, swaps)
	require.Equal(t, [2]int{tests, breakdowns}, [2]int{tests2, breakdowns2}, "misbooked, not lost")
	require.InDelta(t, 0.95, float64(cranks2)/float64(cranks), 0.04)
	require.InDelta(t, 0.92, float64(warm2)/float64(cranks2)/(float64(warm)/float64(cranks)), 0.01)
}
