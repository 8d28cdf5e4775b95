package web

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"strconv"
	"time"

	"github.com/labstack/echo/v4"

	"rimeyard/faults"
	"rimeyard/internal/fleet"
)

// Faults are the searches for what stops a unit from cranking, and what the fleet has written down for the work that follows. Done and
// started are false where somebody else was faster.
type Faults interface {
	StartFault(ctx context.Context, f fleet.FaultSearch) (id int64, started bool, err error)
	Fault(ctx context.Context, id int64, of []fleet.DepotID) (f fleet.FaultSearch, found bool, err error)
	Faults(ctx context.Context, f fleet.FaultFilter) ([]fleet.FaultSearch, error)
	AnswerFault(ctx context.Context, c fleet.FaultChange, a fleet.FaultAnswer) (done bool, err error)
	TakeBackFault(ctx context.Context, c fleet.FaultChange) (done bool, err error)
	EndFault(ctx context.Context, c fleet.FaultChange) (done bool, err error)
	ReopenFault(ctx context.Context, c fleet.FaultChange) (done bool, err error)
	OpenJob(ctx context.Context, n fleet.NewJob) (j fleet.Job, opened bool, err error)
	ClassNote(ctx context.Context, class string) (n fleet.ClassNote, found bool, err error)
	KeepClassNote(ctx context.Context, n fleet.ClassNote) error
	LastLow(ctx context.Context, depot fleet.DepotID, from, to fleet.Date) (l fleet.Low, found bool, err error)
}

func (s *Server) addFaults(get, post func(string, echo.HandlerFunc)) {
	get("/faults", s.faultList)
	get("/faults/notes", s.classNoteForm)
	post("/faults/notes", s.keepClassNote)
	get("/fault-any", s.anyFaultForm)
	post("/fault-any", s.startAnyFault)
	get("/units/:unit/fault", s.unitFaultForm)
	post("/units/:unit/fault", s.startUnitFault)
	get("/faults/:search", s.faultPage)
	post("/faults/:search", s.answerFault)
	get("/faults/:search/sheet", s.faultSheet)
	get("/faults/:search/sheet.pdf", s.faultSheetPDF)
	post("/faults/:search/back", s.takeBackFault)
	post("/faults/:search/end", s.endFault)
	post("/faults/:search/resume", s.resumeFault)
	post("/faults/:search/job", s.openFaultJob)
	get("/api/v1/faults/:search", s.apiFault)
	post("/api/v1/faults", s.apiStartFault)
	post("/api/v1/faults/:search/answers", s.apiAnswerFault)
	s.echo.DELETE("/api/v1/faults/:search/answers/last", s.apiTakeBackFault)
	post("/api/v1/fault", s.apiJudgeFault)
}

func faultHref(id int64) string { return "/faults/" + strconv.FormatInt(id, 10) }

// search is a kept search and the session that it stands for.
type search struct {
	kept    fleet.FaultSearch
	session faults.Session
}

// askedSearch is the search in the path, if the viewer may see it.
func (s *Server) askedSearch(c echo.Context) (search, error) {
	id, err := strconv.ParseInt(c.Param("search"), 10, 64)
	if err != nil {
		return search{}, noSuchSearch(c.Param("search"))
	}
	return s.searchOf(c.Request().Context(), id, viewerOf(c))
}

func noSuchSearch(id string) error {
	return notFoundError{fmt.Errorf("there is no search for a fault with the number %q in the depots that you may see", id)}
}

func (s *Server) searchOf(ctx context.Context, id int64, v viewer) (search, error) {
	kept, found, err := s.store.Fault(ctx, id, v.depots())
	if err != nil {
		return search{}, err
	}
	if !found {
		return search{}, noSuchSearch(strconv.FormatInt(id, 10))
	}
	session, err := faults.Kept(kept)
	if err != nil {
		return search{}, err
	}
	session.Notes, err = s.notesOf(ctx, session.Facts.Class)
	return search{kept, session}, err
}

