package ingest

import (
	"context"
	"errors"
	"fmt"
	"io"
	"iter"
	"maps"
	"slices"
	"strconv"
	"strings"
	"time"

	"rimeyard/internal/fleet"
)

// Store begins loads. Its one method says which kind of [Load] it gives, so that a store need not know this package.
type Store[L Load] interface {
	StartLoad(ctx context.Context, source string, dryRun bool) (L, error)
}

// Load takes the rows of several files, one file at a time: what comes between StartFile and FinishFile goes in whole or
// not at all. A dry run's load takes everything back when it is closed.
type Load interface {
	Depots(ctx context.Context) ([]fleet.Depot, error)
	// Units and BatteryFittings are those of these units; nil: of all.
	Units(ctx context.Context, of []fleet.UnitID) ([]fleet.Unit, error)
	BatteryFittings(ctx context.Context, of []fleet.UnitID) ([]fleet.BatteryFitting, error)

	// StartFile begins a file, for the second time with care: see Add.
	StartFile(ctx context.Context, kind fleet.Kind, care bool) error
	// Add takes a row that the next call may overwrite. After fleet.ErrRowsThere, from here or from Merge, the file must be
	// dropped, begun again with care, and its rows added anew.
	Add(ctx context.Context, line int64, row fleet.Row) error
	// Merge ends the adding. Of rows with one key the first stands: the one that was there before, else the one on the
	// lowest line. The rest is already there, or conflicts because its values differ.
	Merge(ctx context.Context) (taken, conflicts int64, err error)
	// Amend lets rows that conflict take the place of those that stand, where rows of the kind change over the years.
	Amend(ctx context.Context) (amended, conflicts int64, err error)
	// Conflicts returns a page of them with lines above after, in order of lines; an empty page is the end. Of each row
	// only Line, Column, Value and Reason are set.
	Conflicts(ctx context.Context, after int64) ([]fleet.KeptRow, error)
	// Settle takes off the list of rows kept apart those that once stood at these places (Kind, File and Line): they were
	// mended, and have been taken.
	Settle(ctx context.Context, places []fleet.KeptRow) error
	// FinishFile records what became of the file, and the rows kept apart. Also a refused file, not started or dropped,
	// is so recorded.
	FinishFile(ctx context.Context, result fleet.FileResult, kept iter.Seq2[fleet.KeptRow, error]) error
	// DropFile takes back what was done since StartFile.
	DropFile(ctx context.Context) error
	Close(ctx context.Context) error
}

// Options of an import.
type Options struct {
	Source   string                        // who or what brings the rows: "command", "api:<token name>", "demo"
	Now      time.Time                     // readings more than a day ahead of it are kept apart
	Amend    bool                          // depots, units, fittings and temperatures that changed take the place of those that stand
	DryRun   bool                          // tell what would be done, and leave everything as it was
	Depots   []fleet.DepotID               // if not nil, rows of any other depot are kept apart
	Units    []fleet.UnitID                // if not nil, the only units that rows name, so that no other need be known
	Progress func(file string, rows int64) // if not nil, is told now and then how far a file is read
}

// Import takes the files, and the files in the folders, that paths name: in the order that their references need, each
// whole or not at all. What is wrong with a row or a file is in the result, which the caller closes; an error means that
// the store failed, and the files after it were not tried.
func Import[L Load](ctx context.Context, st Store[L], paths []string, opt Options) (*Result, error) {
	inputs, left := find(paths)
	res := &Result{}
	if len(left) > 0 {
		res.Notices = append(res.Notices, fmt.Sprintf("left out, as their names end neither in .csv nor in .tsv: %s", shortList(left)))
	}
	return importAll(ctx, st, inputs, opt, res)
}

