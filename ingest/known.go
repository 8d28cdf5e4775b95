package ingest

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"
	"unicode/utf8"

	"rimeyard/internal/fleet"
)

// known is what rows may refer to: the depots, units and batteries that are there already.
type known struct {
	depots map[string]*knownDepot
	units  map[string]*knownUnit
}

type knownDepot struct {
	fleet.Depot
	zone *time.Location
}

type knownUnit struct {
	fleet.Unit
	depot     *knownDepot
	batteries []fleet.BatteryFitting
}

// wasFitted tells whether the battery was in this place on day d.
func (u *knownUnit) wasFitted(battery string, position int, d fleet.Date) bool {
	for _, f := range u.batteries {
		if f.Battery == battery && f.Position == position && f.FittedAt(d) {
			return true
		}
	}
	return false
}

// learn reads these units, nil: all, before depots, because others bring both meanwhile: the depot of a unit that is there is there too.
func learn(ctx context.Context, l Load, of []fleet.UnitID) (*known, error) {
	if of != nil { // no number of a unit is no text, and no store takes it as one
		of = slices.DeleteFunc(slices.Clone(of), func(u fleet.UnitID) bool {
			return !utf8.ValidString(string(u)) || strings.ContainsRune(string(u), 0)
		})
	}
	units, err := l.Units(ctx, of)
	if err != nil {
		return nil, fmt.Errorf("read what is known: %w", err)
	}
	depots, err := l.Depots(ctx)
	if err != nil {
		return nil, fmt.Errorf("read what is known: %w", err)
	}
	fittings, err := l.BatteryFittings(ctx, of)
	if err != nil {
		return nil, fmt.Errorf("read what is known: %w", err)
	}
	k := &known{make(map[string]*knownDepot, len(depots)), make(map[string]*knownUnit, len(units))}
	for _, d := range depots {
		k.depots[string(d.ID)] = &knownDepot{d, d.Zone()}
	}
	for _, u := range units {
		depot := k.depots[string(u.Depot)]
		if depot == nil {
			return nil, fmt.Errorf("read what is known: unit %s stands at depot %s, which is not there", u.ID, u.Depot)
		}
		k.units[string(u.ID)] = &knownUnit{Unit: u, depot: depot}
	}
	for _, f := range fittings {
		if u := k.units[string(f.Unit)]; u != nil {
			u.batteries = append(u.batteries, f)
		}
	}
	return k, nil
}
