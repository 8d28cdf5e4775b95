package reports

import (
	"fmt"
	"strconv"
	"time"

	"rimeyard/alerts"
	"rimeyard/internal/fleet"
)

// Workbook is the audit of all seasons as an XLSX file: by band, by order, unit by unit, and every other figure.
func (r AuditReport) Workbook() ([]byte, error) {
	figures, err := r.figuresSheet()
	if err != nil {
		return nil, err
	}
	head := WorkbookHead{
		Title: "Audit, " + r.Place, At: r.data.KnownTo.Midnight(time.UTC),
		Subject: fmt.Sprintf("Past lists held against what came; all that was in up to %s was looked at", r.data.KnownTo),
	}
	return Workbook(head, []Sheet{r.bandsSheet(), r.ordersSheet(), r.scoredSheet(), figures}, auditDefinitions())
}

func (r AuditReport) scoredSheet() Sheet {
	var rows [][]any
	for _, s := range r.seasons {
		for _, u := range s.Units {
			failed := 0
			if u.Failed {
				failed = 1
			}
			rows = append(rows, []any{
				SeasonTitle(s.Season), u.Unit, u.Depot, u.Band, u.P, known(u.PNights), failed, known(u.FailedOn), u.Suspect, u.Cause,
				known(u.FailureCost), known(u.SwapCost),
			})
		}
	}
	return Sheet{Name: "Units", Rows: RowsOf(rows), Columns: []SheetColumn{
		{Header: "Season", Width: 17},
		{Header: "Unit"},
		{Header: depotHeader, Width: 12},
		{Header: bandHeader, Width: 11},
		{Header: "Chance of a failed start", Kind: PercentKind, Width: 13},
		{Header: "Chance with the nights that came", Kind: PercentKind, Width: 18},
		{Header: "Failed", Kind: CountKind, Total: true},
		{Header: "Failed on", Kind: DateKind},
		{Header: "Suspect"},
		{Header: "Cause"},
		{Header: "Cost of a failure", Kind: MoneyKind},
		{Header: swapCostHeader, Kind: MoneyKind},
	}}
}

func (r AuditReport) bandsSheet() Sheet {
	var rows [][]any
	for _, s := range r.seasons {
		for _, g := range s.Bands {
			rows = append(rows, []any{
				SeasonTitle(s.Season), s.AsOf, s.Source, g.Name, g.Units, g.Expected, known(g.ExpectedNights), g.Failed,
				Formula{fmt.Sprintf("H%d/E%[1]d", FirstRow+len(rows)), float64(g.Failed) / float64(g.Units)},
				g.Low, g.High,
			})
		}
	}
	return Sheet{Name: "Bands", Rows: RowsOf(rows), Columns: []SheetColumn{
		{Header: "Season", Width: 17},
		{Header: "As of", Kind: DateKind},
		{Header: "List"},
		{Header: bandHeader, Width: 11},
		{Header: "Units", Kind: CountKind, Total: true},
		{Header: "Expected by the list", Kind: NumberKind, Total: true},
		{Header: "Expected with the nights that came", Kind: NumberKind, Total: true, Width: 18},
		{Header: "Failed", Kind: CountKind, Total: true},
		{Header: "Share that failed", Kind: PercentKind},
		{Header: "Share, low", Kind: PercentKind},
		{Header: "Share, high", Kind: PercentKind},
	}}
}

