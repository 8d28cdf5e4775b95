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
	for i, h := range w.histories {
		got, err := judge.Unit(h)
		require.NoError(t, err)
		at := slices.IndexFunc(issued.List.Units, func(f fleet.Forecast) bool { return f.Unit == h.Unit.ID })
		want := issued.List.Units[at]
		want.Rank = 0
		require.Equal(t, want, got.Forecast, h.Unit.ID)
		require.Equal(t, issued.Outlooks[i], got.Outlook, h.Unit.ID)
		require.Equal(t, w.asOf, got.Months[0].From)
	}
	_, err = judge.Unit(fleet.History{Unit: fleet.Unit{ID: "X", Depot: "nowhere"}})
	require.ErrorContains(t, err, `its depot "nowhere" is not among those given`)
	_, err = alerts.ReadLearned([]byte("{"))
	require.ErrorContains(t, err, "read what was learned from the fleet")
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
