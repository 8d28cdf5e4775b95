package alerts

import (
	"cmp"

	"rimeyard/internal/fleet"
	"rimeyard/trend"
)

// tellable is the season's chance below which no test could change what is done, so what one could tell is not worked out.
const tellable = 0.02

// percentiles of the standard normal at 10, 30, 50, 70 and 90 %.
var percentiles = [5]float64{-1.2815515655446004, -0.5244005127080407, 0, 0.5244005127080407, 1.2815515655446004}

// outlook is what is kept of a unit beside its forecast.
func (f *judged) outlook(one *file, s trend.State, out fleet.Forecast) fleet.Outlook {
	o := f.unpriced(one, s, out)
	f.priceOutlook(one, &o)
	return o
}

// priceOutlook adds what the fleet's prices say.
func (f *judged) priceOutlook(one *file, o *fleet.Outlook) {
	if cost, known := f.prices.failure(one); known {
		o.NoStartCost = fleet.Known(cost)
	}
	o.SwapCosts = f.swapCosts(one)
}

// unpriced is an outlook without money.
func (f *judged) unpriced(one *file, s trend.State, out fleet.Forecast) fleet.Outlook {
	w := f.winters[one.depot.ID]
	ahead := s.Outlook()
	season, byDay := f.chance(ahead, w)
	o := f.tonight(one, s)
	o.ChanceByWeek, o.AgeYears, o.Fitted = f.byWeek(byDay, w), one.now.ageYears, one.now.parts
	o.ByWinter = f.byWinter(ahead, w)
	low, high := f.params.ChanceRange(season)
	o.ChanceP05, o.ChanceP95 = fleet.Known(round(low, 4)), fleet.Known(round(high, 4))
	for i, z := range percentiles {
		o.ChanceIf[i] = out.NoStartProbability.Or(sayable(season))
		if season >= tellable {
			p, _ := f.chance(ahead.IfLimitAt(z), w)
			o.ChanceIf[i] = sayable(p)
		}
	}
	const weeksPerMonth = 365.25 / 12 / 7
	limitC, _, _ := s.LimitIn(weeksPerMonth)
	o.DriftCPerMonth = fleet.Known(round(limitC-s.ColdLimitC, 2))
	if one.track.LastDay != 0 {
		o.LastReadOn = fleet.Known(one.track.LastDay)
	}
	return o
}

// tonight is the part of an outlook that one night is judged by.
func (f *judged) tonight(one *file, s trend.State) fleet.Outlook {
	o := fleet.Outlook{Unit: one.unit.ID, Night: s.Outlook().Night(), Relief: map[fleet.Remedy]float64{}, SwapCosts: map[fleet.Part]fleet.Money{}}
	for remedy, byC := range s.Relief() {
		o.Relief[remedy] = round(byC, 1)
	}
	if one.track.RestRead() {
		soc := trend.StateOfCharge(one.track.Chemistry, s.RestV)
		o.RestV, o.SocPct = fleet.Known(round(s.RestV, 2)), fleet.Known(round(100*soc, 0))
		o.FreezesAtC = fleet.Known(round(trend.FreezingPointC(soc), 1))
	}
	return o
}

// byWeek reads the run of days at each Sunday, the season's last week at its last day.
func (f *judged) byWeek(byDay []float64, w depotWinters) []float64 {
	var chances []float64
	for monday := f.asOf.Monday(); monday <= w.season.To; monday += 7 {
		day := int(min(monday+6, w.season.To) - w.from)
		p := 0.0
		if day >= 0 {
			p = round(byDay[min(day, len(byDay)-1)], 5)
		}
		chances = append(chances, p)
	}
	return chances
}

// byWinter reads each past winter's run of days at the ends of the months that are left.
func (f *judged) byWinter(o trend.Outlook, w depotWinters) []fleet.PastWinter {
	var ends []int
	for day := w.from; day <= w.season.To; {
		y, m, _ := day.YMD()
		day = fleet.NewDate(y, m+1, 1)
		ends = append(ends, int(min(day-1, w.season.To)-w.from))
	}
	days := make([]float64, int(w.season.To-w.from)+1)
	winters := make([]fleet.PastWinter, len(w.winters))
	for i, past := range w.winters {
		if past.Shifted == 0 {
			winters[i].Year = past.Year
		}
		o.Risk(past.DawnC, int(w.from-f.asOf), w.spreadC, days)
		for _, end := range ends {
			winters[i].Chance = append(winters[i].Chance, round(days[end], 4))
		}
	}
	return winters
}

// fittedNow is what a unit has in place.
type fittedNow struct {
	parts    map[fleet.Part][]string
	ageYears map[fleet.Part]float64
}

func fittedOn(h fleet.History, p paid, asOf fleet.Date) fittedNow {
	now := fittedNow{map[fleet.Part][]string{}, map[fleet.Part]float64{}}
	if len(p.battery) > 0 {
		now.parts[fleet.BatteryPart] = p.battery
	}
	if p.starter != "" {
		now.parts[fleet.StarterPart] = []string{p.starter}
	}
	for _, b := range h.Batteries {
		if b.FittedAt(asOf - 1) {
			now.oldest(fleet.BatteryPart, cmp.Or(b.FittedOn, b.MadeOn), asOf)
		}
	}
	for _, st := range h.Starters {
		if st.FittedAt(asOf - 1) {
			now.oldest(fleet.StarterPart, st.FittedOn, asOf)
		}
	}
	return now
}

func (n fittedNow) oldest(part fleet.Part, since fleet.Opt[fleet.Date], asOf fleet.Date) {
	if from, known := since.Get(); known && from < asOf {
		n.ageYears[part] = max(n.ageYears[part], round(float64(asOf-from)/365.25, 2))
	}
}