// notesOf are the fleet's notes for a class; the zero notes where there are none.
func (s *Server) notesOf(ctx context.Context, class string) (n faults.ClassNotes, err error) {
	if class == "" {
		return n, nil
	}
	kept, found, err := s.store.ClassNote(ctx, class)
	if err != nil || !found {
		return n, err
	}
	if err := json.Unmarshal(kept.Notes, &n); err != nil {
		return n, fmt.Errorf("read the notes of class %q: %w", class, err)
	}
	return n, nil
}

// zoneOf is the zone of the search's depot, else the viewer's.
func (s *Server) zoneOf(c echo.Context, f search) (*time.Location, error) {
	depots, err := s.visibleDepots(c.Request().Context(), viewerOf(c))
	for _, d := range depots {
		if d.ID == f.kept.Depot {
			return d.Zone(), nil
		}
	}
	return commonZone(depots), err
}

// named says in words which vehicle is looked at.
func (f search) named() string {
	switch {
	case f.kept.Unit != "":
		return "unit " + string(f.kept.Unit)
	case f.session.Facts.Unit != "":
		return string(f.session.Facts.Unit) + ", not recorded"
	}
	return "a vehicle that is not recorded"
}

// findingOf is the finding as it is kept; nil: there is none.
func findingOf(kept fleet.FaultSearch) (*faults.Finding, error) {
	if len(kept.Finding) == 0 {
		return nil, nil //nolint:nilnil // no finding is no failure
	}
	var f faults.Finding
	if err := json.Unmarshal(kept.Finding, &f); err != nil {
		return nil, fmt.Errorf("read the finding of search %d: %w", kept.ID, err)
	}
	return &f, nil
}

// change is what the viewer does to a search after which the session is this.
func (s *Server) change(kept fleet.FaultSearch, after faults.Session, by string) (fleet.FaultChange, error) {
	found, err := after.Found()
	if err != nil {
		return fleet.FaultChange{}, fmt.Errorf("keep the finding of search %d: %w", kept.ID, err)
	}
	return fleet.FaultChange{Search: kept.ID, Step: kept.Step, By: by, At: s.now(), Finding: found}, nil
}

// changedBy is how the record calls who asks.
func (v viewer) changedBy() string {
	if v.token.Name != "" {
		return "token " + v.token.Name
	}
	return v.person.Name
}

// reading is what somebody says to a check of a search as they saw it.
type reading struct {
	check faults.Check
	says  string
	by    string         // who did the check
	step  fleet.Opt[int] // that was seen; unknown: whatever is newest
}

// reception is what became of a reading.
type reception int

const (
	readingTaken reception = iota
	readingOnce            // the same was said before, since the step that was seen
	readingLate            // somebody else said something else since
	searchClosed           // the search was ended
)

// badReadingError is a reading that the check cannot have.
type badReadingError struct{ error }

func (e badReadingError) Unwrap() error { return e.error }

// give adds a reading to a search. An answer that another phone gave meanwhile to another check changes nothing about this one; of two
// answers to one check the first stands until somebody decides. The same sent twice counts once.
func (s *Server) give(c echo.Context, f search, r reading) (search, reception, error) {
	ctx, v := c.Request().Context(), viewerOf(c)
	seen := min(r.step.Or(f.kept.Step), f.kept.Step)
	for {
		if !f.kept.Open() {
			return f, searchClosed, nil
		}
		after, err := f.session.Answer(r.check, r.says, r.by, s.now())
		if err != nil {
			return f, readingTaken, badReadingError{err}
		}
		given := after.Answers[len(after.Answers)-1].Keep()
		if other, found := answeredSince(f.kept, r.check, seen); found {
			if other.Answer == given.Answer && other.Value == given.Value {
				return f, readingOnce, nil
			}
			return f, readingLate, nil
		}
		change, err := s.change(f.kept, after, v.changedBy())
		if err != nil {
			return f, readingTaken, err
		}
		done, err := s.store.AnswerFault(ctx, change, given)
		if err != nil {
			return f, readingTaken, err
		}
		if f, err = s.searchOf(ctx, f.kept.ID, v); err != nil || done {
			return f, readingTaken, err
		}
	}
}

