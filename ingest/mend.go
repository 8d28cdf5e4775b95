package ingest

import (
	"context"
	"errors"
	"fmt"
	"io"
	"iter"
	"slices"
	"strings"
	"time"

	"rimeyard/internal/fleet"
)

// MendStore begins loads of rows that were mended in place.
type MendStore[L MendLoad] interface {
	// StartMend is StartLoad of an import that is recorded once a row of it is taken.
	StartMend(ctx context.Context, source string) (L, error)
}

// MendLoad also takes rows off the list of those kept apart, in the transaction in which they go in.
type MendLoad interface {
	Load
	// ClaimKept locks the rows of these keys that still wait, for the file at hand, and tells which they are.
	ClaimKept(ctx context.Context, keys []string) (waiting map[string]bool, err error)
	// SettleKept takes rows off the list and writes down who mended what.
	SettleKept(ctx context.Context, person string, mends []fleet.Mend) error
}

// MendOptions of a mending.
type MendOptions struct {
	Person string          // who mended the rows
	Now    time.Time       // readings more than a day ahead of it are not taken
	Depots []fleet.DepotID // if not nil, rows of any other depot are not taken
	Amend  bool            // depots, units, fittings and temperatures that changed take the place of those that stand
	DryRun bool            // judge the rows, and take none
}

// MendState is what became of a mended row.
type MendState int

// The states.
const (
	MendFlawed MendState = iota // it waits on, for the reason given
	MendTaken                   // it was taken, or is there already, and waits no more
	MendGone                    // it waited no more: somebody else took it or set it aside
)

// MendOutcome is what became of one mended row; of one that is flawed, in which column and why.
type MendOutcome struct {
	State                 MendState
	Column, Value, Reason string
}

// Mending is what became of mended rows: an outcome for each, in their order.
type Mending struct {
	Outcomes     []MendOutcome
	Taken        int64
	AlreadyThere int64
}

// Mend judges mended rows as those of a file with their header are judged, and takes the good ones. Each is taken and leaves
// the list of rows kept apart in one transaction, so of two who mend one row at the same time one finds it gone. An error means
// that the store failed; rows of other headers than the one at hand may have been taken by then.
func Mend[L MendLoad](ctx context.Context, st MendStore[L], mends []fleet.Mend, opt MendOptions) (_ Mending, err error) {
	load, err := st.StartMend(ctx, "mend:"+opt.Person)
	if err != nil {
		return Mending{}, fmt.Errorf("begin to mend: %w", err)
	}
	defer func() { err = errors.Join(err, load.Close(context.WithoutCancel(ctx))) }()
	m := &mending{load: load, opt: opt, mends: mends, judge: judge{now: opt.Now, only: opt.Depots}, Mending: Mending{Outcomes: make([]MendOutcome, len(mends))}}
	for _, places := range likeFiles(mends) {
		if err := m.take(ctx, places); err != nil {
			return Mending{}, fmt.Errorf("mend rows of %s: %w", mends[places[0]].Row.File, err)
		}
	}
	return m.Mending, nil
}

// likeFiles groups the rows that could stand in one file, by kind, header and decimal mark: in the order of references.
func likeFiles(mends []fleet.Mend) [][]int {
	at := map[string]int{}
	var groups [][]int
	for i, m := range mends {
		key := fmt.Sprintf("%q %t %q", m.Row.Kind, m.Row.DecimalComma, m.Header)
		g, seen := at[key]
		if !seen {
			g = len(groups)
			at[key] = g
			groups = append(groups, nil)
		}
		groups[g] = append(groups[g], i)
	}
	kinds := fleet.Kinds()
	slices.SortStableFunc(groups, func(a, b []int) int {
		return slices.Index(kinds[:], mends[a[0]].Row.Kind) - slices.Index(kinds[:], mends[b[0]].Row.Kind)
	})
	return groups
}

// mending is one call of Mend under way.
type mending struct {
	Mending
	load  MendLoad
	opt   MendOptions
	mends []fleet.Mend
	judge judge
	files []string // names of what was recorded so far
}

