package web

import (
	"cmp"
	"context"
	"iter"
	"slices"
	"strings"
	"sync"

	"rimeyard/internal/fleet"
)

// listIndex is a ranked list in memory, so that any filter, order, search and page of it is found by going through the fleet once, without
// asking the database for more than the rows that are shown. It means what the store means by a fleet.ListFilter; a test holds the two
// against each other.
//
// What is filtered by stands in columns of small numbers: a pass over 50,000 units stays within the processor's cache.
type listIndex struct {
	lines    []fleet.ListLine // by rank
	folded   []string         // their units in small letters
	depots   column[fleet.DepotID]
	classes  column[string]
	bands    column[fleet.Band]
	suspects column[fleet.Part]
	orders   map[fleet.ListOrder]func() []int32
}

// column is one field of all lines, as the number of its value among those that occur.
type column[T comparable] struct {
	numbers map[T]uint16
	of      []uint16
}

func (c *column[T]) add(v T) {
	n, known := c.numbers[v]
	if !known {
		if c.numbers == nil {
			c.numbers = map[T]uint16{}
		}
		n = uint16(len(c.numbers)) //nolint:gosec // of depots and classes there are hundreds
		c.numbers[v] = n
	}
	c.of = append(c.of, n)
}

// among tells for each number whether its value is one of those wanted.
func (c *column[T]) among(wanted ...T) []bool {
	is := make([]bool, len(c.numbers))
	for _, v := range wanted {
		if n, known := c.numbers[v]; known {
			is[n] = true
		}
	}
	return is
}

// asked is among for one value; nil where the zero value asks for nothing.
func (c *column[T]) asked(v T) []bool {
	var nothing T
	if v == nothing {
		return nil
	}
	return c.among(v)
}

func newListIndex(lines []fleet.ListLine) *listIndex {
	x := &listIndex{lines: lines, folded: make([]string, len(lines)), orders: map[fleet.ListOrder]func() []int32{}}
	for i := range lines {
		l := &lines[i]
		x.folded[i] = strings.ToLower(string(l.Unit))
		x.depots.add(l.Depot)
		x.classes.add(l.Class)
		x.bands.add(l.Band)
		x.suspects.add(l.Suspect)
	}
	by := func(order fleet.ListOrder, compare func(a, b *fleet.ListLine) int) {
		x.orders[order] = sync.OnceValue(func() []int32 {
			places := make([]int32, len(lines))
			for i := range places {
				places[i] = int32(i) //nolint:gosec // no fleet has two thousand million units
			}
			slices.SortStableFunc(places, func(a, b int32) int { return compare(&lines[a], &lines[b]) })
			return places
		})
	}
	by("", func(_, _ *fleet.ListLine) int { return 0 })
	x.orders[fleet.ByRank] = x.orders[""]
	by(fleet.ByUnit, func(a, b *fleet.ListLine) int { return cmp.Compare(a.Unit, b.Unit) })
	by(fleet.ByChance, func(a, b *fleet.ListLine) int { return largestFirst(a.NoStartProbability, b.NoStartProbability) })
	by(fleet.ByColdLimit, func(a, b *fleet.ListLine) int { return largestFirst(a.ColdLimitC, b.ColdLimitC) })
	by(fleet.ByLoss, func(a, b *fleet.ListLine) int { return largestFirst(a.ExpectedLoss, b.ExpectedLoss) })
	by(fleet.BySwapBy, func(a, b *fleet.ListLine) int {
		if known := knownFirst(a.SwapBy.IsKnown(), b.SwapBy.IsKnown()); known != 0 {
			return known
		}
		return cmp.Compare(a.SwapBy.Or(0), b.SwapBy.Or(0))
	})
	return x
}

func largestFirst[T float64 | fleet.Money](a, b fleet.Opt[T]) int {
	if known := knownFirst(a.IsKnown(), b.IsKnown()); known != 0 {
		return known
	}
	return cmp.Compare(b.Or(0), a.Or(0))
}

func knownFirst(a, b bool) int {
	switch {
	case a == b:
		return 0
	case a:
		return -1
	}
	return 1
}

// matching goes through the places of the lines that a filter lets through, whatever their band, in the filter's order.
func (x *listIndex) matching(f fleet.ListFilter) iter.Seq[int32] {
	class, suspect, search := x.classes.asked(f.Class), x.suspects.asked(f.Suspect), strings.ToLower(f.Search)
	var depot []bool
	if f.Depots != nil {
		depot = x.depots.among(f.Depots...)
	}
	return func(yield func(int32) bool) {
		for _, i := range x.orders[f.Order]() {
			if depot != nil && !depot[x.depots.of[i]] || class != nil && !class[x.classes.of[i]] || suspect != nil && !suspect[x.suspects.of[i]] ||
				search != "" && !strings.Contains(x.folded[i], search) {
				continue
			}
			if !yield(i) {
				return
			}
		}
	}
}

// look gives the lines that a filter lets through, as far as its limit and offset ask for them, and how many of each band there would be
// if the filter did not ask for a band.
func (x *listIndex) look(f fleet.ListFilter) (lines []*fleet.ListLine, counts map[fleet.Band]int) {
	band, at, counted := x.bands.asked(f.Band), 0, make([]int, len(x.bands.numbers))
	for i := range x.matching(f) {
		n := x.bands.of[i]
		counted[n]++
		if band != nil && !band[n] {
			continue
		}
		if at++; at > f.Offset && len(lines) < f.Limit {
			lines = append(lines, &x.lines[i])
		}
	}
	counts = map[fleet.Band]int{}
	for b, n := range x.bands.numbers {
		counts[b] = counted[n]
	}
	return lines, counts
}

// first gives the first lines that a filter lets through, as many as its limit asks for.
func (x *listIndex) first(f fleet.ListFilter) (lines []*fleet.ListLine) {
	band := x.bands.asked(f.Band)
	for i := range x.matching(f) {
		if band != nil && !band[x.bands.of[i]] {
			continue
		}
		if lines = append(lines, &x.lines[i]); len(lines) >= f.Limit {
			return lines
		}
	}
	return lines
}

// listOf is the newest list in memory. It is read once for each list.
func (s *Server) listOf(ctx context.Context, issue int64) (*listIndex, error) {
	return s.issued.list.of(issue, "", func() (*listIndex, error) {
		lines, err := s.store.ListLines(ctx, issue)
		return newListIndex(lines), err
	})
}
