package web

import (
	"encoding/csv"
	"fmt"
	"net/http"
	"slices"
	"strconv"
	"time"

	"github.com/labstack/echo/v4"

	"rimeyard/internal/fleet"
	"rimeyard/reports"
)

// How much of what came in is shown, newest first.
const (
	importsShown = 20
	keptShown    = 100
	keptInFile   = 100_000
)

type intakePage struct {
	pageFrame
	WholeFleet bool // whoever sees only some depots sees rows of theirs, not the counts of whole files
	Files      []fileRow
	Kept       []keptRow
	More       bool   // there are more rows than shown
	Zone       string // in which the times are
}

type fileRow struct {
	When, Source, File, Kind, Rows, Taken, There, Kept, Refused string
}

type keptRow struct {
	File, Line, Unit, Depot, Column, Value, Reason string
}

func (s *Server) intakePage(c echo.Context) error {
	ctx, v := c.Request().Context(), viewerOf(c)
	depots, err := s.visibleDepots(ctx, v)
	if err != nil {
		return err
	}
	zone := commonZone(depots)
	page := intakePage{pageFrame: s.frame(c, "Intake"), WholeFleet: v.depots() == nil, Zone: zone.String()}
	if page.WholeFleet {
		imports, err := s.store.RecentImports(ctx, importsShown)
		if err != nil {
			return err
		}
		for _, i := range imports {
			for _, f := range i.Files {
				page.Files = append(page.Files, newFileRow(i, f, zone))
			}
		}
	}
	kept, err := s.store.RecentKeptApart(ctx, v.depots(), keptShown+1)
	if err != nil {
		return err
	}
	page.More = len(kept) > keptShown
	for _, k := range kept[:min(keptShown, len(kept))] {
		page.Kept = append(page.Kept, keptRow{k.File, strconv.FormatInt(k.Line, 10), k.Unit, string(k.Depot), k.Column, k.Value, k.Reason})
	}
	return s.render(c, http.StatusOK, "intake.tmpl", page)
}

func newFileRow(i fleet.Import, f fleet.FileResult, zone *time.Location) fileRow {
	n := func(v int64) string { return strconv.FormatInt(v, 10) }
	return fileRow{when(i.StartedAt, zone), i.Source, f.File, string(f.Kind), n(f.Rows), n(f.Taken), n(f.AlreadyThere), n(f.KeptApart), f.Refused}
}

// commonZone is the zone of all the depots, or UTC where they have several.
func commonZone(depots []fleet.Depot) *time.Location {
	if len(depots) == 0 || slices.ContainsFunc(depots, func(d fleet.Depot) bool { return d.Timezone != depots[0].Timezone }) {
		return time.UTC
	}
	return depots[0].Zone()
}

// keptApartCSV lists the rows with their reasons, for a spreadsheet.
func (s *Server) keptApartCSV(c echo.Context) error {
	kept, err := s.store.RecentKeptApart(c.Request().Context(), viewerOf(c).depots(), keptInFile)
	if err != nil {
		return err
	}
	startDownload(c.Response(), "kept-apart.csv")
	out := csv.NewWriter(c.Response())
	out.UseCRLF = true // RFC 4180
	rows := [][]string{{"file", "line", "kind", "unit", "depot", "column", "value", "reason"}}
	for _, k := range kept {
		rows = append(rows, []string{
			reports.Inert(k.File), strconv.FormatInt(k.Line, 10), string(k.Kind), reports.Inert(k.Unit), reports.Inert(string(k.Depot)), reports.Inert(k.Column), reports.Inert(k.Value), reports.Inert(k.Reason),
		})
	}
	if err := out.WriteAll(rows); err != nil {
		return fmt.Errorf("write the rows kept apart: %w", err)
	}
	return nil
}
