package fleet

import "errors"

// ErrNoIssue says that no ranked list has been issued yet, or none of which the caller asked for.
var ErrNoIssue = errors.New("no ranked list has been issued yet: run rimeyard fit")

// ListOrder is what a ranked list is sorted by. The empty order is that of priority.
type ListOrder string

// The orders in which people read the list; units of which the figure is unknown come last.
const (
	ByRank      ListOrder = "rank"
	ByUnit      ListOrder = "unit"
	ByChance    ListOrder = "chance"     // likeliest to fail first
	ByColdLimit ListOrder = "cold_limit" // warmest limit first
	BySwapBy    ListOrder = "swap_by"    // earliest first
	ByLoss      ListOrder = "loss"       // dearest first
)

// ListFilter narrows a ranked list. Zero fields do not narrow, but Depots: nil means all, empty means none.
type ListFilter struct {
	Depots  []DepotID // those that the reader may see
	Unit    UnitID    // exactly this one
	Class   string
	Band    Band
	Suspect Part
	Search  string // part of a unit's key, upper or lower case
	Order   ListOrder
	Limit   int
	Offset  int
}

// ListLine is what a ranked list is narrowed and ordered by, of one unit: little enough to hold the list of a whole fleet in memory.
type ListLine struct {
	Unit               UnitID
	Depot              DepotID
	Class              string // as it is now; empty where the unit is gone
	Band               Band
	Suspect            Part
	Rank               int
	NoStartProbability Opt[float64]
	ColdLimitC         Opt[float64]
	ColdLimitP10C      Opt[float64]
	ColdLimitP90C      Opt[float64]
	ExpectedLoss       Opt[Money]
	SwapBy             Opt[Date]
}

// ListRow is what a page shows of one unit on a ranked list.
type ListRow struct {
	Forecast       Forecast     // with the first line of its evidence alone
	DriftCPerMonth Opt[float64] // of the cold limit; unknown where no outlook is kept
	Anew           *Anew        // nil: nothing has come since, or it is not judged yet
}
