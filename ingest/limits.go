package ingest

import "rimeyard/internal/fleet"

// Limit is what a column of numbers can hold, both ends included, so that whoever types a value hears at once what a file would be told.
type Limit struct {
	Column string  `json:"column"`
	Low    float64 `json:"low"`
	High   float64 `json:"high"`
	Unit   string  `json:"unit"`
	Hint   string  `json:"hint"` // what may have happened, and what to do
}

// Limits are those of a kind's columns of numbers.
func Limits(kind fleet.Kind) (all []Limit) {
	for _, c := range parserOf(kind).columns() {
		if c.span != (span{}) {
			all = append(all, Limit{c.name, c.span.low, c.span.high, c.span.unit, c.span.hint})
		}
	}
	return all
}
