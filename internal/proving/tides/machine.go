package tides

import (
	"math"

	"rimeyard/internal/fleet"
)

// part is one that wears slowly at first and then faster.
type part struct {
	wear float64 // 0 new, about 1 when it makes itself felt to the driver
	pace float64 // a year
}

const wornOut = 1.8

func (p *part) pass(asks float64) {
	p.wear = min(wornOut, p.wear+asks*p.pace/365*(0.15+3.5*p.wear))
}

// harm grows with the cube of wear.
func (p *part) harm() float64 { return p.wear * p.wear * p.wear }

// fading is a charging system that is sound until one day and then loses its power over months.
type fading struct {
	lost    float64 // of what it gave
	pace    float64 // a year, once it has begun
	begins  float64 // chance a day
	drains  bool    // it is not the alternator that fades but a drain that grows
	running bool
}

// machine is one unit's starting system. It is a value: a copy lives on by itself.
type machine struct {
	*build
	site      *site
	part      *batteryPart
	batteries [2]battery
	starter   part
	rubs      float64 // how far this starter's wear is one of bearings and windings, and not of brushes
	cable     part
	control   part
	charging  fading
}

func (m *machine) fitBattery(i int, d dice) {
	m.batteries[i] = battery{piece: newPiece(m.part, d), charge: 0.97}
}

func (m *machine) fitStarter(grade float64, d dice) {
	m.starter = part{pace: startersAge / grade * d.times(0.3)}
	m.rubs = clamp(d.within(0.3, 1.2), 0, 1)
}

func (m *machine) mendCable(d dice) {
	m.cable = part{wear: 0.03, pace: cablesAge * (0.55 + 0.6*m.site.salt) * d.times(0.5)}
}

func (m *machine) mendCharging(d dice) {
	m.charging = fading{pace: 1 / d.within(0.7, 1.6), begins: chargingFades / 365 * d.times(0.4), drains: d.yes(0.25)}
}

func (m *machine) mendControl(d dice) {
	m.control = part{wear: 0.03, pace: controlsAge * (0.6 + 0.5*m.site.salt) * d.times(0.55)}
}

// renew puts one part right.
func (m *machine) renew(p fleet.Part, starterGrade float64, d dice) {
	switch p {
	case fleet.BatteryPart:
		for i := range m.count {
			m.fitBattery(i, d)
		}
	case fleet.StarterPart:
		m.fitStarter(starterGrade, d)
	case fleet.CablePart:
		m.mendCable(d)
	case fleet.ChargingPart:
		m.mendCharging(d)
		m.fill()
	case fleet.ControlPart:
		m.mendControl(d)
	case fleet.OtherPart:
	}
}

// fill is a night on the charger.
func (m *machine) fill() {
	for i := range m.count {
		m.batteries[i].charge, m.batteries[i].strata = max(m.batteries[i].charge, 0.97), 0
	}
}

// day is what one day asks.
type day struct {
	on           fleet.Date
	minC, maxC   float64 // where it stands
	hours        float64 // driven
	starts       int
	dark, shaken float64 // winter's share of lamps and heaters; how rough its way is
}

// pass lives a day.
func (m *machine) pass(t *day, d dice) {
	mean := (t.minC + t.maxC) / 2
	m.charging.pass(d)
	for i := range m.count {
		b := &m.batteries[i]
		b.pass(mean)
		m.keepCharge(b, t, mean)
		if t.hours > 0 {
			b.strata = clamp(b.strata+0.02-0.016*t.hours, 0, 1)
		}
		if d.yes(cellsShort) {
			b.wear = max(b.wear, 1.3)
		}
	}
	if m.count == 2 && m.volts == 12 { // they even out over night
		a, b := &m.batteries[0], &m.batteries[1]
		even := (a.charge + b.charge) / 2
		a.charge, b.charge = (a.charge+2*even)/3, (b.charge+2*even)/3
	}
	m.starter.pass(float64(t.starts) / 2.2 * (0.8 + 0.4*t.dark))
	m.cable.pass((0.7 + 0.6*t.dark) * t.shaken)
	m.control.pass(float64(t.starts) / 2.2)
}

func (f *fading) pass(d dice) {
	switch {
	case f.running:
		f.lost = min(0.97, f.lost+f.pace/365*d.within(0.4, 1.6))
	case d.yes(f.begins):
		f.running = true
		if d.yes(beltsSnap) {
			f.lost = 0.97
		}
	}
}

const voltsLow = 0.62 // charge that a charging system gives which has lost nearly all: what it reaches before lamps and heaters take it

// keepCharge is a day's drain and what driving puts back.
func (m *machine) keepCharge(b *battery, t *day, meanC float64) {
	ah := m.ratedAh * clamp(1-0.4*b.wear, 0.1, 1)
	lost, drain := m.charging.lost, m.drainA
	if m.charging.drains {
		drain, lost = drain+1.1*lost*m.ratedAh/90, 0
	}
	if m.count == 2 && m.volts == 12 {
		drain /= 2
	}
	b.charge -= (drain*(24-t.hours) + float64(t.starts)*0.006*m.ratedAh) / ah
	if t.hours > 0 {
		left := 1 - lost - m.hotelLoad*(1+0.7*t.dark)
		reach := 0.985 - max(0, lost-0.05)*(0.985-voltsLow)
		switch hours := 2.4 * math.Exp2((20-clamp(meanC, -25, 35))/22) / clamp(left/0.4, 0.05, 1.2); {
		case left <= 0:
			b.charge += left * t.hours * 0.05
		case b.charge < reach:
			b.charge = reach - (reach-b.charge)*math.Exp(-t.hours/hours)
		}
	}
	b.charge = clamp(b.charge, 0.02, 1)
}

// How fast things go, of this yard. They are set so that as many fail, and for such causes, as in fleets at large.
const (
	batteriesAge  = 0.2   // a year
	startersAge   = 0.062 // a year
	cablesAge     = 0.058 // a year
	controlsAge   = 0.055 // a year
	chargingFades = 0.02  // begin a year
	beltsSnap     = 0.04  // of those
	cellsShort    = 0.002 / 365
)
