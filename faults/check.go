package faults

import (
	"math"

	"rimeyard/internal/fleet"
)

// Check is one thing that can be looked at, measured or tried, by its key in JSON.
type Check string

// check is one row of the tables in checks_*.go. Texts may name limits in braces; [words] fills them in.
type check struct {
	id      Check
	title   string
	minutes float64 // of work
	risk    float64 // what its danger to people and parts counts for, in minutes beside the work (common practice, no source)
	misread float64 // how often the answer is not what was there to see (common practice, no source)
	passes  float64 // of what is rarely seen without a fault, the share that is gone by the next reading
	cranks  bool    // somebody turns the key to start
	once    bool    // doing it again tells nothing: it has changed what it looks at, or asks the same person
	needs   []need  // all must hold before it is asked: safety first, then sense
	number  number  // zero: answered in words only
	answers []answer
	rows    []row
	why     string
	how     []string
	expect  string
	tools   []string
	caution []string
}

// answer is one outcome of a check.
type answer struct{ id, text, means string }

// row says how likely each outcome is, in the order of the answers, if one of those causes is there. The first row of a check names no
// cause: it is that of all that are not named after it. Likelihoods are common practice, no source, but where a comment says so.
type row struct {
	of []Cause
	p  []float64
}

func usually(p ...float64) row     { return row{nil, p} }
func (r row) with(of ...Cause) row { return row{of, r.p} }
func likely(p ...float64) row      { return row{nil, p} }

func (c *check) index(answerID string) int {
	for i := range c.answers {
		if c.answers[i].id == answerID {
			return i
		}
	}
	return -1
}

// number is how a figure becomes an outcome.
type number struct {
	unit      string
	low, high float64 // what is believed, for one battery or 12 V
	perSystem bool    // low and high are doubled at 24 V
	notAbove  string  // why a figure above high is none; empty: it cannot be
	sort      func(f Facts, v float64) int
	// blur is the standard deviation of a figure about what it stands for, by meter, hand and unit (common practice, no source).
	blur func(f Facts, v float64) float64
}

// circuitV, batteryV and ofFigure are blurs: volts of a 12 V circuit, doubled at 24 V; volts of one battery; a share of the figure.
func circuitV(sd float64) func(Facts, float64) float64 {
	return func(f Facts, _ float64) float64 { return sd * f.series() }
}

func batteryV(sd float64) func(Facts, float64) float64 {
	return func(Facts, float64) float64 { return sd }
}

func ofFigure(share float64) func(Facts, float64) float64 {
	return func(_ Facts, v float64) float64 { return share * v }
}

// steps sorts a figure by ascending limits: outcome i lies below limit i; a figure on the limit belongs to the upper side.
func steps(v float64, limits ...float64) int {
	for i, limit := range limits {
		if v < limit {
			return i
		}
	}
	return len(limits)
}

// upTo is steps for limits that may be reached: a figure on the limit belongs to the lower side.
func upTo(v float64, limits ...float64) int {
	for i, limit := range limits {
		if v <= limit {
			return i
		}
	}
	return len(limits)
}

// checks lists every check, in the order that settles what is equal.
var checks = func() (all []*check) {
	for _, table := range [][]check{firstChecks, batteryChecks, cableChecks, starterChecks, controlChecks, otherChecks} {
		for i := range table {
			all = append(all, &table[i])
		}
	}
	return all
}()

func find(id Check) (i int, found bool) {
	for i, c := range checks {
		if c.id == id {
			return i, true
		}
	}
	return 0, false
}

// need must hold before a check is asked.
type need int

const (
	secured       need = iota // lever, brake and chocks before the key is turned
	heard                     // what is heard decides what other readings mean
	notFrozen                 // a frozen battery is never charged, jumped or loaded
	measured                  // rest voltage before tests under current
	enough                    // half charged, or charged since
	fine                      // three quarters charged, or charged since
	ill                       // it still does not crank: after a cure, nothing of the fault is left to read
	stuck                     // it was not heard to turn as always: a cure would show nothing
	untouched                 // what is heard tells of the fault until a cure is tried
	uncharged                 // rest volts tell of the fault until the battery is charged
	hungry                    // only what is not full is charged
	steady                    // a current is read only while it does not come in bursts
	flows                     // a drop is read only while current flows
	alive                     // lamps and relays tell nothing where nothing has current
	runs                      // the engine can be started after what was done
	shifts                    // the interlock can be at fault: nothing is heard
	seenTerminals             // they were looked at before they are cleaned
	seenWires
	starterOut
)

// crankSafely are the needs of every check that turns the key.
func crankSafely(more ...need) []need { return append([]need{secured, heard, ill}, more...) }

