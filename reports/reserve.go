package reports

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"rimeyard/internal/fleet"

	chart "github.com/wcharczuk/go-chart/v2"
)

// ReserveBar is one unit's reserve: the design night's low minus the cold limit, so negative where the unit is weaker
// than the night is cold.
type ReserveBar struct {
	Unit     fleet.UnitID
	Band     fleet.Band
	ReserveC float64 // degrees
}

// Reserve draws the units' reserves as bars, worst first, at most `most` of them; the rest is counted in words.
func Reserve(name string, bars []ReserveBar, most, width int) (Picture, error) {
	if len(bars) == 0 {
		return Picture{}, fmt.Errorf("bars of reserve: %w", ErrNothingToDraw)
	}
	bars = slices.Clone(bars)
	slices.SortStableFunc(bars, func(a, b ReserveBar) int {
		return cmp.Or(cmp.Compare(a.ReserveC, b.ReserveC), cmp.Compare(a.Unit, b.Unit))
	})
	all := len(bars)
	short := 0
	lo, hi := 0.0, 0.0
	for _, b := range bars {
		if b.ReserveC < 0 {
			short++
		}
	}
	bars = bars[:min(most, all)]
	for _, b := range bars {
		lo, hi = min(lo, b.ReserveC), max(hi, b.ReserveC)
	}
	const row, head, foot = 22, 26, 44
	ticks := evenTicks(math.Min(lo, -1), math.Max(hi, 1), width/70)
	p := Picture{
		Name: name, Title: "Reserve on the design night, worst first", Width: width, Height: head + row*len(bars) + foot,
		Description: fmt.Sprintf("Short of the design night's low: %d of %s. The worst is %s, with %s.",
			short, Count(all, "unit"), oneLine(string(bars[0].Unit)), Margin(bars[0].ReserveC)),
		x: rangeOf(ticks), y: chart.ContinuousRange{Min: 0, Max: float64(len(bars))},
	}
	names := min(width/4, 130)
	p.box = chart.Box{Left: names + 26, Right: 46, Top: head, Bottom: foot, IsSet: true}
	p.series = []chart.Series{drawn(func(pn pen, box chart.Box, x, _ chart.Range) {
		at := func(v float64) int { return box.Left + x.Translate(v) }
		for _, t := range ticks {
			pn.line(at(t), box.Top, at(t), box.Bottom, colour(Hairline), 1)
			pn.middle(ticked(t, ticks[1]-ticks[0])+"°", at(t), box.Bottom+12)
		}
		for i, b := range bars {
			pn.reserveBar(b, box, at, box.Top+row*i+row/2)
		}
		pn.line(at(0), box.Top, at(0), box.Bottom, colour(Ink), 1)
		pn.right("falls short", at(0)-6, box.Top-12, Warm)
		pn.left("to spare", at(0)+6, box.Top-12, smallText, QuietInk)
		caption := "degrees to spare on the design night"
		if all > len(bars) {
			caption = fmt.Sprintf("%s; %s not shown", caption, Count(all-len(bars), "better unit"))
		}
		pn.right(pn.fit(caption, smallText, width-12), width-8, box.Bottom+30, QuietInk)
	})}
	return p, nil
}

func (p pen) reserveBar(b ReserveBar, box chart.Box, at func(float64) int, y int) {
	l := LookOf(b.Band)
	p.mark(b.Band, 14, y)
	p.left(p.fit(string(b.Unit), bodyText, box.Left-34), 26, y, bodyText, Ink)
	p.rect(min(at(0), at(b.ReserveC)), y-6, max(at(0), at(b.ReserveC)), y+6, colour(l.Fill), colour(l.Edge))
	if b.ReserveC < 0 { // on the empty side of zero, where the bar cannot reach
		p.left(Margin(b.ReserveC), at(0)+6, y, smallText, Warm)
		return
	}
	p.left(Margin(b.ReserveC), at(b.ReserveC)+6, y, smallText, QuietInk)
}
