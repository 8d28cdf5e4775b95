package alerts

import (
	"cmp"
	"context"
	"fmt"
	"slices"

	"rimeyard/internal/fleet"
	"rimeyard/trend"
)

// Night is one unit's chance of a failed start after one night, and what can be done before it is parked.
type Night struct {
	Unit               fleet.UnitID       `json:"unit"`
	Depot              fleet.DepotID      `json:"depot"`
	LowC               float64            `json:"low_c"` // tonight's, at the depot
	ColdLimitC         float64            `json:"cold_limit_c"`
	NoStartProbability float64            `json:"no_start_probability"` // of the start that follows the night
	Suspect            fleet.Part         `json:"suspect"`
	Steps              []Step             `json:"steps"`        // what helps, least work first; empty: nothing need be done, or nothing is known to help
	FreezesAtC         fleet.Opt[float64] `json:"freezes_at_c"` // the battery's electrolyte, as it is charged
	MayFreeze          bool               `json:"may_freeze"`   // tonight
}

// Step is one thing to do before parking, and the chance of a failed start that it leaves.
type Step struct {
	Remedy             fleet.Remedy `json:"remedy"`
	NoStartProbability float64      `json:"no_start_probability"`
}

// From these chances on a unit is doubtful tonight, or will probably not start.
const (
	DoubtfulFrom    = 0.10
	ProbablyNotFrom = 0.50
)

const (
	hallC     = 5.0 // in a closed hall without heating, at the least (common practice, no source)
	worthStep = 2.0 / 3
	// freezeMarginC allows for a charge that is read a little too high.
	freezeMarginC = 2.0
)

// Tonight holds every unit of the depots in lowC against the coming night's low, likeliest to fail first. The unit is taken to be started
// in the morning.
func Tonight(ctx context.Context, in Input, lowC map[fleet.DepotID]float64) ([]Night, error) {
	f := newJudged(in)
	judged, err := judgeEach(ctx, f, in, func(one *file) *Night {
		low, asked := lowC[one.depot.ID]
		if !asked {
			return nil
		}
		s := trend.Estimate(one.track, f.params)
		o := f.tonight(one, s)
		shares := blame(s)
		n := NightOf(fleet.Listed{
			Unit: one.unit, Outlook: &o,
			Forecast: fleet.Forecast{Unit: one.unit.ID, Depot: one.depot.ID, ColdLimitC: fleet.Known(round(s.ColdLimitC, 1)), Suspect: worst(shares), SuspectProbabilities: shares},
		}, low)
		return &n
	})
	if err != nil {
		return nil, fmt.Errorf("judge tonight's starts as of %s: %w", in.AsOf, err)
	}
	var nights []Night
	for _, n := range judged {
		if n != nil {
			nights = append(nights, *n)
		}
	}
	SortNights(nights)
	return nights, nil
}

// SortNights puts the likeliest to fail first.
func SortNights(nights []Night) {
	slices.SortFunc(nights, func(a, b Night) int {
		return cmp.Or(cmp.Compare(b.NoStartProbability, a.NoStartProbability), cmp.Compare(a.Unit, b.Unit))
	})
}

// NightOf holds one line of a list, which must have its outlook, against a night's low.
func NightOf(l fleet.Listed, lowC float64) Night {
	o, f := l.Outlook, l.Forecast
	n := Night{
		Unit: f.Unit, Depot: f.Depot, LowC: lowC, ColdLimitC: f.ColdLimitC.Or(o.Night.LimitC), Suspect: f.Suspect,
		NoStartProbability: round(trend.MorningAt(o.Night, lowC), 4), FreezesAtC: o.FreezesAtC, Steps: []Step{},
	}
	if at, known := o.FreezesAtC.Get(); known && l.Unit.Parked != fleet.Indoors {
		n.MayFreeze = lowC <= at+freezeMarginC
	}
	if n.NoStartProbability < DoubtfulFrom && !n.MayFreeze {
		return n
	}
	for _, remedy := range remedies(l) {
		p := round(after(o, remedy, lowC), 4)
		if p <= worthStep*n.NoStartProbability || (n.MayFreeze && remedy == fleet.Charge) {
			n.Steps = append(n.Steps, Step{remedy, p})
		}
	}
	return n
}

// remedies are those that may help a unit, least work first: what tonight allows, then the part that is suspected.
func remedies(l fleet.Listed) (all []fleet.Remedy) {
	if l.Unit.Parked != fleet.PluggedIn && l.Unit.Parked != fleet.Indoors {
		all = append(all, fleet.PlugIn)
	}
	if l.Unit.Parked != fleet.Indoors {
		all = append(all, fleet.ParkIndoors)
	}
	all = append(all, fleet.Charge)
	switch l.Forecast.Suspect {
	case fleet.BatteryPart:
		all = append(all, fleet.RenewBattery)
	case fleet.StarterPart:
		all = append(all, fleet.RenewStarter)
	case fleet.CablePart:
		all = append(all, fleet.CleanContacts)
	}
	return all
}

// after is the chance that a remedy leaves.
func after(o *fleet.Outlook, remedy fleet.Remedy, lowC float64) float64 {
	if remedy == fleet.ParkIndoors {
		return trend.MorningAt(o.Night, max(lowC, hallC))
	}
	relieved := o.Night
	relieved.LimitC -= o.Relief[remedy]
	return trend.MorningAt(relieved, lowC)
}
