package store_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"rimeyard/internal/fleet"
	"rimeyard/internal/pgtest"
	"rimeyard/internal/store"
)

func TestRhythmsCountWhatIsNew(t *testing.T) {
	db := yardOf(t, "CRANKED", "FRESH", "NEVER", "TESTED")
	ctx := t.Context()
	day := func(d, h int) time.Time { return time.Date(2025, 3, d, h, 0, 0, 0, time.UTC) }
	tested := func(at time.Time, position int, tester string) *fleet.Test {
		return &fleet.Test{Unit: "TESTED", At: at, Position: position, RestV: fleet.Known(12.5), Tester: tester}
	}
	loadRows(t, db,
		tested(day(1, 9), 1, "T-1"), tested(day(1, 9), 2, "T-1"), tested(day(1, 10), 1, "T-1"), tested(day(8, 9), 1, "T-2"), tested(day(8, 9), 2, ""),
		crankAt("CRANKED", day(3, 6), 9), crankAt("CRANKED", day(4, 6), 9), crankAt("CRANKED", day(20, 6), 9))
	require.NoError(t, db.RefreshDigests(ctx))
	loadRows(t, db, crankAt("CRANKED", day(21, 6), 9), crankAt("FRESH", day(22, 6), 9)) // not digested yet
	require.NoError(t, db.KeepLook(ctx, fleet.NewDate(2025, 3, 23), day(23, 0), nil))
	rhythms, err := db.Rhythms(ctx)
	require.NoError(t, err)
	require.Len(t, rhythms, 8)
	of := map[fleet.UnitID]map[fleet.Kind]fleet.Rhythm{}
	for _, r := range rhythms {
		if of[r.Unit] == nil {
			of[r.Unit] = map[fleet.Kind]fleet.Rhythm{}
		}
		of[r.Unit][r.Kind] = r
	}
	require.Equal(t, fleet.Rhythm{Unit: "CRANKED", Depot: "A", Kind: fleet.CranksKind, Readings: 3, First: day(3, 6), Last: day(21, 6)}, of["CRANKED"][fleet.CranksKind])
	require.Equal(t, fleet.Rhythm{Unit: "FRESH", Depot: "A", Kind: fleet.CranksKind, Readings: 1, First: day(22, 6), Last: day(22, 6)}, of["FRESH"][fleet.CranksKind])
	require.Equal(t, fleet.Rhythm{Unit: "TESTED", Depot: "A", Kind: fleet.TestsKind, Readings: 2, First: day(1, 9), Last: day(8, 9), By: "T-2"}, of["TESTED"][fleet.TestsKind])
	for _, kind := range []fleet.Kind{fleet.CranksKind, fleet.TestsKind} {
		require.Equal(t, fleet.Rhythm{Unit: "NEVER", Depot: "A", Kind: kind}, of["NEVER"][kind])
	}
}

func TestLooksAreReplacedTogether(t *testing.T) {
	db := yardOf(t, "U")
	ctx := t.Context()
	day, _, err := db.OdditiesLook(ctx)
	require.NoError(t, err)
	require.False(t, day.IsKnown())
	first := fleet.NewDate(2025, 3, 1)
	found := []fleet.KeptOddity{
		{On: first, Kind: "tester drifts", Tester: "T-1", Sentence: "of several depots"},
		{On: first - 1, Kind: "reading far off", Unit: "U", Depot: "A", Tester: "T-1", Sentence: "of one"},
		{On: first - 2, Kind: "readings exchanged", Unit: "X", OtherUnit: "Y", Depot: "B", Sentence: "of another"},
	}
	madeAt := time.Date(2025, 3, 1, 0, 10, 0, 0, time.UTC)
	require.NoError(t, db.KeepLook(ctx, first, madeAt, found))
	all, err := db.Oddities(ctx, nil)
	require.NoError(t, err)
	require.Equal(t, found, all)
	own, err := db.Oddities(ctx, []fleet.DepotID{"A"})
	require.NoError(t, err)
	require.Equal(t, found[1:2], own, "what is of several depots is for those who see all")

	require.NoError(t, db.KeepLook(ctx, first+1, madeAt.AddDate(0, 0, 1), nil))
	day, at, err := db.OdditiesLook(ctx)
	require.NoError(t, err)
	require.Equal(t, fleet.Known(first+1), day, "a look that finds nothing is one too")
	require.Equal(t, madeAt.AddDate(0, 0, 1), at)
	all, err = db.Oddities(ctx, nil)
	require.NoError(t, err)
	require.Empty(t, all)
	rhythms, err := db.Rhythms(ctx)
	require.NoError(t, err)
	require.Len(t, rhythms, 2, "of its one unit")
}

// BenchmarkRhythms keeps and reads the rhythms of 50,000 units, each with eight cranked weeks and tests, beside a bare count of the
// same keys.
func BenchmarkRhythms(b *testing.B) {
	db := store.New(pgtest.New(b))
	exec := func(sql string) {
		_, err := db.Pool().Exec(b.Context(), sql)
		require.NoError(b, err)
	}
	exec(`INSERT INTO depot (depot, name, timezone) VALUES ('A', 'A', 'UTC')`)
	exec(`INSERT INTO unit (unit, depot, class, fuel, system_volts, batteries)
		SELECT 'U-' || lpad(i::text, 6, '0'), 'A', 'van', 'diesel', 12, 1 FROM generate_series(1, 50000) i`)
	exec(`INSERT INTO crank_week SELECT unit, monday, 20, monday, monday + interval '160 hours', decode(repeat('00', 300), 'hex')
		FROM unit, generate_series('2025-03-03'::timestamptz, '2025-04-21', '7 days') monday`)
	exec(`INSERT INTO battery_test (unit, tested_at, position, rest_v) SELECT unit, '2025-03-03'::timestamptz + w * interval '7 days', 1, 12.5 FROM unit, generate_series(0, 7) w`)
	exec(`VACUUM ANALYZE`) //nolint:misspell // as SQL spells it
	b.Run("keep", func(b *testing.B) {
		for b.Loop() {
			require.NoError(b, db.KeepLook(b.Context(), fleet.NewDate(2025, 5, 1), time.Now(), nil))
		}
	})
	b.Run("rhythms", func(b *testing.B) {
		for b.Loop() {
			rhythms, err := db.Rhythms(b.Context())
			require.NoError(b, err)
			require.Len(b, rhythms, 100_000)
		}
	})
	b.Run("count", func(b *testing.B) {
		for b.Loop() {
			exec(`SELECT count(DISTINCT unit), count(*) FROM crank_week`)
			exec(`SELECT count(DISTINCT unit), count(*) FROM battery_test`)
		}
	})
}
