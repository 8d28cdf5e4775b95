package alerts

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"

	"rimeyard/internal/fleet"
	"rimeyard/trend"
)

// mostSentences is how many people read.
const mostSentences = 6

// line is one sentence of evidence.
type line struct {
	text     string
	strength float64      // 1: worth telling by itself
	points   []fleet.Part // whom it speaks against
	implies  string       // added where those parts are suspected
	agreed   bool         // it was added
}

// evidence says in plain words, with figures, what the judgement rests on: what is most telling first, the cheapest check last.
func (f *judged) evidence(one *file, s trend.State, w depotWinters, out fleet.Forecast) []string {
	p := sharesOf(out)
	end := f.againstWinters(s, w)
	if apart, found := inseparable(p, s, f.asOf); found {
		end = append(end, apart)
	}
	todo := cheapest(p, s).sentence(one.unit.SystemVolts)
	if one.track.LastDay == 0 {
		said := []string{fmt.Sprintf("no readings: judged by its kind only (%s)", kindOf(one.unit))}
		if !one.fitted {
			said = append(said, "no battery on record: fitting date, rating and part are not known")
		}
		return append(append(said, end...), todo)
	}
	said, amiss := mostTelling(f.lines(one, s), out, mostSentences-len(end)-1)
	if len(said) == 0 {
		said = append(said, fmt.Sprintf("last reading %s old", days(f.asOf-one.track.LastDay)))
	}
	said = append(said, end...)
	if out.Band == fleet.Sound && !amiss {
		return said // nothing is to be settled
	}
	return append(said, todo)
}

// lines are all that can be said, in an order that does not depend on the readings.
func (f *judged) lines(one *file, s trend.State) (said []line) {
	said = append(said, f.tests(s)...)
	said = append(said, f.yearOnYear(one, s)...)
	said = append(said, restVolts(one, s)...)
	said = append(said, f.history(one, s)...)
	return append(said, againstClass(one, s)...)
}

// mostTelling puts first what is strong and speaks against the parts that are suspected. amiss: something follows from what is said.
func mostTelling(lines []line, out fleet.Forecast, most int) (said []string, amiss bool) {
	against := func(l line) (share float64) {
		for _, part := range l.points {
			share += out.SuspectProbabilities[part]
		}
		return share
	}
	for i := range lines {
		l := &lines[i]
		share := against(*l)
		l.strength = min(l.strength, 4) * (0.4 + share)
		if l.implies != "" && share >= 0.5 {
			l.text += ": " + l.implies
			l.agreed = true
			l.strength *= 1.5 // lists show the first sentence alone, so it had better say what to do
		}
	}
	slices.SortStableFunc(lines, func(a, b line) int { return cmp.Compare(b.strength, a.strength) })
	for _, l := range lines[:min(most, len(lines))] {
		said = append(said, l.text)
		amiss = amiss || l.agreed
	}
	return said, amiss
}

func kindOf(u fleet.Unit) string {
	return strings.TrimSpace(fmt.Sprintf("%s %s, %d V", u.Class, u.Fuel, u.SystemVolts))
}

// Shares of the rating from which on a test clears a battery, and below which it condemns it: 831 of 850 A is good and 600 poor
// (common practice, no source).
const testsWell, testsPoorly = 0.85, 0.72

// tests quotes the last test and what the same tester showed a year before.
func (f *judged) tests(s trend.State) (said []line) {
	r, before := s.LastTests()
	if r == nil {
		return nil
	}
	share := r.ShownA / r.RatedA
	l := line{
		text:     fmt.Sprintf("last test %.0f A of %.0f A rated (%.0f %%), %s old", r.ShownA, r.RatedA, 100*share, days(f.asOf-r.Day)),
		strength: max(0.3, (1-share)/0.2), points: []fleet.Part{fleet.BatteryPart},
	}
	if before != nil {
		l.text += fmt.Sprintf("; %.0f A in %s", before.ShownA, month(before.Day))
		l.strength += max(0, before.ShownA-r.ShownA) / r.RatedA / 0.15
		if share < testsPoorly {
			l.implies = "the battery is worn"
		}
	}
	said = append(said, l)
	if r.SpreadLn > 0.25 {
		said = append(said, line{
			text:     fmt.Sprintf("its batteries differ: the weaker shows %.0f %% of what the other does", 100*math.Exp(-r.SpreadLn)),
			strength: r.SpreadLn / 0.25, points: []fleet.Part{fleet.BatteryPart},
		})
	}
	return said
}

