package web

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"strconv"
	"strings"
	"time"

	"github.com/labstack/echo/v4"

	"rimeyard/ingest"
	"rimeyard/internal/fleet"
)

// Problem is RFC 9457's problem details: what went wrong, for programs by type, for people by title and detail.
type Problem struct {
	Type   string `json:"type"`
	Title  string `json:"title"`
	Status int    `json:"status"`
	Detail string `json:"detail,omitempty"`
	// RequestID finds the line in the server's log.
	RequestID string `json:"request_id,omitempty"`

	retryAfter time.Duration
}

// Handlers pick a kind of failure by these names, never a status.
var (
	errSignIn      = errors.New("this needs a sign-in")
	errToken       = errors.New("the token is missing, unknown or revoked: ask an administrator for a new one (rimeyard token add)")
	errForbidden   = errors.New("this is not for your role, or not what the token is for; an administrator can change that")
	errCrossOrigin = errors.New("the request came from another site: open the page here and try again")
	errNotHealthy  = errors.New("the database does not answer")
	errDraining    = errors.New("the server is stopping")
)

// badRequestError is what the asker can put right; its text is shown to them.
type badRequestError struct{ error }

func (e badRequestError) Unwrap() error { return e.error }

// notFoundError is what is not there, or not for the asker; its text is shown to them.
type notFoundError struct{ error }

func (e notFoundError) Unwrap() error { return e.error }

func noSuchUnit(unit fleet.UnitID) error {
	return notFoundError{fmt.Errorf("there is no unit %q in the depots that you may see", unit)}
}

// conflictError is what somebody else was faster with; its text is shown.
type conflictError struct{ error }

func (e conflictError) Unwrap() error { return e.error }

// tooLargeError is a body above the limit of its route.
type tooLargeError struct{ limitBytes int64 }

func (e tooLargeError) Error() string {
	return fmt.Sprintf("the request is larger than %d bytes: send it in several parts", e.limitBytes)
}

// wrongMediaError is a body of a type that the route does not read.
type wrongMediaError struct{ want, got string }

func (e wrongMediaError) Error() string {
	return fmt.Sprintf("the body is %q: send it as %s", e.got, e.want)
}

// tooManyError is a request turned away unheard.
type tooManyError struct{ wait time.Duration }

func (e tooManyError) Error() string {
	return fmt.Sprintf("too many tries: wait %d minutes, then try again", int(e.wait.Minutes()))
}

// problemOf maps every error to what its asker gets; whatever it does not know is internal, and its text stays here.
func problemOf(err error) Problem {
	if bad, ok := errors.AsType[badRequestError](err); ok {
		return Problem{Type: "/problems/bad-request", Title: "The request cannot be read", Status: http.StatusBadRequest, Detail: bad.Error()}
	}
	if missing, ok := errors.AsType[notFoundError](err); ok {
		return Problem{Type: "/problems/not-found", Title: "There is no such thing", Status: http.StatusNotFound, Detail: missing.Error()}
	}
	if faster, ok := errors.AsType[conflictError](err); ok {
		return Problem{Type: "/problems/conflict", Title: "Somebody else was faster", Status: http.StatusConflict, Detail: faster.Error()}
	}
	if large, ok := errors.AsType[tooLargeError](err); ok {
		return Problem{Type: "/problems/too-large", Title: "The request is too large", Status: http.StatusRequestEntityTooLarge, Detail: large.Error()}
	}
	if body, ok := errors.AsType[*http.MaxBytesError](err); ok {
		return problemOf(tooLargeError{body.Limit})
	}
	if batch, ok := errors.AsType[ingest.BatchError](err); ok {
		return problemOf(badRequestError{batch})
	}
	if media, ok := errors.AsType[wrongMediaError](err); ok {
		return Problem{Type: "/problems/wrong-media", Title: "The body is of the wrong type", Status: http.StatusUnsupportedMediaType, Detail: media.Error()}
	}
	if many, ok := errors.AsType[tooManyError](err); ok {
		return Problem{Type: "/problems/too-many", Title: "Too many tries", Status: http.StatusTooManyRequests, Detail: many.Error(), retryAfter: many.wait}
	}
	for _, known := range []struct {
		err         error
		kind, title string
		status      int
	}{
		{errSignIn, "/problems/sign-in", "Please sign in", http.StatusUnauthorized},
		{errToken, "/problems/sign-in", "The token does not open this", http.StatusUnauthorized},
		{errPhone, "/problems/phone", "This phone is let in no more", http.StatusUnauthorized},
		{errForbidden, "/problems/forbidden", "Not for you", http.StatusForbidden},
		{errCrossOrigin, "/problems/cross-origin", "The request came from another site", http.StatusForbidden},
		{errNotHealthy, "/problems/unavailable", "Not healthy", http.StatusServiceUnavailable},
		{errDraining, "/problems/unavailable", "Not ready", http.StatusServiceUnavailable},
		{fleet.ErrNoIssue, "/problems/no-list", "There is no winter list yet", http.StatusNotFound},
		{context.DeadlineExceeded, "/problems/unavailable", "That took too long", http.StatusServiceUnavailable},
	} {
		if errors.Is(err, known.err) {
			return Problem{Type: known.kind, Title: known.title, Status: known.status, Detail: known.err.Error()}
		}
	}
	if he, ok := errors.AsType[*echo.HTTPError](err); ok && he.Code < http.StatusInternalServerError {
		return Problem{Type: "about:blank", Title: http.StatusText(he.Code), Status: he.Code} // the router's 404 and 405
	}
	return Problem{Type: "about:blank", Title: "Internal error", Status: http.StatusInternalServerError}
}

// answerError writes what the asker gets to see of err: a page for people, problem details for programs.
func (s *Server) answerError(err error, c echo.Context) {
	if c.Response().Committed {
		return
	}
	p := problemOf(err)
	p.RequestID = c.Response().Header().Get(echo.HeaderXRequestID)
	header := c.Response().Header()
	header.Set("Cache-Control", "no-store")
	header.Del(echo.HeaderContentDisposition)
	if p.retryAfter > 0 {
		header.Set("Retry-After", strconv.Itoa(int(p.retryAfter.Seconds())))
	}
	if p.Status == http.StatusUnauthorized {
		header.Set(echo.HeaderWWWAuthenticate, `Bearer realm="rimeyard"`)
	}
	if wantsPage(c.Request()) {
		if p.Status == http.StatusUnauthorized && isRead(c.Request().Method) {
			_ = c.Redirect(http.StatusSeeOther, signInURL(c.Request().URL.RequestURI()))
			return
		}
		if err := s.render(c, p.Status, "problem.tmpl", s.newProblemPage(c, p)); err == nil {
			return
		}
	}
	body, _ := json.Marshal(p) // a struct of strings and a number
	_ = c.Blob(p.Status, "application/problem+json", append(body, '\n'))
}

func wantsPage(r *http.Request) bool {
	return !strings.HasPrefix(r.URL.Path, "/api/") && strings.Contains(r.Header.Get(echo.HeaderAccept), "text/html")
}

func isRead(method string) bool { return method == http.MethodGet || method == http.MethodHead }
