package web

import (
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

	"rimeyard/internal/fleet"
	"rimeyard/plan"
	"rimeyard/reports"
)

// planUnitPage is all that plan-unit.tmpl prints.
type planUnitPage struct {
	pageFrame
	Wrong     string
	Now       string // what the plan does with the unit
	Why       string
	Facts     []fact
	Chosen    string // who chose it, and when; empty: the planner did
	Unit      string // address of the unit's page
	OpenJob   string // address where a job is opened for it; empty: not by the viewer
	Back      string // the page to come back to
	Action    string
	MayChange bool
	Seen      string
	Do, Week  formField
	Parts     formField
	Who, Note formField
}

// placed is what the plan does with a unit.
type placed struct {
	visit  *plan.Visit
	test   *plan.Retest
	left   *plan.Left
	monday fleet.Opt[fleet.Date]
}

func placeOf(p plan.Plan, unit fleet.UnitID) (at placed) {
	for d := range p.Depots {
		for w := range p.Depots[d].Weeks {
			week := &p.Depots[d].Weeks[w]
			if i := slices.IndexFunc(week.Visits, func(v plan.Visit) bool { return v.Unit == unit }); i >= 0 {
				return placed{visit: &week.Visits[i], monday: fleet.Known(week.Monday)}
			}
		}
	}
	if i := slices.IndexFunc(p.Retests, func(t plan.Retest) bool { return t.Unit == unit }); i >= 0 {
		return placed{test: &p.Retests[i], monday: fleet.Known(p.Retests[i].Monday)}
	}
	if i := slices.IndexFunc(p.Left, func(l plan.Left) bool { return l.Unit == unit }); i >= 0 {
		return placed{left: &p.Left[i]}
	}
	return placed{}
}

// seenState is what a form remembers of a unit: when somebody last chose for it, and the week in which it stood.
func seenState(choices map[fleet.UnitID]fleet.PlanChoice, unit fleet.UnitID, monday fleet.Opt[fleet.Date]) string {
	chosen := "0"
	if c, known := choices[unit]; known {
		chosen = strconv.FormatInt(c.At.UnixMicro(), 10)
	}
	week, planned := monday.Get()
	if !planned {
		return chosen
	}
	return chosen + " " + week.String()
}

// unitPlanned is the plan of the depot of the unit in the address.
func (s *Server) unitPlanned(c echo.Context, patience time.Duration) (reports.Planned, fleet.UnitID, error) {
	unit, err := unitParam(c)
	if err != nil {
		return reports.Planned{}, "", err
	}
	depot, found, err := s.store.UnitDepot(c.Request().Context(), unit)
	if err != nil {
		return reports.Planned{}, unit, err
	}
	if !found {
		return reports.Planned{}, unit, noSuchUnit(unit)
	}
	p, _, err := s.planAsked(c, viewerOf(c), planQuery{Depot: depot}, patience)
	return p, unit, err
}

func (s *Server) planUnit(c echo.Context) error {
	p, unit, err := s.unitPlanned(c, s.patience)
	if err != nil {
		return err
	}
	at := placeOf(p.Plan, unit)
	values := url.Values{"do": {string(plan.DoVisit)}}
	monday := p.Plan.Monday
	switch {
	case at.test != nil:
		values.Set("do", string(plan.DoRetest))
	case at.left != nil && at.left.Reason == plan.LeftLocked:
		values.Set("do", string(plan.DoLeave))
	}
	values.Set("week", at.monday.Or(monday).String())
	if chosen, known := p.Choices[unit]; known {
		for _, part := range chosen.Parts {
			values.Add("part", string(part))
		}
		values.Set("who", chosen.Who)
		values.Set("note", chosen.Note)
	}
	return s.showPlanUnit(c, http.StatusOK, p, unit, blankForm(values))
}

