package alerts

import (
	"fmt"
	"math"
	"slices"

	"rimeyard/internal/fleet"
	"rimeyard/trend"
)

// check is something a mechanic can do to tell the suspects apart.
type check struct {
	name    string
	do      string  // what to do and what to hold it against, for a 12 V system
	do24    string  // for a 24 V system; empty: the same
	minutes float64 // of work
	// outcomes give for each result how likely it is if a part is to blame; over the outcomes each part's sum to 1.
	outcomes []likelihood
	caution  string
	told     func(trend.State) bool // readings at hand that already say what it would; nil: none do
}

// likelihood is by part in the order of fleet.Suspects: battery, starter, cable, charging, control.
type likelihood [5]float64

const (
	crankSafely = "neutral and brake on, fuel or ignition off" // TM 10-3930-671-24: a drop read while the engine fires is void
	neverBypass = "never bypass an interlock"                  // NHTSA letter, 30 December 1988; FMVSS 102 S3.1.3
)

// checks are what is done in a yard. Minutes and likelihoods: common practice, no source; the limits have theirs beside them.
var checks = [...]check{
	{
		// 12 V: training text on no-crank faults (0.5 V plus, 0.2 V earth). 24 V: US Army TM 5-3895-382-24, table 30 (1.0 V and 1.4 V).
		name:     "volts lost over both cables while cranking",
		do:       "volts lost over both cables while cranking (above 0.5 V plus or 0.2 V earth: cables)",
		do24:     "volts lost over both cables while cranking (above 1.0 V plus or 1.4 V earth: cables)",
		minutes:  5,
		outcomes: []likelihood{{0.06, 0.06, 0.90, 0.05, 0.10}, {0.94, 0.94, 0.10, 0.95, 0.90}},
		caution:  crankSafely,
	},
	{
		// Textbook: 185 A at most for 4 cylinders, 200 A for 6, 250 A for 8, in the warm. US Army TM 9-2320-211-20: 300 A for a 24 V truck.
		// A car's service manual: 255 A at −20 °C against 100 A. High current is drag, low current is resistance: same textbook.
		name:     "current clamp while cranking",
		do:       "current clamp while cranking (high: starter or tight engine, low: cables or brushes; 4 to 8 cylinders draw at most 185 to 250 A warm)",
		do24:     "current clamp while cranking, beside a like unit (high: starter or tight engine, low: cables or brushes)",
		minutes:  8,
		outcomes: []likelihood{{0.10, 0.70, 0.03, 0.05, 0.05}, {0.55, 0.20, 0.17, 0.60, 0.65}, {0.35, 0.10, 0.80, 0.35, 0.30}},
		caution:  crankSafely,
		told:     func(s trend.State) bool { return s.Reads(trend.CrankCurrent) },
	},
	{
		// At rest 12.2 V and more is acceptable, 600 of 850 A is poor: common practice, no source.
		name: "a battery test", minutes: 5,
		do:       "battery test and rest volts, before it is charged (below 72 % of rated or 12.2 V: battery or charging)",
		do24:     "battery test and rest volts, each battery, before they are charged (below 72 % of rated or 12.2 V: battery or charging)",
		outcomes: []likelihood{{0.85, 0.10, 0.10, 0.60, 0.05}, {0.15, 0.90, 0.90, 0.40, 0.95}},
		caution:  "eyes covered, loads off",
		told:     tested,
	},
	{
		name: "charge fully and test again", minutes: 20,
		do:       "charge fully overnight, let it rest, test again (still low: battery; good only when charged: charging or a hidden load)",
		outcomes: []likelihood{{0.85, 0.05, 0.05, 0.12, 0.03}, {0.08, 0.10, 0.10, 0.80, 0.07}, {0.07, 0.85, 0.85, 0.08, 0.90}},
		// 29 CFR 1926.441; US Army OD1002 on frozen batteries.
		caution: "vented place, eyes covered, never charge a frozen battery",
	},
	{
		// 13.8 to 14.7 V: common practice, no source.
		name:     "charging volts at fast idle",
		do:       "charging volts at fast idle (13.8 to 14.7 V is usual)",
		do24:     "charging volts at fast idle (27.6 to 29.4 V is usual)",
		minutes:  5,
		outcomes: []likelihood{{0.06, 0.03, 0.06, 0.65, 0.03}, {0.94, 0.97, 0.94, 0.35, 0.97}},
		caution:  "neutral and brake on, hands clear of belts",
	},
	{
		// Car repair advice: modules asleep draw under 50 mA.
		name: "key-off current after 30 minutes", minutes: 12,
		do:       "key-off current after 30 minutes of rest (above 50 mA: a hidden load)",
		outcomes: []likelihood{{0.06, 0.05, 0.05, 0.50, 0.06}, {0.94, 0.95, 0.95, 0.50, 0.94}},
		caution:  "do not crank with the meter in line",
	},
	{
		name: "listen for the relay and try a like one", minutes: 6,
		do:       "listen and feel for the start relay, then try a like one (cured or silent: control)",
		outcomes: []likelihood{{0.03, 0.08, 0.04, 0.03, 0.75}, {0.97, 0.92, 0.96, 0.97, 0.25}},
		caution:  crankSafely + ", " + neverBypass,
	},
	{
		// US Army TM 5-3895-382-24, starting motor specifications: free of load 130 A at 11.5 V (12 V) and 85 A at 23 V (24 V).
		name: "the starter on the bench", minutes: 60,
		do:       "starter on the bench, free of load (one 12 V maker: about 130 A at 11.5 V; slow, or far more current: starter)",
		do24:     "starter on the bench, free of load (one 24 V maker: at most 85 A at 23 V; slow, or far more current: starter)",
		outcomes: []likelihood{{0.03, 0.85, 0.03, 0.03, 0.05}, {0.97, 0.15, 0.97, 0.97, 0.95}},
		caution:  "earth cable off first and on last, starter clamped",
	},
	{
		name: "tug and clean the terminals", minutes: 12,
		do:       "tug every terminal and clean it, crank again (cured: it was the joint)",
		outcomes: []likelihood{{0.06, 0.06, 0.65, 0.10, 0.12}, {0.94, 0.94, 0.35, 0.90, 0.88}},
		// US Army TM 10-3930-671-24 and makers' safety pages.
		caution: "earth cable off first and on last, neutral and brake on before the crank",
	},
}

