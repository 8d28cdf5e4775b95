package reports

import (
	"cmp"
	"fmt"
	"strings"
	"time"

	"rimeyard/internal/fleet"
	"rimeyard/ledger"
)

// BudgetHeader is the first line of a budget as CSV.
func BudgetHeader() []string {
	return []string{"cost_centre", "month", "planned", "failures", "expected", "p10", "p50", "p90", "failed_starts", "currency"}
}

// BudgetRows are a budget's lines: those of each cost centre, then of all; months first, then their sum.
func BudgetRows(b ledger.Budget) (rows [][]string) {
	for i, l := range append(append([]ledger.BudgetLine{}, b.Lines...), b.Total...) {
		centre, month := Inert(l.CostCentre), "all"
		if i >= len(b.Lines) {
			centre = "all cost centres"
		}
		if m, one := l.Month.Get(); one {
			month = m.String()
		}
		rows = append(rows, []string{
			centre, month, l.Planned.String(), l.Failures.String(), l.Expected.String(), l.P10.String(), l.P50.String(), l.P90.String(), fmt.Sprintf("%.2f", l.Failed), string(b.Currency),
		})
	}
	return rows
}

// BudgetTable is a budget as CSV.
func BudgetTable(b ledger.Budget) ([]byte, error) {
	return csvOf(append([][]string{BudgetHeader()}, BudgetRows(b)...))
}

// BudgetWorkbook is a budget as an XLSX file: lines by cost centre and month whose sums are formulas, the spread of each, and what came.
func BudgetWorkbook(b ledger.Budget, difference string, today fleet.Date) ([]byte, error) {
	title := fmt.Sprintf("Budget from %s, %d months", longDate(b.From), len(b.Months))
	if difference != "" {
		title += ", " + difference
	}
	lines := Sheet{Name: "Budget", Columns: []SheetColumn{
		{Header: centreHeader, Width: 18},
		{Header: monthHeader, Kind: DateKind},
		{Header: "Planned", Kind: MoneyKind, Total: true},
		{Header: "Failures", Kind: MoneyKind, Total: true},
		{Header: "Expected", Kind: MoneyKind, Total: true},
		{Header: "P10", Kind: MoneyKind},
		{Header: "P50", Kind: MoneyKind},
		{Header: "P90", Kind: MoneyKind},
		{Header: "Failed starts", Kind: NumberKind, Total: true},
	}}
	var rows [][]any
	for _, l := range b.Lines {
		if m, one := l.Month.Get(); one {
			at := FirstRow + len(rows)
			rows = append(rows, []any{
				l.CostCentre, m.First(), l.Planned, l.Failures, Formula{fmt.Sprintf("C%d+D%[1]d", at), l.Expected}, l.P10, l.P50, l.P90, l.Failed,
			})
		}
	}
	lines.Rows = RowsOf(rows)
	sheets := []Sheet{lines, budgetMonthsSheet(b, lines, len(rows)), budgetSpreadSheet(b)}
	head := WorkbookHead{Title: title, Subject: fmt.Sprintf("Currency %s. %s", b.Currency, NetWords), At: today.Midnight(time.UTC)}
	return Workbook(head, sheets, []Definition{
		{monthHeader, fmt.Sprintf("its first day stands for it. All figures are a forecast; of the first month only what lies ahead from %s on", longDate(b.From))},
		{"Planned", "work that the plan has in its weeks: parts by price list, labour where its rate is set; taken as certain"},
		{"Failures", "mean cost of failed starts by each unit's chance: the part to blame and the call-out"},
		{"Expected", "planned and failures; adds up over months and cost centres"},
		{"P10, P50, P90", fmt.Sprintf("one year in ten is cheaper than P10, one in ten dearer than P90. Units share their winters (%s), so a cold one costs everywhere at once. These do not add up, as not everything goes badly at once", Count(b.Winters, "past one"))},
		{"Failed starts", "expected number"},
		{"Left out", cmp.Or(strings.Join(BudgetNotes(b), " "), "nothing that is known of")},
	})
}

func budgetMonthsSheet(b ledger.Budget, lines Sheet, n int) Sheet {
	s := Sheet{Name: "By month", Columns: []SheetColumn{
		{Header: monthHeader, Kind: DateKind, Width: 24}, // as wide as the words below it
		{Header: "Planned", Kind: MoneyKind, Total: true},
		{Header: "Failures", Kind: MoneyKind, Total: true},
		{Header: "Expected", Kind: MoneyKind, Total: true},
		{Header: "P10", Kind: MoneyKind},
		{Header: "P50", Kind: MoneyKind},
		{Header: "P90", Kind: MoneyKind},
	}}
	var rows [][]any
	months, _ := BudgetLines(b, "", true)
	for _, l := range months {
		m, _ := l.Month.Get()
		sum := func(header string, is fleet.Money) Formula {
			return Formula{fmt.Sprintf("ROUND(SUMIFS(%s,%s,$A%d),2)", lines.Range(header, n), lines.Range(monthHeader, n), FirstRow+len(rows)), is}
		}
		rows = append(rows, []any{m.First(), sum("Planned", l.Planned), sum("Failures", l.Failures), sum("Expected", l.Expected), l.P10, l.P50, l.P90})
	}
	s.Rows = RowsOf(rows)
	return s
}

// budgetSpreadSheet has the spread of the sum over all months, which no formula could make of the months'.
func budgetSpreadSheet(b ledger.Budget) Sheet {
	var rows [][]any
	add := func(name string, l ledger.BudgetLine) {
		rows = append(rows, []any{name, l.Expected, l.P10, l.P50, l.P90})
	}
	for _, l := range b.Lines {
		if !l.Month.IsKnown() {
			add(l.CostCentre, l)
		}
	}
	_, all := BudgetLines(b, "", true)
	add("All cost centres", all)
	return Sheet{Name: "All months", Rows: RowsOf(rows), Columns: []SheetColumn{
		{Header: centreHeader, Width: 18}, {Header: "Expected", Kind: MoneyKind}, {Header: "P10", Kind: MoneyKind}, {Header: "P50", Kind: MoneyKind}, {Header: "P90", Kind: MoneyKind},
	}}
}

// BudgetNotes say what a budget leaves out.
func BudgetNotes(b ledger.Budget) (notes []string) {
	if b.Unknown > 0 {
		notes = append(notes, fmt.Sprintf("Of %s nothing is known: only the fleet's usual rate of failures is in it, where that is known.", Count(b.Unknown, "unit")))
	}
	if b.NoCost > 0 {
		notes = append(notes, fmt.Sprintf("%s without a known cost of a failed start: of their failures only the parts are counted.", Count(b.NoCost, "unit")))
	}
	if len(b.NoPrice) > 0 {
		notes = append(notes, "Without any price, and so counted as nothing: "+oneLine(strings.Join(b.NoPrice, ", "))+".")
	}
	if b.NoSwapPrice > 0 {
		notes = append(notes, fmt.Sprintf("%s without a price of a part.", Count(b.NoSwapPrice, "planned swap")))
	}
	if n := len(b.Unlisted); n > 0 {
		const named = 10
		names := make([]string, min(named, n))
		for i := range names {
			names[i] = oneLine(string(b.Unlisted[i]))
		}
		who := strings.Join(names, ", ")
		if n > named {
			who += fmt.Sprintf(" and %d more", n-named)
		}
		notes = append(notes, fmt.Sprintf("Work is planned that is not in it, as its units are not on the list: %s.", who))
	}
	return notes
}
