package ledger

import (
	"cmp"
	"maps"
	"math"
	"slices"

	"rimeyard/internal/fleet"
	"rimeyard/plan"
)

// Coldest is the same budget if one of the hardest winters came: of those that count the tenth, and at least one, in which the fleet's
// failures cost most.
func Coldest(in BudgetInput) (BudgetInput, error) {
	b, err := newBudgeting(in)
	if err != nil {
		return in, err
	}
	costs := make([]float64, len(b.winters))
	order := make([]int, len(b.winters))
	for i := range b.winters {
		order[i] = i
		for _, g := range b.groups {
			costs[i] += g.sums[i][len(b.months)].mean
		}
	}
	slices.SortStableFunc(order, func(a, c int) int { return cmp.Compare(costs[c], costs[a]) })
	const tenth = 0.1
	in.Winters = nil
	for _, i := range order[:int(math.Ceil(tenth*float64(len(order))))] {
		in.Winters = append(in.Winters, b.winters[i])
	}
	slices.Sort(in.Winters)
	return in, nil
}

// Waiting is the same budget if nothing were swapped by plan, and everything that fails were left to fail.
func Waiting(in BudgetInput) BudgetInput {
	in.Planned = nil
	return in
}

// Buying is the same budget if another part were bought in the place of one. Its price is that of the price list.
func Buying(in BudgetInput, other, inPlaceOf string) BudgetInput {
	in.Instead = maps.Clone(in.Instead)
	if in.Instead == nil {
		in.Instead = map[string]string{}
	}
	in.Instead[inPlaceOf] = other
	return in
}

// MoreVisits is the input of a plan with so many visits a week more in each depot, shared out evenly by capacity, where the fleet has them
// in all; [PlannedBy] turns the plan into a budget's work. A depot whose visits are not limited has no use for more.
func MoreVisits(in plan.Input, more int) plan.Input {
	in.Depots = slices.Clone(in.Depots)
	slices.SortFunc(in.Depots, func(a, b plan.Depot) int { return cmp.Compare(a.ID, b.ID) })
	var limited []int
	var weights []int64
	for i, d := range in.Depots {
		if len(d.CapacityByWeek) > 0 {
			limited = append(limited, i)
			weights = append(weights, int64(d.CapacityByWeek[0]))
		}
	}
	for k, share := range Split(fleet.Money(more), weights) {
		d := &in.Depots[limited[k]]
		d.CapacityByWeek = slices.Clone(d.CapacityByWeek)
		for w := range d.CapacityByWeek {
			d.CapacityByWeek[w] = max(0, d.CapacityByWeek[w]+int(share))
		}
		if minutes := (in.Rules.SetUpMinutes + in.Rules.Minutes[fleet.BatteryPart]) * int(share); len(d.MinutesByWeek) > 0 {
			d.MinutesByWeek = slices.Clone(d.MinutesByWeek)
			for w := range d.MinutesByWeek {
				d.MinutesByWeek[w] = max(0, d.MinutesByWeek[w]+minutes)
			}
		}
	}
	return in
}

// PlannedBy is what a plan spends by its weeks: labour here, as parts are priced by the budget's lists. A depot that is not in
// labourPerHour has no known rate, and its labour is not counted.
func PlannedBy(p plan.Plan, labourPerHour map[fleet.DepotID]fleet.Money) (all []Planned) {
	for _, d := range p.Depots {
		rate, known := labourPerHour[d.Depot]
		for _, w := range d.Weeks {
			for _, v := range w.Visits {
				one := Planned{Unit: v.Unit, On: w.Monday}
				for _, work := range v.Works {
					one.Parts = append(one.Parts, work.Part)
				}
				if known {
					one.Cost = fleet.Known(perHour(rate, v.Minutes))
				}
				all = append(all, one)
			}
		}
	}
	return all
}