// answeredSince is the newest standing answer to a check that was given after a step.
func answeredSince(kept fleet.FaultSearch, check faults.Check, step int) (newest fleet.FaultAnswer, found bool) {
	for _, a := range kept.Standing() {
		if a.Step > step && a.Check == string(check) {
			newest, found = a, true
		}
	}
	return newest, found
}

// recordedFacts begin a search with what is on record of a unit that the viewer may see.
func (s *Server) recordedFacts(ctx context.Context, unit fleet.UnitID) (faults.Facts, faults.Prior, fleet.Depot, error) {
	none := fleet.Depot{}
	h, err := s.store.History(ctx, unit)
	if err != nil {
		return faults.Facts{}, faults.Prior{}, none, err
	}
	depots, err := s.store.Depots(ctx)
	if err != nil {
		return faults.Facts{}, faults.Prior{}, none, err
	}
	depot := none
	for _, d := range depots {
		if d.ID == h.Unit.Depot {
			depot = d
		}
	}
	forecast, err := s.newestForecast(ctx, unit)
	if err != nil {
		return faults.Facts{}, faults.Prior{}, none, err
	}
	today := fleet.DateOf(s.now(), depot.Zone())
	facts, prior := faults.Recorded(h, forecast, today)
	low, found, err := s.store.LastLow(ctx, depot.ID, today-faultLowDays, today)
	if found {
		facts.TemperatureC = fleet.Known(low.C)
	}
	return facts, prior, depot, err
}

// faultLowDays is how old a depot's low may be that stands for the cold of now; a battery follows the air within a day. Common
// practice, no source.
const faultLowDays = 1

// newestForecast is the unit's line in the newest list; the zero Forecast: there is none.
func (s *Server) newestForecast(ctx context.Context, unit fleet.UnitID) (fleet.Forecast, error) {
	issue, err := s.store.LatestIssue(ctx)
	if errors.Is(err, fleet.ErrNoIssue) {
		return fleet.Forecast{}, nil
	}
	if err != nil {
		return fleet.Forecast{}, err
	}
	list, err := s.store.Forecasts(ctx, issue.ID, fleet.ListFilter{Unit: unit})
	if err != nil || len(list) == 0 {
		return fleet.Forecast{}, err
	}
	return list[0], nil
}

// startSearch keeps a new search with the answers that the session has. Where one of the unit is open already it is that one.
func (s *Server) startSearch(ctx context.Context, session faults.Session, unit fleet.UnitID, depot fleet.DepotID, by string) (id int64, started bool, err error) {
	begun, err := session.Begun()
	if err != nil {
		return 0, false, fmt.Errorf("keep a new search: %w", err)
	}
	f := fleet.FaultSearch{Unit: unit, Depot: depot, Begun: begun, StartedAt: s.now(), StartedBy: by}
	change, err := s.change(f, session, by)
	if err != nil {
		return 0, false, err
	}
	f.Finding = change.Finding
	for _, a := range session.Answers {
		f.Answers = append(f.Answers, a.Keep())
	}
	return s.store.StartFault(ctx, f)
}

// mayFind tells whether the viewer may look for faults; others may look on.
func mayFind(v viewer) bool {
	for _, role := range rights["POST /faults/:search"].roles {
		if v.person.Role == role {
			return true
		}
	}
	return false
}

// backToSearch shows the search after a change.
func (s *Server) backToSearch(c echo.Context, id int64, said string) error {
	if said == "" {
		return c.Redirect(http.StatusSeeOther, faultHref(id))
	}
	return s.done(c, faultHref(id), said)
}
