package ingest_test

import (
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"rimeyard/internal/store"
)

// BenchmarkHistories digests 1.5 million cranks of a thousand units and reads all histories, as a full refit does.
func BenchmarkHistories(b *testing.B) {
	const rows = 1_500_000
	dir := b.TempDir()
	writeBenchFleet(b, dir)
	path := filepath.Join(dir, "crank_events.csv")
	writeCranks(b, path, rows)
	var digesting, reading time.Duration
	for b.Loop() {
		_, db := timedImport(b, dir, path, rows)
		began := time.Now()
		require.NoError(b, db.RefreshDigests(b.Context()))
		digesting += time.Since(began)
		began = time.Now()
		require.Equal(b, rows, countCranks(b, db))
		reading += time.Since(began)
	}
	b.ReportMetric(digesting.Seconds()/float64(b.N), "s-digesting")
	b.ReportMetric(reading.Seconds()/float64(b.N), "s-reading")
}

func countCranks(tb testing.TB, db *store.DB) int {
	tb.Helper()
	n := 0
	for h, err := range db.Histories(tb.Context(), nil) {
		require.NoError(tb, err)
		n += len(h.Cranks)
	}
	return n
}
