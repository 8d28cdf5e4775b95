package web

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"mime"
	"net/http"
	"slices"
	"time"

	"github.com/labstack/echo/v4"

	"rimeyard/faults"
	"rimeyard/internal/fleet"
)

// searchJSON is a search as programs get it; session and next are those of “rimeyard fault --format json”.
type searchJSON struct {
	Search    int64          `json:"search"`
	Unit      *fleet.UnitID  `json:"unit"` // null: a vehicle that is not recorded
	Step      int            `json:"step"`
	StartedAt time.Time      `json:"started_at"`
	StartedBy string         `json:"started_by"`
	EndedAt   *time.Time     `json:"ended_at"` // null: it is open
	Job       *int64         `json:"job"`      // null: none
	Session   faults.Session `json:"session"`
	Next      faults.Step    `json:"next"`
}

func newSearchJSON(f search) searchJSON {
	j := searchJSON{
		Search: f.kept.ID, Step: f.kept.Step, StartedAt: f.kept.StartedAt.UTC(), StartedBy: f.kept.StartedBy, Session: f.session, Next: f.session.Next(),
	}
	if f.kept.Unit != "" {
		j.Unit = &f.kept.Unit
	}
	if !f.kept.Open() {
		ended := f.kept.EndedAt.UTC()
		j.EndedAt = &ended
	}
	if f.kept.Job != 0 {
		j.Job = &f.kept.Job
	}
	return j
}

// readJSON reads a body of one JSON object into what knows all its fields.
func readJSON(c echo.Context, into any) error {
	got := c.Request().Header.Get(echo.HeaderContentType)
	if kind, _, err := mime.ParseMediaType(got); err != nil || kind != echo.MIMEApplicationJSON {
		return wrongMediaError{echo.MIMEApplicationJSON, got}
	}
	dec := json.NewDecoder(c.Request().Body)
	dec.DisallowUnknownFields()
	if err := dec.Decode(into); err != nil {
		if large, ok := errors.AsType[*http.MaxBytesError](err); ok {
			return large
		}
		return badRequestError{fmt.Errorf("the body is not what is wanted here: %w", err)}
	}
	if _, err := dec.Token(); !errors.Is(err, io.EOF) {
		return badRequestError{errors.New("the body goes on after its object: send one")}
	}
	return nil
}

func (s *Server) apiFault(c echo.Context) error {
	f, err := s.askedSearch(c)
	if err != nil {
		return err
	}
	return c.JSON(http.StatusOK, newSearchJSON(f))
}

// startRequest begins a search: of a recorded unit, or with facts of a vehicle that is not.
type startRequest struct {
	Unit         fleet.UnitID       `json:"unit"`
	TemperatureC fleet.Opt[float64] `json:"temperature_c"` // of a unit; null: the newest low of its depot
	Facts        *faults.Facts      `json:"facts"`
	Depot        fleet.DepotID      `json:"depot"` // of a vehicle that is not recorded: whose people may see the search
	By           string             `json:"by"`
	Answers      []answerRequest    `json:"answers"`
}

// answerRequest is what was read at a check.
type answerRequest struct {
	Check   faults.Check   `json:"check"`
	Reading string         `json:"reading"`
	By      string         `json:"by"`   // who did the check; empty: who asks
	Step    fleet.Opt[int] `json:"step"` // that was seen; null: whatever is newest
}

// said is the request as a reading of whoever asks.
func (a answerRequest) said(v viewer) (reading, error) {
	by := a.By
	if by == "" || v.person.Name != "" { // people are who they are
		by = v.changedBy()
	}
	const longestName = 100
	if !plainText(by) || len(by) > longestName || !plainText(a.Reading) || len(a.Reading) > maxReadingBytes {
		return reading{}, badRequestError{errors.New("by and reading are short lines of text")}
	}
	return reading{a.Check, a.Reading, by, a.Step}, nil
}

func (s *Server) apiStartFault(c echo.Context) error {
	var r startRequest
	if err := readJSON(c, &r); err != nil {
		return err
	}
	ctx, v := c.Request().Context(), viewerOf(c)
	facts, prior, err := s.startFacts(c, &r)
	if err != nil {
		return err
	}
	session, err := faults.New(facts, prior)
	if err != nil {
		return badRequestError{err}
	}
	for n, a := range r.Answers {
		if a.By == "" {
			a.By = r.By
		}
		said, err := a.said(v)
		if err != nil {
			return err
		}
		if session, err = session.Answer(said.check, said.says, said.by, s.now()); err != nil {
			return badRequestError{fmt.Errorf("answer %d: %w", n+1, err)}
		}
	}
	id, started, err := s.startSearch(ctx, session, r.Unit, r.Depot, v.changedBy())
	if err != nil {
		return err
	}
	f, err := s.searchOf(ctx, id, v)
	if err != nil {
		return err
	}
	status := http.StatusCreated
	if !started {
		status = http.StatusOK
	}
	c.Response().Header().Set(echo.HeaderLocation, fmt.Sprintf("/api/v1/faults/%d", id))
	return c.JSON(status, newSearchJSON(f))
}

