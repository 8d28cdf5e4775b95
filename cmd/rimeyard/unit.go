package main

import (
	"context"
	"fmt"
	"io"
	"slices"
	"strconv"
	"time"

	"github.com/spf13/cobra"

	"rimeyard/alerts"
	"rimeyard/internal/fleet"
	"rimeyard/internal/store"
)

// unitSheet is all that the unit command prints; the newest readings come first.
type unitSheet struct {
	AsOf       fleet.Date
	Forecast   fleet.Forecast
	History    fleet.History
	Depot      fleet.Depot
	Population int // units in the list, so that the rank means something
	Months     []alerts.Month
	Outlook    fleet.Outlook
}

// chanceSpan holds nine in ten true chances of units that read alike.
type chanceSpan struct {
	P05 fleet.Opt[float64] `json:"p05"`
	P95 fleet.Opt[float64] `json:"p95"`
}

func newUnitCmd() *cobra.Command {
	cmd := &cobra.Command{
		Use: "unit UNIT", Args: oneArg("one unit's number, like P-031"),
		Short: "Print one unit: verdict and evidence, what is fitted, its last tests, cranks and breakdowns",
	}
	format, asOf := addFormatFlag(cmd), addAsOfFlag(cmd)
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		db, done, err := openDatabase(cmd)
		if err != nil {
			return err
		}
		defer done()
		sheet, err := loadUnitSheet(cmd.Context(), db, fleet.UnitID(args[0]), asOf.day(), progressOf(cmd))
		if err != nil {
			return err
		}
		if err := noteUncounted(cmd, db, asOf, fleet.UnitID(args[0])); err != nil {
			return err
		}
		return printUnitSheet(cmd.OutOrStdout(), *format, sheet)
	}
	return cmd
}

func loadUnitSheet(ctx context.Context, db *store.DB, id fleet.UnitID, asOf fleet.Date, progress func(int)) (unitSheet, error) {
	in, err := rankInput(ctx, db, asOf)
	if err != nil {
		return unitSheet{}, err
	}
	in.Progress = progress
	ranked, err := alerts.RankUnit(ctx, in, id)
	if err != nil {
		return unitSheet{}, err
	}
	list := ranked.List
	i := slices.IndexFunc(list.Units, func(f fleet.Forecast) bool { return f.Unit == id })
	if i < 0 {
		return unitSheet{}, usageError{fmt.Errorf("unit %q is not in the fleet: rimeyard rank lists the units there are", id)}
	}
	h, err := db.History(ctx, id)
	if err != nil {
		return unitSheet{}, err
	}
	sheet := unitSheet{AsOf: asOf, Forecast: list.Units[i], Population: len(list.Units), Months: ranked.Months, Outlook: ranked.Outlook}
	depots, err := db.Depots(ctx)
	if err != nil {
		return unitSheet{}, err
	}
	for _, d := range depots {
		if d.ID == h.Unit.Depot {
			sheet.Depot = d
		}
	}
	sheet.History = h.AsOf(asOf, sheet.Depot.Zone())
	return sheet, nil
}

func batteriesWords(n int) string {
	if n == 1 {
		return "1 battery"
	}
	return fmt.Sprintf("%d batteries", n)
}

func printUnitSheet(w io.Writer, format outputFormat, s unitSheet) error {
	switch format {
	case asJSON:
		return writeJSON(w, struct {
			AsOf     fleet.Date     `json:"as_of"`
			Forecast fleet.Forecast `json:"forecast"`
			Sure     chanceSpan     `json:"no_start_probability_90"`
			Months   []alerts.Month `json:"months"`
			Readings readingCounts  `json:"readings"`
		}{s.AsOf, s.Forecast, chanceSpan{s.Outlook.ChanceP05, s.Outlook.ChanceP95}, s.Months, countReadings(s.History)})
	case asCSV:
		return rankedCSV(w, s.AsOf, []fleet.Forecast{s.Forecast})
	}
	u, f := s.History.Unit, s.Forecast
	fmt.Fprintf(w, "%s · %s · %s %s, %d V, %s, parked %s\n", u.ID, u.Depot, u.Class, u.Fuel, u.SystemVolts, batteriesWords(u.Batteries), u.Parked)
	fmt.Fprintf(w, "As of %s: %s, rank %d of %d\n\n", s.AsOf, f.Band, f.Rank, s.Population)
	fmt.Fprintf(w, "  chance of a failed start this season  %s\n", percent(f.NoStartProbability))
	fmt.Fprintf(w, "  what a look inside would make of it   %s … %s (nine in ten units that read alike)\n", percent(s.Outlook.ChanceP05), percent(s.Outlook.ChanceP95))
	fmt.Fprintf(w, "  cold limit °C (80 %% interval)         %s\n", limitText(f))
	fmt.Fprintf(w, "  expected loss / swap / swap by        %s / %s / %s\n", orDash(f.ExpectedLoss), orDash(f.SwapCost), orDash(f.SwapBy))
	fmt.Fprint(w, "  if it fails, the part to blame        ")
	for i, p := range fleet.Suspects() {
		if i > 0 {
			fmt.Fprint(w, ", ")
		}
		fmt.Fprintf(w, "%s %.0f %%", p, 100*f.SuspectProbabilities[p])
	}
	fmt.Fprint(w, "\n\nWhy\n")
	for _, e := range f.Evidence {
		fmt.Fprintf(w, "  - %s\n", e)
	}
	printMonths(w, s.Months)
	return printUnitRows(w, s)
}

