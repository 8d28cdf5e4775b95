package reports

import (
	"math"
	"strings"

	"rimeyard/internal/fleet"

	chart "github.com/wcharczuk/go-chart/v2"
	"github.com/wcharczuk/go-chart/v2/drawing"
)

// pen draws shapes and words, each with its whole style set: go-chart's renderers keep what was set before.
type pen struct {
	r    chart.Renderer
	face chart.Style // the typeface; the rest of it is not used
}

// The sizes of letters, in CSS pixels.
const (
	bodyText  = 13.0
	smallText = 11.5
)

const pointsPerPixel = 72 / chart.DefaultDPI

func (p pen) stroke(c drawing.Color, width float64, dashes ...float64) {
	p.r.ResetStyle()
	p.r.SetStrokeColor(c)
	p.r.SetStrokeWidth(width)
	p.r.SetStrokeDashArray(dashes)
}

func (p pen) line(x1, y1, x2, y2 int, c drawing.Color, width float64, dashes ...float64) {
	p.stroke(c, width, dashes...)
	p.r.MoveTo(x1, y1)
	p.r.LineTo(x2, y2)
	p.r.Stroke()
}

func (p pen) filled(fill, edge drawing.Color, corners ...[2]int) {
	p.r.ResetStyle()
	p.r.SetFillColor(fill)
	p.r.SetStrokeColor(edge)
	p.r.SetStrokeWidth(1)
	for i, c := range corners {
		if i == 0 {
			p.r.MoveTo(c[0], c[1])
		} else {
			p.r.LineTo(c[0], c[1])
		}
	}
	p.r.Close()
	p.r.FillStroke()
}

func (p pen) rect(left, top, right, bottom int, fill, edge drawing.Color) {
	p.filled(fill, edge, [2]int{left, top}, [2]int{right, top}, [2]int{right, bottom}, [2]int{left, bottom})
}

func (p pen) disc(x, y int, radius float64, fill, edge drawing.Color) {
	p.r.ResetStyle()
	p.r.SetFillColor(fill)
	p.r.SetStrokeColor(edge)
	p.r.SetStrokeWidth(1)
	p.r.Circle(radius, x, y)
	p.r.FillStroke()
}

// mark draws a band's shape around x, y.
func (p pen) mark(b fleet.Band, x, y int) {
	l := LookOf(b)
	fill, edge := colour(l.Fill), colour(l.Edge)
	switch b {
	case fleet.Down:
		p.rect(x-5, y-5, x+5, y+5, fill, edge)
	case fleet.Swap:
		p.filled(fill, edge, [2]int{x, y - 6}, [2]int{x + 6, y + 5}, [2]int{x - 6, y + 5})
	case fleet.Watch:
		p.filled(fill, edge, [2]int{x, y - 6}, [2]int{x + 6, y}, [2]int{x, y + 6}, [2]int{x - 6, y})
	default: // sound: a disc; unknown: a ring, which is a disc filled with white
		p.disc(x, y, 5, fill, edge)
	}
}

func (p pen) letters(size float64, ink string) {
	p.r.ResetStyle()
	p.r.SetFont(p.face.Font)
	p.r.SetFontSize(size * pointsPerPixel)
	p.r.SetFontColor(colour(ink))
}

func (p pen) width(s string, size float64) int {
	p.letters(size, Ink)
	return p.r.MeasureText(s).Width()
}

// fit shortens s until it is no wider than room pixels, though the reader's typeface be an eighth wider than ours.
func (p pen) fit(s string, size float64, room int) string {
	s = oneLine(s)
	for n := len([]rune(s)); n > 1 && p.width(s, size)*9/8 > room; n-- {
		s = shortened(s, n-1)
	}
	return s
}

// left writes s from x on, with the middle of its letters at y; right ends small letters at x; middle centres quiet ones there.
func (p pen) left(s string, x, y int, size float64, ink string) {
	p.letters(size, ink)
	p.r.Text(s, x, y+int(math.Round(size*0.36)))
}

func (p pen) right(s string, x, y int, ink string) {
	p.left(s, x-p.width(s, smallText), y, smallText, ink)
}

func (p pen) middle(s string, x, y int) {
	p.left(s, x-p.width(s, smallText)/2, y, smallText, QuietInk)
}

// evenTicks returns multiples of one round step (1, 2 or 5 times a power of ten) that enclose lo and hi in at most
// most steps. It never returns fewer than two ticks, even where lo equals hi.
func evenTicks(lo, hi float64, most int) []float64 {
	span := max(hi-lo, 1)
	step := math.Pow(10, math.Floor(math.Log10(span/float64(most))))
	for _, by := range []float64{1, 2, 5, 10, 20} {
		if first, last := math.Floor(lo/(step*by)), math.Ceil(hi/(step*by)); last-first <= float64(most) {
			step *= by
			break
		}
	}
	first, last := math.Floor(lo/step), math.Ceil(hi/step)
	if last == first {
		last++
	}
	ticks := make([]float64, 0, most+1)
	for n := first; n <= last; n++ {
		ticks = append(ticks, n*step)
	}
	return ticks
}

// ticked writes a tick without needless digits: −10, 0.5.
func ticked(v float64, step float64) string {
	s := decimal(v)
	if step >= 1 {
		s = strings.TrimSuffix(s, ".0")
	}
	return s
}

func rangeOf(ticks []float64) chart.ContinuousRange {
	return chart.ContinuousRange{Min: ticks[0], Max: ticks[len(ticks)-1]}
}

// spread moves wanted label positions (ascending) apart to gap pixels at least, each as little as can be (least squares,
// by pooling neighbours that collide), and where there is room, inside top and bottom.
func spread(wanted []int, gap, top, bottom int) []int {
	type block struct{ sum, n int } // of positions with the gaps taken out, which must ascend
	var blocks []block
	for i, y := range wanted {
		blocks = append(blocks, block{y - i*gap, 1})
		for k := len(blocks) - 1; k > 0 && blocks[k-1].sum*blocks[k].n > blocks[k].sum*blocks[k-1].n; k-- {
			blocks[k-1] = block{blocks[k-1].sum + blocks[k].sum, blocks[k-1].n + blocks[k].n}
			blocks = blocks[:k]
		}
	}
	highest := max(top, bottom-(len(wanted)-1)*gap)
	var at []int
	for _, b := range blocks {
		for range b.n {
			at = append(at, min(max(b.sum/b.n, top), highest)+len(at)*gap)
		}
	}
	return at
}
