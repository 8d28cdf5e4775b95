package main

import (
	"encoding/csv"
	"encoding/json"
	"fmt"
	"io"
	"os"
	"text/tabwriter"
	"time"

	"github.com/spf13/cobra"
	"golang.org/x/term"

	"rimeyard/internal/fleet"
)

// outputFormat is the --format of commands that print results.
type outputFormat string

const (
	asTable outputFormat = "table"
	asJSON  outputFormat = "json"
	asCSV   outputFormat = "csv"
)

func (f *outputFormat) String() string { return string(*f) }

// Type is what the help shows for the flag's value.
func (f *outputFormat) Type() string { return "table|json|csv" }

// Set refuses what is none of the three.
func (f *outputFormat) Set(s string) error {
	switch outputFormat(s) {
	case asTable, asJSON, asCSV:
		*f = outputFormat(s)
		return nil
	}
	return fmt.Errorf("want table, json or csv")
}

func addFormatFlag(cmd *cobra.Command) *outputFormat {
	f := asTable
	cmd.Flags().Var(&f, "format", "how to print the result")
	return &f
}

// asOfFlag is the --as-of of commands that depend on a date; left out, it is today.
type asOfFlag struct{ date fleet.Opt[fleet.Date] }

func (f *asOfFlag) String() string {
	if d, known := f.date.Get(); known {
		return d.String()
	}
	return ""
}

// Type is what the help shows for the flag's value.
func (f *asOfFlag) Type() string { return "YYYY-MM-DD" }

// Set reads the date.
func (f *asOfFlag) Set(s string) error {
	d, err := fleet.ParseDate(s)
	f.date = fleet.Known(d)
	return err
}

func (f *asOfFlag) day() fleet.Date { return f.date.Or(fleet.DateOf(time.Now(), time.Local)) }

func addAsOfFlag(cmd *cobra.Command) *asOfFlag {
	f := &asOfFlag{}
	cmd.Flags().Var(f, "as-of", "use only what was known when this day began (default: today)")
	return f
}

func writeJSON(w io.Writer, v any) error {
	enc := json.NewEncoder(w)
	enc.SetIndent("", "  ")
	enc.SetEscapeHTML(false)
	return enc.Encode(v)
}

func writeCSV(w io.Writer, header []string, rows [][]string) error {
	out := csv.NewWriter(w)
	if err := out.Write(header); err != nil {
		return err
	}
	return out.WriteAll(rows)
}

// writeTable aligns columns by spaces, for the terminal.
func writeTable(w io.Writer, header []string, rows [][]string) error {
	out := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	for _, row := range append([][]string{header}, rows...) {
		for i, cell := range row {
			sep := "\t"
			if i == len(row)-1 {
				sep = "\n"
			}
			fmt.Fprint(out, cell, sep)
		}
	}
	return out.Flush()
}

// sayer tells on stderr what takes long, to people only: a script's log stays clean.
func sayer(cmd *cobra.Command) func(string) {
	if !isTerminal(cmd.ErrOrStderr()) {
		return func(string) {}
	}
	return func(s string) { fmt.Fprintln(cmd.ErrOrStderr(), s) }
}

func isTerminal(w io.Writer) bool {
	f, ok := w.(*os.File)
	return ok && term.IsTerminal(int(f.Fd()))
}
