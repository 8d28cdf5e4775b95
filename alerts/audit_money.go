package alerts

import (
	"math"

	"rimeyard/internal/fleet"
)

// Saving is what it would have saved to do the swaps of the first units of an order before the season: as many as the list asked
// for. A unit without a price of its swap is left out on both sides, and counted. Units that tie for the last places share them.
type Saving struct {
	Caught   float64                `json:"caught"`   // of those swapped, failed
	Unpriced float64                `json:"unpriced"` // of those swapped, left out of the money
	Avoided  fleet.Opt[fleet.Money] `json:"avoided"`  // cost of the failures caught
	Spent    fleet.Opt[fleet.Money] `json:"spent"`    // price of the swaps
	Saved    fleet.Opt[fleet.Money] `json:"saved"`    // avoided less spent
	Interval fleet.Opt[MoneySpan]   `json:"saved_interval"`
	PerSwap  fleet.Opt[fleet.Money] `json:"saved_per_swap"` // of those with a price: fit to compare orders of which some have more
	// More is how much more the list would have saved than this order. Its interval is that of the difference, both being judged on the same
	// draws of units: what befell a unit befell it in both.
	More         fleet.Opt[fleet.Money] `json:"list_saved_more"`
	MoreInterval fleet.Opt[MoneySpan]   `json:"list_saved_more_interval"`
}

// MoneySpan is a 95 % interval.
type MoneySpan struct {
	Low  fleet.Money `json:"low"`
	High fleet.Money `json:"high"`
}

// price gives each unit the cost of a failed start and of swaps, as known when the list was made and by the rules of the list:
// see [Forecast.ExpectedLoss] and [Forecast.SwapCost] of package fleet.
func (a *auditing) price() {
	all := make([]paid, len(a.outcomes))
	for i := range a.outcomes {
		all[i] = a.outcomes[i].paid
	}
	prices := gatherPrices(all)
	for i := range a.outcomes {
		o := &a.outcomes[i]
		one := &file{unit: o.of, paid: o.paid}
		if cost, known := prices.failure(one); known {
			o.scored.FailureCost = fleet.Known(cost)
		}
		o.scored.SwapCost, o.scored.BatteryCost = o.suspects, prices.swap(one, fleet.BatteryPart)
	}
}

// gain is what the swap of one unit avoids and costs, in minor units.
type gain struct {
	avoided, spent float64
	priced         bool
}

func (s Scored) listGain() gain { return s.gain(s.SwapCost) }

func (s Scored) ruleGain() gain { return s.gain(s.BatteryCost) }

func (s Scored) gain(swap fleet.Opt[fleet.Money]) gain {
	failure, known := s.FailureCost.Get()
	spent, priced := swap.Get()
	g := gain{spent: float64(spent), priced: known && priced}
	if s.Failed {
		g.avoided = float64(failure)
	}
	return g
}

func gains(units []Scored, of func(Scored) gain) []gain {
	out := make([]gain, len(units))
	for i, s := range units {
		out[i] = of(s)
	}
	return out
}

// save puts beside each order what its first units would have saved.
func (r *AuditResult) save(orders []ordering) {
	if r.Swaps == 0 {
		return
	}
	failed, ones := failures(r.Units), make([]int, len(r.Units))
	for i := range ones {
		ones[i] = 1
	}
	for i, k := range r.rankings() {
		top := orders[i].top(ones, failed, r.Swaps)
		k.Saving = Saving{Caught: top.hits, Unpriced: top.unpriced}
		if top.unpriced < float64(r.Swaps) {
			k.Saving.Avoided, k.Saving.Spent = minorUnits(top.avoided), minorUnits(top.spent)
			k.Saving.Saved = fleet.Known(k.Saving.Avoided.Or(0) - k.Saving.Spent.Or(0))
			k.Saving.PerSwap = minorUnits((top.avoided - top.spent) / (float64(r.Swaps) - top.unpriced))
		}
		if list, known := r.Forecast.Saving.Saved.Get(); known && i > 0 && k.Saving.Saved.IsKnown() {
			k.Saving.More = fleet.Known(list - k.Saving.Saved.Or(0))
		}
	}
}

func minorUnits(x float64) fleet.Opt[fleet.Money] { return fleet.Known(fleet.Money(math.Round(x))) }

// rankings are the forecast's and the rules', to fill in.
func (r *AuditResult) rankings() []*Ranking {
	all := []*Ranking{&r.Forecast}
	for i := range r.Rules {
		all = append(all, &r.Rules[i])
	}
	return all
}

func failures(units []Scored) []bool {
	failed := make([]bool, len(units))
	for i, s := range units {
		failed[i] = s.Failed
	}
	return failed
}
