package plan

import (
	"cmp"
	"math"
	"slices"

	"rimeyard/internal/fleet"
)

// draft is a plan that is being filled and always keeps the limits.
type draft struct {
	of    *problem
	picks [][]pick
	used  []usage
	left  fleet.Money
}

func (p *problem) emptyPlan() *draft {
	m := &draft{of: p, left: p.budget}
	for _, y := range p.yards {
		picks := make([]pick, len(y.jobs))
		for i := range picks {
			picks[i] = pick{nowhere, nowhere}
		}
		m.picks, m.used = append(m.picks, picks), append(m.used, y.nothingUsed())
	}
	return m
}

// filled is a draft that begins with a plan.
func (p *problem) filled(picks [][]pick) *draft {
	m := p.emptyPlan()
	for i := range picks {
		for j, to := range picks[i] {
			m.put(i, j, to)
		}
	}
	return m
}

// put does a job, which is not planned yet, in a week.
func (m *draft) put(yard, job int, to pick) {
	if to.week == nowhere {
		return
	}
	y := m.of.yards[yard]
	s := &y.jobs[job].sets[to.set]
	y.add(&m.used[yard], s, to.week, 1)
	m.left -= s.spent
	m.picks[yard][job] = to
}

// lift takes a job out of the plan, and tells where it was and what it gained.
func (m *draft) lift(yard, job int) (was pick, gain int64) {
	if was = m.picks[yard][job]; was.week == nowhere {
		return was, 0
	}
	y := m.of.yards[yard]
	s := &y.jobs[job].sets[was.set]
	y.add(&m.used[yard], s, was.week, -1)
	m.left += s.spent
	m.picks[yard][job] = pick{nowhere, nowhere}
	return was, s.gains[was.week]
}

func (m *draft) fits(yard, job int, to pick) bool {
	y, used := m.of.yards[yard], &m.used[yard]
	return y.fits(used, &y.jobs[job].sets[to.set], to.week, used.spent+m.left)
}

// mended makes a plan keep all limits: first those visits that gain most after prices, as they were planned or else where they still
// fit, then whatever else fits.
func (p *problem) mended(picks [][]pick, at *prices, relaxed []*relaxation) [][]pick {
	if p.keeps(picks) {
		return picks
	}
	type entry struct {
		yard, job int
		turn      int // planned ones first
		gain      int64
	}
	var queue []entry
	for i, y := range p.yards {
		for j := range y.jobs {
			e := entry{i, j, 0, relaxed[i].dearest[j]}
			if picks[i][j].week == nowhere {
				e.turn = 1
			}
			queue = append(queue, e)
		}
	}
	slices.SortStableFunc(queue, func(a, b entry) int { return cmp.Or(a.turn-b.turn, cmp.Compare(b.gain, a.gain)) })
	m := p.emptyPlan()
	for _, e := range queue {
		m.place(e.yard, e.job, picks[e.yard][e.job], &at.yards[e.yard], at.budget)
	}
	return m.picks
}

func (p *problem) keeps(picks [][]pick) bool {
	spent := fleet.Money(0)
	for i, y := range p.yards {
		_, u := y.tally(picks[i])
		if !y.within(u) {
			return false
		}
		spent += u.spent
	}
	return spent <= p.budget
}

// place puts a job where it was wanted, else where it gains most after prices, if anything fits.
func (m *draft) place(yard, job int, wanted pick, at *yardPrices, budget int64) {
	if wanted.week != nowhere && m.fits(yard, job, wanted) {
		m.put(yard, job, wanted)
		return
	}
	y, used := m.of.yards[yard], &m.used[yard]
	to, most := pick{nowhere, nowhere}, int64(math.MinInt64)
	for i := range y.jobs[job].sets {
		s := &y.jobs[job].sets[i]
		asks := at.asked(s, budget)
		for w, g := range s.gains {
			if g <= 0 || used.places[w] >= y.places[w] {
				continue
			}
			if after := g - at.places[w] - asks.in(w, y.soon, at, s); after > most && m.fits(yard, job, pick{w, i}) {
				to, most = pick{w, i}, after
			}
		}
	}
	m.put(yard, job, to)
}
