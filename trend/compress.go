package trend

import (
	"math"
	"slices"
	"time"

	"rimeyard/internal/fleet"
)

// Compress turns what was known of a unit when asOf began into its weekly rows, and beside them keeps those that were known on the settled
// day. It looks at nothing dated on asOf or later, and for the settled ones at nothing dated on the settled day or later.
func Compress(h fleet.History, depot fleet.Depot, weather Weather, asOf fleet.Date) Track {
	zone, day := depot.Zone(), settledOn(asOf)
	h, doubles := tidy(h)
	now, then := knownOn(asOf, h, zone), knownOn(day, h, zone)
	c := compress(now, zone, weather, asOf, day)
	if weather.then == nil && !c.changesThePast() && sameFittings(now, then, day) {
		c.track.then = c.cut(then)
	} else {
		c.track.then = compress(then, zone, weather.settled(), day, day).track
		c.track.then.forgetWhatIsShown()
	}
	c.track.then.print = c.track.then.fingerprint()
	c.track.Odd.Doubles += doubles
	return *c.track
}

// knownOn is what was known of a unit when day began.
func knownOn(day fleet.Date, h fleet.History, zone *time.Location) fleet.History {
	h = h.AsOf(day, zone)
	tidyFittings(&h) // ends that lay ahead are gone, so fittings may have become alike
	return h
}

// compress reads a tidy history that ends before asOf; a unit's habits are taken from what lies before settled.
func compress(h fleet.History, zone *time.Location, weather Weather, asOf, settled fleet.Date) *compressor {
	t := Track{
		Unit: h.Unit.ID, Depot: h.Unit.Depot, AsOf: asOf, Group: groupOf(h.Unit), Fuel: h.Unit.Fuel, Series: h.Unit.BatteriesInSeries(),
		Positions: max(1, h.Unit.Batteries), AsOfWeek: weekOf(asOf), StartsPerDay: 5.0 / 7,
	}
	if perDay, known := h.Unit.StartsPerDay.Get(); known && perDay >= 0 {
		t.StartsPerDay = min(1, perDay)
	}
	if h.Unit.Parked == fleet.PluggedIn {
		t.OilOffsetC = 20 // a block heater's (from memory)
	}
	c := &compressor{track: &t, unit: h.Unit, day: dayClock{zone: zone}, settled: settled, indoors: h.Unit.Parked == fleet.Indoors}
	t.BookedStarts, t.BookedOffsetC = t.StartsPerDay, c.nightOffset(nil)
	c.air, _, _ = weather.of(t.Depot)
	c.battery(h.Batteries)
	c.breakdowns(h.Breakdowns)
	c.cranks(h.Cranks)
	c.tests(h.Tests, h.Batteries)
	c.bookedFailures()
	t.begin(h)
	return c
}

// compressor carries what is needed while a history is read.
type compressor struct {
	track    *Track
	unit     fleet.Unit
	air      daySeries // where the unit belongs
	day      dayClock
	indoors  bool
	failures []Failure // every breakdown, also those that are no fault of the starting system
	joined   []bool    // failures that have a crank row
	offsets  []float64 // crank air less depot dawn, nights under 5 °C
	// settledOffsets is how many of them lie before settled; if they are enough, the others wait.
	settledOffsets int
	week           weekScratch
	lastRestV      float64
	lastRestAt     time.Time
	lastStart      fleet.Date
	startDays      int // before settled, lest habits move the list from week to week
	settled        fleet.Date
	inFahrenheit   map[int]bool // quarters of a year in which the logger's thermometer shows °F
	// sameThermometer: the quarter of the settled day was judged on that day as it is now.
	sameThermometer bool
	stood           time.Duration // since the crank before, of whatever kind
}

// weekScratch gathers a week's values until it is over.
type weekScratch struct {
	week                                     int
	temps, sag, low, current, speed, seconds []float64
	rest                                     []float64
	meanV, lowV, restStop                    Mean
	restDay                                  fleet.Date
	coldest                                  float64
	from                                     int
}

// dayClock knows the day of instants that come in order without asking the zone for each.
type dayClock struct {
	zone     *time.Location
	date     fleet.Date
	from, to int64 // of the day, in seconds from 1970
}

