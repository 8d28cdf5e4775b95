package ledger

import "rimeyard/internal/fleet"

// Cover is a part's warranty: in the first FreeMonths the whole price, then a share that falls in a straight line to nothing at
// ProrataMonths, both counted from fitting.
type Cover struct {
	Price         fleet.Money
	FreeMonths    int
	ProrataMonths int // 0: none; else not less than FreeMonths
	From          fleet.Date
}

// Warranty is a part under warranty on a unit that may fail.
type Warranty struct {
	Unit       fleet.UnitID          `json:"unit"`
	Depot      fleet.DepotID         `json:"depot"`
	CostCentre string                `json:"cost_centre"`
	Serial     string                `json:"serial"`
	Part       string                `json:"part"`
	Kind       fleet.Part            `json:"kind"`
	FittedOn   fleet.Date            `json:"fitted_on"`
	FreeUntil  fleet.Opt[fleet.Date] `json:"free_until"`  // last day of the whole price
	CoverUntil fleet.Date            `json:"cover_until"` // last day of any credit
	CreditNow  fleet.Money           `json:"credit_now"`
	CreditEnd  fleet.Money           `json:"credit_end"` // at the end of the season, or 0 where the cover has ended by then
	Before     float64               `json:"before"`     // chance that it fails this season while there is cover
	After      float64               `json:"after"`      // chance that it fails this season once there is none
	// Lost is the credit that is expected to be lost by claiming only when it fails: the sum over weeks of the chance of failing in the week
	// times by how much the credit has fallen by then. Test now, and claim now if it is faulty.
	Lost    fleet.Money `json:"lost"`
	Claimed bool        `json:"claimed"` // a claim is open or sent
}

// ClaimSum adds up claims of one state.
type ClaimSum struct {
	State    ClaimState  `json:"state"`
	Claims   int         `json:"claims"`
	Expected fleet.Money `json:"expected"`
	Paid     fleet.Money `json:"paid"`
}
