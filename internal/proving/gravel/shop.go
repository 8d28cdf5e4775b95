package gravel

import (
	"fmt"
	"slices"
	"time"

	"rimeyard/internal/fleet"
)

const (
	misread    = 0.08 // of breakdowns: put down to a part that was not to blame, which is then renewed in vain
	jumped     = 0.05 // of batteries to blame: only charged
	otherAYear = 0.06 // engines that crank and do not fire, for reasons outside the starting system
	lostDates  = 0.07 // of the parts in place when the books were opened: nobody knows since when
	mostMended = 5    // parts, after which even a unit that still does not start goes on
	byCustom   = 0.5  // chance that the summer service keeps its custom
)

// openBooks forgets what was fitted and removed before anybody kept records.
func (u *unit) openBooks() {
	b := &u.book
	b.Batteries = slices.DeleteFunc(b.Batteries, func(f fleet.BatteryFitting) bool { return f.RemovedOn.IsKnown() })
	b.Starters = slices.DeleteFunc(b.Starters, func(f fleet.StarterFitting) bool { return f.RemovedOn.IsKnown() })
	if chance(u.shopR, lostDates) {
		for i := range b.Batteries {
			b.Batteries[i].FittedOn, b.Batteries[i].MadeOn = fleet.Opt[fleet.Date]{}, fleet.Opt[fleet.Date]{}
		}
	}
	if chance(u.shopR, lostDates) {
		b.Starters[0].FittedOn = fleet.Opt[fleet.Date]{}
	}
}

// breakdown finds the part to blame, writes it down, and puts the unit right.
func (u *unit) breakdown(c *dawn, q *read, at time.Time) (cause fleet.Part) {
	cause = u.blame(c, q)
	r, booked := u.shopR, cause
	if chance(r, misread) {
		booked = mistakenFor(cause, r.Float64())
	}
	hours := rounded(min(96, 1.5+5*r.ExpFloat64()), 0.5)
	u.writeBreakdown(at, booked, hours)
	u.s.down = int(hours / 24)
	if cause == fleet.BatteryPart && booked == cause && chance(r, jumped) {
		u.s.recharge()
		if u.kit.spare(&u.s, c) > 0 {
			return cause
		}
	}
	u.mend(booked, fleet.RemovedFailed)
	if booked != cause {
		u.mend(cause, fleet.RemovedFailed)
	}
	u.s.recharge()
	for range mostMended { // nothing leaves that does not start
		if u.kit.spare(&u.s, c) > 0.1 {
			break
		}
		next, gain := u.mostGained(c)
		if gain < 0.05 {
			break
		}
		u.mend(next, fleet.RemovedFailed)
	}
	return cause
}

// mistakenFor is what a hasty mechanic takes for the cause.
func mistakenFor(cause fleet.Part, x float64) fleet.Part {
	likely := []fleet.Part{fleet.BatteryPart, fleet.BatteryPart, fleet.BatteryPart, fleet.StarterPart, fleet.StarterPart, fleet.CablePart, fleet.ChargingPart}
	likely = slices.DeleteFunc(likely, func(p fleet.Part) bool { return p == cause })
	return likely[int(x*float64(len(likely)))]
}

func (u *unit) writeBreakdown(at time.Time, cause fleet.Part, hours float64) {
	r := u.shopR
	row := fleet.Breakdown{Unit: u.book.Unit.ID, At: at.Add(time.Duration(5+r.IntN(50)) * time.Minute), Cause: cause}
	cost := fleet.RoundMoney(rounded(u.book.Unit.NoStartCost.Or(0).Amount()*about(r, 0.3), 1))
	if chance(r, 0.9) {
		row.Cost = fleet.Known(cost)
	}
	if hours > 0 {
		row.HoursDown = fleet.Known(hours)
	}
	if u.recorded() {
		u.book.Breakdowns = append(u.book.Breakdowns, row)
	}
}

// renew puts one part of the machine right, with a part of ordinary make.
func (u *unit) renew(p fleet.Part) {
	lasts := 1.0
	if p == fleet.BatteryPart {
		lasts = u.part.lasts
	}
	u.s.renew(p, lasts, u.wearR)
}

