package reports

import (
	"crypto/sha256"
	"encoding/xml"
	"fmt"
	"image"
	"image/color"
	"image/png"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"rimeyard/internal/fleet"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// poppler runs one of Poppler's tools on a PDF; deploy/ensure-poppler installs them.
func poppler(t *testing.T, pdf []byte, tool string, args ...string) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "it.pdf")
	require.NoError(t, os.WriteFile(path, pdf, 0o600))
	for i, a := range args {
		if a == "it.pdf" {
			args[i] = path
		}
	}
	out, err := exec.CommandContext(t.Context(), tool, args...).CombinedOutput()
	require.NoError(t, err, "%s: %s", tool, out)
	return string(out)
}

// printedWords are a document's words in the order of reading, those of a page between form feeds.
func printedWords(t *testing.T, pdf []byte) string {
	t.Helper()
	text := poppler(t, pdf, "pdftotext", "-enc", "UTF-8", "it.pdf", "-")
	pages := strings.Split(text, "\f")
	for i, page := range pages {
		pages[i] = strings.Join(strings.Fields(page), " ")
	}
	return strings.Join(pages, "\f")
}

type boxedPage struct {
	Width  float64 `xml:"width,attr"`
	Height float64 `xml:"height,attr"`
	Words  []struct {
		XMin float64 `xml:"xMin,attr"`
		YMin float64 `xml:"yMin,attr"`
		XMax float64 `xml:"xMax,attr"`
		YMax float64 `xml:"yMax,attr"`
		Text string  `xml:",chardata"`
	} `xml:"word"`
}

func boxedPages(t *testing.T, pdf []byte) []boxedPage {
	t.Helper()
	var doc struct {
		Pages []boxedPage `xml:"body>doc>page"`
	}
	dec := xml.NewDecoder(strings.NewReader(poppler(t, pdf, "pdftotext", "-bbox", "it.pdf", "-")))
	dec.Strict, dec.Entity = false, xml.HTMLEntity
	require.NoError(t, dec.Decode(&doc))
	require.NotEmpty(t, doc.Pages)
	return doc.Pages
}

// requireInside holds every word of every page inside the margins.
func requireInside(t *testing.T, pdf []byte) []boxedPage {
	t.Helper()
	pages := boxedPages(t, pdf)
	for i, page := range pages {
		require.NotEmpty(t, page.Words, "page %d is empty", i+1)
		for _, w := range page.Words {
			inside := w.XMin >= sideMargin-1 && w.XMax <= page.Width-sideMargin+1 && w.YMin >= topMargin-12 && w.YMax <= page.Height-18
			require.True(t, inside, "page %d: %q reaches over the margin: %.1f,%.1f to %.1f,%.1f", i+1, w.Text, w.XMin, w.YMin, w.XMax, w.YMax)
		}
	}
	return pages
}

func winterPDF(t *testing.T, d WinterListData) []byte {
	t.Helper()
	w, err := Compose(d, 6)
	require.NoError(t, err)
	pdf, err := w.PDF()
	require.NoError(t, err)
	return pdf
}

func TestPrintedWinterListSaysWhatTheLetterSays(t *testing.T) {
	w, c := render(t, someData(), 6)
	pdf, err := w.PDF()
	require.NoError(t, err)
	words := strings.ReplaceAll(printedWords(t, pdf), "\u00a0", " ")
	for _, said := range []string{
		"Winter list, the whole fleet", "As of 8 October 2025", "Season 8 October 2025 to 31 March 2026", "1 unit down, 2 to swap before the frost, 2 new since last week",
		"P-031", "−11.4 °C", "−14.0 to −8.9", "62 %", "almost certain", "1,250.00", "6 Nov", "V-209 (now sound)", "Nørdlund yard", "1 of 3", "3 of 3",
		"Cranking voltage at −5 °C fell by 0.6 V in a year", "1 more unit not shown; the workbook of this list has all units.", "change the suspect",
	} {
		require.Contains(t, words, said)
	}
	for _, p := range w.Pictures {
		require.Contains(t, words, p.Title)
	}
	require.Contains(t, strings.Join(strings.Fields(c.Text), " "), winterListReading, "paper and letter say the same")
	require.NotContains(t, words, "attached table")
	info := poppler(t, pdf, "pdfinfo", "it.pdf")
	require.Regexp(t, `Title: +Winter list, the whole fleet\n`, info)
	require.Regexp(t, `Pages: +3\n`, info)
	require.Regexp(t, `Page size: +595.28 x 841.89 pts \(A4\)`, info)
	require.Regexp(t, `CreationDate: +Wed Oct +8 `, info)
	require.Contains(t, string(pdf), "/Lang (en-GB)")
	requireInside(t, pdf)
}

