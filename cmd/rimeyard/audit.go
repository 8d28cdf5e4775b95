package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"time"

	"github.com/spf13/cobra"

	"rimeyard/alerts"
	"rimeyard/internal/fleet"
	"rimeyard/internal/store"
	"rimeyard/trend"
)

func newAuditCmd(now func() time.Time) *cobra.Command {
	cmd := &cobra.Command{
		Use: "audit", Args: cobra.NoArgs,
		Short: "Hold the lists of past seasons against what came, beside the rules people use today",
		Long: `Judges the ranked list that was issued for each past season; where none was issued at the time, makes the list
as of the season's first day, from nothing dated on that day or later. It is held against the breakdowns that followed; beside
it stand three rules in use today: age of the battery, last test, lowest cranking volts. What is in brackets is a 95 % interval.`,
		Example: "  rimeyard audit\n  rimeyard audit --as-of 2025-10-01 --format json\n  rimeyard audit --keep     # for the page and the mail, as serve does each day",
	}
	format := addFormatFlag(cmd)
	asOf := &asOfFlag{}
	cmd.Flags().Var(asOf, "as-of", "judge the list of this one day (default: that of each past season on record)")
	keep := cmd.Flags().Bool("keep", false, "keep the result for the page and the mail")
	cmd.MarkFlagsMutuallyExclusive("as-of", "keep")
	cmd.RunE = func(cmd *cobra.Command, _ []string) error {
		db, done, err := openDatabase(cmd)
		if err != nil {
			return err
		}
		defer done()
		today := fleet.DateOf(now(), time.UTC)
		seasons, err := auditSeasons(cmd.Context(), db, asOf.date, today, progressOf(cmd))
		if err != nil {
			return err
		}
		if *keep {
			if err := keepAudit(cmd.Context(), db, seasons, today-1); err != nil {
				return err
			}
		}
		return printAudit(cmd.OutOrStdout(), *format, seasons)
	}
	return cmd
}

var errNothingToAudit = errors.New("there is nothing to audit yet: no season since the first reading is over")

// auditedSeason is the audit of one season's list.
type auditedSeason struct {
	whole  alerts.AuditResult
	depots map[fleet.DepotID]alerts.AuditResult
}

// pastList is a list to judge: that of a day, for a season.
type pastList struct {
	season           fleet.Season
	earliest, latest fleet.Date // days of which an issued list is taken
}

// issuedBefore is how long before a season's first day a list may have been issued to be taken for what was said of it.
const issuedBefore = 30

func auditSeasons(ctx context.Context, db *store.DB, only fleet.Opt[fleet.Date], today fleet.Date, progress func(int)) ([]auditedSeason, error) {
	lists, err := pastLists(ctx, db, only, today)
	if err != nil {
		return nil, err
	}
	seasons := make([]auditedSeason, 0, len(lists))
	for _, list := range lists {
		a, err := auditOne(ctx, db, list, today, progress)
		if err != nil {
			return nil, err
		}
		seasons = append(seasons, a)
	}
	return seasons, nil
}

// auditOne judges the list that was issued, else one made now from what was known on its day.
func auditOne(ctx context.Context, db *store.DB, past pastList, today fleet.Date, progress func(int)) (auditedSeason, error) {
	day := past.latest
	var given *fleet.Issue
	issue, err := db.IssueGivenOut(ctx, past.season, past.earliest, past.latest)
	if err == nil {
		given, day = &issue, issue.AsOf
	} else if !errors.Is(err, fleet.ErrNoIssue) {
		return auditedSeason{}, err
	}
	in, err := rankInput(ctx, db, day)
	if err != nil {
		return auditedSeason{}, err
	}
	in.Progress = progress
	replayed, err := alerts.Replay(ctx, in, min(past.season.To, today-1))
	if err != nil {
		return auditedSeason{}, err
	}
	list := replayed.List
	if given != nil {
		if list, err = listOf(ctx, db, issue); err != nil {
			return auditedSeason{}, err
		}
	}
	bench, err := db.BenchResults(ctx, nil, 0)
	if err != nil {
		return auditedSeason{}, err
	}
	const seed = 20 // any number; the same one, so that the same data give the same intervals
	var a auditedSeason
	a.whole, a.depots, err = alerts.AuditDepots(alerts.AuditInput{
		List: list, Depots: in.Depots, Temps: in.Temps, Histories: in.Histories, Through: fleet.Known(today - 1),
		Issue: given, WithNights: replayed.WithNights, ByWinter: replayed.ByWinter, Random: rand.New(rand.NewPCG(seed, uint64(day))),
		Bench: bench,
	})
	return a, err
}

