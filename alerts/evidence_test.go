package alerts_test

import (
	"fmt"
	"math"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"rimeyard/alerts"
	"rimeyard/internal/fleet"
)

const toldOn fleet.Date = 19997 // Tuesday 2024-10-01

var toldAt = fleet.Depot{ID: "YRD", Timezone: "Europe/Oslo", Latitude: fleet.Known(60.0)}

func toldLow(d fleet.Date) float64 { return 3 - 12*math.Cos(2*math.Pi*float64(d-20)/365.25) }

// regular is a unit that starts well each working day at six for two years and is tested each month, all to the same pattern.
func regular(id fleet.UnitID, volts int) fleet.History {
	k := float64(volts / 12)
	h := fleet.History{Unit: fleet.Unit{ID: id, Depot: toldAt.ID, Class: "van", Fuel: fleet.Petrol, SystemVolts: volts, Batteries: volts / 12}}
	for p := 1; p <= volts/12; p++ {
		h.Batteries = append(h.Batteries, fleet.BatteryFitting{
			Battery: fmt.Sprintf("%s-%d", id, p), Unit: id, Position: p, Part: "P", Chemistry: fleet.Flooded, RatedCCAA: 600, CCAStandard: fleet.EN, FittedOn: fleet.Known(toldOn - 1000),
		})
	}
	for d := toldOn - 730; d < toldOn; d++ {
		at, low := d.Midnight(toldAt.Zone()).Add(6*time.Hour), toldLow(d)
		if wd := d.Weekday(); wd != time.Saturday && wd != time.Sunday {
			mean := 10.6 + 0.02*low + 0.04*float64(d%3-1)
			h.Cranks = append(h.Cranks, fleet.Crank{
				Unit: id, At: at, RestV: fleet.Known(k * (12.62 + 0.01*float64(d%3-1))), MeanV: fleet.Known(k * mean), MinV: fleet.Known(k * (mean - 1.2)),
				TemperatureC: fleet.Known(math.Round(low + 1)), DurationMs: fleet.Known(800 + 40*float64(d%5-2)), CurrentA: fleet.Known(200.0), Outcome: fleet.Started,
			})
		}
		for p := 1; p <= volts/12 && d%30 == 0; p++ {
			h.Tests = append(h.Tests, fleet.Test{Unit: id, Position: p, At: at.Add(4 * time.Hour), RestV: fleet.Known(12.62), CCAA: fleet.Known(564.0), CCAStandard: fleet.EN, Tester: "A", TemperatureC: fleet.Known(low + 4)})
		}
	}
	return h
}

// lately changes the cranks of the last days.
func lately(h *fleet.History, within fleet.Date, change func(*fleet.Crank)) {
	for i := range h.Cranks {
		if dayOf(h.Cranks[i]) >= toldOn-within {
			change(&h.Cranks[i])
		}
	}
}

func dayOf(c fleet.Crank) fleet.Date { return fleet.DateOf(c.At, toldAt.Zone()) }

func scaled(o fleet.Opt[float64], by float64) fleet.Opt[float64] { return fleet.Known(by * o.Or(0)) }

// told is the evidence of one unit among twelve regular ones.
func told(t *testing.T, h fleet.History) fleet.Forecast {
	t.Helper()
	histories := []fleet.History{h}
	for i := range 12 {
		histories = append(histories, regular(fleet.UnitID(fmt.Sprintf("R-%02d", i)), h.Unit.SystemVolts))
	}
	var days []fleet.DayTemp
	for d := toldOn - 1500; d < toldOn; d++ {
		days = append(days, fleet.DayTemp{Depot: toldAt.ID, Date: d, MinC: fleet.Known(toldLow(d)), MaxC: fleet.Known(toldLow(d) + 8)})
	}
	list, err := alerts.Rank(t.Context(), alerts.Input{AsOf: toldOn, Depots: []fleet.Depot{toldAt}, Temps: map[fleet.DepotID][]fleet.DayTemp{toldAt.ID: days}, Histories: each(histories), Workers: 2})
	require.NoError(t, err)
	f := byUnit(list)[h.Unit.ID]
	require.LessOrEqual(t, len(f.Evidence), 6)
	if f.Band != fleet.Sound {
		require.True(t, strings.HasPrefix(f.Evidence[len(f.Evidence)-1], "Cheapest check: "), "%q", f.Evidence)
	}
	return f
}

// figures are the numbers in the one sentence that fits a pattern.
func figures(t *testing.T, f fleet.Forecast, pattern string) (out []float64, sentence string) {
	t.Helper()
	re := regexp.MustCompile(pattern)
	for _, e := range f.Evidence {
		m := re.FindStringSubmatch(e)
		if m == nil {
			continue
		}
		require.Empty(t, sentence, "two sentences fit %s", pattern)
		sentence = e
		for _, s := range m[1:] {
			v, err := strconv.ParseFloat(strings.Replace(s, "−", "-", 1), 64)
			require.NoError(t, err)
			out = append(out, v)
		}
	}
	require.NotEmpty(t, sentence, "nothing fits %s in %q", pattern, f.Evidence)
	return out, sentence
}

