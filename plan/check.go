package plan

import (
	"fmt"
	"maps"
	"math"
	"slices"
	"time"

	"rimeyard/internal/fleet"
)

// mostWeeks is two years: chances are never known further ahead.
const mostWeeks = 104

// check finds what nobody could plan with. Each message says where it is and what to do.
func (in *Input) check() error {
	switch {
	case in.Monday.Weekday() != time.Monday:
		return fmt.Errorf("the first week begins on %s, a %s: give its Monday, %s", in.Monday, in.Monday.Weekday(), in.Monday.Monday())
	case in.Weeks < 1 || in.Weeks > mostWeeks:
		return fmt.Errorf("%d weeks: plan 1 to %d", in.Weeks, mostWeeks)
	case in.Budget.Or(0) < 0:
		return fmt.Errorf("a budget of %s: give none below 0.00", in.Budget.Or(0))
	}
	if err := in.Rules.check(); err != nil {
		return err
	}
	depots := map[fleet.DepotID]bool{}
	for i := range in.Depots {
		d := &in.Depots[i]
		if depots[d.ID] {
			return fmt.Errorf("depot %s is given twice: give it once", d.ID)
		}
		depots[d.ID] = true
		if err := d.check(); err != nil {
			return fmt.Errorf("depot %s: %w", d.ID, err)
		}
	}
	units := map[fleet.UnitID]bool{}
	for i := range in.Units {
		u := &in.Units[i]
		if units[u.ID] {
			return fmt.Errorf("unit %s is given twice: give it once", u.ID)
		}
		units[u.ID] = true
		if !depots[u.Depot] {
			return fmt.Errorf("unit %s is at depot %s, which is not in the plan: add the depot, or leave the unit out", u.ID, u.Depot)
		}
		if err := u.check(); err != nil {
			return fmt.Errorf("unit %s: %w", u.ID, err)
		}
	}
	return in.checkLocked()
}

func (in *Input) checkLocked() error {
	locked := map[fleet.UnitID]bool{}
	for _, c := range in.Locked {
		switch {
		case locked[c.Unit]:
			return fmt.Errorf("unit %s has two locked choices: keep one", c.Unit)
		case c.Do != DoVisit && c.Do != DoRetest && c.Do != DoLeave:
			return fmt.Errorf("unit %s: a locked choice to %q: want %s, %s or %s", c.Unit, c.Do, DoVisit, DoRetest, DoLeave)
		case c.Do != DoLeave && c.Monday.Weekday() != time.Monday:
			return fmt.Errorf("unit %s: a locked choice for the week of %s, a %s: give its Monday, %s", c.Unit, c.Monday, c.Monday.Weekday(), c.Monday.Monday())
		}
		seen := map[fleet.Part]bool{}
		for _, part := range c.Parts {
			if _, works := kinds[part]; !works || seen[part] {
				return fmt.Errorf("unit %s: a locked visit works on %q: name each part once, of battery, starter, cable, charging and control", c.Unit, part)
			}
			seen[part] = true
		}
		locked[c.Unit] = true
	}
	return nil
}

func (r *Rules) check() error {
	if len(r.Cures) == 0 {
		return fmt.Errorf("the rules name no work that helps: begin with DefaultRules")
	}
	for _, part := range fleet.Suspects() {
		if c := r.Cures[part]; !(c >= 0 && c <= 1) {
			return fmt.Errorf("the rules say that work on the %s cures a share of %v: want 0 to 1", part, c)
		}
		if years, known := r.LifeYears[part]; known && !(years > 0 && r.LifeShape > 0) {
			return fmt.Errorf("the rules give a %s a life of %v years with shape %v: want both above 0", part, years, r.LifeShape)
		}
		if r.Minutes[part] < 0 {
			return fmt.Errorf("the rules say that work on the %s takes %d minutes: want 0 or more", part, r.Minutes[part])
		}
	}
	if r.SetUpMinutes < 0 || r.TestMinutes < 0 {
		return fmt.Errorf("the rules say that a visit begins with %d minutes and a test takes %d: want 0 or more", r.SetUpMinutes, r.TestMinutes)
	}
	if !(r.NewPartRisk >= 0 && r.LeastChance >= 0 && r.TestNoise >= 0 && r.KeptShare > 0 && r.KeptShare <= 1) {
		return fmt.Errorf("the rules hold a risk of new parts of %v, a least chance of %v, a noise of tests of %v and a kept share of %v: want 0 or more, the last above 0 and at most 1",
			r.NewPartRisk, r.LeastChance, r.TestNoise, r.KeptShare)
	}
	return nil
}

func (d *Depot) check() error {
	if err := checkList("visits", d.CapacityByWeek); err != nil {
		return err
	}
	if err := checkList("minutes", d.MinutesByWeek); err != nil {
		return err
	}
	if err := checkList("tests", d.TestsByWeek); err != nil {
		return err
	}
	for _, number := range slices.Sorted(maps.Keys(d.Stock)) {
		if pieces := d.Stock[number]; pieces < 0 || pieces >= noLimit {
			return fmt.Errorf("%d pieces of %s in stock: want 0 or more", pieces, number)
		}
	}
	if d.LeadWeeks.Or(0) < 0 {
		return fmt.Errorf("parts take %d weeks to come: want 0 or more", d.LeadWeeks.Or(0))
	}
	if d.LabourPerHour.Or(0) < 0 {
		return fmt.Errorf("labour at %s an hour: want 0.00 or more", d.LabourPerHour.Or(0))
	}
	return nil
}

func checkList(what string, byWeek []int) error {
	for w, n := range byWeek {
		if n < 0 || n >= noLimit {
			return fmt.Errorf("%d %s in week %d: want 0 or more", n, what, w+1)
		}
	}
	return nil
}

// mostMoney in one price or cost: beyond it sums of worth could overflow.
const mostMoney fleet.Money = 1e12

func (u *Unit) check() error {
	before := 0.0
	for w, p := range u.ChanceByWeek {
		if !(p >= before && p <= 1) {
			return fmt.Errorf("the chance up to week %d is %v, after %v: want chances from 0 to 1 that never fall", w+1, p, before)
		}
		before = p
	}
	for _, p := range u.ChanceIf.Or([5]float64{}) {
		if !(p >= 0 && p <= 1) {
			return fmt.Errorf("the chance that a test could tell is %v: want 0 to 1", p)
		}
	}
	sum := 0.0
	for _, part := range fleet.Suspects() {
		share, price := u.Causes[part], u.SwapCosts[part]
		if !(share >= 0) {
			return fmt.Errorf("the %s has a share of %v in the blame: want 0 or more", part, share)
		}
		if age := u.AgeYears[part]; math.IsNaN(age) || math.IsInf(age, 0) {
			return fmt.Errorf("the %s is %v years old: want a number", part, age)
		}
		if price < 0 || price > mostMoney {
			return fmt.Errorf("the %s costs %s: want 0.00 to %s", part, price, mostMoney)
		}
		sum += share
	}
	if sum > 1+1e-6 {
		return fmt.Errorf("the shares of the blame sum to %v: want at most 1", sum)
	}
	if c := u.NoStartCost.Or(0); c < 0 || c > mostMoney {
		return fmt.Errorf("a failed start costs %s: want 0.00 to %s", c, mostMoney)
	}
	return nil
}
