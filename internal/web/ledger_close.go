package web

import (
	"errors"
	"fmt"
	"net/http"

	"github.com/labstack/echo/v4"

	"rimeyard/ledger"
	"rimeyard/reports"
)

// closeView is all that ledger-close.tmpl prints.
type closeView struct {
	ledgerFrame
	Headline string
	Next     string // month that can be closed next, for the form; empty: none
	NextName string
	Why      string // no month can be closed, and why
	Closed   []closedRow
	Booked   string // when something was booked last
	Whole    bool   // the viewer may see all depots, and so may close
}

type closedRow struct{ Month, At, By string }

func (s *Server) closePage(c echo.Context) error {
	frame, err := s.ledgerFrame(c, "Closing of months")
	if err != nil {
		return err
	}
	ctx := c.Request().Context()
	closed, err := s.store.ClosedMonths(ctx)
	if err != nil {
		return err
	}
	today, err := s.ledgerDay(ctx)
	if err != nil {
		return err
	}
	zone, err := s.viewersZone(c)
	if err != nil {
		return err
	}
	page := closeView{ledgerFrame: frame, Headline: "No month is closed yet", Whole: viewerOf(c).depots() == nil, Booked: "never"}
	at, err := s.store.LedgerBooked(ctx)
	if err != nil {
		return err
	}
	if !at.IsZero() {
		page.Booked = whenIn(at, zone)
	}
	if len(closed) > 0 {
		page.Headline = "Closed up to " + reports.MonthWords(ledger.MonthOf(closed[0].Month))
	}
	for _, m := range closed {
		page.Closed = append(page.Closed, closedRow{reports.MonthWords(ledger.MonthOf(m.Month)), whenIn(m.At, zone), m.By})
	}
	next := reports.NextToClose(closed, today)
	if err := reports.MayClose(next, closed, today); err != nil {
		page.Why = sentence(err)
	} else {
		page.Next, page.NextName = next.String(), reports.MonthWords(next)
	}
	return s.render(c, http.StatusOK, "ledger-close.tmpl", page)
}

// ofAllDepots lets only those change what is the whole fleet's who may see all of it.
func ofAllDepots(c echo.Context) error {
	if viewerOf(c).depots() != nil {
		return errForbidden
	}
	return nil
}

// closeMonth books what is not booked yet, then closes the month for good.
func (s *Server) closeMonth(c echo.Context) error {
	f, err := typedForm(c)
	if err != nil {
		return err
	}
	if err := ofAllDepots(c); err != nil {
		return err
	}
	month, err := ledger.ParseMonth(f.get("month"))
	if err != nil {
		return badRequestError{err}
	}
	if f.get("sure") == "" {
		return badRequestError{errors.New("tick that you know that closing cannot be undone")}
	}
	ctx, by := c.Request().Context(), viewerOf(c).person.Name
	today, err := s.ledgerDay(ctx)
	if err != nil {
		return err
	}
	before, err := s.store.ClosedMonths(ctx)
	if err != nil {
		return err
	}
	if err := reports.MayClose(month, before, today); err != nil {
		return badRequestError{err}
	}
	if _, err := reports.BookLedger(ctx, s.store, nil, by, today); err != nil {
		return err
	}
	done, err := s.store.CloseMonth(ctx, month.First(), by)
	if err != nil {
		return err
	}
	if !done {
		return s.done(c, "/ledger/close", "Somebody has closed that month meanwhile.")
	}
	if err := s.store.NoteChange(ctx, "ledger", "closed "+month.String()); err != nil {
		return err
	}
	return s.done(c, "/ledger/close", fmt.Sprintf("%s is closed, with all before it. What turns out later counts in the first open month.", reports.MonthWords(month)))
}

// bookNow books at once what the work of the day would book.
func (s *Server) bookNow(c echo.Context) error {
	if _, err := typedForm(c); err != nil {
		return err
	}
	if err := ofAllDepots(c); err != nil {
		return err
	}
	ctx := c.Request().Context()
	today, err := s.ledgerDay(ctx)
	if err != nil {
		return err
	}
	added, err := reports.BookLedger(ctx, s.store, nil, viewerOf(c).person.Name, today)
	if err != nil {
		return err
	}
	said := "Nothing was missing: the ledger agrees with the rows."
	if added > 0 {
		said = fmt.Sprintf("Booked: %d entries.", added)
	}
	return s.done(c, "/ledger/close", said)
}
