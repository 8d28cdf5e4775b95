package plan

import (
	"math"

	"rimeyard/internal/fleet"
)

// climb moves the prices of minutes, parts and money from round to round.
type climb struct {
	theta  float64 // Polyak's factor of the step
	waited int     // rounds without a lower bound
	minute typical
	cents  typical
}

// typical is how much a visit takes of one thing: prices of unlike things then move alike, and none grows until it overflows.
type typical struct{ mean, most float64 }

func (t *typical) add(x float64, visits int) {
	t.mean += (x - t.mean) / float64(visits)
	t.most = max(t.most, x)
}

func newClimb(p *problem) *climb {
	c, visits := &climb{theta: 1, minute: typical{1, 1}, cents: typical{1, 1}}, 1
	for _, y := range p.yards {
		for i := range y.jobs {
			for k := range y.jobs[i].sets {
				visits++
				c.minute.add(float64(y.jobs[i].sets[k].minutes), visits)
				c.cents.add(float64(y.jobs[i].sets[k].spent), visits)
			}
		}
	}
	return c
}

func (c *climb) saw(better bool) {
	if c.waited++; better {
		c.waited = 0
	}
	if c.waited >= patience {
		c.theta, c.waited = c.theta/2, 0
	}
}

// leastTheta is where steps have become too short to matter.
const leastTheta = 0.002

// mostPrice of what one visit takes keeps a wild step from overflowing.
const mostPrice = 1e15

// step raises the prices of what the round took too much of, and lowers those of what it left over. It tells whether any price moved.
func (c *climb) step(p *problem, at *prices, relaxed []*relaxation, gap int64) (moved bool) {
	if c.theta < leastTheta {
		return false
	}
	limits, norm := c.limits(p, at, relaxed), 0.0
	for _, l := range limits {
		if l.over > 0 || *l.price > 0 {
			norm += l.over / l.each.mean * l.over / l.each.mean
		}
	}
	if norm == 0 {
		return false
	}
	length := c.theta * float64(gap) / norm * finer
	for _, l := range limits {
		to := int64(math.Round(min(mostPrice/l.each.most, max(0, float64(*l.price)+length*l.over/l.each.mean/l.each.mean))))
		moved = moved || to != *l.price
		*l.price = to
	}
	return moved
}

// limit is one that has a price.
type limit struct {
	price *int64
	over  float64 // use less limit
	each  typical
}

// limits are those that exist: of a missing limit the use is always below.
func (c *climb) limits(p *problem, at *prices, relaxed []*relaxation) (all []limit) {
	spent := fleet.Money(0)
	for i, y := range p.yards {
		_, u := y.tally(relaxed[i].picks)
		spent += u.spent
		prices := &at.yards[i]
		for w := range y.minutes {
			if y.minutes[w] < noLimit {
				all = append(all, limit{&prices.minutes[w], float64(u.minutes[w] - y.minutes[w]), c.minute})
			}
		}
		for item := range y.stock {
			all = append(all, limit{&prices.stock[item], float64(u.stock[item] - y.stock[item]), typical{1, 1}})
		}
	}
	if p.budget < noLimit {
		all = append(all, limit{&at.budget, float64(spent - p.budget), c.cents})
	}
	return all
}
