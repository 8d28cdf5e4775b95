package ledger

import (
	"math"

	"rimeyard/internal/fleet"
)

const (
	// fewRisks are convolved one by one, more only where they are likely.
	fewRisks = 300
	// likely is the chance above which a risk among many is convolved by itself.
	likely = 0.1
	// manyFailures are enough for a translated gamma where the risks are many.
	manyFailures = 15
	// gridSteps of money that a distribution is worked out on; exactSteps where all costs fall on them.
	gridSteps, exactSteps = 400, 2000
)

// figure is what one line of a budget rests on.
type figure struct {
	groups []*group
	month  int // the last + 1: all
}

// write gives every line.
func (b *budgeting) write() Budget {
	for from := 0; from < len(b.groups); {
		to := from
		for to < len(b.groups) && b.groups[to].costCentre == b.groups[from].costCentre {
			to++
		}
		b.out.Lines = append(b.out.Lines, b.lines(b.groups[from].costCentre, b.groups[from:to])...)
		from = to
	}
	b.out.Total = b.lines("", b.groups)
	b.total()
	return b.out
}

// total makes the fleet's expected amounts the sums of those of its cost centres, and those over months the sums of months, so that what a
// reader adds up agrees to the cent.
func (b *budgeting) total() {
	n := len(b.months)
	for i := range b.out.Lines {
		l, t := &b.out.Lines[i], &b.out.Total[i%(n+1)]
		if i < n+1 {
			t.Planned, t.Failures = 0, 0
		}
		t.Planned, t.Failures = t.Planned+l.Planned, t.Failures+l.Failures
		t.Expected = t.Planned + t.Failures
	}
}

// lines of one cost centre, or the fleet: by month, then all months.
func (b *budgeting) lines(costCentre string, groups []*group) []BudgetLine {
	n := len(b.months)
	lines := make([]BudgetLine, n+1)
	spread := b.spreads(groups)
	all := &lines[n]
	for m := range lines {
		l := &lines[m]
		l.CostCentre = costCentre
		failures := 0.0
		for _, g := range groups {
			failures += g.expected[m].mean
			l.Failed += g.expected[m].failed
		}
		if m < n {
			l.Month = fleet.Known(b.months[m])
			for _, g := range groups {
				l.Planned += g.planned[m]
			}
			l.Failures = fleet.Money(math.Round(failures))
			all.Planned, all.Failures = all.Planned+l.Planned, all.Failures+l.Failures
		}
		l.Expected = l.Planned + l.Failures
		l.P10, l.P50, l.P90 = l.Planned+spread[m][0], l.Planned+spread[m][1], l.Planned+spread[m][2]
	}
	return lines
}

// spreads are P10, P50 and P90 of what failures cost, by month and in all.
func (b *budgeting) spreads(groups []*group) [][3]fleet.Money {
	n := len(b.months) + 1
	figures := make([]spreading, n)
	units := 0
	for _, g := range groups {
		units += len(g.units)
	}
	for m := range figures {
		figures[m] = b.frame(figure{groups, m}, units)
	}
	rows := newRows(groups, len(b.months))
	for i, winter := range b.winters {
		filled := false
		for m := range figures {
			f := &figures[m]
			if f.same && i > 0 {
				continue
			}
			if !f.needsGrid(i) {
				f.mix = append(f.mix, f.sums[i].shifted())
				continue
			}
			if !filled {
				rows.fill(winter)
				filled = true
			}
			f.mix = append(f.mix, rows.grid(f, m, units <= fewRisks))
		}
	}
	out := make([][3]fleet.Money, n)
	for m := range figures {
		for i, p := range [3]float64{0.1, 0.5, 0.9} {
			out[m][i] = fleet.Money(math.Round(max(0, figures[m].mix.quantile(p, 0, figures[m].step, figures[m].most))))
		}
	}
	return out
}

// spreading is the distribution of one figure as it is worked out.
type spreading struct {
	sums  []cumulants // by winter
	few   bool        // few units
	grids bool        // some winter needs a grid
	same  bool        // in all winters, as in warm months
	step  float64
	steps int
	most  float64
	mix   mixture
}

