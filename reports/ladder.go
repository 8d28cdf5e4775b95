package reports

import (
	"cmp"
	"fmt"
	"maps"
	"math"
	"slices"

	"rimeyard/internal/fleet"

	chart "github.com/wcharczuk/go-chart/v2"
)

// LadderUnit is one rung: the temperature below which the unit is more likely than not to stay put, and its 80 % interval.
type LadderUnit struct {
	Unit       fleet.UnitID
	Band       fleet.Band
	ColdLimitC float64
	P10C       float64
	P90C       float64
}

// LadderData is what the cold ladder shows.
type LadderData struct {
	Place       string // depot or fleet, for the title
	Units       []LadderUnit
	PastMinimaC []float64          // coldest night of each past winter
	DesignLowC  fleet.Opt[float64] // the median of those
	TonightC    fleet.Opt[float64] // tonight's forecast low
}

// Past winters are counted in bins of this many degrees.
const histogramBinC = 2

// LineC is the low that the rungs are held against: tonight's where it is known, else the design night's.
func (d LadderData) LineC() (float64, bool) {
	if c, ok := d.TonightC.Get(); ok {
		return c, true
	}
	return d.DesignLowC.Get()
}

func (d LadderData) above() int {
	low, ok := d.LineC()
	n := 0
	for _, u := range d.Units {
		if ok && u.ColdLimitC > low {
			n++
		}
	}
	return n
}

// Ladder draws the cold ladder: a temperature scale, past winters' coldest nights as a soft histogram along it, and each
// unit a rung at its cold limit with its interval. Rungs above the line at tonight's low are units that will not start.
// Only the `named` warmest rungs carry a name, so that hundreds stay readable.
func Ladder(name string, d LadderData, named, width int) (Picture, error) {
	if len(d.Units) == 0 {
		return Picture{}, fmt.Errorf("cold ladder: %w", ErrNothingToDraw)
	}
	d.Units = slices.Clone(d.Units)
	slices.SortStableFunc(d.Units, func(a, b LadderUnit) int {
		return cmp.Or(cmp.Compare(b.ColdLimitC, a.ColdLimitC), cmp.Compare(a.Unit, b.Unit))
	})
	height := max(520, width*3/4)
	ticks := evenTicks(d.extent(named))
	p := Picture{
		Name: name, Title: "Cold ladder, " + oneLine(d.Place), Description: ladderWords(d), Figures: d.figures(), Width: width, Height: height,
		x: chart.ContinuousRange{Min: 0, Max: 1}, y: rangeOf(ticks),
		box: chart.Box{Left: 58, Right: 6, Top: 34, Bottom: 50, IsSet: true},
	}
	p.series = []chart.Series{drawn(func(pn pen, box chart.Box, _, y chart.Range) {
		l := ladder{pen: pn, box: box, at: func(c float64) int {
			return min(max(box.Bottom-y.Translate(c), box.Top), box.Bottom)
		}, floorC: ticks[0]}
		l.railLeft, l.railRight = box.Left+box.Width()*27/100, box.Left+box.Width()*54/100
		l.scale(ticks)
		l.winters(d.PastMinimaC)
		l.rungs(d, named)
		l.lines(d)
	})}
	return p, nil
}

// figures puts the rungs side by side, warmest first, in groups by band; tonight's low, the design night's and the range of past winters
// go across. Units come warmest first.
func (d LadderData) figures() *Figures {
	f := &Figures{
		Title: "cold limits at " + oneLine(d.Place),
		X:     Scale{Name: "place of the unit, warmest cold limit first", Ends: []float64{0, float64(len(d.Units) + 1)}}, Y: Scale{Name: "cold limit", Unit: "°C", Decimals: 1},
	}
	across := func(name, kind string, broken bool, low, high float64) {
		g := FigureGroup{Name: name, Kind: kind, Broken: broken, X: f.X.Ends}
		if kind == FigureBand {
			g.Low, g.High = []float64{low, low}, []float64{high, high}
		} else {
			g.Y = []float64{low, low}
		}
		f.Series = append(f.Series, g)
	}
	if n := len(d.PastMinimaC); n > 0 {
		across("coldest nights of "+Count(n, "past winter"), FigureBand, false, slices.Min(d.PastMinimaC), slices.Max(d.PastMinimaC))
	}
	if c, known := d.DesignLowC.Get(); known {
		across("design night", FigureLine, true, c, c)
	}
	if c, known := d.TonightC.Get(); known {
		across("tonight's low", FigureLine, false, c, c)
	}
	for _, look := range Looks() {
		g := FigureGroup{Name: look.Word, Kind: FigurePoints, Mark: look.Named}
		for i, u := range d.Units {
			if LookOf(u.Band).Band == look.Band {
				g.add(float64(i+1), u.ColdLimitC)
				g.Low, g.High, g.Says = append(g.Low, u.P10C), append(g.High, u.P90C), append(g.Says, oneLine(string(u.Unit))+", "+look.Word)
			}
		}
		if len(g.X) > 0 {
			f.Series = append(f.Series, g)
		}
	}
	return f
}