func importAll[L Load](ctx context.Context, st Store[L], inputs []*input, opt Options, res *Result) (_ *Result, err error) {
	load, err := st.StartLoad(ctx, opt.Source, opt.DryRun)
	if err != nil {
		return nil, fmt.Errorf("begin the import: %w", err)
	}
	defer func() {
		err = errors.Join(err, load.Close(context.WithoutCancel(ctx)))
		if err != nil {
			err = errors.Join(err, res.Close())
		}
	}()
	run := &run{load: load, opt: opt, res: res, judge: judge{now: opt.Now, only: opt.Depots}}
	for _, in := range inputs {
		if err := run.take(ctx, in); err != nil {
			return nil, fmt.Errorf("import %s: %w", in.name, err)
		}
	}
	return res, nil
}

// run is one import under way.
type run struct {
	load  Load
	opt   Options
	res   *Result
	judge judge
}

// A refusal is why a file is not taken at all, as opposed to a failure of the store.
type refusal struct{ error }

func (r refusal) Unwrap() error { return r.error }

// take brings one input in, whole or not at all.
func (r *run) take(ctx context.Context, in *input) error {
	if in.reason != nil {
		return r.refuse(ctx, in, in.reason)
	}
	if r.judge.known == nil {
		var err error
		if r.judge.known, err = learn(ctx, r.load, r.opt.Units); err != nil {
			return err
		}
	}
	result, err := r.fill(ctx, in, false)
	if errors.Is(err, fleet.ErrRowsThere) {
		result, err = r.fill(ctx, in, true)
	}
	if reason, ok := errors.AsType[refusal](err); ok {
		return r.refuse(ctx, in, reason.error)
	}
	if err != nil {
		return err
	}
	return r.finish(ctx, result)
}

// fill reads an input and loads its good rows. If that fails, all of it is taken back.
func (r *run) fill(ctx context.Context, in *input, care bool) (fleet.FileResult, error) {
	if err := r.load.StartFile(ctx, in.kind, care); err != nil {
		return fleet.FileResult{}, err
	}
	noticed := len(r.res.Notices)
	result, err := r.fillStarted(ctx, in)
	if err == nil {
		return result, nil
	}
	r.res.Notices = r.res.Notices[:noticed]
	if undo := errors.Join(r.load.DropFile(context.WithoutCancel(ctx)), r.res.kept.forget()); undo != nil {
		return result, fmt.Errorf("%w (after: %v)", undo, err) //nolint:errorlint // a load that cannot go back must not go on
	}
	return result, err
}

func (r *run) refuse(ctx context.Context, in *input, reason error) error {
	return r.finish(ctx, fleet.FileResult{File: in.name, Kind: in.kind, Refused: reason.Error()})
}

func (r *run) finish(ctx context.Context, result fleet.FileResult) error {
	from := r.res.kept.size
	if err := r.res.kept.mark(); err != nil {
		return err
	}
	if err := r.load.FinishFile(ctx, result, r.res.kept.since(from)); err != nil {
		return err
	}
	r.res.Files = append(r.res.Files, result)
	switch result.Kind {
	case fleet.DepotsKind, fleet.VehiclesKind, fleet.BatteriesKind:
		r.judge.known = nil // others may refer to what has just come
	}
	return nil
}

