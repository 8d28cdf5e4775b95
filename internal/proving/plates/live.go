package plates

import (
	"math"
	"math/rand/v2"

	"rimeyard/internal/proving"
)

const (
	perDay   = 1 / yearDays
	mostRust = 80 // by then nothing turns
)

// Live is one day's charge, decay, wear and chance.
func (m *machine) Live(d proving.Day, r *rand.Rand) {
	meanC := (d.MinC + d.MaxC) / 2
	m.hard, m.stuck = 0, 0
	m.store(d, meanC)
	m.decay(meanC, r)
	m.wear(d, r)
	m.fault(r)
	salty := .3 // salt lies on roads around freezing
	if meanC > -14 && meanC < 5 {
		salty = 2.4
	}
	m.rust = min(mostRust, m.rust+rustPerYear*m.b.salt*(1+m.rust/2)/4*gamma(4*salty*perDay, r))
}

// store keeps the account of charge: what the drive brings, what starts, the parked night and the battery itself take.
func (m *machine) store(d proving.Day, meanC float64) {
	hours := d.DriveHours
	if d.MinC < -5 {
		hours *= 1 - clamp(m.belt*clamp((-5-d.MinC)/15, 0, 1.3), 0, .9)
	}
	full := .985 * clamp((14.1-m.regulatorLow-12.7)/1.4, .05, 1)
	take := 1 - math.Exp(-hours/(2.5*math.Exp2((20-clamp(meanC, -30, 35))/20)))
	ah := max(20, m.b.kind.RatedAh)
	strings := float64(m.n / m.b.series)
	parked := clamp(24-d.DriveHours, 0, 24)
	out := ((m.b.idleA+m.drainA)*parked + .12*float64(d.Starts)*ah/90) / (ah * strings)
	leak := .05 / 30 * math.Exp2((meanC-20)/9.5) // 5 % a month at 20 °C, double for 9.5 °C
	bad := 0.
	for i := range m.n {
		bad = max(bad, m.cells[i].weak)
	}
	for i := range m.n {
		c := &m.cells[i]
		sound := max(.25, 1-c.shed) // the store shrinks with its plates
		c.charge -= out/sound + leak*(1+8*c.weak)
		if m.b.series == 1 && m.n > 1 {
			c.charge -= .01 * bad // a bad neighbour in parallel drinks from the good one
		}
		if d.DriveHours > 0 {
			goal := full - .06*c.sulphate - .12*c.weak
			if c.charge < goal {
				c.charge += (goal - c.charge) * take
			} else {
				c.charge -= (c.charge - goal) * take * .15
			}
		}
		c.charge = clamp(c.charge, .02, 1)
		if c.charge < .8 {
			c.sulphate += .006 * (.8 - c.charge) / .4 * (1 - c.sulphate)
		} else if d.DriveHours > 2.5 && c.charge > .92 {
			c.sulphate *= .985
		}
		if d.DriveHours > 0 && d.DriveHours < .8 {
			c.sulphate += .0008 * (1 - c.sulphate) // short trips leave the acid in layers
		}
	}
}

// decay is what never comes back.
func (m *machine) decay(meanC float64, r *rand.Rand) {
	warmth := math.Exp2((meanC - 8) / 10) // life halves for 8–10 °C (IEEE 450, battery makers' bulletins)
	rate := shedPerYear * perDay * warmth * m.b.shake * m.chemistry()
	finer := m.b.kind.Ripening()
	for i := range m.n {
		c := &m.cells[i]
		c.ageDays++
		deep := 1 + 1.5*max(0, .85-c.charge)
		c.shed = min(1, c.shed+lumpSize/finer*gamma(finer*rate*c.rate*deep, r))
		if c.weakAtDay == 0 {
			if r.Float64() < weakPerDay(c.ageDays) {
				c.weakAtDay = m.wasting(r)
			}
		} else {
			c.weak = min(1, c.weak+c.weakAtDay)
		}
	}
}

func (m *machine) wear(d proving.Day, r *rand.Rand) {
	m.oilDays++
	if m.oilDays >= yearDays {
		m.oilDays = 0
	}
	if d.DriveHours > 0 {
		m.starts += 1 + float64(d.Starts)
		m.unit = clamp(m.unit+.00004+.001*r.NormFloat64(), -.6, .6)
		m.belt = min(1, m.belt+beltWearPerYear/2*gamma(2*perDay, r))
		m.stick = clamp(m.stick+.00012*m.starts/m.halfStarts*r.ExpFloat64(), 0, .5)
	}
}

func (m *machine) fault(r *rand.Rand) {
	u := r.Float64()
	if u < starterDiesPerYear*perDay*m.b.kind.Sudden() {
		m.starterDead = true
	}
	if m.lowAtDay > 0 {
		m.regulatorLow = min(1.5, m.regulatorLow+m.lowAtDay)
	} else if r.Float64() < regulatorFailsPerYear*perDay {
		m.lowAtDay = m.slide(r)
	}
	if m.drainA == 0 && r.Float64() < drainsPerYear*perDay*m.b.kind.Sudden() {
		m.drainA = m.drain(r)
	}
	if m.controlDays >= 0 {
		m.controlDays++
	} else if r.Float64() < controlFaultsPerYear*perDay*m.b.kind.Sudden() {
		m.controlDays = 0
	}
}
