// Package aside is a physics for the proving ground that is held back: fleets made with it are run once a forecast is finished,
// so whoever works on the forecast does not read it. Batteries age in three ways that a tester sees unequally, an engine is turned
// by a balance of torque, and faults grow from day to day.
//
// Volts and amperes are those of the whole system unless a name says otherwise; time is in days, temperature in °C.
package aside

import (
	"math"
	"math/rand/v2"

	"rimeyard/internal/fleet"
	"rimeyard/internal/proving"
)

// New is the physics kept aside.
func New() proving.Physics { return physics{} }

type physics struct{}

// Name implements proving.Physics.
func (physics) Name() string { return "aside" }

// machine holds no pointers, so that a clone is one copy.
type machine struct {
	kind     proving.Kind
	cells    [4]battery
	n        int
	engine   engine
	starter  starter
	cable    cable
	charging charging
	control  control
	luck     luck
}

// New implements proving.Physics. A unit on the road is one that still starts: parts that would be dead by now have been
// replaced, which is why a unit is drawn again until it starts on a common winter morning.
func (physics) New(k proving.Kind, ageYears, meanAirC float64, r *rand.Rand) proving.Machine {
	const tries = 12
	var m machine
	for range tries {
		m = born(k, r)
		m.grow(ageYears, meanAirC, r)
		if m.Spare(proving.Crank{AirC: -12, SoakH: 12, BatteryC: -9, OilC: -10}) > 0 {
			break
		}
		ageYears *= 0.85
	}
	return &m
}

func born(k proving.Kind, r *rand.Rand) machine {
	m := machine{kind: k, n: min(max(k.Batteries, 1), len(machine{}.cells))}
	if k.SystemVolts == 24 {
		m.n = max(m.n&^1, 2)
	}
	m.fitBatteries(0.97, r)
	m.engine = designed(k, r)
	m.starter = newStarter(r)
	m.cable = newCable(r)
	m.charging = newCharging(r)
	m.control = newControl(r)
	m.luck = usual
	m.fit(-34 + 2.2*r.NormFloat64())
	return m
}

// fitBatteries puts in new ones, all of one delivery and so partly alike.
func (m *machine) fitBatteries(soc float64, r *rand.Rand) {
	delivery := r.NormFloat64()
	for i := range m.n {
		m.cells[i] = newBattery(m.kind, delivery, soc, r)
	}
}

// grow lets years pass in steps of ten days at the temperature of the place, with a middling life.
func (m *machine) grow(years, meanAirC float64, r *rand.Rand) {
	const step = 10.0
	for left := years * 365; left > 0; left -= step {
		season := 12 * math.Sin(2*math.Pi*left/365)
		days := min(step, left)
		m.age(days, meanAirC+season+3, 4, 3, r)
		for i := range m.n {
			m.cells[i].soc = 0.93
		}
	}
}

// age lets the parts get older by some days at a battery temperature, with so many starts and hours of driving a day.
func (m *machine) age(days, batteryC, starts, driveH float64, r *rand.Rand) {
	heat := math.Exp2((batteryC - 25) / 9) // life halves per 8 to 10 °C
	for i := range m.n {
		m.cells[i].age(days, heat, starts, r)
	}
	m.starter.age(days, starts, r)
	m.cable.age(days, driveH, r)
	m.charging.age(days, r)
	m.control.age(days, r)
}

// Live implements proving.Machine.
func (m *machine) Live(d proving.Day, r *rand.Rand) {
	meanC := (d.MinC + d.MaxC) / 2
	warmC := meanC + 8*min(1, d.DriveHours/4) // the engine's heat
	starts := float64(d.Starts)
	if d.DriveHours > 0 {
		starts++
	}
	m.age(1, meanC+(warmC-meanC)*d.DriveHours/24, starts, d.DriveHours, r)
	m.flow(meanC, warmC, starts, d.DriveHours)
	m.luck = usual
}

// flow moves charge: what stands draws, what starts draws, what drives gives back, less willingly in the cold.
func (m *machine) flow(meanC, warmC, starts, driveH float64) {
	drawAh := m.charging.drawA()*(24-driveH) + starts*m.engine.startAh
	strings := max(1, float64(m.n*12/m.kind.SystemVolts))
	accept := 1.1 * math.Exp2((warmC-25)/16) * (0.05 + 0.95*m.charging.alternator)
	full := 1 - math.Exp(-accept*driveH)
	goal := 0.99 - 0.75*(1-m.charging.alternator)
	leak := 0.0015 * math.Exp2((meanC-25)/9.5)
	for i := range m.n {
		b := &m.cells[i]
		b.soc -= drawAh/strings/b.capacityAh(meanC) + leak*b.leaky
		if driveH > 0 && b.soc < goal {
			b.soc += (goal - b.soc) * full
		}
		b.soc = min(max(b.soc, 0.02), 1)
	}
	if m.kind.SystemVolts == 12 && m.n == 2 { // in parallel they even out, bar what the emptier one cannot hold
		mean := (m.cells[0].soc + m.cells[1].soc) / 2
		m.cells[0].soc += 0.6 * (mean - m.cells[0].soc)
		m.cells[1].soc += 0.6 * (mean - m.cells[1].soc)
	}
}

// Renew implements proving.Machine.
func (m *machine) Renew(p fleet.Part, r *rand.Rand) {
	switch p {
	case fleet.BatteryPart:
		m.fitBatteries(m.kept(), r)
	case fleet.StarterPart:
		m.starter = newStarter(r)
		m.luck.dead = false
	case fleet.CablePart:
		m.cable = newCable(r)
		m.luck.loose = 1
	case fleet.ChargingPart:
		m.charging = newCharging(r)
		for i := range m.n {
			m.cells[i].soc = max(m.cells[i].soc, 0.93)
		}
	case fleet.ControlPart:
		m.control = newControl(r)
		m.luck.jitter, m.luck.locked = 1, false
	case fleet.OtherPart:
	}
}

// kept is the charge of a new battery: where the charging is at fault it would soon be little better than that of the old one.
func (m *machine) kept() float64 {
	if !m.charging.faulty() {
		return 0.95
	}
	low := 1.0
	for i := range m.n {
		low = min(low, m.cells[i].soc)
	}
	return min(0.95, low+0.08)
}

// Charge implements proving.Machine.
func (m *machine) Charge() {
	for i := range m.n {
		m.cells[i].soc = 1
	}
}

// Clone implements proving.Machine.
func (m *machine) Clone() proving.Machine {
	c := *m
	return &c
}

// Test implements proving.Machine.
func (m *machine) Test(position int, batteryC float64) proving.Bench {
	return m.cells[min(max(position, 1), m.n)-1].test(batteryC)
}
