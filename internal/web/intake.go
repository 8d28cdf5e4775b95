package web

import (
	"context"
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
	keptShown    = 50
	keptInFile   = 100_000
	groupsRead   = 200 // of rows alike
	groupsShown  = 20
	filesOffered = 50
)

type intakePage struct {
	pageFrame
	Tabs       []choice
	WholeFleet bool // whoever sees only some depots sees rows of theirs, not the counts of whole files
	Imports    []importRow
	Query      keptQuery
	Kinds      []choice
	Files      []choice
	Depots     []choice
	Reasons    []choice
	Alike      []alikeRow
	Kept       []keptRow
	NoKept     string
	Shown      string // "1 to 50 of 240 rows"
	CSV        string
	AllRows    string // the list without filter; empty where there is none
	Earlier    string
	Later      string
	Zone       string // in which the times are
}

type importRow struct {
	Href, When, Source string
	Files              []fileRow
}

type fileRow struct {
	File, Kind, Rows, Taken, There, Kept, Refused string
}

type keptRow struct {
	Href, File, Line, Unit, Depot, Column, Value, Reason string
}

// alikeRow is a group of rows that can be mended together.
type alikeRow struct {
	Href, N, Kind, Column, Value, Reason string
}

// intakeTabs are the pages about what came in.
func intakeTabs(c echo.Context) []choice {
	tabs := []choice{
		{"/intake", "Rows kept apart", false},
		{"/intake/settled", "Mended and set aside", false},
		{"/intake/silent", "Stopped reporting", false},
		{"/intake/odd", "What does not fit", false},
	}
	here := slices.IndexFunc(tabs, func(t choice) bool { return t.Value == c.Path() })
	tabs[max(here, 0)].Chosen = true // a row and an import are found among the rows kept apart
	return tabs
}

func (s *Server) intakePage(c echo.Context) error {
	q, err := readKeptQuery(c, c.QueryParams())
	if err != nil {
		return err
	}
	ctx, v := c.Request().Context(), viewerOf(c)
	depots, err := s.visibleDepots(ctx, v)
	if err != nil {
		return err
	}
	zone := commonZone(depots)
	page := intakePage{
		pageFrame: s.frame(c, "Intake"), Tabs: intakeTabs(c), WholeFleet: v.depots() == nil, Query: q, Zone: zone.String(), CSV: q.href("/intake/kept-apart.csv"),
	}
	if page.WholeFleet {
		imports, err := s.store.RecentImports(ctx, importsShown)
		if err != nil {
			return err
		}
		for _, i := range imports {
			page.Imports = append(page.Imports, newImportRow(i, zone))
		}
	}
	if err := s.fillKept(ctx, &page, v); err != nil {
		return err
	}
	if err := s.offerKeptChoices(ctx, &page, v, depots); err != nil {
		return err
	}
	return s.render(c, http.StatusOK, "intake.tmpl", page)
}

func (s *Server) fillKept(ctx context.Context, page *intakePage, v viewer) error {
	q := page.Query
	filter := q.filter(v)
	total, err := s.store.CountKept(ctx, filter)
	if err != nil {
		return err
	}
	filter.Limit, filter.Offset = keptShown, (q.Page-1)*keptShown
	kept, err := s.store.KeptApart(ctx, filter)
	if err != nil {
		return err
	}
	for _, k := range kept {
		page.Kept = append(page.Kept, newKeptRow(k))
	}
	if q.narrowed() {
		page.AllRows = "/intake"
	}
	first := filter.Offset + 1
	switch {
	case len(kept) > 0:
		page.Shown = fmt.Sprintf("%d to %d of %s", first, first+len(kept)-1, rowsCount(total))
	case q.narrowed():
		page.NoKept = "No row kept apart fits this filter. Take part of it back, or look at all rows."
	case q.Page > 1:
		page.NoKept = "There are no rows on this page of the list."
	default:
		page.NoKept = "No row is kept apart: everything that came in was taken."
	}
	if q.Page > 1 {
		earlier := q
		earlier.Page--
		page.Earlier = earlier.href("/intake")
	}
	if int64(first+len(kept)-1) < total {
		later := q
		later.Page++
		page.Later = later.href("/intake")
	}
	return nil
}

