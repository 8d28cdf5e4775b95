package ingest

import (
	"bufio"
	"bytes"
	"compress/gzip"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"rimeyard/internal/fleet"
)

// An input is one file, or one array of a batch.
type input struct {
	name   string // as results show it
	open   func() (source, error)
	reason error // why it cannot be read; nil: it can, as far as its first line goes
	kind   fleet.Kind
	header []string            // as written
	names  []string            // the same, as columns are looked up
	rows   []map[string]string // of a batch; nil: of a file, which is read row by row
}

// A source gives the rows of one input, after its header. io.EOF ends it.
type source interface {
	next() (record, error)
	comma() bool // decimal comma allowed
	Close() error
}

// fileSource reads a file, packed or not.
type fileSource struct {
	*csvReader
	file *os.File
}

func (f *fileSource) comma() bool { return f.separator == ';' }

// Close closes the file.
func (f *fileSource) Close() error { return f.file.Close() }

// openFile returns a file's rows with the header as the first of them.
func openFile(path string) (_ *fileSource, err error) {
	info, err := os.Stat(path)
	if err != nil {
		return nil, cannotRead(err)
	}
	if !info.Mode().IsRegular() {
		return nil, errors.New("it is not a regular file: copy its content into one")
	}
	f, err := os.Open(path)
	if err != nil {
		return nil, cannotRead(err)
	}
	defer func() {
		if err != nil {
			err = errors.Join(err, f.Close())
		}
	}()
	start := bufio.NewReaderSize(f, maxFieldBytes)
	var src io.Reader = start
	if magic, _ := start.Peek(2); bytes.Equal(magic, []byte{0x1f, 0x8b}) {
		unpacked, err := gzip.NewReader(start)
		if err != nil {
			return nil, damaged(err)
		}
		start = bufio.NewReaderSize(unpacked, maxFieldBytes)
		src = start
	}
	head, err := start.Peek(maxFieldBytes)
	if err != nil && !errors.Is(err, io.EOF) {
		return nil, damaged(err)
	}
	separator, skip, err := sniff(head)
	if err != nil {
		return nil, err
	}
	if _, err := start.Discard(skip); err != nil {
		return nil, damaged(err)
	}
	return &fileSource{newCSVReader(src, separator), f}, nil
}

func cannotRead(err error) error {
	switch {
	case errors.Is(err, fs.ErrPermission):
		return errors.New("it may not be read by this account: change its permissions, and bring it again")
	case errors.Is(err, fs.ErrNotExist):
		return errors.New("there is no such file")
	}
	return fmt.Errorf("it cannot be read: %w", err)
}

// damaged says what stopped the reading of a file in its midst. Nothing of such a file is taken, for what is missing
// cannot be told from what is there.
func damaged(err error) error {
	switch {
	case errors.Is(err, io.ErrUnexpectedEOF):
		return errors.New("the packed file breaks off before its end, so nothing of it was taken: copy or pack it again")
	case errors.Is(err, gzip.ErrChecksum), errors.Is(err, gzip.ErrHeader):
		return errors.New("the packed file is damaged, so nothing of it was taken: copy or pack it again")
	}
	return fmt.Errorf("it could not be read to its end, so nothing of it was taken: %w", err)
}

// fileInput looks into a file to see what it is.
func fileInput(path, name string) *input {
	in := &input{name: storable([]byte(name))}
	src, err := openFile(path)
	if err != nil {
		in.reason = err
		return in
	}
	defer src.Close() //nolint:errcheck // it was only read
	rec, err := src.next()
	switch {
	case errors.Is(err, io.EOF):
		in.reason = errEmpty
	case err != nil:
		in.reason = damaged(err)
	default:
		in.header, in.names, in.reason = headerOf(rec)
	}
	if in.reason != nil {
		return in
	}
	p, err := recognise(in.names)
	if err != nil {
		in.reason = err
		return in
	}
	in.kind = p.kind()
	in.open = func() (source, error) {
		src, err := openFile(path)
		if err != nil {
			return nil, err
		}
		if _, err := src.next(); err != nil {
			return nil, errors.Join(damaged(err), src.Close())
		}
		return src, nil
	}
	return in
}

// find lists the files that paths name: files as they are, and folders with all in them that ends in .csv or .tsv,
// packed or not. It tells what it left out.
func find(paths []string) (inputs []*input, left []string) {
	seen, names := map[string]bool{}, map[string]bool{}
	add := func(path, name string) {
		full, err := filepath.Abs(path)
		if err != nil {
			full = path
		}
		if seen[full] {
			return
		}
		seen[full] = true
		if names[name] {
			name = filepath.ToSlash(path)
		}
		names[name] = true
		inputs = append(inputs, fileInput(path, name))
	}
	for _, root := range paths {
		info, err := os.Stat(root)
		if err != nil || !info.IsDir() {
			add(root, filepath.Base(root))
			continue
		}
		err = filepath.WalkDir(root, func(path string, d fs.DirEntry, err error) error {
			name, relErr := filepath.Rel(root, path)
			if relErr != nil {
				name = path
			}
			name = filepath.ToSlash(name)
			switch {
			case err != nil:
				inputs = append(inputs, &input{name: name, reason: cannotRead(err)})
			case d.IsDir():
			case hasTableName(path):
				add(path, name)
			default:
				left = append(left, name)
			}
			return nil
		})
		if err != nil {
			inputs = append(inputs, &input{name: filepath.ToSlash(root), reason: cannotRead(err)})
		}
	}
	sortByReference(inputs)
	return inputs, left
}

// sortByReference puts what others refer to first; files of one kind stay in the order in which they were named.
func sortByReference(inputs []*input) {
	kinds := fleet.Kinds()
	slices.SortStableFunc(inputs, func(a, b *input) int { return slices.Index(kinds[:], a.kind) - slices.Index(kinds[:], b.kind) })
}

func hasTableName(path string) bool {
	name := strings.TrimSuffix(strings.ToLower(filepath.Base(path)), ".gz")
	return !strings.HasPrefix(name, ".") && (strings.HasSuffix(name, ".csv") || strings.HasSuffix(name, ".tsv"))
}
