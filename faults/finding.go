package faults

import (
	"fmt"
	"math"
	"strings"
	"time"

	"rimeyard/internal/fleet"
)

// Kind is how a search ends.
type Kind string

// The ends.
const (
	Named    Kind = "named"     // one part is named
	EitherOr Kind = "either_or" // two that no check at hand can tell apart at a price worth it
	Refer    Kind = "refer"     // somebody else should look
	Thaw     Kind = "thaw"      // the battery is frozen: nothing goes on before it has thawed
	Move     Kind = "move"      // the key could not be turned safely where it stands, and nothing else names a part
)

// Stopped says in a few words what must be done before a search goes on that ended so; empty: it is at its end.
func (k Kind) Stopped() string {
	switch k {
	case Thaw:
		return "frozen battery, thaw first"
	case Move:
		return "not safe where it stands, move it first"
	}
	return ""
}

// GoOn is the check that lets a stopped search go on once it is answered anew; empty: it is at its end.
func (k Kind) GoOn() Check {
	switch k {
	case Thaw:
		return Frozen
	case Move:
		return Secure
	}
	return ""
}

// Finding is the end of a search.
type Finding struct {
	Kind        Kind       `json:"kind"`
	Part        fleet.Part `json:"part"`        // one of fleet's suspects, EnginePart, or fleet.OtherPart
	Cause       Cause      `json:"cause"`       // the likeliest
	Says        string     `json:"says"`        // the finding in one sentence
	Probability float64    `json:"probability"` // of the work that mends it: where one work mends several causes, of them all
	Whole       string     `json:"whole"`       // what these have in common, in words; empty: the work mends this cause alone
	// CauseProbability is that of the cause by itself.
	CauseProbability float64 `json:"cause_probability"`
	// Others are the causes that are left beside it, from 1 % on; where Kind is EitherOr the first is the other one.
	Others   []Chance   `json:"others"`
	Evidence []Evidence `json:"evidence"` // the most telling first
	Advice   string     `json:"advice"`
	LookedAt string     `json:"looked_at_by"` // who had better do it; empty: whoever did the checks
	Sheet    Sheet      `json:"sheet"`
}

// Evidence is one answer and how it speaks.
type Evidence struct {
	Check Check     `json:"check"`
	Text  string    `json:"text"`
	Times float64   `json:"times"` // how many times likelier the answer is if the cause is there than if not; below 1 it speaks against it
	By    string    `json:"by"`
	At    time.Time `json:"at"`
}

// Strength says how strongly the answer speaks for the finding: 2 much, 1 somewhat, 0 neither way; below 0 against it.
func (e Evidence) Strength() int {
	const tells, strongly = 1.3, 5.0
	switch {
	case e.Times >= strongly:
		return 2
	case e.Times >= tells:
		return 1
	case e.Times > 1/tells:
		return 0
	case e.Times > 1/strongly:
		return -1
	}
	return -2
}

func (s Session) finding(k known, p chances, order []job, chance []float64) *Finding {
	top := p.top(order[0])
	c := &causeRows[top]
	name := p.short(order[0])
	f := &Finding{
		Kind: Named, Part: c.part, Cause: c.id, Probability: chance[0], Whole: wholes[order[0]], CauseProbability: p[top], Others: p.beside(top),
		Evidence: s.evidence(k, top), Advice: capital(c.todo) + ".", LookedAt: c.who,
	}
	other := &causeRows[p.top(order[1])]
	switch {
	case order[0] == jobElsewhere || chance[0]+chance[1] < togetherFrom:
		f.Kind = Refer
		if f.LookedAt == "" || order[0] != jobElsewhere {
			f.LookedAt = "an auto electrician, with this list of what was measured"
		}
		f.Says = fmt.Sprintf("No part can be named: the likeliest is %s, at %s. Have it looked at by %s.", name, percent(chance[0]), f.LookedAt)
		f.Advice = capital(causeRows[Unlisted.index()].todo) + "."
	case chance[0] < namedFrom:
		f.Kind = EitherOr
		f.Says = fmt.Sprintf("It is %s (%s) or %s (%s): the checks that are left cannot separate them at a price worth it.", name, percent(chance[0]), other.name, percent(chance[1]))
		f.Advice = fmt.Sprintf("Begin with what costs less and harms nothing. %s: %s. %s: %s.", capital(name), c.todo, capital(other.name), other.todo)
	default:
		f.Says = p.says(order[0])
	}
	if k.answered(Secure) && !k.is(Secure, "done") && f.Kind != Named {
		f.Kind = Move
		f.Says = "Stopped: the key could not be turned safely where it stands; tow it to firm, level ground. " + f.Says
		f.Advice = "Once it stands on firm, level ground, answer anew that it is made safe, and go on from there: the search keeps all that was found."
		f.LookedAt = ""
	}
	if f.Kind == Named && c.who != "" {
		f.Says += " Have it looked at by " + c.who + "."
	}
	sheetFor := c.id
	if f.Kind == Refer || f.Kind == Move {
		sheetFor = Unlisted
	}
	f.Sheet = SheetFor(sheetFor, s.Facts, s.Notes)
	return f
}

