package plan

import (
	"cmp"
	"math"
	"math/bits"
	"slices"

	"rimeyard/internal/fleet"
)

// finer is how many parts a price is counted in: prices per cent or per minute are small beside worth.
const finer = 1024

// prices are what the limits are worth (Lagrange multipliers), never below 0: what one more place, minute, piece or cent would save.
// With any prices whatever
//
//	Σ over jobs of max(0, max over sets and weeks of gain − price of what it takes) + Σ over limits of price · limit
//
// is a bound that no plan exceeds (Lagrangian relaxation: Geoffrion 1974; Fisher 1981). Amounts are rounded to the side that keeps it one.
type prices struct {
	budget int64 // per cent of money, in parts of finer
	yards  []yardPrices
}

type yardPrices struct {
	places  []int64 // by week
	minutes []int64 // by week, in parts of finer
	stock   []int64 // by item, in parts of finer
}

// of is what a set takes in a week but for its place, rounded down.
func (p *yardPrices) of(s *set, w, soon int, budget int64) int64 {
	sum := p.minutes[w]*int64(s.minutes) + budget*int64(s.spent)
	if w < soon {
		for _, t := range s.takes {
			sum += p.stock[t.item] * int64(t.pieces)
		}
	}
	return sum / finer
}

// problem is a set of yards that share a budget; without one each yard is a problem of its own.
type problem struct {
	yards  []*yard
	budget fleet.Money
}

// solution is the best plan found, and what is known of the best there is.
type solution struct {
	picks  [][]pick // [yard][job]
	value  int64
	bound  int64
	prices prices // by which the bound holds
}

func (s *solution) exact() bool { return s.value == s.bound }

func (p *problem) free() prices {
	all := prices{yards: make([]yardPrices, len(p.yards))}
	for i, y := range p.yards {
		all.yards[i] = yardPrices{make([]int64, len(y.places)), make([]int64, len(y.places)), make([]int64, len(y.items))}
	}
	return all
}

// relaxed plans as if only places were limited and all else had its price; it sets the prices of places in at.
func (y *yard) relaxed(at *yardPrices, budget int64) []pick {
	gains, sets := make([][]int64, len(y.jobs)), make([][]int16, len(y.jobs))
	flat, flatSets := make([]int64, len(y.jobs)*len(y.places)), make([]int16, len(y.jobs)*len(y.places))
	for i := range y.jobs {
		from, to := i*len(y.places), (i+1)*len(y.places)
		gains[i], sets[i] = flat[from:to], flatSets[from:to]
		for w := range y.places {
			which, gain := y.jobs[i].best(w, func(s *set, w int) int64 { return at.of(s, w, y.soon, budget) })
			gains[i][w], sets[i][w] = gain, int16(which)
		}
	}
	a := assign(gains, y.places)
	at.places = a.prices()
	picks := make([]pick, len(y.jobs))
	for i, w := range a.week {
		if picks[i] = (pick{nowhere, nowhere}); w != nowhere {
			picks[i] = pick{w, int(sets[i][w])}
		}
	}
	return picks
}

// bound is what prices prove.
func (p *problem) bound(at *prices) int64 {
	sum := priced(at.budget, int64(p.budget))
	for i, y := range p.yards {
		prices := &at.yards[i]
		for w := range y.places {
			if prices.places[w] > 0 {
				sum += prices.places[w] * int64(y.places[w])
			}
			sum += priced(prices.minutes[w], int64(y.minutes[w]))
		}
		for item, pieces := range y.stock {
			sum += priced(prices.stock[item], int64(pieces))
		}
		for j := range y.jobs {
			sum += y.dearest(&y.jobs[j], prices, at.budget)
		}
	}
	return sum
}

// priced is a price times an amount, rounded up; in 128 bits, as a price of money and a budget can both be large.
func priced(price, amount int64) int64 {
	hi, lo := bits.Mul64(uint64(price), uint64(amount))
	lo, carry := bits.Add64(lo, finer-1, 0)
	whole, _ := bits.Div64(hi+carry, lo, finer)
	return int64(whole)
}

// dearest is what a job gains at most after prices, 0 being to leave it.
func (y *yard) dearest(j *job, at *yardPrices, budget int64) (best int64) {
	for i := range j.sets {
		s := &j.sets[i]
		for w, g := range s.gains {
			if g -= at.places[w]; g > best {
				best = max(best, g-at.of(s, w, y.soon, budget))
			}
		}
	}
	return best
}

