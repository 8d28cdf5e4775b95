package ingest

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"unicode/utf8"
)

// The limits of what is held in memory of one row. The first is part of the public contract.
const (
	maxFieldBytes = 64 << 10
	maxRowBytes   = 4 * maxFieldBytes
)

// A record is one row of a file as it came. Its fields are valid until the next one is read.
type record struct {
	line   int64 // on which the row begins, from 1
	fields [][]byte
	flaw   *flaw // what is wrong with the row's bytes; the fields are then as far as they could be told apart
}

// A flaw is why a row is kept apart.
type flaw struct {
	column string // filled in from field where the header is known
	field  int    // index of the field, or -1 for the whole row
	value  string
	reason string
}

// csvReader splits RFC 4180 text into rows, like encoding/csv, but holds one row at a time within a fixed window, tells
// the line on which a row begins, and goes on after a bad row. A quote that opens and finds no end within the limit
// spoils only the line on which its row begins: the lines after it are read as rows of their own.
type csvReader struct {
	src        io.Reader
	separator  byte
	buf        []byte
	start, end int // buf[start:end] is read, but not yet given out
	line       int64
	srcErr     error // io.EOF, or what ended the reading early
	fields     [][]byte
	unquoted   []byte // holds the fields of a row in which quotes were taken away
}

func newCSVReader(src io.Reader, separator byte) *csvReader {
	return &csvReader{src: src, separator: separator, buf: make([]byte, 2*maxRowBytes), line: 1}
}

// next returns the next row that is not an empty line. io.EOF ends the file; any other error means that the rest of the
// file could not be read.
func (c *csvReader) next() (record, error) {
	for {
		n, err := c.fillLine()
		if err != nil {
			return record{}, err
		}
		if line := c.buf[c.start : c.start+n]; isBlank(line) {
			c.advance(n)
			continue
		}
		return c.record(n)
	}
}

// fillLine makes sure that a whole line, its end included, is in the window, and returns its length: what is there when
// the file ends or the window is full.
func (c *csvReader) fillLine() (int, error) {
	for scanned := 0; ; {
		if i := bytes.IndexByte(c.buf[c.start+scanned:c.end], '\n'); i >= 0 {
			return scanned + i + 1, nil
		}
		scanned = c.end - c.start
		if scanned >= maxRowBytes {
			return scanned, nil
		}
		if c.srcErr != nil {
			if !errors.Is(c.srcErr, io.EOF) || scanned == 0 {
				return 0, c.srcErr
			}
			return scanned, nil
		}
		c.fill()
	}
}

// fill reads more into the window, and moves what is there to its front when there is no room.
func (c *csvReader) fill() {
	if len(c.buf)-c.end < maxRowBytes {
		c.end = copy(c.buf, c.buf[c.start:c.end])
		c.start = 0
	}
	n, err := c.src.Read(c.buf[c.end:])
	c.end += n
	c.srcErr = err
}

func (c *csvReader) advance(n int) {
	c.line += int64(bytes.Count(c.buf[c.start:c.start+n], []byte{'\n'}))
	c.start += n
}

// record splits the row that begins with a line of n bytes.
func (c *csvReader) record(n int) (record, error) {
	rec := record{line: c.line}
	line := trimEOL(c.buf[c.start : c.start+n])
	plain, highBit := c.splitPlain(line)
	if plain && n < maxRowBytes {
		rec.fields = c.fields
		c.line++
		c.start += n
		if highBit || len(line) > maxFieldBytes {
			rec.flaw = judgeBytes(rec.fields)
		}
		return rec, nil
	}
	if plain { // no end of line within the limit, and no quotes
		return c.overlong(rec)
	}
	consumed, bad, err := c.splitQuoted()
	if err != nil {
		return record{}, err
	}
	rec.fields = c.fields
	if bad == nil {
		rec.flaw = judgeBytes(rec.fields)
		c.advance(consumed)
		return rec, nil
	}
	if n >= maxRowBytes {
		return c.overlong(rec)
	}
	rec.flaw = bad
	c.splitNaive(line)
	rec.fields = c.fields
	c.advance(n)
	return rec, nil
}

