package web

import (
	"crypto/rand"
	"errors"
	"fmt"
	"log/slog"
	"net/http"
	"runtime/debug"
	"time"

	"github.com/labstack/echo/v4"
)

// observe gives each request an id, answers its error, turns a panic into one, and logs one line when it is done. The
// line has the route and no query, no header and no body: they may hold what is nobody's business.
func (s *Server) observe(next echo.HandlerFunc) echo.HandlerFunc {
	return func(c echo.Context) error {
		start := s.now()
		id := rand.Text()[:16]
		c.Response().Header().Set(echo.HeaderXRequestID, id)
		err := recovered(next, c)
		aborted := err != nil && c.Response().Committed
		if err != nil {
			s.answerError(err, c)
		}
		s.logRequest(c, id, start, err)
		if aborted { // half of it is out: break the connection, so that nobody takes the half for the whole
			panic(http.ErrAbortHandler)
		}
		return nil
	}
}

func (s *Server) logRequest(c echo.Context, id string, start time.Time, err error) {
	res := c.Response()
	attrs := []slog.Attr{
		slog.String("request_id", id), slog.String("method", c.Request().Method), slog.String("route", c.Path()),
		slog.Int("status", res.Status), slog.Int64("bytes", res.Size), slog.String("address", c.RealIP()),
		slog.Int64("took_ms", s.now().Sub(start).Milliseconds()),
	}
	if v := viewerOf(c); v.person.Name != "" {
		attrs = append(attrs, slog.String("person", v.person.Name))
	} else if v.token.Name != "" {
		attrs = append(attrs, slog.String("token", v.token.Name)) // its name, not its text
	}
	level := slog.LevelInfo
	if err != nil && problemOf(err).Status >= http.StatusInternalServerError {
		level = slog.LevelError
		attrs = append(attrs, slog.String("error", err.Error()))
		if p, ok := errors.AsType[*panicked](err); ok {
			attrs = append(attrs, slog.String("stack", string(p.stack)))
		}
	}
	s.log.LogAttrs(c.Request().Context(), level, "request", attrs...)
}

// panicked is a bug in a handler, caught so that it costs one request only.
type panicked struct {
	value any
	stack []byte
}

func (p *panicked) Error() string { return fmt.Sprintf("panic: %v", p.value) }

func recovered(next echo.HandlerFunc, c echo.Context) (err error) {
	defer func() {
		if v := recover(); v != nil {
			err = &panicked{v, debug.Stack()}
		}
	}()
	return next(c)
}

// What browsers are told: load nothing but ours, run and style nothing inline, be framed by nobody.
const (
	pagePolicy = "default-src 'none'; style-src 'self'; img-src 'self' data:; script-src 'self'; form-action 'self'; " +
		"frame-ancestors 'none'; base-uri 'none'; connect-src 'self'"
	// The charts carry style attributes; they are shown as pictures, where nothing in them can run or load.
	picturePolicy = "default-src 'none'; style-src 'unsafe-inline'"

	hstsHeader = "max-age=31536000"

	maxFormBytes     = 64 << 10
	maxReadingsBytes = 8 << 20
	maxRowBytes      = 1 << 20 // a row of an interchange file, each byte written as three
)

// bodyLimit is how many bytes a body may bring to a route.
func bodyLimit(path string) int64 {
	switch path {
	case "/api/v1/readings":
		return maxReadingsBytes
	case "/intake/rows/:row":
		return maxRowBytes
	case "/intake/files":
		return maxUploadBytes
	}
	return maxFormBytes
}

// guard sets the headers that hold for every answer, refuses what another site sent and bounds what a body may bring.
func (s *Server) guard(next echo.HandlerFunc) echo.HandlerFunc {
	return func(c echo.Context) error {
		header := c.Response().Header()
		header.Set(echo.HeaderContentSecurityPolicy, pagePolicy)
		header.Set(echo.HeaderXContentTypeOptions, "nosniff")
		header.Set(echo.HeaderReferrerPolicy, "same-origin")
		header.Set("Cross-Origin-Opener-Policy", "same-origin")
		header.Set("Cross-Origin-Resource-Policy", "same-origin")
		header.Set("Cache-Control", "private, no-store") // pages are for whom they were made; assets say otherwise
		if s.secure {
			header.Set(echo.HeaderStrictTransportSecurity, hstsHeader)
		}
		req := c.Request()
		if err := s.origin.Check(req); err != nil {
			return errors.Join(errCrossOrigin, err)
		}
		limit := bodyLimit(c.Path())
		if req.ContentLength > limit {
			return tooLargeError{limit}
		}
		req.Body = http.MaxBytesReader(c.Response(), req.Body, limit)
		return next(c)
	}
}
