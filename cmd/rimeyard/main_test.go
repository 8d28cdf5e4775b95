package main

import (
	"bytes"
	"encoding/json"
	"maps"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"rimeyard/alerts"
	"rimeyard/internal/demofleet"
	"rimeyard/internal/fleet"
	"rimeyard/internal/pgtest"
	"rimeyard/internal/store"
	"rimeyard/reports"
)

const testToday = "2026-11-25"

// rimeyard runs the program as a person would, on the database that the test has set.
func rimeyard(t *testing.T, args ...string) (code int, stdout, stderr string) {
	t.Helper()
	return rimeyardAt(t, time.Now, args...)
}

// rimeyardAt runs the program by another clock.
func rimeyardAt(t *testing.T, now func() time.Time, args ...string) (code int, stdout, stderr string) {
	t.Helper()
	var out, errs bytes.Buffer
	code = run(args, strings.NewReader(""), &out, &errs, now)
	return code, out.String(), errs.String()
}

func writeFleet(t *testing.T) string {
	t.Helper()
	today, err := fleet.ParseDate(testToday)
	require.NoError(t, err)
	dir := t.TempDir()
	_, err = demofleet.Write(dir, demofleet.Options{Seed: 7, Today: today, Units: 24})
	require.NoError(t, err)
	return dir
}

// The list must be that of the contract, to the name, for a folder that the program has never seen.
func TestRankKeepsTheContract(t *testing.T) {
	t.Setenv(envDatabase, pgtest.URL(t))
	code, _, stderr := rimeyard(t, "import", writeFleet(t), "--format", "json")
	require.Contains(t, []int{exitDone, exitKeptApart}, code, stderr)

	code, stdout, stderr := rimeyard(t, "rank", "--as-of", "2025-10-01", "--format", "json")
	require.Equal(t, exitDone, code, stderr)
	var list struct {
		AsOf   string            `json:"as_of"`
		Season map[string]string `json:"season"`
		Units  []map[string]any  `json:"units"`
	}
	dec := json.NewDecoder(strings.NewReader(stdout))
	dec.DisallowUnknownFields()
	require.NoError(t, dec.Decode(&list))
	require.Equal(t, "2025-10-01", list.AsOf)
	require.Equal(t, map[string]string{"from": "2025-10-01", "to": "2026-03-31"}, list.Season)
	require.Len(t, list.Units, 24, "every unit is listed, also those with little data")
	for i, u := range list.Units {
		require.ElementsMatch(t, []string{
			"unit", "depot", "rank", "band", "no_start_probability", "cold_limit_c", "cold_limit_p10_c", "cold_limit_p90_c",
			"suspect", "suspect_probabilities", "expected_loss", "swap_cost", "swap_by", "evidence",
		}, slices.Collect(maps.Keys(u)))
		require.InDelta(t, i+1, u["rank"], 0)
		p, isNumber := u["no_start_probability"].(float64)
		require.True(t, isNumber && p > 0 && p < 1, "%v", u)
		sum := 0.0
		for _, share := range u["suspect_probabilities"].(map[string]any) {
			sum += share.(float64)
		}
		require.InDelta(t, 1, sum, 1e-9)
		require.NotEmpty(t, u["evidence"])
	}

	_, again, _ := rimeyard(t, "rank", "--as-of", "2025-10-01", "--format", "json")
	require.Equal(t, stdout, again, "the same data and date give the same bytes")
}

// Rows that lie ahead of the date must not change a byte of the list, whatever they say.
func TestRankSeesNothingAhead(t *testing.T) {
	files := writeFleet(t)
	t.Setenv(envDatabase, pgtest.URL(t))
	code, _, stderr := rimeyard(t, "import", files)
	require.Contains(t, []int{exitDone, exitKeptApart}, code, stderr)
	_, all, _ := rimeyard(t, "rank", "--as-of", "2025-10-01", "--format", "json")

	cut := t.TempDir()
	for file, timeColumn := range map[string]string{
		"depots.csv": "", "vehicles.csv": "", "batteries.csv": "fitted_on", "starters.csv": "fitted_on", "battery_tests.csv": "tested_at",
		"crank_events.csv": "cranked_at", "breakdowns.csv": "happened_at", "temperatures.csv": "date",
	} {
		cutFile(t, filepath.Join(files, file), filepath.Join(cut, file), timeColumn, "2025-10-01")
	}
	t.Setenv(envDatabase, pgtest.URL(t))
	code, _, stderr = rimeyard(t, "import", cut)
	require.Contains(t, []int{exitDone, exitKeptApart}, code, stderr)
	_, known, _ := rimeyard(t, "rank", "--as-of", "2025-10-01", "--format", "json")
	require.Equal(t, all, known)
}

