package fleet

import "time"

// StockLine is one part at one depot: what lies there, what of it is put by for open jobs, what is on its way, and what it costs.
type StockLine struct {
	Depot    DepotID
	Part     string
	Kind     Part
	Name     string
	Counted  bool // pieces have come or gone here; else it is only ordered or put by
	OnHand   int
	Reserved int
	OnOrder  int
	Price    Opt[Money] // of a piece: the last that was paid, else that of the price list
	LeadDays Opt[int]   // middle of the orders that have arrived; unknown: none has
}

// Free is what is neither put by nor gone.
func (l StockLine) Free() int { return l.OnHand - l.Reserved }

// MoveReason is why pieces come to a shelf or leave it.
type MoveReason string

// The reasons.
const (
	MoveCounted    MoveReason = "counted"
	MoveBought     MoveReason = "bought"
	MoveFitted     MoveReason = "fitted"
	MoveTakenBack  MoveReason = "taken_back"
	MoveMoved      MoveReason = "moved"
	MoveWrittenOff MoveReason = "written_off"
)

// StockMove is pieces that came to a shelf or left it. It is never changed.
type StockMove struct {
	Depot     DepotID
	Part      string
	Kind      Part // of a part that is not known yet
	Pieces    int  // below zero: left
	Because   MoveReason
	UnitPrice Opt[Money] // paid per piece, where bought
	At        time.Time
	By        string
	Note      string
	Request   string // names the request, so that it may be sent twice; empty: it is sent once
	Order     int64  // that arrives with it; 0: none
	Today     Date   // in the depot's zone
}

// PartOrder is pieces that are on their way.
type PartOrder struct {
	ID          int64
	Depot       DepotID
	Part        string
	Kind        Part // of a part that is not known yet
	Pieces      int
	OrderedOn   Date
	ExpectedOn  Opt[Date]
	ArrivedOn   Opt[Date]
	CancelledOn Opt[Date]
	By          string
	Request     string // names the request, so that it may be sent twice; empty: it is sent once
}

// ShelfBattery is a battery on a shelf, which ages there and wants charging.
type ShelfBattery struct {
	Serial    string
	Depot     DepotID
	Part      string
	MadeOn    Opt[Date]
	CameOn    Date
	ChargedOn Opt[Date]
	RestV     Opt[float64] // as last read
	TestedOn  Opt[Date]
	By        string // notes it; with Request, so that it may be sent twice
	Request   string // names the request; empty: it is sent once
}

// PricedPart is a part number with what it is and what it costs.
type PricedPart struct {
	Part          string
	Kind          Part
	Name          string
	Price         Opt[Money]
	CoreDeposit   Opt[Money]
	FreeMonths    Opt[int]
	ProrataMonths Opt[int]
}
