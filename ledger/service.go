package ledger

import (
	"cmp"
	"math"
	"slices"

	"rimeyard/internal/fleet"
	"rimeyard/trend"
)

const (
	daysPerYear  = 365.25
	daysPerMonth = daysPerYear / monthsPerYear
	// fewFailures are too few to tell a life from what is usual (common practice, no source).
	fewFailures = 5
	// seenYears bounds what is read off the product-limit curve.
	seenYears = 5
)

// UsualLife is how long parts usually last, in years, which a part of one's own begins from: batteries 5.5 with shape 2.6 (from memory),
// starters 12 (common practice, no source).
func UsualLife(kind fleet.Part) trend.WeibullPrior {
	p := trend.WeibullPrior{LogShape: math.Log(2.6), LogShapeSD: 0.25, LogScale: math.Log(5.5), LogScaleSD: 0.3}
	if kind == fleet.StarterPart {
		p.LogScale, p.LogScaleSD = math.Log(12), 0.5
	}
	return p
}

// ServiceCosts tells what each part number, and each chemistry, costs by the time that it serves. Only a removal because of failure ends a
// life; whatever is still fitted, or was taken out for another reason, has lived at least so long. Since is the first day from which parts
// that died are on record: what was fitted before was seen only because it lived, and enters at the age that it had then. Unknown: the day of
// the first removal on record. Failure is what a failure in service costs beside the part, by kind.
func ServiceCosts(f Facts, since fleet.Opt[fleet.Date], failure map[fleet.Part]fleet.Money, on fleet.Date) []ServiceCost {
	s := newServices(f, since, on)
	for i := range f.Batteries {
		r := &f.Batteries[i]
		one := fittedOnce{r.Unit, r.FittedOn, r.RemovedOn, r.RemovedBecause, r.Price}
		s.add(serviceKey{fleet.BatteryPart, r.Chemistry, r.Part}, one)
		s.add(serviceKey{fleet.BatteryPart, r.Chemistry, ""}, one)
	}
	for i := range f.Starters {
		r := &f.Starters[i]
		s.add(serviceKey{fleet.StarterPart, "", r.Part}, fittedOnce{r.Unit, r.FittedOn, r.RemovedOn, r.RemovedBecause, r.Price})
	}
	out := make([]ServiceCost, 0, len(s.of))
	for k, v := range s.of {
		out = append(out, v.cost(k, failure[k.kind]))
	}
	slices.SortFunc(out, func(a, b ServiceCost) int {
		return cmp.Or(cmp.Compare(a.Kind, b.Kind), cmp.Compare(a.Chemistry, b.Chemistry), cmp.Compare(a.Part, b.Part))
	})
	return out
}

type serviceKey struct {
	kind      fleet.Part
	chemistry fleet.Chemistry
	part      string
}

// fittedOnce is one fitting.
type fittedOnce struct {
	unit     fleet.UnitID
	from, to fleet.Opt[fleet.Date]
	because  fleet.Removal
	price    fleet.Opt[fleet.Money]
}

type service struct {
	lives                   []trend.Life // in years
	fitted, undated, failed int
	priced                  int
	paid                    fleet.Money
	days, startDays, starts float64
}

type services struct {
	of    map[serviceKey]*service
	units map[fleet.UnitID]*fleet.Unit
	since fleet.Date
	on    fleet.Date
}

func newServices(f Facts, since fleet.Opt[fleet.Date], on fleet.Date) services {
	s := services{map[serviceKey]*service{}, map[fleet.UnitID]*fleet.Unit{}, since.Or(on), on}
	for i := range f.Units {
		s.units[f.Units[i].ID] = &f.Units[i]
	}
	if !since.IsKnown() {
		for i := range f.Batteries {
			s.since = min(s.since, f.Batteries[i].RemovedOn.Or(on))
		}
		for i := range f.Starters {
			s.since = min(s.since, f.Starters[i].RemovedOn.Or(on))
		}
	}
	return s
}

func (s *services) add(k serviceKey, one fittedOnce) {
	v := s.of[k]
	if v == nil {
		v = &service{}
		s.of[k] = v
	}
	v.fitted++
	if price, known := one.price.Get(); known {
		v.priced++
		v.paid += price
	}
	from, dated := one.from.Get()
	if !dated {
		v.undated++
		return
	}
	to, ended := one.to.Get()
	if !ended || to > s.on {
		to, ended = s.on, false
	}
	failed := ended && one.because == fleet.RemovedFailed
	entry := max(0, s.since-from)
	if to <= from+entry {
		return // it was gone before anything was recorded, or came today
	}
	if failed {
		v.failed++
	}
	seen := float64(to - from - entry)
	v.lives = append(v.lives, trend.Life{Entry: float64(entry) / daysPerYear, Exit: float64(to-from) / daysPerYear, Failed: failed})
	v.days += seen
	if u := s.units[one.unit]; u != nil {
		if perDay, known := u.StartsPerDay.Get(); known {
			v.startDays, v.starts = v.startDays+seen, v.starts+seen*perDay
		}
	}
}

