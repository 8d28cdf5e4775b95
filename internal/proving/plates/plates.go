// Package plates is a physics of stores and powers. A battery is a store that can give so many watts; the watts fall with cold by
// a table, with charge, with plates shed in random lumps that never come back, with sulphate that comes and goes, and with one
// cell that may go bad over weeks. An engine asks for so many watts; volts and amperes follow from the balance of the two.
//
// Figures without a source beside them are common practice, no source, or set so that a mixed fleet fails as fleets do.
package plates

import (
	"math"
	"math/rand/v2"

	"rimeyard/internal/fleet"
	"rimeyard/internal/proving"
)

const (
	yearDays  = 365.25
	mostCells = 4

	shelfCharge = .74 // a new battery rests at some 12.4 V; who fits it charges it

	wattsPerRatedA   = 7.35 / .43 // at 26.7 °C: a rating of 1 A at −17.8 °C is 12.6 V there falling to about 7.2 V
	lumpSize         = .010       // of the strength when new
	shedPerYear      = .075 / lumpSize
	petrolW, dieselW = 1.08, .95 // the engine's need at 26.7 °C to each ampere of rating and 12 V, as makers match the two

	weakScaleYears, weakShape = 14.0, 2.8
	starterHalfStarts         = 11500.
	starterDiesPerYear        = .001
	rustPerYear               = .13
	regulatorFailsPerYear     = .018
	beltWearPerYear           = .02
	drainsPerYear             = .012
	controlFaultsPerYear      = .023
	controlGrowth             = math.Ln2 / 45
	controlFirstRate          = 1e-4
)

type physics struct{}

// New is the physics of stores and powers.
func New() proving.Physics { return physics{} }

// Name is how the proving ground calls it.
func (physics) Name() string { return "plates" }

// cell is one battery.
type cell struct {
	ageDays   float64
	first     float64 // strength when new, as a share of the rating
	rate      float64 // how fast this one sheds, beside its kind
	shed      float64 // lost for ever, a share of first
	charge    float64 // 0 … 1
	sulphate  float64 // 0 … 1
	weak      float64 // 0 … 1: how far its bad cell has gone
	weakAtDay float64 // how much further each day; 0: all cells are sound
}

type build struct {
	kind    proving.Kind
	need    []row
	needW   float64 // at 26.7 °C with new oil
	thin    float64 // how much flatter winter oil makes the table of need
	cableMO float64 // clean, whole circuit, mΩ
	rotorMO float64 // of the starter at the instant it is held still, mΩ
	wearOut float64 // starts at which half the wear has come
	salt    float64 // how this unit's joints take salt
	shake   float64
	idleA   float64 // drawn for ever with the key off
	series  int
}

type machine struct {
	b     *build // never changed once made
	n     int
	cells [mostCells]cell

	starts, stick float64
	starterDead   bool
	halfStarts    float64
	rust          float64 // resistance added by corrosion, in clean cables
	regulatorLow  float64 // V below what it should hold
	lowAtDay      float64 // V a day; 0: sound
	belt          float64 // share of the drive lost in hard cold
	drainA        float64
	controlDays   float64 // since the fault began; below 0: none
	hard, stuck   float64 // ln of what this morning, and a brush that sticks, add to the need
	unit          float64 // ln of this engine's need beside its class
	oilDays       float64
}

// New ages a unit as those still in service are: a battery that would have been thrown out by now is not among them.
func (physics) New(k proving.Kind, ageYears, meanAirC float64, r *rand.Rand) proving.Machine {
	b := &build{kind: k, need: petrolNeed, shake: .95, series: 1, thin: .45 * clamp((10-meanAirC)/12, 0, 1)}
	m := &machine{b: b, n: int(clamp(float64(k.Batteries), 1, mostCells)), controlDays: -1}
	if k.SystemVolts >= 24 {
		b.series, m.n = 2, max(2, m.n&^1)
	}
	rating := k.RatedCCAA * float64(m.n) // ampere·blocks of 12 V
	sizing, perLitre, usual := petrolW, 400., 2.2
	if k.Fuel == fleet.Diesel {
		b.need, b.shake, sizing, perLitre, usual = dieselNeed, 1.1, dieselW, 200, 6
	}
	litres := k.Litres
	if litres <= 0 {
		litres = usual
	}
	b.needW = sizing * rating * math.Pow(clamp(perLitre*litres/rating, .4, 2.5), .25)
	volts := float64(b.series)
	b.cableMO = 600 * volts * volts / rating * spread(.15, r)
	b.rotorMO = 4500 * volts * volts / rating * spread(.05, r)
	b.wearOut = starterHalfStarts
	b.salt = spread(.8, r)
	b.idleA = .02 + .025*r.Float64()
	m.unit = .11 * r.NormFloat64()
	m.oilDays = yearDays * r.Float64()

	warmth := math.Exp2((meanAirC - 8) / 10)
	for i := range m.n {
		m.cells[i] = m.aged(ageYears, warmth, r)
	}
	m.renewStarter(r)
	m.starts = ageYears * 750 * spread(.35, r)
	m.stick = .05 * ageYears / 10 * m.starts / m.halfStarts
	m.rust = rustPerYear * b.salt * gamma(4*ageYears, r) / 4
	m.belt = beltWearPerYear * gamma(2*ageYears, r) / 2
	if r.Float64() < regulatorFailsPerYear*.4 {
		m.lowAtDay = m.slide(r)
		m.regulatorLow = m.lowAtDay * 90 * r.Float64()
	}
	if r.Float64() < drainsPerYear*.3 {
		m.drainA = m.drain(r)
	}
	if r.Float64() < controlFaultsPerYear {
		m.controlDays = 330 * r.Float64()
	}
	return m
}

