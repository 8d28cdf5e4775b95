package main

import (
	"fmt"
	"math"
	"slices"
	"time"

	"rimeyard/alerts"
	"rimeyard/internal/fleet"
	"rimeyard/internal/proving"
)

// view is a fleet as known on a day, with what is read off all its units together.
type view struct {
	asOf    fleet.Date
	zones   map[fleet.DepotID]*time.Location
	days    map[fleet.DepotID]map[fleet.Date]fleet.DayTemp
	winters map[fleet.DepotID]float64 // mean over past winters of the 5 % coldest dawn
	curves  map[string][channels]curve
}

// What is read off a cold crank, per 12 V.
const (
	lowV = iota
	meanV
	dropV
	lnMs
	lnAmperes
	lnRPM
	channels
)

var channelNames = [channels]string{"low_v", "mean_v", "drop_v", "ln_ms", "ln_a", "ln_rpm"}

// coldCrank is a crank after a night; NaN for what was not read.
type coldCrank struct {
	day  fleet.Date
	airC float64
	y    [channels]float64
	rest float64
	went fleet.Outcome
}

const (
	soak      = 5 * time.Hour // since the crank before
	farOffC   = 12            // a thermometer that far outside the depot's day is not believed
	atC       = -10.0         // temperature to which readings are turned
	yearDays  = 365
	lastWeeks = 56 // days
)

func newView(f *proving.Fleet, known []fleet.History, asOf fleet.Date) *view {
	v := &view{
		asOf: asOf, zones: map[fleet.DepotID]*time.Location{}, days: map[fleet.DepotID]map[fleet.Date]fleet.DayTemp{},
		winters: map[fleet.DepotID]float64{}, curves: map[string][channels]curve{},
	}
	for _, d := range f.Depots {
		v.zones[d.ID] = d.Zone()
		days := map[fleet.Date]fleet.DayTemp{}
		winters := map[int][]float64{}
		for _, t := range f.Temps[d.ID] {
			if t.Date >= asOf {
				continue
			}
			days[t.Date] = t
			year, month, _ := (t.Date + 92).YMD() // a winter from October on, by the year it ends in
			if low, ok := t.MinC.Get(); ok && month <= time.June {
				winters[year] = append(winters[year], low)
			}
		}
		v.days[d.ID] = days
		var coldest []float64
		for _, w := range winters {
			if len(w) > 120 {
				coldest = append(coldest, quantile(w, 0.05))
			}
		}
		slices.Sort(coldest)
		v.winters[d.ID] = meanOf(coldest)
	}
	points := map[string]*[channels][]point{}
	for _, h := range known {
		group := groupOf(h.Unit)
		if points[group] == nil {
			points[group] = &[channels][]point{}
		}
		for _, c := range v.coldCranks(h) {
			for k, y := range c.y {
				if !math.IsNaN(y) {
					points[group][k] = append(points[group][k], point{c.airC, y})
				}
			}
		}
	}
	for group, p := range points {
		var curves [channels]curve
		for k := range curves {
			curves[k] = fitCurve(p[k])
		}
		v.curves[group] = curves
	}
	return v
}

func groupOf(u fleet.Unit) string { return fmt.Sprintf("%s/%s/%d", u.Class, u.Fuel, u.SystemVolts) }

// coldCranks are those after a night of which the temperature is known, oldest first.
func (v *view) coldCranks(h fleet.History) []coldCrank {
	var out []coldCrank
	zone, days := v.zones[h.Unit.Depot], v.days[h.Unit.Depot]
	series := float64(h.Unit.BatteriesInSeries())
	var before time.Time
	for _, c := range h.Cranks {
		parked := c.At.Sub(before)
		before = c.At
		if parked < soak {
			continue
		}
		day := fleet.DateOf(c.At, zone)
		air := airOf(c, days[day])
		if math.IsNaN(air) {
			continue
		}
		rest, low := c.RestV.Or(math.NaN())/series, c.MinV.Or(math.NaN())/series
		out = append(out, coldCrank{day: day, airC: air, rest: rest, went: c.Outcome, y: [channels]float64{
			low, c.MeanV.Or(math.NaN()) / series, rest - low, logOf(c.DurationMs), logOf(c.CurrentA), logOf(c.RPM),
		}})
	}
	return out
}

// airOf trusts the logger's thermometer where the depot's day allows it, else takes the depot's lowest.
func airOf(c fleet.Crank, day fleet.DayTemp) float64 {
	low, known := day.MinC.Get()
	own, has := c.TemperatureC.Get()
	if has && (!known || (own > low-farOffC && own < day.MaxC.Or(low+10)+farOffC)) {
		return own
	}
	if known {
		return low
	}
	return math.NaN()
}

