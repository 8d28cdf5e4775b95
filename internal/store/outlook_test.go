package store_test

import (
	"testing"

	"github.com/stretchr/testify/require"

	"rimeyard/internal/fleet"
	"rimeyard/internal/store"
)

func TestOnlyTheNewestListHasOutlooks(t *testing.T) {
	db := yardOf(t, "U")
	_, _, err := db.Learned(t.Context())
	require.ErrorIs(t, err, store.ErrNoIssue)

	asOf := fleet.NewDate(2026, 11, 24)
	outlook := fleet.Outlook{
		Unit: "U", ChanceByWeek: []float64{0.1, 0.30000000000000004}, ChanceIf: [5]float64{0.1, 0.2, 0.3, 0.4, 0.5},
		Night: fleet.NightCurve{LimitC: -11, SDC: 2, SpreadC: 3, Quiet: 0.01}, NoStartCost: fleet.Known(fleet.Money(85000)),
		SwapCosts: map[fleet.Part]fleet.Money{fleet.BatteryPart: 31200},
		ByWinter:  []fleet.PastWinter{{Year: 2024, Chance: []float64{0, 0.1234, 1}}, {Chance: []float64{0.0001, 0.25, 0.9999}}},
	}
	issue := func(asOf fleet.Date, beside fleet.Beside) fleet.Issue {
		t.Helper()
		issued, err := db.AddIssue(t.Context(), fleet.RankedList{
			AsOf: asOf, Season: pastSeason, Units: []fleet.Forecast{{Unit: "U", Depot: "A", Rank: 1, Band: fleet.Watch, Suspect: fleet.BatteryPart}},
		}, "test", beside)
		require.NoError(t, err)
		return issued
	}
	listed := func(of fleet.Issue) fleet.Listed {
		t.Helper()
		list, err := db.Listed(t.Context(), of.ID, fleet.ListFilter{})
		require.NoError(t, err)
		require.Len(t, list, 1)
		return list[0]
	}
	const lesson = `{"b": 0.30000000000000004,  "a": null}`
	first := issue(asOf, fleet.Beside{Outlooks: []fleet.Outlook{outlook}, Learned: []byte(lesson)})
	require.Equal(t, outlook, *listed(first).Outlook)
	require.Equal(t, fleet.DepotID("A"), listed(first).Unit.Depot)

	issue(asOf-30, fleet.Beside{Outlooks: []fleet.Outlook{{Unit: "U"}}, Learned: []byte(`{}`)}) // for a past day
	of, kept, err := db.Learned(t.Context())
	require.NoError(t, err)
	require.Equal(t, lesson, string(kept), "to the byte")
	require.Equal(t, first.ID, of.ID)
	require.Equal(t, outlook, *listed(first).Outlook)

	second := issue(asOf+1, fleet.Beside{Outlooks: []fleet.Outlook{outlook}})
	require.NotNil(t, listed(second).Outlook)
	require.Nil(t, listed(first).Outlook)
}