func (r AuditReport) ordersSheet() Sheet {
	var rows [][]any
	for _, s := range r.seasons {
		for _, k := range append([]alerts.Ranking{s.Forecast}, s.Rules...) {
			row := []any{SeasonTitle(s.Season), s.AsOf, orderName(k.Rule), k.Known}
			for _, figure := range []struct {
				value fleet.Opt[float64]
				span  fleet.Opt[alerts.Span]
			}{{k.AUC, k.AUCInterval}, {k.Lead, k.LeadInterval}, {k.Precision, k.PrecisionInterval}} {
				low, high := endsOf(figure.span)
				row = append(row, known(figure.value), low, high)
			}
			g := k.Saving
			rows = append(rows, append(row, s.Swaps, g.Caught, g.Unpriced, known(g.Avoided), known(g.Spent), known(g.Saved), known(g.PerSwap)))
		}
	}
	return Sheet{Name: "Orders", Rows: RowsOf(rows), Columns: []SheetColumn{
		{Header: "Season", Width: 17},
		{Header: "As of", Kind: DateKind},
		{Header: "Order", Width: 28},
		{Header: "Units with a value", Kind: CountKind, Width: 11},
		{Header: "Pairs in the right order", Kind: PercentKind, Width: 13},
		{Header: "Pairs, low", Kind: PercentKind},
		{Header: "Pairs, high", Kind: PercentKind},
		{Header: "This list does better by", Kind: PercentKind, Width: 13},
		{Header: "Better, low", Kind: PercentKind},
		{Header: "Better, high", Kind: PercentKind},
		{Header: "Of top units, failed", Kind: PercentKind, Width: 13},
		{Header: "Top, low", Kind: PercentKind},
		{Header: "Top, high", Kind: PercentKind},
		{Header: "Swaps", Kind: CountKind},
		{Header: "Failures caught", Kind: NumberKind},
		{Header: "Left out for want of a price", Kind: NumberKind, Width: 16},
		{Header: "Avoided", Kind: MoneyKind},
		{Header: "Spent", Kind: MoneyKind},
		{Header: "Saved", Kind: MoneyKind},
		{Header: "Saved by each swap", Kind: MoneyKind},
	}}
}

func endsOf(span fleet.Opt[alerts.Span]) (low, high any) {
	if s, ok := span.Get(); ok {
		return s.Low, s.High
	}
	return nil, nil
}

// figuresSheet is the table of the letter, with numbers that a spreadsheet can reckon with.
func (r AuditReport) figuresSheet() (Sheet, error) {
	var rows [][]any
	for _, s := range r.seasons {
		for _, figure := range s.Rows() {
			row := []any{SeasonTitle(s.Season), s.AsOf, s.Source, figure[0], figure[1], figure[2], nil, nil, nil}
			for i, text := range figure[3:] {
				if text == "" {
					continue
				}
				v, err := strconv.ParseFloat(text, 64)
				if err != nil {
					return Sheet{}, fmt.Errorf("audit of the %s, %s of %s: %w", SeasonTitle(s.Season), figure[2], figure[1], err)
				}
				row[6+i] = v
			}
			rows = append(rows, row)
		}
	}
	return Sheet{Name: "All figures", Rows: RowsOf(rows), Columns: []SheetColumn{
		{Header: "Season", Width: 17},
		{Header: "As of", Kind: DateKind},
		{Header: "List"},
		{Header: "Part"},
		{Header: "Name", Width: 24},
		{Header: "Measure", Width: 24},
		{Header: "Value", Kind: NumberKind},
		{Header: "Low", Kind: NumberKind},
		{Header: "High", Kind: NumberKind},
	}}, nil
}

func auditDefinitions() []Definition {
	return []Definition{
		{"List", "which list was judged: one that was issued before the season, or one made afterwards from what was known then"},
		{"Expected by the list", "sum of its chances of a failed start"},
		{"Expected with the nights that came", "what it would have said had the winter been known, so what is left is not the weather's"},
		{"Failed", "1: at least one failed start in the season; on the sheet of bands, how many units did"},
		{"Suspect, cause", "the part that the list named, and the one that was found to be to blame"},
		{"Low, high", "hold the true value with 95 % confidence"},
		{"Pairs in the right order", "of a unit that failed and one that held: the share in which the one that failed stands higher; by drawing lots 50 %"},
		{"This list does better by", "its share of pairs less that of the rule of thumb, on the same units"},
		{"Of top units, failed", "of as many top units as failed in all, the share that did"},
		{"Swaps", "units for which the list asked for work; so many of each order's top units are taken to be swapped before the season"},
		{"Failures caught", "of those swapped, how many would have failed; a fraction where units stand level"},
		{"Left out for want of a price", "of those swapped; in no sum of money"},
		{"Avoided, spent, saved", "cost of the failures caught, price of the swaps, and the one less the other; in the fleet's currency"},
		{"Empty field", "not known"},
		{"Total of what is shown", "follows the filter"},
	}
}
