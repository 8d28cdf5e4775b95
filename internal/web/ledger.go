package web

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"time"

	"github.com/labstack/echo/v4"

	"rimeyard/internal/fleet"
	"rimeyard/ledger"
	"rimeyard/reports"
)

// Accounts are the ledger, what it is booked from, budgets, what is owed, price lists, and the fleet's own figures.
type Accounts interface {
	reports.BookStore
	reports.LedgerStore
	reports.PaysStore
	reports.OwedStore
	reports.StockMoneyStore
	LedgerEntries(ctx context.Context, f fleet.LedgerFilter) ([]fleet.LedgerEntry, error)
	CloseMonth(ctx context.Context, month fleet.Date, by string) (closed bool, err error)
	Bills(ctx context.Context, of []fleet.DepotID) ([]fleet.Bill, error)
	AddBill(ctx context.Context, b fleet.Bill) (id int64, err error)
	TakeBackBill(ctx context.Context, id int64, of []fleet.DepotID, by string) (bool, error)
	KeepBudget(ctx context.Context, b fleet.KeptBudget) (id int64, err error)
	ReturnCore(ctx context.Context, kind fleet.Part, serial string, unit fleet.UnitID, fittedOn fleet.Opt[fleet.Date], on fleet.Date) error
	OpenClaim(ctx context.Context, c fleet.Claim) (id int64, err error)
	DecideClaim(ctx context.Context, c fleet.Claim, from string) (bool, error)
	SetPartPrices(ctx context.Context, prices []fleet.PartPrice) error
	PartsInUse(ctx context.Context) ([]fleet.PartUse, error)
	PartsFitted(ctx context.Context) ([]string, error)
	Unpriced(ctx context.Context, of []fleet.DepotID) (fleet.Bookable, error)
	SetOwnFigures(ctx context.Context, f fleet.OwnFigures, what string) error
}

func (s *Server) addLedger(get, post func(path string, h echo.HandlerFunc)) {
	get("/ledger", s.ledgerPage)
	get("/ledger.pdf", s.ledgerPDF)
	get("/ledger/entries", s.ledgerEntries)
	get("/ledger/entries.csv", s.ledgerEntriesCSV)
	get("/ledger/entries.xlsx", s.ledgerEntriesWorkbook)
	get("/ledger/budget", s.budgetPage)
	get("/ledger/budget.svg", s.budgetChart)
	get("/ledger/budget.csv", s.budgetCSV)
	get("/ledger/budget.xlsx", s.budgetWorkbook)
	post("/ledger/budget", s.keepBudget)
	get("/ledger/pays", s.paysPage)
	get("/ledger/pays.csv", s.paysCSV)
	get("/ledger/owed", s.owedPage)
	get("/ledger/owed.csv", s.owedCSV)
	post("/ledger/owed/core", s.returnCore)
	get("/ledger/claims/new", s.claimForm)
	post("/ledger/claims", s.openClaim)
	get("/ledger/claims/:claim", s.claimPage)
	post("/ledger/claims/:claim", s.decideClaim)
	get("/ledger/claims/:claim/sheet.pdf", s.claimSheet)
	get("/ledger/stock", s.ledgerStock)
	get("/ledger/unbooked", s.ledgerUnbooked)
	get("/ledger/prices", s.pricesPage)
	post("/ledger/prices", s.setPrice)
	get("/ledger/prices.csv", s.pricesCSV)
	post("/ledger/prices/file", s.takePrices)
	get("/ledger/bills", s.billsPage)
	post("/ledger/bills", s.addBill)
	post("/ledger/bills/:bill/take-back", s.takeBackBill)
	get("/ledger/close", s.closePage)
	post("/ledger/close", s.closeMonth)
	post("/ledger/book", s.bookNow)
	get("/ledger/figures", s.figuresPage)
	post("/ledger/figures", s.setFigures)
}

// ledgerFrame is what is round every page of the ledger.
type ledgerFrame struct {
	pageFrame
	Parts     []menuItem
	Said      string // what was just done; shown once
	MayChange bool
	Currency  ledger.Currency
	Net       string
}

// ledgerParts are the parts of the ledger, in the order in which they are shown.
var ledgerParts = []menuItem{
	{Text: "Overview", Href: "/ledger"},
	{Text: "Entries", Href: "/ledger/entries"},
	{Text: "Budget", Href: "/ledger/budget"},
	{Text: "Does it pay", Href: "/ledger/pays"},
	{Text: "Owed to us", Href: "/ledger/owed"},
	{Text: "Stock", Href: "/ledger/stock"},
	{Text: "Prices", Href: "/ledger/prices"},
	{Text: "Bills", Href: "/ledger/bills"},
	{Text: "Closing", Href: "/ledger/close"},
	{Text: "Own figures", Href: "/ledger/figures"},
}

