package store_test

import (
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"strings"
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
	decimal := func(scale float64) (o fleet.Opt[float64]) {
		if v, known := value().Get(); known {
			o = fleet.Known(math.Round(v*scale) / scale)
		}
		return o
	}
	want := map[fleet.UnitID][]fleet.Crank{}
	var rows []fleet.Row
	at := time.Date(1999, 12, 27, 0, 0, 0, 0, time.UTC) // times are counted from 2000
	for i := range 600 {
		at = at.Add(time.Duration(1+rng.IntN(40)) * time.Hour).Add(time.Duration(rng.IntN(1e6)) * time.Microsecond)
		c := fleet.Crank{
			Unit: fleet.UnitID([]string{"U", "Ü 7"}[i/300]), At: at, RestV: value(), MinV: value(), MeanV: value(), DurationMs: value(), TemperatureC: decimal(10),
			CoolantC: decimal(1), CurrentA: decimal(1000), RPM: value(), Outcome: outcomes[rng.IntN(4)],
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

func TestDigestThatCannotBeReadIsRefused(t *testing.T) {
	db := yardOf(t, "U")
	loadRows(t, db, crankAt("U", sunday, 9), crankAt("U", sunday.Add(-time.Hour), 9.2))
	require.NoError(t, db.RefreshDigests(t.Context()))
	for change, says := range map[string]string{
		`substr(pack, 1, length(pack) - 1)`: "unit U: the digest of a week cannot be read: it is torn",
		`pack || '\x00'`:                    "unit U: the digest of a week cannot be read: it is torn",
		`set_byte(pack, 0, 7)`:              "unit U: the digest of a week cannot be read: it begins with 7, this program reads 1",
	} {
		_, err := db.Pool().Exec(t.Context(), `UPDATE crank_week SET pack = `+change)
		require.NoError(t, err)
		_, err = db.History(t.Context(), "U")
		require.ErrorContains(t, err, says)
		_, err = db.Pool().Exec(t.Context(), `DELETE FROM crank_week; INSERT INTO crank_week_stale VALUES ('U', '2025-01-27')`)
		require.NoError(t, err)
		require.Equal(t, []float64{9.2, 9}, minVolts(t, db, "U"), "what has raw rows can be digested anew")
	}
}

// What was digested before weeks were packed is read as it was, with raw rows or without.
func TestDigestsMadeAsArraysArePacked(t *testing.T) {
	db := yardOf(t, "U", "V")
	c := fleet.Crank{
		Unit: "U", At: sunday.Add(123456 * time.Microsecond), RestV: fleet.Known(12.61), MeanV: fleet.Known(1.0 / 3), TemperatureC: fleet.Known(-7.5), Outcome: fleet.NoCrank,
	}
	before, after, other := c, c, c
	before.At, before.RestV, before.Outcome = sunday, fleet.Opt[float64]{}, fleet.Slow
	after.At, after.RPM, after.Outcome = sunday.AddDate(0, 0, 3), fleet.Known(190.0), fleet.Started
	other.Unit, other.Outcome = "V", fleet.NoStart
	loadRows(t, db, &c, &before, &after, &other)
	ctx := t.Context()
	exec := func(sql string) {
		_, err := db.Pool().Exec(ctx, sql)
		require.NoError(t, err)
	}
	readings, err := os.ReadFile("../../migrations/0002_readings.sql")
	require.NoError(t, err)
	_, table, _ := strings.Cut(string(readings), "CREATE TABLE crank_week (")
	table, _, _ = strings.Cut(table, ";")
	exec(`DROP TABLE crank_week; CREATE TABLE crank_week (` + table)
	exec(`DELETE FROM crank_week_stale; INSERT INTO crank_week SELECT unit, date_trunc('week', cranked_at AT TIME ZONE 'UTC'), array_agg(cranked_at ORDER BY cranked_at),
		array_agg(rest_v ORDER BY cranked_at), array_agg(min_v ORDER BY cranked_at), array_agg(mean_v ORDER BY cranked_at), array_agg(duration_ms ORDER BY cranked_at),
		array_agg(temperature_c ORDER BY cranked_at), array_agg(coolant_c ORDER BY cranked_at), array_agg(current_a ORDER BY cranked_at), array_agg(rpm ORDER BY cranked_at),
		array_agg(outcome ORDER BY cranked_at) FROM crank GROUP BY 1, 2; DELETE FROM crank`)
	packed, err := os.ReadFile("../../migrations/0019_packed_weeks.sql")
	require.NoError(t, err)
	exec(string(packed))
	for unit, want := range map[fleet.UnitID][]fleet.Crank{"U": {before, c, after}, "V": {other}} {
		h, err := db.History(ctx, unit)
		require.NoError(t, err)
		require.Equal(t, want, h.Cranks)
	}
	late := c
	late.At = sunday.Add(-time.Hour)
	loadRows(t, db, &late)
	h, err := db.History(ctx, "U")
	require.NoError(t, err)
	require.Equal(t, []fleet.Crank{late, before, c, after}, h.Cranks)
	var cranks int
	var first, last time.Time
	require.NoError(t, db.Pool().QueryRow(ctx, `SELECT sum(cranks), min(first_at), max(last_at) FROM crank_week WHERE unit = 'U'`).Scan(&cranks, &first, &last))
	require.Equal(t, 4, cranks)
	require.True(t, first.Equal(late.At) && last.Equal(after.At))
}
