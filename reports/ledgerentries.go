package reports

import (
	"cmp"
	"encoding/csv"
	"fmt"
	"io"
	"iter"
	"slices"
	"strconv"
	"time"

	"rimeyard/internal/fleet"
	"rimeyard/ledger"
)

// LedgerEntries are entries to be written to a file, as they come, and of what they are.
type LedgerEntries struct {
	Title   string // what they are: Ledger, November 2026
	Today   fleet.Date
	Entries iter.Seq2[fleet.LedgerEntry, error]
}

// LedgerHeader is the first line of the entries as CSV.
func LedgerHeader() []string {
	return []string{"entry", "booked_on", "value_date", "kind", "cost_centre", "depot", "class", "unit", "part", "part_kind", "amount", "currency", "minutes", "source", "reverses", "booked_by"}
}

func ledgerLine(e fleet.LedgerEntry) []string {
	reverses := ""
	if e.Reverses != 0 {
		reverses = strconv.FormatInt(e.Reverses, 10)
	}
	return []string{
		strconv.FormatInt(e.ID, 10), e.Booked.String(), e.Value.String(), e.Kind, Inert(e.CostCentre), Inert(string(e.Depot)), Inert(e.Class), Inert(string(e.Unit)), Inert(e.Part),
		string(e.PartKind), e.Amount.String(), e.Currency, strconv.Itoa(e.Minutes), Inert(e.Source), reverses, Inert(e.By),
	}
}

// WriteTable writes the entries as CSV, which ends at the first error.
func (l LedgerEntries) WriteTable(w io.Writer) error {
	out := csv.NewWriter(w)
	out.UseCRLF = true // RFC 4180
	if err := out.Write(LedgerHeader()); err != nil {
		return err
	}
	for e, err := range l.Entries {
		if err == nil {
			err = out.Write(ledgerLine(e))
		}
		if err != nil {
			return fmt.Errorf("write the ledger as CSV: %w", err)
		}
	}
	out.Flush()
	return out.Error()
}

// The headers that formulas refer to.
const (
	monthHeader    = "Month"
	kindHeader     = "Kind"
	centreHeader   = "Cost centre"
	amountHeader   = "Amount"
	currencyHeader = "Currency"
	hoursHeader    = "Hours"
)

// WriteWorkbook writes the entries as an XLSX file, and after them what they come to by month and kind, and by cost centre, as formulas
// over the entries. Rows are passed on as they come: memory does not grow with them.
func (l LedgerEntries) WriteWorkbook(w io.Writer) error {
	book := ledgerBook{LedgerEntries: l, byKind: map[ledgerCell]*ledgerSum{}, byCentre: map[ledgerCell]*ledgerSum{}}
	entries := book.entriesSheet()
	head := WorkbookHead{Title: l.Title, Subject: "As booked up to " + longDate(l.Today) + ". " + NetWords, At: l.Today.Midnight(time.UTC)}
	return WriteWorkbook(w, head, []Sheet{entries, book.kindsSheet(entries), book.centresSheet(entries)}, ledgerDefinitions())
}

type ledgerCell struct {
	month    ledger.Month
	kind     ledger.Kind
	centre   string
	currency string
}

type ledgerSum struct {
	amount  fleet.Money
	minutes int64
	entries int
}

// ledgerBook adds up what passes, so that the sheets of sums, which come after the entries, know how many there are.
type ledgerBook struct {
	LedgerEntries
	n        int
	byKind   map[ledgerCell]*ledgerSum
	byCentre map[ledgerCell]*ledgerSum
}

func (b *ledgerBook) entriesSheet() Sheet {
	return Sheet{Name: "Entries", Rows: b.rows(), Columns: []SheetColumn{
		{Header: "Entry", Kind: CountKind},
		{Header: monthHeader, Kind: DateKind},
		{Header: "Counts on", Kind: DateKind},
		{Header: "Belongs to", Kind: DateKind},
		{Header: kindHeader, Width: 18},
		{Header: centreHeader, Width: 14},
		{Header: depotHeader, Width: 12},
		{Header: "Class", Width: 14},
		{Header: "Unit"},
		{Header: "Part", Width: 18},
		{Header: amountHeader, Kind: MoneyKind, Total: true},
		{Header: currencyHeader, Width: 10},
		{Header: hoursHeader, Kind: NumberKind, Total: true},
		{Header: "Row it stands for", Width: 44},
		{Header: "Takes back", Kind: CountKind},
		{Header: "Booked by", Width: 14},
	}}
}

func (b *ledgerBook) rows() iter.Seq2[[]any, error] {
	return func(yield func([]any, error) bool) {
		for e, err := range b.Entries {
			if err != nil {
				yield(nil, err)
				return
			}
			month, kind := ledger.MonthOf(e.Booked), ledger.Kind(e.Kind)
			b.n++
			addTo(b.byKind, ledgerCell{month, kind, "", e.Currency}, e)
			addTo(b.byCentre, ledgerCell{centre: e.CostCentre, currency: e.Currency}, e)
			row := []any{
				int(e.ID), month.First(), e.Booked, e.Value, KindWords(kind), e.CostCentre, e.Depot, e.Class, e.Unit, e.Part, e.Amount, e.Currency, float64(e.Minutes) / 60,
				SourceWords(e.Source), nil, e.By,
			}
			if e.Reverses != 0 {
				row[14] = int(e.Reverses)
			}
			if !yield(row, nil) {
				return
			}
		}
	}
}

