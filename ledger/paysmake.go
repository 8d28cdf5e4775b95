package ledger

import (
	"cmp"
	"math"
	"slices"

	"rimeyard/internal/fleet"
	"rimeyard/plan"
)

// PaysUnit is a unit for which policies are weighed: as the planner sees it, with its chance at the end of the season in each past winter.
type PaysUnit struct {
	plan.Unit
	CostCentre string
	// ByWinter is fleet.Outlook.ByWinter, of the same winters for all units of a depot; the last chance of each counts.
	ByWinter      []fleet.PastWinter
	LabourPerHour fleet.Opt[fleet.Money]
}

// seasons are the unit's chances at the end of the season, by winter.
func (u *PaysUnit) seasons() []float64 {
	var chances []float64
	for _, w := range u.ByWinter {
		if n := len(w.Chance); n > 0 {
			chances = append(chances, w.Chance[n-1])
		}
	}
	return chances
}

// Pays holds three policies against each other, for each unit and for the fleet: to work on it now, in its best week, or to let it run to
// failure. Monday is that of the first week of the units' chances.
//
// The works, their best week and their worth are those of package plan, by the same rules. To run to failure costs the chance of a failed
// start times its loss; a policy with work costs that less what the work avoids, and the work itself: labour, and the life of parts that is
// thrown away. Each winter has a cost; expected is their mean, mild and hard are P10 and P90 over winters, of the expected cost in each.
// For the fleet, the spread of what is saved is that of money as it will be seen: over winters, those of different depots being matched as in
// a budget (see align), and over which units fail.
func Pays(monday fleet.Date, units []PaysUnit, r plan.Rules) FleetPays {
	units = slices.Clone(units)
	slices.SortFunc(units, func(a, b PaysUnit) int { return cmp.Compare(a.ID, b.ID) })
	all := make([]plan.Unit, len(units))
	depots := map[fleet.DepotID]*depotWinters{}
	for i := range units {
		all[i] = units[i].Unit
		units[i].addTo(depots)
	}
	shared, own := align(depots), map[fleet.DepotID]int{}
	for d, of := range depots {
		own[d] = len(of.severity)
	}
	n := shared.count
	w := weighing{
		monday: monday, appraiser: plan.NewAppraiser(r, all), winters: shared, depots: own, now: make([]float64, n), best: make([]float64, n), run: make([]float64, n), saves: make([]cumulants, n),
	}
	for i := range units {
		w.add(&units[i])
	}
	return w.fleet()
}

// addTo adds the unit's chances to what the winters do at its depot.
func (u *PaysUnit) addTo(depots map[fleet.DepotID]*depotWinters) {
	chances := u.seasons()
	w := depots[u.Depot]
	if w == nil && len(chances) > 0 {
		w = &depotWinters{severity: make([]float64, len(chances))}
		for _, past := range u.ByWinter {
			w.years = append(w.years, past.Year)
		}
		depots[u.Depot] = w
	}
	if w == nil || len(chances) != len(w.severity) {
		return
	}
	for k, p := range chances {
		w.severity[k] += p
	}
}

// weighing adds up units by winter, counted from the newest back.
type weighing struct {
	monday         fleet.Date
	appraiser      *plan.Appraiser
	winters        aligned
	depots         map[fleet.DepotID]int // how many winters each has
	now, best, run []float64
	saves          []cumulants // run less best
	out            FleetPays
}

func (w *weighing) add(u *PaysUnit) {
	switch {
	case len(u.ChanceByWeek) == 0 || len(u.ByWinter) == 0 || len(u.seasons()) != w.depots[u.Depot]:
		w.out.Unknown++
		return
	case !u.NoStartCost.IsKnown():
		w.out.Unpriced++
		return
	}
	p, pays := w.appraiser.Appraise(&u.Unit, u.LabourPerHour)
	if !pays {
		w.leave(u)
		return
	}
	for _, part := range p.Parts {
		if _, priced := u.SwapCosts[part]; !priced && (part == fleet.BatteryPart || part == fleet.StarterPart) {
			w.out.Unpriced++
			return
		}
	}
	c := w.courses(u, &p)
	for i := range w.run {
		k := w.winters.own[u.Depot][i]
		w.now[i], w.best[i], w.run[i] = w.now[i]+c.now[k], w.best[i]+c.best[k], w.run[i]+c.run[k]
		w.saves[i].add(cumulants{mean: c.saves[k], variance: c.variance[k]})
	}
	w.out.Units = append(w.out.Units, c.unit(u, w.monday+fleet.Date(daysPerWeek*p.Week), w.monday, p.Parts))
}

const daysPerWeek = 7

// courses are what the policies cost a unit, by winter, in whole currency.
type courses struct{ now, best, run, saves, variance []float64 }

