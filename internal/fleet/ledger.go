package fleet

import (
	"cmp"
	"errors"
	"slices"
	"time"
)

// ErrNoCore says that no fitting is recorded with that key and a deposit that is out.
var ErrNoCore = errors.New("no such part is recorded whose core is still out")

// ErrClaimed says that a claim is open for the part already, or was paid.
var ErrClaimed = errors.New("there is a claim for this part already")

// LedgerEntry is one line of the ledger as it is kept; package ledger says what its kinds mean. It is never changed: a reversal takes it back.
type LedgerEntry struct {
	ID         int64
	Value      Date   // the day it belongs to, in the depot's zone
	Booked     Date   // the day it counts on
	Kind       string // as package ledger names it
	CostCentre string
	Depot      DepotID // empty: of no one depot
	Class      string
	Unit       UnitID // empty: of no one unit
	Part       string // part number
	PartKind   Part
	Amount     Money  // net; money out is above zero
	Currency   string // ISO 4217
	Minutes    int    // of standing still or of labour
	Source     string // the row it was booked from
	Reverses   int64  // the entry that it takes back; 0: none
	At         time.Time
	By         string
}

// LedgerFilter narrows the ledger. Unknown and empty fields do not narrow, but Depots: nil means all, empty means none.
type LedgerFilter struct {
	Depots     []DepotID   // those that the reader may see
	From, To   Opt[Date]   // days on which entries count, both inclusive
	Kinds      []string    // none: all
	CostCentre Opt[string] // known and empty: those of none
	Depot      DepotID
	Class      string
	Part       string
	PartKind   Part
	Unit       UnitID
	Source     string
	Currency   string
	Limit      int // 0: no limit
	Offset     int
}

// LedgerSum is what the entries of one month, kind and cost centre come to.
type LedgerSum struct {
	Month      Date // its first day
	Kind       string
	CostCentre string
	Currency   string
	Amount     Money
	Minutes    int64
	Entries    int64
}

// ClosedMonth is a month of the ledger in which nothing is booked any more. Closing one closes all before it.
type ClosedMonth struct {
	Month Date // its first day
	At    time.Time
	By    string
}

// Bookable are rows of some units, or bills, that the ledger stands for, as they are now.
type Bookable struct {
	Units      []Unit
	Batteries  []BatteryFitting
	Starters   []StarterFitting
	Breakdowns []Breakdown
	Claims     []Claim
	Work       []WorkDone
	Bills      []Bill        // these come with no other row
	Standing   []LedgerEntry // what stands booked of these units, or of bills
	Closed     []ClosedMonth
}

// WorkDone is the work of a job.
type WorkDone struct {
	Job  int64
	Step int // of the event: work that is done twice counts twice
	Unit UnitID
	Part Part
	At   time.Time
	// Minutes that it took; 0: nobody said.
	Minutes int
}

// CoreOut is a core that could be handed in: its part has come out, and the deposit has not come back.
type CoreOut struct {
	Kind       Part
	Serial     string
	Unit       UnitID
	Depot      DepotID
	CostCentre string
	Part       string
	FittedOn   Opt[Date]
	OutOn      Date // the day on which the part came out
	Deposit    Money
}

// DepositsAsked is which deposits are looked at.
type DepositsAsked struct {
	Depots []DepotID // whose units; nil: all
	On     Date      // as it stands on this day
	Late   Opt[Date] // a core whose part came out before it is overdue; unknown: none is
	Most   Opt[int]  // so many cores one by one, the longest out; unknown: all
}

// DepositsOut are the deposits that have not come back.
type DepositsOut struct {
	Due        []CoreOut // of parts that are out, the longest out first
	Cores      int       // of parts that are out, in all
	Sum        Money     // their deposits
	Overdue    int       // of those
	OverdueSum Money
	Fitted     int   // parts that are still fitted
	FittedSum  Money // their deposits
}

