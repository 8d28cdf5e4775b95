package trend

import (
	"cmp"
	"maps"
	"math"
	"slices"
	"strings"

	"rimeyard/internal/fleet"
)

// HeldOut gives each named tester's conductance tests of a unit against what cranks and all other testers let expect: had its own earlier tests
// a say, a tester that drifts would be believed step by step.
func HeldOut(t Track, p Params) (out []TestSurprise) {
	for _, device := range namedDevices(&t) {
		without := t
		without.Tests = slices.Clone(t.Tests)
		o := heldOut{}
		for i := range without.Tests {
			if r := &without.Tests[i]; r.Device == device {
				if r.CCA.N > 0 {
					o.rows = append(o.rows, *r)
				}
				r.CCA, r.Load, r.Ohm = Mean{}, Mean{}, Mean{}
			}
		}
		newModel(&without, &p).run(&o)
		out = append(out, o.found...)
	}
	return out
}

func namedDevices(t *Track) (names []string) {
	for i := range t.Tests {
		if r := &t.Tests[i]; r.CCA.N > 0 && r.Device != "" && !strings.HasPrefix(r.Device, " ") {
			names = append(names, r.Device)
		}
	}
	slices.Sort(names)
	return slices.Compact(names)
}

type heldOut struct {
	rows  []TestRow
	next  int
	found []TestSurprise
}

// row implements observer.
func (*heldOut) row(*model, *belief, kind, string, float64, predicted, float64) {}

// vague is how little of a battery may be known (standard deviation of its ln wear) for a test of it to say something of the tester.
const vague = 0.25

// weekStart implements observer.
func (o *heldOut) weekStart(m *model, b *belief) {
	for ; o.next < len(o.rows) && o.rows[o.next].Week <= b.week; o.next++ {
		r := &o.rows[o.next]
		if share, _ := m.batteryShare(b.week); share > 0 || b.p[wear][wear] > vague*vague {
			continue
		}
		variance := m.variance(kCCA)
		if r.CCA.N < m.t.Positions {
			variance += 0.08 * 0.08
		}
		found := surpriseOf(m, b, r, m.predictTest(b, r, kCCA), variance)
		step := found.DeviceLn - m.p.Devices[r.Device] // a drift is not to be expected where it is looked for
		found.WantLn, found.DeviceLn = found.WantLn-step, found.DeviceLn-step
		o.found = append(o.found, found)
	}
}

// A two-sided cumulative sum of standardised values (Page 1954; NIST/SEMATECH e-Handbook 6.3.2.3).
const (
	cusumReference = 0.5
	cusumAlarm     = 5.0
)

type cusum struct{ up, down float64 }

func (c *cusum) take(z float64) {
	c.up = max(0, c.up+z-cusumReference)
	c.down = max(0, c.down-z-cusumReference)
}

// TesterDrift is what a tester shows now against what it showed at first.
type TesterDrift struct {
	Device string
	Since  fleet.Date // the last day on which the sum was zero
	Ln     float64    // of what it shows now over what it showed at first
	Tests  int        // since then
}

// What must be there for a tester to be judged, and how far it must be off by its last tests to be named. In simulated fleets of three physics, sound
// testers came out as moved by up to 15 % in three years, since what is expected errs too; one that drifts by 14 % a year as moved by 24 % to 44 %.
const (
	baselineTests = 30
	recentTests   = 20
	driftLn       = 0.17
	driftSDs      = 0.75 // of one test
	driftSpreads  = 3.0  // of how the fleet's other testers changed
	quarterDays   = 91
	leastUnits    = 10 // that the recent tests are of: a few batteries that fade as none of their class do would else be laid to the tester
	leastOthers   = 3  // testers, for what they have in common to be told from the one
)

// Drifts names the testers whose readings moved lastingly off what they were at first, in order of their names. What the other testers' readings did
// meanwhile is taken off: there the expectation is what drifts, not the testers.
func Drifts(tests []TestSurprise) (out []TesterDrift) {
	records := testerRecords(tests)
	for i := range records {
		r := &records[i]
		others := slices.Concat(records[:i], records[i+1:])
		d := r.drift(commonMoves(others))
		least := max(driftLn, driftSDs*r.first.spread)
		if len(others) >= leastOthers {
			least = max(least, driftSpreads*spreadOfMoves(others))
		}
		if d.alarm > cusumAlarm && math.Abs(d.Ln) >= least && r.units() >= leastUnits {
			out = append(out, d.TesterDrift)
		}
	}
	return out
}

// testerRecord is all that one tester showed, in order of time.
type testerRecord struct {
	device string
	tests  []TestSurprise
	first  offs // its first tests
}

func testerRecords(tests []TestSurprise) (records []testerRecord) {
	byDevice := map[string][]TestSurprise{}
	for _, s := range tests {
		byDevice[s.Device] = append(byDevice[s.Device], s)
	}
	for _, device := range slices.Sorted(maps.Keys(byDevice)) {
		own := byDevice[device]
		if len(own) < baselineTests+recentTests {
			continue
		}
		slices.SortFunc(own, func(a, b TestSurprise) int {
			return cmp.Or(cmp.Compare(a.Day, b.Day), cmp.Compare(a.Ln, b.Ln), cmp.Compare(a.WantLn, b.WantLn), cmp.Compare(a.SD, b.SD))
		})
		levelWear(own)
		records = append(records, testerRecord{device, own, offsOf(own[:baselineTests])})
	}
	return records
}

