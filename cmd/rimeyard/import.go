package main

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"time"

	"github.com/spf13/cobra"

	"rimeyard/ingest"
)

type importOptions struct {
	format    *outputFormat
	dryRun    bool
	amend     bool
	keptApart string
}

func newImportCmd() *cobra.Command {
	var opt importOptions
	cmd := &cobra.Command{
		Use:   "import PATH…",
		Short: "Take in interchange files, and keep bad rows apart with their reasons",
		Long: `Takes in interchange files (CSV, packed with gzip or not) and folders of them. The kind of a file is told by its
columns, not by its name, and files are taken in the order that their references need. A bad row is kept apart with its
file, line, column, value and reason; the good ones go in. Reading a file twice changes nothing.

Exit code 3: done, but rows were kept apart or a file was refused. Exit code 2: a path is not there, and nothing was taken.`,
		Example: `  rimeyard import exports/
  rimeyard import --amend batteries.csv           # fittings that have ended since the last time
  rimeyard import --dry-run 2025-w40_battery_tests.csv.gz
  rimeyard import --kept-apart to-mend exports/   # mend the files in to-mend, then: rimeyard import to-mend`,
		Args: func(_ *cobra.Command, args []string) error {
			if len(args) == 0 {
				return usageError{errors.New("import what? name at least one file or folder")}
			}
			return allThere(args)
		},
		RunE: func(cmd *cobra.Command, args []string) error { return runImport(cmd, args, opt) },
	}
	opt.format = addFormatFlag(cmd)
	cmd.Flags().BoolVar(&opt.amend, "amend", false, "let depots, vehicles, fittings and temperatures that changed take the place of what stands; readings never change")
	cmd.Flags().BoolVar(&opt.dryRun, "dry-run", false, "tell what would be done, and leave everything as it was")
	cmd.Flags().StringVar(&opt.keptApart, "kept-apart", "", "write the rows kept apart into files in this folder, to mend and import again")
	return cmd
}

// allThere refuses paths at which there is nothing, before anything is taken: a slip of the keyboard is no bad file.
func allThere(paths []string) error {
	var missing []error
	for _, p := range paths {
		if _, err := os.Stat(p); errors.Is(err, fs.ErrNotExist) {
			missing = append(missing, fmt.Errorf("import %s: there is no such file or folder", p))
		}
	}
	if len(missing) == 0 {
		return nil
	}
	return usageError{fmt.Errorf("%w\nnothing was taken: check the path and run the command again", errors.Join(missing...))}
}

func runImport(cmd *cobra.Command, paths []string, opt importOptions) (err error) {
	db, closeDB, err := openDatabase(cmd)
	if err != nil {
		return err
	}
	defer closeDB()
	res, err := ingest.Import(cmd.Context(), db, paths, ingest.Options{
		Source: "command", Now: time.Now(), Amend: opt.amend, DryRun: opt.dryRun, Progress: importProgress(cmd.ErrOrStderr()),
	})
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, res.Close()) }()
	for _, n := range res.Notices {
		fmt.Fprintln(cmd.ErrOrStderr(), "note:", n)
	}
	if opt.keptApart != "" {
		if _, err := ingest.WriteKept(opt.keptApart, res.Kept()); err != nil {
			return err
		}
	}
	if err := printImport(cmd.OutOrStdout(), res, *opt.format); err != nil {
		return err
	}
	if opt.dryRun {
		fmt.Fprintln(cmd.ErrOrStderr(), "dry run: nothing was changed")
	}
	if !res.Complete() {
		return errKeptApart
	}
	return nil
}

func printImport(w io.Writer, res *ingest.Result, format outputFormat) error {
	switch format {
	case asJSON:
		return res.WriteJSON(w)
	case asCSV:
		return res.WriteCSV(w)
	default:
		return res.WriteTable(w)
	}
}

// importProgress counts rows on stderr while people watch.
func importProgress(w io.Writer) func(string, int64) {
	if !isTerminal(w) {
		return nil
	}
	return func(file string, rows int64) { fmt.Fprintf(w, "reading %s: %d rows\r", file, rows) }
}
