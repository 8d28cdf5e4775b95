package store

import (
	"encoding/binary"
	"errors"
	"fmt"
	"math"
	"slices"
	"time"

	"github.com/jackc/pgx/v5"

	"rimeyard/internal/fleet"
)

// crankWeekColumns are of the row that appendWeek reads: the unit and ten parallel arrays.
const crankWeekColumns = `unit, cranked_at, rest_v, min_v, mean_v, duration_ms, temperature_c, coolant_c, current_a, rpm, outcome`

// appendWeek reads a row of crankWeekColumns as the server sent it. A fleet has millions of cranks, and scanning their values one by one
// would take several times as long.
func appendWeek(cranks []fleet.Crank, unit fleet.UnitID, columns [][]byte) ([]fleet.Crank, error) {
	times, err := elementsOf(columns[1])
	if err != nil {
		return cranks, err
	}
	from := len(cranks)
	cranks = slices.Grow(cranks, times.left)[:from+times.left]
	week := cranks[from:]
	for i := range week {
		at := times.next()
		if len(at) != 8 {
			return cranks[:from], errCrankWeek
		}
		week[i] = fleet.Crank{Unit: unit, At: timeOf(at)}
	}
	for column, into := range crankValues {
		if err := readValues(columns[2+column], week, into); err != nil {
			return cranks[:from], err
		}
	}
	outcomes, err := elementsOf(columns[2+len(crankValues)])
	if err != nil || outcomes.left != len(week) {
		return cranks[:from], errors.Join(err, errCrankWeek)
	}
	for i := range week {
		week[i].Outcome = outcomeOf(outcomes.next())
	}
	return cranks, nil
}

// crankValues are where the columns of numbers go, in their order.
var crankValues = [...]func(*fleet.Crank) *fleet.Opt[float64]{
	func(c *fleet.Crank) *fleet.Opt[float64] { return &c.RestV },
	func(c *fleet.Crank) *fleet.Opt[float64] { return &c.MinV },
	func(c *fleet.Crank) *fleet.Opt[float64] { return &c.MeanV },
	func(c *fleet.Crank) *fleet.Opt[float64] { return &c.DurationMs },
	func(c *fleet.Crank) *fleet.Opt[float64] { return &c.TemperatureC },
	func(c *fleet.Crank) *fleet.Opt[float64] { return &c.CoolantC },
	func(c *fleet.Crank) *fleet.Opt[float64] { return &c.CurrentA },
	func(c *fleet.Crank) *fleet.Opt[float64] { return &c.RPM },
}

var errCrankWeek = errors.New("the digest of a week has columns of unequal length or of another type")

func readValues(column []byte, week []fleet.Crank, into func(*fleet.Crank) *fleet.Opt[float64]) error {
	values, err := elementsOf(column)
	if err != nil {
		return err
	}
	if values.left != len(week) {
		return errCrankWeek
	}
	for i := range week {
		if v := values.next(); len(v) == 8 {
			*into(&week[i]) = fleet.Known(math.Float64frombits(binary.BigEndian.Uint64(v)))
		} else if v != nil {
			return errCrankWeek
		}
	}
	return nil
}

// elements walks through a one-dimensional array as PostgreSQL sends it in binary form (array_send in its source): the number of
// dimensions, whether there are nulls, the type, for each dimension its length and lower bound, then each element behind its length.
type elements struct {
	left int
	rest []byte
}

func elementsOf(column []byte) (elements, error) {
	const header = 12
	if len(column) < header {
		return elements{}, errCrankWeek
	}
	switch dimensions := binary.BigEndian.Uint32(column); {
	case dimensions == 0:
		return elements{}, nil
	case dimensions != 1 || len(column) < header+8:
		return elements{}, errCrankWeek
	}
	n := int(binary.BigEndian.Uint32(column[header:]))
	if rest := column[header+8:]; len(rest) >= 4*n {
		return elements{n, rest}, nil
	}
	return elements{}, errCrankWeek
}

// next is the next element, nil where it is null or the array is torn.
func (e *elements) next() []byte {
	if len(e.rest) < 4 {
		return nil
	}
	n := int(int32(binary.BigEndian.Uint32(e.rest))) //nolint:gosec // −1 is null
	e.rest = e.rest[4:]
	if n < 0 || n > len(e.rest) {
		return nil
	}
	v := e.rest[:n:n]
	e.rest = e.rest[n:]
	return v
}

// epoch of timestamps on the wire, in seconds from 1970: 2000-01-01.
const epoch = 946684800

func timeOf(micros []byte) time.Time {
	us := int64(binary.BigEndian.Uint64(micros)) //nolint:gosec // signed on the wire
	return time.Unix(epoch+us/1e6, us%1e6*1e3).UTC()
}

func outcomeOf(text []byte) fleet.Outcome {
	switch o := fleet.Outcome(text); o { // names of ours, so that no text is kept for each crank
	case fleet.Started:
		return fleet.Started
	case fleet.Slow:
		return fleet.Slow
	case fleet.NoCrank:
		return fleet.NoCrank
	case fleet.NoStart:
		return fleet.NoStart
	default:
		return o
	}
}

// forEachWeek calls do with each row's unit and columns, which it may not keep. Rows of one unit come one after the other.
func forEachWeek(rows pgx.Rows, do func(unit fleet.UnitID, columns [][]byte) error) error {
	defer rows.Close()
	unit := fleet.UnitID("")
	for rows.Next() {
		columns := rows.RawValues()
		for _, f := range rows.FieldDescriptions() {
			if f.Format != pgx.BinaryFormatCode {
				return fmt.Errorf("column %s came as text: the connection must use prepared statements", f.Name)
			}
		}
		if string(columns[0]) != string(unit) {
			unit = fleet.UnitID(columns[0])
		}
		if err := do(unit, columns); err != nil {
			return fmt.Errorf("unit %s: %w", unit, err)
		}
	}
	return rows.Err()
}
