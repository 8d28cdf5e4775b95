package ingest

import (
	"slices"
	"time"

	"rimeyard/internal/fleet"
)

// FlawError is what is wrong with a row that somebody typed.
type FlawError struct{ Column, Reason string }

func (f FlawError) Error() string { return f.Column + ": " + f.Reason }

// About is the unit that a typed row is about.
type About struct {
	Unit      fleet.Unit
	Depot     fleet.Depot            // the unit's
	Batteries []fleet.BatteryFitting // the unit's
}

// JudgeTyped judges one typed row, columns to texts, as a row of a file of its kind is judged; a decimal comma is understood. It takes
// nothing. The error is a [FlawError] and nothing else.
func JudgeTyped(kind fleet.Kind, row map[string]string, about About, now time.Time) (fleet.Row, error) {
	depot := &knownDepot{about.Depot, about.Depot.Zone()}
	j := &judge{now: now, comma: true, known: &known{
		depots: map[string]*knownDepot{string(about.Depot.ID): depot},
		units:  map[string]*knownUnit{string(about.Unit.ID): {about.Unit, depot, about.Batteries}},
	}}
	p := parserOf(kind)
	var names []string
	fields := [][]byte{}
	for _, c := range p.columns() {
		for _, name := range []string{c.name, fahrenheit(c.name)} {
			if text, there := row[name]; there && name != "" && !slices.Contains(names, name) {
				names, fields = append(names, name), append(fields, []byte(text))
			}
		}
	}
	p.bind(names)
	bad := judgeBytes(fields)
	if bad != nil {
		return nil, FlawError{names[bad.field], bad.reason}
	}
	taken, bad := p.parse(j, fields)
	if bad != nil {
		return nil, FlawError{bad.column, bad.reason}
	}
	return taken, nil
}
