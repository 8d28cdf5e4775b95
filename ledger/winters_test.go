package ledger

import (
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"rimeyard/internal/fleet"
)

// Two depots, of which one has no record of the hard winter of 2023: by place in the list the mild winter of the one would have met the hard
// one of the other.
func TestWintersAreMatchedByYear(t *testing.T) {
	a := align(map[fleet.DepotID]*depotWinters{
		"NOR": {years: []int{2020, 2021, 2022, 2023, 2024, 2025}, severity: []float64{1, 2, 3, 9, 4, 5}},
		"SUD": {years: []int{2021, 2022, 2024, 2025}, severity: []float64{20, 10, 40, 30}},
	})
	require.Equal(t, 6, a.count)
	require.Equal(t, []int{5, 4, 3, 2, 1, 0}, a.own["NOR"], "the newest first")
	// 2025 and 2024 its own; 2023 the hardest there, so its hardest; 2022, 2021; 2020 the mildest there, so its mildest
	require.Equal(t, []int{3, 2, 2, 1, 0, 1}, a.own["SUD"])
}

// Copies that stand in for winters that are not on record count only where there is little else, and are drawn by rank where there is.
func TestWintersOfNoSingleYear(t *testing.T) {
	few := &depotWinters{years: []int{2024, 2025, 0, 0, 0}, severity: []float64{3, 4, 9, 8, 1}}
	alone := align(map[fleet.DepotID]*depotWinters{"NOR": few})
	require.Equal(t, 5, alone.count)
	require.Equal(t, []int{1, 0, 2, 3, 4}, alone.own["NOR"])

	many := &depotWinters{severity: []float64{1, 2, 3, 4, 5, 6, 7, 8, 9, 10}}
	for y := range 10 {
		many.years = append(many.years, 2016+y)
	}
	both := align(map[fleet.DepotID]*depotWinters{"NOR": few, "SUD": many})
	require.Equal(t, 10, both.count)
	require.Equal(t, []int{1, 0}, both.own["NOR"][:2])
	require.Equal(t, 3, both.own["NOR"][2], "2023, the third hardest of ten there, is met by the second hardest of its five")
	require.Equal(t, 4, both.own["NOR"][9], "2016, the mildest of ten, by its mildest")

	guess := align(map[fleet.DepotID]*depotWinters{"NOR": {years: []int{0, 0}, severity: []float64{2, 1}}, "SUD": {years: []int{0}, severity: []float64{1}}})
	require.Equal(t, aligned{2, map[fleet.DepotID][]int{"NOR": {0, 1}, "SUD": {0, 0}}}, guess)
}

// Whatever depots have on record: a year that one has is its own, and where it stands in for others a harder year is never met by a milder one.
func TestStandInsKeepTheOrder(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r := rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 3))
		whole := &depotWinters{}
		for y := range 12 {
			whole.years, whole.severity = append(whole.years, 2014+y), append(whole.severity, r.Float64())
		}
		part := &depotWinters{}
		for _, y := range whole.years {
			if r.IntN(3) == 0 {
				part.years, part.severity = append(part.years, y), append(part.severity, r.Float64())
			}
		}
		if len(part.years) == 0 {
			return
		}
		a := align(map[fleet.DepotID]*depotWinters{"A": whole, "B": part})
		type met struct{ there, here float64 }
		var standIns []met
		for s := range a.count {
			y, own := whole.years[a.own["A"][s]], a.own["B"][s]
			if slices.Contains(part.years, y) {
				require.Equal(t, y, part.years[own])
				continue
			}
			standIns = append(standIns, met{whole.severity[a.own["A"][s]], part.severity[own]})
		}
		slices.SortFunc(standIns, func(x, y met) int { return int(1e9 * (x.there - y.there)) })
		require.True(t, slices.IsSortedFunc(standIns, func(x, y met) int { return int(1e9 * (x.here - y.here)) }))
	})
}

// Two depots whose winters go together: matched by year the spread is that of both at once, although one has fewer on record; matched by
// place in the list a hard winter of the one would meet a mild one of the other, and the spread be too narrow.
func TestTheSpreadOfDepotsWithDifferentRecords(t *testing.T) {
	const units = 200
	in := BudgetInput{Currency: "EUR", From: october, Months: 1, Prices: prices2026()}
	chances := map[int]float64{2018: 0.02, 2019: 0.3, 2020: 0.02, 2021: 0.3, 2022: 0.02, 2023: 0.3, 2024: 0.02, 2025: 0.3}
	add := func(depot fleet.DepotID, without ...int) {
		var past []fleet.PastWinter
		for y := 2018; y <= 2025; y++ {
			if !slices.Contains(without, y) {
				past = append(past, fleet.PastWinter{Year: y, Chance: []float64{chances[y]}})
			}
		}
		for i := range units {
			u := one(fleet.UnitID(string(depot)+string(rune('0'+i/64))+string(rune('0'+i%64))), depot)
			u.ByWinter = past
			in.Units = append(in.Units, u)
		}
	}
	add("NOR")
	add("SUD")
	all := whole(budgetOf(t, in))
	in.Units = in.Units[:units]
	add("SUD", 2024, 2021) // from here on back, place and year differ by one
	fewer := whole(budgetOf(t, in))
	require.InEpsilon(t, float64(all.P90-all.P10), float64(fewer.P90-fewer.P10), 0.02)
	require.Greater(t, fewer.P90-fewer.P10, fleet.Money(2*units*0.28*300_00*9/10), "hard at both, less mild at both")
}
