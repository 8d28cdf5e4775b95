package reports

import (
	"fmt"
	"math"

	"rimeyard/internal/fleet"

	chart "github.com/wcharczuk/go-chart/v2"
)

// VoltsAt is system volts at an air temperature.
type VoltsAt struct {
	TemperatureC float64
	V            float64
}

// CrankingData is one unit's cranks and what was fitted to them. Lines are in order of temperature; YearAgo may be empty.
type CrankingData struct {
	Unit    fleet.UnitID
	Reading string // what the volts are: "lowest volts while cranking", "mean volts while cranking"
	Cranks  []VoltsAt
	When    []string // of each crank, in words; may be empty
	Now     []VoltsAt
	YearAgo []VoltsAt
}

// Cranking draws one unit's cranking voltage against temperature: its cranks as points, the fit now as a whole line and
// the fit of a year ago as a broken one.
func Cranking(name string, d CrankingData, width int) (Picture, error) {
	all := append(append(append([]VoltsAt{}, d.Cranks...), d.Now...), d.YearAgo...)
	if len(all) == 0 {
		return Picture{}, fmt.Errorf("cranking voltage of unit %s: %w", d.Unit, ErrNothingToDraw)
	}
	loT, hiT, loV, hiV := math.Inf(1), math.Inf(-1), math.Inf(1), math.Inf(-1)
	for _, q := range all {
		loT, hiT = min(loT, q.TemperatureC), max(hiT, q.TemperatureC)
		loV, hiV = min(loV, q.V), max(hiV, q.V)
	}
	xt, yt := evenTicks(loT, hiT, width/60), evenTicks(loV, hiV, 7)
	unit := oneLine(string(d.Unit))
	p := Picture{
		Name: name, Title: fmt.Sprintf("Unit %s: %s against temperature", unit, d.Reading),
		Description: crankingWords(d), Figures: d.figures(), Width: width, Height: width*5/9 + 60, x: rangeOf(xt), y: rangeOf(yt),
		box: chart.Box{Left: 54, Right: 78, Top: 30, Bottom: 46, IsSet: true},
	}
	frame := drawn(func(pn pen, box chart.Box, x, y chart.Range) {
		for _, t := range xt {
			at := box.Left + x.Translate(t)
			pn.line(at, box.Top, at, box.Bottom, colour(Hairline), 1)
			pn.middle(ticked(t, xt[1]-xt[0]), at, box.Bottom+12)
		}
		for _, v := range yt {
			at := box.Bottom - y.Translate(v)
			pn.line(box.Left, at, box.Right, at, colour(Hairline), 1)
			pn.right(ticked(v, yt[1]-yt[0])+" V", box.Left-6, at, QuietInk)
		}
		pn.left(pn.fit(d.Reading, smallText, width-16), 8, 14, smallText, QuietInk)
		pn.middle("air temperature, °C", (box.Left+box.Right)/2, box.Bottom+30)
	})
	p.series = []chart.Series{frame}
	if len(d.Cranks) > 0 {
		points := seriesOf(d.Cranks)
		points.Style = chart.Style{StrokeWidth: chart.Disabled, DotWidth: 2, DotColor: faded(LookOf(fleet.Watch).Fill, 0.8)}
		p.series = append(p.series, points)
	}
	if len(d.YearAgo) > 1 {
		then := seriesOf(d.YearAgo)
		then.Style = chart.Style{StrokeWidth: 2, StrokeColor: colour(QuietInk), StrokeDashArray: []float64{6, 4}}
		p.series = append(p.series, then)
	}
	if len(d.Now) > 1 {
		now := seriesOf(d.Now)
		now.Style = chart.Style{StrokeWidth: 3, StrokeColor: colour(Steel)}
		p.series = append(p.series, now)
	}
	p.series = append(p.series, drawn(func(pn pen, box chart.Box, _, y chart.Range) { pn.lineNames(d, box, y) }))
	return p, nil
}

// figures are the same for a closer look.
func (d CrankingData) figures() *Figures {
	f := &Figures{
		Title: d.Reading + " against air temperature",
		X:     Scale{Name: "air temperature", Unit: "°C", Decimals: 1}, Y: Scale{Name: d.Reading, Unit: "V", Decimals: 2},
	}
	for _, g := range []struct {
		FigureGroup
		values []VoltsAt
	}{
		{FigureGroup{Name: "crank", Kind: FigurePoints, Mark: "disc", Says: d.When}, d.Cranks},
		{FigureGroup{Name: "fit a year ago", Kind: FigureLine, Broken: true}, d.YearAgo},
		{FigureGroup{Name: "fit now", Kind: FigureLine}, d.Now},
	} {
		for _, v := range g.values {
			g.add(v.TemperatureC, v.V)
		}
		if len(g.values) > 0 {
			f.Series = append(f.Series, g.FigureGroup)
		}
	}
	return f
}

// lineNames writes beside each line's warm end what it is, moved apart where the lines meet.
func (p pen) lineNames(d CrankingData, box chart.Box, y chart.Range) {
	const apart = 15
	end := func(line []VoltsAt) int { return box.Bottom - y.Translate(line[len(line)-1].V) }
	now, then := len(d.Now) > 1, len(d.YearAgo) > 1
	nowAt, thenAt := 0, 0
	if now {
		nowAt = end(d.Now)
	}
	if then {
		thenAt = end(d.YearAgo)
	}
	if now && then && max(nowAt-thenAt, thenAt-nowAt) < apart {
		thenAt = nowAt - apart
	}
	if now {
		p.left("fit now", box.Right+6, nowAt, smallText, Steel)
	}
	if then {
		p.left("a year ago", box.Right+6, thenAt, smallText, QuietInk)
	}
}

func crankingWords(d CrankingData) string {
	s := fmt.Sprintf("%s.", Count(len(d.Cranks), "crank"))
	if len(d.Now) > 1 {
		cold := d.Now[0]
		s += fmt.Sprintf(" The fit now gives %s V at %s", decimal(cold.V), Degrees(cold.TemperatureC))
		if v, ok := valueAt(d.YearAgo, cold.TemperatureC); ok {
			s += fmt.Sprintf("; a year ago it gave %s V", decimal(v))
		}
		s += "."
	}
	return s
}

// valueAt interpolates a line between its points and says whether it reaches c.
func valueAt(line []VoltsAt, c float64) (float64, bool) {
	for i := 1; i < len(line); i++ {
		a, b := line[i-1], line[i]
		if a.TemperatureC <= c && c <= b.TemperatureC && a.TemperatureC < b.TemperatureC {
			return a.V + (b.V-a.V)*(c-a.TemperatureC)/(b.TemperatureC-a.TemperatureC), true
		}
	}
	return 0, false
}

func seriesOf(points []VoltsAt) chart.ContinuousSeries {
	var s chart.ContinuousSeries
	for _, q := range points {
		s.XValues = append(s.XValues, q.TemperatureC)
		s.YValues = append(s.YValues, q.V)
	}
	return s
}