func (c *dayClock) of(t time.Time) fleet.Date {
	if at := t.Unix(); at < c.from || at >= c.to {
		c.date = fleet.DateOf(t, c.zone)
		c.from, c.to = c.date.Midnight(c.zone).Unix(), (c.date + 1).Midnight(c.zone).Unix()
	}
	return c.date
}

func (c *compressor) breakdowns(rows []fleet.Breakdown) {
	for _, b := range rows {
		f := Failure{c.day.of(b.At), b.Cause}
		c.failures = append(c.failures, f)
		if b.Cause != fleet.OtherPart {
			c.track.Breakdowns = append(c.track.Breakdowns, f)
		}
	}
	c.joined = make([]bool, len(c.failures))
}

// causeAround is the cause in the breakdown book within a day of d, and the place in it.
func (c *compressor) causeAround(d fleet.Date) (i int, found bool) {
	best := 2
	for k, f := range c.failures {
		if off := int(max(f.Day-d, d-f.Day)); off < best {
			i, found, best = k, true, off
		}
	}
	return i, found
}

func (c *compressor) cranks(rows []fleet.Crank) {
	var last fleet.Crank
	warmUntil := time.Time{}
	var other strays
	days := make([]fleet.Date, len(rows))
	for i := range rows {
		days[i] = c.day.of(rows[i].At)
	}
	c.inFahrenheit = c.fahrenheitQuarters(rows, days)
	for i, row := range rows {
		if i > 0 && resent(last, row) {
			c.track.Odd.Doubles++
			continue
		}
		if other.is(&row) {
			c.track.Odd.Strays++
			continue
		}
		if i > 0 {
			c.stood = row.At.Sub(last.At)
		}
		last = row
		d := days[i]
		if w := weekOf(d); w != c.week.week {
			c.closeWeek()
			c.week.week, c.week.coldest, c.week.from, c.week.restDay = w, math.NaN(), len(c.track.Starts), 0
		}
		c.crank(row, d, row.At.Before(warmUntil))
		if row.Outcome != fleet.NoCrank {
			warmUntil = row.At.Add(soak)
		}
	}
	c.closeWeek()
	c.track.HasLogger = len(c.track.Weeks) > 0
	n, _ := slices.BinarySearchFunc(c.track.Weeks, weekOf(c.settled), func(w WeekRow, week int) int { return w.Week - week })
	if n >= 8 {
		c.track.StartsPerDay = min(1, (float64(c.startDays)+5)/float64(7*n+7))
	}
	if c.settledOffsets >= leastOffsets {
		c.offsets = c.offsets[:c.settledOffsets]
	}
	c.track.NightOffsetC = c.nightOffset(c.offsets)
}

// leastOffsets are the nights by which the air where a unit stands is told.
const leastOffsets = 10

func (c *compressor) nightOffset(offsets []float64) float64 {
	switch {
	case len(offsets) >= leastOffsets && c.unit.Parked != fleet.Outdoors:
		if off := median(slices.Clone(offsets)); off > 4 {
			return min(off, 25)
		}
	case c.indoors:
		return 8 // an unheated hall (from memory)
	}
	return 0
}

// soak is how long an engine must have stood for its start to count as cold.
const soak = 3 * time.Hour

