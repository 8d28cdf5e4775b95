package alerts

import (
	"fmt"
	"math"
	"time"

	"rimeyard/internal/fleet"
	"rimeyard/trend"
)

// Proving is what a crank says of the work that was done before it.
type Proving struct {
	Judged bool   // else Why says what is missing, and another crank is needed
	Good   bool   // it reads as a unit of the class with the part renewed does
	Why    string // in a sentence
}

const (
	// chargedV of one battery is three quarters of its charge (TM 5-3805-262-20: 12.4 V). What was just fitted should have it.
	chargedV = 12.4
	// newRestV stands in where the crank has no rest volts: a charged battery (BATT-MAKER-OCV, 12.65 V at full charge).
	newRestV = 12.65
	// warmC and up, printed minimums hold whatever a class reads: 9.6 V at 12 V (TM 10-3930, 21 to 27 °C), 18 V at 24 V (TM 9-2320-211).
	warmC, warmLeastV, warmLeast24V = 21, 9.6, 18
	// warmEngineC above the air the engine is warm, and turns easily whatever the battery.
	warmEngineC = 15
)

// Proves judges a crank after a part of the unit was worked on, against what units of its class read at that temperature with the part
// renewed. The history must hold the fitting.
func (j *Judge) Proves(h fleet.History, part fleet.Part, crank fleet.Crank) (Proving, error) {
	one, state, err := j.state(h)
	if err != nil {
		return Proving{}, err
	}
	switch crank.Outcome {
	case fleet.NoCrank:
		return Proving{Judged: true, Why: "it did not crank"}, nil
	case fleet.Slow:
		return Proving{Judged: true, Why: "it cranked slowly"}, nil
	}
	series := float64(h.Unit.BatteriesInSeries())
	airC, known := j.airC(crank, one.depot)
	read, lowest, readKnown := crankVolts(crank)
	rest, restKnown := crank.RestV.Get()
	coolantC, coolantKnown := crank.CoolantC.Get()
	switch {
	case !readKnown:
		return Proving{Why: "the crank has no volts while cranking"}, nil
	case !known:
		return Proving{Why: "no temperature is known for it, and without one the volts say nothing"}, nil
	case coolantKnown && coolantC > airC+warmEngineC:
		return Proving{Why: "the engine was warm: start it once it has cooled"}, nil
	case restKnown && read > rest:
		return Proving{Why: "the volts while cranking are above those at rest, so one of the two is wrong"}, nil
	case restKnown && rest < chargedV*series && part == fleet.BatteryPart:
		return Proving{Why: fmt.Sprintf("the battery rests at %.1f V, which is less than three quarters of its charge: charge it, then start once more", rest)}, nil
	}
	if !restKnown {
		rest = newRestV * series
	}
	want := state.RenewedCrank(airC, rest/series, part, lowest)
	return proving(read, airC, lowest, h.Unit, want), nil
}

func proving(read, airC float64, lowest bool, u fleet.Unit, want trend.Renewed) Proving {
	least := want.LeastV
	if !lowest && airC >= warmC {
		printed := warmLeastV
		if u.SystemVolts == 24 {
			printed = warmLeast24V
		}
		least = max(least, printed)
	}
	what := "mean volts while cranking"
	if lowest {
		what = "lowest volts while cranking"
	}
	p := Proving{Judged: true, Good: read >= least}
	p.Why = fmt.Sprintf("%s at %s were %.1f V; units of its class read %.1f V with the part renewed, and %.1f V at least", what, degrees(airC), read, want.UsualV, least)
	if !p.Good {
		p.Why = fmt.Sprintf("%s at %s were only %.1f V; units of its class read %.1f V with the part renewed, and %.1f V at least", what, degrees(airC), read, want.UsualV, least)
	}
	return p
}

// crankVolts are the mean while cranking, else the lowest.
func crankVolts(c fleet.Crank) (v float64, lowest, known bool) {
	if v, known = c.MeanV.Get(); known {
		return v, false, true
	}
	v, known = c.MinV.Get()
	return v, true, known
}

// airC is the crank's own temperature, else one from near the day's lowest.
func (j *Judge) airC(c fleet.Crank, depot fleet.Depot) (float64, bool) {
	if t, known := c.TemperatureC.Get(); known {
		return t, true
	}
	low, high, known := j.f.weather.Day(depot.ID, fleet.DateOf(c.At, depot.Zone()))
	return low + 0.15*(high-low), known && !math.IsNaN(low) && !math.IsNaN(high) // as the filter takes it
}

// FirstProving is the first crank after an instant that can be judged, and its judgement; found is false where there is none yet.
func (j *Judge) FirstProving(h fleet.History, part fleet.Part, after time.Time) (p Proving, crankedAt time.Time, found bool, err error) {
	for _, c := range h.Cranks {
		if !c.At.After(after) {
			continue
		}
		if p, err = j.Proves(h, part, c); err != nil || p.Judged {
			return p, c.At, p.Judged, err
		}
	}
	return Proving{}, time.Time{}, false, nil
}
