package web

import (
	"bytes"
	"errors"
	"fmt"
	"mime"
	"net/http"

	"github.com/labstack/echo/v4"

	"rimeyard/ingest"
)

// apiReadings takes a batch of readings. It answers only once what was taken is committed, and says row by row what was
// kept apart; the same batch sent again changes nothing, so a logger that heard no answer just sends it again.
func (s *Server) apiReadings(c echo.Context) error {
	req := c.Request()
	got := req.Header.Get(echo.HeaderContentType)
	if kind, _, err := mime.ParseMediaType(got); err != nil || kind != echo.MIMEApplicationJSON {
		return wrongMediaError{echo.MIMEApplicationJSON, got}
	}
	v := viewerOf(c)
	result, err := s.intake(req.Context(), req.Body, ingest.Options{Source: "api:" + v.token.Name, Now: s.now(), Depots: v.depots()})
	if err != nil {
		return err
	}
	var b bytes.Buffer
	if err := errors.Join(result.WriteJSON(&b), result.Close()); err != nil {
		return fmt.Errorf("write the result of a batch: %w", err)
	}
	return c.JSONBlob(http.StatusOK, b.Bytes())
}
