package web

import (
	"bytes"
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"mime"
	"net/http"
	"net/url"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/labstack/echo/v4"

	"rimeyard/alerts"
	"rimeyard/ingest"
	"rimeyard/internal/fleet"
)

// BenchEntries are the tests that were sent from the bench, by the key under which each is taken once.
type BenchEntries interface {
	AddBenchEntry(ctx context.Context, e fleet.BenchEntry) error
	BenchEntry(ctx context.Context, entry string) (e fleet.BenchEntry, found bool, err error)
	BenchEntries(ctx context.Context, depot fleet.DepotID, person string, since time.Time) ([]fleet.BenchEntry, error)
	SettleBenchEntry(ctx context.Context, e fleet.BenchEntry) (bool, error)
	TestAt(ctx context.Context, unit fleet.UnitID, at time.Time, position int) (t fleet.Test, found bool, err error)
}

// benchTest is one test as the bench sends it: a row of battery_tests under a key that was made where it was typed.
type benchTest struct {
	Entry string            `json:"entry"`
	Mends string            `json:"mends"` // key of the entry that was not taken and that this one stands for; empty: none
	Row   map[string]string `json:"row"`
}

// benchColumns are those that the bench fills in.
var benchColumns = []string{
	"unit", "tested_at", "position", "rest_v", "cca_a", "cca_standard", "load_v", "load_a", "load_s", "temperature_c", "tested_by", "note",
}

var entryForm = regexp.MustCompile(`^[A-Za-z0-9_-]{16,64}$`) // at least 96 random bits, as phones write them

func (t benchTest) check() error {
	if !entryForm.MatchString(t.Entry) || t.Mends != "" && !entryForm.MatchString(t.Mends) {
		return badRequestError{fmt.Errorf("entry %q: want a key of 16 to 64 letters, digits, _ and -", t.Entry)}
	}
	for _, column := range slices.Sorted(maps.Keys(t.Row)) {
		if !slices.Contains(benchColumns, column) {
			return badRequestError{fmt.Errorf("column %q is none that the bench fills in", column)}
		}
	}
	return nil
}

// benchAnswer is what a phone hears of a test.
type benchAnswer struct {
	Entry   string             `json:"entry"`
	Outcome fleet.BenchOutcome `json:"outcome"`
	Words   string             `json:"words"` // the outcome, for people
	Reason  string             `json:"reason"`
	Href    string             `json:"href"` // of the page that tells all of it
	Said    *alerts.Said       `json:"said"` // null: it was not taken
}

// takeBenchJSON takes one test from a phone. It answers only once the test is committed; sent again, it answers as before, so a phone
// that heard nothing just sends it again.
func (s *Server) takeBenchJSON(c echo.Context) error {
	req := c.Request()
	got := req.Header.Get(echo.HeaderContentType)
	if kind, _, err := mime.ParseMediaType(got); err != nil || kind != echo.MIMEApplicationJSON {
		return wrongMediaError{echo.MIMEApplicationJSON, got}
	}
	var t benchTest
	if err := json.NewDecoder(req.Body).Decode(&t); err != nil {
		return badRequestError{fmt.Errorf("read the test: %w", err)}
	}
	if err := t.check(); err != nil {
		return err
	}
	e, err := s.takeBenchTest(req.Context(), viewerOf(c), t)
	if err != nil {
		return err
	}
	answer := benchAnswer{Entry: e.Entry, Outcome: e.Outcome, Words: benchWords[e.Outcome], Reason: e.Reason, Href: entryHref(e.Entry)}
	if answer.Said, _, err = s.verdictOn(req.Context(), e); err != nil {
		return err
	}
	return c.JSON(http.StatusOK, answer)
}

func entryHref(entry string) string { return benchTests + "/" + url.PathEscape(entry) }

var benchWords = map[fleet.BenchOutcome]string{
	fleet.BenchTaken:        "taken",
	fleet.BenchAlreadyThere: "was there already",
	fleet.BenchConflict:     "another test of the same minute stands",
	fleet.BenchRefused:      "not taken",
	fleet.BenchSetAside:     "left out",
}

