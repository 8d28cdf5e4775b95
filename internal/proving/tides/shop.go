package tides

import (
	"fmt"
	"math"
	"time"

	"rimeyard/internal/fleet"
)

const (
	misread       = 0.09        // of breakdowns are booked under a part that was not to blame; it is renewed in vain, then the right one
	onlyCharged   = 0.05        // of flat batteries
	otherReasons  = 0.06 / 365  // a day: engines that will crank and not fire
	mishaps       = 0.006 / 365 // a day: a battery broken or stolen
	undated       = 0.12        // of the parts that were there when the books were opened
	lowTest       = 0.52        // share of the rating, shown twice, at which a battery may be taken out
	mostMends     = 6           // after which a unit is let go that still will not start
	serviceMonths = 6           // April to September
)

// firstParts are as worn as their years have made them.
func (u *unit) firstParts(years float64, d dice) {
	m := &u.machine
	u.starter = &u.class.starters[d.IntN(len(u.class.starters))]
	batteryYears, starterYears := min(years, oldest*0.6)*d.Float64(), min(years, oldest)*math.Sqrt(d.Float64())
	u.batteryOn = u.today - fleet.Date(365.25*batteryYears)
	for _, p := range fleet.Suspects() {
		m.renew(p, u.starter.grade, d)
	}
	for i := range m.count {
		b := &m.batteries[i]
		b.wear = aged(b.pace*1.1*0.3, b.pace*1.1*2.4, batteryYears)
	}
	m.starter.age(starterYears)
	m.cable.age(min(years, oldest) * d.Float64())
	m.control.age(min(years, oldest) * d.Float64())
	if d.yes(chargingFades) {
		m.charging.running, m.charging.lost = true, 0.5*d.Float64()
	}
	u.fitBatteries(u.batteryOn)
	u.fitStarter(u.today - fleet.Date(365.25*starterYears))
	if d.yes(undated) {
		for i := range u.book.Batteries {
			u.book.Batteries[i].FittedOn, u.book.Batteries[i].MadeOn = fleet.Opt[fleet.Date]{}, fleet.Opt[fleet.Date]{}
		}
	}
	if d.yes(undated) {
		u.book.Starters[0].FittedOn = fleet.Opt[fleet.Date]{}
	}
}

// aged is the wear that a + b·wear a year gives.
func aged(a, b, years float64) float64 { return min(1.1, a/b*(math.Exp(b*years)-1)) }

func (p *part) age(years float64) { p.wear = aged(0.15*p.pace, 3.5*p.pace, years) }

// breakdown finds what is to blame, writes it down and puts it right, now and then by way of the wrong part.
func (u *unit) breakdown(c meeting, hour float64) (cause fleet.Part) {
	d := u.shop
	cause = u.blame(c)
	booked := cause
	if d.yes(misread) {
		booked = mistaken(cause, d)
	}
	hours := toPer(min(80, 1.5+5*d.ExpFloat64()), 2)
	u.writeBreakdown(u.sky.at(u.today, hour), booked, hours)
	u.standing.away = int(hours / 24)
	u.machine.fill()
	if cause == fleet.BatteryPart && d.yes(onlyCharged) && u.sparing(c) > 0.1 {
		u.past.begin(&u.machine)
		return cause
	}
	u.mend(booked, fleet.RemovedFailed)
	if booked != cause {
		u.mend(cause, fleet.RemovedFailed)
	}
	for tries := 0; tries < mostMends && u.sparing(c) < 0.1; tries++ { // nothing leaves that would not start tomorrow
		u.past.begin(&u.machine)
		u.mend(u.blame(c), fleet.RemovedFailed)
	}
	u.past.begin(&u.machine)
	return cause
}

func (u *unit) sparing(c meeting) float64 {
	k := u.machine.circuit(c)
	return k.spare()
}

// mistaken is what a hurried mechanic takes for the cause.
func mistaken(cause fleet.Part, d dice) fleet.Part {
	if cause != fleet.BatteryPart && d.yes(0.6) {
		return fleet.BatteryPart
	}
	for {
		if p := fleet.Suspects()[d.IntN(4)]; p != cause {
			return p
		}
	}
}

func (u *unit) writeBreakdown(at time.Time, cause fleet.Part, hours float64) {
	d := u.shop
	row := fleet.Breakdown{Unit: u.book.Unit.ID, At: at.Add(time.Duration(6+d.IntN(50)) * time.Minute), Cause: cause}
	if d.yes(0.95) {
		row.Cost = fleet.Known(fleet.RoundMoney(toPer(u.book.Unit.NoStartCost.Or(0).Amount()*d.times(0.25), 1)))
	}
	if hours > 0 {
		row.HoursDown = fleet.Known(hours)
	}
	if u.recorded() {
		u.book.Breakdowns = append(u.book.Breakdowns, row)
	}
}

