package ledger

import (
	"cmp"

	"rimeyard/internal/fleet"
)

// Kind is what an entry is for.
type Kind string

// The kinds. Money out is above zero, so what comes back is below.
const (
	PartFitted      Kind = "part"             // price of a battery or starter, on the day it was fitted
	DepositPaid     Kind = "deposit"          // paid for the core, on the day of fitting
	DepositReturned Kind = "deposit_returned" // when the core went back
	WarrantyCredit  Kind = "warranty_credit"  // a claim that was paid
	BreakdownCost   Kind = "breakdown"        // what the record of a breakdown says that it cost
	CallOut         Kind = "call_out"         // billed apart from the record of the breakdown
	HoursDown       Kind = "hours_down"       // hours that a unit stood still; money only if the fleet has set what an hour costs
	Labour          Kind = "labour"           // workshop hours
	OtherCost       Kind = "other"
)

// Kinds lists all kinds, in the order in which tables show them.
func Kinds() [9]Kind {
	return [9]Kind{PartFitted, DepositPaid, DepositReturned, WarrantyCredit, BreakdownCost, CallOut, HoursDown, Labour, OtherCost}
}

// Entry is one line of the ledger. It is never changed: what was wrong is taken back by an entry of the opposite amount.
type Entry struct {
	ID         int64         `json:"entry"`      // 0: not kept yet
	Value      fleet.Date    `json:"value_date"` // the day it belongs to, in the depot's zone
	Booked     fleet.Date    `json:"booked_on"`  // the day it counts on: Value, or the first day after the months that were closed
	Kind       Kind          `json:"kind"`
	CostCentre string        `json:"cost_centre"` // of the depot when it was booked; empty: none
	Depot      fleet.DepotID `json:"depot"`
	Class      string        `json:"class"`
	Unit       fleet.UnitID  `json:"unit"`      // empty: of no one unit
	Part       string        `json:"part"`      // part number
	PartKind   fleet.Part    `json:"part_kind"` // battery, starter, or the cause of a breakdown
	Amount     fleet.Money   `json:"amount"`    // net of VAT; money out is above zero
	Currency   Currency      `json:"currency"`
	Minutes    int           `json:"minutes"`  // of standing still or of labour; 0: none
	Source     string        `json:"source"`   // the row it stands for: battery_fitting/SERIAL/DATE/price
	Reverses   int64         `json:"reverses"` // the entry that it takes back; 0: none
}

// sameFact tells whether two entries say the same of a row. Depot, class and cost centre are those of the day of booking, and no fact.
func (e Entry) sameFact(o Entry) bool {
	return e.Value == o.Value && e.Kind == o.Kind && e.Unit == o.Unit && e.Part == o.Part && e.PartKind == o.PartKind &&
		e.Amount == o.Amount && e.Currency == o.Currency && e.Minutes == o.Minutes
}

// byDay is the order in which entries are written: by day, then by source, a reversal before what takes its place.
func byDay(a, b Entry) int {
	if days := cmp.Or(cmp.Compare(a.Booked, b.Booked), cmp.Compare(a.Value, b.Value)); days != 0 {
		return days // most entries differ by then, and texts take longer to compare
	}
	return cmp.Or(cmp.Compare(a.Source, b.Source), cmp.Compare(b.Reverses, a.Reverses))
}
