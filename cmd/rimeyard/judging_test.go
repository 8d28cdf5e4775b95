package main

import (
	"encoding/csv"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"rimeyard/internal/fleet"
)

// Without a server: who brings a test in and looks at its unit is told that a list of today does not know it, and how it is asked for; what
// shows the newest list has what came since beside it.
func TestWhatIsBroughtInAtTheTerminalShowsThere(t *testing.T) {
	db := auditDB(t)
	today := fleet.DateOf(time.Now(), time.Local)
	code, _, stderr := rimeyard(t, "fit", "--as-of", (today - 1).String())
	require.Equal(t, exitDone, code, stderr)
	units, err := db.Units(t.Context())
	require.NoError(t, err)
	unit, other := string(units[0].ID), string(units[1].ID)
	for _, args := range [][]string{{"unit", unit}, {"rank", "--top", "1"}} {
		_, _, stderr = rimeyard(t, args...)
		require.NotContains(t, stderr, "note:")
	}

	depot, err := db.Depots(t.Context())
	require.NoError(t, err)
	var zone *time.Location
	for _, d := range depot {
		if d.ID == units[0].Depot {
			zone = d.Zone()
		}
	}
	now := time.Now().In(zone).Add(-time.Minute)
	day := fleet.DateOf(now, zone)
	path := filepath.Join(t.TempDir(), "battery_tests.csv")
	require.NoError(t, os.WriteFile(path, fmt.Appendf(nil, "tested_at,unit,position,rest_v\n%s,%s,1,12.1\n", now.Format(time.RFC3339), unit), 0o600))
	code, stdout, stderr := rimeyard(t, "import", path)
	require.Equal(t, exitDone, code, stdout+stderr)

	if day >= today { // else it is yet yesterday there, and a list of today has it
		want := fmt.Sprintf("dated %s or later and not counted here, as a day counts from the next one on; --as-of %s counts all\n", today, day+1)
		_, _, stderr = rimeyard(t, "unit", unit)
		require.Equal(t, "note: a part or a test of "+unit+" is "+want, stderr)
		_, stdout, stderr = rimeyard(t, "rank", "--format", "json")
		require.Equal(t, "note: parts or tests of 1 unit are "+want, stderr)
		require.NotContains(t, stdout, "note:")
		_, _, stderr = rimeyard(t, "tonight", "--low", string(units[0].Depot)+"=-20")
		require.Equal(t, "note: parts or tests of 1 unit are "+want, stderr)
	}
	_, stdout, stderr = rimeyard(t, "unit", unit, "--as-of", (day + 1).String())
	require.Empty(t, stderr, "asked for by date, it is what it is")
	require.Contains(t, stdout, day.String())
	_, _, stderr = rimeyard(t, "unit", other)
	require.Empty(t, stderr)

	out := filepath.Join(t.TempDir(), "list.csv")
	code, _, stderr = rimeyard(t, "report", "save", "winter-list", "--out", out)
	require.Equal(t, exitDone, code, stderr)
	written, err := os.ReadFile(out)
	require.NoError(t, err)
	rows, err := csv.NewReader(strings.NewReader(string(written))).ReadAll()
	require.NoError(t, err)
	for _, row := range rows[1:] {
		since := ""
		if row[1] == unit {
			since = "tested " + day.String()
		}
		require.Equal(t, []string{(today - 1).String(), since}, row[14:16], row[1])
	}
	issue, err := db.LatestIssue(t.Context())
	require.NoError(t, err)
	anew, err := db.AnewOf(t.Context(), issue.ID, nil)
	require.NoError(t, err)
	require.Len(t, anew, 1)

	_, err = db.Pool().Exec(t.Context(), `DELETE FROM anew`)
	require.NoError(t, err)
	code, _, stderr = rimeyard(t, "plan", "--format", "json")
	require.Equal(t, exitDone, code, stderr)
	counts, err := db.AnewCounts(t.Context(), issue.ID, nil)
	require.NoError(t, err)
	require.Equal(t, 1, counts[units[0].Depot].Units, "the plan is made by it")
}
