package faults

import (
	"slices"
	"time"

	"rimeyard/internal/fleet"
)

// Recorded turns what the fleet has on record of a unit into the facts and the prior of a search. Forecast is its newest; the zero
// Forecast: there is none. The history must be as known on asOf; the temperature is left unknown, as no record says how cold it is now.
func Recorded(h fleet.History, forecast fleet.Forecast, asOf fleet.Date) (Facts, Prior) {
	u := h.Unit
	f := Facts{Unit: u.ID, Class: u.Class, SystemVolts: u.SystemVolts, Fuel: u.Fuel, Gearbox: u.Gearbox, EngineLitres: u.EngineLitres}
	p := Prior{
		Suspects: forecast.SuspectProbabilities, NoStart: forecast.NoStartProbability, Evidence: forecast.Evidence,
	}
	for _, b := range h.Batteries {
		if !b.FittedAt(asOf) {
			continue
		}
		if rated, known := f.RatedCCAA.Get(); !known || b.RatedCCAA < rated {
			f.RatedCCAA, f.CCAStandard, f.Chemistry, f.RatedAh = fleet.Known(b.RatedCCAA), b.CCAStandard, b.Chemistry, b.RatedAh
		}
		since, known := b.FittedOn.Get()
		if made, is := b.MadeOn.Get(); is && !known {
			since, known = made, true
		}
		const daysPerYear = 365.25
		if known {
			p.BatteryYears = fleet.Known(max(p.BatteryYears.Or(0), float64(asOf-since)/daysPerYear))
		}
	}
	p.RestV = lastRestV(h)
	return f, p
}

// lastRestV is the lowest rest voltage of the last day on which one was read.
func lastRestV(h fleet.History) (lowest fleet.Opt[float64]) {
	var day fleet.Date
	for _, t := range slices.Backward(h.Tests) {
		v, known := t.RestV.Get()
		if !known {
			continue
		}
		on := fleet.DateOf(t.At, time.UTC)
		if lowest.IsKnown() && on != day {
			break
		}
		day, lowest = on, fleet.Known(min(v, lowest.Or(v)))
	}
	return lowest
}
