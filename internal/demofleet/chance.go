package demofleet

import (
	"hash/fnv"
	"math"
	"math/rand/v2"
)

// chance is one stream of random numbers. Every unit and every depot has its own, so that a change to one leaves the
// others as they were.
type chance struct{ *rand.Rand }

func newChance(seed uint64, stream string) chance {
	h := fnv.New64a()
	h.Write([]byte(stream))
	return chance{rand.New(rand.NewPCG(seed, h.Sum64()))}
}

func (c chance) hit(p float64) bool { return c.Float64() < p }

func (c chance) between(low, high float64) float64 { return low + (high-low)*c.Float64() }

// normal is a normal number around zero.
func (c chance) normal(sd float64) float64 { return sd * c.NormFloat64() }

// spread is a factor around one with the given log standard deviation.
func (c chance) spread(sd float64) float64 { return math.Exp(sd * c.NormFloat64()) }

// days is a whole number of days from low to high, both included.
func (c chance) days(low, high int) int { return low + c.IntN(high-low+1) }

func roundTo(v float64, step float64) float64 { return math.Round(v/step) / math.Round(1/step) }
