package main

import (
	"context"
	"errors"
	"os"
	"path/filepath"

	"rimeyard/internal/fleet"
	"rimeyard/internal/store"
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

// gatherWinterList brings together the newest list, the one before it, and the depots' winters.
func gatherWinterList(db *store.DB) reports.Gather {
	return func(ctx context.Context, depot fleet.DepotID, today fleet.Date) (reports.WinterListData, error) {
		issue, err := db.LatestIssue(ctx)
		if err != nil {
			return reports.WinterListData{}, err
		}
		list, err := listOf(ctx, db, issue)
		if err != nil {
			return reports.WinterListData{}, err
		}
		return gatherAround(ctx, db, list, depot, today)
	}
}

// gatherAudit brings together the audits that are kept.
func gatherAudit(db *store.DB) reports.GatherAudit {
	return func(ctx context.Context, depot fleet.DepotID, today fleet.Date) (reports.AuditData, error) {
		kept, err := db.Audits(ctx, depot)
		if err != nil {
			return reports.AuditData{}, err
		}
		data, err := reports.AuditOf(kept, depot, today)
		if err != nil {
			return data, err
		}
		data.Depots, err = db.Depots(ctx)
		return data, err
	}
}

// gatherAround adds to a list what its report says beside it.
func gatherAround(ctx context.Context, db *store.DB, list fleet.RankedList, depot fleet.DepotID, today fleet.Date) (reports.WinterListData, error) {
	data := reports.WinterListData{List: list, Depot: depot, Today: today, PastMinimaC: map[fleet.DepotID][]float64{}}
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
	data.TonightC = lowsTonight(temps, today)
	return data, nil
}

// lowsTonight are the forecast lows of the depots that have one: the coldest hour of tonight is tomorrow's dawn.
func lowsTonight(temps map[fleet.DepotID][]fleet.DayTemp, today fleet.Date) map[fleet.DepotID]float64 {
	lows := map[fleet.DepotID]float64{}
	for depot, days := range temps {
		for _, t := range days {
			if low, known := t.MinC.Get(); known && t.Date == today+1 {
				lows[depot] = low
			}
		}
	}
	return lows
}

func listOf(ctx context.Context, db *store.DB, issue fleet.Issue) (fleet.RankedList, error) {
	units, err := db.Forecasts(ctx, issue.ID, fleet.ListFilter{})
	return fleet.RankedList{AsOf: issue.AsOf, Season: issue.Season, Units: units}, err
}
