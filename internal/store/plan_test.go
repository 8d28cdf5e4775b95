package store_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"rimeyard/internal/fleet"
)

func TestChoicesReplaceEachOther(t *testing.T) {
	db := yardOf(t, "U", "V")
	monday := fleet.NewDate(2026, 11, 30)
	require.NoError(t, db.ChoosePlan(t.Context(), fleet.PlanChoice{Unit: "V", By: "mara"}))
	first := fleet.PlanChoice{Unit: "U", Monday: fleet.Known(monday), Parts: []fleet.Part{fleet.BatteryPart, fleet.CablePart}, Who: "jo", Note: "with the inspection", By: "mara"}
	require.NoError(t, db.ChoosePlan(t.Context(), first))
	later := first
	later.Monday, later.Retest = fleet.Known(monday+7), true
	require.NoError(t, db.ChoosePlan(t.Context(), later))

	kept, err := db.PlanChoices(t.Context(), []fleet.DepotID{"A"})
	require.NoError(t, err)
	require.Len(t, kept, 2)
	require.WithinDuration(t, time.Now(), kept[0].At, time.Minute)
	kept[0].At, later.Depot = time.Time{}, "A"
	require.Equal(t, later, kept[0])
	require.False(t, kept[1].Monday.IsKnown(), "left this season")
	none, err := db.PlanChoices(t.Context(), []fleet.DepotID{})
	require.NoError(t, err)
	require.Empty(t, none)

	revised, err := db.PlanRevised(t.Context(), nil)
	require.NoError(t, err)
	require.Len(t, revised, 1)
	require.NoError(t, db.UnchoosePlan(t.Context(), "U"))
	again, err := db.PlanRevised(t.Context(), []fleet.DepotID{"A"})
	require.NoError(t, err)
	require.True(t, again["A"].After(revised["A"]))
	kept, err = db.PlanChoices(t.Context(), nil)
	require.NoError(t, err)
	require.Len(t, kept, 1)
	require.ErrorContains(t, db.ChoosePlan(t.Context(), fleet.PlanChoice{Unit: "U", Monday: fleet.Known(monday + 1), By: "mara"}), "unit U", "no week begins on a Tuesday")
}

func TestWeeksAndShelves(t *testing.T) {
	db := yardOf(t, "U")
	monday := fleet.NewDate(2026, 11, 30)
	require.NoError(t, db.SetDepotWeek(t.Context(), "A", monday, fleet.Known(2)))
	require.NoError(t, db.SetDepotWeek(t.Context(), "A", monday, fleet.Known(0)))
	require.NoError(t, db.SetDepotWeek(t.Context(), "A", monday-7, fleet.Known(5)))
	require.NoError(t, db.SetDepotWeek(t.Context(), "A", monday+7, fleet.Known(5)))
	require.NoError(t, db.SetDepotWeek(t.Context(), "A", monday+7, fleet.Opt[int]{}))
	weeks, err := db.DepotWeeks(t.Context(), nil, monday)
	require.NoError(t, err)
	require.Equal(t, []fleet.DepotWeek{{Depot: "A", Monday: monday, Visits: 0}}, weeks)

	_, err = db.Pool().Exec(t.Context(), `INSERT INTO part (part, kind) VALUES ('P-1', 'battery'), ('P-2', 'starter');
		INSERT INTO stock_move (depot, part, pieces, because, moved_by) VALUES ('A', 'P-1', 5, 'counted', 'x'), ('A', 'P-1', -2, 'fitted', 'x');
		INSERT INTO part_order (depot, part, pieces, ordered_on, arrived_on, ordered_by) VALUES ('A', 'P-2', 3, '2026-11-01', NULL, 'x'), ('A', 'P-2', 9, '2026-11-01', '2026-11-05', 'x')`)
	require.NoError(t, err)
	shelves, err := db.Shelves(t.Context(), []fleet.DepotID{"A"})
	require.NoError(t, err)
	require.Equal(t, []fleet.Shelf{{Depot: "A", Part: "P-1", Kind: fleet.BatteryPart, OnHand: 3}, {Depot: "A", Part: "P-2", Kind: fleet.StarterPart, OnOrder: 3}}, shelves)
}

func TestTheNewestPlanIsShown(t *testing.T) {
	db := yardOf(t, "U")
	none, err := db.KeptPlans(t.Context(), nil, time.Time{})
	require.NoError(t, err)
	require.Empty(t, none)
	issue, err := db.AddIssue(t.Context(), fleet.RankedList{AsOf: pastSeason.From, Season: pastSeason}, "test", fleet.Beside{})
	require.NoError(t, err)
	for _, of := range []string{"1", "2"} {
		require.NoError(t, db.KeepPlan(t.Context(), fleet.KeptPlan{Issue: issue.ID, Depot: "A", MadeOf: of, Result: []byte(`{"weeks": ` + of + `}`), Left: []byte(`[]`)}))
	}
	kept, err := db.KeptPlans(t.Context(), []fleet.DepotID{"A"}, time.Time{})
	require.NoError(t, err)
	require.Len(t, kept, 1)
	require.Equal(t, []string{"2", `{"weeks": 2}`, `[]`}, []string{kept[0].MadeOf, string(kept[0].Result), string(kept[0].Left)})
	earlier, err := db.KeptPlans(t.Context(), nil, kept[0].MadeAt)
	require.NoError(t, err)
	require.Len(t, earlier, 1)
	require.Equal(t, "1", earlier[0].MadeOf)
	require.Nil(t, earlier[0].Left, "only the newest says whom it leaves")
	for number, want := range map[int64]bool{issue.ID: true, issue.ID + 1: false} {
		has, err := db.HasPlans(t.Context(), number)
		require.NoError(t, err)
		require.Equal(t, want, has)
	}
	others, err := db.KeptPlans(t.Context(), []fleet.DepotID{}, time.Time{})
	require.NoError(t, err)
	require.Empty(t, others)
}

// A feed opens the plan to one person, until there is a newer one or none.
func TestFeeds(t *testing.T) {
	db := yardOf(t, "U")
	added, err := db.AddPerson(t.Context(), fleet.Person{Name: "jo", Role: fleet.Mechanic, Depots: []fleet.DepotID{"A"}, PasswordHash: "x"})
	require.NoError(t, err)
	require.True(t, added)
	first, second := [32]byte{1}, [32]byte{2}
	_, found, err := db.Feed(t.Context(), "jo")
	require.NoError(t, err)
	require.False(t, found)
	require.NoError(t, db.MakeFeed(t.Context(), "jo", first))
	require.NoError(t, db.MakeFeed(t.Context(), "jo", second))
	for hash, want := range map[[32]byte]bool{first: false, second: true} {
		p, found, err := db.UseFeed(t.Context(), hash)
		require.NoError(t, err)
		require.Equal(t, want, found)
		if want {
			require.Equal(t, []fleet.DepotID{"A"}, p.Depots)
		}
	}
	feed, found, err := db.Feed(t.Context(), "jo")
	require.NoError(t, err)
	require.True(t, found)
	require.WithinDuration(t, time.Now(), feed.LastUsedAt, time.Minute)

	_, err = db.Pool().Exec(t.Context(), `UPDATE person SET disabled_at = now()`)
	require.NoError(t, err)
	_, found, err = db.UseFeed(t.Context(), second)
	require.NoError(t, err)
	require.False(t, found, "nor do people who may not sign in")
	require.NoError(t, db.EndFeed(t.Context(), "jo"))
	_, found, err = db.Feed(t.Context(), "jo")
	require.NoError(t, err)
	require.False(t, found)
}
