package trend

import (
	"math"

	"rimeyard/internal/fleet"
)

// renewedSDs is how many standard deviations a single crank may lie on the wrong side of what is usual before it speaks against the
// work: one good crank in forty does. One bad one too many costs a second look, one too few a breakdown.
const renewedSDs = 2

// Renewed is what a crank after some work should read, in volts of the whole system.
type Renewed struct {
	UsualV float64 // the middle unit of the class
	LeastV float64 // below it the crank speaks against the work
}

// RenewedCrank is what a crank should read at an air temperature and at the rest volts of one battery, the mean while cranking or the
// lowest, once a part was renewed: with a new battery after a battery, else with the battery as it is; all else as the middle unit of the
// class. What units of a class differ by and what single cranks scatter by are those of the filter.
func (s State) RenewedCrank(temperatureC, restV float64, renewed fleet.Part, lowest bool) Renewed {
	m, g := s.model, s.model.g
	worn, wornSD := s.Wear, s.WearSD
	if renewed == fleet.BatteryPart {
		worn, wornSD = 0, newWearSD
	}
	channel, own := kSag, demand
	if lowest {
		channel, own = kLow, dip
	}
	onWear := m.p.OnWear[channel]
	sd := math.Sqrt(usual[own]*usual[own] + spread[channel]*spread[channel] + onWear*onWear*wornSD*wornSD)
	cold := perDegree*(25-temperatureC-batteryWarmer) + chargeOnOhms*(1-charge(restV)) + g.Channel[channel].Curve.at(temperatureC) + onWear*worn + g.Typical[own]
	volts := func(off float64) float64 {
		if lowest {
			return restV / (1 + math.Exp(g.Channel[kLow].Level+cold+off)) * float64(m.t.Series)
		}
		return (restV - ratedDropV*oilDemand(temperatureC+m.t.OilOffsetC)*math.Exp(m.logF+cold+off)) * float64(m.t.Series)
	}
	return Renewed{UsualV: volts(0), LeastV: volts(renewedSDs * sd)}
}