// Effort that is spent on prices before the best plan found so far is taken, with its bound.
const (
	mostRounds = 80
	patience   = 5 // rounds without a lower bound before steps are halved
)

// solve finds the best plan. Where places alone are short the first round is exact. Else prices of the other limits are moved by
// subgradient steps (Held, Wolfe & Crowder 1974: step = θ (bound − best) / |overuse|²), each round's plan is mended until it keeps all
// limits, and what doubt is left goes to branch and bound.
func (p *problem) solve() solution { return p.solveFrom(nil) }

// solveFrom begins with a plan that keeps the limits, so that what it finds is never worse.
func (p *problem) solveFrom(start [][]pick) solution {
	best := solution{bound: math.MaxInt64}
	if start != nil {
		p.offer(&best, start)
	}
	at, climb := p.free(), newClimb(p)
	for range mostRounds {
		picks := make([][]pick, len(p.yards))
		for i, y := range p.yards {
			picks[i] = y.relaxed(&at.yards[i], at.budget)
		}
		bound := p.bound(&at)
		climb.saw(bound < best.bound)
		if bound < best.bound {
			best.bound, best.prices = bound, at.clone()
		}
		p.offer(&best, p.mended(picks, &at))
		if best.exact() || !climb.step(p, &at, picks, best.bound-best.value) {
			break
		}
	}
	if !best.exact() {
		p.branch(&best)
	}
	return best
}

// offer keeps the better plan; where even, the one found first.
func (p *problem) offer(best *solution, picks [][]pick) {
	value := int64(0)
	for i, y := range p.yards {
		v, _ := y.tally(picks[i])
		value += v
	}
	if best.picks == nil || value > best.value {
		best.picks, best.value = picks, value
	}
}

func (a *prices) clone() prices {
	c := prices{a.budget, make([]yardPrices, len(a.yards))}
	for i, y := range a.yards {
		c.yards[i] = yardPrices{slices.Clone(y.places), slices.Clone(y.minutes), slices.Clone(y.stock)}
	}
	return c
}

// mended makes a plan keep all limits: first those visits that gain most after prices, as they were planned or else where they still
// fit, then whatever else fits.
func (p *problem) mended(picks [][]pick, at *prices) [][]pick {
	if p.keeps(picks) {
		return picks
	}
	type entry struct {
		yard, job int
		gain      int64
	}
	var queue []entry
	for i, y := range p.yards {
		for j := range y.jobs {
			e := entry{i, j, y.dearest(&y.jobs[j], &at.yards[i], at.budget)}
			if picks[i][j].week != nowhere {
				e.gain = max(e.gain, 1) // a planned visit comes before one that only breaks even
			}
			queue = append(queue, e)
		}
	}
	slices.SortStableFunc(queue, func(a, b entry) int { return cmp.Compare(b.gain, a.gain) })
	m := p.emptyPlan()
	for _, planned := range []bool{true, false} {
		for _, e := range queue {
			if (picks[e.yard][e.job].week != nowhere) == planned {
				m.place(e.yard, e.job, picks[e.yard][e.job], &at.yards[e.yard], at.budget)
			}
		}
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

// place puts a job where it was wanted, else where it gains most after prices, if anything fits.
func (m *draft) place(yard, job int, wanted pick, at *yardPrices, budget int64) {
	y, used := m.of.yards[yard], &m.used[yard]
	j := &y.jobs[job]
	allowed := used.spent + m.left
	to, most := wanted, int64(math.MinInt64)
	if wanted.week == nowhere || !y.fits(used, &j.sets[wanted.set], wanted.week, allowed) {
		to = pick{nowhere, nowhere}
		for i := range j.sets {
			s := &j.sets[i]
			for w, g := range s.gains {
				after := g - at.places[w] - at.of(s, w, y.soon, budget)
				if g > 0 && after > most && y.fits(used, s, w, allowed) {
					to, most = pick{w, i}, after
				}
			}
		}
	}
	if to.week != nowhere {
		m.picks[yard][job] = to
		y.add(used, &j.sets[to.set], to.week, 1)
		m.left -= j.sets[to.set].spent
	}
}
