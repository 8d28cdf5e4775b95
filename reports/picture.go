package reports

import (
	"bytes"
	"errors"
	"fmt"
	"html"
	"io"
	"math"
	"regexp"
	"strconv"
	"strings"
	"sync"

	chart "github.com/wcharczuk/go-chart/v2"
	"github.com/wcharczuk/go-chart/v2/drawing"
)

// The widths, in CSS pixels, for which pictures are drawn: text keeps its size, the drawing has more or less room.
const (
	PageWidth = 720
	MailWidth = 400 // shown on a phone of 320 it shrinks by a fifth and stays readable
)

// Picture is a drawing that can be had as SVG for pages and as PNG for mail. Both show the same data.
type Picture struct {
	Name        string // letters, digits, dashes: names the file and the elements of the SVG, unique on a page
	Title       string
	Description string // says in words what the picture shows; the alternative text of the PNG
	Width       int    // CSS pixels
	Height      int
	Figures     *Figures // what it was drawn from, for a closer look; nil: the picture says it all

	series []chart.Series
	x, y   chart.ContinuousRange
	box    chart.Box // padding around the plot
}

// ErrNothingToDraw says that a picture of no data would mislead; callers say in words that there is none.
var ErrNothingToDraw = errors.New("nothing to draw")

// font loads go-chart's typeface once: its own cache is not safe for several goroutines.
var font = sync.OnceValues(chart.GetDefaultFont)

// SVG draws for a page. It carries presentation attributes and no style attribute, so that a content security policy
// without inline style shows it as drawn; where it lets styles in, the picture is dark on dark pages. Texts are escaped; title and description
// serve screen readers.
func (p Picture) SVG() ([]byte, error) {
	return p.render(func(w, h int) (chart.Renderer, error) {
		r, err := chart.SVG(w, h)
		return &vector{Renderer: r, picture: p}, err
	})
}

// PNG draws for mail, with two device pixels per CSS pixel.
func (p Picture) PNG() ([]byte, error) {
	return p.render(func(w, h int) (chart.Renderer, error) {
		const sharp = 2
		r, err := chart.PNG(w*sharp, h*sharp)
		return &scaled{Renderer: r, by: sharp}, err
	})
}

func (p Picture) render(provider chart.RendererProvider) ([]byte, error) {
	f, err := font()
	if err != nil {
		return nil, fmt.Errorf("load the typeface: %w", err)
	}
	x, y := p.x, p.y
	c := chart.Chart{
		Width: p.Width, Height: p.Height, Font: f, Series: p.series,
		XAxis: chart.XAxis{Style: chart.Hidden(), Range: &x},
		YAxis: chart.YAxis{Style: chart.Hidden(), Range: &y}, YAxisSecondary: chart.HideYAxis(),
		Background: chart.Style{
			Padding: p.box, FillColor: colour(Ground), StrokeColor: colour(Ground), StrokeWidth: 1,
		},
		Canvas: chart.Style{FillColor: colour(Ground), StrokeColor: colour(Ground), StrokeWidth: 1},
	}
	var b bytes.Buffer
	if err := c.Render(provider, &b); err != nil {
		return nil, fmt.Errorf("draw %s: %w", p.Name, err)
	}
	return b.Bytes(), nil
}

// vector is go-chart's SVG renderer with escaped texts, a title, and presentation attributes.
type vector struct {
	chart.Renderer
	picture Picture
}

// Text writes body, escaped.
func (v *vector) Text(body string, x, y int) { v.Renderer.Text(html.EscapeString(body), x, y) }

var (
	styleAttribute = regexp.MustCompile(`style="([^"]*)"`)
	emptyPath      = regexp.MustCompile(`<path +d="" [^>]*/>`) // go-chart leaves one behind each circle
	rgba           = regexp.MustCompile(`^rgba\((\d+),(\d+),(\d+),([\d.]+)\)$`)
)

// Save writes the SVG with its title and without style attributes.
func (v *vector) Save(w io.Writer) error {
	var b bytes.Buffer
	if err := v.Renderer.Save(&b); err != nil {
		return err
	}
	open, rest, _ := strings.Cut(b.String(), ">")
	p, name := v.picture, html.EscapeString(v.picture.Name)
	_, err := fmt.Fprintf(w, `%s width="%d" height="%d" role="img" aria-labelledby="%s-title %[4]s-desc">`+
		`<title id="%[4]s-title">%[5]s</title><desc id="%[4]s-desc">%[6]s</desc>%[7]s%[8]s`,
		open, p.Width, p.Height, name, html.EscapeString(p.Title), html.EscapeString(p.Description), darkStyle(),
		styleAttribute.ReplaceAllStringFunc(emptyPath.ReplaceAllString(rest, ""), presentation))
	return err
}