// named are the units that the mended rows can name: whatever stands in a field of theirs.
func (m *mending) named() []fleet.UnitID {
	of := []fleet.UnitID{}
	for _, mend := range m.mends {
		for _, field := range mend.Fields {
			of = append(of, fleet.UnitID(field), fleet.UnitID(strings.TrimSpace(field)))
		}
	}
	return of
}

// take takes the rows at these places, whole or without those that were found gone.
func (m *mending) take(ctx context.Context, places []int) error {
	var err error
	if m.judge.known, err = learn(ctx, m.load, m.named()); err != nil {
		return err
	}
	for len(places) > 0 {
		gone, err := m.try(ctx, places)
		if err != nil {
			return errors.Join(err, m.load.DropFile(context.WithoutCancel(ctx)))
		}
		if len(gone) == 0 {
			return nil
		}
		places = slices.DeleteFunc(places, func(i int) bool { return slices.Contains(gone, i) })
	}
	return nil
}

// try takes the good ones of the rows. Where some are gone, it takes none and says which: what was merged of them must not stay.
func (m *mending) try(ctx context.Context, places []int) (gone []int, err error) {
	first := m.mends[places[0]]
	if err := m.load.StartFile(ctx, first.Row.Kind, true); err != nil {
		return nil, err
	}
	good, err := m.add(ctx, places)
	if err != nil {
		return nil, err
	}
	taken, conflicts, err := m.load.Merge(ctx)
	if err != nil {
		return nil, err
	}
	if conflicts > 0 && m.opt.Amend {
		var amended int64
		if amended, conflicts, err = m.load.Amend(ctx); err != nil {
			return nil, err
		}
		taken += amended
	}
	if conflicts > 0 {
		if good, err = m.withoutConflicts(ctx, good); err != nil {
			return nil, err
		}
	}
	// Only now, because an import too brings its rows before it lists those kept apart: the same order of locks, no deadlock. The
	// flawed ones too: one may differ from what stands because somebody else has just taken it.
	if gone, err = m.claim(ctx, places); err != nil {
		return nil, err
	}
	if len(gone) > 0 || len(good) == 0 || m.opt.DryRun {
		if len(gone) == 0 {
			m.count(good, taken)
		}
		return gone, m.load.DropFile(ctx)
	}
	mends := make([]fleet.Mend, len(good))
	for i, p := range good {
		mends[i] = m.mends[p]
	}
	if err := m.load.SettleKept(ctx, m.opt.Person, mends); err != nil {
		return nil, err
	}
	result := fleet.FileResult{File: m.name(mends), Kind: first.Row.Kind, Rows: int64(len(good)), Taken: taken, AlreadyThere: int64(len(good)) - taken}
	if err := m.load.FinishFile(ctx, result, func(func(fleet.KeptRow, error) bool) {}); err != nil {
		return nil, err
	}
	m.count(good, taken)
	return nil, nil
}

// add judges the rows and stages the good ones, each on the line that is its place from 1.
func (m *mending) add(ctx context.Context, places []int) (good []int, err error) {
	rd := m.reader(places)
	for _, p := range places {
		rec, row, bad, err := rd.next()
		if err != nil {
			return nil, err
		}
		if bad != nil {
			m.Outcomes[p] = MendOutcome{MendFlawed, bad.column, bad.value, bad.reason}
			continue
		}
		good = append(good, p)
		if err := m.load.Add(ctx, rec.line, row); err != nil {
			return nil, err
		}
	}
	return good, nil
}

// reader reads the rows as if they stood in a file.
func (m *mending) reader(places []int) *reader {
	first := m.mends[places[0]]
	in := &input{name: first.Row.File, kind: first.Row.Kind, header: first.Header}
	for _, h := range first.Header {
		in.names = append(in.names, columnName([]byte(h)))
	}
	p := parserOf(in.kind)
	p.bind(in.names)
	m.judge.comma = first.Row.DecimalComma
	return &reader{in: in, src: &mendSource{m.mends, places, first.Row.DecimalComma}, parser: p, judge: &m.judge}
}

