package web

import (
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"time"

	"github.com/labstack/echo/v4"

	"rimeyard/ingest"
	"rimeyard/internal/fleet"
)

// provePage is all that job-prove.tmpl prints.
type provePage struct {
	pageFrame
	Said     string
	Wrong    string
	Meantime []string
	Unit     string
	Href     string
	Action   string
	Seen     int
	Request  string
	At       string // when the form was opened: the crank's time, so that a form sent twice is one crank
	Done     string // what was done, of which the crank is the proof
	Fields   []formField
	Outcome  formField
}

// crankColumns are the columns of a crank that are typed in.
var crankColumns = []struct{ name, label, hint string }{
	{"rest_v", "Rest volts, before the key is turned", ""},
	{"min_v", "Lowest volts while cranking", ""},
	{"seconds", "Seconds of cranking", "Empty if nobody counted."},
	{"temperature_c", "Air temperature, °C", "Empty: as the depot's weather has it."},
}

func (s *Server) proveForm(c echo.Context) error {
	at, err := s.jobAsked(c)
	if err != nil {
		return err
	}
	if at.job.State != fleet.JobFitted {
		return s.done(c, jobHref(at.job.ID), fmt.Sprintf("This job is %s: there is nothing to prove now.", at.job.State.Words()))
	}
	return s.showProve(c, http.StatusOK, at, blankForm(url.Values{"outcome": {string(fleet.Started)}}), stepProblem{})
}

func (s *Server) showProve(c echo.Context, status int, at sheetOfJob, f *form, p stepProblem) error {
	j := at.job
	page := provePage{
		pageFrame: s.frame(c, fmt.Sprintf("%s: prove it", j.Unit)), Said: s.takeSaid(c), Wrong: p.wrong, Meantime: p.meantime, Unit: string(j.Unit), Href: jobHref(j.ID),
		Action: jobHref(j.ID) + "/prove", Seen: j.Step, Request: newRequest(), At: s.now().UTC().Format(time.RFC3339), Done: jobWords(j),
	}
	for _, column := range crankColumns {
		kind := "decimal"
		if column.name == "temperature_c" {
			kind = "text" // phones' figures have no minus
		}
		page.Fields = append(page.Fields, f.field(formField{ID: column.name, Label: column.label, Hint: column.hint, Kind: kind, Complete: "off"}))
	}
	page.Outcome = f.field(formField{ID: "outcome", Label: "How it went", Kind: "radio", Choices: []choice{
		{Value: string(fleet.Started), Text: "it started"},
		{Value: string(fleet.Slow), Text: "it cranked slowly"},
		{Value: string(fleet.NoCrank), Text: "it did not crank"},
		{Value: string(fleet.NoStart), Text: "it cranked well, but did not fire"},
	}})
	return s.render(c, status, "job-prove.tmpl", page)
}

// prove judges a crank that was typed in. One that reads well proves the work, one that does not brings the job back; both are kept as a
// reading of the unit.
func (s *Server) prove(c echo.Context) error {
	f, err := typedForm(c)
	if err != nil {
		return err
	}
	at, err := s.jobAsked(c)
	if err != nil {
		return err
	}
	ctx, v := c.Request().Context(), viewerOf(c)
	history, err := s.store.History(ctx, at.job.Unit)
	if err != nil {
		return err
	}
	row := s.typedCrank(f, at)
	if outcome := fleet.Outcome(row["outcome"]); row["min_v"] == "" && (outcome == fleet.Slow || outcome == fleet.NoCrank) {
		return s.notProven(c, at, f, outcome)
	}
	if row["min_v"] == "" {
		f.blame("min_v", errors.New("type the lowest volts that the meter showed while it cranked: without them nothing is proven"))
		return s.showProve(c, http.StatusUnprocessableEntity, at, f, stepProblem{wrong: f.summary()})
	}
	judged, bad := ingest.JudgeTyped(fleet.CranksKind, row, ingest.About{Unit: history.Unit, Depot: at.depot, Batteries: history.Batteries}, s.now())
	if flaw, is := errors.AsType[ingest.FlawError](bad); is {
		f.blame(crankField(flaw.Column), errors.New(flaw.Reason))
	}
	if !f.sound() {
		return s.showProve(c, http.StatusUnprocessableEntity, at, f, stepProblem{wrong: f.summary()})
	}
	crank := *judged.(*fleet.Crank)
	if at.job.State == fleet.JobFitted && crank.At.Before(at.job.ProvenFrom()) {
		return s.showProve(c, http.StatusUnprocessableEntity, at, f, stepProblem{wrong: "That crank was before the work was booked: start the unit once more."})
	}
	proving, err := s.prover(ctx, at.job.Unit, at.job.Part, crank)
	if errors.Is(err, fleet.ErrNoIssue) {
		return s.showProve(c, http.StatusUnprocessableEntity, at, f, stepProblem{wrong: "No list was issued yet, so nothing is known of how units of its class crank. “rimeyard fit” makes one; then type the crank in again."})
	}
	if err != nil {
		return err
	}
	if !proving.Judged {
		return s.showProve(c, http.StatusUnprocessableEntity, at, f, stepProblem{wrong: "This crank proves nothing: " + proving.Why + "."})
	}
	if err := s.keepCrank(c, row, v.person.Name); err != nil {
		return err
	}
	change := s.newChange(c, at, f)
	change.To, change.Proof = fleet.JobProven, &fleet.Proof{CrankedAt: crank.At, Good: proving.Good, Why: proving.Why}
	said := "proven. " + upperFirst(proving.Why) + "."
	if !proving.Good {
		change.To, said = fleet.JobFound, "not proven, so the job is found again. "+upperFirst(proving.Why)+"."
	}
	problem, err := s.takeStep(c, &at, change)
	if err != nil {
		return err
	}
	if problem.status != 0 {
		return s.showProve(c, problem.status, at, f, problem)
	}
	return s.done(c, jobHref(at.job.ID), fmt.Sprintf("%s: %s", at.job.Unit, said))
}

