package reports

import (
	"bytes"
	"errors"
	"fmt"
	"image/color"
	"strings"

	"github.com/boombuler/barcode"
	"github.com/boombuler/barcode/qr"
)

// Label is what is stuck to a unit: a QR code that a phone opens, and the same to read.
type Label struct {
	Address string // in the code
	Number  string // in large letters
	Under   string // in small ones
}

// LabelGrids are how labels can stand on a sheet: so many across and so many down, by how many that makes.
var LabelGrids = map[int][2]int{4: {2, 2}, 8: {2, 4}, 12: {3, 4}, 24: {4, 6}}

// LabelSheets prints labels, perSheet of them on each sheet, with lines to cut along. perSheet is one of LabelGrids.
func LabelSheets(head DocumentHead, labels []Label, perSheet int) ([]byte, error) {
	grid, ok := LabelGrids[perSheet]
	if !ok {
		return nil, fmt.Errorf("%d labels on a sheet: there are sheets of 4, 8, 12 and 24", perSheet)
	}
	if len(labels) == 0 {
		return nil, errors.New("there is nothing to print labels for")
	}
	d := begin(head)
	width, height := d.pdf.GetPageSize()
	const margin = 24.0 // that printers leave white
	cellW, cellH := (width-2*margin)/float64(grid[0]), (height-2*margin)/float64(grid[1])
	for i, l := range labels {
		place := i % perSheet
		if place == 0 {
			d.pdf.AddPage()
		}
		x, y := margin+float64(place%grid[0])*cellW, margin+float64(place/grid[0])*cellH
		d.colours("#FFFFFF", Hairline)
		d.pdf.SetLineWidth(0.4)
		d.pdf.Rect(x, y, cellW, cellH, "D")
		if err := d.label(l, x, y, cellW, cellH); err != nil {
			return nil, err
		}
	}
	var b bytes.Buffer
	if err := d.pdf.Output(&b); err != nil {
		return nil, fmt.Errorf("print labels: %w", err)
	}
	return b.Bytes(), nil
}

// label prints one label into a cell: the code above, what it says below.
func (d *Document) label(l Label, x, y, width, height float64) error {
	// Level Q restores a quarter of the code, for labels that get scratched and greasy. ISO/IEC 18004 asks for four modules of white around.
	code, err := qr.Encode(l.Address, qr.Q, qr.Unicode)
	if err != nil {
		return fmt.Errorf("write %q as a QR code: %w", l.Address, err)
	}
	const quiet = 4
	number, under := d.shrunk(l.Number, width-12, lettering{true, 26, 30, Ink}), d.shrunk(l.Under, width-12, smallLetters)
	text := number.lead + under.lead + 6
	modules := code.Bounds().Dx() + 2*quiet
	module := min(width, height-text) / float64(modules)
	side := module * float64(modules)
	d.code(code, x+(width-side)/2+quiet*module, y+quiet*module, module)
	base := y + side
	for _, line := range []struct {
		s string
		l lettering
	}{{l.Number, number}, {l.Under, under}} {
		s := d.fitting(line.s, width-12, line.l)
		d.write(s, x+(width-d.width(s, line.l))/2, base+line.l.baseline(), line.l)
		base += line.l.lead
	}
	return nil
}

// code fills the dark modules, each row's runs in one piece, so that no white hairlines stand between them.
func (d *Document) code(code barcode.Barcode, left, top, module float64) {
	d.colours(Ink, Ink)
	d.pdf.SetFillColor(0, 0, 0)
	box := code.Bounds()
	for row := box.Min.Y; row < box.Max.Y; row++ {
		for from := box.Min.X; from < box.Max.X; from++ {
			to := from
			for to < box.Max.X && dark(code.At(to, row)) {
				to++
			}
			if to > from {
				d.pdf.Rect(left+float64(from)*module, top+float64(row)*module, float64(to-from)*module, module, "F")
				from = to
			}
		}
	}
}

func dark(c color.Color) bool {
	grey := color.GrayModel.Convert(c).(color.Gray)
	return grey.Y < 128
}

// shrunk is the letters small enough for s to fit into width; under seven points nobody reads them, so a longer s is cut.
func (d *Document) shrunk(s string, width float64, l lettering) lettering {
	s = d.printable(strings.TrimSpace(s))
	for l.size > 7 && d.width(s, l) > width {
		l.lead -= l.lead / l.size
		l.size--
	}
	return l
}
