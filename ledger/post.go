package ledger

import (
	"cmp"
	"fmt"
	"slices"

	"rimeyard/internal/fleet"
)

// Post is what must be added to the ledger so that it agrees with the rows: an entry for each row that has none, and for each row that has
// changed or gone a reversal, with a new entry in its place. Nothing that is kept is changed, and posting twice adds nothing.
//
// Standing are the entries that are kept, with or without those already reversed and their reversals. Should are those of [Entries]; what
// lies after on is not booked yet. An entry whose value date lies in a closed month counts on the first day that is still open, and keeps
// its value date; closing a month closes all before it. A row that has only changed its depot, class or cost centre stays where it was
// booked: where a unit parks today does not rewrite last year's books.
func Post(standing, should []Entry, closed []Month, on fleet.Date) []Entry {
	wanted := make(map[string]Entry, len(should))
	for _, e := range should {
		if _, twice := wanted[e.Source]; !twice && e.Value <= on {
			wanted[e.Source] = e
		}
	}
	var add []Entry
	for _, e := range Standing(standing) {
		if want, is := wanted[e.Source]; is && e.sameFact(want) {
			delete(wanted, e.Source)
			continue
		}
		add = append(add, e.reversed(closed))
	}
	for _, e := range should { // in their order, of which little is left to sort
		if e, is := wanted[e.Source]; is {
			delete(wanted, e.Source)
			e.ID, e.Reverses, e.Booked = 0, 0, openDay(e.Value, closed)
			add = append(add, e)
		}
	}
	slices.SortFunc(add, byDay)
	return add
}

// reversed takes e back: in its own month while that is open, else on the first open day.
func (e Entry) reversed(closed []Month) Entry {
	e.ID, e.Reverses, e.Amount, e.Minutes, e.Booked = 0, e.ID, -e.Amount, -e.Minutes, openDay(e.Booked, closed)
	return e
}

// openDay is d, or the first day after the months that are closed.
func openDay(d fleet.Date, closed []Month) fleet.Date {
	if len(closed) == 0 {
		return d
	}
	return max(d, (slices.Max(closed) + 1).First())
}

// Standing are the entries that count: those that are no reversal and are not reversed, in the order of their numbers.
func Standing(kept []Entry) []Entry {
	gone := map[int64]bool{}
	for _, e := range kept {
		if e.Reverses != 0 {
			gone[e.Reverses] = true
		}
	}
	var standing []Entry
	for _, e := range kept {
		if e.Reverses == 0 && !gone[e.ID] {
			standing = append(standing, e)
		}
	}
	slices.SortStableFunc(standing, func(a, b Entry) int { return cmp.Compare(a.ID, b.ID) })
	return standing
}

// MayClose tells why a month cannot be closed; nil: it can. Only a month that is over can be, and closing one closes all before it.
func MayClose(m Month, closed []Month, on fleet.Date) error {
	if on <= m.Last() {
		return fmt.Errorf("month %s cannot be closed before it is over: it ends on %s", m, m.Last())
	}
	if len(closed) > 0 && m <= slices.Max(closed) {
		return fmt.Errorf("month %s is closed already, with all up to %s", m, slices.Max(closed))
	}
	return nil
}