// aYearApart compares raw rows week by week: the last ten weeks, each with those of 42 to 62 weeks before whose mean temperature lies within 3 °C.
func aYearApart(h fleet.History, value func(fleet.Crank) float64) (now, was, temperatureC float64) {
	type week struct{ sum, temps, n float64 }
	weeks := map[fleet.Date]week{}
	for _, c := range h.Cranks {
		m := dayOf(c).Monday()
		w := weeks[m]
		weeks[m] = week{w.sum + value(c), w.temps + c.TemperatureC.Or(0), w.n + 1}
	}
	n := 0.0
	for m, w := range weeks {
		if m < toldOn.Monday()-70 {
			continue
		}
		sum, k := 0.0, 0.0
		for back, v := range weeks {
			if off := m - 364 - back; off >= -70 && off <= 70 && math.Abs(w.temps/w.n-v.temps/v.n) <= 3 {
				sum, k = sum+v.sum/v.n, k+1
			}
		}
		if k > 0 {
			now, was, temperatureC, n = now+w.sum/w.n, was+sum/k, temperatureC+w.temps/w.n, n+1
		}
	}
	return now / n, was / n, temperatureC / n
}

func TestCranksAreHeldAgainstLastYearAtTheSameTemperature(t *testing.T) {
	for _, volts := range []int{12, 24} {
		h := regular("U", volts)
		lately(&h, 90, func(c *fleet.Crank) {
			c.MeanV, c.MinV = fleet.Known(c.MeanV.Or(0)-0.9*float64(volts/12)), fleet.Known(c.MinV.Or(0)-0.9*float64(volts/12))
		})
		got := told(t, h)
		said, sentence := figures(t, got, `^cranks ([\d.]+) V lower than in \w+ 2023 at the same (−?\d+) °C \(([\d.]+) V, was ([\d.]+) V\); tests at (\d+) % of rated`)
		now, was, temperatureC := aYearApart(h, func(c fleet.Crank) float64 { return c.MeanV.Or(0) })
		require.InDelta(t, was-now, said[0], 0.1)
		require.InDelta(t, temperatureC, said[1], 0.51)
		require.InDelta(t, now, said[2], 0.051)
		require.InDelta(t, was, said[3], 0.051)
		require.InDelta(t, said[3]-said[2], said[0], 1e-9, "the sentence does not add up: %s", sentence)
		require.InDelta(t, 94, said[4], 0)
		points := got.SuspectProbabilities[fleet.CablePart]+got.SuspectProbabilities[fleet.StarterPart] >= 0.5
		require.Equal(t, points, strings.HasSuffix(sentence, ": look at cables and starter before buying a battery"), "%s %v", sentence, got.SuspectProbabilities)
	}
}

func TestLongerCranksWithVoltsThatHoldPointPastTheBattery(t *testing.T) {
	h := regular("U", 12)
	lately(&h, 90, func(c *fleet.Crank) { c.DurationMs = scaled(c.DurationMs, 2) })
	got := told(t, h)
	said, sentence := figures(t, got, `^turns for ([\d.]+) s before it fires, ([\d.]+) s in \w+ 2023 at the same −?\d+ °C, though its volts hold`)
	now, was, _ := aYearApart(h, func(c fleet.Crank) float64 { return c.DurationMs.Or(0) / 1000 })
	require.InDelta(t, now, said[0], 0.051)
	require.InDelta(t, was, said[1], 0.051)
	points := got.SuspectProbabilities[fleet.CablePart]+got.SuspectProbabilities[fleet.StarterPart] >= 0.5
	require.Equal(t, points, strings.HasSuffix(sentence, ": resistance in cables or starter, not a weak battery"), "%s %v", sentence, got.SuspectProbabilities)
}

func TestMoreCurrentIsSaid(t *testing.T) {
	h := regular("U", 12)
	lately(&h, 90, func(c *fleet.Crank) { c.CurrentA = scaled(c.CurrentA, 1.3) })
	said, _ := figures(t, told(t, h), `^draws (\d+) % more current while cranking than in \w+ 2023`)
	now, was, _ := aYearApart(h, func(c fleet.Crank) float64 { return c.CurrentA.Or(0) })
	require.InDelta(t, 100*(now/was-1), said[0], 3) // the oil's part is taken out, and the years' temperatures differ a little
}

func restOf(h fleet.History, from, to fleet.Date, days ...time.Weekday) []float64 {
	var v []float64
	for _, c := range h.Cranks {
		if d := dayOf(c); d >= from && d < to && (len(days) == 0 || slices.Contains(days, d.Weekday())) {
			v = append(v, c.RestV.Or(0))
		}
	}
	slices.Sort(v)
	return v
}

