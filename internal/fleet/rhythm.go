package fleet

import "time"

// Rhythm is how often something was read off a unit of late.
type Rhythm struct {
	Unit  UnitID
	Depot DepotID
	Kind  Kind // CranksKind or TestsKind
	// The newest readings that were counted, the first and the last of them; Readings 0: there was never one.
	Readings int
	First    time.Time
	Last     time.Time
	By       string // who or what made the last of them; empty: not known
}

// KeptOddity is something that does not fit, as the day's look at the fleet found it.
type KeptOddity struct {
	On        Date
	Kind      string // one of alerts.OddityKind
	Unit      UnitID // empty: of no single unit
	OtherUnit UnitID
	Depot     DepotID // empty: of several
	Tester    string
	Sentence  string
}
