package ingest

import (
	"bufio"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"iter"
	"os"

	"rimeyard/internal/fleet"
)

// spool holds rows kept apart in a temporary file, because a file of millions of rows may have millions of bad ones.
// Rows added since the last mark can be forgotten again.
type spool struct {
	file *os.File
	w    *bufio.Writer
	size int64 // bytes that are kept for good
}

// add appends a row. A spool opens its file with the first one.
func (s *spool) add(row fleet.KeptRow) error {
	if s.file == nil {
		f, err := os.CreateTemp("", "rimeyard-kept-")
		if err != nil {
			return fmt.Errorf("keep a row apart: %w", err)
		}
		s.file, s.w = f, bufio.NewWriter(f)
	}
	if err := json.NewEncoder(s.w).Encode(row); err != nil {
		return fmt.Errorf("keep a row apart: %w", err)
	}
	return nil
}

// mark makes the rows so far stay.
func (s *spool) mark() error {
	if s.file == nil {
		return nil
	}
	if err := s.w.Flush(); err != nil {
		return fmt.Errorf("keep rows apart: %w", err)
	}
	end, err := s.file.Seek(0, io.SeekEnd)
	if err != nil {
		return fmt.Errorf("keep rows apart: %w", err)
	}
	s.size = end
	return nil
}

// forget takes back the rows since the last mark.
func (s *spool) forget() error {
	if s.file == nil {
		return nil
	}
	s.w.Reset(s.file)
	_, err := s.file.Seek(s.size, io.SeekStart)
	if err := errors.Join(err, s.file.Truncate(s.size)); err != nil {
		return fmt.Errorf("forget rows of a file: %w", err)
	}
	return nil
}

// since yields the rows from offset, an earlier size, to the last mark, in the order in which they came. It ends at the
// first error.
func (s *spool) since(offset int64) iter.Seq2[fleet.KeptRow, error] {
	return func(yield func(fleet.KeptRow, error) bool) {
		if s.file == nil {
			return
		}
		r := bufio.NewReader(io.NewSectionReader(s.file, offset, s.size-offset))
		dec := json.NewDecoder(r)
		for {
			var row fleet.KeptRow
			err := dec.Decode(&row)
			if errors.Is(err, io.EOF) {
				return
			}
			if err != nil {
				yield(fleet.KeptRow{}, fmt.Errorf("read rows kept apart: %w", err))
				return
			}
			if !yield(row, nil) {
				return
			}
		}
	}
}

// close removes the file.
func (s *spool) close() error {
	if s.file == nil {
		return nil
	}
	return errors.Join(s.file.Close(), os.Remove(s.file.Name()))
}
