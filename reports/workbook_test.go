package reports

import (
	"bytes"
	"crypto/sha256"
	"encoding/csv"
	"errors"
	"fmt"
	"iter"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"rimeyard/internal/fleet"

	"github.com/stretchr/testify/require"
	"github.com/xuri/excelize/v2"
)

var workbookAt = time.Date(2025, 10, 8, 0, 0, 0, 0, time.UTC)

func opened(t *testing.T, xlsx []byte) *excelize.File {
	t.Helper()
	f, err := excelize.OpenReader(bytes.NewReader(xlsx))
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, f.Close()) })
	return f
}

func winterBook(t *testing.T, d WinterListData) []byte {
	t.Helper()
	w, err := Compose(d, 1)
	require.NoError(t, err)
	xlsx, err := w.Workbook()
	require.NoError(t, err)
	return xlsx
}

// recalculated opens a workbook in LibreOffice, reckons all formulas anew, and returns the sheets' fields as they are stored: numbers
// in full, dates in the form of ISO 8601. deploy/ensure-libreoffice installs it.
func recalculated(t *testing.T, xlsx []byte) map[string][][]string {
	t.Helper()
	const always = `<?xml version="1.0" encoding="UTF-8"?>
<oor:items xmlns:oor="http://openoffice.org/2001/registry">
<item oor:path="/org.openoffice.Office.Calc/Formula/Load"><prop oor:name="OOXMLRecalcMode" oor:op="fuse"><value>0</value></prop></item>
</oor:items>`
	// tokens: field and text delimiters, UTF-8, from line 1, all text quoted, fields not as shown, no formulas, every sheet
	const asCSV = "csv:Text - txt - csv (StarCalc):44,34,76,1,,0,true,false,false,false,false,-1"
	dir := t.TempDir()
	user := filepath.Join(dir, "profile", "user")
	require.NoError(t, os.MkdirAll(user, 0o700))
	require.NoError(t, os.WriteFile(filepath.Join(user, "registrymodifications.xcu"), []byte(always), 0o600))
	require.NoError(t, os.WriteFile(filepath.Join(dir, "book.xlsx"), xlsx, 0o600))
	out, err := exec.CommandContext(t.Context(), "soffice", "-env:UserInstallation=file://"+filepath.Join(dir, "profile"), "--headless",
		"--convert-to", asCSV, "--outdir", filepath.Join(dir, "out"), filepath.Join(dir, "book.xlsx")).CombinedOutput()
	require.NoError(t, err, "%s", out)
	files, err := filepath.Glob(filepath.Join(dir, "out", "book-*.csv"))
	require.NoError(t, err)
	require.NotEmpty(t, files, "%s", out)
	sheets := map[string][][]string{}
	for _, file := range files {
		raw, err := os.ReadFile(file)
		require.NoError(t, err)
		rows, err := csv.NewReader(bytes.NewReader(raw)).ReadAll()
		require.NoError(t, err)
		sheets[strings.TrimSuffix(strings.TrimPrefix(filepath.Base(file), "book-"), ".csv")] = rows
	}
	return sheets
}

func TestWinterWorkbookHoldsTheWholeList(t *testing.T) {
	f := opened(t, winterBook(t, someData()))
	require.Equal(t, []string{"Winter list", "Depots", "Definitions"}, f.GetSheetList())
	rows, err := f.GetRows("Winter list")
	require.NoError(t, err)
	require.Len(t, rows, 1+7+2, "all units, whatever the letter shows, an empty line and the total")
	require.Equal(t, []string{
		"1", "P-031", "NOR", "swap", "62.0%", "-11.4 °C", "-14.0 °C", "-8.9 °C", "-16.1 °C", "-4.7 °C", "battery", "86.0%", "514.20", "312.00", "2025-11-06",
		strings.Join(someData().List.Units[0].Evidence, " | "),
	}, rows[1])
	require.Equal(t, []string{"7", "V-900", "SUD", "unknown", "", "", "", "", "-7.7 °C", "", "battery"}, rows[7], "what is unknown is empty")
	for cell, formula := range map[string]string{
		"J2": "I2-F2", "J8": "", "M10": "ROUND(SUBTOTAL(109,M2:M8),2)", "N10": "ROUND(SUBTOTAL(109,N2:N8),2)", "A10": "",
	} {
		got, err := f.GetCellFormula("Winter list", cell)
		require.NoError(t, err)
		require.Equal(t, formula, got, cell)
	}
	panes, err := f.GetPanes("Winter list")
	require.NoError(t, err)
	require.True(t, panes.Freeze)
	require.Equal(t, 1, panes.YSplit)
	names := f.GetDefinedName()
	require.Contains(t, names, excelize.DefinedName{Name: "_xlnm.Print_Titles", RefersTo: "'Winter list'!$1:$1", Scope: "Winter list"})
	require.Contains(t, names, excelize.DefinedName{Name: "_xlnm._FilterDatabase", RefersTo: "'Winter list'!$A$1:$P$8", Scope: "Winter list"})
	props, err := f.GetDocProps()
	require.NoError(t, err)
	require.Equal(t, "Winter list, the whole fleet", props.Title)
	require.Equal(t, "2025-10-08T00:00:00Z", props.Created)
	definitions, err := f.GetRows("Definitions")
	require.NoError(t, err)
	said := map[string]bool{}
	for _, row := range definitions {
		said[row[0]] = true
	}
	for _, header := range []string{"Rank", "Chance of a failed start", "Cold limit", "Design night", "Reserve", lossHeader, swapCostHeader, "Swap by", "Evidence", "Band down"} {
		require.True(t, said[header], header)
	}
}

