package alerts

import (
	"cmp"
	"context"
	"fmt"
	"slices"

	"golang.org/x/sync/errgroup"

	"rimeyard/internal/fleet"
	"rimeyard/plan"
	"rimeyard/trend"
)

// Rank lists every unit of the fleet, highest priority first: by what waiting costs, and where nothing is known of costs by
// the chance of a failed start. Nothing dated on AsOf or later is looked at.
func Rank(ctx context.Context, in Input) (fleet.RankedList, error) {
	f, err := judgeFleet(ctx, in)
	if err != nil {
		return fleet.RankedList{}, fmt.Errorf("rank units as of %s: %w", in.AsOf, err)
	}
	list, err := f.list(ctx, in.Workers, func(int, trend.State, fleet.Forecast) {})
	if err != nil {
		return fleet.RankedList{}, fmt.Errorf("rank units as of %s: %w", in.AsOf, err)
	}
	return list, nil
}

// list forecasts every unit and puts them in order. It shows each file's number, state and forecast, which has no day to act by yet, to
// also, from several goroutines.
func (f *judged) list(ctx context.Context, workers int, also func(i int, s trend.State, forecast fleet.Forecast)) (fleet.RankedList, error) {
	list := fleet.RankedList{AsOf: f.asOf, Season: f.season(), Units: make([]fleet.Forecast, len(f.files))}
	acts := make([]plan.Unit, len(f.files))
	group, ctx := errgroup.WithContext(ctx)
	group.SetLimit(max(1, workers))
	for i := range f.files {
		group.Go(func() error {
			state := trend.Estimate(f.files[i].track, f.params)
			list.Units[i], acts[i] = f.undated(&f.files[i], state)
			also(i, state, list.Units[i])
			return ctx.Err()
		})
	}
	if err := group.Wait(); err != nil {
		return fleet.RankedList{}, err
	}
	for i, by := range f.actBy(acts, func(i int) *file { return &f.files[i] }) {
		list.Units[i].SwapBy = by
	}
	order(list.Units)
	return list, nil
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
	winters map[fleet.DepotID]depotWinters
	depots  []fleet.Depot // only where single units are judged
}

type depotWinters struct {
	season  fleet.Season
	from    fleet.Date // first day at risk
	winters []trend.Winter
	spreadC float64
}

func judgeFleet(ctx context.Context, in Input) (*judged, error) {
	f := &judged{asOf: in.AsOf, weather: trend.NewWeather(in.Depots, in.Temps, in.AsOf), winters: map[fleet.DepotID]depotWinters{}}
	depots := map[fleet.DepotID]fleet.Depot{}
	for _, d := range in.Depots {
		depots[d.ID] = d
	}
	if err := f.read(ctx, in, depots); err != nil {
		return nil, err
	}
	return f, f.learn(ctx, in.Kept, in.Workers)
}

// learn takes from the whole fleet what is needed to judge one unit. What is kept stands in for what would come out the same.
func (f *judged) learn(ctx context.Context, kept *Learned, workers int) (err error) {
	tracks := make([]trend.Track, len(f.files))
	all := make([]paid, len(f.files))
	for i := range f.files {
		tracks[i], all[i] = f.files[i].track, f.files[i].paid
		if d := f.files[i].depot; f.winters[d.ID].winters == nil {
			f.winters[d.ID] = f.wintersOf(d)
		}
	}
	f.prices = gatherPrices(all)
	f.of = trend.Fingerprint(tracks, f.weather)
	if kept != nil && kept.Of == f.of {
		f.params = kept.Params
		return nil
	}
	f.params, err = trend.Learn(ctx, tracks, f.weather, workers)
	return err
}

// read compresses histories as they come; only the tracks are kept.
func (f *judged) read(ctx context.Context, in Input, depots map[fleet.DepotID]fleet.Depot) error {
	group, ctx := errgroup.WithContext(ctx)
	group.SetLimit(max(1, in.Workers))
	var files []*file
	for h, err := range in.Histories {
		if err == nil {
			err = ctx.Err()
		}
		if err != nil {
			return cmp.Or(group.Wait(), err)
		}
		depot, known := depots[h.Unit.Depot]
		if !known {
			depot.ID = h.Unit.Depot
		}
		into := &file{unit: h.Unit, depot: depot}
		files = append(files, into)
		group.Go(func() error {
			into.readFrom(h, f)
			return nil
		})
		if in.Progress != nil {
			in.Progress(len(files))
		}
	}
	if err := group.Wait(); err != nil {
		return err
	}
	slices.SortFunc(files, func(a, b *file) int { return cmp.Compare(a.unit.ID, b.unit.ID) })
	for _, one := range files {
		f.files = append(f.files, *one)
	}
	return nil
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
