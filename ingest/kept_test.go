package ingest_test

import (
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"rimeyard/ingest"
	"rimeyard/internal/fleet"
	"rimeyard/internal/pgtest"
	"rimeyard/internal/store"
)

// The headers of the rows below.
const (
	testHeader   = "tested_at,unit,position,battery,rest_v,cca_a,cca_standard,temperature_c"
	crankHeader  = "cranked_at,unit,rest_v,min_v,mean_v,duration_ms,temperature_c,coolant_c"
	fittedHeader = "battery,unit,position,part,chemistry,rated_cca_a,cca_standard,fitted_on,removed_on"
	depotHeader  = "depot,name,timezone,latitude"
	unitHeader   = "unit,depot,class,fuel,system_volts,batteries,no_start_cost"
	brokenHeader = "happened_at,unit,cause,cost"
	tempHeader   = "depot,date,min_c,max_c"
)

// TestBadRowsAreKeptApart holds each bad row between two good ones, which go in.
func TestBadRowsAreKeptApart(t *testing.T) {
	db := newFleet(t)
	for _, tc := range []struct {
		name, header, row   string
		column, value, says string
	}{
		{"unknown unit", testHeader, "2025-03-01T07:00:00Z,H-999,,,12.4,,,", "unit", "H-999", "bring the unit in a vehicles file first"},
		{"unknown depot", tempHeader, "QQQ,2025-03-01,-3,2", "depot", "QQQ", "bring the depot in a depots file first"},
		{"unknown depot of a unit", unitHeader, "X-1,QQQ,van,petrol,12,1,", "depot", "QQQ", "bring the depot"},
		{"no value where one is needed", testHeader, ",H-001,,,12.4,,,", "tested_at", "", "needed in every row"},
		{"nothing measured", testHeader, "2025-03-01T07:00:00Z,H-001,,,,,,-3", "rest_v", "", "says nothing"},
		{"nothing measured while cranking", crankHeader, "2025-03-01T07:00:00Z,H-001,12.5,,,,,", "min_v", "", "says nothing"},
		{"position beyond the unit's batteries", testHeader, "2025-03-01T07:00:00Z,H-001,2,,12.4,,,", "position", "2", "has 1 batteries"},
		{"fitted beyond the unit's batteries", fittedHeader, "Z9,H-001,2,P-70,agm,760,en,2025-02-01,", "position", "2", "has 1 batteries"},
		{"battery not fitted any more", testHeader, "2025-01-16T07:00:00-06:00,H-001,1,A100,12.4,,,", "battery", "A100", "was not fitted in unit H-001 at position 1 on 2025-01-16"},
		{"battery not fitted yet, by the depot's day", testHeader, "2025-01-15T05:30:00Z,H-001,1,A101,12.4,,,", "battery", "A101", "on 2025-01-14"},
		{"battery of another position", testHeader, "2025-03-01T07:00:00Z,H-002,1,B201,12.4,,,", "battery", "B201", "position 1"},
		{"CCA without its standard", testHeader, "2025-03-01T07:00:00Z,H-001,,,,500,,", "cca_standard", "", "standard that the tester was set to"},
		{"a standard that is none", testHeader, "2025-03-01T07:00:00Z,H-001,,,,500,eu,", "cca_standard", "eu", "sae, en, din, iec or jis"},
		{"millivolts of a battery", testHeader, "2025-03-01T07:00:00Z,H-001,,,12400,,,", "rest_v", "12400", "millivolts"},
		{"millivolts of a system", crankHeader, "2025-03-01T07:00:00Z,H-001,12400,9800,,,,", "rest_v", "12400", "millivolts"},
		{"millivolts while cranking", crankHeader, "2025-03-01T07:00:00Z,H-001,,9800,,,,", "min_v", "9800", "millivolts"},
		{"24 V on one battery", testHeader, "2025-03-01T07:00:00Z,H-002,,,24.8,,,", "rest_v", "24.8", "12 V can show"},
		{"12 V on a 24 V unit", crankHeader, "2025-03-01T07:00:00Z,H-002,12.4,9,,,,", "rest_v", "12.4", "24 V system"},
		{"24 V on a 12 V unit", crankHeader, "2025-03-01T07:00:00Z,H-001,,18.5,,,,", "min_v", "18.5", "more than this system can show"},
		{"min above mean", crankHeader, "2025-03-01T07:00:00Z,H-001,12.5,10,9.9,,,", "min_v", "10", "above mean_v"},
		{"mean above rest", crankHeader, "2025-03-01T07:00:00Z,H-001,12.5,10,12.6,,,", "mean_v", "12.6", "above rest_v"},
		{"min above rest", crankHeader, "2025-03-01T07:00:00Z,H-001,12.5,12.6,,,,", "min_v", "12.6", "above rest_v"},
		{"a crank of more than two minutes", crankHeader, "2025-03-01T07:00:00Z,H-001,12.5,10,,120001,,", "duration_ms", "120001", "two minutes"},
		{"must be Fahrenheit", testHeader, "2025-07-01T07:00:00Z,H-001,,,12.5,,,77", "temperature_c", "77", "temperature_f"},
		{"coolant must be Fahrenheit", crankHeader, "2025-07-01T07:00:00Z,H-001,12.5,10,,,,180", "coolant_c", "180", "Fahrenheit"},
		{"a day's temperature must be Fahrenheit", tempHeader, "HOL,2025-07-01,64,91", "min_c", "64", "Fahrenheit"},
		{"lowest above highest", tempHeader, "HOL,2025-07-02,20,10", "min_c", "20", "above its highest"},
		{"not a number", testHeader, "2025-03-01T07:00:00Z,H-001,,,NaN,,,", "rest_v", "NaN", "plain decimal"},
		{"infinite", testHeader, "2025-03-01T07:00:00Z,H-001,,,Inf,,,", "rest_v", "Inf", "plain decimal"},
		{"hexadecimal", testHeader, "2025-03-01T07:00:00Z,H-001,,,0xC,,,", "rest_v", "0xC", "plain decimal"},
		{"grouped digits", brokenHeader, "2025-03-01T07:00:00Z,H-001,battery,1 200.00", "cost", "1 200.00", "like 312.00"},
		{"decimal comma", testHeader, `2025-03-01T07:00:00Z,H-001,,,"12,4",,,`, "rest_v", "12,4", "semicolons"},
		{"a day and a minute ahead", testHeader, "2025-11-04T09:01:00Z,H-001,,,12.4,,,", "tested_at", "2025-11-04T09:01:00Z", "more than a day ahead"},
		{"a clock that was not set", crankHeader, "1970-01-01T00:00:10Z,H-001,12.5,10,,,,", "cranked_at", "1970-01-01T00:00:10Z", "clock"},
		{"a time that clocks passed over", testHeader, "2025-03-09T02:30:00,H-001,,,12.4,,,", "tested_at", "2025-03-09T02:30:00", "does not exist"},
		{"no time at all", testHeader, "yesterday,H-001,,,12.4,,,", "tested_at", "yesterday", "like 2025-10-01T06:40:00+02:00"},
		{"no date at all", fittedHeader, "Z9,H-001,1,P-70,agm,760,en,1.2.25,", "fitted_on", "1.2.25", "YYYY-MM-DD"},
		{"removed before it was fitted", fittedHeader, "Z9,H-001,1,P-70,agm,760,en,2025-02-01,2025-01-31", "removed_on", "2025-01-31", "before it was fitted"},
		{"no such zone", depotHeader, "ZZZ,Zed,Europe/Olso,", "timezone", "Europe/Olso", "IANA"},
		{"no such place", depotHeader, "ZZZ,Zed,Europe/Oslo,95", "latitude", "95", "outside -90 to 90"},
		{"a system of 36 V", unitHeader, "X-1,HOL,van,petrol,36,1,", "system_volts", "36", "12 or 24"},
		{"an amount with three decimals", unitHeader, "X-1,HOL,van,petrol,12,1,100.005", "no_start_cost", "100.005", "at most two decimals"},
		{"a key that is none", fittedHeader, strings.Repeat("k", 3000) + ",N-001,1,P-70,agm,760,en,,", "battery", strings.Repeat("k", 200) + "…", "longer than 200 bytes"},
		{"a field too few", testHeader, "2025-03-01T07:00:00Z,H-001,,,12.4,,", "", "", "7 fields and the header has 8"},
		{"a field too many", testHeader, "2025-03-01T07:00:00Z,H-001,,,12,4,,,", "", "", "9 fields and the header has 8"},
		{"NUL", testHeader, "2025-03-01T07:00:00Z,H-\x00001,,,12.4,,,", "unit", "H-␀001", "NUL"},
		{"not UTF-8", testHeader, "2025-03-01T07:00:00Z,H-\xff001,,,12.4,,,", "unit", "H-�001", "UTF-8"},
		{"a line of 10 MB", testHeader, "2025-03-01T07:00:00Z,H-001,,," + strings.Repeat("1", 10<<20) + ",,,", "rest_v", strings.Repeat("1", 200) + "…", "longer than 64 kB"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			good := goodRows[tc.header]
			text := tc.header + "\n" + good[0] + "\n" + tc.row + "\n" + good[1] + "\n"
			res := importPaths(t, db, write(t, "file.csv", text))
			require.Len(t, res.Files, 1)
			require.Empty(t, res.Files[0].Refused)
			rows := kept(t, res)
			require.Len(t, rows, 1, "%v", rows)
			k := rows[0]
			require.Equal(t, int64(3), k.Line)
			require.Equal(t, tc.column, k.Column)
			require.Contains(t, k.Reason, tc.says)
			if tc.column != "" {
				require.Equal(t, tc.value, k.Value)
			}
			require.Equal(t, int64(2), res.Files[0].Taken+res.Files[0].AlreadyThere)
		})
	}
}

