package reports

import (
	"fmt"
	"image"
	"image/png"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/makiuchi-d/gozxing"
	"github.com/makiuchi-d/gozxing/qrcode"
	"github.com/stretchr/testify/require"
)

func labelsFor(n int) (labels []Label) {
	for i := range n {
		labels = append(labels, Label{Address: fmt.Sprintf("https://rime.example.org/bench/unit?unit=W-%03d", i), Number: fmt.Sprintf("W-%03d", i), Under: "North yard (NOR)"})
	}
	labels[0].Address, labels[0].Number = "https://rime.example.org/bench/unit?unit=%3Cscript%3E%2F..%2F", strings.Repeat("<script>/../", 4)
	return labels
}

// printed are the pages of a PDF as a printer of 150 dots per inch would put them on paper.
func printed(t *testing.T, pdf []byte) (pages []image.Image) {
	t.Helper()
	dir := t.TempDir()
	path := filepath.Join(dir, "labels.pdf")
	require.NoError(t, os.WriteFile(path, pdf, 0o600))
	out, err := exec.CommandContext(t.Context(), "pdftoppm", "-r", "150", "-gray", "-png", path, filepath.Join(dir, "page")).CombinedOutput()
	require.NoError(t, err, "%s", out)
	files, err := filepath.Glob(filepath.Join(dir, "page*.png"))
	require.NoError(t, err)
	slices.Sort(files)
	for _, file := range files {
		f, err := os.Open(file)
		require.NoError(t, err)
		page, err := png.Decode(f)
		require.NoError(t, err)
		require.NoError(t, f.Close())
		pages = append(pages, page)
	}
	return pages
}

// scan reads the code in a part of a page, as another maker's reader does.
func scan(t *testing.T, page image.Image, part image.Rectangle) string {
	t.Helper()
	cell := page.(interface {
		SubImage(image.Rectangle) image.Image
	}).SubImage(part)
	bitmap, err := gozxing.NewBinaryBitmapFromImage(cell)
	require.NoError(t, err)
	result, err := qrcode.NewQRCodeReader().Decode(bitmap, nil)
	require.NoError(t, err)
	return result.GetText()
}

func TestPrintedLabelsAreRead(t *testing.T) {
	for perSheet, grid := range LabelGrids {
		t.Run(fmt.Sprint(perSheet), func(t *testing.T) {
			labels := labelsFor(perSheet + 1)
			pdf, err := LabelSheets(DocumentHead{Title: "Labels", At: time.Unix(0, 0)}, labels, perSheet)
			require.NoError(t, err)
			pages := printed(t, pdf)
			require.Len(t, pages, 2)
			box := pages[0].Bounds()
			const margin = 50 // of a third of an inch
			cellW, cellH := (box.Dx()-2*margin)/grid[0], (box.Dy()-2*margin)/grid[1]
			for i, l := range labels {
				x, y := margin+i%perSheet%grid[0]*cellW, margin+i%perSheet/grid[0]*cellH
				require.Equal(t, l.Address, scan(t, pages[i/perSheet], image.Rect(x, y, x+cellW, y+cellH)), "label %d", i)
			}
			words := printedWords(t, pdf)
			require.Contains(t, words, "W-001")
			require.Contains(t, words, "North yard (NOR)")
			for _, page := range boxedPages(t, pdf) {
				for _, w := range page.Words {
					require.True(t, w.XMin >= 24 && w.XMax <= page.Width-24 && w.YMin >= 24 && w.YMax <= page.Height-24, "%q is where printers leave white", w.Text)
				}
			}
			again, err := LabelSheets(DocumentHead{Title: "Labels", At: time.Unix(0, 0)}, labels, perSheet)
			require.NoError(t, err)
			require.Equal(t, pdf, again, "the same units, the same sheets")
		})
	}
}

// A quarter of a code may be lost to grease: a blot over an eighth of it, in one piece, leaves it readable.
func TestAGreasyLabelIsRead(t *testing.T) {
	labels := labelsFor(4)
	pdf, err := LabelSheets(DocumentHead{Title: "Labels"}, labels, 4)
	require.NoError(t, err)
	page := printed(t, pdf)[0]
	box := page.Bounds()
	blotted := image.NewGray(image.Rect(box.Dx()/2, 0, box.Dx(), box.Dy()/2))
	for y := blotted.Rect.Min.Y; y < blotted.Rect.Max.Y; y++ {
		for x := blotted.Rect.Min.X; x < blotted.Rect.Max.X; x++ {
			blotted.Set(x, y, page.At(x, y))
		}
	}
	middle := image.Pt(blotted.Rect.Min.X+blotted.Rect.Dx()/2, blotted.Rect.Min.Y+blotted.Rect.Dx()/2)
	for y := -60; y < 60; y++ {
		for x := -60; x < 60; x++ {
			blotted.Pix[blotted.PixOffset(middle.X+x, middle.Y+y)] = 0
		}
	}
	require.Equal(t, labels[1].Address, scan(t, blotted, blotted.Rect))
}

func TestNoSheetsOfNothing(t *testing.T) {
	_, err := LabelSheets(DocumentHead{Title: "Labels"}, labelsFor(1), 7)
	require.EqualError(t, err, "7 labels on a sheet: there are sheets of 4, 8, 12 and 24")
	_, err = LabelSheets(DocumentHead{Title: "Labels"}, nil, 4)
	require.Error(t, err)
}