func (c *compressor) crank(row fleet.Crank, d fleet.Date, warm bool) {
	t, w, perBattery := c.track, &c.week, 1/float64(c.track.Series)
	minC, maxC, dayKnown := c.air.at(d)
	if c.inFahrenheit[int(d)/thermometerDays] {
		if f, known := row.TemperatureC.Get(); known {
			row.TemperatureC = fleet.Known((f - 32) / 1.8)
			t.Odd.Fahrenheit++
		}
	}
	air := airC(row.TemperatureC, minC, maxC, dayKnown, c.indoors, &t.Odd)
	if dayKnown && minC < 5 && !math.IsNaN(air) && !warm && len(c.offsets) < 400 {
		c.offsets = append(c.offsets, air-minC)
		if d < c.settled {
			c.settledOffsets = len(c.offsets)
		}
	}
	if math.IsNaN(air) && dayKnown {
		air = minC + 0.15*(maxC-minC) // the hour is not worth more: most first starts are near dawn
	}
	coolant := within(row.CoolantC, 1, func(v float64) bool { return v >= -60 && v <= 130 }, &t.Odd.OutOfGate)
	if coolant-air > 15 {
		warm = true
	}
	rest := within(row.RestV, perBattery, restGate, &t.Odd.OutOfGate)
	if !math.IsNaN(rest) && !warm {
		c.lastRestV, c.lastRestAt = rest, row.At
		if w.restDay != d {
			w.rest, w.restDay = append(w.rest, min(rest, fullRestV+0.15)), d
			if c.stood >= LongStop {
				w.restStop.add(min(rest, fullRestV+0.15))
			}
		}
	}
	if warm || math.IsNaN(air) {
		return
	}
	low := within(row.MinV, perBattery, minGate, &t.Odd.OutOfGate)
	mean := within(row.MeanV, perBattery, meanGate, &t.Odd.OutOfGate)
	seconds := within(row.DurationMs, 1, durationGate, &t.Odd.OutOfGate)
	if c.outcome(row, d, air, rest-low) {
		return
	}
	if math.IsNaN(rest) {
		rest = assumedRestV
		if c.lastRestV > 0 && row.At.Sub(c.lastRestAt) < 14*24*time.Hour {
			rest = c.lastRestV
		}
	}
	if low > mean || mean > rest+0.1 || low > rest+0.1 {
		t.Odd.OutOfGate++
		return
	}
	if shown := (ColdCrank{d, air, mean * float64(t.Series), false}); !math.IsNaN(mean) {
		c.showColdest(shown)
	} else if shown.V, shown.Lowest = low*float64(t.Series), true; !math.IsNaN(low) {
		c.showColdest(shown)
	}
	c.readings(row, air, coolant, rest, low, mean, seconds, dayKnown, (minC+maxC)/2)
}

// showColdest keeps the coldest crank of the last 90 days.
func (c *compressor) showColdest(shown ColdCrank) {
	if shown.Day < c.track.AsOf-90 {
		return
	}
	if t := c.track; t.Coldest.V == 0 || shown.TemperatureC <= t.Coldest.TemperatureC {
		t.Coldest = shown
	}
}

// readings turns one cold crank's figures to 25 °C and full charge by the circuit.
func (c *compressor) readings(row fleet.Crank, air, coolant, rest, low, mean, seconds float64, dayKnown bool, middayC float64) {
	w := &c.week
	battery, oil := air, air
	if dayKnown && !c.indoors {
		battery, oil = air+0.3*(middayC-air), air+0.15*(middayC-air)
	}
	oil += c.track.OilOffsetC
	if !math.IsNaN(coolant) {
		oil = coolant - 2
	}
	logH := math.Log(oilDemand(oil))
	cold := perDegree*(25-battery) + chargeOnOhms*(1-charge(rest))
	before := len(w.sag) + len(w.low) + len(w.current) + len(w.speed) + len(w.seconds)
	w.meanV.add(mean * float64(c.track.Series))
	w.lowV.add(low * float64(c.track.Series))
	if !math.IsNaN(mean) {
		w.sag = append(w.sag, math.Log(max(rest-mean, 0.05)/ratedDropV)-logH-cold)
	}
	if !math.IsNaN(low) {
		w.low = append(w.low, math.Log(max(rest-low, 0.2)/low)-cold)
	}
	if c.track.RatedCCAA > 0 {
		strings := float64(c.track.Positions) / float64(c.track.Series)
		share := within(row.CurrentA, 1/(c.track.RatedCCAA*max(1, strings)), func(v float64) bool { return v > 0.02 && v < 3 }, &c.track.Odd.OutOfGate)
		if !math.IsNaN(share) {
			w.current = append(w.current, math.Log(share)-logH)
		}
	}
	if rpm := within(row.RPM, 1, rpmGate, &c.track.Odd.OutOfGate); !math.IsNaN(rpm) {
		w.speed = append(w.speed, math.Log(rpm))
	}
	if !math.IsNaN(seconds) && row.Outcome != fleet.NoStart {
		w.seconds = append(w.seconds, math.Log(seconds))
	}
	if len(w.sag)+len(w.low)+len(w.current)+len(w.speed)+len(w.seconds) > before {
		w.temps = append(w.temps, air)
	}
}

