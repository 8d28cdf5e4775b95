package main

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"log/slog"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"rimeyard/internal/fleet"
	"rimeyard/internal/store"
	"rimeyard/reports"
)

func newReportCmd() *cobra.Command {
	cmd := &cobra.Command{Use: "report", Short: "Send reports by mail, now or on a schedule, and see what waits in the outbox"}
	cmd.AddCommand(newReportSendCmd(), newReportPreviewCmd(), newReportSaveCmd(), newReportScheduleCmd(), newReportOutboxCmd())
	return cmd
}

// reportName checks that it is one of the reports there are.
func reportName(cmd *cobra.Command, args []string) error {
	if len(args) != 1 {
		return usageError{fmt.Errorf("%s wants the name of a report: there is %s", cmd.CommandPath(), reportKinds(nil).Names())}
	}
	if _, err := reportKinds(nil).Named(args[0]); err != nil {
		return usageError{err}
	}
	return nil
}

// reportFlags choose what a report is about.
type reportFlags struct {
	asOf   *asOfFlag
	depot  *string
	top    *int
	attach *[]string
}

func addReportFlags(cmd *cobra.Command) reportFlags {
	return reportFlags{
		asOf:   addAsOfFlag(cmd),
		depot:  cmd.Flags().String("depot", "", "only what is of this depot"),
		top:    cmd.Flags().Int("top", reports.DefaultTop, "show this many units of the winter list; the attached table has them all"),
		attach: addAttachFlag(cmd),
	}
}

func addAttachFlag(cmd *cobra.Command) *[]string {
	return cmd.Flags().StringSlice("attach", []string{string(fleet.AttachCSV)}, "attach the table in these forms: csv, xlsx, pdf; empty for none")
}

// readAttach checks that the report's table comes in these forms.
func readAttach(kind reports.Kind, forms []string) ([]fleet.Attachment, error) {
	var attach []fleet.Attachment
	for _, f := range forms {
		if f != "" {
			attach = append(attach, fleet.Attachment(f))
		}
	}
	if err := kind.Takes(attach); err != nil {
		return nil, usageError{fmt.Errorf("--attach: %w", err)}
	}
	return attach, nil
}

// write writes letters with the report to recipients. The winter list is the newest issued one, or with --as-of the list of that day,
// judged anew where none was issued; other reports are those of today.
func (f reportFlags) write(cmd *cobra.Command, db *store.DB, from, name string, to []string) ([]fleet.Letter, error) {
	desk, err := newDesk(db, from)
	if err != nil {
		return nil, err
	}
	if err := listAlone(cmd, name); err != nil {
		return nil, err
	}
	desk.Kinds = kindsAsOf(cmd, db, f.asOf, *f.top)
	kind, err := desk.Kinds.Named(name)
	if err != nil {
		return nil, err
	}
	attach, err := readAttach(kind, *f.attach)
	if err != nil {
		return nil, err
	}
	zone, err := zoneOfAll(cmd.Context(), db, fleet.DepotID(*f.depot))
	if err != nil {
		return nil, err
	}
	s := fleet.Schedule{Report: name, Depot: fleet.DepotID(*f.depot), Recipients: to, Timezone: zone, Attach: attach}
	run, err := desk.Now(cmd.Context(), s, "by hand/"+rand.Text(), time.Now())
	switch {
	case errors.Is(err, fleet.ErrNoIssue):
		return nil, fmt.Errorf("%w: run `rimeyard fit` first", err)
	case err != nil:
		return nil, err
	case run.Note != "":
		fmt.Fprintln(cmd.ErrOrStderr(), "left out:", run.Note)
	}
	return run.Letters, nil
}

// listAlone refuses the flags that choose which winter list, for every other report.
func listAlone(cmd *cobra.Command, name string) error {
	for _, flag := range []string{"as-of", "top"} {
		if name != reports.WinterListName && cmd.Flags().Changed(flag) {
			return usageError{fmt.Errorf("--%s goes with %s alone", flag, reports.WinterListName)}
		}
	}
	return nil
}

// kindsAsOf are the reports there are, with the winter list of the day that was asked for.
func kindsAsOf(cmd *cobra.Command, db *store.DB, asOf *asOfFlag, top int) reports.Kinds {
	gather := gatherWinterList(db)
	if day, given := asOf.date.Get(); given {
		gather = gatherListOn(cmd, db, day)
	} else {
		catchUp(cmd, db)
	}
	kinds := reportKinds(db)
	for i, kind := range kinds {
		if kind.Name == reports.WinterListName {
			kinds[i] = reports.WinterListKind(gather, top)
		}
	}
	return kinds
}

// zoneOfAll is the depot's time zone, or the one that all depots have; else UTC. There must be such a depot.
func zoneOfAll(ctx context.Context, db *store.DB, depot fleet.DepotID) (string, error) {
	depots, err := db.Depots(ctx)
	if err != nil {
		return "", err
	}
	zone, err := reports.ZoneOf(depots, depot, "")
	switch {
	case errors.Is(err, reports.ErrNoZone):
		return time.UTC.String(), nil
	case err != nil:
		return "", usageError{fmt.Errorf("--depot: %w", err)}
	}
	return zone, nil
}

