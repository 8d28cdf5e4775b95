package reports

import (
	"archive/zip"
	"bytes"
	"cmp"
	"compress/flate"
	"errors"
	"fmt"
	"hash/crc32"
	"io"
	"io/fs"
	"slices"

	"rimeyard/internal/fleet"

	"github.com/xuri/excelize/v2"
)

const rowsTall = 15.0 // points, of a header line

// sheet writes one sheet as its rows come.
func (b *book) sheet(i int, s Sheet) error {
	if err := b.begin(i, s); err != nil {
		return err
	}
	w, err := b.file.NewStreamWriter(s.Name)
	if err != nil {
		return err
	}
	for k, c := range s.Columns {
		if err := w.SetColWidth(k+1, k+1, cmp.Or(c.Width, kindWidths[c.Kind])); err != nil {
			return err
		}
	}
	if err := w.SetPanes(&excelize.Panes{Freeze: true, YSplit: 1, TopLeftCell: "A2", ActivePane: "bottomLeft"}); err != nil {
		return err
	}
	header := make([]any, len(s.Columns))
	for k, c := range s.Columns {
		header[k] = excelize.Cell{StyleID: b.looks[c.Kind].header, Value: c.Header}
	}
	if err := w.SetRow("A1", header, excelize.RowOpts{Height: 2 * rowsTall}); err != nil {
		return err
	}
	rows, sums, err := b.rows(w, s)
	if err != nil {
		return err
	}
	if err := b.total(w, s, rows, sums); err != nil {
		return err
	}
	if err := b.end(s, rows); err != nil {
		return err
	}
	return w.Flush()
}

func (b *book) begin(i int, s Sheet) error {
	if len(s.Columns) == 0 {
		return errors.New("a sheet needs a column")
	}
	if i == 0 {
		if err := b.file.SetSheetName("Sheet1", s.Name); err != nil {
			return err
		}
	} else if _, err := b.file.NewSheet(s.Name); err != nil {
		return err
	}
	landscape, wide, tall, fit := "landscape", 1, 0, true
	a4 := 9
	if err := b.file.SetPageLayout(s.Name, &excelize.PageLayoutOptions{Size: &a4, Orientation: &landscape, FitToWidth: &wide, FitToHeight: &tall}); err != nil {
		return err
	}
	if err := b.file.SetSheetProps(s.Name, &excelize.SheetPropsOptions{FitToPage: &fit}); err != nil {
		return err
	}
	return b.file.SetHeaderFooter(s.Name, &excelize.HeaderFooterOptions{OddFooter: "&L&A&R&P of &N"})
}

// rows writes what comes and adds up what is to be totalled.
func (b *book) rows(w *excelize.StreamWriter, s Sheet) (n int, sums []columnSum, err error) {
	sums = make([]columnSum, len(s.Columns))
	cells := make([]any, len(s.Columns))
	for row, err := range s.Rows {
		if err != nil {
			return n, sums, err
		}
		at := FirstRow + n
		if at >= excelize.TotalRows-1 {
			return n, sums, fmt.Errorf("more than %d rows: a sheet holds no more; make one workbook for each depot", n)
		}
		if len(row) != len(s.Columns) {
			return n, sums, fmt.Errorf("row %d has %d values, the sheet %d columns", at, len(row), len(s.Columns))
		}
		for k, v := range row {
			if cells[k] = nil; v == nil {
				continue
			}
			cell, err := b.cell(s.Columns[k].Kind, v)
			if err != nil {
				return n, sums, fmt.Errorf("row %d, column %q: %w", at, s.Columns[k].Header, err)
			}
			if s.Columns[k].Total {
				sums[k].add(v)
			}
			if cell.Value != nil || cell.Formula != "" {
				cells[k] = cell
			}
		}
		if err := w.SetRow(fmt.Sprintf("A%d", at), cells); err != nil {
			return n, sums, err
		}
		n++
	}
	return n, sums, nil
}

// columnSum is what a column comes to: money to the cent.
type columnSum struct {
	money  fleet.Money
	count  int
	number float64
}

