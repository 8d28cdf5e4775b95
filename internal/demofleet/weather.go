package demofleet

import (
	"math"
	"time"

	"rimeyard/internal/fleet"
)

// climate is what the weather of a depot is drawn from: daily means around a yearly wave, with spells that last
// (first-order autoregression), wider in winter and wider towards the cold, and a level for each winter.
type climate struct {
	meanC, amplitudeC    float64
	winterSdC, summerSdC float64
	halfRangeC           float64 // half the distance from a day's lowest to its highest
	winterLevelSdC       float64 // how much winters differ
}

// weather holds a depot's days without a gap, from first on, past and to come.
type weather struct {
	first fleet.Date
	minC  []float64
	maxC  []float64
}

const (
	coldestDayOfYear = 20
	spellMemory      = 0.82 // day-to-day correlation of the departure from normal; common range 0.7–0.85, no source
	commonWinterSdC  = 0.6  // part of a winter's level that all depots share
	warmingPerYearC  = 0.04
)

func makeWeather(cl climate, seed uint64, depot fleet.DepotID, first, last fleet.Date) weather {
	w := weather{first: first}
	rng := newChance(seed, "weather "+string(depot))
	spell := rng.NormFloat64()
	levels := map[int]float64{}
	for d := first; d <= last; d++ {
		wave := math.Cos(2 * math.Pi * (dayOfYear(d) - coldestDayOfYear) / 365.25) // 1 at the coldest
		winterness := math.Max(0, wave)
		year := winterOf(d)
		level, drawn := levels[year]
		if !drawn {
			shared := newChance(seed, "winter").at(year)
			level = shared*commonWinterSdC + newChance(seed, "winter "+string(depot)).at(year)*cl.winterLevelSdC
			levels[year] = level
		}
		spell = spellMemory*spell + math.Sqrt(1-spellMemory*spellMemory)*rng.NormFloat64()
		sd := cl.summerSdC + (cl.winterSdC-cl.summerSdC)*(1+wave)/2
		departure := spell * sd
		if spell < 0 {
			departure *= 1 + 0.1*winterness
		}
		years := float64(d-first) / 365.25
		mean := cl.meanC - cl.amplitudeC*wave + departure + level*winterness + warmingPerYearC*years
		half := cl.halfRangeC * (1 - 0.25*winterness) * rng.between(0.5, 1.5)
		w.minC = append(w.minC, roundTo(mean-half, 0.1))
		w.maxC = append(w.maxC, roundTo(mean+half, 0.1))
	}
	return w
}

// at is a standard normal number that belongs to a year, whatever was drawn before.
func (c chance) at(year int) float64 {
	for range year - 1990 {
		c.NormFloat64()
	}
	return c.NormFloat64()
}

func (w weather) day(d fleet.Date) (minC, maxC float64) {
	i := int(d - w.first)
	return w.minC[i], w.maxC[i]
}

func dayOfYear(d fleet.Date) float64 {
	y, _, _ := d.YMD()
	return float64(d - fleet.NewDate(y, time.January, 1) + 1)
}

// winterOf names a winter by the year in which it begins.
func winterOf(d fleet.Date) int {
	y, m, _ := d.YMD()
	if m < time.July {
		return y - 1
	}
	return y
}