// Bill is what was paid for something that no other row holds. It is taken back, never changed.
type Bill struct {
	ID     int64
	On     Date
	Kind   string // as package ledger names it
	Unit   UnitID // empty: of no one unit
	Depot  DepotID
	Part   string
	Amount Money
	Shares map[DepotID]int64 // by which a bill of no one depot is split; kept with it
	Note   string
	At     time.Time
	By     string
}

// Claim is a warranty claim for one part; package ledger says what its states mean.
type Claim struct {
	ID        int64
	Unit      UnitID
	Depot     DepotID // of the unit now
	Serial    string
	Part      string // part number
	PartKind  Part
	State     string
	Expected  Money // credit worked out
	Paid      Opt[Money]
	OpenedOn  Date
	DecidedOn Opt[Date]
	Note      string
	By        string
}

// PartPrice is what a part costs from a day on, net.
type PartPrice struct {
	Part          string
	Kind          Part
	Name          string
	From          Date
	Price         Money
	CoreDeposit   Opt[Money]
	FreeMonths    Opt[int]
	ProrataMonths Opt[int]
}

// ShelfUse is what a depot holds of a part, and how much of it is asked for.
type ShelfUse struct {
	Depot        DepotID
	Part         string
	Kind         Part
	OnHand       int
	FittedInYear int // pieces that left to be fitted in the year before
	LastIn       Opt[Date]
	LastOut      Opt[Date]
}

// PartUse is how a part number is in use: so many pieces are fitted now, and what was last paid for one.
type PartUse struct {
	Part      string
	Kind      Part
	Fitted    int
	LastPrice Opt[Money]
	LastOn    Opt[Date]
}

// KeptBudget is a version of a budget that somebody kept.
type KeptBudget struct {
	ID     int64
	Name   string
	Issue  int64     // list behind it
	Depots []DepotID // whose units it is of; nil: all
	MadeAt time.Time
	By     string
	WhatIf []byte // JSON
	Result []byte // JSON of ledger.Budget
}

// KeptFigure is a figure of the ledger as it was reckoned last, for pages to read.
type KeptFigure struct {
	Figure string    // which one
	Depots []DepotID // whose units it is of, in their order; nil: all
	Units  int       // that it is reckoned from
	MadeOf string    // hash of all that it is made of
	MadeAt time.Time
	Result []byte // JSON
}

// MoneyMark says how far the rows have come of which figures of money are made: a figure that was made of an older one lacks something.
type MoneyMark struct {
	At         time.Time // when this was seen
	Entry      int64     // the newest of the ledger
	Breakdowns int64     // how many are recorded
	Audited    time.Time // when past seasons were audited last; zero: never
}

// DatedMoney is an amount that holds from a day on.
type DatedMoney struct {
	From   Date  `json:"from"`
	Amount Money `json:"amount"`
}

// OwnFigures are what a fleet has set for itself. What is unknown has not been set.
type OwnFigures struct {
	Currency      string       // ISO 4217; empty: not set
	LabourPerHour []DatedMoney // in the order of days
	DownPerHour   []DatedMoney // of a unit that stands still; likewise
	CoreDays      Opt[int]     // from the day on which its part came out, within which a core must be back
	LeadWeeks     Opt[int]     // from ordering a part until it is there
	HorizonMonths Opt[int]     // how far budgets look
}

// AmountOn is what holds on a day, of amounts in the order of days; unknown before the first.
func AmountOn(dated []DatedMoney, day Date) (amount Opt[Money]) {
	for _, d := range dated {
		if d.From <= day {
			amount = Known(d.Amount)
		}
	}
	return amount
}

// WithAmount puts an amount that holds from a day on among others, in the place of one from the same day.
func WithAmount(dated []DatedMoney, from Date, amount Money) []DatedMoney {
	dated = slices.DeleteFunc(slices.Clone(dated), func(d DatedMoney) bool { return d.From == from })
	dated = append(dated, DatedMoney{from, amount})
	slices.SortFunc(dated, func(a, b DatedMoney) int { return cmp.Compare(a.From, b.From) })
	return dated
}