func (w *weighing) courses(u *PaysUnit, p *plan.Appraisal) courses {
	chances := u.seasons()
	n := len(chances)
	flat := make([]float64, 5*n)
	c := courses{flat[:n], flat[n : 2*n], flat[2*n : 3*n], flat[3*n : 4*n], flat[4*n:]}
	loss := p.Loss.Amount()
	for k, chance := range chances {
		c.run[k] = loss * chance
		avoids, costs := p.At(0, chance)
		c.now[k] = c.run[k] - avoids + costs
		avoids, costs = p.At(p.Week, chance)
		c.best[k] = c.run[k] - avoids + costs
		c.saves[k] = avoids - costs
		c.variance[k] = avoids * max(0, loss-avoids) // of a failed start that is avoided with chance avoids ÷ loss
	}
	return c
}

func (c courses) unit(u *PaysUnit, best, now fleet.Date, parts []fleet.Part) UnitPays {
	p := UnitPays{
		Unit: u.ID, Depot: u.Depot, CostCentre: u.CostCentre, Parts: parts,
		Now: policyCost(SwapNow, fleet.Known(now), c.now), Best: policyCost(SwapBest, fleet.Known(best), c.best),
		Run: policyCost(RunToFailure, fleet.Opt[fleet.Date]{}, c.run),
	}
	saves := policyCost(SwapBest, fleet.Known(best), c.saves)
	p.Saves, p.SavesMild, p.SavesHard = p.Run.Expected-p.Best.Expected, saves.Mild, saves.Hard
	p.Cheapest = RunToFailure
	switch least := min(p.Now.Expected, p.Best.Expected, p.Run.Expected); least {
	case p.Run.Expected:
	case p.Now.Expected:
		p.Cheapest = SwapNow
	default:
		p.Cheapest = SwapBest
	}
	return p
}

// policyCost sums up costs by winter.
func policyCost(policy Policy, monday fleet.Opt[fleet.Date], byWinter []float64) PolicyCost {
	sorted, sum := slices.Clone(byWinter), 0.0
	slices.Sort(sorted)
	for _, c := range sorted {
		sum += c
	}
	return PolicyCost{
		Policy: policy, Monday: monday, Expected: fleet.RoundMoney(sum / float64(len(sorted))),
		Mild: fleet.RoundMoney(quantileOf(sorted, 0.1)), Hard: fleet.RoundMoney(quantileOf(sorted, 0.9)),
	}
}

// leave counts a unit that no work pays for: every policy is to leave it.
func (w *weighing) leave(u *PaysUnit) {
	loss := u.NoStartCost.Or(0).Amount()
	run := u.seasons()
	for k := range run {
		run[k] *= loss
	}
	for i := range w.run {
		k := w.winters.own[u.Depot][i]
		w.now[i], w.best[i], w.run[i] = w.now[i]+run[k], w.best[i]+run[k], w.run[i]+run[k]
	}
	cost := policyCost(RunToFailure, fleet.Opt[fleet.Date]{}, run)
	w.out.Units = append(w.out.Units, UnitPays{Unit: u.ID, Depot: u.Depot, CostCentre: u.CostCentre, Now: cost, Best: cost, Run: cost, Cheapest: RunToFailure})
}

func (w *weighing) fleet() FleetPays {
	out := w.out
	slices.SortStableFunc(out.Units, func(a, b UnitPays) int {
		return cmp.Or(cmp.Compare(b.Saves, a.Saves), cmp.Compare(b.Run.Expected, a.Run.Expected))
	})
	if len(out.Units) == 0 {
		return out
	}
	out.Now = policyCost(SwapNow, fleet.Known(w.monday), w.now)
	out.Best = policyCost(SwapBest, fleet.Opt[fleet.Date]{}, w.best)
	out.Run = policyCost(RunToFailure, fleet.Opt[fleet.Date]{}, w.run)
	out.Now.Expected, out.Best.Expected, out.Run.Expected = 0, 0, 0
	for i := range out.Units {
		u := &out.Units[i]
		out.Now.Expected, out.Best.Expected, out.Run.Expected = out.Now.Expected+u.Now.Expected, out.Best.Expected+u.Best.Expected, out.Run.Expected+u.Run.Expected
	}
	out.Saves = out.Run.Expected - out.Best.Expected
	var mix mixture
	low, high := math.Inf(1), math.Inf(-1)
	for _, c := range w.saves {
		mix = append(mix, c.shifted())
		low, high = min(low, c.mean-6*math.Sqrt(c.variance)), max(high, c.mean+6*math.Sqrt(c.variance))
	}
	const cent = 0.01
	at := func(p float64) fleet.Money { return fleet.RoundMoney(mix.quantile(p, low, cent, high)) }
	out.SavesLow, out.SavesTop = at(0.1), at(0.9)
	return out
}