// How far the scale reaches beyond the temperatures that matter: a rung far below any winter needs no room, and nor does
// the far end of a wide interval.
const (
	reachBelowC = 15
	reachAboveC = 4
)

// extent is the lowest and highest temperature to show and the most steps between them. Units come warmest first.
func (d LadderData) extent(named int) (lo, hi float64, most int) {
	lo, hi = math.Inf(1), math.Inf(-1)
	take := func(c float64) { lo, hi = min(lo, c), max(hi, c) }
	for _, u := range d.Units[:min(named, len(d.Units))] {
		take(u.ColdLimitC)
	}
	for _, c := range d.PastMinimaC {
		take(c)
	}
	for _, line := range []fleet.Opt[float64]{d.DesignLowC, d.TonightC} {
		if c, ok := line.Get(); ok {
			take(c)
		}
	}
	lowest, highest := d.Units[len(d.Units)-1].P10C, hi
	for _, u := range d.Units {
		lowest, highest = min(lowest, u.P10C), max(highest, u.P90C)
	}
	return max(lo-reachBelowC, min(lo, lowest)-1), min(hi+reachAboveC, highest+1), 12
}

func ladderWords(d LadderData) string {
	low, ok := d.LineC()
	if !ok {
		return fmt.Sprintf("%s. The warmest cold limit is %s, of unit %s.",
			Count(len(d.Units), "unit"), Degrees(d.Units[0].ColdLimitC), oneLine(string(d.Units[0].Unit)))
	}
	night := "the design night's low"
	if d.TonightC.IsKnown() {
		night = "tonight's low"
	}
	return fmt.Sprintf("Cold limit above %s of %s: %d of %s. The warmest is %s, of unit %s.",
		night, Degrees(low), d.above(), Count(len(d.Units), "unit"), Degrees(d.Units[0].ColdLimitC), oneLine(string(d.Units[0].Unit)))
}

// ladder is the cold ladder being drawn.
type ladder struct {
	pen
	box                 chart.Box
	at                  func(c float64) int // the height of a temperature; beyond the scale, its end
	floorC              float64             // the scale's lower end
	railLeft, railRight int
}

func (l ladder) scale(ticks []float64) {
	for _, t := range ticks {
		l.line(l.box.Left, l.at(t), l.railRight, l.at(t), colour(Hairline), 1)
		l.right(ticked(t, ticks[1]-ticks[0])+"°", l.box.Left-8, l.at(t), QuietInk)
	}
	l.line(l.box.Left, l.box.Top, l.box.Left, l.box.Bottom, colour(QuietInk), 1)
	l.left("°C", 8, 14, smallText, QuietInk)
}

// winters draws the past winters' coldest nights along the scale.
func (l ladder) winters(minimaC []float64) {
	if len(minimaC) == 0 {
		l.left("no past winters known", l.box.Left+4, l.box.Bottom+18, smallText, QuietInk)
		return
	}
	bins := map[int]int{}
	tallest := 0
	for _, c := range minimaC {
		bin := int(math.Floor(c / histogramBinC))
		bins[bin]++
		tallest = max(tallest, bins[bin])
	}
	room := l.railLeft - l.box.Left - 14
	for _, bin := range slices.Sorted(maps.Keys(bins)) {
		n := bins[bin]
		top, bottom := l.at(float64(bin+1)*histogramBinC), l.at(float64(bin)*histogramBinC)
		right := l.box.Left + room*n/tallest
		l.rect(l.box.Left+1, max(top+1, l.box.Top), right, min(bottom-1, l.box.Bottom), colour(Frost), colour(Frost))
	}
	l.left("coldest nights", l.box.Left+4, l.box.Bottom+16, smallText, QuietInk)
	l.left(Count(len(minimaC), "winter"), l.box.Left+4, l.box.Bottom+31, smallText, QuietInk)
}