func (s *Server) showPlanUnit(c echo.Context, status int, p reports.Planned, unit fleet.UnitID, f *form) error {
	ctx, v := c.Request().Context(), viewerOf(c)
	people, err := s.store.People(ctx)
	if err != nil {
		return err
	}
	at := placeOf(p.Plan, unit)
	page := planUnitPage{
		pageFrame: s.frame(c, "Plan of "+string(unit)), Wrong: f.summary(), Unit: unitHref(unit), Back: planBack(c), MayChange: mayPlan(v),
		Action: planUnitHref(unit, ""), Seen: seenState(p.Choices, unit, at.monday),
	}
	if kept := f.get("seen"); kept != "" {
		page.Seen = kept
	}
	if mayWork(v) {
		page.OpenJob = unitHref(unit) + "/open-job"
	}
	page.Now, page.Why, page.Facts = placeWords(p, at)
	if chosen, known := p.Choices[unit]; known {
		page.Chosen = choiceWords(chosen) + ": " + whenChosen(chosen, p.Depots[0].Zone())
	}
	page.Do = f.field(formField{ID: "do", Label: "What is to be done", Kind: "radio", Choices: []choice{
		{Value: string(plan.DoVisit), Text: "Put it right in the week below"},
		{Value: string(plan.DoRetest), Text: "Test it again in the week below, and swap nothing yet"},
		{Value: string(plan.DoLeave), Text: "Leave it as it is this season"},
	}})
	page.Week = f.field(formField{ID: "week", Label: "Week", Choices: weekChoices(p)})
	page.Parts = f.field(formField{ID: "part", Label: "Work on", Hint: "None ticked: what pays most.", Kind: "checkbox", Choices: partChoices()})
	page.Who = f.field(formField{ID: "who", Label: "Who does it", Hint: "The planner shares visits out evenly where nobody is named.", Choices: whoChoices(people, p.Depots, f.get("who"))})
	page.Note = f.field(formField{ID: "note", Label: "Note", Hint: "Why, or with what. It stands on the picking list.", Kind: "text", Complete: "off"})
	return s.render(c, status, "plan-unit.tmpl", page)
}

// planBack is the page of the plan to come back to, as the address or the form says.
func planBack(c echo.Context) string {
	back := c.FormValue("back") // of the form, else of the address
	if back == "/plan" || strings.HasPrefix(back, "/plan?") {
		return back
	}
	return "/plan"
}

func placeWords(p reports.Planned, at placed) (now, why string, facts []fact) {
	monday, _ := at.monday.Get()
	switch {
	case at.visit != nil:
		v := at.visit
		facts = []fact{{"Work", reports.VisitWords(*v)}, {"Avoids", moneyOr(v.Avoids)}, {"Costs", moneyOr(v.Costs)}, {"Saves", moneyOr(v.Saves)}, {"Lowers the chance by", reports.Count(int(math.Round(100*v.ChanceFalls)), "point")}, {"Takes", fmt.Sprintf("%d minutes", v.Minutes)}}
		return "To be put right in the week of " + reports.LongDay(monday), sentence(errors.New(v.Why)), facts
	case at.test != nil:
		facts = []fact{{"Worth of the test", moneyOr(at.test.Worth)}, {"Chance that it says: act", percent(at.test.ActIf)}}
		return "To be tested again in the week of " + reports.LongDay(monday), sentence(errors.New(at.test.Why)), facts
	case at.left != nil:
		return "Left: " + reports.ReasonWords(at.left.Reason), sentence(errors.New(at.left.Why)), []fact{{"Chance of a failed start", percent(at.left.ChanceStays)}, {"Work would save", moneyOr(at.left.WouldSave)}}
	}
	return "Not in the plan", fmt.Sprintf("The list of %s does not have it: it came, or moved here, since.", reports.LongDay(p.Issue.AsOf)), nil
}

func choiceWords(c fleet.PlanChoice) string {
	monday, planned := c.Monday.Get()
	switch {
	case !planned:
		return "Left as it is this season"
	case c.Retest:
		return "To be tested again in the week of " + reports.LongDay(monday)
	}
	return "Locked for the week of " + reports.LongDay(monday)
}

// weekChoices are the plan's weeks, with plain spaces so that they are found by typing.
func weekChoices(p reports.Planned) (weeks []choice) {
	for _, d := range p.Plan.Depots {
		for _, w := range d.Weeks {
			weeks = append(weeks, choice{Value: w.Monday.String(), Text: strings.ReplaceAll(fmt.Sprintf("week of %s (%s)", reports.LongDay(w.Monday), reports.SlotWords(w)), "\u00a0", " ")})
		}
	}
	return weeks
}

