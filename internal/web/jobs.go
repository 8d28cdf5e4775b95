package web

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strconv"

	"github.com/labstack/echo/v4"

	"rimeyard/alerts"
	"rimeyard/internal/fleet"
	"rimeyard/reports"
)

// Jobs are the work on units, from the finding to a proven start.
type Jobs interface {
	OpenJob(ctx context.Context, n fleet.NewJob) (j fleet.Job, opened bool, err error)
	Jobs(ctx context.Context, of []fleet.DepotID, unit fleet.UnitID) ([]fleet.Job, error)
	Job(ctx context.Context, id int64) (j fleet.Job, events []fleet.JobEvent, err error) // fleet.ErrNoJob: there is none
	ChangeJob(ctx context.Context, c fleet.JobChange) (fleet.Job, error)
	BenchResults(ctx context.Context, of []fleet.DepotID, job int64) ([]fleet.BenchResult, error)
	Parts(ctx context.Context, today fleet.Date) ([]fleet.PricedPart, error)
}

// Prover tells what a crank after the work says of it. fleet.ErrNoIssue: no list was issued yet, so nothing was learned from the fleet.
type Prover func(ctx context.Context, unit fleet.UnitID, part fleet.Part, crank fleet.Crank) (alerts.Proving, error)

func (s *Server) addJobs(get, post func(path string, h echo.HandlerFunc)) {
	get("/jobs", s.jobBoard)
	get("/jobs/:job", s.jobPage)
	post("/jobs/:job", s.changeJob)
	get("/jobs/:job/fit", s.fitForm)
	post("/jobs/:job/fit", s.fit)
	get("/jobs/:job/prove", s.proveForm)
	post("/jobs/:job/prove", s.prove)
	get("/jobs/:job/sheet", s.jobSheet)
	get("/jobs/:job/sheet.pdf", s.jobSheetPDF)
	get("/api/v1/jobs", s.apiJobs)
	get("/api/v1/jobs/:job", s.apiJob)
	get("/units/:unit/open-job", s.openJobForm)
	post("/units/:unit/open-job", s.openJob)
}

func jobHref(id int64) string { return fmt.Sprintf("/jobs/%d", id) }

// mayWork tells whether the viewer may take steps of jobs and move what is on shelves; others may look on.
func mayWork(v viewer) bool { return slices.Contains(intakers, v.person.Role) }

// newRequest names a form, so that one that is sent twice is taken once.
func newRequest() string { return rand.Text() }

// jobsPage is all that jobs.tmpl prints.
type jobsPage struct {
	pageFrame
	Empty  string // why nothing can be shown, and what to do
	Said   string
	Wrong  string
	Here   string
	Depots []choice
	Boards []jobsBoard
	May    bool
	Stock  string
}

type jobsBoard struct {
	Depot, Name string
	States      []jobsState
	None        bool
}

type jobsState struct {
	Name  string
	Means string
	Jobs  []jobCard
}

type jobCard struct {
	Unit, Href, What string
	More             string // week, who, part number
	Because          string
	Steps            []jobStep
	Seen             int
	Request          string
}

// jobStep is a button: with Do it takes the step at once, else it leads to Href.
type jobStep struct{ Text, Href, Do string }

// depotAsked narrows the viewer's depots to the one in the address.
func (s *Server) depotAsked(c echo.Context) (own, asked []fleet.Depot, depot fleet.DepotID, err error) {
	depot = fleet.DepotID(c.QueryParam("depot"))
	if own, err = s.visibleDepots(c.Request().Context(), viewerOf(c)); err != nil {
		return nil, nil, depot, err
	}
	if depot == "" {
		return own, own, depot, nil
	}
	i := slices.IndexFunc(own, func(d fleet.Depot) bool { return d.ID == depot })
	if i < 0 {
		return nil, nil, depot, notFoundError{fmt.Errorf("there is no depot %q that you may see", depot)}
	}
	return own, own[i : i+1], depot, nil
}

func depotHref(path string, depot fleet.DepotID) string {
	if depot == "" {
		return path
	}
	return path + "?" + url.Values{"depot": {string(depot)}}.Encode()
}

func depotLinks(path string, own []fleet.Depot, now fleet.DepotID) (choices []choice) {
	if len(own) < 2 {
		return nil
	}
	choices = append(choices, choice{path, "all depots", now == ""})
	for _, d := range own {
		choices = append(choices, choice{depotHref(path, d.ID), string(d.ID), d.ID == now})
	}
	return choices
}

func idsOf(depots []fleet.Depot) []fleet.DepotID {
	ids := make([]fleet.DepotID, len(depots))
	for i, d := range depots {
		ids[i] = d.ID
	}
	return ids
}

const noDepotIsYours = "No depot is yours to see. Ask an administrator to give you one."

func (s *Server) jobBoard(c echo.Context) error {
	own, asked, depot, err := s.depotAsked(c)
	if err != nil {
		return err
	}
	page := jobsPage{
		pageFrame: s.frame(c, "Jobs"), Said: s.takeSaid(c), Here: depotHref("/jobs", depot), Depots: depotLinks("/jobs", own, depot), May: mayWork(viewerOf(c)),
		Stock: depotHref("/stock", depot),
	}
	if len(own) == 0 {
		page.Empty = noDepotIsYours
		return s.render(c, http.StatusOK, "jobs.tmpl", page)
	}
	jobs, err := s.store.Jobs(c.Request().Context(), idsOf(asked), "")
	if err != nil {
		return err
	}
	for _, d := range asked {
		page.Boards = append(page.Boards, s.boardOf(d, jobs, page.May))
	}
	return s.render(c, http.StatusOK, "jobs.tmpl", page)
}