// yearOnYear holds this year's cranks against last year's at the same temperature.
func (f *judged) yearOnYear(one *file, s trend.State) (said []line) {
	volts, found := s.AgainstLastYear(trend.MeanCrankV)
	what := "cranks"
	if !found {
		volts, found = s.AgainstLastYear(trend.LowestCrankV)
		what = "lowest volts while cranking"
	}
	held := true
	if found {
		l := f.crankVolts(volts, what, float64(one.track.Series), s)
		held = volts.Was-volts.Now < 0.15*float64(one.track.Series)
		said = append(said, l)
	}
	if c, known := s.AgainstLastYear(trend.CrankMs); known && far(c) && c.Now > c.Was {
		l := line{
			text:     fmt.Sprintf("turns for %.1f s before it fires, %.1f s %s", c.Now/1000, c.Was/1000, then(c)),
			strength: math.Log(c.Now/c.Was) / 0.3, points: []fleet.Part{fleet.BatteryPart, fleet.StarterPart, fleet.CablePart},
		}
		if held && found {
			l.text += ", though its volts hold"
			l.points, l.implies = []fleet.Part{fleet.StarterPart, fleet.CablePart}, "resistance in cables or starter, not a weak battery"
		}
		said = append(said, l)
	}
	if c, known := s.AgainstLastYear(trend.CrankRPM); known && far(c) && c.Now < c.Was {
		said = append(said, line{
			text:     fmt.Sprintf("turns at %.0f rpm, %.0f rpm %s", c.Now, c.Was, then(c)),
			strength: math.Log(c.Was/c.Now) / 0.08, points: []fleet.Part{fleet.BatteryPart, fleet.StarterPart, fleet.CablePart},
		})
	}
	if c, known := s.AgainstLastYear(trend.CrankCurrent); known && far(c) && c.Was > 0 {
		l := line{strength: math.Abs(math.Log(c.Now/c.Was)) / 0.12, points: []fleet.Part{fleet.StarterPart}, implies: "starter or a tight engine, not cables"}
		more := "more"
		if c.Now < c.Was {
			more, l.points, l.implies = "less", []fleet.Part{fleet.StarterPart, fleet.CablePart}, "resistance in cables, joints or brushes"
		}
		l.text = fmt.Sprintf("draws %.0f %% %s current while cranking than %s", 100*math.Abs(c.Now/c.Was-1), more, then(c))
		said = append(said, l)
	}
	return said
}

// crankVolts says by how much it cranks lower, and with the last test what follows.
func (f *judged) crankVolts(c trend.Comparison, what string, series float64, s trend.State) line {
	now, was := round(c.Now, 1), round(c.Was, 1) // so that the sentence adds up
	l := line{points: []fleet.Part{fleet.BatteryPart, fleet.StarterPart, fleet.CablePart}}
	lower := was - now
	switch {
	case !far(c) || math.Abs(lower) < 0.15*series:
		l.text, l.strength, l.points = fmt.Sprintf("%s as %s: %.1f V, was %.1f V", what, then(c), now, was), 0.3, nil
		return l
	case lower < 0:
		l.text, l.strength, l.points = fmt.Sprintf("%s %.1f V higher than %s (%.1f V, was %.1f V)", what, -lower, then(c), now, was), 0.4, nil
		return l
	}
	l.text, l.strength = fmt.Sprintf("%s %.1f V lower than %s (%.1f V, was %.1f V)", what, lower, then(c), now, was), lower/(0.3*series)
	test, _ := s.LastTests()
	if test == nil || f.asOf-test.Day > testTellsForDays {
		l.points, l.implies = []fleet.Part{fleet.BatteryPart}, "have the battery tested"
		return l
	}
	share := test.ShownA / test.RatedA
	l.text += fmt.Sprintf("; tests at %.0f %% of rated", 100*share)
	switch {
	case share >= testsWell:
		l.points, l.implies = []fleet.Part{fleet.CablePart, fleet.StarterPart}, "look at cables and starter before buying a battery"
	case share < testsPoorly:
		l.points, l.implies = []fleet.Part{fleet.BatteryPart}, "both speak against the battery"
	}
	return l
}

