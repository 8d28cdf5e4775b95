package web

import (
	"context"
	"fmt"
	"maps"
	"net/http"
	"net/url"
	"slices"
	"strconv"

	"github.com/labstack/echo/v4"

	"rimeyard/internal/fleet"
	"rimeyard/ledger"
	"rimeyard/reports"
)

const entriesPerPage = 100

// entriesQuery is what the address says of entries.
type entriesQuery struct {
	From, To fleet.Opt[ledger.Month]
	Kind     ledger.Kind // empty: all
	Spend    bool        // all kinds but deposits
	Centre   fleet.Opt[string]
	Depot    fleet.DepotID
	Class    string
	Part     string
	Unit     fleet.UnitID
	Page     int // from 1
}

// spend is the kind in the address that stands for all but deposits.
const spend = "spend"

// noCentre is the cost centre in the address that stands for none.
const noCentre = "-"

func (q entriesQuery) in(from, to ledger.Month) entriesQuery {
	q.From, q.To = fleet.Known(from), fleet.Known(to)
	return q
}

func (q entriesQuery) values() url.Values {
	values := url.Values{}
	set := func(name, value string) {
		if value != "" {
			values.Set(name, value)
		}
	}
	for name, month := range map[string]fleet.Opt[ledger.Month]{"from": q.From, "to": q.To} {
		if m, known := month.Get(); known {
			set(name, m.String())
		}
	}
	set("kind", string(q.Kind))
	if q.Spend {
		set("kind", spend)
	}
	if centre, known := q.Centre.Get(); known {
		set("centre", centre)
		if centre == "" {
			set("centre", noCentre)
		}
	}
	set("depot", string(q.Depot))
	set("class", q.Class)
	set("part", q.Part)
	set("unit", string(q.Unit))
	if q.Page > 1 {
		set("page", strconv.Itoa(q.Page))
	}
	return values
}

func (q entriesQuery) href(path string) string {
	if values := q.values(); len(values) > 0 {
		return path + "?" + values.Encode()
	}
	return path
}

func readEntriesQuery(c echo.Context) (q entriesQuery, err error) {
	q = entriesQuery{Depot: fleet.DepotID(c.QueryParam("depot")), Class: c.QueryParam("class"), Part: c.QueryParam("part"), Unit: fleet.UnitID(c.QueryParam("unit")), Page: 1}
	for name, month := range map[string]*fleet.Opt[ledger.Month]{"from": &q.From, "to": &q.To} {
		if typed := c.QueryParam(name); typed != "" {
			m, err := ledger.ParseMonth(typed)
			if err != nil {
				return q, badRequestError{fmt.Errorf("%s: %w", name, err)}
			}
			*month = fleet.Known(m)
		}
	}
	switch kind := c.QueryParam("kind"); {
	case kind == spend:
		q.Spend = true
	case kind != "":
		kinds := ledger.Kinds()
		if q.Kind = ledger.Kind(kind); !slices.Contains(kinds[:], q.Kind) {
			return q, badRequestError{fmt.Errorf("kind %q: want one of %v, or %s", kind, kinds, spend)}
		}
	}
	switch centre := c.QueryParam("centre"); centre {
	case "":
	case noCentre:
		q.Centre = fleet.Known("")
	default:
		q.Centre = fleet.Known(centre)
	}
	if typed := c.QueryParam("page"); typed != "" {
		const most = 1_000_000
		if q.Page, err = strconv.Atoi(typed); err != nil || q.Page < 1 || q.Page > most {
			return q, badRequestError{fmt.Errorf("page %q: want a number from 1", typed)}
		}
	}
	return q, nil
}

// filter narrows to what the address says, of the depots in scope.
func (q entriesQuery) filter(sc ledgerScope) fleet.LedgerFilter {
	f := fleet.LedgerFilter{Depots: sc.of, CostCentre: q.Centre, Class: q.Class, Part: q.Part, Unit: q.Unit}
	if m, known := q.From.Get(); known {
		f.From = fleet.Known(m.First())
	}
	if m, known := q.To.Get(); known {
		f.To = fleet.Known(m.Last())
	}
	if q.Kind != "" {
		f.Kinds = []string{string(q.Kind)}
	}
	if q.Spend {
		for _, k := range ledger.Kinds() {
			if !reports.IsDeposit(k) {
				f.Kinds = append(f.Kinds, string(k))
			}
		}
	}
	return f
}

// entriesPage is all that ledger-entries.tmpl prints.
type entriesPage struct {
	ledgerFrame
	Query                           entriesQuery
	Headline                        string
	Sums                            []string
	Kinds, Centres, Depots, Classes []choice
	FromText, ToText                string
	Rows                            []entryRow
	CSV, Workbook, All              string
	Earlier, Later                  string
}

type entryRow struct {
	ID, Counts, Belongs, Kind, Centre, Depot, Class, Unit, UnitHref, Part, Amount, Currency, Hours, Source, Back, By string
}

func (s *Server) ledgerEntries(c echo.Context) error {
	q, err := readEntriesQuery(c)
	if err != nil {
		return err
	}
	sc, err := s.scopeAsked(c)
	if err != nil {
		return err
	}
	frame, err := s.ledgerFrame(c, "Entries of the ledger")
	if err != nil {
		return err
	}
	ctx, f := c.Request().Context(), q.filter(sc)
	page := entriesPage{ledgerFrame: frame, Query: q, CSV: q.href("/ledger/entries.csv"), Workbook: q.href("/ledger/entries.xlsx")}
	sums, err := s.store.LedgerSums(ctx, f)
	if err != nil {
		return err
	}
	total := page.sum(sums)
	if err := s.offerEntries(ctx, &page, q, sc, viewerOf(c)); err != nil {
		return err
	}
	f.Limit, f.Offset = entriesPerPage, (q.Page-1)*entriesPerPage
	entries, err := s.store.LedgerEntries(ctx, f)
	if err != nil {
		return err
	}
	for _, e := range entries {
		page.Rows = append(page.Rows, newEntryRow(e))
	}
	if q.Page > 1 {
		back := q
		back.Page--
		page.Earlier = back.href("/ledger/entries")
	}
	if int64(q.Page*entriesPerPage) < total {
		on := q
		on.Page++
		page.Later = on.href("/ledger/entries")
	}
	return s.render(c, http.StatusOK, "ledger-entries.tmpl", page)
}

