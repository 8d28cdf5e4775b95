package main

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"rimeyard/internal/fleet"
	"rimeyard/internal/store"
	"rimeyard/reports"
)

type saveOptions struct {
	asOf  *asOfFlag
	depot string
	top   int
	out   string
	paper string
}

func newReportSaveCmd() *cobra.Command {
	var opt saveOptions
	cmd := &cobra.Command{
		Use:   "save REPORT --out FILE",
		Short: "Write a report to a file: .pdf to print, .xlsx to reckon with, .csv for programs, or its letter as .html, .eml or .txt",
		Long: `Writes a report to FILE, in the form that its name ends with: .pdf for paper, .xlsx as a workbook with live totals, .csv as a
plain table, or the letter: .html for a browser, .eml for a mail program, .txt to read at a terminal. A file that is there already is
replaced. Not every report comes in every form. Of the winter list, workbook and table hold all units, the others the first --top.`,
		Example: `  rimeyard report save winter-list --out winter-list.pdf
  rimeyard report save winter-list --depot NOR --as-of 2025-10-01 --out north.xlsx
  rimeyard report save tonight --depot NOR --out checklist.pdf
  rimeyard report save audit --paper Letter --out audit.pdf`,
		Args: func(cmd *cobra.Command, args []string) error {
			if err := reportName(cmd, args); err != nil {
				return err
			}
			return opt.check(args[0])
		},
		RunE: func(cmd *cobra.Command, args []string) error { return runReportSave(cmd, args[0], opt) },
	}
	opt.asOf = addAsOfFlag(cmd)
	cmd.Flags().StringVar(&opt.depot, "depot", "", "only what is of this depot")
	cmd.Flags().IntVar(&opt.top, "top", reports.DefaultTop, "write this many units of the winter list")
	cmd.Flags().StringVar(&opt.out, "out", "", "the file to write; what its name ends with says in what form")
	cmd.Flags().StringVar(&opt.paper, "paper", string(reports.A4Paper), "print on A4 or Letter")
	return cmd
}

func (o saveOptions) form() fleet.Attachment {
	return fleet.Attachment(strings.TrimPrefix(strings.ToLower(filepath.Ext(o.out)), "."))
}

func (o saveOptions) check(name string) error {
	kind, err := reportKinds(nil).Named(name)
	switch {
	case err != nil:
		return usageError{err}
	case o.out == "":
		return usageError{fmt.Errorf("save where? add --out %s.pdf; %s comes as %s", name, name, reports.FormNames(kind.Saves()))}
	case o.form() == "":
		return usageError{fmt.Errorf("--out %s: its name must end with %s, which says what to write", o.out, reports.FormNames(kind.Saves()))}
	case o.paper != string(reports.A4Paper) && o.paper != string(reports.LetterPaper):
		return usageError{fmt.Errorf("--paper %q: there is %s and %s", o.paper, reports.A4Paper, reports.LetterPaper)}
	}
	if err := kind.MaySave(o.form()); err != nil {
		return usageError{fmt.Errorf("--out %s: %w; its name must end with one of these", o.out, err)}
	}
	return nil
}

func runReportSave(cmd *cobra.Command, name string, opt saveOptions) error {
	if err := listAlone(cmd, name); err != nil {
		return err
	}
	db, done, err := openDatabase(cmd)
	if err != nil {
		return err
	}
	defer done()
	content, err := opt.compose(cmd, db, name)
	if err != nil {
		return err
	}
	if err := replaceFile(opt.out, content); err != nil {
		return err
	}
	fmt.Fprintln(cmd.OutOrStdout(), opt.out)
	return nil
}

// compose makes the report as a letter about it would tell it now, to whoever uses the command: they see all.
func (o saveOptions) compose(cmd *cobra.Command, db *store.DB, name string) ([]byte, error) {
	kind, err := kindsAsOf(cmd, db, o.asOf, o.top).Named(name)
	if err != nil {
		return nil, err
	}
	now := time.Now()
	asked := reports.Asked{Now: now}
	if o.depot != "" {
		asked.Depots = []fleet.DepotID{fleet.DepotID(o.depot)}
	}
	zone, err := zoneOfAll(cmd.Context(), db, fleet.DepotID(o.depot))
	if err != nil {
		return nil, err
	}
	if asked.Zone, err = time.LoadLocation(zone); err != nil {
		return nil, fmt.Errorf("time zone %q: %w", zone, err)
	}
	asked.Today = fleet.DateOf(now, asked.Zone)
	content, err := kind.Make(cmd.Context(), asked)
	if errors.Is(err, fleet.ErrNoIssue) {
		return nil, fmt.Errorf("%w: run `rimeyard fit` first", err)
	}
	if err != nil {
		return nil, err
	}
	e := reports.Envelope{From: reports.FolderFrom, To: reports.FolderFrom, DedupeKey: "saved/" + name + "/" + o.depot, At: now}
	site, err := publicURL()
	if err != nil {
		return nil, err
	}
	if site != nil {
		e.Page = site.JoinPath(kind.Page).String()
	}
	return content.Saved(o.form(), reports.Paper(o.paper), e)
}

// replaceFile makes the file appear with all of its bytes, or leaves what was there.
func replaceFile(path string, content []byte) (err error) {
	f, err := os.CreateTemp(filepath.Dir(path), ".report-*")
	if err != nil {
		return fmt.Errorf("write %s: %w", path, err)
	}
	_, err = f.Write(content)
	if err = errors.Join(err, f.Chmod(0o644), f.Close()); err == nil {
		err = os.Rename(f.Name(), path)
	}
	if err != nil {
		return fmt.Errorf("write %s: %w", path, errors.Join(err, os.Remove(f.Name())))
	}
	return nil
}
