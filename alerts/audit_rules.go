package alerts

import (
	"math"
	"slices"
	"time"

	"rimeyard/internal/fleet"
)

// rule is what people go by today: an order of the units, those to fail first having the largest value.
type rule struct {
	name, says string
	value      []float64
	known      int
}

// rules puts a unit for which a rule has no value in the middle.
func rules(units []Scored) []rule {
	by := func(name, says string, of func(Scored) fleet.Opt[float64], sign float64) rule {
		var known []float64
		for _, s := range units {
			if v, ok := of(s).Get(); ok {
				known = append(known, sign*v)
			}
		}
		slices.Sort(known)
		middle := 0.0
		if len(known) > 0 {
			middle = (known[(len(known)-1)/2] + known[len(known)/2]) / 2
		}
		values := make([]float64, len(units))
		for i, s := range units {
			values[i] = middle
			if v, ok := of(s).Get(); ok {
				values[i] = sign * v
			}
		}
		return rule{name, says, values, len(known)}
	}
	return []rule{
		by("battery_age", "the oldest battery first", func(s Scored) fleet.Opt[float64] { return s.AgeYears }, 1),
		by("last_test_pct", "the lowest last test, in per cent of rated, first", func(s Scored) fleet.Opt[float64] { return s.TestPct }, -1),
		by("lowest_cranking_v", "the lowest cranking volts near freezing in twelve months first", func(s Scored) fleet.Opt[float64] { return s.LowestV }, -1),
	}
}

// inOrder puts rows in the order of time where they are not; the caller's slices stay as they were.
func inOrder(h fleet.History) fleet.History {
	h.Tests = byTime(h.Tests, func(t fleet.Test) time.Time { return t.At })
	h.Cranks = byTime(h.Cranks, func(c fleet.Crank) time.Time { return c.At })
	h.Breakdowns = byTime(h.Breakdowns, func(b fleet.Breakdown) time.Time { return b.At })
	return h
}

func byTime[T any](rows []T, at func(T) time.Time) []T {
	order := func(a, b T) int { return at(a).Compare(at(b)) }
	if slices.IsSortedFunc(rows, order) {
		return rows
	}
	rows = slices.Clone(rows)
	slices.SortStableFunc(rows, order)
	return rows
}

const daysPerYear = 365.25

// batteryAge is the age in years of the oldest battery in place; made-on stands in for an unknown fitted-on.
func batteryAge(h fleet.History, asOf fleet.Date) (years fleet.Opt[float64]) {
	for _, f := range h.Batteries {
		since, known := f.FittedOn.Get()
		if !known {
			since, known = f.MadeOn.Get()
		}
		if f.RemovedOn.IsKnown() || !known {
			continue
		}
		age := float64(asOf-since) / daysPerYear
		years = fleet.Known(max(age, years.Or(age)))
	}
	return years
}

// lastTestPct is the lowest of the last tests of the unit's batteries in place, in per cent of what each is rated at.
// A test set to another standard than the battery's rating says nothing here.
func lastTestPct(h fleet.History, zone *time.Location) (pct fleet.Opt[float64]) {
	for _, f := range h.Batteries {
		if f.RemovedOn.IsKnown() {
			continue
		}
		for i := len(h.Tests) - 1; i >= 0; i-- {
			t := h.Tests[i]
			shown, known := t.CCAA.Get()
			if !known || t.Position != f.Position || t.CCAStandard != f.CCAStandard || !f.FittedAt(fleet.DateOf(t.At, zone)) {
				continue
			}
			share := 100 * shown / f.RatedCCAA
			pct = fleet.Known(min(share, pct.Or(share)))
			break
		}
	}
	return pct
}

// Cold enough to tell, and so common that most units have a crank there.
const ruleFromC, ruleToC = -4, 6

// lowestCrankingV is the lowest volts, per 12 V, of the last twelve months' cranks between −4 and 6 °C. A crank without
// a temperature of its own counts, if it is the day's first, by the depot's lowest of that day.
func lowestCrankingV(h fleet.History, asOf fleet.Date, zone *time.Location, days map[fleet.Date]fleet.DayTemp) (lowest fleet.Opt[float64]) {
	since := asOf.AddMonths(-12).Midnight(zone)
	last := fleet.Date(math.MinInt32)
	for _, c := range h.Cranks {
		if c.At.Before(since) {
			continue
		}
		day := fleet.DateOf(c.At, zone)
		temperature := c.TemperatureC
		if !temperature.IsKnown() && day != last {
			temperature = days[day].MinC
		}
		last = day
		airC, known := temperature.Get()
		v, measured := c.MinV.Get()
		if !known || !measured || airC < ruleFromC || airC > ruleToC {
			continue
		}
		v /= float64(h.Unit.BatteriesInSeries())
		lowest = fleet.Known(min(v, lowest.Or(v)))
	}
	return lowest
}
