package aside

import (
	"math"
	"math/rand/v2"

	"rimeyard/internal/fleet"
	"rimeyard/internal/proving"
)

// engine is what must be turned, and the starter's build that turns it. Torque is counted in amperes of the starter.
type engine struct {
	diesel      bool
	volts       float64
	demandA     float64 // to turn it at 26.7 °C at the usual speed
	oil         float64 // how stiff its oil gets, about 1
	leastRPM    float64 // to fire, at 0 °C and above
	windingOhm  float64 // of the starter, at demandA
	voltsPerRPM float64
	startAh     float64
	duration    float64 // of its start, about 1
}

const usualRPM = 200

func designed(k proving.Kind, r *rand.Rand) engine {
	e := engine{volts: float64(k.SystemVolts), diesel: k.Fuel == fleet.Diesel}
	e.demandA = 72 * math.Pow(max(0.6, k.Litres)/1.9, 0.7) * math.Exp(0.05*r.NormFloat64())
	e.leastRPM = 60 * math.Exp(0.05*r.NormFloat64())
	if e.diesel {
		e.demandA *= 1.75
		e.leastRPM = 82 * math.Exp(0.05*r.NormFloat64())
	}
	if k.SystemVolts == 24 {
		e.demandA *= 0.52
	}
	e.oil = math.Exp(0.07 * r.NormFloat64())
	e.duration = math.Exp(0.12 * r.NormFloat64())
	e.gear(e.demandA)
	return e
}

// fit lets the maker choose gearing so that with a new battery the limit is near limitC. Makers can only go so far.
func (m *machine) fit(limitC float64) {
	lo, hi, plain := 0.75, 1.4, m.engine.demandA
	c := proving.Crank{AirC: limitC, SoakH: 12, BatteryC: limitC, OilC: limitC}
	for range 16 {
		share := (lo + hi) / 2
		m.engine.gear(plain * share)
		if m.turnSpare(c) > 0 {
			lo = share
		} else {
			hi = share
		}
	}
}

// gear makes a starter that suits the demand.
func (e *engine) gear(demandA float64) {
	e.demandA = demandA
	e.windingOhm = 0.37 / demandA * e.volts / 12
	e.voltsPerRPM = 0.049 * e.volts / 12
	e.startAh = 0.0025 * demandA
}

// stiff is the torque to turn the engine at the usual speed as a multiple of that at 26.7 °C. Oil thins by the rule of
// Walther, here for 95 mm²/s at 40 °C and 14 at 100 °C; nearly half of the drag is not of the oil.
func (e *engine) stiff(oilC float64) (fixed, oily float64) {
	loglog := 7.8266 - 3.017*math.Log10(oilC+273.15)
	viscosity := math.Pow(10, math.Pow(10, loglog))
	return 0.47, 0.53 * math.Pow(viscosity/181, 0.4*e.oil)
}

// fires is the speed at which it fires; a cold diesel loses the heat of compression.
func (e *engine) fires(c proving.Crank) float64 {
	cold := max(0, -c.OilC)
	least := e.leastRPM * (1 + 0.004*cold)
	if e.diesel {
		least = e.leastRPM * (1 + 0.005*cold)
	}
	if c.SoakH < 3 {
		least *= 0.75
	}
	return least
}
