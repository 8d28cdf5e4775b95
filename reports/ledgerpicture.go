package reports

import (
	"fmt"

	"rimeyard/internal/fleet"
	"rimeyard/ledger"

	chart "github.com/wcharczuk/go-chart/v2"
)

// BudgetLines are the lines of one cost centre by month and the line of all months, or the fleet's where whole.
func BudgetLines(b ledger.Budget, centre string, whole bool) (months []ledger.BudgetLine, all ledger.BudgetLine) {
	from := b.Total
	if !whole {
		from = b.Lines
	}
	for _, l := range from {
		switch {
		case !whole && l.CostCentre != centre:
		case l.Month.IsKnown():
			months = append(months, l)
		default:
			all = l
		}
	}
	return months, all
}

// BudgetMonths draws what is expected to be spent month by month: certain work and what failures cost, each month with the range in which
// its spend lies in eight cases of ten.
func BudgetMonths(name string, months []ledger.BudgetLine, currency ledger.Currency, width int) (Picture, error) {
	if len(months) == 0 {
		return Picture{}, fmt.Errorf("budget by month: %w", ErrNothingToDraw)
	}
	highest, dearest := fleet.Money(0), months[0]
	for _, l := range months {
		highest = max(highest, l.P90, l.Expected)
		if l.Expected > dearest.Expected {
			dearest = l
		}
	}
	yt := evenTicks(0, max(1, highest.Amount()), 6)
	p := Picture{
		Name: name, Title: "Expected spend by month, in " + string(currency), Width: width, Height: width/2 + 60, Figures: budgetFigures(months, currency),
		Description: fmt.Sprintf("From %s to %s. Most is expected in %s: %s, in eight cases of ten between %s and %s.", monthOf(months[0]), monthOf(months[len(months)-1]),
			monthOf(dearest), Money(dearest.Expected), Money(dearest.P10), Money(dearest.P90)),
		x: chart.ContinuousRange{Min: 0, Max: float64(len(months))}, y: rangeOf(yt), box: chart.Box{Left: 76, Right: 12, Top: 46, Bottom: 34, IsSet: true},
	}
	p.series = []chart.Series{drawn(func(pn pen, box chart.Box, x, y chart.Range) {
		level := func(m float64) int { return box.Bottom - y.Translate(m) }
		for _, t := range yt {
			pn.line(box.Left, level(t), box.Right, level(t), colour(Hairline), 1)
			pn.right(grouped(fmt.Sprintf("%.0f", t)), box.Left-6, level(t), QuietInk)
		}
		for i, l := range months {
			left, right := box.Left+x.Translate(float64(i)+0.18), box.Left+x.Translate(float64(i)+0.82)
			planned, expected := level(l.Planned.Amount()), level(l.Expected.Amount())
			pn.rect(left, expected, right, box.Bottom, colour(Frost), colour(Ink))
			pn.rect(left, planned, right, box.Bottom, colour(Steel), colour(Ink))
			middle := (left + right) / 2
			low, high := level(l.P10.Amount()), level(l.P90.Amount())
			pn.line(middle, low, middle, high, colour(Warm), 2)
			pn.line(middle-4, low, middle+4, low, colour(Warm), 2)
			pn.line(middle-4, high, middle+4, high, colour(Warm), 2)
			if every := (len(months)*34 + box.Width() - 1) / box.Width(); i%max(1, every) == 0 {
				month, _ := l.Month.Get()
				_, m, _ := month.First().YMD()
				pn.middle(m.String()[:3], middle, box.Bottom+14)
			}
		}
		pn.rect(8, 8, 20, 18, colour(Steel), colour(Ink))
		pn.left("planned work", 26, 13, smallText, QuietInk)
		pn.rect(130, 8, 142, 18, colour(Frost), colour(Ink))
		pn.left("failures expected", 148, 13, smallText, QuietInk)
		pn.line(8, 31, 20, 31, colour(Warm), 2)
		pn.left(pn.fit("eight cases of ten lie within this range", smallText, width-36), 26, 31, smallText, QuietInk)
	})}
	return p, nil
}

func monthOf(l ledger.BudgetLine) string {
	month, _ := l.Month.Get()
	return MonthWords(month)
}

func budgetFigures(months []ledger.BudgetLine, currency ledger.Currency) *Figures {
	within := FigureGroup{Name: "eight cases of ten", Kind: FigureBand}
	expected, planned := FigureGroup{Name: "expected", Kind: FigureLine}, FigureGroup{Name: "of it planned work", Kind: FigureLine, Broken: true}
	for i, l := range months {
		x, said := float64(i), monthOf(l)
		within.X, within.Low, within.High, within.Says = append(within.X, x), append(within.Low, l.P10.Amount()), append(within.High, l.P90.Amount()), append(within.Says, said)
		expected.add(x, l.Expected.Amount())
		planned.add(x, l.Planned.Amount())
		expected.Says, planned.Says = append(expected.Says, said), append(planned.Says, said)
	}
	return &Figures{
		Title: "expected spend by month", X: Scale{Name: "months from now"}, Y: Scale{Name: "spend", Unit: string(currency), Decimals: 2},
		Series: []FigureGroup{within, expected, planned},
	}
}
