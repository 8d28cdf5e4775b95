package motor

import (
	"math"
	"math/rand/v2"

	"rimeyard/internal/fleet"
	"rimeyard/internal/proving"
)

// engine is what turns hard. Torques are shares of the torque at 25 °C, at the speed the unit then turns.
type engine struct {
	dry, wet         float64    // share of compression and rubbing, share of the oil film
	vogel            [3]float64 // ln ν = a + b/(T+c)
	power            float64    // of viscosity in the torque
	cruiseRPM        float64    // when all is well at 25 °C
	needRPM, coldRPM float64    // to fire at all, and more of it per °C below fireC
	fireC            float64
	fireMs           float64 // of a brisk start
	share            float64 // current at 25 °C over the rating
}

// Oils by Vogel's equation: 15W-40 of 110 mm²/s at 40 °C, 15 at 100 °C, 9,000 at −20 °C; 5W-30 of 65, 11 and 3,600
// (data sheets, from memory).
func engineOf(f fleet.Fuel) engine {
	if f == fleet.Diesel {
		return engine{
			dry: 0.46, wet: 0.54, vogel: [3]float64{-2.6, 1170, 120}, power: 0.39, cruiseRPM: 215,
			needRPM: 66, coldRPM: 0.45, fireC: 5, fireMs: 720, share: 0.225,
		}
	}
	return engine{
		dry: 0.26, wet: 0.74, vogel: [3]float64{-2.19, 986.6, 115}, power: 0.47, cruiseRPM: 235,
		needRPM: 54, coldRPM: 0.45, fireC: 0, fireMs: 460, share: 0.192,
	}
}

// thick is the oil film's torque against 25 °C at the same speed.
func (e *engine) thick(oilC float64) float64 {
	t := max(oilC, -60)
	return math.Exp(e.power * (e.vogel[1]/(t+e.vogel[2]) - e.vogel[1]/(25+e.vogel[2])))
}

// needs is the speed from which the engine fires.
func (e *engine) needs(oilC float64) float64 { return e.needRPM + e.coldRPM*max(0, e.fireC-oilC) }

// starter is a series-wound motor with its gear: flux saturates with current as I/(I+half), torque goes as flux and
// current, counter-voltage as flux and speed.
type starter struct {
	designA, halfA float64
	windOhm        float64
	brushV         float64
	loopOhm        float64
	volts          float64 // counter-voltage per flux and unit of speed
	torque         float64 // per flux and ampere, 1 at the design point
}

// starterOf fits the starter to the engine as makers do: more by the batteries they fit than by litres alone.
func starterOf(b *build) starter {
	byRating := b.engine.share * b.RatedCCAA * float64(b.strings)
	byLitres := 100 * math.Pow(max(0.6, b.Litres)/1.9, 0.8) * 12 / float64(12*b.series)
	if b.Fuel == fleet.Diesel {
		byLitres *= 1.45
	}
	s := starter{designA: math.Pow(byRating, 0.8) * math.Pow(byLitres, 0.2)}
	v := float64(b.series)
	s.halfA = 0.3 * s.designA
	s.windOhm = 0.42 * v / s.designA
	s.loopOhm = 0.20 * v / s.designA
	s.brushV = 0.35 * v
	design := 11.95*v - s.designA*(s.windOhm+s.loopOhm) - s.brushV
	s.volts = design / s.flux(s.designA)
	s.torque = 1 / (s.flux(s.designA) * s.designA)
	return s
}

func (s *starter) flux(amps float64) float64 { return amps / (amps + s.halfA) }

// circuit is one crank's worth of given things.
type circuit struct {
	groups             [maxBatteries]source
	n                  int
	ohm, brushV        float64 // behind the terminals
	dry, wet, idle     float64 // torque: the engine's constant part, its oil film, the starter's own bearings
	volts, torque, sat float64
}

func (m *machine) circuit(c proving.Crank, contact float64) circuit {
	cold := chillAt(c.BatteryC)
	k := circuit{n: m.series, volts: m.starter.volts, torque: m.starter.torque, sat: m.starter.halfA}
	for i := range m.Batteries {
		s := m.batteries[i].as(m.RatedCCAA, cold)
		if g := i % m.series; i < m.series {
			k.groups[g] = s
		} else {
			k.groups[g] = k.groups[g].beside(s)
		}
	}
	v := float64(m.series)
	worn := m.wear * m.wear * m.wear
	k.ohm = m.starter.loopOhm + m.starter.windOhm*(1+1.6*worn) + cableOhm*v/m.starter.designA*m.faults[cable].level*contact
	spent := max(0, m.wear-0.9)
	k.brushV = m.starter.brushV*(1+1.2*worn) + 150*v*spent*spent*contact
	k.dry, k.wet = m.engine.dry*m.tight, m.engine.wet*m.engine.thick(c.OilC)*m.tight
	k.idle = bearingTorque * m.faults[bearing].level
	return k
}

// terminal is the voltage of the whole system under a current, and its slope.
func (k *circuit) terminal(amps float64) (volts, slope float64) {
	for i := range k.n {
		v, dv := k.groups[i].at(amps)
		volts, slope = volts+v, slope+dv
	}
	return volts, slope
}

