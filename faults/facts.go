package faults

import (
	"errors"
	"fmt"
	"math"

	"rimeyard/internal/fleet"
)

// Facts are what is known of a unit before anything is asked. All but the volts may be unknown.
type Facts struct {
	Unit         fleet.UnitID       `json:"unit"` // empty: a vehicle nobody has recorded
	Class        string             `json:"class"`
	SystemVolts  int                `json:"system_volts"`  // 12 or 24
	Fuel         fleet.Fuel         `json:"fuel"`          // empty: not known
	Gearbox      fleet.Gearbox      `json:"gearbox"`       // empty: not known
	EngineLitres fleet.Opt[float64] `json:"engine_litres"` // for what a starter may draw
	Chemistry    fleet.Chemistry    `json:"chemistry"`     // empty: read like flooded
	RatedCCAA    fleet.Opt[float64] `json:"rated_cca_a"`   // of one battery, as on its label
	CCAStandard  fleet.CCAStandard  `json:"cca_standard"`  // of that rating; empty: not said
	RatedAh      fleet.Opt[float64] `json:"rated_ah"`      // of one battery
	TemperatureC fleet.Opt[float64] `json:"temperature_c"` // of the battery, else of the air
}

// Prior is what the fleet's own records say before the first check. The zero Prior is that of a vehicle nobody has recorded.
type Prior struct {
	// Suspects are the shares of fleet.Forecast.SuspectProbabilities; empty: no forecast.
	Suspects map[fleet.Part]float64 `json:"suspects,omitempty"`
	// NoStart is the season's chance of a failed start: the surer a failure was foreseen, the more its suspects count.
	NoStart fleet.Opt[float64] `json:"no_start_probability"`
	// BatteryYears is the age of the oldest battery.
	BatteryYears fleet.Opt[float64] `json:"battery_years"`
	// RestV is the rest voltage of the weakest battery as last read, before it failed.
	RestV fleet.Opt[float64] `json:"rest_v"`
	// Evidence are the forecast's sentences, shown beside the first question and never computed with.
	Evidence []string `json:"evidence,omitempty"`
}

// Bounds of what is believed (common practice, no source).
const (
	coldestC, hottestC     = -55, 55
	leastCCAA, mostCCAA    = 50, 2500
	leastAh, mostAh        = 5, 400
	leastLitres, mostLitre = 0.2, 30
)

func (f Facts) validate() error {
	if f.SystemVolts != 12 && f.SystemVolts != 24 {
		return fmt.Errorf("system voltage %d V: the limits are known for 12 and 24 V; say one of the two", f.SystemVolts)
	}
	return errors.Join(
		within("engine litres", f.EngineLitres, leastLitres, mostLitre),
		within("rated cold cranking amperes", f.RatedCCAA, leastCCAA, mostCCAA),
		within("rated ampere-hours", f.RatedAh, leastAh, mostAh),
		within("temperature °C", f.TemperatureC, coldestC, hottestC),
		oneOf("fuel", f.Fuel, "", fleet.Petrol, fleet.Diesel),
		oneOf("gearbox", f.Gearbox, "", fleet.Automatic, fleet.Manual),
		oneOf("battery type", f.Chemistry, "", fleet.Flooded, fleet.EFB, fleet.AGM, fleet.Gel),
		oneOf("cold cranking standard", f.CCAStandard, "", fleet.SAE, fleet.EN, fleet.DIN, fleet.IEC, fleet.JIS),
	)
}

func (p Prior) validate() error {
	sum := 0.0
	for _, part := range fleet.Suspects() {
		share := p.Suspects[part]
		if !(share >= 0 && share <= 1) {
			return fmt.Errorf("suspect %s has the share %v: want 0 to 1", part, share)
		}
		sum += share
	}
	if len(p.Suspects) > 0 && math.Abs(sum-1) > 0.02 {
		return fmt.Errorf("the suspects' shares add up to %.2f: want 1, or none at all", sum)
	}
	return errors.Join(
		within("chance of a failed start", p.NoStart, 0, 1),
		within("battery years", p.BatteryYears, 0, 40),
		within("last rest voltage", p.RestV, 0, 15.5),
	)
}

func within(what string, v fleet.Opt[float64], low, high float64) error {
	x, known := v.Get()
	if known && !(x >= low && x <= high) {
		return fmt.Errorf("%s %v: want %v to %v, or leave it unknown", what, x, low, high)
	}
	return nil
}

func oneOf[T ~string](what string, v T, allowed ...T) error {
	for _, a := range allowed {
		if v == a {
			return nil
		}
	}
	return fmt.Errorf("%s %q: want one of %q, or nothing where it is not known", what, v, allowed[1:])
}
