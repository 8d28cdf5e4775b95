package web

import (
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"slices"

	"github.com/labstack/echo/v4"

	"rimeyard/internal/fleet"
	"rimeyard/reports"
)

// unitPage is all that unit.tmpl prints.
type unitPage struct {
	pageFrame
	Unit       string
	Depot      string
	DepotList  string // address of its depot's winter list
	Facts      []fact
	Verdict    *verdictView // nil: there is none
	NoVerdict  string       // why, and what to do
	Jobs       []jobLink    // newest first
	OpenJob    string       // address where one is opened; empty: not by the viewer
	Bench      string       // address where a test is typed in; empty: not by the viewer
	InPlan     string       // address of its place in the plan; empty: it is on no list
	Batteries  []fittingRow
	Starters   []fittingRow
	Change     *changeView // nil: nothing to compare with
	Ahead      *aheadView  // nil: nothing to draw
	Life       []lifeRow
	Years      []yearRow
	CostsOpen  int         // events of which the cost is not known
	Cranks     *cranksView // nil: nothing to draw
	Tests      []testRow
	MoreTests  string // says how many older ones are not shown; empty where all are
	Breakdowns []breakdownRow
	Zone       string // in which the times are
	Faults     unitFaults
}

type fact struct{ Name, Value string }

type verdictView struct {
	Look     reports.Look
	AsOf     string
	Newer    string // what would be said with all that has come since; empty: much the same
	Facts    []fact
	Suspects []suspectRow
	Evidence []string
}

type suspectRow struct {
	Part, Percent string
	Bar           int // 0 … 100
	Most          bool
}

// unitSheet is one unit as recorded, and what was last said of it.
type unitSheet struct {
	history  fleet.History
	depot    fleet.Depot
	asOf     fleet.Date // tomorrow, in the depot's zone: all that is recorded so far
	issue    fleet.Issue
	forecast *fleet.Forecast // nil: there is no list, or the unit is not on it
	listed   int             // units on the list
}

// unitParam decodes the unit in the path: the router leaves it as it was sent where it holds an escaped slash.
func unitParam(c echo.Context) (fleet.UnitID, error) {
	raw := c.Param("unit")
	if c.Request().URL.RawPath == "" {
		return fleet.UnitID(raw), nil
	}
	unit, err := url.PathUnescape(raw)
	if err != nil {
		return "", badRequestError{fmt.Errorf("unit %q in the address: %w", raw, err)}
	}
	return fleet.UnitID(unit), nil
}

// unitSheet reads the unit in the path; the table of rights has seen to it that it may be seen.
func (s *Server) unitSheet(c echo.Context) (unitSheet, error) {
	ctx := c.Request().Context()
	unit, err := unitParam(c)
	if err != nil {
		return unitSheet{}, err
	}
	var sheet unitSheet
	if sheet.history, err = s.store.History(ctx, unit); err != nil {
		return sheet, err
	}
	depots, err := s.store.Depots(ctx)
	if err != nil {
		return sheet, err
	}
	if i := slices.IndexFunc(depots, func(d fleet.Depot) bool { return d.ID == sheet.history.Unit.Depot }); i >= 0 {
		sheet.depot = depots[i]
	}
	sheet.asOf = fleet.DateOf(s.now(), sheet.depot.Zone()) + 1
	sheet.issue, err = s.store.LatestIssue(ctx)
	if errors.Is(err, fleet.ErrNoIssue) {
		return sheet, nil
	}
	if err != nil {
		return sheet, err
	}
	found, err := s.store.Forecasts(ctx, sheet.issue.ID, fleet.ListFilter{Unit: unit})
	if err != nil {
		return sheet, err
	}
	if len(found) > 0 {
		sheet.forecast = &found[0]
	}
	list, err := s.listOf(ctx, sheet.issue.ID)
	if err != nil {
		return sheet, err
	}
	sheet.listed = len(list.lines)
	return sheet, nil
}

