package alerts_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"rimeyard/alerts"
	"rimeyard/internal/fleet"
)

const day = 24 * time.Hour

var silentNow = time.Date(2026, 11, 25, 9, 0, 0, 0, time.UTC)

// read is a unit read n times, every gap, for the last time quiet ago.
func read(unit fleet.UnitID, kind fleet.Kind, n int, gap, quiet time.Duration) fleet.Rhythm {
	last := silentNow.Add(-quiet)
	return fleet.Rhythm{Unit: unit, Depot: "NOR", Kind: kind, Readings: n, First: last.Add(-time.Duration(n-1) * gap), Last: last}
}

func TestUnitsThatStoppedReporting(t *testing.T) {
	fresh := read("FRESH", fleet.CranksKind, 60, day/8, time.Hour)
	freshTest := read("FRESH", fleet.TestsKind, 6, 7*day, 3*day)
	for _, tc := range []struct {
		name    string
		r       fleet.Rhythm
		stopped bool
	}{
		{"a logger quiet over a long weekend", read("U", fleet.CranksKind, 60, day/8, 4*day), false},
		{"a logger quiet for a week and an hour", read("U", fleet.CranksKind, 60, day/8, 7*day+time.Hour), true},
		{"a unit that cranks once a week, quiet for four weeks", read("U", fleet.CranksKind, 10, 7*day, 28*day), false},
		{"and for longer", read("U", fleet.CranksKind, 10, 7*day, 28*day+time.Hour), true},
		{"a few cranks make no rhythm", read("U", fleet.CranksKind, 9, day/8, 300*day), false},
		{"weekly tests, three weeks out", read("U", fleet.TestsKind, 6, 7*day, 21*day), false},
		{"weekly tests, four gaps out", read("U", fleet.TestsKind, 6, 7*day, 28*day), false},
		{"weekly tests, longer", read("U", fleet.TestsKind, 6, 7*day, 29*day), true},
		{"daily tests are let three weeks", read("U", fleet.TestsKind, 12, day, 20*day), false},
		{"and no longer", read("U", fleet.TestsKind, 12, day, 22*day), true},
		{"three tests make no rhythm", read("U", fleet.TestsKind, 3, 7*day, 300*day), false},
	} {
		silent, never := alerts.StoppedReporting([]fleet.Rhythm{fresh, freshTest, tc.r}, silentNow)
		require.Equal(t, tc.stopped, len(silent) == 1, tc.name)
		require.Empty(t, never)
	}
}

func TestAHaltOfTheWholeFleetIsNoUnitsFault(t *testing.T) {
	rhythms := []fleet.Rhythm{
		read("A", fleet.CranksKind, 60, day/8, 40*day), read("B", fleet.CranksKind, 60, day/8, 41*day), read("C", fleet.CranksKind, 60, day/8, 50*day),
		{Unit: "A", Kind: fleet.TestsKind},
		{Unit: "D", Kind: fleet.CranksKind},
		{Unit: "D", Kind: fleet.TestsKind},
	}
	silent, never := alerts.StoppedReporting(rhythms, silentNow)
	require.Len(t, silent, 1)
	require.Equal(t, fleet.UnitID("C"), silent[0].Unit, "held against A's last crank")
	require.Equal(t, 10*day, silent[0].Quiet)
	require.Equal(t, day/8, silent[0].UsualGap)
	require.Len(t, never, 1)
	require.Equal(t, fleet.UnitID("D"), never[0].Unit)
	require.True(t, alerts.Halted(fleet.CranksKind, alerts.NewestReadings(rhythms)[fleet.CranksKind], silentNow))
}

// Whatever the rhythms: a unit is never both never read and stopped, and the order of what is given makes no difference.
func TestStoppedReportingIsOfEveryOrder(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		var rhythms []fleet.Rhythm
		for i := range rapid.IntRange(0, 12).Draw(rt, "units") {
			for _, kind := range []fleet.Kind{fleet.CranksKind, fleet.TestsKind} {
				r := fleet.Rhythm{Unit: fleet.UnitID(rune('A' + i)), Kind: kind}
				if n := rapid.IntRange(0, 30).Draw(rt, "readings"); n > 0 {
					r = read(r.Unit, kind, n, time.Duration(rapid.IntRange(0, 400).Draw(rt, "gap"))*time.Hour, time.Duration(rapid.IntRange(0, 2000).Draw(rt, "quiet"))*time.Hour)
				}
				rhythms = append(rhythms, r)
			}
		}
		silent, never := alerts.StoppedReporting(rhythms, silentNow)
		seen := map[fleet.UnitID]bool{}
		for _, s := range silent {
			seen[s.Unit] = true
			require.Greater(rt, s.Quiet, 7*day)
		}
		for _, r := range never {
			require.False(rt, seen[r.Unit])
			seen[r.Unit] = true
		}
		turnedSilent, turnedNever := alerts.StoppedReporting(rapid.Permutation(rhythms).Draw(rt, "order"), silentNow)
		require.Equal(rt, silent, turnedSilent)
		require.Len(rt, turnedNever, len(never))
	})
}
