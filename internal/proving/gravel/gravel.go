// Package gravel is a yard of its own: municipal and quarry vehicles inland, built as a reliability engineer would build them.
//
// Each part has a latent wear, a monotone inverse-Gaussian process with a pace of the unit's own, driven by heat, starts, brine and
// vibration. A crank is no circuit: it is read off response surfaces over temperature, wear and charge, of which strength and
// stress meet by night. What is logged is read off further surfaces of the two. Weather is two harmonics of the year, a chain with
// memory and heavy tails, and a level that a year's depots share. Workshop, loggers and testers are this package's as well.
//
// Where a figure has a source it is named beside it; the others are common practice, no source.
package gravel

import (
	"context"
	"fmt"
	"math"

	"golang.org/x/sync/errgroup"

	"rimeyard/internal/fleet"
	"rimeyard/internal/proving"
)

const (
	pastWinters = 14   // of temperatures that are published, and among which futures are drawn
	oldestYears = 13.0 // that a unit may have lived before the records begin
)

// yard is what the units of a fleet share.
type yard struct {
	proving.Options
	sites   []site
	skies   []sky
	testers [][]tester // by site
	from    fleet.Date // of the records
	season  fleet.Season
}

// Build lets a fleet live from its units' first days through the season. The same options give the same fleet, whatever the workers.
func Build(ctx context.Context, o proving.Options) (proving.Fleet, error) {
	if err := o.SetDefaults(); err != nil {
		return proving.Fleet{}, fmt.Errorf("build a fleet of gravel: %w", err)
	}
	y := newYard(o)
	units := make([]*unit, o.Units)
	truths := make([]proving.Truth, o.Units)
	group, ctx := errgroup.WithContext(ctx)
	group.SetLimit(o.Workers)
	for i := range units {
		group.Go(func() error {
			if err := ctx.Err(); err != nil {
				return err
			}
			units[i] = y.newUnit(i)
			truths[i] = units[i].through()
			return nil
		})
	}
	if err := group.Wait(); err != nil {
		return proving.Fleet{}, fmt.Errorf("build a fleet of gravel: %w", err)
	}
	f := proving.Fleet{
		Name: fmt.Sprintf("gravel-%d", o.Seed), AsOf: o.AsOf, Season: y.season,
		Temps: map[fleet.DepotID][]fleet.DayTemp{}, Truth: make(map[fleet.UnitID]proving.Truth, o.Units),
	}
	year, month, day := o.AsOf.YMD()
	published := fleet.NewDate(year-pastWinters, month, day)
	for i, s := range y.sites {
		f.Depots = append(f.Depots, s.depot)
		f.Temps[s.depot.ID] = y.skies[i].rows(s.depot.ID, published)
	}
	for i, u := range units {
		f.Histories = append(f.Histories, u.book)
		f.Truth[u.book.Unit.ID] = truths[i]
	}
	if o.Dirt {
		y.soil(&f)
	}
	return f, nil
}

func newYard(o proving.Options) *yard {
	year, month, day := o.AsOf.YMD()
	y := &yard{
		Options: o, sites: sites(), from: fleet.NewDate(year-o.Years, month, day),
		season: fleet.Season{From: o.AsOf, To: o.AsOf.AddMonths(6) - 1},
	}
	first := min(y.from-fleet.Date(math.Ceil(365.25*oldestYears)), fleet.NewDate(year-pastWinters, month, day)) - 1
	days := int(y.season.To-first) + 1
	air := newRegion(stream(o.Seed, "region", 0), first, days)
	for i := range y.sites {
		s := &y.sites[i]
		y.skies = append(y.skies, newSky(stream(o.Seed, "sky", i), s, air, first, days))
		y.testers = append(y.testers, newTesters(stream(o.Seed, "testers", i), s))
	}
	return y
}
