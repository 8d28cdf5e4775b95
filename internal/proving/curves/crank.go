package curves

import (
	"math"
	"math/rand/v2"

	"rimeyard/internal/fleet"
	"rimeyard/internal/proving"
)

// state is what a crank meets, by battery of 12 V.
type state struct {
	tempC    float64
	restV    float64
	cleanV   float64 // plateau with starter and cable sound
	plateauV float64 // at the battery
	spareV   float64 // left over at the starter
	worn     float64 // the wear path as cranking feels it
	starter  float64
	cable    float64
}

func (m *machine) meet(c proving.Crank) state {
	s := state{tempC: (c.BatteryC + c.OilC) / 2, starter: m.starter.grown(), cable: m.cable.grown()}
	below := 20 - s.tempC
	if below < 0 {
		below = math.Max(-40, below) * 0.15 // warm oil is thin already
	}
	lossV, worn := m.loss(s.tempC)
	s.worn = worn
	s.cleanV = m.plateauV - m.slopeV*below - lossV
	s.restV = m.rest()
	s.plateauV = s.cleanV + 0.18*math.Min(s.cable, 1.5)
	quit := m.quitV + m.class.quitColdV*math.Max(0, -s.tempC)
	s.spareV = s.cleanV - quit - 2.3*s.cable
	if m.starter.on {
		switch m.starterKind {
		case hungry:
			s.plateauV -= 0.9 * s.starter
			s.spareV -= 2.2 * s.starter
		case tired:
			s.plateauV += 0.15 * math.Min(s.starter, 1.5)
			s.spareV -= 2.2 * s.starter
		case broken:
			s.spareV = -5
		}
	}
	s.plateauV = math.Min(math.Max(s.plateauV, 1.5), s.restV-0.5)
	return s
}

// loss is what wear, bend and want of charge take from the plateau. In series the weaker of a pair rules; in parallel it hides
// behind the stronger.
func (m *machine) loss(tempC float64) (lossV, worn float64) {
	missing := 1 - m.charge
	deep := math.Max(0, 0.75-m.charge)
	chargeV := (2.2*missing + 11*deep*deep) * (1 + 0.015*math.Max(0, -tempC))
	bend := math.Max(0, bendC-tempC)
	bend *= bend * m.class.steepV
	var each, paths [maxBats]float64
	for i := range m.n {
		b := &m.bats[i]
		p := b.path(b.worn)
		each[i] = b.fallV*p + 0.25*math.Min(b.worn, 1.5) + bend*b.steep*(1+1.5*p) - b.spreadV
		paths[i] = p
	}
	if m.volts == 1 {
		return blend(each[:m.n], 0.3) + chargeV, blend(paths[:m.n], 0.3)
	}
	if m.n <= 2 {
		return blend(each[:m.n], 0.7) + chargeV, blend(paths[:m.n], 0.7)
	}
	rows := [2]float64{blend(each[:2], 0.7), blend(each[2:m.n], 0.7)}
	rowPaths := [2]float64{blend(paths[:2], 0.7), blend(paths[2:m.n], 0.7)}
	return blend(rows[:], 0.3) + chargeV, blend(rowPaths[:], 0.3)
}

// blend weighs the worst of the losses by worst and the least by the rest.
func blend(losses []float64, worst float64) float64 {
	lo, hi := losses[0], losses[0]
	for _, l := range losses[1:] {
		lo, hi = math.Min(lo, l), math.Max(hi, l)
	}
	return worst*hi + (1-worst)*lo
}

// Rest voltages at 0, 25, 50, 75 and 100 % of charge. Flooded: a battery maker's technical bulletin; absorbent mat: general
// reference page on absorbed-glass-mat batteries.
var (
	floodedV = [...]float64{11.89, 12.06, 12.24, 12.45, 12.65}
	matV     = [...]float64{11.80, 12.00, 12.30, 12.60, 12.90}
)

// open is the rested voltage of one battery at a charge.
func (m *machine) open() float64 {
	table := &floodedV
	if m.agm {
		table = &matV
	}
	at := math.Min(m.charge, 1) * 4
	i := min(int(at), 3)
	return table[i] + (table[i+1]-table[i])*(at-float64(i))
}

// restOf is the rested voltage of one battery: sulphated plates hold their acid back.
func (m *machine) restOf(b *battery) float64 { return m.open() + b.restV - 0.12*b.path(b.worn) }

func (m *machine) rest() float64 {
	sum := 0.0
	for i := range m.n {
		sum += m.restOf(&m.bats[i])
	}
	return sum / float64(m.n)
}

// Spare is the voltage of one battery left over at the starter above what the engine needs. From a crank until the unit lives on,
// the luck of that crank counts too: what made it fail is then seen by what would have saved it.
func (m *machine) Spare(c proving.Crank) float64 { return m.meet(c).spareV + m.luckV }

