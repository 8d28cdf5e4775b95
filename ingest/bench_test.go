package ingest_test

import (
	"bufio"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"runtime"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"rimeyard/ingest"
	"rimeyard/internal/pgtest"
	"rimeyard/internal/store"
)

// benchUnits is a fleet that BenchmarkImport's cranks are of.
const benchUnits = 1000

func writeBenchFleet(tb testing.TB, dir string) {
	tb.Helper()
	depots := "depot,name,timezone\nA,A,Europe/Oslo\n"
	require.NoError(tb, os.WriteFile(filepath.Join(dir, "depots.csv"), []byte(depots), 0o600))
	vehicles := "unit,depot,class,fuel,system_volts,batteries\n"
	for u := range benchUnits {
		vehicles += fmt.Sprintf("U-%04d,A,heavy,diesel,24,2\n", u)
	}
	require.NoError(tb, os.WriteFile(filepath.Join(dir, "vehicles.csv"), []byte(vehicles), 0o600))
}

// writeCranks writes n cranks as loggers send them: in the order of time, the units in turn.
func writeCranks(tb testing.TB, path string, n int) {
	tb.Helper()
	f, err := os.Create(path)
	require.NoError(tb, err)
	w := bufio.NewWriter(f)
	fmt.Fprintln(w, "cranked_at,unit,rest_v,min_v,mean_v,duration_ms,temperature_c,coolant_c,current_a,rpm,outcome")
	chance := rand.New(rand.NewPCG(1, 2))
	start := time.Date(2023, 10, 1, 0, 0, 0, 0, time.UTC)
	step := 2 * 365 * 24 * time.Hour / time.Duration(n)
	for i := range n {
		rest := 24.6 + chance.Float64()
		lowest := 16 + chance.Float64()
		cold := 10 * math.Sin(float64(i))
		fmt.Fprintf(w, "%s,U-%04d,%.2f,%.2f,%.2f,%d,%.1f,%.1f,%d,,started\n", start.Add(time.Duration(i)*step).Format(time.RFC3339),
			i%benchUnits, rest, lowest, lowest+2, 700+chance.IntN(900), cold, cold+chance.Float64(), 300+chance.IntN(200))
	}
	require.NoError(tb, w.Flush())
	require.NoError(tb, f.Close())
}

func crankDatabase(tb testing.TB, dir string) *store.DB {
	tb.Helper()
	db := store.New(pgtest.New(tb))
	res, err := ingest.Import(tb.Context(), db, []string{filepath.Join(dir, "depots.csv"), filepath.Join(dir, "vehicles.csv")}, options())
	require.NoError(tb, err)
	require.NoError(tb, res.Close())
	return db
}

func timedImport(tb testing.TB, dir, path string, rows int64) (took time.Duration, db *store.DB) {
	tb.Helper()
	db = crankDatabase(tb, dir)
	began := time.Now()
	res, err := ingest.Import(tb.Context(), db, []string{path}, options())
	took = time.Since(began)
	require.NoError(tb, err)
	require.Equal(tb, rows, res.Files[0].Taken)
	require.NoError(tb, res.Close())
	return took, db
}

// timedCopy does the least that a server can do with the file: a bare COPY into a table with the same partitions and key.
func timedCopy(tb testing.TB, dir, path string, like *store.DB) time.Duration {
	tb.Helper()
	db := crankDatabase(tb, dir)
	months, err := like.Pool().Query(tb.Context(), `SELECT to_char(m, 'YYYY_MM'), m::text, (m + interval '1 month')::text
		FROM (SELECT DISTINCT date_trunc('month', cranked_at AT TIME ZONE 'UTC') AS m FROM crank) x`)
	require.NoError(tb, err)
	for months.Next() {
		var name, from, to string
		require.NoError(tb, months.Scan(&name, &from, &to))
		_, err := db.Pool().Exec(tb.Context(), fmt.Sprintf(`CREATE TABLE crank_%s PARTITION OF crank FOR VALUES FROM ('%s+00') TO ('%s+00')`, name, from, to))
		require.NoError(tb, err)
	}
	require.NoError(tb, months.Err())
	conn, err := db.Pool().Acquire(tb.Context())
	require.NoError(tb, err)
	defer conn.Release()
	f, err := os.Open(path)
	require.NoError(tb, err)
	defer f.Close()
	const sql = `COPY crank (cranked_at, unit, rest_v, min_v, mean_v, duration_ms, temperature_c, coolant_c, current_a, rpm, outcome)
		FROM STDIN (FORMAT csv, HEADER true)`
	began := time.Now()
	_, err = conn.Conn().PgConn().CopyFrom(tb.Context(), f, sql)
	require.NoError(tb, err)
	return time.Since(began)
}

// peakMemory watches how much memory the program has from the system, the Go heap with all around it, while work runs.
func peakMemory(work func()) uint64 {
	var most atomic.Uint64
	done, gone := make(chan struct{}), make(chan struct{})
	go func() {
		defer close(gone)
		tick := time.NewTicker(20 * time.Millisecond)
		defer tick.Stop()
		for {
			var m runtime.MemStats
			runtime.ReadMemStats(&m)
			most.Store(max(most.Load(), m.Sys-m.HeapReleased))
			select {
			case <-tick.C:
			case <-done:
				return
			}
		}
	}()
	work()
	close(done)
	<-gone
	return most.Load()
}

// BenchmarkImport holds an import of cranks against a bare COPY of the same file into the same partitioned, keyed table,
// which parses nothing for people, judges nothing, and refuses the whole file for one bad row. of-bare-copy is the speed
// of the import in times that of the copy, peak-MB the most memory that the importing program had.
//
//	RIMEYARD_BENCH_ROWS=10000000 go test -run='^$' -bench=Import -benchtime=1x ./ingest
func BenchmarkImport(b *testing.B) {
	rows := int64(500_000)
	if s := os.Getenv("RIMEYARD_BENCH_ROWS"); s != "" {
		_, err := fmt.Sscan(s, &rows)
		require.NoError(b, err)
	}
	dir := b.TempDir()
	writeBenchFleet(b, dir)
	path := filepath.Join(dir, "crank_events.csv")
	writeCranks(b, path, int(rows))
	var importing, copying time.Duration
	var peak uint64
	for b.Loop() {
		var took time.Duration
		var db *store.DB
		peak = max(peak, peakMemory(func() { took, db = timedImport(b, dir, path, rows) }))
		importing += took
		copying += timedCopy(b, dir, path, db)
	}
	b.ReportMetric(copying.Seconds()/importing.Seconds(), "of-bare-copy")
	b.ReportMetric(float64(rows)*float64(b.N)/importing.Seconds(), "rows/s")
	b.ReportMetric(float64(peak)/(1<<20), "peak-MB")
}
