package demofleet

import (
	"fmt"
	"math"
	"time"

	"rimeyard/internal/fleet"
)

// fitted is a battery in its place, with what it is like inside.
type fitted struct {
	plates
	part     batteryPart
	on       fleet.Date
	row      int     // in the machine's history
	corrodes float64 // how fast this one corrodes and
	sheds    float64 // how fast it loses active mass, beside the others
}

// fault grows from a random onset on, until somebody puts it right.
type fault struct {
	level, perDay float64
}

func (f *fault) grow() { f.level += f.perDay }

// machine is one unit, alive.
type machine struct {
	rng     chance
	class   class
	plan    depotPlan
	zone    *time.Location
	weather weather
	history fleet.History
	engine  engine

	batteries []fitted
	starterOn fleet.Date

	cable, brushes, drag fault
	alternator           fault   // 0 charges as it should, 1 not at all
	drain                float64 // share of the charge lost per hour parked
	control              float64 // chance that turning the key does nothing

	recordsFrom fleet.Date // the day on which the fleet began to keep records
	lastRun     fleet.Date
	downUntil   fleet.Date
	nextTest    fleet.Date
	parkedUntil fleet.Date
	holidays    bool // idle between the years
	serial      int

	startHour float64
	logger    logger
	tester    *tester // nil: nobody tests this unit
	testEvery [2]int
	hidesSwap fleet.Date // a battery swap on this day is not written down
	hidden    bool       // since then the labels on file are wrong
	story     *script
}

// live lets one day pass.
func (m *machine) live(d fleet.Date) {
	minC, maxC := m.weather.day(d)
	if m.story != nil {
		m.story.set(m, d)
	} else {
		m.strike(d)
	}
	if m.hidesSwap != 0 && d == m.hidesSwap {
		m.swapUnrecorded(d)
	}
	if d >= m.downUntil && m.works(d) {
		m.workday(d, minC, maxC)
	}
	m.age((minC + maxC) / 2)
	if m.tester != nil && d >= m.nextTest && d.Weekday() != time.Sunday && d >= m.recordsFrom {
		m.nextTest = d + fleet.Date(m.rng.days(m.testEvery[0], m.testEvery[1]))
		m.test(d, minC, maxC)
	}
}

// works tells whether the unit leaves the yard on day d.
func (m *machine) works(d fleet.Date) bool {
	_, month, day := d.YMD()
	if m.holidays && (month == time.December && day >= 24 || month == time.January && day <= 1) {
		return false
	}
	if m.story == nil && m.rng.hit(1.5/365) {
		m.parkedUntil = d + fleet.Date(m.rng.days(4, 14))
	}
	if d < m.parkedUntil {
		return false
	}
	switch d.Weekday() {
	case time.Sunday:
		return m.rng.hit(0.03)
	case time.Saturday:
		return m.rng.hit(0.2)
	default:
		return m.rng.hit(0.95)
	}
}

// night is what the unit wakes up in.
type night struct{ airC, batteryC, oilC float64 }

func (m *machine) night(minC, maxC float64) night {
	air := minC + m.rng.normal(0.6)
	mean := (minC + maxC) / 2
	n := night{airC: air, batteryC: minC + 0.3*(mean-minC), oilC: minC + 0.15*(mean-minC)}
	switch m.history.Unit.Parked {
	case fleet.Indoors:
		warm := math.Max(air, 0.45*air+5)
		return night{warm, warm + 0.5, warm + 0.5}
	case fleet.PluggedIn:
		if minC < 2 {
			n.oilC += 18
		}
	}
	return n
}

func (m *machine) bank(tC float64) bank {
	k := bank{a: m.batteries[0].at(tC), two: len(m.batteries) == 2, parallel: m.class.volts == 12}
	if k.two {
		k.b = m.batteries[1].at(tC)
	}
	return k
}

func (m *machine) wear() wear {
	return wear{cableV: m.cable.level, brushV: m.brushes.level, drag: m.drag.level}
}

