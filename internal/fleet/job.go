package fleet

import (
	"errors"
	"fmt"
	"slices"
	"time"
)

// JobState is how far the work on a part of a unit has come.
type JobState string

// The states, in the order in which a job goes through them. Planned, reserved and on the bench can be passed over.
const (
	JobFound    JobState = "found"    // something is to be done, and nothing is
	JobPlanned  JobState = "planned"  // for a week
	JobReserved JobState = "reserved" // the part is put by
	JobOnBench  JobState = "on_bench" // the unit is being worked on
	JobFitted   JobState = "fitted"   // the work is done, and no crank has proven it yet
	JobProven   JobState = "proven"   // a crank after the work read well
	JobClosed   JobState = "closed"
	JobDropped  JobState = "dropped" // it ends without work
)

// JobStates lists all states, in their fixed order.
func JobStates() [8]JobState {
	return [8]JobState{JobFound, JobPlanned, JobReserved, JobOnBench, JobFitted, JobProven, JobClosed, JobDropped}
}

// Open tells whether there is still something to do.
func (s JobState) Open() bool { return s != JobClosed && s != JobDropped }

// Done tells whether the work itself is done.
func (s JobState) Done() bool { return s == JobFitted || s == JobProven || s == JobClosed }

// next are the states that may follow one. A job that stays where it is may learn something all the same.
func (s JobState) next() []JobState {
	switch s {
	case JobFound:
		return []JobState{JobPlanned, JobReserved, JobOnBench, JobFitted, JobDropped}
	case JobPlanned:
		return []JobState{JobReserved, JobOnBench, JobFitted, JobFound, JobDropped}
	case JobReserved, JobOnBench:
		return []JobState{JobOnBench, JobFitted, JobFound, JobDropped}
	case JobFitted:
		return []JobState{JobProven, JobFound}
	case JobProven:
		return []JobState{JobClosed, JobFound}
	}
	return nil
}

// MayBecome tells whether one state may follow another.
func (s JobState) MayBecome(to JobState) bool { return s != to && slices.Contains(s.next(), to) }

// Work is what a job does to its part.
type Work string

// The kinds of work, as in plans.
const (
	WorkSwap        Work = "swap"
	WorkClean       Work = "clean"
	WorkChargeCheck Work = "charge_check"
	WorkCheck       Work = "check"
)

// Works lists all kinds of work.
func Works() [4]Work { return [4]Work{WorkSwap, WorkClean, WorkChargeCheck, WorkCheck} }

// NewJob is a job to be opened.
type NewJob struct {
	Unit    UnitID
	Part    Part // what is wrong with an engine is OtherPart
	Work    Work
	Because string           // why, in a sentence
	Named   map[Part]float64 // chance of each suspect as they stood, which the bench's result is held against; nil: not known
	Monday  Opt[Date]        // of the week it is planned for; unknown: it is only found
	Who     string           // is to do it; empty: nobody is named
	By      string           // opens it
	Request string           // names the request, so that it may be sent twice; empty: it is sent once
	Search  int64            // the search for the fault that found it, which then names the job; 0: there was none
}

// Check tells what is missing or wrong; nil: nothing.
func (n NewJob) Check() error {
	suspects := Suspects()
	works := Works()
	monday, planned := n.Monday.Get()
	switch {
	case n.Unit == "":
		return errors.New("a job needs a unit")
	case n.Part != OtherPart && !slices.Contains(suspects[:], n.Part):
		return fmt.Errorf("part %q: want one of %v, or %s", n.Part, suspects, OtherPart)
	case !slices.Contains(works[:], n.Work):
		return fmt.Errorf("work %q: want one of %v", n.Work, works)
	case n.Because == "":
		return errors.New("a job needs a reason: say in a sentence why it is opened")
	case n.By == "":
		return errors.New("a job needs the name of whoever opens it")
	case planned && monday != monday.Monday():
		return fmt.Errorf("the week of %s: want the day on which the week begins, a Monday", monday)
	}
	return nil
}

// State is the one in which the job begins.
func (n NewJob) State() JobState {
	if n.Monday.IsKnown() {
		return JobPlanned
	}
	return JobFound
}

// Core is what became of the old part for which the seller holds a deposit.
type Core string

