package main

import (
	"context"

	"github.com/spf13/cobra"

	"rimeyard/alerts"
	"rimeyard/internal/store"
	"rimeyard/reports"
)

func newOdditiesCmd() *cobra.Command {
	var asOf *asOfFlag
	cmd := newListCmd("oddities", "Print readings, records and testers that do not fit: swaps not booked, tests under the wrong number, testers that drift",
		func(db *store.DB, ctx context.Context) ([]alerts.Oddity, error) {
			in, err := rankInput(ctx, db, asOf.day())
			if err != nil {
				return nil, err
			}
			return alerts.Oddities(ctx, in)
		}, listOddities)
	cmd.Example = "  rimeyard oddities\n  rimeyard oddities --format csv"
	asOf = addAsOfFlag(cmd)
	return cmd
}

func listOddities(found []alerts.Oddity, format outputFormat) listing {
	name := func(s string) string { return s }
	if format == asCSV {
		name = reports.Inert
	}
	rows := make([][]string, len(found))
	for i, o := range found {
		rows[i] = []string{o.On.String(), string(o.Kind), name(string(o.Unit)), name(string(o.OtherUnit)), name(string(o.Depot)), name(o.Tester), o.Sentence}
	}
	return listing{
		[]string{"on", "kind", "unit", "other_unit", "depot", "tester", "sentence"},
		rows, found,
		"nothing is odd: readings, records and testers fit each other",
	}
}
