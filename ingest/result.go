package ingest

import (
	"bufio"
	"encoding/csv"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"iter"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"text/tabwriter"

	"rimeyard/internal/fleet"
)

// Result is what became of an import. Rows kept apart are on disk until Close, as there may be very many.
type Result struct {
	Files   []fleet.FileResult // in the order in which they were taken, the refused ones among them
	Notices []string           // what people should know besides: columns passed over, times read as the earlier of two

	kept spool
}

// Kept yields the rows kept apart, file by file. It ends at the first error.
func (r *Result) Kept() iter.Seq2[fleet.KeptRow, error] { return r.kept.since(0) }

// Close removes what the result holds on disk.
func (r *Result) Close() error { return r.kept.close() }

// Complete tells whether every row of every file went in or was there already.
func (r *Result) Complete() bool {
	for _, f := range r.Files {
		if f.Refused != "" || f.KeptApart > 0 {
			return false
		}
	}
	return true
}

type fileJSON struct {
	File         string     `json:"file"`
	Kind         fleet.Kind `json:"kind"`
	Rows         int64      `json:"rows"`
	Taken        int64      `json:"taken"`
	AlreadyThere int64      `json:"already_there"`
	KeptApart    int64      `json:"kept_apart"`
}

type keptJSON struct {
	File   string `json:"file"`
	Line   int64  `json:"line"`
	Column string `json:"column"`
	Value  string `json:"value"`
	Reason string `json:"reason"`
}

type refusedJSON struct {
	File   string `json:"file"`
	Reason string `json:"reason"`
}

// WriteJSON writes the import result of the public contract, one entry on a line.
func (r *Result) WriteJSON(w io.Writer) error {
	out := &entryWriter{w: bufio.NewWriter(w)}
	out.list(`{`, "files")
	for _, f := range r.Files {
		if f.Refused == "" {
			out.entry(fileJSON{f.File, f.Kind, f.Rows, f.Taken, f.AlreadyThere, f.KeptApart})
		}
	}
	out.list("],", "kept_apart")
	for row, err := range r.Kept() {
		if err != nil {
			return err
		}
		out.entry(keptJSON{row.File, row.Line, row.Column, row.Value, row.Reason})
	}
	out.list("],", "refused")
	for _, f := range r.Files {
		if f.Refused != "" {
			out.entry(refusedJSON{f.File, f.Refused})
		}
	}
	out.text("]\n}\n")
	return errors.Join(out.err, out.w.Flush())
}

// entryWriter writes JSON lists piece by piece, because they may not fit into memory.
type entryWriter struct {
	w     *bufio.Writer
	first bool
	err   error
}

func (e *entryWriter) text(s string) {
	if _, err := e.w.WriteString(s); e.err == nil {
		e.err = err
	}
}

func (e *entryWriter) list(before, name string) {
	e.text(before + "\n  \"" + name + "\": [")
	e.first = true
}

func (e *entryWriter) entry(v any) {
	sep := ",\n    "
	if e.first {
		sep = "\n    "
	}
	e.first = false
	e.text(sep)
	var b jsonLine
	enc := json.NewEncoder(&b)
	enc.SetEscapeHTML(false)
	if err := enc.Encode(v); e.err == nil {
		e.err = err
	}
	e.text(string(b))
}

// jsonLine gathers what an encoder writes, without the line end that it adds.
type jsonLine []byte

func (b *jsonLine) Write(p []byte) (int, error) {
	*b = append(*b, p...)
	if n := len(*b); n > 0 && (*b)[n-1] == '\n' {
		*b = (*b)[:n-1]
	}
	return len(p), nil
}

