package web

import (
	"errors"
	"fmt"
	"net/http"
	"strconv"
	"strings"

	"github.com/labstack/echo/v4"

	"rimeyard/faults"
	"rimeyard/internal/fleet"
)

// notNow is said where a search changed under somebody's hands.
const notNow = "Somebody else was faster: nothing was changed. This is how it stands."

// answerFault takes the answer of a form: an outcome's button, or the figure in its field.
func (s *Server) answerFault(c echo.Context) error {
	if err := readForm(c); err != nil {
		return err
	}
	f, err := s.askedSearch(c)
	if err != nil {
		return err
	}
	form := c.Request().PostForm
	r := reading{check: faults.Check(form.Get("check")), says: form.Get("reading"), by: viewerOf(c).changedBy(), step: seenStep(form.Get("step"))}
	if r.says == "" {
		r.says = strings.TrimSpace(form.Get("value"))
	}
	if !plainText(r.says) || len(r.says) > maxReadingBytes {
		return badRequestError{errors.New("the answer is no short line of text")}
	}
	ask, err := f.session.Look(r.check)
	if err != nil {
		return badRequestError{err}
	}
	if r.says == "" {
		return s.refuseReading(c, f, r, "", "Nothing was typed. Type what the meter shows, choose below, or say that you do not know.")
	}
	f, what, err := s.give(c, f, r)
	if bad, ok := errors.AsType[badReadingError](err); ok {
		return s.refuseReading(c, f, r, r.says, sentence(errors.New(strings.TrimPrefix(bad.Error(), ask.Title+": "))))
	}
	if err != nil {
		return err
	}
	switch what {
	case searchClosed:
		return s.backToSearch(c, f.kept.ID, "The search was ended meanwhile: your answer was not taken. Take the search up again to give it.")
	case readingLate:
		return s.showMeantime(c, f, r, ask)
	case readingOnce:
		return s.backToSearch(c, f.kept.ID, "That was said already, and counts once.")
	}
	if seen, known := r.step.Get(); known && f.kept.Step > seen+1 {
		return s.backToSearch(c, f.kept.ID, "Your answer was taken. Somebody else answered meanwhile; this is what comes next after both.")
	}
	return s.backToSearch(c, f.kept.ID, "")
}

const maxReadingBytes = 100

// seenStep is the step that a form or a program saw; unknown: none is said.
func seenStep(text string) fleet.Opt[int] {
	n, err := strconv.Atoi(text)
	if err != nil || n < 0 {
		return fleet.Opt[int]{}
	}
	return fleet.Known(n)
}

// refuseReading shows the check again with what is wrong beside the field.
func (s *Server) refuseReading(c echo.Context, f search, r reading, typed, wrong string) error {
	return s.showFault(c, http.StatusUnprocessableEntity, f, r.check, faultView{Typed: typed, Wrong: wrong})
}

// showMeantime lets somebody decide between what another phone said to the same check and what they say.
func (s *Server) showMeantime(c echo.Context, f search, r reading, ask faults.Ask) error {
	other, _ := answeredSince(f.kept, r.check, r.step.Or(f.kept.Step))
	m := &meantimeView{Who: other.By, Said: outcomeWords(ask, other.Answer, other.Value), Check: r.check, Reading: r.says}
	m.Yours = outcomeWords(ask, r.says, fleet.Opt[float64]{})
	return s.showFault(c, http.StatusConflict, f, r.check, faultView{Meantime: m})
}

// outcomeWords says an answer as its button does; a figure as it was typed.
func outcomeWords(ask faults.Ask, answer string, value fleet.Opt[float64]) string {
	if v, known := value.Get(); known {
		return strconv.FormatFloat(v, 'f', -1, 64) + "\u00a0" + ask.Unit
	}
	if answer == faults.DontKnow {
		return "not known"
	}
	for _, o := range ask.Outcomes {
		if o.ID == answer {
			return o.Text
		}
	}
	return answer
}

// formChange is the change that a form of a search asks for, as its sender saw the search.
func (s *Server) formChange(c echo.Context) (search, fleet.FaultChange, error) {
	if err := readForm(c); err != nil {
		return search{}, fleet.FaultChange{}, err
	}
	f, err := s.askedSearch(c)
	if err != nil {
		return f, fleet.FaultChange{}, err
	}
	change, err := s.change(f.kept, f.session, viewerOf(c).changedBy())
	change.Step = seenStep(c.Request().PostForm.Get("step")).Or(f.kept.Step)
	return f, change, err
}

