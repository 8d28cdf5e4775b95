package alerts

import (
	"fmt"
	"math"
	"strings"

	"rimeyard/internal/fleet"
	"rimeyard/trend"
)

// evidence says in plain words, with figures, what the judgement rests on: what weighs most first.
func (f *judged) evidence(one *file, s trend.State, w depotWinters, out fleet.Forecast) []string {
	t := &one.track
	if t.LastDay == 0 {
		said := []string{fmt.Sprintf("no readings: judged by its kind only (%s)", kindOf(one.unit))}
		if !one.fitted {
			said = append(said, "no battery on record: fitting date, rating and part are not known")
		}
		return append(said, f.againstWinters(s, w)...)
	}
	said := f.readings(one, s)
	if n := len(said); n == 0 {
		said = append(said, fmt.Sprintf("last reading %s old", days(f.asOf-t.LastDay)))
	}
	said = append(said, f.history(one, s)...)
	said = append(said, f.againstWinters(s, w)...)
	return append(said, partsEvidence(s, out)...)
}

func kindOf(u fleet.Unit) string {
	return strings.TrimSpace(fmt.Sprintf("%s %s, %d V", u.Class, u.Fuel, u.SystemVolts))
}

// readings quotes the rest volts, the last test and the coldest recent crank.
func (f *judged) readings(one *file, s trend.State) (said []string) {
	t := &one.track
	for i := len(t.Tests) - 1; i >= 0; i-- {
		if r := &t.Tests[i]; r.CCA.N > 0 && r.RatedA > 0 {
			said = append(said, fmt.Sprintf("last test %.0f A of %.0f A rated (%.0f %%), %s old", r.ShownA, r.RatedA, 100*r.ShownA/r.RatedA, days(f.asOf-r.Day)))
			if r.SpreadLn > 0.25 {
				said = append(said, fmt.Sprintf("its batteries differ: the weaker shows %.0f %% of what the other does", 100*math.Exp(-r.SpreadLn)))
			}
			break
		}
	}
	if known := s.RestSDV < 0.09; known && s.RestV < trend.ChargeFirstBelowV {
		soc := trend.StateOfCharge(t.Chemistry, s.RestV)
		said = append(said, fmt.Sprintf("rest voltage %.2f V: charge first; at %.0f %% charge it freezes at %s", s.RestV, 100*soc, degrees(trend.FreezingPointC(soc))))
	} else if known && s.RestV < trend.FineRestV {
		said = append(said, fmt.Sprintf("rest voltage %.2f V, under the %.1f V that is fine", s.RestV, trend.FineRestV))
	}
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
		said = append(said, fmt.Sprintf("%s at %s read %.1f V, %s", what, degrees(c.TemperatureC), c.V, side))
	}
	return said
}

// history counts what went wrong in the last year and what was renewed.
func (f *judged) history(one *file, s trend.State) (said []string) {
	t := &one.track
	slow, failed, clicks := 0, 0, 0
	for i := range t.Events {
		switch e := &t.Events[i]; {
		case e.Day < f.asOf-365:
		case e.Click:
			clicks++
		case e.Failed:
			failed++
		default:
			slow++
		}
	}
	if slow+failed > 0 {
		said = append(said, fmt.Sprintf("in the last 12 months %d slow and %d failed starts", slow, failed))
	}
	if clicks > 0 {
		said = append(said, fmt.Sprintf("%d times the starter did not turn though volts stayed up: look at solenoid, switch and control wires", clicks))
	}
	if s.SwapsInferred > 0 {
		said = append(said, "readings jumped to those of a new battery: a swap that is not on record is assumed")
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

// partsEvidence says what points to parts other than the battery.
func partsEvidence(s trend.State, out fleet.Forecast) (said []string) {
	if s.Demand > 0.12 && s.Demand > s.DemandSD {
		said = append(said, fmt.Sprintf("starter draws about %.0f %% more than its class: starter or tight engine", 100*math.Expm1(s.Demand)))
	}
	if s.Delay > 0.3 && s.Delay > s.DelaySD && s.Demand < 0.1 {
		said = append(said, "cranks point to resistance outside the battery: measure the voltage drop over both cables while cranking")
	}
	cable, starter := out.SuspectProbabilities[fleet.CablePart], out.SuspectProbabilities[fleet.StarterPart]
	if cable+starter > 0.6 && max(cable, starter) < 0.5 {
		said = append(said, "cable and starter brushes cannot be told apart from these readings")
	}
	if s.RestVPerWeek < -0.015 {
		said = append(said, fmt.Sprintf("rest voltage falls by %.2f V a month: charging or a hidden load", -4.3*s.RestVPerWeek))
	}
	return said
}