func (r *run) fillStarted(ctx context.Context, in *input) (fleet.FileResult, error) {
	result := fleet.FileResult{File: in.name, Kind: in.kind}
	rd, err := r.open(in)
	if err != nil {
		return result, err
	}
	defer rd.src.Close() //nolint:errcheck // it was only read
	for {
		rec, row, bad, err := rd.next()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return result, err
		}
		result.Rows++
		const often = 1 << 16
		if result.Rows%often == 0 {
			if err := ctx.Err(); err != nil {
				return result, err
			}
			if r.opt.Progress != nil {
				r.opt.Progress(in.name, result.Rows)
			}
		}
		if bad != nil {
			result.KeptApart++
			err = r.res.kept.add(rd.keptRow(rec, bad))
		} else {
			rd.noteMended(rec)
			err = r.load.Add(ctx, rec.line, row)
		}
		if err != nil {
			return result, err
		}
	}
	r.res.Notices = append(r.res.Notices, rd.notices()...)
	taken, conflicts, err := r.load.Merge(ctx)
	if err != nil {
		return result, err
	}
	if conflicts > 0 && r.opt.Amend {
		var amended int64
		if amended, conflicts, err = r.load.Amend(ctx); err != nil {
			return result, err
		}
		taken += amended
	}
	if conflicts > 0 {
		if err := r.keepConflicts(ctx, in, rd.mended); err != nil {
			return result, err
		}
	}
	if len(rd.mended) > 0 && r.opt.Depots == nil { // who may bring rows of some depots only does not touch the list of all
		if err := r.load.Settle(ctx, slices.Collect(maps.Values(rd.mended))); err != nil {
			return result, err
		}
	}
	result.Taken, result.KeptApart = taken, result.KeptApart+conflicts
	result.AlreadyThere = result.Rows - result.Taken - result.KeptApart
	return result, nil
}

// keepConflicts reads the input again up to each row that conflicts, because only the file has the row as it came. Such
// a row is not mended after all.
func (r *run) keepConflicts(ctx context.Context, in *input, mended map[int64]fleet.KeptRow) error {
	rd, err := r.open(in)
	if err != nil {
		return err
	}
	defer rd.src.Close() //nolint:errcheck // it was only read
	for after := int64(0); ; {
		page, err := r.load.Conflicts(ctx, after)
		if err != nil || len(page) == 0 {
			return err
		}
		for _, c := range page {
			rec, err := rd.skipTo(c.Line)
			if err != nil {
				return err
			}
			if err := r.res.kept.add(rd.keptRow(rec, &flaw{column: c.Column, value: c.Value, reason: c.Reason})); err != nil {
				return err
			}
			delete(mended, c.Line)
			after = c.Line
		}
	}
}

func (r *run) open(in *input) (*reader, error) {
	src, err := in.open()
	if err != nil {
		return nil, refusal{err}
	}
	p := parserOf(in.kind)
	p.bind(in.names)
	r.judge.comma = src.comma()
	return &reader{
		in: in, src: src, parser: p, judge: &r.judge, unitAt: slices.Index(in.names, "unit"),
		keptFileAt: slices.Index(in.names, keptFileColumn), keptLineAt: slices.Index(in.names, keptLineColumn),
	}, nil
}

// reader judges the rows of one input.
type reader struct {
	in     *input
	src    source
	parser parser
	judge  *judge
	// Where in the header these columns stand, or -1.
	unitAt, keptFileAt, keptLineAt int

	mended map[int64]fleet.KeptRow // by line: where good rows that were kept apart before had stood

	twice      int64 // times that were passed twice in their zone
	firstTwice int64 // line of the first of them
}

// next returns the next row, or what is wrong with it.
func (rd *reader) next() (record, fleet.Row, *flaw, error) {
	rec, err := rd.src.next()
	if errors.Is(err, io.EOF) {
		return rec, nil, nil, io.EOF
	}
	if err != nil {
		return rec, nil, nil, refusal{damaged(err)}
	}
	if bad := rd.flawOf(rec); bad != nil {
		return rec, nil, bad, nil
	}
	row, bad := rd.parser.parse(rd.judge, rec.fields)
	if bad == nil && rd.judge.twice {
		if rd.twice++; rd.twice == 1 {
			rd.firstTwice = rec.line
		}
	}
	return rec, row, bad, nil
}

// flawOf is what is wrong with a row before its fields are looked at.
func (rd *reader) flawOf(rec record) *flaw {
	rd.judge.unit, rd.judge.depot = nil, nil
	if bad := rec.flaw; bad != nil {
		if bad.field >= 0 && bad.field < len(rd.in.names) {
			bad.column = rd.in.names[bad.field]
		}
		if bad.value == "" && bad.field >= 0 && bad.field < len(rec.fields) {
			bad.value = printable(rec.fields[bad.field])
		}
		return bad
	}
	have, want := len(rec.fields), len(rd.in.names)
	if have == want {
		return nil
	}
	bad := &flaw{reason: fmt.Sprintf("the row has %d fields and the header has %d: look for a separator that is missing or too many, or a text with a separator in it that is not in quotes", have, want)}
	if have > want {
		bad.value = printable(rec.fields[want])
	}
	return bad
}