func (f *spreading) needsGrid(winter int) bool {
	return f.sums[winter].mean > 0 && (f.few || f.sums[winter].failed < manyFailures)
}

// frame says how far and how finely a figure's distribution is worked out: six standard deviations of the hardest winter beyond its mean.
func (b *budgeting) frame(of figure, units int) spreading {
	f := spreading{sums: make([]cumulants, len(b.winters)), few: units <= fewRisks, same: of.month < len(b.months)}
	for i := range b.winters {
		for _, g := range of.groups {
			f.sums[i].add(g.sums[i][of.month])
		}
		f.grids = f.grids || f.needsGrid(i)
	}
	dearest := 0.0
	var costs []float64
	for _, g := range of.groups {
		for i := range g.units {
			f.same = f.same && !g.units[i].inSeason(of.month) && !g.units[i].cold[of.month]
			for _, outcomes := range g.units[i].outcomes {
				for _, o := range outcomes {
					dearest = max(dearest, o.cost)
					if f.grids {
						costs = append(costs, o.cost)
					}
				}
			}
		}
	}
	for _, s := range f.sums {
		f.most = max(f.most, s.mean+6*math.Sqrt(max(0, s.variance))+2*dearest)
	}
	if !f.grids {
		f.step = max(1, math.Floor(f.most/1e5)) // cents, or a hundred-thousandth of the whole
		return f
	}
	f.step, f.steps = max(1, f.most/gridSteps), gridSteps
	if exact := commonStep(costs); exact > f.step || f.most/exact <= exactSteps {
		f.step, f.steps = exact, int(math.Ceil(f.most/exact))
	}
	f.steps = max(1, f.steps)
	f.most = f.step * float64(f.steps)
	return f
}

// rows are the chances of units in one winter, by month.
type rows struct {
	groups  []*group
	months  int
	chances [][]float64 // by unit
	scratch []outcome
}

func newRows(groups []*group, months int) *rows {
	r := &rows{groups: groups, months: months}
	units := 0
	for _, g := range groups {
		units += len(g.units)
	}
	flat := make([]float64, units*months)
	for i := range units {
		r.chances = append(r.chances, flat[i*months:(i+1)*months])
	}
	return r
}

func (r *rows) fill(winter int) {
	i := 0
	for _, g := range r.groups {
		own := g.at[winter]
		for k := range g.units {
			g.units[k].chances(own, g.severity[own], r.chances[i])
			i++
		}
	}
}

// grid is the distribution of one figure in the winter that rows hold.
func (r *rows) grid(f *spreading, month int, few bool) *grid {
	g := newGrid(f.step, f.steps)
	i := 0
	for _, of := range r.groups {
		for k := range of.units {
			r.add(g, &of.units[k], r.chances[i], month, few)
			i++
		}
	}
	g.settle()
	return g
}

// add gives a unit's risks of a month to a grid; of all months, those of the season are one risk whose months exclude each other.
func (r *rows) add(g *grid, u *prepared, chances []float64, month int, few bool) {
	put := func(risk []outcome) {
		q := 0.0
		for _, o := range risk {
			q += o.p
		}
		switch {
		case q == 0:
		case few || q > likely:
			g.one(risk)
		default:
			g.expand(risk)
		}
	}
	if month < r.months {
		r.scratch = u.risk(r.scratch[:0], month, chances[month])
		put(r.scratch)
		return
	}
	season := r.scratch[:0]
	for m, q := range chances {
		if u.inSeason(m) {
			season = u.risk(season, m, q)
		}
	}
	r.scratch = season
	put(season)
	for m, q := range chances {
		if !u.inSeason(m) && q > 0 {
			r.scratch = u.risk(r.scratch[:0], m, q)
			put(r.scratch)
		}
	}
}

// risk appends the outcomes of a month's failure, adding to those of the same cost.
func (u *prepared) risk(to []outcome, month int, q float64) []outcome {
	if q == 0 {
		return to
	}
next:
	for _, o := range u.outcomes[u.priced[month]] {
		for i := range to {
			if to[i].cost == o.cost {
				to[i].p += q * o.p
				continue next
			}
		}
		to = append(to, outcome{q * o.p, o.cost})
	}
	return to
}
