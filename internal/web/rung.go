package web

import (
	"fmt"
	"math"
	"slices"

	"rimeyard/internal/fleet"
	"rimeyard/reports"
)

// A rung is a unit's cold limit with its interval drawn along one scale for the whole page, over the coldest nights of its depot's past
// winters: what the ladder above shows for all, row by row.
type rung struct {
	Said          string // the same in words
	WinterX       int    // the band of past winters' coldest nights
	WinterW       int
	DesignX       int // the median of them
	LimitX        int
	FromX, Across int // the interval
	Band          fleet.Band
	HasWinter     bool
}

// The scale of all rungs: from rungColdC at the left to rungWarmC at the right, in tenths of a degree.
const (
	rungColdC = -50.0
	rungWarmC = 10.0
	rungUnits = 10
	rungWidth = int((rungWarmC - rungColdC) * rungUnits)
)

func rungX(c float64) int {
	return int(math.Round((min(max(c, rungColdC), rungWarmC) - rungColdC) * rungUnits))
}

// newRung is nil where no cold limit is known.
func newRung(f fleet.Forecast, minimaC []float64) *rung {
	limit, known := f.ColdLimitC.Get()
	if !known {
		return nil
	}
	r := &rung{LimitX: rungX(limit), Band: f.Band}
	r.FromX = rungX(f.ColdLimitP10C.Or(limit))
	r.Across = rungX(f.ColdLimitP90C.Or(limit)) - r.FromX
	r.Said = "cold limit " + reports.Degrees(limit)
	if len(minimaC) > 0 {
		sorted := slices.Sorted(slices.Values(minimaC))
		median := (sorted[(len(sorted)-1)/2] + sorted[len(sorted)/2]) / 2
		r.HasWinter, r.WinterX, r.DesignX = true, rungX(sorted[0]), rungX(median)
		r.WinterW = max(rungX(sorted[len(sorted)-1])-r.WinterX, rungUnits/2)
		r.Said += fmt.Sprintf("; the coldest nights of %d past winters lay between %s and %s", len(sorted), reports.Degrees(sorted[0]), reports.Degrees(sorted[len(sorted)-1]))
	}
	return r
}
