package web

import (
	"errors"
	"fmt"
	"net/http"
	"strconv"

	"github.com/labstack/echo/v4"

	"rimeyard/internal/fleet"
)

// importPage is one import: its files, and the rows of it that wait.
type importPage struct {
	pageFrame
	Tabs    []choice
	Import  importRow
	Kept    []keptRow
	Waiting string // "12 rows of it wait to be mended"
	Settled string // how many of the rows kept apart then wait no longer; empty: all wait
	Zone    string
}

// importPage shows one import to those who see the whole fleet: a file is not of one depot.
func (s *Server) importPage(c echo.Context) error {
	ctx, v := c.Request().Context(), viewerOf(c)
	missing := notFoundError{errors.New("there is no such import, or it is not of your depots alone")}
	id, err := strconv.ParseInt(c.Param("import"), 10, 64)
	if err != nil || v.depots() != nil {
		return missing
	}
	i, found, err := s.store.Import(ctx, id)
	if err != nil {
		return err
	}
	if !found {
		return missing
	}
	filter := fleet.KeptFilter{Import: id}
	waiting, err := s.store.CountKept(ctx, filter)
	if err != nil {
		return err
	}
	filter.Limit = keptShown
	kept, err := s.store.KeptApart(ctx, filter)
	if err != nil {
		return err
	}
	depots, err := s.visibleDepots(ctx, v)
	if err != nil {
		return err
	}
	zone := commonZone(depots)
	page := importPage{pageFrame: s.frame(c, "Import"), Tabs: intakeTabs(c), Import: newImportRow(i, zone), Zone: zone.String()}
	for _, k := range kept {
		page.Kept = append(page.Kept, newKeptRow(k))
	}
	page.Waiting = rowsWait(waiting, len(kept))
	var once int64
	for _, f := range i.Files {
		once += f.KeptApart
	}
	if once > waiting {
		page.Settled = settledWords(once-waiting, once)
	}
	return s.render(c, http.StatusOK, "intake_import.tmpl", page)
}

func settledWords(settled, all int64) string {
	const since = "mended, set aside, or brought again with a later import."
	switch {
	case all == 1:
		return "The row kept apart then waits here no longer: it was " + since
	case settled == all:
		return fmt.Sprintf("None of the %d rows kept apart then waits here any longer: they were %s", all, since)
	case settled == 1:
		return fmt.Sprintf("1 of the %d rows kept apart then waits here no longer: it was %s", all, since)
	}
	return fmt.Sprintf("%d of the %d rows kept apart then wait here no longer: they were %s", settled, all, since)
}

func rowsWait(n int64, shown int) string {
	switch {
	case n == 0:
		return "No row of it waits to be mended."
	case n > int64(shown):
		return fmt.Sprintf("%d rows of it wait to be mended; here are the first %d.", n, shown)
	case n == 1:
		return "One row of it waits to be mended."
	}
	return fmt.Sprintf("%d rows of it wait to be mended.", n)
}
