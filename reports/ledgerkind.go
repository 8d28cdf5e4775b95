package reports

import (
	"bytes"
	"cmp"
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"rimeyard/internal/fleet"
)

// LedgerKind is the monthly report on the ledger.
func LedgerKind(from LedgerStore) Kind {
	budgets := NewBudgets(from, NewPlans(from))
	return Kind{
		Name: LedgerName, Title: "Ledger", Page: "/ledger", Forms: everyForm(),
		Make: func(ctx context.Context, a Asked) (Content, error) {
			d, err := GatherLedger(ctx, from, budgets, a.Depots, a.Today)
			if err != nil {
				return Content{}, err
			}
			if d.Booked.IsZero() {
				return Content{}, nothingToTellError{errors.New("nothing is booked yet: run `rimeyard ledger book`")}
			}
			l := ComposeLedger(d)
			c, err := l.Render(a.Attach)
			c.Changed = c.Mark != a.Last.Mark
			return c, err
		},
	}
}

// Render fills the letter.
func (l Ledger) Render(attach []fleet.Attachment) (Content, error) {
	c, err := filled(LedgerName, l.Subject, l, nil)
	if err != nil {
		return Content{}, err
	}
	c.Mark, c.Changed = l.Mark, true
	return c.of(LedgerName, l).attached(attach)
}

func (l Ledger) file() LedgerEntries {
	return LedgerEntries{Title: fmt.Sprintf("Ledger of %s, %s to %s", l.Place, l.Months[len(l.Months)-1].Name, l.Months[0].Name), Today: l.data.Today, Entries: l.data.entries(l.data.filter())}
}

// Table is every entry of the months shown as CSV.
func (l Ledger) Table() ([]byte, error) {
	var b bytes.Buffer
	err := l.file().WriteTable(&b)
	return b.Bytes(), err
}

// Workbook is every entry of the months shown as an XLSX file, with sums.
func (l Ledger) Workbook() ([]byte, error) {
	var b bytes.Buffer
	err := l.file().WriteWorkbook(&b)
	return b.Bytes(), err
}

// PDF is the sums for printing.
func (l Ledger) PDF() ([]byte, error) { return l.PDFOn(A4Paper) }

// PDFOn is [Ledger.PDF] for other paper.
func (l Ledger) PDFOn(paper Paper) ([]byte, error) {
	d := NewDocument(DocumentHead{
		Title: "Ledger, " + l.Place, Paper: paper, At: l.data.Today.Midnight(time.UTC),
		Subtitle: []string{"As of " + longDate(l.data.Today), "Amounts in " + string(l.data.Currency)},
	})
	d.Lead(l.Headline + ".")
	for _, s := range slices.Concat(l.Lines, l.Notes) {
		d.Paragraph(s)
	}
	d.Heading("By month")
	d.Table(l.printedMonths())
	d.Heading("By cost centre, deposits apart")
	t := PrintedTable{Columns: []PrintedColumn{{Header: "Cost centre"}, {Header: l.Months[1].Name, Right: true}, {Header: l.Months[0].Name + " so far", Right: true}, {Header: "Season so far", Right: true}}}
	for _, c := range l.Centres {
		t.Rows = append(t.Rows, PrintedRow{Cells: PrintedTexts(CentreWords(c.Name), Money(c.LastMonth), Money(c.ThisMonth), Money(c.InSeason))})
	}
	if all := l.Together; all != nil {
		t.Rows = append(t.Rows, PrintedRow{Cells: strong(PrintedTexts("All cost centres", Money(all.LastMonth), Money(all.ThisMonth), Money(all.InSeason)))})
	}
	d.Table(t)
	for _, part := range []struct {
		title string
		lines []string
	}{{"Owed to us", l.Owed}, {"Budget", l.Budget}} {
		if len(part.lines) > 0 {
			d.Heading(part.title)
			for _, s := range part.lines {
				d.Paragraph(s)
			}
		}
	}
	d.Note(l.Net)
	return d.Bytes()
}

// CentreWords names a cost centre.
func CentreWords(name string) string { return cmp.Or(name, "no cost centre") }

// strong marks the cells of a sum.
func strong(cells []PrintedCell) []PrintedCell {
	for i := range cells {
		cells[i].Strong = true
	}
	return cells
}

func (l Ledger) printedMonths() PrintedTable {
	t := PrintedTable{Columns: []PrintedColumn{{Header: "Month"}}}
	for _, k := range l.Kinds {
		if !IsDeposit(k) {
			t.Columns = append(t.Columns, PrintedColumn{Header: KindTitle(k), Right: true})
		}
	}
	t.Columns = append(t.Columns, PrintedColumn{Header: "Spent", Right: true}, PrintedColumn{Header: "Deposits, less returned", Right: true})
	for _, m := range append(slices.Clone(l.Months), l.All) {
		name := strings.ReplaceAll(m.Name, "\u00a0", " ")
		switch {
		case m.SoFar:
			name += ", so far"
		case m.Closed:
			name += ", closed"
		}
		row := PrintedRow{Cells: PrintedTexts(name)}
		for _, k := range l.Kinds {
			if !IsDeposit(k) {
				row.Cells = append(row.Cells, PrintedCell{Text: Money(m.ByKind[k])})
			}
		}
		row.Cells = append(row.Cells, PrintedCell{Text: Money(m.Spent), Strong: true}, PrintedCell{Text: Money(m.Deposits)})
		t.Rows = append(t.Rows, row)
	}
	strong(t.Rows[len(t.Rows)-1].Cells)
	return t
}