// mend puts one part right and books what was fitted. Cables, relays and alternators are in no list of parts.
func (u *unit) mend(p fleet.Part, because fleet.Removal) {
	if p == fleet.StarterPart {
		u.starter = &u.class.starters[u.shop.IntN(len(u.class.starters))]
	}
	u.machine.renew(p, u.starter.grade, u.lives)
	switch p {
	case fleet.BatteryPart:
		for i := range u.book.Batteries {
			if f := &u.book.Batteries[i]; !f.RemovedOn.IsKnown() {
				f.RemovedOn, f.RemovedBecause, f.CoreReturnedOn = fleet.Known(u.today), because, u.coreBack()
			}
		}
		u.batteryOn, u.lowTests = u.today, 0
		u.fitBatteries(u.today)
	case fleet.StarterPart:
		f := &u.book.Starters[len(u.book.Starters)-1]
		f.RemovedOn, f.RemovedBecause, f.CoreReturnedOn = fleet.Known(u.today), because, u.coreBack()
		u.fitStarter(u.today)
	case fleet.CablePart, fleet.ChargingPart, fleet.ControlPart, fleet.OtherPart:
	}
}

func (u *unit) coreBack() fleet.Opt[fleet.Date] {
	if days := 2 + u.shop.IntN(60); u.shop.yes(0.75) {
		return fleet.Known(u.today + fleet.Date(days))
	}
	return fleet.Opt[fleet.Date]{}
}

func (u *unit) label(kind string) string {
	u.labels++
	return fmt.Sprintf("%s-%d-%04d", kind, u.labels, u.number+1)
}

func (u *unit) fitBatteries(on fleet.Date) {
	p := u.part
	for i := range u.class.count {
		u.book.Batteries = append(u.book.Batteries, fleet.BatteryFitting{
			Battery: u.label("acc"), Unit: u.book.Unit.ID, Position: i + 1, Part: p.number, Chemistry: p.chemistry, RatedCCAA: p.labelA(), CCAStandard: p.label,
			RatedAh: fleet.Known(p.ah), MadeOn: fleet.Known(on - fleet.Date(15+u.shop.IntN(160))), FittedOn: fleet.Known(on),
			Price: fleet.Known(p.price), CoreDeposit: fleet.Known(p.core), FreeMonths: fleet.Known(p.free), ProrataMonths: fleet.Known(p.prorata),
		})
	}
}

func (u *unit) fitStarter(on fleet.Date) {
	p := u.starter
	u.book.Starters = append(u.book.Starters, fleet.StarterFitting{
		Starter: u.label("mot"), Unit: u.book.Unit.ID, Part: p.number, FittedOn: fleet.Known(on), Price: fleet.Known(p.price),
		CoreDeposit: fleet.Known(p.core), FreeMonths: fleet.Known(p.free),
	})
}

// fitted is the battery now in a place.
func (u *unit) fitted(position int) *fleet.BatteryFitting {
	for i := len(u.book.Batteries) - 1; i >= 0; i-- {
		if f := &u.book.Batteries[i]; f.Position == position && !f.RemovedOn.IsKnown() {
			return f
		}
	}
	return nil
}

// left tells whether units are left as they are until they fail: in the season that is foretold.
func (u *unit) left() bool { return u.today >= u.AsOf }

// lookInto a slow start, which a driver may report: what is to blame is renewed before it fails.
func (u *unit) lookInto(c meeting) {
	if u.shop.yes(u.depot.looksInto) && !u.left() {
		u.mend(u.blame(c), fleet.RemovedPreventive)
		u.past.begin(&u.machine)
	}
}

// planned is the workshop's work that no failure asks for.
func (u *unit) planned(t *day) {
	d, p := u.shop, u.depot
	if d.yes(otherReasons) {
		u.stubborn = true
	}
	if u.recorded() && u.today >= u.testOn {
		u.testOn = u.today + fleet.Date(d.within(p.testDays[0], p.testDays[1]+1))
		if u.test(t.minC+0.7*(t.maxC-t.minC)) < lowTest {
			u.lowTests++
		} else {
			u.lowTests = 0
		}
		if u.lowTests > 1 && d.yes(p.condemns) && !u.left() {
			u.takeOut(fleet.RemovedPreventive)
		}
	}
	if u.left() {
		return
	}
	switch years := float64(u.today-u.batteryOn) / 365.25; {
	case p.ageLimit > 0 && years > p.ageLimit && d.yes(1.0/220):
		u.takeOut(fleet.RemovedPreventive)
	case d.yes(mishaps):
		u.takeOut(fleet.RemovedDamaged)
	}
	u.service()
}

func (u *unit) takeOut(because fleet.Removal) {
	u.mend(fleet.BatteryPart, because)
	u.past.begin(&u.machine)
}

// service comes once a year, on a day of the unit's own from April to September.
func (u *unit) service() {
	_, month, first := u.today.YMD()
	if int(month) != 4+u.number%serviceMonths || first != 1+u.number/serviceMonths%28 {
		return
	}
	d, p := u.shop, u.depot
	cleans, renews := d.yes(p.greaseUp), d.yes(p.newBelts)
	if cleans {
		u.machine.mendCable(u.lives)
	}
	if renews {
		u.machine.mendCharging(u.lives)
	}
	if cleans || renews {
		u.past.begin(&u.machine)
	}
}