func quarterOf(d fleet.Date) int { return int(d) / quarterDays }

// levelWear takes off what the surprises have to do with the wear that was expected. Where cranks make a depot's batteries out to wear faster or
// slower than they do, old batteries surprise and new ones do not; a tester that drifts is off by as much with both. The slope is that within
// quarters, which no drift can lend anything.
func levelWear(tests []TestSurprise) {
	var sxx, sxy float64
	for from, to := 0, 0; from < len(tests); from = to {
		for to < len(tests) && quarterOf(tests[to].Day) == quarterOf(tests[from].Day) {
			to++
		}
		part := tests[from:to]
		off := offsOf(part).middle
		mean := 0.0
		for _, s := range part {
			mean += s.wear() / float64(len(part))
		}
		for _, s := range part {
			x := s.wear() - mean
			sxx, sxy = sxx+x*x, sxy+x*min(max(s.Ln-s.WantLn-off, -3*s.SD), 3*s.SD)
		}
	}
	if sxx == 0 {
		return
	}
	for i := range tests {
		tests[i].Ln -= sxy / sxx * tests[i].wear()
	}
}

// wear is what was expected of the battery, from an origin that all tests share.
func (s TestSurprise) wear() float64 { return s.DeviceLn - s.WantLn }

// moves are how far a tester's readings lay off its first ones, by quarter.
func (r *testerRecord) moves() map[int]float64 {
	const enough = 5
	by := map[int][]float64{}
	for _, s := range r.tests {
		by[quarterOf(s.Day)] = append(by[quarterOf(s.Day)], s.Ln-s.WantLn-r.first.middle)
	}
	out := map[int]float64{}
	for q, x := range by {
		if len(x) >= enough {
			out[q] = median(x)
		}
	}
	return out
}

// commonMoves is the middle of several testers' moves in the quarters in which enough of them were used.
func commonMoves(records []testerRecord) map[int]float64 {
	by := map[int][]float64{}
	for i := range records {
		for q, x := range records[i].moves() {
			by[q] = append(by[q], x)
		}
	}
	out := map[int]float64{}
	for q, x := range by {
		if len(x) >= leastOthers {
			out[q] = median(x)
		}
	}
	return out
}

// spreadOfMoves is how differently testers moved by the end.
func spreadOfMoves(records []testerRecord) float64 {
	var ends []float64
	for i := range records {
		t := records[i].tests
		ends = append(ends, offsOf(t[len(t)-recentTests:]).middle-records[i].first.middle)
	}
	m := median(slices.Clone(ends))
	for i := range ends {
		ends[i] -= m
	}
	return madToSD * medianAbs(ends)
}

type alarmedDrift struct {
	TesterDrift
	alarm float64
}

// drift runs the sums over the daily means. Values beyond three standard deviations count as three.
// units that its recent tests are of.
func (r *testerRecord) units() int {
	seen := map[fleet.UnitID]bool{}
	for _, s := range r.tests[len(r.tests)-recentTests:] {
		seen[s.Unit] = true
	}
	return len(seen)
}

func (r *testerRecord) drift(common map[int]float64) alarmedDrift {
	off := func(s TestSurprise) float64 { return s.Ln - s.WantLn - r.first.middle - common[quarterOf(s.Day)] }
	var sum cusum
	up, down := r.tests[0].Day, r.tests[0].Day
	for from, to := 0, 0; from < len(r.tests); from = to {
		day, z := r.tests[from].Day, 0.0
		for ; to < len(r.tests) && r.tests[to].Day == day; to++ {
			z += min(max(off(r.tests[to])/max(r.tests[to].SD, r.first.spread), -3), 3)
		}
		sum.take(z / math.Sqrt(float64(to-from)))
		if sum.up == 0 {
			up = day
		}
		if sum.down == 0 {
			down = day
		}
	}
	var last []float64
	for _, s := range r.tests[len(r.tests)-recentTests:] {
		last = append(last, off(s))
	}
	d := alarmedDrift{TesterDrift{Device: r.device, Since: up, Ln: median(last)}, sum.up}
	if d.Ln < 0 {
		d.Since, d.alarm = down, sum.down
	}
	for _, s := range r.tests {
		if s.Day > d.Since {
			d.Tests++
		}
	}
	return d
}

// offs are where tests lay off what was expected.
type offs struct{ middle, spread float64 }

// madToSD makes the median absolute deviation of a normal distribution its standard deviation.
const madToSD = 1.4826

func offsOf(tests []TestSurprise) offs {
	x := make([]float64, len(tests))
	for i, s := range tests {
		x[i] = s.Ln - s.WantLn
	}
	o := offs{middle: median(x)}
	for i := range x {
		x[i] -= o.middle
	}
	o.spread = madToSD * medianAbs(x)
	return o
}
