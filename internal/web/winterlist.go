package web

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"math"
	"net/http"
	"net/url"
	"strings"

	"github.com/labstack/echo/v4"

	"rimeyard/internal/fleet"
	"rimeyard/reports"
)

// winterPage is all that winterlist.tmpl prints.
type winterPage struct {
	pageFrame
	Empty    string // why there is no list at all, and what to do; then the rest is not shown
	Headline string // "4 down, 12 to swap before the frost"
	AsOf     string
	Season   string
	Stale    string // says that the list is old; empty where it is not
	News     string // of how many units something has come since; empty: of none
	Tiles    []bandTile
	Ladder   *ladderView // nil: nothing to draw
	By       string      // what the list is sorted by
	Query    listQuery
	Depots   []choice
	Classes  []choice
	Bands    []choice
	Suspects []choice
	Orders   []choice
	Rows     []winterRow
	NoRows   string // why the filter lets nothing through, and what to do
	Shown    string // "1 to 50 of 240 units"
	CSV      string
	Workbook string
	PDF      string
	AllUnits string // the list without filter; empty where there is none
	Earlier  string // the page before; empty on the first
	Later    string
}

type bandTile struct {
	Look reports.Look
	N    string
	Href string
	Here bool // the list is narrowed to this band
}

// choice is one option of a form's field.
type choice struct {
	Value, Text string
	Chosen      bool
}

type winterRow struct {
	Rank      int
	Unit      string
	Href      string
	Depot     string
	Look      reports.Look
	Chance    string
	Class     string
	ColdLimit string
	Interval  string
	Rung      *rung  // nil: no cold limit is known
	Drift     string // empty: none to speak of
	Suspect   string
	SwapBy    string
	Loss      string
	SwapCost  string
	Evidence  string // its first line
	Anew      *anewView
}

const notKnown = "not known"

func (s *Server) home(c echo.Context) error { return c.Redirect(http.StatusSeeOther, "/winter-list") }

func (s *Server) winterList(c echo.Context) error {
	q, err := readListQuery(c)
	if err != nil {
		return err
	}
	ctx, v := c.Request().Context(), viewerOf(c)
	page := winterPage{pageFrame: s.frame(c, "Winter list"), Query: q, CSV: q.href("/winter-list.csv"), Workbook: q.href("/winter-list.xlsx"), PDF: q.href("/winter-list.pdf")}
	issue, err := s.store.LatestIssue(ctx)
	if errors.Is(err, fleet.ErrNoIssue) {
		page.Empty = "There is no winter list yet. Bring in the fleet's files with “rimeyard import”, then judge the units with “rimeyard fit”."
		return s.render(c, http.StatusOK, "winterlist.tmpl", page)
	}
	if err != nil {
		return err
	}
	depots, err := s.visibleDepots(ctx, v)
	if err != nil {
		return err
	}
	if len(depots) == 0 {
		page.Empty = "No depot is yours to see. Ask an administrator to give you one."
		return s.render(c, http.StatusOK, "winterlist.tmpl", page)
	}
	if err := s.fillWinterPage(ctx, &page, v, issue, depots); err != nil {
		return err
	}
	return s.render(c, http.StatusOK, "winterlist.tmpl", page)
}

func (s *Server) fillWinterPage(ctx context.Context, page *winterPage, v viewer, issue fleet.Issue, depots []fleet.Depot) error {
	q := page.Query
	today := fleet.DateOf(s.now(), depots[0].Zone())
	page.AsOf = reports.DayMonth(issue.AsOf, today)
	page.Season = reports.DayMonth(issue.Season.From, today) + " to " + reports.DayMonth(issue.Season.To, today)
	const staleAfter = 8 // days: a list is issued at least weekly
	if age := int(today - issue.AsOf); age > staleAfter {
		page.Stale = fmt.Sprintf("This list is %d days old: newer readings are not in it. “rimeyard fit” makes a new one.", age)
	}
	list, err := s.listOf(ctx, issue.ID)
	if err != nil {
		return err
	}
	filter := q.filter(v)
	news, err := s.store.AnewCounts(ctx, issue.ID, filter.Depots)
	if err != nil {
		return err
	}
	page.News = newsCount(news)
	filter.Limit, filter.Offset = rowsPerPage, (q.Page-1)*rowsPerPage
	lines, counts := list.look(filter)
	page.Headline = headline(counts)
	page.Tiles = tiles(q, counts)
	total := 0
	for band, n := range counts {
		if q.Band == "" || q.Band == band {
			total += n
		}
	}
	classes, err := s.classesOf(ctx, issue.ID, v)
	if err != nil {
		return err
	}
	if err := s.fillWinterRows(ctx, page, lines, issue, depots, today); err != nil {
		return err
	}
	page.turnPages(total)
	page.offerChoices(depots, classes)
	page.By = orderWords(cmp.Or(q.Order, fleet.ByRank))
	if len(lines) > 0 {
		page.Ladder, err = s.newLadderView(ctx, q, v, issue, depots, lines[0].Depot)
	}
	return err
}

