package demofleet

import (
	"math"

	"rimeyard/internal/fleet"
)

// Tale is one unit that the documentation tells of, with what is wrong with it on the day of the data.
type Tale struct {
	Unit    fleet.UnitID `json:"unit"`
	Suspect fleet.Part   `json:"suspect"` // empty: nothing is wrong
	Says    string       `json:"says"`
}

// Story lists the units whose course is written, and not left to chance, in every demonstration fleet.
type Story struct {
	Tales []Tale `json:"tales"`
}

// script writes the course of one unit: a level that rises to 1 on the day of the data and beyond it after that.
type script struct {
	tale     Tale
	class    string
	today    fleet.Date
	overDays float64 // how long the rise to 1 takes
	shape    func(m *machine, level float64)
	isNew    bool
}

func scripts(today fleet.Date) []script {
	return []script{
		{
			tale:  Tale{"C-003", fleet.ChargingPart, "Something draws current while the van stands: sound on weekdays, low after every weekend, and too low after the holidays."},
			class: "van", today: today, overDays: 150,
			shape: func(m *machine, level float64) { m.drain = 0.0062 * level },
		},
		{
			tale:  Tale{"N-003", fleet.BatteryPart, "A battery that fades: its tests fall month by month and its cranking volts with them, while the current stays as it was."},
			class: "van", today: today, overDays: 900,
			shape: func(m *machine, level float64) {
				m.batteries[0].mass = math.Max(0.08, 1-0.58*math.Pow(level, 1.6))
				m.batteries[0].corrosion = 0.95 * level
			},
		},
		{
			tale:  Tale{"N-004", "", "A new unit: two weeks in service, no test and no crank on record."},
			class: "medium", today: today, isNew: true,
			shape: func(*machine, float64) {},
		},
		{
			tale:  Tale{"P-003", fleet.CablePart, "A ground cable that corrodes: the volts at the battery look good and the tests too, but the engine turns ever more slowly."},
			class: "heavy", today: today, overDays: 420,
			shape: func(m *machine, level float64) {
				m.cable.level = 7 * level * level
				m.keep(0.85, 0.2)
			},
		},
		{
			tale:  Tale{"P-004", fleet.StarterPart, "A starter that drags: it draws far more current than the others of its class, and pulls batteries down that test well."},
			class: "heavy", today: today, overDays: 420,
			shape: func(m *machine, level float64) {
				m.drag.level = 1.8 * level * level
				m.keep(0.78, 0.3)
			},
		},
	}
}

// keep holds the batteries at middle age, so that only the written fault moves.
func (m *machine) keep(mass, corrosion float64) {
	for i := range m.batteries {
		m.batteries[i].mass, m.batteries[i].corrosion = mass, corrosion
	}
}

func (s *script) level(d fleet.Date) float64 {
	return math.Max(0, 1+float64(d-s.today)/s.overDays)
}

func (s *script) set(m *machine, d fleet.Date) {
	s.shape(m, s.level(d))
}

// spare keeps the unit going until the day of the data: should a night before it be too cold for what is written, the
// fault is held back as far as it must be, and if nothing helps the unit stays in the yard (false). What comes after that
// day is left to the fault.
func (s *script) spare(m *machine, d fleet.Date, n night) bool {
	if d >= s.today {
		return true
	}
	const margin = 1.12 // over the speed needed, so that chance does not undo it
	runs := func() bool {
		return m.engine.crank(m.bank(n.batteryC), m.wear(), n.oilC).speed > margin*m.engine.needed(n.airC)
	}
	for level := s.level(d); !runs() && level > 0.01; level -= 0.04 {
		s.shape(m, level)
		for i := range m.batteries {
			m.batteries[i].charge = math.Max(m.batteries[i].charge, 0.6)
		}
	}
	return runs()
}
