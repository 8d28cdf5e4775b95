package gravel

import (
	"math"
	"math/rand/v2"

	"rimeyard/internal/fleet"
)

// kit is what does not change of a unit's machine.
type kit struct {
	series, parallel bool // a pair of batteries
	diesel           bool
	margin           float64 // strength over stress of new parts at 26.7 °C
	crankA, crankMs  float64
	ocvShift         float64 // of the chemistry, V
	twelves          float64
}

// dawn is what a turn of the key meets.
type dawn struct{ airC, soakH, batteryC, oilC float64 }

// read is the truth of one crank, for the whole system.
type read struct {
	restV, minV, meanV, ms, amps float64
	outcome                      fleet.Outcome
	stuck                        fleet.Part // what did not make contact, if anything
}

// Surfaces of strength and stress.
var (
	// powerAt is the share of cranking power of a full battery (TM 5-4210-230: 100, 65, 40, 20 % at 80, 32, 0, −20 °F; a garage's
	// table gives 25 % at the last).
	powerAt = newSpline(-40, 0.11, -28.9, 0.22, -17.8, 0.4, 0, 0.65, 26.7, 1, 50, 1.1)
	// wantedAt is the power an engine asks for (the same garage's table: 100, 155, 210, 350 % at those temperatures).
	wantedAt = newSpline(-40, 5.2, -28.9, 3.5, -17.8, 2.1, 0, 1.55, 26.7, 1, 60, 0.75, 95, 0.66)
	// powerLeft, drawnLeft and turnedLeft are what wear leaves of battery, cable and starter: little is lost for most of a life.
	powerLeft  = newSpline(0, 1, 0.4, 0.97, 0.7, 0.88, 0.88, 0.72, 1, 0.48, 1.08, 0.25, 1.17, 0.11, 1.32, 0.045, 2, 0.02)
	drawnLeft  = newSpline(0, 1, 0.5, 0.96, 0.75, 0.88, 0.9, 0.72, 1, 0.48, 1.07, 0.27, 1.17, 0.12, 1.5, 0.04)
	turnedLeft = newSpline(0, 1, 0.5, 0.97, 0.78, 0.91, 0.92, 0.76, 1, 0.5, 1.07, 0.27, 1.16, 0.12, 1.5, 0.04)
	// chargeLeft is the share of cranking power by charge.
	chargeLeft = newSpline(0, 0.02, 0.2, 0.22, 0.4, 0.52, 0.6, 0.76, 0.8, 0.92, 1, 1)
	// freezesAt is the electrolyte's freezing point by charge (TM 5-4210-230: −75, −35, −15, 5, 15 °F).
	freezesAt = newSpline(0, -9.4, 0.25, -15, 0.5, -26.1, 0.75, -37.2, 1, -59.4)
	// restOf is the rested volts of a flooded battery by charge (a battery maker's technical bulletin).
	restOf = newSpline(0, 11.89, 0.25, 12.06, 0.5, 12.24, 0.75, 12.45, 1, 12.65)
)

const least = 0.015 // share that no surface goes below

func left(s *spline, wear float64) float64 { return max(least, s.at(wear)) }

// supply is the batteries' strength beside new full ones at 26.7 °C.
func (k *kit) supply(wear [2]float64, charge, batteryC float64) float64 {
	cold := max(least, powerAt.at(batteryC))
	one := func(w float64) float64 {
		p := left(&powerLeft, w)
		if w > 0.5 && cold < 1 { // what is left of plates suffers more from the cold
			p *= math.Pow(cold, 0.25*min(0.8, w-0.5))
		}
		return p
	}
	p := one(wear[0])
	switch {
	case k.series: // the weaker one governs
		q := one(wear[1])
		p = math.Sqrt(2 / (1/(p*p) + 1/(q*q)))
	case k.parallel:
		p = (p + one(wear[1])) / 2
	}
	p *= cold * max(least, chargeLeft.at(charge))
	if charge < 0.6 {
		p *= max(least, logistic(batteryC, freezesAt.at(charge), 1))
	}
	return p
}

// forces are the parts of a crank's strength and stress.
type forces struct{ supply, drawn, turned, wanted float64 }