func partChoices() (parts []choice) {
	for _, part := range fleet.Suspects() {
		parts = append(parts, choice{Value: string(part), Text: partWords[part]})
	}
	return parts
}

func whoChoices(people []fleet.Person, depots []fleet.Depot, now string) []choice {
	names := []choice{{Text: "nobody is named"}}
	for _, d := range depots {
		for _, name := range reports.Mechanics(people, d.ID) {
			names = append(names, choice{Value: name, Text: name})
		}
	}
	if now != "" && !slices.ContainsFunc(names, func(c choice) bool { return c.Value == now }) {
		names = append(names, choice{Value: now, Text: now})
	}
	return names
}

// decideUnit keeps what a person chose for a unit, or gives it back to the planner, and says what that does to the plan.
func (s *Server) decideUnit(c echo.Context) error {
	f, err := typedForm(c)
	if err != nil {
		return err
	}
	p, unit, err := s.unitPlanned(c, allPatience)
	if err != nil {
		return err
	}
	ctx, v := c.Request().Context(), viewerOf(c)
	meanwhile := meanwhileWords(p, unit, v.person.Name, f.get("seen"))
	said := fmt.Sprintf("%s is the planner's again.", unit)
	if f.get("undo") != "" {
		err = s.store.UnchoosePlan(ctx, unit)
	} else {
		people, listErr := s.store.People(ctx)
		if listErr != nil {
			return listErr
		}
		chosen := readChoice(f, p, people)
		if before := p.Choices[unit]; f.get("moved") != "" { // dragged: the rest stays
			chosen.Parts, chosen.Who, chosen.Note = before.Parts, before.Who, before.Note
		}
		if !f.sound() {
			return s.showPlanUnit(c, http.StatusUnprocessableEntity, p, unit, f)
		}
		chosen.Unit, chosen.By = unit, v.person.Name
		said = fmt.Sprintf("%s: %s.", unit, lowerFirst(choiceWords(chosen)))
		err = s.store.ChoosePlan(ctx, chosen)
	}
	if err != nil {
		return err
	}
	if err := s.store.NoteChange(ctx, "plan of "+string(unit), strings.TrimSuffix(said, ".")); err != nil {
		return err
	}
	effect, err := s.effectOn(c, p)
	if err != nil {
		return err
	}
	said += effect + meanwhile
	return s.done(c, planBack(c)+"#"+cardID(unit), said)
}

// effectOn says what has become of a depot's plan by what was just kept; empty where that takes too long to work out.
func (s *Server) effectOn(c echo.Context, before reports.Planned) (string, error) {
	after, _, err := s.planAsked(c, viewerOf(c), planQuery{Depot: before.Plan.Depots[0].Depot}, choicePatience)
	if _, waits := errors.AsType[reports.BeingPlannedError](err); waits {
		return "", nil
	}
	return effectWords(before.Plan, after.Plan), err
}

// readChoice reads what was chosen; what is wrong is put down in the form.
func readChoice(f *form, p reports.Planned, people []fleet.Person) (c fleet.PlanChoice) {
	do := plan.Do(f.get("do"))
	if !slices.Contains([]plan.Do{plan.DoVisit, plan.DoRetest, plan.DoLeave}, do) {
		f.blame("do", errors.New("choose what is to be done with the unit"))
	}
	c.Retest = do == plan.DoRetest
	if monday, err := fleet.ParseDate(f.get("week")); do != plan.DoLeave {
		i := int(monday-p.Plan.Monday) / 7
		if err != nil || monday != monday.Monday() || monday < p.Plan.Monday || i >= p.Plan.WeekCount {
			f.blame("week", fmt.Errorf("%q is no week of this plan: choose one of the list", f.get("week")))
		}
		c.Monday = fleet.Known(monday)
	}
	suspects := fleet.Suspects()
	for _, part := range f.typed["part"] {
		if !slices.Contains(suspects[:], fleet.Part(part)) || slices.Contains(c.Parts, fleet.Part(part)) {
			f.blame("part", fmt.Errorf("%q: tick each part once, of those on the list", part))
		}
		c.Parts = append(c.Parts, fleet.Part(part))
	}
	c.Who = f.get("who")
	if c.Who != "" && !slices.ContainsFunc(people, func(p fleet.Person) bool { return p.Name == c.Who }) {
		f.blame("who", fmt.Errorf("nobody signs in as %q: choose one of the list", c.Who))
	}
	const longest = 300 // characters
	c.Note = strings.Join(strings.Fields(f.get("note")), " ")
	if len([]rune(c.Note)) > longest {
		f.blame("note", fmt.Errorf("the note is longer than %d characters: shorten it", longest))
	}
	return c
}

