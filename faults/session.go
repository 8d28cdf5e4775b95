package faults

import (
	"errors"
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"

	"rimeyard/internal/fleet"
)

// DontKnow answers a check in vain: it changes no chance, and the check is not asked again.
const DontKnow = "unknown"

// Session is a search from its first question to its finding. It is plain data: as JSON it can be kept, left, and gone on with by
// somebody else. Its methods change nothing; they return the session that follows.
type Session struct {
	Facts   Facts      `json:"facts"`
	Prior   Prior      `json:"prior"`
	Notes   ClassNotes `json:"notes"`   // the fleet's own, for the job sheet; may be set at any time
	Answers []Answer   `json:"answers"` // in the order given; a later one takes an earlier one's place
}

// Answer is what somebody said to a check.
type Answer struct {
	Check  Check              `json:"check"`
	Answer string             `json:"answer"` // id of the outcome, or DontKnow
	Value  fleet.Opt[float64] `json:"value"`  // as measured, where a figure was given
	By     string             `json:"by"`     // empty: not said
	At     time.Time          `json:"at"`
}

// New begins a search. It refuses facts and shares that cannot be.
func New(facts Facts, prior Prior) (Session, error) {
	s := Session{Facts: facts, Prior: prior, Answers: []Answer{}}
	return s, errors.Join(facts.validate(), prior.validate())
}

// Answer adds what was read at a check: the id of an outcome, DontKnow, or a figure in the check's unit, which its limits sort. Any
// check may be answered, asked for or not; a second answer to the same check takes the first one's place. By and at say who and when.
func (s Session) Answer(id Check, reading, by string, at time.Time) (Session, error) {
	i, found := find(id)
	if !found {
		return s, fmt.Errorf("there is no check %q", id)
	}
	a := Answer{Check: id, By: by, At: at.UTC()}
	reading = strings.TrimSpace(reading)
	switch {
	case reading == DontKnow || checks[i].index(reading) >= 0:
		a.Answer = reading
	default:
		v, err := checks[i].figure(s.Facts, reading)
		if err != nil {
			return s, err
		}
		outcome := checks[i].number.sort(s.Facts, v)
		if outcome < 0 {
			return s, fmt.Errorf("%s: %v %s cannot be judged, as it is not known what is normal for this unit: choose one of the outcomes", checks[i].title, v, checks[i].number.unit)
		}
		a.Answer, a.Value = checks[i].answers[outcome].id, fleet.Known(v)
	}
	s.Answers = append(s.Answers[:len(s.Answers):len(s.Answers)], a)
	return s, nil
}

// Undo takes back the last answer; an answer whose place it took stands again. Without answers it changes nothing.
func (s Session) Undo() Session {
	s.Answers = s.Answers[:max(0, len(s.Answers)-1):max(0, len(s.Answers)-1)]
	return s
}

// figure reads a number in the check's unit and refuses what cannot be.
func (c *check) figure(f Facts, reading string) (float64, error) {
	if c.number.sort == nil {
		return 0, fmt.Errorf("%s: %q is none of its outcomes", c.title, reading)
	}
	unit := c.number.unit
	text := strings.TrimSpace(strings.TrimSuffix(strings.TrimSuffix(reading, unit), strings.ToLower(unit)))
	v, err := strconv.ParseFloat(strings.Replace(text, ",", ".", 1), 64)
	if err != nil || math.IsNaN(v) {
		return 0, fmt.Errorf("%s: %q is no figure in %s and none of its outcomes", c.title, reading, unit)
	}
	low, high := c.believed(f)
	switch {
	case v > high && c.number.notAbove != "":
		return 0, fmt.Errorf("%s: %v %s cannot be: %s", c.title, v, unit, c.number.notAbove)
	case v < low || v > high:
		return 0, fmt.Errorf("%s: %v %s cannot be; want %v to %v %s. Look at the meter's range and its leads, and read again", c.title, v, unit, low, high, unit)
	}
	return v, nil
}

func (c *check) believed(f Facts) (low, high float64) {
	if c.number.perSystem {
		return c.number.low * f.series(), c.number.high * f.series()
	}
	return c.number.low, c.number.high
}

