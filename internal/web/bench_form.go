package web

import (
	"cmp"
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"math"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/labstack/echo/v4"

	"rimeyard/alerts"
	"rimeyard/ingest"
	"rimeyard/internal/fleet"
)

// benchFormPage is all that bench_unit.tmpl prints.
type benchFormPage struct {
	pageFrame
	DepotKey fleet.DepotID
	Unit     []string // of the depot, to choose from
	Form     benchFormView
}

// benchFormView is the form for one test. With the zero value, a phone fills it in by itself.
type benchFormView struct {
	Facts         string // JSON, by which typing is checked; empty: those that the phone keeps
	Unit          string
	Known         string // what is fitted and was last read, in one sentence
	Wrong         string // what is wrong with the form as a whole
	UnitWrong     string
	Entry, Mends  string
	Positions     []choice
	Numbers       []benchNumber // rest volts, amps, temperature
	Load          []benchNumber
	LoadOpen      bool
	Standards     []choice
	StandardWrong string
	Testers       []choice
	Note          string
}

// benchNumber is a field with a number.
type benchNumber struct {
	Name, Label, Unit string
	Value             string
	Wrong             string
	Ask               string // the question about an odd value; empty: none
	Another           bool   // another battery may be the answer
	Signed            bool
}

var benchNumbers = []benchNumber{
	{Name: "rest_v", Label: "Rest volts", Unit: "V"},
	{Name: "cca_a", Label: "Cold cranking amps", Unit: "A", Another: true},
	{Name: "temperature_c", Label: "Temperature", Unit: "°C", Signed: true},
}

var benchLoad = []benchNumber{
	{Name: "load_v", Label: "Volts under load", Unit: "V"},
	{Name: "load_a", Label: "Load", Unit: "A"},
	{Name: "load_s", Label: "For", Unit: "s"},
}

// anotherBattery opens the note of a test that somebody said is of another battery than the last one.
const anotherBattery = "Another battery than at the last test."

// typedTest is a form as it came, with what is wrong and what is odd, by column.
type typedTest struct {
	row   map[string]string
	wrong map[string]string
	odd   []alerts.Question
}

// benchUnitAsked is the unit of the form, if it stands at a depot that the viewer may see.
func (s *Server) benchUnitAsked(ctx context.Context, v viewer, unit string) (depot fleet.Depot, known bool, err error) {
	id, found, err := s.store.UnitDepot(ctx, fleet.UnitID(unit))
	if err != nil || !found || !v.maySee(id) {
		return depot, false, err
	}
	depot, err = s.depotByKey(ctx, id)
	return depot, true, err
}

func (s *Server) benchForm(c echo.Context) error {
	t := typedTest{row: map[string]string{"unit": c.QueryParam("unit"), "tested_by": viewerOf(c).person.Name}}
	mends := c.QueryParam("mend")
	wrong := ""
	if mends != "" {
		old, found, err := s.store.BenchEntry(c.Request().Context(), mends)
		if err != nil {
			return err
		}
		if found && viewerOf(c).mayRead(old) {
			t.row, wrong = old.Row, "It was not taken: "+old.Reason
		}
	}
	return s.showBenchForm(c, http.StatusOK, t, mends, wrong)
}

func (s *Server) showBenchForm(c echo.Context, status int, t typedTest, mends, wrong string) error {
	ctx, v := c.Request().Context(), viewerOf(c)
	page := benchFormPage{pageFrame: s.frame(c, "Test a unit")}
	page.Form = benchFormView{Unit: t.row["unit"], Wrong: wrong, UnitWrong: t.wrong["unit"], Entry: newEntry(), Mends: mends, Note: t.row["note"]}
	depot, known, err := s.benchUnitAsked(ctx, v, t.row["unit"])
	if err != nil {
		return err
	}
	if !known {
		var found bool
		if depot, _, found, err = s.benchDepot(c); err != nil {
			return err
		}
		if !found {
			return errForbidden
		}
		if t.row["unit"] != "" && page.Form.UnitWrong == "" {
			page.Form.UnitWrong = fmt.Sprintf("There is no unit %s in the depots that you may see: correct its number.", t.row["unit"])
		}
	}
	page.DepotKey = depot.ID
	today := fleet.DateOf(s.now(), depot.Zone())
	all, err := s.store.BenchUnits(ctx, depot.ID, "", today)
	if err != nil {
		return err
	}
	facts, err := s.benchRulesOf(ctx, depot, v)
	if err != nil {
		return err
	}
	var unit fleet.BenchUnit
	for _, u := range all {
		page.Unit = append(page.Unit, string(u.Unit.ID))
		if known && string(u.Unit.ID) == t.row["unit"] {
			unit = u
			facts.Units = append(facts.Units, newBenchUnitFacts(u, depot.Zone()))
		}
	}
	page.Form.fill(t, unit, facts)
	if page.Form.Facts, err = factsText(facts); err != nil {
		return err
	}
	return s.render(c, status, "bench_unit.tmpl", page)
}