// outcome notes how a cold start ended and tells whether its figures are those of a failed one, which say little of the circuit.
func (c *compressor) outcome(row fleet.Crank, d fleet.Date, air, sagV float64) (failed bool) {
	t, w := c.track, &c.week
	e := Event{Day: d, Week: weekOf(d), TemperatureC: air, Weight: 1, FromRow: true}
	switch row.Outcome {
	case fleet.NoCrank:
		e.Failed, e.Click = true, sagV < 0.6 // volts near rest
		if i, found := c.causeAround(d); found {
			c.joined[i] = true
			if cause := c.failures[i].Cause; cause != fleet.BatteryPart && cause != fleet.StarterPart && cause != fleet.CablePart {
				e.Weight = 0
			}
		}
		if e.Click && e.Weight > 0 {
			e.Weight = 0.2
		}
		t.Events = append(t.Events, e)
		return true
	case fleet.Slow:
		t.Events = append(t.Events, e)
	case fleet.NoStart:
	default:
		if d != c.lastStart && d < c.settled {
			c.lastStart = d
			c.startDays++
		}
		t.Starts = append(t.Starts, int8(math.Round(min(max(air, -60), 60))))
		if !(w.coldest <= air) {
			w.coldest = air
		}
	}
	return false
}

func (c *compressor) closeWeek() {
	w := &c.week
	if len(w.temps)+len(w.rest) > 0 || len(c.track.Starts) > w.from {
		row := WeekRow{
			Week: w.week, TemperatureC: average(w.temps), Sag: middle(w.sag), Low: middle(w.low), Current: middle(w.current), Speed: middle(w.speed),
			Seconds: middle(w.seconds), Rest: middle(w.rest), RestLowV: lowestOf(w.rest),
			MeanV: w.meanV.Y, LowV: w.lowV.Y, RestStopV: w.restStop.Y, ColdestC: w.coldest, From: w.from, To: len(c.track.Starts),
		}
		c.track.Weeks = append(c.track.Weeks, row)
	}
	*w = weekScratch{
		temps: w.temps[:0], sag: w.sag[:0], low: w.low[:0], current: w.current[:0], speed: w.speed[:0], seconds: w.seconds[:0],
		rest: w.rest[:0],
	}
}

// bookedFailures adds breakdowns of battery, starter or cable that no crank row shows, at the day's lowest temperature.
func (c *compressor) bookedFailures() {
	t := c.track
	for i, f := range c.failures {
		electrical := f.Cause == fleet.BatteryPart || f.Cause == fleet.StarterPart || f.Cause == fleet.CablePart
		minC, _, known := c.air.at(f.Day)
		if c.joined[i] || !electrical || !known {
			continue
		}
		t.Events = append(t.Events, Event{Day: f.Day, Week: weekOf(f.Day), TemperatureC: minC + t.NightOffsetC, Failed: true, Weight: 1})
	}
	slices.SortStableFunc(t.Events, func(a, b Event) int { return int(a.Day - b.Day) })
}

// begin finds the first week that says anything.
func (t *Track) begin(h fleet.History) {
	t.FirstWeek = t.AsOfWeek
	note := func(week int) { t.FirstWeek = min(t.FirstWeek, week) }
	if len(t.Weeks) > 0 {
		note(t.Weeks[0].Week)
	}
	if len(t.Tests) > 0 {
		note(t.Tests[0].Week)
	}
	if len(t.Events) > 0 {
		note(t.Events[0].Week)
	}
	t.LastDay = t.lastDay()
	t.changes(h)
	t.lives(h.Batteries)
}

// lastDay is that of the last reading; 0: there is none.
func (t *Track) lastDay() (last fleet.Date) {
	for i := range t.Weeks {
		last = max(last, min(mondayOf(t.Weeks[i].Week)+6, t.AsOf-1))
	}
	for i := range t.Tests {
		last = max(last, t.Tests[i].Day)
	}
	return last
}

func middle(x []float64) Mean {
	if len(x) == 0 {
		return Mean{}
	}
	return Mean{median(x), len(x)}
}

func lowestOf(x []float64) float64 {
	if len(x) == 0 {
		return 0
	}
	return slices.Min(x)
}

func average(x []float64) float64 {
	if len(x) == 0 {
		return 0
	}
	sum := 0.0
	for _, v := range x {
		sum += v
	}
	return sum / float64(len(x))
}