func gatherListOn(cmd *cobra.Command, db *store.DB, day fleet.Date) reports.Gather {
	return func(ctx context.Context, _ reports.Asked) (reports.WinterListData, error) {
		list, err := listOn(cmd, db, day)
		if err != nil {
			return reports.WinterListData{}, err
		}
		return gatherAround(ctx, db, list, day, dawnAfter(day, time.Now()))
	}
}

func listOn(cmd *cobra.Command, db *store.DB, day fleet.Date) (fleet.RankedList, error) {
	issue, err := db.IssueBefore(cmd.Context(), day+1)
	if err == nil && issue.AsOf == day {
		return listOf(cmd.Context(), db, issue)
	}
	if err != nil && !errors.Is(err, fleet.ErrNoIssue) {
		return fleet.RankedList{}, err
	}
	return rankFleet(cmd.Context(), db, day, progressOf(cmd))
}

func newReportSendCmd() *cobra.Command {
	cmd := &cobra.Command{
		Use: "send REPORT --to ADDRESS", Args: reportName,
		Short: "Mail a report now",
		Example: `  rimeyard report send winter-list --to ada@example.org
  rimeyard report send winter-list --to ada@example.org --to bo@example.org --depot NOR --top 20
  rimeyard report send audit --to role:manager
  rimeyard report send intake --to person:jo`,
	}
	flags := addReportFlags(cmd)
	to := addRecipients(cmd)
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		if err := checkRecipients(*to); err != nil {
			return err
		}
		home, err := homeDir()
		if err != nil {
			return err
		}
		sender, from, err := newSender(home)
		if err != nil {
			return err
		}
		db, done, err := openDatabase(cmd)
		if err != nil {
			return err
		}
		defer done()
		letters, err := flags.write(cmd, db, from, args[0], *to)
		if err != nil {
			return err
		}
		if _, err := db.QueueLetters(cmd.Context(), letters); err != nil {
			return err
		}
		return deliverNow(cmd, db, sender, letters)
	}
	return cmd
}

func addRecipients(cmd *cobra.Command) *[]string {
	return cmd.Flags().StringArray("to", nil, "a recipient: an address, person:NAME, or role:manager for everybody of a role; may be given several times")
}

func checkRecipients(to []string) error {
	if len(to) == 0 {
		return usageError{errors.New("nobody to send to: add --to ada@example.org")}
	}
	for i, a := range to {
		if err := reports.CheckRecipient(a); err != nil {
			return usageError{fmt.Errorf("--to: %w", err)}
		}
		for _, b := range to[:i] {
			if a == b {
				return usageError{fmt.Errorf("--to: %s is given twice", a)}
			}
		}
	}
	return nil
}

// deliverNow empties the outbox as far as it goes and tells what became of these letters.
func deliverNow(cmd *cobra.Command, db *store.DB, sender reports.Sender, letters []fleet.Letter) error {
	postman := reports.Postman{Outbox: db, Sender: sender, Now: time.Now, Log: slog.New(slog.DiscardHandler)}
	if _, err := postman.Drain(cmd.Context()); err != nil {
		return err
	}
	unsent, err := unsentLetters(cmd.Context(), db)
	if err != nil {
		return err
	}
	var stuck []string
	for _, l := range letters {
		if waiting, is := unsent[l.MessageID]; is {
			stuck = append(stuck, fmt.Sprintf("%s: %s: %s", l.To, letterState(waiting), waiting.LastError))
			continue
		}
		fmt.Fprintf(cmd.OutOrStdout(), "sent to %s: %s\n", l.To, l.Subject)
		if folder, is := sender.(reports.Folder); is {
			printPaths(cmd, folder, l)
		}
	}
	if len(stuck) > 0 {
		return fmt.Errorf("not sent; `rimeyard report outbox` shows what waits, `rimeyard serve` tries again\n  %s", strings.Join(stuck, "\n  "))
	}
	return nil
}

func unsentLetters(ctx context.Context, db *store.DB) (map[string]fleet.Letter, error) {
	letters, err := db.Letters(ctx, false)
	byID := make(map[string]fleet.Letter, len(letters))
	for _, l := range letters {
		byID[l.MessageID] = l
	}
	return byID, err
}

func printPaths(cmd *cobra.Command, folder reports.Folder, l fleet.Letter) {
	eml, html := folder.Paths(l)
	fmt.Fprintf(cmd.OutOrStdout(), "  %s\n  %s\n", eml, html)
}

func newReportPreviewCmd() *cobra.Command {
	cmd := &cobra.Command{
		Use: "preview REPORT", Args: reportName,
		Short:   "Write a report as .eml and .html to look at; nothing is sent",
		Example: "  rimeyard report preview winter-list --out preview",
	}
	flags := addReportFlags(cmd)
	out := cmd.Flags().String("out", ".", "the folder to write to")
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		db, done, err := openDatabase(cmd)
		if err != nil {
			return err
		}
		defer done()
		letters, err := flags.write(cmd, db, reports.FolderFrom, args[0], []string{"preview@localhost"})
		if err != nil {
			return err
		}
		folder := reports.Folder{Dir: *out}
		for _, l := range letters {
			if err := folder.Send(cmd.Context(), l); err != nil {
				return err
			}
			fmt.Fprintln(cmd.OutOrStdout(), l.Subject)
			printPaths(cmd, folder, l)
		}
		return nil
	}
	return cmd
}
