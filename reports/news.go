package reports

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"rimeyard/alerts"
	"rimeyard/internal/fleet"
)

// NewsStore is what has come since the newest list, and where what is said of it is kept.
type NewsStore interface {
	LatestIssue(ctx context.Context) (fleet.Issue, error)
	News(ctx context.Context, now time.Time, unit fleet.UnitID, limit int) ([]fleet.News, error)
	KeepAnew(ctx context.Context, issue int64, a fleet.Anew) error
}

// JudgeUnit judges one unit with all that has come, and tells what readings since a day changed.
type JudgeUnit func(ctx context.Context, unit fleet.UnitID, since fleet.Date) (alerts.Judgement, error)

// JudgeNews judges anew up to so many units of which something has come since the newest list, or the one given, and tells how many there
// were. The list stays as it was issued. One that cannot be judged does not keep the others from it; without a list there is nothing to do.
func JudgeNews(ctx context.Context, in NewsStore, judge JudgeUnit, now time.Time, unit fleet.UnitID, limit int) (int, error) {
	issue, err := in.LatestIssue(ctx)
	if errors.Is(err, fleet.ErrNoIssue) {
		return 0, nil
	}
	if err != nil {
		return 0, err
	}
	news, err := in.News(ctx, now, unit, limit)
	if err != nil {
		return 0, err
	}
	done, errs := 0, error(nil)
	for _, n := range news {
		if err := keepJudged(ctx, in, judge, issue, n); err != nil {
			errs = errors.Join(errs, fmt.Errorf("judge unit %s with what has come: %w", n.Unit, err))
			continue
		}
		done++
	}
	return done, errs
}

func keepJudged(ctx context.Context, in NewsStore, judge JudgeUnit, issue fleet.Issue, n fleet.News) error {
	judged, err := judge(ctx, n.Unit, issue.AsOf)
	if err != nil {
		return err
	}
	judged.Forecast.Depot = n.Depot // where the list has it
	return in.KeepAnew(ctx, issue.ID, fleet.Anew{News: n, AsOf: judged.AsOf, Forecast: judged.Forecast, Outlook: judged.Outlook})
}

// NewsWords says what has come of a unit: Battery fitted 26 Nov, tested 27 Nov.
func NewsWords(n fleet.News, today fleet.Date) string {
	return firstUpper(newsSaid(n, func(d fleet.Date) string { return DayMonth(d, today) }))
}

func newsSaid(n fleet.News, day func(fleet.Date) string) string {
	var said []string
	for _, came := range []struct {
		what string
		on   fleet.Opt[fleet.Date]
	}{{"battery fitted", n.BatteryOn}, {"starter fitted", n.StarterOn}, {"tested", n.TestedOn}} {
		if on, known := came.on.Get(); known {
			said = append(said, came.what+" "+day(on))
		}
	}
	return strings.Join(said, ", ")
}

// NewsSince says of how many units something has come since a list; empty: of none.
func NewsSince(repaired, tested int) string {
	var said string
	switch {
	case repaired == 0 && tested == 0:
		return ""
	case tested == 0:
		said = "parts were fitted to " + Count(repaired, "unit")
	case repaired == 0:
		said = Count(tested, "unit") + map[bool]string{true: " was tested", false: " were tested"}[tested == 1]
	default:
		said = fmt.Sprintf("parts were fitted to %s, and %d more tested", Count(repaired, "unit"), tested)
	}
	return "After this list was made, " + said + "."
}

// news says what a list cannot know of its units, and what its own figures are.
func (d WinterListData) news(units []fleet.Forecast) string {
	repaired, tested := 0, 0
	for _, f := range units {
		a, judged := d.Anew[f.Unit]
		switch {
		case !judged:
		case a.BatteryOn.IsKnown() || a.StarterOn.IsKnown():
			repaired++
		default:
			tested++
		}
	}
	said := NewsSince(repaired, tested)
	if said == "" {
		return ""
	}
	return said + fmt.Sprintf(" What is said of them by now stands beside them; ranks, figures and sums are those of %s.", DayMonth(d.List.AsOf, d.Today))
}

// by tells what is said of a unit by now in one sentence; empty: nothing has come since the list.
func (d WinterListData) by(unit fleet.UnitID) string {
	a, judged := d.Anew[unit]
	if !judged {
		return ""
	}
	chance, limit := unsaid, unsaid
	if p, known := a.Forecast.NoStartProbability.Get(); known {
		chance = Chance(p)
	}
	if c, known := a.Forecast.ColdLimitC.Get(); known {
		limit = Degrees(c)
	}
	return fmt.Sprintf("%s, after this list: now %s, chance %s, cold limit %s.", NewsWords(a.News, d.Today), LookOf(a.Forecast.Band).Word, chance, limit)
}

// asksNow tells whether a unit asks for work by all that is known.
func (d WinterListData) asksNow(f fleet.Forecast) bool {
	if a, judged := d.Anew[f.Unit]; judged {
		return urgent(a.Forecast.Band)
	}
	return urgent(f.Band)
}

// standing are the units as they stand now, for pictures of the coming nights: one that was repaired is no rung above their low any more.
func (d WinterListData) standing(units []fleet.Forecast) []fleet.Forecast {
	if len(d.Anew) == 0 {
		return units
	}
	now := make([]fleet.Forecast, len(units))
	for i, f := range units {
		now[i] = f
		if a, judged := d.Anew[f.Unit]; judged {
			now[i] = a.Forecast
			now[i].Rank = f.Rank
		}
	}
	return now
}