// frozen ends a search that may not go on.
func (s Session) frozen(k known, p chances) *Finding {
	top := Flat.index()
	for _, c := range []Cause{Worn, Drain, Charging} {
		if p[c.index()] > p[top] {
			top = c.index()
		}
	}
	return &Finding{
		Kind: Thaw, Part: fleet.BatteryPart, Cause: Flat, Probability: p.ofJob(jobCharge) + p.ofJob(jobBattery) + p.ofJob(jobDrain) + p.ofJob(jobCharging),
		CauseProbability: p[Flat.index()],
		Says:             "The battery is frozen, so it was flat. Nothing goes on before it has thawed: no charging, no jump, no load.",
		Others:           p.beside(top),
		Evidence:         s.evidence(k, top),
		Advice: "Take it out, negative lead first, and stand it in a warm, vented room for a day. A case that bulges or leaks is at its end: return it by the local rule. " +
			"Else answer the question about ice anew and go on from there: the search keeps all that was found.",
		Sheet: SheetFor(Flat, s.Facts, s.Notes),
	}
}

// beside lists the causes from 1 % on but one.
func (p *chances) beside(top int) []Chance {
	others := []Chance{}
	for _, c := range p.list(0.01) {
		if c.Cause != causeRows[top].id {
			others = append(others, c)
		}
	}
	return others
}

// evidence holds each answer against the cause: the likelihood ratio of the cause and of all others, these weighed by the prior.
func (s Session) evidence(k known, top int) []Evidence {
	all := []Evidence{}
	last := map[Check]Answer{}
	for _, a := range s.Answers {
		last[a.Check] = a
	}
	prior := s.Prior.chances(s.Facts)
	for i, c := range checks {
		l, found := k.likelihood(i)
		if !found || c.id == Secure {
			continue
		}
		sum, weight := 0.0, 0.0
		for cause, v := range prior {
			if cause != top {
				sum += v * l[cause]
				weight += v
			}
		}
		a := last[c.id]
		e := Evidence{c.id, c.title + ": " + k.text(i), l[top] * weight / sum, a.By, a.At}
		at := len(all)
		for at > 0 && math.Abs(math.Log(all[at-1].Times)) < math.Abs(math.Log(e.Times)) {
			at--
		}
		all = append(all[:at], append([]Evidence{e}, all[at:]...)...)
	}
	return all
}

// doubt says which answer does not fit the others.
func (k known) doubt(odd int, askedNow bool) string {
	said := fmt.Sprintf("“%s: %s” does not fit the other answers.", checks[odd].title, k.text(odd))
	if askedNow {
		return said + " Do that check again."
	}
	return said + " It counts for what it says; look at it again before money is spent."
}

func capital(s string) string {
	if s == "" || s[0] < 'a' || s[0] > 'z' {
		return s
	}
	return string(s[0]-'a'+'A') + s[1:]
}

// wholes are the parts that one work mends whatever is wrong in them.
var wholes = map[job]string{jobStarter: "the starter as a whole", jobEngine: "the engine as a whole"}

// says names the cause with its chance, and the whole part with its own where one work mends several causes; or the whole with the share of
// each cause, where none stands out.
func (p *chances) says(j job) string {
	whole, all := wholes[j], percent(p.ofJob(j))
	switch {
	case whole == "":
		return fmt.Sprintf("%s, at %s.", capital(p.short(j)), all)
	case p.clear(j) && percent(p[p.top(j)]) == all:
		return fmt.Sprintf("%s, at %s.", capital(p.short(j)), all)
	case p.clear(j):
		return fmt.Sprintf("%s, at %s; %s, at %s.", capital(p.short(j)), percent(p[p.top(j)]), whole, all)
	}
	within := p.within(j)
	var each []string
	for _, c := range within.list(0.01) {
		each = append(each, fmt.Sprintf("%s %s", c.Name, percent(p[c.Cause.index()])))
	}
	return fmt.Sprintf("%s, at %s: %s.", capital(whole), all, strings.Join(each, ", "))
}

// short is the cause of a job, or the part where no cause stands out.
func (p *chances) short(j job) string {
	switch {
	case p.clear(j):
		return causeRows[p.top(j)].name
	case j == jobStarter:
		return "starter"
	}
	return "engine, hard to turn or locked"
}
