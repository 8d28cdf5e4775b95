package web

import (
	"cmp"
	"fmt"
	"slices"

	"rimeyard/internal/fleet"
	"rimeyard/reports"
)

// lifeRow is one event of a unit's life, and what it cost.
type lifeRow struct{ When, What, Cost string }

// yearRow is what a unit cost in one year.
type yearRow struct{ Year, Parts, Breakdowns, Total string }

type lifeEvent struct {
	on     fleet.Date
	what   string
	cost   fleet.Opt[fleet.Money]
	isDown bool
}

// lifeOf is a unit's fittings and breakdowns in one run, newest first, and their costs by year; costs that are not known are left out,
// which open says.
func lifeOf(h fleet.History, depot fleet.Depot) (rows []lifeRow, years []yearRow, open int) {
	events := lifeEvents(h, depot)
	slices.SortStableFunc(events, func(a, b lifeEvent) int { return cmp.Compare(b.on, a.on) })
	type sums struct{ parts, downs fleet.Money }
	byYear := map[int]*sums{}
	for _, e := range events {
		rows = append(rows, lifeRow{e.on.String(), e.what, moneyOrDash(e.cost)})
		year, _, _ := e.on.YMD()
		if byYear[year] == nil {
			byYear[year] = &sums{}
		}
		amount, known := e.cost.Get()
		switch {
		case !known:
			open++
		case e.isDown:
			byYear[year].downs += amount
		default:
			byYear[year].parts += amount
		}
	}
	for year, s := range byYear {
		years = append(years, yearRow{fmt.Sprint(year), reports.Money(s.parts), reports.Money(s.downs), reports.Money(s.parts + s.downs)})
	}
	slices.SortFunc(years, func(a, b yearRow) int { return cmp.Compare(b.Year, a.Year) })
	return rows, years, open
}

func lifeEvents(h fleet.History, depot fleet.Depot) (events []lifeEvent) {
	add := func(on fleet.Opt[fleet.Date], what string, cost fleet.Opt[fleet.Money]) {
		if day, known := on.Get(); known {
			events = append(events, lifeEvent{on: day, what: what, cost: cost})
		}
	}
	for _, b := range h.Batteries {
		add(b.FittedOn, fmt.Sprintf("battery %s (%s) fitted in place %d", b.Battery, b.Part, b.Position), b.Price)
		if b.RemovedOn.IsKnown() {
			add(b.RemovedOn, fmt.Sprintf("battery %s taken out%s", b.Battery, because(b.RemovedBecause)), fleet.Known(fleet.Money(0)))
		}
	}
	for _, st := range h.Starters {
		add(st.FittedOn, fmt.Sprintf("starter %s (%s) fitted", st.Starter, st.Part), st.Price)
		if st.RemovedOn.IsKnown() {
			add(st.RemovedOn, fmt.Sprintf("starter %s taken out%s", st.Starter, because(st.RemovedBecause)), fleet.Known(fleet.Money(0)))
		}
	}
	for _, d := range h.Breakdowns {
		what := "breakdown: " + string(d.Cause)
		if hours, known := d.HoursDown.Get(); known {
			what += fmt.Sprintf(", %.1f h down", hours)
		}
		events = append(events, lifeEvent{on: fleet.DateOf(d.At, depot.Zone()), what: what, cost: d.Cost, isDown: true})
	}
	return events
}

func because(r fleet.Removal) string {
	if r == "" {
		return ""
	}
	return ", " + string(r)
}

func moneyOrDash(m fleet.Opt[fleet.Money]) string {
	amount, known := m.Get()
	switch {
	case !known:
		return notKnown
	case amount == 0:
		return "–"
	}
	return reports.Money(amount)
}
