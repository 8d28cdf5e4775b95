package reports

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"

	"rimeyard/internal/fleet"
)

// winterListReading says how to read the list; the mail ends with the same words.
const winterListReading = "The cold limit is the temperature at which a unit is as likely as not to fail to crank after a night parked; " +
	"the range beside it holds it with 80 % chance. Reserve is what the depot's design night, the middle one of its past winters' coldest nights, leaves above it."

// mostPrintedBars of reserve can be read on one page.
const mostPrintedBars = 30

// PDF is the winter list for printing on A4: what the letter shows, as a table with the reasons below each unit.
func (w WinterList) PDF() ([]byte, error) { return w.PDFOn(A4Paper) }

// PDFOn is [WinterList.PDF] for other paper.
func (w WinterList) PDFOn(paper Paper) ([]byte, error) {
	list := w.data.List
	d := NewDocument(DocumentHead{
		Title: "Winter list, " + w.Place, Paper: paper, At: list.AsOf.Midnight(time.UTC),
		Subtitle: []string{"As of " + longDate(list.AsOf), fmt.Sprintf("Season %s to %s", longDate(list.Season.From), longDate(list.Season.To))},
	})
	d.Lead(firstUpper(w.Headline) + ".")
	if w.Stale != "" {
		d.Caution(w.Stale)
	}
	if w.News != "" {
		d.Paragraph(w.News)
	}
	d.Bands(w.Counts)
	w.printChanges(d)
	d.Heading("The list, most urgent first")
	d.Table(w.printedUnits())
	if w.More != "" {
		d.Note(w.More + "; the workbook of this list has all units.")
	}
	d.Heading("Money")
	for _, words := range w.Money {
		d.Paragraph(words)
	}
	d.Pictures("Pictures", w.data.pictures(w.forecasts, min(len(w.Units), mostPrintedBars), PageWidth))
	d.Space(6)
	d.Note(winterListReading)
	return d.Bytes()
}

func (w WinterList) printChanges(d *Document) {
	if w.Since == "" {
		return
	}
	d.Heading("Changed since " + w.Since)
	if len(w.Arrived) > 0 {
		d.Paragraph("New on the list: " + strings.Join(w.Arrived, ", ") + ".")
	}
	if len(w.Left) > 0 {
		d.Paragraph("Off the list: " + strings.Join(w.Left, ", ") + ".")
	}
	if len(w.Arrived)+len(w.Left) == 0 {
		d.Paragraph("No unit has joined or left those down or to swap.")
	}
}

func (w WinterList) printedUnits() PrintedTable {
	t := PrintedTable{Columns: []PrintedColumn{
		{Header: "", Right: true},
		{Header: "Unit"},
		{Header: "Band"},
		{Header: "Chance of a failed start"},
		{Header: "Cold limit", Right: true},
		{Header: "Reserve", Right: true},
		{Header: "Suspect"},
		{Header: "Swap by"},
		{Header: "Expected loss", Right: true},
		{Header: "Swap cost", Right: true},
	}}
	for i, u := range w.Units {
		f := w.forecasts[i]
		fresh := ""
		if u.New {
			fresh = "new"
		}
		chance, percent := split(u.Chance, ", ")
		part, share := split(u.Suspect, ", ")
		limit, within := split(strings.TrimSuffix(u.ColdLimit, ")"), " (")
		reserve, _ := split(u.Reserve, " ")
		t.Rows = append(t.Rows, PrintedRow{
			Cells: []PrintedCell{
				{Text: fmt.Sprint(u.Place)},
				{Text: u.Unit, Under: u.Depot, Strong: true},
				{Text: u.Look.Word, Under: fresh, Band: u.Look.Band, Strong: urgent(u.Look.Band)},
				{Text: cmp.Or(percent, chance), Under: underneath(percent, chance)},
				{Text: limit, Under: unbroken(within)},
				{Text: cmp.Or(reserve, unsaid)},
				{Text: part, Under: share},
				{Text: u.SwapBy},
				{Text: moneyOr(f.ExpectedLoss)},
				{Text: moneyOr(f.SwapCost)},
			},
			Note: strings.Join(slices.DeleteFunc(append([]string{u.Now}, u.Evidence...), func(s string) bool { return s == "" }), "\n"),
		})
	}
	return t
}

// split cuts a view model's text in two at sep.
func split(s, sep string) (before, after string) {
	before, after, _ = strings.Cut(s, sep)
	return before, after
}

// unbroken keeps a range on one line.
func unbroken(s string) string { return strings.ReplaceAll(s, " ", "\u00a0") }

// underneath is second where there is a first to stand under.
func underneath(first, second string) string {
	if first == "" {
		return ""
	}
	return second
}

func moneyOr(m fleet.Opt[fleet.Money]) string {
	if known, ok := m.Get(); ok {
		return Money(known)
	}
	return unsaid
}

func firstUpper(s string) string {
	for i, r := range s {
		return strings.ToUpper(string(r)) + s[i+len(string(r)):]
	}
	return s
}

// longDate writes a date as paper needs it, with its year: 8 October 2025.
func longDate(d fleet.Date) string {
	y, m, day := d.YMD()
	return fmt.Sprintf("%d\u00a0%s\u00a0%d", day, m, y)
}
