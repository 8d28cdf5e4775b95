package ingest

import (
	"fmt"
	"time"

	"rimeyard/internal/fleet"
)

// The kinds of file that say what the fleet consists of.

const (
	maxMonths    = 1200 // of warranty
	maxBatteries = 16
)

func depotsTable() table[fleet.Depot] {
	type d = fleet.Depot
	return table[d]{
		columns: []column[d]{
			key("depot", func(r *d) *string { return (*string)(&r.ID) }),
			text("name", required, func(r *d) *string { return &r.Name }),
			{name: "timezone", need: required, want: "an IANA name like Europe/Oslo", set: func(_ *judge, s []byte, r *d) error {
				r.Timezone = string(s)
				if _, err := time.LoadLocation(r.Timezone); err != nil || r.Timezone == "Local" {
					return fmt.Errorf("no time zone of this name is known: write its IANA name, like Europe/Oslo")
				}
				return nil
			}},
			number("latitude", optional, plainly(-90, 90, "degrees"), func(r *d) *fleet.Opt[float64] { return &r.Latitude }),
			number("longitude", optional, plainly(-180, 180, "degrees"), func(r *d) *fleet.Opt[float64] { return &r.Longitude }),
			number("elevation_m", optional, plainly(-500, 9000, "m"), func(r *d) *fleet.Opt[float64] { return &r.ElevationM }),
			optWhole("swaps_per_week", 0, 100_000, func(r *d) *fleet.Opt[int] { return &r.SwapsPerWeek }),
			text("cost_centre", optional, func(r *d) *string { return &r.CostCentre }),
		},
		check: func(j *judge, r *d) *flaw {
			j.depot = &knownDepot{Depot: *r}
			if err := j.mayTake(); err != nil {
				return &flaw{column: "depot", reason: err.Error()}
			}
			return nil
		},
	}
}

func vehiclesTable() table[fleet.Unit] {
	type u = fleet.Unit
	return table[u]{
		columns: []column[u]{
			key("unit", func(r *u) *string { return (*string)(&r.ID) }),
			knownDepotColumn(func(r *u) *fleet.DepotID { return &r.Depot }),
			text("class", required, func(r *u) *string { return &r.Class }),
			word("fuel", required, func(r *u) *fleet.Fuel { return &r.Fuel }, fleet.Petrol, fleet.Diesel),
			number("engine_litres", optional, plainly(0, 100, "litres"), func(r *u) *fleet.Opt[float64] { return &r.EngineLitres }),
			{name: "system_volts", need: required, want: "12 or 24", words: []string{"12", "24"}, set: func(_ *judge, s []byte, r *u) error {
				v, err := parseWhole(s)
				if err != nil || v != 12 && v != 24 {
					return fmt.Errorf("want 12 or 24")
				}
				r.SystemVolts = v
				return nil
			}},
			whole("batteries", required, 1, maxBatteries, func(r *u, v int) { r.Batteries = v }),
			word("gearbox", optional, func(r *u) *fleet.Gearbox { return &r.Gearbox }, fleet.Automatic, fleet.Manual),
			word("parked", optional, func(r *u) *fleet.Parked { return &r.Parked }, fleet.Indoors, fleet.Outdoors, fleet.PluggedIn),
			date("in_service_on", func(r *u) *fleet.Opt[fleet.Date] { return &r.InServiceOn }),
			amount("no_start_cost", func(r *u) *fleet.Opt[fleet.Money] { return &r.NoStartCost }),
			text("vin", optional, func(r *u) *string { return &r.VIN }),
			number("starts_per_day", optional, plainly(0, 1000, "starts"), func(r *u) *fleet.Opt[float64] { return &r.StartsPerDay }),
			optWhole("criticality", 1, 5, func(r *u) *fleet.Opt[int] { return &r.Criticality }),
		},
		check: func(j *judge, r *u) *flaw {
			if there := j.known.units[string(r.ID)]; there != nil {
				j.depot = there.depot
				if err := j.mayTake(); err != nil {
					return &flaw{column: "unit", reason: err.Error()}
				}
			}
			if r.Parked == "" {
				r.Parked = fleet.Outdoors
			}
			return nil
		},
	}
}

