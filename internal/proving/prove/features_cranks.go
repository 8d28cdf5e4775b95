package main

import (
	"math"
	"slices"

	"rimeyard/internal/fleet"
)

// cranks: of the last twelve months, turned to one temperature by the curve of the unit's class.
func (v *view) cranks(line *features, h fleet.History) {
	cold := v.coldCranks(h)
	since, _ := slices.BinarySearchFunc(cold, v.asOf-yearDays, func(c coldCrank, d fleet.Date) int { return int(c.day - d) })
	curves := v.curves[groupOf(h.Unit)]
	for k, name := range channelNames {
		var all, late []point
		for _, c := range cold[since:] {
			if y := c.y[k]; !math.IsNaN(y) {
				all = append(all, point{float64(c.day-v.asOf) / 365.25, y - curves[k].at(c.airC) + curves[k].at(atC)})
				if c.day >= v.asOf-lastWeeks {
					late = append(late, all[len(all)-1])
				}
			}
		}
		line.number("f_"+name, quantile(ys(all), 0.5))
		line.number("f_"+name+"_low", quantile(ys(all), 0.05))
		line.number("f_"+name+"_high", quantile(ys(all), 0.95))
		line.number("f_"+name+"_late", meanOf(ys(late)))
		line.number("f_"+name+"_slope", slope(all))
	}
	var rest, lateRest []point
	for _, c := range cold[since:] {
		if !math.IsNaN(c.rest) {
			rest = append(rest, point{float64(c.day-v.asOf) / 365.25, c.rest})
			if c.day >= v.asOf-lastWeeks {
				lateRest = append(lateRest, rest[len(rest)-1])
			}
		}
	}
	line.number("f_rest_v", meanOf(ys(rest)))
	line.number("f_rest_v_low", quantile(ys(rest), 0.05))
	line.number("f_rest_v_late", meanOf(ys(lateRest)))
	line.number("f_rest_v_slope", slope(rest))
	v.outcomes(line, h, cold)
}

func (v *view) outcomes(line *features, h fleet.History, cold []coldCrank) {
	zone := v.zones[h.Unit.Depot]
	counts := map[string]float64{}
	for _, c := range h.Cranks {
		ago := int(v.asOf - fleet.DateOf(c.At, zone))
		kind := "failed"
		switch c.Outcome {
		case fleet.Started:
			continue
		case fleet.Slow:
			kind = "slow"
		case fleet.NoCrank, fleet.NoStart:
		}
		counts[kind]++
		if ago <= yearDays {
			counts[kind+"_year"]++
		}
		if ago <= lastWeeks {
			counts[kind+"_late"]++
		}
	}
	for _, name := range []string{"slow", "slow_year", "slow_late", "failed", "failed_year", "failed_late"} {
		line.number("f_"+name, counts[name])
	}
	coldest, warmestBad, n := math.NaN(), math.NaN(), 0.0
	for _, c := range cold {
		if c.day < v.asOf-yearDays {
			continue
		}
		n++
		if c.went == fleet.Started && !(c.airC >= coldest) {
			coldest = c.airC
		}
		if c.went != fleet.Started && !(c.airC <= warmestBad) {
			warmestBad = c.airC
		}
	}
	line.number("f_cold_cranks", n)
	line.number("f_coldest_good_c", coldest)
	line.number("f_warmest_bad_c", warmestBad)
}

type point struct{ x, y float64 }

func ys(points []point) []float64 {
	out := make([]float64, len(points))
	for i, p := range points {
		out[i] = p.y
	}
	return out
}

// meanOf is NaN of nothing.
func meanOf(x []float64) float64 {
	var sum float64
	for _, v := range x {
		sum += v
	}
	return sum / float64(len(x))
}

// quantile is the nearest value below; NaN of nothing.
func quantile(x []float64, q float64) float64 {
	if len(x) == 0 {
		return math.NaN()
	}
	return slices.Sorted(slices.Values(x))[int(q*float64(len(x)-1))]
}

// slope of least squares; NaN for points that have none.
func slope(points []point) float64 {
	if len(points) < 3 {
		return math.NaN()
	}
	var mx, my, xx, xy float64
	for _, p := range points {
		mx += p.x / float64(len(points))
		my += p.y / float64(len(points))
	}
	for _, p := range points {
		xx += (p.x - mx) * (p.x - mx)
		xy += (p.x - mx) * (p.y - my)
	}
	return xy / xx
}

// curve is y = a + b·x + c·x² for x in tens of °C.
type curve struct{ a, b, c float64 }

func (k curve) at(celsius float64) float64 {
	x := max(-40, min(40, celsius)) / 10
	return k.a + k.b*x + k.c*x*x
}

// fitCurve is least squares with a touch of ridge on the bend, so that it is defined for few points too.
func fitCurve(points []point) curve {
	var m [3][4]float64
	for _, p := range points {
		x := max(-40, min(40, p.x)) / 10
		basis := [3]float64{1, x, x * x}
		for i := range 3 {
			for j := range 3 {
				m[i][j] += basis[i] * basis[j]
			}
			m[i][3] += basis[i] * p.y
		}
	}
	for i := range 3 {
		m[i][i] += 1e-3
	}
	for i := range 3 { // positive definite: no pivoting needed
		for r := range 3 {
			if r == i {
				continue
			}
			share := m[r][i] / m[i][i]
			for j := range 4 {
				m[r][j] -= share * m[i][j]
			}
		}
	}
	return curve{m[0][3] / m[0][0], m[1][3] / m[1][1], m[2][3] / m[2][2]}
}
