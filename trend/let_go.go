package trend

import (
	"cmp"
	"slices"

	"rimeyard/internal/fleet"
)

// Teachers are the units that [Learn] would look at week by week if the fleet had these. Of all others it needs no more than what
// [Track.LetGo] leaves.
func Teachers(units []fleet.Unit) map[fleet.UnitID]bool {
	units = slices.Clone(units)
	slices.SortFunc(units, func(a, b fleet.Unit) int { return cmp.Compare(a.ID, b.ID) })
	teach := make(map[fleet.UnitID]bool, min(len(units), 2*enoughUnits))
	for _, at := range drawn(len(units), func(i int) (fleet.UnitID, string) { return units[i].ID, groupOf(units[i]) }) {
		teach[units[at].ID] = true
	}
	return teach
}

// LetGo drops a track's rows, which are nearly all of it, once the unit is judged. What learning takes of every unit stays: its lives and ages,
// how its tests went on, and what its rows are told by.
func (t *Track) LetGo() {
	if t.rowsGone {
		return
	}
	if t.then != nil {
		t.then.LetGo()
	}
	t.courses, t.print = t.testCourses(), t.fingerprint()
	t.Weeks, t.Tests, t.Events, t.Starts, t.Breakdowns = nil, nil, nil, nil, nil
	t.rowsGone = true
}

// IsLetGo tells whether the track's rows are gone.
func (t *Track) IsLetGo() bool { return t.rowsGone }

// WantRows are the places of tracks whose rows were let go and of which [Learn] needs them. Tracks are in the order of keys.
func WantRows(tracks []Track) (at []int) {
	for _, i := range drawn(len(tracks), func(i int) (fleet.UnitID, string) { return tracks[i].Unit, tracks[i].Group }) {
		if tracks[i].rowsGone {
			at = append(at, i)
		}
	}
	return at
}

// course is how the tests of one battery went on over time: the sums that their slope is made of.
type course struct{ tt, ty float64 }

// testCourses are those of the unit's batteries, one after the other.
func (t *Track) testCourses() (all []course) {
	if t.rowsGone {
		return t.courses
	}
	change, from := 0, 0
	end := func(to int) {
		var st, sy, n float64
		var c course
		for _, r := range t.Tests[from:to] {
			if r.CCA.N > 0 {
				n, st, sy = n+1, st+float64(r.Week), sy+r.CCA.Y
			}
		}
		for _, r := range t.Tests[from:to] {
			if r.CCA.N > 0 {
				dt := float64(r.Week) - st/n
				c.tt, c.ty = c.tt+dt*dt, c.ty-dt*(r.CCA.Y-sy/n)
			}
		}
		all, from = append(all, c), to
	}
	for j, r := range t.Tests {
		for change < len(t.Changes) && t.Changes[change].Week <= r.Week {
			if t.Changes[change].Part == fleet.BatteryPart && j > from {
				end(j)
			}
			change++
		}
	}
	end(len(t.Tests))
	return all
}
