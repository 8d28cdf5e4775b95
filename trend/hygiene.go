package trend

import (
	"cmp"
	"math"
	"slices"
	"time"

	"rimeyard/internal/fleet"
)

// tidy brings a history into one order, whatever the order it came in, and leaves out what came twice. It copies a slice
// before it changes it.
func tidy(h fleet.History) (fleet.History, int) {
	var doubles [3]int
	h.Cranks, doubles[0] = ordered(h.Cranks, compareCranks)
	h.Tests, doubles[1] = ordered(h.Tests, compareTests)
	h.Breakdowns, doubles[2] = ordered(h.Breakdowns, compareBreakdowns)
	tidyFittings(&h)
	return h, doubles[0] + doubles[1] + doubles[2]
}

func tidyFittings(h *fleet.History) {
	h.Batteries, _ = ordered(h.Batteries, compareBatteries)
	h.Starters, _ = ordered(h.Starters, compareStarters)
}

func ordered[T comparable](rows []T, compare func(a, b T) int) ([]T, int) {
	sorted, twice := true, false
	for i := 1; i < len(rows) && sorted; i++ {
		switch c := compare(rows[i-1], rows[i]); {
		case c > 0:
			sorted = false
		case c == 0:
			twice = true
		}
	}
	if sorted && !twice {
		return rows, 0
	}
	n := len(rows)
	rows = slices.Clone(rows)
	slices.SortStableFunc(rows, compare)
	rows = slices.CompactFunc(rows, func(a, b T) bool { return compare(a, b) == 0 })
	return rows, n - len(rows)
}

func compareCranks(a, b fleet.Crank) int {
	if c := a.At.Compare(b.At); c != 0 {
		return c
	}
	return cmp.Or(compareReadings(a, b), cmp.Compare(a.Outcome, b.Outcome))
}

func compareReadings(a, b fleet.Crank) int {
	return cmp.Or(
		compareOpt(a.MinV, b.MinV), compareOpt(a.MeanV, b.MeanV), compareOpt(a.RestV, b.RestV), compareOpt(a.DurationMs, b.DurationMs),
		compareOpt(a.TemperatureC, b.TemperatureC), compareOpt(a.CoolantC, b.CoolantC), compareOpt(a.CurrentA, b.CurrentA), compareOpt(a.RPM, b.RPM))
}

func compareTests(a, b fleet.Test) int {
	return cmp.Or(
		a.At.Compare(b.At), cmp.Compare(a.Position, b.Position), cmp.Compare(a.Battery, b.Battery), compareOpt(a.CCAA, b.CCAA),
		cmp.Compare(a.CCAStandard, b.CCAStandard), compareOpt(a.RestV, b.RestV), compareOpt(a.LoadV, b.LoadV), compareOpt(a.LoadA, b.LoadA),
		compareOpt(a.LoadS, b.LoadS), compareOpt(a.ResistanceMOhm, b.ResistanceMOhm), compareOpt(a.SoCPct, b.SoCPct),
		compareOpt(a.TemperatureC, b.TemperatureC), cmp.Compare(a.Tester, b.Tester))
}

func compareBreakdowns(a, b fleet.Breakdown) int {
	return cmp.Or(a.At.Compare(b.At), cmp.Compare(a.Cause, b.Cause), compareOpt(a.Cost, b.Cost), compareOpt(a.HoursDown, b.HoursDown))
}

func compareBatteries(a, b fleet.BatteryFitting) int {
	return cmp.Or(
		compareOpt(a.FittedOn, b.FittedOn), compareOpt(a.RemovedOn, b.RemovedOn), cmp.Compare(a.Position, b.Position),
		cmp.Compare(a.Battery, b.Battery), cmp.Compare(a.Part, b.Part), cmp.Compare(a.RatedCCAA, b.RatedCCAA), compareOpt(a.Price, b.Price))
}

func compareStarters(a, b fleet.StarterFitting) int {
	return cmp.Or(compareOpt(a.FittedOn, b.FittedOn), compareOpt(a.RemovedOn, b.RemovedOn), cmp.Compare(a.Starter, b.Starter), compareOpt(a.Price, b.Price))
}

