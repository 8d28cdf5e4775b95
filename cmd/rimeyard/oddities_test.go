package main

import (
	"encoding/csv"
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"rimeyard/alerts"
	"rimeyard/internal/fleet"
	"rimeyard/internal/pgtest"
	"rimeyard/internal/store"
)

func TestOdditiesInAllFormats(t *testing.T) {
	t.Setenv(envDatabase, pgtest.URL(t))
	ask := func(args ...string) string {
		t.Helper()
		code, stdout, stderr := rimeyard(t, append([]string{"oddities", "--as-of", testToday}, args...)...)
		require.Equal(t, exitDone, code, stderr)
		return stdout
	}
	require.Equal(t, "nothing is odd: readings, records and testers fit each other\n", ask())
	require.Equal(t, "[]\n", ask("--format", "json"))

	dir := writeFleet(t)
	wrong := "tested_at,unit,position,rest_v,cca_a,cca_standard,tester\n2026-11-20T10:00:00Z,C-001,1,12.62,130,en,COA-G2\n"
	require.NoError(t, os.WriteFile(filepath.Join(dir, "wrong_battery_tests.csv"), []byte(wrong), 0o600))
	code, _, stderr := rimeyard(t, "import", dir)
	require.Contains(t, []int{exitDone, exitKeptApart}, code, stderr)
	var found []alerts.Oddity
	require.NoError(t, json.Unmarshal([]byte(ask("--format", "json")), &found))
	require.Len(t, found, 1)
	require.Equal(t, alerts.FarOff, found[0].Kind)
	require.Contains(t, found[0].Sentence, "On 2026-11-20 it showed 130 A of ")
	rows, err := csv.NewReader(strings.NewReader(ask("--format", "csv"))).ReadAll()
	require.NoError(t, err)
	require.Equal(t, [][]string{
		{"on", "kind", "unit", "other_unit", "depot", "tester", "sentence"},
		{"2026-11-20", "reading far off", "C-001", "", "COA", "COA-G2", found[0].Sentence},
	}, rows)
	require.Contains(t, ask(), "other unit", "the table's head in words")
}

// requireOddities checks that the work of the day keeps what the command prints.
func requireOddities(t *testing.T, db *store.DB, today fleet.Date) {
	t.Helper()
	day, madeAt, err := db.OdditiesLook(t.Context())
	require.NoError(t, err)
	require.Equal(t, fleet.Known(today), day)
	require.Equal(t, today.Midnight(time.UTC).Add(12*time.Hour), madeAt, "when the work was done first")
	rhythms, err := db.Rhythms(t.Context())
	require.NoError(t, err)
	require.NotEmpty(t, alerts.NewestReadings(rhythms))
	in, err := rankInput(t.Context(), db, today)
	require.NoError(t, err)
	want, err := alerts.Oddities(t.Context(), in)
	require.NoError(t, err)
	kept, err := db.Oddities(t.Context(), nil)
	require.NoError(t, err)
	require.Len(t, kept, len(want))
	for i, o := range kept {
		got := alerts.Oddity{On: o.On, Kind: alerts.OddityKind(o.Kind), Unit: o.Unit, OtherUnit: o.OtherUnit, Depot: o.Depot, Tester: o.Tester, Sentence: o.Sentence}
		require.Equal(t, want[i], got)
	}
}
