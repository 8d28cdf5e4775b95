package ingest

import (
	"fmt"

	"rimeyard/internal/fleet"
)

// The kinds of file that say what was read off units, and what befell them.

const maxCrankMs = 2 * 60 * 1000 // by the contract

func testsTable() table[fleet.Test] {
	type t = fleet.Test
	battery := restSpan(12) // a test is of one battery, and every one is of 12 V, also in a 24 V system
	return table[t]{
		columns: []column[t]{
			knownUnitColumn(func(r *t) *fleet.UnitID { return &r.Unit }),
			instant[t]("tested_at"),
			whole("position", optional, 1, maxBatteries, func(r *t, v int) { r.Position = v }),
			text("battery", optional, func(r *t) *string { return &r.Battery }),
			number("rest_v", oneOf, battery, func(r *t) *fleet.Opt[float64] { return &r.RestV }),
			number("cca_a", oneOf, amps, func(r *t) *fleet.Opt[float64] { return &r.CCAA }),
			standard(optional, func(r *t) *fleet.CCAStandard { return &r.CCAStandard }),
			number("load_v", oneOf, span{0, 16, "V", hintVolts}, func(r *t) *fleet.Opt[float64] { return &r.LoadV }),
			number("load_a", optional, amps, func(r *t) *fleet.Opt[float64] { return &r.LoadA }),
			number("load_s", optional, plainly(0, 3600, "s"), func(r *t) *fleet.Opt[float64] { return &r.LoadS }),
			number("resistance_mohm", oneOf, span{0, 1000, "mΩ", "write milliohms"}, func(r *t) *fleet.Opt[float64] { return &r.ResistanceMOhm }),
			number("soc_pct", oneOf, plainly(0, 100, "%"), func(r *t) *fleet.Opt[float64] { return &r.SoCPct }),
			number("temperature_c", optional, airC, func(r *t) *fleet.Opt[float64] { return &r.TemperatureC }),
			text("tested_by", optional, func(r *t) *string { return &r.TestedBy }),
			text("tester", optional, func(r *t) *string { return &r.Tester }),
			text("note", optional, func(r *t) *string { return &r.Note }),
		},
		check: func(j *judge, r *t) (bad *flaw) {
			if r.Position == 0 {
				r.Position = 1
			}
			if r.At, bad = j.at("tested_at"); bad != nil {
				return bad
			}
			if bad = j.position(r.Position); bad != nil {
				return bad
			}
			if r.CCAA.IsKnown() && r.CCAStandard == "" {
				return &flaw{column: "cca_standard", reason: "cca_a means nothing without the standard that the tester was set to: write sae, en, din, iec or jis"}
			}
			day := fleet.DateOf(r.At, j.depot.zone)
			if r.Battery != "" && !j.unit.wasFitted(r.Battery, r.Position, day) {
				return &flaw{column: "battery", reason: fmt.Sprintf("battery %s was not fitted in unit %s at position %d on %s: correct it, leave it empty, or bring its fitting in a batteries file first", printable([]byte(r.Battery)), j.unit.ID, r.Position, day)}
			}
			return nil
		},
	}
}

func cranksTable() table[fleet.Crank] {
	type c = fleet.Crank
	volts := span{0, 32, "V", hintVolts} // of either system; which of the two is judged with the whole row
	return table[c]{
		columns: []column[c]{
			knownUnitColumn(func(r *c) *fleet.UnitID { return &r.Unit }),
			instant[c]("cranked_at"),
			number("rest_v", optional, volts, func(r *c) *fleet.Opt[float64] { return &r.RestV }),
			number("min_v", oneOf, volts, func(r *c) *fleet.Opt[float64] { return &r.MinV }),
			number("mean_v", oneOf, volts, func(r *c) *fleet.Opt[float64] { return &r.MeanV }),
			number("duration_ms", optional, span{0, maxCrankMs, "ms", "nobody cranks for longer than two minutes; write milliseconds"}, func(r *c) *fleet.Opt[float64] { return &r.DurationMs }),
			number("temperature_c", optional, airC, func(r *c) *fleet.Opt[float64] { return &r.TemperatureC }),
			number("coolant_c", optional, coolantC, func(r *c) *fleet.Opt[float64] { return &r.CoolantC }),
			number("current_a", optional, amps, func(r *c) *fleet.Opt[float64] { return &r.CurrentA }),
			number("rpm", optional, plainly(0, 5000, "rpm"), func(r *c) *fleet.Opt[float64] { return &r.RPM }),
			word("outcome", optional, func(r *c) *fleet.Outcome { return &r.Outcome }, fleet.Started, fleet.Slow, fleet.NoCrank, fleet.NoStart),
		},
		check: func(j *judge, r *c) (bad *flaw) {
			if r.Outcome == "" {
				r.Outcome = fleet.Started
			}
			if r.At, bad = j.at("cranked_at"); bad != nil {
				return bad
			}
			return crankVolts(r, restSpan(j.unit.SystemVolts))
		},
	}
}

