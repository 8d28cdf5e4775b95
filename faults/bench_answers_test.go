package faults_test

import (
	"fmt"
	"math"

	"rimeyard/faults"
)

// how often people say they do not know, and how often they see or hear something else than was there.
const (
	dontKnowRate = 0.04
	wrongRate    = 0.03
)

// answer is what a person says to a check of this vehicle: a figure with the meter's noise, or an outcome; now and then a wrong one.
func (v *vehicle) answer(ask faults.Ask) string {
	if ask.Check == faults.Secure {
		return "done"
	}
	said := v.shows(ask.Check)
	switch {
	case v.chance(dontKnowRate):
		return faults.DontKnow
	case v.chance(wrongRate):
		return ask.Outcomes[v.rng.IntN(len(ask.Outcomes))].ID
	}
	return said
}

func (v *vehicle) metered(volts, spread float64) string {
	return fmt.Sprintf("%.2f", math.Max(0, volts+spread*v.rng.NormFloat64()))
}

func either(yes bool, a, b string) string {
	if yes {
		return a
	}
	return b
}

// shows is what is there to see.
func (v *vehicle) shows(check faults.Check) string {
	f := v.crank()
	amps := f.amps
	if f.chatters {
		amps, f.posts = 0.6*amps, 0.5*(f.posts+v.restV()*v.n)
	}
	switch check {
	case faults.Key:
		return v.heard()
	case faults.Lamps:
		return v.lamps(f, amps)
	case faults.Story:
		return either(v.leftOn, "left_on", either(v.stood, "stood", "neither"))
	case faults.FlatBefore:
		return either(v.before, "yes", "no")
	case faults.ChargeLamp:
		return either(v.chargeLamp, "lit", "out")
	case faults.Frozen:
		return "no"
	case faults.RestV:
		return v.metered(v.restV(), 0.02)
	case faults.CCATest:
		return fmt.Sprintf("%.0f", v.facts.RatedCCAA.Or(700)*v.health*(1-0.12*(1-v.soc))*math.Exp(0.04*v.rng.NormFloat64()))
	case faults.LoadTest:
		return v.metered(v.restV()-0.5*v.facts.RatedCCAA.Or(700)*v.innerOhm()*1.25, 0.05)
	case faults.CrankV:
		return v.metered(f.posts, 0.05)
	case faults.Jump:
		return v.jump()
	case faults.Charge:
		return v.charge()
	case faults.LookTerminals:
		return either(v.corroded, "bad", "clean")
	case faults.ClampDrop:
		return v.metered(amps*max(v.termPlus, v.termMinus), 0.01)
	case faults.PositiveDrop:
		return v.metered(amps*(v.termPlus+v.plus), 0.03)
	case faults.GroundDrop:
		return v.metered(amps*(v.termMinus+v.ground), 0.02)
	case faults.SolenoidDrop:
		return v.metered(either2(v.contacts > 1 || v.winding, v.restV()*v.n, amps*v.contacts), 0.02)
	}
	return v.showsFurther(check, f, amps)
}

func either2(yes bool, a, b float64) float64 {
	if yes {
		return a
	}
	return b
}

func (v *vehicle) lamps(f flow, amps float64) string {
	at := f.posts - amps*(v.termPlus+v.termMinus)
	switch rest := v.restV() * v.n; {
	case v.open, v.soc < 0.03:
		return "dark"
	case at > 0.83*rest:
		return "bright"
	case at > 0.4*rest:
		return "dim"
	}
	return "out"
}

// jump feeds the circuit from a good source beside the battery: its negative clamp sits on the engine, past ground cable and post.
func (v *vehicle) jump() string {
	w := *v
	w.termMinus, w.ground = min(v.termMinus, 0.4*mOhm), min(v.ground, 1.5*mOhm)
	if v.chance(0.5) { // the other clamp bit into the cable's clamp, not into the post
		w.termPlus = min(v.termPlus, 0.4*mOhm)
	}
	w.open = v.open && v.truth == faults.MainFuse
	inner := 1 / (1/(v.innerOhm()*v.n) + 1/(5.5*mOhm*v.n))
	w.soc = max(v.soc, 0.9)
	out := w.crankWith(12.6*v.n, inner)
	return either(out.speed >= 0.72, "cranks", "same")
}

