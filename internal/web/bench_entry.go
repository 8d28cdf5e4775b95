package web

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"strings"
	"time"

	"github.com/labstack/echo/v4"

	"rimeyard/ingest"
	"rimeyard/internal/fleet"
)

// benchTestsView is all that bench_tests.tmpl prints.
type benchTestsView struct {
	pageFrame
	Depot string
	Rows  []benchEntryRow
	Zone  string
}

type benchEntryRow struct {
	Href, Unit, At, By, Read, Outcome string
	Open                              bool // waits for a person
}

// benchTestView is all that bench_test.tmpl prints.
type benchTestView struct {
	pageFrame
	Entry     string
	Unit      string
	UnitHref  string // page of the unit; empty: the asker holds a kept phone, or the unit is not known
	At, Read  string
	By        string // who tested, and who was signed in if that is another
	Outcome   fleet.BenchOutcome
	Words     string
	Reason    string
	Verdict   string // empty: there is none
	Sentences []string
	Pair      []benchPair // mine beside the one that stands; empty: no conflict
	Settle    string      // address for the decision; empty: nothing to decide
	Mend      string      // address of the form to mend it; empty: nothing to mend
	Said      string
	Next      string // address of another test of the same unit
}

// benchPair is one value of two tests.
type benchPair struct {
	Name, Mine, Theirs string
	Differs            bool
}

func (s *Server) benchTestsPage(c echo.Context) error {
	v := viewerOf(c)
	depot, _, found, err := s.benchDepot(c)
	if err != nil {
		return err
	}
	if !found {
		return errForbidden
	}
	const backDays = 14
	entries, err := s.store.BenchEntries(c.Request().Context(), depot.ID, v.person.Name, s.now().AddDate(0, 0, -backDays))
	if err != nil {
		return err
	}
	page := benchTestsView{pageFrame: s.frame(c, "Tests sent"), Depot: depotName(depot), Zone: depot.Timezone}
	for _, e := range entries {
		if v.mayRead(e) {
			page.Rows = append(page.Rows, benchEntryRow{
				Href: entryHref(e.Entry), Unit: e.Unit, At: clock(e.At, depot.Zone()), By: e.Row["tested_by"], Read: readings(e.Row),
				Outcome: benchWords[e.Outcome], Open: e.Outcome == fleet.BenchConflict || e.Outcome == fleet.BenchRefused,
			})
		}
	}
	return s.render(c, http.StatusOK, "bench_tests.tmpl", page)
}

func clock(t time.Time, zone *time.Location) string { return t.In(zone).Format("2 Jan 15:04") }

// readings is what was read, on one line.
func readings(row map[string]string) string {
	var said []string
	for _, r := range []struct{ column, unit string }{{"rest_v", "V"}, {"cca_a", "A"}, {"load_v", "V under load"}, {"temperature_c", "°C"}} {
		if value := row[r.column]; value != "" {
			said = append(said, value+"\u00a0"+r.unit)
			if r.column == "cca_a" {
				said[len(said)-1] += " " + strings.ToUpper(row["cca_standard"])
			}
		}
	}
	if p := row["position"]; p != "" && p != "1" {
		said = append(said, "battery No. "+p)
	}
	return strings.Join(said, ", ")
}

// entryAsked is the entry in the address.
func (s *Server) entryAsked(c echo.Context) (fleet.BenchEntry, error) {
	e, found, err := s.store.BenchEntry(c.Request().Context(), pathName(c, "entry"))
	if err == nil && (!found || !viewerOf(c).mayRead(e)) {
		err = notFoundError{errors.New("no test was sent under this key, or not from your depots")}
	}
	return e, err
}

func (s *Server) benchTestPage(c echo.Context) error {
	e, err := s.entryAsked(c)
	if err != nil {
		return err
	}
	return s.showBenchTest(c, http.StatusOK, e, s.takeSaid(c))
}

func (s *Server) showBenchTest(c echo.Context, status int, e fleet.BenchEntry, saidNow string) error {
	ctx, v := c.Request().Context(), viewerOf(c)
	depot, err := s.depotByKey(ctx, e.Depot)
	if err != nil {
		return err
	}
	page := benchTestView{
		pageFrame: s.frame(c, "Test of "+e.Unit), Entry: e.Entry, Unit: e.Unit, At: clock(e.At, depot.Zone()), Read: readings(e.Row), By: e.Row["tested_by"],
		Outcome: e.Outcome, Words: benchWords[e.Outcome], Reason: e.Reason, Said: saidNow, Next: benchUnitHref(e.Unit),
	}
	if e.By != page.By {
		page.By += ", sent by " + e.By
	}
	if v.phone == "" && e.Depot != "" {
		page.UnitHref = unitHref(fleet.UnitID(e.Unit))
	}
	said, stands, err := s.verdictOn(ctx, e)
	if err != nil {
		return err
	}
	if said != nil {
		page.Verdict, page.Sentences = string(said.Verdict), said.Sentences
	}
	waits, err := s.waitsToBeMended(ctx, e)
	if err != nil {
		return err
	}
	switch {
	case e.Outcome == fleet.BenchConflict && stands != nil && waits:
		page.Pair, page.Settle = pairOf(e, *stands), entryHref(e.Entry)
	case e.Outcome == fleet.BenchConflict || e.Outcome == fleet.BenchRefused && e.KeptRow != "" && !waits:
		page.Reason = "It waits no more: somebody has mended it, or set it aside, on the page Intake."
	case e.Outcome == fleet.BenchRefused:
		page.Mend = "/bench/unit?" + url.Values{"unit": {e.Unit}, "mend": {e.Entry}}.Encode()
		if waits {
			page.Settle = entryHref(e.Entry)
		}
	}
	return s.render(c, status, "bench_test.tmpl", page)
}

