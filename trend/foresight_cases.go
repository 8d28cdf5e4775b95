package trend

import (
	"slices"

	"rimeyard/internal/fleet"
)

// pastCase is one unit on one day in or before a past season, with how that season went on.
type pastCase struct {
	outlook Outlook
	signs   signs
	quiet   [quietCount]float64
	group   int
	season  int
	over    bool // the season, all but its last days
	nights  []night
	days    int  // until failure, renewal or the season's end
	failed  bool // on the morning of the last of nights
	cause   fleet.Part
	weight  float64
}

// night is cold enough to matter.
type night struct{ lowC, halfYears, starts float64 }

const (
	pastSeasons = 4
	mildC       = 12.0 // a night above it never decides a start
	shortTrack  = 13   // weeks of readings before a unit is judged
	// Each season is looked at from two months before it and then every two months. One failure shows in several of these cases, so
	// each counts half.
	firstLook, looks, betweenLooks = -1, 4, 8 // weeks
	caseWeight                     = 0.5
)

// hindsight collects past cases while a track is filtered.
type hindsight struct {
	seasons []fleet.Season
	weather Weather
	asOf    fleet.Date
	cases   []pastCase
	now     []standing // of the units that are read, on the as-of date
	groups  map[string]int
}

func (o *hindsight) row(*model, *belief, kind, string, float64, predicted, float64) {}

// weekStart implements observer.
func (o *hindsight) weekStart(m *model, b *belief) {
	if b.week < m.t.FirstWeek+shortTrack || mondayOf(b.week) >= o.asOf || b.week > b.readWeek+fadesAfter {
		return
	}
	for i, s := range o.seasons {
		since := b.week - weekOf(s.From) - firstLook*betweenLooks
		if since >= 0 && since%betweenLooks == 0 && since/betweenLooks < looks {
			o.take(m, b, i, s)
		}
	}
}

func (o *hindsight) take(m *model, b *belief, season int, s fleet.Season) {
	from := mondayOf(b.week)
	c := pastCase{season: season, over: s.To < o.asOf+7, weight: caseWeight, group: o.groups[m.t.Group]}
	end := min(s.To, o.asOf-1)
	for _, ch := range m.t.Changes {
		renews := ch.Share > 0.4 && (ch.Part == fleet.BatteryPart || ch.Part == fleet.StarterPart)
		if d := mondayOf(ch.Week); renews && d > from && d+6 < end {
			end = d + 6
			break
		}
	}
	for _, f := range m.t.Breakdowns {
		if f.Day >= from && f.Day <= end+7 && f.Day < o.asOf { // a part is renewed because of a failure, not the other way round
			c.failed, c.cause, end = true, f.Cause, f.Day
			break
		}
	}
	for d := from; d <= end; d++ {
		low, _, known := o.weather.Day(m.t.Depot, d)
		low += m.t.NightOffsetC
		last := c.failed && d == end
		if !known && last {
			low = 5 // it happened, so the night is not left out
		}
		if known && low < mildC || last {
			c.nights = append(c.nights, night{low, float64(d-from) / 182, m.t.StartsPerDay})
		}
	}
	c.days = int(end-from) + 1
	c.outlook = m.outlook(b)
	c.signs, c.quiet = c.outlook.signs, c.outlook.quiet
	o.cases = append(o.cases, c)
}

// complete leaves out the season that is running, unless it is all there is: its cases grow longer from month to month, its first
// failures come to the weakest units, and what both say of the others changes with each of them.
func complete(cases []pastCase) []pastCase {
	over := slices.DeleteFunc(slices.Clone(cases), func(c pastCase) bool { return !c.over })
	if !slices.ContainsFunc(over, func(c pastCase) bool { return c.failed }) {
		return cases
	}
	return over
}

// mostCases bounds what is learned from: of large fleets' cases without a failure only so many are kept, evenly, and count for the others.
const mostCases = 4500

func thinned(cases []pastCase, most int) []pastCase {
	well := 0
	for i := range cases {
		if !cases[i].failed {
			well++
		}
	}
	if well <= most {
		return cases
	}
	var kept []pastCase
	seen := 0
	for _, c := range cases {
		if !c.failed {
			seen++
			if seen*most/well == (seen-1)*most/well {
				continue
			}
			c.weight *= float64(well) / float64(most)
		}
		kept = append(kept, c)
	}
	return kept
}