func TestPrintedAuditSaysWhatTheLetterSays(t *testing.T) {
	r, err := ComposeAudit(someAuditData(t))
	require.NoError(t, err)
	pdf, err := r.PDF()
	require.NoError(t, err)
	words := strings.ReplaceAll(printedWords(t, pdf), "\u00a0", " ")
	for _, f := range r.Season.Facts {
		require.Contains(t, words, f.Name)
		require.Contains(t, words, strings.ReplaceAll(f.Value, "\u00a0", " "))
	}
	for _, o := range r.Season.Orders {
		figure, _ := split(o.Saved, " (")
		require.Contains(t, words, figure)
		require.Contains(t, words, o.PerSwap)
	}
	require.Contains(t, words, r.Earlier[0].Gist)
	require.NotContains(t, words, "Caution")
	requireInside(t, pdf)

	r.Season.Few = "Only 3 failures: too few to judge the list by."
	pdf, err = r.PDF()
	require.NoError(t, err)
	require.Contains(t, printedWords(t, pdf), "Caution Only 3 failures")
}

func TestSameInputSamePDF(t *testing.T) {
	first := sha256.Sum256(winterPDF(t, someData()))
	again := make([][sha256.Size]byte, 4) // maps change their order from run to run
	var all sync.WaitGroup                // and servers print for several people at once
	for i := range again {
		w, err := Compose(someData(), 6)
		require.NoError(t, err)
		all.Go(func() {
			pdf, err := w.PDF()
			if err == nil {
				again[i] = sha256.Sum256(pdf)
			}
		})
	}
	all.Wait()
	for _, sum := range again {
		require.Equal(t, first, sum)
	}
}

// someDocument uses all that a document can hold, with texts that fit nowhere.
func someDocument(paper Paper, texts []string) *Document {
	d := NewDocument(DocumentHead{Title: "Job sheet " + texts[0], Subtitle: texts, Paper: paper, At: time.Date(2025, 10, 8, 0, 0, 0, 0, time.UTC)})
	d.Heading("Work " + texts[0])
	d.Lead(texts[0])
	d.Caution(texts...)
	d.Checklist(texts)
	d.Blanks(texts)
	d.List(texts)
	table := PrintedTable{Columns: []PrintedColumn{{Header: "Unit"}, {Header: texts[0]}, {Header: "Price", Right: true}}, Foot: PrintedTexts("All", "", "1,234.50")}
	for i, text := range texts {
		for _, l := range Looks() {
			table.Rows = append(table.Rows, PrintedRow{
				Cells: []PrintedCell{{Text: fmt.Sprintf("P-%03d", i), Band: l.Band, Under: text, Strong: true}, {Text: text}, {Text: "617.25"}}, Note: text,
			})
		}
	}
	d.Table(table)
	d.Note("The end.")
	return d
}

func TestNothingLeavesThePage(t *testing.T) {
	texts := []string{
		"plain words", strings.Repeat("Batteriekabelschuhklemme", 30), strings.Repeat("many words ", 1200), "−11.4 °C ≤ 5 ± 0.5 → Łódź, Ørsta, Жук, Ελλάς ‑ ½ µΩ ☃",
		"電池 😀", "a\x00b\x1bc\u202eevil\u2066\n\nnext line\r\nlast", string([]byte{0xff, 0xfe, 'x'}), "",
	}
	for _, paper := range []Paper{A4Paper, LetterPaper} {
		pdf, err := someDocument(paper, texts).Bytes()
		require.NoError(t, err)
		pages := requireInside(t, pdf)
		words := strings.Split(printedWords(t, pdf), "\f")
		require.Greater(t, len(pages), 6)
		for i := range pages {
			require.Contains(t, words[i], fmt.Sprintf("%d of %d", i+1, len(pages)))
		}
		all := strings.Join(words, " ")
		require.Contains(t, all, "−11.4 °C ≤ 5 ± 0.5 → Łódź, Ørsta, Жук, Ελλάς ‑ ½ µΩ ☃")
		require.Contains(t, all, "□□ □")
		require.Contains(t, all, "□ stands for a character")
		require.Contains(t, all, "Caution, continued")
		require.Contains(t, all, "next line last")
		require.Contains(t, words[len(words)-2], "The end.")
	}
}

