package alerts

import (
	"slices"

	"rimeyard/internal/fleet"
	"rimeyard/trend"
)

// WeekAhead is one week to come: where the cold limit will lie if nothing is done, with its 80 % interval, and what the depot's past
// winters asked in that week.
type WeekAhead struct {
	Monday        fleet.Date `json:"monday"`
	ColdLimitC    float64    `json:"cold_limit_c"`
	ColdLimitP10C float64    `json:"cold_limit_p10_c"`
	ColdLimitP90C float64    `json:"cold_limit_p90_c"`
	// The coldest night of the week in the coldest of the past winters, in the middle one and in the mildest; unknown before the season.
	ColdestC fleet.Opt[float64] `json:"coldest_c"`
	MiddleC  fleet.Opt[float64] `json:"middle_c"`
	MildestC fleet.Opt[float64] `json:"mildest_c"`
}

func (f *judged) weeksAhead(s trend.State, w depotWinters) (weeks []WeekAhead) {
	for monday := f.asOf.Monday(); monday <= w.season.To; monday += 7 {
		middle := min(max(monday+3, f.asOf), w.season.To)
		limit, p10, p90 := s.LimitIn(float64(middle-f.asOf) / 7)
		week := WeekAhead{Monday: monday, ColdLimitC: round(limit, 1), ColdLimitP10C: round(p10, 1), ColdLimitP90C: round(p90, 1)}
		from, to := max(monday, w.from)-w.from, min(monday+7, w.season.To+1)-w.from
		if from < to {
			var lows []float64
			for _, past := range w.winters {
				lows = append(lows, slices.Min(past.DawnC[from:to]))
			}
			slices.Sort(lows)
			n := len(lows)
			week.ColdestC, week.MildestC = fleet.Known(round(lows[0], 1)), fleet.Known(round(lows[n-1], 1))
			week.MiddleC = fleet.Known(round((lows[(n-1)/2]+lows[n/2])/2, 1))
		}
		weeks = append(weeks, week)
	}
	return weeks
}

// Change is what readings and new parts since some day have changed, time and the fleet's lessons being equal.
type Change struct {
	Since                     fleet.Date
	Tests, Cranks, Breakdowns int            // that came since
	Fitted                    int            // batteries and starters fitted since
	Without                   fleet.Forecast // as it would be said today without the readings
	Unfitted                  fleet.Forecast // as it would be said today without them and without the new parts
}

// since judges the unit once more without the readings dated on the day or later, and then without what was fitted from that day on.
func (j *Judge) since(h fleet.History, day fleet.Date, zone fleet.Depot) (Change, error) {
	before := h.AsOf(j.f.asOf, zone.Zone())
	older := h.AsOf(day, zone.Zone())
	change := Change{
		Since: day, Tests: len(before.Tests) - len(older.Tests), Cranks: len(before.Cranks) - len(older.Cranks), Breakdowns: len(before.Breakdowns) - len(older.Breakdowns),
	}
	before.Tests, before.Cranks, before.Breakdowns = older.Tests, older.Cranks, older.Breakdowns
	one, state, err := j.state(before)
	if err != nil {
		return change, err
	}
	change.Without = j.f.forecast(one, state)
	change.Unfitted = change.Without
	if change.Fitted = len(before.Batteries) + len(before.Starters) - len(older.Batteries) - len(older.Starters); change.Fitted == 0 {
		return change, nil
	}
	if one, state, err = j.state(older); err != nil {
		return change, err
	}
	change.Unfitted = j.f.forecast(one, state)
	return change, nil
}
