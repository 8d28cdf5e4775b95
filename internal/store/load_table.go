package store

import (
	"fmt"
	"strings"

	"rimeyard/internal/fleet"
)

// A columnType is how a column travels in binary form and how it is shown to people.
type columnType int

const (
	textType columnType = iota
	floatType
	intType
	moneyType
	dateType
	timeType
)

type tableColumn struct {
	name string
	typ  columnType
	key  bool
	null bool // in a key: an unknown value is one value of the key too
}

// A loadTable is what bulk loading and export need to know of one kind's table. Columns have the names, and stand in the
// order, of the interchange files.
type loadTable struct {
	kind    fleet.Kind
	name    string
	columns []tableColumn
}

func columnsOf(spec string) []tableColumn {
	types := map[string]columnType{"text": textType, "float": floatType, "int": intType, "money": moneyType, "date": dateType, "time": timeType}
	var columns []tableColumn
	for _, c := range strings.Split(spec, ",") {
		name, typ, _ := strings.Cut(strings.TrimSpace(c), " ")
		typ, key := strings.CutSuffix(typ, " key")
		typ, null := strings.CutSuffix(typ, " null")
		t, known := types[typ]
		if !known {
			panic("column of unknown type: " + c)
		}
		columns = append(columns, tableColumn{name, t, key, null})
	}
	return columns
}

// tableOf describes the table of a kind.
func tableOf(kind fleet.Kind) loadTable { return loadTables[kind] }

var loadTables = map[fleet.Kind]loadTable{
	fleet.DepotsKind: {fleet.DepotsKind, "depot", columnsOf(`depot text key, name text, timezone text, latitude float,
		longitude float, elevation_m float, swaps_per_week int, cost_centre text`)},
	fleet.VehiclesKind: {fleet.VehiclesKind, "unit", columnsOf(`unit text key, depot text, class text, fuel text, engine_litres float,
		system_volts int, batteries int, gearbox text, parked text, in_service_on date, no_start_cost money, vin text,
		starts_per_day float, criticality int`)},
	fleet.BatteriesKind: {fleet.BatteriesKind, "battery_fitting", columnsOf(`battery text key, unit text, position int, part text,
		chemistry text, rated_cca_a float, cca_standard text, rated_ah float, made_on date, fitted_on date null key,
		removed_on date, removed_because text, price money, core_deposit money, core_returned_on date, free_months int,
		prorata_months int`)},
	fleet.StartersKind: {fleet.StartersKind, "starter_fitting", columnsOf(`starter text key, unit text, part text, fitted_on date null key,
		removed_on date, removed_because text, price money, core_deposit money, core_returned_on date, free_months int`)},
	fleet.TestsKind: {fleet.TestsKind, "battery_test", columnsOf(`tested_at time key, unit text key, position int key, battery text,
		rest_v float, cca_a float, cca_standard text, load_v float, load_a float, load_s float, resistance_mohm float,
		soc_pct float, temperature_c float, tested_by text, tester text, note text`)},
	fleet.CranksKind: {fleet.CranksKind, "crank", columnsOf(`cranked_at time key, unit text key, rest_v float, min_v float,
		mean_v float, duration_ms float, temperature_c float, coolant_c float, current_a float, rpm float, outcome text`)},
	fleet.BreakdownsKind: {fleet.BreakdownsKind, "breakdown", columnsOf(`happened_at time key, unit text key, cause text, cost money,
		hours_down float`)},
	fleet.TemperaturesKind: {fleet.TemperaturesKind, "day_temp", columnsOf(`depot text key, date date key, min_c float, max_c float`)},
}

// staged is the temporary table in which a file's rows wait.
func (t loadTable) staged() string { return "staged_" + t.name }

// list names the columns, each with prefix before it.
func (t loadTable) list(prefix string) string {
	names := make([]string, len(t.columns))
	for i, c := range t.columns {
		names[i] = prefix + c.name
	}
	return strings.Join(names, ", ")
}

// keyColumns are those of the key in the order of the key: unit or other text first, then the time.
func (t loadTable) keyColumns() []tableColumn {
	var texts, others []tableColumn
	for _, c := range t.columns {
		switch {
		case c.key && c.typ == textType:
			texts = append(texts, c)
		case c.key:
			others = append(others, c)
		}
	}
	return append(texts, others...)
}

// expression is the column's value in a key: comparable, also where unknown.
func (c tableColumn) expression(prefix string) string {
	if c.null {
		return fmt.Sprintf("coalesce(%s%s, '-infinity'::date)", prefix, c.name)
	}
	return prefix + c.name
}

// keyOrder lists the key for ORDER BY. Text is ordered by its bytes, the same on every server and for every writer, so
// that writers which meet go through their common keys in one order and cannot deadlock.
func (t loadTable) keyOrder(prefix string) string {
	var parts []string
	for _, c := range t.keyColumns() {
		e := c.expression(prefix)
		if c.typ == textType {
			e += ` COLLATE "C"`
		}
		parts = append(parts, e)
	}
	return strings.Join(parts, ", ")
}

// keyEqual matches the keys of two tables.
func (t loadTable) keyEqual(a, b string) string {
	var parts []string
	for _, c := range t.keyColumns() {
		parts = append(parts, c.expression(a)+" = "+c.expression(b))
	}
	return strings.Join(parts, " AND ")
}

// show turns a value into text as files have it; times are shown in UTC.
func (c tableColumn) show(prefix string) string {
	v := prefix + c.name
	switch c.typ {
	case moneyType:
		return fmt.Sprintf("(%s / 100.0)::numeric(20,2)::text", v)
	case timeType:
		return fmt.Sprintf(`to_char(%s AT TIME ZONE 'UTC', 'YYYY-MM-DD"T"HH24:MI:SS"Z"')`, v)
	default:
		return v + "::text"
	}
}
