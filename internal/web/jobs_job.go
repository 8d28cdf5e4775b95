package web

import (
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strings"

	"github.com/labstack/echo/v4"

	"rimeyard/internal/fleet"
	"rimeyard/reports"
)

// jobPage is all that job.tmpl prints.
type jobPage struct {
	pageFrame
	Said     string
	Wrong    string
	Meantime []string // what somebody else did while the form was filled in
	ID       int64
	Href     string
	Unit     string
	UnitHref string
	Depot    string
	Board    string
	State    string
	Means    string
	Facts    []fact
	Steps    []jobStep
	Seen     int
	Request  string
	Pieces   []pieceRow
	Events   []eventRow
	Zone     string
	Sheet    string
	Notes    string // address of the notes of the class; empty: the viewer may not change them
	InPlan   string // address of the unit in the plan; empty: the work is over
	Search   string // address of the search for the fault that it was opened for; empty: there was none

	// Forms, each nil where it is not for now, or not for the viewer.
	Plan    *jobForm
	Reserve *jobForm
	Close   *jobForm
	Bench   []benchForm
	Back    *jobForm
	Drop    *jobForm
	Note    *jobForm
	Numbers []string // part numbers to choose from
}

// jobForm is one step that needs answers.
type jobForm struct {
	Do, Button string
	Fields     []formField // shown as Kind says: select, choices, text
	Open       bool        // it was just sent, or asked for
}

// benchForm asks what the bench found of one piece.
type benchForm struct {
	Step  *jobForm
	Open  bool
	Title string
	Said  string // what it found before; empty: nothing yet
}

// sentForm is a form of a job's page with all that it sends.
type sentForm struct {
	Href, Request string
	Seen          int
	Step          *jobForm
}

// Form makes one of the page's steps ready to be sent.
func (page jobPage) Form(step *jobForm) sentForm {
	return sentForm{page.Href, page.Request, page.Seen, step}
}

type pieceRow struct{ Day, Way, What, Serial, Part, Why string }

type eventRow struct{ When, By, What, Note string }

func (s *Server) jobPage(c echo.Context) error {
	at, err := s.jobAsked(c)
	if err != nil {
		return err
	}
	return s.showJob(c, http.StatusOK, at, blankForm(url.Values{}), jobPage{Said: s.takeSaid(c)})
}

// showJob shows a job; page may bring what was said, what is wrong, and what somebody else did.
func (s *Server) showJob(c echo.Context, status int, at sheetOfJob, f *form, page jobPage) error {
	ctx, v, j := c.Request().Context(), viewerOf(c), at.job
	page.pageFrame = s.frame(c, fmt.Sprintf("Job %d: %s, %s", j.ID, j.Unit, jobWords(j)))
	page.ID, page.Href, page.Unit, page.UnitHref, page.Depot = j.ID, jobHref(j.ID), string(j.Unit), unitHref(j.Unit), depotName(at.depot)
	page.State, page.Means, page.Board, page.Zone = j.State.Words(), stateMeans[j.State], depotHref("/jobs", j.Depot), at.depot.Timezone
	page.Facts, page.Seen, page.Request, page.Sheet = jobFacts(j, at.today), j.Step, newRequest(), jobHref(j.ID)+"/sheet"
	page.Pieces, page.Events = pieceRows(j.Exchanged), eventRows(at)
	if !j.State.Done() {
		page.InPlan = planUnitHref(j.Unit, "")
	}
	searches, err := s.store.Faults(ctx, fleet.FaultFilter{Unit: j.Unit})
	if err != nil {
		return err
	}
	if i := slices.IndexFunc(searches, func(f fleet.FaultSearch) bool { return f.Job == j.ID }); i >= 0 {
		page.Search = faultHref(searches[i].ID)
	}
	if slices.Contains(rights["GET /faults/notes"].roles, v.person.Role) {
		page.Notes = notesHref(j.Class)
	}
	if mayWork(v) {
		page.Steps = nextSteps(j)
		if done := doneStep(j); j.State.MayBecome(fleet.JobFitted) && !slices.Contains(page.Steps, done) {
			page.Steps = append(page.Steps, done) // on the road nothing is put by, and there is no bench
		}
		results, err := s.store.BenchResults(ctx, nil, j.ID)
		if err != nil {
			return err
		}
		if err := s.jobForms(c, &page, at, results, f); err != nil {
			return err
		}
	}
	return s.render(c, status, "job.tmpl", page)
}

