package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"time"

	"github.com/spf13/cobra"

	"rimeyard/alerts"
	"rimeyard/internal/fleet"
	"rimeyard/internal/store"
	"rimeyard/trend"
)

func newAuditCmd() *cobra.Command {
	cmd := &cobra.Command{
		Use: "audit", Args: cobra.NoArgs,
		Short: "Replay past seasons with only what was known at their start, and hold the forecasts against what came",
		Long: `Replays past seasons: makes the ranked list as of the first day of each, from nothing dated on that day or later,
and holds it against the breakdowns that followed; beside it stand three rules in use today: age of the battery, last test,
lowest cranking volts.`,
		Example: "  rimeyard audit\n  rimeyard audit --as-of 2025-10-01 --format json",
	}
	format := addFormatFlag(cmd)
	asOf := &asOfFlag{}
	cmd.Flags().Var(asOf, "as-of", "judge the list of this one day (default: the first day of each past season on record)")
	cmd.RunE = func(cmd *cobra.Command, _ []string) error {
		db, done, err := openDatabase(cmd)
		if err != nil {
			return err
		}
		defer done()
		results, err := auditSeasons(cmd.Context(), db, asOf.date, fleet.DateOf(time.Now(), time.UTC), progressOf(cmd))
		if err != nil {
			return err
		}
		return printAudit(cmd.OutOrStdout(), *format, results)
	}
	return cmd
}

var errNothingToAudit = errors.New("there is nothing to audit yet: no season since the first reading is over")

func auditSeasons(ctx context.Context, db *store.DB, only fleet.Opt[fleet.Date], today fleet.Date, progress func(int)) ([]alerts.AuditResult, error) {
	days := []fleet.Date{only.Or(0)}
	if !only.IsKnown() {
		var err error
		if days, err = seasonStarts(ctx, db, today); err != nil {
			return nil, err
		}
	}
	var results []alerts.AuditResult
	for _, day := range days {
		list, err := rankFleet(ctx, db, day, progress)
		if err != nil {
			return nil, err
		}
		in, err := rankInput(ctx, db, day)
		if err != nil {
			return nil, err
		}
		r, err := alerts.Audit(alerts.AuditInput{
			List: list, Depots: in.Depots, Temps: in.Temps, Histories: in.Histories, Through: fleet.Known(today - 1),
		})
		if err != nil {
			return nil, err
		}
		results = append(results, r)
	}
	return results, nil
}

// seasonStarts are the first days of the seasons that are over and for which at least three months of readings lead up.
func seasonStarts(ctx context.Context, db *store.DB, today fleet.Date) ([]fleet.Date, error) {
	first, err := db.FirstReading(ctx)
	if err != nil {
		return nil, err
	}
	day, known := first.Get()
	if !known {
		return nil, errNothingToAudit
	}
	depots, err := db.Depots(ctx)
	if err != nil || len(depots) == 0 {
		return nil, errors.Join(errNothingToAudit, err)
	}
	var starts []fleet.Date
	for s := trend.SeasonOf(day.AddMonths(3), depots[0]); s.To < today; s = trend.SeasonOf(s.To+1, depots[0]) {
		if s.From >= day.AddMonths(3) {
			starts = append(starts, s.From)
		}
	}
	if len(starts) == 0 {
		return nil, errNothingToAudit
	}
	return starts, nil
}

func printAudit(w io.Writer, format outputFormat, results []alerts.AuditResult) error {
	switch format {
	case asJSON:
		return writeJSON(w, struct {
			Seasons []alerts.AuditResult `json:"seasons"`
		}{results})
	case asCSV:
		var rows [][]string
		for _, r := range results {
			for _, row := range r.Rows() {
				rows = append(rows, append([]string{r.AsOf.String()}, row...))
			}
		}
		return writeCSV(w, append([]string{"as_of"}, alerts.AuditColumns()...), rows)
	}
	for _, r := range results {
		if err := printAuditOf(w, r); err != nil {
			return err
		}
	}
	return nil
}

func printAuditOf(w io.Writer, r alerts.AuditResult) error {
	fmt.Fprintf(w, "List of %s, season %s to %s\n%s\n", r.AsOf, r.Season.From, r.Through, r.Judgement)
	fmt.Fprintf(w, "%d units: %d failed, %.1f ± %.1f expected; %d had a part taken out before it could fail\n\n",
		r.Scored, r.Failed, r.Expected, r.ExpectedSD, r.TakenOut)
	var rows [][]string
	for _, k := range append([]alerts.Ranking{r.Forecast}, r.Rules...) {
		rows = append(rows, []string{k.Rule, decimals(k.AUC, 3), decimals(k.AUCSE, 3), percent(k.Precision), fmt.Sprint(k.Known)})
	}
	header := []string{"ordered by", "AUC", "±", "of the top, failed", "units with a value"}
	if err := writeTable(w, header, rows); err != nil {
		return err
	}
	s := r.Scores
	fmt.Fprintf(w, "\nBrier score %s, log loss %s, calibration error over ten groups %s\n",
		decimals(s.Brier, 4), decimals(s.LogLoss, 4), decimals(s.CalibrationError, 4))
	fmt.Fprintf(w, "right part named: %d of %d failures, %d of the %d caught\n\n", r.Parts.Right, r.Parts.Failed, r.Parts.CaughtRight, r.Parts.Caught)
	rows = nil
	for _, g := range r.Bands {
		rows = append(rows, []string{g.Name, fmt.Sprint(g.Units), fmt.Sprintf("%.1f", g.Expected), fmt.Sprint(g.Failed)})
	}
	if err := writeTable(w, []string{"band", "units", "expected to fail", "failed"}, rows); err != nil {
		return err
	}
	_, err := fmt.Fprintln(w)
	return err
}

func decimals(v fleet.Opt[float64], places int) string {
	x, known := v.Get()
	if !known {
		return "–"
	}
	return fmt.Sprintf("%.*f", places, x)
}
