package alerts

import (
	"cmp"
	"context"
	"fmt"
	"slices"

	"rimeyard/internal/fleet"
	"rimeyard/trend"
)

// Night is one unit's chance of a failed start after one night.
type Night struct {
	Unit               fleet.UnitID  `json:"unit"`
	Depot              fleet.DepotID `json:"depot"`
	LowC               float64       `json:"low_c"` // tonight's, at the depot
	ColdLimitC         float64       `json:"cold_limit_c"`
	NoStartProbability float64       `json:"no_start_probability"` // of the start that follows the night
}

// Tonight holds every unit of the depots in lowC against the coming night's low, likeliest to fail first. The unit is taken to be started
// in the morning.
func Tonight(ctx context.Context, in Input, lowC map[fleet.DepotID]float64) ([]Night, error) {
	f, err := judgeFleet(ctx, in)
	if err != nil {
		return nil, fmt.Errorf("judge tonight's starts as of %s: %w", in.AsOf, err)
	}
	var nights []Night
	for i := range f.files {
		one := &f.files[i]
		low, asked := lowC[one.depot.ID]
		if !asked {
			continue
		}
		s := trend.Estimate(one.track, f.params)
		nights = append(nights, Night{one.unit.ID, one.depot.ID, low, round(s.ColdLimitC, 1), round(trend.MorningAt(s.Outlook().Night(), low), 4)})
	}
	slices.SortFunc(nights, func(a, b Night) int {
		return cmp.Or(cmp.Compare(b.NoStartProbability, a.NoStartProbability), cmp.Compare(a.Unit, b.Unit))
	})
	return nights, nil
}
