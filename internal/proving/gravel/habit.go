package gravel

import (
	"math"
	"math/rand/v2"
	"time"

	"rimeyard/internal/fleet"
)

// habit is how a unit is used and where it stands.
type habit struct {
	parked    fleet.Parked
	days      float64 // worked a week
	warm      float64
	hours     float64
	winter    float64
	hour      float64 // at which the day begins
	standsC   float64 // warmer than the site's thermometer
	forgets   float64 // chance that the heater is not plugged in
	restsFor  float64 // chance on a day that a spell without work begins
	shutsDown bool    // over the turn of the year
}

func newHabit(c *class, s *site, r *rand.Rand) habit {
	h := habit{
		parked: fleet.Outdoors, days: min(6.8, c.days*about(r, 0.1)), warm: c.warm * about(r, 0.3), hours: c.hours * about(r, 0.3),
		winter: c.winter, hour: uniform(r, 4.8, 7.4), standsC: 0.8 * r.NormFloat64(), forgets: uniform(r, 0.01, 0.06),
		restsFor: uniform(r, 0.001, 0.008), shutsDown: s.depot.ID == "PIT",
	}
	switch x := r.Float64(); {
	case x < s.indoors:
		h.parked = fleet.Indoors
	case x < s.indoors+(1-s.indoors)*s.heaters:
		h.parked = fleet.PluggedIn
	}
	if chance(r, 0.05) {
		h.days = 2 // a reserve
	}
	return h
}

// asks draws what the day asks of the unit: hours of 0 leave it parked.
func (h *habit) asks(s *state, d fleet.Date, r *rand.Rand) (hours float64, warm int) {
	a, b, c := r.Float64(), r.Float64(), r.Float64()
	if s.down > 0 || s.idle > 0 {
		s.down, s.idle = max(0, s.down-1), max(0, s.idle-1)
		return 0, 0
	}
	wave := yearWave(d)
	if a < h.restsFor*(1-h.winter*wave) {
		s.idle = 2 + int(14*b*b)
		return 0, 0
	}
	if _, month, day := d.YMD(); h.shutsDown && (month == time.December && day > 22 || month == time.January && day < 7) && b > 0.2 {
		return 0, 0
	}
	works := min(0.98, h.days/5.2)
	switch d.Weekday() {
	case time.Saturday:
		works = max(0.06, min(0.95, h.days-4.9))
	case time.Sunday:
		works = max(0.03, min(0.85, h.days-5.8))
	default:
	}
	if h.winter > 0 {
		works *= min(1.2, 1+h.winter*wave)
	}
	if b > works {
		return 0, 0
	}
	return h.hours * (0.5 + 0.5*a + 0.5*c), int(2*h.warm*c + 0.5)
}

// airAt is the air where the unit stands.
func (h *habit) airAt(outsideC float64) float64 {
	if h.parked == fleet.Indoors {
		return max(outsideC, 8+0.3*outsideC) + h.standsC
	}
	return outsideC + h.standsC
}

// first is the first crank of a day: the battery lags the night by half a day, oil by a few hours; a block heater warms the oil by
// some 28 °C and the battery a little.
func (h *habit) first(airC, dayBeforeC, soakH float64, plugged bool) dawn {
	c := dawn{airC: airC, soakH: soakH}
	c.batteryC = airC + 0.3*max(0, dayBeforeC-airC) + 11*math.Exp(-soakH/7)
	c.oilC = airC + (82-airC)*math.Exp(-soakH/2.8)
	if plugged {
		c.oilC += 28
		c.batteryC += 4
	}
	return c
}

func (h *habit) plugs(r *rand.Rand) bool {
	x := r.Float64()
	return h.parked == fleet.PluggedIn && x >= h.forgets
}

// again is a start between two jobs.
func again(d *duty, r *rand.Rand) dawn {
	air := d.minC + (d.maxC-d.minC)*uniform(r, 0.4, 1)
	soak := 0.15 + 2.2*r.Float64()*r.Float64()
	return dawn{airC: air, soakH: soak, batteryC: air + 13*math.Exp(-soak/7), oilC: air + (86-air)*math.Exp(-soak/3)}
}
