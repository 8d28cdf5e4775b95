package plan

import (
	"cmp"
	"slices"

	"rimeyard/internal/fleet"
)

// limited tells whether visits are.
func (y *yard) limited() bool { return len(y.depot.CapacityByWeek) > 0 }

// like is the same yard under other limits; locked visits still take theirs.
func (y *yard) like(d Depot, weeks int) *yard {
	other := newYard(&d, weeks)
	other.jobs, other.items = y.jobs, y.items
	for _, number := range y.items {
		other.stock = append(other.stock, d.Stock[number])
	}
	other.reserve(y.used)
	return other
}

func raised(list []int, by int) []int {
	more := make([]int, len(list))
	for i, n := range list {
		more[i] = n + by
	}
	return more
}

// withMore is what one more visit in every week would save, with the minutes for a swap of batteries, and the other depots' visits as
// they are.
func (m *maker) withMore(i int) int64 {
	y := m.yards[i]
	if !y.limited() {
		return 0
	}
	d := *y.depot
	d.CapacityByWeek = raised(d.CapacityByWeek, 1)
	d.MinutesByWeek = raised(d.MinutesByWeek, m.rules.SetUpMinutes+m.rules.Minutes[fleet.BatteryPart])
	return m.gain(i, y.like(d, m.weeks))
}

// gain of planning one yard under other limits.
func (m *maker) gain(i int, other *yard) int64 {
	picks, _, _ := m.part(i)
	now, _ := m.yards[i].tally(picks)
	return max(0, m.again(i, other).value-now)
}

// again plans one yard under other limits, from the plan and the prices that it has.
func (m *maker) again(i int, other *yard) solution {
	picks, at, budget := m.part(i)
	p := problem{[]*yard{other}, m.budgetOf(i)}
	from := prices{budget, []yardPrices{*at}}
	return p.solve(start{[][]pick{picks}, &from, fewRounds})
}

// missing is what stock would be short of if the plan were made as if every part were there, and what it would then save more.
func (m *maker) missing(i int) (parts []MissingPart, extra int64) {
	y := m.yards[i]
	if y.depot.Stock == nil {
		return nil, 0
	}
	d := *y.depot
	d.LeadWeeks = fleet.Known(0)
	s := m.again(i, y.like(d, m.weeks))
	now, _, _ := m.part(i)
	value, _ := y.tally(now)
	taken := make([][]int, len(y.items)) // by item and week
	for item := range taken {
		taken[item] = make([]int, m.weeks)
	}
	add := func(s *set, w int) {
		for _, t := range s.takes {
			taken[t.item][w] += t.pieces
		}
	}
	for k, p := range s.picks[0] {
		if p.week != nowhere {
			add(&y.jobs[k].sets[p.set], p.week)
		}
	}
	for k := range m.forced[i] {
		add(&m.forced[i][k].job.sets[0], m.forced[i][k].week)
	}
	for item, number := range y.items {
		if short, first := shortage(taken[item], y.depot.Stock[number]); short > 0 {
			parts = append(parts, m.missingPart(y.depot, number, short, first))
		}
	}
	slices.SortFunc(parts, func(a, b MissingPart) int {
		return cmp.Or(cmp.Compare(a.NeededBy, b.NeededBy), cmp.Compare(a.PartNumber, b.PartNumber))
	})
	return parts, max(0, s.value-value)
}

// shortage is by how much stock falls short in the end, and the first week in which it does.
func shortage(byWeek []int, stock int) (short, first int) {
	first = nowhere
	for w, n := range byWeek {
		stock -= n
		if stock < 0 && first == nowhere {
			first = w
		}
	}
	return max(0, -stock), first
}

func (m *maker) missingPart(d *Depot, number string, pieces, week int) MissingPart {
	p := MissingPart{Depot: d.ID, PartNumber: number, Pieces: pieces, NeededBy: m.monday(week)}
	if lead, known := d.LeadWeeks.Get(); known {
		p.OrderBy = fleet.Known(p.NeededBy - fleet.Date(7*lead))
	}
	return p
}