func TestTableRepeatsItsHeaderAndKeepsRowsWhole(t *testing.T) {
	d := NewDocument(DocumentHead{Title: "Long", At: time.Unix(0, 0)})
	table := PrintedTable{Columns: []PrintedColumn{{Header: "Unit"}, {Header: "Money", Right: true}}}
	for i := range 200 {
		table.Rows = append(table.Rows, PrintedRow{Cells: PrintedTexts(fmt.Sprintf("U-%03d", i), fmt.Sprintf("%d.00", i)), Note: fmt.Sprintf("why-%03d", i)})
	}
	d.Table(table)
	pdf, err := d.Bytes()
	require.NoError(t, err)
	pages := strings.Split(strings.TrimSuffix(printedWords(t, pdf), "\f"), "\f")
	require.Greater(t, len(pages), 5)
	rows := 0
	for i, page := range pages {
		require.Equal(t, 1, strings.Count(page, "Unit Money"), "page %d: %s", i+1, page)
		require.Equal(t, strings.Count(page, "U-"), strings.Count(page, "why-"), "a row is parted over page %d", i+1)
		rows += strings.Count(page, "U-")
	}
	require.Equal(t, 200, rows)
	var right []float64 // digits stand under each other
	for _, w := range boxedPages(t, pdf)[0].Words {
		if strings.HasSuffix(w.Text, ".00") {
			right = append(right, w.XMax)
		}
	}
	require.Greater(t, len(right), 10)
	for _, x := range right {
		require.InDelta(t, right[0], x, 0.1)
	}
}

func TestDocumentTakesAnyText(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		texts := rapid.SliceOfN(rapid.String(), 1, 3).Draw(t, "texts")
		pdf, err := someDocument(A4Paper, texts).Bytes()
		require.NoError(t, err)
		require.True(t, strings.HasPrefix(string(pdf), "%PDF-"))
	})
}

func TestDocumentSaysWhatIsWrong(t *testing.T) {
	_, err := NewDocument(DocumentHead{Title: "Sheet", Paper: "A0"}).Bytes()
	require.ErrorContains(t, err, `print Sheet: paper "A0": there is A4 and Letter`)
}

// pageOf renders a page in grey, as an office printer would.
func pageOf(t *testing.T, pdf []byte, page string) image.Image {
	t.Helper()
	base := filepath.Join(t.TempDir(), "page")
	poppler(t, pdf, "pdftoppm", "-r", "60", "-gray", "-png", "-singlefile", "-f", page, "it.pdf", base)
	return readPNG(t, base+".png")
}

func readPNG(t *testing.T, path string) image.Image {
	t.Helper()
	f, err := os.Open(path)
	require.NoError(t, err)
	defer f.Close()
	img, err := png.Decode(f)
	require.NoError(t, err)
	return img
}

// differing is the share of pixels that differ by more than levels of the 256 from black to white.
func differing(t *testing.T, a, b image.Image, levels int) float64 {
	t.Helper()
	require.Equal(t, a.Bounds(), b.Bounds())
	n := 0
	box := a.Bounds()
	for y := box.Min.Y; y < box.Max.Y; y++ {
		for x := box.Min.X; x < box.Max.X; x++ {
			p, q := int(color.GrayModel.Convert(a.At(x, y)).(color.Gray).Y), int(color.GrayModel.Convert(b.At(x, y)).(color.Gray).Y)
			if max(p-q, q-p) > levels {
				n++
			}
		}
	}
	return float64(n) / float64(box.Dx()*box.Dy())
}

func TestPrintedPageLooksAsItDid(t *testing.T) {
	const levels, tolerance = 64, 0.0005 // other versions of the renderer place some edges differently
	got := pageOf(t, winterPDF(t, someData()), "1")
	path := filepath.Join("..", "testdata", "reports", "winter-list-page-1.png")
	if *update {
		f, err := os.Create(path)
		require.NoError(t, err)
		require.NoError(t, png.Encode(f, got))
		require.NoError(t, f.Close())
	}
	golden := readPNG(t, path)
	require.Less(t, differing(t, golden, got, levels), tolerance)

	d := someData() // what the tolerance lets through must not be a row that changed
	d.List.Units[0].Band = fleet.Watch
	d.List.Units[0].ColdLimitC = fleet.Known(-15.0)
	require.Greater(t, differing(t, golden, pageOf(t, winterPDF(t, d), "1"), levels), tolerance)
}

func TestBandsDifferInGreyPrint(t *testing.T) {
	marks := map[fleet.Band]image.Image{}
	for _, l := range Looks() {
		d := NewDocument(DocumentHead{Title: "Marks", At: time.Unix(0, 0)})
		d.mark(l.Band, 200, 300, 100)
		pdf, err := d.Bytes()
		require.NoError(t, err)
		marks[l.Band] = pageOf(t, pdf, "1")
	}
	for _, a := range Looks() {
		for _, b := range Looks() {
			if a.Band != b.Band {
				require.Greater(t, differing(t, marks[a.Band], marks[b.Band], 40), 0.0003, "%s and %s", a.Word, b.Word)
			}
		}
	}
}
