package trend

import (
	"math"

	"rimeyard/internal/fleet"
)

// State is what is true of one unit on the as-of date, as far as its readings and its fleet tell.
type State struct {
	Unit             fleet.UnitID
	Depot            fleet.DepotID
	Wear, WearSD     float64 // ln of the battery's resistance over a new one's
	WearPerWeek      float64
	Demand, DemandSD float64 // ln of what engine and starter draw, over the class
	Delay, DelaySD   float64 // ln of how long it cranks over its class
	Pace             float64 // ln of how fast it turns over its class
	Dip              float64 // ln of how deep the volts dip over its class
	RestV, RestSDV   float64 // of one battery
	RestVPerWeek     float64
	ColdLimitC       float64 // T*
	ColdLimitSDC     float64
	P10C, P90C       float64
	SwapsInferred    int
	SwapWeek         int // of the last one inferred

	belief belief
	model  *model
}

// Estimate filters one track. The parameters say what is usual; a track without a reading gets just that.
func Estimate(t Track, p Params) State {
	m := newModel(&t, &p)
	b := m.run(nil)
	return m.state(b)
}

const standardNormal80 = 1.2815515655446004

func (m *model) state(b belief) State {
	o := m.foreseen(&b)
	tStar, sd := m.shown(o, 0)
	return State{
		Unit: m.t.Unit, Depot: m.t.Depot,
		Wear: b.x[wear], WearSD: math.Sqrt(b.p[wear][wear]), WearPerWeek: b.x[drift],
		Demand: b.x[demand], DemandSD: math.Sqrt(b.p[demand][demand]),
		Delay: b.x[delay], DelaySD: math.Sqrt(b.p[delay][delay]), Pace: b.x[pace], Dip: b.x[dip], RestV: b.restV, RestSDV: math.Sqrt(b.restVar), RestVPerWeek: b.restTrend,
		ColdLimitC: tStar, ColdLimitSDC: sd, P10C: tStar - standardNormal80*sd, P90C: tStar + standardNormal80*sd,
		SwapsInferred: b.swapsInferred, SwapWeek: b.swapWeek, belief: b, model: m,
	}
}

// shown is the limit so many weeks on, as people read it.
func (m *model) shown(o Outlook, weeks float64) (limitC, sdC float64) {
	limitC, sdC = o.LimitC(weeks)
	return limitC + m.p.Shown.ShiftC, sdC * m.p.Shown.Widen
}

// LimitIn is where the cold limit will lie so many weeks from the as-of date if nothing is done, with the ends of its 80 % interval.
func (s State) LimitIn(weeks float64) (limitC, p10C, p90C float64) {
	limitC, sd := s.model.shown(s.Outlook(), weeks)
	return limitC, limitC - standardNormal80*sd, limitC + standardNormal80*sd
}

// Track is what the state was estimated from.
func (s State) Track() *Track { return s.model.t }

// Group is what the unit's class shares.
func (s State) Group() Group { return s.model.g }

// TypicalCrankV is what the middle unit of the class would read at a temperature with this unit's rest volts: system volts, the
// mean while cranking or the lowest.
func (s State) TypicalCrankV(temperatureC float64, lowest bool) float64 {
	m, g := s.model, s.model.g
	cold := perDegree*(25-temperatureC-batteryWarmer) + chargeOnOhms*(1-charge(s.RestV))
	if lowest {
		ratio := math.Exp(g.Channel[kLow].Level + g.Channel[kLow].Curve.at(temperatureC) + m.p.OnWear[kLow]*g.Typical[wear] + g.Typical[dip] + cold)
		return s.RestV / (1 + ratio) * float64(m.t.Series)
	}
	drop := ratedDropV * oilDemand(temperatureC+m.t.OilOffsetC) * math.Exp(m.logF+g.Channel[kSag].Curve.at(temperatureC)+m.p.OnWear[kSag]*g.Typical[wear]+g.Typical[demand]+cold)
	return (s.RestV - drop) * float64(m.t.Series)
}
