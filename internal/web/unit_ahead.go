package web

import (
	"context"
	"errors"
	"fmt"
	"math"
	"strings"

	"github.com/labstack/echo/v4"

	"rimeyard/alerts"
	"rimeyard/internal/fleet"
	"rimeyard/reports"
)

// aheadView is what the readings so far say of the season to come.
type aheadView struct {
	Src, Narrow, Alt string
	Figures          string
	Width, Height    int
	Strength         string // of the battery, in a sentence
	Sure             string // how sure the chance is; empty: not known
	Weeks            []aheadRow
}

type aheadRow struct{ Week, Limit, Interval, Coldest, Middle, Mildest string }

// changeView says what is different since an earlier list, and why.
type changeView struct {
	Since   string
	Moved   string   // the figures, then and now
	Reasons []string // readings, time, other units
}

const changeDays = 7

// lookAhead judges the unit with all that is recorded so far.
func (s *Server) lookAhead(ctx context.Context, page *unitPage, sheet unitSheet) error {
	judged, err := s.judge(ctx, sheet.history.Unit.ID, sheet.asOf-changeDays)
	if errors.Is(err, fleet.ErrNoIssue) {
		return nil // the verdict says so
	}
	if err != nil {
		return err
	}
	if page.Verdict != nil {
		page.Verdict.Newer = newerWords(*sheet.forecast, judged.Forecast)
	}
	page.Ahead, err = newAheadView(sheet, judged)
	if err != nil {
		return err
	}
	page.Change, err = s.changeSince(ctx, sheet, judged)
	return err
}

// newerWords says what the unit is by now where that is not what the list says: a part was changed, or a reading came. Empty: much the same.
func newerWords(listed, now fleet.Forecast) string {
	const much = 0.05 // of chance
	moved := math.Abs(now.NoStartProbability.Or(0) - listed.NoStartProbability.Or(0))
	if now.Band == listed.Band && moved < much {
		return ""
	}
	return fmt.Sprintf("With what has come since: %s, chance %s. Tonight and the plan go by that; the next list will too.", now.Band, percent(now.NoStartProbability.Or(0)))
}

func newAheadView(sheet unitSheet, j alerts.Judgement) (*aheadView, error) {
	picture, err := reports.Season("season", reports.SeasonData{Unit: sheet.history.Unit.ID, Weeks: j.Weeks}, reports.PageWidth)
	if err != nil {
		return nil, nil //nolint:nilerr // a season that is as good as over has nothing to draw
	}
	figures, err := figuresOf(picture)
	if err != nil {
		return nil, err
	}
	v := &aheadView{
		Src: unitHref(sheet.history.Unit.ID) + "/season.svg", Alt: picture.Title + ". " + picture.Description, Figures: figures,
		Width: picture.Width, Height: picture.Height,
		Strength: fmt.Sprintf("Battery strength now: %s of a new one, %s to %s in four cases of five; what tests and cranks say together.",
			percent(j.Strength.Now), percent(j.Strength.P10), percent(j.Strength.P90)),
		Sure: sureWords(j),
	}
	v.Narrow = asNarrow(v.Src)
	today := sheet.asOf - 1
	for _, w := range j.Weeks {
		v.Weeks = append(v.Weeks, aheadRow{
			reports.DayMonth(w.Monday, today), reports.Degrees(w.ColdLimitC), intervalWords(w.ColdLimitP10C, w.ColdLimitP90C),
			degrees(w.ColdestC), degrees(w.MiddleC), degrees(w.MildestC),
		})
	}
	return v, nil
}

// sureWords tells what a chance means for one unit: how many of those that read like it fail, and how unlike they are inside.
func sureWords(j alerts.Judgement) string {
	chance, known := j.Forecast.NoStartProbability.Get()
	low, reckoned := j.Outlook.ChanceP05.Get()
	high, _ := j.Outlook.ChanceP95.Get()
	if !known || !reckoned {
		return ""
	}
	return fmt.Sprintf("How sure: %s of the units that read like this one fail in such a season. Seen from inside they differ: in nine of ten the true chance lies between %s and %s. "+
		"Which it is here, only a check in the workshop tells.", percent(chance), percent(low), percent(high))
}

