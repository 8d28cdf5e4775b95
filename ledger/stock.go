package ledger

import (
	"cmp"
	"slices"

	"gonum.org/v1/gonum/stat/distuv"

	"rimeyard/internal/fleet"
)

// OnShelf is what a depot holds of a part, and what is asked for.
type OnShelf struct {
	Depot    fleet.DepotID
	Part     string
	Kind     fleet.Part
	Pieces   int
	PerMonth float64               // pieces that are expected to be wanted in a month
	LastOut  fleet.Opt[fleet.Date] // when a piece last left
	LastIn   fleet.Opt[fleet.Date] // when one last came
	Level    fleet.Opt[int]        // at or below which more are ordered, as alerts.ReorderLevel says
	// LeadMonths pass until an order is there.
	LeadMonths float64
}

// ShelfValue is what lies on a shelf, in money.
type ShelfValue struct {
	Depot  fleet.DepotID          `json:"depot"`
	Part   string                 `json:"part"`
	Kind   fleet.Part             `json:"kind"`
	Pieces int                    `json:"pieces"`
	Price  fleet.Opt[fleet.Money] `json:"price"` // of a piece today; unknown: no price list has it
	Value  fleet.Opt[fleet.Money] `json:"value"`
	// MonthsOn is how long the pieces last at the demand that is expected. Unknown: no demand.
	MonthsOn fleet.Opt[float64] `json:"months_on"`
	// Slow: it lasts longer than a year, or nothing has come or gone for a year.
	Slow bool                   `json:"slow"`
	Tied fleet.Opt[fleet.Money] `json:"tied"` // value of the pieces beyond a year's demand
	// Held is what the pieces on hand buy while an order is on its way, Should what the level does. Unknown: no demand; no level is known.
	Held   fleet.Opt[Spares] `json:"held"`
	Should fleet.Opt[Spares] `json:"should"`
}

// Spares is what so many pieces buy against a demand.
type Spares struct {
	Pieces   int     `json:"pieces"`
	Service  float64 `json:"service"`  // chance that demand does not exceed them
	Short    float64 `json:"short"`    // pieces that are expected to be wanting
	Leftover float64 `json:"leftover"` // pieces that are expected to be left
}

// SparesFor says what so many pieces buy against a Poisson demand of a mean: P(D ≤ n), E(D − n)⁺ and E(n − D)⁺. How many to hold is for
// alerts.ReorderLevel to say; this says what any number buys.
func SparesFor(mean float64, pieces int) Spares {
	s := Spares{Pieces: max(0, pieces), Service: 1, Leftover: float64(max(0, pieces))}
	if mean <= 0 {
		return s
	}
	d := distuv.Poisson{Lambda: mean}
	n := float64(s.Pieces)
	s.Service = d.CDF(n)
	below := 0.0
	if n > 0 {
		below = d.CDF(n - 1)
	}
	s.Leftover = n*s.Service - mean*below
	s.Short = s.Leftover + mean - n
	return s
}

// slowMonths make stock slow (common practice, no source).
const slowMonths = 12

// ShelfValues puts money to shelves, what is worth most first.
func ShelfValues(shelves []OnShelf, prices []Price, on fleet.Date) []ShelfValue {
	list := newPrices(prices)
	all := make([]ShelfValue, 0, len(shelves))
	for _, s := range shelves {
		v := ShelfValue{Depot: s.Depot, Part: s.Part, Kind: s.Kind, Pieces: s.Pieces}
		year := on.AddMonths(-slowMonths)
		moved := max(s.LastOut.Or(year), s.LastIn.Or(year))
		v.Slow = s.Pieces > 0 && moved <= year && (s.LastOut.IsKnown() || s.LastIn.IsKnown())
		if s.PerMonth > 0 {
			v.MonthsOn = fleet.Known(float64(s.Pieces) / s.PerMonth)
			v.Slow = v.Slow || v.MonthsOn.Or(0) > slowMonths
			v.Held = fleet.Known(SparesFor(s.PerMonth*s.LeadMonths, s.Pieces))
			if level, known := s.Level.Get(); known {
				v.Should = fleet.Known(SparesFor(s.PerMonth*s.LeadMonths, level))
			}
		}
		if price, known := list.on(s.Part, on); known {
			v.Price, v.Value = fleet.Known(price), fleet.Known(price*fleet.Money(s.Pieces))
			v.Tied = fleet.Known(fleet.RoundMoney(price.Amount() * max(0, float64(s.Pieces)-slowMonths*s.PerMonth)))
		}
		all = append(all, v)
	}
	slices.SortStableFunc(all, func(a, b ShelfValue) int {
		return cmp.Or(cmp.Compare(b.Value.Or(0), a.Value.Or(0)), cmp.Compare(a.Depot, b.Depot), cmp.Compare(a.Part, b.Part))
	})
	return all
}
