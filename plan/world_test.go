package plan_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"

	"rimeyard/internal/fleet"
	"rimeyard/plan"
)

// size of a random problem.
type size struct{ units, weeks, depots int }

var depotIDs = []fleet.DepotID{"NOR", "SUD", "VAL", "OST"}

// randomInput has whatever limits chance gives it.
func randomInput(r *rand.Rand, n size) plan.Input {
	in := plan.Input{Monday: monday, Weeks: n.weeks, Rules: plan.DefaultRules()}
	if r.IntN(3) == 0 {
		in.Rules.LeastChance = 0
	}
	in.Rules.WholePrice = r.IntN(4) == 0
	for i := range n.depots {
		in.Depots = append(in.Depots, randomDepot(r, depotIDs[i], n))
	}
	for i := range n.units {
		in.Units = append(in.Units, randomUnit(r, i, depotIDs[r.IntN(n.depots)], n))
	}
	if r.IntN(3) == 0 {
		in.Budget = fleet.Known(fleet.Money(r.IntN(40_000 * n.units)))
	}
	return in
}

func randomDepot(r *rand.Rand, id fleet.DepotID, n size) plan.Depot {
	d := plan.Depot{ID: id}
	if r.IntN(6) > 0 {
		d.CapacityByWeek = counts(r, n.weeks, 1+2*n.units/n.weeks)
	}
	if r.IntN(3) == 0 {
		d.MinutesByWeek = counts(r, n.weeks, 1+300*n.units/n.weeks)
	}
	if r.IntN(2) == 0 {
		d.Stock = map[string]int{"B1": r.IntN(n.units + 1), "B2": r.IntN(n.units + 1), "S1": r.IntN(2)}
	}
	if r.IntN(2) == 0 {
		d.LeadWeeks = fleet.Known(r.IntN(n.weeks + 1))
	}
	if r.IntN(3) == 0 {
		d.LabourPerHour = fleet.Known(fleet.Money(r.IntN(9000)))
	}
	return d
}

func counts(r *rand.Rand, weeks, below int) []int {
	list := make([]int, 1+r.IntN(weeks))
	for i := range list {
		list[i] = r.IntN(below + 1)
	}
	return list
}

func randomUnit(r *rand.Rand, i int, depot fleet.DepotID, n size) plan.Unit {
	u := plan.Unit{
		ID: fleet.UnitID(fmt.Sprintf("U-%05d", i)), Depot: depot, NoStartCost: fleet.Known(fleet.Money(20_000 + r.IntN(180_000))),
		SwapCosts: map[fleet.Part]fleet.Money{}, PartsNeeded: map[fleet.Part][]string{}, AgeYears: map[fleet.Part]float64{},
	}
	hazard, level := 0.0, math.Exp(-4+2*r.NormFloat64())
	for range n.weeks + r.IntN(3) {
		hazard += level * r.Float64()
		u.ChanceByWeek = append(u.ChanceByWeek, 1-math.Exp(-hazard))
	}
	x, y := r.Float64(), r.Float64()
	u.Causes = map[fleet.Part]float64{fleet.BatteryPart: x, fleet.StarterPart: (1 - x) * y, fleet.ControlPart: (1 - x) * (1 - y)}
	if r.IntN(2) == 0 {
		u.Causes = map[fleet.Part]float64{fleet.BatteryPart: x, fleet.CablePart: (1 - x) * y, fleet.ChargingPart: (1 - x) * (1 - y)}
	}
	for range 1 + r.IntN(2) {
		u.PartsNeeded[fleet.BatteryPart] = append(u.PartsNeeded[fleet.BatteryPart], []string{"B1", "B2"}[r.IntN(2)])
	}
	u.PartsNeeded[fleet.StarterPart] = []string{"S1"}
	if r.IntN(8) > 0 {
		u.SwapCosts[fleet.BatteryPart] = fleet.Money(5_000 + r.IntN(40_000))
		u.SwapCosts[fleet.StarterPart] = fleet.Money(r.IntN(90_000))
	}
	if r.IntN(4) > 0 {
		u.AgeYears[fleet.BatteryPart] = 8 * r.Float64()
	}
	return u
}

// choice is one thing that could be done with a unit, worked out anew from the formulas in docs/methods.md, for brute force.
type choice struct {
	week, minutes int
	gain          float64
	spent         fleet.Money
	pieces        map[string]int
}

func choices(in plan.Input, d plan.Depot, u plan.Unit) (all []choice) {
	all = append(all, choice{week: -1})
	chance := func(w int) float64 { // up to the beginning of week w
		if w == 0 || len(u.ChanceByWeek) == 0 {
			return 0
		}
		return u.ChanceByWeek[min(w, len(u.ChanceByWeek))-1]
	}
	season := chance(len(u.ChanceByWeek))
	var parts []fleet.Part
	for _, part := range []fleet.Part{fleet.BatteryPart, fleet.StarterPart, fleet.CablePart, fleet.ChargingPart} {
		if x := u.Causes[part] * in.Rules.Cures[part] * season; x > 0 && x >= in.Rules.LeastChance {
			parts = append(parts, part)
		}
	}
	for mask := 1; mask < 1<<len(parts); mask++ {
		for w := range in.Weeks {
			c := choice{week: w, minutes: in.Rules.SetUpMinutes, pieces: map[string]int{}}
			cured, swaps, lost := 0.0, 0, 0.0
			alive, later := 1-chance(w), season-chance(w)
			for i, part := range parts {
				if mask>>i&1 == 0 {
					continue
				}
				cured += u.Causes[part] * in.Rules.Cures[part]
				c.minutes += in.Rules.Minutes[part]
				c.spent += u.SwapCosts[part]
				lost += u.SwapCosts[part].Amount() * lifeLeft(in.Rules, u, part, w, season) * (alive - u.Causes[part]*later)
				if part == fleet.BatteryPart || part == fleet.StarterPart {
					swaps++
					for _, piece := range u.PartsNeeded[part] {
						c.pieces[piece]++
					}
				}
			}
			risk := float64(swaps) * in.Rules.NewPartRisk * float64(max(0, len(u.ChanceByWeek)-w))
			survives := alive * math.Pow((1-season)/alive, 1-cured) * math.Exp(-risk)
			labour := d.LabourPerHour.Or(0).Amount() / 60 * float64(c.minutes)
			if in.Rules.WholePrice {
				lost, alive = c.spent.Amount(), 1
			}
			gain := u.NoStartCost.Or(0).Amount()*(survives-(1-season)) - lost - labour*alive
			c.gain = math.Round(100*gain) / 100 // plans count in cents
			all = append(all, c)
		}
	}
	return all
}

