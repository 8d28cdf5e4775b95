package proving

import (
	"math"
	"math/rand/v2"
	"time"

	"rimeyard/internal/fleet"
)

// habit is how a unit is used and where it stands.
type habit struct {
	parked      fleet.Parked
	dayChance   [7]float64 // of being driven, by weekday
	warmStarts  float64
	driveHours  float64
	startHour   float64
	nearbyC     float64 // how much warmer it is where it stands than at the depot's thermometer
	idleChance  float64 // of a spell of days without work beginning today
	forgetsPlug float64
}

func newHabit(cl *class, pl *place, r *rand.Rand) habit {
	h := habit{
		parked: fleet.Outdoors, warmStarts: cl.warmStarts * spread(r, 0.35), driveHours: cl.driveHours * spread(r, 0.3),
		startHour: between(r, 4.5, 8), nearbyC: 0.7 * r.NormFloat64(), idleChance: between(r, 0.002, 0.012), forgetsPlug: between(r, 0.01, 0.1),
	}
	switch x := r.Float64(); {
	case x < pl.indoors:
		h.parked = fleet.Indoors
	case x < pl.indoors+pl.pluggedIn:
		h.parked = fleet.PluggedIn
	}
	week := min(6.6, cl.daysPerWeek*spread(r, 0.12))
	if hit(r, 0.06) {
		week = 2.2 // a spare
	}
	for d := range h.dayChance {
		h.dayChance[d] = min(0.97, week/5.3)
	}
	h.dayChance[time.Saturday], h.dayChance[time.Sunday] = max(0.05, min(0.9, week-5)), max(0.03, min(0.8, week-5.8))
	return h
}

// standing is how a unit stands at dawn.
type standing struct {
	soakH float64
	meanC float64 // of the air over the day before
	idle  int     // days still to pass without work
	down  int     // days still to pass in the workshop
}

// work is what one day asks, drawn from the unit's habit.
func (h *habit) work(s *standing, d fleet.Date, r *rand.Rand) (driveHours float64, warm int) {
	a, b, c := r.Float64(), r.Float64(), r.Float64()
	switch {
	case s.down > 0:
		s.down--
		return 0, 0
	case s.idle > 0:
		s.idle--
		return 0, 0
	case a < h.idleChance:
		s.idle = 2 + int(12*b*b)
		return 0, 0
	case b > h.dayChance[d.Weekday()]:
		return 0, 0
	}
	warm = int(2*h.warmStarts*c + 0.5)
	return h.driveHours * (0.4 + 0.6*a + 0.6*c), warm
}

// airWhere is the air where the unit stands when it is so cold outside.
func (h *habit) airWhere(outsideC float64) float64 {
	if h.parked == fleet.Indoors {
		return max(outsideC, 7+0.35*outsideC) + h.nearbyC
	}
	return outsideC + h.nearbyC
}

// dawn is the first crank of a day. The battery follows the air by half a day, the oil by a few hours; a block heater warms the oil
// by 25 °C and the battery beside it a little. Common practice, no source.
func (h *habit) dawn(airC, dayBeforeC, soakH float64, plugged bool) Crank {
	c := Crank{AirC: airC, SoakH: soakH}
	c.BatteryC = airC + 0.35*max(0, dayBeforeC-airC) + 12*math.Exp(-soakH/8)
	c.OilC = airC + (85-airC)*math.Exp(-soakH/2.7)
	if plugged {
		c.OilC += 25
		c.BatteryC += 3
	}
	return c
}

// pass works out how long the unit will have stood by the next dawn.
func (s *standing) pass(day *Day) {
	if day.DriveHours > 0 {
		s.soakH = max(6, 22-day.DriveHours)
	} else {
		s.soakH += 24
	}
	day.HoursParked = s.soakH
	s.meanC = (day.MinC + day.MaxC) / 2
}

func (h *habit) plugs(r *rand.Rand) bool {
	return r.Float64() > h.forgetsPlug && h.parked == fleet.PluggedIn
}

// warmCrank is a start between two errands.
func warmCrank(day *Day, r *rand.Rand) Crank {
	air := day.MinC + (day.MaxC-day.MinC)*(0.5+0.5*r.Float64())
	soak := 0.2 + 2*r.Float64()*r.Float64()
	return Crank{AirC: air, SoakH: soak, BatteryC: air + 14*math.Exp(-soak/8), OilC: air + (88-air)*math.Exp(-soak/3)}
}
