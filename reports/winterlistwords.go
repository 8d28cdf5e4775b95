package reports

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"rimeyard/internal/fleet"
)

// headline says the news: "12 units to swap before the frost, 3 new since last week".
func headline(units []fleet.Forecast, c changes) string {
	down, swap := 0, 0
	for _, f := range units {
		switch f.Band {
		case fleet.Down:
			down++
		case fleet.Swap:
			swap++
		default: // asks for nothing now
		}
	}
	var news []string
	switch {
	case down > 0 && swap > 0:
		news = append(news, Count(down, "unit")+" down", fmt.Sprintf("%d to swap before the frost", swap))
	case down > 0:
		news = append(news, Count(down, "unit")+" down")
	case swap > 0:
		news = append(news, Count(swap, "unit")+" to swap before the frost")
	default:
		news = append(news, "no unit to swap before the frost")
	}
	switch {
	case c.since == "":
	case len(c.arrived) > 0:
		news = append(news, fmt.Sprintf("%d new since %s", len(c.arrived), c.spoken))
	case len(c.left) > 0:
		news = append(news, fmt.Sprintf("%d fewer since %s", len(c.left), c.spoken))
	case len(c.moved) > 0:
		news = append(news, fmt.Sprintf("%d moved since %s", len(c.moved), c.spoken))
	default:
		news = append(news, "unchanged since "+c.spoken)
	}
	return strings.Join(news, ", ")
}

const mostFirst = 6 // units that are named on top of a letter

// first names what does not start now and what is to be swapped soonest: who reads no further knows what to do. What was put right since
// the list is not among it.
func (d WinterListData) first(units []fleet.Forecast) (lines []string) {
	named := func(f fleet.Forecast) string {
		if d.Depot != "" {
			return oneLine(string(f.Unit))
		}
		return oneLine(fmt.Sprintf("%s at %s", f.Unit, f.Depot))
	}
	var down []string
	var swaps []fleet.Forecast
	for _, f := range units {
		switch {
		case !d.asksNow(f):
		case f.Band == fleet.Down:
			down = append(down, named(f))
		case f.Band == fleet.Swap && f.SwapBy.IsKnown():
			swaps = append(swaps, f)
		}
	}
	if len(down) > 0 {
		line := strings.Join(down[:min(mostFirst, len(down))], ", ")
		if rest := len(down) - mostFirst; rest > 0 {
			line += fmt.Sprintf(" and %d more", rest)
		}
		lines = append(lines, "Down now: "+line+".")
	}
	slices.SortStableFunc(swaps, func(a, b fleet.Forecast) int { return cmp.Compare(a.SwapBy.Or(0), b.SwapBy.Or(0)) })
	line := ""
	for i, f := range swaps[:min(mostFirst, len(swaps))] {
		switch {
		case i == 0:
		case f.SwapBy == swaps[i-1].SwapBy:
			line += ", "
		default:
			line += fmt.Sprintf(" by %s; ", DayMonth(swaps[i-1].SwapBy.Or(0), d.Today))
		}
		line += named(f)
	}
	if line == "" {
		return lines
	}
	line += " by " + DayMonth(swaps[min(mostFirst, len(swaps))-1].SwapBy.Or(0), d.Today)
	if rest := len(swaps) - mostFirst; rest > 0 {
		line += fmt.Sprintf("; then %d more", rest)
	}
	return append(lines, "To swap first: "+line+".")
}

func more(units []fleet.Forecast, top int) string {
	if len(units) <= top {
		return ""
	}
	hidden := 0
	for _, f := range units[top:] {
		if urgent(f.Band) {
			hidden++
		}
	}
	s := Count(len(units)-top, "more unit") + " not shown"
	if hidden > 0 {
		s += fmt.Sprintf(", %d of them down or to swap", hidden)
	}
	return s
}

func moneyWords(units []fleet.Forecast) []string {
	var loss, urgentLoss, cost fleet.Money
	known, listed, uncosted := 0, 0, 0
	for _, f := range units {
		m, ok := f.ExpectedLoss.Get()
		if ok {
			loss += m
			known++
		}
		if urgent(f.Band) {
			urgentLoss += m
			cost += f.SwapCost.Or(0)
			listed++
			if !f.SwapCost.IsKnown() {
				uncosted++
			}
		}
	}
	words := []string{fmt.Sprintf("Expected loss this season if nothing is done: %s.", Money(loss))}
	if listed > 0 {
		s := fmt.Sprintf("Of that, %s falls on the %s down or to swap; putting them right costs %s", Money(urgentLoss), Count(listed, "unit"), Money(cost))
		if uncosted > 0 {
			s += fmt.Sprintf(" and what %s of unknown cost will take", Count(uncosted, "unit"))
		}
		words = append(words, s+".")
	}
	if unknown := len(units) - known; unknown > 0 {
		words = append(words, Count(unknown, "unit")+" with an unknown loss not counted.")
	}
	return words
}

// median of the middle two where there is no middle one; false for no values.
func median(v []float64) (float64, bool) {
	if len(v) == 0 {
		return 0, false
	}
	v = slices.Sorted(slices.Values(v))
	return (v[(len(v)-1)/2] + v[len(v)/2]) / 2, true
}
