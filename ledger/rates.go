package ledger

import (
	"rimeyard/internal/fleet"
	"rimeyard/trend"
)

// monthWorth is how many failed starts what is usual in the season, or out of it, weighs against what was seen in one calendar month (set).
const monthWorth = 3

// LearnRates is how many failed starts a unit has per month, for each calendar month, from the breakdowns that were recorded from one day to
// another. Breakdowns of other causes than the starting system's do not count. Zone by depot decides in which month a breakdown lies. Lives are
// for the caller to add.
//
// In the season and out of it, the rate is that of all their months with half a failure added, so that none seen is not none expected (Jeffreys'
// prior for a Poisson rate). A month's own is its own failures by its own days, drawn towards that rate by the weight of monthWorth failures
// (gamma prior), and all are scaled so that over the days that were seen they add up to the failures that were: months share what there is
// unevenly, but no more and no less of it.
func LearnRates(f Facts, season fleet.Season, from, to fleet.Date) Rates {
	r := Rates{}
	for d := season.From; d <= season.To; d = (MonthOf(d) + 1).First() {
		r.Season[int(MonthOf(d))%monthsPerYear] = true
	}
	var failed, unitMonths [monthsPerYear]float64
	for _, u := range f.Units {
		since := max(from, u.InServiceOn.Or(from))
		for m := MonthOf(since); m <= MonthOf(to); m++ {
			first, last := max(m.First(), since), min(m.Last(), to)
			unitMonths[int(m)%monthsPerYear] += float64(max(0, last+1-first)) / daysPerMonth
		}
	}
	b := newBooker(f)
	for _, row := range f.Breakdowns {
		if on := b.dayOf(row); on >= from && on <= to && row.Cause != fleet.OtherPart {
			failed[int(MonthOf(on))%monthsPerYear]++
		}
	}
	r.share(failed, unitMonths, true)
	r.share(failed, unitMonths, false)
	return r
}

// share sets the rates of the months that are in the season, or out of it.
func (r *Rates) share(failed, unitMonths [monthsPerYear]float64, season bool) {
	const half = 0.5
	seen, months := half, 0.0
	for m := range failed {
		if r.Season[m] == season {
			seen, months = seen+failed[m], months+unitMonths[m]
		}
	}
	if months == 0 {
		return
	}
	usual, sum := seen/months, 0.0
	for m := range failed {
		if r.Season[m] == season {
			r.ByMonth[m] = (failed[m] + monthWorth) / (unitMonths[m] + monthWorth/usual)
			sum += r.ByMonth[m] * unitMonths[m]
		}
	}
	for m := range failed {
		if r.Season[m] == season {
			r.ByMonth[m] *= seen / sum
		}
	}
}

// LearnLives is how long the fleet's batteries and starters last, in years: what was fitted, with what is still in service counted as such, and
// what is usual where few have failed.
func LearnLives(f Facts, on fleet.Date) map[fleet.Part]trend.Weibull {
	s := newServices(f, fleet.Opt[fleet.Date]{}, on)
	battery, starter := serviceKey{kind: fleet.BatteryPart}, serviceKey{kind: fleet.StarterPart}
	for i := range f.Batteries {
		r := &f.Batteries[i]
		s.add(battery, fittedOnce{r.Unit, r.FittedOn, r.RemovedOn, r.RemovedBecause, r.Price})
	}
	for i := range f.Starters {
		r := &f.Starters[i]
		s.add(starter, fittedOnce{r.Unit, r.FittedOn, r.RemovedOn, r.RemovedBecause, r.Price})
	}
	lives := map[fleet.Part]trend.Weibull{}
	for _, k := range []serviceKey{battery, starter} {
		var seen []trend.Life
		if v := s.of[k]; v != nil {
			seen = v.lives
		}
		if fit, err := trend.FitWeibull(seen, UsualLife(k.kind)); err == nil { // with a prior it always is
			lives[k.kind] = fit.Weibull
		}
	}
	return lives
}
