package trend

import (
	"time"

	"rimeyard/internal/fleet"
)

// SeasonOf is the depot's cold season that asOf lies in, else the next one: 1 October to 31 March, and south of the
// equator 1 April to 30 September. A depot of unknown latitude counts as northern.
func SeasonOf(asOf fleet.Date, depot fleet.Depot) fleet.Season {
	first := time.October
	if depot.Latitude.Or(0) < 0 {
		first = time.April
	}
	year, _, _ := asOf.YMD()
	for y := year - 1; ; y++ {
		from := fleet.NewDate(y, first, 1)
		if to := from.AddMonths(6) - 1; to >= asOf {
			return fleet.Season{From: from, To: to}
		}
	}
}

// seasonBefore is the same months, years earlier. 29 February is left out of, or added to, the end of a winter, never its start.
func seasonBefore(s fleet.Season, years int) fleet.Season {
	return fleet.Season{From: s.From.AddMonths(-12 * years), To: (s.To + 1).AddMonths(-12*years) - 1}
}
