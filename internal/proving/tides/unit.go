package tides

import (
	"fmt"
	"math"

	"rimeyard/internal/fleet"
	"rimeyard/internal/proving"
)

// unit lives from well before its records to the end of the season.
type unit struct {
	*harbour
	number   int
	class    *class
	depot    *depot
	sky      *sky
	part     *batteryPart
	starter  *starterPart
	use      use
	logger   logger
	machine  machine
	standing standing
	today    fleet.Date
	past     past
	book     fleet.History

	batteryOn fleet.Date
	labels    int
	testOn    fleet.Date
	lowTests  int
	stubborn  bool // something outside the starting system keeps the engine from firing next time

	lives, works, reads, shop dice
}

const (
	leadDays = 420 // lived before the records begin, so that what was worn out from the start is put right by then
	oldest   = 8.5 // years, of parts that were there when the life here begins
)

func (h *harbour) newUnit(n int) *unit {
	d := throw(h.Seed, "unit", n)
	c := byWeight(d, h.classes, func(c *class) float64 { return c.share })
	p := byWeight(d, h.depots, func(p *depot) float64 { return p.share })
	u := &unit{
		harbour: h, number: n, class: c, depot: p, sky: h.skies[p.ID], part: &c.parts[d.IntN(len(c.parts))],
		lives: throw(h.Seed, "lives", n), works: throw(h.Seed, "works", n), reads: throw(h.Seed, "reads", n), shop: throw(h.Seed, "shop", n),
	}
	u.use = newUse(c, p, throw(h.Seed, "use", n))
	u.logger = newLogger(throw(h.Seed, "logger", n))
	years := h.AgeYears * d.within(0.15, 1.85)
	litres := oneOf(d, c.litres)
	u.today = h.from - leadDays
	u.book.Unit = fleet.Unit{
		ID: fleet.UnitID(fmt.Sprintf("P%04d", n+1)), Depot: p.ID, Class: c.name, Fuel: c.fuel, EngineLitres: fleet.Known(litres), SystemVolts: c.volts,
		Batteries: c.count, Parked: u.use.parked, InServiceOn: fleet.Known(h.from - fleet.Date(365.25*years) - 30),
		NoStartCost:  fleet.Known(fleet.Money(toPer(c.noStartCost*d.times(0.2)/10, 1)) * 1000),
		StartsPerDay: fleet.Known(toPer(u.use.starts, 10)), Criticality: fleet.Known(1 + d.IntN(5)),
	}
	u.machine = newMachine(u, litres, d)
	u.standing = standing{soakH: 14, meanC: p.site.meanC}
	u.firstParts(max(0.1, years-leadDays/365.25), d)
	u.past.begin(&u.machine)
	return u
}

func newMachine(u *unit, litres float64, d dice) machine {
	c := u.class
	across := 1.0 // batteries that share the current
	if c.volts == 12 {
		across = float64(c.count)
	}
	b := &build{
		volts: c.volts, count: c.count, ratedA: u.part.ratedA * across, ratedAh: u.part.ah,
		warmX: c.warmX * math.Pow(litres/c.litres[0], 0.3) * c.parts[0].ratedA / u.part.ratedA * d.times(0.05),
		needs: c.needs * d.times(0.04), oil: d.times(0.07), usualRPM: c.usualRPM * d.times(0.04),
		motorV: 3 * d.times(0.06), cableV: 0.5 * d.times(0.15), drainA: d.within(0.02, 0.05) * across,
		hotelLoad: d.within(0.2, 0.36), engagesV: 5.2 + 0.3*d.NormFloat64(),
	}
	b.settle(1)
	return machine{build: b, site: &u.depot.site, part: u.part}
}

// through lives the unit to the end of the season.
func (u *unit) through() proving.Truth {
	u.testOn = u.from + fleet.Date(u.shop.IntN(20))
	for ; u.today < u.AsOf; u.today++ {
		u.live()
	}
	t := u.foresee()
	for ; u.today <= u.season.To; u.today++ {
		if cause, failed := u.live(); failed && !t.Failed {
			t.Failed, t.Cause, t.On = true, cause, u.today
		}
	}
	inOrder(&u.book)
	return t
}

// live is a dawn, a day's work and the workshop.
func (u *unit) live() (cause fleet.Part, failed bool) {
	t := u.dayOf(&u.standing, u.today, u.today, u.works)
	if t.hours > 0 {
		cause, failed = u.drive(&t)
	}
	u.machine.pass(&t, u.lives)
	u.past.keep(&t, &u.machine)
	u.standing.night(&t)
	u.planned(&t)
	return cause, failed
}

// dayOf draws a day's work under the weather of another day, or of the same.
func (u *unit) dayOf(s *standing, on, weather fleet.Date, d dice) day {
	low, high := u.sky.on(weather)
	t := day{on: on, minC: u.use.where(low), maxC: u.use.where(high), dark: winterness(on), shaken: u.use.shaken}
	t.hours, t.starts = u.use.plan(s, on, !u.depot.shipCalls || u.ships[on-u.first], d)
	return t
}

// drive turns the key at dawn and at errands. A unit that fails is put right, and stands for the rest of the day.
func (u *unit) drive(t *day) (cause fleet.Part, failed bool) {
	hour := u.use.leavesAt + 0.8*u.works.Float64()
	c := u.use.dawn(t.minC, &u.standing, u.use.plugs(u.works))
	for turn := range t.starts {
		if turn > 0 {
			hour += (t.hours + 4) / float64(t.starts) * u.works.within(0.5, 1)
			c = u.use.errand(t, u.works)
		}
		if u.turn(c, hour) {
			t.starts = turn + 1
			if turn == 0 {
				t.hours = 0
			}
			return u.breakdown(c, hour), true
		}
	}
	return "", false
}

const pistonsStand = 0.02 // ln-spread of torque from crank to crank, by where the pistons stand

// margin by which the engine fires at this turn of the key: below 0 it does not.
func margin(k *circuit, d dice) float64 { return k.spare() - pistonsStand*math.Abs(d.NormFloat64()) }

// turn turns the key once.
func (u *unit) turn(c meeting, hour float64) (failed bool) {
	k := u.machine.circuit(c)
	left := margin(&k, u.lives)
	crank := seen{c: c, circuit: &k, outcome: fleet.Started}
	switch {
	case left <= 0:
		crank.outcome = fleet.NoCrank
	case u.stubborn:
		crank.outcome = fleet.NoStart
	case left < 0.14 && u.lives.yes(0.9-left*5):
		crank.outcome = fleet.Slow
	}
	at := u.sky.at(u.today, hour)
	if u.recorded() {
		u.log(at, &crank)
	}
	switch crank.outcome {
	case fleet.NoStart:
		u.stubborn = false
		u.writeBreakdown(at, fleet.OtherPart, 0)
	case fleet.Slow:
		u.lookInto(c)
	case fleet.Started, fleet.NoCrank:
	}
	return left <= 0
}

func (u *unit) recorded() bool { return u.today >= u.from }