// WriteTable writes the result for people: a line per file, then why rows and files were not taken.
func (r *Result) WriteTable(w io.Writer) error {
	const mostKept = 50 // more scroll away; the rest is in the database and in the files of WriteKept
	tab := tabwriter.NewWriter(w, 0, 0, 2, ' ', tabwriter.AlignRight)
	fmt.Fprintln(tab, "rows\ttaken\talready there\tkept apart\t  file")
	var kept int64
	for _, f := range r.Files {
		if f.Refused == "" {
			fmt.Fprintf(tab, "%d\t%d\t%d\t%d\t  %s (%s)\n", f.Rows, f.Taken, f.AlreadyThere, f.KeptApart, f.File, f.Kind)
			kept += f.KeptApart
		}
	}
	if err := tab.Flush(); err != nil {
		return err
	}
	for _, f := range r.Files {
		if f.Refused != "" {
			fmt.Fprintf(w, "refused: %s: %s\n", f.File, f.Refused)
		}
	}
	n := int64(0)
	for row, err := range r.Kept() {
		if err != nil {
			return err
		}
		if n++; n > mostKept {
			break
		}
		fmt.Fprintf(w, "kept apart: %s\n", whereAndWhy(row))
	}
	if kept > mostKept {
		fmt.Fprintf(w, "… and %d more rows kept apart; --kept-apart FOLDER writes them all into files to mend\n", kept-mostKept)
	}
	return nil
}

// whereAndWhy says where a row stands and what is wrong with it: file, line, column, value, reason.
func whereAndWhy(row fleet.KeptRow) string {
	s := fmt.Sprintf("%s, line %d", row.File, row.Line)
	if row.Column != "" {
		s += ", " + row.Column
	}
	if row.Value != "" {
		s += fmt.Sprintf(" %q", row.Value)
	}
	return s + ": " + row.Reason
}

// WriteCSV writes a line per file: file, kind, rows, taken, already_there, kept_apart, refused.
func (r *Result) WriteCSV(w io.Writer) error {
	out := csv.NewWriter(w)
	lines := [][]string{{"file", "kind", "rows", "taken", "already_there", "kept_apart", "refused"}}
	for _, f := range r.Files {
		count := func(n int64) string { return strconv.FormatInt(n, 10) }
		lines = append(lines, []string{f.File, string(f.Kind), count(f.Rows), count(f.Taken), count(f.AlreadyThere), count(f.KeptApart), f.Refused})
	}
	return out.WriteAll(lines)
}

// WriteKept writes the rows kept apart into files in the folder dir, to be mended there and imported again: one file per
// kind and header, each row with where it came from and why in columns that an import passes over.
func WriteKept(dir string, rows iter.Seq2[fleet.KeptRow, error]) (paths []string, err error) {
	if err := os.MkdirAll(dir, 0o750); err != nil {
		return nil, fmt.Errorf("write rows kept apart: %w", err)
	}
	files := map[string]*keptFile{}
	defer func() {
		for _, f := range files {
			err = errors.Join(err, f.close())
		}
		if err != nil {
			err = fmt.Errorf("write rows kept apart: %w", err)
		}
	}()
	seen := map[fleet.Kind]int{}
	for row, err := range rows {
		if err != nil {
			return paths, err
		}
		key := fmt.Sprintf("%s %q", row.Kind, row.Header)
		f := files[key]
		if f == nil {
			seen[row.Kind]++
			name := "kept_" + string(row.Kind) + ".csv"
			if n := seen[row.Kind]; n > 1 {
				name = fmt.Sprintf("kept_%s_%d.csv", row.Kind, n)
			}
			if f, err = newKeptFile(filepath.Join(dir, name), row.Header); err != nil {
				return paths, err
			}
			files[key] = f
			paths = append(paths, f.Name())
		}
		if err := f.write(row); err != nil {
			return paths, err
		}
	}
	return paths, nil
}

type keptFile struct {
	*os.File
	out *csv.Writer
}

func newKeptFile(path string, header []string) (*keptFile, error) {
	f, err := os.Create(path)
	if err != nil {
		return nil, err
	}
	k := &keptFile{f, csv.NewWriter(f)}
	return k, k.out.Write(slices.Concat(header, keptColumns))
}

// write appends a row. One with too few or too many fields stays so: unmended, it must not be taken for a whole one.
func (k *keptFile) write(row fleet.KeptRow) error {
	return k.out.Write(slices.Concat(row.Fields, []string{row.File, strconv.FormatInt(row.Line, 10), row.Column, row.Reason}))
}

func (k *keptFile) close() error {
	k.out.Flush()
	return errors.Join(k.out.Error(), k.Close())
}
