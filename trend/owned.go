package trend

import "slices"

// A unit without a logger still gets a crank now and then that was booked under its number by mistake. Cranks are its own only where they come
// about as often as units of the fleet are cranked.
const (
	ownWeeks = 13   // looked back over, so that what comes later takes no row away
	ownShare = 0.12 // of the usual number; of what is booked, up to one in fifty is under a wrong number, and a spare is cranked every few days
)

// cold is how many of the week's cranks told something.
func (w *WeekRow) cold() int {
	return max(w.Sag.N, w.Low.N, w.Current.N, w.Speed.N, w.Seconds.N, w.Rest.N)
}

// weeklyCranks is the usual number of a unit's cold cranks in a week, from its first to its last: the median over units that have any.
func weeklyCranks(tracks []Track) float64 {
	var all []float64
	for i := range tracks {
		if w := tracks[i].Weeks; len(w) > 0 {
			n := 0
			for j := range w {
				n += w[j].cold()
			}
			all = append(all, float64(n)/float64(w[len(w)-1].Week-w[0].Week+1))
		}
	}
	if len(all) == 0 {
		return 0
	}
	return median(all)
}

// Owned is the track without weeks in which so few cranks came that they may be another unit's.
func (t Track) Owned(p Params) Track {
	if len(t.Weeks) == 0 {
		return t
	}
	// Of a logger that is new altogether its first weeks are taken.
	least := ownShare * p.WeeklyCranks * float64(min(ownWeeks, t.AsOfWeek-t.Weeks[0].Week+1))
	others, from, n := make(map[int]bool), 0, 0
	for i := range t.Weeks {
		n += t.Weeks[i].cold()
		for ; t.Weeks[from].Week <= t.Weeks[i].Week-ownWeeks; from++ {
			n -= t.Weeks[from].cold()
		}
		if float64(n) < least {
			others[t.Weeks[i].Week] = true
		}
	}
	if len(others) == 0 {
		return t
	}
	t.Weeks = slices.DeleteFunc(slices.Clone(t.Weeks), func(w WeekRow) bool { return others[w.Week] })
	t.Events = slices.DeleteFunc(slices.Clone(t.Events), func(e Event) bool { return e.FromRow && others[e.Week] && !t.brokeAround(e) })
	if others[weekOf(t.Coldest.Day)] {
		t.Coldest = ColdCrank{}
	}
	t.HasLogger, t.LastDay = len(t.Weeks) > 0, t.lastDay()
	if !t.HasLogger { // its habits were read off the other's cranks
		t.StartsPerDay, t.NightOffsetC = t.BookedStarts, t.BookedOffsetC
	}
	return t
}

// brokeAround tells whether the breakdown book bears a failed start out.
func (t *Track) brokeAround(e Event) bool {
	return e.Failed && slices.ContainsFunc(t.Breakdowns, func(f Failure) bool { return max(f.Day-e.Day, e.Day-f.Day) < 2 })
}
