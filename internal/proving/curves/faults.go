package curves

import (
	"math"
	"math/rand/v2"
)

type starterKind uint8

const (
	hungry starterKind = iota // draws more than it should
	tired                     // turns slower than it should
	broken                    // gone without a word
)

// growth is a fault that began some weeks ago and is at 1 after its own number of them.
type growth struct {
	on    bool
	weeks float64
	tau   float64
	power float64
}

func (g *growth) grown() float64 {
	if !g.on {
		return 0
	}
	return math.Min(math.Pow(g.weeks/g.tau, g.power), 3)
}

// The beginnings of faults in a year.
const (
	starterYearly  = 0.022 // at 5 years of age
	cableYearly    = 0.023
	chargingYearly = 0.016
	drainYearly    = 0.012
	controlYearly  = 0.024
	leftOnYearly   = 0.024 // lamps or a heater forgotten
	shortYearly    = 0.011 // a cell gives way, in a battery past a third of its life
)

const (
	quickShare = 0.12 // of faults: grown in weeks instead of months
	quickTau   = 0.12 // of the usual time
	dayOfYear  = 1 / 365.25
)

// age lets faults begin and grow by a day. One draw decides which begins, if any.
func (m *machine) age(driven bool, r *rand.Rand) {
	m.starterYears += dayOfYear
	for _, g := range [...]*growth{&m.starter, &m.cable, &m.charging, &m.drain, &m.control} {
		if g.on {
			g.weeks += 1 / weekDays
		}
	}
	if driven {
		m.leftOn = false
	}
	if u := r.Float64() / dayOfYear; u < 1 {
		m.begin(u, r)
	}
	if !m.control.on {
		return
	}
	if m.moody {
		m.moody = r.Float64() > 0.15
	} else if driven {
		g := math.Min(1, m.control.grown())
		m.moody = r.Float64() < 0.03*g*g
	}
}

// begin starts the fault on whose stretch u, in beginnings a year, has fallen.
func (m *machine) begin(u float64, r *rand.Rand) {
	pace := m.ripening
	if r.Float64() < quickShare*m.sudden {
		pace *= quickTau
	}
	starter := starterYearly * math.Min(2, 0.3+0.14*m.starterYears)
	cable := starter + cableYearly
	charging := cable + chargingYearly
	drain := charging + drainYearly
	control := drain + controlYearly*m.sudden
	switch {
	case u < starter:
		m.beginStarter(pace, r)
	case u < cable:
		start(&m.cable, pace*(35+65*r.Float64()), 1.5+2*r.Float64())
	case u < charging:
		start(&m.charging, pace*(20+35*r.Float64()), 1)
	case u < drain:
		if !m.drain.on {
			start(&m.drain, pace*(15+25*r.Float64()), 1)
			m.drainUse = (0.03 + 0.09*r.Float64()) / 24
		}
	case u < control:
		start(&m.control, pace*(30+40*r.Float64()), 2)
	default:
		m.mishap((u-control)/m.sudden, r)
	}
}

// mishap is what comes without a word: it leaves no trace before.
func (m *machine) mishap(u float64, r *rand.Rand) {
	if u < leftOnYearly {
		m.leftOn = true
	} else if b := &m.bats[r.IntN(m.n)]; b.worn > 0.33 && u < leftOnYearly+shortYearly {
		b.worn = math.Max(b.worn, 0.95+0.3*r.Float64())
	}
}

func (m *machine) beginStarter(pace float64, r *rand.Rand) {
	if m.starter.on {
		return
	}
	switch u := r.Float64(); {
	case u < 0.05:
		m.starterKind = broken
	case u < 0.5:
		m.starterKind = hungry
	default:
		m.starterKind = tired
	}
	start(&m.starter, pace*(40+60*r.Float64()), 1+1.5*r.Float64())
}

func start(g *growth, tau, power float64) {
	if !g.on {
		*g = growth{on: true, tau: tau, power: power}
	}
}

// inherit gives a unit the faults that are under way on its first day: those begun in the past year, as far as they would not
// have been seen to.
func (m *machine) inherit(r *rand.Rand) {
	m.begin(r.Float64(), r)
	for _, g := range [...]*growth{&m.starter, &m.cable, &m.charging, &m.drain, &m.control} {
		if g.on {
			g.weeks = 0.7 * g.tau * r.Float64()
		}
	}
	if m.starter.on && m.starterKind == broken {
		m.starterKind = hungry
	}
}
