package trend

import (
	"math"
	"sort"

	"rimeyard/internal/fleet"
)

// Misfits are what does not fit in one unit's readings or records, oldest first in each list.
type Misfits struct {
	Swaps   []UnbookedSwap
	NotSeen []UnseenSwap
	Tests   []TestSurprise // every conductance test, odd or not
	Pair    PairSpread
}

// UnbookedSwap is a battery that was renewed by the readings and not by the records.
type UnbookedSwap struct {
	Monday      fleet.Date         // of the first week with the new battery's readings
	WearBefore  float64            // ln of the battery's resistance over a new one's, just before
	WearAfter   float64            // eight weeks on
	Booked      fleet.Date         // the nearest fitting on record within half a year; 0: none
	TestRise    fleet.Opt[float64] // ln of what tests show after over before; unknown where there are none on both sides
	RestBeforeV float64            // of one battery
	WeeksBefore int                // of readings
}

// UnseenSwap is a battery that was renewed by the records, while the readings went on as before.
type UnseenSwap struct {
	Monday       fleet.Date // of the week of the fitting
	WearBefore   float64    // ln of the battery's resistance over a new one's, just before
	WearAfter    float64    // twelve weeks on, as if nothing had been fitted
	Rows         int        // weeks and tests that were compared
	TestsAgree   bool       // tests before and after it both show at least half of that wear, so it is the battery's
	LogOddsUnder float64    // ln of how much likelier these are with the old battery than with a new one
}

// TestSurprise is what one conductance test showed against what all readings before it let expect.
type TestSurprise struct {
	Unit           fleet.UnitID
	Day            fleet.Date
	Device         string // tester, and standards where they differ
	ShownA, RatedA float64
	Batteries      int
	RestV          fleet.Opt[float64] // at the test
	RenewedSoon    bool               // a battery, by records or readings, before the next test and within a quarter
	Ln, WantLn     float64            // of what was shown over the rating
	SD             float64            // of their difference
	DeviceLn       float64            // ln of what the tester shows too much: part of WantLn
}

// Z is the surprise in standard deviations.
func (s TestSurprise) Z() float64 { return (s.Ln - s.WantLn) / s.SD }

// InPlaceOf is the surprise that the reading would have been in place of another unit's.
func (s TestSurprise) InPlaceOf(o TestSurprise) float64 {
	shown := s.Ln + math.Log(s.RatedA/o.RatedA) - s.DeviceLn
	return (shown - (o.WantLn - o.DeviceLn)) / o.SD
}

// PairSpread is how far the batteries of one unit differ by the last two tests since one was renewed, the lesser of the two days.
type PairSpread struct {
	Day   fleet.Date // of the last test; 0: nothing is known
	Tests int
	Ln    float64 // of shown over rated
	RestV float64 // zero in parallel, where rest volts are one
}

// FindMisfits filters one track and notes what does not fit.
func FindMisfits(t Track, p Params) Misfits {
	m := newModel(&t, &p)
	s := misfitSeeker{wearThen: math.NaN()}
	last := m.run(&s)
	s.weekStart(m, &last) // the last week's swap
	for i := range s.found.Swaps {
		if w := &s.found.Swaps[i]; math.IsNaN(w.WearAfter) {
			w.WearAfter = last.x[wear]
		}
	}
	for i := range s.found.Tests {
		s.renewedSoon(m, i)
	}
	s.found.Pair = pairSpread(&t)
	return s.found
}

func (s *misfitSeeker) renewedSoon(m *model, i int) {
	x := &s.found.Tests[i]
	from, to := weekOf(x.Day), weekOf(x.Day)+quarterDays/7
	if i+1 < len(s.found.Tests) {
		to = min(to, weekOf(s.found.Tests[i+1].Day))
	}
	for _, c := range m.t.Changes {
		x.RenewedSoon = x.RenewedSoon || c.Part == fleet.BatteryPart && c.Week > from && c.Week <= to
	}
	for _, w := range s.found.Swaps {
		x.RenewedSoon = x.RenewedSoon || weekOf(w.Monday) > from && weekOf(w.Monday) <= to
	}
}

