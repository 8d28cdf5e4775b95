package gravel

import (
	"fmt"
	"math"
	"math/rand/v2"
	"time"

	"rimeyard/internal/fleet"
)

// logger is one piece of one of two makes. Both give volts and durations; the second gives amperes too. Volts are per 12 V.
type logger struct {
	fitted    bool
	second    bool
	offsetV   float64 // of the make and of the piece
	noiseV    float64
	stepV     float64
	misses    float64 // mean share of the dip below the mean
	gain      float64 // of amperes
	slowClock float64 // of durations
	offC      float64 // its thermometer's error; NaN: none is wired
	loses     float64 // share of rows
}

func newLogger(r *rand.Rand) logger {
	l := logger{
		offsetV: 0.15 * r.NormFloat64(), gain: about(r, 0.06), slowClock: about(r, 0.08), offC: 0.9 * r.NormFloat64(), loses: 0.012,
		second: chance(r, 0.45),
	}
	l.noiseV, l.stepV, l.misses = 0.06, 0.1, 0.3
	if l.second {
		l.offsetV += 0.06
		l.noiseV, l.stepV, l.misses = 0.04, 0.05, 0.12
	}
	if chance(r, 0.1) {
		l.offC = math.NaN()
	}
	l.fitted = !chance(r, 0.05)
	return l
}

// log writes a crank as the unit's logger sees it.
func (u *unit) log(at time.Time, c *dawn, q *read) {
	l, r := &u.logger, u.readR
	if !l.fitted || chance(r, l.loses) {
		return
	}
	seen := func(v float64) float64 {
		return max(0, v+(l.offsetV+l.noiseV*r.NormFloat64())*u.kit.twelves)
	}
	rest := seen(q.restV)
	mean := min(rest, seen(q.meanV))
	low := min(mean, seen(q.minV+l.misses*uniform(r, 0.5, 1.5)*(q.meanV-q.minV)))
	row := fleet.Crank{
		Unit: u.book.Unit.ID, At: at, Outcome: q.outcome,
		RestV: fleet.Known(rounded(rest, l.stepV)), MeanV: fleet.Known(rounded(mean, l.stepV)), MinV: fleet.Known(rounded(low, l.stepV)),
		DurationMs: fleet.Known(rounded(q.ms*l.slowClock*about(r, 0.03), 10)),
	}
	if l.second {
		row.CurrentA = fleet.Known(rounded(q.amps*l.gain*about(r, 0.02), 1))
	}
	if !math.IsNaN(l.offC) {
		row.TemperatureC = fleet.Known(rounded(c.airC+l.offC+0.5*r.NormFloat64(), 0.5))
	}
	u.book.Cranks = append(u.book.Cranks, row)
}

// tester is an instrument of a site's workshop.
type tester struct {
	name    string
	load    bool    // 15 s at half the rating; else it measures conductance
	reads   float64 // factor that it reads by
	offV    float64
	scatter float64
	people  []string
}

func newTesters(r *rand.Rand, s *site) (out []tester) {
	for i := range s.testers {
		out = append(out, tester{
			name: fmt.Sprintf("%s/T%d", s.depot.ID, i+1), load: i == 0 && s.loadFirst, reads: 1 + within(0.06*r.NormFloat64(), 0.1), offV: 0.05 * r.NormFloat64(),
			scatter: uniform(r, 0.035, 0.06), people: []string{string(s.depot.ID) + " early shift", string(s.depot.ID) + " late shift"},
		})
	}
	return out
}

// shownAt is the share of the rating that conductance shows by wear: it falls sooner than cranking power, and less far.
var shownAt = newSpline(0, 1.08, 0.3, 1.04, 0.6, 0.96, 0.85, 0.86, 1, 0.76, 1.2, 0.59, 1.5, 0.37, 2, 0.2)

// test measures each battery in its place, and tells the lowest share of the rating that came out.
func (u *unit) test(airC float64) (lowest float64) {
	r := u.readR
	at, t := u.sky.at(u.day, uniform(r, 7, 15)), &u.testers[r.IntN(len(u.testers))]
	by := oneOf(r, t.people)
	batteryC := u.habit.airAt(airC) + 3
	rested := dawn{airC: airC, soakH: uniform(r, 1, 9), batteryC: batteryC}
	lowest = 1
	for i := range u.class.batteries {
		row := fleet.Test{
			Unit: u.book.Unit.ID, Position: i + 1, At: at.Add(time.Duration(3*i) * time.Minute), TestedBy: by, Tester: t.name,
			RestV: fleet.Known(rounded(u.kit.rest(&u.s, &rested)/u.kit.twelves+0.025*r.NormFloat64(), 0.01)),
		}
		if chance(r, 0.4) {
			row.Battery = u.fittedAt(i + 1)
		}
		if chance(r, 0.75) {
			row.TemperatureC = fleet.Known(rounded(batteryC+1.2*r.NormFloat64(), 1))
		}
		if t.load {
			lowest = min(lowest, u.loadTest(&row, t, i, batteryC))
		} else {
			lowest = min(lowest, u.conductance(&row, t, i))
		}
		u.book.Tests = append(u.book.Tests, row)
	}
	return lowest
}

// loadTest puts on half the rating; 10.4 V at 21 °C is a middling battery, 9.6 the limit (service manuals).
func (u *unit) loadTest(row *fleet.Test, t *tester, i int, batteryC float64) (share float64) {
	r := u.readR
	one := kit{}
	strength := one.supply([2]float64{u.s.wear[batteryA+i]}, u.s.charge[asItIs], batteryC)
	rest := row.RestV.Or(12)
	v := max(1, rest-1.15-0.75/max(0.06, strength)+t.offV+0.07*r.NormFloat64())
	row.LoadV, row.LoadS = fleet.Known(rounded(min(v, rest), 0.01)), fleet.Known(15.0)
	row.LoadA = fleet.Known(rounded(u.part.ratedA/2, 5))
	return 0.5 + (v-9.4)/2
}

func (u *unit) conductance(row *fleet.Test, t *tester, i int) (share float64) {
	r := u.readR
	share = max(0.05, shownAt.at(u.s.wear[batteryA+i])) * math.Exp(u.s.shift[i]) * (0.85 + 0.15*u.s.charge[asItIs])
	share *= t.reads * (1 + within(t.scatter*r.NormFloat64(), 0.15))
	row.CCAA, row.CCAStandard = fleet.Known(rounded(share*u.part.ratedA, 5)), u.part.standard
	if chance(r, 0.6) {
		row.ResistanceMOhm = fleet.Known(rounded(2900/u.part.ratedA*math.Pow(share, -0.85)*about(r, 0.05), 0.05))
	}
	if chance(r, 0.5) {
		row.SoCPct = fleet.Known(rounded(100*min(1, max(0, u.s.charge[asItIs]+0.06*r.NormFloat64())), 1))
	}
	return share
}

func (u *unit) fittedAt(position int) string {
	for i := len(u.book.Batteries) - 1; i >= 0; i-- {
		if f := &u.book.Batteries[i]; f.Position == position && !f.RemovedOn.IsKnown() {
			return f.Battery
		}
	}
	return ""
}
