package web

import (
	"fmt"
	"math"
	"net/http"
	"slices"
	"strconv"
	"time"

	"github.com/labstack/echo/v4"

	"rimeyard/alerts"
	"rimeyard/internal/fleet"
	"rimeyard/reports"
)

// silentPage lists the units that stopped reporting and those never read.
type silentPage struct {
	pageFrame
	Tabs    []choice
	LookAt  string   // when the fleet was looked at last; empty: it was not yet
	Halted  []string // what came from no unit at all of late
	Silent  []silentRow
	More    int // so many more than shown
	Never   []silentRow
	NeverN  int
	CSV     string
	Depots  []choice
	NoUnits bool
}

type silentRow struct {
	Unit, Href, Depot, What, By, Last, Usual, Quiet string
}

const silentShown = 100

func (s *Server) silentPage(c echo.Context) error {
	f, err := s.findSilent(c)
	if err != nil {
		return err
	}
	page := silentPage{
		pageFrame: s.frame(c, "Stopped reporting"), Tabs: intakeTabs(c), NeverN: len(f.never), NoUnits: f.units == 0, Halted: f.halted,
		CSV: keptQuery{Depot: f.depot}.href("/intake/silent.csv"), Depots: []choice{{"/intake/silent", "all", f.depot == ""}},
	}
	for _, d := range f.depots {
		page.Depots = append(page.Depots, choice{keptQuery{Depot: d.ID}.href("/intake/silent"), depotName(d), d.ID == f.depot})
	}
	if !f.lookAt.IsZero() {
		page.LookAt = whenIn(f.lookAt, commonZone(f.depots))
	}
	zones := zonesOf(f.depots)
	for _, u := range f.silent[:min(len(f.silent), silentShown)] {
		page.Silent = append(page.Silent, newSilentRow(u, zones))
	}
	page.More = len(f.silent) - len(page.Silent)
	for _, r := range f.never[:min(len(f.never), silentShown)] {
		page.Never = append(page.Never, silentRow{Unit: string(r.Unit), Href: unitHref(r.Unit), Depot: string(r.Depot)})
	}
	return s.render(c, http.StatusOK, "intake_silent.tmpl", page)
}

// silentUnits are the units that stopped reporting and those never read, of the depots that the viewer may see, or of one of them.
type silentUnits struct {
	silent []alerts.Silent
	never  []fleet.Rhythm
	units  int
	lookAt time.Time // when the fleet was looked at last
	halted []string  // what came from no unit at all of late
	depots []fleet.Depot
	depot  fleet.DepotID
}

// findSilent judges the whole fleet, because whether nothing came at all is told by all units, and narrows what it found.
func (s *Server) findSilent(c echo.Context) (f silentUnits, err error) {
	q, err := readKeptQuery(c, c.QueryParams())
	if err != nil {
		return f, err
	}
	ctx, v := c.Request().Context(), viewerOf(c)
	if f.depots, err = s.visibleDepots(ctx, v); err != nil {
		return f, err
	}
	if _, f.lookAt, err = s.store.OdditiesLook(ctx); err != nil {
		return f, err
	}
	rhythms, err := s.store.Rhythms(ctx)
	if err != nil {
		return f, err
	}
	f.depot = q.Depot
	_, f.halted = reports.Halted(rhythms, f.lookAt)
	other := func(depot fleet.DepotID) bool { return !v.maySee(depot) || q.Depot != "" && q.Depot != depot }
	f.silent, f.never = alerts.StoppedReporting(rhythms, f.lookAt)
	f.silent = slices.DeleteFunc(f.silent, func(u alerts.Silent) bool { return other(u.Depot) })
	f.never = slices.DeleteFunc(f.never, func(r fleet.Rhythm) bool { return other(r.Depot) })
	for _, r := range rhythms {
		if !other(r.Depot) {
			f.units++
		}
	}
	return f, nil
}

func zonesOf(depots []fleet.Depot) map[fleet.DepotID]*time.Location {
	zones := map[fleet.DepotID]*time.Location{}
	for _, d := range depots {
		zones[d.ID] = d.Zone()
	}
	return zones
}

