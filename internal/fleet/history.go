package fleet

import (
	"slices"
	"time"
)

// History is all that is recorded of one unit. Slices are in order of time (fittings: of FittedOn, unknown first).
type History struct {
	Unit       Unit
	Batteries  []BatteryFitting
	Starters   []StarterFitting
	Tests      []Test
	Cranks     []Crank
	Breakdowns []Breakdown
}

// AsOf returns h as it was known when day asOf began in zone: rows and fittings dated on asOf or later are gone, and
// so are the ends and core returns of fittings that lay ahead. Forecasts for the past must be made from this alone.
func (h History) AsOf(asOf Date, zone *time.Location) History {
	start := asOf.Midnight(zone)
	h.Tests = before(h.Tests, start, func(t Test) time.Time { return t.At })
	h.Cranks = before(h.Cranks, start, func(c Crank) time.Time { return c.At })
	h.Breakdowns = before(h.Breakdowns, start, func(b Breakdown) time.Time { return b.At })
	var batteries []BatteryFitting
	for _, f := range h.Batteries {
		if ahead(f.FittedOn, asOf) {
			continue
		}
		forgetAhead(asOf, &f.RemovedOn, &f.RemovedBecause, &f.CoreReturnedOn)
		batteries = append(batteries, f)
	}
	h.Batteries = batteries
	var starters []StarterFitting
	for _, f := range h.Starters {
		if ahead(f.FittedOn, asOf) {
			continue
		}
		forgetAhead(asOf, &f.RemovedOn, &f.RemovedBecause, &f.CoreReturnedOn)
		starters = append(starters, f)
	}
	h.Starters = starters
	return h
}

// forgetAhead takes back an end and a core return that lay ahead of asOf.
func forgetAhead(asOf Date, removedOn *Opt[Date], because *Removal, coreReturnedOn *Opt[Date]) {
	if ahead(*removedOn, asOf) {
		*removedOn, *because = Opt[Date]{}, ""
	}
	if ahead(*coreReturnedOn, asOf) {
		*coreReturnedOn = Opt[Date]{}
	}
}

func ahead(d Opt[Date], asOf Date) bool {
	day, known := d.Get()
	return known && day >= asOf
}

// before cuts a slice in order of time at start.
func before[T any](rows []T, start time.Time, at func(T) time.Time) []T {
	n, _ := slices.BinarySearchFunc(rows, start, func(r T, s time.Time) int { return at(r).Compare(s) })
	return rows[:n:n]
}
