package proving

import (
	"fmt"
	"slices"
	"time"

	"rimeyard/internal/fleet"
)

const (
	wrongCause   = 0.1  // of breakdowns: booked under a part that was not to blame, which is then renewed in vain
	jumpStarted  = 0.06 // of flat batteries: only charged
	otherPerYear = 0.05 // engines that crank and do not fire, for reasons outside the starting system
	mostRepairs  = 5    // after which even a unit that still does not start goes on
	lostDates    = 0.14 // of the parts that were there when the books were opened: nobody knows since when
)

// firstFittings are the parts in place when the unit's life here begins.
func (l *life) firstFittings(ageYears float64, renewed bool) {
	r := l.shopR
	then := l.day - fleet.Date(365.25*ageYears)
	l.batteryOn, l.starterOn = then, then
	if renewed {
		l.batteryOn = l.day
		l.m.Renew(fleet.BatteryPart, l.machineR)
	}
	l.fitBatteries(l.batteryOn)
	l.fitStarter(l.starterOn)
	if hit(r, lostDates) {
		for i := range l.book.Batteries {
			l.book.Batteries[i].FittedOn, l.book.Batteries[i].MadeOn = fleet.Opt[fleet.Date]{}, fleet.Opt[fleet.Date]{}
		}
	}
	if hit(r, lostDates) {
		l.book.Starters[0].FittedOn = fleet.Opt[fleet.Date]{}
	}
}

// breakdown finds what is to blame, writes it down and puts the unit right, now and then by way of the wrong part.
func (l *life) breakdown(c Crank, hour float64) (cause fleet.Part) {
	cause = l.blame(c)
	booked := cause
	r := l.shopR
	if hit(r, wrongCause) {
		booked = mistaken(cause, r.Float64())
	}
	hours := roundTo(min(72, 2+4*r.ExpFloat64()), 0.5)
	l.writeBreakdown(l.sky.clock(l.day, hour), booked, hours)
	l.standing.down = int(hours / 24)
	if cause == fleet.BatteryPart && hit(r, jumpStarted) {
		l.m.Charge()
		if l.m.Spare(c) > 0 {
			return cause
		}
	}
	l.mend(booked, fleet.RemovedFailed)
	if booked != cause {
		l.mend(cause, fleet.RemovedFailed)
	}
	l.m.Charge()
	for tries := 0; tries < mostRepairs && l.m.Spare(c) <= 0; tries++ { // nothing leaves the workshop that does not start
		l.mend(l.blame(c), fleet.RemovedFailed)
	}
	return cause
}

// mistaken is what a mechanic takes for the cause who does not look closely: the battery, or if it is that, the starter.
func mistaken(cause fleet.Part, x float64) fleet.Part {
	others := []fleet.Part{fleet.BatteryPart, fleet.BatteryPart, fleet.StarterPart, fleet.StarterPart, fleet.CablePart, fleet.ChargingPart}
	others = slices.DeleteFunc(others, func(p fleet.Part) bool { return p == cause })
	return others[int(x*float64(len(others)))]
}

func (l *life) writeBreakdown(at time.Time, cause fleet.Part, hours float64) {
	r := l.shopR
	row := fleet.Breakdown{Unit: l.book.Unit.ID, At: at.Add(time.Duration(10+r.IntN(40)) * time.Minute), Cause: cause}
	cost := fleet.RoundMoney(roundTo(l.book.Unit.NoStartCost.Or(0).Amount()*spread(r, 0.25), 1))
	if hit(r, 0.93) {
		row.Cost = fleet.Known(cost)
	}
	if hours > 0 {
		row.HoursDown = fleet.Known(hours)
	}
	if l.recorded() {
		l.book.Breakdowns = append(l.book.Breakdowns, row)
	}
}