func TestSpreadsheetReckonsWhatWasWritten(t *testing.T) {
	d := someData()
	d.List.Units[2].Depot = "*" // would match all in COUNTIF
	d.List.Units[3].Depot = "nor"
	sheets := recalculated(t, winterBook(t, d))
	require.Equal(t, [][]string{
		{"Depot", "Name", "Time zone", "Units", "Down", "Swap", "Watch", "Sound", "Unknown", "Expected loss", "Swap cost", "Design night"},
		{"*", "", "", "1", "0", "1", "0", "0", "0", "305.1", "312", ""},
		{"NOR", "Nørdlund yard", "Europe/Oslo", "3", "1", "1", "0", "1", "0", "1773.2", "936", "-16.1"},
		{"SUD", "Südhafen", "", "2", "0", "0", "0", "1", "1", "1.1", "312", "-7.7"},
		{"nor", "", "", "1", "0", "0", "1", "0", "0", "88", "312", ""},
		make([]string, 12),
		{"Total of what is shown", "", "", "7", "1", "2", "1", "2", "1", "2167.4", "1872", ""},
	}, sheets["Depots"])
	list := sheets["Winter list"]
	require.Equal(t, "2025-11-06", list[1][14], "a date is a date")
	require.Equal(t, []string{"2167.4", "1872"}, list[9][12:14])
}

// Stored results that are wrong must be corrected, or the tests beside this one would see nothing but what was stored.
func TestSpreadsheetReckonsAnew(t *testing.T) {
	xlsx, err := Workbook(WorkbookHead{Title: "Wrong", At: workbookAt}, []Sheet{{
		Name: "S", Columns: []SheetColumn{{Header: "A", Kind: MoneyKind}},
		Rows: RowsOf([][]any{{fleet.Money(1_10)}, {fleet.Money(2_20)}, {Formula{"SUM(A2:A3)", fleet.Money(99_99)}}}),
	}}, nil)
	require.NoError(t, err)
	cached, err := opened(t, xlsx).GetCellValue("S", "A4")
	require.NoError(t, err)
	require.Equal(t, "99.99", cached)
	require.Equal(t, "3.3", recalculated(t, xlsx)["S"][3][0])
}

// formulas that people might put into a name; each must stay the text it is.
var formulas = []string{
	"=1+1", "+1+1", "-2+3", "@SUM(1+1)", "\t=1+1", "\r=1+1", "\n=1+1", `=HYPERLINK("http://localhost/","x")`, "=cmd|' /C calc'!A0", "'=1+1", "{=1+1}",
	"−5", "1e5", "007", "TRUE", "#REF!", "2025-10-08", " lead and trail ", "<b>&amp;\"x\"</b>", "_x0041_", "a\x00\x0bb\ufffe", "ok\nsecond line", "電池 😀",
}

// asTyped is what a workbook holds of a text: XML cannot hold the characters that are left out.
func asTyped(s string) string {
	return strings.NewReplacer("\x00", "", "\x0b", "", "\ufffe", "").Replace(s)
}

