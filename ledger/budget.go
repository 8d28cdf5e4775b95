package ledger

import (
	"rimeyard/internal/fleet"
	"rimeyard/trend"
)

// BudgetInput is all that a budget is made of. The order of units, prices and planned swaps means nothing.
type BudgetInput struct {
	Currency Currency
	From     fleet.Date // first day; what was spent before it is no part of the budget
	Months   int        // from the month of From on
	Units    []BudgetUnit
	Prices   []Price
	Planned  []Planned // certain costs; and what they cure, fails less
	// Winters are those that count, by their number among all that any depot has, from the newest back, which is 0. Nil: all.
	Winters []int
	Rates   Rates
	// Instead names for a part number the one that will be bought in its place.
	Instead map[string]string
	// Cures is the share of a part's failures that a swap of it prevents; see plan.Rules.
	Cures map[fleet.Part]float64
}

// BudgetUnit is what a budget needs to know of a vehicle; all of it stands in fleet.Unit, fleet.Outlook and fleet.Forecast.
type BudgetUnit struct {
	ID         fleet.UnitID
	Depot      fleet.DepotID
	CostCentre string
	Class      string
	// ByWinter is fleet.Outlook.ByWinter, of the same winters for all units of a depot. Empty: nothing is known, and the unit's failures are
	// not budgeted, but counted in Budget.Unknown.
	ByWinter []fleet.PastWinter
	// FirstMonth is that of ByWinter's first column. Months before the budget's first are behind: that they passed without a failure is
	// taken as known.
	FirstMonth  Month
	Causes      map[fleet.Part]float64     // share of each part in the blame, 1 in sum
	NoStartCost fleet.Opt[fleet.Money]     // of one failed start: call-out, lost work
	Fitted      map[fleet.Part][]string    // part numbers, one entry per piece
	AgeYears    map[fleet.Part]float64     // of what is fitted; a part not there is of unknown age
	Quiet       fleet.Opt[float64]         // fleet.NightCurve.Quiet, the unit's own chance of a failure out of the cold
	SwapCosts   map[fleet.Part]fleet.Money // last price paid; stands in where a price list does not have all the parts
}

// Price is one line of a dated price list: what a piece costs from a day on, net.
type Price struct {
	Part          string
	From          fleet.Date
	Price         fleet.Money
	CoreDeposit   fleet.Opt[fleet.Money]
	FreeMonths    fleet.Opt[int]
	ProrataMonths fleet.Opt[int]
}

// Planned is work that will be done.
type Planned struct {
	Unit  fleet.UnitID
	On    fleet.Date             // Monday of its week
	Parts []fleet.Part           // that are worked on
	Cost  fleet.Opt[fleet.Money] // of labour and of what has no price list; unknown: labour is not counted
}

// Rates are failed starts per unit and month where no outlook reaches: warm months, and the season after the one that was forecast. See
// [LearnRates] and [LearnLives]. They are those of the usual unit of today; units share them out among each other by what is known of them, so
// that their sum stays what it is: out of the season by [BudgetUnit.Quiet], and in all months by the age of their parts.
type Rates struct {
	ByMonth [monthsPerYear]float64 // of a month of mean length, from January
	Season  [monthsPerYear]bool    // months of the season, likewise: these go by how hard the winter is
	// Lives are lifetimes in years by part. A unit whose parts are older than its fellows' has a share of the rates that is larger by the
	// ratio of their hazards. Empty: all ages are alike.
	Lives map[fleet.Part]trend.Weibull
}

// Budget is what is expected to be spent, and its spread. All money is net of VAT. Expected amounts add up to the cent, over months and
// over cost centres; P10, P50 and P90 do not add up, as not everything goes badly at once, and must not be added.
type Budget struct {
	Currency    Currency     `json:"currency"`
	From        fleet.Date   `json:"from"`
	Months      []Month      `json:"months"`
	Winters     int          `json:"winters"` // past winters that the spread rests on
	Lines       []BudgetLine `json:"lines"`   // by cost centre and month, the sum over the months after them
	Total       []BudgetLine `json:"total"`   // of the fleet, by month, the sum over the months last
	Units       int          `json:"units"`
	Unknown     int          `json:"unknown"`      // units whose chance is not known: their failures are not in it
	NoCost      int          `json:"no_cost"`      // units whose failed start has no known cost: only parts are counted
	NoPrice     []string     `json:"no_price"`     // part numbers without any price: counted as nothing
	NoSwapPrice int          `json:"no_swap_cost"` // planned swaps of which a part has no price
	// Unlisted are units with work planned within the budget that are not among its units, and whose work is not in it therefore.
	Unlisted []fleet.UnitID `json:"planned_unlisted"`
}

// BudgetLine is the spend of one cost centre, or the fleet, in one month, or in all.
type BudgetLine struct {
	CostCentre string           `json:"cost_centre"`
	Month      fleet.Opt[Month] `json:"month"`    // unknown: all months
	Planned    fleet.Money      `json:"planned"`  // certain: by plan
	Failures   fleet.Money      `json:"failures"` // expected: parts and call-outs of units that fail
	Expected   fleet.Money      `json:"expected"` // Planned + Failures
	P10        fleet.Money      `json:"p10"`      // of the whole: one year in ten is cheaper
	P50        fleet.Money      `json:"p50"`
	P90        fleet.Money      `json:"p90"` // one year in ten is dearer
	Failed     float64          `json:"failed"`
}

// Compared holds a budget against what came.
type Compared struct {
	CostCentre string                 `json:"cost_centre"`
	Whole      bool                   `json:"whole"` // the fleet, not a cost centre
	Month      fleet.Opt[Month]       `json:"month"` // unknown: all months
	Budget     fleet.Money            `json:"budget"`
	P10        fleet.Money            `json:"p10"`
	P90        fleet.Money            `json:"p90"`
	Actual     fleet.Opt[fleet.Money] `json:"actual"`   // booked up to the day; unknown: the month is ahead
	Forecast   fleet.Opt[fleet.Money] `json:"forecast"` // booked, and what is expected from the day on by the newest budget
	Over       fleet.Opt[fleet.Money] `json:"over"`     // Forecast less Budget
	Outside    bool                   `json:"outside"`  // the forecast lies outside P10 to P90
}