// stateMeans says what is to be done with jobs in a state.
var stateMeans = map[fleet.JobState]string{
	fleet.JobFound: "to be planned, or begun at once", fleet.JobPlanned: "for a week", fleet.JobReserved: "the part is put by", fleet.JobOnBench: "being worked on",
	fleet.JobFitted: "not proven yet: start it", fleet.JobProven: "to be closed: core and paper",
}

func (s *Server) boardOf(d fleet.Depot, jobs []fleet.Job, may bool) jobsBoard {
	board := jobsBoard{Depot: string(d.ID), Name: depotName(d), None: true}
	today := fleet.DateOf(s.now(), d.Zone())
	for _, state := range fleet.JobStates() {
		if !state.Open() {
			continue
		}
		column := jobsState{Name: state.Words(), Means: stateMeans[state]}
		for _, j := range jobs {
			if j.Depot == d.ID && j.State == state {
				column.Jobs = append(column.Jobs, newJobCard(j, today, may))
				board.None = false
			}
		}
		board.States = append(board.States, column)
	}
	return board
}

func newJobCard(j fleet.Job, today fleet.Date, may bool) jobCard {
	card := jobCard{Unit: string(j.Unit), Href: jobHref(j.ID), What: jobWords(j), Because: upperFirst(j.Because), Seen: j.Step, Request: newRequest()}
	if monday, planned := j.Monday.Get(); planned {
		card.More = "week of " + reports.DayMonth(monday, today)
	}
	for _, more := range []string{j.Who, numberWords(j)} {
		if more != "" && card.More != "" {
			card.More += ", "
		}
		card.More += more
	}
	if may {
		card.Steps = nextSteps(j)
	}
	return card
}

func numberWords(j fleet.Job) string {
	switch {
	case j.PartNumber == "":
		return ""
	case j.Pieces > 1:
		return fmt.Sprintf("%d × %s", j.Pieces, j.PartNumber)
	}
	return j.PartNumber
}

// jobWords says what a job does.
func jobWords(j fleet.Job) string {
	part := partWords[j.Part]
	if part == "" {
		part = string(j.Part)
	}
	switch j.Work {
	case fleet.WorkSwap:
		return "change " + part
	case fleet.WorkClean:
		return "clean and tighten " + part
	case fleet.WorkChargeCheck:
		return "charge and check, " + part
	}
	return "find the fault, " + part
}

// nextSteps are the steps that lead on, the usual one first.
func nextSteps(j fleet.Job) []jobStep {
	href, done := jobHref(j.ID), doneStep(j)
	switch j.State {
	case fleet.JobFound, fleet.JobPlanned:
		steps := []jobStep{{Text: "On the bench now", Do: string(fleet.JobOnBench)}}
		if j.Work == fleet.WorkSwap {
			steps = append([]jobStep{{Text: "Reserve the part…", Href: href + "#reserve"}}, steps...)
		}
		return steps
	case fleet.JobReserved:
		return []jobStep{{Text: "On the bench now", Do: string(fleet.JobOnBench)}, done}
	case fleet.JobOnBench:
		return []jobStep{done}
	case fleet.JobFitted:
		return []jobStep{{Text: "Prove it…", Href: href + "/prove"}}
	case fleet.JobProven:
		return []jobStep{{Text: "Close…", Href: href + "#close"}}
	}
	return nil
}

// doneStep leads to where the work is booked.
func doneStep(j fleet.Job) jobStep {
	if !j.Exchanges() {
		return jobStep{Text: "The work is done…", Href: jobHref(j.ID) + "/fit"}
	}
	return jobStep{Text: "It is fitted…", Href: jobHref(j.ID) + "/fit"}
}

// sheetOfJob is a job as it is asked for, with its depot and what has happened to it.
type sheetOfJob struct {
	job    fleet.Job
	events []fleet.JobEvent
	depot  fleet.Depot
	today  fleet.Date
}

// jobAsked is the job in the path, if the viewer may see its unit.
func (s *Server) jobAsked(c echo.Context) (sheetOfJob, error) {
	ctx, v := c.Request().Context(), viewerOf(c)
	raw := c.Param("job")
	missing := notFoundError{fmt.Errorf("there is no job %q in the depots that you may see", raw)}
	id, err := strconv.ParseInt(raw, 10, 64)
	if err != nil {
		return sheetOfJob{}, missing
	}
	var at sheetOfJob
	at.job, at.events, err = s.store.Job(ctx, id)
	if errors.Is(err, fleet.ErrNoJob) || err == nil && !v.maySee(at.job.Depot) {
		return sheetOfJob{}, missing
	}
	if err != nil {
		return sheetOfJob{}, err
	}
	at.depot, err = s.depotOf(ctx, at.job.Depot)
	at.today = fleet.DateOf(s.now(), at.depot.Zone())
	return at, err
}

func (s *Server) depotOf(ctx context.Context, id fleet.DepotID) (fleet.Depot, error) {
	depots, err := s.store.Depots(ctx)
	if err != nil {
		return fleet.Depot{}, err
	}
	if i := slices.IndexFunc(depots, func(d fleet.Depot) bool { return d.ID == id }); i >= 0 {
		return depots[i], nil
	}
	return fleet.Depot{ID: id}, nil
}
