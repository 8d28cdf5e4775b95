package main

import (
	"context"
	"errors"
	"fmt"
	"net/url"
	"os"
	"path/filepath"
	"strconv"
	"time"

	"rimeyard/internal/fleet"
	"rimeyard/internal/store"
	"rimeyard/internal/web"
	"rimeyard/reports"
	"rimeyard/trend"
)

// outboxFolder is where letters go while no mail server is set.
const outboxFolder = "outbox"

// newSender is the mail server that the environment names, else a folder of letters in the data folder; and the address
// that letters come from.
func newSender(home string) (sender reports.Sender, from string, err error) {
	if url := os.Getenv(envSMTP); url != "" {
		server, err := reports.ParseSMTP(url)
		if err != nil {
			return nil, "", usageError{err}
		}
		return server, server.From(), nil
	}
	return reports.Folder{Dir: filepath.Join(home, outboxFolder)}, reports.FolderFrom, nil
}

// publicURL is the address under which readers of mail reach the pages, as the environment says; nil: letters carry no links.
func publicURL() (*url.URL, error) {
	raw := os.Getenv(envURL)
	if raw == "" {
		return nil, nil
	}
	u, err := url.Parse(raw)
	if err != nil || u.Scheme != "http" && u.Scheme != "https" || u.Host == "" || u.RawQuery != "" || u.Fragment != "" || u.User != nil {
		return nil, usageError{fmt.Errorf("%s=%q: want the address of the pages, like https://rime.example.org", envURL, raw)}
	}
	return u, nil
}

// reportKinds are the reports there are. To name them, no database is needed.
func reportKinds(db *store.DB) reports.Kinds {
	return reports.Kinds{
		reports.WinterListKind(gatherWinterList(db), reports.DefaultTop), reports.TonightKind(db), reports.PlanKind(db), reports.LedgerKind(db), reports.AuditKind(gatherAudit(db)), reports.IntakeKind(db),
	}
}

// newDesk writes letters for those who may open the pages that show the same.
func newDesk(db *store.DB, from string) (reports.Desk, error) {
	site, err := publicURL()
	return reports.Desk{Kinds: reportKinds(db), People: db, Subscriptions: db, May: web.MayOpen, From: from, Site: site}, err
}

// gatherWinterList brings together the newest list, the one that was mailed last or else the one before it, and the depots' winters.
func gatherWinterList(db *store.DB) reports.Gather {
	return func(ctx context.Context, a reports.Asked) (reports.WinterListData, error) {
		issue, err := db.LatestIssue(ctx)
		if err != nil {
			return reports.WinterListData{}, err
		}
		list, err := listOf(ctx, db, issue)
		if err != nil {
			return reports.WinterListData{}, err
		}
		data, err := gatherAround(ctx, db, list, a.Today, func(d fleet.Depot) fleet.Date { return reports.Dawn(d, a.Now) })
		if err == nil {
			data.Anew, err = db.AnewOf(ctx, issue.ID, a.Depots)
		}
		data.Mark = strconv.FormatInt(issue.ID, 10)
		if err == nil && a.Last.Mark != "" {
			data.Previous, err = mailedList(ctx, db, a.Last.Mark)
		}
		return data, err
	}
}

// mailedList is the list that a letter spoke of.
func mailedList(ctx context.Context, db *store.DB, mark string) (*fleet.RankedList, error) {
	id, err := strconv.ParseInt(mark, 10, 64)
	if err != nil {
		return nil, fmt.Errorf("the list that was mailed last has no number: %w", err)
	}
	issue, err := db.Issue(ctx, id)
	if err != nil {
		return nil, err
	}
	list, err := listOf(ctx, db, issue)
	return &list, err
}

// gatherAudit brings together the audits that are kept.
func gatherAudit(db *store.DB) reports.GatherAudit {
	return func(ctx context.Context, a reports.Asked) (reports.AuditData, error) {
		kept, err := db.Audits(ctx, a.Only())
		if err != nil {
			return reports.AuditData{}, err
		}
		data, err := reports.AuditOf(kept, a.Only(), a.Today)
		if err != nil {
			return data, err
		}
		data.Depots, err = db.Depots(ctx)
		return data, err
	}
}

// gatherAround adds to a list what its report says beside it. Tonight is the night that ends at a depot's dawn.
func gatherAround(ctx context.Context, db *store.DB, list fleet.RankedList, today fleet.Date, dawn func(fleet.Depot) fleet.Date) (reports.WinterListData, error) {
	data := reports.WinterListData{List: list, Today: today, PastMinimaC: map[fleet.DepotID][]float64{}, TonightC: map[fleet.DepotID]float64{}}
	before, err := db.IssueBefore(ctx, list.AsOf)
	if err == nil {
		previous, listErr := listOf(ctx, db, before)
		data.Previous, err = &previous, listErr
	}
	if err != nil && !errors.Is(err, fleet.ErrNoIssue) {
		return data, err
	}
	if data.Depots, err = db.Depots(ctx); err != nil {
		return data, err
	}
	temps, err := db.DayTemps(ctx)
	if err != nil {
		return data, err
	}
	for _, d := range data.Depots {
		for _, w := range trend.Winters(temps[d.ID], trend.SeasonOf(list.AsOf, d), list.AsOf) {
			data.PastMinimaC[d.ID] = append(data.PastMinimaC[d.ID], w.MinC)
		}
	}
	lows, err := reports.LowsTonight(ctx, db, data.Depots, dawn)
	for depot, low := range lows {
		data.TonightC[depot] = low.C
	}
	return data, err
}

// dawnAfter tells when the night after a day ends at a depot: that of today is the coming night, also where it has begun.
func dawnAfter(day fleet.Date, now time.Time) func(fleet.Depot) fleet.Date {
	return func(d fleet.Depot) fleet.Date {
		if day == fleet.DateOf(now, time.Local) {
			return reports.Dawn(d, now)
		}
		return day + 1
	}
}

func listOf(ctx context.Context, db *store.DB, issue fleet.Issue) (fleet.RankedList, error) {
	units, err := db.Forecasts(ctx, issue.ID, fleet.ListFilter{})
	return fleet.RankedList{AsOf: issue.AsOf, Season: issue.Season, Units: units}, err
}
