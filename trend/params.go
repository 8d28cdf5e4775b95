package trend

import "rimeyard/internal/fleet"

// Params is what the fleet has taught. It is a plain value: written to JSON and read back it gives the same answers.
type Params struct {
	Groups  map[string]Group   // by class, fuel and volts
	Devices map[string]float64 // ln of what a tester shows too much, by tester and standards
	// DeviceSteps is what a tester shows beyond that in each half-year, by its number since 1970: one may drift.
	DeviceSteps map[string]map[int]float64
	Drift       map[fleet.DepotID]float64
	// DriftPerWeek is the usual growth of ln resistance per week; 0.003 is a doubling in four and a half years.
	DriftPerWeek float64
	TestBias     float64        // ln of what all testers show too much
	OnWear       [kinds]float64 // how much of a battery's wear shows in each channel of cranks
	Noise        [kinds]float64 // factor on the spread of each kind of row
	Causes       Causes
	Shown        Shown
	Life         Weibull // weeks a battery lasts
	MeanAgeWeeks float64
	WeeklyCranks float64 // cold ones of a unit, usually
	Foresight    Foresight
	Unread       Unread
}

// Shown moves and widens the cold limit that people read, and says how far fates are settled ([Params.ChanceRange]).
type Shown struct{ ShiftC, Widen, Settled float64 }

// Group is what units of one class, fuel and voltage share.
type Group struct {
	LogDemand  float64 // ln f, the engine's hunger for current at 25 °C in units of the mean rating
	LogRated   float64 // mean ln of the rated amperes
	Channel    [kinds]Channel
	MeanLimitC float64 // M: of the circuit's cold limits where units started
	SlowSeen   bool    // the loggers of this group report slow starts
	// The middle unit of the group, now.
	Typical vector
}

// Channel is how the middle unit of a group reads with a new battery: at 5 °C, and what of temperature the circuit leaves over.
type Channel struct {
	Level float64
	Curve curve
}

func defaultParams(prior *Prior) Params {
	return Params{
		Groups: map[string]Group{}, Devices: map[string]float64{}, DeviceSteps: map[string]map[int]float64{}, Drift: map[fleet.DepotID]float64{},
		DriftPerWeek: 0.003, OnWear: [kinds]float64{kSag: 0.9, kLow: 0.9, kSpeed: -0.2, kCurrent: -0.1, kSeconds: 0.3},
		Noise:     [kinds]float64{1, 1, 1, 1, 1, 1, 1, 1},
		Foresight: prior.foresight(), Unread: prior.Unread,
		Causes: prior.Causes, Shown: prior.shown(0),
		Life: Weibull{Shape: 2.6, Scale: 5.5 * 52}, MeanAgeWeeks: 120,
	}
}

// defaultGroup is where learning begins, and what a class never seen before gets.
func defaultGroup(f fleet.Fuel) Group {
	demand, _ := demandOf(f)
	return Group{
		LogDemand: logOf(demand), MeanLimitC: -35, SlowSeen: true,
		Channel: [kinds]Channel{kLow: {Level: -0.9}, kCurrent: {Level: logOf(demand)}, kSpeed: {Level: logOf(150)}, kSeconds: {Level: logOf(900)}},
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

// deviceWeeks is how long a tester's error is taken for steady.
const deviceWeeks = 26

// deviceLn is what a tester shows too much in a week, ln. A half-year that taught nothing takes the last one's that did.
func (p *Params) deviceLn(device string, week int) float64 {
	at, steps := week/deviceWeeks, p.DeviceSteps[device]
	for back := range 4 {
		if step, taught := steps[at-back]; taught {
			return p.Devices[device] + step
		}
	}
	return p.Devices[device]
}
