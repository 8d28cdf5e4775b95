package alerts_test

import (
	"encoding/csv"
	"encoding/json"
	"os"
	"strconv"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"rimeyard/alerts"
	"rimeyard/internal/fleet"
)

func ratio(target float64) alerts.Wanted {
	const whole = 1_000_000
	return alerts.Wanted{Short: fleet.Money(target * whole), Left: fleet.Money(whole - target*whole)}
}

// testdata/golden/renewal/poisson_spares_expected.csv; its README says where it comes from.
func TestReorderLevelsOfPoissonDemand(t *testing.T) {
	f, err := os.Open("../testdata/golden/renewal/poisson_spares_expected.csv")
	require.NoError(t, err)
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	require.NoError(t, err)
	require.Greater(t, len(rows), 20)
	number := func(s string) float64 {
		v, err := strconv.ParseFloat(s, 64)
		require.NoError(t, err)
		return v
	}
	for _, row := range rows[1:] {
		w := ratio(number(row[1]))
		w.Fails = map[int]float64{1: number(row[0])}
		got := alerts.ReorderLevel(w)
		require.Equal(t, int(number(row[2])), got.Pieces, row)
		require.InEpsilon(t, number(row[3]), got.Service, 1e-8, row)
	}
	for _, tc := range []struct { // testdata/reference/12b_reliability_expected_answers.csv: spares web pages and exact values
		mean, service float64
		want          int
	}{{0.972, 0.95, 3}, {0.486, 0.95, 2}, {0.324, 0.95, 1}, {4, 0.90, 7}, {4, 0.95, 8}, {2, 0.95, 5}, {10, 0.95, 15}} {
		w := ratio(tc.service)
		w.Fails = map[int]float64{1: tc.mean}
		require.Equal(t, tc.want, alerts.ReorderLevel(w).Pieces, tc.mean)
	}
}

// testdata/golden/distributions/sums_expected.json, compound_poisson_panjer: sizes 4, 7 and 18 with λ = 2.5.
func TestReorderLevelsOfPieces(t *testing.T) {
	raw, err := os.ReadFile("../testdata/golden/distributions/sums_expected.json")
	require.NoError(t, err)
	var all struct {
		Panjer struct {
			Lambda float64   `json:"lambda"`
			Sizes  []int     `json:"severity_units"`
			Shares []float64 `json:"severity_probs"`
			PMF    []float64 `json:"pmf_first_41"`
		} `json:"compound_poisson_panjer"`
	}
	require.NoError(t, json.Unmarshal(raw, &all))
	p := all.Panjer
	require.Len(t, p.PMF, 41)
	cumulated := 0.0
	for n, each := range p.PMF {
		cumulated += each
		if each == 0 || cumulated > 0.99 {
			continue
		}
		w := ratio(cumulated - each/2) // just this n reaches it
		w.Fails, w.Certain = map[int]float64{}, 2
		for i, k := range p.Sizes {
			w.Fails[k] = p.Lambda * p.Shares[i]
		}
		got := alerts.ReorderLevel(w)
		require.Equal(t, n+2, got.Pieces)
		require.InEpsilon(t, cumulated, got.Service, 1e-9)
	}
}

func TestReorderLevelsGrow(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		w := ratio(rapid.Float64Range(0.05, 0.99).Draw(t, "target"))
		w.Fails = map[int]float64{1: rapid.Float64Range(0, 30).Draw(t, "single"), 2: rapid.Float64Range(0, 10).Draw(t, "pairs")}
		was := alerts.ReorderLevel(w)
		require.GreaterOrEqual(t, was.Service, was.Target)
		w.Fails[2] += rapid.Float64Range(0, 5).Draw(t, "more")
		w.Certain += rapid.IntRange(0, 3).Draw(t, "planned")
		is := alerts.ReorderLevel(w)
		require.GreaterOrEqual(t, is.Pieces, was.Pieces)
		require.GreaterOrEqual(t, is.Expected, was.Expected)
		dearer := w
		dearer.Short *= 2
		require.GreaterOrEqual(t, alerts.ReorderLevel(dearer).Pieces, is.Pieces)
	})
	unknown := alerts.ReorderLevel(alerts.Wanted{Fails: map[int]float64{1: 4}})
	require.Equal(t, 8, unknown.Pieces, "19 times in 20 where no cost is known")
	require.Zero(t, alerts.ReorderLevel(alerts.Wanted{}).Pieces)
	require.Equal(t, "in the 7 days until an order is there, hardly any piece is expected to be wanted", alerts.ReorderLevel(alerts.Wanted{}).Why(alerts.Wanted{}, 7))
}

