package web

import (
	"context"
	"errors"
	"log/slog"
	"time"

	"rimeyard/internal/fleet"
	"rimeyard/reports"
)

// readyEvery is how often the server looks whether something has come that pages would otherwise have to work out while somebody waits.
const readyEvery = 10 * time.Second

// newsAtATime is how many units are judged anew before it is looked again which come first: some seconds' work.
const newsAtATime = 200

// stayReady makes ready whenever something new has come, until ctx ends. What fails is tried again; pages do without.
func (s *Server) stayReady(ctx context.Context) error {
	tick := time.NewTicker(readyEvery)
	defer tick.Stop()
	for {
		if err := s.makeReady(ctx); err != nil && ctx.Err() == nil {
			s.log.ErrorContext(ctx, "pages not made ready", "error", err)
		}
		select {
		case <-ctx.Done():
			return nil
		case <-tick.C:
		}
	}
}

// makeReady reads a new list into memory with its orders and winters, and judges anew the units of which something has come since.
func (s *Server) makeReady(ctx context.Context) error {
	issue, err := s.store.LatestIssue(ctx)
	if errors.Is(err, fleet.ErrNoIssue) {
		return nil
	}
	if err != nil {
		return err
	}
	list, err := s.listOf(ctx, issue.ID)
	if err != nil {
		return err
	}
	for _, o := range listOrders {
		list.orders[o.Order]()
	}
	depots, err := s.store.Depots(ctx)
	if err != nil {
		return err
	}
	for _, d := range depots {
		if _, err := s.winterMinimaC(ctx, issue, d); err != nil {
			return err
		}
	}
	for judged := newsAtATime; judged == newsAtATime; {
		if judged, err = s.judgeNews(ctx, ""); err != nil {
			return err
		}
	}
	return nil
}

// judgeNews judges anew units of which something has come since the list, or the one given, and tells how many there were. The list stays as
// it was issued.
func (s *Server) judgeNews(ctx context.Context, unit fleet.UnitID) (int, error) {
	return reports.JudgeNews(ctx, s.store, reports.JudgeUnit(s.judge), s.now(), unit, newsAtATime)
}

// showNews judges a unit anew at once, as somebody has just put down what came of it and looks at pages next. What fails is caught up with by
// stayReady.
func (s *Server) showNews(ctx context.Context, unit fleet.UnitID) {
	if _, err := s.judgeNews(ctx, unit); err != nil {
		s.log.LogAttrs(ctx, slog.LevelError, "unit not judged anew at once", slog.String("unit", string(unit)), slog.String("error", err.Error()))
	}
}

// anewView is what is said of a unit by now, on a list that was issued before.
type anewView struct {
	Came   string // "battery fitted 26 Nov"
	Look   reports.Look
	Chance string
	Limit  string
}

// newAnewView is nil where nothing has come.
func newAnewView(a *fleet.Anew, today fleet.Date) *anewView {
	if a == nil {
		return nil
	}
	v := &anewView{Came: reports.NewsWords(a.News, today), Look: reports.LookOf(a.Forecast.Band), Chance: notKnown}
	if p, ok := a.Forecast.NoStartProbability.Get(); ok {
		v.Chance = reports.Chance(p)
	}
	v.Limit, _ = coldLimitWords(a.Forecast)
	return v
}

// newsCount says of how many units something has come since the list; empty: of none.
func newsCount(counts map[fleet.DepotID]fleet.AnewCount) string {
	repaired, units := 0, 0
	for _, n := range counts {
		repaired, units = repaired+n.Repaired, units+n.Units
	}
	said := reports.NewsSince(repaired, units-repaired)
	if said == "" {
		return ""
	}
	return said + " The rows of these units say how they stand now; Tonight and Plan go by that."
}
