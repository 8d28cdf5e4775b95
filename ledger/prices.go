package ledger

import (
	"cmp"
	"maps"
	"slices"

	"rimeyard/internal/fleet"
)

// prices are dated lists by part number.
type prices struct {
	lists map[string][]Price // by day, the newest last
	days  []fleet.Date       // on which any price changes
	lacks map[string]bool
}

func newPrices(all []Price) prices {
	p := prices{map[string][]Price{}, nil, map[string]bool{}}
	for _, line := range all {
		p.lists[line.Part] = append(p.lists[line.Part], line)
		p.days = append(p.days, line.From)
	}
	for _, list := range p.lists {
		slices.SortStableFunc(list, func(a, b Price) int { return cmp.Or(cmp.Compare(a.From, b.From), cmp.Compare(a.Price, b.Price)) })
	}
	slices.Sort(p.days)
	return p
}

// PriceOn is the line of a price list that holds for a part on a day: the newest that is in force. False: there is none.
func PriceOn(all []Price, part string, on fleet.Date) (Price, bool) {
	var found Price
	is := false
	for _, line := range all {
		if line.Part == part && line.From <= on && (!is || line.From >= found.From) {
			found, is = line, true
		}
	}
	return found, is
}

func (p prices) on(part string, on fleet.Date) (fleet.Money, bool) {
	list := p.lists[part]
	for i := len(list) - 1; i >= 0; i-- {
		if list[i].From <= on {
			return list[i].Price, true
		}
	}
	return 0, false
}

// moved tells whether any price changes after one day and up to another.
func (p prices) moved(after, to fleet.Date) bool {
	i, _ := slices.BinarySearch(p.days, after+1)
	return i < len(p.days) && p.days[i] <= to
}

// swap is what the pieces for a part cost on a day, by list, else by what was last paid for the part that is fitted. Parts that are not
// bought, as cables, cost nothing; for the others it is false where no price is known.
func (p prices) swap(u *BudgetUnit, part fleet.Part, on fleet.Date, instead map[string]string) (fleet.Money, bool) {
	if part != fleet.BatteryPart && part != fleet.StarterPart {
		return 0, true
	}
	total, all, other := fleet.Money(0), len(u.Fitted[part]) > 0, false
	for _, number := range u.Fitted[part] {
		price, known := p.on(cmp.Or(instead[number], number), on)
		total, all, other = total+price, all && known, other || instead[number] != ""
	}
	if all {
		return total, true
	}
	if paid, known := u.SwapCosts[part]; known && !other {
		return paid, true
	}
	for _, number := range u.Fitted[part] {
		number = cmp.Or(instead[number], number)
		if _, known := p.on(number, on); !known {
			p.lacks[number] = true
		}
	}
	return 0, false
}

func (p prices) missing() []string { return slices.Sorted(maps.Keys(p.lacks)) }
