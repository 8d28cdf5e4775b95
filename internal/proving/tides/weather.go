package tides

import (
	"math"
	"time"

	"rimeyard/internal/fleet"
)

// airMass is where the air over the whole coast comes from. It stays for some days and then gives way to another.
type airMass int

const (
	seaAir airMass = iota
	landAir
	polarAir
	masses
)

// regime is how an air mass behaves, in the depth of winter and at the height of summer. Orders of magnitude of a coast near 58° N,
// from memory.
type regime struct {
	stayDays             [2]float64 // mean
	weight               [2]float64 // of being the next
	rangeC               [2]float64 // from the day's lowest to its highest
	departsC             [2]float64 // from the time of the year, times the site's openness to it
	winterSd, flickerSdC float64    // ln-spread of the weight from winter to winter; spread from day to day
}

var regimes = [masses]regime{
	seaAir:   {[2]float64{5.5, 4}, [2]float64{1, 1}, [2]float64{3.5, 6}, [2]float64{3.6, -1.8}, 0.15, 1.1},
	landAir:  {[2]float64{5, 6}, [2]float64{0.6, 1}, [2]float64{6.5, 10.5}, [2]float64{-2.6, 3.2}, 0.25, 1.5},
	polarAir: {[2]float64{4.5, 3}, [2]float64{0.5, 0.3}, [2]float64{7.5, 8.5}, [2]float64{-8.2, -4.2}, 0.3, 1.9},
}

// pastWinters of temperatures lie before the season; Options allow no more years of records than this covers.
const pastWinters = 15

// site is the climate of one depot.
type site struct {
	meanC, swingC float64         // over the year; from that to its coldest time
	open          [masses]float64 // how far each air mass makes itself felt
	lagDays       int             // a front arrives here so much later than on the outer quay
	salt          float64         // in the air: 1 on the quay
}

// sky is a depot's days without a gap.
type sky struct {
	first      fleet.Date
	minC, maxC []float64
	midnight   []time.Time
}

const (
	coldestDay = 26  // of the year: the sea lags
	inertia    = 0.5 // of yesterday's departure in today's
)

// winterness is 1 in the depth of winter and 0 at the height of summer.
func winterness(d fleet.Date) float64 {
	year, _, _ := d.YMD()
	return 0.5 + 0.5*math.Cos(2*math.Pi*float64(d-fleet.NewDate(year, time.January, coldestDay))/365.25)
}

func between(ends [2]float64, winter float64) float64 { return ends[0]*winter + ends[1]*(1-winter) }

// march is the air mass of each day. Each winter favours some by chance.
func march(seed uint64, first, last fleet.Date) []airMass {
	d := throw(seed, "air masses", 0)
	out := make([]airMass, last-first+1)
	var favour [masses]float64
	now, left, year := seaAir, 0, 0
	for i := range out {
		day := first + fleet.Date(i)
		winter := winterness(day)
		if y, m, _ := day.YMD(); m >= time.July && y != year || i == 0 {
			year = y
			for k := range favour {
				favour[k] = d.times(regimes[k].winterSd)
			}
		}
		if left <= 0 {
			others := make([]airMass, 0, masses-1)
			for k := range masses {
				if k != now {
					others = append(others, k)
				}
			}
			now = *byWeight(d, others, func(k *airMass) float64 { return favour[*k] * between(regimes[*k].weight, winter) })
			left = 1 + int(d.ExpFloat64()*between(regimes[now].stayDays, winter))
		}
		left--
		out[i] = now
	}
	return out
}

func newSky(seed uint64, n int, s site, air []airMass, first fleet.Date, zone *time.Location) sky {
	d := throw(seed, "sky", n)
	days := len(air)
	k := sky{first: first, minC: make([]float64, days), maxC: make([]float64, days), midnight: make([]time.Time, days)}
	var departs, flicker float64
	for i := range air {
		day := first + fleet.Date(i)
		winter := winterness(day)
		mass := air[max(0, i-s.lagDays)]
		r := &regimes[mass]
		departs = inertia*departs + (1-inertia)*between(r.departsC, winter)*s.open[mass]
		flicker = 0.6*flicker + 0.8*r.flickerSdC*(0.6+0.4*winter)*d.NormFloat64()
		mean := s.meanC - s.swingC*(2*winter-1) + departs + flicker
		half := between(r.rangeC, winter) / 2 * d.within(0.6, 1.4)
		k.minC[i], k.maxC[i] = toPer(mean-half, 10), toPer(mean+half, 10)
		k.midnight[i] = day.Midnight(zone).UTC()
	}
	return k
}

func (k *sky) on(d fleet.Date) (minC, maxC float64) { return k.minC[d-k.first], k.maxC[d-k.first] }

func (k *sky) at(d fleet.Date, hour float64) time.Time {
	return k.midnight[d-k.first].Add(time.Duration(hour*3600) * time.Second)
}

// days are as the weather office lists them.
func (k *sky) days(depot fleet.DepotID) []fleet.DayTemp {
	out := make([]fleet.DayTemp, len(k.minC))
	for i := range out {
		out[i] = fleet.DayTemp{Depot: depot, Date: k.first + fleet.Date(i), MinC: fleet.Known(k.minC[i]), MaxC: fleet.Known(k.maxC[i])}
	}
	return out
}
