package alerts

import (
	"math"
	"slices"

	"rimeyard/internal/fleet"
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
	w := f.winters[one.depot.ID]
	p, byDay := f.chance(state.Outlook(), w)
	shares := blame(state)
	out := fleet.Forecast{
		Unit: one.unit.ID, Depot: one.unit.Depot, NoStartProbability: fleet.Known(sayable(p)),
		ColdLimitC: fleet.Known(round(state.ColdLimitC, 1)), ColdLimitP10C: fleet.Known(round(state.P10C, 1)), ColdLimitP90C: fleet.Known(round(state.P90C, 1)),
		SuspectProbabilities: shares, Suspect: worst(shares),
	}
	out.Band = band(one, p, byDay, f.asOf, w.from)
	out.SwapCost = f.prices.swap(one, out.Suspect)
	cost, costKnown := f.prices.failure(one)
	if costKnown {
		out.ExpectedLoss = fleet.Known(fleet.RoundMoney(p * cost.Amount()))
	}
	if p >= watchFrom {
		out.SwapBy = fleet.Known(f.actBy(byDay, w.from))
	}
	out.Evidence = f.evidence(one, state, w, out)
	return out
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

// riskLimit is the chance of a failed start that a unit may run up before something must have been done.
const riskLimit = 0.05

// actBy is the last day on which the chance so far is within the limit; never before the as-of date, at the latest the season's end.
func (f *judged) actBy(byDay []float64, from fleet.Date) fleet.Date {
	i, _ := slices.BinarySearchFunc(byDay, riskLimit, func(p, limit float64) int {
		if p <= limit {
			return -1
		}
		return 1
	})
	return max(f.asOf, from+fleet.Date(i)-1)
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