// startFacts are what a search begins with; the depot of a request that leaves it out becomes the asker's only one.
func (s *Server) startFacts(c echo.Context, r *startRequest) (faults.Facts, faults.Prior, error) {
	v := viewerOf(c)
	if (r.Unit == "") == (r.Facts == nil) {
		return faults.Facts{}, faults.Prior{}, badRequestError{errors.New("name a unit, or give the facts of a vehicle that is not recorded: one of the two")}
	}
	if r.Unit == "" {
		own := v.depots()
		if r.Depot == "" && len(own) == 1 {
			r.Depot = own[0]
		}
		if own != nil && !slices.Contains(own, r.Depot) {
			return faults.Facts{}, faults.Prior{}, badRequestError{fmt.Errorf("depot %q: want one of those that you may see, so that the search can be gone on with", r.Depot)}
		}
		if !plainText(string(r.Facts.Unit) + r.Facts.Class) {
			return faults.Facts{}, faults.Prior{}, badRequestError{errors.New("unit and class are short lines of text")}
		}
		return *r.Facts, faults.Prior{}, nil
	}
	if !plainText(string(r.Unit)) {
		return faults.Facts{}, faults.Prior{}, noSuchUnit(r.Unit)
	}
	depot, found, err := s.store.UnitDepot(c.Request().Context(), r.Unit)
	if err != nil {
		return faults.Facts{}, faults.Prior{}, err
	}
	if !found || !v.maySee(depot) {
		return faults.Facts{}, faults.Prior{}, noSuchUnit(r.Unit)
	}
	facts, prior, _, err := s.recordedFacts(c.Request().Context(), r.Unit)
	if r.TemperatureC.IsKnown() {
		facts.TemperatureC = r.TemperatureC
	}
	return facts, prior, err
}

func (s *Server) apiAnswerFault(c echo.Context) error {
	var r answerRequest
	if err := readJSON(c, &r); err != nil {
		return err
	}
	f, err := s.askedSearch(c)
	if err != nil {
		return err
	}
	said, err := r.said(viewerOf(c))
	if err != nil {
		return err
	}
	f, what, err := s.give(c, f, said)
	if bad, ok := errors.AsType[badReadingError](err); ok {
		return badRequestError{bad}
	}
	if err != nil {
		return err
	}
	switch what {
	case searchClosed:
		return conflictError{errors.New("the search is ended: take it up again on its page, or begin another")}
	case readingLate:
		other, _ := answeredSince(f.kept, said.check, said.step.Or(f.kept.Step))
		return conflictError{fmt.Errorf("%s has answered this check meanwhile: %s; send yours with step %d to put it in its place", other.By, other.Answer, f.kept.Step)}
	}
	return c.JSON(http.StatusOK, newSearchJSON(f))
}

// apiTakeBackFault takes the newest answer back. Without one nothing changes.
func (s *Server) apiTakeBackFault(c echo.Context) error {
	f, err := s.askedSearch(c)
	if err != nil {
		return err
	}
	v := viewerOf(c)
	change, err := s.change(f.kept, f.session.Undo(), v.changedBy())
	if err != nil {
		return err
	}
	change.Step = seenStep(c.QueryParam("step")).Or(f.kept.Step)
	done, err := s.store.TakeBackFault(c.Request().Context(), change)
	if err != nil {
		return err
	}
	if !done && len(f.session.Answers) > 0 {
		return conflictError{errors.New("the search is ended, or has changed since the step that you saw: look at it again")}
	}
	if f, err = s.searchOf(c.Request().Context(), f.kept.ID, v); err != nil {
		return err
	}
	return c.JSON(http.StatusOK, newSearchJSON(f))
}

// apiJudgeFault says what follows from a session, and keeps nothing.
func (s *Server) apiJudgeFault(c echo.Context) error {
	var said faults.Session
	if err := readJSON(c, &said); err != nil {
		return err
	}
	const mostAnswers = 200 // no search is as long
	if len(said.Answers) > mostAnswers {
		return badRequestError{fmt.Errorf("%d answers: want at most %d", len(said.Answers), mostAnswers)}
	}
	session, err := faults.Replay(said, "", s.now())
	if err != nil {
		return badRequestError{err}
	}
	return c.JSON(http.StatusOK, struct {
		Session faults.Session `json:"session"`
		Next    faults.Step    `json:"next"`
	}{session, session.Next()})
}
