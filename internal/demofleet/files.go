package demofleet

import (
	"bufio"
	"encoding/csv"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"time"

	"rimeyard/internal/fleet"
)

// table is one interchange file: rows in the order of their keys, times in the depot's offset.
type table struct {
	kind   fleet.Kind
	header string
	rows   [][]string
}

func (y yard) writeFiles(dir string, o Options) error {
	tables := y.tables(o)
	spoil(tables, o)
	for _, t := range tables {
		t.sort()
		if err := t.write(dir); err != nil {
			return err
		}
	}
	return nil
}

func (t table) write(dir string) (err error) {
	f, err := os.Create(filepath.Join(dir, string(t.kind)+".csv"))
	if err != nil {
		return err
	}
	defer func() {
		if e := f.Close(); err == nil {
			err = e
		}
	}()
	buffered := bufio.NewWriterSize(f, 1<<16)
	w := csv.NewWriter(buffered)
	if err := w.Write(strings.Split(t.header, ",")); err != nil {
		return err
	}
	if err := w.WriteAll(t.rows); err != nil {
		return err
	}
	return buffered.Flush()
}

func (y yard) tables(o Options) []table {
	depots := table{kind: fleet.DepotsKind, header: "depot,name,timezone,latitude,longitude,elevation_m,swaps_per_week,cost_centre"}
	temperatures := table{kind: fleet.TemperaturesKind, header: "depot,date,min_c,max_c"}
	for i, p := range y.plans {
		d := p.depot
		depots.rows = append(depots.rows, []string{
			string(d.ID), d.Name, d.Timezone, number(d.Latitude), number(d.Longitude), number(d.ElevationM), whole(d.SwapsPerWeek), d.CostCentre,
		})
		temperatures.rows = append(temperatures.rows, dayRows(d.ID, y.weather[i], o)...)
	}
	vehicles := table{
		kind:   fleet.VehiclesKind,
		header: "unit,depot,class,fuel,engine_litres,system_volts,batteries,gearbox,parked,in_service_on,no_start_cost,vin,starts_per_day,criticality",
	}
	batteries := table{
		kind: fleet.BatteriesKind,
		header: "battery,unit,position,part,chemistry,rated_cca_a,cca_standard,rated_ah,made_on,fitted_on,removed_on,removed_because," +
			"price,core_deposit,core_returned_on,free_months,prorata_months",
	}
	starters := table{kind: fleet.StartersKind, header: "starter,unit,part,fitted_on,removed_on,removed_because,price,core_deposit,core_returned_on,free_months"}
	tests := table{
		kind:   fleet.TestsKind,
		header: "tested_at,unit,position,battery,rest_v,cca_a,cca_standard,load_v,load_a,load_s,resistance_mohm,soc_pct,temperature_c,tested_by,tester,note",
	}
	cranks := table{kind: fleet.CranksKind, header: "cranked_at,unit,rest_v,min_v,mean_v,duration_ms,temperature_c,coolant_c,current_a,rpm,outcome"}
	breakdowns := table{kind: fleet.BreakdownsKind, header: "happened_at,unit,cause,cost,hours_down"}
	for _, m := range y.machines {
		vehicles.rows = append(vehicles.rows, vehicleRow(m.history.Unit))
		for _, f := range m.history.Batteries {
			batteries.rows = append(batteries.rows, batteryRow(f))
		}
		for _, f := range m.history.Starters {
			starters.rows = append(starters.rows, starterRow(f))
		}
		for _, r := range m.history.Tests {
			tests.rows = append(tests.rows, testRow(r, m.zone))
		}
		for _, r := range m.history.Cranks {
			cranks.rows = append(cranks.rows, crankRow(r, m.zone))
		}
		for _, r := range m.history.Breakdowns {
			breakdowns.rows = append(breakdowns.rows, []string{instant(r.At, m.zone), string(r.Unit), string(r.Cause), money(r.Cost), number(r.HoursDown)})
		}
	}
	return []table{depots, vehicles, batteries, starters, tests, cranks, breakdowns, temperatures}
}