// goodRows are rows of the test fleet that hold nothing against.
var goodRows = map[string][2]string{
	testHeader:   {"2025-02-01T07:00:00Z,H-001,,,12.5,,,", "2025-02-02T07:00:00Z,H-001,1,A101,12.5,700,en,-3"},
	crankHeader:  {"2025-02-01T07:00:00Z,H-001,12.5,10,,,,", "2025-02-02T07:00:00Z,H-002,25,18,20,900,-3,-3"},
	fittedHeader: {"Y1,N-001,2,P-70,agm,760,en,2025-02-01,", "Y2,N-001,3,P-70,agm,760,en,,"},
	depotHeader:  {"AAA,Aa,Europe/Oslo,60", "BBB,Bb,UTC,"},
	unitHeader:   {"W-1,HOL,van,petrol,12,1,", "W-2,HOL,van,petrol,12,1,99.90"},
	brokenHeader: {"2025-02-01T07:00:00Z,H-001,battery,", "2025-02-02T07:00:00Z,H-001,cable,12"},
	tempHeader:   {"HOL,2025-02-01,-3,2", "HOL,2030-02-02,-3,"},
}

func TestOnTheDayOfASwapBothBatteriesCountAsFitted(t *testing.T) {
	db := newFleet(t)
	res := importPaths(t, db, write(t, "t.csv", testHeader+"\n"+
		"2025-01-15T00:00:00-06:00,H-001,1,A100,12.1,,,\n"+
		"2025-01-15T23:59:59-06:00,H-001,1,A100,12.2,,,\n"+
		"2025-01-15T00:00:01-06:00,H-001,1,A101,12.7,,,\n"+
		"2019-01-15T00:00:01-06:00,H-002,1,B200,12.7,,,\n"))
	require.Empty(t, kept(t, res))
}

