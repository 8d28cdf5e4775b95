package reports

import (
	"strings"
	"sync"
	"unicode"
	"unicode/utf8"

	"github.com/go-fonts/dejavu/dejavusanscondensed"
	"github.com/go-fonts/dejavu/dejavusanscondensedbold"
	"golang.org/x/image/font/sfnt"
)

// printedFaces are the two cuts of the typeface, to ask which characters they have.
var printedFaces = sync.OnceValues(func() ([2]*sfnt.Font, error) {
	regular, err := sfnt.Parse(dejavusanscondensed.TTF)
	if err != nil {
		return [2]*sfnt.Font{}, err
	}
	bold, err := sfnt.Parse(dejavusanscondensedbold.TTF)
	return [2]*sfnt.Font{regular, bold}, err
})

const lacks = '□'

// printable is s as it can be printed: line feeds stay, other control characters become spaces, what turns the direction of writing
// goes, and what the typeface lacks becomes □.
func (d *Document) printable(s string) string {
	return strings.Map(func(r rune) rune {
		switch {
		case r == '\n':
			return r
		case unicode.IsControl(r), r == '\u2028', r == '\u2029':
			return ' '
		case unicode.Is(unicode.Cf, r):
			return -1
		case r == utf8.RuneError:
			return '?'
		case r < unicode.MaxASCII || d.typefaceHas(r):
			return r
		}
		d.lacking = true
		return lacks
	}, strings.ToValidUTF8(strings.ReplaceAll(s, "\r\n", "\n"), "?"))
}

func (d *Document) typefaceHas(r rune) bool {
	if has, asked := d.has[r]; asked {
		return has
	}
	faces, err := printedFaces()
	if err != nil {
		d.fail(err)
		return false
	}
	has := r <= 0xFFFF // the writer knows no others
	var buffer sfnt.Buffer
	for _, face := range faces {
		glyph, err := face.GlyphIndex(&buffer, r)
		has = has && err == nil && glyph != 0
	}
	d.has[r] = has
	return has
}

// width of a printable s, in points.
func (d *Document) width(s string, l lettering) float64 {
	d.ruler.SetFont(typeface, l.cut(), l.size)
	return d.ruler.GetStringWidth(s)
}

func (l lettering) cut() string {
	if l.bold {
		return "B"
	}
	return ""
}

// write prints a line with its base line at y.
func (d *Document) write(s string, x, y float64, l lettering) {
	d.pdf.SetFont(typeface, l.cut(), l.size)
	ink := colour(l.ink)
	d.pdf.SetTextColor(int(ink.R), int(ink.G), int(ink.B))
	d.pdf.Text(x, y, s)
}

// baseline is how far a line's base lies below its top.
func (l lettering) baseline() float64 { return (l.lead+l.size)/2 - 0.14*l.size }

// wrapped breaks s into lines no wider than width: between words, and within those that are wider than a line.
func (d *Document) wrapped(s string, width float64, l lettering) []string {
	var lines []string
	for paragraph := range strings.SplitSeq(d.printable(s), "\n") {
		line := ""
		for _, word := range strings.FieldsFunc(paragraph, func(r rune) bool { return r == ' ' }) {
			if whole := line + " " + word; line != "" && d.width(whole, l) <= width {
				line = whole
				continue
			}
			if line != "" {
				lines = append(lines, line)
			}
			for d.width(word, l) > width {
				n := d.prefix(word, width, l)
				lines, word = append(lines, word[:n]), word[n:]
			}
			line = word
		}
		lines = append(lines, line)
	}
	return lines
}

// prefix is how many bytes of s fit into width: whole characters, and one at least.
func (d *Document) prefix(s string, width float64, l lettering) int {
	n, room := 0, width
	for i, r := range s {
		room -= d.width(string(r), l)
		if room < 0 && i > 0 {
			return n
		}
		n = i + utf8.RuneLen(r)
	}
	return n
}

// fitting is s on one line, shortened where it is wider than width.
func (d *Document) fitting(s string, width float64, l lettering) string {
	s = d.printable(oneLine(s))
	for n := utf8.RuneCountInString(s); n > 1 && d.width(s, l) > width; n-- {
		s = shortened(s, n-1)
	}
	return s
}

