package web

import (
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"

	"github.com/labstack/echo/v4"

	"rimeyard/ingest"
	"rimeyard/internal/fleet"
)

// fitPage is all that job-fit.tmpl prints.
type fitPage struct {
	pageFrame
	Wrong    string
	Meantime []string
	Unit     string
	Href     string // of the job
	Action   string
	Seen     int
	Request  string
	What     string
	Because  *formField // nil: nothing is exchanged
	Places   []fitPlace
	Core     *formField
	Minutes  formField
	Note     formField
	Numbers  []string
	Today    string
}

// fitPlace is one place in which a part is renewed.
type fitPlace struct {
	Title  string
	Old    string // what comes out; empty: nothing is on record
	Only   *formField
	Fields []formField
	More   []formField // what is mostly known from the price list or the shelf
}

// fitColumns are the columns of a fitting that are typed in, by the names of the interchange files; the second row is optional.
var fitColumns = map[fleet.Part][2][]string{
	fleet.BatteryPart: {{"battery", "part", "chemistry", "rated_cca_a", "cca_standard"}, {"rated_ah", "made_on", "price", "core_deposit", "free_months", "prorata_months"}},
	fleet.StarterPart: {{"starter", "part"}, {"price", "core_deposit", "free_months"}},
}

var fitLabels = map[string][2]string{
	"battery": {"Serial, as on the label", ""}, "starter": {"Serial, as on the label", ""}, "part": {"Part number", ""}, "chemistry": {"Type", ""},
	"rated_cca_a": {"Cold cranking amperes, as on the label", ""}, "cca_standard": {"Standard of these amperes", ""}, "rated_ah": {"Ampere-hours", ""},
	"made_on": {"Made on", "A day like 2026-08-01; the first of the month if only that is on it."}, "price": {"Price of the piece", "Empty: as in the price list."},
	"core_deposit": {"Core deposit", "Empty: as in the price list."}, "free_months": {"Warranty, months in full", "Empty: as in the price list. It starts today."},
	"prorata_months": {"Warranty, months in part", "Empty: as in the price list."},
}

func placeID(place int, column string) string { return fmt.Sprintf("p%d-%s", place, column) }

// fitWorld is what a fitting is held against.
type fitWorld struct {
	at      sheetOfJob
	history fleet.History
	numbers []string
}

func (s *Server) fitAsked(c echo.Context) (fitWorld, error) {
	at, err := s.jobAsked(c)
	if err != nil {
		return fitWorld{}, err
	}
	w := fitWorld{at: at}
	if w.history, err = s.store.History(c.Request().Context(), at.job.Unit); err != nil {
		return w, err
	}
	w.numbers, _, err = s.reservable(c, at.job)
	return w, err
}

// places are those in which the job renews a part: of batteries each of the unit's.
func (w fitWorld) places() int {
	if w.at.job.Part == fleet.BatteryPart {
		return w.history.Unit.Batteries
	}
	return 1
}

// fitted is what is in a place by the records.
func (w fitWorld) fitted(place int) (b fleet.BatteryFitting, st fleet.StarterFitting, known bool) {
	for _, f := range w.history.Batteries {
		if w.at.job.Part == fleet.BatteryPart && f.Position == place && !f.RemovedOn.IsKnown() {
			b, known = f, true
		}
	}
	for _, f := range w.history.Starters {
		if w.at.job.Part == fleet.StarterPart && !f.RemovedOn.IsKnown() {
			st, known = f, true
		}
	}
	return b, st, known
}

func (s *Server) fitForm(c echo.Context) error {
	w, err := s.fitAsked(c)
	if err != nil {
		return err
	}
	if !w.at.job.State.MayBecome(fleet.JobFitted) {
		return s.done(c, jobHref(w.at.job.ID), fmt.Sprintf("This job is %s: there is nothing to fit now.", w.at.job.State.Words()))
	}
	values := url.Values{"core": {""}}
	for place := 1; place <= w.places(); place++ {
		values.Add("only", fmt.Sprint(place))
		old, starter, _ := w.fitted(place)
		number := w.at.job.PartNumber
		if number == "" {
			number = old.Part + starter.Part
		}
		values.Set(placeID(place, "part"), number)
		if old.Battery != "" && old.Part == number {
			values.Set(placeID(place, "chemistry"), string(old.Chemistry))
			values.Set(placeID(place, "rated_cca_a"), fmt.Sprintf("%g", old.RatedCCAA))
			values.Set(placeID(place, "cca_standard"), string(old.CCAStandard))
		}
	}
	return s.showFit(c, http.StatusOK, w, blankForm(values), stepProblem{})
}