func newSilentRow(u alerts.Silent, zones map[fleet.DepotID]*time.Location) silentRow {
	row := silentRow{
		Unit: string(u.Unit), Href: unitHref(u.Unit), Depot: string(u.Depot), What: kindWords(u.Kind), By: "a logger",
		Last: when(u.Last, zones[u.Depot]), Usual: gapWords(u.UsualGap), Quiet: daysWords(u.Quiet),
	}
	if u.Kind == fleet.TestsKind {
		row.By = u.By
		if u.By == "" {
			row.By = "somebody, with a tester"
		}
	}
	return row
}

const hoursPerDay = 24

// gapWords says how often readings usually come.
func gapWords(gap time.Duration) string {
	days := gap.Hours() / hoursPerDay
	switch {
	case days <= 2./3: // from two a day on, when rounded
		return fmt.Sprintf("about %d a day", int(math.Round(1/max(days, 1e-3))))
	case days < 1.5:
		return "about daily"
	}
	return fmt.Sprintf("about every %d days", int(math.Round(days)))
}

func daysWords(d time.Duration) string {
	return reports.Count(int(d.Hours()/hoursPerDay), "day")
}

// silentCSV lists all of them, for a spreadsheet.
func (s *Server) silentCSV(c echo.Context) error {
	f, err := s.findSilent(c)
	if err != nil {
		return err
	}
	rows := [][]string{{"unit", "depot", "what", "by", "last_at", "usual_gap_days", "quiet_days"}}
	days := func(d time.Duration) string { return strconv.FormatFloat(d.Hours()/hoursPerDay, 'f', 1, 64) }
	for _, u := range f.silent {
		rows = append(rows, []string{
			reports.Inert(string(u.Unit)), reports.Inert(string(u.Depot)), string(u.Kind), reports.Inert(u.By), u.Last.Format(time.RFC3339), days(u.UsualGap), days(u.Quiet),
		})
	}
	for _, r := range f.never {
		rows = append(rows, []string{reports.Inert(string(r.Unit)), reports.Inert(string(r.Depot)), "nothing", "", "", "", ""})
	}
	return sendCSV(c, "stopped-reporting.csv", rows)
}

// oddPage shows what the day's look at the fleet found.
type oddPage struct {
	pageFrame
	Tabs   []choice
	LookAt string // the day of the look; empty: there was none yet
	Groups []oddGroup
}

type oddGroup struct {
	Title string
	Rows  []oddRow
}

type oddRow struct {
	On, Unit, Href, Other, OtherHref, Depot, Tester, Sentence string
}

// oddTitles are the kinds in the order in which they are shown, with the words over them.
var oddTitles = [...]struct {
	Kind  alerts.OddityKind
	Title string
}{
	{alerts.TesterDrifts, "Testers that drift"},
	{alerts.SwapNotBooked, "Swaps that are not booked"},
	{alerts.SwapNotSeen, "Swaps booked that the readings do not show"},
	{alerts.Exchanged, "Tests booked under each other's number"},
	{alerts.FarOff, "Tests far off"},
	{alerts.PairDiffers, "Batteries of one unit that are not alike"},
}

func (s *Server) oddPage(c echo.Context) error {
	ctx := c.Request().Context()
	asOf, _, err := s.store.OdditiesLook(ctx)
	if err != nil {
		return err
	}
	found, err := s.store.Oddities(ctx, viewerOf(c).depots())
	if err != nil {
		return err
	}
	page := oddPage{pageFrame: s.frame(c, "What does not fit"), Tabs: intakeTabs(c), LookAt: dateOr(asOf, "")}
	for _, t := range oddTitles {
		group := oddGroup{Title: t.Title}
		for _, o := range found {
			if o.Kind == string(t.Kind) {
				group.Rows = append(group.Rows, newOddRow(o))
			}
		}
		if len(group.Rows) > 0 {
			page.Groups = append(page.Groups, group)
		}
	}
	return s.render(c, http.StatusOK, "intake_odd.tmpl", page)
}

func newOddRow(o fleet.KeptOddity) oddRow {
	row := oddRow{On: o.On.String(), Unit: string(o.Unit), Depot: string(o.Depot), Tester: o.Tester, Other: string(o.OtherUnit), Sentence: o.Sentence}
	if o.Unit != "" {
		row.Href = unitHref(o.Unit)
	}
	if o.OtherUnit != "" {
		row.OtherHref = unitHref(o.OtherUnit)
	}
	return row
}
