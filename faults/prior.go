package faults

import (
	"math"

	"rimeyard/internal/fleet"
)

// chances before the first check: the published shares, turned by the cold, the battery's age, its last rest voltage, the gearbox,
// and the forecast's suspects.
func (p Prior) chances(f Facts) (c chances) {
	for i := range causeRows {
		c[i] = causeRows[i].share
	}
	scale := func(by float64, of ...Cause) {
		for _, id := range of {
			c[id.index()] *= by
		}
	}
	if t, known := f.TemperatureC.Get(); known {
		// Automobile clubs: 42 % of a year's jobs are batteries (ADAC 2018), 59 % on one cold day (AAA, Philadelphia, 2018): their odds
		// double. That the cold day lay near −10 °C and the year near 10 °C, and that thick oil goes with it, is common practice.
		scale(along([]point{{-10, 2}, {10, 1}, {20, 0.8}}, t), Flat, Worn, EngineDrag)
	}
	if years, known := p.BatteryYears.Get(); known {
		// Mean life five years (AA 2015); how far age tells: common practice, no source.
		scale(along([]point{{0, 0.25}, {2, 0.5}, {5, 1}, {8, 1.8}}, years), Worn)
	}
	if rest, known := p.RestV.Get(); known && rest < f.restLimits().enoughV {
		scale(2, Flat, Drain, Charging) // common practice, no source
	}
	if len(p.Suspects) > 0 {
		p.blend(&c)
	}
	c.normalise()
	return c
}

// blend turns the shares of fleet's suspects towards those of the forecast, and leaves the shares within a suspect and those of the
// engine as they are. A forecast of failure that came true counts for up to nine tenths, any other for half: no suspect is ruled out.
func (p Prior) blend(c *chances) {
	trust := 0.5 + 0.4*p.NoStart.Or(0)
	inSuspects := 0.0
	var own [5]float64
	for s, part := range fleet.Suspects() {
		for i := range causeRows {
			if causeRows[i].part == part {
				own[s] += c[i]
			}
		}
		inSuspects += own[s]
	}
	for s, part := range fleet.Suspects() {
		share := trust*p.Suspects[part] + (1-trust)*own[s]/inSuspects
		for i := range causeRows {
			if causeRows[i].part == part {
				c[i] *= share * inSuspects / own[s]
			}
		}
	}
}

// entropy of what must be told apart, in nats: of the jobs, as one job may mend two causes, and a little of the causes within a job, so
// that a check that names the cause is preferred where it costs nothing.
func (p *chances) entropy() float64 {
	const withinJob = 0.25
	var jobs chances // the chance of each job, at its first cause
	for i, v := range p {
		jobs[firstOfJob[i]] += v
	}
	h := 0.0
	for i, v := range p {
		if sum := jobs[firstOfJob[i]]; v > 0 {
			h -= v * (math.Log(sum) + withinJob*math.Log(v/sum))
		}
	}
	return h
}

// firstOfJob is, by cause, the first cause with the same job.
var firstOfJob = func() (first [causes]int) {
	for i := range causeRows {
		for causeRows[first[i]].job != causeRows[i].job {
			first[i]++
		}
	}
	return first
}()