// workday is a cold start in the morning and, if that succeeds, the warm ones after it.
func (m *machine) workday(d fleet.Date, minC, maxC float64) {
	m.discharge(d)
	at := m.clock(d, m.startHour+m.rng.normal(0.25))
	n := m.night(minC, maxC)
	if m.story != nil && !m.story.spare(m, d, n) || !m.start(d, at, n) {
		return
	}
	m.lastRun = d
	if m.logger.kind != noLogger && d >= m.recordsFrom {
		m.warmStarts(d, minC+(maxC-minC)*0.8)
	}
	m.recharge((minC + maxC) / 2)
}

// warmStarts are the day's later ones. They never fail here, so only what a logger would see of them is worked out.
func (m *machine) warmStarts(d fleet.Date, airC float64) {
	hour := m.startHour + 1
	for m.rng.hit(1 - 1/m.class.cranksPerDay) {
		hour += m.rng.between(0.4, 2.2)
		if hour > 21 {
			return
		}
		n := night{airC: airC, batteryC: airC + 8, oilC: m.rng.between(45, 85)}
		m.log(m.clock(d, hour), m.engine.crank(m.bank(n.batteryC), m.wear(), n.oilC), n, fleet.Started, true)
	}
}

// start tries to start the cold engine, and sees to what follows when it does not.
func (m *machine) start(d fleet.Date, at time.Time, n night) bool {
	if m.rng.hit(m.control) {
		t := m.engine.crank(m.bank(n.batteryC), m.wear(), n.oilC)
		m.logSilent(at, t, n)
		if m.rng.hit(0.5) { // it works at the second try
			return m.start(d, at.Add(time.Duration(m.rng.days(20, 90))*time.Second), n)
		}
		m.breakdown(d, at, fleet.ControlPart)
		return false
	}
	t := m.engine.crank(m.bank(n.batteryC), m.wear(), n.oilC)
	need := m.engine.needed(n.airC) * m.rng.spread(0.03)
	switch {
	case t.speed < need:
		m.log(at, t, n, fleet.NoCrank, false)
		m.breakdown(d, at, m.blame(n))
		return false
	case t.speed < 1.15*need:
		m.log(at, t, n, fleet.Slow, false)
		if m.story == nil && m.rng.hit(0.06) { // the driver tells the workshop
			m.look(d, n)
		}
	case m.story == nil && m.rng.hit(0.0002):
		m.log(at, t, n, fleet.NoStart, false)
		m.breakdown(d, at, fleet.OtherPart)
		return false
	default:
		m.log(at, t, n, fleet.Started, false)
	}
	return true
}

// clock is an hour of the depot's day, to the second, never one that was used before.
func (m *machine) clock(d fleet.Date, hour float64) time.Time {
	y, month, day := d.YMD()
	second := int(hour*3600) + m.rng.IntN(60)
	return time.Date(y, month, day, 0, 0, second, 0, m.zone)
}

func (m *machine) discharge(d fleet.Date) {
	hours := math.Max(0, float64(d-m.lastRun)*24-11)
	for i := range m.batteries {
		b := &m.batteries[i]
		lost := hours * (m.drain + 0.00003)
		if b.shorted {
			lost += hours * 0.01
		}
		b.charge = math.Max(0.02, b.charge-lost)
	}
	m.lastRun = d - 1
	if m.parallelShort() { // the sound battery empties into the shorted one
		for i := range m.batteries {
			m.batteries[i].charge = math.Min(m.batteries[i].charge, 0.3)
		}
	}
}

func (m *machine) parallelShort() bool {
	if m.class.volts != 12 || len(m.batteries) < 2 {
		return false
	}
	return m.batteries[0].shorted || m.batteries[1].shorted
}

// recharge is a day on the road: cold and lost mass make a battery slow to take charge.
func (m *machine) recharge(meanC float64) {
	full := 0.96 - 0.0025*math.Max(0, 8-meanC) - 0.8*math.Min(1, m.alternator.level)
	for i := range m.batteries {
		b := &m.batteries[i]
		take := 0.55 * math.Sqrt(b.mass)
		if full < b.charge {
			take = 0.12
		}
		b.charge += (full - b.charge) * take * m.rng.between(0.7, 1.2)
		b.charge = math.Max(0.02, math.Min(1, b.charge))
	}
}

