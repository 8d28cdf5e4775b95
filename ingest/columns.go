package ingest

import (
	"bytes"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"rimeyard/internal/fleet"
)

// The columns that several kinds have in common, and the spans of what quantities can be. The spans are wide: they are to
// catch another unit of measure or a slip of the finger, not to judge a battery. Common practice, no source, unless said.

var (
	hintVolts      = "this may be millivolts, or the reading of another system: write volts"
	hintFahrenheit = "if it is Fahrenheit, write it in Celsius; in a file, a column named with _f instead of _c (temperature_f) takes Fahrenheit"

	// The air is never hotter than 56.7 °C (Furnace Creek 1913) and, where vehicles work, hardly colder than −67.7 °C
	// (Oymyakon 1933); WMO, World Weather & Climate Extremes Archive.
	airC     = span{-70, 60, "°C", hintFahrenheit}
	coolantC = span{-70, 130, "°C", hintFahrenheit}

	amps    = span{0, 5000, "A", "write amperes, without a sign"}
	plainly = func(low, high float64, unit string) span {
		return span{low, high, unit, "correct it, or leave it empty if it is not known"}
	}
)

// restSpan is what the terminals of a lead-acid battery or system can show at rest. Below, the reading is of half the
// system or of nothing; above, of a charger or of millivolts.
func restSpan(volts int) span {
	if volts == 24 {
		return span{16, 32, "V, what a 24 V system can show at rest", "if one battery of the pair was measured, write the volts of the whole system; if these are millivolts, write volts"}
	}
	return span{1, 16, "V, what 12 V can show at rest", hintVolts}
}

// What belongs into columns of days and instants.
const (
	wantDate = "a day like 2025-10-01"
	wantTime = "a time like 2025-10-01T06:40:00+02:00; without the offset it is read on the depot's clock"
)

// wanted is what belongs into a column, for people.
func (c *column[R]) wanted() string {
	if c.number == nil {
		return c.want
	}
	return fmt.Sprintf("a number, %s to %s %s", plain(c.span.low), plain(c.span.high), c.span.unit)
}

func text[R any](name string, n need, at func(*R) *string) column[R] {
	return column[R]{name: name, need: n, set: func(_ *judge, s []byte, r *R) error {
		*at(r) = string(bytes.ReplaceAll(s, []byte("\r\n"), []byte{'\n'}))
		return nil
	}}
}

// key takes a text that rows are found by.
func key[R any](name string, at func(*R) *string) column[R] {
	const longest = 200 // bytes; no number on a door or a label is longer
	return column[R]{name: name, need: required, set: func(_ *judge, s []byte, r *R) error {
		if len(s) > longest {
			return fmt.Errorf("%s is longer than %d bytes: shorten it, or look for a separator that is missing", name, longest)
		}
		*at(r) = string(s)
		return nil
	}}
}

func number[R any](name string, n need, s span, at func(*R) *fleet.Opt[float64]) column[R] {
	return column[R]{name: name, need: n, span: s, number: at}
}

func whole[R any](name string, n need, low, high int, set func(*R, int)) column[R] {
	want := fmt.Sprintf("a whole number, %d to %d", low, high)
	return column[R]{name: name, need: n, want: want, set: func(_ *judge, s []byte, r *R) error {
		v, err := parseWhole(s)
		if err != nil {
			return err
		}
		if v < low || v > high {
			return fmt.Errorf("%d is outside %d to %d: correct it", v, low, high)
		}
		set(r, v)
		return nil
	}}
}

func optWhole[R any](name string, low, high int, at func(*R) *fleet.Opt[int]) column[R] {
	return whole(name, optional, low, high, func(r *R, v int) { *at(r) = fleet.Known(v) })
}

func amount[R any](name string, at func(*R) *fleet.Opt[fleet.Money]) column[R] {
	return column[R]{name: name, want: "an amount like 312.00", set: func(j *judge, s []byte, r *R) error {
		m, err := parseMoney(s, j.comma)
		*at(r) = fleet.Known(m)
		return err
	}}
}

