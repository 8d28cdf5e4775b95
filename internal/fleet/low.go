package fleet

// Low is the lowest temperature foreseen for a night at a depot.
type Low struct {
	Depot DepotID
	Dawn  Date // the morning after: the coldest hour of a night is its last
	C     float64
	Typed string // who typed it in; empty: it came with the imported temperatures
}