func (k *kit) forces(s *state, c *dawn) forces {
	return forces{
		supply: k.margin * k.supply([2]float64{s.wear[batteryA], s.wear[batteryB]}, s.charge[asItIs], c.batteryC),
		drawn:  left(&drawnLeft, s.wear[cable]), turned: left(&turnedLeft, s.wear[starter]), wanted: k.wanted(c.oilC),
	}
}

func (k *kit) wanted(oilC float64) float64 {
	w := max(0.5, wantedAt.at(oilC))
	if k.diesel {
		return math.Pow(w, 1.06)
	}
	return w
}

// spare is ln of strength over stress: above 0 the engine is turned fast enough.
func (f *forces) spare() float64 { return math.Log(f.supply * f.drawn * f.turned / f.wanted) }

func (k *kit) spare(s *state, c *dawn) float64 {
	f := k.forces(s, c)
	return f.spare()
}

// crank turns the key once.
func (k *kit) crank(s *state, c *dawn, r *rand.Rand) read {
	q := read{restV: k.rest(s, c)}
	if p := stuckAt(s, c, r); p != "" {
		q.stuck, q.outcome, q.minV = p, fleet.NoCrank, q.restV-(0.1+0.5*r.Float64())*k.twelves
		q.meanV, q.ms, q.amps = q.restV-0.1*k.twelves, uniform(r, 400, 2500), uniform(r, 5, 30)
		return q
	}
	f := k.forces(s, c)
	f.supply *= about(r, 0.025)
	f.wanted *= about(r, 0.035)
	f.drawn *= math.Exp(-0.25 * (1 - f.drawn) * math.Abs(r.NormFloat64())) // a poor joint is another one each day
	spare := f.spare()
	k.show(&q, s, &f, spare, r)
	q.outcome = fleet.Started
	switch {
	case spare < 0:
		q.outcome = fleet.NoCrank
		q.ms = uniform(r, 1500, 9000)
	case spare < 0.15:
		q.outcome = fleet.Slow
	}
	return q
}

// show reads volts, amperes and duration off their surfaces over the load on the battery.
func (k *kit) show(q *read, s *state, f *forces, spare float64, r *rand.Rand) {
	loss := 1 - f.turned
	brushes := 1 - loss*(1-s.drag)
	friction := 1 + 1.2*loss*s.drag
	flow := math.Pow(f.drawn*brushes, 0.6) // poor contact lets less current through, and so spares the battery's volts
	load := f.wanted * friction * flow / f.supply
	x := math.Pow(load, 0.65)
	sag := (0.7 + 7.5*x/(x+0.85)) * about(r, 0.04)
	rest := q.restV / k.twelves
	mean := max(3, rest-sag)
	low := max(1.5, mean-(0.3+0.2*sag)*about(r, 0.12))
	q.meanV, q.minV = mean*k.twelves, low*k.twelves
	q.amps = k.crankA * math.Pow(f.wanted, 1.25) * friction * flow * (mean / 11.2) * about(r, 0.03)
	cold := max(0, math.Log(f.wanted))
	q.ms = k.crankMs * (0.8 + 0.35*cold) * (1 + 1.1*math.Exp(-1.3*max(-0.5, spare))) * about(r, 0.2)
}

// rest is the volts before the key is turned: surface charge still decays for some hours.
func (k *kit) rest(s *state, c *dawn) float64 {
	worn := max(s.wear[batteryA], s.wear[batteryB])
	v := restOf.at(s.charge[asItIs]) + k.ocvShift - 0.05*min(1.5, worn) + 0.22*math.Exp(-c.soakH/5)
	return v * k.twelves
}

// stuckAt draws whether a contact fails: the starter's brushes when they are nearly gone, or the control circuit.
func stuckAt(s *state, c *dawn, r *rand.Rand) fleet.Part {
	x := r.Float64()
	p := 0.12 * logistic(s.wear[control], 1.15, 0.035)
	if c.airC < 0 {
		p *= 1.5
	}
	if x < p {
		return fleet.ControlPart
	}
	if x < p+0.2*logistic(s.wear[starter], 1.2, 0.03) {
		return fleet.StarterPart
	}
	return ""
}
