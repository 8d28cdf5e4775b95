package web

import (
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"slices"
	"strings"
	"time"

	"github.com/labstack/echo/v4"

	"rimeyard/internal/fleet"
	"rimeyard/ledger"
	"rimeyard/reports"
)

// budgetView is all that ledger-budget.tmpl prints.
type budgetView struct {
	ledgerFrame
	Empty      string
	Behind     string // that something has changed since it was reckoned; empty: nothing has
	Headline   string
	Different  string // what is different from what is expected; empty: nothing
	Plain      string // address of the budget as expected
	Lines      []string
	Notes      []string
	Depots     []choice
	Reaches    []choice
	WhatIfs    []choice
	Priced     []choice // part numbers that can be bought
	Used       []choice // … in the place of one that is fitted
	Hidden     []hiddenField
	Chart      *auditPicture
	Centres    []choice
	Months     budgetTable
	ByCentre   budgetTable
	Versions   []versionRow
	Compared   [2]comparison // by month, by cost centre
	ComparedOf string
	CSV        string
	Workbook   string
	Here       string
	Name       string // proposed for a version
}

// comparison holds a kept budget against what came.
type comparison struct {
	Of   string
	Rows []comparedRow
}

type hiddenField struct{ Name, Value string }

// budgetTable are rows with their sum; Planned: work is planned, so that there is something to say of it.
type budgetTable struct {
	Rows    []budgetRow
	Planned bool
}

type budgetRow struct {
	Name, Planned, Failures, Expected, P10, P50, P90, Failed string
	Sum                                                      bool // of the rows above it
}

type versionRow struct {
	Name, Made, By, Different, Href string
	Here                            bool
}

type comparedRow struct {
	Name, Budget, Range, Actual, Forecast, Over string
	Outside, Sum                                bool
	Href                                        string // of the entries behind the actual figure
}

// budgetWaitView is all that ledger-wait.tmpl prints.
type budgetWaitView struct {
	ledgerFrame
	Different string // what is different from what is expected; empty: nothing
	Here      string
	Plain     string // address of the budget as expected
}

// budgetAsked is the budget that the address asks for; fresh: one that lacks nothing. With patience (none: as long as it takes),
// reports.BeingReckonedError where it takes longer.
func (s *Server) budgetAsked(c echo.Context, fresh bool, patience time.Duration) (b reports.Dated[ledger.Budget], sc ledgerScope, q budgetQuery, err error) {
	if q, err = readBudgetQuery(c); err != nil {
		return b, sc, q, err
	}
	if sc, err = s.scopeAsked(c); err != nil {
		return b, sc, q, err
	}
	if len(sc.own) == 0 {
		return b, sc, q, fleet.ErrNoIssue
	}
	b, err = s.budgets.Of(c.Request().Context(), reports.BudgetAsked{Depots: sc.of, Today: sc.today, Season: q.Season, WhatIf: q.WhatIf, Fresh: fresh, Patience: patience})
	return b, sc, q, err
}

func (s *Server) budgetPage(c echo.Context) error {
	frame, err := s.ledgerFrame(c, "Budget")
	if err != nil {
		return err
	}
	page := budgetView{ledgerFrame: frame}
	b, sc, q, err := s.budgetAsked(c, false, s.patience)
	if _, waits := errors.AsType[reports.BeingReckonedError](err); waits {
		wait := budgetWaitView{ledgerFrame: frame, Different: q.WhatIf.Words(), Here: c.Request().URL.RequestURI()}
		q.WhatIf = reports.WhatIf{}
		wait.Plain = q.href("/ledger/budget")
		c.Response().Header().Set("Refresh", lookAgain)
		return s.render(c, http.StatusOK, "ledger-wait.tmpl", wait)
	}
	if errors.Is(err, fleet.ErrNoIssue) {
		page.Empty = "There is no winter list yet, so nothing is known of the failures to come. Bring in the fleet's files with “rimeyard import”, then judge the units with “rimeyard fit”."
		return s.render(c, http.StatusOK, "ledger-budget.tmpl", page)
	}
	if err != nil {
		return err
	}
	if page.Behind, err = s.behind(c, b.MadeAt, b.Behind); err != nil {
		return err
	}
	zone, err := s.viewersZone(c)
	if err != nil {
		return err
	}
	page.say(b.Figure, q)
	if page.Behind == "" {
		page.Lines = append(page.Lines, fmt.Sprintf("Reckoned at %s, from the newest winter list, the plan and the prices as they are.", when(b.MadeAt, zone)))
	}
	page.offer(q, sc)
	if err := s.differs(c, &page, b.Figure, q, sc); err != nil {
		return err
	}
	if err := page.draw(b.Figure, q); err != nil {
		return err
	}
	if err := s.offerParts(c, &page); err != nil {
		return err
	}
	if err := s.versions(c, &page, b.Figure, q, sc); err != nil {
		return err
	}
	return s.render(c, http.StatusOK, "ledger-budget.tmpl", page)
}

