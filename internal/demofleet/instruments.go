package demofleet

import (
	"math"
	"time"

	"rimeyard/internal/fleet"
)

// logger is what records a unit's cranks, with its own errors.
type logger struct {
	kind        loggerKind
	gain        float64 // of its volts
	dip         float64 // part of the first dip that it misses because it samples slowly
	temperature bool
	current     bool
	engine      bool // speed and coolant
	gaps        [][2]fleet.Date
}

type loggerKind int

const (
	noLogger   loggerKind = iota
	fastLogger            // lowest and mean volts, duration
	slowLogger            // the same, but the dip is half missed
	telematics            // lowest volts only, a tenth of a volt
)

func (m *machine) loses(d fleet.Date) bool {
	if m.logger.kind == noLogger || d < m.recordsFrom || m.rng.hit(0.015) {
		return true
	}
	for _, g := range m.logger.gaps {
		if g[0] <= d && d <= g[1] {
			return true
		}
	}
	return false
}

// log writes a crank as the unit's logger sees it.
func (m *machine) log(at time.Time, t turn, n night, outcome fleet.Outcome, warm bool) {
	if m.loses(fleet.DateOf(at, m.zone)) {
		return
	}
	lg := m.logger
	step := 0.01
	if lg.kind == telematics {
		step = 0.1
		if outcome == fleet.Slow {
			outcome = fleet.Started // it knows only whether the engine ran
		}
	}
	rest, mean := m.volts(t.restV-0.08, 0.03), m.volts(t.meanV, 0.04)
	low := m.volts(t.minV+lg.dip*(t.meanV-t.minV), 0.05)
	if warm {
		rest = m.volts(t.restV+0.1, 0.05)
	}
	mean = math.Min(mean, rest-0.05)
	low = math.Min(low, mean-0.02)
	row := fleet.Crank{Unit: m.history.Unit.ID, At: at, RestV: fleet.Known(roundTo(rest, step)), MinV: fleet.Known(roundTo(low, step)), Outcome: outcome}
	if lg.kind != telematics {
		row.MeanV = fleet.Known(roundTo(mean, step))
		row.DurationMs = fleet.Known(m.duration(t, n, outcome, warm))
	}
	m.logAround(&row, t, n, outcome)
	m.history.Cranks = append(m.history.Cranks, row)
}

func (m *machine) logAround(row *fleet.Crank, t turn, n night, outcome fleet.Outcome) {
	lg := m.logger
	if lg.temperature && m.rng.hit(0.97) {
		row.TemperatureC = fleet.Known(roundTo(n.airC+m.rng.normal(0.4), 0.1))
	}
	if lg.current {
		rated := m.batteries[0].part.ccaA
		if m.class.volts == 12 {
			rated *= float64(len(m.batteries))
		}
		row.CurrentA = fleet.Known(math.Round(t.current * rated * m.rng.spread(0.03)))
	}
	if lg.engine {
		row.CoolantC = fleet.Known(math.Round(n.oilC + m.rng.normal(0.7)))
		if outcome != fleet.NoCrank || t.speed > 0 {
			row.RPM = fleet.Known(math.Round(t.speed * m.engine.nominalRM * m.rng.spread(0.02)))
		}
	}
}

// logSilent writes a turn of the key at which nothing happened.
func (m *machine) logSilent(at time.Time, t turn, n night) {
	if m.loses(fleet.DateOf(at, m.zone)) {
		return
	}
	rest := m.volts(t.restV-0.08, 0.03)
	row := fleet.Crank{
		Unit: m.history.Unit.ID, At: at, RestV: fleet.Known(roundTo(rest, 0.01)),
		MinV: fleet.Known(roundTo(rest-m.rng.between(0.1, 0.35), 0.01)), Outcome: fleet.NoCrank,
	}
	if m.logger.temperature {
		row.TemperatureC = fleet.Known(roundTo(n.airC+m.rng.normal(0.4), 0.1))
	}
	m.history.Cranks = append(m.history.Cranks, row)
}

