package ledger

import (
	"maps"
	"math"
	"slices"

	"rimeyard/internal/fleet"
	"rimeyard/trend"
)

// prepared is a unit as a budget sees it.
type prepared struct {
	byWinter []fleet.PastWinter
	first    int         // month of the budget that is byWinter's first column; below zero: that many are behind
	columns  int         // of byWinter
	calm     []float64   // by month where no outlook reaches: chance of a failure, or in cold months the hazard in a usual winter
	cold     []bool      // by month: of those, which are cold, so that it depends on the winter
	left     []float64   // by month: share of the hazard that planned work leaves
	priced   []int       // by month: which of moments and outcomes holds
	moments  []moments   // of the cost of one failure
	outcomes [][]outcome // likewise, the chances being those of the causes
}

// inSeason tells whether a month's chance is the outlook's.
func (u *prepared) inSeason(month int) bool {
	return month >= u.first && month < u.first+u.columns
}

func (b *budgeting) prepare(u *BudgetUnit, work []Planned, hazards ages) prepared {
	p := prepared{byWinter: u.ByWinter, first: int(u.FirstMonth - b.months[0])}
	if len(u.ByWinter) > 0 {
		p.columns = len(u.ByWinter[0].Chance)
	}
	n := len(b.months)
	p.left = b.leftBy(u, work)
	p.calm, p.cold, p.priced = make([]float64, n), make([]bool, n), make([]int, n)
	for m, month := range b.months {
		if !p.inSeason(m) {
			share := float64(month.Last()+1-max(b.in.From, month.First())) / float64(month.Days())
			p.cold[m] = b.in.Rates.Season[int(month)%monthsPerYear]
			p.calm[m] = b.in.Rates.ByMonth[int(month)%monthsPerYear] * share * hazards.against(u, m, p.cold[m])
			if p.left != nil {
				p.calm[m] *= p.left[m]
			}
			if !p.cold[m] {
				p.calm[m] = -math.Expm1(-p.calm[m])
			}
		}
		on := max(b.in.From, month.First())
		if m == 0 || b.prices.moved(b.months[m-1].First(), on) {
			outcomes := b.outcomes(u, on)
			var of moments
			for _, o := range outcomes {
				of.add(o.p, moments{o.cost, o.cost * o.cost, o.cost * o.cost * o.cost, 1})
			}
			p.moments, p.outcomes = append(p.moments, of), append(p.outcomes, outcomes)
		}
		p.priced[m] = len(p.moments) - 1
	}
	if !u.NoStartCost.IsKnown() {
		b.out.NoCost++
	}
	return p
}

// outcomes of a failure: the part to blame is bought, if it is one that is, and the call-out paid in any case.
func (b *budgeting) outcomes(u *BudgetUnit, on fleet.Date) []outcome {
	callOut := float64(u.NoStartCost.Or(0))
	rest := 1.0
	var all []outcome
	for _, part := range []fleet.Part{fleet.BatteryPart, fleet.StarterPart} {
		share := min(max(0, u.Causes[part]), rest)
		if share == 0 {
			continue
		}
		price, _ := b.prices.swap(u, part, on, b.in.Instead)
		all = append(all, outcome{share, callOut + float64(price)})
		rest -= share
	}
	if rest > 1e-9 {
		all = append(all, outcome{rest, callOut})
	}
	return all
}

// leftBy is what planned work leaves of the hazard in each month; in the month of the work, by the days before it. Nil: all.
func (b *budgeting) leftBy(u *BudgetUnit, work []Planned) (left []float64) {
	for _, p := range work {
		cured := 0.0
		for _, part := range p.Parts {
			cured += b.in.Cures[part] * u.Causes[part]
		}
		cured = min(1, cured)
		if cured == 0 || p.On < b.in.From.Monday() {
			continue
		}
		if left == nil {
			left = slices.Repeat([]float64{1}, len(b.months))
		}
		for m, month := range b.months {
			from := max(b.in.From, month.First())
			days := float64(month.Last() + 1 - from)
			before := min(max(0, float64(p.On-from)), days) / days
			left[m] *= before + (1-before)*(1-cured)
		}
	}
	return left
}

