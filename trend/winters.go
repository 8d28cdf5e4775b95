package trend

import (
	"math"
	"slices"

	"rimeyard/internal/fleet"
)

// Winter is one past season's dawns, laid out over the days of the season that is judged.
type Winter struct {
	Year    int       // in which it began
	Shifted float64   // °C by which a padding copy is moved; 0 for a winter as it was
	DawnC   []float64 // one per day of the season
	MinC    float64
}

const (
	enoughWinters  = 5   // fewer are padded with copies
	paddingShiftC  = 1.5 // of the copies, colder and warmer: what winters' means differ by (from memory)
	maxWinters     = 30
	leastKnownDays = 0.8 // share of a season's days that must be known for it to count as a winter
)

// Winters lays the past years' dawns over the season: those that ended before asOf and of which most days are known, oldest
// first. Gaps are filled along a straight line.
func Winters(days []fleet.DayTemp, season fleet.Season, asOf fleet.Date) []Winter {
	s, any := newDaySeries(days, asOf)
	if !any {
		return nil
	}
	return s.winters(season, asOf)
}

func (s daySeries) winters(season fleet.Season, asOf fleet.Date) []Winter {
	var found []Winter
	length := int(season.To-season.From) + 1
	for back := 1; back <= maxWinters; back++ {
		past := seasonBefore(season, back)
		if past.To >= asOf {
			continue
		}
		if past.To < s.first {
			break
		}
		dawn, known := make([]float64, length), 0
		for i := range dawn {
			dawn[i] = math.NaN()
			if low, _, ok := s.at(past.From + fleet.Date(i)); ok {
				dawn[i] = low
				known++
			}
		}
		if float64(known) < leastKnownDays*float64(length) {
			continue
		}
		bridgeGaps(dawn)
		year, _, _ := past.From.YMD()
		found = append(found, Winter{Year: year, DawnC: dawn, MinC: slices.Min(dawn)})
	}
	slices.Reverse(found)
	return found
}

// bridgeGaps fills NaN by straight lines between the neighbours, and at the ends by the nearest value.
func bridgeGaps(x []float64) {
	last := -1
	for i, v := range x {
		if math.IsNaN(v) {
			continue
		}
		for j := last + 1; j < i; j++ {
			if last < 0 {
				x[j] = v
			} else {
				x[j] = x[last] + (v-x[last])*float64(j-last)/float64(i-last)
			}
		}
		last = i
	}
	for j := last + 1; last >= 0 && j < len(x); j++ {
		x[j] = x[last]
	}
}

// RiskWinters are the winters that a season is judged by: a depot's past ones, padded with colder and warmer copies where
// there are fewer than five, and where none is known a rough climate of the depot's latitude and height.
// The count and the order of years are alike for all units of a depot. SpreadC is what the source of the temperatures adds to
// the doubt about a night, as standard deviation.
func (w Weather) RiskWinters(depot fleet.Depot, season fleet.Season, asOf fleet.Date) (winters []Winter, spreadC float64) {
	s, borrowed, any := w.of(depot.ID)
	if any {
		winters = s.winters(season, asOf)
	}
	if borrowed {
		spreadC = 2
	}
	if len(winters) == 0 {
		winters, spreadC = []Winter{climateWinter(depot, season)}, 4
	}
	real := len(winters)
	for copied := 0; len(winters) < enoughWinters; copied++ {
		shift := paddingShiftC
		if copied/real%2 == 0 {
			shift = -paddingShiftC
		}
		winters = append(winters, winters[copied%real].moved(shift*float64(1+copied/real/2)))
	}
	return winters, spreadC
}

func (w Winter) moved(byC float64) Winter {
	m := Winter{Year: w.Year, Shifted: w.Shifted + byC, DawnC: make([]float64, len(w.DawnC)), MinC: w.MinC + byC}
	for i, t := range w.DawnC {
		m.DawnC[i] = t + byC
	}
	return m
}

// climateWinter is a guess for a place of which no day is known: a yearly cosine whose mean and swing follow latitude and height
// (−0.65 °C per 100 m), with a fortnightly wave of ±6 °C for cold and mild spells. From memory; used only where there is nothing.
func climateWinter(depot fleet.Depot, season fleet.Season) Winter {
	latitude := math.Abs(depot.Latitude.Or(50))
	mean := 27 - 0.45*max(0, latitude-10) - 0.0065*depot.ElevationM.Or(200) - 5 // dawn, not noon
	swing := 0.25 * latitude
	length := int(season.To-season.From) + 1
	w := Winter{DawnC: make([]float64, length)}
	for i := range w.DawnC {
		fromColdest := 2 * math.Pi * float64(i-length*6/10) / 365
		w.DawnC[i] = mean - swing*math.Cos(fromColdest) + 6*math.Sin(2*math.Pi*float64(i)/14)
	}
	w.MinC = slices.Min(w.DawnC)
	return w
}
