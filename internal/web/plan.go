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
	"rimeyard/plan"
	"rimeyard/reports"
)

// Planning is what the plan is made of, what people have chosen for it, and the feeds that calendars read it by.
type Planning interface {
	reports.PlanStore
	ChoosePlan(ctx context.Context, c fleet.PlanChoice) error
	UnchoosePlan(ctx context.Context, unit fleet.UnitID) error
	SetDepotWeek(ctx context.Context, depot fleet.DepotID, monday fleet.Date, visits fleet.Opt[int]) error
	Feed(ctx context.Context, person string) (f fleet.Feed, found bool, err error)
	MakeFeed(ctx context.Context, person string, sha256 [32]byte) error
	EndFeed(ctx context.Context, person string) error
	UseFeed(ctx context.Context, sha256 [32]byte) (p fleet.Person, found bool, err error)
}

func (s *Server) addPlan(get, post func(path string, h echo.HandlerFunc)) {
	get("/plan", s.orWait("Plan", s.planPage))
	get("/plan.csv", s.planCSV)
	get("/plan.xlsx", s.planWorkbook)
	get("/plan.ics", s.planCalendar)
	get("/plan/picking", s.orWait("Picking list", s.planPicking))
	get("/plan/picking.pdf", s.planPickingPDF)
	get("/plan/picking.csv", s.planPickingCSV)
	get("/plan/units/:unit", s.orWait("Plan", s.planUnit))
	post("/plan/units/:unit", s.decideUnit)
	post("/plan/week", s.setPlanWeek)
	get("/plan/feed", s.planFeed)
	post("/plan/feed", s.makeFeed)
	post("/plan/feed/end", s.endFeed)
}

// planQuery is what the address says.
type planQuery struct {
	Depot fleet.DepotID         // empty: all that the viewer may see
	Week  fleet.Opt[fleet.Date] // a Monday; unknown: the board
}

func (q planQuery) href(path string) string {
	values := url.Values{}
	if q.Depot != "" {
		values.Set("depot", string(q.Depot))
	}
	if monday, one := q.Week.Get(); one {
		values.Set("week", monday.String())
	}
	if len(values) == 0 {
		return path
	}
	return path + "?" + values.Encode()
}

func readPlanQuery(c echo.Context) (planQuery, error) {
	q := planQuery{Depot: fleet.DepotID(c.QueryParam("depot"))}
	if typed := c.QueryParam("week"); typed != "" {
		day, err := fleet.ParseDate(typed)
		if err != nil || day != day.Monday() {
			return q, badRequestError{fmt.Errorf("week %q: want the Monday that it begins with, like 2026-11-30", typed)}
		}
		q.Week = fleet.Known(day)
	}
	return q, nil
}

// planPage is all that plan.tmpl prints.
type planPage struct {
	pageFrame
	Empty     string // why there is no plan, and what to do; then the rest is not shown
	Said      string // what was just done
	Headline  string
	AsOf      string
	Season    string
	Sure      string
	Since     string // of the plan that Changes are against; empty: none was kept
	Changes   []string
	Depots    []choice
	Board     []boardDepot
	Week      string // the only one shown, in full; empty: the board
	WholePlan string // address of the board
	Here      string // this page, to come back to
	MayChange bool
	Tests     []retestRow
	Orders    []orderRow
	Left      []leftGroup
	LeftOf    string
	Notes     []string
	Picking   string
	Workbook  string
	CSV       string
}

type retestRow struct{ Unit, Href, Depot, Week, Worth, Why string }

type orderRow struct {
	Depot, Part, Pieces, Needed, OrderBy string
	Late                                 bool
}

type leftGroup struct {
	Reason, N string
	Rows      []unplannedRow
	More      string // how many are not shown
}

type unplannedRow struct{ Unit, Href, Depot, WouldSave, Chance, Why string }

// planPatience is how long a page waits for a plan that is being worked out before it says so; files and letters wait for all of it.
const (
	planPatience   = 400 * time.Millisecond
	choicePatience = 2 * time.Second // what was chosen is kept by then; only what it does to the plan would go unsaid
	allPatience    = 0
)

// planWaitPage is all that plan-wait.tmpl prints.
type planWaitPage struct {
	pageFrame
	Done, Depots int
	Here         string
}

// orWait shows, where the plan that a page needs takes longer, how far it is, and looks again by itself.
func (s *Server) orWait(title string, page echo.HandlerFunc) echo.HandlerFunc {
	return func(c echo.Context) error {
		err := page(c)
		b, waits := errors.AsType[reports.BeingPlannedError](err)
		if !waits {
			return err
		}
		const lookAgain = "2" // seconds
		c.Response().Header().Set("Refresh", lookAgain)
		return s.render(c, http.StatusOK, "plan-wait.tmpl", planWaitPage{s.frame(c, title), b.Done, b.Depots, c.Request().URL.RequestURI()})
	}
}