func TestOfRowsWithOneKeyTheFirstStands(t *testing.T) {
	db := newFleet(t)
	path := write(t, "tests.csv", "tested_at,unit,rest_v,note\n"+
		"2025-02-01T07:00:00Z,H-001,12.5,first\n"+
		"2025-02-01T01:00:00-06:00,H-001,12.50,first\n"+ // the same instant and volts, written otherwise
		"2025-02-01T07:00:00Z,H-001,12.6,second\n"+
		"2025-01-11T07:00:00+01:00,N-001,12.9,\n") // another is in the fleet already
	res := importPaths(t, db, path)
	require.Equal(t, []fleet.FileResult{{File: "tests.csv", Kind: "battery_tests", Rows: 4, Taken: 1, AlreadyThere: 1, KeptApart: 2}}, res.Files)
	rows := kept(t, res)
	require.Equal(t, []string{"rest_v", "battery"}, []string{rows[0].Column, rows[1].Column})
	require.Equal(t, []int64{4, 5}, []int64{rows[0].Line, rows[1].Line})
	require.Equal(t, []string{"2025-02-01T07:00:00Z", "H-001", "12.6", "second"}, rows[0].Fields)
	require.Contains(t, rows[0].Reason, "is there already and says 12.5 for rest_v; the first one stands")
	require.Equal(t, fleet.DepotID("NOR"), rows[1].Depot)
}

