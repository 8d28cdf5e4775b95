package aside

import (
	"math"
	"math/rand/v2"

	"rimeyard/internal/fleet"
	"rimeyard/internal/proving"
)

// luck is what differs from one crank to the next. It is kept until the day has passed, so that a start that failed can be
// explained; at all other times it is as usual.
type luck struct {
	drag, fire    float64 // of the engine
	loose, jitter float64 // of bad contacts
	dead, locked  bool    // the starter's brushes on a dead bar, the key not known
}

var usual = luck{drag: 1, fire: 1, loose: 1, jitter: 1}

func (m *machine) draws(r *rand.Rand) luck {
	l := luck{drag: math.Exp(0.03 * r.NormFloat64()), fire: math.Exp(0.03 * r.NormFloat64())}
	contact, slip := r.NormFloat64(), r.Float64()
	l.loose, l.jitter = m.cable.loose(contact), m.control.jitter(contact)
	l.dead = slip < m.starter.slips()
	l.locked = !l.dead && slip > 1-m.control.unread
	return l
}

// supply is what the batteries together put on the posts: strings in parallel of batteries in series. In a string resistances
// add up, so that the weaker battery rules; side by side the better one carries the weak one.
func (m *machine) supply(batteryC float64) (v, ohm float64) {
	inString := max(1, m.kind.SystemVolts/12)
	var conducts, pushes float64
	for first := 0; first+inString <= m.n; first += inString {
		var sumV, sumOhm float64
		for i := first; i < first+inString; i++ {
			oneV, oneOhm := m.cells[i].source(batteryC)
			sumV += oneV
			sumOhm += oneOhm
		}
		conducts += 1 / sumOhm
		pushes += sumV / sumOhm
	}
	return pushes / conducts, 1 / conducts
}

// path is all that lies between the posts and the turning shaft.
func (m *machine) path() (ohm, brushV float64) {
	e := &m.engine
	ohm = e.windingOhm*m.starter.winding() + 0.075/e.demandA*(e.volts/12)*m.joints()
	return ohm, 0.8*e.volts/12 + m.starter.brushV()*e.volts/12
}

// joints is the resistance of cables and their joints as a multiple of that when clean.
func (m *machine) joints() float64 { return 1 + m.cable.grown*m.luck.loose }

// current asked for at a speed, in amperes.
func (m *machine) current(fixed, oily, rpm float64) float64 {
	return m.engine.demandA * m.luck.drag * m.starter.drag() * (fixed + oily*math.Pow(max(rpm, 1)/usualRPM, 0.12))
}

// turnSpare is by what share the voltage left at the speed at which it fires exceeds what that speed needs.
func (m *machine) turnSpare(c proving.Crank) float64 {
	v, ohm := m.supply(c.BatteryC)
	between, brushV := m.path()
	fixed, oily := m.engine.stiff(c.OilC)
	least := m.engine.fires(c) * m.luck.fire
	return (v-brushV-(ohm+between)*m.current(fixed, oily, least))/(m.engine.voltsPerRPM*least) - 1
}

// pullSpare is by what share the voltage at the solenoid exceeds what pulls it in: 8 V of 12 and 18 V of 24, more when its
// grease is cold.
func (m *machine) pullSpare(c proving.Crank) float64 {
	v, ohm := m.supply(c.BatteryC)
	needV, drawA := 8.0, 72.0
	if m.kind.SystemVolts == 24 {
		needV, drawA = 18, 66
	}
	needV *= 1 + 0.002*(25-c.OilC)
	restV := v + lossV/2*float64(m.kind.SystemVolts)/12 // so small a current costs the plates little
	return (restV-drawA*(ohm+m.control.contactOhm*m.luck.jitter))/needV - 1
}

// Spare implements proving.Machine.
func (m *machine) Spare(c proving.Crank) float64 {
	spare := min(m.turnSpare(c), m.pullSpare(c))
	if m.luck.dead || m.starter.broken {
		spare = min(spare, 0) - 0.5
	}
	if m.luck.locked {
		spare = min(spare, 0) - 0.5
	}
	return spare
}

// Crank implements proving.Machine. An engine that turns too slowly to fire is a no_crank: that is how such mornings are booked.
func (m *machine) Crank(c proving.Crank, r *rand.Rand) proving.Read {
	m.luck = m.draws(r)
	noise := r.NormFloat64()
	v, ohm := m.supply(c.BatteryC)
	between, brushV := m.path()
	fixed, oily := m.engine.stiff(c.OilC)
	least := m.engine.fires(c) * m.luck.fire
	restV := v + lossV*float64(m.kind.SystemVolts)/12 + m.surfaceV(c) - ohm*m.charging.drawA()
	out := proving.Read{RestV: restV, DipV: restV, PlateauV: restV, Outcome: fleet.NoCrank}
	if m.luck.locked {
		out.Ms = 1500 * math.Exp(0.3*noise)
		return out
	}
	if m.luck.dead || m.pullSpare(c) <= 0 { // a click, and the solenoid's current
		const clickA = 18.0
		out.CurrentA, out.Ms = clickA, 900*math.Exp(0.3*noise)
		out.PlateauV = v - ohm*clickA
		out.DipV = v - ohm*72
		return out
	}
	rpm := 200.0
	var amps float64
	for range 4 { // the current hardly depends on speed: this settles at once
		amps = m.current(fixed, oily, rpm)
		rpm = max((v-brushV-(ohm+between)*amps)/m.engine.voltsPerRPM, 0)
	}
	locked := (v - brushV) / (ohm + between)
	if rpm <= 0 {
		amps = locked
	}
	inrush := max(0.8*locked, 1.1*amps)
	seen := 0.3 * 0.075 / m.engine.demandA * (m.engine.volts / 12) * (m.joints() - 1) // what of a bad joint lies before the logger
	out.DipV, out.PlateauV = v-inrush*(ohm+seen), v-amps*(ohm+seen)
	out.CurrentA, out.RPM = amps, rpm
	spare := rpm/least - 1
	if spare <= 0 {
		out.Ms = 7000 * math.Exp(0.3*noise)
		m.draw(6 * amps * out.Ms / 3.6e6) // whoever is in a hurry tries again and again
		return out
	}
	out.Outcome = fleet.Started
	if spare < 0.22 {
		out.Outcome = fleet.Slow
	}
	out.Ms = m.lasts(c, spare) * math.Exp(0.15*noise)
	return out
}

// lasts is how long a start takes, in ms: some turns of the engine, more when cold, and long when it hardly fires.
func (m *machine) lasts(c proving.Crank, spare float64) float64 {
	turns := 1.6 + 0.035*max(0, 20-c.OilC)
	if m.engine.diesel {
		turns *= 1.5
	}
	ms := 150 + 60000*turns/(m.engine.leastRPM*(1+spare))
	return min(m.engine.duration*ms*(1+0.12/(0.06+spare)), 15000)
}

// surfaceV is what lingers on the plates from the last drive.
func (m *machine) surfaceV(c proving.Crank) float64 {
	return 0.28 * float64(m.kind.SystemVolts) / 12 * math.Exp(-c.SoakH/5) * m.charging.alternator
}

func (m *machine) draw(ah float64) {
	strings := max(1, float64(m.n*12/m.kind.SystemVolts))
	for i := range m.n {
		b := &m.cells[i]
		b.soc = max(0.02, b.soc-ah/strings/b.capacityAh(10))
	}
}
