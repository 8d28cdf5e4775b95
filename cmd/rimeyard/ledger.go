package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"os"
	"slices"
	"strconv"
	"time"

	"github.com/spf13/cobra"

	"rimeyard/internal/fleet"
	"rimeyard/internal/store"
	"rimeyard/ledger"
	"rimeyard/reports"
)

// bookToday brings the ledger into agreement with the rows once a day, and keeps the budget of the day, so that pages need not reckon it.
func bookToday(ctx context.Context, db *store.DB, log *slog.Logger, today fleet.Date) error {
	return db.Alone(ctx, "ledger of the day", func(ctx context.Context) error {
		began := time.Now()
		booked, err := db.BookedOn(ctx)
		if err != nil {
			return err
		}
		if day, known := booked.Get(); !known || day < today {
			added, err := reports.BookLedger(ctx, db, nil, "daily work", today)
			if err != nil {
				return err
			}
			if err := db.NoteBookedOn(ctx, today); err != nil {
				return err
			}
			log.InfoContext(ctx, "ledger of the day booked", "entries", added, "took_ms", time.Since(began).Milliseconds())
		}
		return keepFigures(ctx, db, log, today)
	})
}

// keepFigures keeps the budgets, what swaps pay and what warranties lose, wherever anything has changed that they are made of.
func keepFigures(ctx context.Context, db *store.DB, log *slog.Logger, today fleet.Date) error {
	began, kept := time.Now(), 0
	for _, keep := range []func() (int, error){
		func() (int, error) { return reports.NewBudgets(db, reports.NewPlans(db)).Keep(ctx, today) },
		func() (int, error) { return reports.KeepPays(ctx, db, today) },
		func() (int, error) { return reports.KeepCover(ctx, db, today) },
	} {
		n, err := keep()
		if kept += n; err != nil && !errors.Is(err, fleet.ErrNoIssue) {
			return err
		}
	}
	if kept > 0 {
		log.InfoContext(ctx, "figures of the day kept", "figures", kept, "took_ms", time.Since(began).Milliseconds())
	}
	const old = 7 * 24 * time.Hour // of depots that nobody sees together any more, and of what was tried once
	return db.ForgetFigures(ctx, began.Add(-old))
}

func newLedgerCmd() *cobra.Command {
	cmd := &cobra.Command{
		Use: "ledger", Args: cobra.NoArgs,
		Short: "What was spent, returned and credited, by month, kind and cost centre; budgets, and what is owed",
		Long: `Prints what was booked, by month, kind and cost centre: prices of parts on the day of fitting, core deposits paid and returned, warranty
credits, breakdowns, bills, hours down and labour. Amounts are net; VAT is not worked out. Entries are never changed, only reversed.`,
		Example: "  rimeyard ledger --depot NOR\n  rimeyard ledger entries --from 2026-10 --format csv\n  rimeyard ledger budget --if cold\n  rimeyard ledger close 2026-10",
	}
	format, asOf := addFormatFlag(cmd), addAsOfFlag(cmd)
	depot := cmd.Flags().String("depot", "", "only this depot")
	months := cmd.Flags().Int("months", 13, "so many months, the last of them that of the day")
	cmd.RunE = func(cmd *cobra.Command, _ []string) error {
		if *months < 1 {
			return usageError{fmt.Errorf("--months %d: want 1 or more", *months)}
		}
		return withDepot(cmd, *depot, func(db *store.DB, of []fleet.DepotID) error {
			today := asOf.day()
			f := fleet.LedgerFilter{Depots: of, From: fleet.Known((ledger.MonthOf(today) - ledger.Month(*months) + 1).First()), To: fleet.Known(today)}
			if asOf.date.IsKnown() {
				f.To = fleet.Known(today - 1)
			}
			sums, err := db.LedgerSums(cmd.Context(), f)
			if err != nil {
				return err
			}
			return printSums(cmd.OutOrStdout(), *format, sums)
		})
	}
	cmd.AddCommand(newLedgerEntriesCmd(), newLedgerBudgetCmd(), newLedgerOwedCmd(), newLedgerBookCmd(), newLedgerCloseCmd(), newLedgerPricesCmd())
	return cmd
}