func (s *Server) showFit(c echo.Context, status int, w fitWorld, f *form, p stepProblem) error {
	j := w.at.job
	page := fitPage{
		pageFrame: s.frame(c, fmt.Sprintf("%s: %s", j.Unit, jobWords(j))), Wrong: p.wrong, Meantime: p.meantime, Unit: string(j.Unit), Href: jobHref(j.ID),
		Action: jobHref(j.ID) + "/fit", Seen: j.Step, Request: newRequest(), What: jobWords(j), Numbers: w.numbers, Today: w.at.today.String(),
	}
	if request := requestOf(f); request != "" && p.status != http.StatusConflict {
		page.Request = request
	}
	page.Minutes = f.field(formField{ID: "minutes", Label: "Minutes that the work took", Hint: "For the ledger. Empty: as long as such work usually takes.", Kind: "decimal", Complete: "off"})
	page.Note = f.field(formField{ID: "note", Label: "Note", Kind: "text", Complete: "off"})
	if !j.Exchanges() {
		page.Note.Label = "What was done"
		return s.render(c, status, "job-fit.tmpl", page)
	}
	because := f.field(formField{ID: "because", Label: "Why the old part comes out", Kind: "radio", Choices: []choice{
		{Value: "failed", Text: "it failed"}, {Value: "preventive", Text: "before it fails"}, {Value: "damaged", Text: "it is damaged"}, {Value: "other", Text: "another reason"},
	}})
	core := f.field(formField{ID: "core", Label: "Core of the old part", Kind: "radio", Choices: []choice{{Value: "", Text: "later"}, {Value: string(fleet.CoreReturned), Text: "handed in for its deposit"}}})
	page.Because, page.Core = &because, &core
	for place := 1; place <= w.places(); place++ {
		page.Places = append(page.Places, w.place(place, f))
	}
	return s.render(c, status, "job-fit.tmpl", page)
}

func (w fitWorld) place(place int, f *form) fitPlace {
	old, starter, known := w.fitted(place)
	out := fitPlace{Title: "The new " + string(w.at.job.Part)}
	if known {
		out.Old = fmt.Sprintf("%s, %s", old.Battery+starter.Starter, old.Part+starter.Part)
	}
	if w.places() > 1 {
		out.Title = fmt.Sprintf("Place %d", place)
		out.Only = &formField{ID: fmt.Sprintf("only-%d", place), Kind: "checkbox", Value: fmt.Sprint(place), Label: "Renewed", Choices: []choice{{Value: fmt.Sprint(place), Text: "a new battery went in here", Chosen: slices.Contains(f.typed["only"], fmt.Sprint(place))}}}
	}
	columns := fitColumns[w.at.job.Part]
	words := map[string][]string{}
	for c := range ingest.Columns(w.kind()) {
		words[c.Name] = c.Words
	}
	ask := func(column string) formField {
		field := formField{ID: placeID(place, column), Label: fitLabels[column][0], Hint: fitLabels[column][1], Kind: "text", Complete: "off"}
		switch column {
		case "part":
			field.Kind = "list"
		case "battery", "starter":
			field.Kind = "scan"
		case "rated_cca_a", "rated_ah", "price", "core_deposit", "free_months", "prorata_months":
			field.Kind = "decimal"
		}
		if options := words[column]; options != nil {
			field.Kind, field.Choices = "select", []choice{{Value: "", Text: "choose"}}
			for _, o := range options {
				text := chemistryWord(fleet.Chemistry(o))
				if column == "cca_standard" {
					text = strings.ToUpper(o)
				}
				field.Choices = append(field.Choices, choice{Value: o, Text: text})
			}
		}
		return f.field(field)
	}
	for _, column := range columns[0] {
		out.Fields = append(out.Fields, ask(column))
	}
	for _, column := range columns[1] {
		out.More = append(out.More, ask(column))
	}
	return out
}

func (w fitWorld) kind() fleet.Kind {
	if w.at.job.Part == fleet.BatteryPart {
		return fleet.BatteriesKind
	}
	return fleet.StartersKind
}

