package alerts

import (
	"cmp"
	"context"
	"fmt"
	"slices"

	"rimeyard/internal/fleet"
	"rimeyard/plan"
	"rimeyard/trend"
)

// Rank lists every unit of the fleet, highest priority first: by what waiting costs, and where nothing is known of costs by
// the chance of a failed start. Nothing dated on AsOf or later is looked at.
func Rank(ctx context.Context, in Input) (fleet.RankedList, error) {
	list, _, err := rankEach(ctx, newJudged(in), in, func(*file, trend.State, fleet.Forecast) struct{} { return struct{}{} })
	if err != nil {
		return fleet.RankedList{}, fmt.Errorf("rank units as of %s: %w", in.AsOf, err)
	}
	return list, nil
}

// rankEach forecasts every unit of a fleet and puts them in order. Beside it gives back what also makes of each unit's state and forecast,
// which has no money and no day to act by yet, by the files; also is called from several goroutines and may see a unit twice.
func rankEach[T any](ctx context.Context, f *judged, in Input, also func(one *file, s trend.State, forecast fleet.Forecast) T) (fleet.RankedList, []T, error) {
	type forecast struct {
		undated
		also T
	}
	all, err := judgeEach(ctx, f, in, func(one *file) forecast {
		s := trend.Estimate(one.track, f.params)
		d := f.undated(one, s)
		return forecast{d, also(one, s, d.forecast)}
	})
	if err != nil {
		return fleet.RankedList{}, nil, err
	}
	beside := make([]T, len(all))
	for i := range all {
		beside[i] = all[i].also
	}
	return f.list(len(all), func(i int) *undated { return &all[i].undated }), beside, nil
}

// list adds money and days to act by to n forecasts, by the files, and puts them in order.
func (f *judged) list(n int, forecast func(i int) *undated) fleet.RankedList {
	list := fleet.RankedList{AsOf: f.asOf, Season: f.season(), Units: make([]fleet.Forecast, n)}
	acts := make([]plan.Unit, n)
	for i := range n {
		d := forecast(i)
		f.price(&f.files[i], d)
		list.Units[i], acts[i] = d.forecast, d.act
	}
	for i, by := range f.actBy(acts, func(i int) *file { return &f.files[i] }) {
		list.Units[i].SwapBy = by
	}
	order(list.Units)
	return list
}

// order ranks by expected loss, then chance, then key. Either all units of a fleet have an expected loss or none has, since the
// fleet's median stands in for a cost that is not known.
func order(units []fleet.Forecast) {
	slices.SortFunc(units, func(a, b fleet.Forecast) int {
		return cmp.Or(
			cmp.Compare(b.ExpectedLoss.Or(0), a.ExpectedLoss.Or(0)),
			cmp.Compare(b.NoStartProbability.Or(0), a.NoStartProbability.Or(0)),
			cmp.Compare(a.Unit, b.Unit))
	})
	for i := range units {
		units[i].Rank = i + 1
	}
}

// file is one unit's: its track and what its records say of money.
type file struct {
	unit   fleet.Unit
	depot  fleet.Depot
	track  trend.Track
	paid   paid
	now    fittedNow
	fitted bool // a battery is on record
}

// readFrom keeps of a history what judging needs; its rows are let go.
func (one *file) readFrom(h fleet.History, f *judged) {
	one.track = trend.Compress(h, one.depot, f.weather, f.asOf)
	one.paid = paidFor(h, f.asOf)
	one.now = fittedOn(h, one.paid, f.asOf)
	one.fitted = one.track.RatedCCAA > 0
}

// judged is the whole fleet as read and learned.
type judged struct {
	asOf    fleet.Date
	files   []file // by unit
	params  trend.Params
	of      string // the fingerprint of what they were learned from
	prices  prices
	weather trend.Weather
	depots  map[fleet.DepotID]fleet.Depot
	winters map[fleet.DepotID]depotWinters
}

type depotWinters struct {
	season  fleet.Season
	from    fleet.Date // first day at risk
	winters []trend.Winter
	spreadC float64
}

// newJudged makes ready for units of the depots; nothing is read or learned yet.
func newJudged(in Input) *judged {
	f := &judged{
		asOf: in.AsOf, weather: trend.NewWeather(in.Depots, in.Temps, in.AsOf),
		depots: map[fleet.DepotID]fleet.Depot{}, winters: map[fleet.DepotID]depotWinters{},
	}
	for _, d := range in.Depots {
		f.depots[d.ID] = d
		f.winters[d.ID] = f.wintersOf(d)
	}
	return f
}

func (f *judged) wintersOf(d fleet.Depot) depotWinters {
	w := depotWinters{season: trend.SeasonOf(f.asOf, d)}
	w.from = max(f.asOf, w.season.From)
	w.winters, w.spreadC = f.weather.RiskWinters(d, w.season, f.asOf)
	for i, past := range w.winters {
		w.winters[i].DawnC = past.DawnC[w.from-w.season.From:]
	}
	return w
}

// season is the one that most units' depots have; northern where they are even.
func (f *judged) season() fleet.Season {
	south, north := 0, 0
	for i := range f.files {
		if f.files[i].depot.Latitude.Or(0) < 0 {
			south++
		} else {
			north++
		}
	}
	d := fleet.Depot{}
	if south > north {
		d.Latitude = fleet.Known(-1.0)
	}
	return trend.SeasonOf(f.asOf, d)
}