// holds tells whether the need is met.
func (n need) holds(k known) bool {
	switch n {
	case secured:
		return k.is(Secure, "done")
	case heard:
		return k.answered(Key)
	case notFrozen:
		return k.is(Frozen, "no") || !k.is(Frozen, "frozen") && !k.mayFreeze()
	case measured:
		return k.told(RestV) || k.told(Charge)
	case enough:
		return k.is(RestV, "fine", "enough") || k.told(Charge)
	case fine:
		return k.is(RestV, "fine") || k.told(Charge)
	case ill:
		return !k.is(Charge, "cranks") && !k.is(CleanTerminals, "cured") && !k.is(CleanWires, "cured")
	case stuck:
		return !k.is(Key, "normal")
	case untouched:
		return !k.answered(Charge) && !k.answered(CleanTerminals) && !k.answered(CleanWires)
	case uncharged:
		return !k.told(Charge)
	case hungry:
		return k.answered(RestV) && !k.is(RestV, "fine")
	case steady:
		return !k.is(Key, "clicks")
	case flows:
		return !k.is(Key, "dark", "silent")
	case alive:
		return !k.is(Key, "dark")
	case runs:
		return k.is(Charge, "cranks") || k.is(Jump, "cranks")
	case shifts:
		return k.is(Key, "silent") || !k.told(Key)
	case seenTerminals:
		return k.answered(LookTerminals)
	case seenWires:
		return k.answered(StarterWires)
	default: // starterOut
		return k.told(Bench)
	}
}

// by is the check that may make the need hold; asked in its place while it is unanswered.
func (n need) by(k known) (Check, bool) {
	switch n {
	case secured:
		return Secure, true
	case heard:
		return Key, true
	case notFrozen:
		return Frozen, true
	case hungry:
		return RestV, true
	case measured, enough, fine:
		if k.answered(RestV) && !k.is(RestV, "fine") {
			return Charge, true
		}
		return RestV, true
	case runs:
		if k.is(RestV, "fine") {
			return Jump, true
		}
		return Charge, true
	case seenTerminals:
		return LookTerminals, true
	case seenWires:
		return StarterWires, true
	case starterOut:
		return Bench, true
	}
	return "", false
}

// known is what the answers say, by check.
type known struct {
	facts Facts
	said  []said // by check
}

type said struct {
	given   bool
	outcome int // -1: not known
	times   int
	done    int // how often the work was done: an answer put right is none
	value   fleet.Opt[float64]
	reads   []read // that count: one, or those of a check that was asked again
}

// contradicts tells whether a check that was asked again was answered otherwise.
func (s said) contradicts() bool {
	for _, r := range s.reads {
		if r.outcome != s.outcome {
			return true
		}
	}
	return false
}

// mayRepeat tells whether reading it once more can tell something: once to be sure, a second time where the two contradict. Who could not
// say when asked again is left in peace.
func (s said) mayRepeat() bool {
	return s.outcome >= 0 && s.times <= 2 && (len(s.reads) == 1 && s.done == 1 || s.contradicts())
}

func (k known) of(id Check) said {
	i, _ := find(id)
	return k.said[i]
}

// answered tells whether the check was asked, be it in vain.
func (k known) answered(id Check) bool { return k.of(id).given }

// told tells whether it had an outcome.
func (k known) told(id Check) bool { s := k.of(id); return s.given && s.outcome >= 0 }

// is tells whether the outcome is one of those.
func (k known) is(id Check, answers ...string) bool {
	i, _ := find(id)
	s := k.said[i]
	if !s.given || s.outcome < 0 {
		return false
	}
	for _, a := range answers {
		if checks[i].answers[s.outcome].id == a {
			return true
		}
	}
	return false
}

// void tells whether an answer says nothing because what it needed did not hold: a load test of a flat battery proves nothing (trade
// manuals: 75 % of charge or more), nor do a drop and a draw while nothing flows, nor a lamp that nothing feeds.
func (k known) void(i int) bool {
	if id := checks[i].id; id == Bench || id == DrainMA {
		return false // they wait for a charged battery, but are true without
	}
	for _, n := range checks[i].needs {
		switch n {
		case enough, fine, steady, flows, alive:
			if !n.holds(k) {
				return true
			}
		}
	}
	return false
}

// mayFreeze tells whether the battery can be frozen: not above 0 °C, nor, half charged, above −25 °C. US Army TM 5-4210-230-14&P-1: flat
// it freezes at −9 °C, half charged at −26 °C; the hours before may have been colder, so below 0 °C, or not known, it is looked at.
func (k known) mayFreeze() bool {
	t := k.facts.TemperatureC.Or(math.Inf(-1))
	return t < 0 && !(t > -25 && k.is(RestV, "fine", "enough"))
}
