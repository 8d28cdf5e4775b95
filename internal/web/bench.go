package web

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"time"

	"github.com/labstack/echo/v4"

	"rimeyard/alerts"
	"rimeyard/internal/fleet"
	"rimeyard/reports"
)

// Bench is what is typed in in the yard, and by whom.
type Bench interface {
	BenchEntries
	Phones
	BenchUnits(ctx context.Context, depot fleet.DepotID, unit fleet.UnitID, today fleet.Date) ([]fleet.BenchUnit, error)
}

// roundPage is all that bench.tmpl prints.
type roundPage struct {
	pageFrame
	Said     string // what was just done
	Empty    string // why there is nothing to walk, and what to do; then the rest is not shown
	Depot    string
	Depots   []choice // to choose from; empty: there is one
	DepotKey fleet.DepotID
	Round    benchRoundView
	Unit     []string // all of the depot, to choose from
	Phone    string   // the kept phone that asks; empty: somebody is signed in
	KeptAs   string   // name of this phone, where somebody is signed in on one that is kept; empty: it is not
	Keep     string   // name to propose for a phone to keep
	Sheet    string   // address of the page for labels; empty: not for a kept phone
	Stock    string   // address of the depot's shelf; empty: not for a kept phone
}

// benchRoundView is the round of one depot as pages and phones show it.
type benchRoundView struct {
	Day    string       `json:"day"`
	Empty  string       `json:"empty"` // why there is no round; the form is there all the same
	Done   int          `json:"done"`
	Stops  int          `json:"stops"`
	Stands []benchStand `json:"stands"`
	Low    string       `json:"low"` // tonight's, in words; empty: not known
	Shelf  []benchShelf `json:"shelf"`
}

type benchStand struct {
	Title string      `json:"title"`
	Stops []benchStop `json:"stops"`
}

type benchStop struct {
	Unit string    `json:"unit"`
	Look benchLook `json:"look"`
	Why  string    `json:"why"`
	Done bool      `json:"done"`
}

// benchShelf is a battery on the depot's shelf that is to be tested and charged now.
type benchShelf struct {
	Serial string `json:"serial"`
	Part   string `json:"part"`
	Why    string `json:"why"`
}

// benchLook is as much of a band's look as a phone needs.
type benchLook struct {
	Word  string `json:"word"`
	Shape string `json:"shape"`
}

// Href is where the unit's test is typed in.
func (s benchStop) Href() string { return benchUnitHref(s.Unit) }

func benchUnitHref(unit string) string {
	return "/bench/unit?" + url.Values{"unit": {unit}}.Encode()
}

// benchDepot is the depot in the address, else the viewer's first. found is false where they may see none.
func (s *Server) benchDepot(c echo.Context) (depot fleet.Depot, own []fleet.Depot, found bool, err error) {
	own, err = s.visibleDepots(c.Request().Context(), viewerOf(c))
	if err != nil || len(own) == 0 {
		return depot, own, false, err
	}
	asked := cmp.Or(fleet.DepotID(c.QueryParam("depot")), own[0].ID)
	i := slices.IndexFunc(own, func(d fleet.Depot) bool { return d.ID == asked })
	if i < 0 {
		return depot, own, false, notFoundError{fmt.Errorf("there is no depot %q that you may see", asked)}
	}
	return own[i], own, true, nil
}

// benchDay is one depot's day at the bench.
type benchDay struct {
	depot fleet.Depot
	today fleet.Date
	units []fleet.BenchUnit
	low   fleet.Opt[float64]
	round benchRoundView
}

// benchDayOf reads a depot's day.
func (s *Server) benchDayOf(ctx context.Context, depot fleet.Depot) (day benchDay, err error) {
	day = benchDay{depot: depot, today: fleet.DateOf(s.now(), depot.Zone())}
	if day.units, err = s.store.BenchUnits(ctx, depot.ID, "", day.today); err != nil {
		return day, err
	}
	if day.low, err = s.lowTonight(ctx, depot); err != nil {
		return day, err
	}
	day.round = benchRoundView{Day: reports.DayMonth(day.today, day.today), Stands: []benchStand{}}
	if day.round.Shelf, err = s.shelfOnRound(ctx, depot); err != nil {
		return day, err
	}
	if low, known := day.low.Get(); known {
		day.round.Low = reports.Degrees(low)
	}
	issue, err := s.store.LatestIssue(ctx)
	if errors.Is(err, fleet.ErrNoIssue) {
		day.round.Empty = "There is no winter list yet, so nobody knows which tests are worth most. Any unit can be tested all the same."
		return day, nil
	}
	if err != nil {
		return day, err
	}
	listed, err := s.store.Listed(ctx, issue.ID, fleet.ListFilter{Depots: []fleet.DepotID{depot.ID}})
	if err != nil {
		return day, err
	}
	day.fill(alerts.Round(listed, day.lastTests(), day.today, depot.Zone()))
	return day, nil
}

