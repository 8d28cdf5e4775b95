package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"iter"
	"runtime"
	"slices"
	"strconv"
	"strings"

	"github.com/spf13/cobra"

	"rimeyard/alerts"
	"rimeyard/internal/fleet"
	"rimeyard/internal/store"
	"rimeyard/reports"
)

func newRankCmd() *cobra.Command {
	cmd := &cobra.Command{
		Use: "rank", Args: cobra.NoArgs,
		Short:   "Print the ranked list: which units will not start this season, why, and by when to act",
		Example: "  rimeyard rank --top 20\n  rimeyard rank --as-of 2025-10-01 --format json",
	}
	format, asOf := addFormatFlag(cmd), addAsOfFlag(cmd)
	top := cmd.Flags().Int("top", 0, "print only this many units (0: all)")
	depot := cmd.Flags().String("depot", "", "print only the units of this depot")
	cmd.RunE = func(cmd *cobra.Command, _ []string) error {
		db, done, err := openDatabase(cmd)
		if err != nil {
			return err
		}
		defer done()
		list, err := rankFleet(cmd.Context(), db, asOf.day(), progressOf(cmd))
		if err != nil {
			return err
		}
		if err := noteUncounted(cmd, db, asOf, ""); err != nil {
			return err
		}
		list.Units = ofDepot(list.Units, fleet.DepotID(*depot))
		return printRanked(cmd.OutOrStdout(), *format, list, *top)
	}
	return cmd
}

func newFitCmd() *cobra.Command {
	cmd := &cobra.Command{
		Use: "fit", Args: cobra.NoArgs,
		Short: "Judge every unit anew and issue the ranked list that pages and mail show; issued lists are kept for the audit",
	}
	asOf := addAsOfFlag(cmd)
	cmd.RunE = func(cmd *cobra.Command, _ []string) error {
		db, done, err := openDatabase(cmd)
		if err != nil {
			return err
		}
		defer done()
		list, err := issueList(cmd.Context(), db, asOf.day(), progressOf(cmd))
		if err != nil {
			return err
		}
		fmt.Fprintf(cmd.OutOrStdout(), "issued the list of %s: %s\n", list.AsOf, bandSummary(list.Units))
		if asOf.date.IsKnown() {
			return nil
		}
		_, err = reports.NewPlans(db).Keep(cmd.Context(), asOf.day()) // so that the plan's page need not make it
		return err
	}
	return cmd
}

var errNoUnits = errors.New("the fleet has no units yet: bring them with rimeyard import, or look at rimeyard demo")

// issueList judges the fleet and keeps the list.
func issueList(ctx context.Context, db *store.DB, asOf fleet.Date, progress func(int)) (fleet.RankedList, error) {
	in, err := rankInput(ctx, db, asOf)
	if err != nil {
		return fleet.RankedList{}, err
	}
	in.Progress = progress
	issued, err := alerts.Issue(ctx, in)
	if err != nil {
		return fleet.RankedList{}, err
	}
	if len(issued.List.Units) == 0 {
		return fleet.RankedList{}, errNoUnits
	}
	learned, err := json.Marshal(issued.Learned)
	if err != nil {
		return fleet.RankedList{}, fmt.Errorf("keep what was learned from the fleet: %w", err)
	}
	_, err = db.AddIssue(ctx, issued.List, alerts.Method, fleet.Beside{Outlooks: issued.Outlooks, Learned: learned})
	return issued.List, err
}

// issueOnce issues the list of a day unless that day, or a later one, has its list already.
func issueOnce(ctx context.Context, db *store.DB, day fleet.Date, progress func(int)) (issued bool, err error) {
	latest, err := db.LatestIssue(ctx)
	if err == nil && latest.AsOf >= day {
		return false, nil
	}
	if err != nil && !errors.Is(err, fleet.ErrNoIssue) {
		return false, err
	}
	_, err = issueList(ctx, db, day, progress)
	return err == nil, err
}

// rankFleet judges every unit by what was known when day asOf began.
func rankFleet(ctx context.Context, db *store.DB, asOf fleet.Date, progress func(int)) (fleet.RankedList, error) {
	in, err := rankInput(ctx, db, asOf)
	if err != nil {
		return fleet.RankedList{}, err
	}
	in.Progress = progress
	return alerts.Rank(ctx, in)
}

func rankInput(ctx context.Context, db *store.DB, asOf fleet.Date) (alerts.Input, error) {
	if err := db.RefreshDigests(ctx); err != nil {
		return alerts.Input{}, err
	}
	depots, err := db.Depots(ctx)
	if err != nil {
		return alerts.Input{}, err
	}
	temps, err := db.DayTemps(ctx)
	if err != nil {
		return alerts.Input{}, err
	}
	kept, err := keptLesson(ctx, db)
	if err != nil {
		return alerts.Input{}, err
	}
	units, err := db.Units(ctx)
	if err != nil {
		return alerts.Input{}, err
	}
	again := func(units []fleet.Unit) iter.Seq2[fleet.History, error] { return db.HistoriesOf(ctx, units) }
	return alerts.Input{
		AsOf: asOf, Depots: depots, Temps: temps, Histories: again(units), Units: units, Again: again, Workers: runtime.GOMAXPROCS(0), Kept: kept,
	}, nil
}

