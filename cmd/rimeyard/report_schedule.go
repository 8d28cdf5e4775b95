package main

import (
	"errors"
	"fmt"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"rimeyard/internal/fleet"
	"rimeyard/internal/store"
	"rimeyard/reports"
)

func newReportScheduleCmd() *cobra.Command {
	cmd := &cobra.Command{Use: "schedule", Short: "Say which report goes to whom and when; `rimeyard serve` sends it"}
	cmd.AddCommand(newScheduleAddCmd(), newListCmd("list", "Print all schedules, with when each is next due and what keeps it waiting", (*store.DB).Schedules, listSchedules), newScheduleRemoveCmd())
	return cmd
}

func newScheduleAddCmd() *cobra.Command {
	cmd := &cobra.Command{
		Use: "add winter-list|audit --to ADDRESS", Args: reportName,
		Short:   "Add a schedule",
		Example: `  rimeyard report schedule add winter-list --to ada@example.org --depot NOR --cron "0 6 * * MON"`,
	}
	to := addRecipients(cmd)
	depot := cmd.Flags().String("depot", "", "only the units of this depot, at its own time")
	line := cmd.Flags().String("cron", "0 6 * * MON", "minute, hour, day, month, weekday, in the depot's time zone")
	zone := cmd.Flags().String("timezone", "", "IANA time zone; needed only where the depots have several and none is chosen")
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		if err := checkRecipients(*to); err != nil {
			return err
		}
		db, done, err := openDatabase(cmd)
		if err != nil {
			return err
		}
		defer done()
		depots, err := db.Depots(cmd.Context())
		if err != nil {
			return err
		}
		name, err := scheduleZone(depots, fleet.DepotID(*depot), *zone)
		if err != nil {
			return usageError{err}
		}
		tt, err := reports.ParseTimetable(*line, name)
		if err != nil {
			return usageError{err}
		}
		now := time.Now()
		id, err := db.AddSchedule(cmd.Context(), fleet.Schedule{
			Report: args[0], Depot: fleet.DepotID(*depot), Recipients: *to, Cron: *line, Timezone: name, LastSlot: now, Enabled: true,
		})
		if err != nil {
			return err
		}
		fmt.Fprintf(cmd.OutOrStdout(), "schedule %d added; next due %s\n", id, inZone(tt.NextSlot(now), name))
		return nil
	}
	return cmd
}

// scheduleZone is the zone asked for, else the depot's, else the one that all depots have.
func scheduleZone(depots []fleet.Depot, depot fleet.DepotID, asked string) (string, error) {
	zones := map[string]bool{}
	known := depot == ""
	for _, d := range depots {
		if depot == "" || d.ID == depot {
			zones[d.Timezone] = true
			known = true
		}
	}
	switch {
	case !known:
		return "", fmt.Errorf("--depot %s: there is no such depot", depot)
	case asked != "":
		return asked, nil
	case len(zones) == 0:
		return "", errors.New("there is no depot yet to take the time zone from: add --timezone Europe/Berlin, or import depots first")
	case len(zones) > 1:
		return "", errors.New("the depots lie in several time zones: choose one with --timezone, or one depot with --depot")
	}
	for z := range zones {
		asked = z
	}
	return asked, nil
}

func inZone(t time.Time, zone string) string {
	if loc, err := time.LoadLocation(zone); err == nil {
		t = t.In(loc)
	}
	return t.Format("2006-01-02 15:04 MST")
}

// scheduleRow is one schedule as JSON.
type scheduleRow struct {
	ID         int64      `json:"schedule"`
	Report     string     `json:"report"`
	Depot      string     `json:"depot"`
	Recipients []string   `json:"recipients"`
	Cron       string     `json:"cron"`
	Timezone   string     `json:"timezone"`
	NextDue    *time.Time `json:"next_due"` // null: it cannot be told, and error says why
	Error      string     `json:"error"`
}

func listSchedules(list []fleet.Schedule, format outputFormat) listing {
	rows := make([]scheduleRow, len(list))
	cells := make([][]string, len(list))
	for i, s := range list {
		rows[i] = scheduleRow{s.ID, s.Report, string(s.Depot), s.Recipients, s.Cron, s.Timezone, nil, s.LastError}
		next := ""
		if tt, err := reports.TimetableOf(s); err != nil {
			rows[i].Error = err.Error()
		} else {
			due := tt.NextSlot(s.LastSlot).UTC()
			rows[i].NextDue, next = &due, due.Format(time.RFC3339)
			if format == asTable {
				next = inZone(due, s.Timezone)
			}
		}
		cells[i] = []string{strconv.FormatInt(s.ID, 10), s.Report, string(s.Depot), strings.Join(s.Recipients, " "), s.Cron, s.Timezone, next, rows[i].Error}
	}
	return listing{
		[]string{"schedule", "report", "depot", "recipients", "cron", "timezone", "next_due", "error"},
		cells, rows,
		"no schedules; add one with `rimeyard report schedule add`",
	}
}

func newScheduleRemoveCmd() *cobra.Command {
	cmd := &cobra.Command{Use: "remove SCHEDULE", Args: oneArg("a schedule's number"), Short: "Remove a schedule; letters that it has queued still go out"}
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		return onNumber(cmd, args[0], func(db *store.DB, id int64) (string, error) {
			removed, err := db.RemoveSchedule(cmd.Context(), id)
			if err == nil && !removed {
				return "", usageError{fmt.Errorf("there is no schedule %d; `rimeyard report schedule list` shows those there are", id)}
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
	if err != nil {
		return err
	}
	_, err = fmt.Fprintln(cmd.OutOrStdout(), said)
	return err
}
