package trend

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/mat"

	"rimeyard/internal/fleet"
)

// Causes say which part a failed start will be laid to, from the same signs as the cold limit: a multinomial logistic regression, one row
// of weights for each of fleet.Suspects. It begins at what other fleets showed and moves as far as the fleet's own breakdown book says.
type Causes [causeCount][signCount]float64

const causeCount = 5

// shares are the chances of the suspects, in their order; they sum to 1.
func (c *Causes) shares(s *signs) (p [causeCount]float64) {
	highest := math.Inf(-1)
	for i := range c {
		for j, x := range s {
			p[i] += c[i][j] * x
		}
		highest = max(highest, p[i])
	}
	sum := 0.0
	for i := range p {
		p[i] = math.Exp(p[i] - highest)
		sum += p[i]
	}
	for i := range p {
		p[i] /= sum
	}
	return p
}

// Suspects are the chances that a failed start of this unit in the coming season is because of each part; they sum to 1.
func (s State) Suspects() map[fleet.Part]float64 {
	o := s.Outlook()
	p := s.model.p.Causes.shares(&o.signs)
	shares := map[fleet.Part]float64{}
	for i, part := range fleet.Suspects() {
		shares[part] = p[i]
	}
	return shares
}

// learnCauses seeks the posterior mode over past failures: weights N(prior, sd²). The book's share of wrong entries is not modelled;
// the prior keeps single entries from mattering.
func learnCauses(cases []pastCase, prior *Causes, sd float64) Causes {
	suspects := fleet.Suspects()
	var rows []*pastCase
	var label []int
	for i := range cases {
		if c := &cases[i]; c.failed {
			if k := slices.Index(suspects[:], c.cause); k >= 0 {
				rows, label = append(rows, c), append(label, k)
			}
		}
	}
	if len(rows) == 0 {
		return *prior
	}
	const n = causeCount * signCount
	unpack := func(x []float64) (c Causes) {
		for i := range c {
			copy(c[i][:], x[i*signCount:])
		}
		return c
	}
	centre, spread, lowest, highest := make([]float64, n), make([]float64, n), make([]float64, n), make([]float64, n)
	for i := range n {
		centre[i], spread[i], lowest[i], highest[i] = prior[i/signCount][i%signCount], sd, math.Inf(-1), math.Inf(1)
	}
	return unpack(maximise(centre, spread, lowest, highest, nearEnough, func(at []float64, slopes bool) (float64, []float64, *mat.SymDense) {
		c, v := unpack(at), 0.0
		grad, info := make([]float64, n), make([]float64, n*n)
		for i := range at {
			off := (at[i] - centre[i]) / sd
			v -= off * off / 2
			grad[i] = -off / sd
			info[i*n+i] = 1 / (sd * sd)
		}
		for i, row := range rows {
			p := c.shares(&row.signs)
			v += row.weight * math.Log(max(p[label[i]], 1e-12))
			if slopes {
				row.causeSlopes(&p, label[i], grad, info)
			}
		}
		return v, grad, mat.NewSymDense(n, info)
	}))
}

// causeSlopes adds one failure's gradient and information, of which only the upper half is read.
func (c *pastCase) causeSlopes(p *[causeCount]float64, label int, grad, info []float64) {
	const n = causeCount * signCount
	for k := range p {
		off := -p[k]
		if k == label {
			off++
		}
		for j, s := range c.signs {
			if s == 0 {
				continue
			}
			at := k*signCount + j
			grad[at] += c.weight * off * s
			for k2 := k; k2 < causeCount; k2++ {
				between := -p[k] * p[k2]
				if k == k2 {
					between += p[k]
				}
				row, x := info[at*n+k2*signCount:][:signCount], c.weight*between*s
				for j2, s2 := range c.signs {
					if s2 != 0 && (k2 > k || j2 >= j) {
						row[j2] += x * s2
					}
				}
			}
		}
	}
}
