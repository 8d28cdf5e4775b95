package trend

import (
	"math"

	"rimeyard/internal/fleet"
)

// observer is told of every row before it is taken in: what it read, what was expected. Learning listens; an estimate does not.
type observer interface {
	row(m *model, b *belief, k kind, device string, y float64, want predicted, variance float64)
	weekStart(m *model, b *belief)
}

// cursor walks a track week by week. It is a value: a copy of it looks ahead without disturbing the walk.
type cursor struct {
	belief
	change, test, event, row, breakdown int
}

// run filters a track from its first week to the as-of date. The observer may be nil.
func (m *model) run(o observer) belief {
	c := cursor{belief: m.prior()}
	for {
		if o != nil {
			o.weekStart(m, &c.belief)
		}
		if m.rowsIn(&c) && m.looksRenewed(&c) {
			m.change(&c.belief, Change{Week: c.week, Part: fleet.BatteryPart, Share: 1})
			c.swapsInferred++
			c.swapWeek = c.week
		}
		m.step(&c, o)
		if c.week >= m.t.AsOfWeek {
			return c.belief
		}
		c.ahead(m.vPop)
	}
}

// step takes in all of one week: how starts ended, renewed parts, rest volts, then the rows.
func (m *model) step(c *cursor, o observer) {
	t, b := m.t, &c.belief
	firstEvent := c.event
	for c.event < len(t.Events) && t.Events[c.event].Week <= c.week {
		c.event++
	}
	var row *WeekRow
	if c.row < len(t.Weeks) && t.Weeks[c.row].Week <= c.week {
		row = &t.Weeks[c.row]
		b.readWeek = row.Week
		c.row++
	}
	renewed := fleet.Date(math.MinInt32)
	m.outcomes(b, row, t.Events[firstEvent:c.event]) // before the change: a part is renewed because of them
	for ; c.change < len(t.Changes) && t.Changes[c.change].Week <= c.week; c.change++ {
		m.change(b, t.Changes[c.change])
		row = nil // its cranks are of two parts
		if t.Changes[c.change].Part == fleet.BatteryPart {
			renewed = t.Changes[c.change].Day
		}
	}
	if row != nil && row.Rest.N > 0 {
		b.rest(row.Rest.Y, row.Rest.N)
		b.path[restChannel].take(row.Rest.Y, m.noise[restChannel], fastRows, slowRows)
		b.restDropV = 0.9*b.restDropV + 0.1*(row.Rest.Y-row.RestLowV)
	}
	for ; c.test < len(t.Tests) && t.Tests[c.test].Week <= c.week; c.test++ {
		b.readWeek = t.Tests[c.test].Week
		if t.Tests[c.test].Day > renewed { // one of that week before it is the old battery's
			m.testRow(b, &t.Tests[c.test], o)
		}
	}
	if row != nil {
		m.weekRow(b, row, o)
	}
	for ; c.breakdown < len(t.Breakdowns) && weekOf(t.Breakdowns[c.breakdown].Day) <= c.week; c.breakdown++ {
		m.repaired(c, t.Breakdowns[c.breakdown].Cause)
	}
}

// repaired allows for what a workshop will have put right after a breakdown. The book may be wrong, and batteries and starters have
// their own records, so for all that was not named doubt is added.
func (m *model) repaired(c *cursor, cause fleet.Part) {
	switch cause {
	case fleet.CablePart, fleet.ChargingPart:
		m.change(&c.belief, Change{Week: c.week, Part: cause, Share: 1})
	case fleet.BatteryPart:
		c.p[wear][wear] += 0.1 * 0.1
	}
	for i := demand; i < parts; i++ {
		c.p[i][i] += 0.25 * usual[i] * usual[i]
	}
}

// slowAboveC is how far above its limit a unit begins to start slowly (from memory).
const slowAboveC = 5.0

func (m *model) outcomes(b *belief, row *WeekRow, events []Event) {
	if row != nil && row.To > row.From && !math.IsNaN(row.ColdestC) {
		offset := 0.0
		if m.g.SlowSeen {
			offset = slowAboveC
		}
		m.learnFrom(b, row.ColdestC, offset, false, 1)
	}
	for i := range events {
		switch e := &events[i]; {
		case e.Weight == 0:
		case e.Failed:
			m.learnFrom(b, e.TemperatureC, 0, true, e.Weight)
		default:
			m.learnFrom(b, e.TemperatureC, slowAboveC, true, e.Weight)
		}
	}
}