func (s *Server) seasonChart(c echo.Context) error {
	sheet, err := s.unitSheet(c)
	if err != nil {
		return err
	}
	judged, err := s.judge(c.Request().Context(), sheet.history.Unit.ID, sheet.asOf)
	if err != nil {
		return err
	}
	picture, err := reports.Season("season", reports.SeasonData{Unit: sheet.history.Unit.ID, Weeks: judged.Weeks}, pictureWidth(c))
	return sendPicture(c, picture, err)
}

// changeSince holds what is said now against the list of a week ago; nil where there was none.
func (s *Server) changeSince(ctx context.Context, sheet unitSheet, now alerts.Judgement) (*changeView, error) {
	today := sheet.asOf - 1
	before, err := s.store.IssueBefore(ctx, today-changeDays+1)
	if errors.Is(err, fleet.ErrNoIssue) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	found, err := s.store.Forecasts(ctx, before.ID, fleet.ListFilter{Unit: sheet.history.Unit.ID})
	if err != nil || len(found) == 0 {
		return nil, err
	}
	then := found[0]
	v := &changeView{Since: reports.DayMonth(before.AsOf, today), Moved: movedWords(then, sheet.forecast, now.Forecast)}
	v.Reasons = changeReasons(then, now, before.AsOf, today)
	return v, nil
}

// movedWords puts then beside now. The place on the list is the newest list's, the rest is judged with all that is recorded.
func movedWords(then fleet.Forecast, listed *fleet.Forecast, now fleet.Forecast) string {
	var said []string
	if listed != nil && listed.Rank != then.Rank {
		said = append(said, fmt.Sprintf("place %d, was %d", listed.Rank, then.Rank))
	}
	if now.Band != then.Band {
		said = append(said, fmt.Sprintf("%s, was %s", now.Band, then.Band))
	}
	said = append(said, fmt.Sprintf("chance %s, was %s", percent(now.NoStartProbability.Or(0)), percent(then.NoStartProbability.Or(0))))
	if a, known := then.ColdLimitC.Get(); known {
		said = append(said, fmt.Sprintf("cold limit %s, was %s", reports.Degrees(now.ColdLimitC.Or(0)), reports.Degrees(a)))
	}
	if now.Suspect != then.Suspect {
		said = append(said, fmt.Sprintf("suspect %s, was %s", now.Suspect, then.Suspect))
	}
	return strings.Join(said, "; ")
}

// changeReasons share the change of chance out: what readings of the last week made of it, what new parts did, and what is left, which
// time and the fleet made.
func changeReasons(then fleet.Forecast, now alerts.Judgement, from, today fleet.Date) (reasons []string) {
	p := func(f fleet.Forecast) float64 { return 100 * f.NoStartProbability.Or(0) }
	byReadings := p(now.Forecast) - p(now.Change.Without)
	byParts := p(now.Change.Without) - p(now.Change.Unfitted)
	byTime := p(now.Change.Unfitted) - p(then)
	c := now.Change
	came := fmt.Sprintf("%s, %s and %s have come since %s", reports.Count(c.Tests, "test"), reports.Count(c.Cranks, "crank"), reports.Count(c.Breakdowns, "breakdown"), reports.DayMonth(c.Since, today))
	if c.Tests+c.Cranks+c.Breakdowns == 0 {
		came = "no reading has come since " + reports.DayMonth(c.Since, today)
	}
	reasons = append(reasons, fmt.Sprintf("Readings: %s; they %s.", came, pointsWords(byReadings)))
	if c.Fitted > 0 {
		reasons = append(reasons, fmt.Sprintf("Parts: %s fitted since %s; new parts %s.", reports.Count(c.Fitted, "part"), reports.DayMonth(c.Since, today), pointsWords(byParts)))
	}
	reasons = append(reasons, fmt.Sprintf("Time and the rest of the fleet: %d days of the season less to come, a little more wear, and what all units taught since; they %s.",
		int(today-from), pointsWords(byTime)))
	return reasons
}

// pointsWords says by how many percentage points: raise the chance by 4 points.
func pointsWords(points float64) string {
	n := int(math.Round(math.Abs(points)))
	switch {
	case n == 0:
		return "leave the chance as it was"
	case points > 0:
		return "raise the chance by " + reports.Count(n, "point")
	}
	return "lower the chance by " + reports.Count(n, "point")
}
