package web

import (
	"cmp"
	"fmt"
	"net/http"
	"slices"
	"strings"
	"time"

	"github.com/labstack/echo/v4"

	"rimeyard/faults"
	"rimeyard/internal/fleet"
)

// faultsPage is all that faults.tmpl prints.
type faultsPage struct {
	pageFrame
	May   bool   // the viewer may start a search
	Asked string // the unit typed in
	Wrong string
	Open  []openRow
	Found []openRow
	Given []openRow // up, without a finding
	Notes string    // address of the notes; empty: the viewer may not change them
}

// openRow is one search in a list.
type openRow struct {
	Href, Named, Depot string
	State              string // the finding, or that it is on
	Sure               string // the finding's chance; empty: there is none
	When               string
	ID                 int64
	Step               int
	Open, Found        bool
	Stopped            bool // it goes on once it is safe
}

const recentFaults = 50

// faultList shows what is looked for and what was found, and finds the unit to start with.
func (s *Server) faultList(c echo.Context) error {
	v := viewerOf(c)
	page := faultsPage{pageFrame: s.frame(c, "Faults"), May: mayFind(v), Asked: strings.TrimSpace(c.QueryParam("unit"))}
	status := http.StatusOK
	if page.Asked != "" && page.May {
		unit, found, err := s.typedUnit(c, page.Asked)
		if err != nil {
			return err
		}
		if found {
			return c.Redirect(http.StatusSeeOther, unitHref(unit)+"/fault")
		}
		page.Wrong, status = fmt.Sprintf("There is no unit %q in the depots that you may see. Read the number off the vehicle again, or start below without one.", page.Asked), http.StatusNotFound
	}
	zone, err := s.viewersZone(c)
	if err != nil {
		return err
	}
	if page.Open, err = s.faultRows(c, fleet.FaultFilter{Open: fleet.Known(true)}, zone); err != nil {
		return err
	}
	if page.Found, err = s.faultRows(c, fleet.FaultFilter{Open: fleet.Known(false), Found: true, Limit: recentFaults}, zone); err != nil {
		return err
	}
	ended, err := s.faultRows(c, fleet.FaultFilter{Open: fleet.Known(false), Limit: recentFaults}, zone)
	if err != nil {
		return err
	}
	page.Given = slices.DeleteFunc(ended, func(r openRow) bool { return r.Found })
	if mayOpen(v.person.Role, "/faults/notes") {
		page.Notes = "/faults/notes"
	}
	return s.render(c, status, "faults.tmpl", page)
}

// typedUnit finds a unit by its number as people type it with gloves on.
func (s *Server) typedUnit(c echo.Context, typed string) (unit fleet.UnitID, found bool, err error) {
	if !plainText(typed) {
		return "", false, nil
	}
	for _, as := range []string{typed, strings.ToUpper(typed)} {
		depot, is, err := s.store.UnitDepot(c.Request().Context(), fleet.UnitID(as))
		if err != nil {
			return "", false, err
		}
		if is && viewerOf(c).maySee(depot) {
			return fleet.UnitID(as), true, nil
		}
	}
	return "", false, nil
}

func (s *Server) faultRows(c echo.Context, filter fleet.FaultFilter, zone *time.Location) ([]openRow, error) {
	filter.Of = viewerOf(c).depots()
	list, err := s.store.Faults(c.Request().Context(), filter)
	if err != nil {
		return nil, err
	}
	depots, err := s.visibleDepots(c.Request().Context(), viewerOf(c))
	if err != nil {
		return nil, err
	}
	zones := zonesOf(depots)
	var rows []openRow
	for _, kept := range list {
		row, err := newOpenRow(kept, cmp.Or(zones[kept.Depot], zone))
		if err != nil {
			return nil, err
		}
		rows = append(rows, row)
	}
	return rows, nil
}

func newOpenRow(kept fleet.FaultSearch, zone *time.Location) (openRow, error) {
	session, err := faults.Kept(kept)
	if err != nil {
		return openRow{}, err
	}
	found, err := findingOf(kept)
	if err != nil {
		return openRow{}, err
	}
	row := openRow{
		Href: faultHref(kept.ID), Named: upperFirst(search{kept, session}.named()), Depot: string(kept.Depot), State: "being looked for", ID: kept.ID, Step: kept.Step,
		Open: kept.Open(), Found: found != nil, When: fmt.Sprintf("last answer by %s, %s", kept.ChangedBy, when(kept.ChangedAt, zone)),
	}
	switch {
	case found != nil:
		row.State, row.Sure = findingTitle(*found), found.Says
		if stop := found.Kind.Stopped(); stop != "" {
			row.State, row.Stopped = "stopped: "+stop, true
		}
	case !row.Open:
		row.State = "ended without a finding"
	}
	if !row.Open {
		row.When = fmt.Sprintf("ended by %s, %s", kept.EndedBy, when(kept.EndedAt, zone))
	}
	if kept.Job != 0 {
		row.When += fmt.Sprintf(", job %d", kept.Job)
	}
	return row, nil
}

// unitFaults are the searches of one unit, for its page.
type unitFaults struct {
	Start string // address where one is begun; empty: the viewer may not
	Rows  []openRow
}

func (s *Server) unitFaults(c echo.Context, unit fleet.UnitID, zone *time.Location) (unitFaults, error) {
	rows, err := s.faultRows(c, fleet.FaultFilter{Unit: unit}, zone)
	u := unitFaults{Rows: rows}
	if mayFind(viewerOf(c)) {
		u.Start = unitHref(unit) + "/fault"
	}
	return u, err
}
