package reports

import (
	"fmt"
	"strings"

	"rimeyard/alerts"
	"rimeyard/internal/fleet"

	chart "github.com/wcharczuk/go-chart/v2"
)

// dots is a drawing of shares: rows with one mark per key, each with its interval, on a scale from 0 to 100 per cent. Marks differ
// by shape and height, not by colour alone.
type dots struct {
	keys []string // what the marks are, in the order of dotRow.marks
	rows []dotRow
}

type dotRow struct {
	name  string
	note  string // at the right
	marks []dotMark
}

type dotMark struct {
	at   fleet.Opt[float64] // 0 to 1; unknown: not drawn
	span fleet.Opt[alerts.Span]
}

const (
	dotRowHeight = 46
	dotApart     = 11 // between the marks of a row
	dotKeyHeight = 17
)

func (d dots) picture(p Picture) Picture {
	p.Figures = d.figures(p.Title)
	head, foot := 14+dotKeyHeight*len(d.keys), 30
	p.Height = head + dotRowHeight*len(d.rows) + foot
	p.x, p.y = chart.ContinuousRange{Min: 0, Max: 1}, chart.ContinuousRange{Min: 0, Max: 1}
	names := min(p.Width*34/100, 210)
	p.box = chart.Box{Left: names, Right: 74, Top: head, Bottom: foot, IsSet: true}
	p.series = []chart.Series{drawn(func(pn pen, box chart.Box, x, _ chart.Range) {
		at := func(v float64) int { return box.Left + x.Translate(v) }
		for i, key := range d.keys {
			y := 14 + dotKeyHeight*i
			pn.dot(i, 14, y)
			pn.left(pn.fit(key, smallText, p.Width-34), 26, y, smallText, Ink)
		}
		for percent := 0; percent <= 100; percent += 25 {
			v := float64(percent) / 100
			pn.line(at(v), box.Top, at(v), box.Bottom, colour(Hairline), 1)
			pn.middle(fmt.Sprintf("%d%%", percent), at(v), box.Bottom+13)
		}
		for i, row := range d.rows {
			y := box.Top + dotRowHeight*i + dotRowHeight/2
			for line, words := range pn.twoLines(row.name, bodyText, names-14) {
				pn.left(words, 8, y+16*line, bodyText, Ink)
			}
			pn.left(row.note, box.Right+8, y, smallText, QuietInk)
			for k, m := range row.marks {
				level := y + dotApart*k - dotApart*(len(row.marks)-1)/2
				if s, known := m.span.Get(); known {
					pn.line(at(s.Low), level, at(s.High), level, colour(QuietInk), 2)
				}
				if v, known := m.at.Get(); known {
					pn.dot(k, at(v), level)
				}
			}
		}
	})}
	return p
}

// figures are the same for a closer look, in per cent; the marks of a row lie a little apart.
func (d dots) figures(title string) *Figures {
	f := &Figures{Title: title, X: Scale{Unit: "%", Decimals: 1, Ends: []float64{0, 100}}}
	for _, row := range d.rows {
		f.Y.Rows = append(f.Y.Rows, row.name)
	}
	for k, key := range d.keys {
		g := FigureGroup{Name: key, Kind: FigurePoints, Mark: []string{"disc", "ring", "diamond"}[k]}
		for i, row := range d.rows {
			at, known := row.marks[k].at.Get()
			if !known {
				continue
			}
			span := row.marks[k].span.Or(alerts.Span{Low: at, High: at})
			g.add(100*at, float64(i)+float64(dotApart)/dotRowHeight*(float64(k)-float64(len(d.keys)-1)/2))
			g.Low, g.High = append(g.Low, 100*span.Low), append(g.High, 100*span.High)
		}
		f.Series = append(f.Series, g)
	}
	return f
}

// twoLines breaks s between words where it is too long for one line; what is too long even so is shortened.
func (p pen) twoLines(s string, size float64, room int) []string {
	words := strings.Fields(s)
	for n := len(words); n > 1; n-- {
		if first := strings.Join(words[:n], " "); p.width(first, size) <= room {
			if n == len(words) {
				return []string{first}
			}
			return []string{first, p.fit(strings.Join(words[n:], " "), size, room)}
		}
	}
	return []string{p.fit(s, size, room)}
}

// dot draws the mark of the key of that number: a disc, a ring, a diamond.
func (p pen) dot(key, x, y int) {
	switch key {
	case 0:
		p.disc(x, y, 5, colour(Steel), colour(Ink))
	case 1:
		p.disc(x, y, 4, colour(Ground), colour(Ink))
	default:
		p.filled(colour(Frost), colour(Ink), [2]int{x, y - 6}, [2]int{x + 6, y}, [2]int{x, y + 6}, [2]int{x - 6, y})
	}
}

// AuditBands draws for each band which share of its units failed, with its 95 % interval, and which was expected: as the list said,
// and with the nights that came.
func AuditBands(name string, r alerts.AuditResult, width int) (Picture, error) {
	if len(r.Bands) == 0 {
		return Picture{}, fmt.Errorf("audit by band: %w", ErrNothingToDraw)
	}
	d := dots{keys: []string{"failed, with its 95 % interval", "expected by the list", "expected with the nights that came"}}
	words := ""
	for _, g := range r.Bands {
		n := float64(g.Units)
		row := dotRow{g.Name, fmt.Sprintf("%d of %d", g.Failed, g.Units), []dotMark{
			{fleet.Known(float64(g.Failed) / n), fleet.Known(alerts.Span{Low: g.Low, High: g.High})}, {at: fleet.Known(g.MeanP)}, {},
		}}
		words += fmt.Sprintf(" %s: %d of %d failed, %s expected", g.Name, g.Failed, g.Units, decimal(g.Expected))
		if with, known := g.ExpectedNights.Get(); known {
			row.marks[2].at = fleet.Known(with / n)
			words += fmt.Sprintf(", %s with the nights that came", decimal(with))
		}
		words += "."
		d.rows = append(d.rows, row)
	}
	return d.picture(Picture{
		Name: name, Title: "Expected and failed by band, " + SeasonTitle(r.Season), Width: width,
		Description: "Share of each band's units." + words,
	}), nil
}

// AuditOrders draws how well this list and the rules of thumb put those first that failed.
func AuditOrders(name string, r alerts.AuditResult, width int) (Picture, error) {
	if !r.Forecast.AUC.IsKnown() {
		return Picture{}, fmt.Errorf("audit by order: %w", ErrNothingToDraw)
	}
	d := dots{keys: []string{"pairs in the right order, with 95 % interval", "of the top units, failed, with 95 % interval"}}
	words := ""
	for _, k := range append([]alerts.Ranking{r.Forecast}, r.Rules...) {
		auc, precision := k.AUC.Or(0), k.Precision.Or(0)
		d.rows = append(d.rows, dotRow{orderName(k.Rule), fmt.Sprintf("%.0f, %.0f%%", 100*auc, 100*precision), []dotMark{{k.AUC, k.AUCInterval}, {k.Precision, k.PrecisionInterval}}})
		words += fmt.Sprintf(" By %s: %.0f and %.0f.", orderName(k.Rule), 100*auc, 100*precision)
	}
	return d.picture(Picture{
		Name: name, Title: "This list and the rules of thumb, " + SeasonTitle(r.Season), Width: width,
		Description: "Pairs of a unit that failed and one that held, of 100, in the right order; and of as many top units as failed, the per cent that did." + words,
	}), nil
}