// lifeLeft sums what is left of a life by Simpson's rule.
func lifeLeft(rules plan.Rules, u plan.Unit, part fleet.Part, w int, season float64) float64 {
	scale, known := rules.LifeYears[part]
	if !known {
		return 1
	}
	mean := scale * math.Gamma(1+1/rules.LifeShape)
	left := math.Gamma(1+2/rules.LifeShape) / (2 * math.Pow(math.Gamma(1+1/rules.LifeShape), 2))
	if age, known := u.AgeYears[part]; known {
		from := (math.Round(age*plan.WeeksPerYear) + float64(w)) / plan.WeeksPerYear
		left = remaining(rules.LifeShape, scale, from) / mean
	}
	return min(left, 1/(u.Causes[part]*season)/mean)
}

func remaining(shape, scale, from float64) float64 {
	alive := func(t float64) float64 { return math.Exp(-math.Pow(t/scale, shape)) }
	const steps = 200
	step, sum := 4*scale/steps, 0.0
	for i := range steps {
		t := from + float64(i)*step
		sum += step * (alive(t) + 4*alive(t+step/2) + alive(t+step)) / 6
	}
	return sum / alive(from)
}

// tried is every plan tried: the best sum of gains that keeps all limits.
type tried struct {
	in      plan.Input
	depots  map[fleet.DepotID]plan.Depot
	options [][]choice
	taken   map[limitKey]int
	spent   fleet.Money
	best    float64
}

type limitKey struct {
	depot fleet.DepotID
	what  string // a part number, or one of these
	week  int
}

const visits, minutes = "visits", "minutes"

func bruteForce(in plan.Input) float64 {
	b := tried{in: in, depots: map[fleet.DepotID]plan.Depot{}, taken: map[limitKey]int{}}
	for _, d := range in.Depots {
		b.depots[d.ID] = d
	}
	for _, u := range in.Units {
		b.options = append(b.options, choices(in, b.depots[u.Depot], u))
	}
	b.try(0, 0)
	return b.best
}

func (b *tried) try(i int, sum float64) {
	if i == len(b.in.Units) {
		b.best = max(b.best, sum)
		return
	}
	d := b.depots[b.in.Units[i].Depot]
	for _, c := range b.options[i] {
		if c.week < 0 {
			b.try(i+1, sum)
			continue
		}
		if c.gain <= 0 {
			continue // leaving is allowed and better
		}
		b.take(d, c, 1)
		if b.fits(d, c.week) {
			b.try(i+1, sum+c.gain)
		}
		b.take(d, c, -1)
	}
}

func (b *tried) take(d plan.Depot, c choice, n int) {
	b.taken[limitKey{d.ID, visits, c.week}] += n
	b.taken[limitKey{d.ID, minutes, c.week}] += n * c.minutes
	b.spent += fleet.Money(n) * c.spent
	if lead, known := d.LeadWeeks.Get(); !known || c.week < lead {
		for piece, count := range c.pieces {
			b.taken[limitKey{d.ID, piece, 0}] += n * count
		}
	}
}

func (b *tried) fits(d plan.Depot, week int) bool {
	at := func(list []int) int {
		if len(list) == 0 {
			return math.MaxInt
		}
		return list[min(week, len(list)-1)]
	}
	if b.taken[limitKey{d.ID, visits, week}] > at(d.CapacityByWeek) || b.taken[limitKey{d.ID, minutes, week}] > at(d.MinutesByWeek) {
		return false
	}
	if limit, known := b.in.Budget.Get(); known && b.spent > limit {
		return false
	}
	for _, piece := range []string{"B1", "B2", "S1"} {
		if d.Stock != nil && b.taken[limitKey{d.ID, piece, 0}] > d.Stock[piece] {
			return false
		}
	}
	return true
}

func shuffled(r *rand.Rand, in plan.Input) plan.Input {
	in.Units, in.Depots, in.Locked = slices.Clone(in.Units), slices.Clone(in.Depots), slices.Clone(in.Locked)
	r.Shuffle(len(in.Units), func(i, j int) { in.Units[i], in.Units[j] = in.Units[j], in.Units[i] })
	r.Shuffle(len(in.Depots), func(i, j int) { in.Depots[i], in.Depots[j] = in.Depots[j], in.Depots[i] })
	r.Shuffle(len(in.Locked), func(i, j int) { in.Locked[i], in.Locked[j] = in.Locked[j], in.Locked[i] })
	return in
}