// mend renews a part and books what the books have a place for.
func (u *unit) mend(p fleet.Part, because fleet.Removal) {
	switch p {
	case fleet.BatteryPart:
		for i := range u.book.Batteries {
			if f := &u.book.Batteries[i]; !f.RemovedOn.IsKnown() {
				f.RemovedOn, f.RemovedBecause, f.CoreReturnedOn = fleet.Known(u.day), because, u.coreBack()
			}
		}
		u.renew(p)
		u.batteryOn = u.day
		u.fitBatteries()
	case fleet.StarterPart:
		f := &u.book.Starters[len(u.book.Starters)-1]
		f.RemovedOn, f.RemovedBecause, f.CoreReturnedOn = fleet.Known(u.day), because, u.coreBack()
		part := oneOf(u.shopR, u.class.starters)
		u.s.renew(p, part.lasts, u.wearR)
		u.fitStarter(part)
	case fleet.CablePart, fleet.ChargingPart, fleet.ControlPart, fleet.OtherPart:
		u.renew(p)
	}
}

func (u *unit) coreBack() fleet.Opt[fleet.Date] {
	if days := 2 + u.shopR.IntN(45); chance(u.shopR, 0.85) {
		return fleet.Known(u.day + fleet.Date(days))
	}
	return fleet.Opt[fleet.Date]{}
}

func (u *unit) label(kind string) string {
	u.labels++
	return fmt.Sprintf("%s%d-%d", kind, u.number+1, u.labels)
}

func (u *unit) fitBatteries() {
	p := u.part
	for pos := 1; pos <= u.class.batteries; pos++ {
		u.book.Batteries = append(u.book.Batteries, fleet.BatteryFitting{
			Battery: u.label("GB"), Unit: u.book.Unit.ID, Position: pos, Part: p.part, Chemistry: p.chemistry,
			RatedCCAA: p.ratedA, CCAStandard: p.standard, RatedAh: fleet.Known(p.ah),
			MadeOn: fleet.Known(u.day - fleet.Date(15+u.shopR.IntN(160))), FittedOn: fleet.Known(u.day),
			Price: fleet.Known(p.price), CoreDeposit: fleet.Known(p.core), FreeMonths: fleet.Known(p.free), ProrataMonths: fleet.Known(p.prorata),
		})
	}
}

func (u *unit) fitStarter(p starterPart) {
	u.book.Starters = append(u.book.Starters, fleet.StarterFitting{
		Starter: u.label("GS"), Unit: u.book.Unit.ID, Part: p.part, FittedOn: fleet.Known(u.day),
		Price: fleet.Known(p.price), CoreDeposit: fleet.Known(p.core), FreeMonths: fleet.Known(p.free),
	})
}

// workshop is the planned work. From the as-of date on units are left as they are.
func (u *unit) workshop(maxC float64) {
	r, left := u.shopR, u.day >= u.y.AsOf
	if chance(r, otherAYear/365) {
		u.otherAhead = true
	}
	if u.recorded() && u.day >= u.nextTest {
		u.nextTest = u.day + fleet.Date(u.testEvery+2*r.Float64())
		if lowest := u.test(maxC); lowest < 0.5 && chance(r, u.site.condemns*u.testEvery/7) && !left {
			u.mend(fleet.BatteryPart, fleet.RemovedPreventive)
			return
		}
	}
	year, _, _ := u.day.YMD()
	if int(u.day-fleet.NewDate(year, time.January, 0)) == u.serviceDay && !left {
		u.service()
	}
}

// service is the yearly look over: batteries by age where that is the custom, and what is plain to see.
func (u *unit) service() {
	r := u.shopR
	if age := u.site.renewAt; age > 0 && float64(u.day-u.batteryOn) > 365.25*age && chance(r, byCustom) {
		u.mend(fleet.BatteryPart, fleet.RemovedPreventive)
	}
	plain := []struct {
		part fleet.Part
		wear float64
	}{
		{fleet.CablePart, u.s.wear[cable]},
		{fleet.ChargingPart, u.s.wear[charging]},
		{fleet.StarterPart, u.s.wear[starter]},
	}
	for _, p := range plain {
		if found := chance(r, u.site.looks); found && p.wear > 0.85 {
			u.mend(p.part, fleet.RemovedPreventive)
		}
	}
}