// far tells whether a change is more than chance: two standard deviations.
func far(c trend.Comparison) bool { return math.Abs(c.Now-c.Was) > 2*c.SD }

// then names the time a comparison looks back at: "in October 2024 at the same 4 °C".
func then(c trend.Comparison) string {
	said := fmt.Sprintf("in %s at the same %s", month(c.Then), degrees(c.TemperatureC))
	if c.Renewed != "" {
		said += fmt.Sprintf(" and before a new %s in %s", c.Renewed, month(c.RenewedOn))
	}
	return said
}

func month(d fleet.Date) string {
	y, m, _ := d.YMD()
	return fmt.Sprintf("%s %d", m, y)
}

// restVolts tells of a battery that is not kept full.
func restVolts(one *file, s trend.State) (said []line) {
	t := &one.track
	series := float64(t.Series)
	charging := []fleet.Part{fleet.ChargingPart}
	if known := s.RestSDV < 0.09; known && s.RestV < trend.ChargeFirstBelowV {
		soc := trend.StateOfCharge(t.Chemistry, s.RestV)
		said = append(said, line{
			text:     fmt.Sprintf("rests at %s: charge first; at %.0f %% charge it freezes at %s", restText(s.RestV*series, t.Series), 100*soc, degrees(trend.FreezingPointC(soc))),
			strength: 2, points: []fleet.Part{fleet.ChargingPart, fleet.BatteryPart},
		})
	} else if known && s.RestV < trend.FineRestV {
		said = append(said, line{
			text:     fmt.Sprintf("rests at %s, under the %s that is fine", restText(s.RestV*series, t.Series), restText(trend.FineRestV*series, t.Series)),
			strength: 0.8, points: charging,
		})
	}
	if now, was, known := s.RestAgainstPast(); known && was-now >= 0.08*series {
		said = append(said, line{
			text:     fmt.Sprintf("before the first start of a day it rests at %.2f V, %.2f V lower than in the months before", now, round(was, 2)-round(now, 2)),
			strength: (was - now) / (0.1 * series), points: charging, implies: "charging or a hidden load",
		})
	}
	if stop, usually, known := s.RestAfterStops(); known && usually-stop >= 0.08*series {
		said = append(said, line{
			text:     fmt.Sprintf("after weekends and longer stops it rests at %.2f V, on other days at %.2f V", stop, usually),
			strength: (usually - stop) / (0.1 * series), points: charging, implies: "a hidden load, or a battery that loses its charge",
		})
	}
	return said
}

// restText gives system volts, and for batteries in series what that is for each.
func restText(v float64, series int) string {
	if series < 2 {
		return fmt.Sprintf("%.2f V", v)
	}
	return fmt.Sprintf("%.2f V (%.2f V per battery)", v, v/float64(series))
}

// history counts what went wrong in the last year and what was renewed.
func (f *judged) history(one *file, s trend.State) (said []line) {
	t := &one.track
	slow, failed, clicks, warmest, last := 0, 0, 0, math.Inf(-1), fleet.Date(0)
	for i := range t.Events {
		e := &t.Events[i]
		switch {
		case e.Day < f.asOf-365:
			continue
		case e.Click:
			clicks++
			continue
		case e.Failed:
			failed++
		default:
			slow++
		}
		warmest, last = max(warmest, e.TemperatureC), e.Day
	}
	if slow+failed > 0 {
		l := line{
			text:     fmt.Sprintf("in the last 12 months %s, the warmest at %s", slowAndFailed(slow, failed), degrees(warmest)),
			strength: 1 + 0.1*float64(slow) + float64(failed), points: []fleet.Part{fleet.BatteryPart, fleet.StarterPart, fleet.CablePart},
		}
		if c, found := t.ColdestGoodStart(f.asOf - 365); found {
			l.text += fmt.Sprintf("; coldest good start %s", degrees(c))
		}
		if part, on, renewed := s.LastRenewal(); renewed && last < on {
			l.text += fmt.Sprintf("; all before a new %s in %s", part, month(on))
			l.strength = 0.6
		}
		said = append(said, l)
	}
	if clicks > 0 {
		said = append(said, line{
			text:     fmt.Sprintf("%s in 12 months the starter did not turn though volts stayed up: look at solenoid, relay, switch and control wires", times(clicks)),
			strength: 1 + float64(clicks), points: []fleet.Part{fleet.ControlPart, fleet.StarterPart},
		})
	}
	if s.SwapsInferred > 0 {
		strength := 1.2
		if s.SwapDay() < f.asOf-365 {
			strength = 0.4
		}
		said = append(said, line{
			text:     fmt.Sprintf("readings jumped to those of a new battery in the week of %s: a swap that is not on record is assumed", s.SwapDay()),
			strength: strength,
		})
	}
	return said
}

