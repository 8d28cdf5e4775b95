package trend

import (
	"math"
	"slices"
	"time"

	"rimeyard/internal/fleet"
)

// LongStop is a weekend or more: what the rest volts lose over it beyond a night's loss was drawn while parked.
const LongStop = 60 * time.Hour

// Reading is a kind of figure read off cold cranks, in the units people know.
type Reading int

// The readings that can be compared with those of a year ago.
const (
	MeanCrankV   Reading = iota // system volts, mean while cranking
	LowestCrankV                // system volts
	CrankMs                     // how long it cranked
	CrankRPM                    // engine speed
	CrankCurrent                // times an unstated constant of the unit: only ratios mean something
)

// Comparison holds this year's weeks against those of a year ago at the same temperature.
type Comparison struct {
	Now, Was     float64    // in the unit of the reading
	SD           float64    // of Now − Was, from how the weeks scatter
	TemperatureC float64    // mean of the weeks of now
	Then         fleet.Date // in the middle of the weeks of then
	Weeks        int        // of now
	Renewed      fleet.Part // battery or starter renewed between the two; empty: none
	RenewedOn    fleet.Date // the Monday of its week
}

const (
	recentWeeks = 10
	sameC       = 3.0 // as far as two weeks' temperatures may lie apart to be called the same
	yearWeeks   = 52
	aroundWeeks = 10 // a year ago, give or take
)

// AgainstLastYear compares the weeks of the last ten with those of a year earlier whose mean temperature lies within 3 °C: each week of now
// with the mean of its matches, then the mean over the weeks of now. False where no week has a match.
func (s State) AgainstLastYear(what Reading) (c Comparison, found bool) {
	t := s.model.t
	renewal, renewed := t.lastRenewal(s)
	from := t.AsOfWeek - recentWeeks
	if renewed {
		from = max(from, renewal.Week+1)
	}
	var now, was, off []float64
	matched := map[int]bool{}
	for i := range t.Weeks {
		w := &t.Weeks[i]
		y, known := w.read(what)
		if w.Week < from || !known {
			continue
		}
		sum, n := 0.0, 0.0
		for j := range t.Weeks {
			past := &t.Weeks[j]
			if v, seen := past.read(what); seen && abs(w.Week-yearWeeks-past.Week) <= aroundWeeks && math.Abs(w.TemperatureC-past.TemperatureC) <= sameC {
				sum, n = sum+v, n+1
				matched[past.Week] = true
			}
		}
		if n > 0 {
			now, was, off = append(now, y), append(was, sum/n), append(off, y-sum/n)
			c.TemperatureC += w.TemperatureC
		}
	}
	if len(now) == 0 {
		return c, false
	}
	c.Now, c.Was, c.Weeks = average(now), average(was), len(now)
	c.TemperatureC /= float64(c.Weeks)
	c.SD = weekSD(off, scatter(what, c.Was, t.Series)) * math.Sqrt(1/float64(len(now))+1/float64(len(matched)))
	weeks := 0
	for w := range matched {
		weeks += w
	}
	c.Then = mondayOf(weeks/len(matched)) + 3
	if renewed && mondayOf(renewal.Week) > c.Then {
		c.Renewed, c.RenewedOn = renewal.Part, mondayOf(renewal.Week)
	}
	return c, true
}

// LastRenewal is the battery or starter that was renewed last since the first reading, and the Monday of its week.
func (s State) LastRenewal() (part fleet.Part, on fleet.Date, found bool) {
	c, found := s.model.t.lastRenewal(s)
	return c.Part, mondayOf(c.Week), found
}

// lastRenewal is the last battery or starter that was renewed, on record or inferred.
func (t *Track) lastRenewal(s State) (last Change, found bool) {
	if s.SwapsInferred > 0 {
		last, found = Change{Week: s.SwapWeek, Part: fleet.BatteryPart, Share: 1}, true
	}
	for _, c := range t.Changes {
		if c.Share > 0.4 && c.Week <= t.AsOfWeek && (!found || c.Week >= last.Week) {
			last, found = c, true
		}
	}
	return last, found
}

func (w *WeekRow) read(what Reading) (y float64, known bool) {
	switch what {
	case MeanCrankV:
		return w.MeanV, w.MeanV > 0
	case LowestCrankV:
		return w.LowV, w.LowV > 0
	case CrankMs:
		return math.Exp(w.Seconds.Y), w.Seconds.N > 0
	case CrankRPM:
		return math.Exp(w.Speed.Y), w.Speed.N > 0
	default:
		return math.Exp(w.Current.Y), w.Current.N > 0
	}
}

