package tides

import (
	"cmp"
	"slices"
	"time"

	"rimeyard/internal/fleet"
	"rimeyard/internal/proving"
)

// What goes wrong with the papers, as shares unless it says otherwise.
const (
	swapsForgotten  = 0.06  // of battery swaps
	carelessCauses  = 0.07  // of breakdowns, beside those the workshop got wrong
	nextDoor        = 0.025 // of readings are booked under the number of a like unit of the depot
	blankCells      = 0.08  // of temperatures
	sentAgain       = 0.006 // of cranks, with the time of the second sending
	silences        = 0.9   // a year and logger, of a week to six
	lateParcels     = 0.07  // of loggers: what they had before the season is not in yet
	swappedPlaces   = 0.03  // of tests of a pair: first for second
	slowClocks      = 0.05  // of loggers: for some months
	weakerByTheYear = 0.12  // of what one of the testers shows, from some day on
)

// soil makes the papers as bad as real ones. It has chance of its own and touches neither life nor truth.
func (h *harbour) soil(f *proving.Fleet) {
	for i := range f.Histories {
		b, d := &f.Histories[i], throw(h.Seed, "soil", i)
		forgetSwaps(b, h.from, d)
		for j := range b.Breakdowns {
			if r := &b.Breakdowns[j]; r.Cause != fleet.OtherPart && d.yes(carelessCauses) {
				r.Cause = mistaken(r.Cause, d)
			}
		}
		b.Cranks = h.sent(b.Cranks, d)
		swapPlaces(b, d)
	}
	h.tiredTester(f.Histories)
	h.fahrenheit(f.Histories)
	h.misbook(f.Histories)
	for i := range f.Histories {
		b, d := &f.Histories[i], throw(h.Seed, "blanks", i)
		for j := range b.Cranks {
			if d.yes(blankCells) {
				b.Cranks[j].TemperatureC = fleet.Opt[float64]{}
			}
		}
		for j := range b.Tests {
			if d.yes(blankCells) {
				b.Tests[j].TemperatureC = fleet.Opt[float64]{}
			}
		}
		inOrder(b)
	}
	for i := range f.Depots {
		id, d := f.Depots[i].ID, throw(h.Seed, "lost days", i)
		f.Temps[id] = slices.DeleteFunc(f.Temps[id], func(fleet.DayTemp) bool { return d.yes(blankCells) })
	}
}

// forgetSwaps lets the old battery live on in the books.
func forgetSwaps(b *fleet.History, from fleet.Date, d dice) {
	n := b.Unit.Batteries
	for at := len(b.Batteries) - n; at >= n; at -= n {
		if b.Batteries[at].FittedOn.Or(from) <= from || !d.yes(swapsForgotten) {
			continue
		}
		for k := range n {
			old, fresh := &b.Batteries[at-n+k], &b.Batteries[at+k]
			old.RemovedOn, old.RemovedBecause, old.CoreReturnedOn = fresh.RemovedOn, fresh.RemovedBecause, fresh.CoreReturnedOn
			for j := range b.Tests {
				if b.Tests[j].Battery == fresh.Battery {
					b.Tests[j].Battery = ""
				}
			}
		}
		b.Batteries = slices.Delete(b.Batteries, at, at+n)
	}
}

type span struct{ from, to time.Time }

func (s span) holds(t time.Time) bool { return !t.Before(s.from) && t.Before(s.to) }

func spanOf(from fleet.Date, days int) span {
	return span{from.Midnight(time.UTC), (from + fleet.Date(days)).Midnight(time.UTC)}
}

// sent is what of a logger's rows arrives, and when it says they were.
func (h *harbour) sent(rows []fleet.Crank, d dice) []fleet.Crank {
	days := int(h.season.To - h.from)
	var gaps []span
	for range int(silences*float64(days)/365 + d.Float64()) {
		gaps = append(gaps, spanOf(h.from+fleet.Date(d.IntN(days)), 7+d.IntN(36)))
	}
	if d.yes(lateParcels) {
		late := 5 + d.IntN(25)
		gaps = append(gaps, spanOf(h.AsOf-fleet.Date(late), late))
	}
	var wrong span
	shift := time.Duration(d.within(-9, 9) * float64(time.Hour)).Round(time.Minute)
	if room := int(h.AsOf-h.from) - 180; d.yes(slowClocks) && room > 0 { // and right again well before the season
		wrong = spanOf(h.from+fleet.Date(d.IntN(room)), 30+d.IntN(120))
	}
	out := make([]fleet.Crank, 0, len(rows)+len(rows)/100)
	for _, c := range rows {
		if slices.ContainsFunc(gaps, func(g span) bool { return g.holds(c.At) }) {
			continue
		}
		if wrong.holds(c.At) {
			c.At = c.At.Add(shift)
		}
		out = append(out, c)
		if d.yes(sentAgain) {
			c.At = c.At.Add(time.Duration(2+d.IntN(200)) * time.Second)
			out = append(out, c)
		}
	}
	return out
}

