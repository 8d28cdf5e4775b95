package web

import (
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"strings"

	"github.com/labstack/echo/v4"

	"rimeyard/internal/fleet"
	"rimeyard/reports"
)

// feedPage is all that plan-feed.tmpl prints.
type feedPage struct {
	pageFrame
	Said     string
	Made     string // when the address that is good now was made; empty: there is none
	LastUsed string
	Zone     string
	Address  string // shown this once
	OneDepot string // what to add for one depot
	May      string // whose weeks it shows
}

func (s *Server) planFeed(c echo.Context) error {
	return s.showFeed(c, "")
}

func (s *Server) showFeed(c echo.Context, address string) error {
	v := viewerOf(c)
	zone, err := s.viewersZone(c)
	if err != nil {
		return err
	}
	feed, found, err := s.store.Feed(c.Request().Context(), v.person.Name)
	if err != nil {
		return err
	}
	page := feedPage{pageFrame: s.frame(c, "Plan in a calendar"), Said: s.takeSaid(c), Zone: zone.String(), Address: address, May: v.person.DepotsSeen()}
	if address != "" {
		page.OneDepot = address + "&depot=NOR"
	}
	if found {
		page.Made, page.LastUsed = when(feed.MadeAt, zone), "never"
		if !feed.LastUsedAt.IsZero() {
			page.LastUsed = when(feed.LastUsedAt, zone)
		}
	}
	return s.render(c, http.StatusOK, "plan-feed.tmpl", page)
}

// makeFeed gives the asker a new address; the one before is good no more.
func (s *Server) makeFeed(c echo.Context) error {
	secret, hash := NewToken()
	if err := s.store.MakeFeed(c.Request().Context(), viewerOf(c).person.Name, hash); err != nil {
		return err
	}
	return s.showFeed(c, s.siteOf(c)+"/plan.ics?"+url.Values{"token": {secret}}.Encode())
}

// siteOf is where this server is reached: as the installation says, else as the asker came.
func (s *Server) siteOf(c echo.Context) string {
	if s.desk.Site != nil {
		return strings.TrimSuffix(s.desk.Site.String(), "/")
	}
	return c.Scheme() + "://" + c.Request().Host
}

func (s *Server) endFeed(c echo.Context) error {
	if err := s.store.EndFeed(c.Request().Context(), viewerOf(c).person.Name); err != nil {
		return err
	}
	return s.done(c, "/plan/feed", "The address is ended: calendars that read it get nothing any more.")
}

var errNoFeed = notFoundError{errors.New("this address is no longer good: make a new one on the page of the plan, under Calendar")}

// planCalendar answers calendar programs, which cannot sign in: the token in the address says whose plan they may read.
func (s *Server) planCalendar(c echo.Context) error {
	person, found, err := s.store.UseFeed(c.Request().Context(), hashToken(c.QueryParam("token")))
	if err != nil {
		return err
	}
	if !found || !mayOpen(person.Role, "/plan") {
		return errNoFeed
	}
	q := planQuery{Depot: fleet.DepotID(c.QueryParam("depot"))}
	p, own, err := s.planAsked(c, viewer{person: person}, q, allPatience)
	if err != nil {
		return err
	}
	if len(own) == 0 {
		return errNoFeed
	}
	name := "Plan"
	if q.Depot != "" {
		name += " " + p.Name(q.Depot)
	}
	site := s.siteOf(c)
	body := p.Calendar(name, func(depot fleet.DepotID, monday fleet.Date) string {
		return site + planQuery{depot, fleet.Known(monday)}.href("/plan")
	})
	c.Response().Header().Set(echo.HeaderContentDisposition, fmt.Sprintf(`inline; filename="plan-%s.ics"`, p.Plan.Monday))
	return c.Blob(http.StatusOK, reports.CalendarType, body)
}
