package web

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"time"

	"github.com/labstack/echo/v4"

	"rimeyard/internal/fleet"
	"rimeyard/reports"
)

// How a schedule names people other than by address.
const (
	toPerson = "person:"
	toRole   = "role:"
)

// wholeFleet is the answer for no depot in particular.
const wholeFleet = ""

// schedulePage is all that settings-schedule.tmpl prints: a schedule to be added or changed.
type schedulePage struct {
	settingsFrame
	Action, Button, Wrong                       string
	Report, Depot                               formField
	Addresses, People, Roles                    formField
	When, At, Weekday, Monthday, Line, Timezone formField
	Attach, Quiet                               formField
	Means                                       string   // the choice of when, in words; empty: not asked for, or wrong
	Runs                                        []runRow // what comes of it
}

func (s *Server) addScheduleForm(c echo.Context) error {
	values := url.Values{"report": {reports.WinterListName}, "attach": {string(fleet.AttachCSV)}, "quiet": {string(fleet.QuietSend)}}
	fillCron(values, "0 6 * * 1")
	values.Set("when", onWeekday)
	return s.showScheduleForm(c, http.StatusOK, blankForm(values), nil, nil)
}

func (s *Server) scheduleForm(c echo.Context) error {
	sc, err := s.scheduleAsked(c)
	if err != nil {
		return err
	}
	values := url.Values{"report": {sc.Report}, "depot": {string(sc.Depot)}, "timezone": {sc.Timezone}, "quiet": {string(sc.WhenQuiet)}}
	for _, a := range sc.Attach {
		values.Add("attach", string(a))
	}
	var addresses []string
	for _, to := range sc.Recipients {
		switch {
		case strings.HasPrefix(to, toPerson):
			values.Add("to-person", to)
		case strings.HasPrefix(to, toRole):
			values.Add("to-role", to)
		default:
			addresses = append(addresses, to)
		}
	}
	values.Set("to-address", strings.Join(addresses, "\n"))
	fillCron(values, sc.Cron)
	return s.showScheduleForm(c, http.StatusOK, blankForm(values), &sc, &sc)
}

// showScheduleForm shows the form of a schedule that is there, or of a new one; preview is what it would be, if that can be told.
func (s *Server) showScheduleForm(c echo.Context, status int, f *form, of, preview *fleet.Schedule) error {
	page := schedulePage{Action: "/settings/add-schedule", Button: "Add the schedule", Wrong: f.summary()}
	title := "Add a schedule"
	if of != nil {
		title, page.Action, page.Button = fmt.Sprintf("Schedule %d", of.ID), scheduleHref(of.ID), "Save"
	}
	page.settingsFrame = s.settingsFrame(c, title)
	if err := s.askSchedule(c, f, &page); err != nil {
		return err
	}
	if preview != nil {
		if slots, err := reports.NextSlots(*preview, s.now(), runsShown); err == nil {
			page.Means = cronWords(preview.Cron) + ", on the clock of " + preview.Timezone
			page.Runs = newRunRows(slots, preview.Cron, s.now())
		}
	}
	return s.render(c, status, "settings-schedule.tmpl", page)
}

// askSchedule fills in the questions.
func (s *Server) askSchedule(c echo.Context, f *form, page *schedulePage) error {
	ctx, v := c.Request().Context(), viewerOf(c)
	depots, err := s.visibleDepots(ctx, v)
	if err != nil {
		return err
	}
	people, err := s.addressees(ctx, v)
	if err != nil {
		return err
	}
	page.Report = f.field(formField{ID: "report", Label: "Report", Kind: "radio", Choices: s.kindChoices(v)})
	page.Depot = f.field(formField{ID: "depot", Label: "About", Hint: "Everybody gets only what they may see of it.", Choices: placeChoices(v, depots)})
	page.Addresses = f.field(formField{ID: "to-address", Label: "To these addresses", Hint: "One on each line, such as ada@example.org. They need not be people who sign in."})
	byName := formField{ID: "to-person", Label: "To these people", Hint: "At whatever mail address they have then.", Kind: "checkbox", Choices: people}
	if len(people) == 0 {
		byName.Hint = "Nobody who may sign in has a mail address yet."
	}
	page.People = f.field(byName)
	page.Roles = f.field(formField{ID: "to-role", Label: "To everybody of a role", Kind: "checkbox", Choices: toRoleChoices()})
	page.When = f.field(formField{ID: "when", Label: "When", Kind: "radio", Choices: []choice{
		{Value: onWeekday, Text: "Once a week, on the day chosen below"},
		{Value: onWorkdays, Text: "Monday to Friday"},
		{Value: onEveryDay, Text: "Every day"},
		{Value: onMonthDay, Text: "Once a month, on the day of the month below"},
		{Value: onOwnLine, Text: "By a cron line of my own, below"},
	}})
	page.At = f.field(formField{ID: "at", Label: "At", Hint: "Hours and minutes on the schedule's clock, like 06:00.", Kind: "time", Complete: "off"})
	page.Weekday = f.field(formField{ID: "weekday", Label: "Day of the week", Choices: weekdayChoices()})
	page.Monthday = f.field(formField{ID: "monthday", Label: "Day of the month", Hint: fmt.Sprintf("1 to %d, which every month has.", longestMonthDay), Kind: "number", Complete: "off"})
	page.Line = f.field(formField{ID: "cron", Label: "Cron line", Hint: "Minute, hour, day of the month, month, weekday: “0 6 * * MON” is six o'clock on Mondays. Used only if chosen above.", Kind: "text", Complete: "off"})
	page.Timezone = f.field(formField{ID: "timezone", Label: "On the clock of", Choices: zoneChoices(depots, f.get("timezone"))})
	page.Attach = f.field(formField{ID: "attach", Label: "Attach the table as", Kind: "checkbox", Choices: attachChoices()})
	page.Quiet = f.field(formField{ID: "quiet", Label: "When nothing changed since the last letter, send", Kind: "radio", Choices: quietChoices()})
	return nil
}

