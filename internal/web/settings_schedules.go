package web

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/labstack/echo/v4"

	"rimeyard/internal/fleet"
	"rimeyard/reports"
)

// ScheduleSettings is which report goes to whom and when, to be changed. Found is false where there is no such schedule, or where
// an address has not left it. What is changed stands in the record of changes, as done by whoever is acting in the context: what says how.
type ScheduleSettings interface {
	Schedules(ctx context.Context) ([]fleet.Schedule, error)
	AddSchedule(ctx context.Context, s fleet.Schedule, what string) (id int64, err error)
	ChangeSchedule(ctx context.Context, s fleet.Schedule, what string) (found bool, err error)
	RemoveSchedule(ctx context.Context, id int64, what string) (found bool, err error)
	Unsubscribed(ctx context.Context) ([]fleet.Subscription, error)
	Resubscribe(ctx context.Context, schedule int64, address string) (found bool, err error)
	// NoteChange records a change by whoever is acting in the context.
	NoteChange(ctx context.Context, subject, what string) error
}

// runsShown is how many due times to come are shown.
const runsShown = 5

// schedulesPage is all that settings-schedules.tmpl prints.
type schedulesPage struct {
	settingsFrame
	Wrong     string
	Schedules []scheduleCard
	Mail      string // where "send me this now" goes; empty: nowhere
}

// scheduleCard is a schedule as shown.
type scheduleCard struct {
	ID            int64
	Title         string // Winter list of NOR
	Words         string // at 06:00 on Mondays
	Zone          string
	To            []string
	Attach, Quiet string
	Runs          []runRow
	Error         string // why what is due could not be queued
	Note          string // who was left out the last time
	Paused        bool
	Left          []leftRow
	Href          string
}

// leftRow is an address that has unsubscribed.
type leftRow struct{ Address, When string }

func (s *Server) schedulesPage(c echo.Context) error {
	return s.showSchedules(c, http.StatusOK, "")
}

func (s *Server) showSchedules(c echo.Context, status int, wrong string) error {
	ctx := c.Request().Context()
	list, err := s.visibleSchedules(c)
	if err != nil {
		return err
	}
	left, err := s.store.Unsubscribed(ctx)
	if err != nil {
		return err
	}
	page := schedulesPage{settingsFrame: s.settingsFrame(c, "Schedules"), Wrong: wrong, Mail: viewerOf(c).person.Email}
	for _, sc := range list {
		card := s.newScheduleCard(sc)
		for _, sub := range left {
			if sub.Schedule == sc.ID {
				card.Left = append(card.Left, leftRow{sub.Address, when(sub.EndedAt, zoneNamed(sc.Timezone))})
			}
		}
		page.Schedules = append(page.Schedules, card)
	}
	return s.render(c, status, "settings-schedules.tmpl", page)
}

// visibleSchedules are those about what the asker may see: of the whole fleet only for whoever sees all of it.
func (s *Server) visibleSchedules(c echo.Context) ([]fleet.Schedule, error) {
	list, err := s.store.Schedules(c.Request().Context())
	return slices.DeleteFunc(list, func(sc fleet.Schedule) bool { return !s.mayHandle(viewerOf(c), sc) }), err
}

func (s *Server) mayHandle(v viewer, sc fleet.Schedule) bool {
	if v.depots() != nil && (sc.Depot == "" || !v.maySee(sc.Depot)) {
		return false
	}
	kind, err := s.desk.Kinds.Named(sc.Report)
	return err != nil || mayOpen(v.person.Role, kind.Page)
}

func zoneNamed(name string) *time.Location {
	zone, err := time.LoadLocation(name)
	if err != nil {
		return time.UTC
	}
	return zone
}

func (s *Server) newScheduleCard(sc fleet.Schedule) scheduleCard {
	now := s.now()
	card := scheduleCard{
		ID: sc.ID, Title: s.scheduleTitle(sc), Words: cronWords(sc.Cron), Zone: sc.Timezone, Attach: attachWords(sc.Attach),
		Quiet: quietWords(sc.WhenQuiet), Error: sc.LastError, Note: sc.LastNote, Paused: !sc.Enabled, Href: scheduleHref(sc.ID),
	}
	for _, to := range sc.Recipients {
		card.To = append(card.To, recipientWords(to))
	}
	slots, err := reports.NextSlots(sc, now, runsShown)
	if err != nil {
		card.Error = err.Error()
	}
	if sc.Enabled {
		card.Runs = newRunRows(slots, sc.Cron, now)
	}
	return card
}

func (s *Server) scheduleTitle(sc fleet.Schedule) string { return ScheduleTitle(s.desk.Kinds, sc) }

// ScheduleTitle names a schedule by what it sends: Winter list of NOR.
func ScheduleTitle(kinds reports.Kinds, sc fleet.Schedule) string {
	title := sc.Report
	if kind, err := kinds.Named(sc.Report); err == nil {
		title = kind.Title
	}
	if sc.Depot == "" {
		return title + " of the whole fleet"
	}
	return title + " of " + string(sc.Depot)
}

func recipientWords(to string) string {
	if name, ok := strings.CutPrefix(to, toPerson); ok {
		return name + " (by name)"
	}
	if role, ok := strings.CutPrefix(to, toRole); ok {
		return "everybody of the role " + role
	}
	return to
}

func attachWords(forms []fleet.Attachment) string {
	if len(forms) == 0 {
		return "nothing"
	}
	words := make([]string, len(forms))
	for i, f := range forms {
		words[i] = formWord(f)
	}
	return listed(words)
}

func formWord(f fleet.Attachment) string {
	switch f {
	case fleet.AttachCSV:
		return "CSV"
	case fleet.AttachXLSX:
		return "workbook (XLSX)"
	case fleet.AttachPDF:
		return "PDF"
	}
	return string(f)
}