func (p *budgetView) say(b ledger.Budget, q budgetQuery) {
	_, all := reports.BudgetLines(b, "", true)
	last := b.Months[len(b.Months)-1]
	p.Headline = fmt.Sprintf("%s expected to the end of %s", reports.InCurrency(all.Expected, b.Currency), reports.MonthWords(last))
	p.Different, p.Notes = q.WhatIf.Words(), reports.BudgetNotes(b)
	p.Lines = []string{
		fmt.Sprintf("In eight cases of ten it will be between %s and %s; the middle one is %s.", reports.Money(all.P10), reports.Money(all.P90), reports.Money(all.P50)),
		fmt.Sprintf("Planned work is %s of it, failures on the road %s: about %.0f failed starts. All of it is a forecast; nothing in it is booked.", reports.Money(all.Planned), reports.Money(all.Failures), all.Failed),
		fmt.Sprintf("All units share their winters: the range rests on %s, in each of which units fail by luck. Core deposits are not in it, as they come back.", reports.Count(b.Winters, "past winter")),
	}
	p.Here, p.CSV, p.Workbook = q.href("/ledger/budget"), q.href("/ledger/budget.csv"), q.href("/ledger/budget.xlsx")
	p.Name = "Budget of " + b.From.String()
	if p.Different != "" {
		p.Name += ", " + p.Different
	}
}

// differs says by how much a what-if is dearer than what is expected, where that is known already.
func (s *Server) differs(c echo.Context, p *budgetView, other ledger.Budget, q budgetQuery, sc ledgerScope) error {
	if p.Different == "" {
		return nil
	}
	plain, err := s.budgets.Of(c.Request().Context(), reports.BudgetAsked{Depots: sc.of, Today: sc.today, Season: q.Season, Patience: s.patience})
	if _, waits := errors.AsType[reports.BeingReckonedError](err); waits {
		return nil
	}
	if err != nil {
		return err
	}
	_, is := reports.BudgetLines(plain.Figure, "", true)
	_, would := reports.BudgetLines(other, "", true)
	said := "That is as much as is expected otherwise."
	switch more := would.Expected - is.Expected; {
	case more > 0:
		said = fmt.Sprintf("That is %s more than the %s expected otherwise.", reports.InCurrency(more, other.Currency), reports.Money(is.Expected))
	case more < 0:
		said = fmt.Sprintf("That is %s less than the %s expected otherwise.", reports.InCurrency(-more, other.Currency), reports.Money(is.Expected))
	}
	p.Lines = slices.Insert(p.Lines, 0, said)
	return nil
}

func (p *budgetView) offer(q budgetQuery, sc ledgerScope) {
	to := func(change func(*budgetQuery)) string {
		other := q
		other.Against = 0
		change(&other)
		return other.href("/ledger/budget")
	}
	p.Depots = sc.choices(func(d fleet.DepotID) string {
		return to(func(o *budgetQuery) { o.Depot, o.Centre = d, fleet.Opt[string]{} })
	})
	p.Reaches = []choice{
		{to(func(o *budgetQuery) { o.Season = false }), "as far as the fleet looks ahead", !q.Season},
		{to(func(o *budgetQuery) { o.Season = true }), "to the end of the season", q.Season},
	}
	as := func(w reports.WhatIf, text string) choice {
		return choice{to(func(o *budgetQuery) { o.WhatIf = w }), text, q.WhatIf == w}
	}
	p.WhatIfs = []choice{
		as(reports.WhatIf{}, "as expected"), as(reports.WhatIf{Cold: true}, "coldest winter in ten"), as(reports.WhatIf{More: reports.MoreSwaps}, fmt.Sprintf("%d swaps a week more", reports.MoreSwaps)),
		as(reports.WhatIf{Wait: true}, "wait a year: swap nothing by plan"),
	}
	p.Plain = to(func(o *budgetQuery) { o.WhatIf = reports.WhatIf{} })
	p.Hidden = []hiddenField{{"if", "part"}}
	if q.Depot != "" {
		p.Hidden = append(p.Hidden, hiddenField{"depot", string(q.Depot)})
	}
	if q.Season {
		p.Hidden = append(p.Hidden, hiddenField{"to", "season"})
	}
}