// keptLesson is what the newest list learned; nil while nothing is kept.
func keptLesson(ctx context.Context, db *store.DB) (*alerts.Learned, error) {
	_, lesson, err := db.Learned(ctx)
	if errors.Is(err, fleet.ErrNoIssue) {
		return nil, nil //nolint:nilnil // nothing is kept, and nothing is wrong
	}
	if err != nil {
		return nil, err
	}
	learned, err := alerts.ReadLearned(lesson)
	return &learned, err
}

// progressOf counts units on stderr while people watch.
func progressOf(cmd *cobra.Command) func(int) {
	w := cmd.ErrOrStderr()
	if !isTerminal(w) {
		return nil
	}
	return func(done int) {
		if done%100 == 0 {
			fmt.Fprintf(w, "\rjudging units: %d ", done)
		}
	}
}

func ofDepot(units []fleet.Forecast, depot fleet.DepotID) []fleet.Forecast {
	if depot == "" {
		return units
	}
	return slices.DeleteFunc(units, func(f fleet.Forecast) bool { return f.Depot != depot })
}

func bandSummary(units []fleet.Forecast) string {
	counts := map[fleet.Band]int{}
	for _, f := range units {
		counts[f.Band]++
	}
	var parts []string
	for _, b := range []fleet.Band{fleet.Down, fleet.Swap, fleet.Watch, fleet.Sound, fleet.UnknownBand} {
		if counts[b] > 0 {
			parts = append(parts, fmt.Sprintf("%d %s", counts[b], b))
		}
	}
	return fmt.Sprintf("%d units (%s)", len(units), strings.Join(parts, ", "))
}

// printRanked prints the first top units (0: all); the summary above a table counts the whole list.
func printRanked(w io.Writer, format outputFormat, list fleet.RankedList, top int) error {
	summary := bandSummary(list.Units)
	if top > 0 {
		list.Units = list.Units[:min(top, len(list.Units))]
	}
	switch format {
	case asJSON:
		return writeJSON(w, list)
	case asCSV:
		return rankedCSV(w, list.AsOf, list.Units)
	}
	if len(list.Units) == 0 {
		return errNoUnits
	}
	fmt.Fprintf(w, "As of %s, for the season %s to %s: %s\n\n", list.AsOf, list.Season.From, list.Season.To, summary)
	header := []string{"#", "unit", "depot", "band", "chance", "cold limit °C", "suspect", "loss", "swap", "swap by", "evidence"}
	rows := make([][]string, len(list.Units))
	for i, f := range list.Units {
		evidence := ""
		if len(f.Evidence) > 0 {
			evidence = f.Evidence[0]
		}
		rows[i] = []string{
			strconv.Itoa(f.Rank), string(f.Unit), string(f.Depot), string(f.Band), percent(f.NoStartProbability), limitText(f),
			fmt.Sprintf("%s %.0f %%", f.Suspect, 100*f.SuspectProbabilities[f.Suspect]),
			orDash(f.ExpectedLoss), orDash(f.SwapCost), orDash(f.SwapBy), evidence,
		}
	}
	return writeTable(w, header, rows)
}

func rankedCSV(w io.Writer, asOf fleet.Date, units []fleet.Forecast) error {
	rows := make([][]string, len(units))
	for i, f := range units {
		rows[i] = reports.TableRow(f, asOf, nil)
	}
	return writeCSV(w, reports.TableHeader(), rows)
}

func percent(p fleet.Opt[float64]) string {
	x, known := p.Get()
	switch {
	case !known:
		return "–"
	case x < 0.005:
		return "<1 %"
	}
	return fmt.Sprintf("%.0f %%", 100*x)
}

func limitText(f fleet.Forecast) string {
	limit, known := f.ColdLimitC.Get()
	if !known {
		return "–"
	}
	return fmt.Sprintf("%.0f (%.0f … %.0f)", limit, f.ColdLimitP10C.Or(limit), f.ColdLimitP90C.Or(limit))
}

func orDash[T interface {
	comparable
	fmt.Stringer
}](o fleet.Opt[T]) string {
	if s := orEmpty(o); s != "" {
		return s
	}
	return "–"
}

func orEmpty[T interface {
	comparable
	fmt.Stringer
}](o fleet.Opt[T]) string {
	if v, known := o.Get(); known {
		return v.String()
	}
	return ""
}