func logOf(v fleet.Opt[float64]) float64 {
	x, known := v.Get()
	if !known || x <= 0 {
		return math.NaN()
	}
	return math.Log(x)
}

// describe adds the features of one unit.
func (v *view) describe(line *features, h fleet.History, r alerts.Scored) {
	u := h.Unit
	line.word("f_class", groupOf(u))
	line.word("f_fuel", string(u.Fuel))
	line.word("f_parked", string(u.Parked))
	line.number("f_volts", float64(u.SystemVolts))
	line.number("f_batteries", float64(u.Batteries))
	line.opt("f_litres", u.EngineLitres)
	line.opt("f_starts_per_day", u.StartsPerDay)
	line.number("f_unit_age", yearsSince(u.InServiceOn, v.asOf))
	line.number("f_winter_c", v.winters[u.Depot])
	v.fittings(line, h)
	line.opt("f_battery_age", r.AgeYears)
	line.opt("f_last_test", r.TestPct)
	line.opt("f_lowest_v_mild", r.LowestV)
	v.tests(line, h)
	v.cranks(line, h)
	var lastYear, ever, sinceLast float64
	sinceLast = math.NaN()
	for _, b := range h.Breakdowns {
		if b.Cause == fleet.OtherPart {
			continue
		}
		ago := float64(v.asOf - fleet.DateOf(b.At, v.zones[u.Depot]))
		ever++
		if ago <= yearDays {
			lastYear++
		}
		sinceLast = ago
	}
	line.number("f_breakdowns", ever)
	line.number("f_breakdowns_year", lastYear)
	line.number("f_days_since_breakdown", sinceLast)
}

func yearsSince(d fleet.Opt[fleet.Date], asOf fleet.Date) float64 {
	day, known := d.Get()
	if !known {
		return math.NaN()
	}
	return float64(asOf-day) / 365.25
}

func (v *view) fittings(line *features, h fleet.History) {
	chemistry, rated, worn := "", math.NaN(), 0.0
	for _, b := range h.Batteries {
		if b.RemovedOn.IsKnown() {
			worn++
			continue
		}
		chemistry, rated = string(b.Chemistry), b.RatedCCAA
	}
	line.word("f_chemistry", chemistry)
	line.number("f_rated_a", rated)
	line.number("f_batteries_worn", worn)
	starter, starters := math.NaN(), 0.0
	for _, s := range h.Starters {
		if s.RemovedOn.IsKnown() {
			starters++
			continue
		}
		starter = yearsSince(s.FittedOn, v.asOf)
	}
	line.number("f_starter_age", starter)
	line.number("f_starters_worn", starters)
}

// tests: shares of the rating of the batteries now in place, weaker position of each day; load and ohms likewise.
func (v *view) tests(line *features, h fleet.History) {
	zone := v.zones[h.Unit.Depot]
	lowest := map[fleet.Date]float64{}
	rest, load, ohm, last := math.NaN(), math.NaN(), math.NaN(), math.NaN()
	for _, t := range h.Tests {
		day := fleet.DateOf(t.At, zone)
		for _, b := range h.Batteries {
			if b.RemovedOn.IsKnown() || b.Position != t.Position || !b.FittedAt(day) {
				continue
			}
			last = float64(v.asOf - day)
			rest = t.RestV.Or(rest)
			load = t.LoadV.Or(load)
			if mOhm, known := t.ResistanceMOhm.Get(); known {
				ohm = mOhm * b.RatedCCAA
			}
			if shown, known := t.CCAA.Get(); known && t.CCAStandard == b.CCAStandard {
				share := shown / b.RatedCCAA
				if old, seen := lowest[day]; !seen || share < old {
					lowest[day] = share
				}
			}
		}
	}
	var days []fleet.Date
	for d := range lowest {
		days = append(days, d)
	}
	slices.Sort(days)
	var all []point
	for _, d := range days {
		all = append(all, point{float64(d-v.asOf) / 365.25, lowest[d]})
	}
	line.number("f_tests", float64(len(all)))
	line.number("f_days_since_test", last)
	line.number("f_test_rest_v", rest)
	line.number("f_test_load_v", load)
	line.number("f_test_ohm", ohm)
	line.number("f_test_mean", meanOf(ys(all)))
	line.number("f_test_mean_of_3", meanOf(ys(all[max(0, len(all)-3):])))
	line.number("f_test_low", quantile(ys(all), 0))
	line.number("f_test_slope", slope(all))
}
