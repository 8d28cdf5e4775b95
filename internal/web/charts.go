package web

import (
	"cmp"
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"slices"
	"strings"

	"github.com/labstack/echo/v4"

	"rimeyard/internal/fleet"
	"rimeyard/reports"
	"rimeyard/trend"
)

// How much a picture shows, so that it stays readable and small.
const (
	rungsOnLadder = 150 // warmest limits first
	rungsNamed    = 15
	cranksOnChart = 200 // newest first
)

// ladderView is the cold ladder of one depot, and what the same says in figures.
type ladderView struct {
	Place  string
	Src    string
	Narrow string // address of the same for a phone
	Alt    string
	// Figures are what the picture shows, for a closer look.
	Figures string
	Width   int
	Height  int
	Rows    []ladderRow
	Others  []choice // the depots whose ladder may be shown; Value is the address
}

type ladderRow struct {
	Unit, Href, Limit, Interval string
	Look                        reports.Look
}

// ladderData reads one depot's rungs and winters. A depot has nights of its own, so a ladder is always one depot's.
func (s *Server) ladderData(ctx context.Context, q listQuery, v viewer, issue fleet.Issue, depot fleet.Depot) (reports.LadderData, error) {
	q.Depot = depot.ID
	filter := q.filter(v)
	filter.Order, filter.Limit = fleet.ByColdLimit, rungsOnLadder
	list, err := s.listOf(ctx, issue.ID)
	if err != nil {
		return reports.LadderData{}, err
	}
	lines := list.first(filter)
	asked := make([]fleet.UnitID, len(lines))
	for i, l := range lines {
		asked[i] = l.Unit
	}
	anew, err := s.store.AnewForecasts(ctx, issue.ID, asked)
	if err != nil {
		return reports.LadderData{}, err
	}
	units := make([]fleet.Forecast, len(lines))
	for i, l := range lines {
		if now, judged := anew[l.Unit]; judged { // a unit that was repaired is no rung above tonight's low any more
			units[i] = now
			continue
		}
		units[i] = fleet.Forecast{Unit: l.Unit, Depot: l.Depot, Band: l.Band, ColdLimitC: l.ColdLimitC, ColdLimitP10C: l.ColdLimitP10C, ColdLimitP90C: l.ColdLimitP90C}
	}
	data := reports.WinterListData{Depots: []fleet.Depot{depot}, PastMinimaC: map[fleet.DepotID][]float64{}, TonightC: map[fleet.DepotID]float64{}}
	if data.PastMinimaC[depot.ID], err = s.winterMinimaC(ctx, issue, depot); err != nil {
		return reports.LadderData{}, err
	}
	dawn := reports.Dawn(depot, s.now())
	lows, err := s.store.Lows(ctx, dawn, dawn)
	if err != nil {
		return reports.LadderData{}, err
	}
	for _, low := range lows {
		if low.Depot == depot.ID {
			data.TonightC[depot.ID] = low.C
		}
	}
	return data.LadderData(depot.ID, units), nil
}

// newLadderView is nil where there is nothing to draw. It chooses whose ladder to show: the depot asked for, else the only one, else that of the first unit listed.
func (s *Server) newLadderView(ctx context.Context, q listQuery, v viewer, issue fleet.Issue, depots []fleet.Depot, first fleet.DepotID) (*ladderView, error) {
	if q.Depot != "" {
		first = q.Depot
	}
	i := slices.IndexFunc(depots, func(d fleet.Depot) bool { return d.ID == first })
	if i < 0 {
		return nil, nil // no such depot any more: nothing to draw, and nothing wrong
	}
	data, err := s.ladderData(ctx, q, v, issue, depots[i])
	if err != nil || len(data.Units) == 0 {
		return nil, err // where no cold limit is known, the list below says so unit by unit
	}
	picture, err := reports.Ladder("cold-ladder", data, rungsNamed, reports.PageWidth)
	if err != nil {
		return nil, err
	}
	figures, err := figuresOf(picture)
	if err != nil {
		return nil, err
	}
	from := q
	from.Depot, from.Page, from.Order = first, 1, ""
	view := &ladderView{
		Place: depotName(depots[i]), Src: from.href("/winter-list/cold-ladder.svg"), Alt: picture.Description, Figures: figures,
		Width: picture.Width, Height: picture.Height,
	}
	view.Narrow = asNarrow(view.Src)
	slices.SortStableFunc(data.Units, func(a, b reports.LadderUnit) int { // as the ladder names them
		return cmp.Or(cmp.Compare(b.ColdLimitC, a.ColdLimitC), cmp.Compare(a.Unit, b.Unit))
	})
	for _, u := range data.Units[:min(rungsNamed, len(data.Units))] {
		view.Rows = append(view.Rows, ladderRow{
			string(u.Unit), unitHref(u.Unit), reports.Degrees(u.ColdLimitC),
			intervalWords(u.P10C, u.P90C), reports.LookOf(u.Band),
		})
	}
	if len(depots) > 1 {
		for _, d := range depots {
			to := q
			to.Depot, to.Page = d.ID, 1
			view.Others = append(view.Others, choice{to.href("/winter-list"), string(d.ID), d.ID == first})
		}
	}
	return view, nil
}

