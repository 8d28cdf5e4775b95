package reports

import (
	"context"
	"slices"
	"time"

	"rimeyard/internal/fleet"
	"rimeyard/plan"
)

// PlanSource is where all that a plan is made of is kept.
type PlanSource interface {
	LatestIssue(ctx context.Context) (fleet.Issue, error)
	Listed(ctx context.Context, issue int64, filter fleet.ListFilter) ([]fleet.Listed, error)
	Depots(ctx context.Context) ([]fleet.Depot, error)
	DepotWeeks(ctx context.Context, of []fleet.DepotID, from fleet.Date) ([]fleet.DepotWeek, error)
	PlanChoices(ctx context.Context, of []fleet.DepotID) ([]fleet.PlanChoice, error)
	Shelves(ctx context.Context, of []fleet.DepotID) ([]fleet.Shelf, error)
	People(ctx context.Context) ([]fleet.Person, error)
	OwnFigures(ctx context.Context) (fleet.OwnFigures, error)
	AnewCounts(ctx context.Context, issue int64, of []fleet.DepotID) (map[fleet.DepotID]fleet.AnewCount, error)
}

// leadWeeks is how long a part takes to come where nobody has said (common practice, no source).
const leadWeeks = 1

// testsPerVisit is how many units a depot can test in the time of one visit; TestMinutes and SetUpMinutes of the default rules say as much.
const testsPerVisit = 6

// PlanMonday is the first week that can still be planned: at the weekend the coming one.
func PlanMonday(today fleet.Date) fleet.Date {
	const weekend = 2 // days
	return (today + weekend).Monday()
}

// planFrame is all that plans are made of but the units.
type planFrame struct {
	issue   fleet.Issue
	monday  fleet.Date
	weeks   int
	depots  []fleet.Depot
	planned []plan.Depot // the same, as the planner sees them
	choices []fleet.PlanChoice
	shelves []fleet.Shelf
	own     fleet.OwnFigures
	anew    map[fleet.DepotID]fleet.AnewCount
}

func (f *planFrame) input(depots []plan.Depot, choices []fleet.PlanChoice) plan.Input {
	in := plan.Input{Monday: f.monday, Weeks: f.weeks, Depots: depots, Rules: plan.DefaultRules()}
	for _, c := range choices {
		in.Locked = append(in.Locked, locked(c))
	}
	return in
}

func (f *planFrame) units(ctx context.Context, from PlanSource, of []fleet.DepotID) ([]plan.Unit, error) {
	listed, err := from.Listed(ctx, f.issue.ID, fleet.ListFilter{Depots: of})
	units := make([]plan.Unit, len(listed))
	for i, l := range listed {
		judged := f.issue.AsOf
		if l.Anew != nil {
			judged = l.Anew.AsOf
		}
		units[i] = planUnit(l.Now(), int(f.monday-judged.Monday())/7) // weeks that have gone by since it was judged
	}
	return units, err
}

// blamed is the blame that work can be planned by. Of a unit that nobody has read it is only what its kind has on average: a battery or a
// starter may be renewed by that, but nobody is sent to clean cables that may be bright, or to charge what may be full. A test comes first.
func blamed(f fleet.Forecast) map[fleet.Part]float64 {
	if f.Band != fleet.UnknownBand {
		return f.SuspectProbabilities
	}
	known := map[fleet.Part]float64{}
	for _, part := range []fleet.Part{fleet.BatteryPart, fleet.StarterPart} {
		known[part] = f.SuspectProbabilities[part]
	}
	return known
}

// planUnit takes from a line of the list what the planner needs. What may have happened before this week is behind.
func planUnit(l fleet.Listed, skip int) plan.Unit {
	u := plan.Unit{ID: l.Forecast.Unit, Depot: l.Forecast.Depot, Down: l.Forecast.Band == fleet.Down, Causes: blamed(l.Forecast)}
	o := l.Outlook
	if o == nil || skip >= len(o.ChanceByWeek) {
		return u
	}
	u.ChanceByWeek = slices.Clone(o.ChanceByWeek[max(0, skip):])
	if skip > 0 && !u.Down { // one that is down has not got through the weeks that went by: it waits for its work
		if gone := o.ChanceByWeek[skip-1]; gone < 1 { // nor has one of which that is as certain
			for i, p := range u.ChanceByWeek {
				u.ChanceByWeek[i] = max(0, (p-gone)/(1-gone))
			}
		}
	}
	u.ChanceIf, u.NoStartCost, u.SwapCosts = fleet.Known(o.ChanceIf), o.NoStartCost, o.SwapCosts
	u.PartsNeeded, u.AgeYears = o.Fitted, o.AgeYears
	return u
}

