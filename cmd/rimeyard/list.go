package main

import (
	"context"
	"fmt"
	"io"
	"strings"

	"github.com/spf13/cobra"

	"rimeyard/internal/store"
)

// listing is rows of one kind, ready to print in all three formats.
type listing struct {
	header []string // names as in JSON
	rows   [][]string
	json   any
	empty  string // what a table says instead when there are no rows
}

// newListCmd prints what read finds, in the form that list gives it.
func newListCmd[T any](use, short string, read func(*store.DB, context.Context) ([]T, error), list func([]T, outputFormat) listing) *cobra.Command {
	cmd := &cobra.Command{Use: use, Args: cobra.NoArgs, Short: short}
	format := addFormatFlag(cmd)
	cmd.RunE = func(cmd *cobra.Command, _ []string) error {
		db, done, err := openDatabase(cmd)
		if err != nil {
			return err
		}
		defer done()
		found, err := read(db, cmd.Context())
		if err != nil {
			return err
		}
		return list(found, *format).print(cmd.OutOrStdout(), *format)
	}
	return cmd
}

func (l listing) print(w io.Writer, format outputFormat) error {
	switch {
	case format == asJSON:
		return writeJSON(w, l.json)
	case format == asCSV:
		return writeCSV(w, l.header, l.rows)
	case len(l.rows) == 0:
		_, err := fmt.Fprintln(w, l.empty)
		return err
	}
	words := make([]string, len(l.header))
	for i, name := range l.header {
		words[i] = strings.ReplaceAll(name, "_", " ")
	}
	return writeTable(w, words, l.rows)
}