func (f *benchFormView) fill(t typedTest, unit fleet.BenchUnit, facts benchFactsJSON) {
	position := cmp.Or(t.row["position"], "1")
	for p := 1; p <= max(1, unit.Unit.Batteries); p++ {
		f.Positions = append(f.Positions, choice{strconv.Itoa(p), fmt.Sprintf("No. %d", p), strconv.Itoa(p) == position})
	}
	standard := t.row["cca_standard"]
	for _, b := range unit.Batteries {
		if strconv.Itoa(b.Position) == position {
			if t.row["cca_standard"] == "" {
				standard = string(b.CCAStandard)
			}
			f.Known = fmt.Sprintf("Fitted: %s, rated %.0f A (%s).", b.Battery, b.RatedCCAA, strings.ToUpper(string(b.CCAStandard)))
		}
	}
	f.Standards = []choice{{"", "choose", standard == ""}}
	for _, word := range []fleet.CCAStandard{fleet.SAE, fleet.EN, fleet.DIN, fleet.IEC, fleet.JIS} {
		f.Standards = append(f.Standards, choice{string(word), strings.ToUpper(string(word)), string(word) == standard})
	}
	f.StandardWrong = t.wrong["cca_standard"]
	fill := func(fields []benchNumber) (filled []benchNumber) {
		for _, n := range fields {
			n.Value, n.Wrong = t.row[n.Name], t.wrong[n.Name]
			if i := slices.IndexFunc(t.odd, func(q alerts.Question) bool { return q.Column == n.Name }); i >= 0 {
				n.Ask = t.odd[i].Ask
			}
			f.LoadOpen = f.LoadOpen || n.Value != "" && strings.HasPrefix(n.Name, "load_")
			filled = append(filled, n)
		}
		return filled
	}
	f.Numbers, f.Load = fill(benchNumbers), fill(benchLoad)
	by := cmp.Or(t.row["tested_by"], facts.Person)
	for _, p := range facts.People {
		f.Testers = append(f.Testers, choice{p.Name, cmp.Or(p.Says, p.Name), p.Name == by})
	}
	if !slices.ContainsFunc(f.Testers, func(c choice) bool { return c.Value == facts.Person }) {
		f.Testers = append(f.Testers, choice{facts.Person, facts.Person, facts.Person == by})
	}
}

// newEntry is a key for a test, of 130 random bits.
func newEntry() string { return rand.Text() }

// takeBenchForm takes a test from a form without a script: what is impossible or odd comes back with the reason.
func (s *Server) takeBenchForm(c echo.Context) error {
	if err := readForm(c); err != nil {
		return err
	}
	ctx, v, form := c.Request().Context(), viewerOf(c), c.Request().PostForm
	t := readBenchForm(form)
	depot, known, err := s.benchUnitAsked(ctx, v, t.row["unit"])
	if err != nil {
		return err
	}
	if !known {
		t.wrong["unit"] = fmt.Sprintf("There is no unit %q in the depots that you may see: correct its number.", t.row["unit"])
	}
	if known && len(t.wrong) == 0 {
		if t.odd, err = s.oddOf(ctx, depot, t.row); err != nil {
			return err
		}
		t.answer(form)
	}
	if len(t.wrong) > 0 || len(t.odd) > 0 {
		wrong := "Nothing was taken yet: see below."
		if t.wrong[""] != "" {
			wrong = t.wrong[""]
		}
		return s.showBenchForm(c, http.StatusUnprocessableEntity, t, form.Get("mends"), wrong)
	}
	t.row["tested_at"] = minute(s.now()).Format(time.RFC3339)
	test := benchTest{Entry: form.Get("entry"), Mends: form.Get("mends"), Row: t.row}
	if err := test.check(); err != nil {
		return err
	}
	e, err := s.takeBenchTest(ctx, v, test)
	if err != nil {
		return err
	}
	return c.Redirect(http.StatusSeeOther, entryHref(e.Entry))
}

