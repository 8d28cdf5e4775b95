package alerts_test

import (
	"encoding/json"
	"errors"
	"math"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"rimeyard/alerts"
	"rimeyard/internal/fleet"
	"rimeyard/plan"
)

func (w *world) rank(tb testing.TB, histories []fleet.History, workers int) fleet.RankedList {
	tb.Helper()
	list, err := alerts.Rank(tb.Context(), alerts.Input{AsOf: w.asOf, Depots: w.depots, Temps: w.temps, Histories: each(histories), Workers: workers})
	require.NoError(tb, err)
	return list
}

func bytesOf(tb testing.TB, list fleet.RankedList) string {
	tb.Helper()
	b, err := json.Marshal(list)
	require.NoError(tb, err)
	return string(b)
}

// until cuts what lies on asOf or later off the histories.
func (w *world) until() []fleet.History {
	var out []fleet.History
	for i, h := range w.histories {
		out = append(out, h.AsOf(w.asOf, w.depots[i%3].Zone()))
	}
	return out
}

func TestSameAnswerWhateverTheOrderTheWorkersAndTheFuture(t *testing.T) {
	w := newWorld(1, 90, 1)
	want := bytesOf(t, w.rank(t, w.until(), 1))
	require.Equal(t, want, bytesOf(t, w.rank(t, w.until(), 2)), "two workers")
	require.Equal(t, want, bytesOf(t, w.rank(t, w.until(), 8)), "eight workers")
	require.Equal(t, want, bytesOf(t, w.rank(t, w.histories, 2)), "rows dated on the as-of date or later were looked at")
	require.Equal(t, want, bytesOf(t, w.rank(t, w.shuffled(), 2)), "order of rows, or rows that came twice, changed the answer")
	for _, d := range w.depots { // forecasts for the season ahead
		for i := range w.temps[d.ID] {
			if day := &w.temps[d.ID][i]; day.Date >= w.asOf {
				day.MinC, day.MaxC = fleet.Known(-45.0), fleet.Known(-40.0)
			}
		}
		slices.Reverse(w.temps[d.ID])
	}
	require.Equal(t, want, bytesOf(t, w.rank(t, w.until(), 2)), "temperatures not yet known were looked at")
}

func TestEveryForecastHoldsTogether(t *testing.T) {
	w := newWorld(2, 90, 1)
	list := w.rank(t, w.histories, 2)
	require.Len(t, list.Units, 90)
	require.Equal(t, fleet.Season{From: fleet.NewDate(2024, 10, 1), To: fleet.NewDate(2025, 3, 31)}, list.Season)
	dated := 0
	for i, u := range list.Units {
		require.Equal(t, i+1, u.Rank)
		sum := 0.0
		for _, part := range fleet.Suspects() {
			require.GreaterOrEqual(t, u.SuspectProbabilities[part], 0.0)
			require.LessOrEqual(t, u.SuspectProbabilities[part], u.SuspectProbabilities[u.Suspect])
			sum += u.SuspectProbabilities[part]
		}
		require.InDelta(t, 1, sum, 1e-9)
		require.True(t, u.ColdLimitP10C.Or(1) <= u.ColdLimitC.Or(0) && u.ColdLimitC.Or(0) <= u.ColdLimitP90C.Or(0))
		p := u.NoStartProbability.Or(-1)
		require.True(t, p >= 0 && p <= 1)
		require.True(t, u.ExpectedLoss.IsKnown(), "the fleet's median stands in for an unknown cost")
		require.NotEmpty(t, u.Evidence)
		if by, known := u.SwapBy.Get(); known { // the plan's last Monday on which acting still pays
			dated++
			require.True(t, by >= w.asOf && by <= list.Season.To)
			require.True(t, by.Weekday() == time.Monday || by == w.asOf)
			require.GreaterOrEqual(t, p, plan.DefaultRules().LeastChance, "nothing pays where there is hardly a chance to fall")
		}
		if i > 0 {
			require.GreaterOrEqual(t, list.Units[i-1].ExpectedLoss.Or(0), u.ExpectedLoss.Or(0))
		}
	}
	require.True(t, dated > 0 && dated < 90, "%d of 90 have a day to act by", dated)
}

// A winter colder by two degrees every night is less safe for every unit. The fleet's past is left as it was: all three winters that
// count are moved for the forecast only, by moving years that no reading belongs to.
func TestColderWintersAreNeverSafer(t *testing.T) {
	w := newWorld(3, 60, 1)
	mild := byUnit(w.rank(t, w.histories, 2))
	for _, d := range w.depots {
		for i := range w.temps[d.ID] {
			if day := &w.temps[d.ID][i]; day.Date < w.asOf-4*365 {
				day.MinC = fleet.Known(day.MinC.Or(0) - 2)
			}
		}
	}
	for unit, colder := range byUnit(w.rank(t, w.histories, 2)) {
		require.GreaterOrEqual(t, colder.NoStartProbability.Or(0), mild[unit].NoStartProbability.Or(1), unit)
		require.Equal(t, mild[unit].ColdLimitC, colder.ColdLimitC)
	}
}

func byUnit(list fleet.RankedList) map[fleet.UnitID]fleet.Forecast {
	m := map[fleet.UnitID]fleet.Forecast{}
	for _, u := range list.Units {
		m[u.Unit] = u
	}
	return m
}

