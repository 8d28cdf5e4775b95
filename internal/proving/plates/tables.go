package plates

import (
	"math"
	"math/rand/v2"
)

// row is one line of a table read between its lines; tables run from cold to warm.
type row struct{ c, y float64 }

var (
	// power is what a full battery can give, as a share of that at 26.7 °C. Published: 65–67 % at 0 °C, 40–50 % at −17.8 °C,
	// 20–30 % at −28.9 °C (TM 5-4210-230, TM 9-8000, a garage table). The ends beyond are from memory.
	power = []row{{-60, .03}, {-40, .15}, {-28.9, .28}, {-17.8, .43}, {0, .66}, {26.7, 1}, {60, 1.1}}
	// petrolNeed and dieselNeed are what it takes to turn the engine, as a share of that at 26.7 °C. Published: 155–165 % at
	// 0 °C, 200–250 % at −17.8 °C, 300–350 % at −27 … −28.9 °C (garage tables and a trade handbook); warm ends from memory.
	petrolNeed = []row{{-60, 9}, {-40, 4.6}, {-28.9, 3.2}, {-17.8, 2.35}, {0, 1.52}, {26.7, 1}, {90, .72}, {140, .7}}
	dieselNeed = []row{{-60, 10}, {-40, 5}, {-28.9, 3.45}, {-17.8, 2.25}, {0, 1.62}, {26.7, 1}, {90, .7}, {140, .68}}
)

// at reads a table; beyond an end it keeps on slightly, so that colder is always worse.
func at(t []row, c float64) float64 {
	last := len(t) - 1
	if c <= t[0].c {
		return t[0].y * math.Exp((c-t[0].c)*math.Log(t[1].y/t[0].y)/(t[1].c-t[0].c))
	}
	if c >= t[last].c {
		return t[last].y
	}
	i := 1
	for c > t[i].c {
		i++
	}
	return t[i-1].y + (t[i].y-t[i-1].y)*(c-t[i-1].c)/(t[i].c-t[i-1].c)
}

// gamma draws from a Gamma law of unit scale. Small shapes, which a single day has, are nearly always nothing at all.
func gamma(shape float64, r *rand.Rand) float64 {
	if math.IsNaN(shape) || shape <= 0 {
		return 0
	}
	if shape < 1 {
		lnShrink := -r.ExpFloat64() / shape
		if lnShrink < -25 {
			return 0
		}
		return gamma(shape+1, r) * math.Exp(lnShrink)
	}
	d := shape - 1./3
	c := 1 / math.Sqrt(9*d)
	for {
		z := r.NormFloat64()
		v := 1 + c*z
		if v <= 0 {
			continue
		}
		v = v * v * v
		if r.ExpFloat64() > d*(v-1-math.Log(v))-z*z/2 {
			return d * v
		}
	}
}

func spread(sd float64, r *rand.Rand) float64 { return math.Exp(sd * r.NormFloat64()) }

func clamp(x, low, high float64) float64 { return min(max(x, low), high) }