// volts of the system as the logger shows them.
func (m *machine) volts(perTwelve, sd float64) float64 {
	return math.Max(0.5, (perTwelve*m.logger.gain+m.rng.normal(sd))*float64(m.class.volts)/12)
}

// duration in ms: the nearer the speed is to what the engine needs, the longer it takes to fire.
func (m *machine) duration(t turn, n night, outcome fleet.Outcome, warm bool) float64 {
	if outcome == fleet.NoCrank {
		return math.Round(m.rng.between(3000, 12000))
	}
	if outcome == fleet.NoStart {
		return math.Round(m.rng.between(8000, 20000))
	}
	need := m.engine.needed(n.airC)
	ms := 350 + 1900*math.Pow(need/math.Max(t.speed, need), 2.5)
	if warm {
		ms = 450
	}
	return math.Round(math.Min(18000, ms*m.rng.spread(0.22)))
}

// tester is an instrument of a depot's workshop.
type tester struct {
	name string
	load bool    // puts a load on for 15 s; else it measures conductance
	bias float64 // factor on what it shows
	by   string
}

// test measures every battery of the unit; a mechanic who sees a very weak one may swap it at once.
func (m *machine) test(d fleet.Date, minC, maxC float64) {
	at := m.clock(d, m.rng.between(13, 18))
	airC := minC + (maxC-minC)*0.8
	weak := false
	for i := range m.batteries {
		row, shown := m.testOne(i, at, airC)
		m.history.Tests = append(m.history.Tests, row)
		weak = weak || shown < 0.55 || row.RestV.Or(12) < 11.2
	}
	if m.story != nil {
		return
	}
	old := m.plan.swapAgeDays > 0 && int(d-m.batteries[0].on) > m.plan.swapAgeDays
	if weak && m.rng.hit(0.10) || old && m.rng.hit(0.25) {
		m.swapBatteries(d, fleet.RemovedPreventive)
		return
	}
	if (m.drag.level > 0.35 || m.brushes.level > 0.7) && m.rng.hit(0.05) { // it sounds wrong
		m.swapStarter(d, fleet.RemovedPreventive)
	}
	if m.drain > 0 && m.batteries[0].charge < 0.6 && m.rng.hit(0.15) {
		m.mend(d, fleet.ChargingPart, "")
	}
}

// testOne tests the battery in place i. Conductance feels corrosion and lost mass otherwise than cranking does.
func (m *machine) testOne(i int, at time.Time, airC float64) (row fleet.Test, shownShare float64) {
	b, tt := m.batteries[i], m.tester
	shown := tt.bias * m.rng.spread(0.05) * math.Pow(1+b.corrosion, -0.85) * math.Pow(b.mass, 0.35) * (1 - 0.35*(1-b.charge))
	if b.shorted {
		shown *= 0.55
	}
	row = fleet.Test{
		Unit: m.history.Unit.ID, Position: i + 1, At: at, TestedBy: tt.by, Tester: tt.name,
		RestV: fleet.Known(roundTo(b.openV(airC)+m.rng.normal(0.02), 0.01)),
	}
	if !m.hidden && m.rng.hit(0.6) {
		row.Battery = m.history.Batteries[b.row].Battery
	}
	if m.rng.hit(0.85) {
		row.TemperatureC = fleet.Known(math.Round(airC + m.rng.normal(1)))
	}
	if tt.load {
		half := b.part.ccaA / 2
		row.LoadA, row.LoadS = fleet.Known(half), fleet.Known(15.0)
		k := b.at(airC)
		loaded := math.Max(1, k.v(math.Min(0.5, nearLimit*k.xLim))-0.15)
		row.LoadV = fleet.Known(roundTo(loaded*(1+(tt.bias-1)/3)+m.rng.normal(0.05), 0.01))
		return row, shown
	}
	row.CCAA, row.CCAStandard = fleet.Known(5*math.Round(shown*b.part.ccaA/5)), b.part.standard
	row.ResistanceMOhm = fleet.Known(roundTo(2700/b.part.ccaA/shown, 0.1))
	row.SoCPct = fleet.Known(math.Round(100 * b.charge))
	return row, shown
}
