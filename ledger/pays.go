package ledger

import "rimeyard/internal/fleet"

// Policy is what can be done with a unit.
type Policy string

// The policies.
const (
	SwapNow      Policy = "now"
	SwapBest     Policy = "best_week"
	RunToFailure Policy = "run_to_failure"
)

// PolicyCost is what a policy costs over the season: failed starts, labour, and the life of parts that is thrown away.
type PolicyCost struct {
	Policy   Policy                `json:"policy"`
	Monday   fleet.Opt[fleet.Date] `json:"monday"`   // of the swap; unknown: none
	Expected fleet.Money           `json:"expected"` // mean over past winters
	Mild     fleet.Money           `json:"mild"`     // P10 over past winters: one winter in ten costs less
	Hard     fleet.Money           `json:"hard"`     // P90
}

// UnitPays tells for one unit whether a swap pays.
type UnitPays struct {
	Unit       fleet.UnitID  `json:"unit"`
	Depot      fleet.DepotID `json:"depot"`
	CostCentre string        `json:"cost_centre"`
	Parts      []fleet.Part  `json:"parts"` // worked on; empty: no work pays, and all policies are to leave it
	Now        PolicyCost    `json:"now"`
	Best       PolicyCost    `json:"best"`
	Run        PolicyCost    `json:"run"`
	Saves      fleet.Money   `json:"saves"`      // Run less Best, expected
	SavesMild  fleet.Money   `json:"saves_mild"` // P10 and P90 over past winters
	SavesHard  fleet.Money   `json:"saves_hard"`
	Cheapest   Policy        `json:"cheapest"`
}

// FleetPays is the sum over units.
type FleetPays struct {
	Units    []UnitPays  `json:"units"` // what saves most first
	Now      PolicyCost  `json:"now"`   // all units that work helps, at once
	Best     PolicyCost  `json:"best"`  // each at its best time, as if there were room for all
	Run      PolicyCost  `json:"run"`
	Saves    fleet.Money `json:"saves"`
	SavesLow fleet.Money `json:"saves_p10"` // over winters and luck
	SavesTop fleet.Money `json:"saves_p90"`
	Unpriced int         `json:"unpriced"` // units without a cost of a failed start or without a price: left out
	Unknown  int         `json:"unknown"`  // units whose chance is not known: left out
}

// BestAge is when to replace a part by age.
type BestAge struct {
	AgeYears     fleet.Opt[float64] `json:"age_years"`      // unknown: never by age, as the part does not wear out or a failure is no dearer
	PerYear      fleet.Money        `json:"per_year"`       // of one place, in the long run, by that rule
	RunToFailure fleet.Money        `json:"run_to_failure"` // per year
	Block        fleet.Opt[float64] `json:"block_years"`    // best interval for all at once, whatever their age
	BlockPerYear fleet.Money        `json:"block_per_year"` // never less than PerYear
	Saves        float64            `json:"saves_share"`    // of what run to failure costs
	Low          fleet.Opt[float64] `json:"age_years_low"`  // 80 % interval of the best age, from what is not known of the life
	High         fleet.Opt[float64] `json:"age_years_high"` // unknown: not bounded
}

// ServiceCost is what a part has cost by the time it served, those still in service included as such.
type ServiceCost struct {
	Part      string                 `json:"part"` // empty: all parts of the chemistry
	Kind      fleet.Part             `json:"kind"`
	Chemistry fleet.Chemistry        `json:"chemistry"` // empty: a starter
	Fitted    int                    `json:"fitted"`
	Undated   int                    `json:"undated"` // of those, left out because the day of fitting is not known
	Failed    int                    `json:"failed"`
	Months    float64                `json:"months"`     // of service seen
	MeanPrice fleet.Opt[fleet.Money] `json:"mean_price"` // of those with a price
	LifeYears float64                `json:"life_years"` // mean life, by a Weibull fit with what is in service censored
	LifeLow   float64                `json:"life_years_low"`
	LifeHigh  float64                `json:"life_years_high"`
	// PerMonth is (price + cost of a failure) ÷ mean life: what one place costs per month in the long run if parts are run to failure, before
	// warranty credits. 80 % interval, of what is not known of the life.
	PerMonth fleet.Opt[fleet.Money] `json:"per_month"`
	Low      fleet.Opt[fleet.Money] `json:"per_month_low"`
	High     fleet.Opt[fleet.Money] `json:"per_month_high"`
	// Seen is the same by the product-limit curve up to SeenYears instead of the fit: (price + share failed × cost of a failure) ÷ time served.
	Seen      fleet.Opt[fleet.Money] `json:"per_month_seen"`
	SeenYears float64                `json:"seen_years"`
	PerStart  fleet.Opt[float64]     `json:"per_start"` // in whole currency, as it is far below a cent; unknown: starts are not recorded
	TooFew    bool                   `json:"too_few"`   // fewer than five failures: the interval rests on what is usual
}

// AuditMoney is what an order of units would have saved, as the audit of a season says.
type AuditMoney struct {
	Name  string
	Saved fleet.Money
	// Low and High are the ends of the 95 % interval of what the list would have saved more than this order, judged on the same units.
	Low, High fleet.Opt[fleet.Money]
}

// AgainstRule is what the list saved more than a rule that was used before.
type AgainstRule struct {
	Rule  string                 `json:"rule"`
	More  fleet.Money            `json:"more"`
	Low   fleet.Opt[fleet.Money] `json:"low"` // 95 %, of the difference
	High  fleet.Opt[fleet.Money] `json:"high"`
	Clear bool                   `json:"clear"` // the interval does not hold 0
}
