package trend

import (
	"cmp"
	"math"
	"slices"

	"rimeyard/internal/fleet"
)

// battery notes what is fitted now: kind, part and rating.
func (c *compressor) battery(fittings []fleet.BatteryFitting) {
	t := c.track
	sum, n := 0.0, 0
	for p := 1; p <= t.Positions; p++ {
		if f, found := fittedAt(fittings, p, t.AsOf-1); found {
			t.Chemistry, t.Part = f.Chemistry, f.Part
			sum, n = sum+f.RatedCCAA, n+1
		}
	}
	if n > 0 {
		t.RatedCCAA = sum / float64(n)
		t.Rated = math.Log(t.RatedCCAA * max(1, float64(t.Positions)/float64(t.Series)))
	}
}

// fittedAt is the battery in a position on a day: of several whose times overlap, the one fitted last.
func fittedAt(fittings []fleet.BatteryFitting, position int, d fleet.Date) (fleet.BatteryFitting, bool) {
	for _, f := range slices.Backward(fittings) {
		if f.Position == position && f.FittedAt(d) && f.RatedCCAA > 0 {
			return f, true
		}
	}
	return fleet.BatteryFitting{}, false
}

// changes lists the parts renewed since the first reading, and the age of the battery that was there before.
func (t *Track) changes(h fleet.History) {
	t.AgeWeeks = -1
	renewed := map[int]float64{} // batteries by week
	lastOn := map[int]fleet.Date{}
	known := 0
	ages := 0.0
	for p := 1; p <= t.Positions; p++ {
		age := math.NaN()
		var lastOut fleet.Opt[fleet.Date]
		for _, f := range h.Batteries {
			if f.Position != p {
				continue
			}
			on, dated := f.FittedOn.Get()
			if !dated {
				if on, dated = lastOut.Get(); !dated {
					on, dated = f.MadeOn.Get()
				}
			}
			if dated && weekOf(on) > t.FirstWeek {
				renewed[weekOf(on)]++
				lastOn[weekOf(on)] = max(lastOn[weekOf(on)], on)
			} else if dated {
				age = float64(t.FirstWeek - weekOf(on))
			}
			lastOut = f.RemovedOn
		}
		if !math.IsNaN(age) {
			ages, known = ages+age, known+1
		}
	}
	if known > 0 {
		t.AgeWeeks = ages / float64(known)
	}
	for week, n := range renewed {
		t.Changes = append(t.Changes, Change{week, fleet.BatteryPart, min(1, n/float64(t.Positions)), lastOn[week]})
	}
	for _, f := range h.Starters {
		if on, dated := f.FittedOn.Get(); dated && weekOf(on) > t.FirstWeek {
			t.Changes = append(t.Changes, Change{weekOf(on), fleet.StarterPart, 1, on})
		}
	}
	slices.SortFunc(t.Changes, func(a, b Change) int {
		return cmp.Or(cmp.Compare(a.Week, b.Week), cmp.Compare(a.Part, b.Part), cmp.Compare(a.Share, b.Share))
	})
	t.Changes = slices.Compact(t.Changes)
}

// tests puts one day's tests of all positions into one row. A battery tested twice on a day counts with the mean.
func (c *compressor) tests(rows []fleet.Test, fittings []fleet.BatteryFitting) {
	for from := 0; from < len(rows); {
		d := c.day.of(rows[from].At)
		to := from + 1
		for to < len(rows) && c.day.of(rows[to].At) == d {
			to++
		}
		c.track.Tests = append(c.track.Tests, c.testsOfDay(rows[from:to], fittings, d)...)
		from = to
	}
}

// position gathers what one battery showed on one day.
type tested struct {
	shown, load, ohm, rest Mean
	rated                  float64
	shownA                 float64
}

func (m *Mean) add(y float64) {
	if !math.IsNaN(y) {
		m.Y = (m.Y*float64(m.N) + y) / float64(m.N+1)
		m.N++
	}
}

// testsOfDay makes a row per device and pair of standards, in their order.
func (c *compressor) testsOfDay(rows []fleet.Test, fittings []fleet.BatteryFitting, d fleet.Date) []TestRow {
	byDevice := map[string]map[int]*tested{}
	for _, row := range rows {
		f, _ := fittedAt(fittings, row.Position, d)
		device := row.Tester
		if row.CCAA.IsKnown() && f.CCAStandard != row.CCAStandard {
			device += " " + string(row.CCAStandard) + " against " + string(f.CCAStandard)
		}
		if byDevice[device] == nil {
			byDevice[device] = map[int]*tested{}
		}
		if byDevice[device][row.Position] == nil {
			byDevice[device][row.Position] = &tested{rated: f.RatedCCAA}
		}
		c.test(byDevice[device][row.Position], row, d)
	}
	devices := make([]string, 0, len(byDevice))
	for device := range byDevice {
		devices = append(devices, device)
	}
	slices.Sort(devices)
	var out []TestRow
	for _, device := range devices {
		if r := c.together(byDevice[device]); r.CCA.N+r.Load.N+r.Ohm.N+r.Rest.N > 0 {
			r.Day, r.Week, r.Device = d, weekOf(d), device
			out = append(out, r)
		}
	}
	return out
}

