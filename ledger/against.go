package ledger

import (
	"cmp"
	"maps"
	"slices"

	"rimeyard/internal/fleet"
)

// Against holds a budget that was kept against what was booked, and against the newest budget for what is ahead: entries count up to the day
// before the newest begins. Core deposits are left out, as they come back and are not budgeted. Cost centres that have entries and were not
// budgeted have a line of their own, for all months.
func Against(kept, newest Budget, entries []Entry) []Compared {
	actual := actualOf(kept, newest.From, entries)
	ahead := aheadOf(newest, kept)
	var out []Compared
	add := func(l BudgetLine, whole bool) {
		k := lineKey{l.CostCentre, whole, l.Month}
		c := Compared{CostCentre: l.CostCentre, Whole: whole, Month: l.Month, Budget: l.Expected, P10: l.P10, P90: l.P90}
		begins := kept.From
		if m, one := l.Month.Get(); one {
			begins = max(begins, m.First())
		}
		if begins < newest.From {
			c.Actual = fleet.Known(actual[k])
		}
		forecast := actual[k] + ahead[k]
		c.Forecast, c.Over = fleet.Known(forecast), fleet.Known(forecast-l.Expected)
		c.Outside = forecast < l.P10 || forecast > l.P90
		out = append(out, c)
	}
	budgeted := map[string]bool{}
	for _, l := range kept.Lines {
		budgeted[l.CostCentre] = true
		add(l, false)
	}
	for _, k := range slices.SortedFunc(maps.Keys(actual), compareLines) {
		if !k.whole && !k.month.IsKnown() && !budgeted[k.costCentre] {
			add(BudgetLine{CostCentre: k.costCentre}, false)
		}
	}
	for _, l := range kept.Total {
		add(l, true)
	}
	return out
}

// lineKey names a line of a budget.
type lineKey struct {
	costCentre string
	whole      bool
	month      fleet.Opt[Month]
}

func compareLines(a, b lineKey) int {
	if a.whole != b.whole {
		if a.whole {
			return 1
		}
		return -1
	}
	return cmp.Or(cmp.Compare(a.costCentre, b.costCentre), cmp.Compare(a.month.Or(0), b.month.Or(0)))
}

// lines in which an amount of a month counts.
func lines(costCentre string, m Month) [4]lineKey {
	one, all := fleet.Known(m), fleet.Opt[Month]{}
	return [4]lineKey{{costCentre, false, one}, {costCentre, false, all}, {"", true, one}, {"", true, all}}
}

func actualOf(kept Budget, before fleet.Date, entries []Entry) map[lineKey]fleet.Money {
	actual := map[lineKey]fleet.Money{}
	last := kept.Months[len(kept.Months)-1].Last()
	for _, e := range entries {
		deposit := e.Kind == DepositPaid || e.Kind == DepositReturned
		if e.Booked < kept.From || e.Booked >= before || e.Booked > last || e.Currency != kept.Currency || deposit {
			continue
		}
		for _, k := range lines(e.CostCentre, MonthOf(e.Booked)) {
			actual[k] += e.Amount
		}
	}
	return actual
}

// aheadOf is what the newest budget expects in the lines of the kept one.
func aheadOf(newest, kept Budget) map[lineKey]fleet.Money {
	ahead := map[lineKey]fleet.Money{}
	for _, l := range newest.Lines {
		m, one := l.Month.Get()
		if !one || !slices.Contains(kept.Months, m) {
			continue
		}
		for _, k := range lines(l.CostCentre, m) {
			ahead[k] += l.Expected
		}
	}
	return ahead
}
