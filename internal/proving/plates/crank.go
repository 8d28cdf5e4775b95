package plates

import (
	"math"
	"math/rand/v2"

	"rimeyard/internal/fleet"
	"rimeyard/internal/proving"
)

const (
	morningSD = .06  // fuel, wax, driver, wind
	softEdge  = .012 // of the ratio of power to need
	holdA     = 15.  // by the solenoid, 10 … 20 A at 12 V (a car maker's manual)
)

// watts is the most the battery can give at its own temperature.
func (m *machine) watts(c *cell, batteryC float64) float64 {
	byCharge := .06 + .94*math.Pow(c.charge, .8+.012*max(0, -batteryC))
	return wattsPerRatedA * m.b.kind.RatedCCAA * at(power, batteryC) * byCharge * c.health() * (1 - .35*c.sulphate) * (1 - .6*c.weak)
}

func (c *cell) health() float64 { return c.first * max(.06, 1-c.shed) }

// openV is at rest: 12.65 V full, 11.89 V empty (a battery maker's table for flooded ones at 26.7 °C).
func (m *machine) openV(c *cell) float64 {
	v := 11.89 + .76*c.charge + .05*c.sulphate - .45*c.weak*c.weak
	if x := m.b.kind.Chemistry; x == fleet.AGM || x == fleet.Gel {
		v += .14
	}
	return v
}

// source is the whole set of batteries as one voltage behind one resistance in ohm.
func (m *machine) source(batteryC float64) (openV, ohm float64) {
	if m.b.series == 1 {
		return m.parallel(0, 1, batteryC)
	}
	// Two blocks in series: the weaker of them rules, for its cells are drawn dry first.
	v1, r1 := m.parallel(0, 2, batteryC)
	v2, r2 := m.parallel(1, 2, batteryC)
	return v1 + v2, 1.4*max(r1, r2) + .6*min(r1, r2)
}

func (m *machine) parallel(from, step int, batteryC float64) (openV, ohm float64) {
	var siemens, amps float64
	for i := from; i < m.n; i += step {
		c := &m.cells[i]
		v := m.openV(c)
		g := 4 * m.watts(c, batteryC) / (v * v)
		siemens += g
		amps += g * v
	}
	return amps / siemens, 1 / siemens
}

// worn is 0 … 1.
func (m *machine) worn() float64 { return 1 / (1 + math.Exp(-(m.starts/m.halfStarts-1)/.14)) }

func (m *machine) efficiency() float64 {
	if m.starterDead {
		return .01
	}
	return 1 - .55*m.worn()
}

func (m *machine) cableOhm() float64 { return m.b.cableMO * (1 + m.rust) / 1000 }

func (m *machine) needW(oilC float64) float64 {
	need := math.Pow(at(m.b.need, oilC), 1-m.b.thin)
	return m.b.needW * need * math.Exp(m.unit) * (1 + .07*m.oilDays/yearDays)
}

// Spare is ln of power over need. Once the key was turned, that morning stays as hard as it showed itself, until the next day.
func (m *machine) Spare(c proving.Crank) float64 {
	v, ohm := m.source(c.BatteryC)
	return math.Log(v*v/(4*(ohm+m.cableOhm()))*m.efficiency()/m.needW(c.OilC)) - m.hard - m.stuck
}

// Crank draws the same count of numbers whatever the state, so that two states can meet the same morning.
func (m *machine) Crank(c proving.Crank, r *rand.Rand) proving.Read {
	edge := clamp(r.Float64(), 1e-9, 1-1e-9)
	m.hard = morningSD*r.NormFloat64() + softEdge*math.Log(edge/(1-edge))
	control, sticks, x := r.Float64(), r.Float64(), r.Float64()
	m.stuck = 0
	if sticks < m.stick {
		m.stuck = -math.Log(1 - .4*x)
	}
	v, ohm := m.source(c.BatteryC)
	read := proving.Read{RestV: v + float64(m.b.series)*.35*math.Exp(-c.SoakH/2.5), Outcome: fleet.Started}
	rate := m.controlRate()
	if control < rate {
		read.Outcome, read.CurrentA = fleet.NoCrank, 8
		read.PlateauV = max(.1, v-8*ohm)
		read.DipV = max(.05, v-12*ohm)
		return read
	}
	loop := ohm + m.cableOhm()
	ratio := math.Exp(-m.Spare(c))
	held := v / (loop + m.b.rotorMO/1000)
	amps := v / (2 * loop)
	if ratio < 1 {
		amps *= 1 - math.Sqrt(1-ratio)
	}
	turnV := v - amps*loop
	amps += min(holdA/float64(m.b.series), .2*v/ohm)
	read.PlateauV, read.CurrentA = v-amps*ohm, amps
	read.DipV = min(v-held*ohm, read.PlateauV-.01)
	base, rpm := 420., 235.
	if m.b.kind.Fuel == fleet.Diesel {
		base, rpm = 560, 190
	}
	if ratio > 1 {
		read.Outcome = fleet.NoCrank
		read.Ms, read.RPM = 2500+4000*x, rpm*.25/(ratio*ratio)
		m.spend(amps * 3 * read.Ms)
		return read
	}
	read.Ms = base * (.35 + ratio/max(.06, 1-ratio))
	read.RPM = rpm * min(1, turnV/(.95*v)) * (1.1 - .62*ratio)
	if read.Ms > 3500 {
		read.Outcome = fleet.Slow
	}
	if control < 7*rate { // it took more than one turn of the key
		read.Ms += 1500 + 2500*x
		read.Outcome = fleet.Slow
	}
	m.spend(amps * read.Ms)
	return read
}

// controlRate is the chance that the key does nothing at all.
func (m *machine) controlRate() float64 {
	if m.controlDays < 0 {
		return 0
	}
	return min(.5, controlFirstRate*math.Exp(controlGrowth*m.controlDays))
}

func (m *machine) spend(ampMs float64) {
	ah := ampMs / 3.6e6 / float64(m.n/m.b.series)
	for i := range m.n {
		c := &m.cells[i]
		c.charge = max(.02, c.charge-ah/max(20, m.b.kind.RatedAh)/max(.25, 1-c.shed))
	}
}

// Test shows the battery at a position, from 1. A conductance tester sees shed plates well, a bad cell half, sulphate hardly.
func (m *machine) Test(position int, batteryC float64) proving.Bench {
	c := &m.cells[int(clamp(float64(position-1), 0, float64(m.n-1)))]
	v := m.openV(c)
	ohm := v * v / (4 * m.watts(c, batteryC))
	seen := math.Pow(c.health(), .9) * (1 - .4*c.weak) * (1 - .08*c.sulphate) * (1 - .3*(1-c.charge))
	return proving.Bench{
		RestV: v, CCAShare: seen,
		LoadV: max(0, v-1.25*ohm*m.b.kind.RatedCCAA/2), // the plates starve a little in 15 s
		MOhm:  1000 * ohm,
	}
}
