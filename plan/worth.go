package plan

import (
	"math"

	"rimeyard/internal/fleet"
)

// perCoin is how finely worth is counted: in cents, as it is told, so that every total is the sum of what stands beside it. Whole numbers
// make sums exact, so that "no plan saves more" can be said without a tolerance, and independent of their order.
const perCoin = 100

// startIsWorth stands in for the cost of a failed start where none is known; starts are then told apart to eight decimals.
const startIsWorth = 1_000_000

// count rounds half away from zero.
func count(amount float64) int64 { return int64(math.Round(amount * perCoin)) }

// money is worth as it is told.
func money(worth int64) fleet.Money { return fleet.Money(worth) }

// course is a unit's run of chances. hazard[w] is −ln(1 − chance) up to the beginning of week w, alive[w] that chance's complement; the
// last of each are those of the whole season.
type course struct {
	hazard, alive []float64
	down          bool // see Unit
}

// surest is as certain as a chance may be: a unit of which it is said that it must fail still has a finite hazard.
const surest = 1 - 1e-9

func newCourse(u *Unit) course {
	c := course{make([]float64, len(u.ChanceByWeek)+1), make([]float64, len(u.ChanceByWeek)+1), u.Down}
	c.alive[0] = 1
	for i, p := range u.ChanceByWeek {
		c.alive[i+1] = 1 - min(p, surest)
		c.hazard[i+1] = -math.Log(c.alive[i+1])
	}
	return c
}

// scaled has the same shape and ends at another season's chance.
func (c course) scaled(season float64) course {
	by := 0.0
	if c.end() > 0 {
		by = -math.Log(1-min(season, surest)) / c.end()
	}
	out := course{make([]float64, len(c.hazard)), make([]float64, len(c.hazard)), c.down}
	for i, h := range c.hazard {
		out.hazard[i], out.alive[i] = h*by, math.Exp(-h*by)
	}
	return out
}

func (c course) weeks() int      { return len(c.hazard) - 1 }
func (c course) end() float64    { return c.hazard[c.weeks()] }
func (c course) season() float64 { return 1 - c.alive[c.weeks()] }

// set is several works done in one visit.
type set struct {
	parts   []fleet.Part
	cured   float64 // share of the unit's hazard
	swaps   int     // parts that are new afterwards
	minutes int
	labour  float64 // what the minutes cost, in coins
	bought  []bought
	spent   fleet.Money // full price
	takes   []take
	gains   []int64 // by week: what it saves, less what it costs
}

// take is so many pieces of one part number.
type take struct{ item, pieces int }

// job is a unit as the optimiser sees it.
type job struct {
	unit   *Unit
	course course
	loss   float64 // of one failed start, in coins
	sets   []set
}

// appraiser weighs works by the rules of one plan.
type appraiser struct {
	rules     Rules
	lives     lives
	weeks     int
	noMoney   bool    // no failed start has a known cost: avoid as many as possible
	usualLoss float64 // stands in where a unit's own is unknown, in coins
}

// helps are the parts that work helps against, in their fixed order.
func (a *appraiser) helps(u *Unit, season float64) (parts []fleet.Part) {
	for _, part := range fleet.Suspects() {
		if falls := a.rules.Cures[part] * u.Causes[part] * season; falls > 0 && falls >= a.rules.LeastChance {
			parts = append(parts, part)
		}
	}
	return parts
}

// job lists every set of works that helps a unit, with what it saves in each week. takes numbers the pieces that stock may limit.
func (a *appraiser) job(u *Unit, d *Depot, takes func([]string) []take) job {
	c := newCourse(u)
	return a.jobOf(u, d, c, a.helps(u, c.season()), takes)
}

func (a *appraiser) jobOf(u *Unit, d *Depot, c course, parts []fleet.Part, takes func([]string) []take) job {
	j := job{unit: u, course: c, loss: a.usualLoss}
	if own, known := u.NoStartCost.Get(); known && !a.noMoney {
		j.loss = own.Amount()
	}
	for mask := 1; mask < 1<<len(parts); mask++ {
		var chosen []fleet.Part
		for i, part := range parts {
			if mask>>i&1 == 1 {
				chosen = append(chosen, part)
			}
		}
		j.sets = append(j.sets, a.set(&j, d, chosen, takes))
	}
	return j
}