// withoutConflicts leaves out the rows that differ from what stands. What stands at a depot that is not the mender's is not told.
func (m *mending) withoutConflicts(ctx context.Context, good []int) ([]int, error) {
	for after := int64(0); ; {
		page, err := m.load.Conflicts(ctx, after)
		if err != nil || len(page) == 0 {
			return good, err
		}
		for _, c := range page {
			p := int(c.Line) - 1
			out := MendOutcome{MendFlawed, c.Column, c.Value, c.Reason}
			switch m.mends[p].Row.Kind {
			case fleet.BatteriesKind, fleet.StartersKind: // their keys do not begin with the unit
				if m.opt.Depots != nil {
					out.Reason = "a row with the same key is there already and says something else; the first one stands: set this row aside if it is wrong, or ask somebody who sees all depots"
				}
			}
			m.Outcomes[p] = out
			good = slices.DeleteFunc(good, func(g int) bool { return g == p })
			after = c.Line
		}
	}
}

// claim locks the rows that still wait, and says which are gone.
func (m *mending) claim(ctx context.Context, places []int) (gone []int, err error) {
	keys := make([]string, len(places))
	for i, p := range places {
		keys[i] = m.mends[p].Row.Key
	}
	waiting, err := m.load.ClaimKept(ctx, keys)
	if err != nil {
		return nil, err
	}
	for _, p := range places {
		if !waiting[m.mends[p].Row.Key] {
			m.Outcomes[p] = MendOutcome{State: MendGone}
			gone = append(gone, p)
		}
	}
	return gone, nil
}

func (m *mending) count(good []int, taken int64) {
	for _, p := range good {
		m.Outcomes[p] = MendOutcome{State: MendTaken}
	}
	m.Taken += taken
	m.AlreadyThere += int64(len(good)) - taken
}

// name is what the record of the import shows for the file.
func (m *mending) name(mends []fleet.Mend) string {
	name := fmt.Sprintf("%d rows of %s that were kept apart", len(mends), mends[0].Row.Kind)
	if len(mends) == 1 {
		name = fmt.Sprintf("%s, line %d", mends[0].Row.File, mends[0].Row.Line)
	}
	base := name
	for n := 2; slices.Contains(m.files, name); n++ {
		name = fmt.Sprintf("%s (%d)", base, n)
	}
	m.files = append(m.files, name)
	return name
}

// mendSource gives mended rows, each on the line that is its place from 1.
type mendSource struct {
	mends        []fleet.Mend
	places       []int
	decimalComma bool
}

func (s *mendSource) next() (record, error) {
	if len(s.places) == 0 {
		return record{}, io.EOF
	}
	p := s.places[0]
	s.places = s.places[1:]
	rec := record{line: int64(p) + 1}
	for _, f := range s.mends[p].Fields {
		rec.fields = append(rec.fields, []byte(f))
	}
	rec.flaw = judgeBytes(rec.fields)
	return rec, nil
}

func (s *mendSource) comma() bool { return s.decimalComma }

// Close has nothing to end.
func (s *mendSource) Close() error { return nil }

// Column is one column of a kind of file, as people need to know it who mend a row.
type Column struct {
	Name     string
	Twin     string // the same in degrees Fahrenheit; empty: there is none
	Required bool
	Want     string   // what belongs into it; empty: any text
	Words    []string // the only ones that it takes; nil: it takes others too
}

// Columns yields the columns of a kind, in the order in which they are judged.
func Columns(kind fleet.Kind) iter.Seq[Column] {
	return func(yield func(Column) bool) {
		for _, c := range parserOf(kind).columns() {
			if !yield(Column{c.name, fahrenheit(c.name), c.need == required, c.want, c.words}) {
				return
			}
		}
	}
}

// ColumnName is the name by which a column of a file is looked up, whatever its case and the spaces round it.
func ColumnName(header string) string { return columnName([]byte(header)) }
