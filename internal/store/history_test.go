package store_test

import (
	"context"
	"fmt"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"rimeyard/internal/fleet"
	"rimeyard/internal/pgtest"
	"rimeyard/internal/store"
)

// Cranks come back from their digests as they went in: to the microsecond, and with what is not known not known.
func TestCranksComeBackFromDigestsAsTheyWere(t *testing.T) {
	rng := rand.New(rand.NewPCG(4, 2))
	outcomes := []fleet.Outcome{fleet.Started, fleet.Slow, fleet.NoCrank, fleet.NoStart}
	value := func() (o fleet.Opt[float64]) {
		if rng.IntN(3) > 0 {
			o = fleet.Known(rng.NormFloat64() * 20)
		}
		return o
	}
	want := map[fleet.UnitID][]fleet.Crank{}
	var rows []fleet.Row
	at := time.Date(1999, 12, 27, 0, 0, 0, 0, time.UTC) // times are counted from 2000
	for i := range 600 {
		at = at.Add(time.Duration(1+rng.IntN(40)) * time.Hour).Add(time.Duration(rng.IntN(1e6)) * time.Microsecond)
		c := fleet.Crank{
			Unit: fleet.UnitID([]string{"U", "Ü 7"}[i/300]), At: at, RestV: value(), MinV: value(), MeanV: value(), DurationMs: value(), TemperatureC: value(),
			CoolantC: value(), CurrentA: value(), RPM: value(), Outcome: outcomes[rng.IntN(4)],
		}
		want[c.Unit] = append(want[c.Unit], c)
		rows = append(rows, &c)
	}
	db := yardOf(t, "U", "Ü 7", "silent")
	loadRows(t, db, rows...)
	require.NoError(t, db.RefreshDigests(t.Context()))
	units := 0
	for h, err := range db.Histories(t.Context(), nil) {
		require.NoError(t, err)
		require.Equal(t, want[h.Unit.ID], h.Cranks, h.Unit.ID)
		units++
	}
	require.Equal(t, 3, units)
}

// manyUnits is a database with more units than are read at a time.
func manyUnits(t *testing.T) *store.DB {
	t.Helper()
	db := store.New(pgtest.New(t))
	_, err := db.Pool().Exec(t.Context(), `INSERT INTO depot (depot, name, timezone) VALUES ('A', 'A', 'UTC')`)
	require.NoError(t, err)
	_, err = db.Pool().Exec(t.Context(), `INSERT INTO unit (unit, depot, class, fuel, system_volts, batteries)
		SELECT 'U-' || lpad(i::text, 4, '0'), 'A', 'van', 'diesel', 12, 1 FROM generate_series(1, 300) i`)
	require.NoError(t, err)
	return db
}

func TestHistoriesComeInOrderAndCanBeLeft(t *testing.T) {
	db := manyUnits(t)
	n := 0
	for h, err := range db.Histories(t.Context(), nil) {
		require.NoError(t, err)
		n++
		require.Equal(t, fleet.UnitID(fmt.Sprintf("U-%04d", n)), h.Unit.ID)
	}
	require.Equal(t, 300, n)
	for range db.Histories(t.Context(), nil) {
		break
	}
	require.Eventually(t, func() bool { return db.Pool().Stat().AcquiredConns() == 0 }, 10*time.Second, time.Millisecond, "whoever leaves early leaves no connection in use")
}

// Whoever asks for an end gets an error, not a fleet that looks whole and is not.
func TestHistoriesThatEndEarlySaySo(t *testing.T) {
	db := manyUnits(t)
	ctx, cancel := context.WithCancel(t.Context())
	n := 0
	var last error
	for _, err := range db.Histories(ctx, nil) {
		if n++; n == 10 {
			cancel()
		}
		last = err
	}
	cancel()
	require.ErrorIs(t, last, context.Canceled)
	require.Less(t, n, 300)
}

func TestDigestOfUnequalColumnsIsRefused(t *testing.T) {
	db := yardOf(t, "U")
	loadRows(t, db, crankAt("U", sunday, 9), crankAt("U", sunday.Add(-time.Hour), 9.2))
	require.NoError(t, db.RefreshDigests(t.Context()))
	_, err := db.Pool().Exec(t.Context(), `UPDATE crank_week SET rpm = rpm[1:1]`)
	require.NoError(t, err)
	_, err = db.History(t.Context(), "U")
	require.ErrorContains(t, err, "unit U: the digest of a week has columns of unequal length")
}
