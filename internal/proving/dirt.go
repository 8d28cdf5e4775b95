package proving

import (
	"cmp"
	"math/rand/v2"
	"slices"
	"time"

	"rimeyard/internal/fleet"
)

// What goes wrong with records, each as a share unless it says otherwise.
const (
	swapsUnbooked   = 0.05   // of battery swaps: the old battery stays in the books
	causesMisread   = 0.0556 // of breakdowns, beside those that the workshop itself got wrong: 15 % in all
	underNeighbour  = 0.02   // of readings
	noTemperature   = 0.1    // of temperatures
	sentTwice       = 0.005  // of cranks: the second bears the second sending's time
	gapsPerYear     = 0.7    // of one week to five, per logger
	lateLoggers     = 0.06   // of loggers: the last days before the season are not in yet
	wrongClocks     = 0.04   // of loggers: for some months
	driftOfAYear    = 0.14   // of the one tester that drifts
	neverWithinDays = 10     // no clock is wrong so near the season, lest the future show through
)

// spoil makes the records as bad as real ones. It has streams of its own and touches neither life nor truth.
func (y *yard) spoil(f *Fleet) {
	for i := range f.Histories {
		h, r := &f.Histories[i], stream(y.Seed, "dirt", i)
		forgetSwaps(h, y.from, r)
		misreadCauses(h.Breakdowns, r)
		y.spoilLogger(h, r)
	}
	y.drift(f.Histories)
	y.fahrenheit(f.Histories)
	y.misfile(f.Histories)
	for i := range f.Histories {
		loseTemperatures(&f.Histories[i], stream(y.Seed, "lost temperatures", i))
		inOrder(&f.Histories[i])
	}
	for i, d := range f.Depots {
		r := stream(y.Seed, "lost days", i)
		f.Temps[d.ID] = slices.DeleteFunc(f.Temps[d.ID], func(fleet.DayTemp) bool { return hit(r, noTemperature) })
	}
}

// forgetSwaps leaves some new batteries out of the books, so that the old ones seem to live on.
func forgetSwaps(h *fleet.History, from fleet.Date, r *rand.Rand) {
	n := h.Unit.Batteries
	for at := len(h.Batteries) - n; at >= n; at -= n {
		if h.Batteries[at].FittedOn.Or(from) <= from || !hit(r, swapsUnbooked) {
			continue
		}
		for k := range n {
			old, fresh := &h.Batteries[at-n+k], h.Batteries[at+k]
			old.RemovedOn, old.RemovedBecause, old.CoreReturnedOn = fresh.RemovedOn, fresh.RemovedBecause, fresh.CoreReturnedOn
			for j := range h.Tests {
				if h.Tests[j].Battery == fresh.Battery {
					h.Tests[j].Battery = ""
				}
			}
		}
		h.Batteries = slices.Delete(h.Batteries, at, at+n)
	}
}

func misreadCauses(rows []fleet.Breakdown, r *rand.Rand) {
	for i := range rows {
		if hit(r, causesMisread) && rows[i].Cause != fleet.OtherPart {
			rows[i].Cause = mistaken(rows[i].Cause, r.Float64())
		}
	}
}

// spoilLogger cuts gaps, holds back the last days, sets the clock wrong for a while, and sends some rows twice.
func (y *yard) spoilLogger(h *fleet.History, r *rand.Rand) {
	days := int(y.season.To - y.from)
	gaps := make([][2]time.Time, 0, 8)
	cut := func(from, to fleet.Date) {
		gaps = append(gaps, [2]time.Time{from.Midnight(time.UTC), to.Midnight(time.UTC)})
	}
	for range int(gapsPerYear*float64(days)/365 + 2*r.Float64()) {
		from := y.from + fleet.Date(r.IntN(days))
		cut(from, from+fleet.Date(7+r.IntN(29)))
	}
	if hit(r, lateLoggers) {
		cut(y.AsOf-fleet.Date(4+r.IntN(30)), y.AsOf)
	}
	var wrong [2]time.Time
	shift := time.Duration(between(r, -11, 11) * float64(time.Hour))
	if latest := int(y.AsOf-y.from) - neverWithinDays - 200; hit(r, wrongClocks) && latest > 0 {
		from := y.from + fleet.Date(r.IntN(latest))
		wrong = [2]time.Time{from.Midnight(time.UTC), (from + fleet.Date(40+r.IntN(160))).Midnight(time.UTC)}
	}
	within := func(t time.Time, w [2]time.Time) bool { return !t.Before(w[0]) && t.Before(w[1]) }
	out := make([]fleet.Crank, 0, len(h.Cranks)+len(h.Cranks)/100)
	for _, c := range h.Cranks {
		if slices.ContainsFunc(gaps, func(g [2]time.Time) bool { return within(c.At, g) }) {
			continue
		}
		if within(c.At, wrong) {
			c.At = c.At.Add(shift.Round(time.Minute))
		}
		out = append(out, c)
		if hit(r, sentTwice) {
			c.At = c.At.Add(time.Duration(1+r.IntN(90)) * time.Second)
			out = append(out, c)
		}
	}
	h.Cranks = out
}

