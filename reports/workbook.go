package reports

import (
	"bytes"
	"fmt"
	"io"
	"iter"
	"math"
	"reflect"
	"slices"
	"strings"
	"time"

	"rimeyard/internal/fleet"

	"github.com/xuri/excelize/v2"
)

// Sheet is one sheet of a workbook: a header, rows, and under them what is totalled.
type Sheet struct {
	Name    string // at most 31 characters, none of : \ / ? * [ ]
	Columns []SheetColumn
	// Rows are written as they come, so that a sheet of any length takes little memory; an error ends the workbook. Each row has one
	// value for each column: nil where it is unknown, else what the column's kind says, or a [Formula].
	Rows iter.Seq2[[]any, error]
}

// SheetColumn is one column of a sheet.
type SheetColumn struct {
	Header string
	Kind   SheetKind
	Width  float64 // in digits; 0: as its kind usually needs
	Total  bool    // the last line adds up what the filter leaves of the column; for counts, numbers and money
}

// SheetKind is what a column holds, and so how it is shown and which Go types its values have.
type SheetKind int

// The kinds of columns.
const (
	TextKind        SheetKind = iota // string, or a type made of it: always typed as text, never run as a formula
	CountKind                        // int
	NumberKind                       // float64
	MoneyKind                        // fleet.Money; shown as 1,234.50
	DateKind                         // fleet.Date
	TimeKind                         // time.Time; shown as it stands on the clocks of its zone
	PercentKind                      // float64, 1 being 100 %
	TemperatureKind                  // float64, degrees Celsius
)

// Formula is a field that a spreadsheet reckons out. Its text is ours alone: no user's text may be in it.
type Formula struct {
	Text  string // without the equals sign, with English names of functions: SUM(C2:C7)
	Value any    // what it comes to, for programs that show workbooks without reckoning; of the column's kind
}

// Definition says on the last sheet what a word means.
type Definition struct{ Word, Meaning string }

// WorkbookHead is what the properties of a workbook say.
type WorkbookHead struct {
	Title   string
	Subject string
	At      time.Time // when it was made; nothing else dates it, so the same input gives the same bytes
}

// FirstRow is the number of a sheet's first row below the header, as formulas count them.
const FirstRow = 2

// RowsOf are rows that are all there.
func RowsOf(rows [][]any) iter.Seq2[[]any, error] {
	return func(yield func([]any, error) bool) {
		for _, row := range rows {
			if !yield(row, nil) {
				return
			}
		}
	}
}

// Range is a column of n rows, as formulas on any sheet write it: 'Winter list'!$C$2:$C$201. A header that the sheet has not is an
// error of the program that asks, and gives #REF!.
func (s Sheet) Range(header string, n int) string {
	i := slices.IndexFunc(s.Columns, func(c SheetColumn) bool { return c.Header == header })
	letter, err := excelize.ColumnNumberToName(i + 1)
	if err != nil {
		return "#REF!"
	}
	return fmt.Sprintf("'%[1]s'!$%[2]s$%[3]d:$%[2]s$%[4]d", strings.ReplaceAll(s.Name, "'", "''"), letter, FirstRow, FirstRow+max(n, 1)-1)
}

// Workbook is an XLSX file of sheets, with a last one that defines words.
func Workbook(head WorkbookHead, sheets []Sheet, definitions []Definition) ([]byte, error) {
	var b bytes.Buffer
	err := WriteWorkbook(&b, head, sheets, definitions)
	return b.Bytes(), err
}

// WriteWorkbook writes a workbook to w when all of its sheets' rows have come; until then they wait in temporary files.
func WriteWorkbook(w io.Writer, head WorkbookHead, sheets []Sheet, definitions []Definition) (err error) {
	f := excelize.NewFile()
	defer func() {
		if closeErr := f.Close(); err == nil {
			err = closeErr
		}
	}()
	f.SetZipWriter(func(w io.Writer) excelize.ZipWriter { return &steadyZip{out: w} })
	b := book{file: f, head: head}
	if err := b.styles(); err != nil {
		return err
	}
	for i, s := range append(slices.Clone(sheets), definitionsSheet(head, definitions)) {
		if err := b.sheet(i, s); err != nil {
			return fmt.Errorf("workbook %s, sheet %q: %w", head.Title, s.Name, err)
		}
	}
	if err := b.properties(); err != nil {
		return err
	}
	_, err = f.WriteTo(w)
	return err
}

func definitionsSheet(head WorkbookHead, definitions []Definition) Sheet {
	rows := [][]any{{"This workbook", head.Title + ". " + head.Subject}}
	for _, d := range definitions {
		rows = append(rows, []any{d.Word, d.Meaning})
	}
	return Sheet{
		Name: "Definitions", Rows: RowsOf(rows),
		Columns: []SheetColumn{{Header: "Word", Width: 30}, {Header: "Meaning", Width: 110}},
	}
}

// a workbook being written.
type book struct {
	file  *excelize.File
	head  WorkbookHead
	looks [TemperatureKind + 1]kindStyles
}

type kindStyles struct{ header, plain, total, quoted int }

// The formats of numbers, by kind; 49 is text.
var kindFormats = [TemperatureKind + 1]string{
	CountKind: "#,##0", NumberKind: "#,##0.0##", MoneyKind: "#,##0.00", DateKind: "yyyy-mm-dd", TimeKind: "yyyy-mm-dd hh:mm", PercentKind: "0.0%",
	TemperatureKind: `0.0" °C"`,
}

var kindWidths = [TemperatureKind + 1]float64{TextKind: 16, CountKind: 9, NumberKind: 12, MoneyKind: 14, DateKind: 12, TimeKind: 18, PercentKind: 11, TemperatureKind: 12}

