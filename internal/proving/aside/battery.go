package aside

import (
	"math"
	"math/rand/v2"

	"rimeyard/internal/fleet"
	"rimeyard/internal/proving"
)

// battery is one of 12 V. Its resistance has three parts: the metal of grids and straps, the acid, and the reaction at the
// plates. Each ages by a law of its own and each rises differently in the cold; a tester hardly sees the third.
type battery struct {
	ccaA, ratedAh   float64
	build           float64 // of its resistance, about 1
	fullV           float64 // at rest, charged
	soc             float64 // 0 to 1
	corroded        float64 // of the grids; 1 is the knee
	mass            float64 // of the plates still at work; 1 when new
	dry             float64 // acid lost
	deadCell        float64 // 0 or 1
	perDay, perLoad float64 // what corrodes and what sheds
	perDry, leaky   float64
}

// What share of the resistance at 26.7 °C each part has, and how it rises in the cold: with these the power left follows the
// printed 65, 40 and 20 to 30 percent.
const (
	metalPart, acidPart, platePart = 0.492, 0.365, 0.143
	acidKelvin, plateKelvin        = 1443, 3608 // activation energies over the gas constant
	warmestK                       = 299.85
	lossV                          = 0.9 // lost at the plates as soon as current flows
)

func newBattery(k proving.Kind, delivery, soc float64, r *rand.Rand) battery {
	spread := func(sd float64) float64 {
		return math.Exp(sd*(0.5*delivery+0.87*r.NormFloat64())) / max(0.3, k.PartGrade)
	}
	b := battery{
		ccaA: k.RatedCCAA, ratedAh: k.RatedAh, build: math.Exp(0.05 * r.NormFloat64()), soc: soc, mass: 1,
		perDay: spread(0.34) / (0.36 * 3.0 * 365), perLoad: spread(0.40) * 2.4e-4, perDry: spread(0.3) * 0.10 / 365 / 0.36,
		leaky: math.Exp(0.4 * r.NormFloat64()), fullV: 12.66 + 0.02*r.NormFloat64(),
	}
	switch k.Chemistry {
	case fleet.Flooded:
	case fleet.EFB:
		b.perLoad *= 0.7
		b.fullV += 0.08
	case fleet.AGM:
		b.perLoad, b.perDry = b.perLoad*0.5, b.perDry*1.3
		b.fullV += 0.2
	case fleet.Gel:
		b.perLoad, b.perDry = b.perLoad*0.6, b.perDry*0.8
		b.fullV += 0.18
	}
	return b
}

func (b *battery) age(days, heat, starts float64, r *rand.Rand) {
	past := max(0, b.corroded-1)
	b.corroded += b.perDay * days * (heat*0.5 + 0.18) * (1 + 1.5*past)
	flat := max(0, 0.8-b.soc)
	worn := 1 - b.mass
	b.mass -= b.perLoad * days * (0.18*starts + 0.25*heat + 14*flat*flat) * (1 + 5*worn*worn)
	b.mass = max(b.mass, 0.12)
	b.dry += b.perDry * days * heat
	b.leaky += 0.0002 * days * heat
	if b.deadCell == 0 && r.Float64() < days*6e-6*(0.2+b.corroded*b.corroded) {
		b.deadCell = 1
	}
}

// parts of the resistance, as multiples of the whole at 26.7 °C when new.
func (b *battery) parts(batteryC float64) (metal, acid, plates float64) {
	perK := 1/(batteryC+273.15) - 1/warmestK
	past := max(0, b.corroded-1)
	empty := 1 - b.soc
	metal = metalPart * (1 + 0.30*b.corroded + 1.6*past*past)
	acid = acidPart * math.Exp(acidKelvin*perK) * (1 + 0.5*b.dry + 0.9*empty*empty)
	plates = platePart * math.Exp(plateKelvin*perK) / (b.mass * math.Sqrt(b.mass) * (1 - 0.55*empty))
	if below := freezesC(b.soc) - batteryC; below > 0 { // slush hinders the acid
		acid *= 1 + 0.35*below
	}
	return metal, acid, plates
}

// freezesC is when acid of that charge freezes: about -8 °C when empty, -27 °C at half, beyond -60 °C when full.
func freezesC(soc float64) float64 { return -8 - 22*soc - 36*soc*soc }

// warmOhm is its resistance at 26.7 °C when new: with it the rated current leaves 7.2 V at -17.8 °C.
func (b *battery) warmOhm() float64 { return 1.82 / b.ccaA * b.build }

// source is what the starter meets: an electromotive force and a resistance.
func (b *battery) source(batteryC float64) (v, ohm float64) {
	metal, acid, plates := b.parts(batteryC)
	return b.restV(batteryC) - lossV, b.warmOhm() * (metal + acid + plates)
}

func (b *battery) restV(batteryC float64) float64 {
	return 11.88 + (b.fullV-11.88)*b.soc + 0.0012*(batteryC-25) - 2.05*b.deadCell
}

// capacityAh is what it holds; the cold and lost plates take from it.
func (b *battery) capacityAh(batteryC float64) float64 {
	return max(3, b.ratedAh*(0.2+0.8*b.mass)*(1-0.25*min(b.dry, 1))*(1-0.006*max(0, 20-batteryC)))
}

func (b *battery) test(batteryC float64) proving.Bench {
	metal, acid, plates := b.parts(batteryC)
	newBattery := battery{mass: 1, soc: 1}
	cleanMetal, cleanAcid, cleanPlates := newBattery.parts(batteryC)
	seen := metal + acid + 0.35*plates
	share := (cleanMetal + cleanAcid + 0.35*cleanPlates) / seen / b.build
	if b.deadCell > 0 {
		share *= 0.55
	}
	ohm := b.warmOhm() * (metal + acid + plates)
	const sag = 1.0 // V at the rated current, from 15 s of load
	loadV := b.restV(batteryC) - lossV - b.ccaA/2*(ohm+sag/b.ccaA/(0.3+0.7*b.mass))
	return proving.Bench{RestV: b.restV(batteryC), CCAShare: 1.04 * share, LoadV: max(loadV, 0), MOhm: 1000 * b.warmOhm() * seen}
}
