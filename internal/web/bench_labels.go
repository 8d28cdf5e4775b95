package web

import (
	"errors"
	"fmt"
	"maps"
	"net/http"
	"net/url"
	"slices"
	"strconv"

	"github.com/labstack/echo/v4"

	"rimeyard/internal/fleet"
	"rimeyard/reports"
)

// labelsView is all that bench_labels.tmpl prints.
type labelsView struct {
	pageFrame
	Depots []choice
	Grids  []choice
	Units  int
	Base   string // under which the codes open
	Own    bool   // Base is where this page was asked for, as nobody said where the server is
}

const usualGrid = 12

func (s *Server) labelsPage(c echo.Context) error {
	depot, own, found, err := s.benchDepot(c)
	if err != nil {
		return err
	}
	if !found {
		return errForbidden
	}
	units, err := s.store.BenchUnits(c.Request().Context(), depot.ID, "", fleet.DateOf(s.now(), depot.Zone()))
	if err != nil {
		return err
	}
	page := labelsView{pageFrame: s.frame(c, "Labels"), Units: len(units), Base: s.siteOf(c), Own: s.desk.Site == nil}
	for _, d := range own {
		page.Depots = append(page.Depots, choice{string(d.ID), depotName(d), d.ID == depot.ID})
	}
	for _, n := range slices.Sorted(maps.Keys(reports.LabelGrids)) {
		page.Grids = append(page.Grids, choice{strconv.Itoa(n), fmt.Sprintf("%d on a sheet", n), n == usualGrid})
	}
	return s.render(c, http.StatusOK, "bench_labels.tmpl", page)
}

func (s *Server) labelsPDF(c echo.Context) error {
	depot, _, found, err := s.benchDepot(c)
	if err != nil {
		return err
	}
	if !found {
		return errForbidden
	}
	perSheet := usualGrid
	if asked := c.QueryParam("sheet"); asked != "" {
		if perSheet, err = strconv.Atoi(asked); err != nil || reports.LabelGrids[perSheet] == [2]int{} {
			return badRequestError{errors.New("choose how many labels a sheet has from the list")}
		}
	}
	units, err := s.store.BenchUnits(c.Request().Context(), depot.ID, fleet.UnitID(c.QueryParam("unit")), fleet.DateOf(s.now(), depot.Zone()))
	if err != nil {
		return err
	}
	if len(units) == 0 {
		return notFoundError{errors.New("there is no such unit at this depot, so there is nothing to print labels for")}
	}
	labels := make([]reports.Label, len(units))
	for i, u := range units {
		labels[i] = reports.Label{Address: s.siteOf(c) + benchUnitHref(string(u.Unit.ID)), Number: string(u.Unit.ID), Under: depotName(depot)}
	}
	sheet, err := reports.LabelSheets(reports.DocumentHead{Title: "Labels of " + depotName(depot), At: s.now()}, labels, perSheet)
	if err != nil {
		return err
	}
	c.Response().Header().Set(echo.HeaderContentDisposition, fmt.Sprintf(`attachment; filename="labels-%s.pdf"`, url.PathEscape(string(depot.ID))))
	return c.Blob(http.StatusOK, "application/pdf", sheet)
}