func (s *Server) unit(c echo.Context) error {
	sheet, err := s.unitSheet(c)
	if err != nil {
		return err
	}
	h := sheet.history
	page := unitPage{
		pageFrame: s.frame(c, "Unit "+string(h.Unit.ID)), Unit: string(h.Unit.ID), Depot: depotName(sheet.depot),
		DepotList: listQuery{Depot: h.Unit.Depot}.href("/winter-list"), Facts: unitFacts(h.Unit), Zone: sheet.depot.Timezone,
	}
	sheet.judge(&page)
	zone, today := sheet.depot.Zone(), sheet.asOf-1
	page.Batteries, page.Starters = batteryRows(h.Batteries, today), starterRows(h.Starters, today)
	page.Tests, page.MoreTests = testRows(h.Tests, zone)
	page.Breakdowns = breakdownRows(h.Breakdowns, zone)
	page.Life, page.Years, page.CostsOpen = lifeOf(h, sheet.depot)
	if page.Cranks, err = newCranksView(sheet); err != nil {
		return err
	}
	if err := s.lookAhead(c.Request().Context(), &page, sheet); err != nil {
		return err
	}
	jobs, err := s.store.Jobs(c.Request().Context(), nil, h.Unit.ID)
	if err != nil {
		return err
	}
	page.Jobs = jobLinks(jobs, sheet.depot)
	if mayWork(viewerOf(c)) {
		page.OpenJob, page.Bench = unitHref(h.Unit.ID)+"/open-job", benchUnitHref(page.Unit)
	}
	if page.Faults, err = s.unitFaults(c, h.Unit.ID, zone); err != nil {
		return err
	}
	return s.render(c, http.StatusOK, "unit.tmpl", page)
}

// judge puts what the latest list says of the unit into words.
func (sheet unitSheet) judge(page *unitPage) {
	f := sheet.forecast
	if f == nil {
		page.NoVerdict = "This unit is not on a winter list yet: “rimeyard fit” judges all units anew."
		return
	}
	today := sheet.asOf - 1
	v := &verdictView{Look: reports.LookOf(f.Band), AsOf: reports.DayMonth(sheet.issue.AsOf, today), Evidence: f.Evidence}
	row := newWinterRow(*f, today)
	limit := row.ColdLimit
	if row.Interval != "" {
		limit += " (" + row.Interval + " in four cases of five)"
	}
	v.Facts = []fact{
		{"Place on the list", fmt.Sprintf("%d of %d", f.Rank, sheet.listed)},
		{"Chance of a failed start this season", row.Chance},
		{"Cold limit", limit},
		{"Swap by", row.SwapBy},
		{"Expected loss, left as it is", row.Loss},
		{"Cost of the swap", row.SwapCost},
	}
	for _, part := range fleet.Suspects() {
		p := f.SuspectProbabilities[part]
		v.Suspects = append(v.Suspects, suspectRow{string(part), percent(p), int(p*100 + 0.5), part == f.Suspect})
	}
	page.Verdict, page.InPlan = v, planUnitHref(f.Unit, "")
}

func unitFacts(u fleet.Unit) []fact {
	facts := []fact{
		{"Class", u.Class},
		{"Fuel", string(u.Fuel)},
		{"System", fmt.Sprintf("%d\u00a0V, %s", u.SystemVolts, batteriesWords(u))},
		{"Parked", map[fleet.Parked]string{fleet.Indoors: "indoors", fleet.Outdoors: "outdoors", fleet.PluggedIn: "plugged in"}[u.Parked]},
	}
	add := func(name, value string) {
		if value != "" {
			facts = append(facts, fact{name, value})
		}
	}
	if litres, ok := u.EngineLitres.Get(); ok {
		add("Engine", fmt.Sprintf("%.1f\u00a0l", litres))
	}
	add("Gearbox", string(u.Gearbox))
	add("In service since", textOf(u.InServiceOn))
	if cost, ok := u.NoStartCost.Get(); ok {
		add("A failed start costs", reports.Money(cost))
	}
	if n, ok := u.StartsPerDay.Get(); ok {
		add("Starts per day", fmt.Sprintf("%.1f", n))
	}
	if n, ok := u.Criticality.Get(); ok {
		add("Criticality", fmt.Sprintf("%d of 5", n))
	}
	add("VIN", u.VIN)
	return facts
}

func batteriesWords(u fleet.Unit) string {
	if u.Batteries == 1 {
		return "1 battery"
	}
	return fmt.Sprintf("%d batteries", u.Batteries)
}

// textOf is empty for unknown.
func textOf[T interface {
	comparable
	fmt.Stringer
}](o fleet.Opt[T]) string {
	v, ok := o.Get()
	if !ok {
		return ""
	}
	return v.String()
}