func (s *Server) coldLadder(c echo.Context) error {
	q, err := readListQuery(c)
	if err != nil {
		return err
	}
	ctx, v := c.Request().Context(), viewerOf(c)
	issue, err := s.store.LatestIssue(ctx)
	if err != nil {
		return err
	}
	depots, err := s.visibleDepots(ctx, v)
	if err != nil {
		return err
	}
	i := slices.IndexFunc(depots, func(d fleet.Depot) bool { return d.ID == q.Depot })
	if i < 0 {
		return badRequestError{fmt.Errorf("depot %q: say whose ladder is wanted, as depot=KEY", q.Depot)}
	}
	data, err := s.ladderData(ctx, q, v, issue, depots[i])
	if err != nil {
		return err
	}
	if len(data.Units) == 0 {
		return notFoundError{fmt.Errorf("no cold limit is known at depot %q", q.Depot)}
	}
	picture, err := reports.Ladder("cold-ladder", data, rungsNamed, pictureWidth(c))
	return sendPicture(c, picture, err)
}

// narrow in the address asks for the picture as drawn for a phone: text keeps its size and the drawing has less room.
const narrow = "narrow"

func pictureWidth(c echo.Context) int {
	if c.QueryParams().Has(narrow) {
		return reports.MailWidth
	}
	return reports.PageWidth
}

// asNarrow is the address of the same picture for a phone.
func asNarrow(src string) string {
	if strings.Contains(src, "?") {
		return src + "&" + narrow
	}
	return src + "?" + narrow
}

// figuresOf is what static/charts.js reads to let people look closer at a picture: its figures as JSON.
func figuresOf(p reports.Picture) (string, error) {
	b, err := json.Marshal(p.Figures)
	if err != nil {
		return "", fmt.Errorf("write the figures of %s: %w", p.Name, err)
	}
	return string(b), nil
}

// sendPicture answers with the drawing, under a policy of its own.
func sendPicture(c echo.Context, p reports.Picture, err error) error {
	if err != nil {
		return err
	}
	svg, err := p.SVG()
	if err != nil {
		return err
	}
	c.Response().Header().Set(echo.HeaderContentSecurityPolicy, picturePolicy)
	return c.Blob(http.StatusOK, "image/svg+xml", svg)
}

// crankChart is one unit's cranks as the chart and the table beside it show them.
type crankChart struct {
	data  reports.CrankingData
	shown []fleet.Crank // newest first, each with volts and temperature
	lines []string      // what the fits say, in words
}

// cranksOf takes mean volts, or the lowest where there are more of these, and fits a line to this year's cranks and one to
// those of the year before, so that fading shows.
func cranksOf(h fleet.History, asOf fleet.Date, depot fleet.Depot) crankChart {
	h = h.AsOf(asOf, depot.Zone())
	reading, volts := "mean volts while cranking", func(c fleet.Crank) fleet.Opt[float64] { return c.MeanV }
	lowest, mean := 0, 0
	for _, c := range h.Cranks {
		if c.MinV.IsKnown() {
			lowest++
		}
		if c.MeanV.IsKnown() {
			mean++
		}
	}
	if lowest > mean {
		reading, volts = "lowest volts while cranking", func(c fleet.Crank) fleet.Opt[float64] { return c.MinV }
	}
	chart := crankChart{data: reports.CrankingData{Unit: h.Unit.ID, Reading: reading}}
	var now, then []trend.CrankPoint
	yearAgo, twoYearsAgo := asOf.AddMonths(-12).Midnight(depot.Zone()), asOf.AddMonths(-24).Midnight(depot.Zone())
	for _, c := range slices.Backward(h.Cranks) {
		v, okV := volts(c).Get()
		t, okT := c.TemperatureC.Get()
		if !okV || !okT {
			continue
		}
		if len(chart.shown) < cranksOnChart {
			chart.shown = append(chart.shown, c)
			chart.data.Cranks = append(chart.data.Cranks, reports.VoltsAt{TemperatureC: t, V: v})
		}
		switch {
		case !c.At.Before(yearAgo):
			now = append(now, trend.CrankPoint{TemperatureC: t, V: v})
		case !c.At.Before(twoYearsAgo):
			then = append(then, trend.CrankPoint{TemperatureC: t, V: v})
		}
	}
	chart.data.Now, chart.lines = crankLine("The last twelve months", now, chart.lines)
	chart.data.YearAgo, chart.lines = crankLine("The twelve months before", then, chart.lines)
	return chart
}

// crankLine fits a line and says it in words; too few cranks give none.
func crankLine(when string, points []trend.CrankPoint, words []string) ([]reports.VoltsAt, []string) {
	fit, err := trend.FitCrankLine(points)
	if err != nil {
		return nil, append(words, fmt.Sprintf("%s: too few cranks with volts and temperature for a line (%d).", when, len(points)))
	}
	var line []reports.VoltsAt
	for _, t := range []float64{fit.FromC, fit.ToC} {
		v, _ := fit.At(t)
		line = append(line, reports.VoltsAt{TemperatureC: t, V: v})
	}
	return line, append(words, fmt.Sprintf("%s: %.2f\u00a0V at 0\u00a0°C, %.3f\u00a0V per degree, from %d cranks.",
		when, fit.AtZeroV, fit.PerC, fit.N))
}

func (s *Server) crankVolts(c echo.Context) error {
	sheet, err := s.unitSheet(c)
	if err != nil {
		return err
	}
	chart := cranksOf(sheet.history, sheet.asOf, sheet.depot)
	if len(chart.shown) == 0 {
		return notFoundError{fmt.Errorf("unit %q has no cranks with volts and temperature", sheet.history.Unit.ID)}
	}
	picture, err := reports.Cranking("crank-volts", chart.data, pictureWidth(c))
	return sendPicture(c, picture, err)
}