// splitPlain splits a line that holds no quote at the beginning of a field, and tells whether that is so, and whether
// the line holds any byte that is not plain text.
func (c *csvReader) splitPlain(line []byte) (plain, odd bool) {
	c.fields = c.fields[:0]
	from, separator := 0, c.separator
	var high byte
	for i, b := range line {
		switch {
		case b == separator:
			c.fields = append(c.fields, line[from:i])
			from = i + 1
		case b == '"' && i == from:
			return false, true
		case b == 0:
			odd = true
		}
		high |= b
	}
	c.fields = append(c.fields, line[from:])
	return true, odd || high >= utf8.RuneSelf
}

func (c *csvReader) splitNaive(line []byte) {
	c.fields = c.fields[:0]
	for {
		i := bytes.IndexByte(line, c.separator)
		if i < 0 {
			c.fields = append(c.fields, line)
			return
		}
		c.fields = append(c.fields, line[:i])
		line = line[i+1:]
	}
}

// overlong keeps the beginning of a line that does not end within the limit, and passes over the rest of it.
func (c *csvReader) overlong(rec record) (record, error) {
	c.splitNaive(c.buf[c.start : c.start+maxRowBytes])
	rec.flaw = overlongRow()
	for i, f := range c.fields {
		if len(f) > maxFieldBytes {
			rec.flaw = overlongField(i, f)
			break
		}
	}
	rec.fields = make([][]byte, len(c.fields)) // the window is about to be overwritten
	for i, f := range c.fields {
		rec.fields[i] = bytes.Clone(f[:min(len(f), maxFieldBytes)])
	}
	for {
		if i := bytes.IndexByte(c.buf[c.start:c.end], '\n'); i >= 0 {
			c.advance(i + 1)
			return rec, nil
		}
		c.start = c.end
		if c.srcErr != nil {
			if errors.Is(c.srcErr, io.EOF) {
				return rec, nil
			}
			return record{}, c.srcErr
		}
		c.fill()
	}
}

// splitQuoted splits a row with quoted fields, which may run over several lines. It returns how many bytes the row
// takes, or what is wrong with its quotes.
func (c *csvReader) splitQuoted() (consumed int, bad *flaw, err error) {
	for {
		n, bad, complete := c.tryQuoted(c.buf[c.start:c.end])
		if complete {
			return n, bad, nil
		}
		if c.end-c.start >= maxRowBytes {
			return 0, overlongRow(), nil
		}
		if errors.Is(c.srcErr, io.EOF) {
			return 0, unclosed(len(c.fields) - 1), nil
		}
		if c.srcErr != nil {
			return 0, nil, c.srcErr
		}
		c.fill()
	}
}

func unclosed(field int) *flaw {
	return &flaw{field: field, reason: fmt.Sprintf(`the quote (") that opens this field finds no closing one within %d kB: close it, or double the quotes that belong to the text`, maxFieldBytes>>10)}
}

// tryQuoted splits one row at the beginning of text. It is incomplete when text ends inside the row and more may come.
func (c *csvReader) tryQuoted(text []byte) (n int, bad *flaw, complete bool) {
	c.fields, c.unquoted = c.fields[:0], c.unquoted[:0]
	atEOF := errors.Is(c.srcErr, io.EOF)
	for i := 0; ; {
		if i == len(text) && !atEOF {
			return 0, nil, false
		}
		if i < len(text) && text[i] == '"' {
			after, ok := c.takeQuoted(text, i+1)
			if !ok {
				return 0, unclosed(len(c.fields) - 1), len(text)-i > maxFieldBytes+2
			}
			i = after
			if i+1 >= len(text) && !atEOF { // the end of the row may not have been read
				return 0, nil, false
			}
			if i < len(text) && text[i] != c.separator && !isEOL(text[i:]) {
				return 0, &flaw{field: len(c.fields) - 1, reason: `there is text after the closing quote ("): double the quotes that belong to the text`}, true
			}
		} else {
			stop := bytes.IndexAny(text[i:], string([]byte{c.separator, '\n'}))
			if stop < 0 && !atEOF {
				return 0, nil, false
			}
			if stop < 0 {
				stop = len(text) - i
			}
			field := text[i : i+stop]
			i += stop
			if i == len(text) || text[i] == '\n' {
				field = bytes.TrimSuffix(field, []byte{'\r'})
			}
			c.fields = append(c.fields, field)
		}
		if i < len(text) && text[i] == c.separator {
			i++
			continue
		}
		if j := bytes.IndexByte(text[i:], '\n'); j >= 0 {
			return i + j + 1, nil, true
		}
		return len(text), nil, true
	}
}

