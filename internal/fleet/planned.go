package fleet

import "time"

// PlanChoice is what a person has decided for a unit; the planner keeps to it.
type PlanChoice struct {
	Unit   UnitID
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

// KeptPlan is a plan as it was made.
type KeptPlan struct {
	ID     int64
	Issue  int64
	MadeAt time.Time
	Result []byte // JSON of plan.Plan
}

// Shelf is how many pieces of a part a depot has on hand, and how many are ordered and not there yet.
type Shelf struct {
	Depot   DepotID
	Part    string
	Kind    Part
	OnHand  int
	OnOrder int
}
