package web

import (
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"slices"

	"github.com/labstack/echo/v4"

	"rimeyard/internal/fleet"
)

// openJobPage is all that job-open.tmpl prints.
type openJobPage struct {
	pageFrame
	Wrong    string
	Unit     string
	UnitHref string
	Action   string
	Request  string
	Planned  string // what the plan says of the unit; empty: nothing was chosen
	Open     []jobLink
	Part     formField
	Work     formField
	Because  formField
	Week     formField
	Who      formField
}

type jobLink struct{ Href, What, State, Day string }

func jobLinks(jobs []fleet.Job, depot fleet.Depot) (links []jobLink) {
	for _, j := range slices.Backward(jobs) {
		links = append(links, jobLink{jobHref(j.ID), jobWords(j), j.State.Words(), fleet.DateOf(j.OpenedAt, depot.Zone()).String()})
	}
	return links
}

// jobParts are what a job can be about.
func jobParts() (parts []choice) {
	for _, part := range fleet.Suspects() {
		parts = append(parts, choice{Value: string(part), Text: partWords[part]})
	}
	return append(parts, choice{Value: string(fleet.OtherPart), Text: "something else"})
}

func workChoices() []choice {
	return []choice{
		{Value: string(fleet.WorkSwap), Text: "change the part"},
		{Value: string(fleet.WorkClean), Text: "clean and tighten"},
		{Value: string(fleet.WorkChargeCheck), Text: "charge, and check what charges it"},
		{Value: string(fleet.WorkCheck), Text: "find the fault"},
	}
}

// usualWork is what is mostly done about a part.
func usualWork(part fleet.Part) fleet.Work {
	switch part {
	case fleet.BatteryPart, fleet.StarterPart:
		return fleet.WorkSwap
	case fleet.CablePart:
		return fleet.WorkClean
	case fleet.ChargingPart:
		return fleet.WorkChargeCheck
	}
	return fleet.WorkCheck
}

// choiceOf is what people have chosen for a unit in the plan.
func (s *Server) choiceOf(c echo.Context, unit fleet.UnitID, depot fleet.DepotID) (fleet.PlanChoice, bool, error) {
	choices, err := s.store.PlanChoices(c.Request().Context(), []fleet.DepotID{depot})
	if err != nil {
		return fleet.PlanChoice{}, false, err
	}
	i := slices.IndexFunc(choices, func(p fleet.PlanChoice) bool { return p.Unit == unit && !p.Retest && p.Monday.IsKnown() })
	if i < 0 {
		return fleet.PlanChoice{}, false, nil
	}
	return choices[i], true, nil
}

// openJobForm begins with what the plan and the newest list say of the unit.
func (s *Server) openJobForm(c echo.Context) error {
	sheet, err := s.unitSheet(c)
	if err != nil {
		return err
	}
	unit := sheet.history.Unit
	values := url.Values{"part": {string(fleet.BatteryPart)}, "week": {""}}
	if f := sheet.forecast; f != nil {
		values.Set("part", string(f.Suspect))
		if len(f.Evidence) > 0 {
			values.Set("because", f.Evidence[0])
		}
	}
	chosen, planned, err := s.choiceOf(c, unit.ID, unit.Depot)
	if err != nil {
		return err
	}
	if planned {
		values.Set("week", chosen.Monday.Or(0).String())
		values.Set("who", chosen.Who)
		if len(chosen.Parts) > 0 {
			values.Set("part", string(chosen.Parts[0]))
		}
		if chosen.Note != "" {
			values.Set("because", chosen.Note)
		}
	}
	if part := fleet.Part(c.QueryParam("part")); part != "" {
		values.Set("part", string(part))
	}
	values.Set("work", string(usualWork(fleet.Part(values.Get("part")))))
	return s.showOpenJob(c, http.StatusOK, sheet, blankForm(values))
}

func (s *Server) showOpenJob(c echo.Context, status int, sheet unitSheet, f *form) error {
	ctx, unit := c.Request().Context(), sheet.history.Unit
	people, err := s.store.People(ctx)
	if err != nil {
		return err
	}
	jobs, err := s.store.Jobs(ctx, nil, unit.ID)
	if err != nil {
		return err
	}
	jobs = slices.DeleteFunc(jobs, func(j fleet.Job) bool { return !j.State.Open() })
	page := openJobPage{
		pageFrame: s.frame(c, "Open a job for "+string(unit.ID)), Wrong: f.summary(), Unit: string(unit.ID), UnitHref: unitHref(unit.ID), Action: unitHref(unit.ID) + "/open-job",
		Request: newRequest(), Open: jobLinks(jobs, sheet.depot),
	}
	if request := requestOf(f); request != "" {
		page.Request = request
	}
	chosen, planned, err := s.choiceOf(c, unit.ID, unit.Depot)
	if err != nil {
		return err
	}
	if planned {
		page.Planned = choiceWords(chosen) + ", chosen by " + chosen.By
	}
	weeks := append([]choice{{Value: "", Text: "not planned yet"}}, mondayChoices(sheet.asOf-1)...)
	page.Part = f.field(formField{ID: "part", Label: "Part", Kind: "radio", Choices: jobParts()})
	page.Work = f.field(formField{ID: "work", Label: "What is to be done", Choices: workChoices()})
	page.Because = f.field(formField{ID: "because", Label: "Why", Hint: "In a sentence.", Kind: "text", Complete: "off"})
	page.Week = f.field(formField{ID: "week", Label: "Week", Choices: weeks})
	page.Who = f.field(formField{ID: "who", Label: "Who does it", Choices: whoChoices(people, []fleet.Depot{sheet.depot}, f.get("who"))})
	return s.render(c, status, "job-open.tmpl", page)
}

func (s *Server) openJob(c echo.Context) error {
	f, err := typedForm(c)
	if err != nil {
		return err
	}
	sheet, err := s.unitSheet(c)
	if err != nil {
		return err
	}
	n := fleet.NewJob{
		Unit: sheet.history.Unit.ID, Part: fleet.Part(f.get("part")), Work: fleet.Work(f.get("work")), Because: noteOf(f, "because"), Who: noteOf(f, "who"),
		By: viewerOf(c).person.Name, Request: requestOf(f),
	}
	if sheet.forecast != nil {
		n.Named = sheet.forecast.SuspectProbabilities
	}
	if week := f.get("week"); week != "" {
		monday, err := fleet.ParseDate(week)
		if err != nil || monday != monday.Monday() {
			f.blame("week", fmt.Errorf("%q is no week of the list: choose one", week))
		}
		n.Monday = fleet.Known(monday)
	}
	if n.Because == "" {
		f.blame("because", errors.New("say in a sentence why the job is opened"))
	}
	if err := n.Check(); err != nil {
		f.blame("part", err)
	}
	if !f.sound() {
		return s.showOpenJob(c, http.StatusUnprocessableEntity, sheet, f)
	}
	j, opened, err := s.store.OpenJob(c.Request().Context(), n)
	if err != nil {
		return err
	}
	said := fmt.Sprintf("%s: the job is open.", j.Unit)
	if !opened {
		said = fmt.Sprintf("%s has this job open already: here it is.", j.Unit)
	}
	return s.done(c, jobHref(j.ID), said)
}
