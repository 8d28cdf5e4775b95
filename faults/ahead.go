package faults

import (
	"math"
	"slices"
)

// Ahead is how many minutes of work are to be expected until the search ends, by the checks' own count and the present beliefs: the mean
// of some ways that it may go from here, each with a cause drawn by its chance and with answers drawn by what that cause shows. The draws
// are spread evenly and not at random, so the same session gives the same minutes. It is a guess for people who plan their hour.
func (s Session) Ahead() (minutes float64) {
	const ways = 20
	k := s.known()
	prior := s.Prior.chances(s.Facts)
	p := k.posterior(prior, -1)
	for way := range ways {
		minutes += k.walk(prior, p.at((float64(way)+0.5)/ways), way) / ways
	}
	return minutes
}

// at is the cause at which the chances, summed in their order, reach a share.
func (p *chances) at(share float64) (cause int) {
	for cause = range p {
		if share -= p[cause]; share < 0 {
			return cause
		}
	}
	return cause
}

// drawn spreads numbers evenly from 0 to 1, over the ways and along each: multiples of irrational numbers without their whole part.
func drawn(way, asked int) float64 {
	const across, along, turn = 0.6180339887498949, 0.7548776662466927, 0.5698402909980532
	_, fraction := math.Modf(float64(way)*across + float64(asked+1)*(along+float64(way)*turn))
	return fraction
}

// walk is the minutes from here to the end if the cause is there and its answers are drawn.
func (k known) walk(prior chances, cause, way int) (minutes float64) {
	k.said = slices.Clone(k.said)
	const most = 60 // checks; no search is as long
	for asked := range most {
		i, again, found := k.decide(k.posterior(prior, -1), prior)
		if !found {
			break
		}
		minutes += checks[i].minutes
		share, outcome := drawn(way, asked), 0
		for o, l := range tables[i].said {
			outcome = o
			if share -= l[cause]; share < 0 {
				break
			}
		}
		was := k.said[i]
		now := said{given: true, outcome: outcome, times: was.times + 1, done: was.done + 1, reads: []read{{outcome: outcome}}}
		if again {
			now.reads = slices.Concat(was.reads, now.reads)
		}
		k.said[i] = now
	}
	return minutes
}

// May tells whether a check may be done now: all that must come before it has, and nothing forbids it.
func (s Session) May(id Check) bool {
	k := s.known()
	i, found := find(id)
	return found && (id == Frozen || !k.is(Frozen, "frozen")) && k.open(i)
}
