package reports

import (
	"cmp"
	"fmt"
	"slices"

	"rimeyard/internal/fleet"
)

// pictures are the letter's: bars of reserve, and a cold ladder for each of the depots with most to do. Where no cold
// limit or no winter is known there is nothing to draw, and the letter stands without.
func (d WinterListData) pictures(units []fleet.Forecast, top, width int) []Picture {
	var pictures []Picture
	if p, err := Reserve("reserve", d.reserves(units), top, width); err == nil {
		pictures = append(pictures, p)
	}
	for i, depot := range d.busiest(units) {
		ladder := d.LadderData(depot, d.standing(units))
		if p, err := Ladder(fmt.Sprintf("ladder-%d", i+1), ladder, namesOnLadder, width); err == nil {
			pictures = append(pictures, p)
		}
	}
	return pictures
}

func (d WinterListData) reserves(units []fleet.Forecast) []ReserveBar {
	var bars []ReserveBar
	for _, f := range units {
		limit, ok := f.ColdLimitC.Get()
		low, known := median(d.PastMinimaC[f.Depot])
		if ok && known {
			bars = append(bars, ReserveBar{f.Unit, f.Band, low - limit})
		}
	}
	return bars
}

// busiest lists up to mostLadders depots, those with most units down or to swap first.
func (d WinterListData) busiest(units []fleet.Forecast) []fleet.DepotID {
	work := map[fleet.DepotID]int{}
	for _, f := range units {
		work[f.Depot] += 0
		if urgent(f.Band) {
			work[f.Depot]++
		}
	}
	var depots []fleet.DepotID
	for depot := range work {
		depots = append(depots, depot)
	}
	slices.SortFunc(depots, func(a, b fleet.DepotID) int {
		return cmp.Or(cmp.Compare(work[b], work[a]), cmp.Compare(a, b))
	})
	return depots[:min(mostLadders, len(depots))]
}

// LadderData is one depot's share of units, as the cold ladder takes it.
func (d WinterListData) LadderData(depot fleet.DepotID, units []fleet.Forecast) LadderData {
	one := d
	one.Depot = depot
	ladder := LadderData{Place: one.place(), PastMinimaC: d.PastMinimaC[depot]}
	if low, ok := median(ladder.PastMinimaC); ok {
		ladder.DesignLowC = fleet.Known(low)
	}
	if low, ok := d.TonightC[depot]; ok {
		ladder.TonightC = fleet.Known(low)
	}
	for _, f := range ofDepot(units, depot) {
		if limit, ok := f.ColdLimitC.Get(); ok {
			ladder.Units = append(ladder.Units, LadderUnit{
				f.Unit, f.Band, limit, f.ColdLimitP10C.Or(limit), f.ColdLimitP90C.Or(limit),
			})
		}
	}
	return ladder
}
