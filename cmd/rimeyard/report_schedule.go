package main

import (
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"rimeyard/internal/fleet"
	"rimeyard/internal/store"
	"rimeyard/internal/web"
	"rimeyard/reports"
)

func newReportScheduleCmd() *cobra.Command {
	cmd := &cobra.Command{Use: "schedule", Short: "Say which report goes to whom and when; `rimeyard serve` sends it"}
	cmd.AddCommand(newScheduleAddCmd(), newListCmd("list", "Print all schedules, with when each is next due and what keeps it waiting", (*store.DB).Schedules, listSchedules),
		newScheduleNextCmd(), newScheduleRemoveCmd(), newUnsubscribedCmd(), newResubscribeCmd())
	return cmd
}

// scheduleFlags say what a schedule sends, to whom and when.
type scheduleFlags struct {
	to, attach                   *[]string
	depot, line, zone, whenQuiet *string
}

func newScheduleAddCmd() *cobra.Command {
	cmd := &cobra.Command{
		Use: "add REPORT --to RECIPIENT", Args: reportName,
		Short: "Add a schedule",
		Example: `  rimeyard report schedule add winter-list --to ada@example.org --depot NOR --cron "0 6 * * MON"
  rimeyard report schedule add winter-list --to role:manager --attach xlsx,pdf --when-quiet line
  rimeyard report schedule add intake --to person:jo --cron "0 7 * * *" --when-quiet nothing`,
	}
	flags := scheduleFlags{
		to:        addRecipients(cmd),
		attach:    addAttachFlag(cmd),
		depot:     cmd.Flags().String("depot", "", "only what is of this depot, at its own time"),
		line:      cmd.Flags().String("cron", "0 6 * * MON", "minute, hour, day, month, weekday, in the depot's time zone"),
		zone:      cmd.Flags().String("timezone", "", "IANA time zone; needed only where the depots have several and none is chosen"),
		whenQuiet: cmd.Flags().String("when-quiet", string(fleet.QuietSend), "when nothing changed since the last letter: send it all the same, one line, or nothing"),
	}
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		if err := checkRecipients(*flags.to); err != nil {
			return err
		}
		db, done, err := openDatabase(cmd)
		if err != nil {
			return err
		}
		defer done()
		s, err := flags.schedule(cmd, db, args[0])
		if err != nil {
			return err
		}
		id, err := db.AddSchedule(cmd.Context(), s, "added: "+web.ScheduleWords(reportKinds(db), s))
		if err != nil {
			return err
		}
		fmt.Fprintf(cmd.OutOrStdout(), "schedule %d added; next due\n", id)
		return printSlots(cmd, s, s.LastSlot)
	}
	return cmd
}

// schedule reads the flags; nothing due before now will be caught up.
func (f scheduleFlags) schedule(cmd *cobra.Command, db *store.DB, report string) (fleet.Schedule, error) {
	s := fleet.Schedule{
		Report: report, Depot: fleet.DepotID(*f.depot), Cron: *f.line, WhenQuiet: fleet.WhenQuiet(*f.whenQuiet),
		LastSlot: time.Now(), Enabled: true,
	}
	if choices := fleet.QuietChoices(); !slices.Contains(choices[:], s.WhenQuiet) {
		return s, usageError{fmt.Errorf("--when-quiet %q: want send, line or nothing", s.WhenQuiet)}
	}
	kind, err := reportKinds(db).Named(report)
	if err != nil {
		return s, usageError{err}
	}
	if s.Attach, err = readAttach(kind, *f.attach); err != nil {
		return s, err
	}
	people, err := db.People(cmd.Context())
	if err != nil {
		return s, err
	}
	s.Recipients = nil
	for _, to := range *f.to {
		s.Recipients = append(s.Recipients, reports.Owned(to, people))
		if name, is := strings.CutPrefix(to, "person:"); is {
			if !slices.ContainsFunc(people, func(p fleet.Person) bool { return p.Name == name }) {
				return s, usageError{fmt.Errorf("--to %s: there is no such person; `rimeyard user list` shows those there are", to)}
			}
		}
	}
	depots, err := db.Depots(cmd.Context())
	if err != nil {
		return s, err
	}
	if s.Timezone, err = scheduleZone(depots, s.Depot, *f.zone); err != nil {
		return s, usageError{err}
	}
	if _, err := reports.TimetableOf(s); err != nil {
		return s, usageError{err}
	}
	return s, nil
}

