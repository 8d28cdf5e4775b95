package ingest_test

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"rimeyard/ingest"
	"rimeyard/internal/pgtest"
	"rimeyard/internal/store"
)

// Tests of so many units come in one batch into a fleet of 50,000: how long it takes to take them in.
func BenchmarkOneBatchIntoALargeFleet(b *testing.B) {
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
	minute := 0
	for _, named := range []int{1, 20, 1000} {
		b.Run(fmt.Sprintf("units=%d", named), func(b *testing.B) {
			for b.Loop() {
				minute++
				at := now.Add(-time.Duration(minute) * time.Minute).Format(time.RFC3339)
				var rows []string
				for i := range named {
					rows = append(rows, fmt.Sprintf(`{"unit": "U-%d", "tested_at": %q, "rest_v": 12.6}`, 1+i*(large/named), at))
				}
				batch := fmt.Sprintf(`{"battery_tests": [%s]}`, strings.Join(rows, ","))
				res, err := ingest.ImportBatch(b.Context(), db, strings.NewReader(batch), ingest.Options{Source: "api:loggers", Now: now})
				require.NoError(b, err)
				require.EqualValues(b, named, res.Files[0].Taken)
				require.NoError(b, res.Close())
			}
		})
	}
}
