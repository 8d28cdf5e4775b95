package reports

// Figures are the numbers that a picture was drawn from, in its order, for pages on which people look closer. Where no number is
// known there is no value.
type Figures struct {
	Title  string        `json:"title"`
	X      Scale         `json:"x"`
	Y      Scale         `json:"y"`
	Series []FigureGroup `json:"series"`
}

// Scale is one axis of figures.
type Scale struct {
	Name     string    `json:"name,omitempty"`
	Unit     string    `json:"unit,omitempty"`     // of measure, as written behind a number
	Decimals int       `json:"decimals,omitempty"` // that the numbers are worth
	Ends     []float64 `json:"ends,omitempty"`     // first and last number, where they are not the data's
	Rows     []string  `json:"rows,omitempty"`     // names instead of numbers: row i, counted from the top, lies at i
}

// The kinds of figures.
const (
	FigurePoints = "points" // each for itself
	FigureLine   = "line"   // joined, in order of X
	FigureBand   = "band"   // an area from Low to High, in order of X
)

// FigureGroup are values that belong together. Its lists are as long as X, or empty.
type FigureGroup struct {
	Name   string    `json:"name"`
	Kind   string    `json:"kind"`
	Mark   string    `json:"mark,omitempty"`   // of points: disc, ring, diamond, square or triangle
	Broken bool      `json:"broken,omitempty"` // the line is
	X      []float64 `json:"x"`
	Y      []float64 `json:"y,omitempty"`
	Low    []float64 `json:"low,omitempty"`  // interval of each value: along X where the other axis has rows, else along Y
	High   []float64 `json:"high,omitempty"` //
	Says   []string  `json:"says,omitempty"` // what to say of each value before its numbers: when it was, which one it is
}

func (g *FigureGroup) add(x, y float64) {
	g.X, g.Y = append(g.X, x), append(g.Y, y)
}
