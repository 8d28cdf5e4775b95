package web

import (
	"bytes"
	"slices"
	"strings"
)

// units of measure that stand behind a figure, the longer before those that they begin with.
var units = []string{"%", "°C", "Ah", "A", "mA", "ms", "mV", "mΩ", "min", "kW", "km", "kg", "N·m", "V", "h", "s"}

// unbroken keeps every figure of a page in one line with its unit of measure: the space between 78 and % does not break. It changes what is
// read only, never an attribute, nor what is typed into a text area or stands in a script.
func unbroken(page []byte) []byte {
	out := make([]byte, 0, len(page)+len(page)/64)
	for len(page) > 0 {
		tag := bytes.IndexByte(page, '<')
		if tag < 0 {
			tag = len(page)
		}
		out, page = appendUnbroken(out, page[:tag]), page[tag:]
		end := tagEnd(page)
		out, page = append(out, page[:end]...), page[end:]
	}
	return out
}

// tagEnd is where the tag ends that a page begins with, with all that is in it where that is typed or run; 0: it begins with none.
func tagEnd(page []byte) int {
	for _, name := range []string{"textarea", "script", "style"} {
		if !bytes.HasPrefix(page[min(1, len(page)):], []byte(name)) {
			continue
		}
		if end := bytes.Index(page, []byte("</"+name)); end >= 0 {
			return end + 1
		}
	}
	quote := byte(0)
	for i, c := range page {
		switch {
		case quote != 0:
			if c == quote {
				quote = 0
			}
		case c == '"' || c == '\'':
			quote = c
		case c == '>':
			return i + 1
		}
	}
	return len(page)
}

func appendUnbroken(out, text []byte) []byte {
	for i, c := range text {
		if c == ' ' && i > 0 && text[i-1] >= '0' && text[i-1] <= '9' && beginsWithUnit(text[i+1:]) {
			out = append(out, "\u00a0"...)
			continue
		}
		out = append(out, c)
	}
	return out
}

func beginsWithUnit(text []byte) bool {
	return slices.ContainsFunc(units, func(unit string) bool {
		after, found := bytes.CutPrefix(text, []byte(unit))
		return found && (len(after) == 0 || strings.IndexByte(" .,;:)!?/\n", after[0]) >= 0 || bytes.HasPrefix(after, []byte("\u00a0")) || bytes.HasPrefix(after, []byte("–")))
	})
}