// swapPlaces books the first battery's test under the second and the other way round.
func swapPlaces(b *fleet.History, d dice) {
	for i := 0; i+1 < len(b.Tests); i++ {
		one, two := &b.Tests[i], &b.Tests[i+1]
		if one.Position != 1 || two.Position != 2 || !d.yes(swappedPlaces) {
			continue
		}
		one.Position, two.Position, one.Battery, two.Battery = 2, 1, "", ""
	}
}

// tiredTester lets one instrument show less and less.
func (h *harbour) tiredTester(all []fleet.History) {
	d := throw(h.Seed, "tired tester", 0)
	name := oneOf(d, h.testers[oneOf(d, h.depots).ID]).name
	start := (h.from + fleet.Date(d.IntN(max(1, int(h.AsOf-h.from)/2)))).Midnight(time.UTC)
	for i := range all {
		for j := range all[i].Tests {
			t := &all[i].Tests[j]
			a, known := t.CCAA.Get()
			if !known || t.Tester != name || t.At.Before(start) {
				continue
			}
			less := max(0.65, 1-weakerByTheYear*t.At.Sub(start).Hours()/24/365)
			t.CCAA = fleet.Known(5 * toPer(a*less/5, 1))
			if ohm, has := t.ResistanceMOhm.Get(); has {
				t.ResistanceMOhm = fleet.Known(toPer(ohm/less, 100))
			}
		}
	}
}

// fahrenheit lets the loggers of one depot send degrees Fahrenheit all through one winter.
func (h *harbour) fahrenheit(all []fleet.History) {
	d := throw(h.Seed, "fahrenheit", 0)
	depot := oneOf(d, h.depots).ID
	year, month, first := h.AsOf.YMD()
	winter := spanOf(fleet.NewDate(year-1-d.IntN(h.Years), month, first), 182)
	for i := range all {
		if all[i].Unit.Depot != depot {
			continue
		}
		for j := range all[i].Cranks {
			c := &all[i].Cranks[j]
			if celsius, known := c.TemperatureC.Get(); known && winter.holds(c.At) {
				c.TemperatureC = fleet.Known(toPer(celsius*1.8+32, 2))
			}
		}
	}
}

// misbook puts readings under the number of the next unit of the depot that has as many batteries of as many volts.
func (h *harbour) misbook(all []fleet.History) {
	like := map[string][]int{}
	for i := range all {
		u := &all[i].Unit
		key := string(u.Depot) + string(rune('0'+u.Batteries)) + string(rune('A'+u.SystemVolts))
		like[key] = append(like[key], i)
	}
	cranks, tests := make([][]fleet.Crank, len(all)), make([][]fleet.Test, len(all))
	for _, units := range like {
		for k, i := range units {
			to, d := units[(k+1)%len(units)], throw(h.Seed, "next door", i)
			if to == i {
				continue
			}
			all[i].Cranks = slices.DeleteFunc(all[i].Cranks, func(c fleet.Crank) bool {
				gone := d.yes(nextDoor)
				if c.Unit = all[to].Unit.ID; gone {
					cranks[to] = append(cranks[to], c)
				}
				return gone
			})
			all[i].Tests = slices.DeleteFunc(all[i].Tests, func(t fleet.Test) bool {
				gone := d.yes(nextDoor)
				if t.Unit, t.Battery = all[to].Unit.ID, ""; gone {
					tests[to] = append(tests[to], t)
				}
				return gone
			})
		}
	}
	for i := range all {
		all[i].Cranks, all[i].Tests = append(all[i].Cranks, cranks[i]...), append(all[i].Tests, tests[i]...)
	}
}

// inOrder sorts by time, and keeps one of two cranks of one instant, as the key of a crank asks.
func inOrder(b *fleet.History) {
	slices.SortStableFunc(b.Cranks, func(x, y fleet.Crank) int { return x.At.Compare(y.At) })
	b.Cranks = slices.CompactFunc(b.Cranks, func(x, y fleet.Crank) bool { return x.At.Equal(y.At) })
	slices.SortStableFunc(b.Tests, func(x, y fleet.Test) int { return cmp.Or(x.At.Compare(y.At), cmp.Compare(x.Position, y.Position)) })
	slices.SortStableFunc(b.Breakdowns, func(x, y fleet.Breakdown) int { return x.At.Compare(y.At) })
}