// takeBenchTest takes a test by the very judgement that holds for files, and keeps what became of it under its key. Should the server die
// between the two, the test sent again is found to be there already: it stands once.
func (s *Server) takeBenchTest(ctx context.Context, v viewer, t benchTest) (fleet.BenchEntry, error) {
	e, found, err := s.store.BenchEntry(ctx, t.Entry)
	if err != nil {
		return e, err
	}
	if !found {
		if e, err = s.judgeBenchTest(ctx, v, t); err != nil {
			return e, err
		}
		if err = s.store.AddBenchEntry(ctx, e); err != nil {
			return e, err
		}
		if e.Outcome == fleet.BenchTaken {
			s.showNews(ctx, fleet.UnitID(e.Unit))
		}
		// Of the same test sent twice at the same time, the one whose outcome was kept is right about both.
		if e, _, err = s.store.BenchEntry(ctx, t.Entry); err != nil {
			return e, err
		}
	}
	if !v.mayRead(e) {
		return e, notFoundError{errors.New("a test of another depot was sent under this key")}
	}
	return e, nil
}

// mayRead tells whether an entry is of the viewer's depots, or of an unknown unit and their own.
func (v viewer) mayRead(e fleet.BenchEntry) bool {
	if e.Depot == "" {
		return e.By == v.person.Name
	}
	return v.maySee(e.Depot)
}

func (s *Server) judgeBenchTest(ctx context.Context, v viewer, t benchTest) (fleet.BenchEntry, error) {
	e := fleet.BenchEntry{Entry: t.Entry, Unit: t.Row["unit"], At: minute(s.now()), By: v.person.Name, Phone: v.phone, Row: map[string]string{}}
	for column, value := range t.Row {
		if value != "" {
			e.Row[column] = value
		}
	}
	e.Row["tested_by"] = cmp.Or(e.Row["tested_by"], v.person.Name)
	if at, err := time.Parse(time.RFC3339, e.Row["tested_at"]); err == nil {
		e.At = at.UTC()
	}
	depot, known, err := s.store.UnitDepot(ctx, fleet.UnitID(e.Unit))
	if err != nil {
		return e, err
	}
	if known && v.maySee(depot) {
		e.Depot = depot
	}
	allowed, err := s.mayHaveTested(ctx, v, e)
	if err != nil {
		return e, err
	}
	if !allowed {
		e.Outcome, e.Reason = fleet.BenchRefused, fmt.Sprintf("nobody called %q tests at this depot: choose who tested", e.Row["tested_by"])
		return e, nil
	}
	if t.Mends != "" {
		done, err := s.mendBenchTest(ctx, v, t.Mends, &e)
		if done || err != nil {
			return e, err
		}
	}
	return e, s.bringBenchTest(ctx, v, &e)
}

// mayHaveTested tells whether the one who is named as having tested works at the bench of the unit's depot.
func (s *Server) mayHaveTested(ctx context.Context, v viewer, e fleet.BenchEntry) (bool, error) {
	by := e.Row["tested_by"]
	if by == v.person.Name || e.Depot == "" { // a unit that is not theirs is refused anyway
		return true, nil
	}
	people, err := s.testersOf(ctx, e.Depot)
	return slices.ContainsFunc(people, func(p fleet.Person) bool { return p.Name == by }), err
}

// bringBenchTest brings the test as a batch of one row.
func (s *Server) bringBenchTest(ctx context.Context, v viewer, e *fleet.BenchEntry) (err error) {
	batch, err := json.Marshal(map[fleet.Kind][]map[string]string{fleet.TestsKind: {e.Row}})
	if err != nil {
		return fmt.Errorf("write a test as a batch: %w", err)
	}
	result, err := s.intake(ctx, bytes.NewReader(batch), ingest.Options{Source: "bench:" + v.person.Name, Now: s.now(), Depots: v.depots(), Units: []fleet.UnitID{fleet.UnitID(strings.TrimSpace(e.Unit))}})
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, result.Close()) }()
	switch f := result.Files[0]; {
	case f.Refused != "":
		e.Outcome, e.Reason = fleet.BenchRefused, f.Refused
	case f.Taken == 1:
		e.Outcome = fleet.BenchTaken
	case f.AlreadyThere == 1:
		e.Outcome = fleet.BenchAlreadyThere
	}
	for row, err := range result.Kept() {
		if err != nil {
			return err
		}
		if err := s.keptAtTheBench(ctx, row, e); err != nil {
			return err
		}
	}
	return nil
}

// keptAtTheBench says why a test was kept apart, and finds the row that waits to be mended.
func (s *Server) keptAtTheBench(ctx context.Context, row fleet.KeptRow, e *fleet.BenchEntry) error {
	if err := s.refusedAtTheBench(ctx, row.Column, row.Reason, e); err != nil {
		return err
	}
	waiting, err := s.store.KeptApart(ctx, fleet.KeptFilter{Kind: row.Kind, File: row.File, Column: row.Column, Reason: row.Reason})
	if err != nil {
		return err
	}
	for _, k := range waiting {
		if slices.Equal(k.Header, row.Header) && slices.Equal(k.Fields, row.Fields) {
			e.KeptRow = k.Key
		}
	}
	return nil
}