// age lets the batteries grow older by a day at the day's mean temperature; every 10 °C doubles the pace.
func (m *machine) age(meanC float64) {
	pace := math.Exp2((meanC+4-12)/10) / 365
	for i := range m.batteries {
		b := &m.batteries[i]
		knee := 1 + 5*math.Max(0, math.Min(1.5, (0.75-b.mass)/0.2))
		b.corrosion += corrosionPerYear * pace * b.corrodes
		b.mass -= (massPerYear*pace*b.sheds*knee + 0.0006*math.Max(0, 0.7-b.charge))
		b.mass = math.Max(0.05, b.mass)
	}
}

// Of a battery of usual make at a yearly mean of 8 °C.
const (
	corrosionPerYear = 0.115
	massPerYear      = 0.085
)

// strike lets faults begin by chance, and those that are there grow.
func (m *machine) strike(d fleet.Date) {
	const year = 365.0
	age := float64(d-m.history.Unit.InServiceOn.Or(d)) / year
	worn := float64(d-m.starterOn) / year
	if m.cable.perDay == 0 && m.rng.hit((0.03+0.010*age)/year) {
		m.cable.perDay = m.rng.between(0.8, 4) / 300
	}
	if m.brushes.perDay == 0 && m.rng.hit(0.014*worn/year) {
		m.brushes.perDay = m.rng.between(0.8, 3) / 300
	}
	if m.drag.perDay == 0 && m.rng.hit(0.016*worn/year) {
		m.drag.perDay = m.rng.between(0.5, 2) / 300
	}
	if m.alternator.perDay == 0 && m.rng.hit(0.03/year) {
		m.alternator.perDay = m.rng.between(0.01, 0.06)
	}
	if m.drain == 0 && m.rng.hit(0.035/year) {
		m.drain = m.rng.between(0.001, 0.004)
	}
	if m.control == 0 && m.rng.hit(0.025/year) {
		m.control = m.rng.between(0.004, 0.02)
	}
	m.cable.grow()
	m.brushes.grow()
	m.drag.grow()
	m.alternator.grow()
	if m.alternator.level > 0.2 && m.rng.hit(0.03) { // the warning lamp is heeded
		m.alternator = fault{}
	}
	for i := range m.batteries {
		years := float64(d-m.batteries[i].on) / year
		const shape, scale = 2.2, 13.0 // Weibull life of the weakest cell, years
		if m.rng.hit(shape / scale * math.Pow(math.Max(0, years)/scale, shape-1) / year) {
			m.batteries[i].shorted = true
		}
	}
}

// blame is the part whose restoration would turn the engine fastest.
func (m *machine) blame(n night) fleet.Part {
	speed := func(change func(c *machine)) float64 {
		c := *m
		c.batteries = append([]fitted(nil), m.batteries...)
		change(&c)
		return c.engine.crank(c.bank(n.batteryC), c.wear(), n.oilC).speed
	}
	best, part := speed(func(c *machine) {
		for i := range c.batteries {
			c.batteries[i].plates = plates{mass: 1, charge: c.batteries[i].charge}
		}
	}), fleet.BatteryPart
	for _, other := range []struct {
		part   fleet.Part
		mended func(c *machine)
	}{
		{fleet.StarterPart, func(c *machine) { c.drag, c.brushes = fault{}, fault{} }},
		{fleet.CablePart, func(c *machine) { c.cable = fault{} }},
		{fleet.ChargingPart, func(c *machine) {
			if c.drain == 0 && c.alternator.level < 0.05 {
				return
			}
			for i := range c.batteries {
				c.batteries[i].charge = math.Max(c.batteries[i].charge, 0.93)
			}
		}},
	} {
		if s := speed(other.mended); s > best {
			best, part = s, other.part
		}
	}
	return part
}

func (m *machine) label(kind string) string {
	m.serial++
	return fmt.Sprintf("%s-%s-%02d", kind, m.history.Unit.ID, m.serial)
}
