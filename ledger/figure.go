package ledger

import (
	"cmp"
	"slices"

	"rimeyard/internal/fleet"
)

// Dimension is what figures are told apart by.
type Dimension int

// The dimensions. ByMonth is the month on which an entry counts.
const (
	ByMonth Dimension = iota
	ByCostCentre
	ByDepot
	ByClass
	ByKind
	ByPart
	ByPartKind
	ByUnit
)

// Cell is where a figure belongs; dimensions that it is not told apart by are zero.
type Cell struct {
	Month      fleet.Opt[Month] `json:"month"`
	CostCentre string           `json:"cost_centre"`
	Depot      fleet.DepotID    `json:"depot"`
	Class      string           `json:"class"`
	Kind       Kind             `json:"kind"`
	Part       string           `json:"part"`
	PartKind   fleet.Part       `json:"part_kind"`
	Unit       fleet.UnitID     `json:"unit"`
}

// Figure is a sum of entries, which it opens to. Reversals are among them.
type Figure struct {
	Cell
	Currency Currency    `json:"currency"`
	Amount   fleet.Money `json:"amount"`
	Minutes  int         `json:"minutes"`
	Rows     []int       `json:"-"` // places in the entries that were summed
}

// Figures sums entries by dimensions, in the order of their cells. Amounts of different currencies are never added: each has a figure of
// its own. The figures add up to the sum of all entries, whatever they are told apart by.
func Figures(entries []Entry, by ...Dimension) []Figure {
	type place struct {
		Cell
		Currency
	}
	at := map[place]int{}
	var figures []Figure
	for i := range entries {
		e := &entries[i]
		p := place{cellOf(e, by), e.Currency}
		n, seen := at[p]
		if !seen {
			n = len(figures)
			at[p] = n
			figures = append(figures, Figure{Cell: p.Cell, Currency: e.Currency})
		}
		f := &figures[n]
		f.Amount, f.Minutes, f.Rows = f.Amount+e.Amount, f.Minutes+e.Minutes, append(f.Rows, i)
	}
	slices.SortFunc(figures, func(a, b Figure) int {
		return cmp.Or(compareCells(a.Cell, b.Cell), cmp.Compare(a.Currency, b.Currency))
	})
	return figures
}

func cellOf(e *Entry, by []Dimension) (c Cell) {
	for _, d := range by {
		switch d {
		case ByMonth:
			c.Month = fleet.Known(MonthOf(e.Booked))
		case ByCostCentre:
			c.CostCentre = e.CostCentre
		case ByDepot:
			c.Depot = e.Depot
		case ByClass:
			c.Class = e.Class
		case ByKind:
			c.Kind = e.Kind
		case ByPart:
			c.Part = e.Part
		case ByPartKind:
			c.PartKind = e.PartKind
		case ByUnit:
			c.Unit = e.Unit
		}
	}
	return c
}

func compareCells(a, b Cell) int {
	kinds := Kinds()
	return cmp.Or(cmp.Compare(a.CostCentre, b.CostCentre), cmp.Compare(a.Month.Or(0), b.Month.Or(0)), cmp.Compare(a.Depot, b.Depot),
		cmp.Compare(a.Class, b.Class), cmp.Compare(slices.Index(kinds[:], a.Kind), slices.Index(kinds[:], b.Kind)), cmp.Compare(a.PartKind, b.PartKind),
		cmp.Compare(a.Part, b.Part), cmp.Compare(a.Unit, b.Unit))
}