func (s *Server) kindChoices(v viewer) []choice {
	var choices []choice
	for _, kind := range s.desk.Kinds {
		if mayOpen(v.person.Role, kind.Page) {
			choices = append(choices, choice{Value: kind.Name, Text: kind.Title})
		}
	}
	return choices
}

func placeChoices(v viewer, depots []fleet.Depot) []choice {
	choices := depotChoices(depots)
	if v.depots() == nil {
		return append([]choice{{Value: wholeFleet, Text: "the whole fleet"}}, choices...)
	}
	return choices
}

// addressees are the people who can be named as recipients: enabled, with a mail address, and with a depot in common with the asker.
func (s *Server) addressees(ctx context.Context, v viewer) ([]choice, error) {
	people, err := s.store.People(ctx)
	var choices []choice
	for _, p := range people {
		own := v.depots()
		shared := own == nil || p.AllDepots || slices.ContainsFunc(p.Depots, v.maySee)
		if p.Disabled || p.Email == "" || !shared {
			continue
		}
		text := fmt.Sprintf("%s, %s", p.Name, p.Role)
		if p.FullName != "" {
			text = fmt.Sprintf("%s (%s), %s", p.FullName, p.Name, p.Role)
		}
		choices = append(choices, choice{Value: toPerson + p.Name, Text: text})
	}
	return choices, err
}

func toRoleChoices() []choice {
	var choices []choice
	for _, r := range fleet.Roles() {
		choices = append(choices, choice{Value: toRole + string(r), Text: string(r)})
	}
	return choices
}

func weekdayChoices() []choice {
	var choices []choice
	for day := range 7 {
		day = (day + 1) % 7 // Monday first
		choices = append(choices, choice{Value: fmt.Sprint(day), Text: time.Weekday(day).String()})
	}
	return choices
}

// zoneChoices are the zones of depots, the one that is kept, and the one that goes without saying.
func zoneChoices(depots []fleet.Depot, kept string) []choice {
	choices := []choice{{Text: "the depot, or of all depots if they share one"}}
	var zones []string
	if kept != "" {
		zones = append(zones, kept)
	}
	for _, d := range depots {
		zones = append(zones, d.Timezone)
	}
	slices.Sort(zones)
	for _, z := range slices.Compact(zones) {
		choices = append(choices, choice{Value: z, Text: z})
	}
	return choices
}

func attachChoices() []choice {
	var choices []choice
	for _, a := range fleet.Attachments() {
		choices = append(choices, choice{Value: string(a), Text: formWord(a)})
	}
	return choices
}

func quietChoices() []choice {
	var choices []choice
	for _, q := range fleet.QuietChoices() {
		choices = append(choices, choice{Value: string(q), Text: quietWords(q)})
	}
	return choices
}

// readSchedule reads what the form says; what is wrong is put down in the form.
func (s *Server) readSchedule(c echo.Context, f *form) (fleet.Schedule, error) {
	ctx, v := c.Request().Context(), viewerOf(c)
	sc := fleet.Schedule{
		Report: f.get("report"), Depot: fleet.DepotID(f.get("depot")), Cron: cronOf(f), WhenQuiet: fleet.WhenQuiet(f.get("quiet")),
		LastSlot: s.now(), Enabled: true,
	}
	depots, err := s.visibleDepots(ctx, v)
	if err != nil {
		return sc, err
	}
	if sc.Depot == wholeFleet && v.depots() != nil {
		f.blame("depot", errors.New("choose one of your depots"))
	}
	sc.Timezone, err = reports.ZoneOf(depots, sc.Depot, f.get("timezone"))
	if errors.Is(err, reports.ErrNoZone) {
		f.blame("timezone", err)
	} else {
		f.blame("depot", err)
	}
	if f.wrong["timezone"] == "" && f.wrong["depot"] == "" && sc.Cron != "" {
		_, err = reports.TimetableOf(sc)
		f.blame(map[bool]string{true: "cron", false: "at"}[f.get("when") == onOwnLine], err)
	}
	s.readKind(f, v, &sc)
	return sc, s.readRecipients(ctx, f, v, &sc)
}

