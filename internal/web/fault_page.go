package web

import (
	"fmt"
	"math"
	"net/http"
	"slices"
	"strings"
	"time"

	"github.com/labstack/echo/v4"

	"rimeyard/faults"
	"rimeyard/internal/fleet"
	"rimeyard/reports"
)

// faultView is all that fault.tmpl prints: one check, or the finding.
type faultView struct {
	pageFrame
	Said     string
	Typed    string // in the field of the check
	Wrong    string // what is wrong with it
	Named    string // which vehicle
	UnitHref string // empty: it is not recorded
	Href     string
	Step     int
	May      bool // the viewer may answer
	Open     bool
	Ended    string // when and by whom; empty: it is open
	Spent    string
	Done     int // minutes spent
	Whole    int // and expected in all
	Doubt    string
	DoubtFix string // address of the check that does not fit; empty: not now
	Meantime *meantimeView
	Ask      *askView
	Finding  *findingView
	Chances  []chanceRow
	Answers  []answerRow
	Back     string // the answer that can be taken back; empty: none
	Resume   bool   // the viewer may take it up again
}

type askView struct {
	faults.Ask
	Takes  string // minutes and tools, in words
	Change bool   // it was answered, and is answered anew
	Hold   string // why it is not to be done now; empty: it may be
	Chosen string // id of the outcome that stands; empty: none
}

// meantimeView is what somebody else said to the check meanwhile.
type meantimeView struct {
	Who, Said, Yours string
	Check            faults.Check
	Reading          string // yours, to be given all the same
}

type chanceRow struct {
	Name, Words string
	Bar         int // 0 … 100
	Most        bool
}

type answerRow struct {
	Title, Text, By string
	Change          string // address where it is changed; empty: not now
}

type findingView struct {
	Kind      faults.Kind
	Title     string
	Says      string
	Sure      string // the chance in words; Says has its figure
	Evidence  []evidenceRow
	Others    []chanceRow
	Advice    string
	Cautions  []string
	Sheet     string // address of the job sheet
	SheetName string
	GoOn      string // what lets a stopped search go on; empty: it is at its end
	GoOnHref  string
	MayOpen   bool   // a job
	Job       string // in words, that was opened; empty: none
	JobHref   string
}

type evidenceRow struct{ Text, Speaks, By string }

// faultPage shows what a search asks next, its finding, or any check that the address names.
func (s *Server) faultPage(c echo.Context) error {
	f, err := s.askedSearch(c)
	if err != nil {
		return err
	}
	return s.showFault(c, http.StatusOK, f, faults.Check(c.QueryParam("check")), faultView{Said: s.takeSaid(c)})
}

// showFault shows a search; check is the one to be answered anew, empty: what comes next. Page may bring what is wrong.
func (s *Server) showFault(c echo.Context, status int, f search, check faults.Check, page faultView) error {
	zone, err := s.zoneOf(c, f)
	if err != nil {
		return err
	}
	step := f.session.Next()
	frozen := step.Finding != nil && step.Finding.Kind == faults.Thaw
	page.Named, page.Href, page.Step, page.Open = f.named(), faultHref(f.kept.ID), f.kept.Step, f.kept.Open()
	page.May = page.Open && mayFind(viewerOf(c))
	if f.kept.Unit != "" {
		page.UnitHref = unitHref(f.kept.Unit)
	}
	if !page.Open {
		page.Resume = mayFind(viewerOf(c)) && f.kept.Job == 0
		page.Ended = fmt.Sprintf("Ended by %s, %s.", f.kept.EndedBy, when(f.kept.EndedAt, zone))
	}
	page.Chances = chanceRows(step.Chances, leading(step.Chances))
	page.answers(f, frozen, zone)
	if err := page.ask(f, step, check, frozen); err != nil {
		return notFoundError{err}
	}
	if page.Ask == nil {
		found := step.Finding
		if kept, err := findingOf(f.kept); err != nil {
			return err
		} else if !page.Open {
			found = kept // as it was said
		}
		page.Finding = newFindingView(f, found)
	}
	if page.Open && !frozen {
		page.Doubt = step.Doubt
		if step.Odd != "" && page.May && (page.Ask == nil || page.Ask.Check != step.Odd) {
			page.DoubtFix = checkHref(f.kept.ID, step.Odd)
		}
	}
	page.progress(f.session, step)
	page.pageFrame = s.frame(c, page.title())
	return s.render(c, status, "fault.tmpl", page)
}

func (p *faultView) title() string {
	switch {
	case p.Ask != nil:
		return p.Ask.Title
	case p.Finding != nil:
		return p.Finding.Title
	}
	return "Ended without a finding"
}

// ask fills in the check that is put; none where the search has ended, or has a finding and no check is asked for by name.
func (p *faultView) ask(f search, step faults.Step, check faults.Check, frozen bool) error {
	if !p.Open || check == "" && step.Ask == nil {
		return nil
	}
	if check == "" || step.Ask != nil && step.Ask.Check == check {
		p.Ask = newAskView(*step.Ask, f.session)
		return nil
	}
	if frozen && check != faults.Frozen {
		return fmt.Errorf("the battery is frozen: nothing else is asked before it has thawed")
	}
	ask, err := f.session.Look(check)
	if err != nil {
		return err
	}
	p.Ask = newAskView(ask, f.session)
	p.Ask.Change = true
	if !f.session.May(check) {
		p.Ask.Hold = "Do not do this check now: what must come before it is not done, or does not hold any more. Only put right what was written down."
		p.Ask.How = nil
	}
	return nil
}

