package plan

import "rimeyard/internal/fleet"

// Method names the way in which plans are made: one that was kept by another is made anew.
const Method = "whole cents"

// Plan says what is done when, and what it is worth. Everything is in a fixed order: depots and units by key, weeks by date.
// Its JSON is how it is kept.
type Plan struct {
	Monday       fleet.Date    `json:"monday"`
	WeekCount    int           `json:"weeks"`
	Depots       []DepotPlan   `json:"depots"`
	Left         []Left        `json:"left"`    // units that are neither visited nor tested
	Retests      []Retest      `json:"retests"` // by depot, week and unit
	MissingParts []MissingPart `json:"missing_parts"`
	Worth
	// Why says in a few sentences what the plan comes to and how sure it is that none is better.
	Why []string `json:"why"`
	// Notes say what a person should know of the input: limits that locked choices break, choices outside the plan's weeks.
	Notes []string `json:"notes"`
}

// Worth is what visits save: the expected loss that they avoid, less what they cost. Money is unknown where no unit's failed start
// has a known cost; then the plan avoids as many failed starts as it can.
type Worth struct {
	Saved   fleet.Opt[fleet.Money] `json:"saved"`   // Avoided − Costs
	Avoided fleet.Opt[fleet.Money] `json:"avoided"` // expected loss
	Costs   fleet.Opt[fleet.Money] `json:"costs"`   // expected: life thrown away in parts, labour
	Spent   fleet.Money            `json:"spent"`   // full price of the parts, as far as it is known
	// SavedStarts is the number of failed starts that are expected to be avoided.
	SavedStarts float64 `json:"saved_starts"`
	// Bound is what no plan within the limits, and with the same retests and locked choices, can exceed: in money, or where no money is
	// known in starts. Exact: the plan reaches it.
	Bound       fleet.Opt[fleet.Money] `json:"bound"`
	BoundStarts fleet.Opt[float64]     `json:"bound_starts"`
	Exact       bool                   `json:"exact"`
}

// DepotPlan is one depot's share of the plan. Under a budget, which depots share, only the whole plan has a bound.
type DepotPlan struct {
	Depot fleet.DepotID `json:"depot"`
	Weeks []Week        `json:"weeks"` // all of the plan's
	Worth
	// OneMore is what one more visit in every week would save beyond this, at least: in money, or where no money is known in starts.
	// Under a budget the other depots' visits stay. Unknown where visits are not limited.
	OneMore       fleet.Opt[fleet.Money] `json:"one_more"`
	OneMoreStarts fleet.Opt[float64]     `json:"one_more_starts"`
	Why           []string               `json:"why"`
}

// Week is what one depot does in one week.
type Week struct {
	Monday   fleet.Date     `json:"monday"`
	Capacity fleet.Opt[int] `json:"capacity"` // visits; unknown: no limit
	Minutes  int            `json:"minutes"`  // of work planned
	Limit    fleet.Opt[int] `json:"limit"`    // of minutes
	Visits   []Visit        `json:"visits"`   // by what they save, highest first
	Tests    int            `json:"tests"`    // planned, see Plan.Retests
	Over     bool           `json:"over"`     // locked choices take more than there is
	Why      string         `json:"why"`
}

// Visit puts one unit right.
type Visit struct {
	Unit        fleet.UnitID           `json:"unit"`
	Works       []Work                 `json:"works"`
	Who         string                 `json:"who"` // empty: nobody is named
	Minutes     int                    `json:"minutes"`
	Saves       fleet.Opt[fleet.Money] `json:"saves"`        // Avoids − Costs; below zero only if locked
	Avoids      fleet.Opt[fleet.Money] `json:"avoids"`       // expected loss
	Costs       fleet.Opt[fleet.Money] `json:"costs"`        // expected: life thrown away in parts, labour
	ChanceFalls float64                `json:"chance_falls"` // of a failed start in the season, by so much
	Locked      bool                   `json:"locked"`
	Why         string                 `json:"why"`
}

// Kind is what is done to a part.
type Kind string

// The kinds of work in a visit.
const (
	SwapPart    Kind = "swap"         // battery or starter
	Clean       Kind = "clean"        // cables: clean, tighten, renew what is corroded
	ChargeCheck Kind = "charge_check" // charge the battery fully, and check what charges it
	Check       Kind = "check"        // find the fault; no part is known beforehand
)

// Work is what is done to one part in a visit.
type Work struct {
	Kind        Kind                   `json:"kind"`
	Part        fleet.Part             `json:"part"`
	PartNumbers []string               `json:"part_numbers"` // that it takes, one entry per piece
	Price       fleet.Opt[fleet.Money] `json:"price"`        // of the parts; unknown: counted as nothing, and said so
}

// Reason is why a unit is not planned, for pages to sort by.
type Reason string

// The reasons.
const (
	NotWorth   Reason = "not_worth"   // no work saves more than it costs
	NoSlot     Reason = "no_slot"     // the weeks are taken by units that save more
	NoStock    Reason = "no_stock"    // the parts are not there in time
	NoBudget   Reason = "no_budget"   // the money saves more on other units
	NothingFit Reason = "nothing_fit" // no known work helps against what is suspected
	NotKnown   Reason = "not_known"   // no chance is known
	LeftLocked Reason = "locked"      // a person has said so
)

// Left is a unit that the plan does not touch.
type Left struct {
	Unit        fleet.UnitID           `json:"unit"`
	Depot       fleet.DepotID          `json:"depot"`
	Reason      Reason                 `json:"reason"`
	WouldSave   fleet.Opt[fleet.Money] `json:"would_save"`   // at its best time, if there were room; unknown: nothing to be saved
	ChanceStays float64                `json:"chance_stays"` // of a failed start in the season
	Why         string                 `json:"why"`
}

// Retest is a unit of which a test is worth more than acting now, or than leaving it alone.
type Retest struct {
	Unit   fleet.UnitID  `json:"unit"`
	Depot  fleet.DepotID `json:"depot"`
	Monday fleet.Date    `json:"monday"`
	// Worth is the expected value of what the test tells, less its cost: over the better of acting now and leaving.
	Worth  fleet.Opt[fleet.Money] `json:"worth"`
	ActIf  float64                `json:"act_if"` // chance that the test will say: act
	Locked bool                   `json:"locked"`
	Why    string                 `json:"why"`
}

// MissingPart is what stock would be short of if the plan were made as if every part were there.
type MissingPart struct {
	Depot      fleet.DepotID         `json:"depot"`
	PartNumber string                `json:"part_number"`
	Pieces     int                   `json:"pieces"`
	NeededBy   fleet.Date            `json:"needed_by"` // Monday of the week in which stock first runs out
	OrderBy    fleet.Opt[fleet.Date] `json:"order_by"`  // NeededBy less the weeks until delivery; may lie before the plan
}
