package faults

import (
	"math"

	"rimeyard/internal/fleet"
)

// point is one printed pair of a table; between pairs lies a straight line, beyond the ends the end value.
type point struct{ x, y float64 }

func along(table []point, x float64) float64 {
	if x <= table[0].x {
		return table[0].y
	}
	for i := 1; i < len(table); i++ {
		if a, b := table[i-1], table[i]; x <= b.x {
			return a.y + (b.y-a.y)*(x-a.x)/(b.x-a.x)
		}
	}
	return table[len(table)-1].y
}

// restLimits are rested volts of one battery at 75, 50 and 0 % of charge: fine to test under load, enough to test at all, flat.
type restLimits struct{ fineV, enoughV, flatV float64 }

// Flooded: US Army TM 5-3805-262-20, page 5-142 (12.4 and 12.2 V), and a battery maker's bulletin (11.89 V when flat). AGM and gel:
// general reference page on AGM. At least 12.2 V, or charge first and try again: common practice, no source.
func (f Facts) restLimits() restLimits {
	if f.Chemistry == fleet.AGM || f.Chemistry == fleet.Gel {
		return restLimits{12.6, 12.3, 11.8}
	}
	return restLimits{12.4, 12.2, 11.9}
}

// Passenger-car service manuals of one maker group, load test tables in °C: half the cold cranking rating for 15 s.
var loadLimit = []point{{-18, 8.5}, {-12, 8.7}, {-7, 8.9}, {-1, 9.1}, {4, 9.3}, {10, 9.4}, {16, 9.5}, {20, 9.6}}

// LoadTestLimitV is the lowest voltage that a sound 12 V battery may show at the end of its load test. An unknown temperature is
// read as 20 °C, where the limit is strictest.
func (f Facts) LoadTestLimitV() float64 { return along(loadLimit, f.TemperatureC.Or(20)) }

// Shares of the rated cold cranking current: 831 of 850 A is good, 600 and 500 of 850 A are poor (common practice, no source).
const (
	ccaGoodFrom  = 0.85
	ccaPoorBelow = 0.72
)

// CrankLowV is the lowest voltage over the posts of a sound battery while it cranks a sound engine: US Army TM 5-3895-382-24, table
// 29, by temperature, for 12 and 24 V; for petrol at 21 °C and above 9.6 V (US Army TM 10-3930-671-24, and car service manuals).
func (f Facts) CrankLowV() float64 {
	bands := []struct{ belowC, at12, at24 float64 }{{-7, 6, 12}, {10, 7, 14}, {math.Inf(1), 8, 16}}
	t := f.TemperatureC.Or(15)
	if f.Fuel == fleet.Petrol && f.SystemVolts == 12 && t >= 21 {
		return 9.6
	}
	for _, b := range bands {
		if t < b.belowC {
			if f.SystemVolts == 24 {
				return b.at24
			}
			return b.at12
		}
	}
	return 8
}

// IdleCrankV is the voltage from which on no starter current flows while the key is turned: 12.5 V at full charge (a car service
// manual); half a volt less, as the battery need not be full (common practice, no source). Twice that at 24 V.
func (f Facts) IdleCrankV() float64 { return 12.0 * f.series() }

// PositiveDropV is the most that may be lost from the battery's positive post to the starter's terminal while cranking: US Army
// TM 5-3895-382-24, table 30: 0.5 V at 12 V, 1.0 V at 24 V; a training text on no-crank faults agrees at 12 V.
func (f Facts) PositiveDropV() float64 { return 0.5 * f.series() }

// GroundDropV gives two limits from the starter's body to the battery's negative post: what a training text allows (0.2 V at 12 V),
// and what no source exceeds (0.7 V at 12 V, 1.4 V at 24 V: US Army TM 5-3895-382-24, table 30). Between the two it is open.
func (f Facts) GroundDropV() (strict, most float64) { return 0.2 * f.series(), 0.7 * f.series() }

// SolenoidDropV is the most that may be lost over the solenoid's two large terminals: 0.3 V at 12 V (workshop limit, from memory).
func (f Facts) SolenoidDropV() float64 { return 0.3 * f.series() }

// openContactsV is the loss from which on the contacts do not close at all (common practice, no source).
func (f Facts) openContactsV() float64 { return 5 * f.series() }

// ClampDropV is the most that may be lost from a post to its own clamp: 0.1 V (trade practice; the US Army's TM 10-3930 says none).
func (f Facts) ClampDropV() float64 { return 0.1 * f.series() }

// SignalLossV is what the control circuit may lose on its way to the solenoid's small terminal: good up to 1.25 V, bad above 2.0 V
// (US Army TM 10-3930, another manual of that series); twice that at 24 V.
func (f Facts) SignalLossV() float64 { return 2.0 * f.series() }

// ChargeV is the usual range of regulated volts at fast idle: 13.8 to 14.7 V, twice that at 24 V (common practice, no source).
func (f Facts) ChargeV() (low, high float64) { return 13.8 * f.series(), 14.7 * f.series() }

// RippleV is the most alternating volts over the battery with the engine at fast idle (0.5 V, common practice, no source).
func (f Facts) RippleV() float64 { return 0.5 * f.series() }

// DrainMA is the most that may flow while parked. Where the capacity is known: reserve minutes divided by 4 (a car maker's bulletin,
// from memory) with 0.4 Ah for each reserve minute (a vehicle alarm maker's page); else 50 mA (car repair advice).
func (f Facts) DrainMA() float64 {
	const ahPerReserveMinute, usualMA = 0.4, 50
	ah, known := f.RatedAh.Get()
	if !known {
		return usualMA
	}
	return ah / ahPerReserveMinute / 4
}

// DaysToNoStart is how long a full battery lasts under a drain until it no longer starts: 40 % of its ampere-hours (a car maker's
// bulletin). Unknown without a capacity.
func (f Facts) DaysToNoStart(drainMA float64) fleet.Opt[float64] {
	ah, known := f.RatedAh.Get()
	if !known || drainMA <= 0 {
		return fleet.Opt[float64]{}
	}
	return fleet.Known(ah * 0.40 / (drainMA / 1000) / 24)
}

// StarterCurrentA is the range a sound starter draws; ok is false where no source fits: 24 V, diesel, or an engine of unknown size.
// Automotive textbook, page 88: 4, 6, 8 cylinders normally under 100, 125, 150 A and never above 185, 200, 250 A at room temperature;
// a car's service manual: at −20 °C two and a half times that. Cylinders by litres, and half the normal current as the low end: common
// practice, no source.
func (f Facts) StarterCurrentA() (low, high float64, ok bool) {
	litres, known := f.EngineLitres.Get()
	if !known || f.SystemVolts != 12 || f.Fuel != fleet.Petrol {
		return 0, 0, false
	}
	normal, most := 150.0, 250.0
	switch {
	case litres < 2.4:
		normal, most = 100, 185
	case litres < 3.8:
		normal, most = 125, 200
	}
	cold := along([]point{{-20, 2.55}, {20, 1}}, f.TemperatureC.Or(20))
	return normal / 2, most * cold, true
}

// series is how many 12 V batteries make up the system voltage.
func (f Facts) series() float64 { return float64(f.SystemVolts) / 12 }
