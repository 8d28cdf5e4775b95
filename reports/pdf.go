package reports

import (
	"bytes"
	"fmt"
	"image"
	"image/draw"
	"image/png"
	"time"

	"codeberg.org/go-pdf/fpdf"
	"github.com/go-fonts/dejavu/dejavusanscondensed"
	"github.com/go-fonts/dejavu/dejavusanscondensedbold"

	"rimeyard/internal/fleet"
)

// Paper is a size of sheet.
type Paper string

// The papers. A document that says none is for A4.
const (
	A4Paper     Paper = "A4"
	LetterPaper Paper = "Letter"
)

// DocumentHead is what stands at the head of a printed document and in its properties.
type DocumentHead struct {
	Title    string
	Subtitle []string  // lines below the title; the first, which should say of which day the document is, is in every page's foot too
	Language string    // BCP 47; empty: en-GB
	Paper    Paper     // empty: A4
	At       time.Time // when it was made, as its properties say; nothing else dates it, so the same input gives the same bytes
}

// Document is a PDF in the making: paragraphs, tables and pictures one below the other, on as many pages as they need. What goes
// wrong is kept for [Document.Bytes]. Texts may hold any UTF-8: what the typeface lacks is printed as □, and the end of the
// document says so. Writing from right to left is not turned round, nor are letters joined.
type Document struct {
	head                     DocumentHead
	pdf                      *fpdf.Fpdf
	ruler                    *fpdf.Fpdf // measures: it has no page, so that asking for a width writes nothing
	left, right, top, bottom float64    // edges of what may be printed on, in points from the sheet's upper left corner
	y                        float64    // where the next thing begins
	has                      map[rune]bool
	lacking                  bool // a character was asked for that the typeface lacks
	pictures                 int
}

const (
	typeface    = "dejavu"
	sideMargin  = 48.0 // points, as all lengths here
	topMargin   = 46.0
	footMargin  = 54.0
	pageNumberY = 30.0 // of the foot's base line, from below
)

// A printed style: what letters look like, and how far lines lie apart.
type lettering struct {
	bold bool
	size float64
	lead float64
	ink  string
}

var (
	titleLetters   = lettering{true, 21, 25, Ink}
	headingLetters = lettering{true, 12.5, 16, Ink}
	bodyLetters    = lettering{false, 9.5, 13.2, Ink}
	strongLetters  = lettering{true, 9.5, 13.2, Ink}
	smallLetters   = lettering{false, 8, 10.8, QuietInk}
	labelLetters   = lettering{true, 8, 10.8, QuietInk}
	tallLetters    = lettering{true, 17, 20, Ink}
)

// NewDocument begins a document with its head on the first page.
func NewDocument(head DocumentHead) *Document {
	d := begin(head)
	d.NewPage()
	d.lines(head.Title, d.left, d.right, titleLetters)
	d.y += 3
	for _, s := range head.Subtitle {
		d.lines(s, d.left, d.right, lettering{false, 10, 14, QuietInk})
	}
	d.y += 6
	d.rule(d.left, d.right, d.y, Ink, 1)
	d.y += 14
	return d
}

// begin begins a document that has no page yet.
func begin(head DocumentHead) *Document {
	if head.Language == "" {
		head.Language = "en-GB"
	}
	if head.Paper == "" {
		head.Paper = A4Paper
	}
	d := &Document{head: head, pdf: newPDF(head.Paper), ruler: newPDF(head.Paper), has: map[rune]bool{}}
	width, height := d.pdf.GetPageSize()
	d.left, d.right, d.top, d.bottom = sideMargin, width-sideMargin, topMargin, height-footMargin
	if head.Paper != A4Paper && head.Paper != LetterPaper {
		d.fail(fmt.Errorf("paper %q: there is %s and %s", head.Paper, A4Paper, LetterPaper))
	}
	at := head.At.UTC()
	d.pdf.SetCreationDate(at)
	d.pdf.SetModificationDate(at)
	d.pdf.SetTitle(d.printable(head.Title), true)
	if len(head.Subtitle) > 0 {
		d.pdf.SetSubject(d.printable(head.Subtitle[0]), true)
	}
	d.pdf.SetLang(head.Language)
	d.pdf.SetCreator("rimeyard", true)
	d.pdf.SetProducer("rimeyard", true)
	d.pdf.SetDisplayMode("fullwidth", "continuous")
	return d
}