func batteriesTable() table[fleet.BatteryFitting] {
	type f = fleet.BatteryFitting
	return table[f]{
		columns: []column[f]{
			knownUnitColumn(func(r *f) *fleet.UnitID { return &r.Unit }),
			key("battery", func(r *f) *string { return &r.Battery }),
			whole("position", required, 1, maxBatteries, func(r *f, v int) { r.Position = v }),
			text("part", required, func(r *f) *string { return &r.Part }),
			word("chemistry", required, func(r *f) *fleet.Chemistry { return &r.Chemistry }, fleet.Flooded, fleet.EFB, fleet.AGM, fleet.Gel),
			{name: "rated_cca_a", need: required, want: "a number, 1 to 5000 A", set: func(j *judge, s []byte, r *f) (err error) {
				if r.RatedCCAA, err = parseDecimal(s, j.comma); err != nil {
					return err
				}
				return span{1, 5000, "A", "write the amperes on the label"}.judge(r.RatedCCAA)
			}},
			standard(required, func(r *f) *fleet.CCAStandard { return &r.CCAStandard }),
			number("rated_ah", optional, plainly(0, 5000, "Ah"), func(r *f) *fleet.Opt[float64] { return &r.RatedAh }),
			date("made_on", func(r *f) *fleet.Opt[fleet.Date] { return &r.MadeOn }),
			date("fitted_on", func(r *f) *fleet.Opt[fleet.Date] { return &r.FittedOn }),
			date("removed_on", func(r *f) *fleet.Opt[fleet.Date] { return &r.RemovedOn }),
			removal(func(r *f) *fleet.Removal { return &r.RemovedBecause }),
			amount("price", func(r *f) *fleet.Opt[fleet.Money] { return &r.Price }),
			amount("core_deposit", func(r *f) *fleet.Opt[fleet.Money] { return &r.CoreDeposit }),
			date("core_returned_on", func(r *f) *fleet.Opt[fleet.Date] { return &r.CoreReturnedOn }),
			optWhole("free_months", 0, maxMonths, func(r *f) *fleet.Opt[int] { return &r.FreeMonths }),
			optWhole("prorata_months", 0, maxMonths, func(r *f) *fleet.Opt[int] { return &r.ProrataMonths }),
		},
		check: func(j *judge, r *f) *flaw {
			if bad := j.position(r.Position); bad != nil {
				return bad
			}
			return endsAfterStart(r.FittedOn, r.RemovedOn)
		},
	}
}

func startersTable() table[fleet.StarterFitting] {
	type f = fleet.StarterFitting
	return table[f]{
		columns: []column[f]{
			knownUnitColumn(func(r *f) *fleet.UnitID { return &r.Unit }),
			key("starter", func(r *f) *string { return &r.Starter }),
			text("part", required, func(r *f) *string { return &r.Part }),
			date("fitted_on", func(r *f) *fleet.Opt[fleet.Date] { return &r.FittedOn }),
			date("removed_on", func(r *f) *fleet.Opt[fleet.Date] { return &r.RemovedOn }),
			removal(func(r *f) *fleet.Removal { return &r.RemovedBecause }),
			amount("price", func(r *f) *fleet.Opt[fleet.Money] { return &r.Price }),
			amount("core_deposit", func(r *f) *fleet.Opt[fleet.Money] { return &r.CoreDeposit }),
			date("core_returned_on", func(r *f) *fleet.Opt[fleet.Date] { return &r.CoreReturnedOn }),
			optWhole("free_months", 0, maxMonths, func(r *f) *fleet.Opt[int] { return &r.FreeMonths }),
		},
		check: func(_ *judge, r *f) *flaw { return endsAfterStart(r.FittedOn, r.RemovedOn) },
	}
}

func (j *judge) position(position int) *flaw {
	if position <= j.unit.Batteries {
		return nil
	}
	return &flaw{column: "position", reason: fmt.Sprintf("unit %s has %d batteries, so there is no position %d: correct it, or the unit's batteries", j.unit.ID, j.unit.Batteries, position)}
}

func endsAfterStart(fitted, removed fleet.Opt[fleet.Date]) *flaw {
	from, fromKnown := fitted.Get()
	to, toKnown := removed.Get()
	if fromKnown && toKnown && to < from {
		return &flaw{column: "removed_on", reason: fmt.Sprintf("it was removed before it was fitted (%s): correct one of the two dates", from)}
	}
	return nil
}
