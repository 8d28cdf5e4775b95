package trend

import "rimeyard/internal/fleet"

// Params is what the fleet has taught. It is a plain value: written to JSON and read back it gives the same answers.
type Params struct {
	Groups  map[string]Group   // by class, fuel and volts
	Devices map[string]float64 // ln of what a tester shows too much, by tester and standards
	Drift   map[fleet.DepotID]float64
	// DriftPerWeek is the usual growth of ln resistance per week; 0.003 is a doubling in four and a half years.
	DriftPerWeek float64
	TestBias     float64    // ln of what all testers show too much
	SagOnWear    float64    // how much of a battery's wear shows in the sag
	LowOnWear    float64    // … and in the lowest volts
	Noise        [8]float64 // factor on the spread of each kind of row
	Limit        LimitTerms
	Shares       map[fleet.Part]float64 // of breakdowns, by cause
	Blame        map[fleet.Part]float64 // factor on what a part's repair would save, so that blame in past seasons matches the breakdown book
	OtherPerDay  float64                // charging and control failures per day, which no cold limit explains
	ControlDaily [2]float64             // control failures per day of units without, and with, recent clicks
	Life         Weibull                // weeks a battery lasts
	MeanAgeWeeks float64
	Foresight    Foresight
	Adjust       Adjustment // learned from past seasons
}

// Group is what units of one class, fuel and voltage share.
type Group struct {
	LogDemand       float64 // ln f, the engine's hunger for current at 25 °C in units of the mean rating
	LogRated        float64 // mean ln of the rated amperes
	Sag, Low, Speed curve   // what of temperature the circuit leaves over
	LowLevel        float64 // of ln((rest−min)/min)
	SpeedLevel      float64
	CurrentLevel    float64
	Seconds         [2]float64 // ln ms: level, and growth as the volts to spare run out
	MeanLimitC      float64    // M: of the circuit's cold limits where units started
	ShiftC          float64    // δ
	SpreadC         float64    // σ, of one start about the limit
	SlowC           float64    // w: starts are slow this much above the limit
	Chance          float64    // ε, of a failed start that no cold explains
	SlowSeen        bool       // the loggers of this group report slow starts
	// The middle unit of the group, now.
	TypicalWear, TypicalDemand, TypicalLoop, TypicalDip float64

	Starts int
	Events int
}

// LimitTerms turn the circuit's cold limit into the one seen: T* = M + Beta(T − M) + δ + Wear·r + Demand·d + Loop·c + Empty·(full − rest) + Dip·b.
type LimitTerms struct{ Beta, Wear, Demand, Loop, Empty, Dip float64 }

func defaultParams() Params {
	return Params{
		Groups: map[string]Group{}, Devices: map[string]float64{}, Drift: map[fleet.DepotID]float64{},
		DriftPerWeek: 0.003, SagOnWear: 0.9, LowOnWear: 0.9, Noise: [8]float64{1, 1, 1, 1, 1, 1, 1, 1},
		Foresight: Foresight{Background: 1},
		Limit:     LimitTerms{Beta: 1},
		Shares:    map[fleet.Part]float64{fleet.BatteryPart: 0.50, fleet.StarterPart: 0.15, fleet.CablePart: 0.12, fleet.ChargingPart: 0.15, fleet.ControlPart: 0.08},
		// One charging or control failure per unit in ten years (from memory).
		OtherPerDay: 1.0 / 3650, ControlDaily: [2]float64{0.2 / 3650, 2.0 / 3650},
		Blame: map[fleet.Part]float64{fleet.BatteryPart: 1, fleet.StarterPart: 1, fleet.CablePart: 1, fleet.ChargingPart: 1, fleet.ControlPart: 1},
		Life:  Weibull{Shape: 2.6, Scale: 5.5 * 52}, MeanAgeWeeks: 120,
	}
}

// defaultGroup is where learning begins, and what a class never seen before gets.
func defaultGroup(f fleet.Fuel) Group {
	demand, _ := demandOf(f)
	return Group{
		LogDemand: logOf(demand), CurrentLevel: logOf(demand), LowLevel: -0.9, SpeedLevel: logOf(50), Seconds: [2]float64{logOf(900), 0.3},
		MeanLimitC: -35, SpreadC: 3.5, SlowC: 5, Chance: 2e-4, SlowSeen: true,
	}
}

func (p Params) group(t *Track) Group {
	if g, known := p.Groups[t.Group]; known {
		return g
	}
	return defaultGroup(t.Fuel)
}

func (p Params) drift(depot fleet.DepotID) float64 {
	if v, known := p.Drift[depot]; known {
		return v
	}
	return p.DriftPerWeek
}
