package alerts

import (
	"math"

	"rimeyard/internal/fleet"
	"rimeyard/plan"
	"rimeyard/trend"
)

// Where the bands begin.
const (
	watchFrom = 0.12 // chance of a failed start in the season
	swapFrom  = 0.30
	downWeek  = 0.50 // chance of a failed start in the coming seven days of a usual year
	// staleAfter days without a reading, nothing is known of a unit but its kind.
	staleAfter = 540
)

// forecast judges one unit.
func (f *judged) forecast(one *file, state trend.State) fleet.Forecast {
	d := f.undated(one, state)
	f.price(one, &d)
	d.forecast.SwapBy = f.actBy([]plan.Unit{d.act}, func(int) *file { return one })[0]
	return d.forecast
}

// undated is a forecast that has no money and no day to act by yet: prices are known once the whole fleet is read, and the day is worked out
// for many units at once.
type undated struct {
	forecast fleet.Forecast
	act      plan.Unit
	chance   float64
}

func (f *judged) undated(one *file, state trend.State) undated {
	w := f.winters[one.depot.ID]
	p, byDay := f.chance(state.Outlook(), w)
	shares := blame(state)
	out := fleet.Forecast{
		Unit: one.unit.ID, Depot: one.unit.Depot, NoStartProbability: fleet.Known(sayable(p)),
		ColdLimitC: fleet.Known(round(state.ColdLimitC, 1)), ColdLimitP10C: fleet.Known(round(state.P10C, 1)), ColdLimitP90C: fleet.Known(round(state.P90C, 1)),
		SuspectProbabilities: shares, Suspect: worst(shares),
	}
	out.Band = band(one, p, byDay, f.asOf, w.from)
	out.Evidence = f.evidence(one, state, w, out)
	return undated{out, plan.Unit{ID: one.unit.ID, ChanceByWeek: f.byWeek(byDay, w), Causes: shares, AgeYears: one.now.ageYears}, p}
}

// price adds what the fleet's prices say.
func (f *judged) price(one *file, d *undated) {
	d.forecast.SwapCost, d.act.SwapCosts = f.prices.swap(one, d.forecast.Suspect), f.swapCosts(one)
	if cost, known := f.prices.failure(one); known {
		d.forecast.ExpectedLoss = fleet.Known(fleet.RoundMoney(d.chance * cost.Amount()))
		d.act.NoStartCost = fleet.Known(cost)
	}
}

// swapCosts is what the parts that a swap needs cost, where it is known.
func (f *judged) swapCosts(one *file) map[fleet.Part]fleet.Money {
	costs := map[fleet.Part]fleet.Money{}
	for _, part := range fleet.Suspects() {
		if cost, known := f.prices.swap(one, part).Get(); known {
			costs[part] = cost
		}
	}
	return costs
}

// chance of at least one failed start in what is left of the season: the mean over past winters. byDay is the chance up to and including each day.
func (f *judged) chance(outlook trend.Outlook, w depotWinters) (p float64, byDay []float64) {
	ahead := int(w.from - f.asOf)
	byDay = make([]float64, len(w.winters[0].DawnC))
	days := make([]float64, len(byDay))
	n := float64(len(w.winters))
	for _, past := range w.winters {
		p += outlook.Risk(past.DawnC, ahead, w.spreadC, days) / n
		for i := range byDay {
			byDay[i] += days[i] / n
		}
	}
	if byDay != nil && byDay[len(byDay)-1] > 0 { // the run of days ends at the season's chance
		scale := p / byDay[len(byDay)-1]
		for i := range byDay {
			byDay[i] *= scale
		}
	}
	return p, byDay
}

func band(one *file, p float64, byDay []float64, asOf, from fleet.Date) fleet.Band {
	week := byDay[min(6, len(byDay)-1)]
	switch {
	case one.track.LastDay == 0, one.track.LastDay < asOf-staleAfter:
		return fleet.UnknownBand
	case week >= downWeek && from == asOf:
		return fleet.Down
	case p >= swapFrom:
		return fleet.Swap
	case p >= watchFrom:
		return fleet.Watch
	}
	return fleet.Sound
}

// actBy tells for each unit the last week's Monday on which acting still saves nearly all that acting at the best time saves, as the plan
// reckons it ([plan.SwapBy]); never before the as-of date, at the latest the season's end. Unknown: no work pays. file gives the unit's
// file by its place.
func (f *judged) actBy(units []plan.Unit, file func(i int) *file) []fleet.Opt[fleet.Date] {
	by := plan.SwapBy(f.asOf.Monday(), units, plan.DefaultRules())
	for i := range by {
		if monday, pays := by[i].Get(); pays {
			by[i] = fleet.Known(min(max(f.asOf, monday), f.winters[file(i).depot.ID].season.To))
		}
	}
	return by
}

// sayable is a chance as it is written: never 0 and never 1, since a starter can fail without a warning and no reading is proof.
func sayable(p float64) float64 { return min(max(round(p, 4), 0.0001), 0.9999) }

// round keeps what a person would read, so that the last bit of a sum never shows.
func round(x float64, decimals int) float64 {
	scale := 1.0
	for range decimals {
		scale *= 10
	}
	return math.Round(x*scale)/scale + 0 // + 0: never −0
}
