package reports

import (
	"strings"

	"rimeyard/internal/fleet"
)

// PrintedTable is a table of a [Document]. Columns are as wide as what they hold, texts wrap, and the header stands on each page.
type PrintedTable struct {
	Columns []PrintedColumn
	Rows    []PrintedRow
	Foot    []PrintedCell // totals, under a rule; empty: none
}

// PrintedColumn is one column of a table.
type PrintedColumn struct {
	Header string
	Right  bool // numbers stand at the right, so that their digits do under each other
}

// PrintedRow is one row. Cells may be fewer than columns: the rest stays empty.
type PrintedRow struct {
	Cells []PrintedCell
	Note  string // printed below the cells, from the second column on; a line feed begins a new line
}

// PrintedCell is one field.
type PrintedCell struct {
	Text   string
	Under  string     // in small letters below
	Band   fleet.Band // its mark stands before the text; empty: none
	Strong bool
}

// PrintedTexts are cells that hold nothing but text.
func PrintedTexts(texts ...string) []PrintedCell {
	cells := make([]PrintedCell, len(texts))
	for i, s := range texts {
		cells[i].Text = s
	}
	return cells
}

const (
	columnGap   = 9.0
	headerShare = 0.6
	rowPad      = 4.2 // above and below what a row holds
	markRoom    = 12.0
	markSize    = 7.0
)

// a table being printed.
type laidTable struct {
	*Document
	PrintedTable
	x, w []float64 // left edge and width of each column
}

// one line of a cell, ready to print.
type laidLine struct {
	text    string
	letters lettering
	band    fleet.Band
}

// Table prints a table. Rows stay whole where a page can hold them.
func (d *Document) Table(table PrintedTable) {
	if len(table.Columns) == 0 {
		return
	}
	t := laidTable{Document: d, PrintedTable: table}
	t.fit()
	t.need(t.headerHeight() + 3*bodyLetters.lead)
	t.header()
	for _, row := range table.Rows {
		t.row(row)
		t.rule(t.left, t.right, t.y, Hairline, 0.6)
	}
	if len(table.Foot) > 0 {
		t.foot(table.Foot)
	}
	d.y += 8
}

func (t *laidTable) foot(cells []PrintedCell) {
	strong := PrintedRow{}
	for _, c := range cells {
		c.Strong = true
		strong.Cells = append(strong.Cells, c)
	}
	t.turn(2*bodyLetters.lead + 2*rowPad)
	t.rule(t.left, t.right, t.y, Ink, 0.9)
	t.row(strong)
}

// fit chooses the columns' widths: what they would like where there is room for all, else at least their longest words, and of the
// room that is left each its share of what it lacks.
func (t *laidTable) fit() {
	n := len(t.Columns)
	least, wish := make([]float64, n), make([]float64, n)
	for i, c := range t.Columns {
		least[i] = t.longest(c.Header, labelLetters)
		wish[i] = max(least[i], headerShare*t.width(t.printable(c.Header), labelLetters)) // a header may take two lines
	}
	measure := func(cells []PrintedCell, strong bool) {
		for i, c := range cells[:min(n, len(cells))] {
			for _, part := range t.parts(c, strong) {
				room := 0.0
				if part.band != "" {
					room = markRoom
				}
				least[i] = max(least[i], room+t.longest(part.text, part.letters))
				for line := range strings.SplitSeq(part.text, "\n") {
					wish[i] = max(wish[i], room+t.width(line, part.letters))
				}
			}
		}
	}
	for _, row := range t.Rows {
		measure(row.Cells, false)
	}
	measure(t.Foot, true)
	room := t.right - t.left - columnGap*float64(n-1)
	t.w = shared(room, least, wish)
	t.x = make([]float64, n)
	at := t.left
	for i, w := range t.w {
		t.x[i] = at
		at += w + columnGap
	}
}

// shared divides room among columns.
func shared(room float64, least, wish []float64) []float64 {
	sum := func(v []float64) (total float64) {
		for _, w := range v {
			total += w
		}
		return total
	}
	mins, wishes := sum(least), sum(wish)
	widths := make([]float64, len(wish))
	for i := range widths {
		switch {
		case wishes <= room:
			widths[i] = wish[i] + (room-wishes)/float64(len(wish))
		case mins >= room:
			widths[i] = least[i] * room / mins
		default:
			widths[i] = least[i] + (room-mins)*(wish[i]-least[i])/(wishes-mins)
		}
	}
	return widths
}

// longest is the width of the widest word.
func (t *laidTable) longest(s string, l lettering) float64 {
	widest := 0.0
	for word := range strings.FieldsFuncSeq(t.printable(s), func(r rune) bool { return r == ' ' || r == '\n' }) {
		widest = max(widest, t.width(word, l))
	}
	return widest
}

// parts are a cell's texts with their letters.
func (t *laidTable) parts(c PrintedCell, strong bool) []laidLine {
	letters := bodyLetters
	if c.Strong || strong {
		letters = strongLetters
	}
	parts := []laidLine{{t.printable(c.Text), letters, c.Band}}
	if c.Under != "" {
		parts = append(parts, laidLine{t.printable(c.Under), smallLetters, ""})
	}
	return parts
}

func (t *laidTable) headerLines() [][]string {
	lines := make([][]string, len(t.Columns))
	for i, c := range t.Columns {
		lines[i] = t.wrapped(c.Header, t.w[i]+0.01, labelLetters)
	}
	return lines
}