// printSlots prints the next five due times after now, in the schedule's own time.
func printSlots(cmd *cobra.Command, s fleet.Schedule, now time.Time) error {
	const shown = 5
	slots, err := reports.NextSlots(s, now, shown)
	for _, slot := range slots {
		fmt.Fprintln(cmd.OutOrStdout(), "  "+slot.Format("Mon 2006-01-02 15:04 MST"))
	}
	return err
}

func newScheduleNextCmd() *cobra.Command {
	cmd := &cobra.Command{Use: "next SCHEDULE", Args: oneArg("a schedule's number"), Short: "Print when a schedule is due the next five times, in its own time"}
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		return onNumber(cmd, args[0], func(db *store.DB, id int64) (string, error) {
			s, err := scheduleNumbered(cmd, db, id)
			if err != nil {
				return "", err
			}
			return "", printSlots(cmd, s, time.Now())
		})
	}
	return cmd
}

func scheduleNumbered(cmd *cobra.Command, db *store.DB, id int64) (fleet.Schedule, error) {
	list, err := db.Schedules(cmd.Context())
	if err != nil {
		return fleet.Schedule{}, err
	}
	if i := slices.IndexFunc(list, func(s fleet.Schedule) bool { return s.ID == id }); i >= 0 {
		return list[i], nil
	}
	return fleet.Schedule{}, noSchedule(id)
}

func noSchedule(id int64) error {
	return usageError{fmt.Errorf("there is no schedule %d; `rimeyard report schedule list` shows those there are", id)}
}

func newUnsubscribedCmd() *cobra.Command {
	return newListCmd("unsubscribed", "Print the addresses that have left a schedule", (*store.DB).Unsubscribed, listUnsubscribed)
}

// unsubscribedRow is one address that has left as JSON.
type unsubscribedRow struct {
	Schedule int64     `json:"schedule"`
	Report   string    `json:"report"`
	Depot    string    `json:"depot"`
	Address  string    `json:"address"`
	LeftAt   time.Time `json:"left_at"`
}

func listUnsubscribed(list []fleet.Subscription, _ outputFormat) listing {
	rows := make([]unsubscribedRow, len(list))
	cells := make([][]string, len(list))
	for i, s := range list {
		rows[i] = unsubscribedRow{s.Schedule, s.Report, string(s.Depot), s.Address, s.EndedAt.UTC()}
		cells[i] = []string{strconv.FormatInt(s.Schedule, 10), s.Report, string(s.Depot), s.Address, rows[i].LeftAt.Format(time.RFC3339)}
	}
	return listing{[]string{"schedule", "report", "depot", "address", "left_at"}, cells, rows, "nobody has unsubscribed"}
}

func newResubscribeCmd() *cobra.Command {
	cmd := &cobra.Command{
		Use: "resubscribe SCHEDULE ADDRESS", Short: "Let an address that has unsubscribed have its letters again; ask its owner first",
		Args: func(cmd *cobra.Command, args []string) error {
			if len(args) != 2 {
				return usageError{fmt.Errorf("%s wants a schedule's number and an address", cmd.CommandPath())}
			}
			return nil
		},
	}
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		return onNumber(cmd, args[0], func(db *store.DB, id int64) (string, error) {
			found, err := db.Resubscribe(cmd.Context(), id, args[1])
			if err == nil && !found {
				return "", usageError{fmt.Errorf("%s has not left schedule %d; `rimeyard report schedule unsubscribed` shows who has", args[1], id)}
			}
			return fmt.Sprintf("%s gets schedule %d again", args[1], id), err
		})
	}
	return cmd
}

