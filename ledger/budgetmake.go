package ledger

import (
	"cmp"
	"errors"
	"fmt"
	"maps"
	"slices"

	"rimeyard/internal/fleet"
)

const (
	mostMonths  = 36
	someWinters = 1 // a budget for which no winter is known has one that is like all
)

// MakeBudget says what is expected to be spent and how far it may go astray. Bad input gets an error that names it.
//
// For each past winter the units fail independently of each other, each by its own chance in that winter, at the price of the part that is
// to blame and of the call-out; the months of one season exclude each other for a unit, as a first failure puts it right. Winters are
// equally likely and the same for all units, so that a cold one costs everywhere at once: those of different depots are matched by year, and
// where a depot lacks one, its own of the same rank stands in (see align). Months that no outlook reaches go by [Rates]. Planned work is
// certain, and what it cures fails less from that week on.
//
// Means, and within each winter variances, are exact. Quantiles are those of the mixture over winters: of exact convolutions on steps of
// money where few units or few failures are concerned (see grid), else of a translated gamma with the exact first three moments.
func MakeBudget(in BudgetInput) (Budget, error) {
	b, err := newBudgeting(in)
	if err != nil {
		return Budget{}, fmt.Errorf("make a budget from %s: %w", in.From, err)
	}
	return b.write(), nil
}

// budgeting is what one budget is made with.
type budgeting struct {
	in      BudgetInput
	months  []Month
	winters []int // that count, from the newest back
	prices  prices
	groups  []*group // by cost centre and depot
	out     Budget
}

// group is the units of one depot that are paid for by one cost centre: they have the same winters.
type group struct {
	costCentre string
	depot      fleet.DepotID
	units      []prepared
	own        int                 // winters
	at         []int               // by winter, its place among the own
	severity   []float64           // of each, against their mean: for months that no outlook reaches
	sums       [][]cumulants       // by winter that counts, in the order of budgeting.winters, and month, the last of all months
	planned    []fleet.Money       // by month
	expected   []cumulants         // by month: mean over the winters
	byWinter   map[int][]cumulants // those of sums, by own winter
}

func newBudgeting(in BudgetInput) (*budgeting, error) {
	if in.Months < 1 || in.Months > mostMonths {
		return nil, fmt.Errorf("%d months: want 1 to %d", in.Months, mostMonths)
	}
	b := &budgeting{in: in, prices: newPrices(in.Prices)}
	for i := range in.Months {
		b.months = append(b.months, MonthOf(in.From)+Month(i))
	}
	b.out = Budget{Currency: in.Currency, From: in.From, Months: b.months, Units: len(in.Units)}
	in.Units = slices.Clone(in.Units)
	slices.SortStableFunc(in.Units, func(a, c BudgetUnit) int {
		return cmp.Or(cmp.Compare(a.CostCentre, c.CostCentre), cmp.Compare(a.Depot, c.Depot), cmp.Compare(a.ID, c.ID))
	})
	b.in.Units = in.Units
	if err := b.check(); err != nil {
		return nil, err
	}
	b.gather()
	b.settleWinters()
	return b, b.sum()
}

func (b *budgeting) check() error {
	seen, first := map[fleet.UnitID]bool{}, map[fleet.DepotID]*BudgetUnit{}
	for i := range b.in.Units {
		u := &b.in.Units[i]
		if seen[u.ID] {
			return fmt.Errorf("unit %s is there twice", u.ID)
		}
		seen[u.ID] = true
		if len(u.ByWinter) == 0 {
			continue
		}
		if first[u.Depot] == nil {
			first[u.Depot] = u
		}
		if err := u.check(first[u.Depot]); err != nil {
			return err
		}
	}
	for _, rate := range b.in.Rates.ByMonth {
		if !(rate >= 0) {
			return errors.New("rates of failed starts must not be below zero")
		}
	}
	for _, w := range b.in.Winters {
		if w < 0 {
			return fmt.Errorf("winter %d: winters are counted from the newest back, which is 0", w)
		}
	}
	return nil
}