func TestFallingRestVoltsAreHeldAgainstTheUnitsOwnPast(t *testing.T) {
	for _, volts := range []int{12, 24} {
		h := regular("U", volts)
		lately(&h, 63, func(c *fleet.Crank) { c.RestV = fleet.Known(c.RestV.Or(0) - 0.35*float64(volts/12)) })
		said, _ := figures(t, told(t, h), `^before the first start of a day it rests at ([\d.]+) V, ([\d.]+) V lower than in the months before`)
		now, was := restOf(h, toldOn-57, toldOn), restOf(h, toldOn-364, toldOn-64)
		require.InDelta(t, now[len(now)/2], said[0], 0.011)
		require.InDelta(t, was[len(was)/2]-now[len(now)/2], said[1], 0.021)
	}
}

func TestRestVoltsAfterWeekends(t *testing.T) {
	h := regular("U", 12)
	lately(&h, 250, func(c *fleet.Crank) {
		if dayOf(*c).Weekday() == time.Monday {
			c.RestV = fleet.Known(c.RestV.Or(0) - 0.25)
		}
	})
	said, _ := figures(t, told(t, h), `^after weekends and longer stops it rests at ([\d.]+) V, on other days at ([\d.]+) V`)
	mondays, others := restOf(h, toldOn-180, toldOn, time.Monday), restOf(h, toldOn-180, toldOn, time.Tuesday, time.Wednesday, time.Thursday, time.Friday)
	require.InDelta(t, mondays[len(mondays)/2], said[0], 0.011)
	require.InDelta(t, others[len(others)/2], said[1], 0.011)
}

func TestStartsThatWentWrongAreCounted(t *testing.T) {
	h := regular("U", 12)
	coldest, ended := math.Inf(1), map[int]fleet.Outcome{}
	for i, c := range h.Cranks {
		if d := dayOf(c); d == toldOn-250 || d == toldOn-243 {
			ended[i] = fleet.Slow
		} else if d == toldOn-600 || d == toldOn-222 { // the first is too long ago to count
			ended[i] = fleet.NoCrank
		} else if d >= toldOn-365 {
			coldest = min(coldest, c.TemperatureC.Or(0))
		}
	}
	warmest := math.Inf(-1)
	for i, how := range ended {
		c := &h.Cranks[i]
		c.Outcome = how
		if how == fleet.NoCrank {
			c.MinV, c.MeanV = fleet.Known(5.0), fleet.Opt[float64]{}
		}
		if dayOf(*c) >= toldOn-365 {
			warmest = max(warmest, c.TemperatureC.Or(0))
		}
	}
	require.Len(t, ended, 4)
	said, _ := figures(t, told(t, h), `^in the last 12 months (\d+) slow and (\d+) failed starts, the warmest at (−?\d+) °C; coldest good start (−?\d+) °C$`)
	require.Equal(t, []float64{2, 1, warmest, coldest}, said)
}

func TestClicksAreSaid(t *testing.T) {
	h := regular("U", 12)
	lately(&h, 40, func(c *fleet.Crank) {
		if d := dayOf(*c); d == toldOn-35 || d == toldOn-21 {
			c.Outcome, c.MinV, c.MeanV = fleet.NoCrank, fleet.Known(12.5), fleet.Opt[float64]{}
		}
	})
	said, _ := figures(t, told(t, h), `^(\d+) times in 12 months the starter did not turn though volts stayed up`)
	require.Equal(t, []float64{2}, said)
}

func TestTestsAreHeldAgainstTheRatingAndAYearBefore(t *testing.T) {
	h := regular("U", 12)
	var last, before fleet.Date
	for i := range h.Tests {
		d := fleet.DateOf(h.Tests[i].At, toldAt.Zone())
		if d >= toldOn-90 {
			h.Tests[i].CCAA = fleet.Known(372.0)
		}
		last = d
	}
	for _, x := range h.Tests {
		if d := fleet.DateOf(x.At, toldAt.Zone()); math.Abs(float64(last-364-d)) < math.Abs(float64(last-364-before)) {
			before = d
		}
	}
	y, m, _ := before.YMD()
	_, sentence := figures(t, told(t, h), `^last test `)
	require.True(t, strings.HasPrefix(sentence, fmt.Sprintf("last test 372 A of 600 A rated (62 %%), %d days old; 564 A in %s %d", toldOn-last, m, y)), sentence)
}

// A year in which nothing changed is said to be one, and a sound unit is not sent to the workshop.
func TestNothingIsMadeOfNothing(t *testing.T) {
	got := told(t, regular("U", 12))
	said, _ := figures(t, got, `^cranks as in \w+ 2023 at the same −?\d+ °C: ([\d.]+) V, was ([\d.]+) V`)
	now, was, _ := aYearApart(regular("U", 12), func(c fleet.Crank) float64 { return c.MeanV.Or(0) })
	require.InDelta(t, now, said[0], 0.051)
	require.InDelta(t, was, said[1], 0.051)
	for _, e := range got.Evidence {
		require.NotRegexp(t, "lower|longer|more current|rests at|did not turn|slow|Cheapest", e)
	}
	require.Equal(t, fleet.Sound, got.Band)
}
