package main

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"rimeyard/internal/fleet"
	"rimeyard/internal/store"
	"rimeyard/reports"
)

// savedReport is a report that can be written to a file.
type savedReport interface {
	PDFOn(paper reports.Paper) ([]byte, error)
	Workbook() ([]byte, error)
	Table() ([]byte, error)
}

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
		Use:   "save winter-list|audit --out FILE",
		Short: "Write a report to a file: .pdf to print, .xlsx to reckon with, .csv for programs",
		Long: `Writes the winter list or the audit to FILE, in the form that its name ends with: .pdf for paper, .xlsx as a workbook with live
totals, .csv as a plain table. A file that is there already is replaced. Workbook and table hold all units, the PDF the first --top.`,
		Example: `  rimeyard report save winter-list --out winter-list.pdf
  rimeyard report save winter-list --depot NOR --as-of 2025-10-01 --out north.xlsx
  rimeyard report save audit --paper Letter --out audit.pdf`,
		Args: func(cmd *cobra.Command, args []string) error {
			if len(args) != 1 || !slices.Contains([]string{reports.WinterListName, reports.AuditName}, args[0]) {
				return usageError{fmt.Errorf("%s wants %s or %s", cmd.CommandPath(), reports.WinterListName, reports.AuditName)}
			}
			return opt.check()
		},
		RunE: func(cmd *cobra.Command, args []string) error { return runReportSave(cmd, args[0], opt) },
	}
	opt.asOf = addAsOfFlag(cmd)
	cmd.Flags().StringVar(&opt.depot, "depot", "", "only what is of this depot")
	cmd.Flags().IntVar(&opt.top, "top", reports.DefaultTop, "print this many units of the winter list")
	cmd.Flags().StringVar(&opt.out, "out", "", "the file to write; its name ends with .pdf, .xlsx or .csv")
	cmd.Flags().StringVar(&opt.paper, "paper", string(reports.A4Paper), "print on A4 or Letter")
	return cmd
}

func (o saveOptions) form() fleet.Attachment {
	return fleet.Attachment(strings.TrimPrefix(strings.ToLower(filepath.Ext(o.out)), "."))
}

func (o saveOptions) check() error {
	forms := fleet.Attachments()
	switch {
	case o.out == "":
		return usageError{errors.New("save where? add --out winter-list.pdf, or .xlsx, or .csv")}
	case !slices.Contains(forms[:], o.form()):
		return usageError{fmt.Errorf("--out %s: its name must end with .pdf, .xlsx or .csv, which says what to write", o.out)}
	case o.paper != string(reports.A4Paper) && o.paper != string(reports.LetterPaper):
		return usageError{fmt.Errorf("--paper %q: there is %s and %s", o.paper, reports.A4Paper, reports.LetterPaper)}
	}
	return nil
}

func runReportSave(cmd *cobra.Command, name string, opt saveOptions) error {
	if name == reports.AuditName {
		for _, flag := range []string{"as-of", "top"} {
			if cmd.Flags().Changed(flag) {
				return usageError{fmt.Errorf("--%s goes with %s alone", flag, reports.WinterListName)}
			}
		}
	}
	db, done, err := openDatabase(cmd)
	if err != nil {
		return err
	}
	defer done()
	report, err := opt.compose(cmd, db, name)
	if err != nil {
		return err
	}
	var content []byte
	switch opt.form() {
	case fleet.AttachPDF:
		content, err = report.PDFOn(reports.Paper(opt.paper))
	case fleet.AttachXLSX:
		content, err = report.Workbook()
	default:
		content, err = report.Table()
	}
	if err != nil {
		return err
	}
	if err := replaceFile(opt.out, content); err != nil {
		return err
	}
	fmt.Fprintln(cmd.OutOrStdout(), opt.out)
	return nil
}

func (o saveOptions) compose(cmd *cobra.Command, db *store.DB, name string) (savedReport, error) {
	depot := fleet.DepotID(o.depot)
	asked := reports.Asked{Now: time.Now(), Zone: time.UTC, Today: o.asOf.day()}
	if depot != "" {
		asked.Depots = []fleet.DepotID{depot}
	}
	if name == reports.AuditName {
		data, err := gatherAudit(db)(cmd.Context(), asked)
		if err != nil {
			return nil, err
		}
		return reports.ComposeAudit(data)
	}
	gather := gatherWinterList(db)
	if day, given := o.asOf.date.Get(); given {
		gather = gatherListOn(cmd, db, day)
	}
	data, err := gather(cmd.Context(), asked)
	if errors.Is(err, fleet.ErrNoIssue) {
		return nil, fmt.Errorf("%w: run `rimeyard fit` first", err)
	}
	if err != nil {
		return nil, err
	}
	data.Depot, data.Today = depot, o.asOf.day()
	return reports.Compose(data, o.top)
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