// mend puts one part right, and books what was fitted.
func (l *life) mend(p fleet.Part, because fleet.Removal) {
	l.m.Renew(p, l.machineR)
	switch p {
	case fleet.BatteryPart:
		for i := range l.book.Batteries {
			if f := &l.book.Batteries[i]; !f.RemovedOn.IsKnown() {
				f.RemovedOn, f.RemovedBecause = fleet.Known(l.day), because
				f.CoreReturnedOn = l.coreBack()
			}
		}
		l.batteryOn = l.day
		l.fitBatteries(l.day)
	case fleet.StarterPart:
		f := &l.book.Starters[len(l.book.Starters)-1]
		f.RemovedOn, f.RemovedBecause, f.CoreReturnedOn = fleet.Known(l.day), because, l.coreBack()
		l.starterOn = l.day
		l.fitStarter(l.day)
	case fleet.ChargingPart:
		l.m.Charge()
	}
}

func (l *life) coreBack() fleet.Opt[fleet.Date] {
	if days := 3 + l.shopR.IntN(50); hit(l.shopR, 0.8) {
		return fleet.Known(l.day + fleet.Date(days))
	}
	return fleet.Opt[fleet.Date]{}
}

func (l *life) label(kind string) string {
	l.labels++
	return fmt.Sprintf("%s%04d-%02d", kind, l.number+1, l.labels)
}

func (l *life) fitBatteries(on fleet.Date) {
	p, r := l.part, l.shopR
	for pos := 1; pos <= l.class.batteries; pos++ {
		l.book.Batteries = append(l.book.Batteries, fleet.BatteryFitting{
			Battery: l.label("B"), Unit: l.book.Unit.ID, Position: pos, Part: p.part, Chemistry: p.chemistry,
			RatedCCAA: p.labelA(), CCAStandard: p.label, RatedAh: fleet.Known(p.ah),
			MadeOn: fleet.Known(on - fleet.Date(20+r.IntN(200))), FittedOn: fleet.Known(on),
			Price: fleet.Known(p.price), CoreDeposit: fleet.Known(p.core), FreeMonths: fleet.Known(p.free), ProrataMonths: fleet.Known(p.prorata),
		})
	}
}

func (l *life) fitStarter(on fleet.Date) {
	p := pick(l.shopR, l.class.starters)
	l.book.Starters = append(l.book.Starters, fleet.StarterFitting{
		Starter: l.label("S"), Unit: l.book.Unit.ID, Part: p.part, FittedOn: fleet.Known(on),
		Price: fleet.Known(p.price), CoreDeposit: fleet.Known(p.core), FreeMonths: fleet.Known(p.free),
	})
}

// fitted is the battery now in a place.
func (l *life) fitted(pos int) *fleet.BatteryFitting {
	for i := len(l.book.Batteries) - 1; i >= 0; i-- {
		if f := &l.book.Batteries[i]; f.Position == pos && !f.RemovedOn.IsKnown() {
			return f
		}
	}
	return nil
}

// workshop is the planned part of its work: tests every few weeks, and, before the season only, swaps by age and by test.
// In the season every unit is left as it is until it fails.
func (l *life) workshop(day Day) {
	r := l.shopR
	left := l.day >= l.y.AsOf
	if hit(r, otherPerYear/365) {
		l.otherNext = true
	}
	if l.recorded() && l.day >= l.nextTest {
		least, more := 28, 43
		if l.y.Gradual {
			least, more = 6, 9
		}
		l.nextTest = l.day + fleet.Date(least+r.IntN(more))
		lowest := l.test(day.MinC + 0.7*(day.MaxC-day.MinC))
		if lowest < 0.5 && hit(r, l.place.condemns) && !left {
			l.mend(fleet.BatteryPart, fleet.RemovedPreventive)
			return
		}
	}
	if years := l.place.swapYears; years > 0 && float64(l.day-l.batteryOn) > 365.25*years && hit(r, 1.0/120) && !left {
		l.mend(fleet.BatteryPart, fleet.RemovedPreventive)
	}
}