func (b *book) styles() error {
	add := func(s excelize.Style, kind SheetKind) (id int, err error) {
		if kind == TextKind {
			s.NumFmt = 49
		} else {
			format := kindFormats[kind]
			s.CustomNumFmt = &format
		}
		return b.file.NewStyle(&s)
	}
	for kind := range b.looks {
		look, kind := &b.looks[kind], SheetKind(kind)
		side := "left"
		if kind != TextKind {
			side = "right"
		}
		var err error
		for _, one := range []struct {
			id    *int
			style excelize.Style
		}{
			{&look.header, excelize.Style{
				Font: &excelize.Font{Bold: true, Color: Ink}, Fill: excelize.Fill{Type: "pattern", Pattern: 1, Color: []string{Frost}},
				Alignment: &excelize.Alignment{Horizontal: side, Vertical: "bottom", WrapText: true},
				Border:    []excelize.Border{{Type: "bottom", Style: 1, Color: Ink}},
			}},
			{&look.plain, excelize.Style{Alignment: &excelize.Alignment{Vertical: "top"}}},
			{&look.quoted, excelize.Style{Alignment: &excelize.Alignment{Vertical: "top", Horizontal: side}}},
			{&look.total, excelize.Style{
				Font: &excelize.Font{Bold: true, Color: Ink}, Border: []excelize.Border{{Type: "top", Style: 1, Color: Ink}},
			}},
		} {
			styleKind := kind
			if one.id == &look.header {
				styleKind = TextKind
			}
			if *one.id, err = add(one.style, styleKind); err != nil {
				return fmt.Errorf("style of a workbook: %w", err)
			}
		}
	}
	// What a spreadsheet would run stays text, even when somebody edits the field and leaves it as it was.
	quoted := true
	b.file.Styles.CellXfs.Xf[b.looks[TextKind].quoted].QuotePrefix = &quoted
	return nil
}

func (b *book) properties() error {
	at := b.head.At.UTC().Format(time.RFC3339)
	err := b.file.SetDocProps(&excelize.DocProperties{
		Title: printableCell(b.head.Title), Subject: printableCell(b.head.Subject), Creator: "rimeyard", LastModifiedBy: "rimeyard", Created: at, Modified: at, Language: "en-GB",
	})
	if err != nil {
		return fmt.Errorf("properties of workbook %s: %w", b.head.Title, err)
	}
	if err := b.file.SetAppProps(&excelize.AppProperties{Application: "rimeyard"}); err != nil {
		return fmt.Errorf("properties of workbook %s: %w", b.head.Title, err)
	}
	reckon := true
	return b.file.SetCalcProps(&excelize.CalcPropsOptions{FullCalcOnLoad: &reckon})
}

// cell is the value of one field as the file holds it.
func (b *book) cell(kind SheetKind, v any) (excelize.Cell, error) {
	c := excelize.Cell{StyleID: b.looks[kind].plain}
	switch v := v.(type) {
	case Formula:
		value, err := b.cell(kind, v.Value)
		value.Formula = v.Text
		return value, err
	case nil:
		return c, nil
	case fleet.Money:
		c.Value = v.Amount()
		return c, expect(kind == MoneyKind, v)
	case fleet.Date:
		c.Value = v.Midnight(time.UTC)
		if v < firstSheetDate {
			c.Value = v.String()
		}
		return c, expect(kind == DateKind, v)
	case time.Time:
		_, offset := v.Zone()
		c.Value = v.UTC().Add(time.Duration(offset) * time.Second)
		return c, expect(kind == TimeKind, v)
	case int:
		c.Value = v
		return c, expect(kind == CountKind, v)
	case float64:
		return number(c, kind, v)
	case string:
		return b.text(c, kind, v)
	}
	if named := reflect.ValueOf(v); named.Kind() == reflect.String {
		return b.text(c, kind, named.String())
	}
	return c, expect(false, v)
}

// firstSheetDate: spreadsheets take 1900 for a leap year, so that days before March of it are shown wrongly; they are written as text.
var firstSheetDate = fleet.NewDate(1900, 3, 1)

func number(c excelize.Cell, kind SheetKind, v float64) (excelize.Cell, error) {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return c, fmt.Errorf("%v is no number that a workbook can hold", v)
	}
	c.Value = v
	return c, expect(kind == NumberKind || kind == PercentKind || kind == TemperatureKind, v)
}

func (b *book) text(c excelize.Cell, kind SheetKind, v string) (excelize.Cell, error) {
	if v == "" {
		return c, expect(kind == TextKind, v)
	}
	v = printableCell(v)
	c.Value = v
	if runsAsFormula(v) {
		c.StyleID = b.looks[TextKind].quoted
	}
	return c, expect(kind == TextKind, v)
}

func expect(fits bool, v any) error {
	if !fits {
		return fmt.Errorf("a value of type %T is not of the column's kind", v)
	}
	return nil
}

// mostCellUnits is how many UTF-16 units a field may have.
const mostCellUnits = excelize.TotalCellChars

// printableCell takes out what XML cannot hold, and cuts with an ellipsis what is too long for a field.
func printableCell(s string) string {
	s = strings.Map(func(r rune) rune {
		switch {
		case r == '\t', r == '\n', r == '\r':
			return r
		case r < ' ', r == 0xFFFE, r == 0xFFFF:
			return -1
		}
		return r
	}, strings.ToValidUTF8(s, "?"))
	if len(s) <= mostCellUnits {
		return s
	}
	units := 0
	for i, r := range s {
		if units++; r > 0xFFFF {
			units++
		}
		if units >= mostCellUnits {
			return s[:i] + "…"
		}
	}
	return s
}