// notProven brings a job back by what somebody saw and heard. Without volts it is no reading of the unit.
func (s *Server) notProven(c echo.Context, at sheetOfJob, f *form, outcome fleet.Outcome) error {
	why := "it did not crank"
	if outcome == fleet.Slow {
		why = "it cranked slowly"
	}
	change := s.newChange(c, at, f)
	change.To, change.Proof = fleet.JobFound, &fleet.Proof{CrankedAt: s.now(), Why: why}
	problem, err := s.takeStep(c, &at, change)
	if err != nil {
		return err
	}
	if problem.status != 0 {
		return s.showProve(c, problem.status, at, f, problem)
	}
	return s.done(c, jobHref(at.job.ID), fmt.Sprintf("%s: not proven, so the job is found again: %s.", at.job.Unit, why))
}

// typedCrank is the form as a row of crank_events.
func (s *Server) typedCrank(f *form, at sheetOfJob) map[string]string {
	when := f.get("at")
	if opened, err := time.Parse(time.RFC3339, when); err != nil || opened.After(s.now()) {
		when = s.now().UTC().Format(time.RFC3339)
	}
	plain := strings.NewReplacer("−", "-", "–", "-", "°", "", "C", "", " ", "", "\u00a0", "")
	row := map[string]string{"unit": string(at.job.Unit), "cranked_at": when, "outcome": f.get("outcome")}
	for _, column := range crankColumns {
		row[column.name] = plain.Replace(f.get(column.name))
	}
	if typed := row["seconds"]; typed != "" {
		seconds, err := strconv.ParseFloat(strings.ReplaceAll(typed, ",", "."), 64)
		const most = 60
		if err != nil || !(seconds > 0 && seconds <= most) {
			f.blame("seconds", fmt.Errorf("%q: want seconds like 1.5, at most %d", f.get("seconds"), most))
		}
		row["duration_ms"] = strconv.FormatFloat(seconds*1000, 'f', 0, 64)
	}
	delete(row, "seconds")
	return row
}

// crankField is the field that a column was typed in.
func crankField(column string) string {
	for _, c := range crankColumns {
		if c.name == column {
			return column
		}
	}
	if column == "duration_ms" {
		return "seconds"
	}
	return "outcome"
}

// keepCrank takes the crank as one of the unit's readings. One that is there already is the same, sent twice.
func (s *Server) keepCrank(c echo.Context, row map[string]string, by string) error {
	plain := map[string]string{}
	for name, text := range row {
		plain[name] = text
		if name != "cranked_at" && name != "unit" {
			plain[name] = strings.ReplaceAll(text, ",", ".") // batches know the decimal point only
		}
	}
	batch, err := json.Marshal(map[string][]map[string]string{string(fleet.CranksKind): {plain}})
	if err != nil {
		return fmt.Errorf("keep a crank: %w", err)
	}
	res, err := s.intake(c.Request().Context(), strings.NewReader(string(batch)), ingest.Options{Source: "page:" + by, Now: s.now(), Depots: viewerOf(c).depots()})
	if err != nil {
		return err
	}
	return res.Close()
}