func TestUnitsWithLittleDataAreListedToo(t *testing.T) {
	w := newWorld(4, 60, 1)
	bare := fleet.History{Unit: fleet.Unit{ID: "X-1", Depot: "UPL", Class: "crane", Fuel: fleet.Diesel, SystemVolts: 24, Batteries: 2}}
	lost := fleet.History{Unit: fleet.Unit{ID: "X-2", Depot: "NOWHERE", Class: "van", Fuel: fleet.Petrol, SystemVolts: 12, Batteries: 1}}
	one := fleet.History{Unit: fleet.Unit{ID: "X-3", Depot: "UPL", Class: "van", Fuel: fleet.Petrol, SystemVolts: 12, Batteries: 1}}
	one.Batteries = []fleet.BatteryFitting{{Battery: "b", Unit: "X-3", Position: 1, Part: "B70", RatedCCAA: 640, CCAStandard: fleet.EN}}
	at := (w.asOf - 12).Midnight(w.depots[0].Zone()).Add(9 * time.Hour)
	one.Tests = []fleet.Test{{Unit: "X-3", Position: 1, At: at, RestV: fleet.Known(12.05), CCAA: fleet.Known(412.0), CCAStandard: fleet.EN, Tester: "G1"}}
	got := byUnit(w.rank(t, append(slices.Clone(w.histories), bare, lost, one), 2))
	require.Len(t, got, 63)
	for _, id := range []fleet.UnitID{"X-1", "X-2"} {
		require.Equal(t, fleet.UnknownBand, got[id].Band)
		require.True(t, got[id].NoStartProbability.IsKnown() && got[id].ColdLimitC.IsKnown())
		require.False(t, got[id].SwapCost.IsKnown(), "a price nobody paid must not be invented")
		require.Contains(t, got[id].Evidence[0], "no readings: judged by its kind only")
	}
	require.NotEqual(t, fleet.UnknownBand, got["X-3"].Band)
	require.Contains(t, got["X-3"].Evidence, "last test 412 A of 640 A rated (64 %), 12 days old")
}

func TestWithoutTemperaturesOrUnits(t *testing.T) {
	w := newWorld(5, 45, 1)
	w.temps = nil
	for _, u := range w.rank(t, w.histories, 2).Units {
		p := u.NoStartProbability.Or(-1)
		require.True(t, p > 0 && p < 1 && !math.IsNaN(u.ColdLimitC.Or(math.NaN())))
	}
	require.Empty(t, w.rank(t, nil, 2).Units)
}

func TestAnErrorWhileReadingEndsTheRanking(t *testing.T) {
	broken := errors.New("the disk is gone")
	_, err := alerts.Rank(t.Context(), alerts.Input{AsOf: 20000, Histories: func(yield func(fleet.History, error) bool) { yield(fleet.History{}, broken) }})
	require.ErrorIs(t, err, broken)
}

// On fleets whose physics are not the model's, the list must be better than sorting by age or by last test.
func TestRankingBeatsAgeAndLastTest(t *testing.T) {
	var auc, byTest, byAge, brier, base float64
	seeds := []uint64{11, 12}
	for _, seed := range seeds {
		w := newWorld(seed, 450, 1)
		var p, test, age []float64
		var failed []bool
		got := byUnit(w.rank(t, w.histories, 2))
		for i, h := range w.until() {
			_, f := w.failed[h.Unit.ID]
			failed = append(failed, f)
			p = append(p, got[h.Unit.ID].NoStartProbability.Or(0))
			last := 640.0
			if n := len(h.Tests); n > 0 {
				last = h.Tests[n-1].CCAA.Or(640)
			}
			test = append(test, -last)
			age = append(age, -float64(h.Batteries[len(h.Batteries)-1].FittedOn.Or(0)))
			y := 0.0
			if f {
				y = 1
			}
			brier += (p[i] - y) * (p[i] - y) / float64(450*len(seeds))
		}
		rate := float64(len(w.failed)) / 450
		base += rate * (1 - rate) / float64(len(seeds))
		auc += areaUnder(p, failed) / float64(len(seeds))
		byTest += areaUnder(test, failed) / float64(len(seeds))
		byAge += areaUnder(age, failed) / float64(len(seeds))
		t.Logf("seed %d: %d of 450 failed", seed, len(w.failed))
	}
	t.Logf("AUC %.3f, last test %.3f, age %.3f; Brier %.4f, base rate %.4f", auc, byTest, byAge, brier, base)
	require.Greater(t, auc, max(byTest, byAge)+0.02)
	require.Less(t, brier, base)
}

// areaUnder is the chance that a unit that failed stands above one that did not (Mann and Whitney).
func areaUnder(score []float64, failed []bool) float64 {
	n, above := 0.0, 0.0
	for i, f := range failed {
		for j, g := range failed {
			if f && !g {
				n++
				if score[i] > score[j] {
					above++
				} else if score[i] == score[j] {
					above += 0.5
				}
			}
		}
	}
	return above / n
}

func TestTonightIsWorseTheColderItGets(t *testing.T) {
	w := newWorld(6, 45, 1)
	in := alerts.Input{AsOf: w.asOf, Depots: w.depots, Temps: w.temps, Histories: each(w.histories), Workers: 2}
	before := map[fleet.UnitID]float64{}
	for _, low := range []float64{0, -12, -30} {
		nights, err := alerts.Tonight(t.Context(), in, map[fleet.DepotID]float64{"UPL": low})
		require.NoError(t, err)
		require.Len(t, nights, 15)
		for i, n := range nights {
			require.GreaterOrEqual(t, n.NoStartProbability, before[n.Unit])
			before[n.Unit] = n.NoStartProbability
			require.True(t, i == 0 || nights[i-1].NoStartProbability >= n.NoStartProbability)
		}
	}
}