// planAsked is the plan of the depots that the viewer may see, or of the one in the address, and the depots to choose from. With patience
// (none: as long as it takes), reports.BeingPlannedError where it takes longer.
func (s *Server) planAsked(c echo.Context, v viewer, q planQuery, patience time.Duration) (p reports.Planned, own []fleet.Depot, err error) {
	ctx := c.Request().Context()
	all, err := s.store.Depots(ctx)
	if err != nil || len(all) == 0 {
		return p, nil, err
	}
	for _, d := range all {
		if v.maySee(d.ID) {
			own = append(own, d)
		}
	}
	of := v.depots()
	if q.Depot != "" {
		if !slices.ContainsFunc(own, func(d fleet.Depot) bool { return d.ID == q.Depot }) {
			return p, own, notFoundError{fmt.Errorf("there is no depot %q that you may see", q.Depot)}
		}
		of = []fleet.DepotID{q.Depot}
	}
	p, err = s.plans.Soon(ctx, of, fleet.DateOf(s.now(), all[0].Zone()), patience) // one day for all, so that weeks stand below each other
	if err != nil {
		return p, own, err
	}
	if monday, one := q.Week.Get(); one && (monday < p.Plan.Monday || monday >= p.Plan.Monday+fleet.Date(7*p.Plan.WeekCount)) {
		return p, own, notFoundError{fmt.Errorf("the plan has no week of %s: it goes from %s to %s", monday, p.Plan.Monday, p.Plan.Monday+fleet.Date(7*(p.Plan.WeekCount-1)))}
	}
	return p, own, nil
}

func (s *Server) planPage(c echo.Context) error {
	q, err := readPlanQuery(c)
	if err != nil {
		return err
	}
	v := viewerOf(c)
	page := planPage{
		pageFrame: s.frame(c, "Plan"), MayChange: mayPlan(v), Here: q.href("/plan"), WholePlan: planQuery{Depot: q.Depot}.href("/plan"),
		Picking: q.href("/plan/picking"), Workbook: q.href("/plan.xlsx"), CSV: q.href("/plan.csv"),
	}
	p, own, err := s.planAsked(c, v, q, s.patience)
	switch {
	case errors.Is(err, fleet.ErrNoIssue):
		page.Empty = "There is no winter list yet, so nothing can be planned. Bring in the fleet's files with “rimeyard import”, then judge the units with “rimeyard fit”."
	case err != nil:
		return err
	case len(own) == 0:
		page.Empty = "No depot is yours to see. Ask an administrator to give you one."
	case p.Plan.Monday > p.Issue.Season.To:
		page.Empty = fmt.Sprintf("The season of the newest list ended on %s, so nothing is left to plan. “rimeyard fit” makes a list for the coming one.", reports.LongDay(p.Issue.Season.To))
	}
	if page.Empty != "" {
		return s.render(c, http.StatusOK, "plan.tmpl", page)
	}
	if err := s.fillPlanPage(c, &page, p, q, own); err != nil {
		return err
	}
	return s.render(c, http.StatusOK, "plan.tmpl", page)
}

// mayPlan tells whether the viewer may change the plan.
func mayPlan(v viewer) bool { return slices.Contains(planners, v.person.Role) }

func (s *Server) fillPlanPage(c echo.Context, page *planPage, p reports.Planned, q planQuery, own []fleet.Depot) error {
	page.Said = s.takeSaid(c)
	told, err := reports.ComposePlan(p, fleet.Said{})
	if err != nil {
		return err
	}
	page.Headline, page.Season, page.Sure, page.Notes = told.Headline, told.Season, told.Sure, told.Notes
	page.AsOf = reports.DayMonth(p.Issue.AsOf, p.Today)
	if len(own) > 1 {
		page.Depots = append(page.Depots, choice{planQuery{Week: q.Week}.href("/plan"), "all depots", q.Depot == ""})
		for _, d := range own {
			page.Depots = append(page.Depots, choice{planQuery{d.ID, q.Week}.href("/plan"), string(d.ID), q.Depot == d.ID})
		}
	}
	if monday, one := q.Week.Get(); one {
		page.Week, page.Headline = reports.LongDay(monday), weekHeadline(p, monday)
	}
	b := boardMaker{p: p, q: q, mayChange: page.MayChange, here: page.Here}
	page.Board = b.board()
	page.Tests, page.Orders, page.Left = planTests(p, page.Here), planOrders(p), planLeft(p, page.Here)
	page.LeftOf = fmt.Sprintf("Neither put right nor tested: %d", len(p.Plan.Left))
	if q.Week.IsKnown() { // its tests stand among its visits
		page.Tests, page.Left = nil, nil
		return nil
	}
	page.Since, page.Changes, err = s.planChanges(c.Request().Context(), p)
	return err
}