// check holds the winters of a unit against those of another of its depot, and their chances against what chances are.
func (u *BudgetUnit) check(other *BudgetUnit) error {
	if len(u.ByWinter) != len(other.ByWinter) {
		return fmt.Errorf("unit %s has %d winters and unit %s of the same depot %d: want the same in both", u.ID, len(u.ByWinter), other.ID, len(other.ByWinter))
	}
	for k, w := range u.ByWinter {
		last := 0.0
		if w.Year != other.ByWinter[k].Year {
			return fmt.Errorf("unit %s: winter %d is that of %d and at unit %s of the same depot that of %d: want the same in both", u.ID, k+1, w.Year, other.ID, other.ByWinter[k].Year)
		}
		if len(w.Chance) != len(u.ByWinter[0].Chance) {
			return fmt.Errorf("unit %s: winter %d has %d months and the first has %d: want as many in each", u.ID, k+1, len(w.Chance), len(u.ByWinter[0].Chance))
		}
		for _, p := range w.Chance {
			if !(p >= last && p <= 1) {
				return fmt.Errorf("unit %s, winter %d: chance %v after %v: want chances that do not fall, up to 1", u.ID, k+1, p, last)
			}
			last = p
		}
	}
	return nil
}

// gather prepares units by group, and books planned work.
func (b *budgeting) gather() {
	planned := map[fleet.UnitID][]Planned{}
	for _, p := range b.in.Planned {
		planned[p.Unit] = append(planned[p.Unit], p)
	}
	for _, list := range planned {
		slices.SortStableFunc(list, func(a, c Planned) int { return cmp.Compare(a.On, c.On) })
	}
	hazards := b.hazards()
	var now *group
	for i := range b.in.Units {
		u := &b.in.Units[i]
		if now == nil || now.costCentre != u.CostCentre || now.depot != u.Depot {
			now = &group{costCentre: u.CostCentre, depot: u.Depot, planned: make([]fleet.Money, len(b.months))}
			b.groups = append(b.groups, now)
		}
		work := planned[u.ID]
		b.plan(now, u, work)
		if len(u.ByWinter) == 0 {
			b.out.Unknown++
		}
		now.own = max(now.own, len(u.ByWinter))
		now.units = append(now.units, b.prepare(u, work, hazards))
	}
	b.out.NoPrice, b.out.Unlisted = b.prices.missing(), b.unlisted(planned)
}

// unlisted are the units with planned work within the budget that are not among its units.
func (b *budgeting) unlisted(planned map[fleet.UnitID][]Planned) []fleet.UnitID {
	left := maps.Clone(planned)
	for i := range b.in.Units {
		delete(left, b.in.Units[i].ID)
	}
	maps.DeleteFunc(left, func(_ fleet.UnitID, work []Planned) bool {
		return !slices.ContainsFunc(work, func(p Planned) bool { _, within := b.monthOf(p); return within })
	})
	return slices.Sorted(maps.Keys(left))
}

// monthOf planned work, by its place among the budget's. False: it lies before or after them.
func (b *budgeting) monthOf(p Planned) (month int, within bool) {
	month = int(MonthOf(max(p.On, b.in.From)) - b.months[0])
	return month, p.On >= b.in.From.Monday() && month < len(b.months)
}

// plan adds the certain cost of the work on a unit.
func (b *budgeting) plan(g *group, u *BudgetUnit, work []Planned) {
	for _, p := range work {
		m, within := b.monthOf(p)
		if !within {
			continue
		}
		cost := p.Cost.Or(0)
		for _, part := range p.Parts {
			price, known := b.prices.swap(u, part, p.On, b.in.Instead)
			cost += price
			if !known && (part == fleet.BatteryPart || part == fleet.StarterPart) {
				b.out.NoSwapPrice++
			}
		}
		g.planned[m] += cost
	}
}

