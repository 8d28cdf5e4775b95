package reports

import (
	"fmt"
	"math"

	"rimeyard/alerts"
	"rimeyard/internal/fleet"

	chart "github.com/wcharczuk/go-chart/v2"
)

// SeasonData is one unit's cold limit week by week, if nothing is done, and what past winters asked.
type SeasonData struct {
	Unit  fleet.UnitID
	Weeks []alerts.WeekAhead
}

// Season draws the cold limit with its interval through the weeks to come, over the coldest nights of the same weeks in past winters: where
// the two meet, the unit will stay put.
func Season(name string, d SeasonData, width int) (Picture, error) {
	if len(d.Weeks) < 2 {
		return Picture{}, fmt.Errorf("season of unit %s: %w", d.Unit, ErrNothingToDraw)
	}
	lo, hi := math.Inf(1), math.Inf(-1)
	for _, w := range d.Weeks {
		lo, hi = min(lo, w.ColdLimitP10C, w.ColdestC.Or(w.ColdLimitP10C)), max(hi, w.ColdLimitP90C, w.MildestC.Or(w.ColdLimitP90C))
	}
	yt := evenTicks(lo, hi, 7)
	p := Picture{
		Name: name, Title: fmt.Sprintf("Unit %s: the cold limit, week by week, against past winters", oneLine(string(d.Unit))),
		Description: d.words(), Figures: d.figures(), Width: width, Height: width/2 + 70,
		x: chart.ContinuousRange{Min: 0, Max: float64(len(d.Weeks) - 1)}, y: rangeOf(yt),
		box: chart.Box{Left: 50, Right: 20, Top: 46, Bottom: 34, IsSet: true},
	}
	p.series = []chart.Series{drawn(func(pn pen, box chart.Box, x, y chart.Range) {
		at := func(week int, c float64) [2]int {
			return [2]int{box.Left + x.Translate(float64(week)), box.Bottom - y.Translate(c)}
		}
		for _, t := range yt {
			level := at(0, t)[1]
			pn.line(box.Left, level, box.Right, level, colour(Hairline), 1)
			pn.right(ticked(t, yt[1]-yt[0])+"°", box.Left-6, level, QuietInk)
		}
		pn.months(d.Weeks, box, at)
		pn.winters(d.Weeks, at)
		pn.limits(d.Weeks, at)
		pn.rect(8, 9, 24, 17, colour(Frost), colour(Frost))
		pn.left(pn.fit("coldest night of the week in past winters, coldest to mildest; the middle one broken", smallText, width-36), 30, 13, smallText, QuietInk)
		pn.line(8, 31, 24, 31, colour(Warm), 3)
		pn.left(pn.fit("cold limit, with four cases of five", smallText, width-36), 30, 31, smallText, QuietInk)
	})}
	return p, nil
}

// months names each month where its first week begins.
func (p pen) months(weeks []alerts.WeekAhead, box chart.Box, at func(int, float64) [2]int) {
	last := -1
	for i, w := range weeks {
		_, m, _ := w.Monday.YMD()
		if int(m) == last {
			continue
		}
		last = int(m)
		x := at(i, 0)[0]
		p.line(x, box.Bottom, x, box.Bottom+4, colour(QuietInk), 1)
		if x < box.Right-20 {
			p.left(m.String()[:3], x+2, box.Bottom+14, smallText, QuietInk)
		}
	}
}

// winters fills between the coldest and the mildest of past winters, and draws the middle one.
func (p pen) winters(weeks []alerts.WeekAhead, at func(int, float64) [2]int) {
	var upper, lower [][2]int
	from := -1
	for i, w := range weeks {
		middle, known := w.MiddleC.Get()
		if !known {
			continue
		}
		upper = append(upper, at(i, w.MildestC.Or(middle)))
		lower = append([][2]int{at(i, w.ColdestC.Or(middle))}, lower...)
		if from < 0 {
			from = i
		}
	}
	if len(upper) < 2 {
		return
	}
	p.filled(faded(Frost, 0.7), faded(Frost, 0.7), append(upper, lower...)...)
	for i := from + 1; i < len(weeks); i++ {
		a, okA := weeks[i-1].MiddleC.Get()
		b, okB := weeks[i].MiddleC.Get()
		if okA && okB {
			f, t := at(i-1, a), at(i, b)
			p.line(f[0], f[1], t[0], t[1], colour(Steel), 1.5, 5, 4)
		}
	}
}

// limits fills the interval and draws the limit.
func (p pen) limits(weeks []alerts.WeekAhead, at func(int, float64) [2]int) {
	var corners [][2]int
	for i, w := range weeks {
		corners = append(corners, at(i, w.ColdLimitP90C))
	}
	for i := len(weeks) - 1; i >= 0; i-- {
		corners = append(corners, at(i, weeks[i].ColdLimitP10C))
	}
	p.filled(faded(Warm, 0.22), faded(Warm, 0.35), corners...)
	for i := 1; i < len(weeks); i++ {
		f, t := at(i-1, weeks[i-1].ColdLimitC), at(i, weeks[i].ColdLimitC)
		p.line(f[0], f[1], t[0], t[1], colour(Warm), 3)
	}
}

// words say where the limit goes and in how many weeks past winters went below it.
func (d SeasonData) words() string {
	first, last := d.Weeks[0], d.Weeks[len(d.Weeks)-1]
	below, middle, judged := 0, 0, 0
	for _, w := range d.Weeks {
		if c, known := w.ColdestC.Get(); known {
			judged++
			if c < w.ColdLimitC {
				below++
			}
			if w.MiddleC.Or(c) < w.ColdLimitC {
				middle++
			}
		}
	}
	s := fmt.Sprintf("If nothing is done, the cold limit goes from %s now to %s at the season's end.", Degrees(first.ColdLimitC), Degrees(last.ColdLimitC))
	if judged > 0 {
		s += fmt.Sprintf(" Of %s to come, the coldest of past winters went below it in %d, the middle one in %d.", Count(judged, "week"), below, middle)
	}
	return s
}

func (d SeasonData) figures() *Figures {
	limit := FigureGroup{Name: "four cases of five", Kind: FigureBand}
	middle := FigureGroup{Name: "cold limit", Kind: FigureLine}
	winters := FigureGroup{Name: "past winters, coldest to mildest", Kind: FigureBand}
	typical := FigureGroup{Name: "past winters, the middle one", Kind: FigureLine, Broken: true}
	for i, w := range d.Weeks {
		x, said := float64(i), "week of "+w.Monday.String()
		limit.X, limit.Low, limit.High, limit.Says = append(limit.X, x), append(limit.Low, w.ColdLimitP10C), append(limit.High, w.ColdLimitP90C), append(limit.Says, said)
		middle.add(x, w.ColdLimitC)
		middle.Says = append(middle.Says, said)
		if c, known := w.ColdestC.Get(); known {
			winters.X, winters.Low, winters.High, winters.Says = append(winters.X, x), append(winters.Low, c), append(winters.High, w.MildestC.Or(c)), append(winters.Says, said)
			typical.add(x, w.MiddleC.Or(c))
			typical.Says = append(typical.Says, said)
		}
	}
	f := &Figures{Title: "cold limit and past winters by week", X: Scale{Name: "weeks from now", Decimals: 0}, Y: Scale{Name: "temperature", Unit: "°C", Decimals: 1}}
	if len(winters.X) > 0 {
		f.Series = append(f.Series, winters, typical)
	}
	f.Series = append(f.Series, limit, middle)
	return f
}