func jobFacts(j fleet.Job, today fleet.Date) []fact {
	facts := []fact{{"Why", upperFirst(j.Because)}}
	if monday, planned := j.Monday.Get(); planned {
		facts = append(facts, fact{"Planned", "week of " + reports.DayMonth(monday, today)})
	}
	for _, f := range []fact{{"Who", j.Who}, {"Part", numberWords(j)}} {
		if f.Value != "" {
			facts = append(facts, f)
		}
	}
	var named []string
	for _, part := range fleet.Suspects() {
		if p := j.Named[part]; p >= 0.005 {
			named = append(named, fmt.Sprintf("%s %s", partWords[part], percent(p)))
		}
	}
	if len(named) > 0 {
		facts = append(facts, fact{"Suspected then", strings.Join(named, ", ")})
	}
	if len(j.Removed()) > 0 {
		facts = append(facts, fact{"Old part", map[fleet.Core]string{fleet.CoreOpen: "core not handed in yet", fleet.CoreReturned: "core handed in", fleet.CoreNone: "no core goes back"}[j.Core]})
	}
	if j.State.Done() {
		facts = append(facts, fact{"Job sheet", map[bool]string{true: "signed and filed", false: "not filed yet"}[j.Paper]})
	}
	return facts
}

func pieceRows(pieces []fleet.Piece) (rows []pieceRow) {
	for _, p := range pieces {
		row := pieceRow{Day: p.At.String(), Way: "in", What: string(p.Kind), Serial: p.Serial, Part: p.Part}
		if p.Position > 0 {
			row.What += fmt.Sprintf(", place %d", p.Position)
		}
		if p.Out {
			row.Way, row.Why = "out", string(p.Because)
		}
		rows = append(rows, row)
	}
	return rows
}

func eventRows(at sheetOfJob) (rows []eventRow) {
	zone := at.depot.Zone()
	for _, e := range slices.Backward(at.events) {
		rows = append(rows, eventRow{when(e.At, zone), e.By, eventWords(e), upperFirst(e.Note)})
	}
	return rows
}

// eventWords says what a step did.
func eventWords(e fleet.JobEvent) string {
	said := e.To.Words()
	switch {
	case e.From == "":
		said = "opened, " + e.To.Words()
	case e.From == e.To:
		said = ""
	case e.To == fleet.JobFound:
		said = "back to found"
	}
	add := func(format string, args ...any) {
		if said != "" {
			said += "; "
		}
		said += fmt.Sprintf(format, args...)
	}
	w := e.What
	if monday, known := w.Monday.Get(); known {
		add("week of %s", monday)
	}
	if w.PartNumber != "" {
		add("%d × %s", w.Pieces, w.PartNumber)
	}
	for _, p := range w.Exchanged {
		add("%s %s %s", p.Kind, p.Serial, map[bool]string{true: "out", false: "in"}[p.Out])
	}
	if w.Minutes > 0 {
		add("took %d minutes", w.Minutes)
	}
	if w.Proof != nil {
		add("%s", w.Proof.Why)
	}
	if w.Core != fleet.CoreOpen {
		add("%s", map[fleet.Core]string{fleet.CoreReturned: "core handed in", fleet.CoreNone: "no core goes back"}[w.Core])
	}
	if w.Paper {
		add("job sheet filed")
	}
	for _, b := range w.Bench {
		add("bench: %s %s", b.Serial, verdictWords[b.Verdict])
	}
	if said == "" {
		return "note"
	}
	return said
}

var verdictWords = map[fleet.BenchVerdict]string{fleet.BenchFaulty: "faulty", fleet.BenchGood: "no fault found", fleet.BenchUnclear: "unclear"}

// jobForms fills in the forms of the steps that the job may take now.
func (s *Server) jobForms(c echo.Context, page *jobPage, at sheetOfJob, results []fleet.BenchResult, f *form) error {
	ctx, j := c.Request().Context(), at.job
	sent := f.get("do")
	offer := func(do, button string, fields ...formField) *jobForm {
		return &jobForm{Do: do, Button: button, Fields: fields, Open: sent == do}
	}
	if j.State.MayBecome(fleet.JobPlanned) || j.State == fleet.JobPlanned {
		people, err := s.store.People(ctx)
		if err != nil {
			return err
		}
		page.Plan = offer("plan", "Plan it",
			f.field(formField{ID: "week", Label: "Week", Kind: "select", Choices: mondayChoices(at.today)}),
			f.field(formField{ID: "who", Label: "Who does it", Kind: "select", Choices: whoChoices(people, []fleet.Depot{at.depot}, f.get("who"))}))
	}
	if j.State.MayBecome(fleet.JobReserved) && j.Work == fleet.WorkSwap {
		numbers, pieces, err := s.reservable(c, j)
		if err != nil {
			return err
		}
		page.Numbers = numbers
		if sent == "" {
			f.typed.Set("number", first(numbers))
			f.typed.Set("pieces", fmt.Sprint(pieces))
		}
		page.Reserve = offer("reserve", "Part reserved",
			f.field(formField{ID: "number", Label: "Part number", Kind: "list", Complete: "off"}),
			f.field(formField{ID: "pieces", Label: "Pieces", Kind: "decimal"}))
	}
	page.closeForms(at, f, offer)
	page.benchForms(at, results, f, sent)
	return nil
}

func first(all []string) string {
	if len(all) == 0 {
		return ""
	}
	return all[0]
}