// scheduleZone is the zone asked for, else the depot's, else the one that all depots have.
func scheduleZone(depots []fleet.Depot, depot fleet.DepotID, asked string) (string, error) {
	zone, err := reports.ZoneOf(depots, depot, asked)
	if errors.Is(err, reports.ErrNoZone) {
		err = fmt.Errorf("%w; that is --timezone Europe/Berlin, or --depot KEY", err)
	}
	return zone, err
}

func inZone(t time.Time, zone string) string {
	if loc, err := time.LoadLocation(zone); err == nil {
		t = t.In(loc)
	}
	return t.Format("2006-01-02 15:04 MST")
}

// scheduleRow is one schedule as JSON.
type scheduleRow struct {
	ID         int64              `json:"schedule"`
	Report     string             `json:"report"`
	Depot      string             `json:"depot"`
	Recipients []string           `json:"recipients"`
	Cron       string             `json:"cron"`
	Timezone   string             `json:"timezone"`
	Attach     []fleet.Attachment `json:"attach"`
	WhenQuiet  fleet.WhenQuiet    `json:"when_quiet"`
	Enabled    bool               `json:"enabled"`
	NextDue    *time.Time         `json:"next_due"` // null: it cannot be told, and error says why
	Error      string             `json:"error"`
	Note       string             `json:"note"` // who was left out the last time, and why
}

func listSchedules(list []fleet.Schedule, format outputFormat) listing {
	rows := make([]scheduleRow, len(list))
	cells := make([][]string, len(list))
	for i, s := range list {
		rows[i] = scheduleRow{
			s.ID, s.Report, string(s.Depot), s.Recipients, s.Cron, s.Timezone, s.Attach, s.WhenQuiet, s.Enabled, nil, s.LastError, s.LastNote,
		}
		next := ""
		if slots, err := reports.NextSlots(s, s.LastSlot, 1); err != nil {
			rows[i].Error = err.Error()
		} else if len(slots) > 0 && s.Enabled {
			due := slots[0].UTC()
			rows[i].NextDue, next = &due, due.Format(time.RFC3339)
			if format == asTable {
				next = inZone(due, s.Timezone)
			}
		}
		forms := make([]string, len(s.Attach))
		for j, a := range s.Attach {
			forms[j] = string(a)
		}
		cells[i] = []string{
			strconv.FormatInt(s.ID, 10), s.Report, string(s.Depot), strings.Join(s.Recipients, " "), s.Cron, s.Timezone, strings.Join(forms, ","),
			string(s.WhenQuiet), next, rows[i].Error, s.LastNote,
		}
	}
	return listing{
		[]string{"schedule", "report", "depot", "recipients", "cron", "timezone", "attach", "when_quiet", "next_due", "error", "note"},
		cells, rows,
		"no schedules; add one with `rimeyard report schedule add`",
	}
}

func newScheduleRemoveCmd() *cobra.Command {
	cmd := &cobra.Command{Use: "remove SCHEDULE", Args: oneArg("a schedule's number"), Short: "Remove a schedule; letters that it has queued still go out"}
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		return onNumber(cmd, args[0], func(db *store.DB, id int64) (string, error) {
			s, err := scheduleNumbered(cmd, db, id)
			if err != nil {
				return "", err
			}
			removed, err := db.RemoveSchedule(cmd.Context(), id, "removed: "+web.ScheduleTitle(reportKinds(db), s))
			if err == nil && !removed {
				return "", noSchedule(id)
			}
			return fmt.Sprintf("schedule %d removed", id), err
		})
	}
	return cmd
}

// onNumber opens the database and does what is asked with the row of that number.
func onNumber(cmd *cobra.Command, number string, do func(*store.DB, int64) (said string, err error)) error {
	id, err := strconv.ParseInt(number, 10, 64)
	if err != nil {
		return usageError{fmt.Errorf("%q: want a number from the list's first column", number)}
	}
	db, done, err := openDatabase(cmd)
	if err != nil {
		return err
	}
	defer done()
	said, err := do(db, id)
	if err != nil || said == "" {
		return err
	}
	_, err = fmt.Fprintln(cmd.OutOrStdout(), said)
	return err
}