// mayBook tells whether the viewer may change what the ledger rests on.
func mayBook(v viewer) bool { return slices.Contains(bookkeepers, v.person.Role) }

func (s *Server) ledgerFrame(c echo.Context, title string) (ledgerFrame, error) {
	f := ledgerFrame{pageFrame: s.frame(c, title), MayChange: mayBook(viewerOf(c)), Net: reports.NetWords}
	for _, part := range ledgerParts {
		part.Here = c.Path() == part.Href
		f.Parts = append(f.Parts, part)
	}
	if isRead(c.Request().Method) {
		f.Said = s.takeSaid(c)
	}
	own, err := s.store.OwnFigures(c.Request().Context())
	f.Currency = reports.CurrencyOf(own)
	return f, err
}

// ledgerScope is whose money is looked at.
type ledgerScope struct {
	of     []fleet.DepotID // nil: all
	own    []fleet.Depot   // that the viewer may see
	chosen fleet.DepotID   // empty: all of these
	today  fleet.Date      // of the first depot there is, by which the day of the ledger goes
}

// scopeAsked reads the depot from the address and holds it against the viewer's rights.
func (s *Server) scopeAsked(c echo.Context) (ledgerScope, error) {
	v := viewerOf(c)
	own, err := s.visibleDepots(c.Request().Context(), v)
	if err != nil {
		return ledgerScope{}, err
	}
	sc := ledgerScope{of: v.depots(), own: own, chosen: fleet.DepotID(c.QueryParam("depot"))}
	if sc.today, err = s.ledgerDay(c.Request().Context()); err != nil {
		return sc, err
	}
	if sc.chosen == "" {
		return sc, nil
	}
	if !slices.ContainsFunc(own, func(d fleet.Depot) bool { return d.ID == sc.chosen }) {
		return sc, notFoundError{fmt.Errorf("there is no depot %q that you may see", sc.chosen)}
	}
	sc.of = []fleet.DepotID{sc.chosen}
	return sc, nil
}

// ledgerDay is the day on which everything is booked: that of the first depot, as for the list of the day.
func (s *Server) ledgerDay(ctx context.Context) (fleet.Date, error) {
	all, err := s.store.Depots(ctx)
	if err != nil {
		return 0, err
	}
	zone := commonZone(nil)
	if len(all) > 0 {
		zone = all[0].Zone()
	}
	return fleet.DateOf(s.now(), zone), nil
}

// behind says that a figure lacks something that has changed since it was reckoned; empty: it lacks nothing.
func (s *Server) behind(c echo.Context, madeAt time.Time, is bool) (string, error) {
	if !is {
		return "", nil
	}
	zone, err := s.viewersZone(c)
	if err != nil {
		return "", err
	}
	return fmt.Sprintf("Reckoned at %s. Something has changed since that is not in these figures yet: they are being worked out anew in the background, which takes some minutes. Files to download and budgets to keep are worked out at once.", whenIn(madeAt, zone)), nil
}

// choices are links to the same page of each depot.
func (sc ledgerScope) choices(href func(fleet.DepotID) string) (links []choice) {
	if len(sc.own) < 2 {
		return nil
	}
	links = append(links, choice{href(""), "all depots", sc.chosen == ""})
	for _, d := range sc.own {
		links = append(links, choice{href(d.ID), string(d.ID), sc.chosen == d.ID})
	}
	return links
}

func withDepot(path string, depot fleet.DepotID) string {
	if depot == "" {
		return path
	}
	return path + "?" + url.Values{"depot": {string(depot)}}.Encode()
}

// ledgerOverview is all that ledger.tmpl prints.
type ledgerOverview struct {
	ledgerFrame
	Empty   string
	Ledger  reports.Ledger
	Depots  []choice
	Kinds   []string
	Months  []ledgerMonthRow
	Sum     ledgerMonthRow // of them all
	Centres []ledgerCentreRow
	All     *ledgerCentreRow // their sum, where there are several
	PDF     string
	Unset   bool // nobody has said in which currency amounts are
}

// ledgerFigure is a sum that opens to its rows.
type ledgerFigure struct{ Text, Href, Is string }

type ledgerMonthRow struct {
	Name, Href string
	Closed     bool
	SoFar      bool
	ByKind     []ledgerFigure
	Spent      ledgerFigure
	Hours      string
}

type ledgerCentreRow struct {
	Name                           string
	LastMonth, ThisMonth, InSeason ledgerFigure
}