func (l ladder) rungs(d LadderData, named int) {
	if low, ok := d.LineC(); ok && d.above() > 0 {
		l.rect(l.railLeft, l.box.Top, l.railRight, l.at(low), colour(WarmWash), colour(WarmWash))
	}
	crowd, below := len(d.Units) > 60, 0
	for i, u := range slices.Backward(d.Units) { // the worst on top
		if look := LookOf(u.Band); !crowd || i < named {
			l.rect(l.railLeft+4, l.at(u.P90C), l.railRight-4, l.at(u.P10C), faded(look.Fill, spreadAlpha), faded(look.Fill, 0))
		}
	}
	for i, u := range slices.Backward(d.Units) {
		if u.ColdLimitC < l.floorC {
			below++
			continue
		}
		width, alpha := 2.0, 1.0
		if crowd && i >= named {
			width, alpha = 1, crowdAlpha
		}
		l.line(l.railLeft, l.at(u.ColdLimitC), l.railRight, l.at(u.ColdLimitC), faded(LookOf(u.Band).Edge, alpha), width)
	}
	for _, rail := range []int{l.railLeft, l.railRight} {
		l.line(rail, l.box.Top, rail, l.box.Bottom, colour(Ink), 3)
	}
	l.names(d.Units[:min(named, len(d.Units))])
	middle := (l.railLeft + l.railRight) / 2
	l.middle(Count(len(d.Units), "unit"), middle, l.box.Bottom+16)
	if below > 0 {
		l.middle(fmt.Sprintf("%d below the scale", below), middle, l.box.Bottom+31)
	}
	if len(d.Units) > named {
		l.left(fmt.Sprintf("%d warmest named", named), l.railRight+14, l.box.Bottom+16, smallText, QuietInk)
	}
}

// names writes the warmest rungs' names at the right, each tied to its rung, with its interval as a whisker.
func (l ladder) names(units []LadderUnit) {
	const gap, tie = 17, 40
	wanted := make([]int, len(units))
	for i, u := range units {
		wanted[i] = l.at(u.ColdLimitC)
	}
	column := 0
	for _, u := range units {
		column = max(column, l.width(oneLine(string(u.Unit)), bodyText))
	}
	nameAt := l.railRight + tie + 11
	valueAt := min(nameAt+column+54, l.box.Right)
	for i, y := range spread(wanted, gap, l.box.Top, l.box.Bottom) {
		u := units[i]
		look := LookOf(u.Band)
		x := l.railRight + tie
		whisker := l.railRight + 6 + i%4*5
		l.line(whisker, l.at(u.P90C), whisker, l.at(u.P10C), colour(look.Edge), 1)
		l.line(l.railRight, wanted[i], l.railRight+26, wanted[i], colour(look.Edge), 1)
		l.line(l.railRight+26, wanted[i], x-8, y, colour(look.Edge), 1)
		l.mark(u.Band, x, y)
		value := decimal(u.ColdLimitC) + "°"
		l.left(l.fit(string(u.Unit), bodyText, valueAt-nameAt-4-l.width(value, smallText)), nameAt, y, bodyText, Ink)
		l.right(value, valueAt, y, QuietInk)
	}
}

// lines draws tonight's low and the design night's across scale and ladder.
func (l ladder) lines(d LadderData) {
	design, haveDesign := d.DesignLowC.Get()
	tonight, haveTonight := d.TonightC.Get()
	if haveDesign {
		l.line(l.box.Left, l.at(design), l.railRight, l.at(design), colour(Steel), 2, 2, 3)
		l.onGround("design night "+decimal(design)+"°", l.at(design)+9, Steel)
	}
	if haveTonight {
		l.line(l.box.Left, l.at(tonight), l.railRight, l.at(tonight), colour(Warm), 2, 7, 4)
		l.onGround("tonight "+decimal(tonight)+"°", l.at(tonight)-9, Warm)
	}
	if n := d.above(); n > 0 {
		l.left(Count(n, "rung")+" above the line: will not start", l.railLeft-20, 14, smallText, Warm)
	} else if haveTonight || haveDesign {
		l.left("no rung above the line", l.railLeft-20, 14, smallText, QuietInk)
	}
}

// onGround writes s beside the scale on a patch of ground, so that bars do not run through it.
func (l ladder) onGround(s string, y int, ink string) {
	w := l.width(s, smallText)
	l.rect(l.box.Left+3, y-7, l.box.Left+9+w, y+7, faded(Ground, 0.8), faded(Ground, 0))
	l.left(s, l.box.Left+6, y, smallText, ink)
}

// In a crowd of rungs only the named ones are drawn in full and with their interval, or together they black out the ladder.
const (
	spreadAlpha = 0.2
	crowdAlpha  = 0.3
)
