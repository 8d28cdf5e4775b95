package alerts

import (
	"context"
	"encoding/json"
	"fmt"
	"math"

	"rimeyard/internal/fleet"
	"rimeyard/trend"
)

// Issued is a ranked list with what is kept beside it: how each unit's chances run on, and what was learned from the fleet.
type Issued struct {
	List     fleet.RankedList
	Outlooks []fleet.Outlook // by unit
	Learned  Learned
}

// Issue is [Rank] with outlooks and what was learned.
func Issue(ctx context.Context, in Input) (Issued, error) {
	f := newJudged(in)
	list, outlooks, err := rankEach(ctx, f, in, f.unpriced)
	if err != nil {
		return Issued{}, fmt.Errorf("rank units as of %s: %w", in.AsOf, err)
	}
	for i := range outlooks {
		f.priceOutlook(&f.files[i], &outlooks[i])
	}
	return Issued{List: list, Outlooks: outlooks, Learned: Learned{Of: f.of, Params: f.params, Prices: f.prices}}, nil
}

// Learned is what judging one unit needs of the whole fleet. It outlives the program as JSON, which gives the same judgements back.
type Learned struct {
	Of     string // the trend.Fingerprint of what Params were learned from
	Params trend.Params
	Prices prices
}

// ReadLearned reads what json.Marshal made of a Learned.
func ReadLearned(b []byte) (Learned, error) {
	var l Learned
	if err := json.Unmarshal(b, &l); err != nil {
		return Learned{}, fmt.Errorf("read what was learned from the fleet: %w", err)
	}
	return l, nil
}

// Judge judges single units by what was learned from the fleet, any number of them at a time. It costs milliseconds.
type Judge struct{ f *judged }

// NewJudge makes ready for units as they are known when AsOf begins. Of in it reads the depots and their temperatures.
func NewJudge(l Learned, in Input) *Judge {
	f := newJudged(in)
	f.params, f.prices = l.Params, l.Prices
	return &Judge{f}
}

// Judgement is all that is said of one unit.
type Judgement struct {
	AsOf     fleet.Date
	Forecast fleet.Forecast // without a rank
	Outlook  fleet.Outlook
	Months   []Month
	Weeks    []WeekAhead
	Strength Strength
	Change   Change
}

// Strength is the battery's conductance as a share of a new one's, as tests and cranks together show it, with its 80 % interval.
type Strength struct{ Now, P10, P90 float64 }

// Unit judges a unit from its whole history; nothing dated on the judge's AsOf or later is looked at. Change tells what readings since a
// day have changed.
func (j *Judge) Unit(h fleet.History, since fleet.Date) (Judgement, error) {
	one, state, err := j.state(h)
	if err != nil {
		return Judgement{}, err
	}
	w := j.f.winters[one.depot.ID]
	out := Judgement{AsOf: j.f.asOf, Forecast: j.f.forecast(one, state), Months: j.f.months(state, w), Weeks: j.f.weeksAhead(state, w), Strength: strengthOf(state)}
	out.Outlook = j.f.outlook(one, state, out.Forecast)
	out.Change, err = j.since(h, since, one.depot)
	return out, err
}

// strengthOf turns wear, the logarithm of resistance over a new battery's, into conductance.
func strengthOf(s trend.State) Strength {
	const z80 = 1.2815515655446004
	at := func(z float64) float64 { return round(math.Exp(-s.Wear-z*s.WearSD), 3) }
	return Strength{Now: at(0), P10: at(z80), P90: at(-z80)}
}

func (j *Judge) state(h fleet.History) (*file, trend.State, error) {
	depot, known := j.f.depots[h.Unit.Depot]
	if !known {
		return nil, trend.State{}, fmt.Errorf("judge unit %s: its depot %q is not among those given", h.Unit.ID, h.Unit.Depot)
	}
	one := &file{unit: h.Unit, depot: depot}
	one.readFrom(h, j.f)
	one = j.f.owned(one)
	return one, trend.Estimate(one.track, j.f.params), nil
}
