package main

import (
	"context"
	"fmt"
	"io"
	"slices"

	"github.com/spf13/cobra"

	"rimeyard/alerts"
	"rimeyard/internal/fleet"
	"rimeyard/internal/store"
	"rimeyard/plan"
	"rimeyard/reports"
)

func newPlanCmd() *cobra.Command {
	cmd := &cobra.Command{
		Use: "plan", Args: cobra.NoArgs,
		Short:   "Put the work into the depots' weeks, so that the most expected loss is avoided before the cold; what people have locked stays",
		Example: "  rimeyard plan --depot NOR\n  rimeyard plan --budget 12000 --format json",
	}
	format, asOf := addFormatFlag(cmd), addAsOfFlag(cmd)
	depot := cmd.Flags().String("depot", "", "only this depot")
	budget := cmd.Flags().String("budget", "", "the most that all parts together may cost")
	cmd.RunE = func(cmd *cobra.Command, _ []string) error {
		limit, err := parseBudget(*budget)
		if err != nil {
			return err
		}
		db, done, err := openDatabase(cmd)
		if err != nil {
			return err
		}
		defer done()
		var of []fleet.DepotID
		if *depot != "" {
			of = []fleet.DepotID{fleet.DepotID(*depot)}
			if err := checkDepot(cmd.Context(), db, of[0]); err != nil {
				return err
			}
		}
		source, err := planSourceAsOf(cmd, db, asOf)
		if err != nil {
			return err
		}
		p, err := reports.PlanUnder(cmd.Context(), source, of, asOf.day(), limit)
		if err != nil {
			return err
		}
		return printPlan(cmd.OutOrStdout(), *format, p)
	}
	return cmd
}

func parseBudget(typed string) (fleet.Opt[fleet.Money], error) {
	if typed == "" {
		return fleet.Opt[fleet.Money]{}, nil
	}
	m, err := fleet.ParseMoney(typed)
	if err != nil || m < 0 {
		return fleet.Opt[fleet.Money]{}, usageError{fmt.Errorf("--budget %q: want an amount like 12000 or 12000.00", typed)}
	}
	return fleet.Known(m), nil
}

// checkDepot refuses a depot that there is not.
func checkDepot(ctx context.Context, db *store.DB, id fleet.DepotID) error {
	depots, err := db.Depots(ctx)
	if err == nil && !slices.ContainsFunc(depots, func(d fleet.Depot) bool { return d.ID == id }) {
		err = usageError{fmt.Errorf("--depot %s: there is no such depot", id)}
	}
	return err
}

// planSourceAsOf is the database, whose newest list the plan is made of; with a date asked for, a list made for that date.
func planSourceAsOf(cmd *cobra.Command, db *store.DB, asOf *asOfFlag) (reports.PlanSource, error) {
	if !asOf.date.IsKnown() {
		catchUp(cmd, db)
		return db, nil
	}
	in, err := rankInput(cmd.Context(), db, asOf.day())
	if err != nil {
		return nil, err
	}
	in.Progress = progressOf(cmd)
	issued, err := alerts.Issue(cmd.Context(), in)
	if err != nil {
		return nil, err
	}
	units, err := db.Units(cmd.Context())
	return newListMade(db, issued, units), err
}

// listMade answers with a list that is not kept.
type listMade struct {
	*store.DB
	issue  fleet.Issue
	listed []fleet.Listed
}

func newListMade(db *store.DB, issued alerts.Issued, units []fleet.Unit) listMade {
	m := listMade{DB: db, issue: fleet.Issue{AsOf: issued.List.AsOf, Season: issued.List.Season}}
	byUnit, outlooks := map[fleet.UnitID]fleet.Unit{}, map[fleet.UnitID]*fleet.Outlook{}
	for _, u := range units {
		byUnit[u.ID] = u
	}
	for i := range issued.Outlooks {
		outlooks[issued.Outlooks[i].Unit] = &issued.Outlooks[i]
	}
	for _, f := range issued.List.Units {
		m.listed = append(m.listed, fleet.Listed{Unit: byUnit[f.Unit], Forecast: f, Outlook: outlooks[f.Unit]})
	}
	return m
}

// LatestIssue is the list made.
func (m listMade) LatestIssue(context.Context) (fleet.Issue, error) { return m.issue, nil }

// Listed are its lines of the depots asked for.
func (m listMade) Listed(_ context.Context, _ int64, f fleet.ListFilter) ([]fleet.Listed, error) {
	if f.Depots == nil {
		return m.listed, nil
	}
	return slices.DeleteFunc(slices.Clone(m.listed), func(l fleet.Listed) bool { return !slices.Contains(f.Depots, l.Forecast.Depot) }), nil
}

// ListedAhead are the same lines.
func (m listMade) ListedAhead(ctx context.Context, issue int64, of []fleet.DepotID) ([]fleet.Listed, error) {
	return m.Listed(ctx, issue, fleet.ListFilter{Depots: of})
}

// whyColumn is the last, which is too wide for a table: CSV and JSON have it.
const whyColumn = 8

func printPlan(w io.Writer, format outputFormat, p plan.Plan) error {
	header, rows := reports.PlanHeader(), reports.PlanRows(p)
	switch format {
	case asJSON:
		return writeJSON(w, p)
	case asCSV:
		return writeCSV(w, header, rows)
	}
	for _, lines := range [][]string{p.Why, p.Notes} {
		for _, line := range lines {
			fmt.Fprintln(w, line)
		}
	}
	for _, d := range p.Depots {
		for _, line := range d.Why {
			fmt.Fprintf(w, "%s: %s\n", d.Depot, line)
		}
	}
	for _, m := range p.MissingParts {
		fmt.Fprintf(w, "%s: order %d of %s, needed by %s\n", m.Depot, m.Pieces, m.PartNumber, m.NeededBy)
	}
	if len(rows) == 0 {
		_, err := fmt.Fprintln(w, "No visit and no test pays in the weeks to come.")
		return err
	}
	for i, row := range rows {
		rows[i] = row[:whyColumn]
	}
	fmt.Fprintln(w)
	return writeTable(w, header[:whyColumn], rows)
}