// None, one and many read as people say them.
func TestReorderLevelsSayWhy(t *testing.T) {
	for _, tc := range []struct {
		certain, days int
		fails         map[int]float64
		says          string
	}{
		{0, 7, nil, "in the 7 days until an order is there, hardly any piece is expected to be wanted"},
		{0, 1, map[int]float64{1: 0.01}, "in the day until an order is there, hardly any piece is expected to be wanted"},
		{0, 7, map[int]float64{1: 0.05}, "in the 7 days until an order is there, failures are expected to take 0.1 pieces: 95 times in a hundred no piece is wanted"},
		{0, 14, map[int]float64{1: 0.3}, "in the 14 days until an order is there, failures are expected to take 0.3 pieces: 1 is enough 96 times in a hundred"},
		{0, 7, map[int]float64{1: 1}, "in the 7 days until an order is there, failures are expected to take 1 piece: 3 are enough 98 times in a hundred"},
		{0, 7, map[int]float64{1: 4}, "in the 7 days until an order is there, failures are expected to take 4 pieces: 8 are enough 97 times in a hundred"},
		{1, 7, nil, "in the 7 days until an order is there, planned work takes 1 piece and hardly any failure is expected: 1 is enough"},
		{2, 7, map[int]float64{2: 0.5}, "in the 7 days until an order is there, planned work takes 2 pieces and failures are expected to take 1 piece: 6 are enough 98 times in a hundred"},
	} {
		w := alerts.Wanted{Certain: tc.certain, Fails: tc.fails}
		require.Equal(t, tc.says, alerts.ReorderLevel(w).Why(w, tc.days))
	}
}

func TestWhatShelvesAreAskedFor(t *testing.T) {
	asOf := fleet.NewDate(2026, 11, 24) // a Tuesday
	today := asOf + 3
	unit := func(id fleet.UnitID, fitted ...string) fleet.Listed {
		return fleet.Listed{
			Unit:     fleet.Unit{ID: id, Depot: "A"},
			Forecast: fleet.Forecast{SuspectProbabilities: map[fleet.Part]float64{fleet.BatteryPart: 0.5}},
			Outlook:  &fleet.Outlook{ChanceByWeek: []float64{0.07, 0.14, 0.21}, NoStartCost: fleet.Known(fleet.Money(40000)), Fitted: map[fleet.Part][]string{fleet.BatteryPart: fitted}},
		}
	}
	job := func(id fleet.UnitID, state fleet.JobState, number string) fleet.Job {
		return fleet.Job{Unit: id, Part: fleet.BatteryPart, Work: fleet.WorkSwap, State: state, PartNumber: number, Monday: fleet.Known(today.Monday() + 7)}
	}
	listed := []fleet.Listed{unit("one", "P"), unit("pair", "P", "P"), unit("planned", "P", "P"), unit("put by", "P"), unit("later", "P"), unit("chosen", "P"), {Unit: fleet.Unit{ID: "unknown", Depot: "A"}}}
	later := job("later", fleet.JobPlanned, "")
	later.Monday = fleet.Known(today.Monday() + 70)
	got := alerts.StockWanted(listed,
		[]fleet.Job{job("planned", fleet.JobPlanned, ""), job("put by", fleet.JobReserved, "P"), later},
		[]fleet.PlanChoice{{Unit: "chosen", Monday: fleet.Known(today.Monday()), Parts: []fleet.Part{fleet.BatteryPart}}, {Unit: "one", Retest: true, Monday: fleet.Known(today.Monday()), Parts: []fleet.Part{fleet.BatteryPart}}},
		map[string]fleet.Money{"P": 14000}, map[string]int{"P": 7}, asOf, today)
	w := got["A"]["P"]
	require.Equal(t, 3, w.Certain, "two for the planned pair, one that is chosen")
	// From Friday, 0.04 into the first week's 0.07, to the next Friday at 0.11: 0.07 of the 0.96 that is left, half of it the battery's.
	const each = 0.5 * 0.07 / 0.96
	require.InDelta(t, 2*each, w.Fails[1], 1e-12)
	require.InDelta(t, each, w.Fails[2], 1e-12)
	require.Equal(t, fleet.Money(40000), w.Short)
	require.Equal(t, fleet.Money(3500), w.Left)
}

func TestWhenShelfBatteriesAreCharged(t *testing.T) {
	today := fleet.NewDate(2026, 11, 24)
	b := fleet.ShelfBattery{CameOn: today - 10}
	c := alerts.ShelfBatteryCharge(b, today)
	require.False(t, c.Now)
	require.Equal(t, fleet.Known((today - 10).AddMonths(3)), c.Due)
	require.Contains(t, c.Why, "it came")
	b.MadeOn = fleet.Known(today - 100)
	c = alerts.ShelfBatteryCharge(b, today)
	require.True(t, c.Now, "it is older than it has been here")
	b.ChargedOn = fleet.Known(today - 5)
	require.False(t, alerts.ShelfBatteryCharge(b, today).Now)
	b.RestV, b.TestedOn = fleet.Known(12.3), fleet.Known(today-6)
	require.False(t, alerts.ShelfBatteryCharge(b, today).Now, "it was charged after that")
	b.TestedOn = fleet.Known(today)
	c = alerts.ShelfBatteryCharge(b, today)
	require.True(t, c.Now)
	require.Contains(t, c.Why, "it rests at 12.30 V")
}
