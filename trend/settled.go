package trend

import (
	"slices"
	"sort"

	"rimeyard/internal/fleet"
)

// settledOn is the Monday on or before the first day of asOf's month. What lies before it is settled: what the fleet shares is learned
// from that alone, so that within a month a unit's chance moves by its own readings and the season's passing only.
func settledOn(asOf fleet.Date) fleet.Date {
	year, month, _ := asOf.YMD()
	return mondayOf(weekOf(fleet.NewDate(year, month, 1)))
}

// newGroupUnits with settled readings are what a group needs to be learned from those alone, or half of its units if it is small. A group
// with fewer is new, and the latest readings are better than none.
const newGroupUnits = 10

// settled takes tracks as they were on the settled day, but for groups that are new, and tells whether there are such.
func settled(tracks []Track) (cut []Track, anyNew bool) {
	old, read := map[string]int{}, map[string]int{}
	for i := range tracks {
		t := &tracks[i]
		if t.then != nil && t.then.FirstWeek+shortTrack < t.then.AsOfWeek {
			old[t.Group]++
		}
		if t.FirstWeek < t.AsOfWeek {
			read[t.Group]++
		}
	}
	cut = slices.Clone(tracks)
	for i := range cut {
		t := &tracks[i]
		switch isNew := old[t.Group] < newGroupUnits && 2*old[t.Group] < read[t.Group]; {
		case isNew:
			anyNew = true
		case t.then != nil:
			cut[i] = *t.then
			cut[i].Unit = t.Unit
		}
	}
	return cut, anyNew
}

// changesThePast tells whether something since the settled day may make earlier rows read otherwise than they did on that day.
func (c *compressor) changesThePast() bool {
	return !c.sameThermometer || c.track.NightOffsetC != c.nightOffset(c.offsets[:min(c.settledOffsets, len(c.offsets))]) ||
		slices.ContainsFunc(c.failures, func(f Failure) bool { return f.Day == c.settled || f.Day == c.settled-1 }) // joined to a crank of the other day
}

// sameFittings tells whether what is fitted now was fitted on the day before the settled one, and nothing else.
func sameFittings(now, then fleet.History, settled fleet.Date) bool {
	return slices.EqualFunc(now.Batteries, then.Batteries, func(a, b fleet.BatteryFitting) bool {
		return compareBatteries(a, b) == 0 && a.RemovedOn != fleet.Known(settled-1) // that day is the last of both
	}) && slices.EqualFunc(now.Starters, then.Starters, func(a, b fleet.StarterFitting) bool { return compareStarters(a, b) == 0 })
}

// cut is the track as it was on the settled day, of a unit whose earlier rows read now as they did then. It shares the rows.
func (c *compressor) cut(then fleet.History) *Track {
	day, week, t := c.settled, weekOf(c.settled), *c.track
	t.AsOf, t.AsOfWeek = day, week
	t.Weeks = upTo(t.Weeks, func(w *WeekRow) bool { return w.Week >= week })
	t.Tests = upTo(t.Tests, func(r *TestRow) bool { return r.Day >= day })
	t.Events = upTo(t.Events, func(e *Event) bool { return e.Day >= day })
	t.Breakdowns = upTo(t.Breakdowns, func(f *Failure) bool { return f.Day >= day })
	t.Starts = t.Starts[:0]
	if n := len(t.Weeks); n > 0 {
		t.Starts = c.track.Starts[:t.Weeks[n-1].To]
	}
	t.HasLogger = len(t.Weeks) > 0
	t.Changes, t.Lives, t.LastDay = nil, nil, 0
	t.begin(then)
	t.forgetWhatIsShown()
	return &t
}

// forgetWhatIsShown drops what people are shown of a unit and learning does not read.
func (t *Track) forgetWhatIsShown() { t.Coldest, t.Odd = ColdCrank{}, Oddities{} }

func upTo[T any](rows []T, later func(*T) bool) []T {
	n := sort.Search(len(rows), func(i int) bool { return later(&rows[i]) })
	return rows[:n:n]
}