// balance is the torque left over at a current with its slope, and the speed (1 is the design speed) that the voltage
// then drives.
func (k *circuit) balance(amps float64) (torque, slope, speed float64) {
	flux := amps / (amps + k.sat)
	fluxSlope := k.sat / ((amps + k.sat) * (amps + k.sat))
	v, dv := k.terminal(amps)
	turn := k.volts * flux
	speed = (v - amps*k.ohm - k.brushV) / turn
	torque = k.torque*flux*amps - k.dry - k.idle
	slope = k.torque * (flux + fluxSlope*amps)
	if speed > 0 {
		root := math.Sqrt(speed)
		torque -= k.wet * root
		speedSlope := (dv-k.ohm)/turn - speed*fluxSlope/flux
		slope -= k.wet * 0.5 / root * speedSlope
	}
	return torque, slope, speed
}

// settle finds the current at which the torque balances: more current means less speed and more torque, so there is one.
// Where it lies beyond the current of standing still the speed comes out negative, and the motor stalls.
func (k *circuit) settle(designA float64) (amps, speed float64) {
	lo, hi := 0.0, math.Inf(1)
	amps = designA * math.Sqrt(k.dry+k.idle+k.wet)
	for range 40 {
		var torque, slope float64
		torque, slope, speed = k.balance(amps)
		if math.Abs(torque) < 1e-5 {
			break
		}
		if torque > 0 {
			hi = amps
		} else {
			lo = amps
		}
		next := amps - torque/slope
		if next <= lo || next >= hi {
			next = (lo + min(hi, 3*amps)) / 2
		}
		amps = next
	}
	return amps, speed
}

// standing is the current with the motor held, at which all voltage falls in resistances, sought upwards from amps.
func (k *circuit) standing(amps float64) float64 {
	for range 12 {
		v, slope := k.terminal(amps)
		left := v - amps*k.ohm - k.brushV
		amps = max(0, amps-left/(slope-k.ohm))
		if math.Abs(left) < 0.02 {
			break
		}
	}
	return amps
}

// Spare is the speed over the needed speed, less 1, when everything left to chance goes as badly as it can. Below a
// standstill it is the further below the more is wanting.
func (m *machine) Spare(c proving.Crank) float64 {
	k := m.circuit(c, 1)
	_, speed := k.settle(m.starter.designA)
	spare := speed*m.engine.cruiseRPM/m.engine.needs(c.OilC) - 1
	if m.solenoid {
		spare -= 4
	}
	return spare
}

const (
	slowBelow = 1.22 // of the needed speed
	inrush    = 0.6  // how near the first surge comes to the current of standing still, the coils holding it back
	luck      = 0.09 // of the speed from one start to the next, at most: where the pistons stopped, grease, fuel
	bite      = 0.25 // of a bad joint's resistance from one start to the next, at most
)

// Crank always draws the same number of times, so that two futures of one stream differ only in what was changed.
func (m *machine) Crank(c proving.Crank, r *rand.Rand) proving.Read {
	click, night, contact := r.Float64(), luck*r.Float64(), 1-bite*r.Float64()
	linger := math.Exp(0.17 * r.NormFloat64())
	k := m.circuit(c, contact)
	read := proving.Read{RestV: m.restV(&k, c)}
	if clicks := click < m.clickChance(c.OilC); clicks || m.solenoid {
		m.refuse(&read, clicks, linger)
		return read
	}
	amps, speed := k.settle(m.starter.designA)
	still := k.standing(amps)
	if speed <= 0 {
		amps, speed = still, 0
	}
	read.CurrentA, read.RPM = amps, speed*m.engine.cruiseRPM*(1+night)
	volts, _ := k.terminal(amps)
	inrushV, _ := k.terminal(amps + inrush*max(0, still-amps))
	read.PlateauV = max(0, volts)
	read.DipV = min(read.PlateauV, max(2.5*float64(m.series), inrushV))
	m.fire(&read, read.RPM/m.engine.needs(c.OilC), c.OilC, linger)
	return read
}

// restV before the key is turned; charge stays on the plates' surface for some hours after a run.
func (m *machine) restV(k *circuit, c proving.Crank) float64 {
	v := 0.0
	for i := range k.n {
		v += k.groups[i].emfV
	}
	if m.faults[alternator].level < 0.8 {
		v += 0.45 * float64(m.series) * math.Exp(-c.SoakH/1.8)
	}
	return v - 0.02*float64(m.series)
}

// fire decides what becomes of a turning engine.
func (m *machine) fire(read *proving.Read, margin, oilC, linger float64) {
	brisk := m.engine.fireMs * (1 + 0.02*max(0, -oilC))
	if margin <= 1 {
		read.Outcome, read.Ms = fleet.NoCrank, 3500*linger*linger
		return
	}
	read.Outcome, read.Ms = fleet.Started, min(15000, brisk*linger*(1+0.25/(margin-0.97)))
	if margin < slowBelow {
		read.Outcome = fleet.Slow
	}
}

// refuse is a key turned in vain: nothing pulls but a coil, or not even that.
func (m *machine) refuse(read *proving.Read, clicks bool, linger float64) {
	read.CurrentA = 15
	if clicks {
		read.CurrentA = 4
	}
	read.PlateauV = read.RestV - 0.006*read.CurrentA*float64(m.series)
	read.DipV = read.PlateauV - 0.08
	read.Ms, read.Outcome = 1800*linger, fleet.NoCrank
}