func (s *Server) fillWinterRows(ctx context.Context, page *winterPage, lines []*fleet.ListLine, issue fleet.Issue, depots []fleet.Depot, today fleet.Date) error {
	minima, classes, units := map[fleet.DepotID][]float64{}, map[fleet.UnitID]string{}, make([]fleet.UnitID, len(lines))
	for i, l := range lines {
		units[i], classes[l.Unit], minima[l.Depot] = l.Unit, l.Class, nil
	}
	for _, d := range depots {
		if _, shown := minima[d.ID]; !shown {
			continue
		}
		var err error
		if minima[d.ID], err = s.winterMinimaC(ctx, issue, d); err != nil {
			return err
		}
	}
	rows, err := s.store.ListRows(ctx, issue, units)
	for _, r := range rows {
		row := newWinterRow(r.Forecast, today)
		row.Class, row.Rung, row.Drift = classes[r.Forecast.Unit], newRung(r.Forecast, minima[r.Forecast.Depot]), driftWords(r.DriftCPerMonth)
		row.Anew = newAnewView(r.Anew, today)
		page.Rows = append(page.Rows, row)
	}
	return err
}

// driftWords says where the cold limit is going; empty where it stands still or is not known.
func driftWords(perMonthC fleet.Opt[float64]) string {
	c, known := perMonthC.Get()
	switch {
	case !known || math.Abs(c) < 0.1:
		return ""
	case c > 0:
		return fmt.Sprintf("rising %.1f° a month", c)
	}
	return fmt.Sprintf("falling %.1f° a month", -c)
}

// turnPages says which rows are shown and where the others are.
func (p *winterPage) turnPages(total int) {
	q := p.Query
	if q.narrowed() {
		p.AllUnits = listQuery{Order: q.Order}.href("/winter-list")
	}
	if len(p.Rows) == 0 {
		p.NoRows = "No unit fits this filter. Take part of it back, or look at all units."
		if !q.narrowed() {
			p.NoRows = "There are no units on this page of the list."
		}
		return
	}
	first := (q.Page-1)*rowsPerPage + 1
	p.Shown = fmt.Sprintf("%d to %d of %d units", first, first+len(p.Rows)-1, total)
	if q.Page > 1 {
		earlier := q
		earlier.Page--
		p.Earlier = earlier.href("/winter-list")
	}
	if first+len(p.Rows)-1 < total {
		later := q
		later.Page++
		p.Later = later.href("/winter-list")
	}
}

func (p *winterPage) offerChoices(depots []fleet.Depot, classes []string) {
	q := p.Query
	p.Classes = []choice{{"", "all classes", q.Class == ""}}
	for _, class := range classes {
		p.Classes = append(p.Classes, choice{class, class, q.Class == class})
	}
	p.Depots = []choice{{"", "all depots", q.Depot == ""}}
	for _, d := range depots {
		p.Depots = append(p.Depots, choice{string(d.ID), depotName(d), q.Depot == d.ID})
	}
	p.Bands = []choice{{"", "all bands", q.Band == ""}}
	for _, l := range reports.Looks() {
		p.Bands = append(p.Bands, choice{string(l.Band), l.Word, q.Band == l.Band})
	}
	p.Suspects = []choice{{"", "all suspects", q.Suspect == ""}}
	for _, part := range fleet.Suspects() {
		p.Suspects = append(p.Suspects, choice{string(part), string(part), q.Suspect == part})
	}
	for _, o := range listOrders {
		p.Orders = append(p.Orders, choice{string(o.Order), o.Words, cmp.Or(q.Order, fleet.ByRank) == o.Order})
	}
}

