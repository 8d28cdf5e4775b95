package alerts

import (
	"context"
	"fmt"

	"rimeyard/internal/fleet"
	"rimeyard/trend"
)

// Month is where one unit's cold limit will lie in the middle of a month, if nothing is done, with its 80 % interval, and the chance
// that it has failed to start at least once by the month's last day.
type Month struct {
	From               fleet.Date         `json:"from"`
	ColdLimitC         float64            `json:"cold_limit_c"`
	ColdLimitP10C      float64            `json:"cold_limit_p10_c"`
	ColdLimitP90C      float64            `json:"cold_limit_p90_c"`
	NoStartProbability fleet.Opt[float64] `json:"no_start_probability"` // unknown for months before the season
}

// RankedUnit is a ranked list, and of one unit the months that are left of the season, the first beginning on AsOf, and its outlook. Both
// are empty for a unit that is not in the fleet.
type RankedUnit struct {
	List    fleet.RankedList
	Months  []Month
	Outlook fleet.Outlook
}

// RankUnit is [Rank] with a closer look at one unit.
func RankUnit(ctx context.Context, in Input, unit fleet.UnitID) (r RankedUnit, err error) {
	f := newJudged(in)
	list, closer, err := rankEach(ctx, f, in, func(one *file, s trend.State, forecast fleet.Forecast) (closer RankedUnit) {
		if one.unit.ID == unit {
			closer.Months, closer.Outlook = f.months(s, f.winters[one.depot.ID]), f.unpriced(one, s, forecast)
		}
		return closer
	})
	if err != nil {
		return RankedUnit{}, fmt.Errorf("rank units as of %s: %w", in.AsOf, err)
	}
	for i := range f.files {
		if one := &f.files[i]; one.unit.ID == unit {
			r = closer[i]
			f.priceOutlook(one, &r.Outlook)
		}
	}
	r.List = list
	return r, nil
}

func (f *judged) months(s trend.State, w depotWinters) (months []Month) {
	_, byDay := f.chance(s.Outlook(), w)
	for from := f.asOf; from <= w.season.To; {
		y, m, _ := from.YMD()
		next := fleet.NewDate(y, m+1, 1)
		last := min(next-1, w.season.To)
		limit, p10, p90 := s.LimitIn(float64(from+(last-from)/2-f.asOf) / 7)
		month := Month{From: from, ColdLimitC: round(limit, 1), ColdLimitP10C: round(p10, 1), ColdLimitP90C: round(p90, 1)}
		if i := int(last - w.from); i >= 0 && i < len(byDay) {
			month.NoStartProbability = fleet.Known(sayable(byDay[i]))
		}
		months = append(months, month)
		from = next
	}
	return months
}
