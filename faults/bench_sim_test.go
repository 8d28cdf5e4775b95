package faults_test

import (
	"math"
	"math/rand/v2"

	"rimeyard/faults"
	"rimeyard/internal/fleet"
)

// vehicle is a starting circuit of volts and ohms with one fault in it. It knows nothing of the engine's likelihoods: what is heard and
// read follows from its currents, and from how people look and listen.
type vehicle struct {
	rng    *rand.Rand
	facts  faults.Facts
	truth  faults.Cause
	n      float64 // batteries in series
	soc    float64
	health float64 // share of the rated cold cranking current
	// Ohms of the whole circuit; in an open joint nothing flows.
	termPlus, termMinus, plus, ground, contacts, motor float64
	open                                               bool    // the supply is cut
	atStarter                                          bool    // the bad joint of the plus side sits at the starter
	needA                                              float64 // amperes to turn the engine, warm oil or cold
	locked                                             bool
	winding                                            bool // the solenoid's winding is broken
	brushes                                            bool // the motor takes almost nothing
	control                                            bool // the start signal is cut
	drive                                              int  // 1 grinds, 2 spins
	chargesAt, ripple, drainMA                         float64
	corroded, wiresBad                                 bool
	lampless                                           bool // no immobiliser lamp
	wrongPosition                                      bool // the interlock works in its other position
	keyBad                                             bool
	relayQuiet                                         bool
	leftOn, stood, before, chargeLamp                  bool
}

const mOhm = 1e-3

// newVehicle draws a vehicle with that fault; one that cranks as it should is no case, so it is drawn again.
func newVehicle(rng *rand.Rand, truth faults.Cause) *vehicle {
	for {
		v := drawSound(rng, truth)
		if v.heard() != "normal" {
			continue // too worn for the cold it stands in: no sound unit
		}
		v.breakIt()
		if (v.heard() == "normal") == (truth == faults.NotStarting) {
			return v
		}
	}
}

func (v *vehicle) between(low, high float64) float64 { return low + (high-low)*v.rng.Float64() }
func (v *vehicle) logBetween(low, high float64) float64 {
	return math.Exp(v.between(math.Log(low), math.Log(high)))
}
func (v *vehicle) chance(p float64) bool { return v.rng.Float64() < p }

func drawSound(rng *rand.Rand, truth faults.Cause) *vehicle {
	v := &vehicle{rng: rng, truth: truth}
	f := faults.Facts{SystemVolts: 12, Fuel: fleet.Petrol, Gearbox: fleet.Automatic, Chemistry: fleet.Flooded, CCAStandard: fleet.EN}
	cca, amps, motor := v.between(500, 800), v.between(95, 150), v.between(7, 10)
	switch kind := rng.Float64(); {
	case kind < 0.3:
		f.SystemVolts, f.Fuel = 24, fleet.Diesel
		cca, amps, motor = v.between(800, 1100), v.between(220, 330), v.between(12, 16)
	case kind < 0.6:
		f.Fuel = fleet.Diesel
		cca, amps, motor = v.between(700, 950), v.between(170, 260), v.between(5, 7)
	default:
		f.EngineLitres = fleet.Known(math.Round(10*v.between(1.2, 2.3)) / 10)
	}
	if v.chance(0.5) {
		f.Gearbox = fleet.Manual
	}
	t := math.Round(v.between(-24, 28))
	f.TemperatureC, f.RatedCCAA, f.RatedAh = fleet.Known(t), fleet.Known(math.Round(cca)), fleet.Known(math.Round(cca/9))
	v.facts, v.n = f, float64(f.SystemVolts)/12
	v.soc, v.health = v.between(0.8, 1), v.between(0.82, 1.08)
	if v.chance(0.15) {
		v.soc = v.between(0.5, 0.8)
	}
	v.termPlus, v.termMinus = v.between(0.03, 0.1)*mOhm, v.between(0.03, 0.1)*mOhm
	v.plus, v.ground, v.contacts, v.motor = v.between(0.25, 0.6)*mOhm*v.n, v.between(0.1, 0.3)*mOhm*v.n, v.between(0.2, 0.6)*mOhm*v.n, motor*mOhm
	v.needA = amps * math.Exp(0.016*(20-t))
	v.chargesAt, v.ripple, v.drainMA = v.between(13.9, 14.6)*v.n, v.between(0.02, 0.25)*v.n, v.between(8, 35)
	v.corroded, v.wiresBad, v.lampless = v.chance(0.12), v.chance(0.10), v.chance(0.15)
	v.stood, v.before = v.chance(0.1), v.chance(0.1)
	return v
}

