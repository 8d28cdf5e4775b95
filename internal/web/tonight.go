package web

import (
	"errors"
	"fmt"
	"math"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"

	"github.com/labstack/echo/v4"

	"rimeyard/alerts"
	"rimeyard/internal/fleet"
	"rimeyard/reports"
)

// tonightPage is all that tonight.tmpl and checklist.tmpl print.
type tonightPage struct {
	pageFrame
	Empty     string // why nothing can be said, and what to do; then the rest is not shown
	Tonight   reports.Tonight
	Depot     fleet.DepotID // the only one shown; empty: all
	Depots    []choice
	MayType   bool
	Low       string // in the field
	Wrong     string // what is wrong with it
	Typed     bool   // a typed low is shown, which can be taken back
	Checklist string
	CSV       string
}

// nightGroup is units of one depot under one heading.
type nightGroup struct {
	Title string
	Units []reports.TonightUnit
}

func newNightGroup(title string, units []reports.TonightUnit) nightGroup {
	return nightGroup{title, units}
}

// tonightQuery is what the address says.
type tonightQuery struct{ Depot fleet.DepotID }

func (q tonightQuery) href(path string) string {
	if q.Depot == "" {
		return path
	}
	return path + "?" + url.Values{"depot": {string(q.Depot)}}.Encode()
}

// tonightOf brings together what is known of the coming night at the depots that the viewer may see, or at the one in the address.
// fleet.ErrNoIssue: no list was issued yet.
func (s *Server) tonightOf(c echo.Context) (reports.TonightData, tonightQuery, []fleet.Depot, error) {
	ctx, v := c.Request().Context(), viewerOf(c)
	q := tonightQuery{fleet.DepotID(c.QueryParam("depot"))}
	own, err := s.visibleDepots(ctx, v)
	if err != nil {
		return reports.TonightData{}, q, nil, err
	}
	asked := own
	if q.Depot != "" {
		i := slices.IndexFunc(own, func(d fleet.Depot) bool { return d.ID == q.Depot })
		if i < 0 {
			return reports.TonightData{}, q, own, notFoundError{fmt.Errorf("there is no depot %q that you may see", q.Depot)}
		}
		asked = own[i : i+1]
	}
	data, err := reports.GatherTonight(ctx, s.store, asked, s.now())
	return data, q, own, err
}

func (s *Server) tonight(c echo.Context) error { return s.showTonight(c, http.StatusOK, "", "") }

func (s *Server) showTonight(c echo.Context, status int, low, wrong string) error {
	page := tonightPage{pageFrame: s.frame(c, "Tonight"), Low: low, Wrong: wrong}
	data, q, own, err := s.tonightOf(c)
	if errors.Is(err, fleet.ErrNoIssue) {
		page.Empty = "There is no winter list yet, so nothing is known of any unit. Bring in the fleet's files with “rimeyard import”, then judge the units with “rimeyard fit”."
		return s.render(c, status, "tonight.tmpl", page)
	}
	if err != nil {
		return err
	}
	if len(own) == 0 {
		page.Empty = "No depot is yours to see. Ask an administrator to give you one."
		return s.render(c, status, "tonight.tmpl", page)
	}
	if len(own) == 1 {
		q.Depot = own[0].ID
	}
	page.Depot, page.Checklist, page.CSV = q.Depot, q.href("/tonight/checklist"), q.href("/tonight.csv")
	page.MayType = slices.Contains(rights["POST /tonight/low"].roles, viewerOf(c).person.Role)
	if len(own) > 1 {
		page.Depots = append(page.Depots, choice{"/tonight", "all depots", q.Depot == ""})
	}
	for _, d := range own {
		page.Depots = append(page.Depots, choice{tonightQuery{d.ID}.href("/tonight"), string(d.ID), q.Depot == d.ID})
	}
	if at, known := data.Lows[q.Depot]; known && low == "" {
		page.Low, page.Typed = strconv.FormatFloat(at.C, 'f', -1, 64), at.Typed != ""
	}
	page.Tonight, err = reports.ComposeTonight(data)
	if errors.Is(err, reports.ErrNoLow) {
		page.Tonight.Headline = "How cold will it get tonight?"
		err = nil
	}
	if err != nil {
		return err
	}
	return s.render(c, status, "tonight.tmpl", page)
}