// withDepot opens the database and does work for one depot, or for all where none is named.
func withDepot(cmd *cobra.Command, depot string, work func(db *store.DB, of []fleet.DepotID) error) error {
	db, done, err := openDatabase(cmd)
	if err != nil {
		return err
	}
	defer done()
	var of []fleet.DepotID
	if depot != "" {
		of = []fleet.DepotID{fleet.DepotID(depot)}
		if err := checkDepot(cmd.Context(), db, of[0]); err != nil {
			return err
		}
	}
	return work(db, of)
}

// ledgerSum is a line of the sums as JSON.
type ledgerSum struct {
	Month      ledger.Month `json:"month"`
	Kind       string       `json:"kind"`
	CostCentre string       `json:"cost_centre"`
	Amount     fleet.Money  `json:"amount"`
	Currency   string       `json:"currency"`
	Minutes    int64        `json:"minutes"`
	Entries    int64        `json:"entries"`
}

func printSums(w io.Writer, format outputFormat, sums []fleet.LedgerSum) error {
	lines, rows := make([]ledgerSum, len(sums)), make([][]string, len(sums))
	for i, s := range sums {
		lines[i] = ledgerSum{ledger.MonthOf(s.Month), s.Kind, s.CostCentre, s.Amount, s.Currency, s.Minutes, s.Entries}
		rows[i] = []string{ledger.MonthOf(s.Month).String(), s.Kind, reports.Inert(s.CostCentre), s.Amount.String(), s.Currency, strconv.FormatInt(s.Minutes, 10), strconv.FormatInt(s.Entries, 10)}
	}
	header := []string{"month", "kind", "cost_centre", "amount", "currency", "minutes", "entries"}
	switch {
	case format == asJSON:
		return writeJSON(w, lines)
	case format == asCSV:
		return writeCSV(w, header, rows)
	case len(rows) == 0:
		_, err := fmt.Fprintln(w, "Nothing is booked in these months. `rimeyard ledger book` books at once.")
		return err
	}
	return writeTable(w, header, rows)
}

func newLedgerEntriesCmd() *cobra.Command {
	cmd := &cobra.Command{
		Use: "entries", Args: cobra.NoArgs,
		Short:   "Print the entries one by one, oldest first",
		Example: "  rimeyard ledger entries --from 2026-10 --to 2026-11 --kind breakdown --format csv",
	}
	format, asOf := addFormatFlag(cmd), addAsOfFlag(cmd)
	depot := cmd.Flags().String("depot", "", "only this depot")
	from := cmd.Flags().String("from", "", "YYYY-MM: from this month on")
	to := cmd.Flags().String("to", "", "YYYY-MM: up to this month")
	kind := cmd.Flags().String("kind", "", "only this kind")
	unit := cmd.Flags().String("unit", "", "only this unit")
	cmd.RunE = func(cmd *cobra.Command, _ []string) error {
		f := fleet.LedgerFilter{Unit: fleet.UnitID(*unit)}
		if kinds := ledger.Kinds(); *kind != "" {
			if !slices.Contains(kinds[:], ledger.Kind(*kind)) {
				return usageError{fmt.Errorf("--kind %q: want one of %v", *kind, kinds)}
			}
			f.Kinds = []string{*kind}
		}
		if *from != "" {
			m, err := ledger.ParseMonth(*from)
			if err != nil {
				return usageError{fmt.Errorf("--from: %w", err)}
			}
			f.From = fleet.Known(m.First())
		}
		if *to != "" {
			m, err := ledger.ParseMonth(*to)
			if err != nil {
				return usageError{fmt.Errorf("--to: %w", err)}
			}
			f.To = fleet.Known(m.Last())
		}
		if day, known := asOf.date.Get(); known {
			f.To = fleet.Known(min(f.To.Or(day-1), day-1))
		}
		return withDepot(cmd, *depot, func(db *store.DB, of []fleet.DepotID) error {
			f.Depots = of
			entries := reports.LedgerEntries{Entries: db.EachLedgerEntry(cmd.Context(), f)}
			if *format == asCSV {
				return entries.WriteTable(cmd.OutOrStdout())
			}
			return printEntries(cmd.OutOrStdout(), *format, entries)
		})
	}
	return cmd
}