// The ways of a core.
const (
	CoreOpen     Core = ""         // not settled yet
	CoreReturned Core = "returned" // handed in
	CoreNone     Core = "none"     // none goes back, for a reason that is noted
)

// Job is the work on one part of one unit, from the finding to a proven start.
type Job struct {
	ID         int64
	Unit       UnitID
	Depot      DepotID // of the unit now
	Class      string  // of the unit
	Part       Part
	Work       Work
	State      JobState
	Step       int       // number of its newest event: a change names the step that it builds on
	Monday     Opt[Date] // of the week it is planned for
	Who        string    // empty: nobody is named
	PartNumber string    // reserved or fitted
	Pieces     int       // of it
	Because    string
	Named      map[Part]float64
	Exchanged  []Piece // what came out and went in, in the order of time
	FittedAt   time.Time
	Core       Core
	Paper      bool // the job sheet is signed and filed
	OpenedAt   time.Time
	OpenedBy   string
	ClosedAt   time.Time
}

// Exchanges tells whether the work replaces a part that is recorded by its serial: a battery or a starter.
func (j Job) Exchanges() bool {
	return j.Work == WorkSwap && (j.Part == BatteryPart || j.Part == StarterPart)
}

// Removed are the pieces that came out.
func (j Job) Removed() []Piece {
	return slices.DeleteFunc(slices.Clone(j.Exchanged), func(p Piece) bool { return !p.Out })
}

// Piece is one battery or starter that a job has put in or taken out.
type Piece struct {
	Out      bool       `json:"out"` // else in
	Kind     Part       `json:"kind"`
	Serial   string     `json:"serial"`
	Part     string     `json:"part"`
	Position int        `json:"position"` // of a battery; 0: a starter
	FittedOn Opt[Date]  `json:"fitted_on"`
	Because  Removal    `json:"because"` // why it came out
	Deposit  Opt[Money] `json:"deposit"`
	At       Date       `json:"at"` // day of the exchange
}

// JobEvent is one line of a job's record.
type JobEvent struct {
	Job  int64
	Step int
	At   time.Time
	By   string
	From JobState // empty: it was opened
	To   JobState
	Note string
	What JobFacts
}

// JobFacts are the facts of an event, as they are kept.
type JobFacts struct {
	Monday     Opt[Date]     `json:"monday"`
	Who        string        `json:"who,omitempty"`
	PartNumber string        `json:"part_number,omitempty"`
	Pieces     int           `json:"pieces,omitempty"`
	Exchanged  []Piece       `json:"exchanged,omitempty"`
	Minutes    int           `json:"minutes,omitempty"` // that the work took; 0: nobody said
	Proof      *Proof        `json:"proof,omitempty"`
	Core       Core          `json:"core,omitempty"`
	Paper      bool          `json:"paper,omitempty"`
	Bench      []BenchResult `json:"bench,omitempty"`
}

// ProvenFrom is when cranks begin to speak for the work: in the second in which it was booked, as cranks are told by whole seconds.
func (j Job) ProvenFrom() time.Time { return j.FittedAt.Truncate(time.Second) }

// Proof is the judgement on a crank after the work.
type Proof struct {
	CrankedAt time.Time `json:"cranked_at"`
	Good      bool      `json:"good"`
	Why       string    `json:"why"`
}

// BenchVerdict is what the bench found of a part that came out.
type BenchVerdict string

// The verdicts. A part that is found good was not the failure (common practice, no source).
const (
	BenchFaulty  BenchVerdict = "faulty"
	BenchGood    BenchVerdict = "no_fault"
	BenchUnclear BenchVerdict = "unclear"
)

// BenchResult is what the bench said of one part that came out.
type BenchResult struct {
	Job      int64             `json:"-"`
	Unit     UnitID            `json:"-"`
	Kind     Part              `json:"kind"`
	Serial   string            `json:"serial"`
	Part     string            `json:"part"`
	Verdict  BenchVerdict      `json:"result"`
	Readings map[string]string `json:"readings,omitempty"` // what was read, by its name with its unit
	Note     string            `json:"note,omitempty"`
	TestedAt time.Time         `json:"-"`
	TestedBy string            `json:"-"`
}