// settleWinters says which winters count, which of a depot's own each is, and how hard it is for months that no outlook reaches.
func (b *budgeting) settleWinters() {
	of := map[fleet.DepotID]*depotWinters{}
	for _, g := range b.groups {
		w := g.winters()
		if known := of[g.depot]; known != nil && len(known.severity) == len(w.severity) {
			for k, hard := range w.severity {
				known.severity[k] += hard
			}
		} else if len(w.severity) > 0 {
			of[g.depot] = w
		}
	}
	all := align(of)
	all.count = max(all.count, someWinters)
	for _, g := range b.groups {
		if g.at = all.own[g.depot]; g.at == nil {
			g.at = make([]int, all.count) // nothing is known of its winters
		}
		g.own = slices.Max(g.at) + 1
		if w := of[g.depot]; w != nil {
			g.own = len(w.severity)
		}
		g.severity = g.severities()
	}
	b.winters = b.in.Winters
	if b.winters == nil {
		for k := range all.count {
			b.winters = append(b.winters, k)
		}
	}
	b.out.Winters = len(b.winters)
}

// winters are the group's, with the failures that each is expected to bring.
func (g *group) winters() *depotWinters {
	w := &depotWinters{severity: make([]float64, g.own)}
	for i := range g.units {
		for k, past := range g.units[i].byWinter {
			if w.years == nil {
				w.years = make([]int, g.own)
			}
			w.years[k] = past.Year
			if n := len(past.Chance); n > 0 {
				w.severity[k] += past.Chance[n-1]
			}
		}
	}
	return w
}

// severities hold each winter's expected failures against the mean of all.
func (g *group) severities() []float64 {
	hard, total := make([]float64, g.own), 0.0
	copy(hard, g.winters().severity)
	for _, h := range hard {
		total += h
	}
	for k := range hard {
		if total == 0 {
			hard[k] = 1
		} else {
			hard[k] *= float64(g.own) / total
		}
	}
	return hard
}

// sum adds up the cumulants of every group, winter and month, and their means. Without a choice of winters each of a depot's own counts
// alike.
func (b *budgeting) sum() error {
	if len(b.winters) == 0 {
		return errors.New("no winter is left to reckon with")
	}
	for _, g := range b.groups {
		g.byWinter = map[int][]cumulants{}
		g.expected = make([]cumulants, len(b.months)+1)
		for _, w := range b.winters {
			if w >= len(g.at) {
				return fmt.Errorf("winter %d: there are %d", w, len(g.at))
			}
			g.sums = append(g.sums, b.sumWinter(g, g.at[w]))
		}
		means := g.sums
		if b.in.Winters == nil {
			means = nil
			for k := range g.own {
				means = append(means, b.sumWinter(g, k))
			}
		}
		for _, sums := range means {
			for m := range g.expected {
				g.expected[m].add(sums[m])
			}
		}
		for m := range g.expected {
			g.expected[m].mean /= float64(len(means))
			g.expected[m].failed /= float64(len(means))
		}
	}
	return nil
}

func (b *budgeting) sumWinter(g *group, own int) []cumulants {
	if sums, done := g.byWinter[own]; done {
		return sums
	}
	sums, chances := make([]cumulants, len(b.months)+1), make([]float64, len(b.months))
	for i := range g.units {
		u := &g.units[i]
		u.chances(own, g.severity[own], chances)
		var season moments
		for m, q := range chances {
			if q == 0 {
				continue
			}
			var alone moments
			alone.add(q, u.moments[u.priced[m]])
			c := alone.cumulants()
			sums[m].add(c)
			if u.inSeason(m) {
				season.add(q, u.moments[u.priced[m]])
			} else {
				sums[len(b.months)].add(c)
			}
		}
		sums[len(b.months)].add(season.cumulants())
	}
	g.byWinter[own] = sums
	return sums
}