func printMonths(w io.Writer, months []alerts.Month) {
	fmt.Fprint(w, "\nIf nothing is done\n")
	for _, m := range months {
		fmt.Fprintf(w, "  from %s  cold limit %4.0f °C (%.0f … %.0f), failed by its end %s\n", m.From, m.ColdLimitC, m.ColdLimitP10C, m.ColdLimitP90C, percent(m.NoStartProbability))
	}
}

func printUnitRows(w io.Writer, s unitSheet) error {
	const shown = 8
	zone := s.Depot.Zone()
	when := func(t time.Time) string { return t.In(zone).Format("2006-01-02 15:04") }
	var fitted [][]string
	for _, b := range s.History.Batteries {
		fitted = append(fitted, []string{
			"battery " + strconv.Itoa(b.Position), b.Battery, fmt.Sprintf("%s, %.0f A %s", b.Part, b.RatedCCAA, b.CCAStandard),
			orDash(b.FittedOn), orDash(b.RemovedOn), string(b.RemovedBecause),
		})
	}
	for _, st := range s.History.Starters {
		fitted = append(fitted, []string{"starter", st.Starter, st.Part, orDash(st.FittedOn), orDash(st.RemovedOn), string(st.RemovedBecause)})
	}
	tests := newestFirst(s.History.Tests, shown, func(t fleet.Test) []string {
		return []string{when(t.At), strconv.Itoa(t.Position), short(t.RestV), short(t.CCAA), string(t.CCAStandard), short(t.LoadV), short(t.TemperatureC), t.Tester}
	})
	cranks := newestFirst(s.History.Cranks, shown, func(c fleet.Crank) []string {
		return []string{when(c.At), short(c.RestV), short(c.MinV), short(c.MeanV), short(c.DurationMs), short(c.TemperatureC), string(c.Outcome)}
	})
	breakdowns := newestFirst(s.History.Breakdowns, shown, func(b fleet.Breakdown) []string {
		return []string{when(b.At), string(b.Cause), orDash(b.Cost), short(b.HoursDown)}
	})
	for _, part := range []struct {
		title  string
		header []string
		rows   [][]string
	}{
		{"Fitted", []string{"what", "serial", "part", "from", "until", "because"}, fitted},
		{"Last tests", []string{"when", "pos", "rest V", "CCA A", "std", "load V", "°C", "tester"}, tests},
		{"Last cranks", []string{"when", "rest V", "min V", "mean V", "ms", "°C", "outcome"}, cranks},
		{"Last breakdowns", []string{"when", "cause", "cost", "hours down"}, breakdowns},
	} {
		if len(part.rows) == 0 {
			fmt.Fprintf(w, "\n%s: none on record\n", part.title)
			continue
		}
		fmt.Fprintf(w, "\n%s\n", part.title)
		if err := writeTable(w, part.header, part.rows); err != nil {
			return err
		}
	}
	return nil
}

type readingCounts struct {
	Tests      int `json:"battery_tests"`
	Cranks     int `json:"crank_events"`
	Breakdowns int `json:"breakdowns"`
}

func countReadings(h fleet.History) readingCounts {
	return readingCounts{len(h.Tests), len(h.Cranks), len(h.Breakdowns)}
}

func newestFirst[T any](rows []T, most int, cells func(T) []string) [][]string {
	var out [][]string
	for _, r := range slices.Backward(rows) {
		if len(out) == most {
			break
		}
		out = append(out, cells(r))
	}
	return out
}

func short(v fleet.Opt[float64]) string {
	x, known := v.Get()
	if !known {
		return "–"
	}
	return strconv.FormatFloat(x, 'f', -1, 64)
}

// oneArg says in words what is missing.
func oneArg(what string) cobra.PositionalArgs {
	return func(cmd *cobra.Command, args []string) error {
		if len(args) != 1 {
			return fmt.Errorf("%s wants %s; see %s --help", cmd.CommandPath(), what, cmd.CommandPath())
		}
		return nil
	}
}
