package proving

import (
	"math"
	"math/rand/v2"
	"time"

	"rimeyard/internal/fleet"
)

// climate is what a depot's weather is drawn from. Orders of magnitude of the mild coast and of the cold inland of Europe between
// 50 and 65° N, from memory. Winters differ nearly as much as Milwaukee's of 1985–2025 (GHCN-Daily USW00014839: the mean of December to
// February has a standard deviation of 1.9 °C, the lowest minimum of 3.5 °C).
type climate struct {
	meanC, swingC  float64 // daily mean over the year, and half the way from the coldest to the warmest time of it
	winterSdC      float64 // of a day's departure from that in winter; in summer it is two thirds of it
	levelSdC       float64 // of a winter's own level
	rangeC         float64 // from a day's lowest to its highest
	sharedOfSpells float64 // correlation with the other depots' spells
}

// skies is a depot's days without a gap.
type skies struct {
	first      fleet.Date
	minC, maxC []float64
	midnight   []time.Time // local, as an instant
}

const (
	spellMemory = 0.8  // correlation of departures from one day to the next; common practice, no source
	coldestDay  = 20   // of the year
	sharedLevel = 0.25 // correlation of a depot's winter level with the common one
	coldSkew    = 0.2  // departures to the cold are wider by this share in the depth of winter
)

// common is what all depots share: one chain of spells, and one level for each winter.
type common struct {
	spell []float64
	level map[int]float64
}

func makeCommon(seed uint64, days, firstYear, lastYear int) common {
	r := stream(seed, "common sky", 0)
	c := common{spell: spells(r, days), level: map[int]float64{}}
	for year := firstYear; year <= lastYear; year++ {
		c.level[year] = r.NormFloat64()
	}
	return c
}

func spells(r *rand.Rand, days int) []float64 {
	out := make([]float64, days)
	x := r.NormFloat64()
	for i := range out {
		x = spellMemory*x + math.Sqrt(1-spellMemory*spellMemory)*r.NormFloat64()
		out[i] = x
	}
	return out
}

func makeSkies(seed uint64, depot int, cl climate, c common, first, last fleet.Date, zone *time.Location) skies {
	days := int(last-first) + 1
	s := skies{first: first, minC: make([]float64, days), maxC: make([]float64, days), midnight: make([]time.Time, days)}
	r := stream(seed, "sky", depot)
	own := spells(r, days)
	levels := map[int]float64{}
	for i := range days {
		d := first + fleet.Date(i)
		year := winterOf(d)
		if _, drawn := levels[year]; !drawn {
			levels[year] = cl.levelSdC * (sharedLevel*c.level[year] + math.Sqrt(1-sharedLevel*sharedLevel)*r.NormFloat64())
		}
		y, _, _ := d.YMD()
		wave := math.Cos(2 * math.Pi * (float64(d-fleet.NewDate(y, time.January, 1)) - coldestDay) / 365.25) // 1 in the depth of winter
		x := math.Sqrt(cl.sharedOfSpells)*c.spell[i] + math.Sqrt(1-cl.sharedOfSpells)*own[i]
		if x < 0 {
			x *= 1 + coldSkew*max(0, wave)
		}
		mean := cl.meanC - cl.swingC*wave + x*cl.winterSdC*(5+wave)/6 + levels[year]*max(0, wave)
		half := cl.rangeC / 2 * (1 - 0.3*max(0, wave)) * (0.5 + r.Float64())
		s.minC[i], s.maxC[i] = roundTo(mean-half, 0.1), roundTo(mean+half, 0.1)
		s.midnight[i] = d.Midnight(zone).UTC()
	}
	return s
}

func (s *skies) day(d fleet.Date) (minC, maxC float64) { return s.minC[d-s.first], s.maxC[d-s.first] }

func (s *skies) clock(d fleet.Date, hour float64) time.Time {
	return s.midnight[d-s.first].Add(time.Duration(hour*3600) * time.Second)
}

// rows are the days as a weather service would list them.
func (s *skies) rows(depot fleet.DepotID) []fleet.DayTemp {
	out := make([]fleet.DayTemp, len(s.minC))
	for i := range out {
		out[i] = fleet.DayTemp{Depot: depot, Date: s.first + fleet.Date(i), MinC: fleet.Known(s.minC[i]), MaxC: fleet.Known(s.maxC[i])}
	}
	return out
}

// winterOf names a winter by the year in which it begins.
func winterOf(d fleet.Date) int {
	y, m, _ := d.YMD()
	if m < time.July {
		return y - 1
	}
	return y
}