// drift lets one conductance tester show less and less from some day on.
func (y *yard) drift(hs []fleet.History) {
	r := stream(y.Seed, "drift", 0)
	name := pick(r, y.testers)[0].name
	from := y.from + fleet.Date(r.IntN(max(1, int(y.AsOf-y.from)*2/3)))
	start := from.Midnight(time.UTC)
	for i := range hs {
		for j := range hs[i].Tests {
			t := &hs[i].Tests[j]
			if t.Tester != name || t.At.Before(start) {
				continue
			}
			factor := max(0.6, 1-driftOfAYear*t.At.Sub(start).Hours()/24/365)
			if a, known := t.CCAA.Get(); known {
				t.CCAA = fleet.Known(roundTo(a*factor, 5))
			}
			if mOhm, known := t.ResistanceMOhm.Get(); known {
				t.ResistanceMOhm = fleet.Known(roundTo(mOhm/factor, 0.05))
			}
		}
	}
}

// fahrenheit lets one depot's loggers give degrees Fahrenheit as Celsius for one of the recorded winters.
func (y *yard) fahrenheit(hs []fleet.History) {
	r := stream(y.Seed, "fahrenheit", 0)
	depot := pick(r, y.places).depot.ID
	year, month, day := y.AsOf.YMD()
	from := fleet.NewDate(year-1-r.IntN(y.Years), month, day)
	start, end := from.Midnight(time.UTC), from.AddMonths(6).Midnight(time.UTC)
	for i := range hs {
		if hs[i].Unit.Depot != depot {
			continue
		}
		for j := range hs[i].Cranks {
			c := &hs[i].Cranks[j]
			if t, known := c.TemperatureC.Get(); known && !c.At.Before(start) && c.At.Before(end) {
				c.TemperatureC = fleet.Known(roundTo(t*1.8+32, 0.5))
			}
		}
	}
}

// misfile books readings under the number of the depot's next unit of the same voltage and number of batteries.
func (y *yard) misfile(hs []fleet.History) {
	type like struct {
		depot            fleet.DepotID
		volts, batteries int
	}
	of := func(i int) like { u := &hs[i].Unit; return like{u.Depot, u.SystemVolts, u.Batteries} }
	last, first := map[like]int{}, map[like]int{}
	next := make([]int, len(hs))
	for i := range hs {
		k := of(i)
		if j, there := last[k]; there {
			next[j] = i
		} else {
			first[k] = i
		}
		last[k], next[i] = i, first[k]
	}
	cranks, tests := make([][]fleet.Crank, len(hs)), make([][]fleet.Test, len(hs))
	for i := range hs {
		h, to, r := &hs[i], next[i], stream(y.Seed, "misfiled", i)
		if to == i {
			continue
		}
		h.Cranks = slices.DeleteFunc(h.Cranks, func(c fleet.Crank) bool {
			if !hit(r, underNeighbour) {
				return false
			}
			c.Unit = hs[to].Unit.ID
			cranks[to] = append(cranks[to], c)
			return true
		})
		h.Tests = slices.DeleteFunc(h.Tests, func(t fleet.Test) bool {
			if !hit(r, underNeighbour) {
				return false
			}
			t.Unit, t.Battery = hs[to].Unit.ID, ""
			tests[to] = append(tests[to], t)
			return true
		})
	}
	for i := range hs {
		hs[i].Cranks = append(hs[i].Cranks, cranks[i]...)
		hs[i].Tests = append(hs[i].Tests, tests[i]...)
	}
}

func loseTemperatures(h *fleet.History, r *rand.Rand) {
	for i := range h.Cranks {
		if hit(r, noTemperature) {
			h.Cranks[i].TemperatureC = fleet.Opt[float64]{}
		}
	}
	for i := range h.Tests {
		if hit(r, noTemperature) {
			h.Tests[i].TemperatureC = fleet.Opt[float64]{}
		}
	}
}

// inOrder sorts by time, and keeps the first of two cranks of one instant, as the key of a crank asks.
func inOrder(h *fleet.History) {
	slices.SortStableFunc(h.Cranks, func(a, b fleet.Crank) int { return a.At.Compare(b.At) })
	h.Cranks = slices.CompactFunc(h.Cranks, func(a, b fleet.Crank) bool { return a.At.Equal(b.At) })
	slices.SortStableFunc(h.Tests, func(a, b fleet.Test) int {
		return cmp.Or(a.At.Compare(b.At), cmp.Compare(a.Position, b.Position))
	})
	slices.SortStableFunc(h.Breakdowns, func(a, b fleet.Breakdown) int { return a.At.Compare(b.At) })
}