func (a *appraiser) set(j *job, d *Depot, parts []fleet.Part, takes func([]string) []take) set {
	s := set{parts: parts, minutes: a.rules.SetUpMinutes}
	var numbers []string
	for _, part := range parts {
		s.cured += a.rules.Cures[part] * j.unit.Causes[part]
		s.minutes += a.rules.Minutes[part]
		s.spent += j.unit.SwapCosts[part]
		if j.unit.SwapCosts[part] > 0 {
			s.bought = append(s.bought, a.buys(j, part))
		}
		if isSwapped(part) {
			s.swaps++
			numbers = append(numbers, j.unit.PartsNeeded[part]...)
		}
	}
	s.cured = min(1, s.cured)
	s.labour = d.LabourPerHour.Or(0).Amount() * float64(s.minutes) / 60
	s.takes = takes(numbers)
	s.gains = make([]int64, a.weeks)
	for w := range s.gains {
		s.gains[w] = count(a.avoids(j.course, j.loss, &s, w) - a.costs(j.course, &s, w))
	}
	return s
}

// avoids is the expected loss that a set of works in week w prevents, with H the hazard and W the season's last week:
//
//	C · { exp[−H(w) − (1 − c)(H(W) − H(w)) − n·r·(W − w)] − exp[−H(W)] }
//
// Work counts from its week's Monday on. c is the share of the hazard that it cures: Σ share of the blame × share cured, as if the
// causes were rivals with proportional hazards. r is the weekly risk of each of n new parts. A unit that is down has one cause, which the work
// either meets or not: for exp[−(1 − c)(H(W) − H(w))] it has 1 − (1 − c)·{1 − exp[−(H(W) − H(w))]}, which is the same where hazards are small.
func (a *appraiser) avoids(c course, loss float64, s *set, w int) float64 {
	w = min(w, c.weeks())
	left, fitted := c.end()-c.hazard[w], float64(s.swaps)*a.rules.NewPartRisk*float64(c.weeks()-w)
	survives := math.Exp(-(1-s.cured)*left - fitted)
	if c.down {
		survives = (1 - (1-s.cured)*-math.Expm1(-left)) * math.Exp(-fitted)
	}
	return loss * (c.alive[w]*survives - c.alive[c.weeks()])
}

// costs is what a set of works in week w costs more than leaving the unit. Parts of a unit that has failed before are renewed in
// either case; a part that would have failed later in the season is only bought sooner; of every other the life that it still has is
// lost, by its price:
//
//	Σ price · left(age at w) · {alive(w) − share of the blame · [alive(w) − alive(W)]} + labour · alive(w),   alive = exp(−H)
//
// left is by its kind's lifetimes (see life), but not longer than 1/p years for a part that fails with chance p in a season: age does
// not make it better. Under WholePrice every price and all labour count whole.
func (a *appraiser) costs(c course, s *set, w int) float64 {
	if a.noMoney {
		return 0
	}
	if a.rules.WholePrice {
		return s.spent.Amount() + s.labour
	}
	on := min(w, c.weeks())
	alive, later := c.alive[on], c.alive[on]-c.alive[c.weeks()]
	total := s.labour * alive
	for _, b := range s.bought {
		total += b.price * b.left(w) * (alive - b.share*later)
	}
	return total
}

// bought is one part's share in what a set costs.
type bought struct {
	price, share float64 // in coins; of the blame
	life         life
	age          fleet.Opt[float64]
	most         float64 // share of a life that the part's chance to fail lets it have at most
}

func (b *bought) left(w int) float64 {
	if len(b.life.byWeek) == 0 {
		return 1
	}
	return min(b.life.left(b.age, w), b.most)
}

func (a *appraiser) buys(j *job, part fleet.Part) bought {
	b := bought{price: j.unit.SwapCosts[part].Amount(), share: j.unit.Causes[part], life: a.lives[part], most: 1}
	if years, known := j.unit.AgeYears[part]; known {
		b.age = fleet.Known(years)
	}
	if p := b.share * j.course.season(); p > 0 {
		b.most = 1 / p / b.life.meanYears
	}
	return b
}

func isSwapped(part fleet.Part) bool { return part == fleet.BatteryPart || part == fleet.StarterPart }
