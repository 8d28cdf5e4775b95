package main

import (
	"context"
	"encoding/json"
	"io"
	"log/slog"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"rimeyard/alerts"
	"rimeyard/internal/fleet"
	"rimeyard/internal/pgtest"
	"rimeyard/internal/store"
)

// auditDB is a database with a small fleet of several years.
func auditDB(t *testing.T) *store.DB {
	t.Helper()
	url := pgtest.URL(t)
	t.Setenv(envDatabase, url)
	code, _, stderr := rimeyard(t, "import", writeFleet(t))
	require.Contains(t, []int{exitDone, exitKeptApart}, code, stderr)
	db, err := store.Open(t.Context(), url)
	require.NoError(t, err)
	t.Cleanup(db.Close)
	return db
}

func audited(t *testing.T, args ...string) []alerts.AuditResult {
	t.Helper()
	code, stdout, stderr := rimeyard(t, append([]string{"audit", "--format", "json"}, args...)...)
	require.Equal(t, exitDone, code, stderr)
	var audit struct{ Seasons []alerts.AuditResult }
	require.NoError(t, json.Unmarshal([]byte(stdout), &audit))
	return audit.Seasons
}

// Where a list was issued at the time, that is what is judged, not what would be said today.
func TestAuditJudgesWhatWasIssued(t *testing.T) {
	db := auditDB(t)
	replayed := audited(t)
	require.GreaterOrEqual(t, len(replayed), 2)
	for _, r := range replayed {
		require.Equal(t, alerts.SourceReplayed, r.Source)
		require.Equal(t, alerts.Method, r.Method)
		require.Equal(t, r.Scored, r.Nights.Units, "the demo's depots know their nights")
	}
	require.Equal(t, replayed, audited(t), "the same data give the same audit, intervals too")

	season := replayed[1].Season
	day := season.From - 3
	list := fleet.RankedList{AsOf: day, Season: season}
	for i, u := range replayed[1].Units {
		list.Units = append(list.Units, fleet.Forecast{Unit: u.Unit, Depot: u.Depot, Rank: i + 1, Band: fleet.Sound, NoStartProbability: fleet.Known(0.03125), Suspect: fleet.CablePart})
	}
	issue, err := db.AddIssue(t.Context(), list, "the one before", fleet.Beside{})
	require.NoError(t, err)
	again := audited(t)
	require.Equal(t, alerts.SourceReplayed, again[1].Source, "it was issued today, for a day long past: nobody had it then")
	_, err = db.Pool().Exec(t.Context(), `UPDATE issue SET issued_at = $1 WHERE issue = $2`, day.Midnight(time.UTC), issue.ID)
	require.NoError(t, err)
	again = audited(t)
	require.Equal(t, replayed[0], again[0])
	issued := again[1]
	require.Equal(t, []any{alerts.SourceIssued, "the one before", fleet.Known(day), day}, []any{issued.Source, issued.Method, issued.IssuedOn, issued.AsOf})
	require.InDelta(t, issued.Expected, 0.03125*float64(issued.Scored), 1e-9)
	require.Positive(t, issued.Nights.Expected)
	require.Zero(t, issued.Swaps)
	require.Equal(t, alerts.SourceReplayed, audited(t, "--as-of", season.From.String())[0].Source, "no list was issued on that very day")
	require.Equal(t, alerts.SourceIssued, audited(t, "--as-of", day.String())[0].Source)

	code, table, stderr := rimeyard(t, "audit")
	require.Equal(t, exitDone, code, stderr)
	require.Contains(t, table, "as issued on "+day.String()+" by the one before")
	require.Contains(t, table, "asked for no swap")
	require.Contains(t, table, "too uncertain to judge")
	code, table, stderr = rimeyard(t, "audit", "--format", "csv")
	require.Equal(t, exitDone, code, stderr)
	require.True(t, strings.HasPrefix(table, "as_of,source,part,name,measure,value,low,high\n"), table[:60])
}

func TestAuditOfTheDayIsMadeOnceAndKept(t *testing.T) {
	db := auditDB(t)
	log := slog.New(slog.NewTextHandler(io.Discard, nil))
	today, err := fleet.ParseDate(testToday)
	require.NoError(t, err)
	noon := today.Midnight(time.UTC).Add(12 * time.Hour)
	require.NoError(t, workOfTheDay(t.Context(), db, log, noon))
	whole := keptOf(t, db, "")
	require.Len(t, whole, 2)
	require.Greater(t, whole[0].Season.From, whole[1].Season.From)
	require.Equal(t, today-1, whole[0].KnownTo)
	var r alerts.AuditResult
	require.NoError(t, json.Unmarshal(whole[1].Result, &r))
	require.Empty(t, r.Units, "page and mail show no single unit")
	want := audited(t)[0]
	want.Units = []alerts.Scored{}
	require.Equal(t, want, r)

	depots, err := db.Depots(t.Context())
	require.NoError(t, err)
	sum := 0
	for _, d := range depots {
		var own alerts.AuditResult
		require.NoError(t, json.Unmarshal(keptOf(t, db, d.ID)[1].Result, &own))
		sum += own.Scored
	}
	require.Equal(t, r.Scored, sum, "each unit is in one depot's audit")

	require.NoError(t, workOfTheDay(t.Context(), db, log, noon.Add(time.Hour)))
	require.Equal(t, whole, keptOf(t, db, ""), "once a day is enough")
	requireOddities(t, db, today)
	t.Setenv(envSMTP, "")
	t.Setenv(envHome, t.TempDir())
	out, err := report(t, "send", "audit", "--to", "ada@example.org", "--depot", string(depots[0].ID))
	require.NoError(t, err)
	require.Contains(t, out, "sent to ada@example.org: "+string(depots[0].ID)+": audit of the season 2025–26: ")
	_, err = report(t, "send", "audit", "--to", "ada@example.org", "--depot", "NIX")
	requireUsage(t, err, "there is no such depot as \"NIX\"")
	_, err = report(t, "preview", "audit", "--top", "3")
	requireUsage(t, err, "--top goes with winter-list")
	_, err = report(t, "schedule", "add", "audit", "--to", "ada@example.org", "--timezone", "UTC")
	require.NoError(t, err)
	code, _, stderr := rimeyard(t, "audit", "--keep")
	require.Equal(t, exitDone, code, stderr)
	require.NotEqual(t, whole[0].MadeAt, keptOf(t, db, "")[0].MadeAt)
	require.NoError(t, workOfTheDay(context.Background(), store.New(pgtest.New(t)), log, noon), "an empty fleet has no work")
}

func keptOf(t *testing.T, db *store.DB, depot fleet.DepotID) []fleet.KeptAudit {
	t.Helper()
	kept, err := db.Audits(t.Context(), depot)
	require.NoError(t, err)
	return kept
}
