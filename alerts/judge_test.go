package alerts_test

import (
	"encoding/json"
	"slices"
	"testing"

	"github.com/stretchr/testify/require"

	"rimeyard/alerts"
	"rimeyard/internal/fleet"
	"rimeyard/trend"
)

// What was learned survives the program: one unit judged by it later is judged as it was in the list.
func TestOneUnitIsJudgedAsInTheList(t *testing.T) {
	w := newWorld(5, 30, 2)
	issued, err := alerts.Issue(t.Context(), w.input())
	require.NoError(t, err)
	kept, err := json.Marshal(issued.Learned)
	require.NoError(t, err)
	learned, err := alerts.ReadLearned(kept)
	require.NoError(t, err)
	judge := alerts.NewJudge(learned, w.input())
	fresh := 0
	for i, h := range w.histories {
		got, err := judge.Unit(h, w.asOf-7)
		require.NoError(t, err)
		at := slices.IndexFunc(issued.List.Units, func(f fleet.Forecast) bool { return f.Unit == h.Unit.ID })
		want := issued.List.Units[at]
		want.Rank = 0
		require.Equal(t, want, got.Forecast, h.Unit.ID)
		require.Equal(t, issued.Outlooks[i], got.Outlook, h.Unit.ID)
		require.Equal(t, w.asOf, got.Months[0].From)
		require.Len(t, got.Weeks, len(got.Outlook.ChanceByWeek))
		for _, week := range got.Weeks {
			require.True(t, week.ColdestC.Or(9) <= week.MiddleC.Or(-99) && week.MiddleC.Or(9) <= week.MildestC.Or(-99), "%v", week)
			require.True(t, week.ColdLimitP10C <= week.ColdLimitC && week.ColdLimitC <= week.ColdLimitP90C)
		}
		require.True(t, got.Strength.P10 < got.Strength.Now && got.Strength.Now < got.Strength.P90, "%v", got.Strength)
		fresh += got.Change.Tests + got.Change.Cranks
	}
	require.Positive(t, fresh, "readings of the last week")
	_, err = judge.Unit(fleet.History{Unit: fleet.Unit{ID: "X", Depot: "nowhere"}}, w.asOf)
	require.ErrorContains(t, err, `its depot "nowhere" is not among those given`)
	_, err = alerts.ReadLearned([]byte("{"))
	require.ErrorContains(t, err, "read what was learned from the fleet")
}

// Of what changed, the part that readings made is what judging without them takes away; without new readings it is nothing.
func TestChangeIsWhatReadingsMade(t *testing.T) {
	w := newWorld(7, 20, 2)
	issued, err := alerts.Issue(t.Context(), w.input())
	require.NoError(t, err)
	judge := alerts.NewJudge(issued.Learned, w.input())
	moved := 0
	for _, h := range w.histories {
		none, err := judge.Unit(h, w.asOf)
		require.NoError(t, err)
		require.Zero(t, none.Change.Tests+none.Change.Cranks+none.Change.Breakdowns)
		require.Equal(t, none.Forecast, none.Change.Without)
		month, err := judge.Unit(h, w.asOf-30)
		require.NoError(t, err)
		if month.Change.Without.NoStartProbability != month.Forecast.NoStartProbability {
			moved++
		}
	}
	require.Positive(t, moved)
}

// What a new battery changes is told apart from what readings and time do.
func TestChangeTellsNewPartsApart(t *testing.T) {
	w := newWorld(7, 20, 2)
	issued, err := alerts.Issue(t.Context(), w.input())
	require.NoError(t, err)
	judge := alerts.NewJudge(issued.Learned, w.input())
	at := slices.IndexFunc(w.histories, func(h fleet.History) bool { return len(h.Batteries) > 0 })
	old, day := w.histories[at], w.asOf-3
	before, err := judge.Unit(old, w.asOf-7)
	require.NoError(t, err)
	require.Zero(t, before.Change.Fitted)
	require.Equal(t, before.Change.Without, before.Change.Unfitted)

	renewed := old
	renewed.Batteries = slices.Clone(old.Batteries)
	last := &renewed.Batteries[len(renewed.Batteries)-1]
	fresh := *last
	last.RemovedOn, last.RemovedBecause = fleet.Known(day), fleet.RemovedPreventive
	fresh.Battery, fresh.FittedOn = fresh.Battery+"-new", fleet.Known(day)
	renewed.Batteries = append(renewed.Batteries, fresh)
	after, err := judge.Unit(renewed, w.asOf-7)
	require.NoError(t, err)
	require.Equal(t, 1, after.Change.Fitted)
	require.Equal(t, before.Change.Without, after.Change.Unfitted, "without the battery and the readings it is the unit of a week ago")
	require.NotEqual(t, after.Change.Without, after.Change.Unfitted)
}

// Copies that stand in where few winters are on record are of no single year.
func TestWintersOfAnOutlookAreNamedByYear(t *testing.T) {
	w := newWorld(6, 30, 2)
	in := w.input()
	for depot, days := range in.Temps {
		in.Temps[depot] = slices.DeleteFunc(slices.Clone(days), func(d fleet.DayTemp) bool { return d.Date < fleet.NewDate(2022, 9, 1) })
	}
	issued, err := alerts.Issue(t.Context(), in)
	require.NoError(t, err)
	require.NotEmpty(t, issued.Outlooks)
	for _, o := range issued.Outlooks {
		var years []int
		for _, winter := range o.ByWinter {
			years = append(years, winter.Year)
		}
		require.Equal(t, []int{2022, 2023, 0, 0, 0}, years)
	}
}

func TestOutlookAgreesWithItsForecast(t *testing.T) {
	w := newWorld(6, 30, 2)
	issued, err := alerts.Issue(t.Context(), w.input())
	require.NoError(t, err)
	list, err := alerts.Rank(t.Context(), w.input())
	require.NoError(t, err)
	require.Equal(t, list, issued.List)
	for _, o := range issued.Outlooks {
		at := slices.IndexFunc(list.Units, func(f fleet.Forecast) bool { return f.Unit == o.Unit })
		p := list.Units[at].NoStartProbability.Or(-1)
		require.Len(t, o.ChanceByWeek, 27, "weeks of October to March from the first of October 2024, a Tuesday")
		require.True(t, slices.IsSorted(o.ChanceByWeek), o.Unit)
		require.InDelta(t, p, o.ChanceByWeek[26], 1e-4, o.Unit)
		require.True(t, slices.IsSorted(o.ChanceIf[:]), "a warmer limit is never safer: %v", o.ChanceIf)
		sum := 0.0
		var years []int
		for _, winter := range o.ByWinter {
			years = append(years, winter.Year)
			require.Len(t, winter.Chance, 6, "October to March")
			require.True(t, slices.IsSorted(winter.Chance))
			sum += winter.Chance[5]
		}
		require.Equal(t, 2023, years[len(years)-1], "the newest last")
		require.Equal(t, len(years)-1, years[len(years)-1]-years[0], "year by year")
		require.InDelta(t, p, sum/float64(len(o.ByWinter)), 1e-3, "the season's chance is the mean over the winters")
		if p >= 0.05 {
			mean := 0.0
			for _, each := range o.ChanceIf {
				mean += each / 5
			}
			require.InDelta(t, p, mean, 0.06, "what a test might tell is, on the whole, what is thought now")
		}
		require.Less(t, trend.MorningAt(o.Night, 5), trend.MorningAt(o.Night, -35))
	}
}
