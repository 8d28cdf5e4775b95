package web

import (
	"context"
	"fmt"
	"net/http"
	"strconv"
	"strings"
	"time"

	"github.com/labstack/echo/v4"

	"rimeyard/internal/fleet"
)

// settledView is a row that waits no more, and what became of it.
type settledView struct {
	Href, File, Line, Kind, Unit string
	Aside                        bool
	Note, Person, At             string
	Reason                       string
	Changes                      []fieldChange
	PutBack                      string
}

type fieldChange struct{ Column, Was, Is string }

type settledRowPage struct {
	pageFrame
	Tabs []choice
	Told string // what did not happen now, and why
	Row  settledView
	Next string // address of another row that waits; empty: none does
	Zone string
}

func (s *Server) settledRowPage(c echo.Context, status int, told string) error {
	key, err := rowKey(c)
	if err != nil {
		return err
	}
	ctx, v := c.Request().Context(), viewerOf(c)
	rows, err := s.store.SettledRows(ctx, key, v.depots(), 1)
	if err != nil {
		return err
	}
	if len(rows) == 0 {
		return errNoSuchRow
	}
	depots, err := s.visibleDepots(ctx, v)
	if err != nil {
		return err
	}
	zone := commonZone(depots)
	page := settledRowPage{pageFrame: s.frame(c, "A row that waits no more"), Tabs: intakeTabs(c), Told: told, Row: newSettledView(rows[0], zone), Zone: zone.String()}
	if page.Next, err = s.nextRow(ctx, v, rows[0].KeptRow); err != nil {
		return err
	}
	return s.render(c, status, "intake_row_settled.tmpl", page)
}

// nextRow is a row to go on with: of the same file, else any.
func (s *Server) nextRow(ctx context.Context, v viewer, after fleet.KeptRow) (string, error) {
	for _, f := range []fleet.KeptFilter{{Of: v.depots(), File: after.File, Limit: 1}, {Of: v.depots(), Limit: 1}} {
		rows, err := s.store.KeptApart(ctx, f)
		if err != nil {
			return "", err
		}
		if len(rows) > 0 {
			return rowHref(rows[0].Key), nil
		}
	}
	return "", nil
}

func newSettledView(r fleet.SettledRow, zone *time.Location) settledView {
	view := settledView{
		Href: rowHref(r.Key), File: r.File, Line: strconv.FormatInt(r.Line, 10), Kind: kindWords(r.Kind), Unit: r.Unit, Aside: r.Aside, Note: r.Note,
		Person: r.Person, At: when(r.At, zone), Reason: r.Reason, PutBack: rowHref(r.Key) + "/put-back",
	}
	for i, h := range r.MendedHeader {
		was := ""
		if i < len(r.Header) && i < len(r.Fields) {
			was = r.Fields[i]
		}
		if was != r.MendedFields[i] {
			view.Changes = append(view.Changes, fieldChange{h, was, r.MendedFields[i]})
		}
	}
	if extra := len(r.Fields) - len(r.Header); !r.Aside && extra > 0 {
		view.Changes = append(view.Changes, fieldChange{fmt.Sprintf("%d beyond the last column", extra), strings.Join(r.Fields[len(r.Header):], ", "), ""})
	}
	return view
}

type settledPage struct {
	pageFrame
	Tabs []choice
	Rows []settledView
	Zone string
}

const settledShown = 200

// settledPage lists who mended what and what was set aside.
func (s *Server) settledPage(c echo.Context) error {
	ctx, v := c.Request().Context(), viewerOf(c)
	rows, err := s.store.SettledRows(ctx, "", v.depots(), settledShown)
	if err != nil {
		return err
	}
	depots, err := s.visibleDepots(ctx, v)
	if err != nil {
		return err
	}
	zone := commonZone(depots)
	page := settledPage{pageFrame: s.frame(c, "Mended and set aside"), Tabs: intakeTabs(c), Zone: zone.String()}
	for _, r := range rows {
		page.Rows = append(page.Rows, newSettledView(r, zone))
	}
	return s.render(c, http.StatusOK, "intake_settled.tmpl", page)
}
