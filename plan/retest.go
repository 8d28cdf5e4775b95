package plan

import (
	"cmp"
	"math"
	"slices"

	"gonum.org/v1/gonum/stat/distuv"

	"rimeyard/internal/fleet"
)

// preposterior is the expected payoff of deciding after a signal:
//
//	Σ over signals s of max over acts a of Σ over states k of prior(k) · P(s | k) · payoff(a, k)
//
// With one signal that says nothing it is the payoff of deciding at once; the difference of the two is the expected value of sample
// information (Raiffa & Schlaifer 1961, Applied Statistical Decision Theory, ch. 4). says[k][s] is P(s | k), payoff[a][k] is by act and
// state. acts tells for each signal which act is best, ties going to the first.
func preposterior(prior []float64, says, payoff [][]float64) (value float64, acts []int) {
	weights := make([]float64, len(prior))
	for s := range says[0] {
		for k, p := range prior {
			weights[k] = p * says[k][s]
		}
		act, most := -1, 0.0
		for a := range payoff {
			sum := 0.0
			for k, weight := range weights {
				sum += weight * payoff[a][k]
			}
			if act < 0 || sum > most {
				act, most = a, sum
			}
		}
		value += most
		acts = append(acts, act)
	}
	return value, acts
}

// cases is how many equally likely cases fleet.Outlook tells apart.
const cases = 5

// testSays is what a test with an error says of a unit whose cold limit truly lies at its 10th, 30th, 50th, 70th or 90th percentile: one of
// five answers that are about equally likely beforehand. Doubt and error are normal; noise is the error over the doubt, by standard deviation.
func testSays(noise float64) [][]float64 {
	normal := distuv.UnitNormal
	cut := func(s int) float64 { // upper end of answer s
		if s == cases-1 {
			return math.Inf(1)
		}
		return math.Sqrt(1+noise*noise) * normal.Quantile(float64(s+1)/cases)
	}
	says := make([][]float64, cases)
	for k := range says {
		truth, below := normal.Quantile((float64(k)+0.5)/cases), 0.0
		for s := range cases {
			upTo := 1.0
			if x := cut(s); noise > 0 {
				upTo = normal.CDF((x - truth) / noise)
			} else if x < truth {
				upTo = 0
			}
			says[k] = append(says[k], upTo-below)
			below = upTo
		}
	}
	return says
}

// retest is a unit that is to be tested.
type retest struct {
	unit   *Unit
	week   int
	worth  float64 // over the better of acting at once and leaving, in coins
	actIf  float64
	locked bool
}

// doubt is a unit of which a test could tell more.
type doubt struct {
	unit  *Unit
	worth float64        // of a test in the first week
	cases [cases]job     // the unit in each case, with the same sets
	price [][]float64    // of each set in each week: what it takes from others
	cost  float64        // of the test
	prior [cases]float64 // equally likely
	says  [][]float64    // what a test says
	now   float64        // expected payoff without a test
	least float64        // below this a test is not worth the walk
}

// proposeRetests takes units out of the plan of which a test is worth more, those with the most to tell first, as far as there is
// time for tests. It tells whether it took any job out.
func (m *maker) proposeRetests() (changed bool) {
	says := testSays(m.rules.TestNoise)
	for i, y := range m.yards {
		if len(y.depot.TestsByWeek) == 0 {
			continue
		}
		room := byWeek(y.depot.TestsByWeek, m.weeks)
		for _, t := range m.tests[i] {
			room[t.week]--
		}
		doubts := m.doubts(i, says)
		slices.SortStableFunc(doubts, func(a, b *doubt) int { return cmp.Compare(b.worth, a.worth) })
		for _, d := range doubts {
			week := slices.IndexFunc(room, func(n int) bool { return n > 0 })
			if week < 0 {
				break
			}
			if t, pays := d.in(week); pays {
				room[week]--
				m.tests[i] = append(m.tests[i], t)
				changed = m.takeOut(i, t.unit.ID) || changed
			}
		}
	}
	return changed
}

// takeOut removes a unit from the jobs, or from those that are left.
func (m *maker) takeOut(yard int, id fleet.UnitID) (wasJob bool) {
	y := m.yards[yard]
	n := len(y.jobs)
	y.jobs = slices.DeleteFunc(y.jobs, func(j job) bool { return j.unit.ID == id })
	if len(y.jobs) < n {
		return true
	}
	m.losers = slices.DeleteFunc(m.losers, func(l Left) bool { return l.Unit == id })
	return false
}