// known gathers the answers that stand. A second answer takes the first one's place; but where the search itself had asked again, both
// count, and so do two that say the same.
func (s Session) known() known {
	k := known{facts: s.Facts, said: make([]said, len(checks))}
	for n, a := range s.Answers {
		i, found := find(a.Check)
		if !found {
			continue
		}
		was := k.said[i]
		again := was.given && s.askedAgain(n)
		now := said{given: true, outcome: checks[i].index(a.Answer), value: a.Value, times: was.times + 1, done: was.done}
		switch {
		case now.outcome < 0 && was.given: // asked again in vain
			now = was
			now.times++
		case now.outcome >= 0:
			now.reads = []read{{now.outcome, a.Value}}
			if len(was.reads) > 0 && (was.outcome == now.outcome || again) {
				now.reads = append(was.reads[:len(was.reads):len(was.reads)], now.reads...)
			}
		}
		if !was.given || again || len(now.reads) > max(1, len(was.reads)) {
			now.done++
		}
		k.said[i] = now
	}
	return k
}

// askedAgain tells whether answer n was given because the search, unsure of the one before, asked for it once more.
func (s Session) askedAgain(n int) bool {
	before := s
	before.Answers = s.Answers[:n]
	i, _, found := before.decide()
	return found && checks[i].id == s.Answers[n].Check
}

// Step is what comes next: a check to ask, or the finding.
type Step struct {
	Ask     *Ask     `json:"ask"`     // null at the end
	Finding *Finding `json:"finding"` // null until the end
	Chances []Chance `json:"chances"` // of all causes from 1 % on, the likeliest first
	Minutes float64  `json:"minutes"` // of work that the answers so far took, as the checks count it; an answer put right takes none
	Doubt   string   `json:"doubt"`   // an answer that does not fit the others; empty: all fit
	Odd     Check    `json:"odd"`     // the check of that answer; empty: none
}

// Chance of one cause.
type Chance struct {
	Cause       Cause      `json:"cause"`
	Part        fleet.Part `json:"part"`
	Name        string     `json:"name"`
	Probability float64    `json:"probability"`
}

// Next says what to ask, or what was found.
func (s Session) Next() Step {
	k := s.known()
	prior := s.Prior.chances(s.Facts)
	p := k.posterior(prior, -1)
	step := Step{Chances: p.list(0.01), Minutes: k.minutes()}
	i, again, found := k.decide(p, prior)
	if odd, doubted := k.misfit(prior); doubted {
		step.Doubt, step.Odd = k.doubt(odd, found && i == odd), checks[odd].id
	}
	if found {
		step.Ask = s.ask(i, p, again)
		return step
	}
	if k.is(Frozen, "frozen") {
		step.Finding = s.frozen(k, p)
		return step
	}
	order, chance := p.leading()
	step.Finding = s.finding(k, p, order, chance)
	return step
}

func (s Session) decide() (i int, again, found bool) {
	k := s.known()
	prior := s.Prior.chances(s.Facts)
	return k.decide(k.posterior(prior, -1), prior)
}

// decide picks the check to ask, and tells whether it was answered before; found is false at the end of the search.
func (k known) decide(p, prior chances) (i int, again, found bool) {
	if k.is(Frozen, "frozen") {
		return 0, false, false
	}
	if odd, found := k.misfit(prior); found && k.repeats(odd, p, prior) {
		return odd, true, true
	}
	for _, id := range []Check{Secure, Key} {
		if i, _ := find(id); !k.said[i].given && k.open(i) {
			return i, false, true
		}
	}
	if order, chance := p.leading(); chance[0] >= sure(order[0]) {
		if p.clear(order[0]) {
			return 0, false, false
		}
		i, found = k.next(p.within(order[0]), false)
		return i, k.said[i].given, found
	}
	if i, found = k.next(p, false); !found {
		i, found = k.next(p, true)
	}
	return i, k.said[i].given, found
}

// repeats tells whether the answer that fits worst should be asked for again: once, if that is quick, and if anything hangs on it.
func (k known) repeats(odd int, p, prior chances) bool {
	if k.said[odd].times > 1 || checks[odd].once || checks[odd].minutes > repeatMinutes || !k.open(odd) {
		return false
	}
	order, chance := p.leading()
	rest := k.posterior(prior, odd)
	without, _ := rest.leading()
	return chance[0] < sure(order[0]) || without[0] != order[0]
}

func (k known) minutes() (sum float64) {
	for i, s := range k.said {
		sum += float64(s.done) * checks[i].minutes
	}
	return sum
}

func (p *chances) list(from float64) []Chance {
	all := []Chance{}
	for i, v := range p {
		if v < from {
			continue
		}
		at := len(all)
		for at > 0 && all[at-1].Probability < v {
			at--
		}
		c := Chance{causeRows[i].id, causeRows[i].part, causeRows[i].name, v}
		all = append(all[:at], append([]Chance{c}, all[at:]...)...)
	}
	return all
}