func newPDF(paper Paper) *fpdf.Fpdf {
	size := "A4"
	if paper == LetterPaper {
		size = "Letter"
	}
	pdf := fpdf.New("P", "pt", size, "")
	pdf.SetCatalogSort(true)
	pdf.SetAutoPageBreak(false, 0)
	pdf.SetMargins(0, 0, 0)
	pdf.SetCellMargin(0)
	pdf.AddUTF8FontFromBytes(typeface, "", dejavusanscondensed.TTF)
	pdf.AddUTF8FontFromBytes(typeface, "B", dejavusanscondensedbold.TTF)
	return pdf
}

func (d *Document) fail(err error) { d.pdf.SetError(err) }

// NewPage goes on at the top of a new page.
func (d *Document) NewPage() {
	d.pdf.AddPage()
	d.y = d.top
}

// need turns the page where less than height is left on it.
func (d *Document) need(height float64) {
	if d.y+height > d.bottom && d.y > d.top {
		d.NewPage()
	}
}

// Space leaves height points free, but none at the top of a page.
func (d *Document) Space(height float64) {
	if d.y > d.top {
		d.y += height
	}
}

// picturesGap is what stands round a picture besides its words, in points.
const picturesGap = 24

// pictureSize is how large a picture is printed: over the whole width, but no higher than lets two stand on a page under a heading. around is
// what its title and its description take.
func (d *Document) pictureSize(p Picture) (width, height, around float64) {
	width = d.right - d.left
	caption, title := d.wrapped(p.Description, width, smallLetters), d.wrapped(p.Title, width, strongLetters)
	around = float64(len(caption))*smallLetters.lead + float64(len(title))*strongLetters.lead + 10
	height = width * float64(p.Height) / float64(p.Width)
	room := (d.bottom-d.top-headingLetters.lead-picturesGap)/2 - around - picturesGap
	if height > room && room > 0 {
		width, height = width*room/height, room
	}
	return width, height, around
}

// Pictures prints drawings under a heading, which stays with the first of them; none prints nothing.
func (d *Document) Pictures(heading string, all []Picture) {
	for i, p := range all {
		if i == 0 {
			_, height, around := d.pictureSize(p)
			d.need(headingLetters.lead + height + around + 2*picturesGap)
			d.Heading(heading)
		}
		d.picture(p)
	}
}

// picture prints a drawing, with its title above and its description, which says in words what it shows, below.
func (d *Document) picture(p Picture) {
	d.pictures++
	raster, err := opaque(p, d.pictures)
	if err != nil {
		d.fail(err)
		return
	}
	name := fmt.Sprintf("picture-%d", d.pictures)
	d.pdf.RegisterImageOptionsReader(name, fpdf.ImageOptions{ImageType: "PNG"}, bytes.NewReader(raster))
	width, height, around := d.pictureSize(p)
	caption, title := d.wrapped(p.Description, d.right-d.left, smallLetters), d.wrapped(p.Title, d.right-d.left, strongLetters)
	d.Space(8)
	d.need(height + around)
	d.put(title, d.left, strongLetters)
	d.y += 4
	d.pdf.ImageOptions(name, d.left, d.y, width, height, false, fpdf.ImageOptions{ImageType: "PNG"}, 0, "")
	d.y += height + 6
	d.put(caption, d.left, smallLetters)
	d.Space(6)
}

