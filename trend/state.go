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
	Loop, LoopSD     float64 // resistance of cables and contacts beyond the healthy; 0.17 is a healthy circuit's whole
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

// widened is what the stated spread of a cold limit is multiplied with: the circuit errs in ways that last, which the filter takes
// for noise that averages out.
const widened = 1.3

const standardNormal80 = 1.2815515655446004

func (m *model) state(b belief) State {
	tStar, h, perRestV, _ := m.limit(&b.x, b.restV)
	sd := widened * math.Sqrt(b.limitVariance(h, perRestV)+lasting*m.g.SpreadC*m.g.SpreadC)
	return State{
		Unit: m.t.Unit, Depot: m.t.Depot,
		Wear: b.x[wear], WearSD: math.Sqrt(b.p[wear][wear]), WearPerWeek: b.x[drift],
		Demand: b.x[demand], DemandSD: math.Sqrt(b.p[demand][demand]),
		Loop: b.x[loop], LoopSD: math.Sqrt(b.p[loop][loop]), RestV: b.restV, RestSDV: math.Sqrt(b.restVar), RestVPerWeek: b.restTrend,
		ColdLimitC: tStar, ColdLimitSDC: sd, P10C: tStar - standardNormal80*sd, P90C: tStar + standardNormal80*sd,
		SwapsInferred: b.swapsInferred, SwapWeek: b.swapWeek, belief: b, model: m,
	}
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
		whole := cableShare + lockedOhms
		ratio := math.Exp(g.LowLevel + g.Low.at(temperatureC) + m.p.LowOnWear*g.TypicalWear - math.Log((whole+g.TypicalLoop)/whole) + g.TypicalDip + cold)
		return s.RestV / (1 + ratio) * float64(m.t.Series)
	}
	drop := ratedDropV * oilDemand(temperatureC+m.t.OilOffsetC) * math.Exp(m.logF+g.Sag.at(temperatureC)+m.p.SagOnWear*g.TypicalWear+g.TypicalDemand+cold)
	return (s.RestV - activationV - drop) * float64(m.t.Series)
}