// readBenchForm reads what was typed and holds numbers against the limits of files.
func readBenchForm(form url.Values) typedTest {
	t := typedTest{row: map[string]string{}, wrong: map[string]string{}}
	limits := ingest.Limits(fleet.TestsKind)
	for _, column := range benchColumns {
		value := strings.TrimSpace(form.Get(column))
		i := slices.IndexFunc(limits, func(l ingest.Limit) bool { return l.Column == column })
		if i >= 0 && value != "" {
			value = plainNumber(value)
			if why := outside(limits[i], value); why != "" {
				t.wrong[column] = why
			}
		}
		t.row[column] = value
	}
	delete(t.row, "tested_at")
	switch {
	case t.row["rest_v"] == "" && t.row["cca_a"] == "" && t.row["load_v"] == "":
		t.wrong[""] = "Enter what was read: rest volts, cold cranking amps, or volts under load."
	case t.row["cca_a"] == "":
		t.row["cca_standard"] = ""
	case t.row["cca_standard"] == "":
		t.wrong["cca_standard"] = "Choose the standard that the tester was set to: amps mean nothing without it."
	}
	return t
}

// plainNumber writes a number as files do: people type a decimal comma and a true minus sign.
func plainNumber(typed string) string {
	return strings.NewReplacer(",", ".", "−", "-", "–", "-", " ", "", "\u00a0", "").Replace(typed)
}

// outside says why a number cannot be; empty: it can.
func outside(l ingest.Limit, typed string) string {
	v, err := strconv.ParseFloat(typed, 64)
	if err != nil || math.IsInf(v, 0) || math.IsNaN(v) || strings.ContainsAny(typed, "eExX_") {
		return "Not a number: type digits, like 12.4."
	}
	if v < l.Low || v > l.High {
		plain := func(v float64) string { return strconv.FormatFloat(v, 'f', -1, 64) }
		return fmt.Sprintf("%s is outside %s to %s %s: %s.", plain(v), plain(l.Low), plain(l.High), l.Unit, l.Hint)
	}
	return ""
}

// oddOf asks about values that can be right and rarely are.
func (s *Server) oddOf(ctx context.Context, depot fleet.Depot, row map[string]string) ([]alerts.Question, error) {
	units, err := s.store.BenchUnits(ctx, depot.ID, fleet.UnitID(row["unit"]), fleet.DateOf(s.now(), depot.Zone()))
	if err != nil || len(units) == 0 {
		return nil, err
	}
	number := func(column string) fleet.Opt[float64] {
		v, err := strconv.ParseFloat(row[column], 64)
		if err != nil {
			return fleet.Opt[float64]{}
		}
		return fleet.Known(v)
	}
	position, err := strconv.Atoi(cmp.Or(row["position"], "1"))
	if err != nil {
		return nil, badRequestError{errors.New("the position of a battery is a whole number")}
	}
	const aheadAtMost = 24 * time.Hour // a phone's clock, of ours
	t := fleet.Test{At: s.now().Add(aheadAtMost), Position: position, RestV: number("rest_v"), CCAA: number("cca_a"), CCAStandard: fleet.CCAStandard(row["cca_standard"])}
	var rated *fleet.BatteryFitting
	for i := range units[0].Batteries {
		if units[0].Batteries[i].Position == position {
			rated = &units[0].Batteries[i]
		}
	}
	return alerts.Odd(t, rated, units[0].Tests, depot.Zone()), nil
}

// answer drops the questions that the form answers; another battery goes into the note.
func (t *typedTest) answer(form url.Values) {
	t.odd = slices.DeleteFunc(t.odd, func(q alerts.Question) bool {
		switch form.Get("sure_" + q.Column) {
		case "other_battery":
			if !strings.HasPrefix(t.row["note"], anotherBattery) {
				t.row["note"] = strings.TrimSpace(anotherBattery + " " + t.row["note"])
			}
			return true
		case "as_read":
			return true
		}
		return false
	})
}
