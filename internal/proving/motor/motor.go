// Package motor is a physics of starting systems reckoned from their mechanics: electrolyte and grids, a series-wound
// motor against cold oil, charge in and out day by day, faults that begin at random and grow over months.
//
// Constants are textbook forms set so that the published figures in the tests hold; where a constant has no source but
// that, it is common practice, no source.
package motor

import (
	"math"
	"math/rand/v2"

	"rimeyard/internal/fleet"
	"rimeyard/internal/proving"
)

// New is the physics of motor, oil and cell.
func New() proving.Physics { return physics{} }

type physics struct{}

// Name is the word that fleets of this physics begin with.
func (physics) Name() string { return "motor" }

const maxBatteries = 4

// build is what never changes in a unit's life. Clones share it.
type build struct {
	proving.Kind
	series, strings int // 12 V steps, and batteries beside each other in each
	engine          engine
	starter         starter
	tight           float64 // of this engine against its like
	duty            float64 // of this unit's batteries against the common: heat under the bonnet, shaking
	sleepA          float64 // key-off drain when all is well
}

// machine holds its state by value, so that a copy of it is another unit.
type machine struct {
	*build
	batteries [maxBatteries]battery
	faults    [kinds]fault
	wear      float64 // of brushes and contacts: 0 new, 1 spent
	wearPace  float64 // a year
	solenoid  bool    // stuck for good
}

// New lives a unit's past in steps of a month. Whatever stopped it in that time is taken as put right.
func (physics) New(k proving.Kind, ageYears, meanAirC float64, r *rand.Rand) proving.Machine {
	k.Batteries = min(max(k.Batteries, max(1, k.SystemVolts/12)), maxBatteries)
	b := &build{Kind: k, series: max(1, k.SystemVolts/12)}
	b.strings = max(1, k.Batteries/b.series)
	b.engine = engineOf(k.Fuel)
	b.starter = starterOf(b)
	b.tight = spread(r, 0.09)
	b.duty = spread(r, 0.15)
	b.sleepA = 0.025 * spread(r, 0.4)
	m := &machine{build: b}
	for i := range k.Batteries {
		m.batteries[i] = freshBattery(b, r)
	}
	m.newStarter(r)
	m.wear = math.Mod(ageYears*m.wearPace, 0.97) // spent ones were exchanged
	for i := range m.faults {
		m.faults[i] = m.pending(kind(i), r)
	}
	m.age(ageYears, meanAirC)
	for i := range m.faults {
		m.faults[i].overtake(kind(i), ageYears, r)
	}
	return m
}

// age lives years in steps of a month, at the usual charge.
func (m *machine) age(years, meanAirC float64) {
	const step = 30.4
	for day := 0.0; day < years*365; day += step {
		airC := meanAirC + 11*math.Sin(2*math.Pi*day/365.25)
		for i := range m.Batteries {
			m.batteries[i].age(m.build, min(step, years*365-day), airC+4)
		}
	}
}

func (m *machine) newStarter(r *rand.Rand) {
	m.wearPace = spread(r, 0.42) / 13
	m.wear, m.solenoid = 0, false
}

// Clone copies the state; the build, which nothing changes, is shared.
func (m *machine) Clone() proving.Machine {
	c := *m
	return &c
}

// Renew puts one part right. Who repairs the charging also charges.
func (m *machine) Renew(p fleet.Part, r *rand.Rand) {
	switch p {
	case fleet.BatteryPart:
		unwell := m.faults[drain].level > 0.15 || m.faults[alternator].level > 0.25
		for i := range m.Batteries {
			was := m.batteries[i].charge
			m.batteries[i] = freshBattery(m.build, r)
			if unwell {
				// Where the charge runs out, a new battery is soon as empty as the old one was.
				m.batteries[i].charge = min(was, m.batteries[i].charge)
			}
		}
	case fleet.StarterPart:
		m.newStarter(r)
		m.faults[bearing] = m.pending(bearing, r)
	case fleet.CablePart:
		m.faults[cable] = m.pending(cable, r)
	case fleet.ChargingPart:
		m.faults[alternator] = m.pending(alternator, r)
		m.faults[drain] = m.pending(drain, r)
		m.Charge()
	case fleet.ControlPart:
		m.faults[control] = m.pending(control, r)
	case fleet.OtherPart:
	}
}

// Charge is a night on a charger: charge comes back up to what sulphate allows, and some of the sulphate dissolves.
func (m *machine) Charge() {
	for i := range m.Batteries {
		m.batteries[i].recharge()
	}
}

// spread is a factor about 1.
func spread(r *rand.Rand, sd float64) float64 { return math.Exp(sd * r.NormFloat64()) }
