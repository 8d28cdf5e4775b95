package gravel

import (
	"fmt"
	"math"
	"math/rand/v2"

	"rimeyard/internal/fleet"
	"rimeyard/internal/proving"
)

// unit is one unit from its first day to the end of the season.
type unit struct {
	y       *yard
	number  int
	class   *class
	site    *site
	sky     *sky
	testers []tester
	part    batteryPart
	kit     kit
	habit   habit
	logger  logger
	s       state
	day     fleet.Date
	book    fleet.History

	batteryOn   fleet.Date
	labels      int
	nextTest    fleet.Date
	testEvery   float64
	serviceDay  int  // of the year
	otherAhead  bool // something outside the starting system will keep the engine from firing
	wearR, useR *rand.Rand
	readR       *rand.Rand
	shopR       *rand.Rand
}

// turned is told of every turn of the key, and ends the day's work by true.
type turned func(c *dawn, q *read, hour float64) (stop bool)

func (y *yard) newUnit(i int) *unit {
	r := stream(y.Seed, "unit", i)
	c := &classSet[weighted(r, len(classSet), func(k int) float64 { return classSet[k].weight })]
	at := weighted(r, len(y.sites), func(k int) float64 { return y.sites[k].weight })
	u := &unit{
		y: y, number: i, class: c, site: &y.sites[at], sky: &y.skies[at], testers: y.testers[at], part: oneOf(r, c.parts),
		wearR: stream(y.Seed, "wear", i), useR: stream(y.Seed, "use", i), readR: stream(y.Seed, "read", i), shopR: stream(y.Seed, "shop", i),
		serviceDay: 125 + r.IntN(130),
	}
	litres := oneOf(r, c.litres)
	years := y.AgeYears * uniform(r, 0.1, 1.9)
	born := y.from - fleet.Date(365.25*years)
	u.habit = newHabit(c, u.site, stream(y.Seed, "habit", i))
	u.logger = newLogger(stream(y.Seed, "logger", i))
	u.kit = newKit(c, u, r)
	u.book.Unit = fleet.Unit{
		ID: fleet.UnitID(fmt.Sprintf("G%04d", i+1)), Depot: u.site.depot.ID, Class: c.name, Fuel: c.fuel, EngineLitres: fleet.Known(litres),
		SystemVolts: c.volts, Batteries: c.batteries, Gearbox: c.gearbox, Parked: u.habit.parked, InServiceOn: fleet.Known(born),
		NoStartCost:  fleet.Known(fleet.RoundMoney(rounded(c.cost*about(r, 0.2), 10))),
		StartsPerDay: fleet.Known(rounded(1+u.habit.warm, 0.1)), Criticality: fleet.Known(1 + r.IntN(5)),
	}
	u.day = max(born, y.from-fleet.Date(math.Ceil(365.25*oldestYears)))
	u.s = state{soakH: 14, meanC: u.site.climate.meanC, single: c.batteries == 1}
	for _, p := range fleet.Suspects() {
		u.renew(p)
	}
	if u.day > born { // it has lived before the weather that is known here
		for k := range u.s.wear {
			u.s.wear[k] = 0.8 * r.Float64()
		}
		if !u.s.single {
			u.s.wear[batteryB] = u.s.wear[batteryA] * about(r, 0.05)
		} else {
			u.s.wear[batteryB] = 0
		}
	}
	u.batteryOn = u.day
	u.fitBatteries()
	u.fitStarter(oneOf(u.shopR, c.starters))
	u.testEvery = 7
	if chance(r, 0.07) {
		u.testEvery = uniform(r, 20, 40)
	}
	u.nextTest = y.from + fleet.Date(r.IntN(7))
	return u
}