// breakIt puts the fault in.
func (v *vehicle) breakIt() {
	bad := v.logBetween(12, 150) * mOhm * v.n
	switch v.truth {
	case faults.Flat:
		v.soc = v.between(0, 0.3)
		v.leftOn = v.chance(0.45)
		v.stood = !v.leftOn && v.chance(0.6)
		v.before = v.chance(0.06)
	case faults.Drain:
		v.soc, v.drainMA = v.between(0, 0.3), v.logBetween(150, 3000)
		v.stood, v.before = v.chance(0.35), v.chance(0.7)
	case faults.Charging:
		v.soc, v.before, v.chargeLamp = v.between(0, 0.35), v.chance(0.6), v.chance(0.6)
		v.chargesAt = v.between(12.1, 13.3) * v.n
		if v.chance(0.15) {
			v.chargesAt = v.between(15.1, 16.5) * v.n
		}
		if v.chance(0.35) {
			v.ripple = v.between(0.6, 2) * v.n
		}
	case faults.Worn:
		v.health, v.soc, v.before = v.between(0.12, 0.6), v.between(0.3, 1), v.chance(0.4)
	case faults.Terminals:
		if v.chance(0.5) {
			v.termPlus = bad
		} else {
			v.termMinus = bad
		}
		v.open, v.corroded = v.chance(0.12), v.chance(0.9)
	case faults.PositiveCable:
		v.plus, v.atStarter = bad, v.chance(0.6)
		v.wiresBad = v.atStarter && v.chance(0.9)
	case faults.GroundCable:
		v.ground = bad
		v.wiresBad = v.chance(0.3)
	case faults.MainFuse:
		v.open = true
	case faults.EngineLocked:
		v.locked = true
	case faults.EngineDrag:
		v.needA *= v.between(1.6, 3)
	default:
		v.breakStarterOrControl()
	}
}

func (v *vehicle) breakStarterOrControl() {
	switch v.truth {
	case faults.StarterMotor:
		switch kind := v.rng.Float64(); {
		case kind < 0.55:
			v.brushes = true
		case kind < 0.8:
			v.motor += v.between(10, 50) * mOhm // brushes and commutator burnt
		default:
			v.needA *= v.between(1.6, 3) // bearings bind
		}
	case faults.Solenoid:
		switch kind := v.rng.Float64(); {
		case kind < 0.6:
			v.contacts = 1e3
		case kind < 0.8:
			v.contacts = v.between(10, 60) * mOhm * v.n
		default:
			v.winding = true
		}
	case faults.StarterDrive:
		v.drive = 1 + v.rng.IntN(2)
	case faults.NotStarting:
	default:
		v.control = true
		v.wrongPosition = v.truth == faults.Interlock && v.chance(0.6)
		v.keyBad = v.truth == faults.Immobiliser && v.chance(0.45)
		v.relayQuiet = v.truth != faults.StarterRelay || v.chance(0.7)
		if v.truth == faults.StarterFuse {
			v.relayQuiet = v.chance(0.6)
		}
	}
}

func (v *vehicle) restV() float64 { return 11.75 + 0.95*v.soc } // of one battery

func (v *vehicle) innerOhm() float64 {
	t := v.facts.TemperatureC.Or(20)
	return 3.2 / (v.facts.RatedCCAA.Or(700) * v.health) * math.Exp(0.010*(25-t)) * (1 + 1.5*(1-v.soc)*(1-v.soc))
}

// flow is what happens while the key is at start: amperes, volts at the posts, and the speed beside that of a sound circuit.
type flow struct {
	amps, posts, speed float64
	chatters           bool
}

func (v *vehicle) crank() flow { return v.crankWith(v.restV()*v.n, v.innerOhm()*v.n) }

func (v *vehicle) crankWith(emf, inner float64) flow {
	if v.open || v.control || v.winding {
		return flow{posts: emf}
	}
	joints := v.termPlus + v.termMinus + v.plus + v.ground
	if v.brushes {
		amps := v.between(2, 15)
		return flow{amps: amps, posts: emf - amps*inner}
	}
	if v.drive != 0 {
		amps := 0.45 * v.needA
		return flow{amps: amps, posts: emf - amps*inner}
	}
	total := inner + joints + v.contacts + v.motor
	back := emf - v.needA*total // what is left for turning, in volts
	if v.locked || back < 0.1*emf {
		amps := emf / total
		at := emf - amps*(inner+joints) // the solenoid lets go below about half its volts
		return flow{amps: amps, posts: emf - amps*inner, chatters: at < 0.48*12*v.n}
	}
	return flow{amps: v.needA, posts: emf - v.needA*inner, speed: back / (0.60 * 12.6 * v.n)}
}

// heard is what the key sounds like, before anybody mishears it.
func (v *vehicle) heard() string {
	f := v.crank()
	switch {
	case v.open, v.restV() < 11.76 && v.soc < 0.005:
		return "dark"
	case v.control, v.winding:
		return "silent"
	case v.drive == 1:
		return "grinds"
	case v.drive == 2:
		return "spins"
	case f.chatters:
		return "clicks"
	case f.speed <= 0.12:
		return "click"
	case f.speed < 0.72:
		return "slow"
	}
	return "normal"
}

func (v *vehicle) turns() bool { k := v.heard(); return k == "normal" }