// chances fills in the chance of a failure in each month in one winter: in the season of the first, given that none was before the budget.
func (u *prepared) chances(winter int, severity float64, into []float64) {
	for m := range into {
		into[m] = u.calm[m] // 0 in the season
		if u.cold[m] {
			into[m] = -math.Expm1(-u.calm[m] * severity)
		}
	}
	if u.columns == 0 {
		return
	}
	w := u.byWinter[winter].Chance
	before := 0.0
	if u.first < 0 {
		before = w[min(-u.first, u.columns)-1]
	}
	if before >= 1 {
		return // it has failed by then, in that winter
	}
	alive, last := 1-before, before
	fails := 1.0 // chance of having come so far without a failure
	for m := max(0, u.first); m < min(len(into), u.first+u.columns); m++ {
		at := w[m-u.first]
		if u.left == nil {
			into[m] = (at - last) / alive
		} else {
			conditional := 1 - math.Pow(1-(at-last)/(1-last), u.left[m])
			if last >= 1 {
				conditional = 0
			}
			into[m] = fails * conditional
			fails -= into[m]
		}
		last = at
	}
}

// ages hold units' hazards against each other.
type ages struct {
	of    map[fleet.Part]trend.Weibull
	mean  map[fleet.Part]float64 // hazard of the units whose age is known
	quiet float64                // mean of the units of which it is known; 0: of none
	usual map[bool]float64       // mean over all units of what against gives today without it, in the season and out of it
}

// youngest age at which a hazard is read, in years: one that falls with age has no bound at 0.
const youngest = 1.0 / monthsPerYear

func (b *budgeting) hazards() ages {
	a := ages{map[fleet.Part]trend.Weibull{}, map[fleet.Part]float64{}, 0, map[bool]float64{false: 1, true: 1}}
	for _, part := range slices.Sorted(maps.Keys(b.in.Rates.Lives)) {
		l, n, sum := b.in.Rates.Lives[part], 0, 0.0
		for i := range b.in.Units {
			if years, known := b.in.Units[i].AgeYears[part]; known {
				n++
				sum += hazard(l, max(years, youngest))
			}
		}
		if n > 0 && sum > 0 {
			a.of[part], a.mean[part] = l, sum/float64(n)
		}
	}
	n := 0
	for i := range b.in.Units {
		if quiet := b.in.Units[i].Quiet.Or(0); quiet > 0 {
			a.quiet += quiet
			n++
		}
	}
	a.quiet /= float64(max(1, n))
	var sums [2]float64
	for i := range b.in.Units {
		sums[0] += a.against(&b.in.Units[i], 0, false)
		sums[1] += a.against(&b.in.Units[i], 0, true)
	}
	for k, sum := range sums {
		if sum > 0 {
			a.usual[k == 1] = sum / float64(len(b.in.Units))
		}
	}
	return a
}

// against is a unit's hazard in a month of the budget against that of the usual unit today: by the causes that are suspected of it and the age
// of its parts, and out of the season by its own chance of failing without cold.
func (a ages) against(u *BudgetUnit, month int, season bool) float64 {
	ratio := 1.0
	for _, part := range []fleet.Part{fleet.BatteryPart, fleet.StarterPart} {
		if years, known := u.AgeYears[part]; known && a.mean[part] > 0 {
			ratio += u.Causes[part] * (hazard(a.of[part], max(years, youngest)+float64(month)/monthsPerYear)/a.mean[part] - 1)
		}
	}
	if quiet := u.Quiet.Or(0); !season && quiet > 0 {
		ratio *= quiet / a.quiet
	}
	return max(0, ratio) / a.usual[season]
}