func addTo(sums map[ledgerCell]*ledgerSum, c ledgerCell, e fleet.LedgerEntry) {
	s := sums[c]
	if s == nil {
		s = &ledgerSum{}
		sums[c] = s
	}
	s.amount, s.minutes, s.entries = s.amount+e.Amount, s.minutes+int64(e.Minutes), s.entries+1
}

// later are rows that are asked for when the rows of the sheets before have passed.
func later(rows func() [][]any) iter.Seq2[[]any, error] {
	return func(yield func([]any, error) bool) { RowsOf(rows())(yield) }
}

func (b *ledgerBook) kindsSheet(entries Sheet) Sheet {
	return Sheet{
		Name: "By month and kind", Columns: []SheetColumn{
			{Header: monthHeader, Kind: DateKind},
			{Header: kindHeader, Width: 18},
			{Header: currencyHeader, Width: 10},
			{Header: amountHeader, Kind: MoneyKind, Total: true},
			{Header: hoursHeader, Kind: NumberKind, Total: true},
			{Header: "Entries", Kind: CountKind, Total: true},
		},
		Rows: later(func() (rows [][]any) {
			cells := sortedCells(b.byKind)
			here := fmt.Sprintf("%s,$A%%[1]d,%s,$B%%[1]d,%s,$C%%[1]d", entries.Range(monthHeader, b.n), entries.Range(kindHeader, b.n), entries.Range(currencyHeader, b.n))
			for i, c := range cells { // a month, a word of ours and a code: nothing that a condition would take for a pattern
				s, at := b.byKind[c], fmt.Sprintf(here, FirstRow+i)
				rows = append(rows, []any{
					c.month.First(), KindWords(c.kind), c.currency,
					Formula{fmt.Sprintf("ROUND(SUMIFS(%s,%s),2)", entries.Range(amountHeader, b.n), at), s.amount},
					Formula{fmt.Sprintf("SUMIFS(%s,%s)", entries.Range(hoursHeader, b.n), at), float64(s.minutes) / 60},
					Formula{fmt.Sprintf("COUNTIFS(%s)", at), s.entries},
				})
			}
			return rows
		}),
	}
}

func (b *ledgerBook) centresSheet(entries Sheet) Sheet {
	return Sheet{
		Name: "By cost centre", Columns: []SheetColumn{
			{Header: centreHeader, Width: 18}, {Header: currencyHeader, Width: 10}, {Header: amountHeader, Kind: MoneyKind, Total: true}, {Header: "Entries", Kind: CountKind, Total: true},
		},
		Rows: later(func() (rows [][]any) {
			for i, c := range sortedCells(b.byCentre) {
				s := b.byCentre[c]
				// not SUMIFS, to which * in a cost centre would stand for all
				here := fmt.Sprintf("EXACT(%s,$A%[2]d)*(%[3]s=$B%[2]d)", entries.Range(centreHeader, b.n), FirstRow+i, entries.Range(currencyHeader, b.n))
				rows = append(rows, []any{
					c.centre, c.currency,
					Formula{fmt.Sprintf("ROUND(SUMPRODUCT(%s,%s),2)", here, entries.Range(amountHeader, b.n)), s.amount},
					Formula{fmt.Sprintf("SUMPRODUCT(%s)", here), s.entries},
				})
			}
			return rows
		}),
	}
}

func sortedCells(sums map[ledgerCell]*ledgerSum) []ledgerCell {
	cells := make([]ledgerCell, 0, len(sums))
	for c := range sums {
		cells = append(cells, c)
	}
	kinds := ledger.Kinds()
	slices.SortFunc(cells, func(a, b ledgerCell) int {
		return cmp.Or(cmp.Compare(a.month, b.month), slices.Index(kinds[:], a.kind)-slices.Index(kinds[:], b.kind), cmp.Compare(a.centre, b.centre), cmp.Compare(a.currency, b.currency))
	})
	return cells
}

func ledgerDefinitions() []Definition {
	return []Definition{
		{monthHeader, "its first day stands for it"},
		{amountHeader, "net, in the currency beside it; money out is above zero, what came back below. " + NetWords},
		{"Counts on", "the day in whose month the entry is summed: the day it belongs to or, where that month was closed already, the first open day after it"},
		{"Belongs to", "the day of the fitting, return, breakdown, credit or bill, on the calendar of the unit's depot"},
		{"Takes back", "the number of the entry that this one reverses; entries are never changed"},
		{"Parts fitted", "price of a part on the day on which it was fitted; what lies on the shelf is stock and not in here"},
		{"Deposits paid, returned", "a core deposit counts as paid when the part is fitted, and comes back when its core is handed in"},
		{"Warranty credits", "what was paid on claims"},
		{"Breakdowns", "what the record of a breakdown says that it cost"},
		{"Call-outs", "billed apart from the record of the breakdown"},
		{"Hours down", "hours for which a unit stood still; money only where the fleet has set what an hour costs"},
		{"Labour", "work of jobs that are done, with the minutes that such work usually takes and the rate of its day"},
		{"Total of what is shown", "follows the filter; where there are several currencies, filter one: amounts of different currencies do not add up"},
		{"Empty field", "not known, or none"},
	}
}