// compareOpt puts unknown first; NaN counts as unknown.
func compareOpt[T cmp.Ordered](a, b fleet.Opt[T]) int {
	av, aok := a.Get()
	bv, bok := b.Get()
	switch {
	case !aok || !bok:
		return cmp.Compare(truth(aok), truth(bok))
	default:
		return cmp.Compare(av, bv)
	}
}

func truth(b bool) int {
	if b {
		return 1
	}
	return 0
}

const resentWithin = 10 * time.Minute

// resent tells whether b says the same as a, minutes later: a row that was sent again, not a second crank.
func resent(a, b fleet.Crank) bool {
	return b.At.Sub(a.At) <= resentWithin && a.MinV.IsKnown() && a.DurationMs.IsKnown() && compareReadings(a, b) == 0
}

// Gates per 12 V battery: what lies outside is not a reading of a starting system (common practice, no source).
func restGate(v float64) bool     { return v >= 8 && v <= 15.5 }
func minGate(v float64) bool      { return v >= 2 && v <= 12.8 }
func meanGate(v float64) bool     { return v >= 4 && v <= 13.2 }
func durationGate(v float64) bool { return v >= 50 && v <= 60_000 }
func airGate(v float64) bool      { return v >= -55 && v <= 55 }
func ratioGate(v float64) bool    { return v >= 0.05 && v <= 1.8 }
func rpmGate(v float64) bool      { return v >= 20 && v <= 1000 }

// within returns o scaled, or unknown where it is outside its gate; bad counts those.
func within(o fleet.Opt[float64], scale float64, gate func(float64) bool, bad *int) float64 {
	v, known := o.Get()
	if !known {
		return math.NaN()
	}
	if v *= scale; !gate(v) { // NaN is outside every gate
		*bad++
		return math.NaN()
	}
	return v
}

// airC is a row's air temperature. One that fits the depot's day only when read as Fahrenheit is converted, unless the unit stands indoors, where 60
// can be Fahrenheit only because nothing parks at 60 °C.
func airC(o fleet.Opt[float64], minC, maxC float64, dayKnown, indoors bool, odd *Oddities) float64 {
	t, known := o.Get()
	if !known || math.IsNaN(t) {
		return math.NaN()
	}
	asC := (t - 32) / 1.8
	off := func(c float64) float64 { return max(0, minC-c, c-maxC) }
	switch {
	case dayKnown && !indoors && off(t) > 12 && off(asC) < 5, t > 50 && (!dayKnown || off(asC) < 10):
		odd.Fahrenheit++
		return asC
	case !airGate(t):
		odd.OutOfGate++
		return math.NaN()
	}
	return t
}

const (
	thermometerDays = 91
	fewestInQuarter = 5 // readings by which a quarter is judged
)

// fahrenheitQuarters finds the quarters of a year in which a unit's thermometer shows °F: read as °F its readings lie less than half
// as far from the depot's days as read as °C. A single cold reading could not tell: −4 °F and −4 °C are both frost.
func (c *compressor) fahrenheitQuarters(rows []fleet.Crank, days []fleet.Date) map[int]bool {
	found, last := map[int]bool{}, int(c.settled-1)/thermometerDays
	quarter := 0
	var now, then thermometer
	end := func() {
		if now.showsF() {
			found[quarter] = true
		}
		if quarter == last {
			c.sameThermometer = now.showsF() == then.showsF()
		}
		now, then = thermometer{}, thermometer{}
	}
	c.sameThermometer = true
	for i := range rows {
		t, known := rows[i].TemperatureC.Get()
		d := days[i]
		minC, maxC, dayKnown := c.air.at(d)
		if !known || !dayKnown || math.IsNaN(t) || math.IsInf(t, 0) {
			continue
		}
		if q := int(d) / thermometerDays; q != quarter { // rows are in order of time
			end()
			quarter = q
		}
		now.read(t, (minC+maxC)/2)
		if d < c.settled {
			then = now
		}
	}
	end()
	return found
}

// thermometer is what a quarter's readings lie off the depot's days, read as °C and as °F.
type thermometer struct{ asC, asF, n float64 }

func (m *thermometer) read(t, dayC float64) {
	m.asC += min(math.Abs(t-dayC), 40)
	m.asF += min(math.Abs((t-32)/1.8-dayC), 40)
	m.n++
}

func (m *thermometer) showsF() bool { return m.n >= fewestInQuarter && m.asF < m.asC/2 }
