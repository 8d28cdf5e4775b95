package reports

import (
	"cmp"
	"slices"

	"rimeyard/internal/fleet"
	"rimeyard/ledger"
	"rimeyard/plan"
	"rimeyard/trend"
)

// partAges are the best ages at which to replace the parts that are fitted now. What a planned swap costs is the part's price by the list,
// else the last that was paid, and the labour of it; a failure costs what breakdowns of the kind usually do besides. Parts without a price
// or without a usual breakdown are left out.
func partAges(facts ledger.Facts, prices []ledger.Price, failure map[fleet.Part]fleet.Money, labour fleet.Opt[fleet.Money], today fleet.Date) (ages []PartAge) {
	g := gatherLives(facts, today)
	rules := plan.DefaultRules()
	for _, k := range g.keys {
		one := g.of[k]
		price := one.last
		if line, listed := ledger.PriceOn(prices, k.part, today); listed {
			price = fleet.Known(line.Price)
		}
		paid, priced := price.Get()
		besides, usual := failure[k.kind]
		if !one.fitted || !priced || !usual {
			continue
		}
		fit, err := trend.FitWeibull(one.lives, ledger.UsualLife(k.kind))
		if err != nil {
			continue // with a prior there is none
		}
		minutes := rules.SetUpMinutes + rules.Minutes[k.kind]
		planned := paid + fleet.RoundMoney(labour.Or(0).Amount()*float64(minutes)/60)
		ages = append(ages, PartAge{Part: k.part, Kind: k.kind, Planned: planned, Failure: planned + besides, BestAge: ledger.ReplaceAt(fit, planned, planned+besides)})
	}
	return ages
}

type partKey struct {
	kind fleet.Part
	part string
}

type partLives struct {
	lives  []trend.Life // in years
	fitted bool         // one is fitted now
	last   fleet.Opt[fleet.Money]
	lastOn fleet.Date
}

type livesByPart struct {
	of    map[partKey]*partLives
	keys  []partKey
	since fleet.Date // the day of the first removal on record: what was fitted before was seen only because it lived
	today fleet.Date
}

func gatherLives(facts ledger.Facts, today fleet.Date) livesByPart {
	g := livesByPart{of: map[partKey]*partLives{}, since: today, today: today}
	for i := range facts.Batteries {
		g.since = min(g.since, facts.Batteries[i].RemovedOn.Or(today))
	}
	for i := range facts.Starters {
		g.since = min(g.since, facts.Starters[i].RemovedOn.Or(today))
	}
	for i := range facts.Batteries {
		f := &facts.Batteries[i]
		g.add(partKey{fleet.BatteryPart, f.Part}, f.FittedOn, f.RemovedOn, f.RemovedBecause, f.Price)
	}
	for i := range facts.Starters {
		f := &facts.Starters[i]
		g.add(partKey{fleet.StarterPart, f.Part}, f.FittedOn, f.RemovedOn, f.RemovedBecause, f.Price)
	}
	for k := range g.of {
		g.keys = append(g.keys, k)
	}
	slices.SortFunc(g.keys, func(a, b partKey) int { return cmp.Or(cmp.Compare(a.kind, b.kind), cmp.Compare(a.part, b.part)) })
	return g
}

func (g *livesByPart) add(k partKey, on, removed fleet.Opt[fleet.Date], because fleet.Removal, price fleet.Opt[fleet.Money]) {
	one := g.of[k]
	if one == nil {
		one = &partLives{}
		g.of[k] = one
	}
	out, gone := removed.Get()
	if gone = gone && out <= g.today; !gone {
		out, one.fitted = g.today, true
	}
	from, dated := on.Get()
	if price.IsKnown() && from >= one.lastOn {
		one.last, one.lastOn = price, from
	}
	if !dated {
		return
	}
	const daysPerYear = 365.25
	entry := max(0, g.since-from)
	one.lives = append(one.lives, trend.Life{Entry: float64(entry) / daysPerYear, Exit: float64(out-from) / daysPerYear, Failed: gone && because == fleet.RemovedFailed})
}
