package ingest_test

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"rimeyard/ingest"
	"rimeyard/internal/fleet"
	"rimeyard/internal/pgtest"
	"rimeyard/internal/store"
)

// One test is typed in a fleet of 50,000 units: how long it takes where its unit is said, and where all must be known.
func BenchmarkOneTestOfALargeFleet(b *testing.B) {
	const large = 50_000
	pool := pgtest.New(b)
	_, err := pool.Exec(b.Context(), `INSERT INTO depot (depot, name, timezone) VALUES ('NOR', 'North', 'UTC')`)
	require.NoError(b, err)
	_, err = pool.Exec(b.Context(), `INSERT INTO unit (unit, depot, class, fuel, system_volts, batteries, parked)
		SELECT 'U-' || i, 'NOR', 'van', 'diesel', 12, 1, 'outdoors' FROM generate_series(1, $1) AS i`, large)
	require.NoError(b, err)
	_, err = pool.Exec(b.Context(), `INSERT INTO battery_fitting (battery, unit, position, part, chemistry, rated_cca_a, cca_standard, fitted_on)
		SELECT 'B-' || i, 'U-' || i, 1, 'P', 'flooded', 700, 'en', '2024-01-01' FROM generate_series(1, $1) AS i`, large)
	require.NoError(b, err)
	db := store.New(pool)
	now := time.Date(2026, 11, 25, 10, 0, 0, 0, time.UTC)
	n := 0
	for name, of := range map[string][]fleet.UnitID{"its-unit-said": {"U-7"}, "all-known": nil} {
		b.Run(name, func(b *testing.B) {
			for b.Loop() {
				n++
				batch := fmt.Sprintf(`{"battery_tests": [{"unit": "U-7", "tested_at": %q, "rest_v": 12.6}]}`, now.Add(-time.Duration(n)*time.Minute).Format(time.RFC3339))
				res, err := ingest.ImportBatch(b.Context(), db, strings.NewReader(batch), ingest.Options{Source: "bench:jo", Now: now, Units: of})
				require.NoError(b, err)
				require.EqualValues(b, 1, res.Files[0].Taken)
				require.NoError(b, res.Close())
			}
		})
	}
}
