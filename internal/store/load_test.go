package store_test

import (
	"context"
	"iter"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"rimeyard/internal/fleet"
	"rimeyard/internal/pgtest"
	"rimeyard/internal/store"
)

// nothingKept is for files all of whose rows are good.
func nothingKept() iter.Seq2[fleet.KeptRow, error] { return func(func(fleet.KeptRow, error) bool) {} }

// loadRows takes rows in as files, one for each run of a kind.
func loadRows(tb testing.TB, db *store.DB, rows ...fleet.Row) {
	tb.Helper()
	ctx := context.Background()
	l, err := db.StartLoad(ctx, "test", false)
	require.NoError(tb, err)
	defer func() { require.NoError(tb, l.Close(ctx)) }()
	for i := 0; i < len(rows); {
		kind := rows[i].Kind()
		require.NoError(tb, l.StartFile(ctx, kind, false))
		result := fleet.FileResult{File: string(kind) + string(rune('a'+i)), Kind: kind}
		for ; i < len(rows) && rows[i].Kind() == kind; i++ {
			result.Rows++
			require.NoError(tb, l.Add(ctx, result.Rows, rows[i]))
		}
		taken, _, err := l.Merge(ctx)
		require.NoError(tb, err)
		result.Taken = taken
		require.NoError(tb, l.FinishFile(ctx, result, nothingKept()))
	}
}

// yardOf is a database with one depot and the units.
func yardOf(tb testing.TB, units ...fleet.UnitID) *store.DB {
	tb.Helper()
	db := store.New(pgtest.New(tb))
	rows := []fleet.Row{&fleet.Depot{ID: "A", Name: "A", Timezone: "UTC"}}
	for _, u := range units {
		rows = append(rows, &fleet.Unit{ID: u, Depot: "A", Class: "van", Fuel: fleet.Petrol, SystemVolts: 12, Batteries: 1, Parked: fleet.Outdoors})
	}
	loadRows(tb, db, rows...)
	return db
}

func crankAt(unit fleet.UnitID, at time.Time, minV float64) *fleet.Crank {
	return &fleet.Crank{Unit: unit, At: at, MinV: fleet.Known(minV), Outcome: fleet.Started}
}

var sunday = time.Date(2025, 2, 2, 23, 30, 0, 0, time.UTC) // the last hour of a week and in the month's first days

func minVolts(tb testing.TB, db *store.DB, unit fleet.UnitID) (volts []float64) {
	tb.Helper()
	h, err := db.History(tb.Context(), unit)
	require.NoError(tb, err)
	for i, c := range h.Cranks {
		require.Equal(tb, unit, c.Unit)
		require.True(tb, i == 0 || h.Cranks[i-1].At.Before(c.At), "cranks are in the order of time")
		v, _ := c.MinV.Get()
		volts = append(volts, v)
	}
	return volts
}

func TestLateCranksAreDigestedIntoTheirWeek(t *testing.T) {
	db := yardOf(t, "U", "V")
	loadRows(t, db, crankAt("U", sunday, 9), crankAt("U", sunday.Add(time.Hour), 9.2), crankAt("V", sunday, 8))
	require.Equal(t, []float64{9, 9.2}, minVolts(t, db, "U"))
	loadRows(t, db, crankAt("U", sunday.Add(-time.Minute), 8.9), crankAt("U", sunday.AddDate(0, -2, 0), 10))
	var waiting int
	require.NoError(t, db.Pool().QueryRow(t.Context(), `SELECT count(*) FROM crank_week_stale WHERE unit = 'U'`).Scan(&waiting))
	require.Equal(t, 2, waiting, "only the weeks that changed")
	require.Equal(t, []float64{10, 8.9, 9, 9.2}, minVolts(t, db, "U"))
	require.Equal(t, []float64{8}, minVolts(t, db, "V"))
}

func TestDigestsOutliveTheMonthThatWasArchived(t *testing.T) {
	db := yardOf(t, "U")
	loadRows(t, db, crankAt("U", sunday, 9))
	require.Equal(t, []float64{9}, minVolts(t, db, "U"))
	_, err := db.Pool().Exec(t.Context(), `ALTER TABLE crank DETACH PARTITION crank_2025_02; ALTER TABLE crank_2025_02 RENAME TO archived`)
	require.NoError(t, err)
	loadRows(t, db, crankAt("U", sunday.Add(-time.Hour), 8.8))
	require.Equal(t, []float64{8.8, 9}, minVolts(t, db, "U"))
}