// cutFile copies the rows whose time lies before a day. Times are written with the depot's own offset, so the text decides.
func cutFile(t *testing.T, from, to, column, before string) {
	t.Helper()
	b, err := os.ReadFile(from)
	require.NoError(t, err)
	lines := strings.SplitAfter(string(b), "\n")
	at := slices.Index(strings.Split(strings.TrimSpace(lines[0]), ","), column)
	kept := lines[:1:1]
	for _, line := range lines[1:] {
		if at < 0 || strings.Split(line+strings.Repeat(",", 20), ",")[at] < before {
			kept = append(kept, line)
		}
	}
	require.NoError(t, os.WriteFile(to, []byte(strings.Join(kept, "")), 0o600))
}

func TestWrongUseSaysWhatToDo(t *testing.T) {
	for _, tc := range []struct {
		args []string
		says string
	}{
		{[]string{"rank", "--as-of", "1.10.2025"}, "want YYYY-MM-DD"},
		{[]string{"rank", "--format", "xml"}, "want table, json or csv"},
		{[]string{"unit"}, "one unit's number"},
		{[]string{"frobnicate"}, "unknown command"},
		{[]string{"serve", "--tls-cert", "yard.pem"}, "tls-key"},
	} {
		code, stdout, stderr := rimeyard(t, tc.args...)
		require.Equal(t, exitUsage, code, "%v", tc.args)
		require.Empty(t, stdout)
		require.Contains(t, stderr, tc.says)
	}
}

func TestAnEmptyFleetSaysHowToBegin(t *testing.T) {
	t.Setenv(envDatabase, pgtest.URL(t))
	for _, args := range [][]string{{"rank"}, {"fit"}} {
		code, _, stderr := rimeyard(t, args...)
		require.Equal(t, exitFailed, code)
		require.Contains(t, stderr, "rimeyard import")
	}
	code, stdout, _ := rimeyard(t, "rank", "--format", "json")
	require.Equal(t, exitDone, code, "a program reads an empty list")
	require.JSONEq(t, `[]`, func() string {
		var list struct{ Units json.RawMessage }
		require.NoError(t, json.Unmarshal([]byte(stdout), &list))
		return string(list.Units)
	}())
}

// On the fleet that the demo shows, whatever the day on which somebody looks at it, the audit must show the list ahead of the rules of
// today, and the list must name the part of the units whose story is told.
func TestDemoTellsItsStory(t *testing.T) {
	for day, seasons := range map[string]int{ // past seasons of which the fleet's two and a half years of readings hold enough
		testToday: 2, "2027-02-10": 1, "2027-04-20": 2, "2027-07-15": 2,
	} {
		t.Run(day, func(t *testing.T) { requireStory(t, day, seasons) })
	}
}

func requireStory(t *testing.T, day string, seasons int) {
	t.Helper()
	today, err := fleet.ParseDate(day)
	require.NoError(t, err)
	dir := t.TempDir()
	_, err = demofleet.Write(dir, demofleet.Options{Seed: demoSeed, Today: today})
	require.NoError(t, err)
	t.Setenv(envDatabase, pgtest.URL(t))
	code, _, stderr := rimeyard(t, "import", dir)
	require.Equal(t, exitKeptApart, code, stderr)
	noon := func() time.Time { return today.Midnight(time.UTC).Add(12 * time.Hour) }
	code, stdout, stderr := rimeyardAt(t, noon, "audit", "--format", "json")
	require.Equal(t, exitDone, code, stderr)
	var audit struct{ Seasons []alerts.AuditResult }
	require.NoError(t, json.Unmarshal([]byte(stdout), &audit))
	require.Len(t, audit.Seasons, seasons)
	for _, s := range audit.Seasons {
		for _, rule := range s.Rules {
			require.Greater(t, s.Forecast.AUC.Or(0), rule.AUC.Or(0), "season of %s, rule %s", s.AsOf, rule.Rule)
		}
	}
	code, stdout, stderr = rimeyard(t, "rank", "--as-of", day, "--format", "json")
	require.Equal(t, exitDone, code, stderr)
	var list fleet.RankedList
	require.NoError(t, json.Unmarshal([]byte(stdout), &list))
	require.LessOrEqual(t, list.AsOf, list.Season.To, "the season that is on, or the next one")
	told := map[fleet.UnitID]fleet.Part{"N-003": fleet.BatteryPart}
	if day == testToday { // of another day it is another fleet, in which a fault that cranks show only at its end need not be plain yet
		told = map[fleet.UnitID]fleet.Part{"N-003": fleet.BatteryPart, "P-004": fleet.StarterPart, "C-003": fleet.ChargingPart, "P-003": ""}
	}
	requireTales(t, list, told)
}

