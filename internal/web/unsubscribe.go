package web

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"strings"

	"github.com/labstack/echo/v4"

	"rimeyard/internal/fleet"
	"rimeyard/reports"
)

// Mailing is what addresses have of schedules. Who holds a letter's token may end that one subscription.
type Mailing interface {
	Subscription(ctx context.Context, token string) (s fleet.Subscription, found bool, err error)
	Unsubscribe(ctx context.Context, token string) (found bool, err error)
}

// unsubscribeRoute takes posts from mail providers too (RFC 8058): they come from elsewhere, and with no session.
const unsubscribeRoute = "/" + reports.UnsubscribePath + "/:token"

const unsubscribeAnywhere = "POST /" + reports.UnsubscribePath + "/{token}" // as net/http writes the route

type unsubscribePage struct {
	pageFrame
	Address string
	Report  string // "winter list of NOR"
	Done    bool
}

// unsubscribeForm asks first: what opens links to look into them, as mail filters do, must end nothing.
func (s *Server) unsubscribeForm(c echo.Context) error {
	page, err := s.newUnsubscribePage(c)
	if err != nil {
		return err
	}
	return s.render(c, http.StatusOK, "unsubscribe.tmpl", page)
}

func (s *Server) newUnsubscribePage(c echo.Context) (unsubscribePage, error) {
	sub, found, err := s.store.Subscription(c.Request().Context(), c.Param("token"))
	if err != nil {
		return unsubscribePage{}, err
	}
	if !found {
		return unsubscribePage{}, errNoSubscription
	}
	page := unsubscribePage{s.frame(c, "Unsubscribe"), sub.Address, strings.ReplaceAll(sub.Report, "-", " "), !sub.EndedAt.IsZero()}
	if sub.Depot != "" {
		page.Report += fmt.Sprintf(" of %s", sub.Depot)
	}
	return page, nil
}

var errNoSubscription = notFoundError{errors.New("this link is no longer good: its schedule was removed, and sends nothing any more")}

// unsubscribe takes the post that RFC 8058 prescribes, from a mail program's button or from our own form.
func (s *Server) unsubscribe(c echo.Context) error {
	const field, value = "List-Unsubscribe", "One-Click"
	if c.Request().PostFormValue(field) != value {
		return badRequestError{fmt.Errorf("want %s=%s in the form", field, value)}
	}
	found, err := s.store.Unsubscribe(c.Request().Context(), c.Param("token"))
	if err != nil {
		return err
	}
	if !found {
		return errNoSubscription
	}
	return s.unsubscribeForm(c)
}