// charge fills the battery, for the rest of the search too.
func (v *vehicle) charge() string {
	before := v.crank().speed
	v.soc = 0.97
	after := v.crank().speed
	switch {
	case v.turns() && v.health < 0.62 && v.chance(0.6):
		return "weak"
	case v.turns():
		return "cranks"
	case after > before+0.1 || v.health < 0.5:
		return "weak"
	}
	return "same"
}

func (v *vehicle) showsFurther(check faults.Check, f flow, amps float64) string {
	switch check {
	case faults.CleanTerminals:
		if v.truth == faults.Terminals && v.chance(0.95) {
			v.termPlus, v.termMinus, v.open = 0.2*mOhm, 0.2*mOhm, false
		}
		return either(v.turns(), "cured", "same")
	case faults.CleanWires:
		if v.atStarter && v.chance(0.95) {
			v.plus = 0.8 * mOhm * v.n
		}
		return either(v.turns(), "cured", "same")
	case faults.MainFuseCheck:
		return either(v.truth == faults.MainFuse, "open", "through")
	case faults.StarterWires:
		return either(v.wiresBad, "bad", "clean")
	case faults.Draw:
		if low, high, ok := v.facts.StarterCurrentA(); ok && low < high {
			return fmt.Sprintf("%.0f", amps)
		}
		usual := v.needA
		if v.truth == faults.EngineDrag || v.truth == faults.StarterMotor && !v.brushes {
			usual /= 2
		}
		return either(amps > 1.5*usual, "high", either(amps < 0.6*usual, "low", "normal"))
	case faults.Tap:
		return either(v.brushes && v.chance(0.6) || v.contacts > 1 && v.chance(0.25), "runs", "same")
	case faults.Bench:
		return either(v.brushes || v.contacts > 1 || v.winding, "dead", either(v.truth == faults.StarterMotor || v.truth == faults.Solenoid, "weak", "fine"))
	case faults.SolenoidBench:
		return either(v.winding || v.contacts > 1, "weak", "pulls")
	case faults.Pinion:
		return either(v.drive != 0, "worn", "sound")
	case faults.ChargingV:
		return v.metered(v.chargesAt, 0.05)
	case faults.Ripple:
		return v.metered(v.ripple, 0.01)
	case faults.DrainMA:
		return fmt.Sprintf("%.0f", v.drainMA)
	case faults.TurnEngine:
		return either(v.locked, "locked", either(v.truth == faults.EngineDrag, "tight", "turns"))
	}
	return v.startCircuit(check, f)
}

func (v *vehicle) startCircuit(check faults.Check, f flow) string {
	is := func(c faults.Cause) bool { return v.truth == c }
	switch check {
	case faults.Signal:
		return either(v.control || v.open, either(is(faults.StarterRelay) && v.chance(0.2), "weak", "none"), either(f.posts < 0.75*v.restV()*v.n, "weak", "there"))
	case faults.StartFuse:
		return either(is(faults.StarterFuse), "blown", "whole")
	case faults.RelayClick:
		return either(v.open || v.control && v.relayQuiet, "quiet", "clicks")
	case faults.RelaySwap:
		return either(is(faults.StarterRelay), "cured", "same")
	case faults.OtherPosition:
		return either(v.wrongPosition, "cranks", "same")
	case faults.InterlockTest:
		return either(is(faults.Interlock), "open", "closes")
	case faults.SecurityLamp:
		return either(v.lampless || v.open, "none", either(is(faults.Immobiliser) || is(faults.EngineComputer) && v.chance(0.3), "stays", "out"))
	case faults.SecondKey:
		return either(v.keyBad, "cranks", "same")
	case faults.EngineLamp:
		return either(is(faults.EngineComputer) && v.chance(0.95) || v.open, "dark", "lights")
	case faults.ComputerTalks:
		return either(is(faults.EngineComputer) || v.open, "mute", either(is(faults.Immobiliser) && v.chance(0.75), "blocked", "talks"))
	case faults.SwitchFeed:
		return either(is(faults.StartSwitch) || v.open, "none", "there")
	}
	panic("the bench has no " + string(check))
}
