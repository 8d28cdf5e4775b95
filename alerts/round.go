package alerts

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"time"

	"rimeyard/internal/fleet"
)

// Stop is one unit of a round.
type Stop struct {
	Unit     fleet.Unit
	Forecast fleet.Forecast
	// Worth is what a test of the unit is worth today: the expected loss that deciding after it avoids. Zero where no result would change
	// what is done. In currency, or in failed starts where no cost of any is known.
	Worth float64
	Why   string // in one sentence
	Done  bool   // tested today
}

// Stand is units of a round that stand in the same kind of place.
type Stand struct {
	Parked fleet.Parked
	Stops  []Stop
}

// How many units a round has: what one person tests on a morning, common practice, no source. Between the two, those of which a test
// would change what is done.
const (
	leastStops = 15
	mostStops  = 30
)

// TestRepeatsAfterDays is when another battery test tells as much as the last one did; before, in proportion.
const TestRepeatsAfterDays = 60

// Round picks the units to test today, those of which a test is worth most, and puts them together by where they stand: the stand with
// the most to tell first, and within one the unit with the most to tell. Last are the newest tests of units, by unit; units tested today
// are marked, and stay where they were.
//
// A test is worth the expected value of perfect information (Raiffa & Schlaifer 1961, Applied Statistical Decision Theory, ch. 4) for the
// choice between leaving a unit, which costs pₖ·L, and the swap, which costs S, over five equally likely cases k of its cold limit:
//
//	worth = Σ max(0, pₖ·L − S)/5 − max(0, Σ (pₖ·L − S)/5)
//
// pₖ is Outlook.ChanceIf, L what a failed start costs, S what the swap costs. Where S is not known it is the chance from which on a unit
// is to be swapped, times L. The plan weighs retests likewise, with weeks and the error of a test. The worth is scaled by the days since
// the last test, up to TestRepeatsAfterDays; a battery that was too low to be judged counts as never tested.
func Round(listed []fleet.Listed, last map[fleet.UnitID]fleet.Test, today fleet.Date, zone *time.Location) []Stand {
	var all []walked
	for _, l := range listed {
		if l.Outlook != nil {
			all = append(all, walk(l, last, today, zone))
		}
	}
	slices.SortFunc(all, func(a, b walked) int {
		return cmp.Or(cmp.Compare(b.Worth, a.Worth), cmp.Compare(b.spread, a.spread), cmp.Compare(b.daysSince, a.daysSince), cmp.Compare(a.Unit.ID, b.Unit.ID))
	})
	telling := 0
	for _, w := range all {
		if w.Worth > 0 {
			telling++
		}
	}
	return stands(all[:min(len(all), max(leastStops, min(mostStops, telling)))])
}

type walked struct {
	Stop
	spread    float64 // between the best and the worst case, as a loss
	daysSince fleet.Date
}

const neverTested fleet.Date = math.MaxInt16 // days

func walk(l fleet.Listed, last map[fleet.UnitID]fleet.Test, today fleet.Date, zone *time.Location) walked {
	loss := l.Outlook.NoStartCost.Or(0).Amount()
	swap := loss * swapFrom
	if cost, known := l.Forecast.SwapCost.Get(); known && loss > 0 {
		swap = cost.Amount()
	}
	if loss == 0 {
		loss, swap = 1, swapFrom
	}
	w := walked{Stop: Stop{Unit: l.Unit, Forecast: l.Forecast}, daysSince: neverTested}
	t, tested := last[l.Unit.ID]
	if tested {
		w.daysSince = max(0, today-fleet.DateOf(t.At, zone))
		w.Done = w.daysSince == 0
	}
	tells := min(1, float64(w.daysSince)/TestRepeatsAfterDays)
	if w.Done || tested && tooLow(t) {
		tells = 1
	}
	w.Worth = tells * worthKnowing(l.Outlook.ChanceIf, loss, swap)
	w.spread = tells * loss * (l.Outlook.ChanceIf[len(l.Outlook.ChanceIf)-1] - l.Outlook.ChanceIf[0])
	w.Why = why(l.Outlook.ChanceIf, t, w.daysSince)
	return w
}

func worthKnowing(chances [5]float64, loss, swap float64) float64 {
	after, now := 0.0, 0.0
	for _, p := range chances {
		gain := (p*loss - swap) / float64(len(chances))
		after += max(0, gain)
		now += gain
	}
	if worth := after - max(0, now); worth > 1e-9*swap { // else the sums differ by rounding
		return worth
	}
	return 0
}

func why(chances [5]float64, t fleet.Test, since fleet.Date) string {
	said := "never tested"
	switch {
	case since == neverTested:
	case tooLow(t):
		said = fmt.Sprintf("stood at %.2f V, too low to judge, %s ago", t.RestV.Or(0), days(since))
	case since > 0:
		said = fmt.Sprintf("last test %s ago", days(since))
	default:
		said = "tested today"
	}
	least, most := slices.Min(chances[:]), slices.Max(chances[:])
	if most-least < 0.01 || since == 0 && !tooLow(t) { // what a test can do it has done; the next list tells
		return said
	}
	return fmt.Sprintf("%s; a test can put its chance of a failed start anywhere from %.0f to %.0f %%", said, 100*least, 100*most)
}

func stands(picked []walked) []Stand {
	var all []Stand
	worth := map[fleet.Parked]float64{}
	for _, w := range picked {
		i := slices.IndexFunc(all, func(s Stand) bool { return s.Parked == w.Unit.Parked })
		if i < 0 {
			i = len(all)
			all = append(all, Stand{Parked: w.Unit.Parked})
		}
		all[i].Stops = append(all[i].Stops, w.Stop)
		worth[w.Unit.Parked] += w.Worth
	}
	slices.SortStableFunc(all, func(a, b Stand) int {
		return cmp.Or(cmp.Compare(worth[b.Parked], worth[a.Parked]), cmp.Compare(a.Parked, b.Parked))
	})
	return all
}
