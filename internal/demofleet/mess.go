package demofleet

import (
	"math"
	"slices"
	"strings"
	"time"

	"rimeyard/internal/fleet"
)

// What follows is the mess that real files hold, so that the fleet's owner sees how it is dealt with.

// watched tells whether a unit has both a logger and a tester, and no story of its own.
func (m *machine) watched() bool {
	return m.story == nil && m.tester != nil && m.logger.kind != noLogger
}

// hideASwap lets one unit get new batteries that nobody writes down.
func (y yard) hideASwap(o Options) {
	i := slices.IndexFunc(y.machines, func(m *machine) bool {
		inService, _ := m.history.Unit.InServiceOn.Get()
		return m.plan.depot.ID == "PLA" && m.watched() && inService < o.Today-1200
	})
	if i >= 0 {
		y.machines[i].hidesSwap = o.Today - 320
	}
}

// mistakeNumbers books one day's cranks of two neighbours under each other's number.
func (y yard) mistakeNumbers(o Options) {
	for i := 1; i < len(y.machines); i++ {
		a, b := y.machines[i-1], y.machines[i]
		if !a.watched() || !b.watched() || a.plan.depot.ID != "COA" || b.plan.depot.ID != "COA" {
			continue
		}
		for d := o.Today - 60; d < o.Today; d++ {
			ofA, ofB := a.cranksOn(d), b.cranksOn(d)
			if len(ofA) == 0 || len(ofB) == 0 {
				continue
			}
			for k := range ofA {
				ofA[k].Unit = b.history.Unit.ID
			}
			for k := range ofB {
				ofB[k].Unit = a.history.Unit.ID
			}
			return
		}
	}
}

func (m *machine) cranksOn(d fleet.Date) []fleet.Crank {
	rows := m.history.Cranks
	find := func(d fleet.Date) int {
		i, _ := slices.BinarySearchFunc(rows, d.Midnight(m.zone), func(c fleet.Crank, t time.Time) int { return c.At.Compare(t) })
		return i
	}
	return rows[find(d):find(d+1)]
}

// mistakeDegrees lets a mechanic write degrees Fahrenheit for two weeks two and a half months ago, and for two weeks half a year
// before that: in cold weather the figures may pass for Celsius.
func (y yard) mistakeDegrees(o Options) {
	const twoWeeks = 14
	warm, cool := o.Today-75, o.Today-262
	for _, m := range y.machines {
		if m.story != nil || m.tester == nil || m.tester.name != "COA-G2" {
			continue
		}
		for i := range m.history.Tests {
			row := &m.history.Tests[i]
			d := fleet.DateOf(row.At, m.zone)
			if t, known := row.TemperatureC.Get(); known && (warm <= d && d < warm+twoWeeks || cool <= d && d < cool+twoWeeks) {
				row.TemperatureC = fleet.Known(math.Round(t*1.8 + 32))
			}
		}
	}
}

// loseDates forgets when some of the parts were fitted that were there when the records began.
func (y yard) loseDates(o Options) {
	rng := newChance(o.Seed, "lost dates")
	for _, m := range y.machines {
		lost := rng.hit(0.14)
		if !lost || m.story != nil {
			continue
		}
		for i := range m.history.Batteries {
			f := &m.history.Batteries[i]
			if f.FittedOn.Or(m.recordsFrom) < m.recordsFrom {
				f.FittedOn, f.MadeOn = fleet.Opt[fleet.Date]{}, fleet.Opt[fleet.Date]{}
			}
		}
		for i := range m.history.Starters {
			if f := &m.history.Starters[i]; f.FittedOn.Or(m.recordsFrom) < m.recordsFrom {
				f.FittedOn = fleet.Opt[fleet.Date]{}
			}
		}
	}
}

// spoil adds rows that an import has to notice: the same row twice, units that do not exist, volts that cannot be.
func spoil(tables []table, o Options) {
	rng := newChance(o.Seed, "spoilt rows")
	for i := range tables {
		t := &tables[i]
		if t.kind != fleet.CranksKind && t.kind != fleet.TestsKind || len(t.rows) == 0 {
			continue
		}
		pick := func() []string { return slices.Clone(t.rows[rng.IntN(len(t.rows))]) }
		var extra [][]string
		for range 12 {
			extra = append(extra, pick())
		}
		for range 3 { // a unit that does not exist
			row := pick()
			row[1] = "X-099"
			extra = append(extra, row)
		}
		t.rows = append(t.rows, extra...)
		rest := slices.Index(strings.Split(t.header, ","), "rest_v")
		for range 3 { // millivolts
			t.rows[rng.IntN(len(t.rows)-len(extra))][rest] = "12480"
		}
	}
}