func quietWords(q fleet.WhenQuiet) string {
	switch q {
	case fleet.QuietLine:
		return "one line that says so"
	case fleet.QuietNothing:
		return "no letter"
	}
	return "the report all the same"
}

func scheduleHref(id int64) string { return "/settings/schedules/" + strconv.FormatInt(id, 10) }

// scheduleAsked is the schedule that the address names; one that the asker may not see is as if there were none.
func (s *Server) scheduleAsked(c echo.Context) (fleet.Schedule, error) {
	list, err := s.visibleSchedules(c)
	if err != nil {
		return fleet.Schedule{}, err
	}
	number := c.Param("schedule")
	i := slices.IndexFunc(list, func(sc fleet.Schedule) bool { return strconv.FormatInt(sc.ID, 10) == number })
	if i < 0 {
		return fleet.Schedule{}, noSuchSchedule(number)
	}
	return list[i], nil
}

func noSuchSchedule(number string) error {
	return notFoundError{fmt.Errorf("there is no schedule %q that you may see", number)}
}

// changed stores a schedule, records what was done in words, and goes back to the list.
func (s *Server) changed(c echo.Context, sc fleet.Schedule, what, said string) error {
	ctx := c.Request().Context()
	found, err := s.store.ChangeSchedule(ctx, sc, what)
	if err == nil && !found {
		err = noSuchSchedule(c.Param("schedule"))
	}
	if err != nil {
		return err
	}
	return s.done(c, "/settings/schedules", said)
}

func (s *Server) pauseSchedule(c echo.Context) error {
	sc, err := s.scheduleAsked(c)
	if err != nil {
		return err
	}
	sc.Enabled = false
	return s.changed(c, sc, "paused", fmt.Sprintf("Schedule %d is paused: it sends nothing until you let it go on.", sc.ID))
}

// resumeSchedule lets a paused schedule go on from now: what fell due meanwhile is not caught up.
func (s *Server) resumeSchedule(c echo.Context) error {
	sc, err := s.scheduleAsked(c)
	if err != nil {
		return err
	}
	if !sc.Enabled {
		sc.Enabled, sc.LastSlot = true, s.now()
	}
	return s.changed(c, sc, "goes on", fmt.Sprintf("Schedule %d goes on.", sc.ID))
}

func (s *Server) removeForm(c echo.Context) error {
	sc, err := s.scheduleAsked(c)
	if err != nil {
		return err
	}
	page := confirmPage{
		Means: []string{
			fmt.Sprintf("The %s, %s, is sent no more.", lowerFirst(s.scheduleTitle(sc)), cronWords(sc.Cron)),
			"Letters that it has queued still go out. Who has unsubscribed from it is forgotten. To stop it for a while only, pause it.",
		},
		Action: scheduleHref(sc.ID) + "/remove", Button: fmt.Sprintf("Remove schedule %d", sc.ID), Back: menuItem{Text: "Leave it as it is", Href: "/settings/schedules"},
	}
	page.Title = fmt.Sprintf("Remove schedule %d?", sc.ID)
	return s.confirm(c, http.StatusOK, page)
}

func lowerFirst(s string) string { return strings.ToLower(s[:1]) + s[1:] }

func (s *Server) removeSchedule(c echo.Context) error {
	sc, err := s.scheduleAsked(c)
	if err != nil {
		return err
	}
	ctx := c.Request().Context()
	found, err := s.store.RemoveSchedule(ctx, sc.ID, "removed: "+s.scheduleTitle(sc))
	if err == nil && !found {
		err = noSuchSchedule(c.Param("schedule"))
	}
	if err != nil {
		return err
	}
	return s.done(c, "/settings/schedules", fmt.Sprintf("Schedule %d is removed.", sc.ID))
}

// sendNow queues the schedule's report, as it would be now, to the asker's own address.
func (s *Server) sendNow(c echo.Context) error {
	sc, err := s.scheduleAsked(c)
	if err != nil {
		return err
	}
	ctx, p := c.Request().Context(), viewerOf(c).person
	refuse := func(why error) error { return s.showSchedules(c, http.StatusUnprocessableEntity, sentence(why)) }
	if p.Email == "" {
		return refuse(errors.New("you have no mail address to send it to: write one down under My account"))
	}
	sc.Recipients = []string{toPerson + p.Name}
	run, err := s.desk.Now(ctx, sc, "by hand/"+rand.Text(), s.now())
	for _, known := range []error{reports.ErrNobody, reports.ErrNothingToTell, fleet.ErrNoIssue, reports.ErrAddress} {
		if errors.Is(err, known) {
			return refuse(err)
		}
	}
	if err != nil {
		return err
	}
	if _, err := s.store.QueueLetters(ctx, run.Letters); err != nil {
		return err
	}
	return s.done(c, "/settings/schedules", fmt.Sprintf("The %s is on its way to %s. Nobody else gets it.", lowerFirst(s.scheduleTitle(sc)), p.Email))
}

// putBack lets an address that has unsubscribed have a schedule's letters again.
func (s *Server) putBack(c echo.Context) error {
	sc, err := s.scheduleAsked(c)
	if err != nil {
		return err
	}
	f, err := typedForm(c)
	if err != nil {
		return err
	}
	ctx, address := c.Request().Context(), f.get("address")
	found, err := s.store.Resubscribe(ctx, sc.ID, address)
	if err != nil {
		return err
	}
	if !found {
		return s.showSchedules(c, http.StatusUnprocessableEntity, sentence(fmt.Errorf("%q has not left schedule %d: nothing was changed", address, sc.ID)))
	}
	return s.done(c, "/settings/schedules", fmt.Sprintf("%s gets schedule %d again.", address, sc.ID))
}
