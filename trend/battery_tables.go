package trend

import "rimeyard/internal/fleet"

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

// A battery maker's technical bulletin, state of charge with tables 6 and 7: rested volts of a flooded 12 V battery.
var floodedCharge = []point{{11.89, 0}, {12.06, 0.25}, {12.24, 0.50}, {12.45, 0.75}, {12.65, 1}}

// General reference page, AGM percentage charge: rested volts of an AGM battery.
var agmCharge = []point{{11.80, 0}, {12.00, 0.25}, {12.30, 0.50}, {12.60, 0.75}, {12.90, 1}}

// StateOfCharge reads a 12 V battery's rested voltage as its share of full charge, 0 … 1. EFB is read like flooded, gel like AGM.
// The battery must have rested for hours: volts taken just after a charge say nothing.
func StateOfCharge(chemistry fleet.Chemistry, restV float64) float64 {
	if chemistry == fleet.AGM || chemistry == fleet.Gel {
		return along(agmCharge, restV)
	}
	return along(floodedCharge, restV)
}

// US Army TM 5-4210-230-14&P-1, tables 2 and 3: electrolyte freezes at 15, 5, −15, −35, −75 °F when 0, 25, 50, 75, 100 % charged.
var freezing = []point{{0, (15 - 32) / 1.8}, {0.25, (5 - 32) / 1.8}, {0.50, (-15 - 32) / 1.8}, {0.75, (-35 - 32) / 1.8}, {1, (-75 - 32) / 1.8}}

// FreezingPointC is the temperature at which the electrolyte of a battery charged to the share soc (0 … 1) freezes.
func FreezingPointC(soc float64) float64 { return along(freezing, soc) }

// Volts at rest that decide what may be tested (common practice, no source): under the first, charge before anything else is
// tested; from the second on, the charge is fine.
const (
	ChargeFirstBelowV = 12.2
	FineRestV         = 12.4
)
