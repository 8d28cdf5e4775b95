package ingest_test

import (
	"bytes"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"rimeyard/ingest"
	"rimeyard/internal/fleet"
	"rimeyard/internal/store"
)

func importBatch(tb testing.TB, db *store.DB, body string, opt ingest.Options) *ingest.Result {
	tb.Helper()
	res, err := ingest.ImportBatch(tb.Context(), db, strings.NewReader(body), opt)
	require.NoError(tb, err)
	tb.Cleanup(func() { require.NoError(tb, res.Close()) })
	return res
}

func TestBatchIsJudgedAsFilesAre(t *testing.T) {
	db := newFleet(t)
	const body = `{
		"crank_events": [
			{"cranked_at": "2025-02-01T07:00:00Z", "unit": "H-001", "rest_v": 12.5, "min_v": "9.25", "duration_ms": 1.2e3, "rpm": null},
			{"cranked_at": "2025-02-01T07:00:00Z", "unit": "H-001", "rest_v": 12500, "min_v": 9.25},
			["no", "object"],
			{"cranked_at": "2025-02-02T07:00:00Z", "unit": "H-001", "min_v": {"volts": 9}},
			{"cranked_at": "2025-02-03T07:00:00Z", "unit": "H-001", "min_v": 9, "temperature_f": 14, "colour": "red"}],
		"battery_tests": [{"tested_at": "2025-02-01T07:00:00Z", "unit": "H-001", "rest_v": 12.4}]}`
	res := importBatch(t, db, body, options())
	require.Equal(t, []fleet.FileResult{
		{File: "battery_tests", Kind: "battery_tests", Rows: 1, Taken: 1},
		{File: "crank_events", Kind: "crank_events", Rows: 5, Taken: 2, KeptApart: 3},
	}, res.Files)
	require.Equal(t, []string{`crank_events: passed over "colour", which crank_events has no meaning for`}, res.Notices)
	rows := kept(t, res)
	require.Equal(t, []int64{2, 3, 4}, []int64{rows[0].Line, rows[1].Line, rows[2].Line})
	require.Equal(t, []string{"rest_v", "", "min_v"}, []string{rows[0].Column, rows[1].Column, rows[2].Column})
	require.Equal(t, `{"volts":9}`, rows[2].Value)
	cranks := contents(t, export(t, db))["crank_events"]
	require.Contains(t, cranks, "2025-02-01T01:00:00-06:00,H-001,12.5,9.25,,1200,,,,,started\n")
	require.Contains(t, cranks, "2025-02-03T01:00:00-06:00,H-001,,9,,,-10,,,,started\n")
	again := importBatch(t, db, body, options())
	require.Equal(t, int64(2), again.Files[1].AlreadyThere)
}

func TestBatchOfOneDepotTakesNoRowsOfAnother(t *testing.T) {
	db := newFleet(t)
	opt := options()
	opt.Depots = []fleet.DepotID{"NOR"}
	res := importBatch(t, db, `{
		"battery_tests": [
			{"tested_at": "2025-02-01T07:00:00Z", "unit": "H-001", "rest_v": 12.4},
			{"tested_at": "2025-02-01T07:00:00Z", "unit": "N-001", "rest_v": 12.4}],
		"temperatures": [{"depot": "HOL", "date": "2025-02-01", "min_c": -3}, {"depot": "NOR", "date": "2025-02-01", "min_c": -3}],
		"vehicles": [{"unit": "H-003", "depot": "HOL", "class": "van", "fuel": "petrol", "system_volts": 12, "batteries": 1}],
		"depots": [{"depot": "NEW", "name": "New", "timezone": "UTC"}]}`, opt)
	rows := kept(t, res)
	require.Len(t, rows, 4)
	for _, k := range rows {
		require.Contains(t, k.Reason, "rows of depot NOR only")
	}
	require.Equal(t, int64(1), res.Files[2].Taken)
	require.Equal(t, int64(1), res.Files[3].Taken)
}

func TestWhatIsNoBatchIsRefusedWhole(t *testing.T) {
	db := newFleet(t)
	before := contents(t, export(t, db))
	for body, says := range map[string]string{
		``:                          "want an object",
		`[]`:                        "want an object",
		`{"battery_tests": {}}`:     "want an object with an array",
		`{"battery_test": []}`:      `no kind of row is called "battery_test"`,
		"{\"battery_tests\": [\xff": "not UTF-8",
		`{"battery_tests": [{"tested_at": "2025-02-01T07:00:00Z", "unit": "H-001", "rest_v": 12.4}`: "want an object",
	} {
		_, err := ingest.ImportBatch(t.Context(), db, strings.NewReader(body), options())
		require.ErrorAs(t, err, &ingest.BatchError{}, body)
		require.ErrorContains(t, err, says)
	}
	require.Equal(t, before, contents(t, export(t, db)))
}

func TestResultForPeople(t *testing.T) {
	db := newFleet(t)
	res := importPaths(t, db, write(t, "tests.csv", testHeader+"\n2025-02-01T07:00:00Z,H-001,,,12400,,,\n"), write(t, "old.csv", ""))
	var table, asCSV bytes.Buffer
	require.NoError(t, res.WriteTable(&table))
	require.Equal(t, `  rows  taken  already there  kept apart  file
     1      0              0           1  tests.csv (battery_tests)
refused: old.csv: the file is empty: its first line must name the columns
kept apart: tests.csv, line 2, rest_v "12400": 12400 is outside 1 to 16 V, what 12 V can show at rest: this may be millivolts, or the reading of another system: write volts
`, table.String())
	require.NoError(t, res.WriteCSV(&asCSV))
	require.Equal(t, `file,kind,rows,taken,already_there,kept_apart,refused
old.csv,,0,0,0,0,the file is empty: its first line must name the columns
tests.csv,battery_tests,1,0,0,1,
`, asCSV.String())
}

// A batch asks for the units that it names, however they are written, and for those that it brings itself.
func TestBatchKnowsTheUnitsThatItNames(t *testing.T) {
	db := newFleet(t)
	res := importBatch(t, db, `{
		"vehicles": [{"unit": "Z-900", "depot": "HOL", "class": "van", "fuel": "diesel", "system_volts": 12, "batteries": 1, "parked": "outdoors"}],
		"battery_tests": [
			{"tested_at": "2025-02-01T07:00:00Z", "unit": " H-001 ", "rest_v": 12.4},
			{"tested_at": "2025-02-01T07:00:00Z", "Unit": "Z-900", "rest_v": 12.5},
			{"tested_at": "2025-02-01T07:00:00Z", "unit": "nobody's", "rest_v": 12.5},
			{"tested_at": "2025-02-01T07:00:00Z", "unit": "H\u0000", "rest_v": 12.5},
			{"tested_at": "2025-02-01T07:00:00Z", "rest_v": 12.5}]}`, options())
	require.EqualValues(t, 1, res.Files[0].Taken, "%+v", res.Files)
	require.EqualValues(t, 2, res.Files[1].Taken, "%+v", res.Files)
	require.EqualValues(t, 3, res.Files[1].KeptApart)
}
