package plan

import (
	"cmp"
	"math"
	"slices"

	"rimeyard/internal/fleet"
)

// tell is an amount of worth as money, unknown where no failed start has a cost.
func (a *appraiser) tell(worth int64) fleet.Opt[fleet.Money] {
	if a.noMoney {
		return fleet.Opt[fleet.Money]{}
	}
	return fleet.Known(money(worth))
}

// starts is an amount of worth as failed starts, known where tell is not.
func (a *appraiser) starts(worth int64) fleet.Opt[float64] {
	if !a.noMoney {
		return fleet.Opt[float64]{}
	}
	return fleet.Known(readable(float64(worth) / perCoin / startIsWorth))
}

// readable keeps six decimals, so that the last bit of a sum never shows.
func readable(x float64) float64 { return math.Round(x*1e6) / 1e6 }

// sums are what visits come to, locked ones included.
type sums struct {
	avoided, saved int64
	spent          fleet.Money
	starts         float64
}

func (s *sums) add(o sums) {
	s.avoided, s.saved, s.spent, s.starts = s.avoided+o.avoided, s.saved+o.saved, s.spent+o.spent, s.starts+o.starts
}

// worth of visits, and of the locked among them, with what is proven of the others.
func (m *maker) worth(s sums, free, bound int64) Worth {
	w := Worth{
		Saved: m.tell(s.saved), Avoided: m.tell(s.avoided), Spent: s.spent, SavedStarts: readable(s.starts),
		Bound: m.tell(s.saved - free + bound), BoundStarts: m.starts(s.saved - free + bound), Exact: free == bound,
	}
	if !m.noMoney {
		w.Costs = fleet.Known(w.Avoided.Or(0) - w.Saved.Or(0))
	}
	return w
}

func (m *maker) write() Plan {
	p := Plan{Monday: m.in.Monday, WeekCount: m.weeks, Depots: []DepotPlan{}, Left: append([]Left{}, m.losers...), Retests: []Retest{}, MissingParts: []MissingPart{}, Notes: m.notes}
	var all sums
	for i, y := range m.yards {
		d, s := m.depotPlan(i)
		all.add(s)
		more := m.withMore(i)
		missing, extra := m.missing(i)
		if y.limited() {
			d.OneMore, d.OneMoreStarts = m.tell(more), m.starts(more)
		}
		d.Why = m.whyDepot(y, &d, len(m.tests[i]), len(missing), extra)
		p.Depots = append(p.Depots, d)
		p.MissingParts = append(p.MissingParts, missing...)
		p.Left = append(p.Left, m.leftOver(i)...)
		p.Retests = append(p.Retests, m.retests(i)...)
		m.noteOver(y, &d)
	}
	slices.SortFunc(p.Left, func(a, b Left) int { return cmp.Compare(a.Unit, b.Unit) })
	free, bound := int64(0), int64(0)
	for i := range m.found {
		free, bound = free+m.found[i].value, bound+m.found[i].bound
	}
	p.Worth = m.worth(all, free, bound)
	m.noteBudget(all.spent)
	p.Why, p.Notes = m.whyPlan(&p), append([]string{}, m.notes...)
	return p
}

func (m *maker) depotPlan(i int) (DepotPlan, sums) {
	y := m.yards[i]
	d := DepotPlan{Depot: y.depot.ID}
	picks, _, _ := m.part(i)
	visits := make([][]Visit, m.weeks)
	var all sums
	for _, f := range m.forced[i] {
		v, s := m.visit(&f.job, y.depot, &f.job.sets[0], f.week, true)
		visits[f.week] = append(visits[f.week], v)
		all.add(s)
	}
	free := int64(0)
	for k, p := range picks {
		if p.week == nowhere {
			continue
		}
		set := &y.jobs[k].sets[p.set]
		v, s := m.visit(&y.jobs[k], y.depot, set, p.week, false)
		visits[p.week] = append(visits[p.week], v)
		free += set.gains[p.week]
		all.add(s)
	}
	capacity, minutes := byWeek(y.depot.CapacityByWeek, m.weeks), byWeek(y.depot.MinutesByWeek, m.weeks)
	for w, inWeek := range visits {
		week := Week{Monday: m.monday(w), Capacity: limitOf(capacity[w]), Limit: limitOf(minutes[w]), Visits: m.shareOut(inWeek, y.depot.People)}
		for _, v := range inWeek {
			week.Minutes += v.Minutes
		}
		for _, t := range m.tests[i] {
			if t.week == w {
				week.Tests++
			}
		}
		week.Over = len(inWeek) > capacity[w] || week.Minutes > minutes[w]
		week.Why = m.whyWeek(y.depot, &week)
		d.Weeks = append(d.Weeks, week)
	}
	if m.in.Budget.IsKnown() {
		d.Worth = m.worth(all, 0, 0)
		d.Bound, d.BoundStarts, d.Exact = fleet.Opt[fleet.Money]{}, fleet.Opt[float64]{}, m.found[0].exact()
	} else {
		d.Worth = m.worth(all, free, m.found[i].bound)
	}
	return d, all
}

