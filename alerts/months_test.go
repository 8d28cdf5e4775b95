package alerts_test

import (
	"testing"

	"github.com/stretchr/testify/require"

	"rimeyard/alerts"
	"rimeyard/internal/fleet"
)

func TestMonthsOfOneUnit(t *testing.T) {
	w := newWorld(2, 45, 1)
	in := alerts.Input{AsOf: w.asOf, Depots: w.depots, Temps: w.temps, Histories: each(w.histories), Workers: 2}
	r, err := alerts.RankUnit(t.Context(), in, "T-0007")
	require.NoError(t, err)
	list, months := r.List, r.Months
	require.Equal(t, bytesOf(t, w.rank(t, w.histories, 2)), bytesOf(t, list), "looking at one unit's months changed the list")
	require.Len(t, months, 6)
	said := byUnit(list)["T-0007"]
	for i, m := range months {
		require.Equal(t, fleet.NewDate(2024, 10, 1).AddMonths(i), m.From)
		require.True(t, m.ColdLimitP10C < m.ColdLimitC && m.ColdLimitC < m.ColdLimitP90C)
		if i > 0 {
			require.GreaterOrEqual(t, m.NoStartProbability.Or(0), months[i-1].NoStartProbability.Or(1), "a chance so far can only grow")
			require.Greater(t, m.ColdLimitP90C-m.ColdLimitP10C, months[i-1].ColdLimitP90C-months[i-1].ColdLimitP10C, "the future is less sure the farther off it is")
		}
	}
	require.InDelta(t, said.NoStartProbability.Or(0), months[5].NoStartProbability.Or(1), 1e-9)
	p, low, high := said.NoStartProbability.Or(0), r.Outlook.ChanceP05.Or(1), r.Outlook.ChanceP95.Or(0)
	require.True(t, low <= p && p <= high, "%v is not between %v and %v", p, low, high)
	none, err := alerts.RankUnit(t.Context(), in, "nobody")
	require.NoError(t, err)
	require.Empty(t, none.Months)
}
