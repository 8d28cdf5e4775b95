package alerts

import (
	"context"
	"fmt"
	"math"
	"slices"

	"rimeyard/internal/fleet"
	"rimeyard/trend"
)

// Replayed is a list as it would have been issued on a past day, and what it would have said had the winter been foreseen.
type Replayed struct {
	List fleet.RankedList
	// WithNights is each unit's chance on the nights that came, all else being as it was known on the list's day. Units of depots
	// of which too few nights are known are left out.
	WithNights map[fleet.UnitID]float64
	// ByWinter is each unit's chance in each of the past winters that the list's chance is the mean of; alike in number and order for
	// all units of a depot, as one winter comes for all of them.
	ByWinter map[fleet.UnitID][]float64
}

// Replay is [Rank] on a past day. For WithNights alone it also looks at what Temps says of the days from AsOf up to and
// including through, or the season's end if that comes first.
func Replay(ctx context.Context, in Input, through fleet.Date) (Replayed, error) {
	f := newJudged(in)
	came := f.nightsThatCame(in, through)
	type chances struct {
		withNights float64
		each       []float64
	}
	list, chance, err := rankEach(ctx, f, in, func(one *file, s trend.State, _ fleet.Forecast) (c chances) {
		if w, known := came[one.depot.ID]; known {
			c.withNights, _ = f.chance(s.Outlook(), w)
		}
		past := f.winters[one.depot.ID]
		c.each = make([]float64, len(past.winters))
		for k := range c.each {
			one := past
			one.winters = past.winters[k : k+1]
			c.each[k], _ = f.chance(s.Outlook(), one)
		}
		return c
	})
	if err != nil {
		return Replayed{}, fmt.Errorf("replay the list of %s: %w", in.AsOf, err)
	}
	r := Replayed{List: list, WithNights: map[fleet.UnitID]float64{}, ByWinter: map[fleet.UnitID][]float64{}}
	for i := range f.files {
		one := &f.files[i]
		r.ByWinter[one.unit.ID] = chance[i].each
		if _, known := came[one.depot.ID]; known {
			r.WithNights[one.unit.ID] = round(chance[i].withNights, 4)
		}
	}
	return r, nil
}

// leastNightsKnown is the share of the nights that must be known for the winter to count as known, as for past winters.
const leastNightsKnown = 0.8

// nightsThatCame is, for each depot, the one winter that came in the place of its past ones.
func (f *judged) nightsThatCame(in Input, through fleet.Date) map[fleet.DepotID]depotWinters {
	weather := trend.NewWeather(in.Depots, in.Temps, through+1)
	came := map[fleet.DepotID]depotWinters{}
	for _, depot := range f.depots { // of others no night is known
		w := f.winters[depot.ID]
		dawnC := nightsOf(weather, depot.ID, w.from, min(through, w.season.To))
		if len(dawnC) == 0 {
			continue
		}
		_, w.spreadC = weather.RiskWinters(depot, w.season, through+1)
		year, _, _ := w.season.From.YMD()
		w.winters = []trend.Winter{{Year: year, DawnC: dawnC, MinC: slices.Min(dawnC)}}
		came[depot.ID] = w
	}
	return came
}

// nightsOf are the lows of the days from from to to; a gap is filled along a straight line, at the ends by the nearest day.
// Empty: too many are not known.
func nightsOf(w trend.Weather, depot fleet.DepotID, from, to fleet.Date) []float64 {
	var dawnC []float64
	known, last := 0, -1
	for day := from; day <= to; day++ {
		i := len(dawnC)
		low, _, is := w.Day(depot, day)
		if !is {
			dawnC = append(dawnC, math.NaN())
			continue
		}
		dawnC = append(dawnC, low)
		for j := last + 1; j < i; j++ {
			dawnC[j] = low
			if last >= 0 {
				dawnC[j] = dawnC[last] + (low-dawnC[last])*float64(j-last)/float64(i-last)
			}
		}
		known, last = known+1, i
	}
	if known == 0 || float64(known) < leastNightsKnown*float64(len(dawnC)) {
		return nil
	}
	for j := last + 1; j < len(dawnC); j++ {
		dawnC[j] = dawnC[last]
	}
	return dawnC
}