// requireTales looks for units of the story on the list, and for the part that it tells of.
func requireTales(t *testing.T, list fleet.RankedList, told map[fleet.UnitID]fleet.Part) {
	t.Helper()
	for _, u := range list.Units {
		if part, isTold := told[u.Unit]; isTold && part != "" {
			require.Equal(t, part, u.Suspect, "unit %s: %v", u.Unit, u.SuspectProbabilities)
			delete(told, u.Unit)
		}
		if _, isTold := told[u.Unit]; isTold && u.Unit == "P-003" {
			// A corroding cable and worn brushes read alike from the battery's terminals: the list may name either, must not send anybody to
			// buy a battery, and must ask for the measurement that tells them apart.
			said := strings.Join(u.Evidence, "\n")
			require.Contains(t, []fleet.Part{fleet.CablePart, fleet.StarterPart}, u.Suspect, "%v", u.SuspectProbabilities)
			require.Contains(t, said, "resistance in cables or starter, not a weak battery")
			require.Contains(t, said, "volts lost over both cables while cranking")
			delete(told, u.Unit)
		}
		if u.Unit == "N-004" {
			require.Equal(t, fleet.UnknownBand, u.Band, "a new unit with no history")
		}
	}
	require.Empty(t, told, "not on the list")
}

func TestTonightFallsWithTheThermometer(t *testing.T) {
	t.Setenv(envDatabase, pgtest.URL(t))
	code, _, stderr := rimeyard(t, "import", writeFleet(t))
	require.Contains(t, []int{exitDone, exitKeptApart}, code, stderr)
	nights := func(args ...string) map[fleet.UnitID]alerts.Night {
		code, stdout, stderr := rimeyard(t, append([]string{"tonight", "--as-of", testToday, "--top", "0", "--format", "json"}, args...)...)
		require.Equal(t, exitDone, code, stderr)
		var list []alerts.Night
		require.NoError(t, json.Unmarshal([]byte(stdout), &list))
		byUnit := map[fleet.UnitID]alerts.Night{}
		for _, n := range list {
			byUnit[n.Unit] = n
		}
		return byUnit
	}
	require.Len(t, nights(), 24, "the imported forecast serves every depot")
	mild, cold := nights("--low", "NOR=-5"), nights("--low", "NOR=-30")
	for unit, n := range cold {
		if n.Depot != "NOR" {
			require.Equal(t, mild[unit], n)
			continue
		}
		require.InDelta(t, -30, n.LowC, 0)
		require.GreaterOrEqual(t, n.NoStartProbability, mild[unit].NoStartProbability, "%s", unit)
	}
	requireTypedLowCounts(t, func() float64 {
		for _, n := range nights() {
			if n.Depot == "NOR" {
				return n.LowC
			}
		}
		return math.NaN()
	})
	code, _, stderr = rimeyard(t, "tonight", "--low", "NOR")
	require.Equal(t, exitUsage, code)
	require.Contains(t, stderr, "like NOR=-18")
	code, _, stderr = rimeyard(t, "tonight", "--low", "NOWHERE=-9")
	require.Equal(t, exitUsage, code)
	require.Contains(t, stderr, "--low NOWHERE: there is no such depot")
	code, _, stderr = rimeyard(t, "tonight", "--top", "x")
	require.Equal(t, exitUsage, code)
	require.Equal(t, "rimeyard: invalid argument \"x\" for \"--top\" flag: want a number; see rimeyard tonight --help\n", stderr)
}

// requireTypedLowCounts checks that the command and the winter list go by the low that somebody typed in on the page.
func requireTypedLowCounts(t *testing.T, commandsLowC func() float64) {
	t.Helper()
	db, err := store.Open(t.Context(), os.Getenv(envDatabase))
	require.NoError(t, err)
	t.Cleanup(db.Close)
	today, err := fleet.ParseDate(testToday)
	require.NoError(t, err)
	listsLowC := func() float64 {
		data, err := gatherAround(t.Context(), db, fleet.RankedList{AsOf: today}, today,
			func(d fleet.Depot) fleet.Date { return reports.Dawn(d, today.Midnight(d.Zone())) })
		require.NoError(t, err)
		return data.TonightC["NOR"]
	}
	const typedC = -27.5
	require.Greater(t, commandsLowC(), typedC)
	require.Greater(t, listsLowC(), typedC, "before six in the morning the night is still the one that ends today")
	for _, dawn := range []fleet.Date{today, today + 1} {
		require.NoError(t, db.TypeLow(t.Context(), fleet.Low{Depot: "NOR", Dawn: dawn, C: typedC - float64(dawn-today), Typed: "mara"}))
	}
	require.InDelta(t, typedC-1, commandsLowC(), 0)
	require.InDelta(t, typedC, listsLowC(), 0)
}

// The demo must not mix its invented units into a real fleet.
func TestDemoRefusesAForeignFleet(t *testing.T) {
	t.Setenv(envDatabase, pgtest.URL(t))
	t.Setenv(envHome, t.TempDir())
	code, _, stderr := rimeyard(t, "import", "../../testdata/ingest/fleet")
	require.Equal(t, exitDone, code, stderr)
	_, before, _ := rimeyard(t, "rank", "--as-of", "2025-10-01", "--format", "json")
	code, _, stderr = rimeyard(t, "demo", "--today", testToday)
	require.Equal(t, exitFailed, code)
	require.Contains(t, stderr, "holds a fleet already")
	_, after, _ := rimeyard(t, "rank", "--as-of", "2025-10-01", "--format", "json")
	require.Equal(t, before, after)
}
