package plan

import "rimeyard/internal/fleet"

// Input is all that a plan is made of. The order of depots, units and locked choices means nothing.
type Input struct {
	Monday fleet.Date // of the first week
	Weeks  int        // that are planned, from Monday on; chances may look further ahead
	Depots []Depot
	Units  []Unit
	Locked []Choice
	// Budget is the most that the parts of all visits together may cost. Unknown: no limit.
	Budget fleet.Opt[fleet.Money]
	Rules  Rules // from DefaultRules
}

// Depot is where work is done. A list by week that is shorter than the plan goes on with its last figure. An empty one sets no
// limit, but for TestsByWeek, where it means that nobody tests.
type Depot struct {
	ID             fleet.DepotID
	Name           string         // for sentences; empty: the ID
	CapacityByWeek []int          // visits, each of which puts one unit right
	MinutesByWeek  []int          // of work, summed over the visits
	TestsByWeek    []int          // units that can be tested again, which takes no visit
	Stock          map[string]int // pieces by part number; nil: not counted and no limit, else a number not in it is not there
	// LeadWeeks pass from ordering a part until it is there. Unknown: only what is in stock is planned with.
	LeadWeeks     fleet.Opt[int]
	People        []string               // who do the work; visits are shared out evenly. Empty: nobody is named
	LabourPerHour fleet.Opt[fleet.Money] // unknown: only parts cost something
}

// Unit is what a plan needs to know of a vehicle; all of it stands in fleet.Unit, fleet.Outlook and fleet.Forecast.
type Unit struct {
	ID    fleet.UnitID
	Depot fleet.DepotID
	// ChanceByWeek is the chance of at least one failed start up to and including the Sunday of each week. The first week is that of
	// Input.Monday, the last the season's last. Empty: nothing is known, and the unit is left.
	ChanceByWeek []float64
	// Down says that the unit does not start now. One part is the cause then: put right, it starts, by that part's share of the blame.
	Down bool
	// ChanceIf is the season's chance in five equally likely cases that a test could tell apart. Unknown: no test is proposed.
	ChanceIf    fleet.Opt[[5]float64]
	Causes      map[fleet.Part]float64     // share of each part in the blame, 1 in sum
	NoStartCost fleet.Opt[fleet.Money]     // of one failed start; unknown: the median of the other units
	SwapCosts   map[fleet.Part]fleet.Money // price of the parts that a swap needs; a part not there has no known price
	PartsNeeded map[fleet.Part][]string    // their numbers, one entry per piece
	AgeYears    map[fleet.Part]float64     // of what is fitted; a part not there is of unknown age
}

// Do is what a locked choice says is to be done with a unit.
type Do string

// What can be locked.
const (
	DoVisit  Do = "visit"  // put it right in that week
	DoRetest Do = "retest" // test it in that week, and plan no visit
	DoLeave  Do = "leave"  // neither, in any week of the plan
)

// Choice is what a person has decided, which the plan keeps whatever it costs.
type Choice struct {
	Unit   fleet.UnitID `json:"unit"`
	Do     Do           `json:"do"`
	Monday fleet.Date   `json:"monday"` // of its week; means nothing for DoLeave
	Parts  []fleet.Part `json:"parts"`  // that are worked on in a visit; empty: those for which it pays most
}

// Rules are the figures by which a plan weighs work. See DefaultRules for where they come from.
type Rules struct {
	// Cures is the share of a part's future failed starts that work on it prevents. A part that is not there is never worked on.
	Cures map[fleet.Part]float64
	// NewPartRisk is the chance per week that a part just fitted fails.
	NewPartRisk float64
	// LifeYears is the scale of a part's Weibull life, LifeShape its shape: what life a swap throws away. Without a life the whole price
	// counts.
	LifeYears map[fleet.Part]float64
	LifeShape float64
	// WholePrice counts the whole price of what is swapped, whatever life is left in it and whether or not it would have failed.
	WholePrice bool
	// LeastChance is the least fall in a unit's chance of a failed start for which a part is worked on or a unit is tested.
	LeastChance float64
	// Minutes of work by part, and those to bring a unit in and out again, which works in one visit share.
	Minutes      map[fleet.Part]int
	SetUpMinutes int
	TestMinutes  int
	// TestNoise is the error of a test, one standard deviation, as a share of the doubt about the cold limit before it.
	TestNoise float64
	// KeptShare of what acting at the best time saves must still be saved on the last Monday that SwapBy names.
	KeptShare float64
}