// put prints lines one below the other, going on to new pages.
func (d *Document) put(lines []string, x float64, l lettering) {
	for _, line := range lines {
		d.need(l.lead)
		d.write(line, x, d.y+l.baseline(), l)
		d.y += l.lead
	}
}

func (d *Document) lines(s string, left, right float64, l lettering) {
	d.put(d.wrapped(s, right-left, l), left, l)
}

// Heading prints a heading that stays with what follows; readers of the PDF find it in the outline.
func (d *Document) Heading(s string) {
	lines := d.wrapped(s, d.right-d.left, headingLetters)
	d.Space(14)
	d.need(float64(len(lines))*headingLetters.lead + 54)
	d.pdf.SetFont(typeface, "B", headingLetters.size)
	d.pdf.Bookmark(strings.Join(lines, " "), 0, d.y)
	d.put(lines, d.left, headingLetters)
	d.y += 5
}

// Paragraph prints a paragraph; a line feed begins a new line.
func (d *Document) Paragraph(s string) {
	d.lines(s, d.left, d.right, bodyLetters)
	d.y += 5
}

// Lead prints a paragraph in bold: what a reader in a hurry should see.
func (d *Document) Lead(s string) {
	l := lettering{true, 11, 15, Ink}
	d.lines(s, d.left, d.right, l)
	d.y += 6
}

// Note prints a paragraph in small quiet letters.
func (d *Document) Note(s string) {
	d.lines(s, d.left, d.right, smallLetters)
	d.y += 4
}

// List prints items, each behind a dot.
func (d *Document) List(items []string) {
	for _, item := range items {
		d.need(bodyLetters.lead)
		d.colours(QuietInk, QuietInk)
		d.pdf.Circle(d.left+4, d.y+bodyLetters.lead/2, 1.4, "F")
		d.lines(item, d.left+14, d.right, bodyLetters)
		d.y += 2
	}
	d.y += 4
}

// Checklist prints items, each behind an empty box to tick with a pen.
func (d *Document) Checklist(items []string) {
	for _, item := range items {
		d.need(bodyLetters.lead + 4)
		d.colours("#FFFFFF", Ink)
		d.pdf.SetLineWidth(0.9)
		d.pdf.Rect(d.left+1, d.y+1.6, 10, 10, "D")
		d.lines(item, d.left+20, d.right, bodyLetters)
		d.y += 5
	}
	d.y += 4
}

// Blanks prints labels, two beside each other, each with a line to write on.
func (d *Document) Blanks(labels []string) {
	const gap, row = 24.0, 30.0
	half := (d.right - d.left - gap) / 2
	for i, label := range labels {
		x := d.left + float64(i%2)*(half+gap)
		if i%2 == 0 {
			d.need(row)
			d.y += row
		}
		label = d.fitting(label, half*0.6, labelLetters)
		d.write(label, x, d.y-4, labelLetters)
		d.rule(x+d.width(label, labelLetters)+6, x+half, d.y-3, QuietInk, 0.6)
	}
	d.y += 10
}

// Caution prints warnings in a box under the word "Caution": tinted, and framed for grey print.
func (d *Document) Caution(warnings ...string) {
	const inset, pad = 14.0, 8.0
	var lines []string
	for _, w := range warnings {
		lines = append(lines, d.wrapped(w, d.right-d.left-2*inset, bodyLetters)...)
	}
	if len(lines) == 0 {
		return
	}
	d.Space(4)
	word := "Caution"
	for len(lines) > 0 {
		d.need(3*bodyLetters.lead + 2*pad)
		n := min(len(lines), int((d.bottom-d.y-2*pad)/bodyLetters.lead)-1)
		height := float64(n+1)*bodyLetters.lead + 2*pad
		d.colours(WarmWash, Warm)
		d.pdf.SetLineWidth(0.7)
		d.pdf.Rect(d.left, d.y, d.right-d.left, height, "FD")
		d.colours(Warm, Warm)
		d.pdf.Rect(d.left, d.y, 4, height, "F")
		d.y += pad
		d.put([]string{word}, d.left+inset, lettering{true, bodyLetters.size, bodyLetters.lead, Warm})
		d.put(lines[:n], d.left+inset, bodyLetters)
		d.y += pad
		lines, word = lines[n:], "Caution, continued"
	}
	d.y += 10
}