// opaque is the picture's PNG without a channel of transparency, on white, and some pixels wider. The writer sorts images by their widths
// alone, so each of a document's must have one of its own for the same input to give the same bytes.
func opaque(p Picture, wider int) ([]byte, error) {
	drawn, err := p.PNG()
	if err != nil {
		return nil, err
	}
	img, err := png.Decode(bytes.NewReader(drawn))
	if err != nil {
		return nil, fmt.Errorf("print picture %s: %w", p.Name, err)
	}
	box := img.Bounds()
	flat := image.NewRGBA(image.Rect(0, 0, box.Dx()+wider, box.Dy()))
	draw.Draw(flat, flat.Bounds(), image.White, image.Point{}, draw.Src)
	draw.Draw(flat, flat.Bounds(), img, box.Min, draw.Over)
	var b bytes.Buffer
	if err := png.Encode(&b, flat); err != nil {
		return nil, fmt.Errorf("print picture %s: %w", p.Name, err)
	}
	return b.Bytes(), nil
}

// mark draws a band's shape with its centre at x, y: as in pictures, so that it is told apart without colour.
func (d *Document) mark(band fleet.Band, x, y, size float64) {
	l := LookOf(band)
	d.colours(l.Fill, l.Edge)
	d.pdf.SetLineWidth(0.8)
	r := size / 2
	switch band {
	case fleet.Down:
		d.pdf.Rect(x-r*0.9, y-r*0.9, r*1.8, r*1.8, "FD")
	case fleet.Swap:
		d.pdf.Polygon([]fpdf.PointType{{X: x, Y: y - r}, {X: x + r, Y: y + r*0.85}, {X: x - r, Y: y + r*0.85}}, "FD")
	case fleet.Watch:
		d.pdf.Polygon([]fpdf.PointType{{X: x, Y: y - r}, {X: x + r, Y: y}, {X: x, Y: y + r}, {X: x - r, Y: y}}, "FD")
	default: // sound: a disc; unknown: a ring, which is a disc filled with white
		d.pdf.Circle(x, y, r*0.9, "FD")
	}
}

// colours sets those of areas and of lines.
func (d *Document) colours(fill, line string) {
	f, l := colour(fill), colour(line)
	d.pdf.SetFillColor(int(f.R), int(f.G), int(f.B))
	d.pdf.SetDrawColor(int(l.R), int(l.G), int(l.B))
}

func (d *Document) rule(left, right, y float64, ink string, width float64) {
	d.colours(ink, ink)
	d.pdf.SetLineWidth(width)
	d.pdf.Line(left, y, right, y)
}

// Bytes ends the document: it writes each page's foot, with the page's number and how many there are, and returns the PDF.
func (d *Document) Bytes() ([]byte, error) {
	if d.lacking {
		d.Space(8)
		d.Note("□ stands for a character that the typeface of this document lacks; pages and workbooks show it.")
	}
	pages := d.pdf.PageCount()
	_, height := d.pdf.GetPageSize()
	for page := 1; page <= pages; page++ {
		d.pdf.SetPage(page)
		d.rule(d.left, d.right, height-pageNumberY-13, Hairline, 0.6)
		number := fmt.Sprintf("%d of %d", page, pages)
		room := d.right - d.left - d.width(number, smallLetters) - 20
		d.write(d.fitting(d.foot(), room, smallLetters), d.left, height-pageNumberY, smallLetters)
		d.write(number, d.right-d.width(number, smallLetters), height-pageNumberY, smallLetters)
	}
	var b bytes.Buffer
	if err := d.pdf.Output(&b); err != nil {
		return nil, fmt.Errorf("print %s: %w", oneLine(d.head.Title), err)
	}
	return b.Bytes(), nil
}

func (d *Document) foot() string {
	if len(d.head.Subtitle) == 0 {
		return d.head.Title
	}
	return d.head.Title + " · " + d.head.Subtitle[0]
}