func newKit(c *class, u *unit, r *rand.Rand) kit {
	k := kit{
		series: c.volts == 24, parallel: c.volts == 12 && c.batteries == 2, diesel: c.fuel == fleet.Diesel,
		margin: c.margin * u.site.coldKit * u.part.strong * about(r, 0.19), crankA: c.crankA * about(r, 0.07), crankMs: c.crankMs * about(r, 0.15),
		twelves: float64(c.volts) / 12,
	}
	switch u.part.chemistry {
	case fleet.AGM:
		k.ocvShift = 0.2
	case fleet.Gel:
		k.ocvShift = 0.16
	case fleet.EFB:
		k.ocvShift = 0.04
	case fleet.Flooded:
	}
	return k
}

// through lives the unit to the end of the season.
func (u *unit) through() proving.Truth {
	for ; u.day < u.y.AsOf; u.day++ {
		if u.day == u.y.from {
			u.openBooks()
		}
		u.oneDay()
	}
	t := u.foresee()
	for ; u.day <= u.y.season.To; u.day++ {
		if cause, failed := u.oneDay(); failed && !t.Failed {
			t.Failed, t.Cause, t.On = true, cause, u.day
		}
	}
	inOrder(&u.book)
	return t
}

func (u *unit) recorded() bool { return u.day >= u.y.from }

// oneDay is a day's work with the instruments on, and the workshop.
func (u *unit) oneDay() (cause fleet.Part, failed bool) {
	minC, maxC := u.sky.day(u.day)
	u.live(&u.s, u.day, minC, maxC, u.useR, u.wearR, func(c *dawn, q *read, hour float64) bool {
		at := u.sky.at(u.day, hour)
		other := u.otherAhead && q.outcome != fleet.NoCrank
		if other {
			q.outcome, q.ms = fleet.NoStart, uniform(u.shopR, 5000, 18000)
		}
		if u.recorded() {
			u.log(at, c, q)
		}
		if other {
			u.otherAhead = false
			u.writeBreakdown(at, fleet.OtherPart, 0)
		}
		if q.outcome != fleet.NoCrank {
			return false
		}
		cause, failed = u.breakdown(c, q, at), true
		return true
	})
	u.workshop(maxC)
	return cause, failed
}

// live lets a day pass. Whether it is lived once or in many futures is all the same to it.
func (u *unit) live(s *state, d fleet.Date, outMinC, outMaxC float64, use, wear *rand.Rand, on turned) {
	h := &u.habit
	day := duty{minC: h.airAt(outMinC), maxC: h.airAt(outMaxC), brine: u.site.climate.brine}
	hours, warm := h.asks(s, d, use)
	if hours > 0 {
		day.hours = hours
		day.shakes = u.class.shakes * day.hours / 5
		day.starts = 1
		if hour := h.hour + use.Float64(); u.dawnFails(s, &day, hour, use, wear, on) {
			day.hours, day.shakes = 0, 0
		} else {
			u.warmStarts(s, &day, hour, warm, use, wear, on)
		}
		s.soakH = max(6, 22-day.hours)
	} else {
		s.soakH += 24
	}
	s.meanC = (day.minC + day.maxC) / 2
	s.expose(&day)
	s.fill(&day)
	if s.week++; s.week >= 7 {
		s.grow(wear)
	}
}

func (u *unit) dawnFails(s *state, day *duty, hour float64, use, wear *rand.Rand, on turned) bool {
	c := u.habit.first(day.minC, s.meanC, s.soakH, u.habit.plugs(use))
	q := u.kit.crank(s, &c, wear)
	return on(&c, &q, hour)
}

func (u *unit) warmStarts(s *state, day *duty, hour float64, starts int, use, wear *rand.Rand, on turned) {
	step := (day.hours + 2.5) / float64(starts+1)
	for range starts {
		hour += step * uniform(use, 0.6, 1.2)
		c := again(day, use)
		if hour > 23.4 {
			return
		}
		day.starts++
		q := u.kit.crank(s, &c, wear)
		if on(&c, &q, hour) {
			return
		}
	}
}