func (m *model) testRow(b *belief, r *TestRow, o observer) {
	if r.Rest.N > 0 {
		b.rest(r.Rest.Y, 1)
		b.path[testRestChannel].take(r.Rest.Y, m.noise[testRestChannel], 2, 10)
	}
	for k := kCCA; k <= kOhm; k++ {
		y := r.yOf(k)
		if y.N == 0 || (k == kOhm && !m.knows("ohm "+r.Device)) {
			if y.N > 0 && o != nil {
				o.row(m, b, k, r.Device, y.Y, m.predictTest(b, r, k), 0.3)
			}
			continue
		}
		want := m.predictTest(b, r, k)
		variance := m.variance(k)
		if y.N < m.t.Positions {
			variance += 0.08 * 0.08 // the other battery was not looked at
		}
		if o != nil {
			o.row(m, b, k, r.Device, y.Y, want, variance)
		}
		b.path[k].take(y.Y-(want.mean-want.h[wear]*b.x[wear]), m.noise[k], 2, 10)
		b.open(k, b.update(y.Y, want.mean, &want.h, variance))
	}
}

func (m *model) knows(device string) bool {
	_, known := m.p.Devices[device]
	return known
}

func (m *model) weekRow(b *belief, w *WeekRow, o observer) {
	for k := kSag; k < kinds; k++ {
		y := w.yOf(k)
		if y.N == 0 {
			continue
		}
		want := m.predictWeek(b, w, k)
		variance := m.variance(k)
		if o != nil {
			o.row(m, b, k, "", y.Y, want, variance)
		}
		b.path[k].take(y.Y-(want.mean-want.h[wear]*b.x[wear]-b.x[ownPart[k]]), m.noise[k], fastRows, slowRows)
		b.open(k, b.update(y.Y, want.mean, &want.h, variance))
	}
}

// A battery renewed without a record.
const (
	wornEnough  = 0.20 // r below which a new battery would hardly differ
	swapPerWeek = 0.0015
	swapProof   = 6.0 // ln of the Bayes factor; at 3 weak units with a few good readings were taken for renewed ones
)

func (m *model) rowsIn(c *cursor) bool {
	t := m.t
	return (c.row < len(t.Weeks) && t.Weeks[c.row].Week <= c.week && t.Weeks[c.row].Sag.N+t.Weeks[c.row].Low.N > 0) ||
		(c.test < len(t.Tests) && t.Tests[c.test].Week <= c.week && t.Tests[c.test].CCA.N+t.Tests[c.test].Load.N > 0)
}

// looksRenewed compares two tellings of the next eight weeks: the battery stayed, or it was renewed. It is asked
// only where the next row is far better than a worn battery's.
func (m *model) looksRenewed(c *cursor) bool {
	if c.x[wear] < wornEnough || m.renewalBooked(c) || !m.startlingly(c) {
		return false
	}
	keep, reset := *c, *c
	m.change(&reset.belief, Change{Week: c.week, Part: fleet.BatteryPart, Share: 1})
	keep.compared, reset.compared = true, true
	for range 8 {
		m.step(&keep, nil)
		m.step(&reset, nil)
		if keep.week >= m.t.AsOfWeek {
			break
		}
		keep.ahead(m.vPop)
		reset.ahead(m.vPop)
	}
	return reset.logLik-keep.logLik+math.Log(swapPerWeek) > swapProof
}

// renewalBooked tells whether a battery is renewed on record about now; records are dated a few days off.
func (m *model) renewalBooked(c *cursor) bool {
	const near = 3 // weeks
	for _, ch := range m.t.Changes {
		if ch.Part == fleet.BatteryPart && ch.Week >= c.week-near && ch.Week <= c.week+near {
			return true
		}
	}
	return false
}

func (m *model) startlingly(c *cursor) bool {
	const far = 2.0
	surprise := func(y, variance float64, want predicted) float64 {
		s := variance + c.along(&want.h)
		return (y - want.mean) / math.Sqrt(s)
	}
	if t := m.t; c.test < len(t.Tests) && t.Tests[c.test].Week <= c.week {
		if r := &t.Tests[c.test]; r.CCA.N > 0 && surprise(r.CCA.Y, m.variance(kCCA), m.predictTest(&c.belief, r, kCCA)) > far {
			return true
		}
	}
	if t := m.t; c.row < len(t.Weeks) && t.Weeks[c.row].Week <= c.week {
		w := &t.Weeks[c.row]
		for _, k := range [...]kind{kSag, kLow} {
			if y := w.yOf(k); y.N > 0 && surprise(y.Y, m.variance(k), m.predictWeek(&c.belief, w, k)) < -far {
				return true
			}
		}
	}
	return false
}
