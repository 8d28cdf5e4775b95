// Package curves is a physics of starting systems drawn from curves alone: a cranking voltage that falls with cold along one curve
// and with wear along another, faults that grow by a power law, and a voltage under which the engine is not turned. No circuit
// stands behind it: no resistance is multiplied by a current, so a forecast that believes in one meets something else here.
//
// Voltages inside are those of one 12 V battery; readings are of the whole system. Where a curve has no source beside it, its
// constants are common practice, no source.
package curves

import (
	"math"
	"math/rand/v2"

	"rimeyard/internal/fleet"
	"rimeyard/internal/proving"
)

// class holds what engines of one fuel and voltage share, by battery of 12 V.
type class struct {
	plateauV     float64 // while cranking at 20 °C, sound and charged
	slopeV       float64 // lost by degree below 20 °C
	steepV       float64 // lost by squared degree below bendC
	quitV        float64 // needed at the starter at 0 °C to turn the engine fast enough to fire
	quitColdV    float64 // more of it by degree of frost
	inrushV      float64 // from the plateau down to the first dip
	ampsA        float64 // at 20 °C and refLitres
	refLitres    float64
	rpm, slowRPM float64 // with all the spare of 20 °C, and with none
	ms           float64 // at 20 °C
	needCCAA     float64 // fitted as a rule, at refLitres
}

var (
	petrol  = class{9.95, 0.053, 0.0020, 4.75, 0.005, 1.7, 100, 1.9, 250, 75, 650, 520}
	diesel  = class{9.40, 0.046, 0.0019, 4.9, 0.014, 1.9, 210, 3.0, 230, 95, 900, 800}
	diesel2 = class{9.55, 0.050, 0.0019, 4.8, 0.014, 1.6, 240, 8.0, 200, 90, 1000, 1000} // 24 V
)

const (
	bendC      = -5.0 // below it the plateau falls quicker than in a straight line
	lifeAtC    = 10.0 // climate in which a battery lives as long as drawn
	seasonHeat = 1.19 // mean of 2^(ΔT/10) over a year that swings by 12 °C about its mean: warm days age more than cold ones spare
	lifeShape  = 2.8
	lifeWeeks  = 445.0 // Weibull scale for a part of grade 1 in that climate
	weekDays   = 7.0
	yearWeeks  = 52.18
	maxBats    = 4
)

// battery is one block of 12 V.
type battery struct {
	worn    float64 // share of its life that is behind it
	life    float64 // weeks
	span    float64 // share of life, at its end, in which weakness shows
	fallV   float64 // lost by the time it is dead
	spreadV float64 // as made
	restV   float64 // as made
	steep   float64 // its own share of the bend
	lag     float64 // by how much a conductance tester sees the wear path late, as a share of life
	share   float64 // what such a tester adds or takes for good
}

type machine struct {
	class            *class
	grade            float64
	ratedA           float64
	ratedAh          float64
	agm              bool
	ripening, sudden float64 // [proving.Kind]
	volts            float64 // batteries' worth of voltage: 1 or 2
	n                int
	bats             [maxBats]battery

	plateauV, slopeV, quitV, inrushV float64
	scaleV                           float64 // of the logistic chance about quitV
	ampsA, ms                        float64

	charge  float64 // 0 … 1
	parkUse float64 // of charge by hour, nothing wrong
	soundDr float64 // drive hours that refill 63 % of what is missing, at 20 °C

	starterYears float64
	starterKind  starterKind
	starter      growth
	cable        growth
	charging     growth
	drain        growth
	drainUse     float64 // of charge by hour at full growth
	control      growth
	moody        bool // the control contact is in one of its bad spells
	leftOn       bool // something was left on since the last drive

	luckV float64 // of the latest crank, kept through the day so that what failed then can be looked into
}

type physics struct{}

// New is the physics of curves.
func New() proving.Physics { return physics{} }

// Name is curves.
func (physics) Name() string { return "curves" }

// New makes a unit whose parts are that old.
func (physics) New(k proving.Kind, ageYears, meanAirC float64, r *rand.Rand) proving.Machine {
	cl := &petrol
	switch {
	case k.SystemVolts == 24:
		cl = &diesel2
	case k.Fuel == fleet.Diesel:
		cl = &diesel
	}
	size := math.Max(k.Litres, 0.5) / cl.refLitres
	m := &machine{
		class: cl, grade: k.PartGrade, ratedA: k.RatedCCAA, ratedAh: math.Max(k.RatedAh, 20),
		agm: k.Chemistry == fleet.AGM || k.Chemistry == fleet.Gel, volts: 1, ripening: k.Ripening(), sudden: k.Sudden(), n: min(max(k.Batteries, 1), maxBats),
	}
	if k.SystemVolts == 24 {
		m.volts = 2
	}
	roomy := k.RatedCCAA * float64(m.n) / m.volts / (cl.needCCAA * math.Pow(size, 0.6))
	m.plateauV = cl.plateauV + 0.15*r.NormFloat64() + math.Min(math.Max(0.3*math.Log(roomy), -0.15), 0.15)
	m.slopeV = cl.slopeV * math.Exp(0.08*r.NormFloat64())
	m.quitV = cl.quitV + 0.15*r.NormFloat64()
	m.inrushV = cl.inrushV * math.Exp(0.1*r.NormFloat64())
	m.scaleV = 0.05 + 0.20*r.Float64()
	m.ampsA = cl.ampsA * math.Pow(size, 0.6) * math.Exp(0.05*r.NormFloat64())
	m.ms = cl.ms * math.Exp(0.15*r.NormFloat64())
	m.charge = 0.9 + 0.08*r.Float64()
	m.parkUse = (0.024 + 0.034*r.Float64()) / m.ratedAh // 24 to 58 mA at 20 °C
	m.soundDr = 1.5 + 2*r.Float64()
	years := math.Max(ageYears, 0)
	behind := years * yearWeeks * seasonHeat * math.Exp2((meanAirC-lifeAtC)/10)
	for i := range m.n {
		m.bats[i] = m.madeBattery(behind, r)
	}
	m.starterYears = years * (0.8 + 0.7*r.Float64())
	m.inherit(r)
	return m
}