func (s *Server) waitsToBeMended(ctx context.Context, e fleet.BenchEntry) (bool, error) {
	if e.KeptRow == "" {
		return false, nil
	}
	_, waits, err := s.store.KeptRow(ctx, e.KeptRow, nil)
	return waits, err
}

// pairOf puts an entry beside the test that stands.
func pairOf(e fleet.BenchEntry, stands fleet.Test) (pair []benchPair) {
	number := func(o fleet.Opt[float64]) string {
		v, known := o.Get()
		if !known {
			return ""
		}
		return fmt.Sprint(v)
	}
	for _, p := range []benchPair{
		{Name: "Rest volts", Mine: e.Row["rest_v"], Theirs: number(stands.RestV)},
		{Name: "Cold cranking amps", Mine: e.Row["cca_a"], Theirs: number(stands.CCAA)},
		{Name: "Standard", Mine: strings.ToUpper(e.Row["cca_standard"]), Theirs: strings.ToUpper(string(stands.CCAStandard))},
		{Name: "Volts under load", Mine: e.Row["load_v"], Theirs: number(stands.LoadV)},
		{Name: "Temperature, °C", Mine: e.Row["temperature_c"], Theirs: number(stands.TemperatureC)},
		{Name: "Tested by", Mine: e.Row["tested_by"], Theirs: stands.TestedBy},
		{Name: "Note", Mine: e.Row["note"], Theirs: stands.Note},
	} {
		if p.Mine != "" || p.Theirs != "" {
			p.Differs = p.Mine != p.Theirs
			pair = append(pair, p)
		}
	}
	return pair
}

// settleBenchTest does with an entry that was not taken what a person decided: take it as one of a later minute, or leave it out.
func (s *Server) settleBenchTest(c echo.Context) error {
	if err := readForm(c); err != nil {
		return err
	}
	e, err := s.entryAsked(c)
	if err != nil {
		return err
	}
	ctx, v := c.Request().Context(), viewerOf(c)
	row, waits, err := s.store.KeptRow(ctx, e.KeptRow, nil)
	if err != nil {
		return err
	}
	if !waits {
		return s.showBenchTest(c, http.StatusConflict, e, "Nothing was changed now: this test waits no more.")
	}
	switch c.Request().PostForm.Get("do") {
	case "leave_out":
		note := "left out at the bench"
		if e.Outcome == fleet.BenchConflict {
			note += ": another test of the same minute stands"
		}
		if _, err := s.store.SetAside(ctx, e.KeptRow, nil, v.person.Name, note); err != nil {
			return err
		}
		e.Outcome, e.Reason = fleet.BenchSetAside, "left out by "+v.person.Name
	case "later":
		if out, err := s.takeLater(ctx, v, &e, row); err != nil || out != "" {
			if err != nil {
				return err
			}
			return s.showBenchTest(c, http.StatusConflict, e, "Nothing was taken now: "+out)
		}
	default:
		return badRequestError{errors.New("what is to be done with the test? Choose one of the two buttons")}
	}
	if _, err := s.store.SettleBenchEntry(ctx, e); err != nil {
		return err
	}
	return s.done(c, entryHref(e.Entry), "Done: "+benchWords[e.Outcome]+".")
}

// takeLater takes the test as one of the next minute of which none stands. wrong says why it could not be taken.
func (s *Server) takeLater(ctx context.Context, v viewer, e *fleet.BenchEntry, row fleet.KeptRow) (wrong string, err error) {
	at := minute(e.At)
	for taken := true; taken; {
		at = at.Add(time.Minute)
		if _, taken, err = s.store.TestAt(ctx, fleet.UnitID(e.Unit), at, positionOf(*e)); err != nil {
			return "", err
		}
	}
	e.Row["tested_at"] = at.Format(time.RFC3339)
	mending, err := s.mend(ctx, []fleet.Mend{mendOf(row, e.Row)}, ingest.MendOptions{Person: v.person.Name, Now: s.now(), Depots: v.depots()})
	if err != nil {
		return "", err
	}
	switch out := mending.Outcomes[0]; out.State {
	case ingest.MendFlawed:
		return out.Reason, nil
	case ingest.MendGone:
		return "somebody was faster.", nil
	}
	e.At, e.Outcome, e.Reason = at, fleet.BenchTaken, ""
	return "", nil
}