// fit books what was fitted, and asks for a crank that proves it.
func (s *Server) fit(c echo.Context) error {
	f, err := typedForm(c)
	if err != nil {
		return err
	}
	w, err := s.fitAsked(c)
	if err != nil {
		return err
	}
	change := s.newChange(c, w.at, f)
	change.To, change.Note, change.Core = fleet.JobFitted, noteOf(f, "note"), fleet.Core(f.get("core"))
	if change.Core != fleet.CoreOpen && change.Core != fleet.CoreReturned {
		f.blame("core", errors.New("choose one of the two"))
	}
	change.Minutes = minutesOf(f)
	if w.at.job.Exchanges() {
		s.readFitting(f, w, &change)
	} else if change.Note == "" {
		f.blame("note", errors.New("say in a sentence what was done"))
	}
	if !f.sound() {
		return s.showFit(c, http.StatusUnprocessableEntity, w, f, stepProblem{wrong: f.summary()})
	}
	problem, err := s.takeStep(c, &w.at, change)
	if err != nil {
		return err
	}
	if problem.status != 0 {
		return s.showFit(c, problem.status, w, f, problem)
	}
	return s.done(c, jobHref(w.at.job.ID)+"/prove", fmt.Sprintf("%s: booked. Now start it: the work is proven by a crank that reads well.", w.at.job.Unit))
}

// minutesOf reads how long the work took; 0: nobody says.
func minutesOf(f *form) int {
	typed := strings.TrimSpace(f.get("minutes"))
	if typed == "" {
		return 0
	}
	const most = 2880 // two days
	minutes, err := strconv.Atoi(typed)
	if err != nil || minutes < 1 || minutes > most {
		f.blame("minutes", fmt.Errorf("%q: want whole minutes, 1 to %d, or nothing", typed, most))
	}
	return minutes
}

// readFitting judges what was typed as rows of the fleet's files are judged.
func (s *Server) readFitting(f *form, w fitWorld, change *fleet.JobChange) {
	change.Fitting.Because = fleet.Removal(f.get("because"))
	if !slices.Contains([]fleet.Removal{fleet.RemovedFailed, fleet.RemovedPreventive, fleet.RemovedDamaged, fleet.RemovedOther}, change.Fitting.Because) {
		f.blame("because", errors.New("say why the old part comes out: the forecast learns from it"))
	}
	about := ingest.About{Unit: w.history.Unit, Depot: w.at.depot, Batteries: w.history.Batteries}
	chosen := f.typed["only"]
	for place := 1; place <= w.places(); place++ {
		if w.places() > 1 && !slices.Contains(chosen, fmt.Sprint(place)) {
			continue
		}
		row, bad := ingest.JudgeTyped(w.kind(), w.typedRow(f, place), about, s.now())
		if flaw, is := errors.AsType[ingest.FlawError](bad); is {
			id := placeID(place, flaw.Column)
			if fitLabels[flaw.Column][0] == "" {
				id = "note" // a column that nobody typed
			}
			f.blame(id, errors.New(formReason(flaw.Reason)))
			continue
		}
		switch row := row.(type) {
		case *fleet.BatteryFitting:
			change.Fitting.Batteries = append(change.Fitting.Batteries, *row)
		case *fleet.StarterFitting:
			change.Fitting.Starters = append(change.Fitting.Starters, *row)
		}
	}
	if w.places() > 1 && len(chosen) == 0 {
		f.blame("because", errors.New("tick at least one place in which a new battery went in"))
	}
}

// typedRow is one place as a row of its file.
func (w fitWorld) typedRow(f *form, place int) map[string]string {
	row := map[string]string{"unit": string(w.at.job.Unit), "fitted_on": w.at.today.String()}
	if w.at.job.Part == fleet.BatteryPart {
		row["position"] = fmt.Sprint(place)
	}
	for _, columns := range fitColumns[w.at.job.Part] {
		for _, column := range columns {
			row[column] = strings.TrimSpace(f.get(placeID(place, column)))
		}
	}
	return row
}

// formReason is why a row was not taken, in words for somebody who knows no row and no column.
func formReason(reason string) string {
	if strings.HasPrefix(reason, "the field is empty") {
		return "fill this in: nothing is booked without it"
	}
	return reason
}