// madeBattery draws a battery that has lived for so many weeks of the reference climate. It has not died of them: a unit on record
// has a battery that still starts it, so only lives longer than that are drawn.
func (m *machine) madeBattery(behindWeeks float64, r *rand.Rand) battery {
	scale := lifeWeeks * m.grade
	if m.agm {
		scale *= 1.1
	}
	life := scale * math.Pow(math.Pow(behindWeeks/scale, lifeShape)+r.ExpFloat64(), 1/lifeShape)
	return battery{
		life: life, worn: behindWeeks / life,
		span:    0.15 + 0.25*r.Float64(),
		fallV:   4.6 + 0.4*r.NormFloat64(),
		spreadV: 0.08 * r.NormFloat64(),
		restV:   0.015 * r.NormFloat64(),
		steep:   math.Exp(0.25 * r.NormFloat64()),
		lag:     0.02 + 0.06*r.Float64(),
		share:   0.04 * r.NormFloat64(),
	}
}

// path is the S of wear: flat for most of life, ½ at its end, steepest there, then levelling out at 1.
func (b *battery) path(worn float64) float64 { return 1 / (1 + math.Exp(-4*(worn-1)/b.span)) }

// Live ages the unit by a day.
func (m *machine) Live(d proving.Day, r *rand.Rand) {
	m.luckV = 0
	meanC := (d.MinC + d.MaxC) / 2
	driven := d.DriveHours > 0
	// A battery lives half as long for every 10 °C: IEEE 450 says 8.3, makers 8 to 10.
	pace := math.Exp2((meanC-lifeAtC)/10) / weekDays
	if driven {
		pace *= 1 + 0.35*math.Exp(-d.DriveHours/(0.4*float64(1+d.Starts)))
	}
	if m.charge < 0.7 {
		pace *= 1 + 2*(0.7-m.charge)
	}
	for i := range m.n {
		m.bats[i].worn += pace / m.bats[i].life
	}
	m.age(driven, r)
	m.fill(d, meanC)
}

// fill moves the charge: what is missing shrinks by a share with every hour driven, and parked hours, starts and cold take from it.
func (m *machine) fill(d proving.Day, meanC float64) {
	full := 1.0
	if m.charging.on {
		full = math.Max(0.15, 1-0.5*m.charging.grown())
	}
	if d.DriveHours > 0 {
		rate := 1 / (1 + 0.05*math.Max(0, 20-meanC)) // a cold battery takes less
		m.charge += (full - m.charge) * -math.Expm1(-d.DriveHours*rate/m.soundDr)
		m.charge -= 0.004 * float64(1+d.Starts) * (1 + 0.02*math.Max(0, -d.MinC))
	}
	use := m.parkUse * (0.7 + 0.3*math.Exp2((meanC-20)/10)) // self-discharge doubles in 10 °C
	if m.drain.on {
		use += m.drainUse * math.Min(1, m.drain.grown())
	}
	if m.leftOn {
		use += 0.35 / 24
	}
	m.charge -= use * math.Min(d.HoursParked, 24)
	m.charge = math.Min(math.Max(m.charge, 0.05), 1)
}

// Charge puts the batteries on a charger overnight.
func (m *machine) Charge() { m.charge = 1 }

// starved tells whether a new battery would soon be as flat as the old one.
func (m *machine) starved() bool {
	return m.leftOn || m.charging.grown() > 0.15 || m.drain.grown() > 0.15
}

// Clone copies the unit with all that it has become.
func (m *machine) Clone() proving.Machine {
	c := *m
	return &c
}

// Renew puts one part right.
func (m *machine) Renew(p fleet.Part, r *rand.Rand) {
	switch p {
	case fleet.BatteryPart:
		for i := range m.n {
			m.bats[i] = m.madeBattery(0, r)
		}
		if !m.starved() {
			m.charge = 0.95
		}
	case fleet.StarterPart:
		m.starter, m.starterYears = growth{}, 0
	case fleet.CablePart:
		m.cable = growth{}
	case fleet.ChargingPart:
		m.charging, m.drain, m.leftOn = growth{}, growth{}, false
		m.charge = math.Max(m.charge, 0.95)
	case fleet.ControlPart:
		m.control, m.moody = growth{}, false
	}
}