func (m *machine) fresh(r *rand.Rand) cell {
	return cell{first: 1.04 * spread(.04, r), rate: spread(.4, r) / clamp(m.b.kind.PartGrade, .3, 3), charge: shelfCharge}
}

func (m *machine) aged(years, warmth float64, r *rand.Rand) cell {
	best := cell{shed: 9}
	for range 6 {
		c := m.fresh(r)
		c.ageDays = years * yearDays
		c.shed = lumpSize * gamma(shedPerYear*years*c.rate*warmth*m.b.shake*m.chemistry(), r)
		if c.shed < best.shed {
			best = c
		}
		if c.shed < .42 {
			best = c
			break
		}
	}
	best.charge = .9 + .07*r.Float64()
	best.sulphate = .15 * r.Float64() * min(1, years)
	if r.Float64() < .4*weakPerDay(best.ageDays)*yearDays {
		best.weakAtDay = m.wasting(r)
		best.weak = r.Float64()
	}
	return best
}

// chemistry is how fast the plates of a kind shed beside flooded ones; from memory.
func (m *machine) chemistry() float64 {
	switch m.b.kind.Chemistry {
	case fleet.AGM, fleet.Gel:
		return .85
	case fleet.EFB:
		return .92
	}
	return 1
}

// weakPerDay is the Weibull hazard of a cell going bad.
func weakPerDay(ageDays float64) float64 {
	u := ageDays / (weakScaleYears * yearDays)
	return weakShape / (weakScaleYears * yearDays) * math.Pow(u, weakShape-1)
}

func (m *machine) wasting(r *rand.Rand) float64 {
	return 1 / (m.b.kind.Ripening() * 7 * (4 + 26*r.Float64()))
}

func (m *machine) slide(r *rand.Rand) float64 {
	return (.2 + .4*r.Float64()) / 100 / m.b.kind.Ripening()
}

// drain grows with the battery: what is left on in a lorry is larger.
func (m *machine) drain(r *rand.Rand) float64 {
	return clamp(.4*spread(.4, r), .15, 1.6) * max(20, m.b.kind.RatedAh) * float64(m.n/m.b.series) / 80
}

func (m *machine) renewStarter(r *rand.Rand) {
	m.starts, m.stick, m.stuck, m.starterDead, m.halfStarts = 0, 0, 0, false, m.b.wearOut*spread(.35, r)
}

// Renew puts one part right; a new battery comes from the shelf, not quite full.
func (m *machine) Renew(p fleet.Part, r *rand.Rand) {
	switch p {
	case fleet.BatteryPart:
		for i := range m.n {
			m.cells[i] = m.fresh(r)
		}
	case fleet.StarterPart:
		m.renewStarter(r)
	case fleet.CablePart:
		m.rust = 0
	case fleet.ChargingPart:
		m.regulatorLow, m.lowAtDay, m.belt, m.drainA = 0, 0, 0, 0
	case fleet.ControlPart:
		m.controlDays = -1
	case fleet.OtherPart:
	}
}

// Charge fills every battery, and brings back some of what sulphate took.
func (m *machine) Charge() {
	for i := range m.n {
		c := &m.cells[i]
		c.charge = max(c.charge, .99-.1*c.weak)
		c.sulphate *= .6
	}
}

// Clone lives on by itself; only the build, which never changes, is shared.
func (m *machine) Clone() proving.Machine {
	c := *m
	return &c
}
