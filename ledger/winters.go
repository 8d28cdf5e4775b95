package ledger

import (
	"maps"
	"slices"

	"rimeyard/internal/fleet"
)

// enoughYears are enough winters of known years to reckon with these alone; with fewer, the copies that stand in for missing ones count too.
const enoughYears = 5

// depotWinters are the winters of one depot.
type depotWinters struct {
	years    []int     // in which each began, oldest first; 0: of no single year
	severity []float64 // what each does to the depot's units, in any measure
}

// aligned says of each winter that counts which of a depot's own it is.
type aligned struct {
	count int                     // of winters, the newest first
	own   map[fleet.DepotID][]int // by winter, the place among the depot's
}

// align matches the winters of depots by year: a winter is cold everywhere at once. Those that count are all years that any depot has on
// record; where these are fewer than five, also the winters of no single year, matched by their order. A depot that lacks one has in its
// place the own winter of the same rank: where it lies between the mildest and the hardest at the depots that have it, on average, there lies
// the own one that stands in. So a depot with few winters on record has its hard ones when the others do, and none is harder than its own.
func align(of map[fleet.DepotID]*depotWinters) aligned {
	depots := slices.Sorted(maps.Keys(of))
	var years []int
	unnamed := 0
	for _, d := range depots {
		none := 0
		for _, y := range of[d].years {
			switch {
			case y == 0:
				none++
			case !slices.Contains(years, y):
				years = append(years, y)
			}
		}
		unnamed = max(unnamed, none)
	}
	slices.Sort(years)
	slices.Reverse(years)
	if len(years) < enoughYears {
		for k := range unnamed {
			years = append(years, -k) // the k-th of no single year
		}
	}
	a := aligned{count: len(years), own: map[fleet.DepotID][]int{}}
	ranks := map[fleet.DepotID][]float64{}
	for _, d := range depots {
		ranks[d] = ranksOf(of[d].severity)
		for _, y := range years {
			a.own[d] = append(a.own[d], of[d].find(y))
		}
	}
	for s := range years {
		rank, have := 0.0, 0
		for _, d := range depots {
			if i := a.own[d][s]; i >= 0 {
				rank += ranks[d][i]
				have++
			}
		}
		for _, d := range depots {
			if a.own[d][s] < 0 {
				a.own[d][s] = atRank(ranks[d], rank/float64(have))
			}
		}
	}
	return a
}

// find is the place of a winter by its year, or of the k-th of no single year where it is -k; below zero: it is not there.
func (w *depotWinters) find(year int) int {
	if year > 0 {
		return slices.Index(w.years, year)
	}
	for i, y := range w.years {
		if y == 0 {
			if year == 0 {
				return i
			}
			year++
		}
	}
	return -1
}

// ranksOf says where each value lies among all, from 0 for the least to 1; equal ones lie in the middle of their places.
func ranksOf(values []float64) []float64 {
	ranks := make([]float64, len(values))
	for i, v := range values {
		for _, other := range values {
			switch {
			case other < v:
				ranks[i]++
			case other == v:
				ranks[i] += 0.5
			}
		}
		ranks[i] /= float64(len(values))
	}
	return ranks
}

// atRank is the value whose rank is nearest; of equally near ones the last, which is the newest.
func atRank(ranks []float64, rank float64) int {
	best := 0
	for i, r := range ranks {
		if abs(r-rank) <= abs(ranks[best]-rank) {
			best = i
		}
	}
	return best
}

func abs(x float64) float64 { return max(x, -x) }
