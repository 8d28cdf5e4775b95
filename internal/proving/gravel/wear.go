package gravel

import (
	"math/rand/v2"

	"rimeyard/internal/fleet"
)

// What wears, each on its own. A single battery has no batteryB.
const (
	batteryA = iota
	batteryB
	starter
	cable
	charging
	control
	latents
)

// wears is how each latent wears in the middle of the fleet: wear 1 is where the trade calls a part worn out.
var wears = [latents]struct {
	years   float64 // to wear 1
	sigma   float64 // of the pace from unit to unit, lognormal
	smooth  float64 // the process has variance wear/smooth
	shocks  float64 // a year
	shockBy float64 // most that one adds
}{
	batteryA: {6.5, 0.21, 550, 0.015, 0.5},
	batteryB: {6.5, 0.21, 550, 0.015, 0.5},
	starter:  {14.5, 0.4, 500, 0.01, 0.5},
	cable:    {16.5, 0.5, 500, 0.008, 0.4},
	charging: {15, 0.4, 500, 0.012, 0.5},
	control:  {24, 0.4, 200, 0.004, 0.9},
}

// state is a unit's starting system and how it stands; a copy of it is another future.
type state struct {
	wear   [latents]float64
	pace   [latents]float64 // of the parts now in place, 1 in the middle
	owed   [latents]float64 // exposure since wear was last drawn
	charge [lanes]float64   // share of what a full battery holds
	drain  float64          // share lost a day while parked, beside self-discharge
	drag   float64          // share of the starter's loss that is friction and not brushes
	shift  [2]float64       // of each battery: ln of what a conductance tester shows beside its cranking power
	soakH  float64          // since the engine ran, at the next dawn
	meanC  float64          // of the air over the day before
	idle   int              // days still to pass without work
	down   int              // days still to pass in the workshop
	single bool             // one battery only
	week   int              // days since wear was last drawn
}

// Charge is followed thrice: as it is, and as it would be had the battery, or the charging, been sound since it was last put right.
// So a failure by a flat battery is laid at the door of what made it flat.
const (
	asItIs = iota
	soundBattery
	soundCharging
	lanes
)

// duty is what a day does to the parts.
type duty struct {
	minC, maxC, hours float64
	starts            int
	shakes, brine     float64
}

// expose adds a day to what each part is owed; a middling unit at 10 °C over the year is owed about 1 a day of each.
func (s *state) expose(d *duty) {
	meanC := (d.minC + d.maxC) / 2
	heat := heatOf.at(meanC + 0.6*d.hours)
	starts := float64(d.starts) / 2.2
	flat := 1.2 * max(0, 0.6-s.charge[asItIs])
	battery := 0.55*heat + 0.25*starts + 0.2*d.shakes + flat
	wet := 0.6
	if meanC > -7 && meanC < 5 {
		wet += 1.5 * d.brine // slush
	}
	s.owed[batteryA] += battery
	s.owed[batteryB] += battery
	s.owed[starter] += 0.75*starts + 0.25*d.shakes
	s.owed[cable] += 0.6*wet + 0.4*d.shakes
	s.owed[charging] += 0.5*d.hours/4.5 + 0.3*d.shakes + 0.2
	s.owed[control] += starts
}

// heatOf is how fast a battery ages by the temperature around it: twice as fast for each 10 °C (a battery maker's technical bulletin:
// life halves per 10 °C; stationary practice says 8.3), 1 at 13 °C. In the cold it levels off.
var heatOf = newSpline(-20, 0.16, -10, 0.24, 0, 0.42, 13, 1, 23, 2, 33, 4, 43, 8)

// grow draws a week's wear.
func (s *state) grow(r *rand.Rand) {
	for i := range s.wear {
		w := &wears[i]
		mean := s.owed[i] * s.pace[i] / (365 * w.years)
		s.owed[i] = 0
		if mean <= 0 {
			continue
		}
		s.wear[i] += inverseGaussian(r, mean, w.smooth*mean*mean)
		if chance(r, w.shocks*7/365) {
			s.wear[i] += w.shockBy * r.Float64()
		}
	}
	s.week = 0
}

// Charge over a day. A generator fills towards a level that falls as it fades; a worn battery takes less.
var (
	filledTo   = newSpline(0, 0.98, 0.6, 0.96, 0.85, 0.9, 1, 0.74, 1.1, 0.5, 1.25, 0.22, 1.6, 0.04)
	acceptance = newSpline(-25, 0.12, -10, 0.35, 5, 0.75, 20, 1, 35, 1.2) // of charge, by temperature
)

// selfDischarge a day at 26.7 °C, doubling per 10 °C (TM 9-6140-200-14: 0.001 of gravity a day, of some 0.16 from full to flat).
const selfDischarge = 0.006

func (s *state) fill(d *duty) {
	meanC := (d.minC + d.maxC) / 2
	worn := max(s.wear[batteryA], s.wear[batteryB])
	loss := selfDischarge * heatOf.at(meanC) / 2.6
	starts := 0.004 * float64(d.starts)
	taking := acceptance.at(meanC + 2.5*min(d.hours, 6))
	for lane := range lanes {
		w, fade, drain := worn, s.wear[charging], s.drain
		switch lane {
		case soundBattery:
			w = 0
		case soundCharging:
			fade, drain = 0, min(drain, soundDrain)
		}
		q := s.charge[lane] - starts - drain - loss*(1+2*max(0, w-0.6))
		full := max(0, filledTo.at(fade)) - 0.1*max(0, w-0.7)
		if d.hours > 0 && full > q {
			h := d.hours * 0.45 * max(0.05, taking) * (1 - 0.5*min(1, max(0, w-0.7)))
			q += (full - q) * h / (1 + h)
		}
		s.charge[lane] = max(0.02, min(1, q))
	}
}

// soundDrain is what clocks and modules take a day from a battery of middling size: some 30 mA.
const soundDrain = 0.007

// renew puts one part right. Whoever repairs the charging charges the battery too.
func (s *state) renew(p fleet.Part, lasts float64, r *rand.Rand) {
	fresh := func(i int, lasts float64) {
		s.wear[i], s.owed[i] = 0, 0
		s.pace[i] = about(r, wears[i].sigma) / lasts
	}
	switch p {
	case fleet.BatteryPart:
		fresh(batteryA, lasts)
		s.pace[batteryB] = s.pace[batteryA] * about(r, 0.12) // of one pallet, in one place
		if s.single {
			s.pace[batteryB] = 0
		}
		s.wear[batteryB], s.owed[batteryB] = 0, 0
		s.shift = [2]float64{within(0.18*r.NormFloat64(), 0.25), within(0.18*r.NormFloat64(), 0.25)}
		s.recharge()
	case fleet.StarterPart:
		fresh(starter, lasts)
		s.drag = 0.7 * r.Float64() * r.Float64()
	case fleet.CablePart:
		fresh(cable, 1)
	case fleet.ChargingPart:
		fresh(charging, 1)
		s.drain = soundDrain * about(r, 0.35)
		s.recharge()
	case fleet.ControlPart:
		fresh(control, 1)
	case fleet.OtherPart:
	}
}

func (s *state) recharge() { s.charge = [lanes]float64{1, 1, 1} }
