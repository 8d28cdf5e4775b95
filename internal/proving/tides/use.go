package tides

import (
	"math"
	"time"

	"rimeyard/internal/fleet"
)

// use is how a unit is worked and where it stands by night.
type use struct {
	parked      fleet.Parked
	nearC       float64    // warmer than the depot's thermometer
	chance      [7]float64 // of being driven, by weekday
	slack       float64    // share of that when no ship is in
	starts      float64
	hours       float64
	leavesAt    float64
	laidUp      float64 // chance a day that some days without work begin
	forgetsPlug float64
	shaken      float64
}

func newUse(c *class, p *depot, d dice) use {
	u := use{
		parked: fleet.Outdoors, nearC: p.overnightC + 0.6*d.NormFloat64(), slack: 1, starts: c.starts * d.times(0.2), hours: c.hours * d.times(0.4),
		leavesAt: d.within(4, 7.5), laidUp: d.within(0.001, 0.008), forgetsPlug: d.within(0.02, 0.12), shaken: c.shaken * d.times(0.15),
	}
	switch x := d.Float64(); {
	case x < p.indoors:
		u.parked = fleet.Indoors
	case x < p.indoors+p.pluggedIn:
		u.parked = fleet.PluggedIn
	}
	weekday, saturday, sunday := d.within(0.75, 0.97), d.within(0.1, 0.6), d.within(0.02, 0.3)
	if d.yes(0.05) { // a reserve
		weekday, saturday, sunday = 0.35, 0.05, 0.02
	}
	if p.shipCalls {
		u.slack, saturday, sunday = d.within(0.55, 0.9), weekday, weekday
	}
	for i := range u.chance {
		u.chance[i] = weekday
	}
	u.chance[time.Saturday], u.chance[time.Sunday] = saturday, sunday
	return u
}

// standing is how a unit stands before a day.
type standing struct {
	soakH float64
	meanC float64 // of the day before
	away  int     // days still to pass without work
}

// shipIn tells of a day whether a ship is in: the outer and inner quays have two or three calls in ten days.
func shipIn(seed uint64, on fleet.Date) bool {
	return throw(seed, "ship", int(on)/3).yes(0.6)
}

// plan draws a day's work: hours driven and starts.
func (u *use) plan(s *standing, on fleet.Date, ship bool, d dice) (hours float64, starts int) {
	a, b, c := d.Float64(), d.Float64(), d.Float64()
	chance := u.chance[on.Weekday()]
	if !ship {
		chance *= u.slack
	}
	switch {
	case s.away > 0:
		s.away--
		return 0, 0
	case c < u.laidUp:
		s.away = 1 + int(9*a*a)
		return 0, 0
	case a > chance:
		return 0, 0
	}
	return u.hours * (0.35 + 1.3*b), 1 + int((u.starts-1)*2*c+b)
}

// where the unit stands it is warmer than outdoors in a hall.
func (u *use) where(outC float64) float64 {
	if u.parked == fleet.Indoors {
		outC = max(outC, 6+0.4*outC)
	}
	return outC + u.nearC
}

// dawn is the first start of a day. Half-lives of what a warm engine leaves, and what a block heater gives, are common practice, no source.
func (u *use) dawn(airC float64, s *standing, plugged bool) meeting {
	c := meeting{airC: airC, soakH: s.soakH}
	c.batteryC = airC + 0.4*max(0, s.meanC-airC) + 10*math.Exp(-s.soakH/9)
	c.oilC = airC + (82-airC)*math.Exp(-s.soakH/2.9)
	c.windingC = airC + (55-airC)*math.Exp(-s.soakH/2.2)
	if plugged {
		c.oilC, c.batteryC = c.oilC+24, c.batteryC+4
	}
	return c
}

func (u *use) plugs(d dice) bool {
	forgot := d.yes(u.forgetsPlug)
	return u.parked == fleet.PluggedIn && !forgot
}

// errand is a start later on a day.
func (u *use) errand(t *day, d dice) meeting {
	c := meeting{airC: t.minC + (t.maxC-t.minC)*d.within(0.4, 1), soakH: 0.15 + 2.6*d.Float64()*d.Float64()}
	c.batteryC = c.airC + 12*math.Exp(-c.soakH/9)
	c.oilC = c.airC + (86-c.airC)*math.Exp(-c.soakH/2.9)
	c.windingC = c.airC + (75-c.airC)*math.Exp(-c.soakH/2.2)
	return c
}

// night ends a day.
func (s *standing) night(t *day) {
	if t.hours > 0 {
		s.soakH = max(6, 21-1.3*t.hours)
	} else {
		s.soakH += 24
	}
	s.meanC = (t.minC + t.maxC) / 2
}
