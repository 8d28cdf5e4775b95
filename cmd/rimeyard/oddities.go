package main

import (
	"context"
	"log/slog"
	"time"

	"github.com/spf13/cobra"

	"rimeyard/alerts"
	"rimeyard/internal/fleet"
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

// keepLook puts what a look at the fleet found where page and letter find it.
func keepLook(ctx context.Context, db *store.DB, asOf fleet.Date, madeAt time.Time, found []alerts.Oddity) error {
	kept := make([]fleet.KeptOddity, len(found))
	for i, o := range found {
		kept[i] = fleet.KeptOddity{On: o.On, Kind: string(o.Kind), Unit: o.Unit, OtherUnit: o.OtherUnit, Depot: o.Depot, Tester: o.Tester, Sentence: o.Sentence}
	}
	return db.KeepLook(ctx, asOf, madeAt, kept)
}

// lookToday looks at the whole fleet for what does not fit and what stopped reporting, unless that was done today.
func lookToday(ctx context.Context, db *store.DB, log *slog.Logger, today fleet.Date, now time.Time) error {
	return db.Alone(ctx, "look of the day", func(ctx context.Context) error {
		day, _, err := db.OdditiesLook(ctx)
		if err != nil || day.Or(0) >= today {
			return err
		}
		began := time.Now()
		in, err := rankInput(ctx, db, today)
		if err != nil {
			return err
		}
		found, err := alerts.Oddities(ctx, in)
		if err != nil {
			return err
		}
		if err := keepLook(ctx, db, today, now, found); err != nil {
			return err
		}
		log.InfoContext(ctx, "look of the day made", "oddities", len(found), "took_ms", time.Since(began).Milliseconds())
		return nil
	})
}
