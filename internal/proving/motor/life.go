package motor

import (
	"math"
	"math/rand/v2"

	"rimeyard/internal/proving"
)

// kind of fault that begins one day and grows.
type kind int

const (
	cable kind = iota
	bearing
	alternator
	drain
	control
	kinds
)

const (
	cableOhm      = 1.9  // volts per 12 V step that a joint loses at the design current, at level 1
	bearingTorque = 0.75 // of the design torque, at level 1
	drainA        = 0.6  // at level 1, for 70 Ah
)

// onsets a year, and days from onset to level 1 in the middle.
var onsets = [kinds]float64{cable: 0.024, bearing: 0.012, alternator: 0.015, drain: 0.014, control: 0.026}

var ripens = [kinds]float64{cable: 300, bearing: 380, alternator: 240, drain: 210, control: 210}

// seedling is the level at which a fault begins; it grows by a share of itself, so it is long small.
const seedling = 0.06

// fault is one fault's growth: level 0 unborn, about 1 when it alone stops a unit on a cold day.
type fault struct {
	level float64
	pace  float64 // a day, by e
}

// pending is a fault yet to come. How fast it will grow is settled already.
func (m *machine) pending(k kind, r *rand.Rand) fault {
	return fault{pace: -math.Log(seedling) / (ripens[k] * m.Ripening() * spread(r, 0.4))}
}

// overtake lets a fault have begun before the first recorded day; one that had ripened was seen to.
func (f *fault) overtake(k kind, ageYears float64, r *rand.Rand) {
	began, when := r.Float64(), r.Float64()
	ripe := -math.Log(seedling) / f.pace
	back := min(ripe, ageYears*365)
	if began < 1-math.Exp(-onsets[k]*back/365) {
		f.level = seedling * math.Exp(f.pace*0.9*back*when)
	}
}

// Live draws once for what may begin and once for the day's unevenness, whatever the state.
func (m *machine) Live(d proving.Day, r *rand.Rand) {
	fate, uneven := r.Float64(), r.NormFloat64()
	m.befall(fate)
	for i := range m.faults {
		if f := &m.faults[i]; f.level > 0 {
			f.level = min(3, f.level*(1+f.pace*(1+0.5*uneven)))
		}
	}
	m.wear += m.wearPace / 365 * (0.4 + 0.15*float64(1+d.Starts))
	airC := (d.MinC + d.MaxC) / 2
	batteryC := airC + 12*min(1, d.DriveHours/8)
	for i := range m.Batteries {
		m.batteries[i].age(m.build, 1, batteryC)
	}
	m.balanceCharge(d, airC)
	m.even()
}

// befall turns one uniform draw into at most one new thing: the day's unit interval is cut into small slices.
func (m *machine) befall(fate float64) {
	for i, yearly := range onsets {
		slice := yearly / 365
		if kind(i) == control {
			slice *= m.Sudden()
		}
		if fate < slice && m.faults[i].level == 0 {
			m.faults[i].level = seedling
		}
		fate -= slice
		if fate < 0 {
			return
		}
	}
	solenoids := 0.002 / 365 * m.Sudden()
	if fate < solenoids {
		m.solenoid = true
		return
	}
	fate -= solenoids
	for i := range m.Batteries {
		slice := 0.003 * m.Sudden() / 365 * (2 - min(1, m.batteries[i].mass))
		if fate >= 0 && fate < slice {
			m.batteries[i].short = true
		}
		fate -= slice
	}
}

// age corrodes grids and loosens mass over days at a temperature. Both double in about 9 °C; the mass goes the faster the
// less is left, and with low charge.
func (b *battery) age(u *build, days, batteryC float64) {
	heat := math.Exp2((batteryC - 12) / 9)
	years := days / 365
	b.corrosion += years * 0.028 * heat / b.gridLife * (1 + 1.2*b.corrosion)
	loss := 0.043 * (0.35 + 0.65*heat)
	if sealed(u.Chemistry) {
		loss *= 0.85
	}
	knee := 1 + 6*max(0, 0.78-b.mass)/0.2
	b.mass = max(0.05, b.mass-years*knee/b.massLife*(loss+0.10*max(0, 0.7-b.charge)))
	hungry := max(0, 0.7-b.charge)
	b.sulphate = min(0.6, b.sulphate+days*0.012*hungry)
	b.mass = max(0.05, b.mass-days*0.004*b.sulphate*hungry)
	if b.charge > 0.9 {
		b.sulphate *= math.Pow(0.99, days)
	}
}

func (b *battery) recharge() {
	b.sulphate *= 0.75
	b.charge = max(b.charge, 0.98-0.3*b.sulphate)
}

// balanceCharge is one day's charge out and in.
func (m *machine) balanceCharge(d proving.Day, airC float64) {
	ratedAh := max(20, m.RatedAh) * float64(m.strings)
	hours := min(24, max(0, d.DriveHours))
	health := 1 - 0.62*min(1.5, m.faults[alternator].level)
	warm := airC + 10*min(1, hours/2)
	takes := 0.6 * math.Exp(0.033*(min(warm, 30)-25)) * max(0, health-0.3) / 0.7
	stolen := m.sleepA + drainA*m.faults[drain].level*m.RatedAh/70
	self := 0.0013
	if sealed(m.Chemistry) {
		self = 0.0008
	}
	self *= math.Exp2((airC - 25) / 10)
	starts := 0.0
	if hours > 0 {
		starts = 0.0035 * (float64(d.Starts) + 1 + 0.05*max(0, 10-d.MinC))
	}
	for i := range m.Batteries {
		b := &m.batteries[i]
		holds := 0.35 + 0.65*b.mass
		b.charge -= self + (stolen*(24-hours)/ratedAh+starts)/holds + 0.06*hours*max(0, 0.45-health)
		top := 0.985 - 0.25*b.sulphate
		if b.short {
			top = 0.6
		}
		if gap := top - b.charge; gap > 0 {
			b.charge += gap * (1 - math.Exp(-takes*hours*(1-0.5*b.sulphate)))
		}
		b.charge = min(1, max(0.01, b.charge))
	}
}

// even lets batteries side by side share their charge.
func (m *machine) even() {
	for g := range m.series {
		if g+m.series >= m.Batteries {
			continue
		}
		a, b := &m.batteries[g], &m.batteries[g+m.series]
		mean := (a.charge + b.charge) / 2
		a.charge += 0.4 * (mean - a.charge)
		b.charge += 0.4 * (mean - b.charge)
	}
}

// clickChance is how likely the control circuit leaves this key unanswered.
func (m *machine) clickChance(oilC float64) float64 {
	l := m.faults[control].level
	return min(0.6, 0.10*l*l*(1+0.02*max(0, 10-oilC)))
}
