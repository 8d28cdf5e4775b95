package ingest

import (
	"bytes"
	"fmt"
	"math"
	"strings"
	"time"

	"rimeyard/internal/fleet"
)

// A need is whether a column must be there.
type need int

const (
	optional need = iota
	required
	oneOf // at least one of the kind's columns so marked, in the file and in each row
)

// A column of one kind of file. It fills in a row from the text of a field that is not empty.
type column[R any] struct {
	name   string
	need   need
	set    func(j *judge, s []byte, r *R) error
	number func(r *R) *fleet.Opt[float64] // instead of set: a decimal within the span
	span   span
	want   string   // what belongs into it, for people; empty: any text
	words  []string // the only ones that it takes; nil: it takes others too
}

// A table is one kind of file. Columns stand in the order in which they are judged: what others lean on comes first.
type table[R fleet.Row] struct {
	columns []column[R]
	check   func(j *judge, r *R) *flaw // what only the whole row can tell
}

// A judge holds what rows are judged by, and what the columns of one row tell each other.
type judge struct {
	known *known
	now   time.Time
	only  []fleet.DepotID // if not nil, rows of other depots are kept apart
	comma bool            // decimal comma allowed

	depot *knownDepot // of the row at hand
	unit  *knownUnit  // of the row at hand
	wall  wall        // of the row at hand
	twice bool        // the row's time was passed twice in its zone
}

// A parser turns the fields of one file's rows into the nouns of its kind.
type parser interface {
	kind() fleet.Kind
	columns() []columnInfo
	// bind looks up where in the header each column stands.
	bind(names []string)
	// parse judges one row. The result is valid until the next call.
	parse(j *judge, fields [][]byte) (fleet.Row, *flaw)
}

type columnInfo struct {
	name  string
	need  need
	want  string
	words []string
	span  span // of a number; zero: it is none
}

// fahrenheit is the twin of a column in degrees Celsius; empty for any other column.
func fahrenheit(name string) string {
	if stem, ok := strings.CutSuffix(name, "_c"); ok {
		return stem + "_f"
	}
	return ""
}

type tableParser[R fleet.Row] struct {
	table[R]
	row    R
	asRow  fleet.Row // the address of row
	at     []int     // for each column its place in the header, or -1
	twinAt []int     // the same for its twin in Fahrenheit
	wanted string    // the columns of which one is needed, for people
}

func newParser[R fleet.Row](t table[R]) parser {
	p := &tableParser[R]{table: t}
	p.asRow = any(&p.row).(fleet.Row)
	var names []string
	for _, c := range t.columns {
		if c.need == oneOf {
			names = append(names, c.name)
		}
	}
	p.wanted = strings.Join(names, ", ")
	return p
}

func (p *tableParser[R]) kind() fleet.Kind { return p.row.Kind() }

func (p *tableParser[R]) columns() []columnInfo {
	infos := make([]columnInfo, len(p.table.columns))
	for i, c := range p.table.columns {
		infos[i] = columnInfo{c.name, c.need, c.wanted(), c.words, c.span}
	}
	return infos
}

func (p *tableParser[R]) bind(names []string) {
	place := map[string]int{}
	for i, n := range names {
		place[n] = i
	}
	find := func(name string) int {
		if i, ok := place[name]; ok {
			return i
		}
		return -1
	}
	p.at, p.twinAt = nil, nil
	for _, c := range p.table.columns {
		p.at = append(p.at, find(c.name))
		p.twinAt = append(p.twinAt, find(fahrenheit(c.name)))
	}
}

func (p *tableParser[R]) parse(j *judge, fields [][]byte) (fleet.Row, *flaw) {
	var zero R
	p.row = zero
	j.depot, j.unit, j.twice = nil, nil, false
	oneSeen := p.wanted == ""
	for i := range p.table.columns {
		c := &p.table.columns[i]
		s, twin := field(fields, p.at[i]), field(fields, p.twinAt[i])
		if len(s) == 0 && len(twin) == 0 {
			if c.need == required {
				return nil, &flaw{column: c.name, reason: "the field is empty, and " + c.name + " is needed in every row"}
			}
			continue
		}
		oneSeen = oneSeen || c.need == oneOf
		if bad := p.fill(j, c, s, twin); bad != nil {
			return nil, bad
		}
	}
	if !oneSeen {
		first, _, _ := strings.Cut(p.wanted, ",")
		return nil, &flaw{column: first, reason: "the row says nothing: at least one of " + p.wanted + " is needed"}
	}
	if bad := p.check(j, &p.row); bad != nil {
		for i, c := range p.table.columns {
			if c.name == bad.column && bad.value == "" {
				bad.value = printable(field(fields, p.at[i]))
			}
		}
		return nil, bad
	}
	return p.asRow, nil
}

// fill takes one field, or its twin in Fahrenheit, into the row.
func (p *tableParser[R]) fill(j *judge, c *column[R], s, twin []byte) *flaw {
	if c.number == nil {
		if err := c.set(j, s, &p.row); err != nil {
			return &flaw{column: c.name, value: printable(s), reason: err.Error()}
		}
		return nil
	}
	var v float64
	var err error
	if len(s) > 0 {
		if v, err = parseDecimal(s, j.comma); err == nil {
			err = c.span.judge(v)
		}
		if err != nil {
			return &flaw{column: c.name, value: printable(s), reason: err.Error()}
		}
	}
	if len(twin) > 0 {
		f, err := parseDecimal(twin, j.comma)
		fromTwin := celsius(f)
		if err == nil && c.span.judge(fromTwin) != nil {
			err = fmt.Errorf("%s °F is %s °C, which is outside %s to %s °C: correct it", plain(f), plain(fromTwin), plain(c.span.low), plain(c.span.high))
		}
		const rounding = 0.6 // °C, what whole degrees on either scale may differ by
		if err == nil && len(s) > 0 && math.Abs(v-fromTwin) > rounding {
			err = fmt.Errorf("%s °F is %s °C, but the row says %s °C as well: leave one of the two empty", plain(f), plain(fromTwin), plain(v))
		}
		if err != nil {
			return &flaw{column: fahrenheit(c.name), value: printable(twin), reason: err.Error()}
		}
		if len(s) == 0 {
			v = fromTwin
		}
	}
	*c.number(&p.row) = fleet.Known(v)
	return nil
}

// field is the trimmed text at a place of the header, or nothing.
func field(fields [][]byte, at int) []byte {
	if at < 0 || len(fields[at]) == 0 {
		return nil
	}
	s := fields[at]
	if isGraphic(s[0]) && isGraphic(s[len(s)-1]) {
		return s
	}
	return bytes.TrimSpace(s)
}

func isGraphic(b byte) bool { return ' ' < b && b < 0x7f }
