package main

import (
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"

	"rimeyard/ingest"
	"rimeyard/internal/demofleet"
	"rimeyard/internal/fleet"
	"rimeyard/internal/pgtest"
	"rimeyard/internal/store"
)

// benchFleet imports 1,400 invented units, which bring about one and a half million cranks.
func benchFleet(b *testing.B, today fleet.Date) (db *store.DB, cranks float64) {
	b.Helper()
	ctx, dir := b.Context(), b.TempDir()
	_, err := demofleet.Write(dir, demofleet.Options{Seed: 3, Today: today, Units: 1400})
	require.NoError(b, err)
	db = store.New(pgtest.New(b))
	res, err := ingest.Import(ctx, db, []string{dir}, ingest.Options{Source: "benchmark", Now: today.Midnight(time.UTC)})
	require.NoError(b, err)
	for _, f := range res.Files {
		if f.Kind == fleet.CranksKind {
			cranks += float64(f.Taken)
		}
	}
	require.NoError(b, res.Close())
	require.NoError(b, db.RefreshDigests(ctx))
	return db, cranks
}

// BenchmarkRefit judges a whole fleet from the database anew, weekly digests included.
func BenchmarkRefit(b *testing.B) {
	ctx, today := b.Context(), fleet.NewDate(2026, time.November, 25)
	db, cranks := benchFleet(b, today)
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

// BenchmarkRankFromCranks holds the list of a fleet, its weeks already digested, against merely reading the same cranks row by row: where
// the list of a week ago has learned what is learned, and where it is learned anew.
func BenchmarkRankFromCranks(b *testing.B) {
	ctx, today := b.Context(), fleet.NewDate(2026, time.November, 25)
	db, cranks := benchFleet(b, today)
	for _, learning := range []string{"anew", "kept"} {
		b.Run(learning, func(b *testing.B) {
			if learning == "kept" {
				_, err := issueList(ctx, db, today-7, nil)
				require.NoError(b, err)
			}
			var streaming, ranking time.Duration
			for b.Loop() {
				began := time.Now()
				require.InDelta(b, cranks, streamCranks(b, db), 0)
				streaming += time.Since(began)
				began = time.Now()
				_, err := rankFleet(ctx, db, today, nil)
				require.NoError(b, err)
				ranking += time.Since(began)
			}
			b.ReportMetric(streaming.Seconds()/float64(b.N), "s-streaming")
			b.ReportMetric(ranking.Seconds()/float64(b.N), "s-ranking")
			b.ReportMetric(ranking.Seconds()/streaming.Seconds(), "ranking/streaming")
		})
	}
}

// streamCranks reads every crank, in the order that a unit's history has, and does nothing with it.
func streamCranks(b *testing.B, db *store.DB) float64 {
	b.Helper()
	rows, err := db.Pool().Query(b.Context(), `SELECT unit, cranked_at, rest_v, min_v, mean_v, duration_ms, temperature_c, coolant_c,
		current_a, rpm, outcome FROM crank ORDER BY unit, cranked_at`)
	require.NoError(b, err)
	var (
		unit, outcome string
		at            time.Time
		v             [8]*float64
	)
	n := 0.0
	_, err = pgx.ForEachRow(rows, []any{&unit, &at, &v[0], &v[1], &v[2], &v[3], &v[4], &v[5], &v[6], &v[7], &outcome}, func() error {
		n++
		return nil
	})
	require.NoError(b, err)
	return n
}
