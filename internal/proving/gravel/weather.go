package gravel

import (
	"math"
	"math/rand/v2"
	"time"

	"rimeyard/internal/fleet"
)

// climate is what a site's weather is drawn from, °C. Orders of magnitude of inland Europe and of the northern plains, from memory.
type climate struct {
	meanC   float64 // over the year
	swingC  float64 // half the way from the coldest time to the warmest
	spellC  float64 // standard deviation of a winter day's departure; in summer it is 0.6 of it
	levelC  float64 // standard deviation of a year's own level in winter
	rangeC  float64 // from night to afternoon
	brine   float64 // how much salted slush the roads have
	joining float64 // share of the departures' variance that is the region's
}

// region is what the sites share of the weather: one chain of departures, one level for each year from July to June.
type region struct {
	chain []float64
	level map[int]float64
}

const (
	chainAR, chainMA = 0.72, 0.22 // of the daily departures, ARMA(1, 1)
	chainTail        = 9          // degrees of freedom of the shocks
	coldestDay       = 17         // of the year
	second           = 0.06       // share of the second harmonic: springs are slower than autumns
	levelJoining     = 0.5        // share of the variance of a year's level that is the region's
)

func newRegion(r *rand.Rand, first fleet.Date, days int) region {
	a := region{chain: chain(r, days), level: map[int]float64{}}
	for i := range days {
		if y := winterYear(first + fleet.Date(i)); a.level[y] == 0 {
			a.level[y] = r.NormFloat64()
		}
	}
	return a
}

// chain is a stationary ARMA(1, 1) of unit variance whose shocks are Student's.
func chain(r *rand.Rand, days int) []float64 {
	unit := math.Sqrt((1 - chainAR*chainAR) / (1 + 2*chainAR*chainMA + chainMA*chainMA))
	out := make([]float64, days)
	x, last := 0.0, 0.0
	for i := -40; i < days; i++ {
		shock := unit * student(r, chainTail)
		x, last = chainAR*x+shock+chainMA*last, shock
		if i >= 0 {
			out[i] = x
		}
	}
	return out
}

// student has unit variance.
func student(r *rand.Rand, freedom int) float64 {
	var squares float64
	for range freedom {
		z := r.NormFloat64()
		squares += z * z
	}
	return r.NormFloat64() * math.Sqrt(float64(freedom-2)/squares)
}

// winterYear is the year in which the winter of d ends.
func winterYear(d fleet.Date) int {
	year, month, _ := d.YMD()
	if month >= time.July {
		return year + 1
	}
	return year
}

// sky is a site's days without a gap.
type sky struct {
	first      fleet.Date
	minC, maxC []float64
	midnight   []time.Time // local
}

func newSky(r *rand.Rand, s *site, a region, first fleet.Date, days int) sky {
	k := sky{first: first, minC: make([]float64, days), maxC: make([]float64, days), midnight: make([]time.Time, days)}
	c, zone, own := &s.climate, s.depot.Zone(), chain(r, days)
	levels := map[int]float64{}
	for i := range days {
		d := first + fleet.Date(i)
		y := winterYear(d)
		if _, drawn := levels[y]; !drawn {
			levels[y] = c.levelC * (math.Sqrt(levelJoining)*a.level[y] + math.Sqrt(1-levelJoining)*r.NormFloat64())
		}
		wave := yearWave(d)
		winter := (1 + wave) / 2
		departure := math.Sqrt(c.joining)*a.chain[i] + math.Sqrt(1-c.joining)*own[i]
		mean := c.meanC - c.swingC*wave + c.spellC*(0.6+0.4*winter)*departure + levels[y]*winter
		half := c.rangeC / 2 * (1.15 - 0.4*winter) * uniform(r, 0.55, 1.35)
		if departure < 0 { // cold spells in winter are clear, and clear nights fall further
			half *= 1 + 0.08*winter*min(3, -departure)
		}
		k.minC[i], k.maxC[i] = rounded(mean-half, 0.1), rounded(mean+half, 0.1)
		k.midnight[i] = d.Midnight(zone).UTC()
	}
	return k
}

// yearWave is about 1 in the depth of winter and about −1 in high summer.
func yearWave(d fleet.Date) float64 {
	year, _, _ := d.YMD()
	turn := 2 * math.Pi * float64(d-fleet.NewDate(year, time.January, coldestDay)) / 365.25
	return math.Cos(turn) - second*math.Sin(2*turn)
}

func (k *sky) day(d fleet.Date) (minC, maxC float64) { return k.minC[d-k.first], k.maxC[d-k.first] }

func (k *sky) at(d fleet.Date, hour float64) time.Time {
	return k.midnight[d-k.first].Add(time.Duration(hour*3600) * time.Second)
}

// rows are the days from a date on, as a weather service lists them.
func (k *sky) rows(depot fleet.DepotID, from fleet.Date) []fleet.DayTemp {
	var out []fleet.DayTemp
	for i := int(from - k.first); i < len(k.minC); i++ {
		out = append(out, fleet.DayTemp{
			Depot: depot, Date: k.first + fleet.Date(i), MinC: fleet.Known(k.minC[i]), MaxC: fleet.Known(k.maxC[i]),
		})
	}
	return out
}