func (t *laidTable) headerHeight() float64 {
	tallest := 0
	for _, lines := range t.headerLines() {
		tallest = max(tallest, len(lines))
	}
	return float64(tallest)*labelLetters.lead + 5
}

func (t *laidTable) header() {
	height := t.headerHeight()
	for i, lines := range t.headerLines() {
		y := t.y + height - 5 - float64(len(lines))*labelLetters.lead
		for _, line := range lines {
			t.field(i, line, y, labelLetters, 0)
			y += labelLetters.lead
		}
	}
	t.y += height
	t.rule(t.left, t.right, t.y, Ink, 0.9)
}

// field prints one line of a column with its top at y.
func (t *laidTable) field(column int, line string, y float64, l lettering, indent float64) {
	x := t.x[column] + indent
	if t.Columns[column].Right {
		x = t.x[column] + t.w[column] - t.width(line, l)
	}
	t.write(line, x, y+l.baseline(), l)
}

// turn goes on under a new header where height does not fit on the page any more.
func (t *laidTable) turn(height float64) {
	if t.y+height > t.bottom && t.y > t.top+t.headerHeight() {
		t.NewPage()
		t.header()
	}
}

func (t *laidTable) row(row PrintedRow) {
	columns := make([][]laidLine, len(t.Columns))
	tallest := 0.0
	for i := range t.Columns {
		if i < len(row.Cells) {
			columns[i] = t.cellLines(i, row.Cells[i])
		}
		tallest = max(tallest, heightOf(columns[i]))
	}
	note := t.noteLines(row.Note)
	t.turn(min(tallest+float64(len(note))*smallLetters.lead+2*rowPad, t.bottom-t.top-t.headerHeight()))
	t.y += rowPad
	for {
		columns = t.printed(columns)
		if heightOf(columns...) == 0 {
			break
		}
		t.NewPage()
		t.header()
		t.y += rowPad
	}
	if len(note) > 0 {
		t.y += 2
	}
	for _, line := range note {
		t.turn(smallLetters.lead)
		t.write(line, t.noteX(), t.y+smallLetters.baseline(), smallLetters)
		t.y += smallLetters.lead
	}
	t.y += rowPad
}

// printed prints as many lines of each column as the page holds and returns the rest.
func (t *laidTable) printed(columns [][]laidLine) [][]laidLine {
	rest, lowest := make([][]laidLine, len(columns)), t.y
	for i, lines := range columns {
		y := t.y
		for len(lines) > 0 && y+lines[0].letters.lead <= t.bottom {
			line, indent := lines[0], 0.0
			if line.band != "" {
				indent = markRoom
				t.mark(line.band, t.x[i]+markSize/2, y+line.letters.lead/2, markSize)
			}
			t.field(i, line.text, y, line.letters, indent)
			y += line.letters.lead
			lines = lines[1:]
		}
		rest[i], lowest = lines, max(lowest, y)
	}
	t.y = lowest
	return rest
}

func (t *laidTable) cellLines(column int, c PrintedCell) []laidLine {
	var lines []laidLine
	for _, part := range t.parts(c, false) {
		room := t.w[column] + 0.01 // a column may be exactly as wide as its words
		if part.band != "" {
			room -= markRoom
		}
		for i, text := range t.wrapped(part.text, room, part.letters) {
			line := laidLine{text, part.letters, ""}
			if i == 0 {
				line.band = part.band
			}
			lines = append(lines, line)
		}
	}
	return lines
}

func heightOf(columns ...[]laidLine) float64 {
	tallest := 0.0
	for _, lines := range columns {
		height := 0.0
		for _, line := range lines {
			height += line.letters.lead
		}
		tallest = max(tallest, height)
	}
	return tallest
}

func (t *laidTable) noteX() float64 {
	if len(t.x) > 1 {
		return t.x[1]
	}
	return t.left
}

func (t *laidTable) noteLines(note string) []string {
	if note == "" {
		return nil
	}
	return t.wrapped(note, t.right-t.noteX(), smallLetters)
}

// Bands prints how many units each band has, side by side: number, mark and word, and what the word means.
func (d *Document) Bands(counts []BandCount) {
	if len(counts) == 0 {
		return
	}
	const gap, pad = 8.0, 9.0
	width := (d.right - d.left - gap*float64(len(counts)-1)) / float64(len(counts))
	height, means := 0.0, make([][]string, len(counts))
	for i, c := range counts {
		means[i] = d.wrapped(c.Look.Means, width-2*pad, smallLetters)
		height = max(height, tallLetters.lead+strongLetters.lead+float64(len(means[i]))*smallLetters.lead+2*pad)
	}
	d.need(height)
	for i, c := range counts {
		x, y := d.left+float64(i)*(width+gap), d.y+pad
		d.colours("#FFFFFF", Hairline)
		d.pdf.SetLineWidth(0.8)
		d.pdf.Rect(x, d.y, width, height, "D")
		d.write(d.fitting(c.N, width-2*pad, tallLetters), x+pad, y+tallLetters.baseline(), tallLetters)
		y += tallLetters.lead
		d.mark(c.Look.Band, x+pad+markSize/2, y+strongLetters.lead/2, markSize)
		d.write(c.Look.Word, x+pad+markRoom, y+strongLetters.baseline(), strongLetters)
		y += strongLetters.lead
		for _, line := range means[i] {
			d.write(line, x+pad, y+smallLetters.baseline(), smallLetters)
			y += smallLetters.lead
		}
	}
	d.y += height + 4
}
