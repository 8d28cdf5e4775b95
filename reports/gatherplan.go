package reports

import (
	"context"
	"fmt"
	"slices"

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
}

// leadWeeks is how long a part takes to come where nobody has said (common practice, no source).
const leadWeeks = 1

// testsPerVisit is how many units a depot can test in the time of one visit; TestMinutes and SetUpMinutes of the default rules say as much.
const testsPerVisit = 6

// GatherPlan brings together what a plan of the depots (nil: all) is made of, from the week of today to the end of the newest list's season.
// fleet.ErrNoIssue: no list was issued yet.
func GatherPlan(ctx context.Context, from PlanSource, of []fleet.DepotID, today fleet.Date) (plan.Input, fleet.Issue, error) {
	issue, err := from.LatestIssue(ctx)
	if err != nil {
		return plan.Input{}, issue, err
	}
	in := plan.Input{Monday: today.Monday(), Rules: plan.DefaultRules()}
	in.Weeks = max(1, int(issue.Season.To.Monday()-in.Monday)/7+1)
	listed, err := from.Listed(ctx, issue.ID, fleet.ListFilter{Depots: of})
	if err != nil {
		return in, issue, err
	}
	skip := int(in.Monday-issue.AsOf.Monday()) / 7 // weeks that have gone by since the list
	for _, l := range listed {
		in.Units = append(in.Units, planUnit(l, skip))
	}
	if in.Depots, err = planDepots(ctx, from, of, in.Monday, in.Weeks); err != nil {
		return in, issue, err
	}
	choices, err := from.PlanChoices(ctx, of)
	for _, c := range choices {
		in.Locked = append(in.Locked, locked(c))
	}
	return in, issue, err
}

// planUnit takes from a line of the list what the planner needs. What may have happened before this week is behind.
func planUnit(l fleet.Listed, skip int) plan.Unit {
	u := plan.Unit{ID: l.Forecast.Unit, Depot: l.Forecast.Depot, Causes: l.Forecast.SuspectProbabilities}
	o := l.Outlook
	if o == nil || skip >= len(o.ChanceByWeek) {
		return u
	}
	u.ChanceByWeek = slices.Clone(o.ChanceByWeek[max(0, skip):])
	if skip > 0 {
		gone := o.ChanceByWeek[skip-1]
		for i, p := range u.ChanceByWeek {
			u.ChanceByWeek[i] = max(0, (p-gone)/(1-gone))
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

func planDepots(ctx context.Context, from PlanSource, of []fleet.DepotID, monday fleet.Date, weeks int) ([]plan.Depot, error) {
	all, err := from.Depots(ctx)
	if err != nil {
		return nil, err
	}
	other, err := from.DepotWeeks(ctx, of, monday)
	if err != nil {
		return nil, err
	}
	shelves, err := from.Shelves(ctx, of)
	if err != nil {
		return nil, err
	}
	people, err := from.People(ctx)
	if err != nil {
		return nil, err
	}
	var depots []plan.Depot
	for _, d := range all {
		if of != nil && !slices.Contains(of, d.ID) {
			continue
		}
		p := plan.Depot{ID: d.ID, Name: d.Name, LeadWeeks: fleet.Known(leadWeeks), People: mechanics(people, d.ID)}
		if usual, known := d.SwapsPerWeek.Get(); known {
			p.CapacityByWeek, p.TestsByWeek = slices.Repeat([]int{usual}, weeks), []int{testsPerVisit * max(1, usual)}
		} else {
			p.TestsByWeek = []int{testsPerVisit}
		}
		for _, w := range other {
			if week := int(w.Monday-monday) / 7; w.Depot == d.ID && week < weeks && p.CapacityByWeek != nil {
				p.CapacityByWeek[week] = w.Visits
			}
		}
		for _, s := range shelves {
			if s.Depot == d.ID {
				if p.Stock == nil {
					p.Stock = map[string]int{}
				}
				p.Stock[s.Part] = max(0, s.OnHand)
			}
		}
		depots = append(depots, p)
	}
	return depots, nil
}

// mechanics are those who may be given work at a depot.
func mechanics(people []fleet.Person, depot fleet.DepotID) (names []string) {
	for _, p := range people {
		if p.Role == fleet.Mechanic && !p.Disabled && (p.AllDepots || slices.Contains(p.Depots, depot)) {
			names = append(names, p.Name)
		}
	}
	return names
}

// PlanOf makes the plan of the depots (nil: all) as things stand today.
func PlanOf(ctx context.Context, from PlanSource, of []fleet.DepotID, today fleet.Date) (plan.Plan, fleet.Issue, error) {
	in, issue, err := GatherPlan(ctx, from, of, today)
	if err != nil {
		return plan.Plan{}, issue, err
	}
	p, err := plan.Make(in)
	if err != nil {
		return plan.Plan{}, issue, fmt.Errorf("plan from %s: %w", in.Monday, err)
	}
	return p, issue, nil
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
