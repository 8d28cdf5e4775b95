// Package tides is a port and its towns: a yard of its own in every part, to hold the forecast against what its author never saw.
// Weather comes as air masses that give way to each other; batteries are acid, plates and crust, and cranking ends where diffusion
// does; starters are known by a torque curve and by how warm they are. What fails has mostly worn for many months, and is read often.
//
// Volts are per 12 V and currents are shares of the rating of all batteries, unless it says otherwise.
package tides

import (
	"context"
	"fmt"

	"golang.org/x/sync/errgroup"

	"rimeyard/internal/fleet"
	"rimeyard/internal/proving"
)

// harbour is what the units of a fleet share.
type harbour struct {
	proving.Options
	classes     []class
	depots      []depot
	skies       map[fleet.DepotID]*sky
	testers     map[fleet.DepotID][]tester
	ships       []bool // in port, by day from first
	first, from fleet.Date
	season      fleet.Season
}

// Build lets a fleet live from before its records through the season. The same options give the same fleet, whatever the workers.
func Build(ctx context.Context, o proving.Options) (proving.Fleet, error) {
	if err := o.SetDefaults(); err != nil {
		return proving.Fleet{}, fmt.Errorf("build a fleet of tides: %w", err)
	}
	h := newHarbour(o)
	units, truths := make([]*unit, o.Units), make([]proving.Truth, o.Units)
	group, ctx := errgroup.WithContext(ctx)
	group.SetLimit(o.Workers)
	for i := range units {
		group.Go(func() error {
			if err := ctx.Err(); err != nil {
				return err
			}
			units[i] = h.newUnit(i)
			truths[i] = units[i].through()
			return nil
		})
	}
	if err := group.Wait(); err != nil {
		return proving.Fleet{}, fmt.Errorf("build a fleet of tides: %w", err)
	}
	f := proving.Fleet{
		Name: fmt.Sprintf("tides-%d", o.Seed), AsOf: o.AsOf, Season: h.season,
		Temps: map[fleet.DepotID][]fleet.DayTemp{}, Truth: make(map[fleet.UnitID]proving.Truth, o.Units),
	}
	for i := range h.depots {
		p := &h.depots[i]
		f.Depots = append(f.Depots, p.Depot)
		f.Temps[p.ID] = h.skies[p.ID].days(p.ID)
	}
	for i, u := range units {
		f.Histories = append(f.Histories, u.book)
		f.Truth[u.book.Unit.ID] = truths[i]
	}
	if o.Dirt {
		h.soil(&f)
	}
	return f, nil
}

func newHarbour(o proving.Options) *harbour {
	year, month, first := o.AsOf.YMD()
	h := &harbour{
		Options: o, classes: classes(), depots: depots(), skies: map[fleet.DepotID]*sky{}, testers: map[fleet.DepotID][]tester{},
		first: fleet.NewDate(year-pastWinters, month, first), from: fleet.NewDate(year-o.Years, month, first),
		season: fleet.Season{From: o.AsOf, To: o.AsOf.AddMonths(6) - 1},
	}
	air := march(o.Seed, h.first, h.season.To)
	for i := range h.depots {
		p := &h.depots[i]
		k := newSky(o.Seed, i, p.site, air, h.first, p.Zone())
		h.skies[p.ID], h.testers[p.ID] = &k, newTesters(o.Seed, i, p)
	}
	for d := h.first; d <= h.season.To; d++ {
		h.ships = append(h.ships, shipIn(o.Seed, d))
	}
	return h
}