func (rd *reader) skipTo(line int64) (record, error) {
	for {
		rec, err := rd.src.next()
		if err != nil || rec.line > line {
			return rec, refusal{fmt.Errorf("the file was changed while it was read, so nothing of it was taken: bring it again")}
		}
		if rec.line == line {
			rd.flawOf(rec)
			rd.parser.parse(rd.judge, rec.fields) // tells the unit's depot
			return rec, nil
		}
	}
}

// mostFields of one row are kept; a row with more is a damaged one.
const mostFields = 1000

// keptRow makes the row ready to be kept apart.
func (rd *reader) keptRow(rec record, bad *flaw) fleet.KeptRow {
	row := fleet.KeptRow{
		File: rd.in.name, Line: rec.line, Kind: rd.in.kind, Column: bad.column, Value: bad.value, Reason: bad.reason, DecimalComma: rd.judge.comma,
	}
	whole := len(rec.fields) == len(rd.in.names)
	for i, h := range rd.in.header {
		if !rd.isKeptColumn(i) {
			row.Header = append(row.Header, h)
		}
	}
	own := rec.fields[:min(len(rec.fields), mostFields)]
	if n := len(rd.in.names); !whole && len(own) > len(keptColumns) && n > len(keptColumns) && rd.isKeptColumn(n-1) {
		own = own[:len(own)-len(keptColumns)] // they come last, where WriteKept has put them
	}
	for i, f := range own {
		if !whole || !rd.isKeptColumn(i) { // where a row came from the first time is no part of it
			row.Fields = append(row.Fields, storable(f[:min(len(f), maxFieldBytes)]))
		}
	}
	if rd.unitAt >= 0 && rd.unitAt < len(rec.fields) {
		row.Unit = printable(field(rec.fields, rd.unitAt))
	}
	if u := rd.judge.known.units[row.Unit]; u != nil {
		row.Depot = u.Depot
	} else if rd.judge.depot != nil {
		row.Depot = rd.judge.depot.ID
	} else if len(rd.judge.only) == 1 {
		row.Depot = rd.judge.only[0] // who brought it may mend it
	}
	return row
}

// noteMended remembers where a good row stood when it was kept apart, if it says so.
func (rd *reader) noteMended(rec record) {
	if rd.keptFileAt < 0 || rd.keptLineAt < 0 {
		return
	}
	line, err := strconv.ParseInt(string(field(rec.fields, rd.keptLineAt)), 10, 64)
	if err != nil { // somebody added a row of their own
		return
	}
	if rd.mended == nil {
		rd.mended = map[int64]fleet.KeptRow{}
	}
	rd.mended[rec.line] = fleet.KeptRow{Kind: rd.in.kind, File: string(field(rec.fields, rd.keptFileAt)), Line: line}
}

func (rd *reader) isKeptColumn(i int) bool { return slices.Contains(keptColumns, rd.in.names[i]) }

// notices is what is to be told of the file once, besides its bad rows.
func (rd *reader) notices() []string {
	var told []string
	if unknown := unknownColumns(rd.parser, rd.in.names); len(unknown) > 0 {
		told = append(told, fmt.Sprintf("%s: passed over %s, which %s has no meaning for", rd.in.name, strings.Join(unknown, ", "), rd.in.kind))
	}
	if rd.twice > 0 {
		told = append(told, fmt.Sprintf("%s: %d %s without offset when clocks were put back (the first on line %d): the earlier of the two instants was taken",
			rd.in.name, rd.twice, plural(int(rd.twice), "time stands", "times stand"), rd.firstTwice))
	}
	return told
}
