package trend

import (
	"cmp"
	"math"
	"slices"

	"rimeyard/internal/fleet"
)

// Weather is what was known of each depot's days on some date: nothing of that date or later, for those are forecasts.
type Weather struct {
	series map[fleet.DepotID]daySeries
	stand  map[fleet.DepotID]daySeries // for depots without days of their own: the nearest depot that has some
	depots map[fleet.DepotID]fleet.Depot
	then   *Weather // what was known on the settled day; nil: the same, but for the days since
}

// daySeries holds consecutive days; NaN where a day is not known.
type daySeries struct {
	first    fleet.Date
	min, max []float64
}

// plausibleAirC bounds what a depot's thermometer may say; beyond it a day counts as unknown.
const plausibleAirC = 60

// NewWeather keeps of temps what lies before asOf. Order and duplicates do not matter: of two rows for one day the lower minimum
// stands. A depot without any days borrows those of the nearest depot by its coordinates.
func NewWeather(depots []fleet.Depot, temps map[fleet.DepotID][]fleet.DayTemp, asOf fleet.Date) Weather {
	w := Weather{map[fleet.DepotID]daySeries{}, map[fleet.DepotID]daySeries{}, map[fleet.DepotID]fleet.Depot{}, nil}
	for _, d := range depots {
		w.depots[d.ID] = d
	}
	for id, days := range temps {
		if s, any := newDaySeries(days, asOf); any {
			w.series[id] = s
		}
	}
	for _, d := range depots {
		if _, own := w.series[d.ID]; !own {
			if s, found := w.nearest(d, depots); found {
				w.stand[d.ID] = s
			}
		}
	}
	for _, s := range w.series {
		if day := settledOn(asOf); s.first >= day { // depots that borrowed did so from others then
			then := NewWeather(depots, temps, day)
			w.then = &then
			break
		}
	}
	return w
}

// settled is what was known on the settled day, and days since of the same thermometers.
func (w Weather) settled() Weather {
	if w.then != nil {
		return *w.then
	}
	return w
}

func newDaySeries(days []fleet.DayTemp, asOf fleet.Date) (daySeries, bool) {
	var first, last fleet.Date
	any := false
	for _, d := range days {
		if d.Date >= asOf || !plausible(d.MinC) {
			continue
		}
		if !any {
			first, last, any = d.Date, d.Date, true
		}
		first, last = min(first, d.Date), max(last, d.Date)
	}
	if !any {
		return daySeries{}, false
	}
	n := int(last-first) + 1
	s := daySeries{first, make([]float64, n), make([]float64, n)}
	for i := range s.min {
		s.min[i], s.max[i] = math.NaN(), math.NaN()
	}
	for _, d := range days {
		if d.Date >= asOf || !plausible(d.MinC) {
			continue
		}
		i, low := int(d.Date-first), d.MinC.Or(0)
		high := math.NaN()
		if plausible(d.MaxC) {
			high = max(low, d.MaxC.Or(0))
		}
		if math.IsNaN(s.min[i]) || low < s.min[i] || (low == s.min[i] && (math.IsNaN(s.max[i]) || high < s.max[i])) {
			s.min[i], s.max[i] = low, high
		}
	}
	return s, true
}

func plausible(t fleet.Opt[float64]) bool {
	c, known := t.Get()
	return known && math.Abs(c) <= plausibleAirC
}

// at gives the day's lowest and highest temperature. A highest that is not known is taken 7 °C above the lowest, a middling
// daily range (common practice, no source).
func (s daySeries) at(d fleet.Date) (minC, maxC float64, known bool) {
	i := int(d - s.first)
	if i < 0 || i >= len(s.min) || math.IsNaN(s.min[i]) {
		return 0, 0, false
	}
	if math.IsNaN(s.max[i]) {
		return s.min[i], s.min[i] + 7, true
	}
	return s.min[i], s.max[i], true
}

func (w Weather) of(depot fleet.DepotID) (s daySeries, borrowed, any bool) {
	if s, own := w.series[depot]; own {
		return s, false, true
	}
	s, found := w.stand[depot]
	return s, true, found
}

// Day is the depot's lowest and highest air temperature on d, if known.
func (w Weather) Day(depot fleet.DepotID, d fleet.Date) (minC, maxC float64, known bool) {
	s, _, any := w.of(depot)
	if !any {
		return 0, 0, false
	}
	return s.at(d)
}

// Days is all that is known of a depot, oldest first.
func (w Weather) Days(depot fleet.DepotID) []fleet.DayTemp {
	s, _, _ := w.of(depot)
	days := make([]fleet.DayTemp, 0, len(s.min))
	for i := range s.min {
		d := s.first + fleet.Date(i)
		if low, high, known := s.at(d); known {
			days = append(days, fleet.DayTemp{Depot: depot, Date: d, MinC: fleet.Known(low), MaxC: fleet.Known(high)})
		}
	}
	return days
}

func (w Weather) nearest(d fleet.Depot, depots []fleet.Depot) (daySeries, bool) {
	type near struct {
		id fleet.DepotID
		km float64
	}
	var all []near
	for _, o := range depots {
		if _, has := w.series[o.ID]; has {
			all = append(all, near{o.ID, distanceKm(d, o)})
		}
	}
	if len(all) == 0 {
		return daySeries{}, false
	}
	best := slices.MinFunc(all, func(a, b near) int { return cmp.Or(cmp.Compare(a.km, b.km), cmp.Compare(a.id, b.id)) })
	return w.series[best.id], true
}

// distanceKm is the great-circle distance by the haversine formula (Sinnott, Sky and Telescope 68, 1984); half the
// way round the earth where a place is not known.
func distanceKm(a, b fleet.Depot) float64 {
	const earthKm, degree = 6371, math.Pi / 180
	aLat, aOK := a.Latitude.Get()
	bLat, bOK := b.Latitude.Get()
	aLon, aOK2 := a.Longitude.Get()
	bLon, bOK2 := b.Longitude.Get()
	if !aOK || !bOK || !aOK2 || !bOK2 {
		return math.Pi * earthKm
	}
	sLat, sLon := math.Sin((bLat-aLat)*degree/2), math.Sin((bLon-aLon)*degree/2)
	h := sLat*sLat + math.Cos(aLat*degree)*math.Cos(bLat*degree)*sLon*sLon
	return 2 * earthKm * math.Asin(math.Sqrt(min(1, h)))
}
