package plan

import (
	"cmp"
	"fmt"
	"slices"

	"rimeyard/internal/fleet"
)

// Make plans. It is exact where visits alone are limited, and mostly where there are few units; elsewhere it proves a bound. Bad
// input gets an error that names it.
//
// Locked choices come first, whatever they cost. Then the rest is planned; then units of which a test is worth more than what was
// planned for them are taken out, as the plan is made anew each week with what tests have told; then their room is given to others.
func Make(in Input) (Plan, error) {
	if err := in.check(); err != nil {
		return Plan{}, fmt.Errorf("plan the weeks from %s: %w", in.Monday, err)
	}
	m := newMaker(in)
	m.gather()
	m.solve(mostRounds)
	if m.proposeRetests() {
		m.solve(mostRounds / 2) // it has prices to begin with
	}
	return m.write(), nil
}

// maker holds what one plan is made with.
type maker struct {
	appraiser
	in       Input // in order of keys
	yards    []*yard
	at       map[fleet.DepotID]int // place in yards
	locked   map[fleet.UnitID]Choice
	forced   [][]forced // by yard
	tests    [][]retest // by yard
	losers   []Left     // units that no work is planned for in any case
	notes    []string
	problems []problem // one, or one for each yard
	found    []solution
}

// forced is a locked visit.
type forced struct {
	job  job // with one set
	week int
}

func newMaker(in Input) *maker {
	in.Depots, in.Units = slices.Clone(in.Depots), slices.Clone(in.Units)
	slices.SortFunc(in.Depots, func(a, b Depot) int { return cmp.Compare(a.ID, b.ID) })
	slices.SortFunc(in.Units, func(a, b Unit) int { return cmp.Compare(a.ID, b.ID) })
	m := &maker{appraiser: newAppraiser(in.Rules, in.Units, in.Weeks), in: in, at: map[fleet.DepotID]int{}, locked: map[fleet.UnitID]Choice{}}
	for i := range in.Depots {
		m.at[in.Depots[i].ID] = i
		m.yards = append(m.yards, newYard(&in.Depots[i], in.Weeks))
	}
	m.forced, m.tests = make([][]forced, len(m.yards)), make([][]retest, len(m.yards))
	return m
}

func newAppraiser(r Rules, units []Unit, weeks int) appraiser {
	a := appraiser{rules: r, lives: livesBy(r), weeks: weeks, noMoney: true, usualLoss: startIsWorth}
	var costs []fleet.Money
	for i := range units {
		if c, known := units[i].NoStartCost.Get(); known {
			costs = append(costs, c)
		}
	}
	if n := len(costs); n > 0 {
		slices.Sort(costs)
		a.noMoney, a.usualLoss = false, ((costs[(n-1)/2] + costs[n/2]) / 2).Amount()
	}
	return a
}

// weekOf is the number of the week that begins on a Monday; false where the plan does not reach.
func (m *maker) weekOf(monday fleet.Date) (int, bool) {
	w := int(monday-m.in.Monday) / 7
	return w, monday >= m.in.Monday && w < m.in.Weeks
}

// lock keeps the choices that this plan can keep, and notes the others.
func (m *maker) lock() {
	choices := slices.Clone(m.in.Locked)
	slices.SortFunc(choices, func(a, b Choice) int { return cmp.Compare(a.Unit, b.Unit) })
	for _, c := range choices {
		_, here := slices.BinarySearchFunc(m.in.Units, c.Unit, func(u Unit, id fleet.UnitID) int { return cmp.Compare(u.ID, id) })
		_, now := m.weekOf(c.Monday)
		switch {
		case !here:
			m.notes = append(m.notes, fmt.Sprintf("a choice is locked for %s, which is not among the units: it means nothing", c.Unit))
		case c.Do != DoLeave && !now:
			m.notes = append(m.notes, fmt.Sprintf("the choice locked for %s in the week of %s lies outside the plan's weeks: the unit is planned freely", c.Unit, day(c.Monday)))
		default:
			m.locked[c.Unit] = c
		}
	}
}

// gather turns units into jobs, and takes locked visits off the limits.
func (m *maker) gather() {
	m.lock()
	for i := range m.in.Units {
		u := &m.in.Units[i]
		y := m.at[u.Depot]
		switch c, locked := m.locked[u.ID]; {
		case locked && c.Do == DoVisit:
			m.force(u, y, c)
		case locked && c.Do == DoRetest:
			w, _ := m.weekOf(c.Monday)
			m.tests[y] = append(m.tests[y], retest{unit: u, week: w, locked: true})
		case locked:
			m.losers = append(m.losers, m.leftLocked(u))
		default:
			m.offer(u, m.yards[y])
		}
	}
	for i, y := range m.yards {
		u := y.nothingUsed()
		for k := range m.forced[i] {
			f := &m.forced[i][k]
			y.add(&u, &f.job.sets[0], f.week, 1)
		}
		y.reserve(u)
		y.withoutLosers()
	}
}

func (m *maker) offer(u *Unit, y *yard) {
	j := m.job(u, y.depot, y.takes)
	if j.most() > 0 {
		y.jobs = append(y.jobs, j)
		return
	}
	m.losers = append(m.losers, m.notWorth(&j))
}

// force makes a job of a locked visit, with the parts that the choice names, else those for which its week pays most, else the part
// that is blamed most.
func (m *maker) force(u *Unit, at int, c Choice) {
	y, week := m.yards[at], int(c.Monday-m.in.Monday)/7
	j := m.job(u, y.depot, y.takes)
	which := -1
	for i := range j.sets {
		if len(c.Parts) == 0 && (which < 0 || j.sets[i].gains[week] > j.sets[which].gains[week]) {
			which = i
		}
	}
	if which >= 0 {
		j.sets = j.sets[which : which+1]
	} else {
		j.sets = []set{m.set(&j, y.depot, partsOf(c, u), y.takes)}
	}
	m.forced[at] = append(m.forced[at], forced{j, week})
}

func partsOf(c Choice, u *Unit) (parts []fleet.Part) {
	worst := fleet.BatteryPart
	for _, part := range fleet.Suspects() {
		if slices.Contains(c.Parts, part) {
			parts = append(parts, part)
		}
		if u.Causes[part] > u.Causes[worst] {
			worst = part
		}
	}
	if len(parts) == 0 {
		return []fleet.Part{worst}
	}
	return parts
}

// solve plans all jobs: each yard for itself, or all together where they share a budget.
func (m *maker) solve(rounds int) {
	known := m.found
	m.problems, m.found = nil, nil
	if budget, limited := m.in.Budget.Get(); limited {
		for i := range m.yards {
			budget -= m.yards[i].used.spent
		}
		m.problems = []problem{{m.yards, min(max(0, budget), noLimit)}}
	} else {
		for i := range m.yards {
			m.problems = append(m.problems, problem{m.yards[i : i+1], noLimit})
		}
	}
	for i := range m.problems {
		from := start{rounds: rounds}
		if known != nil {
			from.prices = &known[i].prices
			for k, y := range m.problems[i].yards {
				y.extend(&from.prices.yards[k])
			}
		}
		m.found = append(m.found, m.problems[i].solve(from))
	}
}

// part of the solution that is one yard's.
func (m *maker) part(yard int) ([]pick, *yardPrices, int64) {
	if m.in.Budget.IsKnown() {
		s := &m.found[0]
		return s.picks[yard], &s.prices.yards[yard], s.prices.budget
	}
	s := &m.found[yard]
	return s.picks[0], &s.prices.yards[0], 0
}
