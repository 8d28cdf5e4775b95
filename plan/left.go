package plan

import (
	"fmt"
	"math"

	"rimeyard/internal/fleet"
)

func (m *maker) leftLocked(u *Unit) Left {
	return Left{Unit: u.ID, Depot: u.Depot, Reason: LeftLocked, ChanceStays: readable(newCourse(u).season()), Why: "locked: to be left as it is"}
}

// notWorth says why no work is planned for a unit even if there were room for all.
func (m *maker) notWorth(j *job) Left {
	u := j.unit
	l := Left{Unit: u.ID, Depot: u.Depot, Reason: NotWorth, ChanceStays: readable(j.course.season())}
	switch {
	case len(u.ChanceByWeek) == 0:
		l.Reason, l.Why = NotKnown, "no chance of a failed start is known: read it first"
	case len(j.sets) > 0:
		s, w := j.leastLoss()
		l.Why = fmt.Sprintf("%s would at best avoid %s, in the week of %s, and cost %s", doing(s.parts), m.effect(j, s, w), day(m.monday(w)),
			money(count(m.costs(j.course, s, w))))
	case m.unhelped(u)*l.ChanceStays >= m.rules.LeastChance:
		l.Reason = NothingFit
		l.Why = fmt.Sprintf("a failed start has a chance of %s, but no work that is planned ahead helps against what is suspected: find the fault first", percent(l.ChanceStays))
	default:
		l.Why = fmt.Sprintf("a failed start has a chance of %s in the season, and work would hardly lower it", percent(l.ChanceStays))
	}
	return l
}

// unhelped is the share of the blame that no work takes away.
func (m *maker) unhelped(u *Unit) (share float64) {
	share = 1
	for _, part := range fleet.Suspects() {
		share -= m.rules.Cures[part] * u.Causes[part]
	}
	return share
}

// leastLoss is the set and week that come nearest to saving something.
func (j *job) leastLoss() (best *set, week int) {
	gain := int64(math.MinInt64)
	for i := range j.sets {
		for w, g := range j.sets[i].gains {
			if g > gain {
				best, week, gain = &j.sets[i], w, g
			}
		}
	}
	return best, week
}

// noRoom says why a unit for which work would save something is left.
func (m *maker) noRoom(j *job, y *yard, reason Reason) Left {
	s, w := j.leastLoss()
	gain := s.gains[w]
	l := Left{Unit: j.unit.ID, Depot: j.unit.Depot, Reason: reason, WouldSave: m.tell(gain), ChanceStays: readable(j.course.season())}
	would := fmt.Sprintf("%s in the week of %s would save %s", doing(s.parts), day(m.monday(w)), money(gain))
	if m.noMoney {
		would = fmt.Sprintf("%s in the week of %s would avoid %s", doing(s.parts), day(m.monday(w)), m.effect(j, s, w))
	}
	switch reason {
	case NoStock:
		when := "and nobody has said when they can be had"
		if lead, known := y.depot.LeadWeeks.Get(); known {
			when = fmt.Sprintf("before the week of %s at the earliest", day(m.monday(lead)))
		}
		l.Why = fmt.Sprintf("%s, but its parts are not in stock, or better used elsewhere, %s", would, when)
	case NoBudget:
		l.Why = would + ", but the budget saves more on other units"
	default:
		l.Why = would + ", but every week in which it pays is taken by units that save more"
	}
	return l
}

// noteOver notes what locked visits take beyond a depot's limits.
func (m *maker) noteOver(y *yard, d *DepotPlan) {
	for w, week := range d.Weeks {
		if n, known := week.Capacity.Get(); known && y.used.places[w] > n {
			m.notes = append(m.notes, fmt.Sprintf("%s, week of %s: %s locked, but only %s to be had", y.depot.called(), day(week.Monday), number(y.used.places[w], "visit"), number(n, "slot")))
		}
		if n, known := week.Limit.Get(); known && y.used.minutes[w] > n {
			m.notes = append(m.notes, fmt.Sprintf("%s, week of %s: locked visits take %s of %d", y.depot.called(), day(week.Monday), number(y.used.minutes[w], "minute"), n))
		}
		if tests := byWeek(append([]int{}, y.depot.TestsByWeek...), m.weeks)[w]; week.Tests > tests || (len(y.depot.TestsByWeek) == 0 && week.Tests > 0) {
			m.notes = append(m.notes, fmt.Sprintf("%s, week of %s: %s locked, more than can be tested", y.depot.called(), day(week.Monday), number(week.Tests, "retest")))
		}
	}
	for item, pieces := range y.used.stock {
		if in := y.depot.Stock[y.items[item]]; pieces > in {
			m.notes = append(m.notes, fmt.Sprintf("%s: locked visits take %s of %s before more can come, but %d in stock", y.depot.called(), number(pieces, "piece"), y.items[item], in))
		}
	}
}

func (m *maker) noteBudget(spent fleet.Money) {
	if budget, known := m.in.Budget.Get(); known && spent > budget {
		m.notes = append(m.notes, fmt.Sprintf("locked visits take parts for %s, more than the budget of %s", spent, budget))
	}
}