// refusedAtTheBench tells a conflict with a test that stands from any other reason.
func (s *Server) refusedAtTheBench(ctx context.Context, column, reason string, e *fleet.BenchEntry) error {
	e.Outcome, e.Reason = fleet.BenchRefused, reason
	if column != "" {
		e.Reason = column + ": " + reason
	}
	if e.Depot == "" {
		return nil
	}
	_, stands, err := s.store.TestAt(ctx, fleet.UnitID(e.Unit), e.At, positionOf(*e))
	if stands {
		e.Outcome, e.Reason = fleet.BenchConflict, "nothing was overwritten: see both and decide"
	}
	return err
}

func positionOf(e fleet.BenchEntry) int {
	n, err := strconv.Atoi(e.Row["position"])
	if err != nil {
		return 1
	}
	return n
}

// mendBenchTest lets the test take the place of the row kept apart that it mends. done is false where that row waits no more: then the test
// is brought like any other.
func (s *Server) mendBenchTest(ctx context.Context, v viewer, mends string, e *fleet.BenchEntry) (done bool, err error) {
	old, found, err := s.store.BenchEntry(ctx, mends)
	if err != nil || !found || !v.mayRead(old) || old.KeptRow == "" {
		return false, err
	}
	row, waits, err := s.store.KeptRow(ctx, old.KeptRow, nil)
	if err != nil || !waits {
		return false, err
	}
	mending, err := s.mend(ctx, []fleet.Mend{mendOf(row, e.Row)}, ingest.MendOptions{Person: v.person.Name, Now: s.now(), Depots: v.depots()})
	if err != nil {
		return false, err
	}
	switch out := mending.Outcomes[0]; out.State {
	case ingest.MendGone:
		return false, nil
	case ingest.MendFlawed:
		e.KeptRow = old.KeptRow
		return true, s.refusedAtTheBench(ctx, out.Column, out.Reason, e)
	}
	e.Outcome = fleet.BenchTaken
	if mending.AlreadyThere > 0 {
		e.Outcome = fleet.BenchAlreadyThere
	}
	old.Outcome, old.Reason = fleet.BenchSetAside, "mended, and sent anew"
	_, err = s.store.SettleBenchEntry(ctx, old)
	return true, err
}

// verdictOn judges the unit of an entry that stands; nil: it does not, and there is no verdict. It returns the test that stands.
func (s *Server) verdictOn(ctx context.Context, e fleet.BenchEntry) (*alerts.Said, *fleet.Test, error) {
	if e.Depot == "" {
		return nil, nil, nil
	}
	t, stands, err := s.store.TestAt(ctx, fleet.UnitID(e.Unit), e.At, positionOf(e))
	if err != nil || !stands {
		return nil, nil, err
	}
	if e.Outcome != fleet.BenchTaken && e.Outcome != fleet.BenchAlreadyThere {
		return nil, &t, nil
	}
	depot, err := s.depotByKey(ctx, e.Depot)
	if err != nil {
		return nil, nil, err
	}
	b := alerts.Bench{Test: t, Zone: depot.Zone()}
	h, err := s.store.History(ctx, t.Unit)
	if err != nil {
		return nil, nil, err
	}
	day := fleet.DateOf(t.At, depot.Zone())
	for i := range h.Batteries {
		if f := &h.Batteries[i]; f.Position == t.Position && f.FittedAt(day) {
			b.Rated = f
		}
	}
	b.Before = h.Tests
	if b.LowC, err = s.lowTonight(ctx, depot); err != nil {
		return nil, nil, err
	}
	const sinceDays = 7
	judged, err := s.judge(ctx, t.Unit, fleet.DateOf(s.now(), depot.Zone())-sinceDays)
	if err == nil {
		b.Judged = &judged
	} else if !errors.Is(err, fleet.ErrNoIssue) {
		return nil, nil, err
	}
	said := alerts.Verdict(b)
	return &said, &t, nil
}

func (s *Server) depotByKey(ctx context.Context, id fleet.DepotID) (fleet.Depot, error) {
	depots, err := s.store.Depots(ctx)
	if i := slices.IndexFunc(depots, func(d fleet.Depot) bool { return d.ID == id }); i >= 0 {
		return depots[i], err
	}
	return fleet.Depot{ID: id}, err
}