// dayRows are a depot's days on record, and a week of forecasts that stray further the further they reach.
func dayRows(depot fleet.DepotID, w weather, o Options) [][]string {
	rng := newChance(o.Seed, "forecast "+string(depot))
	var rows [][]string
	for d := w.first; d < o.Today+forecastDays; d++ {
		low, high := w.day(d)
		if ahead := float64(d - o.Today); ahead >= 0 {
			stray := rng.normal(0.4 + 0.3*ahead)
			low, high = roundTo(low+stray, 0.1), roundTo(high+stray, 0.1)
		}
		rows = append(rows, []string{string(depot), d.String(), decimal(low), decimal(high)})
	}
	return rows
}

func vehicleRow(u fleet.Unit) []string {
	return []string{
		string(u.ID), string(u.Depot), u.Class, string(u.Fuel), number(u.EngineLitres), strconv.Itoa(u.SystemVolts), strconv.Itoa(u.Batteries),
		string(u.Gearbox), string(u.Parked), day(u.InServiceOn), money(u.NoStartCost), u.VIN, number(u.StartsPerDay), whole(u.Criticality),
	}
}

func batteryRow(f fleet.BatteryFitting) []string {
	return []string{
		f.Battery, string(f.Unit), strconv.Itoa(f.Position), f.Part, string(f.Chemistry), decimal(f.RatedCCAA), string(f.CCAStandard), number(f.RatedAh),
		day(f.MadeOn), day(f.FittedOn), day(f.RemovedOn), string(f.RemovedBecause), money(f.Price), money(f.CoreDeposit), day(f.CoreReturnedOn),
		whole(f.FreeMonths), whole(f.ProrataMonths),
	}
}

func starterRow(f fleet.StarterFitting) []string {
	return []string{
		f.Starter, string(f.Unit), f.Part, day(f.FittedOn), day(f.RemovedOn), string(f.RemovedBecause), money(f.Price), money(f.CoreDeposit),
		day(f.CoreReturnedOn), whole(f.FreeMonths),
	}
}

func testRow(r fleet.Test, zone *time.Location) []string {
	return []string{
		instant(r.At, zone), string(r.Unit), strconv.Itoa(r.Position), r.Battery, number(r.RestV), number(r.CCAA), string(r.CCAStandard), number(r.LoadV),
		number(r.LoadA), number(r.LoadS), number(r.ResistanceMOhm), number(r.SoCPct), number(r.TemperatureC), r.TestedBy, r.Tester, r.Note,
	}
}

func crankRow(r fleet.Crank, zone *time.Location) []string {
	return []string{
		instant(r.At, zone), string(r.Unit), number(r.RestV), number(r.MinV), number(r.MeanV), number(r.DurationMs), number(r.TemperatureC),
		number(r.CoolantC), number(r.CurrentA), number(r.RPM), string(r.Outcome),
	}
}

func decimal(v float64) string { return strconv.FormatFloat(v, 'f', -1, 64) }

func number(o fleet.Opt[float64]) string { return written(o, decimal) }

func whole(o fleet.Opt[int]) string { return written(o, strconv.Itoa) }

func day(o fleet.Opt[fleet.Date]) string { return written(o, fleet.Date.String) }

func money(o fleet.Opt[fleet.Money]) string { return written(o, fleet.Money.String) }

func written[T comparable](o fleet.Opt[T], form func(T) string) string {
	v, known := o.Get()
	if !known {
		return ""
	}
	return form(v)
}

func instant(t time.Time, zone *time.Location) string { return t.In(zone).Format(time.RFC3339) }

// keys are the columns by which the rows of each kind are sorted: unit first, then time.
var keys = map[fleet.Kind][]int{
	fleet.DepotsKind: {0}, fleet.VehiclesKind: {0}, fleet.BatteriesKind: {1, 9, 2, 0}, fleet.StartersKind: {1, 3, 0},
	fleet.TestsKind: {1, 0, 2}, fleet.CranksKind: {1, 0}, fleet.BreakdownsKind: {1, 0}, fleet.TemperaturesKind: {0, 1},
}

func (t table) sort() {
	slices.SortStableFunc(t.rows, func(a, b []string) int {
		for _, c := range keys[t.kind] {
			if o := strings.Compare(a[c], b[c]); o != 0 {
				return o
			}
		}
		return 0
	})
}
