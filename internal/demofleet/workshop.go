package demofleet

import (
	"math"
	"time"

	"rimeyard/internal/fleet"
)

// breakdown is written down, and the unit put right, now and then wrongly: one fault in eight that is none of the
// battery's is booked and treated as the battery's.
func (m *machine) breakdown(d fleet.Date, at time.Time, cause fleet.Part) {
	booked := cause
	if cause != fleet.BatteryPart && cause != fleet.OtherPart && m.rng.hit(0.12) {
		booked = fleet.BatteryPart
	}
	hours := roundTo(math.Min(60, 2.5+3*m.rng.ExpFloat64()), 0.5)
	if d >= m.recordsFrom {
		row := fleet.Breakdown{Unit: m.history.Unit.ID, At: at.Add(time.Duration(m.rng.days(5, 40)) * time.Minute), Cause: booked}
		if m.rng.hit(0.93) {
			row.Cost = fleet.Known(fleet.RoundMoney(m.class.noStartCost.Amount() * m.rng.spread(0.3)))
		}
		if m.rng.hit(0.9) {
			row.HoursDown = fleet.Known(hours)
		}
		m.history.Breakdowns = append(m.history.Breakdowns, row)
	}
	m.downUntil = d + 1 + fleet.Date(hours/24)
	if m.rng.hit(0.07) && booked != fleet.ControlPart { // only given a jump start
		for i := range m.batteries {
			m.batteries[i].charge = math.Max(m.batteries[i].charge, 0.8)
		}
		return
	}
	m.mend(d, booked, fleet.RemovedFailed)
}

// mend puts one part right.
func (m *machine) mend(d fleet.Date, part fleet.Part, because fleet.Removal) {
	switch part {
	case fleet.BatteryPart:
		m.swapBatteries(d, because)
	case fleet.StarterPart:
		m.swapStarter(d, because)
	case fleet.CablePart:
		m.cable = fault{}
	case fleet.ChargingPart:
		m.alternator, m.drain = fault{}, 0
		for i := range m.batteries {
			m.batteries[i].charge = 0.95
		}
	case fleet.ControlPart:
		m.control = 0
	case fleet.OtherPart:
	}
}

// look is a driver's report of slow cranking: the workshop finds the part to blame, mostly.
func (m *machine) look(d fleet.Date, n night) {
	if m.rng.hit(0.7) {
		m.mend(d, m.blame(n), fleet.RemovedPreventive)
	}
}

func (m *machine) swapBatteries(d fleet.Date, because fleet.Removal) {
	old := append([]fitted(nil), m.batteries...)
	both := len(old) == 1 || m.rng.hit(0.85)
	weaker := 0
	if len(old) == 2 && strength(old[1].plates) < strength(old[0].plates) {
		weaker = 1
	}
	for i := range old {
		if !both && i != weaker {
			m.batteries[i].charge = 0.95
			continue
		}
		m.removeBattery(&m.history.Batteries[old[i].row], d, because)
		m.fitBattery(i, d, m.choosePart())
	}
}

// swapUnrecorded puts in new batteries of the same part, and nobody writes it down.
func (m *machine) swapUnrecorded(d fleet.Date) {
	for i, old := range m.batteries {
		m.batteries[i] = m.newBattery(d, old.part, old.row)
	}
	m.hidden = true
}

func (m *machine) removeBattery(row *fleet.BatteryFitting, d fleet.Date, because fleet.Removal) {
	row.RemovedOn, row.RemovedBecause = fleet.Known(d), because
	if m.rng.hit(0.8) {
		row.CoreReturnedOn = fleet.Known(d + fleet.Date(m.rng.days(3, 45)))
	}
}

// strength orders batteries by what they can still push.
func strength(p plates) float64 {
	if p.shorted {
		return 0
	}
	return p.mass / (1 + p.corrosion)
}

func (m *machine) choosePart() batteryPart {
	if m.rng.hit(0.65) {
		return m.class.parts[0]
	}
	return m.class.parts[1]
}

func (m *machine) newBattery(d fleet.Date, part batteryPart, row int) fitted {
	return fitted{
		plates: plates{mass: 1, charge: 0.95}, part: part, on: d, row: row,
		corrodes: part.ageing * m.rng.spread(0.4), sheds: part.ageing * m.rng.spread(0.45),
	}
}

// fitBattery puts a new battery in place i (from 0) and writes it down.
func (m *machine) fitBattery(i int, d fleet.Date, part batteryPart) {
	m.batteries[i] = m.newBattery(d, part, len(m.history.Batteries))
	m.history.Batteries = append(m.history.Batteries, fleet.BatteryFitting{
		Battery: m.label("B"), Unit: m.history.Unit.ID, Position: i + 1, Part: part.part, Chemistry: part.chemistry,
		RatedCCAA: part.ccaA, CCAStandard: part.standard, RatedAh: fleet.Known(part.ah),
		MadeOn: fleet.Known(d - fleet.Date(m.rng.days(20, 200))), FittedOn: fleet.Known(d),
		Price: fleet.Known(part.price), CoreDeposit: fleet.Known(part.core),
		FreeMonths: fleet.Known(part.free), ProrataMonths: fleet.Known(part.prorata),
	})
}

func (m *machine) swapStarter(d fleet.Date, because fleet.Removal) {
	row := &m.history.Starters[len(m.history.Starters)-1]
	row.RemovedOn, row.RemovedBecause = fleet.Known(d), because
	if m.rng.hit(0.8) {
		row.CoreReturnedOn = fleet.Known(d + fleet.Date(m.rng.days(3, 45)))
	}
	m.fitStarter(d)
}

func (m *machine) fitStarter(d fleet.Date) {
	part := m.class.starters[m.rng.IntN(len(m.class.starters))]
	m.starterOn, m.brushes, m.drag = d, fault{}, fault{}
	m.history.Starters = append(m.history.Starters, fleet.StarterFitting{
		Starter: m.label("S"), Unit: m.history.Unit.ID, Part: part.part, FittedOn: fleet.Known(d),
		Price: fleet.Known(part.price), CoreDeposit: fleet.Known(part.core), FreeMonths: fleet.Known(part.free),
	})
}
