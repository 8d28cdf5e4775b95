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

// Passenger-car service manuals of one maker group, load test tables in °C.
var loadLimit = []point{{-18, 8.5}, {-12, 8.7}, {-7, 8.9}, {-1, 9.1}, {4, 9.3}, {10, 9.4}, {16, 9.5}, {20, 9.6}}

// LoadTestLimitV is the lowest voltage that a sound 12 V battery, charged to 75 % or more, may show after 15 s at half its
// cold cranking rating, at the battery's temperature.
func LoadTestLimitV(temperatureC float64) float64 { return along(loadLimit, temperatureC) }

// Volts at rest that decide what may be tested (common practice, no source): under the first, charge before anything else is
// tested; from the second on, the charge is fine.
const (
	ChargeFirstBelowV = 12.2
	FineRestV         = 12.4
)

// Condition of a battery by its measured share of the rated cold cranking current.
const (
	PlanNewBelow = 0.72 // 600 of 850 A means plan a new one (common practice, no source)
	GoodFrom     = 0.95 // 831 of 850 A is good (common practice, no source)
)

// CCADefinition is what a cold cranking rating promises: a current that a full 12 V battery gives at TestC for Seconds
// without falling under EndV.
type CCADefinition struct {
	TestC   float64
	EndV    float64
	Seconds float64
}

// CCADefinitions are the ratings' first criteria: SAE J537 (passenger-car service manuals), EN 50342-1 (a battery maker's
// lexicon), DIN 43539-2 (owners' forum), IEC 60095-1 old edition (same lexicon), JIS D 5301:1999 (Japanese small-craft
// handbook). They differ, so figures of two standards are never compared.
func CCADefinitions() map[fleet.CCAStandard]CCADefinition {
	return map[fleet.CCAStandard]CCADefinition{
		fleet.SAE: {-18, 7.2, 30},
		fleet.EN:  {-18, 7.5, 10},
		fleet.DIN: {-18, 9.0, 30},
		fleet.IEC: {-18, 8.4, 60},
		fleet.JIS: {-18, 7.2, 30},
	}
}