func (p *budgetView) draw(b ledger.Budget, q budgetQuery) error {
	centre, one := q.Centre.Get()
	months, all := reports.BudgetLines(b, centre, !one)
	if one && len(months) == 0 {
		return notFoundError{fmt.Errorf("no unit of this budget belongs to cost centre %q", centre)}
	}
	picture, err := reports.BudgetMonths("budget", months, b.Currency, reports.PageWidth)
	if err != nil {
		return err
	}
	figures, err := figuresOf(picture)
	if err != nil {
		return err
	}
	src := q.href("/ledger/budget.svg")
	p.Chart = &auditPicture{picture.Title, src, asNarrow(src), picture.Description, figures, picture.Width, picture.Height}
	for _, l := range months {
		m, _ := l.Month.Get()
		name := reports.MonthWords(m)
		if m.First() < b.From {
			name += ", from " + b.From.String()
		}
		p.Months.Rows = append(p.Months.Rows, newBudgetRow(name, l))
	}
	p.Months.Rows = append(p.Months.Rows, newBudgetRow("All months", all).sum())
	_, whole := reports.BudgetLines(b, "", true)
	p.Months.Planned, p.ByCentre.Planned = all.Planned != 0, whole.Planned != 0
	every := q
	every.Centre = fleet.Opt[string]{}
	p.Centres = []choice{{every.href("/ledger/budget"), "all cost centres", !one}}
	for _, l := range b.Lines {
		if l.Month.IsKnown() {
			continue
		}
		p.ByCentre.Rows = append(p.ByCentre.Rows, newBudgetRow(reports.CentreWords(l.CostCentre), l))
		only := q
		only.Centre = fleet.Known(l.CostCentre)
		p.Centres = append(p.Centres, choice{only.href("/ledger/budget"), reports.CentreWords(l.CostCentre), one && centre == l.CostCentre})
	}
	p.ByCentre.Rows = append(p.ByCentre.Rows, newBudgetRow("All cost centres", whole).sum())
	return nil
}

func (r budgetRow) sum() budgetRow {
	r.Sum = true
	return r
}

func newBudgetRow(name string, l ledger.BudgetLine) budgetRow {
	return budgetRow{
		Name: name, Planned: reports.Money(l.Planned), Failures: reports.Money(l.Failures), Expected: reports.Money(l.Expected), P10: reports.Money(l.P10), P50: reports.Money(l.P50),
		P90: reports.Money(l.P90), Failed: fmt.Sprintf("%.1f", l.Failed),
	}
}

// offerParts lists what can be bought in the place of what.
func (s *Server) offerParts(c echo.Context, p *budgetView) error {
	ctx := c.Request().Context()
	prices, err := s.store.PartPrices(ctx)
	if err != nil {
		return err
	}
	fitted, err := s.store.PartsFitted(ctx)
	if err != nil {
		return err
	}
	buy, place := c.QueryParam("buy"), c.QueryParam("in_place_of")
	if buy == "" && len(prices) > 0 { // a part in its own place would say nothing
		buy = prices[0].Part
		if i := slices.IndexFunc(fitted, func(part string) bool { return part != buy }); i >= 0 {
			place = fitted[i]
		}
	}
	for _, line := range prices {
		if !slices.ContainsFunc(p.Priced, func(o choice) bool { return o.Value == line.Part }) {
			p.Priced = append(p.Priced, choice{line.Part, line.Part, line.Part == buy})
		}
	}
	for _, part := range fitted {
		p.Used = append(p.Used, choice{part, part, part == place})
	}
	return nil
}

// versions lists the budgets that were kept, and holds one against what came.
func (s *Server) versions(c echo.Context, p *budgetView, newest ledger.Budget, q budgetQuery, sc ledgerScope) error {
	ctx := c.Request().Context()
	kept, err := s.store.Budgets(ctx, sc.of)
	if err != nil {
		return err
	}
	zone, err := s.viewersZone(c)
	if err != nil {
		return err
	}
	for _, k := range kept {
		if !reports.SameDepots(k.Depots, sc.of) {
			continue
		}
		to := budgetQuery{Depot: q.Depot, Against: k.ID}
		row := versionRow{Name: k.Name, Made: whenIn(k.MadeAt, zone), By: k.By, Href: to.href("/ledger/budget") + "#against", Here: k.ID == q.Against}
		var what reports.WhatIf
		if err := json.Unmarshal(k.WhatIf, &what); err != nil {
			return fmt.Errorf("read budget %d: %w", k.ID, err)
		}
		row.Different = what.Words()
		p.Versions = append(p.Versions, row)
	}
	if q.Against == 0 {
		return nil
	}
	k, found, err := s.store.Budget(ctx, q.Against, sc.of)
	if err != nil {
		return err
	}
	if !found || !reports.SameDepots(k.Depots, sc.of) {
		return notFoundError{fmt.Errorf("no budget of these depots has the number %d", q.Against)}
	}
	return s.compare(c, p, k, newest, sc)
}