// pastLists are those of the seasons that are over and for which at least three months of readings lead up, or that of one day.
func pastLists(ctx context.Context, db *store.DB, only fleet.Opt[fleet.Date], today fleet.Date) ([]pastList, error) {
	depots, err := db.Depots(ctx)
	if err != nil || len(depots) == 0 {
		return nil, errors.Join(errNothingToAudit, err)
	}
	cold := mostAlike(depots)
	if day, given := only.Get(); given {
		return []pastList{{trend.SeasonOf(day, cold), day, day}}, nil
	}
	first, err := db.FirstReading(ctx)
	if err != nil {
		return nil, err
	}
	day, known := first.Get()
	if !known {
		return nil, errNothingToAudit
	}
	var lists []pastList
	for s := trend.SeasonOf(day.AddMonths(3), cold); s.To < today; s = trend.SeasonOf(s.To+1, cold) {
		if s.From >= day.AddMonths(3) {
			lists = append(lists, pastList{s, s.From - issuedBefore, s.From})
		}
	}
	if len(lists) == 0 {
		return nil, errNothingToAudit
	}
	return lists, nil
}

// mostAlike is a depot on the side of the equator where most are; north where they are even.
func mostAlike(depots []fleet.Depot) fleet.Depot {
	south := 0
	for _, d := range depots {
		if d.Latitude.Or(0) < 0 {
			south++
		}
	}
	if 2*south > len(depots) {
		return fleet.Depot{Latitude: fleet.Known(-1.0)}
	}
	return fleet.Depot{}
}

// keepAudit puts the audit where page and mail find it. The single units are left out: page and mail show none of them.
func keepAudit(ctx context.Context, db *store.DB, seasons []auditedSeason, knownTo fleet.Date) error {
	var kept []fleet.KeptAudit
	add := func(depot fleet.DepotID, r alerts.AuditResult) error {
		r.Units = []alerts.Scored{}
		b, err := json.Marshal(r)
		kept = append(kept, fleet.KeptAudit{Season: r.Season, Depot: depot, AsOf: r.AsOf, KnownTo: knownTo, Result: b})
		return err
	}
	for _, s := range seasons {
		if err := add("", s.whole); err != nil {
			return fmt.Errorf("write down the audit of %s: %w", s.whole.AsOf, err)
		}
		for depot, r := range s.depots {
			if err := add(depot, r); err != nil {
				return fmt.Errorf("write down the audit of %s at depot %q: %w", s.whole.AsOf, depot, err)
			}
		}
	}
	return db.KeepAudits(ctx, kept)
}

// auditToday makes the day's audit unless it is made already.
func auditToday(ctx context.Context, db *store.DB, log *slog.Logger, today fleet.Date) error {
	return db.Alone(ctx, "audit of the day", func(ctx context.Context) error {
		day, err := db.AuditKnownTo(ctx)
		if err != nil || day.Or(0) >= today-1 {
			return err
		}
		began := time.Now()
		seasons, err := auditSeasons(ctx, db, fleet.Opt[fleet.Date]{}, today, nil)
		if errors.Is(err, errNothingToAudit) {
			return nil
		}
		if err != nil {
			return err
		}
		if err := keepAudit(ctx, db, seasons, today-1); err != nil {
			return err
		}
		log.InfoContext(ctx, "audit of the day made", "seasons", len(seasons), "took_ms", time.Since(began).Milliseconds())
		return nil
	})
}