// scatter is how far weeks differ at least, whatever few of them show.
func scatter(what Reading, y float64, series int) float64 {
	switch what {
	case MeanCrankV, LowestCrankV:
		return 0.1 * float64(series)
	case CrankMs:
		return spread[kSeconds] * y
	case CrankRPM:
		return spread[kSpeed] * y
	default:
		return spread[kCurrent] * y
	}
}

// weekSD is the standard deviation of y, at least floor.
func weekSD(y []float64, floor float64) float64 {
	mean, sum := average(y), 0.0
	for _, v := range y {
		sum += (v - mean) * (v - mean)
	}
	if len(y) < 2 {
		return floor
	}
	return max(floor, math.Sqrt(sum/float64(len(y)-1)))
}

// RestAgainstPast is the unit's rest volts before the first crank of a day, of the system: the median of its weeks of the last two months
// against that of the ten months before, since the last battery. False with fewer than two and six weeks.
func (s State) RestAgainstPast() (nowV, wasV float64, found bool) {
	t := s.model.t
	since := t.AsOfWeek - yearWeeks
	if c, renewed := t.lastRenewal(s); renewed && c.Part == fleet.BatteryPart {
		since = max(since, c.Week+1)
	}
	var now, was []float64
	for i := range t.Weeks {
		switch w := &t.Weeks[i]; {
		case w.Rest.N == 0 || w.Week < since:
		case w.Week >= t.AsOfWeek-8:
			now = append(now, w.Rest.Y)
		default:
			was = append(was, w.Rest.Y)
		}
	}
	if len(now) < 2 || len(was) < 6 {
		return 0, 0, false
	}
	return median(now) * float64(t.Series), median(was) * float64(t.Series), true
}

// RestAfterStops is the unit's mean rest volts after stops of LongStop or more, in the weeks of the last half-year that had one, and in the same
// weeks the mean of the middle day, both of the system. False with fewer than three such weeks.
func (s State) RestAfterStops() (stopV, usualV float64, found bool) {
	t := s.model.t
	var stop, usually []float64
	for i := range t.Weeks {
		if w := &t.Weeks[i]; w.Week >= t.AsOfWeek-26 && w.RestStopV > 0 && w.Rest.N >= 3 {
			stop, usually = append(stop, w.RestStopV), append(usually, w.Rest.Y)
		}
	}
	if len(stop) < 3 {
		return 0, 0, false
	}
	return average(stop) * float64(t.Series), average(usually) * float64(t.Series), true
}

// ColdestGoodStart is the coldest cold start that went well from a day on, in °C.
func (t *Track) ColdestGoodStart(from fleet.Date) (c float64, found bool) {
	c = math.Inf(1)
	for i := range t.Weeks {
		if w := &t.Weeks[i]; mondayOf(w.Week) >= from && !math.IsNaN(w.ColdestC) {
			c = min(c, w.ColdestC)
		}
	}
	return c, !math.IsInf(c, 1)
}

// LastTests are the last test with a rating and, of the same tester and standards on the same rating, the one nearest to a year before it,
// ten weeks more or less. A nil says there is none.
func (s State) LastTests() (last, yearBefore *TestRow) {
	t := s.model.t
	for i := len(t.Tests) - 1; i >= 0; i-- {
		r := &t.Tests[i]
		if r.CCA.N == 0 || r.RatedA <= 0 {
			continue
		}
		if last == nil {
			last = r
			continue
		}
		renewal, renewed := t.lastRenewal(s)
		sameBattery := !renewed || renewal.Part != fleet.BatteryPart || r.Week > renewal.Week
		if sameBattery && r.Device == last.Device && r.RatedA == last.RatedA && abs(last.Week-yearWeeks-r.Week) <= aroundWeeks &&
			(yearBefore == nil || abs(last.Week-yearWeeks-r.Week) < abs(last.Week-yearWeeks-yearBefore.Week)) {
			yearBefore = r
		}
	}
	return last, yearBefore
}

// Reads tells whether the last eight weeks hold rows of a reading.
func (s State) Reads(what Reading) bool {
	t := s.model.t
	return slices.ContainsFunc(t.Weeks, func(w WeekRow) bool {
		_, known := w.read(what)
		return known && w.Week >= t.AsOfWeek-8
	})
}

// SwapDay is the Monday of the week in which the last swap was inferred.
func (s State) SwapDay() fleet.Date { return mondayOf(s.SwapWeek) }

func abs(n int) int { return max(n, -n) }