// readKind reads which report, its attachments and what it sends when nothing changed.
func (s *Server) readKind(f *form, v viewer, sc *fleet.Schedule) {
	kind, err := s.desk.Kinds.Named(sc.Report)
	if err == nil && !mayOpen(v.person.Role, kind.Page) {
		err = fmt.Errorf("%s is not for your role", kind.Title)
	}
	f.blame("report", err)
	for _, a := range f.typed["attach"] {
		sc.Attach = append(sc.Attach, fleet.Attachment(a))
	}
	if err == nil {
		f.blame("attach", kind.Takes(sc.Attach))
	}
	if choices := fleet.QuietChoices(); !slices.Contains(choices[:], sc.WhenQuiet) {
		f.blame("quiet", errors.New("say what to send when nothing changed"))
	}
}

// readRecipients reads addresses, people and roles, each once. An address that is a person's is kept as that person.
func (s *Server) readRecipients(ctx context.Context, f *form, v viewer, sc *fleet.Schedule) error {
	everybody, err := s.store.People(ctx)
	if err != nil {
		return err
	}
	known, err := s.addressees(ctx, v)
	if err != nil {
		return err
	}
	add := func(field, to string) {
		if err := reports.CheckRecipient(to); err != nil {
			f.blame(field, err)
			return
		}
		if to = reports.Owned(to, everybody); !slices.Contains(sc.Recipients, to) {
			sc.Recipients = append(sc.Recipients, to)
		}
	}
	for line := range strings.SplitSeq(f.get("to-address"), "\n") {
		if line = strings.TrimSpace(line); line == "" {
			continue
		}
		if _, err := reports.CheckAddress(line); err != nil {
			f.blame("to-address", err)
			continue
		}
		add("to-address", line)
	}
	for _, to := range f.typed["to-person"] {
		if !slices.ContainsFunc(known, func(c choice) bool { return c.Value == to }) {
			f.blame("to-person", fmt.Errorf("%q cannot be chosen: there is no such person with a mail address", strings.TrimPrefix(to, toPerson)))
		}
		add("to-person", to)
	}
	for _, to := range f.typed["to-role"] {
		add("to-role", to)
	}
	if len(sc.Recipients) == 0 {
		f.blame("to-address", errors.New("nobody to send to: write an address, or choose people or a role below"))
	}
	return nil
}

func (s *Server) addSchedule(c echo.Context) error {
	f, err := typedForm(c)
	if err != nil {
		return err
	}
	sc, err := s.readSchedule(c, f)
	if err != nil {
		return err
	}
	if f.get("preview") != "" || !f.sound() {
		return s.lookAgain(c, f, nil, sc)
	}
	ctx := c.Request().Context()
	id, err := s.store.AddSchedule(ctx, sc, "added: "+ScheduleWords(s.desk.Kinds, sc))
	if err != nil {
		return err
	}
	return s.done(c, "/settings/schedules", fmt.Sprintf("Schedule %d is added: %s.", id, lowerFirst(s.scheduleTitle(sc)+", "+cronWords(sc.Cron))))
}

// lookAgain sends a form back: to be put right, or because its next runs were asked for.
func (s *Server) lookAgain(c echo.Context, f *form, of *fleet.Schedule, sc fleet.Schedule) error {
	var preview *fleet.Schedule
	if _, err := reports.TimetableOf(sc); err == nil {
		preview = &sc
	}
	if f.sound() {
		return s.showScheduleForm(c, http.StatusOK, f, of, preview)
	}
	return s.showScheduleForm(c, http.StatusUnprocessableEntity, f, of, preview)
}

// ScheduleWords says for the record of changes what a schedule sends, to whom and when.
func ScheduleWords(kinds reports.Kinds, sc fleet.Schedule) string {
	return fmt.Sprintf("%s, %s (%s), to %s; attached: %s; when nothing changed: %s", ScheduleTitle(kinds, sc), cronWords(sc.Cron), sc.Timezone,
		strings.Join(sc.Recipients, ", "), attachWords(sc.Attach), quietWords(sc.WhenQuiet))
}

func (s *Server) editSchedule(c echo.Context) error {
	before, err := s.scheduleAsked(c)
	if err != nil {
		return err
	}
	f, err := typedForm(c)
	if err != nil {
		return err
	}
	after, err := s.readSchedule(c, f)
	if err != nil {
		return err
	}
	if f.get("preview") != "" || !f.sound() {
		return s.lookAgain(c, f, &before, after)
	}
	after.ID, after.Enabled = before.ID, before.Enabled
	if after.Cron == before.Cron && after.Timezone == before.Timezone {
		after.LastSlot = before.LastSlot // what is due already stays due
	}
	return s.changed(c, after, "is now: "+ScheduleWords(s.desk.Kinds, after), fmt.Sprintf("Schedule %d is saved.", after.ID))
}