func limitOf(n int) fleet.Opt[int] {
	if n >= noLimit {
		return fleet.Opt[int]{}
	}
	return fleet.Known(n)
}

func (m *maker) monday(w int) fleet.Date { return m.in.Monday + fleet.Date(7*w) }

// kinds of work by part.
var kinds = map[fleet.Part]Kind{
	fleet.BatteryPart: SwapPart, fleet.StarterPart: SwapPart, fleet.CablePart: Clean, fleet.ChargingPart: ChargeCheck, fleet.ControlPart: Check,
}

func (m *maker) visit(j *job, d *Depot, s *set, w int, locked bool) (Visit, sums) {
	one := sums{avoided: count(m.avoids(j.course, j.loss, s, w)), saved: s.gains[w], spent: s.spent, starts: m.avoids(j.course, 1, s, w)}
	v := Visit{
		Unit: j.unit.ID, Minutes: s.minutes, Saves: m.tell(one.saved), Avoids: m.tell(one.avoided), ChanceFalls: readable(one.starts), Locked: locked,
	}
	if !m.noMoney {
		v.Costs = fleet.Known(v.Avoids.Or(0) - v.Saves.Or(0))
	}
	for _, part := range s.parts {
		work := Work{Kind: kinds[part], Part: part, PartNumbers: []string{}}
		if isSwapped(part) {
			work.PartNumbers = append(work.PartNumbers, j.unit.PartsNeeded[part]...)
		}
		if price, known := j.unit.SwapCosts[part]; known {
			work.Price = fleet.Known(price)
		}
		v.Works = append(v.Works, work)
	}
	v.Why = m.whyVisit(j, d, s, w, &v)
	return v, one
}

// shareOut gives each visit to whoever has the fewest minutes so far, long visits first, and puts what saves most first.
func (m *maker) shareOut(visits []Visit, people []string) []Visit {
	if len(people) > 0 {
		slices.SortFunc(visits, func(a, b Visit) int { return cmp.Or(cmp.Compare(b.Minutes, a.Minutes), cmp.Compare(a.Unit, b.Unit)) })
		minutes := make([]int, len(people))
		for i := range visits {
			least := slices.Index(minutes, slices.Min(minutes))
			visits[i].Who = people[least]
			minutes[least] += visits[i].Minutes
		}
	}
	slices.SortFunc(visits, func(a, b Visit) int {
		return cmp.Or(cmp.Compare(b.Saves.Or(0), a.Saves.Or(0)), cmp.Compare(b.ChanceFalls, a.ChanceFalls), cmp.Compare(a.Unit, b.Unit))
	})
	return append([]Visit{}, visits...)
}

// leftOver are the jobs that found no room.
func (m *maker) leftOver(i int) (left []Left) {
	y := m.yards[i]
	picks, _, _ := m.part(i)
	_, used := y.tally(picks)
	budget := fleet.Money(noLimit)
	if m.in.Budget.IsKnown() {
		budget = m.budgetOf(i)
	}
	for k, p := range picks {
		if p.week == nowhere {
			left = append(left, m.noRoom(&y.jobs[k], y, y.reason(&y.jobs[k], &used, budget)))
		}
	}
	return left
}

// reason why a job found no room: what the first set and week that would fit but for one limit are short of.
func (y *yard) reason(j *job, used *usage, budget fleet.Money) Reason {
	reason := NoSlot
	for i := range j.sets {
		s := &j.sets[i]
		for w, g := range s.gains {
			if g <= 0 || used.places[w] >= y.places[w] || used.minutes[w]+s.minutes > y.minutes[w] {
				continue
			}
			switch {
			case w >= y.soon || y.inStock(used, s):
				return NoBudget
			case used.spent+s.spent <= budget:
				reason = NoStock
			}
		}
	}
	return reason
}

// budgetOf is what a yard may spend while the others spend what they do.
func (m *maker) budgetOf(i int) fleet.Money {
	if !m.in.Budget.IsKnown() {
		return noLimit
	}
	left := m.problems[0].budget
	for k, y := range m.yards {
		if picks, _, _ := m.part(k); k != i {
			_, u := y.tally(picks)
			left -= u.spent
		}
	}
	return left
}

func (m *maker) retests(i int) []Retest {
	all := make([]Retest, 0, len(m.tests[i]))
	slices.SortFunc(m.tests[i], func(a, b retest) int {
		return cmp.Or(cmp.Compare(a.week, b.week), cmp.Compare(a.unit.ID, b.unit.ID))
	})
	for _, t := range m.tests[i] {
		r := Retest{Unit: t.unit.ID, Depot: t.unit.Depot, Monday: m.monday(t.week), ActIf: readable(t.actIf), Locked: t.locked, Why: m.whyRetest(&t)}
		if !t.locked && !m.noMoney {
			r.Worth = fleet.Known(fleet.RoundMoney(t.worth))
		}
		all = append(all, r)
	}
	return all
}
