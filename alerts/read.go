package alerts

import (
	"cmp"
	"context"
	"fmt"
	"slices"

	"golang.org/x/sync/errgroup"

	"rimeyard/internal/fleet"
	"rimeyard/trend"
)

// judgeEach reads the fleet, learns from it, and gives back what work makes of each unit, by the files. Work is called from several
// goroutines; it may look at all that is known of the unit and its depot and at what was learned, but not at prices, which are known once all
// units are read.
//
// Of a fleet larger than what teaches, only the weekly rows of those that teach are kept. The others are judged as they are read, by what
// another list learned, and let go. If the fleet turns out to teach otherwise, it learns, and they are read and judged once more.
func judgeEach[T any](ctx context.Context, f *judged, in Input, work func(one *file) T) ([]T, error) {
	r := &reader[T]{f: f, in: in, work: func(one *file) T { return work(f.owned(one)) }}
	if in.Again != nil && len(in.Units) > 0 {
		r.teach = trend.Teachers(in.Units)
	}
	if in.Kept != nil {
		f.params = in.Kept.Params
	}
	if err := r.read(ctx); err != nil {
		return nil, err
	}
	if !f.isTaught(in.Kept) {
		clear(r.done)
		if err := r.again(ctx, trend.WantRows(f.tracks()), func(int) {}); err != nil { // should units have come or gone meanwhile
			return nil, err
		}
		if err := f.learn(ctx, in.Workers); err != nil {
			return nil, err
		}
	}
	if err := r.rest(ctx); err != nil {
		return nil, err
	}
	return r.out, nil
}

// isTaught gathers what the fleet has in common but for what is learned, and tells whether what is kept stands in for that: whether the same
// would come out.
func (f *judged) isTaught(kept *Learned) bool {
	all := make([]paid, len(f.files))
	for i := range f.files {
		all[i] = f.files[i].paid
	}
	f.prices = gatherPrices(all)
	f.of = trend.Fingerprint(f.tracks(), f.weather)
	if kept == nil || kept.Of != f.of {
		return false
	}
	f.params = kept.Params
	return true
}

// owned is the file with those readings alone that are the unit's own.
func (f *judged) owned(one *file) *file {
	own := *one
	own.track = one.track.Owned(f.params)
	return &own
}

func (f *judged) learn(ctx context.Context, workers int) (err error) {
	f.params, err = trend.Learn(ctx, f.tracks(), f.weather, workers)
	return err
}

func (f *judged) tracks() []trend.Track {
	tracks := make([]trend.Track, len(f.files))
	for i := range f.files {
		tracks[i] = f.files[i].track
	}
	return tracks
}

// reader reads the histories of a fleet and has each unit judged.
type reader[T any] struct {
	f     *judged
	in    Input
	work  func(one *file) T
	teach map[fleet.UnitID]bool // nil: the rows of all are kept
	out   []T                   // by f.files
	done  []bool                // what was judged with what is learned
}

// unitRead is a unit on its way to the files.
type unitRead[T any] struct {
	file
	out  T
	done bool
}

// read compresses histories as they come, and puts them in order.
func (r *reader[T]) read(ctx context.Context) error {
	var all []*unitRead[T]
	err := r.each(ctx, r.in.Histories, func(h fleet.History) func() {
		one := &unitRead[T]{file: r.f.newFile(h)}
		all = append(all, one)
		if r.in.Progress != nil {
			r.in.Progress(len(all))
		}
		letGo := r.teach != nil && !r.teach[h.Unit.ID]
		_, ready := r.f.winters[one.depot.ID]
		return func() {
			one.readFrom(h, r.f)
			if !letGo {
				return
			}
			if r.in.Kept != nil && ready {
				one.out, one.done = r.work(&one.file), true
			}
			one.track.LetGo()
		}
	})
	if err != nil {
		return err
	}
	slices.SortFunc(all, func(a, b *unitRead[T]) int { return cmp.Compare(a.unit.ID, b.unit.ID) })
	r.f.files, r.out, r.done = make([]file, len(all)), make([]T, len(all)), make([]bool, len(all))
	for i, one := range all {
		r.f.files[i], r.out[i], r.done[i] = one.file, one.out, one.done
		all[i] = nil                                          // so that it is not there twice
		if d := one.depot; r.f.winters[d.ID].winters == nil { // one that was not given
			r.f.winters[d.ID] = r.f.wintersOf(d)
		}
	}
	return nil
}

// each lets several goroutines do what one makes of each history. The one is called for one history after the other.
func (r *reader[T]) each(ctx context.Context, histories func(yield func(fleet.History, error) bool), one func(h fleet.History) func()) error {
	group, ctx := errgroup.WithContext(ctx)
	group.SetLimit(max(1, r.in.Workers))
	for h, err := range histories {
		if err = cmp.Or(err, ctx.Err()); err != nil {
			return cmp.Or(group.Wait(), err)
		}
		do := one(h)
		group.Go(func() error {
			do()
			return nil
		})
	}
	return group.Wait()
}

func (f *judged) newFile(h fleet.History) file {
	depot, known := f.depots[h.Unit.Depot]
	if !known {
		depot.ID = h.Unit.Depot
	}
	return file{unit: h.Unit, depot: depot}
}

// rest judges what is not judged yet: those whose rows are kept, then those that were let go, which are read once more.
func (r *reader[T]) rest(ctx context.Context) error {
	var gone []int
	group, groupCtx := errgroup.WithContext(ctx)
	group.SetLimit(max(1, r.in.Workers))
	for i := range r.f.files {
		switch one := &r.f.files[i]; {
		case r.done[i]:
		case one.track.IsLetGo():
			gone = append(gone, i)
		default:
			group.Go(func() error {
				r.out[i] = r.work(one)
				return groupCtx.Err()
			})
		}
	}
	if err := group.Wait(); err != nil {
		return err
	}
	return r.again(ctx, gone, func(i int) {
		r.out[i] = r.work(&r.f.files[i])
		r.f.files[i].track.LetGo()
	})
}

// again reads the units at these places once more and does something with each, from several goroutines.
func (r *reader[T]) again(ctx context.Context, places []int, do func(i int)) error {
	if len(places) == 0 {
		return nil
	}
	units, place := make([]fleet.Unit, len(places)), map[fleet.UnitID]int{}
	for k, i := range places {
		units[k] = r.f.files[i].unit
		place[units[k].ID] = i
	}
	err := r.each(ctx, r.in.Again(units), func(h fleet.History) func() {
		i, wanted := place[h.Unit.ID]
		if !wanted {
			return func() {}
		}
		delete(place, h.Unit.ID)
		return func() {
			one := &r.f.files[i]
			h.Unit = one.unit
			one.readFrom(h, r.f)
			do(i)
		}
	})
	if err != nil {
		return err
	}
	for missing := range place {
		return fmt.Errorf("unit %s went while the fleet was read: judge it again", missing)
	}
	return nil
}