func (s *Server) compare(c echo.Context, p *budgetView, k fleet.KeptBudget, newest ledger.Budget, sc ledgerScope) error {
	var was ledger.Budget
	if err := json.Unmarshal(k.Result, &was); err != nil {
		return fmt.Errorf("read budget %d: %w", k.ID, err)
	}
	lines, err := reports.CompareBudget(c.Request().Context(), s.store, sc.of, was, newest)
	if err != nil {
		return err
	}
	p.ComparedOf = k.Name
	p.Compared[0].Of, p.Compared[1].Of = "Month", "Cost centre, all months"
	for _, l := range lines {
		of := &p.Compared[0]
		month, one := l.Month.Get()
		row := comparedRow{Budget: reports.Money(l.Budget), Range: reports.Money(l.P10) + " to " + reports.Money(l.P90), Actual: "ahead", Forecast: moneyOr(l.Forecast), Over: moneyOr(l.Over), Outside: l.Outside}
		entries := entriesQuery{Depot: sc.chosen, Spend: true}.in(was.Months[0], ledger.MonthOf(newest.From))
		switch {
		case l.Whole && one:
			row.Name, entries = reports.MonthWords(month), entries.in(month, month)
		case l.Whole:
			row.Name, row.Sum = "All months", true
		case !one:
			row.Name, entries.Centre, of = reports.CentreWords(l.CostCentre), fleet.Known(l.CostCentre), &p.Compared[1]
		default:
			continue // of single cost centres the page shows the sums
		}
		if l.Actual.IsKnown() {
			row.Actual, row.Href = moneyOr(l.Actual), entries.href("/ledger/entries")
		}
		of.Rows = append(of.Rows, row)
	}
	return nil
}

func (s *Server) budgetChart(c echo.Context) error {
	b, _, q, err := s.budgetAsked(c, false, allPatience)
	if err != nil {
		return err
	}
	centre, one := q.Centre.Get()
	months, _ := reports.BudgetLines(b.Figure, centre, !one)
	picture, err := reports.BudgetMonths("budget", months, b.Figure.Currency, pictureWidth(c))
	if errors.Is(err, reports.ErrNothingToDraw) {
		return notFoundError{fmt.Errorf("no unit of this budget belongs to cost centre %q", centre)}
	}
	return sendPicture(c, picture, err)
}

func (s *Server) budgetCSV(c echo.Context) error {
	b, sc, _, err := s.budgetAsked(c, true, allPatience)
	if err != nil {
		return err
	}
	table, err := reports.BudgetTable(b.Figure)
	return sendFile(c, fmt.Sprintf("budget-%s.csv", sc.today), "text/csv; charset=utf-8; header=present", table, err)
}

func (s *Server) budgetWorkbook(c echo.Context) error {
	b, sc, q, err := s.budgetAsked(c, true, allPatience)
	if err != nil {
		return err
	}
	book, err := reports.BudgetWorkbook(b.Figure, q.WhatIf.Words(), sc.today)
	return sendFile(c, fmt.Sprintf("budget-%s.xlsx", sc.today), "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet", book, err)
}

// keepBudget keeps the budget of the address that the form was sent to as a version.
func (s *Server) keepBudget(c echo.Context) error {
	f, err := typedForm(c)
	if err != nil {
		return err
	}
	b, sc, q, err := s.budgetAsked(c, true, allPatience)
	if err != nil {
		return err
	}
	const longest = 100 // characters
	name := strings.Join(strings.Fields(f.get("name")), " ")
	if name == "" || len([]rune(name)) > longest {
		return badRequestError{fmt.Errorf("the budget needs a name, of at most %d characters", longest)}
	}
	issue, err := s.store.LatestIssue(c.Request().Context())
	if err != nil {
		return err
	}
	what, err := json.Marshal(q.WhatIf)
	if err != nil {
		return err
	}
	result, err := json.Marshal(b.Figure)
	if err != nil {
		return err
	}
	kept := fleet.KeptBudget{Name: name, Issue: issue.ID, Depots: sc.of, By: viewerOf(c).person.Name, WhatIf: what, Result: result}
	id, err := s.store.KeepBudget(c.Request().Context(), kept)
	if err != nil {
		return err
	}
	to := budgetQuery{Depot: q.Depot, Against: id}
	return s.done(c, to.href("/ledger/budget"), "Kept as “"+name+"”. It is not changed any more: keep another when things have moved on.")
}
