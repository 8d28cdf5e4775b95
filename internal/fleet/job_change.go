package fleet

import (
	"errors"
	"fmt"
	"slices"
	"time"
)

// JobChange is one step of a job as somebody asks for it: to another state, or where To is the state it has, to what else is now known.
type JobChange struct {
	Job     int64
	Seen    int // step of the job that whoever asks has seen: if it has gone on since, they decide anew
	To      JobState
	By      string
	Note    string
	Request string    // names the request, so that it may be sent twice; empty: it is sent once
	At      time.Time // of the step
	Today   Date      // At in the depot's zone

	Monday     Opt[Date] // to JobPlanned
	Who        string    // likewise; empty: nobody is named
	PartNumber string    // to JobReserved
	Pieces     int       // likewise
	Fitting    Fitting   // to JobFitted
	Minutes    int       // likewise: how long the work took; 0: nobody says
	Proof      *Proof    // to JobProven, or back to JobFound
	Core       Core      // with any step after the fitting; CoreOpen: nothing new
	Paper      bool      // likewise; false: nothing new
	Bench      []BenchResult
}

// Fitting is what a job puts in, and why the old parts come out.
type Fitting struct {
	Batteries []BatteryFitting
	Starters  []StarterFitting
	Because   Removal
}

// JobGoneOnError says that a job has gone on since whoever asks has looked at it. Nothing was changed.
type JobGoneOnError struct {
	Job   Job
	Since []JobEvent // what has happened to it
}

func (e JobGoneOnError) Error() string {
	last := e.Since[len(e.Since)-1]
	return fmt.Sprintf("%s has meanwhile changed this job, it is now %s: look at what was done, and decide anew", last.By, e.Job.State.Words())
}

// JobRefusedError says why a step cannot be taken. Nothing was changed.
type JobRefusedError struct{ Reason string }

func (e JobRefusedError) Error() string { return e.Reason }

// Refused makes a refusal.
func Refused(format string, args ...any) error { return JobRefusedError{fmt.Sprintf(format, args...)} }

// ErrNoJob says that there is no job of that number.
var ErrNoJob = errors.New("there is no such job")

// Words is the state as people read it.
func (s JobState) Words() string {
	switch s {
	case JobReserved:
		return "part reserved"
	case JobOnBench:
		return "on the bench"
	}
	return string(s)
}

// Check tells why the job cannot take this step; nil: it can.
func (c JobChange) Check(j Job) error {
	if c.By == "" {
		return Refused("a step needs the name of whoever takes it")
	}
	if c.To != j.State && !j.State.MayBecome(c.To) || c.To == "" {
		return Refused("a job that is %s cannot become %s", j.State.Words(), c.To.Words())
	}
	if err := c.checkAfterwards(j); err != nil {
		return err
	}
	if c.To == j.State && !c.Monday.IsKnown() {
		return c.checkNews()
	}
	switch c.To {
	case JobFound:
		if c.Note == "" && (c.Proof == nil || c.Proof.Good) {
			return Refused("say why the job goes back")
		}
	case JobPlanned:
		if monday, known := c.Monday.Get(); !known || monday != monday.Monday() {
			return Refused("say for which week: want the day on which it begins, a Monday")
		}
	case JobReserved:
		return c.checkReserve(j)
	case JobFitted:
		return c.checkFitting(j)
	case JobProven:
		if c.Proof == nil || !c.Proof.Good {
			return Refused("a job is proven by a crank after the work that reads well")
		}
		if c.Proof.CrankedAt.Before(j.ProvenFrom()) {
			return Refused("that crank was before the work was done: start the unit once more")
		}
	case JobClosed:
		return c.checkClose(j)
	case JobDropped:
		if c.Note == "" {
			return Refused("say why nothing is done")
		}
	case JobOnBench:
	}
	return nil
}

// checkNews refuses a step that says nothing.
func (c JobChange) checkNews() error {
	if c.Note == "" && c.Core == CoreOpen && !c.Paper && len(c.Bench) == 0 {
		return Refused("there is nothing new in this step")
	}
	return nil
}

// checkAfterwards judges what can be said once a part is out.
func (c JobChange) checkAfterwards(j Job) error {
	if !j.State.Done() && c.To != JobFitted && (c.Core != CoreOpen || c.Paper) {
		return Refused("the work is not done yet, so there is no core to hand in and no sheet to file")
	}
	if c.Core == CoreNone && c.Note == "" {
		return Refused("say why no core goes back")
	}
	removed := j.Removed()
	for _, b := range c.Bench {
		if !slices.ContainsFunc(removed, func(p Piece) bool { return p.Serial == b.Serial && p.Kind == b.Kind }) {
			return Refused("%s %q did not come out in this job", b.Kind, b.Serial)
		}
		if b.Verdict != BenchFaulty && b.Verdict != BenchGood && b.Verdict != BenchUnclear {
			return Refused("say what the bench found: %s, %s or %s", BenchFaulty, BenchGood, BenchUnclear)
		}
	}
	return nil
}

func (c JobChange) checkReserve(j Job) error {
	switch {
	case !j.Exchanges() && j.Work != WorkSwap:
		return Refused("this work needs no part")
	case c.PartNumber == "":
		return Refused("say which part is put by, by its part number")
	case c.Pieces < 1:
		return Refused("say how many pieces are put by")
	}
	return nil
}

func (c JobChange) checkFitting(j Job) error {
	f := c.Fitting
	if !j.Exchanges() {
		if len(f.Batteries)+len(f.Starters) > 0 {
			return Refused("this job replaces no battery and no starter: open one that does")
		}
		if c.Note == "" {
			return Refused("say what was done")
		}
		return nil
	}
	switch {
	case j.Part == BatteryPart && (len(f.Batteries) == 0 || len(f.Starters) > 0):
		return Refused("say which batteries were fitted")
	case j.Part == StarterPart && (len(f.Starters) != 1 || len(f.Batteries) > 0):
		return Refused("say which starter was fitted")
	case f.Because == "":
		return Refused("say why the old part came out")
	}
	places, serials := map[int]bool{}, map[string]bool{}
	for _, b := range f.Batteries {
		if places[b.Position] {
			return Refused("two batteries are said to be in place %d", b.Position)
		}
		if serials[b.Battery] {
			return Refused("battery %s is said to be in two places", b.Battery)
		}
		if b.Unit != j.Unit || b.FittedOn != Known(c.Today) {
			return Refused("a job fits what it puts in to its own unit, today")
		}
		places[b.Position], serials[b.Battery] = true, true
	}
	for _, s := range f.Starters {
		if s.Unit != j.Unit || s.FittedOn != Known(c.Today) {
			return Refused("a job fits what it puts in to its own unit, today")
		}
	}
	return nil
}

func (c JobChange) checkClose(j Job) error {
	if len(j.Removed()) > 0 && j.Core == CoreOpen && c.Core == CoreOpen {
		return Refused("the old part's core is not settled: say that it was handed in, or that none goes back")
	}
	if !j.Paper && !c.Paper {
		return Refused("the job sheet is not filed: have it signed first")
	}
	return nil
}