func (m *maker) doubts(yard int, says [][]float64) (all []*doubt) {
	y := m.yards[yard]
	_, prices, budget := m.part(yard)
	for i := range m.in.Units {
		u := &m.in.Units[i]
		_, locked := m.locked[u.ID]
		if _, can := u.ChanceIf.Get(); locked || !can || u.Depot != y.depot.ID || len(u.ChanceByWeek) == 0 {
			continue
		}
		if d := m.doubt(u, y, says, prices, budget); d != nil {
			if t, pays := d.in(0); pays {
				d.worth = t.worth
				all = append(all, d)
			}
		}
	}
	return all
}

// doubt weighs a unit in each case; nil where no work would help in the worst of them, or none would be worth a test.
func (m *maker) doubt(u *Unit, y *yard, says [][]float64, prices *yardPrices, budget int64) *doubt {
	chances, base := u.ChanceIf.Or([cases]float64{}), newCourse(u)
	worst := slices.Max(chances[:])
	parts := m.helps(u, worst)
	if len(parts) == 0 || base.end() == 0 {
		return nil
	}
	d := &doubt{unit: u, says: says}
	if !m.noMoney {
		d.cost = y.depot.LabourPerHour.Or(0).Amount() * float64(m.rules.TestMinutes) / 60
	}
	at := slices.Index(chances[:], worst)
	d.cases[at] = m.jobOf(u, y.depot, base.scaled(worst), parts, y.takes)
	d.least = m.rules.LeastChance * d.cases[at].loss
	y.extend(prices)
	for i := range d.cases[at].sets {
		d.price = append(d.price, y.asking(&d.cases[at].sets[i], prices, budget))
	}
	if worst <= gainsGrowTo && d.most(at)-d.cost < max(d.least, minWorth) {
		return nil
	}
	for k, p := range chances {
		d.prior[k] = 1.0 / cases
		if k != at {
			d.cases[k] = m.jobOf(u, y.depot, base.scaled(p), parts, y.takes)
		}
	}
	nothing := [][]float64{{1}, {1}, {1}, {1}, {1}}
	d.now, _ = preposterior(d.prior[:], nothing, d.payoffs(0))
	return d
}

// gainsGrowTo is a chance up to which works gain the more the likelier the unit is to fail: 1 − 1/e. What a set avoids grows with the scale b
// of the hazard, exp(−b·A) − exp(−b·H(W)) with A ≤ H(W), while b·H(W) < ln(H(W)/A) / (1 − A/H(W)), which is at least 1; and what it costs
// falls with it. So up to here no case pays more than the worst, and a test of which the worst does not pay can be left unreckoned.
const gainsGrowTo = 1 - 1/math.E

// minWorth is the least that a test must be worth beyond nothing, in coins: less than any amount that is counted.
const minWorth = 0.5 / perCoin

// most that acting pays in a case, after prices.
func (d *doubt) most(k int) float64 {
	most := 0.0
	for i, row := range d.price {
		for w, price := range row {
			most = max(most, float64(d.cases[k].sets[i].gains[w])/perCoin-price)
		}
	}
	return most
}

// unaffordable is the price of what is not there at all.
const unaffordable = 1e15

// asking is what a set takes from other units in each week, in coins.
func (y *yard) asking(s *set, prices *yardPrices, budget int64) []float64 {
	row, nothing, asks := make([]float64, len(y.places)), y.nothingUsed(), prices.asked(s, budget)
	for w := range row {
		row[w] = float64(prices.places[w]+asks.in(w, y.soon, prices, s)) / perCoin
		if !y.fits(&nothing, s, w, noLimit) {
			row[w] = unaffordable
		}
	}
	return row
}

// payoffs of leaving the unit, and of every set in every week from one on, by case, after prices.
func (d *doubt) payoffs(from int) [][]float64 {
	acts := 1
	for _, row := range d.price {
		acts += max(0, len(row)-from)
	}
	flat, all := make([]float64, acts*cases), make([][]float64, acts)
	for a := range all {
		all[a] = flat[a*cases : (a+1)*cases]
	}
	next := 1 // the first is to leave it
	for i := range d.price {
		for w := from; w < len(d.price[i]); w++ {
			for k := range cases {
				all[next][k] = float64(d.cases[k].sets[i].gains[w])/perCoin - d.price[i][w]
			}
			next++
		}
	}
	return all
}

// in weighs a test in a week, after which can be acted from the next week on.
func (d *doubt) in(week int) (retest, bool) {
	after, acts := preposterior(d.prior[:], d.says, d.payoffs(week+1))
	t := retest{unit: d.unit, week: week, worth: after - d.cost - d.now}
	for s, act := range acts {
		for k, p := range d.prior {
			if act > 0 {
				t.actIf += p * d.says[k][s]
			}
		}
	}
	return t, t.worth > 0 && t.worth >= d.least && t.actIf > 0 && t.actIf < 1-1e-9
}
