package proving_test

import (
	"math"
	"math/rand/v2"

	"rimeyard/internal/fleet"
	"rimeyard/internal/proving"
)

// plain is a physics of few lines, to try the yard with: a battery that wears and goes flat, a starter that drags, a cable that
// corrodes, an alternator that quits, a relay that sticks. Figures are plausible and from memory.
type plain struct{}

func (plain) Name() string { return "plain" }

func (plain) New(k proving.Kind, ageYears, meanAirC float64, r *rand.Rand) proving.Machine {
	m := &plainMachine{k: k, heavy: 1, charge: 0.97}
	if k.Fuel == fleet.Diesel {
		m.heavy = 1.35
	}
	m.heavy *= math.Exp(0.07 * r.NormFloat64())
	for _, p := range fleet.Suspects() {
		m.Renew(p, r)
	}
	heat := math.Exp2((meanAirC - 8) / 12)
	for i := range m.wear {
		m.wear[i] = m.rate[i] * heat * ageYears
	}
	m.drag, m.corroded = m.dragRate*ageYears, m.corrodeRate*ageYears
	return m
}

type plainMachine struct {
	k                     proving.Kind
	heavy                 float64
	wear, rate            [2]float64 // of each battery, 0 new; a year's growth
	charge                float64
	drag, dragRate        float64
	corroded, corrodeRate float64
	altBad, relayBad      bool
}

func (m *plainMachine) Clone() proving.Machine {
	c := *m
	return &c
}

func (m *plainMachine) Charge() { m.charge = 0.97 }

func (m *plainMachine) Renew(p fleet.Part, r *rand.Rand) {
	switch p {
	case fleet.BatteryPart:
		m.wear, m.charge = [2]float64{}, 0.97
		for i := range m.rate {
			m.rate[i] = 0.15 / m.k.PartGrade * math.Exp(0.4*r.NormFloat64())
		}
	case fleet.StarterPart:
		m.drag, m.dragRate = 0, 0.03*math.Exp(0.8*r.NormFloat64())
	case fleet.CablePart:
		m.corroded, m.corrodeRate = 0, 0.03*math.Exp(0.9*r.NormFloat64())
	case fleet.ChargingPart:
		m.altBad = false
	case fleet.ControlPart:
		m.relayBad = false
	}
}

func (m *plainMachine) Live(d proving.Day, r *rand.Rand) {
	heat := math.Exp2(((d.MinC+d.MaxC)/2 - 8) / 12)
	for i := range m.wear {
		m.wear[i] += m.rate[i] * heat / 365 * (0.5 + r.Float64())
	}
	m.drag += m.dragRate / 365
	m.corroded += m.corrodeRate / 365 * (0.5 + r.Float64())
	m.charge -= 0.004 + 0.003*m.wear[0]
	if d.DriveHours > 0 && !m.altBad {
		m.charge += (0.98 - m.charge) * (1 - math.Exp(-d.DriveHours/2))
	} else if m.altBad {
		m.charge -= 0.02 * d.DriveHours
	}
	m.charge = max(0.02, m.charge)
	m.altBad = m.altBad || r.Float64() < 0.006/365
	m.relayBad = m.relayBad || r.Float64() < 0.008/365
}

func (m *plainMachine) ohms(i int, batteryC float64) float64 {
	cold := 0.62 + 0.38*math.Exp((-18-batteryC)/25)
	return 5.4 / m.k.RatedCCAA * cold * (1 + 1.6*m.wear[i]) / (0.55 + 0.45*m.charge)
}

func (m *plainMachine) emf() float64 { return 11.5 + 1.25*m.charge }

// solve gives volts at the terminals, amperes, and the volts left over for speed, all of the whole system.
func (m *plainMachine) solve(c proving.Crank) (terminalV, amps, left float64) {
	twelves := float64(m.k.SystemVolts) / 12
	r := m.ohms(0, c.BatteryC) * twelves
	if m.k.Batteries == 2 {
		a, b := m.ohms(0, c.BatteryC), m.ohms(1, c.BatteryC)
		if r = a + b; twelves == 1 {
			r = a * b / (a + b)
		}
	}
	strength := m.k.RatedCCAA * float64(m.k.Batteries) / twelves
	stiff := 0.55 + 0.45*math.Exp((-18-c.OilC)/22)
	amps = 0.31 * strength * m.heavy / 1.35 * stiff * (1 + m.drag)
	emf := m.emf() * twelves
	motor := 1.3 * twelves / strength
	terminalV = emf - amps*r
	return terminalV, amps, terminalV - amps*motor*(1+4*m.corroded)
}

func (m *plainMachine) Spare(c proving.Crank) float64 {
	_, _, left := m.solve(c)
	return left*12/float64(m.k.SystemVolts) - 7.4*math.Sqrt(m.heavy/1.35)
}

func (m *plainMachine) Crank(c proving.Crank, r *rand.Rand) proving.Read {
	v, amps, left := m.solve(c)
	rest := m.emf() * float64(m.k.SystemVolts) / 12
	read := proving.Read{RestV: rest, PlateauV: v, DipV: v - 0.12*(rest-v), CurrentA: amps, RPM: 20 * left * 12 / float64(m.k.SystemVolts), Outcome: fleet.Started}
	spare := m.Spare(c) + 0.05*r.NormFloat64()
	read.Ms = 700 + 900*math.Exp(-max(0, spare)/0.7)
	switch {
	case m.relayBad:
		read = proving.Read{RestV: rest, PlateauV: rest, DipV: rest - 0.1, Ms: 2000, Outcome: fleet.NoCrank}
	case spare <= 0:
		read.Outcome, read.RPM, read.Ms = fleet.NoCrank, 0, 6000
	case spare < 0.25:
		read.Outcome = fleet.Slow
	}
	return read
}

func (m *plainMachine) Test(position int, batteryC float64) proving.Bench {
	ohms := m.ohms(position-1, 25)
	share := min(1.2, 5.4/m.k.RatedCCAA*0.69/ohms)
	return proving.Bench{RestV: m.emf(), CCAShare: share, LoadV: m.emf() - m.ohms(position-1, batteryC)*m.k.RatedCCAA/2 - 0.3, MOhm: 1000 * ohms}
}
