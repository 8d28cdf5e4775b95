package web

import (
	"errors"
	"fmt"
	"net/http"
	"strconv"
	"strings"
	"unicode"

	"github.com/labstack/echo/v4"

	"rimeyard/internal/fleet"
)

// stepProblem is why a step was not taken, ready to be shown; the zero one: it was.
type stepProblem struct {
	status   int
	wrong    string
	meantime []string // what somebody else did
}

// takeStep takes a step of a job. Of two who go on from the same state the second is told what the first did, and nothing is lost.
func (s *Server) takeStep(c echo.Context, at *sheetOfJob, change fleet.JobChange) (stepProblem, error) {
	ctx := c.Request().Context()
	_, err := s.store.ChangeJob(ctx, change)
	if gone, is := errors.AsType[fleet.JobGoneOnError](err); is {
		if at.job, at.events, err = s.store.Job(ctx, change.Job); err != nil {
			return stepProblem{}, err
		}
		told := *at
		told.events = gone.Since
		p := stepProblem{status: http.StatusConflict, wrong: sentence(gone)}
		for _, e := range eventRows(told) {
			p.meantime = append(p.meantime, strings.TrimSuffix(fmt.Sprintf("%s, %s: %s. %s", e.When, e.By, e.What, e.Note), " "))
		}
		return p, nil
	}
	if refused, is := errors.AsType[fleet.JobRefusedError](err); is {
		return stepProblem{status: http.StatusUnprocessableEntity, wrong: sentence(refused)}, nil
	}
	if err == nil && change.To == fleet.JobFitted {
		s.showNews(ctx, at.job.Unit)
	}
	return stepProblem{}, err
}

// newChange is the step that a form asks for, but for what it does.
func (s *Server) newChange(c echo.Context, at sheetOfJob, f *form) fleet.JobChange {
	seen, err := strconv.Atoi(f.get("seen"))
	if err != nil {
		seen = at.job.Step // sent without the form, by whoever knows the state
	}
	return fleet.JobChange{Job: at.job.ID, Seen: seen, To: at.job.State, By: viewerOf(c).person.Name, Request: requestOf(f), At: s.now(), Today: at.today}
}

// requestOf is the name that the form gave itself; one that is no such name counts as none.
func requestOf(f *form) string {
	const longest = 64
	request := f.get("request")
	if len(request) > longest || strings.ContainsFunc(request, func(r rune) bool { return r > unicode.MaxASCII || !unicode.IsPrint(r) }) {
		return ""
	}
	return request
}

// noteOf reads one line of text.
func noteOf(f *form, name string) string {
	const longest = 300 // characters
	note := strings.Join(strings.Fields(f.get(name)), " ")
	if len([]rune(note)) > longest {
		f.blame(name, fmt.Errorf("this is longer than %d characters: shorten it", longest))
	}
	return note
}

// changeJob takes a step that the forms of a job, or a button on the board, ask for.
func (s *Server) changeJob(c echo.Context) error {
	f, err := typedForm(c)
	if err != nil {
		return err
	}
	at, err := s.jobAsked(c)
	if err != nil {
		return err
	}
	change := s.newChange(c, at, f)
	said := readStep(f, at, &change)
	if !f.sound() {
		return s.showJob(c, http.StatusUnprocessableEntity, at, f, jobPage{Wrong: f.summary()})
	}
	problem, err := s.takeStep(c, &at, change)
	if err != nil {
		return err
	}
	if problem.status != 0 {
		return s.showJob(c, problem.status, at, f, jobPage{Wrong: problem.wrong, Meantime: problem.meantime})
	}
	back := jobHref(at.job.ID)
	if from := f.get("from"); from == "/jobs" || strings.HasPrefix(from, "/jobs?") {
		back = from
	}
	return s.done(c, back, fmt.Sprintf("%s: %s.", at.job.Unit, said))
}

// readStep reads what a form asks for into the change, and says what it does.
func readStep(f *form, at sheetOfJob, c *fleet.JobChange) (said string) {
	switch do := f.get("do"); do {
	case "plan":
		monday, err := fleet.ParseDate(f.get("week"))
		if err != nil || monday != monday.Monday() {
			f.blame("week", fmt.Errorf("%q is no week of the list: choose one", f.get("week")))
		}
		c.To, c.Monday, c.Who = fleet.JobPlanned, fleet.Known(monday), noteOf(f, "who")
		return "planned for the week of " + monday.String()
	case "reserve":
		pieces, err := strconv.Atoi(strings.TrimSpace(f.get("pieces")))
		const most = 16
		if err != nil || pieces < 1 || pieces > most {
			f.blame("pieces", fmt.Errorf("%q is no number of pieces: type 1 to %d", f.get("pieces"), most))
		}
		c.To, c.PartNumber, c.Pieces = fleet.JobReserved, noteOf(f, "number"), pieces
		if c.PartNumber == "" {
			f.blame("number", errors.New("type the part number on the box, or choose one of the list"))
		}
		return "part reserved"
	case string(fleet.JobOnBench):
		c.To = fleet.JobOnBench
		return "on the bench"
	case "close":
		c.To = fleet.JobClosed
		readPaper(f, c)
		return "closed"
	case "note":
		readPaper(f, c)
		return "noted"
	case "back":
		c.To, c.Note = fleet.JobFound, noteOf(f, "why-back")
		return "back to found"
	case "drop":
		c.To, c.Note = fleet.JobDropped, noteOf(f, "why-drop")
		return "dropped"
	default:
		return readBench(f, at, c)
	}
}

func readPaper(f *form, c *fleet.JobChange) {
	c.Note, c.Core, c.Paper = noteOf(f, "note"), fleet.Core(f.get("core")), f.get("paper") == "yes"
	if c.Core != fleet.CoreOpen && c.Core != fleet.CoreReturned && c.Core != fleet.CoreNone {
		f.blame("core", fmt.Errorf("%q: choose one of the two", c.Core))
	}
	if c.Core == fleet.CoreNone && c.Note == "" {
		f.blame("note", errors.New("say why no core goes back"))
	}
}

// readBench reads what the bench said of one piece; a form that asks for nothing known is a note without words.
func readBench(f *form, at sheetOfJob, c *fleet.JobChange) string {
	number, is := strings.CutPrefix(f.get("do"), "bench-")
	i, err := strconv.Atoi(number)
	removed := at.job.Removed()
	if !is || err != nil || i < 0 || i >= len(removed) {
		return ""
	}
	id := func(name string) string { return fmt.Sprintf("%s-%d", name, i) }
	p := removed[i]
	b := fleet.BenchResult{
		Kind: p.Kind, Serial: p.Serial, Part: p.Part, Verdict: fleet.BenchVerdict(f.get(id("verdict"))), Note: noteOf(f, id("bench-note")), Readings: map[string]string{},
	}
	if verdictWords[b.Verdict] == "" {
		f.blame(id("verdict"), errors.New("choose what the bench found"))
	}
	for _, r := range benchReadings(p.Kind) {
		typed := strings.ReplaceAll(strings.TrimSpace(f.get(id(r[0]))), ",", ".")
		const most = 5000
		if v, err := strconv.ParseFloat(typed, 64); typed != "" && (err != nil || !(v >= 0 && v <= most)) {
			f.blame(id(r[0]), fmt.Errorf("%q: want a number like 12.4, or nothing", f.get(id(r[0]))))
		}
		if typed != "" {
			b.Readings[r[0]] = typed
		}
	}
	c.Bench = []fleet.BenchResult{b}
	return fmt.Sprintf("%s %s is %s", p.Kind, p.Serial, verdictWords[b.Verdict])
}