// reservable are the part numbers of the job's kind, those that are fitted now before the rest, and how many pieces the unit takes.
func (s *Server) reservable(c echo.Context, j fleet.Job) (numbers []string, pieces int, err error) {
	ctx := c.Request().Context()
	h, err := s.store.History(ctx, j.Unit)
	if err != nil {
		return nil, 0, err
	}
	pieces = 1
	if j.Part == fleet.BatteryPart {
		pieces = h.Unit.Batteries
	}
	add := func(number string) {
		if number != "" && !slices.Contains(numbers, number) {
			numbers = append(numbers, number)
		}
	}
	for _, b := range slices.Backward(h.Batteries) {
		if j.Part == fleet.BatteryPart && !b.RemovedOn.IsKnown() {
			add(b.Part)
		}
	}
	for _, st := range slices.Backward(h.Starters) {
		if j.Part == fleet.StarterPart && !st.RemovedOn.IsKnown() {
			add(st.Part)
		}
	}
	parts, err := s.store.Parts(ctx, fleet.DateOf(s.now(), s.now().Location()))
	for _, p := range parts {
		if p.Kind == j.Part {
			add(p.Part)
		}
	}
	return numbers, pieces, err
}

const weeksAhead = 26 // that can be planned by hand

func mondayChoices(today fleet.Date) (weeks []choice) {
	for i := range fleet.Date(weeksAhead) {
		monday := today.Monday() + 7*i
		weeks = append(weeks, choice{Value: monday.String(), Text: "week of " + reports.LongDay(monday)})
	}
	return weeks
}

func (page *jobPage) closeForms(at sheetOfJob, f *form, offer func(do, button string, fields ...formField) *jobForm) {
	j := at.job
	core := f.field(formField{ID: "core", Label: "The old part", Kind: "radio", Choices: []choice{{Value: string(fleet.CoreReturned), Text: "Core handed in for its deposit"}, {Value: string(fleet.CoreNone), Text: "No core goes back (say why)"}}})
	paper := f.field(formField{ID: "paper", Label: "The paper", Kind: "checkbox", Choices: []choice{{Value: "yes", Text: "Job sheet signed and filed"}}})
	note := f.field(formField{ID: "note", Label: "Note", Kind: "text", Complete: "off"})
	var fields []formField
	if len(j.Removed()) > 0 && j.Core == fleet.CoreOpen {
		fields = append(fields, core)
	}
	if j.State.Done() && !j.Paper {
		fields = append(fields, paper)
	}
	switch j.State {
	case fleet.JobProven:
		page.Close = offer("close", "Close the job", append(fields, note)...)
	case fleet.JobFitted, fleet.JobClosed:
		if len(fields) > 0 {
			page.Note = offer("note", "Note it", append(fields, note)...)
		}
	}
	if page.Note == nil && page.Close == nil && j.State.Open() {
		page.Note = offer("note", "Note it", note)
	}
	if j.State.MayBecome(fleet.JobFound) {
		page.Back = offer("back", "Back to found", f.field(formField{ID: "why-back", Label: "Why", Kind: "text", Complete: "off"}))
	}
	if j.State.MayBecome(fleet.JobDropped) {
		page.Drop = offer("drop", "Drop the job", f.field(formField{ID: "why-drop", Label: "Why nothing is done", Kind: "text", Complete: "off"}))
	}
}

// benchReadings are what is asked of a part at the bench: name of the field with its unit, and the words.
func benchReadings(kind fleet.Part) [][2]string {
	if kind == fleet.StarterPart {
		return [][2]string{{"supply_v", "Volts at the starter while it runs"}, {"current_a", "Amperes while it runs free"}}
	}
	return [][2]string{{"rest_v", "Rest volts, charged"}, {"cca_a", "Cold cranking amperes shown"}}
}

func (page *jobPage) benchForms(at sheetOfJob, results []fleet.BenchResult, f *form, sent string) {
	for i, p := range at.job.Removed() {
		id := func(name string) string { return fmt.Sprintf("%s-%d", name, i) }
		step := &jobForm{Do: id("bench"), Button: "Keep what the bench says"}
		form := benchForm{Title: fmt.Sprintf("%s %s on the bench", upperFirst(string(p.Kind)), p.Serial), Step: step, Open: sent == step.Do}
		for _, r := range results {
			if r.Serial == p.Serial && r.Kind == p.Kind {
				form.Said = fmt.Sprintf("%s, by %s", verdictWords[r.Verdict], r.TestedBy)
			}
		}
		step.Fields = append(step.Fields, f.field(formField{ID: id("verdict"), Label: "It is", Kind: "radio", Choices: []choice{
			{Value: string(fleet.BenchFaulty), Text: "faulty"}, {Value: string(fleet.BenchGood), Text: "good: no fault found"}, {Value: string(fleet.BenchUnclear), Text: "unclear"},
		}}))
		for _, r := range benchReadings(p.Kind) {
			step.Fields = append(step.Fields, f.field(formField{ID: id(r[0]), Label: r[1], Kind: "decimal"}))
		}
		step.Fields = append(step.Fields, f.field(formField{ID: id("bench-note"), Label: "Note", Kind: "text", Complete: "off"}))
		page.Bench = append(page.Bench, form)
	}
}