func (d *benchDay) lastTests() map[fleet.UnitID]fleet.Test {
	last := map[fleet.UnitID]fleet.Test{}
	for _, u := range d.units {
		if len(u.Tests) > 0 {
			last[u.Unit.ID] = u.Tests[0]
		}
	}
	return last
}

func (d *benchDay) fill(stands []alerts.Stand) {
	for _, stand := range stands {
		view := benchStand{Title: map[fleet.Parked]string{fleet.Indoors: "Indoors", fleet.Outdoors: "Outdoors", fleet.PluggedIn: "Plugged in"}[stand.Parked]}
		view.Title = cmp.Or(view.Title, "Wherever they stand")
		for _, stop := range stand.Stops {
			look := reports.LookOf(stop.Forecast.Band)
			view.Stops = append(view.Stops, benchStop{string(stop.Unit.ID), benchLook{look.Word, look.Shape}, stop.Why, stop.Done})
			d.round.Stops++
			if stop.Done {
				d.round.Done++
			}
		}
		d.round.Stands = append(d.round.Stands, view)
	}
	if d.round.Stops == 0 {
		d.round.Empty = "No unit of this depot is on the winter list yet. Any unit can be tested all the same."
	}
}

// lowTonight is the low of the coming night at a depot.
func (s *Server) lowTonight(ctx context.Context, depot fleet.Depot) (fleet.Opt[float64], error) {
	dawn := reports.Dawn(depot, s.now())
	lows, err := s.store.Lows(ctx, dawn, dawn)
	if err != nil {
		return fleet.Opt[float64]{}, err
	}
	for _, l := range lows {
		if l.Depot == depot.ID {
			return fleet.Known(l.C), nil
		}
	}
	return fleet.Opt[float64]{}, nil
}

func (s *Server) benchRound(c echo.Context) error {
	v := viewerOf(c)
	page := roundPage{pageFrame: s.frame(c, "Bench"), Said: s.takeSaid(c), Phone: v.phone}
	depot, own, found, err := s.benchDepot(c)
	if err != nil {
		return err
	}
	if !found {
		page.Empty = "No depot is yours to see. Ask an administrator to give you one."
		return s.render(c, http.StatusOK, "bench.tmpl", page)
	}
	day, err := s.benchDayOf(c.Request().Context(), depot)
	if err != nil {
		return err
	}
	page.Depot, page.DepotKey, page.Round = depotName(depot), depot.ID, day.round
	if len(own) > 1 {
		for _, d := range own {
			page.Depots = append(page.Depots, choice{"/bench?" + url.Values{"depot": {string(d.ID)}}.Encode(), string(d.ID), d.ID == depot.ID})
		}
	}
	for _, u := range day.units {
		page.Unit = append(page.Unit, string(u.Unit.ID))
	}
	if v.phone == "" {
		if page.KeptAs, err = s.keptAs(c); err != nil {
			return err
		}
		page.Keep = newPhoneName(v.person)
		of := "?" + url.Values{"depot": {string(depot.ID)}}.Encode()
		page.Sheet, page.Stock = "/bench/labels"+of, "/stock"+of
	}
	return s.render(c, http.StatusOK, "bench.tmpl", page)
}

// shelfOnRound are the batteries on a depot's shelf that are to be tested and charged now: they age there too.
func (s *Server) shelfOnRound(ctx context.Context, depot fleet.Depot) ([]benchShelf, error) {
	due := []benchShelf{}
	batteries, err := s.store.ShelfBatteries(ctx, []fleet.DepotID{depot.ID})
	if err != nil {
		return nil, err
	}
	today := fleet.DateOf(s.now(), depot.Zone())
	for _, b := range batteries {
		if row := newShelfBatteryRow(b, today); row.Now {
			due = append(due, benchShelf{row.Serial, row.Part, fmt.Sprintf("%s; rest volts: %s; last charged: %s", row.Why, row.Rest, row.Charged)})
		}
	}
	return due, nil
}

// minute is when a test at the bench was read: phones and forms give it to the minute.
func minute(t time.Time) time.Time { return t.UTC().Truncate(time.Minute) }
