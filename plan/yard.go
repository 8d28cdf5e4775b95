package plan

import (
	"cmp"
	"slices"

	"rimeyard/internal/fleet"
)

// noLimit stands for a limit that is not set. It is more than any plan can use, and small enough to be multiplied.
const noLimit = 1 << 50

// yard is one depot's part of the problem: its jobs, and what is left of its limits once locked choices are taken off.
type yard struct {
	depot   *Depot
	jobs    []job
	places  []int // by week
	minutes []int // by week
	items   []string
	stock   []int // by item: pieces for visits before soon
	soon    int   // week from which on every part can have been ordered
	used    usage // by locked choices
}

// pick is what is planned for a job: one of its sets in a week, or nowhere.
type pick struct{ week, set int }

// usage counts what visits take.
type usage struct {
	places  []int
	minutes []int
	stock   []int
	spent   fleet.Money
}

func newYard(d *Depot, weeks int) *yard {
	y := &yard{depot: d, soon: weeks, places: byWeek(d.CapacityByWeek, weeks), minutes: byWeek(d.MinutesByWeek, weeks)}
	if lead, known := d.LeadWeeks.Get(); known {
		y.soon = min(lead, weeks)
	}
	return y
}

// byWeek spreads a list over the weeks: it goes on with its last figure, and no list is no limit.
func byWeek(list []int, weeks int) []int {
	all := make([]int, weeks)
	for w := range all {
		all[w] = noLimit
		if len(list) > 0 {
			all[w] = list[min(w, len(list)-1)]
		}
	}
	return all
}

// takes numbers pieces by item. Where stock is not counted nothing is limited.
func (y *yard) takes(numbers []string) (takes []take) {
	if y.depot.Stock == nil {
		return nil
	}
	numbers = slices.Clone(numbers)
	slices.Sort(numbers)
	for i, number := range numbers {
		if i > 0 && number == numbers[i-1] {
			takes[len(takes)-1].pieces++
			continue
		}
		item := slices.Index(y.items, number)
		if item < 0 {
			item = len(y.items)
			y.items = append(y.items, number)
			y.stock = append(y.stock, y.depot.Stock[number])
		}
		takes = append(takes, take{item, 1})
	}
	return takes
}

// extend gives a price to parts that were numbered after the others were priced.
func (y *yard) extend(p *yardPrices) {
	for len(p.stock) < len(y.items) {
		p.stock = append(p.stock, 0)
	}
}

func (y *yard) nothingUsed() usage {
	return usage{make([]int, len(y.places)), make([]int, len(y.places)), make([]int, len(y.items)), 0}
}

// add counts a set done in a week n times, n being 1 or −1.
func (y *yard) add(u *usage, s *set, week, n int) {
	u.places[week] += n
	u.minutes[week] += n * s.minutes
	u.spent += fleet.Money(n) * s.spent
	if week < y.soon {
		for _, t := range s.takes {
			u.stock[t.item] += n * t.pieces
		}
	}
}

// fits tells whether a set can be added in a week.
func (y *yard) fits(u *usage, s *set, week int, budget fleet.Money) bool {
	if u.places[week] >= y.places[week] || u.minutes[week]+s.minutes > y.minutes[week] || u.spent+s.spent > budget {
		return false
	}
	return week >= y.soon || y.inStock(u, s)
}

func (y *yard) inStock(u *usage, s *set) bool {
	for _, t := range s.takes {
		if u.stock[t.item]+t.pieces > y.stock[t.item] {
			return false
		}
	}
	return true
}

// reserve takes what locked visits use off the limits, which never fall below nothing.
func (y *yard) reserve(u usage) {
	y.used = u
	for w := range y.places {
		y.places[w] = max(0, y.places[w]-u.places[w])
		y.minutes[w] = max(0, y.minutes[w]-u.minutes[w])
	}
	for i, pieces := range u.stock {
		y.stock[i] = max(0, y.stock[i]-pieces)
	}
}

// withoutLosers drops jobs that gain in no week, and puts those that gain most first, by key where even.
func (y *yard) withoutLosers() {
	best := map[fleet.UnitID]int64{}
	kept := y.jobs[:0]
	for _, j := range y.jobs {
		if g := j.most(); g > 0 {
			best[j.unit.ID] = g
			kept = append(kept, j)
		}
	}
	y.jobs = kept
	slices.SortFunc(y.jobs, func(a, b job) int {
		return cmp.Or(cmp.Compare(best[b.unit.ID], best[a.unit.ID]), cmp.Compare(a.unit.ID, b.unit.ID))
	})
}

// most that the job gains in any week, by any set.
func (j *job) most() (gain int64) {
	for i := range j.sets {
		gain = max(gain, slices.Max(j.sets[i].gains))
	}
	return gain
}

// value and usage of picks.
func (y *yard) tally(picks []pick) (value int64, u usage) {
	u = y.nothingUsed()
	for i, p := range picks {
		if p.week != nowhere {
			s := &y.jobs[i].sets[p.set]
			value += s.gains[p.week]
			y.add(&u, s, p.week, 1)
		}
	}
	return value, u
}

// within tells whether a usage keeps all limits but the budget.
func (y *yard) within(u usage) bool {
	for w := range y.places {
		if u.places[w] > y.places[w] || u.minutes[w] > y.minutes[w] {
			return false
		}
	}
	for i := range y.stock {
		if u.stock[i] > y.stock[i] {
			return false
		}
	}
	return true
}
