package alerts

import (
	"context"
	"fmt"
	"slices"

	"rimeyard/internal/fleet"
	"rimeyard/trend"
)

// Fleet is a fleet of which all histories are read and compressed, for benchmarks of what comes after.
type Fleet struct{ f *judged }

// ReadFleet reads histories and learns from them.
func ReadFleet(ctx context.Context, in Input) (Fleet, error) {
	f := newJudged(in)
	r := reader[struct{}]{f: f, in: in}
	if err := r.read(ctx); err != nil {
		return Fleet{}, err
	}
	f.isTaught(nil)
	return Fleet{f}, f.learn(ctx, in.Workers)
}

// Times makes the fleet n times as large; each copy of a unit has a key of its own.
func (b Fleet) Times(n int) Fleet {
	f := *b.f
	f.files = nil
	for _, one := range b.f.files {
		key := one.unit.ID
		for i := range n {
			one.unit.ID = fleet.UnitID(fmt.Sprintf("%s/%03d", key, i))
			one.track.Unit = one.unit.ID
			f.files = append(f.files, one)
		}
	}
	return Fleet{&f}
}

// Refit learns from the fleet's weekly rows anew and makes its list.
func (b Fleet) Refit(ctx context.Context, workers int) (fleet.RankedList, error) {
	b.f.isTaught(nil)
	if err := b.f.learn(ctx, workers); err != nil {
		return fleet.RankedList{}, err
	}
	n := len(b.f.files)
	r := reader[undated]{f: b.f, in: Input{Workers: workers}, out: make([]undated, n), done: make([]bool, n)}
	r.work = func(one *file) undated { return b.f.undated(one, trend.Estimate(one.track, b.f.params)) }
	err := r.rest(ctx)
	return b.f.list(n, func(i int) *undated { return &r.out[i] }), err
}

// Again judges one unit anew from its whole history.
func (b Fleet) Again(h fleet.History) fleet.Forecast {
	i := slices.IndexFunc(b.f.files, func(one file) bool { return one.unit.ID == h.Unit.ID })
	one := b.f.files[i]
	one.readFrom(h, b.f)
	return b.f.forecast(&one, trend.Estimate(one.track, b.f.params))
}