func TestUserTextIsNeverRun(t *testing.T) {
	var rows [][]any
	for _, s := range formulas {
		rows = append(rows, []any{s, fleet.UnitID(s), 1})
	}
	xlsx, err := Workbook(WorkbookHead{Title: "=1+1", Subject: "=2", At: workbookAt}, []Sheet{{
		Name: "S", Rows: RowsOf(rows), Columns: []SheetColumn{{Header: "Text"}, {Header: "=1+1"}, {Header: "n", Kind: CountKind, Total: true}},
	}}, []Definition{{"=1+1", "@x"}})
	require.NoError(t, err)
	f := opened(t, xlsx)
	for i, s := range formulas {
		for _, column := range []string{"A", "B"} {
			cell := fmt.Sprintf("%s%d", column, FirstRow+i)
			kind, err := f.GetCellType("S", cell)
			require.NoError(t, err)
			require.Equal(t, excelize.CellTypeInlineString, kind, "%q", s)
			formula, err := f.GetCellFormula("S", cell)
			require.NoError(t, err)
			require.Empty(t, formula, "%q", s)
			v, err := f.GetCellValue("S", cell)
			require.NoError(t, err)
			if s != "_x0041_" { // the reader takes the writer's escape of an underscore for its own
				require.Equal(t, strings.ReplaceAll(asTyped(s), "\r", "\n"), strings.ReplaceAll(v, "\r", "\n"))
			}
			id, err := f.GetCellStyle("S", cell)
			require.NoError(t, err)
			style := f.Styles.CellXfs.Xf[id]
			require.Equal(t, 49, *style.NumFmtID, "a field of text stays one when somebody edits it")
			require.Equal(t, runsAsFormula(asTyped(s)), style.QuotePrefix != nil && *style.QuotePrefix, "%q", s)
		}
	}
	got := recalculated(t, xlsx)["S"]
	for i, s := range formulas {
		want := strings.ReplaceAll(asTyped(s), "\r", "\n")
		require.Equal(t, []string{want, want}, []string{strings.ReplaceAll(got[1+i][0], "\r", "\n"), strings.ReplaceAll(got[1+i][1], "\r", "\n")}, "%q", s)
	}
	require.Equal(t, strconv.Itoa(len(formulas)), got[len(got)-1][2], "the total counts, and so was reckoned")
}

// One rule guards table and workbook alike: what the one marks with an apostrophe, the other quotes.
func TestTableAndWorkbookGuardTheSame(t *testing.T) {
	for _, s := range formulas {
		require.Equal(t, runsAsFormula(s), strings.HasPrefix(Inert(s), "'") && !strings.HasPrefix(s, "'"), "%q", s)
	}
}

func TestSameInputSameWorkbook(t *testing.T) {
	audit, err := ComposeAudit(someAuditData(t))
	require.NoError(t, err)
	first, err := audit.Workbook()
	require.NoError(t, err)
	list := winterBook(t, someData())
	for range 3 {
		require.Equal(t, sha256.Sum256(list), sha256.Sum256(winterBook(t, someData())))
		again, err := audit.Workbook()
		require.NoError(t, err)
		require.Equal(t, sha256.Sum256(first), sha256.Sum256(again))
	}
}

func TestAuditWorkbook(t *testing.T) {
	d := someAuditData(t)
	r, err := ComposeAudit(d)
	require.NoError(t, err)
	xlsx, err := r.Workbook()
	require.NoError(t, err)
	sheets := recalculated(t, xlsx)
	bands, figures := sheets["Bands"], sheets["All figures"]
	units, failed := 0, 0
	for i, g := range d.Seasons[0].Bands {
		require.Equal(t, []string{"season 2024–25", "2024-10-01", "replayed", g.Name, strconv.Itoa(g.Units)}, bands[1+i][:5])
		share, err := strconv.ParseFloat(strings.TrimSuffix(bands[1+i][8], "%"), 64)
		require.NoError(t, err)
		require.InDelta(t, 100*float64(g.Failed)/float64(g.Units), share, 1e-9)
	}
	for _, s := range d.Seasons {
		for _, g := range s.Bands {
			units, failed = units+g.Units, failed+g.Failed
		}
	}
	require.Equal(t, []string{strconv.Itoa(units), strconv.Itoa(failed)}, []string{bands[len(bands)-1][4], bands[len(bands)-1][7]})
	require.Len(t, figures, 1+len(d.Seasons[0].Rows())+len(d.Seasons[1].Rows()))
	require.Equal(t, "this list", sheets["Orders"][1][2])
	require.Equal(t, d.Seasons[0].Forecast.Saving.Saved.Or(-1).String(), sheets["Orders"][1][18]+".00")
	require.Equal(t, strconv.Itoa(d.Seasons[0].Failed+d.Seasons[1].Failed), sheets["Units"][len(sheets["Units"])-1][6])
}