// TestARefreshMissesNoCrankThatIsBeingMerged: a merge under way has found its week on the list and so adds no mark of its
// own that others could see; a refresh at that moment must wait for it.
func TestARefreshMissesNoCrankThatIsBeingMerged(t *testing.T) {
	db := yardOf(t, "U")
	loadRows(t, db, crankAt("U", sunday, 9)) // the week is on the list now
	ctx := t.Context()
	l, err := db.StartLoad(ctx, "test", false)
	require.NoError(t, err)
	defer func() { require.NoError(t, l.Close(context.Background())) }()
	require.NoError(t, l.StartFile(ctx, fleet.CranksKind, false))
	require.NoError(t, l.Add(ctx, 1, crankAt("U", sunday.Add(time.Minute), 9.1)))
	_, _, err = l.Merge(ctx)
	require.NoError(t, err)
	refreshed := make(chan error, 1)
	go func() { refreshed <- db.RefreshDigests(ctx) }()
	waitForLockWaiter(t, db)
	require.NoError(t, l.FinishFile(ctx, fleet.FileResult{File: "f", Kind: fleet.CranksKind, Rows: 1, Taken: 1}, nothingKept()))
	require.NoError(t, <-refreshed)
	require.Equal(t, []float64{9, 9.1}, minVolts(t, db, "U"))
}

// waitForLockWaiter returns when somebody waits for an advisory lock in this database.
func waitForLockWaiter(tb testing.TB, db *store.DB) {
	tb.Helper()
	require.Eventually(tb, func() bool {
		var waits bool
		err := db.Pool().QueryRow(tb.Context(), `SELECT EXISTS (SELECT FROM pg_locks WHERE locktype = 'advisory' AND NOT granted
			AND database = (SELECT oid FROM pg_database WHERE datname = current_database()))`).Scan(&waits)
		return err == nil && waits
	}, time.Minute, 5*time.Millisecond)
}

func TestADroppedFileLeavesNothing(t *testing.T) {
	db := yardOf(t, "U")
	ctx := t.Context()
	l, err := db.StartLoad(ctx, "test", false)
	require.NoError(t, err)
	require.NoError(t, l.StartFile(ctx, fleet.CranksKind, false))
	for i := range 20_000 { // enough to be under way to the server
		require.NoError(t, l.Add(ctx, int64(i), crankAt("U", sunday.Add(time.Duration(i)*time.Second), 9)))
	}
	require.NoError(t, l.DropFile(ctx))
	require.NoError(t, l.StartFile(ctx, fleet.CranksKind, false))
	require.NoError(t, l.Add(ctx, 1, crankAt("U", sunday, 9)))
	taken, conflicts, err := l.Merge(ctx)
	require.NoError(t, err)
	require.Equal(t, []int64{1, 0}, []int64{taken, conflicts})
	require.NoError(t, l.FinishFile(ctx, fleet.FileResult{File: "f", Kind: fleet.CranksKind, Rows: 1, Taken: 1}, nothingKept()))
	require.NoError(t, l.Close(ctx))
	require.Equal(t, []float64{9}, minVolts(t, db, "U"))
}

func TestALoadThatTheServerStopsSaysWhy(t *testing.T) {
	db := yardOf(t, "U")
	ctx := t.Context()
	l, err := db.StartLoad(ctx, "test", false)
	require.NoError(t, err)
	require.NoError(t, l.StartFile(ctx, fleet.CranksKind, false))
	line := int64(0)
	next := func() error {
		line++
		return l.Add(ctx, line, crankAt("U", sunday.Add(time.Duration(line)*time.Second), 9))
	}
	for range 20_000 {
		require.NoError(t, next())
	}
	_, err = db.Pool().Exec(ctx, `SELECT pg_terminate_backend(pid) FROM pg_stat_activity
		WHERE datname = current_database() AND query LIKE 'COPY crank%'`)
	require.NoError(t, err)
	for err == nil {
		err = next()
	}
	require.ErrorContains(t, err, "copy rows")
	require.NotErrorIs(t, err, fleet.ErrRowsThere)
	require.Error(t, l.Close(ctx))
	require.Empty(t, minVolts(t, db, "U"))
}
