package main

import (
	"fmt"
	"os"
	"runtime"
	"strconv"
	"strings"
	"syscall"
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
	var digesting, refitting took
	for b.Loop() {
		_, err := db.Pool().Exec(ctx, `INSERT INTO crank_week_stale SELECT unit, week FROM crank_week ON CONFLICT DO NOTHING`)
		require.NoError(b, err)
		digesting.add(b, db, func() { require.NoError(b, db.RefreshDigests(ctx)) })
		refitting.add(b, db, func() {
			list, err := rankFleet(ctx, db, today, nil)
			require.NoError(b, err)
			require.Len(b, list.Units, 1400)
		})
	}
	n := float64(b.N)
	b.ReportMetric(cranks, "cranks")
	b.ReportMetric((digesting.clock+refitting.clock)/n, "s/refit")
	b.ReportMetric((digesting.program+digesting.server)/n, "core-s-digesting")
	b.ReportMetric((refitting.program+refitting.server)/n, "core-s-refitting")
}

// BenchmarkRankFromCranks holds the list of a fleet, its weeks already digested, against merely reading the same cranks row by row: where
// the list of a week ago has learned what is learned, and where it is learned anew. Beside the clock it gives processor time, the server's
// included, which other work on the machine changes less.
func BenchmarkRankFromCranks(b *testing.B) {
	ctx, today := b.Context(), fleet.NewDate(2026, time.November, 25)
	db, cranks := benchFleet(b, today)
	for _, learning := range []string{"anew", "kept"} {
		b.Run(learning, func(b *testing.B) {
			if learning == "kept" {
				_, err := issueList(ctx, db, today-7, nil)
				require.NoError(b, err)
			}
			var streaming, ranking took
			for b.Loop() {
				streaming.add(b, db, func() { require.InDelta(b, cranks, streamCranks(b, db), 0) })
				ranking.add(b, db, func() {
					_, err := rankFleet(ctx, db, today, nil)
					require.NoError(b, err)
				})
			}
			n := float64(b.N)
			b.ReportMetric(streaming.clock/n, "s-streaming")
			b.ReportMetric(ranking.clock/n, "s-ranking")
			b.ReportMetric(ranking.clock/streaming.clock, "ranking/streaming")
			b.ReportMetric((streaming.program+streaming.server)/n, "core-s-streaming")
			b.ReportMetric(ranking.program/n, "core-s-ranking")
			b.ReportMetric(ranking.server/n, "core-s-server-ranking")
			b.ReportMetric((ranking.program+ranking.server)/(streaming.program+streaming.server), "core-s-ratio")
		})
	}
}

// took is what a work takes, in seconds: by the clock, and of all cores for the program and for the server.
type took struct{ clock, program, server float64 }

func (t *took) add(tb testing.TB, db *store.DB, work func()) {
	tb.Helper()
	runtime.GC() // each pays for its own rubbish
	program, server, began := programTime(tb), serverTime(tb, db), time.Now()
	work()
	t.clock += time.Since(began).Seconds()
	t.program += programTime(tb) - program
	t.server += serverTime(tb, db) - server
}

func programTime(tb testing.TB) float64 {
	tb.Helper()
	var u syscall.Rusage
	require.NoError(tb, syscall.Getrusage(syscall.RUSAGE_SELF, &u))
	return time.Duration(u.Utime.Nano() + u.Stime.Nano()).Seconds()
}

// serverTime is what the server's processes for this database have used so far; the pool keeps them from one work to the next.
func serverTime(tb testing.TB, db *store.DB) (seconds float64) {
	tb.Helper()
	rows, _ := db.Pool().Query(tb.Context(), `SELECT pid FROM pg_stat_activity WHERE datname = current_database() AND backend_type = 'client backend'`)
	pids, err := pgx.CollectRows(rows, pgx.RowTo[int])
	require.NoError(tb, err)
	for _, pid := range pids {
		stat, err := os.ReadFile(fmt.Sprintf("/proc/%d/stat", pid))
		require.NoError(tb, err)
		_, after, _ := strings.Cut(string(stat), ") ") // a name may hold blanks
		fields := strings.Fields(after)
		const user, system, ticksPerSecond = 11, 12, 100 // proc(5), utime and stime, counted behind the name
		for _, field := range []string{fields[user], fields[system]} {
			ticks, err := strconv.Atoi(field)
			require.NoError(tb, err)
			seconds += float64(ticks) / ticksPerSecond
		}
	}
	return seconds
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
