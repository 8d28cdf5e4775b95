package ingest

import (
	"bytes"
	"errors"
	"fmt"
	"slices"
	"strings"
	"unicode/utf8"

	"rimeyard/internal/fleet"
)

// The columns that a folder of kept rows adds to tell where each came from. They are no part of a row, and no surprise.
var keptColumns = []string{keptFileColumn, keptLineColumn, "kept_column", "kept_reason"}

// The two of them that tell where.
const (
	keptFileColumn = "kept_file"
	keptLineColumn = "kept_line"
)

var byteOrderMark = []byte("\xef\xbb\xbf")

// separatorOf guesses the separator from the header line: the one that gives most names that some kind of file has.
func separatorOf(header []byte) byte {
	best, most := byte(','), -1
	for _, separator := range []byte{',', ';', '\t'} {
		n := 0
		for _, name := range bytes.Split(header, []byte{separator}) {
			if anyKindHas(columnName(bytes.Trim(name, `" `))) {
				n++
			}
		}
		if n > most {
			best, most = separator, n
		}
	}
	return best
}

func columnName(field []byte) string { return strings.ToLower(strings.TrimSpace(storable(field))) }

func anyKindHas(name string) bool {
	for _, k := range fleet.Kinds() {
		if has(parserOf(k), name) {
			return true
		}
	}
	return false
}

func has(p parser, name string) bool {
	return slices.ContainsFunc(p.columns(), func(c columnInfo) bool { return c.name == name || fahrenheit(c.name) == name && name != "" })
}

// recognise tells from its columns what kind of file this is, or says what is missing.
func recognise(names []string) (parser, error) {
	var best parser
	var lacking []string
	bestScore := 0
	for _, k := range fleet.Kinds() {
		p := parserOf(k)
		missing := lacks(p, names)
		score := 0
		for _, n := range names {
			if has(p, n) {
				score++
			}
		}
		const complete = 1000 // outweighs any number of columns
		if len(missing) == 0 {
			score += complete
		}
		if score > bestScore {
			best, lacking, bestScore = p, missing, score
		}
	}
	if best == nil || bestScore == 1 && len(names) > 1 {
		return nil, fmt.Errorf("none of the known kinds of file has these columns (%s): the first line must name the columns, as in the description of the files", shortList(names))
	}
	if len(lacking) == 0 {
		return best, doubled(best, names)
	}
	var say []string
	for _, l := range lacking {
		s := l
		if like := spelledLike(strings.Split(l, " or "), names, best); like != "" {
			s += fmt.Sprintf(" (perhaps spelled %q here)", like)
		}
		say = append(say, s)
	}
	return nil, fmt.Errorf("it looks like %s, but lacks %s: name the column so in the first line, and bring the file again",
		best.kind(), plural(len(say), "the column ", "the columns ")+strings.Join(say, ", "))
}

func plural(n int, one, many string) string {
	if n == 1 {
		return one
	}
	return many
}

// lacks lists the columns that a file of this kind needs and that names does not have.
func lacks(p parser, names []string) []string {
	var missing, oneOfThese []string
	oneThere := false
	for _, c := range p.columns() {
		there := slices.Contains(names, c.name) || fahrenheit(c.name) != "" && slices.Contains(names, fahrenheit(c.name))
		switch {
		case c.need == required && !there:
			missing = append(missing, c.name)
		case c.need == oneOf:
			oneOfThese = append(oneOfThese, c.name)
			oneThere = oneThere || there
		}
	}
	if len(oneOfThese) > 0 && !oneThere {
		missing = append(missing, strings.Join(oneOfThese, " or "))
	}
	return missing
}

// doubled refuses a header that names a column twice, because nobody could say which of the two counts.
func doubled(p parser, names []string) error {
	for i, n := range names {
		if has(p, n) && slices.Contains(names[:i], n) {
			return fmt.Errorf("the column %s stands twice in the first line: take one away, or name it otherwise", n)
		}
	}
	return nil
}

// spelledLike finds the name in the header that may be meant by one of the wanted ones.
func spelledLike(wanted, names []string, p parser) string {
	for _, w := range wanted {
		for _, n := range names {
			if !has(p, n) && (lettersOf(n) == lettersOf(w) || distance(n, w) <= max(1, len(w)/4)) {
				return n
			}
		}
	}
	return ""
}

func lettersOf(s string) string {
	return strings.Map(func(r rune) rune {
		if r < 'a' || r > 'z' {
			return -1
		}
		return r
	}, s)
}

// distance counts the letters to put in, take out or change to make a out of b (Levenshtein 1966).
func distance(a, b string) int {
	row := make([]int, len(b)+1)
	for j := range row {
		row[j] = j
	}
	for i := range len(a) {
		diagonal := row[0]
		row[0] = i + 1
		for j := range len(b) {
			change := diagonal
			if a[i] != b[j] {
				change++
			}
			diagonal = row[j+1]
			row[j+1] = min(change, row[j]+1, row[j+1]+1)
		}
	}
	return row[len(b)]
}

// unknownColumns lists what the kind does not have.
func unknownColumns(p parser, names []string) []string {
	var unknown []string
	for _, n := range names {
		if !has(p, n) && !slices.Contains(keptColumns, n) {
			unknown = append(unknown, fmt.Sprintf("%q", n))
		}
	}
	return unknown
}

func shortList(names []string) string {
	const most = 6
	if len(names) > most {
		return printable([]byte(strings.Join(names[:most], ", "))) + ", …"
	}
	return printable([]byte(strings.Join(names, ", ")))
}

var errEmpty = errors.New("the file is empty: its first line must name the columns")

// headerOf reads the first line of a file into names.
func headerOf(rec record) ([]string, []string, error) {
	if rec.flaw != nil {
		return nil, nil, fmt.Errorf("its first line, which must name the columns, cannot be read: %s", rec.flaw.reason)
	}
	raw, names := make([]string, len(rec.fields)), make([]string, len(rec.fields))
	for i, f := range rec.fields {
		raw[i], names[i] = storable(bytes.TrimSpace(f)), columnName(f)
	}
	return raw, names, nil
}

// sniff reads the byte-order mark and guesses the separator from what a file begins with.
func sniff(start []byte) (separator byte, skip int, err error) {
	switch {
	case bytes.HasPrefix(start, []byte("\xff\xfe")) || bytes.HasPrefix(start, []byte("\xfe\xff")):
		return 0, 0, errors.New("the file is UTF-16: save it as UTF-8 (“CSV UTF-8” in most spreadsheets)")
	case bytes.HasPrefix(start, []byte("PK\x03\x04")):
		return 0, 0, errors.New("the file is a workbook or a zip archive: save the sheet as CSV")
	case bytes.HasPrefix(start, byteOrderMark):
		skip = len(byteOrderMark)
	}
	line := bytes.TrimLeft(start[skip:], "\r\n")
	if i := bytes.IndexByte(line, '\n'); i >= 0 {
		line = line[:i]
	}
	if !utf8.Valid(line) && len(line) < len(start)-skip {
		return 0, 0, errors.New("its first line is not UTF-8: save the file as UTF-8 (“CSV UTF-8” in most spreadsheets)")
	}
	return separatorOf(line), skip, nil
}
