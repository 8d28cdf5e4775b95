package ingest_test

import (
	"bytes"
	"compress/gzip"
	"context"
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"rimeyard/ingest"
	"rimeyard/internal/fleet"
	"rimeyard/internal/pgtest"
	"rimeyard/internal/store"
)

const fleetDir = "../testdata/ingest/fleet"

// now is a day on which all of the test fleet's readings lie in the past.
var now = time.Date(2025, 11, 3, 9, 0, 0, 0, time.UTC)

func options() ingest.Options { return ingest.Options{Source: "test", Now: now} }

func importPaths(tb testing.TB, db *store.DB, paths ...string) *ingest.Result {
	tb.Helper()
	res, err := ingest.Import(context.Background(), db, paths, options())
	require.NoError(tb, err)
	tb.Cleanup(func() { require.NoError(tb, res.Close()) })
	return res
}

func newFleet(tb testing.TB) *store.DB {
	tb.Helper()
	db := store.New(pgtest.New(tb))
	require.True(tb, importPaths(tb, db, fleetDir).Complete())
	return db
}

// kept collects the rows kept apart.
func kept(tb testing.TB, res *ingest.Result) []fleet.KeptRow {
	tb.Helper()
	var rows []fleet.KeptRow
	for row, err := range res.Kept() {
		require.NoError(tb, err)
		rows = append(rows, row)
	}
	return rows
}

func write(tb testing.TB, name, content string) string {
	tb.Helper()
	path := filepath.Join(tb.TempDir(), name)
	require.NoError(tb, os.WriteFile(path, []byte(content), 0o600))
	return path
}

// packed is content in gzip.
func packed(t require.TestingT, content string) string {
	var b bytes.Buffer
	z := gzip.NewWriter(&b)
	_, err := z.Write([]byte(content))
	require.NoError(t, err)
	require.NoError(t, z.Close())
	return b.String()
}

func TestImportOfAFolderTakesAllAndChangesNothingTheSecondTime(t *testing.T) {
	db := store.New(pgtest.New(t))
	rows := map[fleet.Kind]int64{
		"depots": 2, "vehicles": 4, "batteries": 5, "starters": 2, "battery_tests": 4, "crank_events": 4, "breakdowns": 2, "temperatures": 3,
	}
	first := importPaths(t, db, fleetDir)
	require.Empty(t, kept(t, first))
	require.Len(t, first.Files, len(rows))
	for _, f := range first.Files {
		require.Equal(t, fleet.FileResult{File: string(f.Kind) + ".csv", Kind: f.Kind, Rows: rows[f.Kind], Taken: rows[f.Kind]}, f)
	}
	for _, f := range importPaths(t, db, fleetDir).Files {
		require.Equal(t, fleet.FileResult{File: string(f.Kind) + ".csv", Kind: f.Kind, Rows: rows[f.Kind], AlreadyThere: rows[f.Kind]}, f)
	}
}

func TestDryRunTellsTheSameAndLeavesNothing(t *testing.T) {
	db := store.New(pgtest.New(t))
	opt := options()
	opt.DryRun = true
	dry, err := ingest.Import(t.Context(), db, []string{fleetDir}, opt)
	require.NoError(t, err)
	defer dry.Close()
	imports, err := db.RecentImports(t.Context(), 10)
	require.NoError(t, err)
	require.Empty(t, imports)
	require.Equal(t, importPaths(t, db, fleetDir).Files, dry.Files)
}

func TestResultIsTheContractsJSON(t *testing.T) {
	db := newFleet(t)
	dir := t.TempDir()
	tests := "tested_at,unit,rest_v,cca_a,cca_standard\n" +
		"2025-02-01T07:00:00Z,H-001,12.5,,\n" +
		"2025-02-02T07:00:00Z,H-001,12.5,8x1,en\n" +
		"2025-02-01T07:00:00Z,H-001,12.50,,\n"
	require.NoError(t, os.WriteFile(filepath.Join(dir, "battery_tests.csv"), []byte(tests), 0o600))
	require.NoError(t, os.WriteFile(filepath.Join(dir, "old.csv"), nil, 0o600))
	var out bytes.Buffer
	require.NoError(t, importPaths(t, db, dir).WriteJSON(&out))
	require.JSONEq(t, `{
		"files": [{"file": "battery_tests.csv", "kind": "battery_tests", "rows": 3, "taken": 1, "already_there": 1, "kept_apart": 1}],
		"kept_apart": [{"file": "battery_tests.csv", "line": 3, "column": "cca_a", "value": "8x1",
			"reason": "want a plain decimal like 12.4: digits and at most one point, nothing else"}],
		"refused": [{"file": "old.csv", "reason": "the file is empty: its first line must name the columns"}]}`, out.String())
	require.True(t, json.Valid(out.Bytes()))
	require.True(t, strings.HasSuffix(out.String(), "}\n"))
}

func TestDryRunTellsConflictsOfSeveralFiles(t *testing.T) {
	db := newFleet(t)
	before := contents(t, export(t, db))
	opt := options()
	opt.DryRun = true
	paths := []string{
		write(t, "a.csv", "cranked_at,unit,min_v\n2025-01-10T12:40:12Z,H-001,8.5\n2025-03-10T12:40:12Z,H-001,8.5\n"),
		write(t, "b.csv", "cranked_at,unit,min_v\n2025-01-10T12:40:12Z,H-001,8.6\n2025-03-10T12:40:12Z,H-001,8.6\n"),
		write(t, "c.csv", "depot,name,timezone\nHOL,Holm,UTC\n"),
	}
	dry, err := ingest.Import(t.Context(), db, paths, opt)
	require.NoError(t, err)
	defer dry.Close()
	wet := importPaths(t, db, paths...)
	require.Equal(t, wet.Files, dry.Files)
	require.Equal(t, kept(t, wet), kept(t, dry))
	require.Len(t, kept(t, dry), 4)
	after := contents(t, export(t, db))
	require.Equal(t, before["depots"], after["depots"], "the first stands")
	require.Contains(t, after["crank_events"], "2025-03-10T07:40:12-05:00,H-001,,8.5,")
}