func newAskView(ask faults.Ask, s faults.Session) *askView {
	v := &askView{Ask: ask, Takes: fmt.Sprintf("About %s", minutesWords(ask.Minutes))}
	if len(ask.Tools) > 0 {
		v.Takes += ", with " + strings.Join(ask.Tools, ", ")
	}
	v.Takes += "."
	for _, a := range s.Answers {
		if a.Check == ask.Check && a.Answer != faults.DontKnow {
			v.Chosen = a.Answer
		}
	}
	return v
}

func minutesWords(m float64) string {
	n := int(math.Round(m))
	if n == 1 {
		return "1 minute"
	}
	return fmt.Sprintf("%d minutes", n)
}

// progress says how much work is behind and, as far as it can be guessed, ahead.
func (p *faultView) progress(s faults.Session, step faults.Step) {
	p.Spent = fmt.Sprintf("%s of checks", minutesWords(step.Minutes))
	p.Done = int(math.Round(step.Minutes))
	p.Whole = p.Done
	if p.Ask == nil || p.Ask.Change {
		return
	}
	const even, rough = 5, 10 // minutes: a longer guess is no better than that
	ahead := max(1, int(math.Round(s.Ahead())))
	if ahead > rough {
		ahead = (ahead + even/2) / even * even
	}
	p.Spent = fmt.Sprintf("%s behind you, about %d ahead", minutesWords(step.Minutes), ahead)
	p.Whole += ahead
}

func (p *faultView) answers(f search, frozen bool, zone *time.Location) {
	for _, a := range f.session.Said() {
		row := answerRow{Title: a.Title, Text: a.Text, By: fmt.Sprintf("%s, %s", a.By, when(a.At, zone))}
		if a.Void {
			row.Text += " – says nothing, as what it needs did not hold"
		}
		if p.May && (!frozen || a.Check == faults.Frozen) {
			row.Change = checkHref(f.kept.ID, a.Check)
		}
		p.Answers = append(p.Answers, row)
	}
	slices.Reverse(p.Answers) // the newest is what somebody wants to see, or to put right
	if n := len(f.session.Answers); n > 0 && p.May {
		last := f.session.Answers[n-1].Check
		for _, a := range f.session.Said() {
			if a.Check == last {
				p.Back = a.Title
			}
		}
	}
}

func checkHref(id int64, check faults.Check) string { return faultHref(id) + "?check=" + string(check) }

// chanceRows shows the likeliest causes and lifts one out; empty: none.
func chanceRows(chances []faults.Chance, most faults.Cause) []chanceRow {
	const shown = 6
	var rows []chanceRow
	for _, c := range chances[:min(shown, len(chances))] {
		rows = append(rows, chanceRow{upperFirst(c.Name), reports.Chance(c.Probability), int(math.Round(100 * c.Probability)), c.Cause == most})
	}
	return rows
}

func leading(chances []faults.Chance) faults.Cause {
	if len(chances) == 0 {
		return ""
	}
	return chances[0].Cause
}

func newFindingView(f search, found *faults.Finding) *findingView {
	if found == nil {
		return nil
	}
	v := &findingView{
		Kind: found.Kind, Title: findingTitle(*found), Says: found.Says, Sure: reports.ChanceWord(found.Probability), Others: chanceRows(found.Others, ""),
		Advice: found.Advice, Cautions: found.Sheet.Cautions, SheetName: found.Sheet.Title,
	}
	speaks := map[int]string{
		-2: "speaks strongly against it", -1: "speaks against it", 0: "tells nothing either way", 1: "speaks for it", 2: "speaks strongly for it",
	}
	for _, e := range found.Evidence {
		v.Evidence = append(v.Evidence, evidenceRow{Text: e.Text, Speaks: speaks[e.Strength()], By: e.By})
	}
	if found.Kind.Stopped() == "" {
		v.Sheet = faultHref(f.kept.ID) + "/sheet"
	}
	v.MayOpen = f.kept.Unit != "" && f.kept.Open() && found.Kind.Stopped() == ""
	switch found.Kind {
	case faults.Thaw:
		v.GoOn = "Answer the question about ice anew"
	case faults.Move:
		v.GoOn = "It stands safe now: answer that anew"
	}
	v.GoOnHref = checkHref(f.kept.ID, found.Kind.GoOn())
	if cause := reports.ChanceWord(found.CauseProbability); found.Whole != "" && cause != v.Sure {
		v.Sure = fmt.Sprintf("%s; %s: %s", cause, found.Whole, v.Sure)
	}
	if f.kept.Job != 0 {
		v.Job, v.JobHref = fmt.Sprintf("Job %d", f.kept.Job), fmt.Sprintf("/jobs/%d", f.kept.Job)
	}
	return v
}

// findingTitle names the part, or says why none is named.
func findingTitle(f faults.Finding) string {
	part := map[fleet.Part]string{
		fleet.BatteryPart: "The battery", fleet.StarterPart: "The starter", fleet.CablePart: "A cable or joint", fleet.ChargingPart: "The charging side",
		fleet.ControlPart: "The start circuit", faults.EnginePart: "The engine",
	}[f.Part]
	switch {
	case f.Kind == faults.Thaw:
		return "Stop: the battery is frozen"
	case f.Kind == faults.Move:
		return "Stop: it is not safe where it stands"
	case f.Kind == faults.EitherOr:
		return "One of two"
	case f.Kind == faults.Refer:
		return "Have it looked at by " + f.LookedAt
	case f.Cause == faults.NotStarting:
		return "Not the starting system"
	case part == "":
		return "Something else"
	}
	return part
}

func upperFirst(s string) string {
	for i, r := range s { // a figure may begin with a minus sign, which is longer than a byte
		return strings.ToUpper(string(r)) + s[i+len(string(r)):]
	}
	return s
}