// misfitSeeker listens to the filter.
type misfitSeeker struct {
	found    Misfits
	swaps    int
	test     int
	before   belief // at the beginning of the week before
	wearThen float64
}

// row implements observer.
func (s *misfitSeeker) row(m *model, b *belief, k kind, _ string, y float64, want predicted, variance float64) {
	if k != kCCA {
		return
	}
	// A test taken before a battery was renewed in the same week is no row.
	for r := &m.t.Tests[s.test]; r.CCA.N == 0 || r.Week < b.week || r.CCA.Y != y; r = &m.t.Tests[s.test] {
		s.test++
	}
	r := &m.t.Tests[s.test]
	s.test++
	if share, _ := m.batteryShare(b.week); share > 0 {
		return // of the old battery or of the new one
	}
	s.found.Tests = append(s.found.Tests, surpriseOf(m, b, r, want, variance))
}

func surpriseOf(m *model, b *belief, r *TestRow, want predicted, variance float64) TestSurprise {
	s := TestSurprise{
		Unit: m.t.Unit, Day: r.Day, Device: r.Device, ShownA: r.ShownA, RatedA: r.RatedA, Batteries: r.CCA.N,
		Ln: r.CCA.Y, WantLn: want.mean, SD: math.Sqrt(variance + b.along(&want.h)), DeviceLn: m.p.deviceLn(r.Device, r.Week),
	}
	if r.Rest.N > 0 {
		s.RestV = fleet.Known(r.Rest.Y)
	}
	return s
}

const (
	settledWeeks = 8  // after which a new battery's wear is known from its readings
	unseenWeeks  = 12 // that are compared after a swap that is on record
	riseWeeks    = 30 // before and after a swap, in which tests are looked at
	riseTests    = 3
)

// weekStart implements observer.
func (s *misfitSeeker) weekStart(m *model, b *belief) {
	for i := range s.found.Swaps {
		if w := &s.found.Swaps[i]; math.IsNaN(w.WearAfter) && weekOf(w.Monday)+settledWeeks <= b.week {
			w.WearAfter = b.x[wear]
		}
	}
	if b.swapsInferred > s.swaps {
		s.swaps = b.swapsInferred
		then := s.before
		if then.week != b.swapWeek { // the last week of all: its beginning was noted, its end is this belief
			then = *b
		}
		var rise fleet.Opt[float64]
		if old, fresh := m.testsAround(b.swapWeek, b.swapWeek); !math.IsNaN(fresh - old) {
			rise = fleet.Known(fresh - old)
		}
		s.found.Swaps = append(s.found.Swaps, UnbookedSwap{
			Monday: mondayOf(b.swapWeek), WearBefore: then.x[wear], WearAfter: math.NaN(), RestBeforeV: then.restV, WeeksBefore: b.swapWeek - m.t.FirstWeek, Booked: m.bookedNear(b.swapWeek),
			TestRise: rise,
		})
	}
	if share, alone := m.batteryShare(b.week); alone && share*b.x[wear] > seenFrom {
		c := m.renewedOverKept(b, share, 1, unseenWeeks)
		old, fresh := m.testsAround(b.week, b.week+1)
		s.found.NotSeen = append(s.found.NotSeen, UnseenSwap{
			Monday: mondayOf(b.week), WearBefore: b.x[wear], WearAfter: c.wearKept, Rows: c.rows, LogOddsUnder: -c.logOdds,
			TestsAgree: math.Max(old, fresh) < -b.x[wear]/2, // never where either is unknown
		})
	}
	s.before = *b
}

// seenFrom is the wear that a new battery must take away for its absence to show.
const seenFrom = 0.25

// batteryShare is the share of the unit's batteries that the records renew in a week, and whether no other part was.
func (m *model) batteryShare(week int) (share float64, alone bool) {
	alone = true
	for _, c := range m.t.Changes {
		switch {
		case c.Week != week:
		case c.Part == fleet.BatteryPart:
			share = c.Share
		default:
			alone = false
		}
	}
	return share, alone
}

