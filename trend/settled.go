package trend

import (
	"sort"

	"rimeyard/internal/fleet"
)

// settledOn is the Monday on or before the first day of asOf's month. What lies before it is settled: what the fleet shares is learned
// from that alone, so that within a month a unit's chance moves by its own readings and the season's passing only.
func settledOn(asOf fleet.Date) fleet.Date {
	year, month, _ := asOf.YMD()
	return mondayOf(weekOf(fleet.NewDate(year, month, 1)))
}

// newGroupUnits with settled readings are what a group needs to be learned from those alone. A group with fewer is new, and the latest
// readings are better than none.
const newGroupUnits = 10

// settled cuts tracks at the settled day, but for groups that are new.
func settled(tracks []Track) []Track {
	old := map[string]int{}
	for i := range tracks {
		if t := &tracks[i]; t.FirstWeek+shortTrack < weekOf(settledOn(t.AsOf)) {
			old[t.Group]++
		}
	}
	for i := range tracks {
		if t := &tracks[i]; old[t.Group] >= newGroupUnits {
			tracks[i] = t.until(settledOn(t.AsOf))
		}
	}
	return tracks
}

// until is the track as it was on a Monday, but for what is not dated in it: kind of unit, habits, lives.
func (t *Track) until(monday fleet.Date) Track {
	week, cut := weekOf(monday), *t
	cut.AsOf, cut.AsOfWeek, cut.Rated = monday, week, t.RatedThen
	cut.Weeks = t.Weeks[:sort.Search(len(t.Weeks), func(i int) bool { return t.Weeks[i].Week >= week })]
	cut.Tests = t.Tests[:sort.Search(len(t.Tests), func(i int) bool { return t.Tests[i].Week >= week })]
	cut.Events = t.Events[:sort.Search(len(t.Events), func(i int) bool { return t.Events[i].Day >= monday })]
	cut.Changes = t.Changes[:sort.Search(len(t.Changes), func(i int) bool { return t.Changes[i].Week >= week })]
	cut.Breakdowns = t.Breakdowns[:sort.Search(len(t.Breakdowns), func(i int) bool { return t.Breakdowns[i].Day >= monday })]
	if early := float64(cut.FirstWeek - week); early > 0 { // it was not read yet
		cut.FirstWeek, cut.AgeWeeks = week, max(-1, cut.AgeWeeks-early)
	}
	return cut
}