// crankVolts holds a crank's volts against the system's and against each other.
func crankVolts(r *fleet.Crank, system span) *flaw {
	lowest, lowestKnown := r.MinV.Get()
	mean, meanKnown := r.MeanV.Get()
	rest, restKnown := r.RestV.Get()
	if restKnown {
		if err := system.judge(rest); err != nil {
			return &flaw{column: "rest_v", reason: err.Error()}
		}
	}
	const order = "volts fall while cranking, so min_v ≤ mean_v ≤ rest_v: correct the one that is wrong, or see whether columns were swapped"
	switch {
	case lowestKnown && lowest > system.high:
		return &flaw{column: "min_v", reason: fmt.Sprintf("%s V is more than this system can show: %s", plain(lowest), hintVolts)}
	case meanKnown && mean > system.high:
		return &flaw{column: "mean_v", reason: fmt.Sprintf("%s V is more than this system can show: %s", plain(mean), hintVolts)}
	case lowestKnown && meanKnown && lowest > mean:
		return &flaw{column: "min_v", reason: fmt.Sprintf("min_v is above mean_v (%s): %s", plain(mean), order)}
	case meanKnown && restKnown && mean > rest:
		return &flaw{column: "mean_v", reason: fmt.Sprintf("mean_v is above rest_v (%s): %s", plain(rest), order)}
	case lowestKnown && restKnown && lowest > rest:
		return &flaw{column: "min_v", reason: fmt.Sprintf("min_v is above rest_v (%s): %s", plain(rest), order)}
	}
	return nil
}

func breakdownsTable() table[fleet.Breakdown] {
	type b = fleet.Breakdown
	return table[b]{
		columns: []column[b]{
			knownUnitColumn(func(r *b) *fleet.UnitID { return &r.Unit }),
			instant[b]("happened_at"),
			word("cause", required, func(r *b) *fleet.Part { return &r.Cause },
				fleet.BatteryPart, fleet.StarterPart, fleet.CablePart, fleet.ControlPart, fleet.ChargingPart, fleet.OtherPart),
			amount("cost", func(r *b) *fleet.Opt[fleet.Money] { return &r.Cost }),
			number("hours_down", optional, plainly(0, 100_000, "hours"), func(r *b) *fleet.Opt[float64] { return &r.HoursDown }),
		},
		check: func(j *judge, r *b) (bad *flaw) {
			r.At, bad = j.at("happened_at")
			return bad
		},
	}
}

func temperaturesTable() table[fleet.DayTemp] {
	type d = fleet.DayTemp
	return table[d]{
		columns: []column[d]{
			knownDepotColumn(func(r *d) *fleet.DepotID { return &r.Depot }),
			{name: "date", need: required, want: wantDate, set: func(_ *judge, s []byte, r *d) (err error) {
				r.Date, err = parseDate(s)
				return err
			}},
			number("min_c", oneOf, airC, func(r *d) *fleet.Opt[float64] { return &r.MinC }),
			number("max_c", oneOf, airC, func(r *d) *fleet.Opt[float64] { return &r.MaxC }),
		},
		check: func(_ *judge, r *d) *flaw {
			low, lowKnown := r.MinC.Get()
			high, highKnown := r.MaxC.Get()
			if lowKnown && highKnown && low > high {
				return &flaw{column: "min_c", reason: fmt.Sprintf("the day's lowest is above its highest (%s °C): correct the one that is wrong", plain(high))}
			}
			return nil
		},
	}
}

// parserOf is a fresh parser of a kind.
func parserOf(kind fleet.Kind) parser {
	switch kind {
	case fleet.DepotsKind:
		return newParser(depotsTable())
	case fleet.VehiclesKind:
		return newParser(vehiclesTable())
	case fleet.BatteriesKind:
		return newParser(batteriesTable())
	case fleet.StartersKind:
		return newParser(startersTable())
	case fleet.TestsKind:
		return newParser(testsTable())
	case fleet.CranksKind:
		return newParser(cranksTable())
	case fleet.BreakdownsKind:
		return newParser(breakdownsTable())
	default:
		return newParser(temperaturesTable())
	}
}