func (c *columnSum) add(v any) {
	switch v := v.(type) {
	case Formula:
		c.add(v.Value)
	case fleet.Money:
		c.money += v
	case int:
		c.count += v
	case float64:
		c.number += v
	}
}

func (c *columnSum) of(kind SheetKind) any {
	switch kind {
	case MoneyKind:
		return c.money
	case CountKind:
		return c.count
	default:
		return c.number
	}
}

// total writes the last line, one below the rows so that sorting leaves it alone. Its formulas add up what the filter leaves.
func (b *book) total(w *excelize.StreamWriter, s Sheet, rows int, sums []columnSum) error {
	cells, totalled := make([]any, len(s.Columns)), false
	for k, c := range s.Columns {
		if !c.Total {
			continue
		}
		totalled = true
		letter, err := excelize.ColumnNumberToName(k + 1)
		if err != nil {
			return err
		}
		formula := fmt.Sprintf("SUBTOTAL(109,%[1]s%[2]d:%[1]s%[3]d)", letter, FirstRow, FirstRow+max(rows, 1)-1)
		if c.Kind == MoneyKind { // binary fractions of many cents add up to a little beside the cent
			formula = "ROUND(" + formula + ",2)"
		}
		cell, err := b.cell(c.Kind, Formula{formula, sums[k].of(c.Kind)})
		if err != nil {
			return err
		}
		cell.StyleID = b.looks[c.Kind].total
		cells[k] = cell
	}
	if !totalled {
		return nil
	}
	if cells[0] == nil {
		cells[0] = excelize.Cell{StyleID: b.looks[TextKind].total, Value: "Total of what is shown"}
	}
	return w.SetRow(fmt.Sprintf("A%d", FirstRow+rows+1), cells)
}

// end sets the filter, and the header to be printed on each page.
func (b *book) end(s Sheet, rows int) error {
	last, err := excelize.ColumnNumberToName(len(s.Columns))
	if err != nil {
		return err
	}
	if err := b.file.AutoFilter(s.Name, fmt.Sprintf("A1:%s%d", last, FirstRow+max(rows, 1)-1), nil); err != nil {
		return err
	}
	return b.file.SetDefinedName(&excelize.DefinedName{Name: "_xlnm.Print_Titles", RefersTo: fmt.Sprintf("'%s'!$1:$1", s.Name), Scope: s.Name})
}

// steadyZip packs files in the order of their names and without times, whatever order they come in. Files are kept packed until Close.
type steadyZip struct {
	out   io.Writer
	files []*packedFile
}

type packedFile struct {
	zip.FileHeader
	packed bytes.Buffer
	size   uint64
	pack   *flate.Writer
}

// Write packs on.
func (p *packedFile) Write(b []byte) (int, error) {
	p.CRC32 = crc32.Update(p.CRC32, crc32.IEEETable, b)
	p.size += uint64(len(b))
	return p.pack.Write(b)
}

// Create begins a file.
func (z *steadyZip) Create(name string) (io.Writer, error) {
	//nolint:staticcheck // files packed already are written with this field as it is, and without a look at Modified
	p := &packedFile{FileHeader: zip.FileHeader{Name: name, Method: zip.Deflate, ModifiedDate: steadyDate}}
	var err error
	p.pack, err = flate.NewWriter(&p.packed, flate.BestSpeed)
	z.files = append(z.files, p)
	return p, err
}

// steadyDate is 1 January 1980, the first that a zip file can say.
const steadyDate = 1<<5 | 1

// AddFS is not used for workbooks that are made anew.
func (z *steadyZip) AddFS(fs.FS) error { return errors.ErrUnsupported }

// Close writes the archive.
func (z *steadyZip) Close() error {
	w := zip.NewWriter(z.out)
	slices.SortFunc(z.files, func(a, b *packedFile) int { return cmp.Compare(a.Name, b.Name) })
	for _, p := range z.files {
		if err := p.pack.Close(); err != nil {
			return err
		}
		p.CompressedSize64, p.UncompressedSize64 = uint64(p.packed.Len()), p.size
		raw, err := w.CreateRaw(&p.FileHeader)
		if err != nil {
			return err
		}
		if _, err := p.packed.WriteTo(raw); err != nil {
			return err
		}
	}
	return w.Close()
}
