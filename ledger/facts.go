package ledger

import "rimeyard/internal/fleet"

// Facts are the rows that a ledger stands for, as they are now. The order of rows means nothing.
type Facts struct {
	Currency   Currency
	Depots     []fleet.Depot
	Units      []fleet.Unit
	Batteries  []fleet.BatteryFitting
	Starters   []fleet.StarterFitting
	Breakdowns []fleet.Breakdown
	Claims     []Claim
	Work       []Work
	Bills      []Bill
	// DownPerHour is what the fleet reckons for an hour that a unit stands still. Unknown: hours are counted without money.
	DownPerHour fleet.Opt[fleet.Money]
}

// Work is labour on one unit, from a job that is done.
type Work struct {
	Key     string // of the job; stable
	Unit    fleet.UnitID
	On      fleet.Date
	Part    fleet.Part
	Minutes int
	PerHour fleet.Opt[fleet.Money] // unknown: counted without money
}

// Bill is what was paid for something that no other row holds, such as a call-out billed apart. Without unit and depot it is of the
// whole fleet, and split over depots by their number of units.
type Bill struct {
	Key    string // stable
	On     fleet.Date
	Kind   Kind // CallOut, Labour or OtherCost
	Unit   fleet.UnitID
	Depot  fleet.DepotID // of the unit where that is given
	Part   string
	Amount fleet.Money
}

// ClaimState is how far a warranty claim has come.
type ClaimState string

// The states.
const (
	ClaimOpen    ClaimState = "open"
	ClaimSent    ClaimState = "sent"
	ClaimPaid    ClaimState = "paid"
	ClaimRefused ClaimState = "refused"
)

// Claim is a warranty claim for one part.
type Claim struct {
	ID        int64
	Unit      fleet.UnitID
	Serial    string
	Part      string // part number
	PartKind  fleet.Part
	State     ClaimState
	Expected  fleet.Money            // credit worked out, see [Cover.Credit]
	Paid      fleet.Opt[fleet.Money] // known once it is paid
	OpenedOn  fleet.Date
	DecidedOn fleet.Opt[fleet.Date]
	Note      string
	By        string
}

// Unbooked is a row that has no entry, and why: what is not known is not counted as nothing.
type Unbooked struct {
	Source string
	Unit   fleet.UnitID
	Depot  fleet.DepotID
	Kind   Kind
	Why    string
}
