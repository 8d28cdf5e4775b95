package main

import (
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"rimeyard/internal/pgtest"
)

const smallFleet = "../../testdata/ingest/fleet"

func TestImportAndExportKeepTheContract(t *testing.T) {
	t.Setenv(envDatabase, pgtest.URL(t))
	code, stdout, stderr := rimeyard(t, "import", smallFleet, "--format", "json")
	require.Equal(t, exitDone, code, stderr)
	var res struct{ Files []struct{ File string } }
	require.NoError(t, json.Unmarshal([]byte(stdout), &res))
	require.Len(t, res.Files, 8)
	require.Contains(t, stdout, `"kept_apart": []`, "lists are never null")

	out := filepath.Join(t.TempDir(), "out")
	code, _, stderr = rimeyard(t, "export", out)
	require.Equal(t, exitDone, code, stderr)
	for _, f := range res.Files {
		want, err := os.ReadFile(filepath.Join(smallFleet, f.File))
		require.NoError(t, err)
		got, err := os.ReadFile(filepath.Join(out, f.File))
		require.NoError(t, err)
		require.Equal(t, string(want), string(got), f.File)
	}
	code, _, stderr = rimeyard(t, "export", out)
	require.Equal(t, exitFailed, code)
	require.Contains(t, stderr, "is there already")

	packed := t.TempDir()
	code, _, stderr = rimeyard(t, "export", packed, "--gzip", "--kind", "battery_tests")
	require.Equal(t, exitDone, code, stderr)
	code, stdout, stderr = rimeyard(t, "import", packed, "--format", "csv")
	require.Equal(t, exitDone, code, stderr)
	require.Contains(t, stdout, "battery_tests.csv.gz,battery_tests,4,0,4,0,\n")
}

func TestImportTellsByItsExitCodeThatRowsWereKeptApart(t *testing.T) {
	t.Setenv(envDatabase, pgtest.URL(t))
	bad := filepath.Join(t.TempDir(), "bad.csv")
	content := "tested_at,unit,rest_v,colour\n2025-02-01T07:00:00Z,H-001,12.5,red\n2025-02-02T07:00:00Z,H-001,12500,red\n"
	require.NoError(t, os.WriteFile(bad, []byte(content), 0o600))
	mend := filepath.Join(t.TempDir(), "mend")

	code, stdout, stderr := rimeyard(t, "import", smallFleet, bad, "--dry-run")
	require.Equal(t, exitKeptApart, code, stderr)
	require.Contains(t, stdout, `bad.csv, line 3, rest_v "12500"`)
	require.Contains(t, stderr, "dry run: nothing was changed")
	require.Contains(t, stderr, `passed over "colour"`)

	code, stdout, stderr = rimeyard(t, "import", smallFleet, bad, "--kept-apart", mend)
	require.Equal(t, exitKeptApart, code, stderr)
	require.Contains(t, stdout, `bad.csv, line 3, rest_v "12500"`)
	kept := filepath.Join(mend, "kept_battery_tests.csv")
	row, err := os.ReadFile(kept)
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(kept, []byte(strings.ReplaceAll(string(row), "12500", "12.5")), 0o600))
	code, stdout, stderr = rimeyard(t, "import", mend)
	require.Equal(t, exitDone, code, stdout+stderr)
}

func TestImportAndExportSayWhatTheyWant(t *testing.T) {
	t.Setenv(envDatabase, "postgres://nowhere.invalid/none") // neither gets as far as the database
	for _, args := range [][]string{{"import"}, {"export"}, {"export", "a", "b"}, {"export", "a", "--kind", "cranks"}, {"import", smallFleet, "--format", "xml"}} {
		code, _, stderr := rimeyard(t, args...)
		require.Equal(t, exitUsage, code, "%v: %s", args, stderr)
	}
	code, stdout, stderr := rimeyard(t, "import", smallFleet, "no/such.csv", "nor/this", "--format", "json")
	require.Equal(t, exitUsage, code)
	require.Empty(t, stdout)
	require.Equal(t, "rimeyard: import no/such.csv: there is no such file or folder\nimport nor/this: there is no such file or folder\n"+
		"nothing was taken: check the path and run the command again\n", stderr)
}