// TestRowsThatAreThereFarDownALongFile: long files of cranks are copied straight in, until that turns out not to do.
func TestRowsThatAreThereFarDownALongFile(t *testing.T) {
	const n = 6000
	lines := make([]string, n)
	for i := range lines {
		at := time.Date(2024, 1, 1, 0, 0, 0, 0, time.UTC).Add(time.Duration(i) * 2 * time.Hour)
		lines[i] = fmt.Sprintf("%s,H-001,%.2f,9,,,,", at.Format(time.RFC3339), 12+float64(i%50)/100)
	}
	with := func(more ...string) string {
		return crankHeader + "\n" + strings.Join(slices.Concat(lines, more), "\n") + "\n"
	}
	for _, tc := range []struct {
		name, before, file         string
		taken, alreadyThere, apart int64
	}{
		{"all new", crankHeader + "\n", with(), n, 0, 0},
		{"all there", with(), with(), 0, n, 0},
		{"the last is there", crankHeader + "\n" + lines[n-1] + "\n", with(), n - 1, 1, 0},
		{"the last is there with other values", crankHeader + "\n" + strings.Replace(lines[n-1], ",9,", ",8,", 1) + "\n", with(), n - 1, 0, 1},
		{"the last is the first again", crankHeader + "\n", with(lines[0]), n, 1, 0},
		{"the last is the first with other values", crankHeader + "\n", with(strings.Replace(lines[0], ",9,", ",8,", 1)), n, 0, 1},
		{"one is bad, and the last is the first again", crankHeader + "\n", with("yesterday,H-001,,9,,,,", lines[0]), n, 1, 1},
	} {
		t.Run(tc.name, func(t *testing.T) {
			db := newFleet(t)
			importPaths(t, db, write(t, "before.csv", tc.before))
			res := importPaths(t, db, write(t, "file.csv", tc.file))
			want := fleet.FileResult{
				File: "file.csv", Kind: "crank_events", Rows: tc.taken + tc.alreadyThere + tc.apart,
				Taken: tc.taken, AlreadyThere: tc.alreadyThere, KeptApart: tc.apart,
			}
			require.Equal(t, want, res.Files[0])
			require.Len(t, kept(t, res), int(tc.apart))
			require.NoError(t, db.RefreshDigests(t.Context()))
			require.Equal(t, n+4, countCranks(t, db))
		})
	}
}

func TestRefusedFilesSayWhatToDo(t *testing.T) {
	db := newFleet(t)
	whole := packed(t, crankHeader+"\n"+strings.Repeat("2025-02-01T07:00:00Z,H-001,12.5,10,,,,\n", 1000))
	before := export(t, db)
	for _, tc := range []struct{ name, content, says string }{
		{"a required column is missing", "tested at,unit,rest_v\n2025-02-01T07:00:00Z,H-001,12.5\n", `lacks the column tested_at (perhaps spelled "tested at" here)`},
		{"it is misspelled", "testd_at,unit,rest_v\n2025-02-01T07:00:00Z,H-001,12.5\n", `lacks the column tested_at (perhaps spelled "testd_at" here)`},
		{"none of several is there", "cranked_at,unit,rest_v\n2025-02-01T07:00:00Z,H-001,12.5\n", "lacks the column min_v or mean_v"},
		{"two are missing", "unit,depot,class,fuel,no_start_cost\nX,HOL,van,petrol,1\n", "lacks the columns system_volts, batteries"},
		{"a column stands twice", "cranked_at,unit,min_v,min_v\n2025-02-01T07:00:00Z,H-001,9,9\n", "min_v stands twice"},
		{"none of ours", "name,colour\nx,red\n", "none of the known kinds of file has these columns (name, colour)"},
		{"empty", "", "the file is empty"},
		{"empty lines only", "\n\r\n\n", "the file is empty"},
		{"a byte-order mark only", "\xef\xbb\xbf", "the file is empty"},
		{"UTF-16", "\xff\xfeu\x00n\x00i\x00t\x00", "save it as UTF-8"},
		{"Latin-1 in the first line", "tested_at,unit,rest_v,gepr\xfcft\n2025-02-01T07:00:00Z,H-001,12.5,x\n", "save the file as UTF-8"},
		{"a workbook", "PK\x03\x04rest", "save the sheet as CSV"},
		{"a packed file that breaks off", whole[:len(whole)-20], "breaks off before its end, so nothing of it was taken"},
		{"a packed file that breaks off at once", whole[:5], "breaks off"},
		{"a damaged packed file", whole[:len(whole)-8] + "damaged!", "is damaged, so nothing of it was taken"},
		{"an endless first line", strings.Repeat("x", 1<<20), "cannot be read"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			res := importPaths(t, db, write(t, "file.csv", tc.content), write(t, "good.csv", tempHeader+"\nHOL,2025-01-10,-16.2,-7.1\n"))
			var refused []string
			for _, f := range res.Files {
				if f.Refused != "" {
					refused = append(refused, f.Refused)
					continue
				}
				require.Equal(t, int64(1), f.AlreadyThere, "the other file is read")
			}
			require.Len(t, refused, 1)
			require.Contains(t, refused[0], tc.says)
			require.Empty(t, kept(t, res))
			require.False(t, res.Complete())
		})
	}
	require.Equal(t, contents(t, before), contents(t, export(t, db)))
}