// Crank turns the key.
func (m *machine) Crank(c proving.Crank, r *rand.Rand) proving.Read {
	s := m.meet(c)
	s.restV += 0.25 * math.Exp(-c.SoakH/2.5) // surface charge of the drive before
	u, noise, heavy := r.Float64(), r.NormFloat64(), r.NormFloat64()
	m.luckV = 0
	if m.moody && r.Float64() < 0.25 {
		return m.silent(s, u)
	}
	m.luckV = m.scaleV * math.Log(u/(1-u)) // logistic
	left := s.spareV + m.luckV
	read := m.turn(s, noise)
	// The colder and the tighter, the longer; what the driver's foot and the fuel do is noise.
	ref := m.plateauV - m.quitV
	long := 0.33*(ref-math.Max(s.spareV, 0)) + 0.02*math.Max(0, -s.tempC) + 0.28*heavy
	if s.tempC > 35 {
		long -= 0.3
	}
	read.Ms = m.ms*math.Exp(long) + 150*math.Min(1, m.control.grown())*u
	switch {
	case left < 0:
		read.Outcome = fleet.NoCrank
		read.RPM = math.Min(read.RPM, 25) * u
		read.Ms = 1500 + 3500*u
	case left < 0.35:
		read.Outcome = fleet.Slow
		read.Ms *= 1.3
	case heavy < -3.9: // fuel or spark, whatever the battery does
		read.Outcome = fleet.NoStart
		read.Ms = 5000 + 5000*u
	default:
		read.Outcome = fleet.Started
	}
	read.Ms = math.Min(read.Ms, longestMs)
	return read
}

const longestMs = 15000 // no longer in one go, say the service manuals of passenger cars; then nobody holds the key

// turn is a crank on which the starter turns.
func (m *machine) turn(s state, noise float64) proving.Read {
	depth := m.inrushV*(1+0.5*s.worn) + 0.12*math.Max(0, s.restV-s.cleanV-2)
	plateau := s.plateauV + 0.05*noise
	// Starter draw of a small petrol engine: 100 A at room temperature, 110 at 5 °C, 255 at −20 °C, 90 with the engine warm
	// (a passenger-car service manual).
	amps := m.ampsA * math.Max(0.9, 1.1-0.1*(s.tempC-5)/15)
	if s.tempC < 5 {
		amps = m.ampsA * (1.1 + 1.45*(5-s.tempC)*(5-s.tempC)/625)
	}
	amps *= (1 - 0.15*s.worn) * (1 - 0.15*math.Min(s.cable, 2))
	if m.starter.on {
		switch m.starterKind {
		case hungry:
			amps *= 1 + 0.35*math.Min(s.starter, 2)
		case tired:
			amps *= 1 - 0.12*math.Min(s.starter, 2)
		case broken:
			amps, plateau = 5, s.restV-0.1
		}
	}
	rpm := m.class.slowRPM + (m.class.rpm-m.class.slowRPM)*s.spareV/(m.plateauV-m.quitV)
	return proving.Read{
		RestV: s.restV * m.volts, PlateauV: plateau * m.volts, CurrentA: amps * (1 - 0.01*noise),
		DipV: math.Max(1, math.Min(s.cleanV+0.05*noise-depth, plateau-0.1)) * m.volts,
		RPM:  math.Max(10, rpm*(1+0.02*noise)),
	}
}

// silent is a key that is turned and nothing answers: the current never reaches the starter.
func (m *machine) silent(s state, u float64) proving.Read {
	return proving.Read{
		RestV: s.restV * m.volts, PlateauV: (s.restV - 0.08) * m.volts, DipV: (s.restV - 0.15 - 0.1*u) * m.volts,
		CurrentA: 3 + 8*u, RPM: 0, Ms: 800 + 1700*u, Outcome: fleet.NoCrank,
	}
}

// Test is one battery on the bench. Conductance follows the wear path late and sees about half of it.
func (m *machine) Test(position int, batteryC float64) proving.Bench {
	b := &m.bats[min(max(position, 1), m.n)-1]
	seen := b.path(b.worn - b.lag)
	missing := 1 - m.charge
	cold := 20 - batteryC
	load := 10.25 + b.spreadV - 0.028*cold - 1.9*b.path(b.worn) - 2.2*missing - 4*math.Max(0, 0.6-m.charge)
	return proving.Bench{
		RestV:    m.restOf(b),
		CCAShare: math.Max(0.05, 1.05+b.share-0.05*math.Min(b.worn, 1.2)-0.85*seen-0.15*missing),
		LoadV:    math.Max(2, load),
		MOhm:     3.0 * 700 / math.Max(m.ratedA, 200) * (1 + 0.9*seen + 0.3*missing) * (1 + 0.008*math.Max(cold, -20)),
	}
}