func (c *compressor) test(into *tested, row fleet.Test, d fleet.Date) {
	t := c.track
	bad := &t.Odd.OutOfGate
	rest := within(row.RestV, 1, restGate, bad)
	if !math.IsNaN(rest) {
		rest = min(rest, fullRestV+0.15) // more is surface charge
	}
	into.rest.add(rest)
	if math.IsNaN(rest) {
		rest = assumedRestV
	}
	s := charge(rest)
	if into.rated <= 0 {
		return // nothing to hold it against
	}
	minC, maxC, dayKnown := c.air.at(d)
	air := airC(row.TemperatureC, minC, maxC, dayKnown, c.indoors, &t.Odd)
	if math.IsNaN(air) {
		air = 15
		if dayKnown {
			air = (minC + maxC) / 2
		}
	}
	if share := within(row.CCAA, 1/into.rated, ratioGate, bad); !math.IsNaN(share) {
		into.shown.add(math.Log(share) + 0.5*(1-s)) // what a full battery would have shown (from memory)
		into.shownA = share * into.rated
	}
	cold := perDegree*(25-air) + chargeOnOhms*(1-s)
	loadV := within(row.LoadV, 1, func(v float64) bool { return v >= 3 && v <= 12.8 }, bad)
	loadShare := within(row.LoadA, 1/into.rated, func(v float64) bool { return v >= 0.1 && v <= 1.5 }, bad)
	if drop := rest - loadV; drop > 0.1 && !math.IsNaN(loadShare) {
		into.load.add(math.Log(drop/(ratedDropV*loadShare)) - cold)
	}
	into.ohm.add(math.Log(within(row.ResistanceMOhm, into.rated/(1000*ratedDropV), func(v float64) bool { return v > 0.1 && v < 20 }, bad)))
}

// together joins the positions of one day: resistances add in series, conductances in parallel.
func (c *compressor) together(positions map[int]*tested) (r TestRow) {
	series := c.track.Series > 1
	keys := make([]int, 0, len(positions))
	for p := range positions {
		keys = append(keys, p)
	}
	slices.Sort(keys)
	var shown, load, ohm, rest []float64
	for _, p := range keys {
		v := positions[p]
		if v.shown.N > 0 {
			shown = append(shown, v.shown.Y)
			if r.CCA.N == 0 || v.shownA/v.rated < r.ShownA/r.RatedA {
				r.ShownA, r.RatedA = v.shownA, v.rated
			}
			r.CCA.N++
		}
		if v.load.N > 0 {
			load = append(load, v.load.Y)
		}
		if v.ohm.N > 0 {
			ohm = append(ohm, v.ohm.Y)
		}
		if v.rest.N > 0 {
			rest = append(rest, v.rest.Y)
		}
	}
	r.CCA = Mean{logMean(shown, !series), len(shown)}
	r.Load = Mean{logMean(load, series), len(load)}
	r.Ohm = Mean{logMean(ohm, series), len(ohm)}
	r.Rest = Mean{average(rest), len(rest)}
	if len(rest) > 1 {
		r.RestSpreadV = slices.Max(rest) - slices.Min(rest)
	}
	if len(shown) > 1 {
		r.SpreadLn = slices.Max(shown) - slices.Min(shown)
	}
	return r
}

// logMean is the ln of the mean of exp(y), or (arithmetic false) of their harmonic mean.
func logMean(y []float64, arithmetic bool) float64 {
	if len(y) == 0 {
		return 0
	}
	sign := 1.0
	if !arithmetic {
		sign = -1
	}
	sum := 0.0
	for _, v := range y {
		sum += math.Exp(sign * v)
	}
	return sign * math.Log(sum/float64(len(y)))
}

// lives lists how long the unit's batteries lasted, in weeks. A battery of unknown fitting date is left out: its age at entry
// is not known either.
func (t *Track) lives(fittings []fleet.BatteryFitting) {
	seen := mondayOf(t.FirstWeek) // what had died before was not written down
	for _, f := range fittings {
		on, known := f.FittedOn.Get()
		if !known {
			continue
		}
		t.Lives = append(t.Lives, Life{
			Entry: max(0, float64(seen-on)/7), Exit: float64(f.RemovedOn.Or(t.AsOf)-on) / 7,
			Failed: f.RemovedOn.IsKnown() && f.RemovedBecause == fleet.RemovedFailed,
		})
	}
}