func depotName(d fleet.Depot) string {
	if d.Name == "" || d.Name == string(d.ID) {
		return string(d.ID)
	}
	return fmt.Sprintf("%s (%s)", d.Name, d.ID)
}

func headline(counts map[fleet.Band]int) string {
	down, swap := counts[fleet.Down], counts[fleet.Swap]
	switch {
	case down > 0 && swap > 0:
		return fmt.Sprintf("%d down, %d to swap before the frost", down, swap)
	case down > 0:
		return fmt.Sprintf("%d down, none to swap before the frost", down)
	case swap > 0:
		return fmt.Sprintf("%d to swap before the frost", swap)
	}
	return "Nothing to swap before the frost"
}

func tiles(q listQuery, counts map[fleet.Band]int) []bandTile {
	var tiles []bandTile
	for _, l := range reports.Looks() {
		to := q
		to.Band, to.Page = l.Band, 1
		here := q.Band == l.Band
		if here { // a second press lets the others back in
			to.Band = ""
		}
		tiles = append(tiles, bandTile{l, fmt.Sprint(counts[l.Band]), to.href("/winter-list"), here})
	}
	return tiles
}

func newWinterRow(f fleet.Forecast, today fleet.Date) winterRow {
	r := winterRow{
		Rank: f.Rank, Unit: string(f.Unit), Href: unitHref(f.Unit), Depot: string(f.Depot), Look: reports.LookOf(f.Band),
		Chance: notKnown, ColdLimit: notKnown, Suspect: suspectWords(f), SwapBy: "–", Loss: moneyOr(f.ExpectedLoss), SwapCost: moneyOr(f.SwapCost),
	}
	if p, ok := f.NoStartProbability.Get(); ok {
		r.Chance = strings.ReplaceAll(reports.Chance(p), " %", "\u00a0%")
	}
	r.ColdLimit, r.Interval = coldLimitWords(f)
	if by, ok := f.SwapBy.Get(); ok {
		r.SwapBy = reports.DayMonth(by, today)
	}
	if len(f.Evidence) > 0 {
		r.Evidence = f.Evidence[0]
	}
	return r
}

// coldLimitWords gives the limit and its interval; the interval is empty where it is unknown.
func coldLimitWords(f fleet.Forecast) (limit, interval string) {
	c, ok := f.ColdLimitC.Get()
	if !ok {
		return notKnown, ""
	}
	limit = reports.Degrees(c)
	lo, okLo := f.ColdLimitP10C.Get()
	hi, okHi := f.ColdLimitP90C.Get()
	if okLo && okHi {
		interval = intervalWords(lo, hi)
	}
	return limit, interval
}

// intervalWords names the unit of measure once: −9.0 to −3.5 °C.
func intervalWords(lo, hi float64) string {
	return strings.TrimSuffix(reports.Degrees(lo), "\u00a0°C") + " to " + reports.Degrees(hi)
}

func suspectWords(f fleet.Forecast) string {
	p, ok := f.SuspectProbabilities[f.Suspect]
	switch {
	case f.Suspect == "":
		return notKnown
	case !ok:
		return string(f.Suspect)
	}
	return fmt.Sprintf("%s, %s", f.Suspect, percent(p))
}

func percent(p float64) string { return fmt.Sprintf("%d\u00a0%%", int(math.Round(p*100))) }

func moneyOr(m fleet.Opt[fleet.Money]) string {
	amount, ok := m.Get()
	if !ok {
		return notKnown
	}
	return reports.Money(amount)
}

func unitHref(unit fleet.UnitID) string { return "/units/" + url.PathEscape(string(unit)) }

// visibleDepots are the depots that the viewer may see, in the order of the store.
func (s *Server) visibleDepots(ctx context.Context, v viewer) ([]fleet.Depot, error) {
	all, err := s.store.Depots(ctx)
	if err != nil {
		return nil, err
	}
	var own []fleet.Depot
	for _, d := range all {
		if v.maySee(d.ID) {
			own = append(own, d)
		}
	}
	return own, nil
}