// takeBackFault takes the newest answer back; an answer whose place it took stands again.
func (s *Server) takeBackFault(c echo.Context) error {
	f, seen, err := s.formChange(c)
	if err != nil {
		return err
	}
	change, err := s.change(f.kept, f.session.Undo(), seen.By)
	if err != nil {
		return err
	}
	change.Step = seen.Step
	done, err := s.store.TakeBackFault(c.Request().Context(), change)
	if err != nil {
		return err
	}
	if !done {
		return s.backToSearch(c, f.kept.ID, notNow)
	}
	return s.backToSearch(c, f.kept.ID, "Taken back.")
}

// endFault closes a search without a job.
func (s *Server) endFault(c echo.Context) error {
	f, change, err := s.formChange(c)
	if err != nil {
		return err
	}
	done, err := s.store.EndFault(c.Request().Context(), change)
	if err != nil {
		return err
	}
	if !done {
		return s.backToSearch(c, f.kept.ID, notNow)
	}
	return s.backToSearch(c, f.kept.ID, "The search is ended. It is kept, and can be taken up again.")
}

// resumeFault takes an ended search up again.
func (s *Server) resumeFault(c echo.Context) error {
	f, change, err := s.formChange(c)
	if err != nil {
		return err
	}
	done, err := s.store.ReopenFault(c.Request().Context(), change)
	if err != nil {
		return err
	}
	if !done {
		return s.backToSearch(c, f.kept.ID, "It cannot be taken up again: it is open already, a job was opened for it, or another search of the unit is open.")
	}
	return s.backToSearch(c, f.kept.ID, "")
}

// openFaultJob opens the job for a finding and ends the search.
func (s *Server) openFaultJob(c echo.Context) error {
	f, change, err := s.formChange(c)
	if err != nil {
		return err
	}
	step := f.session.Next()
	if f.kept.Unit == "" || !f.kept.Open() || change.Step != f.kept.Step || step.Finding == nil || step.Finding.Kind.Stopped() != "" {
		return s.backToSearch(c, f.kept.ID, "No job was opened: the search is ended, has no finding, or changed meanwhile. This is how it stands.")
	}
	ctx := c.Request().Context()
	job, opened, err := s.store.OpenJob(ctx, newFaultJob(f, step, change.By))
	if err != nil {
		return err
	}
	if _, err := s.store.EndFault(ctx, change); err != nil {
		return err
	}
	said := fmt.Sprintf("Job %d is open, and the search is ended.", job.ID)
	if !opened {
		said = fmt.Sprintf("Job %d was open for this part already; the search is ended and names it.", job.ID)
	}
	return s.done(c, jobHref(job.ID), said)
}

// newFaultJob is the job that follows from a finding.
func newFaultJob(f search, step faults.Step, by string) fleet.NewJob {
	found := step.Finding
	n := fleet.NewJob{
		Unit: f.kept.Unit, Part: fleet.OtherPart, Work: workFor(*found), Because: found.Says, By: by, Search: f.kept.ID,
		Request: fmt.Sprintf("fault-%d-%d", f.kept.ID, f.kept.Step), Named: map[fleet.Part]float64{},
	}
	for _, part := range fleet.Suspects() {
		n.Named[part] = 0
		if part == found.Part {
			n.Part = part
		}
	}
	for _, chance := range step.Chances {
		if _, suspect := n.Named[chance.Part]; suspect {
			n.Named[chance.Part] += chance.Probability
		}
	}
	return n
}

// workFor is the kind of work that mends a cause; where none is named, or who mends it is another, it is looked at.
func workFor(f faults.Finding) fleet.Work {
	if f.Kind != faults.Named {
		return fleet.WorkCheck
	}
	switch f.Cause {
	case faults.Worn, faults.StarterMotor, faults.Solenoid, faults.StarterDrive:
		return fleet.WorkSwap
	case faults.Terminals, faults.PositiveCable, faults.GroundCable:
		return fleet.WorkClean
	case faults.Flat, faults.Drain, faults.Charging:
		return fleet.WorkChargeCheck
	}
	return fleet.WorkCheck
}