func printEntries(w io.Writer, format outputFormat, l reports.LedgerEntries) error {
	entries, rows := []ledger.Entry{}, [][]string{}
	for row, err := range l.Entries {
		if err != nil {
			return err
		}
		e := reports.EntryOf(row)
		entries = append(entries, e)
		rows = append(rows, []string{e.Booked.String(), string(e.Kind), e.CostCentre, string(e.Depot), string(e.Unit), e.Part, e.Amount.String(), string(e.Currency), reports.SourceWords(e.Source)})
	}
	if format == asJSON {
		return writeJSON(w, entries)
	}
	return writeTable(w, []string{"counts on", "kind", "cost centre", "depot", "unit", "part", "amount", "currency", "row"}, rows)
}

func newLedgerBudgetCmd() *cobra.Command {
	cmd := &cobra.Command{
		Use: "budget", Args: cobra.NoArgs,
		Short:   "Print what is expected to be spent by month and cost centre, with its P10 to P90",
		Example: "  rimeyard ledger budget\n  rimeyard ledger budget --if cold --season\n  rimeyard ledger budget --if more --more 5 --format csv",
	}
	format, asOf := addFormatFlag(cmd), addAsOfFlag(cmd)
	depot := cmd.Flags().String("depot", "", "only this depot")
	season := cmd.Flags().Bool("season", false, "only to the end of the season")
	what := cmd.Flags().String("if", "", "cold: the coldest winter in ten; wait: nothing is swapped by plan; more: with --more visits a week more")
	more := cmd.Flags().Int("more", 5, "visits a week more, with --if more")
	cmd.RunE = func(cmd *cobra.Command, _ []string) error {
		different, err := parseWhatIf(*what, *more)
		if err != nil {
			return err
		}
		return withDepot(cmd, *depot, func(db *store.DB, of []fleet.DepotID) error {
			source, err := planSourceAsOf(cmd, db, asOf)
			if err != nil {
				return err
			}
			from, is := source.(reports.BudgetStore)
			if !is {
				return errors.New("a list made for a past day has no prices")
			}
			b, err := reports.NewBudgets(from, reports.NewPlans(from)).Make(cmd.Context(), reports.BudgetAsked{Depots: of, Today: asOf.day(), Season: *season, WhatIf: different})
			if err != nil {
				return err
			}
			return printBudget(cmd.OutOrStdout(), *format, b)
		})
	}
	return cmd
}

func parseWhatIf(what string, more int) (w reports.WhatIf, err error) {
	switch what {
	case "":
	case "cold":
		w.Cold = true
	case "wait":
		w.Wait = true
	case "more":
		if more < 1 {
			return w, usageError{fmt.Errorf("--more %d: want 1 or more", more)}
		}
		w.More = more
	default:
		return w, usageError{fmt.Errorf("--if %q: want cold, wait or more", what)}
	}
	return w, nil
}

func printBudget(w io.Writer, format outputFormat, b ledger.Budget) error {
	switch format {
	case asJSON:
		return writeJSON(w, b)
	case asCSV:
		return writeCSV(w, reports.BudgetHeader(), reports.BudgetRows(b))
	}
	if err := writeTable(w, reports.BudgetHeader(), reports.BudgetRows(b)); err != nil {
		return err
	}
	for _, note := range append(reports.BudgetNotes(b), "P10, P50 and P90 do not add up. "+reports.NetWords) {
		fmt.Fprintln(w, note)
	}
	return nil
}

func newLedgerOwedCmd() *cobra.Command {
	cmd := &cobra.Command{Use: "owed", Args: cobra.NoArgs, Short: "Print the cores that could be handed in, and the warranties that are about to fall"}
	format, asOf := addFormatFlag(cmd), addAsOfFlag(cmd)
	depot := cmd.Flags().String("depot", "", "only this depot")
	cmd.RunE = func(cmd *cobra.Command, _ []string) error {
		return withDepot(cmd, *depot, func(db *store.DB, of []fleet.DepotID) error {
			ctx := cmd.Context()
			own, err := db.OwnFigures(ctx)
			if err != nil {
				return err
			}
			out, err := db.DepositsOut(ctx, reports.DepositsAsked(of, asOf.day(), own, fleet.Opt[int]{}))
			if err != nil {
				return err
			}
			covered, err := reports.Warranties(ctx, db, of, asOf.day())
			if err != nil {
				return err
			}
			if *format == asJSON {
				return writeJSON(cmd.OutOrStdout(), struct {
					Deposits   fleet.DepositsOut `json:"deposits"`
					Warranties []ledger.Warranty `json:"warranties"`
				}{out, covered})
			}
			rows := reports.OwedRows(out, own.CoreDays, covered)
			if *format == asCSV {
				return writeCSV(cmd.OutOrStdout(), reports.OwedHeader(), rows)
			}
			return writeTable(cmd.OutOrStdout(), reports.OwedHeader(), rows)
		})
	}
	return cmd
}