// meanwhileWords says what has become of a unit since the form was shown; empty: nothing. The choice made last counts.
func meanwhileWords(p reports.Planned, unit fleet.UnitID, asker, seen string) string {
	if seen == "" {
		return ""
	}
	is := seenState(p.Choices, unit, placeOf(p.Plan, unit).monday)
	chosenSeen, _, _ := strings.Cut(seen, " ")
	chosenNow, _, _ := strings.Cut(is, " ")
	switch chosen, known := p.Choices[unit]; {
	case seen == is, known && chosen.By == asker:
		return ""
	case chosenSeen != chosenNow && known:
		return fmt.Sprintf(" Meanwhile %s had chosen otherwise (%s, %s); yours counts now.", chosen.By, lowerFirst(choiceWords(chosen)), when(chosen.At, p.Depots[0].Zone()))
	case chosenSeen != chosenNow:
		return " Meanwhile somebody had given it back to the planner; yours counts now."
	}
	return " Meanwhile the plan had moved it to another week; yours counts now."
}

// effectWords says what a choice does to what the plan saves.
func effectWords(before, after plan.Plan) string {
	was, known := before.Saved.Get()
	is, alsoKnown := after.Saved.Get()
	switch {
	case !known || !alsoKnown:
		return ""
	case is < was:
		return fmt.Sprintf(" The plan saves %s less with it, %s by the end of the season.", reports.Money(was-is), reports.Money(is))
	case is > was:
		return fmt.Sprintf(" The plan saves %s more with it, %s by the end of the season.", reports.Money(is-was), reports.Money(is))
	}
	return " What the plan saves stays the same."
}

// setPlanWeek says how many visits a depot has room for in a week; empty: its usual number.
func (s *Server) setPlanWeek(c echo.Context) error {
	f, err := typedForm(c)
	if err != nil {
		return err
	}
	ctx, v := c.Request().Context(), viewerOf(c)
	depot := fleet.DepotID(f.get("depot"))
	if depot == "" || !v.maySee(depot) {
		return notFoundError{fmt.Errorf("there is no depot %q that you may see", depot)}
	}
	p, _, err := s.planAsked(c, v, planQuery{Depot: depot}, allPatience)
	if err != nil {
		return err
	}
	monday, err := fleet.ParseDate(f.get("week"))
	if err != nil || monday != monday.Monday() || monday < p.Plan.Monday || monday >= p.Plan.Monday+fleet.Date(7*p.Plan.WeekCount) {
		return badRequestError{fmt.Errorf("week %q: want a Monday of the plan, like %s", f.get("week"), p.Plan.Monday)}
	}
	room, said := fleet.Opt[int]{}, fmt.Sprintf("%s has its usual room in the week of %s.", depot, reports.LongDay(monday))
	if typed := strings.TrimSpace(f.get("visits")); typed != "" {
		const most = 999 // visits a week
		n, err := strconv.Atoi(typed)
		if err != nil || n < 0 || n > most {
			return badRequestError{fmt.Errorf("%q is no number of visits: type 0 to %d, or nothing for the usual number", typed, most)}
		}
		room, said = fleet.Known(n), fmt.Sprintf("%s has room for %d in the week of %s.", depot, n, reports.LongDay(monday))
	}
	if err := s.store.SetDepotWeek(ctx, depot, monday, room); err != nil {
		return err
	}
	if err := s.store.NoteChange(ctx, "plan of "+string(depot), strings.TrimSuffix(said, ".")); err != nil {
		return err
	}
	effect, err := s.effectOn(c, p)
	if err != nil {
		return err
	}
	return s.done(c, planBack(c), said+effect)
}