// slowAndFailed leaves out what did not happen.
func slowAndFailed(slow, failed int) string {
	var said []string
	if slow > 0 {
		said = append(said, fmt.Sprintf("%d slow", slow))
	}
	if failed > 0 {
		said = append(said, fmt.Sprintf("%d failed", failed))
	}
	starts := "starts"
	if slow+failed == 1 {
		starts = "start"
	}
	return strings.Join(said, " and ") + " " + starts
}

func times(n int) string {
	if n == 1 {
		return "once"
	}
	return fmt.Sprintf("%d times", n)
}

// againstClass quotes the coldest recent crank beside what the middle unit of the class would read.
func againstClass(one *file, s trend.State) (said []line) {
	t := &one.track
	if c := t.Coldest; c.V > 0 {
		off := c.V - s.TypicalCrankV(c.TemperatureC, c.Lowest)
		what := "cranks"
		if c.Lowest {
			what = "lowest volts of cranks"
		}
		side := "as units of its class do"
		if math.Abs(off) >= 0.15*float64(t.Series) {
			side = fmt.Sprintf("%.1f V below units of its class", -off)
			if off > 0 {
				side = fmt.Sprintf("%.1f V above units of its class", off)
			}
		}
		said = append(said, line{
			text:     fmt.Sprintf("%s at %s read %.1f V, %s", what, degrees(c.TemperatureC), c.V, side),
			strength: max(0.35, -off/(0.4*float64(t.Series))), points: []fleet.Part{fleet.BatteryPart, fleet.StarterPart, fleet.CablePart},
		})
	}
	if s.Delay > 0.3 && s.Delay > 2*s.DelaySD {
		said = append(said, line{
			text:     fmt.Sprintf("takes about %.0f %% longer to start than units of its class", 100*math.Expm1(s.Delay)),
			strength: s.Delay / 0.4, points: []fleet.Part{fleet.StarterPart, fleet.CablePart},
		})
	}
	return said
}

// againstWinters holds the cold limit against the depot's dawns.
func (f *judged) againstWinters(s trend.State, w depotWinters) []string {
	if w.spreadC >= 4 {
		return []string{fmt.Sprintf("cold limit %s; no temperatures of any depot: held against a rough climate for its latitude", degrees(s.ColdLimitC))}
	}
	colder, counted := 0, 0
	for _, past := range w.winters {
		if past.Shifted == 0 {
			counted++
			if past.MinC < s.ColdLimitC {
				colder++
			}
		}
	}
	if counted == 0 {
		return []string{fmt.Sprintf("cold limit %s; no whole winter of its depot is on record", degrees(s.ColdLimitC))}
	}
	return []string{fmt.Sprintf("cold limit %s: %d of the last %d winters at its depot went below", degrees(s.ColdLimitC), colder, counted)}
}

// degrees rounds to whole degrees, with the minus sign that pages and letters use.
func degrees(c float64) string {
	return strings.Replace(fmt.Sprintf("%.0f °C", math.Round(c)+0), "-", "−", 1) // + 0 turns −0 into 0
}

func days(n fleet.Date) string {
	if n == 1 {
		return "1 day"
	}
	return fmt.Sprintf("%d days", n)
}
