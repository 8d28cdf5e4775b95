package web

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"slices"
	"strconv"
	"strings"

	"github.com/labstack/echo/v4"

	"rimeyard/internal/fleet"
	"rimeyard/reports"
)

// changesShown is how much of the record of changes stands on the page.
const changesShown = 50

// settingsPage is all that settings.tmpl prints.
type settingsPage struct {
	settingsFrame
	Troubles []trouble // for whoever handles schedules
	Handles  bool
	Mine     []mineRow
	Account  []fact
	Changes  []changeRow // for administrators
	Zone     string      // in which times are
}

// trouble is something that does not reach its reader.
type trouble struct{ What, Why, Href, Do string }

// mineRow is a report that comes to whoever looks.
type mineRow struct {
	Title, Words, Next string
	Schedule           string // its number
	Left               string // when they unsubscribed; empty: they did not
}

type changeRow struct{ When, By, Subject, What string }

func (s *Server) settingsPage(c echo.Context) error {
	ctx, p := c.Request().Context(), viewerOf(c).person
	zone, err := s.viewersZone(c)
	if err != nil {
		return err
	}
	page := settingsPage{
		settingsFrame: s.settingsFrame(c, "Settings"), Handles: mayOpen(p.Role, "/settings/letters"), Account: accountFacts(p), Zone: zone.String(),
	}
	if page.Handles {
		if page.Troubles, err = s.troubles(c); err != nil {
			return err
		}
	}
	if page.Mine, err = s.mine(ctx, p); err != nil {
		return err
	}
	if mayOpen(p.Role, "/settings/people") {
		changes, err := s.store.Changes(ctx, changesShown)
		if err != nil {
			return err
		}
		for _, ch := range changes {
			page.Changes = append(page.Changes, changeRow{when(ch.At, zone), ch.By, ch.Subject, ch.What})
		}
	}
	return s.render(c, http.StatusOK, "settings.tmpl", page)
}

// troubles are letters given up or not yet taken, schedules that cannot send, and readers left out, in that order.
func (s *Server) troubles(c echo.Context) ([]trouble, error) {
	unsent, err := s.visibleLetters(c)
	if err != nil {
		return nil, err
	}
	schedules, err := s.visibleSchedules(c)
	if err != nil {
		return nil, err
	}
	var list, waiting []trouble
	for _, l := range unsent {
		t := trouble{Why: l.LastError, Href: "/settings/letters", Do: "To the letters"}
		switch {
		case !l.GivenUpAt.IsZero():
			t.What = fmt.Sprintf("Letter %d to %s was given up", l.ID, l.To)
			list = append(list, t)
		case l.Attempts > 0:
			t.What = fmt.Sprintf("Letter %d to %s waits: it was tried %d times", l.ID, l.To, l.Attempts)
			if l.Attempts == 1 {
				t.What = fmt.Sprintf("Letter %d to %s waits: it was tried once", l.ID, l.To)
			}
			waiting = append(waiting, t)
		}
	}
	list = append(list, waiting...)
	for _, sc := range schedules {
		why := sc.LastError
		if _, err := reports.TimetableOf(sc); err != nil {
			why = err.Error()
		}
		if why != "" && sc.Enabled {
			list = append(list, trouble{fmt.Sprintf("Schedule %d, %s, cannot send", sc.ID, lowerFirst(s.scheduleTitle(sc))), why, "/settings/schedules", "To the schedules"})
		}
	}
	for _, sc := range schedules {
		if sc.LastNote != "" && sc.Enabled {
			list = append(list, trouble{fmt.Sprintf("Schedule %d, %s, left readers out", sc.ID, lowerFirst(s.scheduleTitle(sc))), sc.LastNote, "/settings/schedules", "To the schedules"})
		}
	}
	return list, nil
}

// mine are the schedules that name a person: by sign-in name, role or mail address.
func (s *Server) mine(ctx context.Context, p fleet.Person) ([]mineRow, error) {
	schedules, err := s.store.Schedules(ctx)
	if err != nil {
		return nil, err
	}
	left, err := s.store.Unsubscribed(ctx)
	if err != nil {
		return nil, err
	}
	var rows []mineRow
	for _, sc := range schedules {
		kind, err := s.desk.Kinds.Named(sc.Report)
		if err != nil || !mayOpen(p.Role, kind.Page) || sc.Depot != "" && !p.MaySee(sc.Depot) || !sc.Enabled || !slices.ContainsFunc(sc.Recipients, isFor(p)) {
			continue
		}
		row := mineRow{Title: s.scheduleTitle(sc), Words: cronWords(sc.Cron), Schedule: strconv.FormatInt(sc.ID, 10)}
		if slots, err := reports.NextSlots(sc, s.now(), 1); err == nil && len(slots) > 0 {
			row.Next = newRunRows(slots, sc.Cron, s.now())[0].When
		}
		for _, sub := range left {
			if sub.Schedule == sc.ID && strings.EqualFold(sub.Address, p.Email) {
				row.Left = when(sub.EndedAt, zoneNamed(sc.Timezone))
			}
		}
		rows = append(rows, row)
	}
	return rows, nil
}

// isFor tells whether a recipient stands for the person, or for others too.
func isFor(p fleet.Person) func(string) bool {
	return func(to string) bool {
		if to == toPerson+p.Name || to == toRole+string(p.Role) {
			return true
		}
		address, err := reports.CheckAddress(to)
		return err == nil && p.Email != "" && strings.EqualFold(address.Address, p.Email)
	}
}

// putMeBack lets people have again what they themselves unsubscribed from.
func (s *Server) putMeBack(c echo.Context) error {
	f, err := typedForm(c)
	if err != nil {
		return err
	}
	ctx, p := c.Request().Context(), viewerOf(c).person
	mine, err := s.mine(ctx, p)
	if err != nil {
		return err
	}
	number := f.get("schedule")
	i := slices.IndexFunc(mine, func(m mineRow) bool { return m.Schedule == number && m.Left != "" })
	id, err := strconv.ParseInt(number, 10, 64)
	if i < 0 || err != nil {
		return badRequestError{errors.New("there is no report of that number that you have left")}
	}
	if _, err := s.store.Resubscribe(ctx, id, p.Email); err != nil {
		return err
	}
	return s.done(c, "/settings", fmt.Sprintf("You get the %s again.", lowerFirst(mine[i].Title)))
}