// sum says what the entries come to, each currency by itself, and returns how many they are.
func (p *entriesPage) sum(sums []fleet.LedgerSum) (entries int64) {
	amounts, minutes := map[string]fleet.Money{}, map[ledger.Kind]int64{}
	for _, s := range sums {
		entries += s.Entries
		amounts[s.Currency] += s.Amount
		minutes[ledger.Kind(s.Kind)] += s.Minutes
	}
	for _, code := range slices.Sorted(maps.Keys(amounts)) {
		p.Sums = append(p.Sums, reports.InCurrency(amounts[code], ledger.Currency(code)))
	}
	for _, k := range []ledger.Kind{ledger.HoursDown, ledger.Labour} {
		if minutes[k] != 0 {
			p.Sums = append(p.Sums, reports.HoursOf(minutes[k])+" "+map[ledger.Kind]string{ledger.HoursDown: "stood still", ledger.Labour: "of labour"}[k])
		}
	}
	p.Headline = reports.CountAs(entries, "entry", "entries")
	return entries
}

func (s *Server) offerEntries(ctx context.Context, p *entriesPage, q entriesQuery, sc ledgerScope, v viewer) error {
	if m, known := q.From.Get(); known {
		p.FromText = m.String()
	}
	if m, known := q.To.Get(); known {
		p.ToText = m.String()
	}
	p.Kinds = []choice{{"", "all", q.Kind == "" && !q.Spend}, {spend, "all but deposits", q.Spend}}
	for _, k := range ledger.Kinds() {
		p.Kinds = append(p.Kinds, choice{string(k), reports.KindWords(k), q.Kind == k})
	}
	p.Depots = []choice{{"", "all", q.Depot == ""}}
	centres := map[string]bool{}
	for _, d := range sc.own {
		p.Depots = append(p.Depots, choice{string(d.ID), string(d.ID), q.Depot == d.ID})
		centres[d.CostCentre] = true
	}
	chosen, narrowed := q.Centre.Get()
	centres[chosen] = true
	p.Centres = []choice{{"", "all", !narrowed}}
	for _, name := range slices.Sorted(maps.Keys(centres)) {
		value := name
		if name == "" {
			value = noCentre
		}
		p.Centres = append(p.Centres, choice{value, reports.CentreWords(name), narrowed && chosen == name})
	}
	classes, err := s.store.Classes(ctx, v.depots())
	if err != nil {
		return err
	}
	p.Classes = []choice{{"", "all", q.Class == ""}}
	for _, class := range classes {
		p.Classes = append(p.Classes, choice{class, class, q.Class == class})
	}
	if len(q.values()) > 0 {
		p.All = "/ledger/entries"
	}
	return nil
}

func newEntryRow(e fleet.LedgerEntry) entryRow {
	row := entryRow{
		ID: strconv.FormatInt(e.ID, 10), Counts: e.Booked.String(), Kind: reports.KindWords(ledger.Kind(e.Kind)), Centre: e.CostCentre, Depot: string(e.Depot), Class: e.Class,
		Unit: string(e.Unit), Part: e.Part, Amount: reports.Money(e.Amount), Currency: e.Currency, Source: reports.SourceWords(e.Source), By: e.By,
	}
	if e.Unit != "" {
		row.UnitHref = unitHref(e.Unit)
	}
	if e.Value != e.Booked {
		row.Belongs = e.Value.String()
	}
	if e.Minutes != 0 {
		row.Hours = reports.HoursOf(int64(e.Minutes))
	}
	if e.Reverses != 0 {
		row.Back = strconv.FormatInt(e.Reverses, 10)
	}
	return row
}

// entriesFile is what the address says, to be written to a file.
func (s *Server) entriesFile(c echo.Context) (reports.LedgerEntries, error) {
	q, err := readEntriesQuery(c)
	if err != nil {
		return reports.LedgerEntries{}, err
	}
	sc, err := s.scopeAsked(c)
	if err != nil {
		return reports.LedgerEntries{}, err
	}
	return reports.LedgerEntries{Title: "Ledger, entries", Today: sc.today, Entries: s.store.EachLedgerEntry(c.Request().Context(), q.filter(sc))}, nil
}

func (s *Server) ledgerEntriesCSV(c echo.Context) error {
	file, err := s.entriesFile(c)
	if err != nil {
		return err
	}
	startDownload(c.Response(), fmt.Sprintf("ledger-%s.csv", file.Today))
	return file.WriteTable(c.Response())
}

// ledgerEntriesWorkbook answers when the workbook is whole: until then its rows wait in a temporary file.
func (s *Server) ledgerEntriesWorkbook(c echo.Context) error {
	file, err := s.entriesFile(c)
	if err != nil {
		return err
	}
	res := c.Response()
	res.Header().Set(echo.HeaderContentType, "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet")
	res.Header().Set(echo.HeaderContentDisposition, fmt.Sprintf(`attachment; filename="ledger-%s.xlsx"`, file.Today))
	return file.WriteWorkbook(res)
}
