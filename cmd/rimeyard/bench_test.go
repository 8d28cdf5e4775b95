package main

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"rimeyard/ingest"
	"rimeyard/internal/demofleet"
	"rimeyard/internal/fleet"
	"rimeyard/internal/pgtest"
	"rimeyard/internal/store"
)

// BenchmarkRefit judges a whole fleet from the database anew, weekly digests included: 1,400 units bring about one and
// a half million cranks.
func BenchmarkRefit(b *testing.B) {
	ctx, dir := b.Context(), b.TempDir()
	today := fleet.NewDate(2026, time.November, 25)
	_, err := demofleet.Write(dir, demofleet.Options{Seed: 3, Today: today, Units: 1400})
	require.NoError(b, err)
	db := store.New(pgtest.New(b))
	res, err := ingest.Import(ctx, db, []string{dir}, ingest.Options{Source: "benchmark", Now: today.Midnight(time.UTC)})
	require.NoError(b, err)
	cranks := 0.0
	for _, f := range res.Files {
		if f.Kind == fleet.CranksKind {
			cranks += float64(f.Taken)
		}
	}
	require.NoError(b, res.Close())
	for b.Loop() {
		_, err := db.Pool().Exec(ctx, `INSERT INTO crank_week_stale SELECT unit, week FROM crank_week ON CONFLICT DO NOTHING`)
		require.NoError(b, err)
		list, err := rankFleet(ctx, db, today, nil)
		require.NoError(b, err)
		require.Len(b, list.Units, 1400)
	}
	b.ReportMetric(cranks, "cranks")
	b.ReportMetric(b.Elapsed().Seconds()/float64(b.N), "s/refit")
}
