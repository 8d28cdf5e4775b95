package fleet

import "time"

// Band is the judgement in one word. Pages show it by word, shape and colour together.
type Band string

// The bands, from best to worst. Unknown is for units of which the data allow no judgement.
const (
	Sound       Band = "sound"
	Watch       Band = "watch"
	Swap        Band = "swap"
	Down        Band = "down"
	UnknownBand Band = "unknown"
)

// Season is the depot's cold months, inclusive at both ends.
type Season struct {
	From Date `json:"from"`
	To   Date `json:"to"`
}

// Forecast is what was said of one unit on one date. Its JSON is the public contract of the ranked list.
type Forecast struct {
	Unit                 UnitID           `json:"unit"`
	Depot                DepotID          `json:"depot"`
	Rank                 int              `json:"rank"`
	Band                 Band             `json:"band"`
	NoStartProbability   Opt[float64]     `json:"no_start_probability"` // at least one failed start in the season
	ColdLimitC           Opt[float64]     `json:"cold_limit_c"`
	ColdLimitP10C        Opt[float64]     `json:"cold_limit_p10_c"`
	ColdLimitP90C        Opt[float64]     `json:"cold_limit_p90_c"`
	Suspect              Part             `json:"suspect"`
	SuspectProbabilities map[Part]float64 `json:"suspect_probabilities"` // sums to 1
	ExpectedLoss         Opt[Money]       `json:"expected_loss"`
	SwapCost             Opt[Money]       `json:"swap_cost"`
	SwapBy               Opt[Date]        `json:"swap_by"`
	Evidence             []string         `json:"evidence"`
}

// RankedList is one issue of forecasts for the whole fleet, highest priority first.
type RankedList struct {
	AsOf   Date       `json:"as_of"`
	Season Season     `json:"season"`
	Units  []Forecast `json:"units"`
}

// Issue says when and by which version of the method a ranked list was made, as kept for the audit.
type Issue struct {
	ID       int64
	AsOf     Date
	Season   Season
	IssuedAt time.Time
	Method   string
}
