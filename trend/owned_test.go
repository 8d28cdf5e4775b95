package trend

import (
	"testing"

	"github.com/stretchr/testify/require"

	"rimeyard/internal/fleet"
)

// weeksOf cranked cold are a row for each week, cold times each; none where it is 0.
func weeksOf(from int, cold ...int) (rows []WeekRow) {
	for i, n := range cold {
		if n > 0 {
			rows = append(rows, WeekRow{Week: from + i, Sag: Mean{Y: 0.1, N: n}})
		}
	}
	return rows
}

func timesOver(n, times int) (all []int) {
	for range times {
		all = append(all, n)
	}
	return all
}

func TestCranksOfAnotherUnitAreNotOwned(t *testing.T) {
	usual := Params{WeeklyCranks: 6}
	const first = 2900
	stray := Track{AsOfWeek: first + 40, HasLogger: true, Weeks: weeksOf(first, 0, 1, 0, 0, 1, 1, 0, 0, 0, 0, 2, 0, 1)}
	stray.Events = []Event{
		{Day: mondayOf(first + 4), Week: first + 4, Failed: true, FromRow: true},
		{Day: mondayOf(first + 10), Week: first + 10, FromRow: true},
		{Day: mondayOf(first + 11), Week: first + 11, Failed: true},
	}
	stray.Breakdowns = []Failure{{Day: mondayOf(first+4) + 1, Cause: fleet.BatteryPart}}
	stray.Coldest = ColdCrank{Day: mondayOf(first + 12), V: 9}
	stray.StartsPerDay, stray.BookedStarts, stray.NightOffsetC, stray.BookedOffsetC = 0.2, 0.7, 0, 8
	whole := stray

	own := stray.Owned(usual)
	require.Empty(t, own.Weeks)
	require.False(t, own.HasLogger)
	require.Zero(t, own.Coldest.V)
	require.Zero(t, own.LastDay, "it was never read")
	require.InDelta(t, 0.7, own.StartsPerDay, 1e-12, "one start a month is the neighbour's")
	require.InDelta(t, 8, own.NightOffsetC, 1e-12)
	require.Len(t, own.Events, 2, "what the book bears out stays, and what it alone tells")
	require.Equal(t, whole, stray, "the track itself stays as it was")
	require.Equal(t, stray, stray.Owned(Params{WeeklyCranks: 0.4}), "where all note a crank now and then, so does this one")
	require.Equal(t, stray, stray.Owned(Params{}), "nothing is known of the fleet")

	spare := Track{AsOfWeek: first + 60, HasLogger: true, Weeks: weeksOf(first, timesOver(2, 60)...)}
	require.Len(t, spare.Owned(usual).Weeks, 56, "of one that is seldom cranked the first weeks are lost")
	late := Track{AsOfWeek: first + 60, HasLogger: true, Weeks: append(weeksOf(first, 0, 1, 0, 1), weeksOf(first+20, timesOver(6, 30)...)...)}
	require.Equal(t, first+21, late.Owned(usual).Weeks[0].Week, "its logger came later")
	daily := Track{AsOfWeek: first + 60, HasLogger: true, Weeks: weeksOf(first, 10, 6, 6, 0, 0, 0, 0, 0, 0, 0, 0, 0, 1, 0, 6)}
	require.Len(t, daily.Owned(usual).Weeks, 5)
	fresh := Track{AsOfWeek: first + 2, HasLogger: true, Weeks: weeksOf(first, 3, 6)}
	require.Equal(t, fresh, fresh.Owned(usual), "its logger was fitted two weeks ago")
}

// What comes later neither takes a week away nor brings one back.
func TestOwnedLooksBackOnly(t *testing.T) {
	usual := Params{WeeklyCranks: 6}
	cold := append(append(timesOver(1, 20), timesOver(0, 15)...), timesOver(6, 20)...)
	whole := Track{AsOfWeek: 3000, Weeks: weeksOf(2900, cold...)}
	all := whole.Owned(usual)
	for n := range cold {
		part := Track{AsOfWeek: 3000, Weeks: weeksOf(2900, cold[:n]...)}
		own := part.Owned(usual)
		for i, w := range own.Weeks {
			require.Equal(t, all.Weeks[i], w)
		}
		require.Len(t, own.Weeks, len(upTo(all.Weeks, func(w *WeekRow) bool { return w.Week >= 2900+n })))
	}
}

func TestWeeklyCranksAreThoseOfTheMiddleUnit(t *testing.T) {
	require.Zero(t, weeklyCranks([]Track{{}, {}}))
	tracks := []Track{{Weeks: weeksOf(2900, 4, 0, 8)}, {Weeks: weeksOf(2900, 1, 0, 0, 0, 1)}, {Weeks: weeksOf(2900, timesOver(5, 9)...)}, {}}
	require.InDelta(t, 4, weeklyCranks(tracks), 1e-12)
}
