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
	// DownPerHour is what the fleet reckons for an hour that a unit stands still, LabourPerHour for one of work. Where there is no rate yet on
	// the day, minutes are counted without money.
	DownPerHour, LabourPerHour []HourlyRate
}

// HourlyRate is what an hour costs from a day on. Rates are dated so that a new one does not change what was booked by the old.
type HourlyRate struct {
	From    fleet.Date  `json:"from"`
	PerHour fleet.Money `json:"per_hour"`
}

// rateOn is the rate that holds on a day; 0: none yet.
func rateOn(rates []HourlyRate, on fleet.Date) fleet.Money {
	var last HourlyRate
	for _, r := range rates {
		if r.From <= on && (last.PerHour == 0 || r.From >= last.From) {
			last = r
		}
	}
	return last.PerHour
}

// Work is labour on one unit, from a job that is done.
type Work struct {
	Key     string // of the job; stable
	Unit    fleet.UnitID
	On      fleet.Date
	Part    fleet.Part
	Minutes int
}

// Bill is what was paid for something that no other row holds, such as a call-out billed apart.
type Bill struct {
	Key    string // stable
	On     fleet.Date
	Kind   Kind          // CallOut, Labour or OtherCost
	Unit   fleet.UnitID  // empty: of no one unit
	Depot  fleet.DepotID // where there is no unit; empty: see Shares
	Part   string
	Amount fleet.Money
	// Shares split a bill without unit and depot, to the cent. They are kept with the bill, so that a fleet that grows does not split last
	// year's bills anew. Empty: it is booked to no depot.
	Shares map[fleet.DepotID]int64
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