func TestHeaderOnlyIsAFileOfNoRows(t *testing.T) {
	res := importPaths(t, newFleet(t), write(t, "t.csv", testHeader+"\n"))
	require.Equal(t, []fleet.FileResult{{File: "t.csv", Kind: "battery_tests"}}, res.Files)
	require.True(t, res.Complete())
}

func TestFormsOfFiles(t *testing.T) {
	const plainFile = "depot,date,min_c\nHOL,2025-02-01,-3.5\nNOR,2025-02-01,2.25\n"
	for name, content := range map[string]string{
		"plain.csv":                          plainFile,
		"2025-w05_temperatures_north.csv.gz": packed(t, plainFile),
		"no_suffix":                          plainFile,
		"bom.csv":                            "\xef\xbb\xbf" + plainFile,
		"packed bom.csv":                     packed(t, "\xef\xbb\xbf"+plainFile),
		"semicolons.csv":                     "depot;date;min_c\nHOL;2025-02-01;-3,5\nNOR;2025-02-01;2.25\n",
		"tabs.tsv":                           "depot\tdate\tmin_c\nHOL\t2025-02-01\t-3.5\nNOR\t2025-02-01\t2.25\n",
		"crlf.csv":                           strings.ReplaceAll(plainFile, "\n", "\r\n"),
		"quoted.csv":                         "\"depot\",\"date\",\"min_c\"\n\"HOL\",\"2025-02-01\",\"-3.5\"\nNOR,2025-02-01,2.25",
		"other order.csv":                    "min_c,depot,date\n-3.5,HOL,2025-02-01\n2.25,NOR,2025-02-01\n",
		"capitals and spaces.csv":            " Depot , Date,MIN_C\n HOL , 2025-02-01,-3.5 \nNOR,2025-02-01, 2.25\n",
		"fahrenheit.csv":                     "depot,date,min_f\nHOL,2025-02-01,25.7\nNOR,2025-02-01,36.05\n",
		"both scales.csv":                    "depot,date,min_f,min_c\nHOL,2025-02-01,25.7,\nNOR,2025-02-01,36,2.25\n",
	} {
		t.Run(name, func(t *testing.T) {
			db := newFleet(t)
			res := importPaths(t, db, write(t, name, content))
			require.Equal(t, []fleet.FileResult{{File: name, Kind: "temperatures", Rows: 2, Taken: 2}}, res.Files)
			require.Equal(t, int64(2), importPaths(t, db, write(t, "plain.csv", plainFile)).Files[0].AlreadyThere)
		})
	}
}

func TestUnknownColumnsAreToldOnceAndPassedOver(t *testing.T) {
	res := importPaths(t, newFleet(t), write(t, "t.csv", "tested_at,unit,rest_v,colour\n2025-02-01T07:00:00Z,H-001,12.5,red\n2025-02-02T07:00:00Z,H-001,12.5,red\n"))
	require.Equal(t, int64(2), res.Files[0].Taken)
	require.Equal(t, []string{`t.csv: passed over "colour", which battery_tests has no meaning for`}, res.Notices)
}

