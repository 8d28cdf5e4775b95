package fleet

// Low is the lowest temperature foreseen for a night at a depot.
type Low struct {
	Depot DepotID
	Dawn  Date // the morning after: the coldest hour of a night is its last
	C     float64
	Typed string // who typed it in; empty: it came with the imported temperatures
}

// LowsTonight picks the low of the night that follows today, which need not be the same day everywhere.
func LowsTonight(lows []Low, dawn func(DepotID) Date) map[DepotID]Low {
	tonight := map[DepotID]Low{}
	for _, l := range lows {
		if l.Dawn == dawn(l.Depot) {
			tonight[l.Depot] = l
		}
	}
	return tonight
}
