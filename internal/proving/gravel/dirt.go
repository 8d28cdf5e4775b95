package gravel

import (
	"cmp"
	"math/rand/v2"
	"slices"
	"time"

	"rimeyard/internal/fleet"
	"rimeyard/internal/proving"
)

// What goes wrong with the records, as shares unless it says otherwise.
const (
	unwritten     = 0.06  // of battery swaps
	misnamed      = 0.06  // of breakdowns, beside those that the workshop misread
	wrongNumber   = 0.015 // of readings: booked under a neighbour
	numberStuck   = 0.01  // of units: one month's cranks came in under a neighbour's number
	noThermometer = 0.08  // of temperatures with a reading
	noWeather     = 0.05  // of a depot's days
	parcelTwice   = 0.01  // of cranks
	lateParcels   = 0.08  // of loggers: their last weeks before the season are not in yet
	holesAYear    = 0.6   // per logger
	slipped       = 0.15  // of loggers: the clock was an hour or more off for a season
	longHole      = 45    // days at most
	clockRightFor = 12    // days before the season, so that no later row seems to lie before it
)

// soil makes the records as poor as real ones, and touches neither lives nor truth.
func (y *yard) soil(f *proving.Fleet) {
	for i := range f.Histories {
		h, r := &f.Histories[i], stream(y.Seed, "dirt", i)
		y.loseSwaps(h, r)
		for j := range h.Breakdowns {
			if b := &h.Breakdowns[j]; chance(r, misnamed) && b.Cause != fleet.OtherPart {
				b.Cause = mistakenFor(b.Cause, r.Float64())
			}
		}
		y.roughenLogger(h, r)
	}
	y.fahrenheit(f)
	y.ageTester(f)
	y.swapNumbers(f)
	for i := range f.Histories {
		inOrder(&f.Histories[i])
	}
	for i, d := range f.Depots {
		r := stream(y.Seed, "weather lost", i)
		f.Temps[d.ID] = slices.DeleteFunc(f.Temps[d.ID], func(fleet.DayTemp) bool { return chance(r, noWeather) })
	}
}

// loseSwaps leaves swaps of batteries unwritten: the old ones seem to live on.
func (y *yard) loseSwaps(h *fleet.History, r *rand.Rand) {
	n := h.Unit.Batteries
	for at := len(h.Batteries) - n; at >= n; at -= n {
		if h.Batteries[at].FittedOn.Or(y.from) <= y.from || !chance(r, unwritten) {
			continue
		}
		for k := range n {
			old, gone := &h.Batteries[at-n+k], h.Batteries[at+k]
			old.RemovedOn, old.RemovedBecause, old.CoreReturnedOn = gone.RemovedOn, gone.RemovedBecause, gone.CoreReturnedOn
			for j := range h.Tests {
				if h.Tests[j].Battery == gone.Battery {
					h.Tests[j].Battery = old.Battery
				}
			}
		}
		h.Batteries = slices.Delete(h.Batteries, at, at+n)
	}
}

// span is a stretch of time, its end not included.
type span struct{ from, to time.Time }

func (s span) holds(t time.Time) bool { return !t.Before(s.from) && t.Before(s.to) }

func (y *yard) spanFrom(first fleet.Date, days int) span {
	return span{first.Midnight(time.UTC), (first + fleet.Date(days)).Midnight(time.UTC)}
}

// roughenLogger tears holes, holds back the last weeks, lets the clock slip, sends rows twice and loses temperatures.
func (y *yard) roughenLogger(h *fleet.History, r *rand.Rand) {
	recorded := int(y.AsOf - y.from)
	var holes []span
	for range y.Years {
		if chance(r, holesAYear) {
			holes = append(holes, y.spanFrom(y.from+fleet.Date(r.IntN(recorded)), 4+r.IntN(longHole)))
		}
	}
	if chance(r, lateParcels) {
		late := 3 + r.IntN(25)
		holes = append(holes, y.spanFrom(y.AsOf-fleet.Date(late), late))
	}
	var slip span
	by := time.Duration(1+r.IntN(9)) * time.Hour
	if chance(r, slipped) {
		days := min(60+r.IntN(120), recorded-clockRightFor)
		slip = y.spanFrom(y.from+fleet.Date(r.IntN(max(1, recorded-clockRightFor-days))), days)
	}
	out := make([]fleet.Crank, 0, len(h.Cranks)+len(h.Cranks)/50)
	for _, c := range h.Cranks {
		if slices.ContainsFunc(holes, func(s span) bool { return s.holds(c.At) }) {
			continue
		}
		if slip.holds(c.At) {
			c.At = c.At.Add(by)
		}
		if chance(r, noThermometer) {
			c.TemperatureC = fleet.Opt[float64]{}
		}
		out = append(out, c)
		if chance(r, parcelTwice) {
			c.At = c.At.Add(time.Duration(20+r.IntN(100)) * time.Second)
			out = append(out, c)
		}
	}
	h.Cranks = out
}