// CheckOpens opens the sentence of the cheapest check, which ends the evidence of a unit with something to settle.
const CheckOpens = "Cheapest check: "

// sentence is the check as it ends the evidence.
func (c *check) sentence(systemVolts int) string {
	do := c.do
	if systemVolts == 24 && c.do24 != "" {
		do = c.do24
	}
	return fmt.Sprintf(CheckOpens+"%s, about %.0f minutes; %s", do, c.minutes, c.caution)
}

// sureFrom is the share from which on a part is as good as named: the check is then the one that would confirm it before money is spent.
const sureFrom = 0.8

// cheapest is the check with the largest expected fall of entropy per minute of work; of equals the first in the table. Checks that readings
// at hand answer are left out, and where readings have as good as named one part, so are those that cannot confirm it.
func cheapest(p likelihood, s trend.State) *check {
	lead := slices.Index(p[:], slices.Max(p[:]))
	confirming := s.Track().LastDay > 0 && p[lead] >= sureFrom && slices.ContainsFunc(checks[:], func(c check) bool { return c.asks(s) && c.confirms(lead) })
	var best *check
	most := 0.0
	for i := range checks {
		c := &checks[i]
		if !c.asks(s) || confirming && !c.confirms(lead) {
			continue
		}
		if gain := c.gain(p) / c.minutes; best == nil || gain > most {
			best, most = c, gain
		}
	}
	return best
}

// asks tells whether the check would say what the readings at hand do not.
func (c *check) asks(s trend.State) bool { return c.told == nil || !c.told(s) }

// confirms tells whether a result of the check is likely if that part is to blame, and unlikely for every other.
func (c *check) confirms(part int) bool {
	return slices.ContainsFunc(c.outcomes, func(result likelihood) bool {
		for i, v := range result {
			if i != part && v > result[part]/3 {
				return false
			}
		}
		return result[part] >= 0.5
	})
}

// gain is the expected fall of entropy, in nats: the mutual information of suspect and outcome (Cover and Thomas, Elements of Information
// Theory, 2.4).
func (c *check) gain(p likelihood) float64 {
	left := 0.0
	for _, result := range c.outcomes {
		var joint likelihood
		total := 0.0
		for i := range p {
			joint[i] = p[i] * result[i]
			total += joint[i]
		}
		for i := range joint {
			if joint[i] > 0 {
				left -= joint[i] * math.Log(joint[i]/total)
			}
		}
	}
	return entropy(p) - left
}

func entropy(p likelihood) (h float64) {
	for _, v := range p {
		if v > 0 {
			h -= v * math.Log(v)
		}
	}
	return h
}

func sharesOf(out fleet.Forecast) (p likelihood) {
	for i, part := range fleet.Suspects() {
		p[i] = out.SuspectProbabilities[part]
	}
	return p
}

// tested tells whether the last test is recent enough that another would say the same.
func tested(s trend.State) bool {
	const recentDays = 60
	last, _ := s.LastTests()
	return last != nil && s.Track().AsOf-last.Day <= recentDays
}

// testTellsForDays is how long a test says something of a battery's wear, and so of whether others are to blame.
const testTellsForDays = 180

// separated tells whether a reading at hand can tell two suspects apart.
func separated(a, b fleet.Part, s trend.State, asOf fleet.Date) bool {
	either := func(p fleet.Part) bool { return a == p || b == p }
	switch {
	case either(fleet.ControlPart): // volts that stay up while nothing turns
		for i := range s.Track().Events {
			if e := &s.Track().Events[i]; e.Click && e.Day >= asOf-365 {
				return true
			}
		}
		return false
	case either(fleet.ChargingPart):
		_, _, known := s.RestAgainstPast()
		return known
	case either(fleet.BatteryPart):
		last, _ := s.LastTests()
		return last != nil && asOf-last.Day <= testTellsForDays
	default: // starter against cables
		return s.Reads(trend.CrankCurrent)
	}
}

// inseparable names two parts that the data leave together, and the check that would tell them apart.
func inseparable(p likelihood, s trend.State, asOf fleet.Date) (said string, found bool) {
	first, second := 0, 1
	if p[second] > p[first] {
		first, second = second, first
	}
	for i := 2; i < len(p); i++ {
		switch {
		case p[i] > p[first]:
			first, second = i, first
		case p[i] > p[second]:
			second = i
		}
	}
	parts := fleet.Suspects()
	if p[first]+p[second] <= 0.6 || p[first] > 0.5 || separated(parts[first], parts[second], s, asOf) {
		return "", false
	}
	var two likelihood
	two[first], two[second] = p[first]/(p[first]+p[second]), p[second]/(p[first]+p[second])
	return fmt.Sprintf("%s (%.0f %%) and %s (%.0f %%) cannot be told apart by these readings: %s would",
		partNames[first], 100*p[first], partNames[second], 100*p[second], cheapest(two, s).name), true
}

// partNames in the order of fleet.Suspects.
var partNames = [5]string{"battery", "starter", "cables", "charging", "control circuit"}
