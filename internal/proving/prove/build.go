package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"maps"
	"path/filepath"
	"runtime"
	"slices"
	"time"

	"rimeyard/internal/proving"
	"rimeyard/internal/proving/aside"
	"rimeyard/internal/proving/curves"
	"rimeyard/internal/proving/gravel"
	"rimeyard/internal/proving/motor"
	"rimeyard/internal/proving/plates"
	"rimeyard/internal/proving/tides"
)

// builder lets a fleet live.
type builder func(context.Context, proving.Options) (proving.Fleet, error)

var physicsNamed = map[string]builder{
	"aside":  in(aside.New, false),
	"motor":  in(motor.New, false),
	"plates": in(plates.New, false),
	"curves": in(curves.New, false),
	"tides":  tides.Build,
	"gravel": gravel.Build,

	"motor" + gradually:  in(motor.New, true),
	"plates" + gradually: in(plates.New, true),
	"curves" + gradually: in(curves.New, true),
}

// keptAside are those that the model is held against at the end only, and that teach it nothing; they must be asked for by name.
var keptAside = map[string]bool{"aside": true, "gravel": true, "tides": true}

// gradually ends the name of a physics in a yard where faults are slow and readings many.
const gradually = "-gradual"

// in lets fleets of a physics live in the yard that most share.
func in(physics func() proving.Physics, gradual bool) builder {
	return func(ctx context.Context, o proving.Options) (proving.Fleet, error) {
		o.Gradual = gradual
		return proving.Build(ctx, physics(), o)
	}
}

func physicsNames(all bool) []string {
	names := slices.Sorted(maps.Keys(physicsNamed))
	return slices.DeleteFunc(names, func(name string) bool { return keptAside[name] && !all })
}

// plan is one fleet to be built.
type plan struct {
	physics string
	seed    uint64
	dirt    bool
}

func (o options) fleets() (plans []plan) {
	for _, name := range o.physics {
		for _, seed := range o.seeds {
			for _, dirt := range o.dirt {
				plans = append(plans, plan{name, seed, dirt})
			}
		}
	}
	return plans
}

func (p plan) String() string {
	if p.dirt {
		return fmt.Sprintf("%s-%d-dirt", p.physics, p.seed)
	}
	return fmt.Sprintf("%s-%d", p.physics, p.seed)
}

// fleet builds the fleet, or reads it from the cache.
func (p plan) fleet(ctx context.Context, o options, progress io.Writer) (*proving.Fleet, error) {
	if o.cache == "" {
		return p.build(ctx, o, progress)
	}
	sources := o.sources[p.physics]
	path := filepath.Join(o.cache, fmt.Sprintf("%s-%d-units-%d-years-%d-futures", p, o.units, o.years, o.futures))
	kept, err := readKept(path, sources, o.stale)
	switch {
	case err == nil:
		return kept, nil
	case errors.Is(err, fs.ErrNotExist):
	default:
		fmt.Fprintf(progress, "%s: building it anew: %v\n", p, err)
	}
	f, err := p.build(ctx, o, progress)
	if err != nil {
		return nil, err
	}
	return f, keep(path, sources, f)
}

func (p plan) build(ctx context.Context, o options, progress io.Writer) (*proving.Fleet, error) {
	began := time.Now()
	f, err := physicsNamed[p.physics](ctx, proving.Options{
		Seed: p.seed, Units: o.units, Years: o.years, Dirt: p.dirt, Futures: o.futures, Workers: runtime.GOMAXPROCS(0),
	})
	if err != nil {
		return nil, err
	}
	f.Name = p.String()
	fmt.Fprintf(progress, "%s: built in %.0f s\n", p, time.Since(began).Seconds())
	return &f, nil
}
