package plan

import (
	"math/bits"

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

func (a *prices) clone() prices {
	c := prices{a.budget, make([]yardPrices, len(a.yards))}
	for i, y := range a.yards {
		c.yards[i] = yardPrices{append([]int64{}, y.places...), append([]int64{}, y.minutes...), append([]int64{}, y.stock...)}
	}
	return c
}

// asked is what a set takes but for its place: money always, parts while they are short, minutes by week.
type asked struct{ money, early int64 }

func (p *yardPrices) asked(s *set, budget int64) asked {
	a := asked{money: budget * int64(s.spent)}
	a.early = a.money
	for _, t := range s.takes {
		a.early += p.stock[t.item] * int64(t.pieces)
	}
	return a
}

// in a week, rounded down.
func (a asked) in(w, soon int, p *yardPrices, s *set) int64 {
	sum := a.money
	if w < soon {
		sum = a.early
	}
	return (sum + p.minutes[w]*int64(s.minutes)) / finer
}

// problem is a set of yards that share a budget; without one each yard is a problem of its own.
type problem struct {
	yards  []*yard
	budget fleet.Money
}

// free are prices of nothing.
func (p *problem) free() prices {
	all := prices{yards: make([]yardPrices, len(p.yards))}
	for i, y := range p.yards {
		all.yards[i] = yardPrices{make([]int64, len(y.places)), make([]int64, len(y.places)), make([]int64, len(y.items))}
	}
	return all
}

// relaxation is a yard planned as if only places were limited and all else had its price.
type relaxation struct {
	yard    *yard
	gains   [][]int64 // [job][week] after those prices, by the best set
	sets    [][]int16 // that one
	dearest []int64   // by job: most that it gains after the price of places too; 0 is to leave it
	picks   []pick
}

func newRelaxation(y *yard) *relaxation {
	n, weeks := len(y.jobs), len(y.places)
	r := &relaxation{yard: y, gains: make([][]int64, n), sets: make([][]int16, n), dearest: make([]int64, n), picks: make([]pick, n)}
	gains, sets := make([]int64, n*weeks), make([]int16, n*weeks)
	for i := range n {
		r.gains[i], r.sets[i] = gains[i*weeks:(i+1)*weeks], sets[i*weeks:(i+1)*weeks]
	}
	return r
}

// plan sets the prices of places in at.
func (r *relaxation) plan(at *yardPrices, budget int64) {
	for i := range r.yard.jobs {
		r.weigh(i, at, budget)
	}
	a := assign(r.gains, r.yard.places)
	at.places = a.prices()
	for i, w := range a.week {
		if r.picks[i] = (pick{nowhere, nowhere}); w != nowhere {
			r.picks[i] = pick{w, int(r.sets[i][w])}
		}
		r.dearest[i] = 0
		for w, g := range r.gains[i] {
			r.dearest[i] = max(r.dearest[i], g-at.places[w])
		}
	}
}

// weigh finds the best set of a job for each week. Ties go to the first.
func (r *relaxation) weigh(i int, at *yardPrices, budget int64) {
	clear(r.gains[i])
	for k := range r.yard.jobs[i].sets {
		s := &r.yard.jobs[i].sets[k]
		asks := at.asked(s, budget)
		for w, g := range s.gains {
			if g > r.gains[i][w] {
				if g -= asks.in(w, r.yard.soon, at, s); g > r.gains[i][w] {
					r.gains[i][w], r.sets[i][w] = g, int16(k)
				}
			}
		}
	}
}

// bound is what prices prove of the relaxations that were planned by them.
func (p *problem) bound(at *prices, relaxed []*relaxation) int64 {
	sum := priced(at.budget, int64(p.budget))
	for i, y := range p.yards {
		sum += y.bound(&at.yards[i], relaxed[i])
	}
	return sum
}

func (y *yard) bound(at *yardPrices, r *relaxation) (sum int64) {
	for w := range y.places {
		if at.places[w] > 0 {
			sum += at.places[w] * int64(y.places[w])
		}
		sum += priced(at.minutes[w], int64(y.minutes[w]))
	}
	for item, pieces := range y.stock {
		sum += priced(at.stock[item], int64(pieces))
	}
	for _, g := range r.dearest {
		sum += g
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