func (s *Server) ledgerPage(c echo.Context) error {
	frame, err := s.ledgerFrame(c, "Ledger")
	if err != nil {
		return err
	}
	page := ledgerOverview{ledgerFrame: frame}
	sc, err := s.scopeAsked(c)
	if err != nil {
		return err
	}
	if len(sc.own) == 0 {
		page.Empty = "No depot is yours to see, so there is nothing to add up. Ask an administrator to give you one, or bring in the fleet's files with “rimeyard import”."
		return s.render(c, http.StatusOK, "ledger.tmpl", page)
	}
	data, err := s.ledgerData(c.Request().Context(), sc)
	if err != nil {
		return err
	}
	page.Ledger, page.Unset = reports.ComposeLedger(data), !data.IsSet
	page.Depots, page.PDF = sc.choices(func(d fleet.DepotID) string { return withDepot("/ledger", d) }), withDepot("/ledger.pdf", sc.chosen)
	for _, k := range page.Ledger.Kinds {
		page.Kinds = append(page.Kinds, reports.KindTitle(k))
	}
	for _, m := range page.Ledger.Months {
		page.Months = append(page.Months, newLedgerMonthRow(m, m.Month, page.Ledger.Kinds, sc))
	}
	months := page.Ledger.Months
	page.Sum = newLedgerMonthRow(page.Ledger.All, months[0].Month, page.Ledger.Kinds, sc)
	for _, centre := range page.Ledger.Centres {
		q := entriesQuery{Depot: sc.chosen, Centre: fleet.Known(centre.Name), Spend: true}
		page.Centres = append(page.Centres, ledgerCentreRow{
			Name: centre.NameWords(), LastMonth: q.figure(centre.LastMonth, months[1].Month, months[1].Month, months[1].Name),
			ThisMonth: q.figure(centre.ThisMonth, months[0].Month, months[0].Month, "This month so far"), InSeason: q.figure(centre.InSeason, page.Ledger.SeasonFrom, months[0].Month, "Season so far"),
		})
	}
	if all := page.Ledger.Together; all != nil {
		q := entriesQuery{Depot: sc.chosen, Spend: true}
		page.All = &ledgerCentreRow{
			Name: "All cost centres", LastMonth: q.figure(all.LastMonth, months[1].Month, months[1].Month, months[1].Name),
			ThisMonth: q.figure(all.ThisMonth, months[0].Month, months[0].Month, "This month so far"), InSeason: q.figure(all.InSeason, page.Ledger.SeasonFrom, months[0].Month, "Season so far"),
		}
	}
	return s.render(c, http.StatusOK, "ledger.tmpl", page)
}

// ledgerData is what the overview rests on. A budget needs a list; without one it is left out.
func (s *Server) ledgerData(ctx context.Context, sc ledgerScope) (reports.LedgerData, error) {
	return reports.GatherLedger(ctx, s.store, s.budgets, sc.of, sc.today)
}

// newLedgerMonthRow is the row of a month, or of the sum of those up to the last.
func newLedgerMonthRow(m reports.LedgerMonth, last ledger.Month, kinds []ledger.Kind, sc ledgerScope) ledgerMonthRow {
	q := entriesQuery{Depot: sc.chosen}
	row := ledgerMonthRow{Name: m.Name, Closed: m.Closed, SoFar: m.SoFar, Hours: reports.HoursOf(m.Minutes), Href: q.in(m.Month, last).href("/ledger/entries")}
	for _, k := range kinds {
		one := q
		one.Kind = k
		row.ByKind = append(row.ByKind, one.figure(m.ByKind[k], m.Month, last, reports.KindTitle(k)))
	}
	q.Spend = true
	row.Spent = q.figure(m.Spent, m.Month, last, "Spent")
	return row
}

// figure is a sum with the address of its rows; of nothing there is none.
func (q entriesQuery) figure(m fleet.Money, from, to ledger.Month, is string) ledgerFigure {
	if m == 0 {
		return ledgerFigure{Text: "–", Is: is}
	}
	return ledgerFigure{reports.Money(m), q.in(from, to).href("/ledger/entries"), is}
}

func (s *Server) ledgerPDF(c echo.Context) error {
	sc, err := s.scopeAsked(c)
	if err != nil {
		return err
	}
	if len(sc.own) == 0 {
		return notFoundError{errors.New("no depot is yours to see, so there is nothing to print")}
	}
	data, err := s.ledgerData(c.Request().Context(), sc)
	if err != nil {
		return err
	}
	pages, err := reports.ComposeLedger(data).PDF()
	return sendFile(c, fmt.Sprintf("ledger-%s.pdf", sc.today), "application/pdf", pages, err)
}