// fahrenheit lets the loggers of one depot give Fahrenheit for Celsius through one recorded winter.
func (y *yard) fahrenheit(f *proving.Fleet) {
	r := stream(y.Seed, "fahrenheit", 0)
	depot := f.Depots[r.IntN(len(f.Depots))].ID
	year, month, day := y.AsOf.YMD()
	winter := y.spanFrom(fleet.NewDate(year-1-r.IntN(y.Years), month, day), 182)
	for i := range f.Histories {
		if f.Histories[i].Unit.Depot != depot {
			continue
		}
		for j := range f.Histories[i].Cranks {
			c := &f.Histories[i].Cranks[j]
			if t, known := c.TemperatureC.Get(); known && winter.holds(c.At) {
				c.TemperatureC = fleet.Known(rounded(32+1.8*t, 0.5))
			}
		}
	}
}

// ageTester lets one tester read less and less.
func (y *yard) ageTester(f *proving.Fleet) {
	r := stream(y.Seed, "tester", 0)
	of := y.testers[r.IntN(len(y.testers))]
	name := of[len(of)-1].name
	since := (y.from + fleet.Date(r.IntN(max(1, int(y.AsOf-y.from)/2)))).Midnight(time.UTC)
	for i := range f.Histories {
		for j := range f.Histories[i].Tests {
			t := &f.Histories[i].Tests[j]
			shown, known := t.CCAA.Get()
			if !known || t.Tester != name || t.At.Before(since) {
				continue
			}
			years := t.At.Sub(since).Hours() / 8766
			t.CCAA = fleet.Known(rounded(shown*max(0.7, 1-0.1*years), 5))
		}
	}
}

// swapNumbers books readings under the number of the next unit of the same depot, volts and batteries: some one by one, and now and
// then a month of a logger's.
func (y *yard) swapNumbers(f *proving.Fleet) {
	next := neighbours(f.Histories)
	cranks, tests := make([][]fleet.Crank, len(next)), make([][]fleet.Test, len(next))
	for i, to := range next {
		h, r := &f.Histories[i], stream(y.Seed, "wrong number", i)
		if to == i {
			continue
		}
		var stuck span
		if chance(r, numberStuck) {
			stuck = y.spanFrom(y.from+fleet.Date(r.IntN(max(1, int(y.AsOf-y.from)-30))), 30)
		}
		h.Cranks = slices.DeleteFunc(h.Cranks, func(c fleet.Crank) bool {
			wrong := chance(r, wrongNumber) || stuck.holds(c.At)
			if wrong {
				c.Unit = f.Histories[to].Unit.ID
				cranks[to] = append(cranks[to], c)
			}
			return wrong
		})
		h.Tests = slices.DeleteFunc(h.Tests, func(t fleet.Test) bool {
			wrong := chance(r, wrongNumber)
			if wrong {
				t.Unit, t.Battery = f.Histories[to].Unit.ID, ""
				tests[to] = append(tests[to], t)
			}
			return wrong
		})
	}
	for i := range next {
		h := &f.Histories[i]
		h.Cranks, h.Tests = append(h.Cranks, cranks[i]...), append(h.Tests, tests[i]...)
	}
}

// neighbours is for each unit the next like it, round and round.
func neighbours(hs []fleet.History) []int {
	type like struct {
		depot            fleet.DepotID
		volts, batteries int
	}
	rings := map[like][]int{}
	for i := range hs {
		u := &hs[i].Unit
		k := like{u.Depot, u.SystemVolts, u.Batteries}
		rings[k] = append(rings[k], i)
	}
	next := make([]int, len(hs))
	for _, ring := range rings {
		for k, i := range ring {
			next[i] = ring[(k+1)%len(ring)]
		}
	}
	return next
}

// inOrder sorts by time, and keeps the first of two rows of one key.
func inOrder(h *fleet.History) {
	slices.SortStableFunc(h.Cranks, func(a, b fleet.Crank) int { return a.At.Compare(b.At) })
	h.Cranks = slices.CompactFunc(h.Cranks, func(a, b fleet.Crank) bool { return a.At.Equal(b.At) })
	slices.SortStableFunc(h.Tests, func(a, b fleet.Test) int {
		return cmp.Or(a.At.Compare(b.At), cmp.Compare(a.Position, b.Position))
	})
	h.Tests = slices.CompactFunc(h.Tests, func(a, b fleet.Test) bool { return a.At.Equal(b.At) && a.Position == b.Position })
	slices.SortStableFunc(h.Breakdowns, func(a, b fleet.Breakdown) int { return a.At.Compare(b.At) })
}