func locked(c fleet.PlanChoice) plan.Choice {
	monday, planned := c.Monday.Get()
	out := plan.Choice{Unit: c.Unit, Do: plan.DoVisit, Monday: monday, Parts: c.Parts}
	switch {
	case !planned:
		out.Do = plan.DoLeave
	case c.Retest:
		out.Do = plan.DoRetest
	}
	return out
}

// gatherFrame brings together what plans of the depots (nil: all) are made of, but for the units: from the week of today to the end of the
// newest list's season. fleet.ErrNoIssue: no list was issued yet.
func gatherFrame(ctx context.Context, from PlanSource, of []fleet.DepotID, today fleet.Date) (f planFrame, err error) {
	if f.issue, err = from.LatestIssue(ctx); err != nil {
		return f, err
	}
	f.monday = PlanMonday(today)
	f.weeks = max(1, int(f.issue.Season.To.Monday()-f.monday)/7+1)
	all, err := from.Depots(ctx)
	if err != nil {
		return f, err
	}
	f.depots = slices.DeleteFunc(all, func(d fleet.Depot) bool { return of != nil && !slices.Contains(of, d.ID) })
	weeks, err := from.DepotWeeks(ctx, of, f.monday)
	if err != nil {
		return f, err
	}
	if f.anew, err = from.AnewCounts(ctx, f.issue.ID, of); err != nil {
		return f, err
	}
	if f.own, err = from.OwnFigures(ctx); err != nil {
		return f, err
	}
	if f.shelves, err = from.Shelves(ctx, of); err != nil {
		return f, err
	}
	people, err := from.People(ctx)
	if err != nil {
		return f, err
	}
	choices, err := from.PlanChoices(ctx, of)
	if err != nil {
		return f, err
	}
	for _, c := range choices {
		if f.holds(c) {
			f.choices = append(f.choices, c)
		}
	}
	for _, d := range f.depots {
		f.planned = append(f.planned, f.planDepot(d, weeks, people))
	}
	return f, nil
}

// holds tells whether a choice still speaks of weeks to come. One that lapsed only last week does, so that the plan says it was not kept;
// to leave a unit is meant for one season.
func (f *planFrame) holds(c fleet.PlanChoice) bool {
	monday, planned := c.Monday.Get()
	if !planned {
		return fleet.DateOf(c.At, time.UTC) > f.issue.Season.To.AddMonths(-12)
	}
	return monday >= f.monday-7
}

func (f *planFrame) planDepot(d fleet.Depot, other []fleet.DepotWeek, people []fleet.Person) plan.Depot {
	p := plan.Depot{ID: d.ID, Name: d.Name, LeadWeeks: fleet.Known(f.own.LeadWeeks.Or(leadWeeks)), People: Mechanics(people, d.ID), LabourPerHour: fleet.AmountOn(f.own.LabourPerHour, f.monday)}
	if usual, known := d.SwapsPerWeek.Get(); known {
		p.CapacityByWeek, p.TestsByWeek = slices.Repeat([]int{usual}, f.weeks), []int{testsPerVisit * max(1, usual)}
	} else {
		p.TestsByWeek = []int{testsPerVisit}
	}
	for _, w := range other {
		if week := int(w.Monday-f.monday) / 7; w.Depot == d.ID && week < f.weeks && p.CapacityByWeek != nil {
			p.CapacityByWeek[week] = w.Visits
		}
	}
	for _, s := range f.shelves {
		if s.Depot == d.ID {
			if p.Stock == nil {
				p.Stock = map[string]int{}
			}
			p.Stock[s.Part] = max(0, s.OnHand)
		}
	}
	return p
}

// Mechanics are those who may be given work at a depot.
func Mechanics(people []fleet.Person, depot fleet.DepotID) (names []string) {
	for _, p := range people {
		if p.Role == fleet.Mechanic && !p.Disabled && p.MaySee(depot) {
			names = append(names, p.Name)
		}
	}
	return names
}

// WorkWords says what is done to a part: swap the battery.
func WorkWords(w plan.Work) string {
	switch w.Kind {
	case plan.SwapPart:
		return "swap the " + string(w.Part)
	case plan.Clean:
		return "clean and tighten the cables"
	case plan.ChargeCheck:
		return "charge the battery, check the charging"
	}
	return "find the fault: " + string(w.Part)
}