func date[R any](name string, at func(*R) *fleet.Opt[fleet.Date]) column[R] {
	return column[R]{name: name, want: wantDate, set: func(_ *judge, s []byte, r *R) error {
		d, err := parseDate(s)
		*at(r) = fleet.Known(d)
		return err
	}}
}

// word takes one of a few words.
func word[R any, W ~string](name string, n need, at func(*R) *W, words ...W) column[R] {
	list := make([]string, len(words))
	for i, w := range words {
		list[i] = string(w)
	}
	last := len(list) - 1
	want := "one of " + strings.Join(list[:last], ", ") + " or " + list[last]
	err := errors.New("want " + want)
	return column[R]{name: name, need: n, want: want, words: list, set: func(_ *judge, s []byte, r *R) error {
		for _, w := range words {
			if string(s) == string(w) {
				*at(r) = w
				return nil
			}
		}
		return err
	}}
}

func removal[R any](at func(*R) *fleet.Removal) column[R] {
	return word("removed_because", optional, at, fleet.RemovedFailed, fleet.RemovedPreventive, fleet.RemovedDamaged, fleet.RemovedSold, fleet.RemovedOther)
}

func standard[R any](n need, at func(*R) *fleet.CCAStandard) column[R] {
	return word("cca_standard", n, at, fleet.SAE, fleet.EN, fleet.DIN, fleet.IEC, fleet.JIS)
}

// knownUnitColumn takes a unit that is there.
func knownUnitColumn[R any](at func(*R) *fleet.UnitID) column[R] {
	return column[R]{name: "unit", need: required, want: "the number of a unit that is known", set: func(j *judge, s []byte, r *R) error {
		j.unit = j.known.units[string(s)]
		if j.unit == nil {
			return errors.New("no unit of this number is known: correct it, or bring the unit in a vehicles file first")
		}
		j.depot = j.unit.depot
		*at(r) = j.unit.ID
		return j.mayTake()
	}}
}

// knownDepotColumn takes a depot that is there.
func knownDepotColumn[R any](at func(*R) *fleet.DepotID) column[R] {
	return column[R]{name: "depot", need: required, want: "the key of a depot that is known", set: func(j *judge, s []byte, r *R) error {
		j.depot = j.known.depots[string(s)]
		if j.depot == nil {
			return errors.New("no depot of this name is known: correct it, or bring the depot in a depots file first")
		}
		*at(r) = j.depot.ID
		return j.mayTake()
	}}
}

// mayTake refuses rows of a depot other than those that the sender may write to.
func (j *judge) mayTake() error {
	if j.only == nil || slices.Contains(j.only, j.depot.ID) {
		return nil
	}
	names := make([]string, len(j.only))
	for i, d := range j.only {
		names[i] = string(d)
	}
	switch len(names) {
	case 0:
		return errors.New("this belongs to a depot; the sender may bring rows of none")
	case 1:
		return fmt.Errorf("this belongs to another depot; the sender may bring rows of depot %s only", names[0])
	}
	return fmt.Errorf("this belongs to another depot; the sender may bring rows of depots %s only", strings.Join(names, ", "))
}

// instant is the row's time, which stands in the named column; its clock time is resolved once the unit's depot is known.
func instant[R any](name string) column[R] {
	return column[R]{name: name, need: required, want: wantTime, set: func(j *judge, s []byte, _ *R) (err error) {
		j.wall, err = parseWall(s)
		return err
	}}
}

// earliestReading is before any logger: clocks that lost their time start in 1970 or before.
var earliestReading = time.Date(1980, 1, 1, 0, 0, 0, 0, time.UTC)

// at is the instant of the row's time column.
func (j *judge) at(column string) (time.Time, *flaw) {
	at, twice, err := j.wall.in(j.depot.zone)
	j.twice = twice
	const ahead = 24 * time.Hour // of now, by the contract
	switch {
	case err != nil:
		return at, &flaw{column: column, reason: err.Error()}
	case at.After(j.now.Add(ahead)):
		return at, &flaw{column: column, reason: "the time is more than a day ahead of now: correct it, or set the clock of the instrument"}
	case at.Before(earliestReading):
		return at, &flaw{column: column, reason: "the time is before 1980: the instrument's clock was not set; write the time of the reading"}
	}
	return at, nil
}