func TestTimesThatClocksShowTwiceAreTakenAsTheEarlierAndTold(t *testing.T) {
	db := newFleet(t)
	// Daylight saving time in the United States ended on 2025-11-02 at 2:00; 15 U.S.C. 260a.
	res := importPaths(t, db, write(t, "c.csv", "cranked_at,unit,min_v\n2025-11-02T00:59:00,H-001,9\n2025-11-02T01:30:00,H-001,9\n"))
	require.Equal(t, []string{"c.csv: 1 time stands without offset when clocks were put back (the first on line 3): the earlier of the two instants was taken"}, res.Notices)
	require.Contains(t, contents(t, export(t, db))["crank_events"], "2025-11-02T01:30:00-05:00,H-001")
}

func TestAFileThatMayNotBeReadDoesNotStopTheOthers(t *testing.T) {
	db := store.New(pgtest.New(t))
	dir := t.TempDir()
	require.NoError(t, os.CopyFS(dir, os.DirFS(fleetDir)))
	require.NoError(t, os.Symlink(filepath.Join(dir, "nowhere"), filepath.Join(dir, "link.csv")))
	require.NoError(t, os.Mkdir(filepath.Join(dir, "folder.csv"), 0o700))
	require.NoError(t, os.WriteFile(filepath.Join(dir, "README.txt"), []byte("what this is"), 0o600))
	res := importPaths(t, db, dir, filepath.Join(dir, "depots.csv"), "/dev/null")
	require.Len(t, res.Files, 10, "a file is read once, however often it is named")
	refused := map[string]string{}
	for _, f := range res.Files {
		if f.Refused != "" {
			refused[f.File] = f.Refused
		}
	}
	require.Equal(t, map[string]string{
		"link.csv": "there is no such file",
		"null":     "it is not a regular file: copy its content into one",
	}, refused)
	require.Equal(t, []string{"left out, as their names end neither in .csv nor in .tsv: README.txt"}, res.Notices)
	require.Equal(t, contents(t, fleetDir), contents(t, export(t, db)))
}

func TestRowsKeptApartCanBeMendedAndTaken(t *testing.T) {
	db := newFleet(t)
	bad := testHeader + ",colour\n2025-03-01T07:00:00Z,H-999,,,12.4,,,,red\n2025-03-02T07:00:00Z,H-001,,,12400,,,,\"a,b\"\n2025-03-03T07:00:00Z,H-001,1,2\n"
	path := write(t, "bad.csv", bad)
	var dir string
	for range 3 { // the same rows again: each waits once
		res := importPaths(t, db, path)
		require.Equal(t, int64(3), res.Files[0].KeptApart)
		dir = t.TempDir()
		paths, err := ingest.WriteKept(dir, res.Kept())
		require.NoError(t, err)
		require.Equal(t, []string{filepath.Join(dir, "kept_battery_tests.csv")}, paths)
		path = paths[0] // from the second time on: as they were written, unmended
		waiting, err := db.KeptApart(t.Context(), fleet.KeptFilter{})
		require.NoError(t, err)
		require.Len(t, waiting, 3)
	}
	content, err := os.ReadFile(path)
	require.NoError(t, err)
	lines := strings.Split(string(content), "\n")
	require.Equal(t, testHeader+",colour,kept_file,kept_line,kept_column,kept_reason", lines[0])
	mended := strings.NewReplacer("H-999", "H-002", "12400", "12.4", "H-001,1,2,", "H-001,1,,12.3,,,,,").Replace(string(content))
	res := importPaths(t, db, write(t, "mended.csv", mended))
	require.Equal(t, fleet.FileResult{File: "mended.csv", Kind: "battery_tests", Rows: 3, Taken: 3}, res.Files[0], "%v", kept(t, res))
	waiting, err := db.KeptApart(t.Context(), fleet.KeptFilter{})
	require.NoError(t, err)
	require.Empty(t, waiting, "what was mended waits no longer")
	require.Len(t, res.Notices, 1, "the columns that tell where a row came from are no surprise: %v", res.Notices)
}
