package ledger

import (
	"rimeyard/internal/fleet"
)

// LearnRates is how many failed starts a unit has per month, in the months of the season and in the others, from the breakdowns that were
// recorded from one day to another. Breakdowns of other causes than the starting system's do not count. Half a failure is added to each, so
// that none seen is not none expected (Jeffreys' prior for a Poisson rate). Zone by depot decides in which month a breakdown lies. Lives are
// for the caller to add.
func LearnRates(f Facts, season fleet.Season, from, to fleet.Date) Rates {
	r := Rates{}
	for d := season.From; d <= season.To; d = (MonthOf(d) + 1).First() {
		r.Season[int(MonthOf(d))%monthsPerYear] = true
	}
	var failed, days [2]float64 // out of season, in season
	at := func(d fleet.Date) int {
		if r.Season[int(MonthOf(d))%monthsPerYear] {
			return 1
		}
		return 0
	}
	for _, u := range f.Units {
		for m := MonthOf(max(from, u.InServiceOn.Or(from))); m <= MonthOf(to); m++ {
			first, last := max(m.First(), from, u.InServiceOn.Or(from)), min(m.Last(), to)
			days[at(m.First())] += float64(max(0, last+1-first))
		}
	}
	b := newBooker(f)
	for _, row := range f.Breakdowns {
		if on := b.dayOf(row); on >= from && on <= to && row.Cause != fleet.OtherPart {
			failed[at(on)]++
		}
	}
	const half = 0.5
	rate := func(i int) float64 {
		if days[i] == 0 {
			return 0
		}
		return (failed[i] + half) / (days[i] / daysPerMonth)
	}
	r.Warm, r.Cold = rate(0), rate(1)
	return r
}