// takeQuoted appends the field whose opening quote stands before text[i], without its quotes and with line ends as \n,
// and returns where the text goes on after the closing quote.
func (c *csvReader) takeQuoted(text []byte, i int) (after int, closed bool) {
	from := len(c.unquoted)
	for {
		stop := bytes.IndexByte(text[i:], '"')
		if stop < 0 || len(c.unquoted)-from+stop > 2*maxFieldBytes {
			c.fields = append(c.fields, nil)
			return 0, false
		}
		c.unquoted = append(c.unquoted, text[i:i+stop]...)
		i += stop + 1
		if i >= len(text) || text[i] != '"' {
			break
		}
		c.unquoted = append(c.unquoted, '"')
		i++
	}
	field := c.unquoted[from:]
	if bytes.Contains(field, []byte("\r\n")) {
		field = bytes.ReplaceAll(field, []byte("\r\n"), []byte{'\n'})
	}
	c.fields = append(c.fields, field[:len(field):len(field)])
	return i, true
}

// judgeBytes finds the first field that is no text or too long.
func judgeBytes(fields [][]byte) *flaw {
	for i, f := range fields {
		switch {
		case len(f) > maxFieldBytes:
			return overlongField(i, f)
		case bytes.IndexByte(f, 0) >= 0:
			return &flaw{field: i, value: printable(f), reason: "the field holds a NUL byte, which no text has: the file is damaged here, or was not saved as text"}
		case !utf8.Valid(f):
			return &flaw{field: i, value: printable(f), reason: "the field holds bytes that are not UTF-8: save the file as UTF-8 (“CSV UTF-8” in most spreadsheets)"}
		}
	}
	return nil
}

func overlongRow() *flaw {
	return &flaw{field: -1, reason: fmt.Sprintf("the row is longer than %d kB: break it into rows, or shorten its fields", maxRowBytes>>10)}
}

func overlongField(i int, f []byte) *flaw {
	return &flaw{field: i, value: printable(f), reason: fmt.Sprintf("the field is longer than %d kB: shorten it, or look for a separator or quote that is missing", maxFieldBytes>>10)}
}

// printable shortens a value and makes it safe to store and show: what is not UTF-8 becomes �, and NUL becomes ␀.
func printable(f []byte) string {
	const shown = 200 // bytes, enough to find it in the file
	cut := len(f) > shown
	if cut {
		f = f[:shown]
	}
	s := storable(f)
	if cut {
		s += "…"
	}
	return s
}

func storable(f []byte) string {
	return string(bytes.ReplaceAll(bytes.ToValidUTF8(f, []byte("�")), []byte{0}, []byte("␀")))
}

func isBlank(line []byte) bool { return len(trimEOL(line)) == 0 }

// isEOL tells whether text begins with an end of line, or is what is left of one at the end of a file.
func isEOL(text []byte) bool {
	return text[0] == '\n' || text[0] == '\r' && (len(text) == 1 || text[1] == '\n')
}

func trimEOL(line []byte) []byte {
	line = bytes.TrimSuffix(line, []byte{'\n'})
	return bytes.TrimSuffix(line, []byte{'\r'})
}