// testsAround is the middle of the tests next to a week before it, and from another on, in ln of what a battery shows over its rating. NaN: none.
func (m *model) testsAround(week, from int) (before, after float64) {
	var old, fresh []float64
	for i := range m.t.Tests {
		r := &m.t.Tests[i]
		if r.CCA.N == 0 || r.Week < week-riseWeeks || r.Week > from+riseWeeks {
			continue
		}
		if y := r.CCA.Y - m.p.deviceLn(r.Device, r.Week) - m.p.TestBias; r.Week < week {
			old = append(old, y)
		} else if r.Week >= from {
			fresh = append(fresh, y)
		}
	}
	return median(old[max(0, len(old)-riseTests):]), median(fresh[:min(len(fresh), riseTests)])
}

// bookedNear is the Monday of the fitting on record nearest to a week, within half a year; 0: none.
func (m *model) bookedNear(week int) (monday fleet.Date) {
	nearest := 27
	for _, c := range m.t.Changes {
		if off := max(c.Week-week, week-c.Week); c.Part == fleet.BatteryPart && off < nearest {
			nearest, monday = off, mondayOf(c.Week)
		}
	}
	return monday
}

// comparison of two tellings of the same weeks: the battery was renewed, or it stayed.
type comparison struct {
	logOdds  float64
	rows     int
	wearKept float64
}

// renewedOverKept lets a copy of the belief with a battery renewed and one without go on for some weeks, or until a part is renewed by the
// records. The first skip weeks, in which either battery may have been read, are left out.
func (m *model) renewedOverKept(b *belief, share float64, skip, weeks int) comparison {
	keep := m.cursorAt(b)
	reset := keep
	m.change(&reset.belief, Change{Week: b.week, Part: fleet.BatteryPart, Share: share})
	for range skip {
		m.pass(&keep)
		m.pass(&reset)
	}
	keep.compared, reset.compared = true, true
	keep.logLik, reset.logLik = 0, 0
	from := keep
	for range weeks {
		if keep.week >= m.t.AsOfWeek || keep.change < len(m.t.Changes) && m.t.Changes[keep.change].Week <= keep.week {
			break
		}
		m.step(&keep, nil)
		m.step(&reset, nil)
		keep.ahead(m.vPop)
		reset.ahead(m.vPop)
	}
	return comparison{reset.logLik - keep.logLik, keep.row - from.row + keep.test - from.test, keep.x[wear]}
}

// pass takes a cursor over a week without reading it.
func (m *model) pass(c *cursor) {
	c.ahead(m.vPop)
	*c = m.cursorAt(&c.belief)
}

// cursorAt stands at the beginning of a belief's week, with all before it read.
func (m *model) cursorAt(b *belief) cursor {
	t := m.t
	return cursor{
		belief:    *b,
		change:    sort.Search(len(t.Changes), func(i int) bool { return t.Changes[i].Week >= b.week }),
		test:      sort.Search(len(t.Tests), func(i int) bool { return t.Tests[i].Week >= b.week }),
		event:     sort.Search(len(t.Events), func(i int) bool { return t.Events[i].Week >= b.week }),
		row:       sort.Search(len(t.Weeks), func(i int) bool { return t.Weeks[i].Week >= b.week }),
		breakdown: sort.Search(len(t.Breakdowns), func(i int) bool { return weekOf(t.Breakdowns[i].Day) >= b.week }),
	}
}

// pairSpread looks at the last two days on which more than one battery was tested.
func pairSpread(t *Track) (p PairSpread) {
	renewed := -1 << 30
	for _, c := range t.Changes {
		if c.Part == fleet.BatteryPart {
			renewed = c.Week
		}
	}
	p.Ln, p.RestV = math.Inf(1), math.Inf(1)
	for i := len(t.Tests) - 1; i >= 0 && p.Tests < 2 && t.Tests[i].Week > renewed; i-- {
		r := &t.Tests[i]
		if r.CCA.N < 2 && r.Rest.N < 2 {
			continue
		}
		p.Day, p.Tests = max(p.Day, r.Day), p.Tests+1
		p.Ln, p.RestV = min(p.Ln, r.SpreadLn), min(p.RestV, r.RestSpreadV)
	}
	if p.Tests == 0 || t.Series < 2 {
		p.RestV = 0
	}
	if p.Tests == 0 {
		p.Ln = 0
	}
	return p
}