// offerKeptChoices fills the form that narrows the rows, and names the groups of rows alike.
func (s *Server) offerKeptChoices(ctx context.Context, page *intakePage, v viewer, depots []fleet.Depot) error {
	q, all := page.Query, fleet.KeptFilter{Of: v.depots(), Limit: groupsRead}
	groups, err := s.store.KeptAlike(ctx, all)
	if err != nil {
		return err
	}
	all.Limit = filesOffered
	files, err := s.store.KeptFiles(ctx, all)
	if err != nil {
		return err
	}
	page.Kinds = []choice{{"", "all kinds", q.Kind == ""}}
	for _, k := range fleet.Kinds() {
		page.Kinds = append(page.Kinds, choice{string(k), kindWords(k), q.Kind == k})
	}
	page.Depots = []choice{{"", "all depots", q.Depot == ""}}
	for _, d := range depots {
		page.Depots = append(page.Depots, choice{string(d.ID), depotName(d), q.Depot == d.ID})
	}
	page.Files = chooseText("all files", q.File, files)
	var reasons []string
	for _, g := range groups {
		if !slices.Contains(reasons, g.Reason) {
			reasons = append(reasons, g.Reason)
		}
		if g.Rows > 1 && len(page.Alike) < groupsShown {
			page.Alike = append(page.Alike, newAlikeRow(g))
		}
	}
	page.Reasons = chooseText("all reasons", q.Reason, reasons)
	return nil
}

// chooseText offers texts to choose from, the one that is chosen in any case.
func chooseText(all, chosen string, texts []string) []choice {
	list := []choice{{"", all, chosen == ""}}
	if chosen != "" && !slices.Contains(texts, chosen) {
		texts = append(slices.Clone(texts), chosen)
	}
	for _, t := range texts {
		list = append(list, choice{t, shortened(t), t == chosen})
	}
	return list
}

// shortened keeps a text to a length that fits a screen.
func shortened(s string) string {
	const most = 80
	r := []rune(s)
	if len(r) <= most {
		return s
	}
	return string(r[:most-1]) + "…"
}

// kindWords is the name of a kind without the marks of a file's.
func kindWords(k fleet.Kind) string {
	switch k {
	case fleet.TestsKind:
		return "battery tests"
	case fleet.CranksKind:
		return "cranks"
	}
	return string(k)
}

func newKeptRow(k fleet.KeptRow) keptRow {
	return keptRow{rowHref(k.Key), k.File, strconv.FormatInt(k.Line, 10), k.Unit, string(k.Depot), k.Column, k.Value, k.Reason}
}

func newAlikeRow(g fleet.KeptAlike) alikeRow {
	q := keptQuery{Kind: g.Kind, Column: g.Column, Reason: g.Reason, Value: &g.Value}
	return alikeRow{q.href("/intake/alike"), strconv.FormatInt(g.Rows, 10), kindWords(g.Kind), g.Column, g.Value, g.Reason}
}

func newImportRow(i fleet.Import, zone *time.Location) importRow {
	row := importRow{Href: "/intake/imports/" + strconv.FormatInt(i.ID, 10), When: when(i.StartedAt, zone), Source: i.Source}
	for _, f := range i.Files {
		row.Files = append(row.Files, newFileRow(f))
	}
	return row
}

func newFileRow(f fleet.FileResult) fileRow {
	n := func(v int64) string { return strconv.FormatInt(v, 10) }
	return fileRow{f.File, kindWords(f.Kind), n(f.Rows), n(f.Taken), n(f.AlreadyThere), n(f.KeptApart), f.Refused}
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
	q, err := readKeptQuery(c, c.QueryParams())
	if err != nil {
		return err
	}
	filter := q.filter(viewerOf(c))
	filter.Limit = keptInFile
	kept, err := s.store.KeptApart(c.Request().Context(), filter)
	if err != nil {
		return err
	}
	rows := [][]string{{"file", "line", "kind", "unit", "depot", "column", "value", "reason"}}
	for _, k := range kept {
		rows = append(rows, []string{
			reports.Inert(k.File), strconv.FormatInt(k.Line, 10), string(k.Kind), reports.Inert(k.Unit), reports.Inert(string(k.Depot)), reports.Inert(k.Column), reports.Inert(k.Value), reports.Inert(k.Reason),
		})
	}
	return sendCSV(c, "kept-apart.csv", rows)
}

func sendCSV(c echo.Context, file string, rows [][]string) error {
	startDownload(c.Response(), file)
	out := csv.NewWriter(c.Response())
	out.UseCRLF = true // RFC 4180
	if err := out.WriteAll(rows); err != nil {
		return fmt.Errorf("write %s: %w", file, err)
	}
	return nil
}
