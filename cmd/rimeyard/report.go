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
	cmd.AddCommand(newReportSendCmd(), newReportPreviewCmd(), newReportScheduleCmd(), newReportOutboxCmd())
	return cmd
}

// reportName checks that it is one of the two reports there are.
func reportName(cmd *cobra.Command, args []string) error {
	if len(args) != 1 || args[0] != reports.WinterListName && args[0] != reports.AuditName {
		return usageError{fmt.Errorf("%s wants the name of a report: there is %s, and there is %s", cmd.CommandPath(), reports.WinterListName, reports.AuditName)}
	}
	return nil
}

// reportFlags choose what a report is about.
type reportFlags struct {
	asOf  *asOfFlag
	depot *string
	top   *int
}

func addReportFlags(cmd *cobra.Command) reportFlags {
	return reportFlags{
		asOf:  addAsOfFlag(cmd),
		depot: cmd.Flags().String("depot", "", "only the units of this depot"),
		top:   cmd.Flags().Int("top", reports.DefaultTop, "show this many units of the winter list; the attached table has them all"),
	}
}

// content composes and renders a report. The winter list is the newest issued one, or with --as-of the list of that day, judged
// anew where none was issued; the audit is the one that is kept.
func (f reportFlags) content(cmd *cobra.Command, db *store.DB, name string) (reports.Content, error) {
	if name == reports.AuditName {
		return f.audit(cmd, db)
	}
	ctx, depot := cmd.Context(), fleet.DepotID(*f.depot)
	var data reports.WinterListData
	var err error
	if day, given := f.asOf.date.Get(); given {
		list, listErr := listOn(cmd, db, day)
		if listErr != nil {
			return reports.Content{}, listErr
		}
		data, err = gatherAround(ctx, db, list, depot, day)
	} else {
		data, err = gatherWinterList(db)(ctx, depot, f.asOf.day())
	}
	if errors.Is(err, fleet.ErrNoIssue) {
		return reports.Content{}, fmt.Errorf("%w: run `rimeyard fit` first", err)
	}
	if err != nil {
		return reports.Content{}, err
	}
	list, err := reports.Compose(data, *f.top)
	if err != nil {
		return reports.Content{}, err
	}
	return list.Render()
}

func (f reportFlags) audit(cmd *cobra.Command, db *store.DB) (reports.Content, error) {
	for _, flag := range []string{"as-of", "top"} {
		if cmd.Flags().Changed(flag) {
			return reports.Content{}, usageError{fmt.Errorf("--%s goes with %s; the %s mailed is the one that is kept", flag, reports.WinterListName, reports.AuditName)}
		}
	}
	data, err := gatherAudit(db)(cmd.Context(), fleet.DepotID(*f.depot), f.asOf.day())
	if err != nil {
		return reports.Content{}, err
	}
	audit, err := reports.ComposeAudit(data)
	if err != nil {
		return reports.Content{}, err
	}
	return audit.Render()
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
		Use: "send winter-list|audit --to ADDRESS", Args: reportName,
		Short: "Mail a report now",
		Example: `  rimeyard report send winter-list --to ada@example.org
  rimeyard report send winter-list --to ada@example.org --to bo@example.org --depot NOR --top 20
  rimeyard report send audit --to ada@example.org`,
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
		content, err := flags.content(cmd, db, args[0])
		if err != nil {
			return err
		}
		letters, err := content.Letters(from, *to, "by hand/"+rand.Text(), time.Now())
		if err != nil {
			return usageError{err}
		}
		if _, err := db.QueueLetters(cmd.Context(), letters); err != nil {
			return err
		}
		return deliverNow(cmd, db, sender, letters)
	}
	return cmd
}

func addRecipients(cmd *cobra.Command) *[]string {
	return cmd.Flags().StringArray("to", nil, "a recipient's address; may be given several times")
}

func checkRecipients(to []string) error {
	if len(to) == 0 {
		return usageError{errors.New("nobody to send to: add --to ada@example.org")}
	}
	for i, a := range to {
		if _, err := reports.CheckAddress(a); err != nil {
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
		Use: "preview winter-list|audit", Args: reportName,
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
		content, err := flags.content(cmd, db, args[0])
		if err != nil {
			return err
		}
		letters, err := content.Letters(reports.FolderFrom, []string{"preview@localhost"}, "preview/"+rand.Text(), time.Now())
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