func weekHeadline(p reports.Planned, monday fleet.Date) string {
	week := p
	week.Plan.Depots = slices.Clone(p.Plan.Depots)
	for i, d := range week.Plan.Depots {
		week.Plan.Depots[i].Weeks = d.Weeks[int(monday-p.Plan.Monday)/7:]
	}
	week.Plan.Monday = monday
	told, err := reports.ComposePlan(week, fleet.Said{})
	if err != nil {
		return "Week of " + reports.LongDay(monday)
	}
	return told.Headline
}

// keptBefore is the plan as it was kept a week ago.
type keptBefore struct {
	plan  plan.Plan
	day   string
	found bool
}

// planChanges says what is new since last week's plan.
func (s *Server) planChanges(ctx context.Context, p reports.Planned) (since string, changes []string, err error) {
	of := make([]fleet.DepotID, len(p.Depots))
	for i, d := range p.Depots {
		of[i] = d.ID
	}
	zone := p.Depots[0].Zone()
	const aWeekAgo = 6 // days; plans are kept once a day
	before, err := s.issued.planBefore.of(p.Issue.ID, fmt.Sprintf("%q %s", of, p.Today), func() (keptBefore, error) {
		made, at, found, err := s.plans.Before(ctx, of, (p.Today - aWeekAgo).Midnight(zone))
		return keptBefore{made, reports.DayMonth(fleet.DateOf(at, zone), p.Today), found}, err
	})
	if err != nil || !before.found {
		return "", nil, err
	}
	return before.day, reports.PlanChanges(before.plan, p.Plan), nil
}

func planTests(p reports.Planned, here string) (rows []retestRow) {
	for _, t := range p.Plan.Retests {
		rows = append(rows, retestRow{string(t.Unit), planUnitHref(t.Unit, here), string(t.Depot), reports.DayMonth(t.Monday, p.Today), moneyOr(t.Worth), sentence(errors.New(t.Why))})
	}
	return rows
}

func planOrders(p reports.Planned) (rows []orderRow) {
	for _, m := range p.Plan.MissingParts {
		row := orderRow{Depot: string(m.Depot), Part: m.PartNumber, Pieces: fmt.Sprint(m.Pieces), Needed: "week of " + reports.DayMonth(m.NeededBy, p.Today), OrderBy: notKnown}
		if by, known := m.OrderBy.Get(); known {
			row.OrderBy, row.Late = reports.DayMonth(by, p.Today), by <= p.Today
		}
		rows = append(rows, row)
	}
	return rows
}

// leftShown is how many units of each reason the page lists: the workbook has them all.
const leftShown = 15

func planLeft(p reports.Planned, here string) (groups []leftGroup) {
	for _, reason := range reports.Reasons() {
		var of []*plan.Left
		for i := range p.Plan.Left {
			if p.Plan.Left[i].Reason == reason {
				of = append(of, &p.Plan.Left[i])
			}
		}
		if len(of) == 0 {
			continue
		}
		slices.SortStableFunc(of, func(a, b *plan.Left) int {
			if n := int(b.WouldSave.Or(0) - a.WouldSave.Or(0)); n != 0 {
				return n
			}
			return int(1e6 * (b.ChanceStays - a.ChanceStays))
		})
		g := leftGroup{Reason: reports.ReasonWords(reason), N: fmt.Sprint(len(of))}
		for _, l := range of[:min(leftShown, len(of))] {
			row := unplannedRow{string(l.Unit), planUnitHref(l.Unit, here), string(l.Depot), "–", percent(l.ChanceStays), sentence(errors.New(l.Why))}
			if m, known := l.WouldSave.Get(); known {
				row.WouldSave = reports.Money(m)
			}
			if by := p.Choices[l.Unit].By; reason == plan.LeftLocked && by != "" {
				row.Why = "Chosen by " + by + ". " + p.Choices[l.Unit].Note
			}
			g.Rows = append(g.Rows, row)
		}
		if more := len(of) - leftShown; more > 0 {
			g.More = fmt.Sprintf("%d more are in the workbook.", more)
		}
		groups = append(groups, g)
	}
	return groups
}

// whenChosen says who chose something and when.
func whenChosen(c fleet.PlanChoice, zone *time.Location) string {
	return fmt.Sprintf("%s, %s", c.By, when(c.At, zone))
}
