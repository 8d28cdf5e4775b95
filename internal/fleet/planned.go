package fleet

import "time"

// PlanChoice is what a person has decided for a unit; the planner keeps to it.
type PlanChoice struct {
	Unit   UnitID
	Depot  DepotID   // of the unit, where it is read
	Retest bool      // test it again in that week instead of working on it
	Monday Opt[Date] // of the week; unknown: leave the unit this season
	Parts  []Part    // to be worked on; empty: those that pay most
	Who    string    // does it; empty: nobody is named
	Note   string
	By     string // chose it
	At     time.Time
}

// DepotWeek is how many visits a depot has room for in one week, where that is not its usual number.
type DepotWeek struct {
	Depot  DepotID
	Monday Date
	Visits int
}

// KeptPlan is one depot's plan as it was kept.
type KeptPlan struct {
	Issue  int64
	Depot  DepotID
	MadeOf string // hash of all that it is made of: a plan of the same is the same
	MadeAt time.Time
	Result []byte // JSON of plan.Plan, without the units left
	Left   []byte // JSON of these; nil where the depot has a newer plan
}

// Feed is the address under which a person's calendar program reads the plan. Its token is never stored, only its SHA-256.
type Feed struct {
	MadeAt     time.Time
	LastUsedAt time.Time // zero: never
}

// Shelf is how many pieces of a part a depot has on hand, and how many are ordered and not there yet.
type Shelf struct {
	Depot   DepotID
	Part    string
	Kind    Part
	OnHand  int
	OnOrder int
}
