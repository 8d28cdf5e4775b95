package alerts

import (
	"cmp"
	"slices"
	"time"

	"rimeyard/internal/fleet"
)

// What makes a unit that was read regularly one that has stopped reporting. Common practice, no source: four gaps of its own
// let a holiday pass, and the least spans let pass what stands over a week's end or misses one round of the yard.
const (
	silentGaps        = 4
	silentLeastCranks = 7 * 24 * time.Hour
	silentLeastTests  = 21 * 24 * time.Hour
	regularCranks     = 10 // so many at least, of those that were counted, make a rhythm
	regularTests      = 4
)

// Silent is a unit of which something was read regularly, and of late nothing.
type Silent struct {
	fleet.Rhythm
	UsualGap time.Duration // from one reading to the next, the mean of those counted
	Quiet    time.Duration // since the last one
}

// StoppedReporting splits the rhythms into the units that stopped reporting, the newest first, and those never read at all: of
// which every rhythm is empty. A rhythm is held against now; but where nothing at all of its kind came from the whole fleet of
// late, it is the bringing of files that stopped and not the units, so it is held against the newest reading of that kind.
func StoppedReporting(rhythms []fleet.Rhythm, now time.Time) (silent []Silent, never []fleet.Rhythm) {
	newest := NewestReadings(rhythms)
	read := map[fleet.UnitID]bool{}
	for _, r := range rhythms {
		if r.Readings == 0 {
			continue
		}
		read[r.Unit] = true
		if s, stopped := stopped(r, heldAgainst(r.Kind, newest[r.Kind], now)); stopped {
			silent = append(silent, s)
		}
	}
	for _, r := range rhythms {
		if !read[r.Unit] {
			read[r.Unit] = true // name it once
			never = append(never, r)
		}
	}
	slices.SortFunc(silent, func(a, b Silent) int {
		return cmp.Or(b.Last.Compare(a.Last), cmp.Compare(a.Unit, b.Unit), cmp.Compare(a.Kind, b.Kind))
	})
	slices.SortFunc(never, func(a, b fleet.Rhythm) int { return cmp.Compare(a.Unit, b.Unit) })
	return silent, never
}

// NewestReadings is when the newest reading of each kind was made.
func NewestReadings(rhythms []fleet.Rhythm) map[fleet.Kind]time.Time {
	newest := map[fleet.Kind]time.Time{}
	for _, r := range rhythms {
		if r.Readings > 0 && r.Last.After(newest[r.Kind]) {
			newest[r.Kind] = r.Last
		}
	}
	return newest
}

// heldAgainst is the instant that rhythms of a kind are held against.
func heldAgainst(kind fleet.Kind, newest, now time.Time) time.Time {
	if Halted(kind, newest, now) {
		return newest
	}
	return now
}

// Halted tells whether nothing at all of a kind came of late.
func Halted(kind fleet.Kind, newest, now time.Time) bool { return now.Sub(newest) > leastQuiet(kind) }

func leastQuiet(kind fleet.Kind) time.Duration {
	if kind == fleet.CranksKind {
		return silentLeastCranks
	}
	return silentLeastTests
}

func stopped(r fleet.Rhythm, at time.Time) (Silent, bool) {
	least := regularTests
	if r.Kind == fleet.CranksKind {
		least = regularCranks
	}
	if r.Readings < least {
		return Silent{}, false
	}
	s := Silent{Rhythm: r, UsualGap: r.Last.Sub(r.First) / time.Duration(r.Readings-1), Quiet: at.Sub(r.Last)}
	return s, s.Quiet > max(silentGaps*s.UsualGap, leastQuiet(r.Kind))
}