func (v *service) cost(k serviceKey, failure fleet.Money) ServiceCost {
	c := ServiceCost{Part: k.part, Kind: k.kind, Chemistry: k.chemistry, Fitted: v.fitted, Undated: v.undated, Failed: v.failed, Months: v.days / daysPerMonth, TooFew: v.failed < fewFailures}
	fit, err := trend.FitWeibull(v.lives, UsualLife(k.kind))
	if err != nil {
		return c // with a prior there is none
	}
	c.LifeYears = fit.Mean()
	var means []float64
	for _, life := range plausible(fit) {
		means = append(means, life.Mean())
	}
	slices.Sort(means)
	c.LifeLow, c.LifeHigh = quantileOf(means, 0.1), quantileOf(means, 0.9)
	if v.priced == 0 {
		return c
	}
	price := ratio(v.paid, 1, int64(v.priced))
	c.MeanPrice = fleet.Known(price)
	whole := (price + failure).Amount()
	perMonth := func(years float64) fleet.Opt[fleet.Money] {
		return fleet.Known(fleet.RoundMoney(whole / years / monthsPerYear))
	}
	c.PerMonth, c.Low, c.High = perMonth(c.LifeYears), perMonth(c.LifeHigh), perMonth(c.LifeLow)
	if v.starts > 0 {
		perMonth := v.starts / v.startDays * daysPerMonth
		c.PerStart = fleet.Known(whole / c.LifeYears / monthsPerYear / perMonth)
	}
	v.seen(&c, price.Amount(), failure.Amount())
	return c
}

// seen reads the cost off the product-limit curve. Parts seen from birth on are needed.
func (v *service) seen(c *ServiceCost, price, failure float64) {
	young := false
	for _, l := range v.lives {
		c.SeenYears = min(seenYears, max(c.SeenYears, l.Exit))
		young = young || l.Entry == 0
	}
	if !young {
		c.SeenYears = 0
		return
	}
	mean, _, alive := RestrictedMean(v.lives, c.SeenYears)
	c.Seen = fleet.Known(fleet.RoundMoney((price + failure*(1-alive)) / mean / monthsPerYear))
}

// RestrictedMean is the mean life up to a horizon by the product-limit curve, with its standard error by Greenwood's formula and the share
// that lives past the horizon: the area under the curve (Klein and Moeschberger, Survival Analysis, 4.5).
func RestrictedMean(lives []trend.Life, horizon float64) (mean, se, alive float64) {
	steps := slices.DeleteFunc(trend.KaplanMeier(lives), func(s trend.SurvivalStep) bool { return s.Time > horizon })
	alive = 1
	last := 0.0
	areas := make([]float64, len(steps)) // from each step to the next
	for i, s := range steps {
		mean += alive * (s.Time - last)
		last, alive = s.Time, s.Survival
		next := horizon
		if i+1 < len(steps) {
			next = steps[i+1].Time
		}
		areas[i] = s.Survival * (next - s.Time)
	}
	mean += alive * (horizon - last)
	variance, beyond := 0.0, 0.0
	for i := len(steps) - 1; i >= 0; i-- {
		beyond += areas[i]
		if n, d := float64(steps[i].AtRisk), float64(steps[i].Events); n > d {
			variance += beyond * beyond * d / (n * (n - d))
		}
	}
	return mean, math.Sqrt(variance), alive
}

// UsualBreakdown is the median of what breakdowns of a cause cost, as far as it is recorded. Unknown: none is.
func UsualBreakdown(f Facts, cause fleet.Part) fleet.Opt[fleet.Money] {
	var costs []fleet.Money
	for _, b := range f.Breakdowns {
		if cost, known := b.Cost.Get(); known && b.Cause == cause {
			costs = append(costs, cost)
		}
	}
	if len(costs) == 0 {
		return fleet.Opt[fleet.Money]{}
	}
	slices.Sort(costs)
	return fleet.Known((costs[(len(costs)-1)/2] + costs[len(costs)/2]) / 2)
}

// AgainstRules is what the list of a season saved more than each of the rules used before, by what the audit says of each.
func AgainstRules(list fleet.Money, rules []AuditMoney) []AgainstRule {
	var out []AgainstRule
	for _, r := range rules {
		a := AgainstRule{Rule: r.Name, More: list - r.Saved, Low: r.Low, High: r.High}
		a.Clear = a.Low.Or(0) > 0 || a.High.Or(0) < 0
		out = append(out, a)
	}
	return out
}