// ledgerDay is the day on which is booked and closed: that of the first depot, as for pages and the daily work, wherever the command runs.
func ledgerDay(ctx context.Context, db *store.DB) (fleet.Date, error) {
	depots, err := db.Depots(ctx)
	zone := time.UTC
	if len(depots) > 0 {
		zone = depots[0].Zone()
	}
	return fleet.DateOf(time.Now(), zone), err
}

func newLedgerBookCmd() *cobra.Command {
	return &cobra.Command{
		Use: "book", Args: cobra.NoArgs, Short: "Bring the ledger into agreement with the rows now; a server does it once a day",
		RunE: func(cmd *cobra.Command, _ []string) error {
			return withDepot(cmd, "", func(db *store.DB, _ []fleet.DepotID) error {
				today, err := ledgerDay(cmd.Context(), db)
				if err != nil {
					return err
				}
				added, err := reports.BookLedger(cmd.Context(), db, nil, fleet.ByCommand, today)
				if err != nil {
					return err
				}
				_, err = fmt.Fprintf(cmd.OutOrStdout(), "%d entries booked\n", added)
				return err
			})
		},
	}
}

func newLedgerCloseCmd() *cobra.Command {
	return &cobra.Command{
		Use: "close YYYY-MM", Args: cobra.ExactArgs(1), Short: "Close a month, and all before it, for good",
		RunE: func(cmd *cobra.Command, args []string) error {
			month, err := ledger.ParseMonth(args[0])
			if err != nil {
				return usageError{err}
			}
			return withDepot(cmd, "", func(db *store.DB, _ []fleet.DepotID) error { return closeMonth(cmd, db, month) })
		},
	}
}

func closeMonth(cmd *cobra.Command, db *store.DB, month ledger.Month) error {
	ctx := cmd.Context()
	today, err := ledgerDay(ctx, db)
	if err != nil {
		return err
	}
	before, err := db.ClosedMonths(ctx)
	if err != nil {
		return err
	}
	if err := reports.MayClose(month, before, today); err != nil {
		return usageError{err}
	}
	if _, err := reports.BookLedger(ctx, db, nil, fleet.ByCommand, today); err != nil {
		return err
	}
	done, err := db.CloseMonth(ctx, month.First(), fleet.ByCommand)
	if err != nil {
		return err
	}
	if !done {
		return fmt.Errorf("month %s was closed meanwhile", month)
	}
	if err := db.NoteChange(ctx, "ledger", "closed "+month.String()); err != nil {
		return err
	}
	_, err = fmt.Fprintf(cmd.OutOrStdout(), "%s is closed\n", month)
	return err
}

func newLedgerPricesCmd() *cobra.Command {
	return &cobra.Command{
		Use: "prices [FILE.csv]", Args: cobra.MaximumNArgs(1), Short: "Print the price lists as CSV, or take those of a file, all or none",
		RunE: func(cmd *cobra.Command, args []string) error {
			var lines []fleet.PartPrice
			if len(args) == 1 {
				f, err := os.Open(args[0])
				if err != nil {
					return err
				}
				defer f.Close() //nolint:errcheck // it was only read
				if lines, err = reports.ReadPrices(f); err != nil {
					return fmt.Errorf("%s: %w", args[0], err)
				}
			}
			return withDepot(cmd, "", func(db *store.DB, _ []fleet.DepotID) error {
				if len(args) == 1 {
					return takePrices(cmd, db, lines)
				}
				prices, err := db.PartPrices(cmd.Context())
				if err != nil {
					return err
				}
				table, err := reports.PricesTable(prices)
				if err != nil {
					return err
				}
				_, err = cmd.OutOrStdout().Write(table)
				return err
			})
		},
	}
}

func takePrices(cmd *cobra.Command, db *store.DB, lines []fleet.PartPrice) error {
	if err := db.SetPartPrices(cmd.Context(), lines); err != nil {
		return err
	}
	if err := db.NoteChange(cmd.Context(), "price lists", reports.Count(len(lines), "line")); err != nil {
		return err
	}
	_, err := fmt.Fprintf(cmd.OutOrStdout(), "%s taken\n", reports.Count(len(lines), "line"))
	return err
}