// typeLow keeps the low that was typed in; an empty one takes back what was typed before.
func (s *Server) typeLow(c echo.Context) error {
	ctx, v := c.Request().Context(), viewerOf(c)
	q := tonightQuery{fleet.DepotID(c.FormValue("depot"))}
	c.QueryParams().Set("depot", string(q.Depot))
	own, err := s.visibleDepots(ctx, v)
	if err != nil {
		return err
	}
	i := slices.IndexFunc(own, func(d fleet.Depot) bool { return d.ID == q.Depot })
	if i < 0 {
		return notFoundError{fmt.Errorf("there is no depot %q that you may see", q.Depot)}
	}
	dawn := reports.Dawn(own[i], s.now())
	typed := strings.TrimSpace(c.FormValue("low"))
	if typed == "" || c.FormValue("forget") != "" {
		if err := s.store.ForgetLow(ctx, q.Depot, dawn); err != nil {
			return err
		}
		return c.Redirect(http.StatusSeeOther, q.href("/tonight"))
	}
	low, wrong := parseLow(typed)
	if wrong != "" {
		return s.showTonight(c, http.StatusUnprocessableEntity, typed, wrong)
	}
	if err := s.store.TypeLow(ctx, fleet.Low{Depot: q.Depot, Dawn: dawn, C: low, Typed: v.person.Name}); err != nil {
		return err
	}
	return c.Redirect(http.StatusSeeOther, q.href("/tonight"))
}

// parseLow reads °C as people type them: a true minus sign, a decimal comma, the unit behind it.
func parseLow(typed string) (lowC float64, wrong string) {
	plain := strings.NewReplacer("−", "-", "–", "-", ",", ".", "°", "", "C", "", " ", "", "\u00a0", "").Replace(typed)
	low, err := strconv.ParseFloat(plain, 64)
	switch {
	case err != nil || math.IsNaN(low) || math.IsInf(low, 0):
		return 0, fmt.Sprintf("“%s” is not a temperature: type degrees Celsius, like −17.", typed)
	case low < -60 || low > 40:
		return 0, fmt.Sprintf("%s °C is no night's low on this earth's roads: type degrees Celsius, not Fahrenheit.", plain)
	}
	return low, ""
}

func (s *Server) tonightChecklist(c echo.Context) error {
	data, q, own, err := s.tonightOf(c)
	if err != nil {
		return err
	}
	page := tonightPage{pageFrame: s.frame(c, "Morning checklist"), Depot: q.Depot, Checklist: q.href("/tonight")}
	if page.Tonight, err = reports.ComposeTonight(data); err != nil && !errors.Is(err, reports.ErrNoLow) {
		return err
	}
	if err != nil || len(own) == 0 {
		page.Empty = "No depot has a low for tonight, so there is nothing to check off. Type it in on the page Tonight."
	}
	return s.render(c, http.StatusOK, "checklist.tmpl", page)
}

func (s *Server) tonightCSV(c echo.Context) error {
	data, _, _, err := s.tonightOf(c)
	if err != nil {
		return err
	}
	table, err := reports.TonightTable(data)
	if err != nil {
		return err
	}
	startDownload(c.Response(), fmt.Sprintf("tonight-%s.csv", data.Today))
	_, err = c.Response().Write(table)
	return err
}

// apiTonight answers programs with every unit that the night may concern.
func (s *Server) apiTonight(c echo.Context) error {
	data, _, _, err := s.tonightOf(c)
	if err != nil {
		return err
	}
	nights := []alerts.Night{}
	for _, d := range data.Depots {
		nights = append(nights, data.Nights[d.ID]...)
	}
	alerts.SortNights(nights)
	return c.JSON(http.StatusOK, map[string]any{"as_of": data.AsOf, "units": nights})
}
