package ledger

import "rimeyard/internal/fleet"

// Spares is how many pieces to hold, and what that buys.
type Spares struct {
	Pieces   int     `json:"pieces"`
	Service  float64 `json:"service"`  // chance that demand does not exceed them
	Short    float64 `json:"short"`    // pieces that are expected to be wanting
	Leftover float64 `json:"leftover"` // pieces that are expected to be left
}

// ShelfValue is what lies on a shelf, in money.
type ShelfValue struct {
	Depot  fleet.DepotID          `json:"depot"`
	Part   string                 `json:"part"`
	Kind   fleet.Part             `json:"kind"`
	Pieces int                    `json:"pieces"`
	Price  fleet.Opt[fleet.Money] `json:"price"` // of a piece; unknown: no price list has it
	Value  fleet.Opt[fleet.Money] `json:"value"`
	// MonthsOn is how long the pieces last at the demand that is expected. Unknown: no demand.
	MonthsOn fleet.Opt[float64]     `json:"months_on"`
	Slow     bool                   `json:"slow"`  // lasts longer than a year, or has lain longer than that
	Tied     fleet.Opt[fleet.Money] `json:"tied"`  // value of the pieces beyond a year's demand
	Level    fleet.Opt[Spares]      `json:"level"` // that should be held; unknown: no demand or no cost is known
}
