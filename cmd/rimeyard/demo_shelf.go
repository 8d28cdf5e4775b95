package main

import (
	"cmp"
	"context"
	"encoding/json"
	"maps"
	"slices"
	"time"

	"rimeyard/faults"
	"rimeyard/internal/fleet"
	"rimeyard/internal/store"
)

// What lies on the demo's shelves, for as many pieces as are fitted at a depot; invented, as all of it.
const (
	demoFittedPerBattery = 10
	demoFittedPerStarter = 40
	demoOrdered          = 2 // pieces of the battery that a shelf lacks most
	demoOrderDays        = 6 // until they are there
	demoClass            = "van"
)

// shelfPart is a part number at a depot.
type shelfPart struct {
	depot fleet.DepotID
	kind  fleet.Part
	part  string
}

// demoShelves counts the shelves of the demo's depots, orders what each lacks most, and notes what one class needs. Done twice it is
// done once.
func demoShelves(ctx context.Context, db *store.DB, today fleet.Date) error {
	fitted, err := fittedAtDepots(ctx, db)
	if err != nil {
		return err
	}
	lacks := map[fleet.DepotID]shelfPart{} // of the batteries of which none lies there, the one that is fitted most
	for _, p := range slices.SortedFunc(maps.Keys(fitted), compareShelfParts) {
		pieces := fitted[p] / demoFittedPerBattery
		if p.kind == fleet.StarterPart {
			pieces = fitted[p] / demoFittedPerStarter
		}
		if pieces == 0 {
			if fitted[p] > fitted[lacks[p.depot]] && p.kind == fleet.BatteryPart {
				lacks[p.depot] = p
			}
			continue
		}
		_, err := db.CountStock(ctx, fleet.StockMove{
			Depot: p.depot, Part: p.part, Kind: p.kind, Pieces: pieces, At: today.Midnight(time.UTC), By: "mechanic", Today: today,
			Request: "demo count " + string(p.depot) + " " + p.part,
		})
		if err != nil {
			return err
		}
	}
	for _, depot := range slices.Sorted(maps.Keys(lacks)) {
		err := db.OrderPart(ctx, fleet.PartOrder{
			Depot: depot, Part: lacks[depot].part, Kind: lacks[depot].kind, Pieces: demoOrdered, OrderedOn: today, ExpectedOn: fleet.Known(today + demoOrderDays),
			By: "manager", Request: "demo order " + string(depot),
		})
		if err != nil {
			return err
		}
	}
	return demoNotes(ctx, db, today)
}

func compareShelfParts(a, b shelfPart) int {
	return cmp.Or(cmp.Compare(a.depot, b.depot), cmp.Compare(a.kind, b.kind), cmp.Compare(a.part, b.part))
}

// fittedAtDepots counts the pieces that are fitted now.
func fittedAtDepots(ctx context.Context, db *store.DB) (map[shelfPart]int, error) {
	fitted := map[shelfPart]int{}
	for h, err := range db.Histories(ctx, nil) {
		if err != nil {
			return nil, err
		}
		for _, b := range h.Batteries {
			if !b.RemovedOn.IsKnown() {
				fitted[shelfPart{h.Unit.Depot, fleet.BatteryPart, b.Part}]++
			}
		}
		for _, s := range h.Starters {
			if !s.RemovedOn.IsKnown() {
				fitted[shelfPart{h.Unit.Depot, fleet.StarterPart, s.Part}]++
			}
		}
	}
	maps.DeleteFunc(fitted, func(p shelfPart, _ int) bool { return p.part == "" })
	return fitted, nil
}

// demoNotes are what the invented fleet has written down for its job sheets.
func demoNotes(ctx context.Context, db *store.DB, today fleet.Date) error {
	notes, err := json.Marshal(faults.ClassNotes{
		Torques:    []faults.Torque{{Fastener: "starter bolts", NewtonMetres: 42}, {Fastener: "hold-down", NewtonMetres: 15}, {Fastener: "ground bolt", NewtonMetres: 20}},
		CableOrder: []string{"small brown wire to the small terminal", "thick red cable to the upper stud"},
		Fasteners:  []string{"the upper bolt is 15 mm longer"}, Reach: "below", StarterKg: fleet.Known(7.5),
	})
	if err != nil {
		return err
	}
	return db.KeepClassNote(ctx, fleet.ClassNote{Class: demoClass, Notes: notes, ChangedAt: today.Midnight(time.UTC), ChangedBy: "manager"})
}