// presentation turns style="stroke:rgba(1,2,3,1.0);…" into stroke="#010203" ….
func presentation(attribute string) string {
	var out []string
	for declaration := range strings.SplitSeq(styleAttribute.FindStringSubmatch(attribute)[1], ";") {
		name, value, _ := strings.Cut(declaration, ":")
		if name == "font-family" {
			value = "sans-serif"
		}
		if m := rgba.FindStringSubmatch(value); m != nil {
			var part [3]int
			for i := range part {
				part[i], _ = strconv.Atoi(m[i+1])
			}
			value = fmt.Sprintf("#%02X%02X%02X", part[0], part[1], part[2])
			if alpha, _ := strconv.ParseFloat(m[4], 64); alpha < 1 {
				out = append(out, fmt.Sprintf(`%s-opacity="%.2f"`, name, alpha))
			}
		}
		out = append(out, fmt.Sprintf(`%s="%s"`, name, value))
	}
	return strings.Join(out, " ")
}

// scaled draws with several device pixels per unit of length, so that the same drawing is sharp on fine screens.
type scaled struct {
	chart.Renderer
	by int
}

// MoveTo and the methods below are go-chart's, in CSS pixels.
func (s *scaled) MoveTo(x, y int) { s.Renderer.MoveTo(x*s.by, y*s.by) }

// LineTo draws on to x, y.
func (s *scaled) LineTo(x, y int) { s.Renderer.LineTo(x*s.by, y*s.by) }

// SetStrokeWidth sets the width of lines.
func (s *scaled) SetStrokeWidth(w float64) { s.Renderer.SetStrokeWidth(w * float64(s.by)) }

// SetFontSize sets the size of letters.
func (s *scaled) SetFontSize(size float64) { s.Renderer.SetFontSize(size * float64(s.by)) }

// Text writes body.
func (s *scaled) Text(body string, x, y int) { s.Renderer.Text(body, x*s.by, y*s.by) }

// Circle goes round by an arc: the four curves of go-chart's raster circle come out square at the shoulders.
func (s *scaled) Circle(radius float64, x, y int) {
	radius *= float64(s.by)
	s.Renderer.MoveTo(x*s.by+int(radius), y*s.by)
	s.ArcTo(x*s.by, y*s.by, radius, radius, 0, 2*math.Pi)
	s.Close()
}

// SetStrokeDashArray sets the lengths of dashes and gaps.
func (s *scaled) SetStrokeDashArray(dashes []float64) {
	wide := make([]float64, len(dashes))
	for i, d := range dashes {
		wide[i] = d * float64(s.by)
	}
	s.Renderer.SetStrokeDashArray(wide)
}

// MeasureText rounds up, so that what is measured always fits.
func (s *scaled) MeasureText(body string) chart.Box {
	b := s.Renderer.MeasureText(body)
	return chart.Box{Right: (b.Width() + s.by - 1) / s.by, Bottom: (b.Height() + s.by - 1) / s.by}
}

// drawn is a go-chart series that draws by itself, in pixels of the plot.
type drawn func(p pen, box chart.Box, x, y chart.Range)

// GetName and the methods below make it a chart.Series.
func (drawn) GetName() string { return "" }

// GetYAxis is the one axis there is.
func (drawn) GetYAxis() chart.YAxisType { return chart.YAxisPrimary }

// GetStyle is empty: a drawing sets its own.
func (drawn) GetStyle() chart.Style { return chart.Style{} }

// Validate has nothing to object.
func (drawn) Validate() error { return nil }

// Render draws.
func (d drawn) Render(r chart.Renderer, box chart.Box, x, y chart.Range, defaults chart.Style) {
	d(pen{r, defaults}, box, x, y)
}

func colour(hex string) drawing.Color { return drawing.ColorFromHex(strings.TrimPrefix(hex, "#")) }

func faded(hex string, alpha float64) drawing.Color { return colour(hex).WithAlpha(uint8(alpha * 255)) }
