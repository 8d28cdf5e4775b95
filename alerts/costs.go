package alerts

import (
	"cmp"
	"slices"

	"rimeyard/internal/fleet"
)

// paid is what a unit's records say of money.
type paid struct {
	failure fleet.Opt[fleet.Money]
	prices  []price
	battery []string // part numbers fitted now, by position
	starter string   // part number fitted now
}

type price struct {
	Part string
	Kind fleet.Part
	Day  fleet.Date
	Paid fleet.Money
}

// paidFor reads prices of what was fitted before asOf.
func paidFor(h fleet.History, asOf fleet.Date) paid {
	p := paid{failure: h.Unit.NoStartCost}
	for position := 1; position <= max(1, h.Unit.Batteries); position++ {
		var now fleet.BatteryFitting
		for _, f := range h.Batteries {
			later := cmp.Or(cmp.Compare(f.FittedOn.Or(0), now.FittedOn.Or(0)), cmp.Compare(f.Battery, now.Battery)) > 0
			if f.Position == position && f.FittedAt(asOf-1) && (now.Part == "" || later) {
				now = f
			}
		}
		if now.Part != "" {
			p.battery = append(p.battery, now.Part)
		}
	}
	for _, f := range h.Batteries {
		p.note(f.Part, fleet.BatteryPart, f.FittedOn, f.Price, asOf)
	}
	var now fleet.StarterFitting
	for _, f := range h.Starters {
		p.note(f.Part, fleet.StarterPart, f.FittedOn, f.Price, asOf)
		later := cmp.Or(cmp.Compare(f.FittedOn.Or(0), now.FittedOn.Or(0)), cmp.Compare(f.Starter, now.Starter)) > 0
		if f.FittedAt(asOf-1) && (now.Part == "" || later) {
			now = f
		}
	}
	p.starter = now.Part
	return p
}

func (p *paid) note(part string, kind fleet.Part, on fleet.Opt[fleet.Date], amount fleet.Opt[fleet.Money], asOf fleet.Date) {
	if m, known := amount.Get(); known && part != "" && on.Or(0) < asOf {
		p.prices = append(p.prices, price{part, kind, on.Or(0), m})
	}
}

// prices are the fleet's: the last one paid for each part, and the usual cost of a failed start.
type prices struct {
	Last  map[fleet.Part]map[string]price
	Usual fleet.Opt[fleet.Money]
}

func gatherPrices(all []paid) prices {
	p := prices{Last: map[fleet.Part]map[string]price{fleet.BatteryPart: {}, fleet.StarterPart: {}}}
	var costs []fleet.Money
	for i := range all {
		if c, known := all[i].failure.Get(); known {
			costs = append(costs, c)
		}
		for _, new := range all[i].prices {
			old, seen := p.Last[new.Kind][new.Part]
			if !seen || new.Day > old.Day || (new.Day == old.Day && new.Paid > old.Paid) {
				p.Last[new.Kind][new.Part] = new
			}
		}
	}
	if n := len(costs); n > 0 {
		slices.Sort(costs)
		p.Usual = fleet.Known((costs[(n-1)/2] + costs[n/2]) / 2)
	}
	return p
}

// failure is what one failed start costs the unit; where its own figure is not known, the fleet's median.
func (p prices) failure(one *file) (fleet.Money, bool) {
	if c, known := one.paid.failure.Get(); known {
		return c, true
	}
	return p.Usual.Get()
}

// swap is the last price of the parts that a swap of the suspect needs: all batteries of the unit, or its starter. It is unknown
// where a part's price was never recorded, and for cables, charging and control, of which no prices are.
func (p prices) swap(one *file, suspect fleet.Part) fleet.Opt[fleet.Money] {
	var needed []string
	switch suspect {
	case fleet.BatteryPart:
		if len(one.paid.battery) == max(1, one.unit.Batteries) {
			needed = one.paid.battery
		}
	case fleet.StarterPart:
		if one.paid.starter != "" {
			needed = []string{one.paid.starter}
		}
	}
	if len(needed) == 0 {
		return fleet.Opt[fleet.Money]{}
	}
	total := fleet.Money(0)
	for _, part := range needed {
		last, known := p.Last[suspect][part]
		if !known {
			return fleet.Opt[fleet.Money]{}
		}
		total += last.Paid
	}
	return fleet.Known(total)
}
