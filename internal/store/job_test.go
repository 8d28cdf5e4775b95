package store_test

import (
	"testing"

	"github.com/stretchr/testify/require"

	"rimeyard/internal/fleet"
	"rimeyard/internal/store"
)

func newJob(unit fleet.UnitID, part fleet.Part, request string) fleet.NewJob {
	return fleet.NewJob{Unit: unit, Part: part, Work: fleet.WorkSwap, Because: "it cranks slowly", By: "jo", Request: request}
}

func TestOneOpenJobPerPart(t *testing.T) {
	db := yardOf(t, "U")
	var search int64
	require.NoError(t, db.Pool().QueryRow(t.Context(), `INSERT INTO fault_search (unit, session, started_by, changed_by) VALUES ('U', '{}', 'jo', 'jo') RETURNING search`).Scan(&search))
	n := newJob("U", fleet.StarterPart, "k1")
	n.Named, n.Search = map[fleet.Part]float64{fleet.StarterPart: 0.8, fleet.CablePart: 0.2}, search
	first, opened, err := db.OpenJob(t.Context(), n)
	require.NoError(t, err)
	require.True(t, opened)
	require.Equal(t, fleet.JobFound, first.State)
	require.Equal(t, n.Named, first.Named)
	require.Equal(t, fleet.DepotID("A"), first.Depot)
	var named int64
	require.NoError(t, db.Pool().QueryRow(t.Context(), `SELECT job FROM fault_search WHERE search = $1`, search).Scan(&named))
	require.Equal(t, first.ID, named)

	for _, request := range []string{"k1", "k2", ""} {
		again, opened, err := db.OpenJob(t.Context(), newJob("U", fleet.StarterPart, request))
		require.NoError(t, err)
		require.False(t, opened)
		require.Equal(t, first, again, "sent twice, or found twice, it is one job")
	}
	planned := newJob("U", fleet.BatteryPart, "k1b")
	planned.Monday, planned.Who = fleet.Known(fleet.NewDate(2026, 11, 30)), "jo"
	second, opened, err := db.OpenJob(t.Context(), planned)
	require.NoError(t, err)
	require.True(t, opened)
	require.Equal(t, fleet.JobPlanned, second.State)
	require.Equal(t, planned.Monday, second.Monday)
	_, events, err := db.Job(t.Context(), second.ID)
	require.NoError(t, err)
	require.Len(t, events, 1)
	require.Equal(t, "it cranks slowly", events[0].Note)

	jobs, err := db.Jobs(t.Context(), []fleet.DepotID{"A"}, "")
	require.NoError(t, err)
	require.Equal(t, []fleet.Job{first, second}, jobs)
	none, err := db.Jobs(t.Context(), []fleet.DepotID{}, "")
	require.NoError(t, err)
	require.Empty(t, none)

	_, _, err = db.OpenJob(t.Context(), newJob("V", fleet.StarterPart, ""))
	require.ErrorIs(t, err, store.ErrNoUnit)
	_, _, err = db.Job(t.Context(), 99)
	require.ErrorIs(t, err, fleet.ErrNoJob)
	n.Because = ""
	_, _, err = db.OpenJob(t.Context(), n)
	require.ErrorContains(t, err, "say in a sentence why")
}