// moneyRows are n amounts of which each has odd cents, with their true sum.
func moneyRows(n int) (rows iter.Seq2[[]any, error], sum fleet.Money) {
	amounts := make([]fleet.Money, n)
	random := rand.New(rand.NewPCG(1, 2))
	for i := range amounts {
		amounts[i] = fleet.Money(random.Int64N(100_000_00)) - 20_000_00
		sum += amounts[i]
	}
	return func(yield func([]any, error) bool) {
		for i, m := range amounts {
			if !yield([]any{i, m}, nil) {
				return
			}
		}
	}, sum
}

func TestSumsOfMoneyAreRightToTheCent(t *testing.T) {
	rows, sum := moneyRows(200_000)
	plainSum := 0.0 // as a spreadsheet adds up, one after the other, in double precision
	for row := range rows {
		plainSum += row[1].(fleet.Money).Amount()
	}
	require.NotEqual(t, sum.Amount(), plainSum, "else this would show nothing")
	require.Equal(t, sum, fleet.RoundMoney(plainSum))

	xlsx, err := Workbook(WorkbookHead{Title: "Sums", At: workbookAt}, []Sheet{{
		Name: "S", Rows: rows, Columns: []SheetColumn{{Header: "n", Kind: CountKind}, {Header: "Money", Kind: MoneyKind, Total: true}},
	}}, nil)
	require.NoError(t, err)
	got := recalculated(t, xlsx)["S"]
	require.Len(t, got, 200_003)
	require.Equal(t, strconv.FormatFloat(sum.Amount(), 'f', -1, 64), got[200_002][1])
}

func TestDatesAndTimesAreReal(t *testing.T) {
	oslo, err := time.LoadLocation("Europe/Oslo")
	require.NoError(t, err)
	xlsx, err := Workbook(WorkbookHead{Title: "Days", At: workbookAt}, []Sheet{{
		Name: "S", Columns: []SheetColumn{{Header: "Day", Kind: DateKind}, {Header: "At", Kind: TimeKind}},
		Rows: RowsOf([][]any{
			{fleet.NewDate(2024, 2, 29), time.Date(2026, 1, 31, 23, 30, 0, 0, time.UTC).In(oslo)},
			{fleet.NewDate(1900, 2, 28), nil},
		}),
	}}, nil)
	require.NoError(t, err)
	f := opened(t, xlsx)
	raw := excelize.Options{RawCellValue: true}
	for cell, want := range map[string]string{
		"A2": "45351", // days since 1899-12-30, ECMA-376 part 1, 18.17.4.1
		"A3": "1900-02-28",
	} {
		got, err := f.GetCellValue("S", cell, raw)
		require.NoError(t, err)
		require.Equal(t, want, got)
	}
	shown, err := f.GetCellValue("S", "B2")
	require.NoError(t, err)
	require.Equal(t, "2026-02-01 00:30", shown, "as the clocks of the zone show it")
}

func TestWorkbookSaysWhatIsWrong(t *testing.T) {
	one := []SheetColumn{{Header: "Cost", Kind: MoneyKind}}
	broken := errors.New("the connection broke")
	for says, s := range map[string]Sheet{
		`sheet "S": row 2, column "Cost": a value of type string is not of the column's kind`: {Name: "S", Columns: one, Rows: RowsOf([][]any{{"x"}})},
		`row 3 has 2 values, the sheet 1 columns`:                                             {Name: "S", Columns: one, Rows: RowsOf([][]any{{nil}, {nil, nil}})},
		`a sheet needs a column`:                                                              {Name: "S", Rows: RowsOf(nil)},
		`NaN is no number`:                                                                    {Name: "S", Columns: []SheetColumn{{Header: "V", Kind: NumberKind}}, Rows: RowsOf([][]any{{math.NaN()}})},
		`sheet "a/b"`:                                                                         {Name: "a/b", Columns: one, Rows: RowsOf(nil)},
		`the connection broke`: {Name: "S", Columns: one, Rows: func(yield func([]any, error) bool) {
			yield(nil, broken)
		}},
	} {
		var b bytes.Buffer
		err := WriteWorkbook(&b, WorkbookHead{Title: "T"}, []Sheet{s}, nil)
		require.ErrorContains(t, err, says)
		require.Empty(t, b.Bytes(), "nothing half-written")
	}
	require.Equal(t, "#REF!", Sheet{Name: "S", Columns: one}.Range("Price", 3))
	require.Equal(t, "'Ann''s'!$A$2:$A$4", Sheet{Name: "Ann's", Columns: one}.Range("Cost", 3))
	long := printableCell(strings.Repeat("😀", mostCellUnits))
	require.True(t, strings.HasSuffix(long, "😀…"))
	require.LessOrEqual(t, 2*strings.Count(long, "😀")+1, mostCellUnits)
}
