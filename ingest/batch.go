package ingest

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"maps"
	"slices"
	"strconv"
	"strings"
	"unicode/utf8"

	"rimeyard/internal/fleet"
)

// BatchError says why a batch could not be read at all. Nothing of it was taken.
type BatchError struct{ Err error }

func (e BatchError) Error() string { return "read the batch: " + e.Err.Error() }
func (e BatchError) Unwrap() error { return e.Err }

// ImportBatch takes rows in JSON: an object with one array of objects per kind of file, whose fields have the names of
// the columns and hold text, numbers or null. Results name the kind for the file, and count lines by the place in the
// array, from 1. When it returns, what was taken is committed. The error is a [BatchError] if body is no such object.
func ImportBatch[L Load](ctx context.Context, st Store[L], body io.Reader, opt Options) (*Result, error) {
	raw, err := io.ReadAll(body)
	if err != nil {
		return nil, BatchError{err}
	}
	inputs, err := parseBatch(raw)
	if err != nil {
		return nil, BatchError{err}
	}
	if opt.Units == nil {
		opt.Units = namedUnits(inputs)
	}
	return importAll(ctx, st, inputs, opt, &Result{})
}

// manyUnits is how many units a batch may name before reading the whole fleet is as quick as asking for each.
const manyUnits = 5000

// namedUnits are the units that the rows of a batch name; nil: so many that all may as well be read.
func namedUnits(inputs []*input) []fleet.UnitID {
	named := map[fleet.UnitID]bool{}
	for _, in := range inputs {
		for _, row := range in.rows {
			named[fleet.UnitID(row["unit"])], named[fleet.UnitID(strings.TrimSpace(row["unit"]))] = true, true
			if len(named) > manyUnits {
				return nil
			}
		}
	}
	if len(named) == 0 {
		return []fleet.UnitID{} // which is none, not all
	}
	return slices.Sorted(maps.Keys(named))
}

func parseBatch(raw []byte) ([]*input, error) {
	if !utf8.Valid(raw) {
		return nil, errors.New("it is not UTF-8")
	}
	var arrays map[string][]json.RawMessage
	if err := json.Unmarshal(raw, &arrays); err != nil {
		return nil, fmt.Errorf(`want an object with an array of rows per kind, like {"battery_tests": [{…}]}: %w`, err)
	}
	var inputs []*input
	kinds := fleet.Kinds()
	for _, name := range slices.Sorted(maps.Keys(arrays)) {
		if !slices.Contains(kinds[:], fleet.Kind(name)) {
			return nil, fmt.Errorf("no kind of row is called %q: want one of %s", name, strings.Trim(fmt.Sprint(kinds), "[]"))
		}
		inputs = append(inputs, batchInput(fleet.Kind(name), arrays[name]))
	}
	sortByReference(inputs)
	return inputs, nil
}

// batchInput makes rows of objects look like rows of a file whose header has every name that any of them uses.
func batchInput(kind fleet.Kind, rows []json.RawMessage) *input {
	b := &batchSource{rows: make([]map[string]string, len(rows)), flaws: make([]*flaw, len(rows))}
	used := map[string]bool{}
	for i, raw := range rows {
		b.rows[i], b.flaws[i] = batchRow(raw)
		for name := range b.rows[i] {
			used[name] = true
		}
	}
	for _, c := range parserOf(kind).columns() {
		used[c.name] = true
	}
	b.names = slices.Sorted(maps.Keys(used))
	open := func() (source, error) { return &batchSource{names: b.names, rows: b.rows, flaws: b.flaws}, nil }
	return &input{name: string(kind), kind: kind, header: b.names, names: b.names, rows: b.rows, open: open}
}

func batchRow(raw json.RawMessage) (map[string]string, *flaw) {
	dec := json.NewDecoder(bytes.NewReader(raw))
	dec.UseNumber()
	var object map[string]any
	if err := dec.Decode(&object); err != nil || object == nil {
		return nil, &flaw{field: -1, value: printable(raw), reason: `the row is not an object: want {"column": value, …}`}
	}
	row := map[string]string{}
	var bad *flaw
	for _, key := range slices.Sorted(maps.Keys(object)) {
		name := columnName([]byte(key))
		switch v := object[key].(type) {
		case nil:
		case string:
			row[name] = v
		case json.Number:
			row[name] = withoutExponent(v)
		default:
			text, _ := json.Marshal(v) // it has just come from JSON
			row[name] = string(text)
			if bad == nil {
				bad = &flaw{column: name, field: -1, value: printable(text), reason: "want text, a number or null"}
			}
		}
	}
	return row, bad
}

// withoutExponent writes a JSON number as files do; writers of JSON choose the form with an exponent by themselves.
func withoutExponent(n json.Number) string {
	if !strings.ContainsAny(string(n), "eE") {
		return string(n)
	}
	v, err := strconv.ParseFloat(string(n), 64)
	if err != nil {
		return string(n)
	}
	return plain(v)
}

// batchSource gives the rows of one array.
type batchSource struct {
	names  []string
	rows   []map[string]string
	flaws  []*flaw
	at     int
	fields [][]byte
}

func (b *batchSource) next() (record, error) {
	if b.at == len(b.rows) {
		return record{}, io.EOF
	}
	row, bad := b.rows[b.at], b.flaws[b.at]
	b.at++
	b.fields = b.fields[:0]
	for _, n := range b.names {
		b.fields = append(b.fields, []byte(row[n]))
	}
	if bad == nil {
		bad = judgeBytes(b.fields)
	}
	return record{line: int64(b.at), fields: b.fields, flaw: bad}, nil
}

func (b *batchSource) comma() bool { return false }

// Close has nothing to end.
func (b *batchSource) Close() error { return nil }
