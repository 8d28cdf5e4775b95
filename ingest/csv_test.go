package ingest

import (
	"bytes"
	"encoding/csv"
	"errors"
	"io"
	"slices"
	"strings"
	"testing"
	"testing/iotest"
	"unicode/utf8"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// readAll reads rows as strings, with the line each begins on, and what is wrong with each.
func readAll(tb testing.TB, r io.Reader) (rows [][]string, lines []int64, flaws []*flaw) {
	tb.Helper()
	c := newCSVReader(r, ',')
	for {
		rec, err := c.next()
		if errors.Is(err, io.EOF) {
			return rows, lines, flaws
		}
		require.NoError(tb, err)
		var row []string
		for _, f := range rec.fields {
			row = append(row, string(f))
		}
		rows, lines, flaws = append(rows, row), append(lines, rec.line), append(flaws, rec.flaw)
	}
}

func TestRowsAndTheirLines(t *testing.T) {
	for _, tc := range []struct {
		name, text string
		rows       [][]string
		lines      []int64
		flawed     []int // fields with a flaw, by row; −2: none
	}{
		{"plain", "a,b\n1,2\n", [][]string{{"a", "b"}, {"1", "2"}}, []int64{1, 2}, []int{-2, -2}},
		{"no line end at the end", "a,b\n1,2", [][]string{{"a", "b"}, {"1", "2"}}, []int64{1, 2}, []int{-2, -2}},
		{"CR LF, empty lines", "a,b\r\n\r\n\r\n1,\r\n", [][]string{{"a", "b"}, {"1", ""}}, []int64{1, 4}, []int{-2, -2}},
		{"quotes", "\"a,\"\"b\"\n\"\",\"x\ny\"\nz,\"q\"\n", [][]string{{`a,"b`}, {"", "x\ny"}, {"z", "q"}}, []int64{1, 2, 4}, []int{-2, -2, -2}},
		{"a quote within a field", "19\" rim,2\n", [][]string{{`19" rim`, "2"}}, []int64{1}, []int{-2}},
		{"text after a quote", "\"a\"b,2\n3,4\n", [][]string{{`"a"b`, "2"}, {"3", "4"}}, []int64{1, 2}, []int{0, -2}},
		{"a quote without end spoils its line only", "1,\"x,2\n3,4,5\n", [][]string{{"1", `"x`, "2"}, {"3", "4", "5"}}, []int64{1, 2}, []int{1, -2}},
		{"NUL", "1,a\x00b\n2,c\n", [][]string{{"1", "a\x00b"}, {"2", "c"}}, []int64{1, 2}, []int{1, -2}},
		{"not UTF-8", "1,Z\xfcrich\n2,c\n", [][]string{{"1", "Z\xfcrich"}, {"2", "c"}}, []int64{1, 2}, []int{1, -2}},
	} {
		t.Run(tc.name, func(t *testing.T) {
			for _, r := range []io.Reader{strings.NewReader(tc.text), iotest.OneByteReader(strings.NewReader(tc.text))} {
				rows, lines, flaws := readAll(t, r)
				require.Equal(t, tc.rows, rows)
				require.Equal(t, tc.lines, lines)
				for i, f := range flaws {
					if tc.flawed[i] == -2 {
						require.Nil(t, f)
						continue
					}
					require.NotNil(t, f)
					require.Equal(t, tc.flawed[i], f.field)
				}
			}
		})
	}
}

// TestHugeRowsAreKeptApartAlone puts rows that are too big between good ones.
func TestHugeRowsAreKeptApartAlone(t *testing.T) {
	const tenMB = 10 << 20
	for _, tc := range []struct {
		name, bad, says string
		field           int
	}{
		{"one field of 10 MB", "1," + strings.Repeat("x", tenMB), "longer than 64 kB", 1},
		{"one quoted field of 10 MB", `1,"` + strings.Repeat("x", tenMB) + `"`, "longer than 64 kB", 1},
		{"a field of 70 kB", "1," + strings.Repeat("x", 70<<10), "longer than 64 kB", 1},
		{"a quoted field of 70 kB", `1,"` + strings.Repeat("x", 70<<10) + `"`, "longer than 64 kB", 1},
		{"ten million fields", strings.Repeat(",", tenMB), "the row is longer", -1},
	} {
		t.Run(tc.name, func(t *testing.T) {
			rows, lines, flaws := readAll(t, strings.NewReader("a,b\n"+tc.bad+"\n3,4\n"))
			require.Equal(t, []int64{1, 2, 3}, lines)
			require.Equal(t, []string{"3", "4"}, rows[2])
			require.Nil(t, flaws[0])
			require.Nil(t, flaws[2])
			require.Contains(t, flaws[1].reason, tc.says)
			require.Equal(t, tc.field, flaws[1].field)
		})
	}
	t.Run("a field of 64 kB is not too big", func(t *testing.T) {
		for _, quote := range []string{"", `"`} {
			_, _, flaws := readAll(t, strings.NewReader("1,"+quote+strings.Repeat("x", maxFieldBytes)+quote+"\n"))
			require.Equal(t, []*flaw{nil}, flaws)
		}
	})
}

// FuzzRows holds the reader against encoding/csv: what that one reads without complaint, this one reads the same.
func FuzzRows(f *testing.F) {
	for _, s := range []string{"a,b\n1,2\n", "\"a,\"\"b\"\r\n\r\n\"\",\"x\r\ny\"\r\nz,\"q\"\r", "a,\"b\n", "\"\"\"\"", "\"a\" ,b", ",\n\"\n", "a;b\xff\x00\r\r\n"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, text string) {
		rows, lines, flaws := readAll(t, strings.NewReader(text))
		slow, slowLines, _ := readAll(t, iotest.OneByteReader(strings.NewReader(text)))
		require.Equal(t, rows, slow, "the size of reads must not matter")
		require.Equal(t, lines, slowLines)
		for i := 1; i < len(lines); i++ {
			require.Less(t, lines[i-1], lines[i])
		}
		std := csv.NewReader(strings.NewReader(text))
		std.FieldsPerRecord = -1
		want, err := std.ReadAll()
		if err != nil {
			return
		}
		require.Len(t, rows, len(want))
		for i, row := range want {
			require.Equal(t, row, rows[i])
			text := !slices.ContainsFunc(row, func(f string) bool { return !utf8.ValidString(f) || strings.Contains(f, "\x00") })
			require.Equal(t, text, flaws[i] == nil)
		}
	})
}

func TestRowsWrittenByTheStandardLibraryReadBack(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		field := rapid.StringOf(rapid.RuneFrom([]rune("ab,;\"\n\t äø")))
		rows := rapid.SliceOfN(rapid.SliceOfN(field, 2, 4), 1, 10).Draw(t, "rows")
		var b bytes.Buffer
		w := csv.NewWriter(&b)
		w.Comma = rapid.SampledFrom([]rune{',', ';', '\t'}).Draw(t, "separator")
		if err := w.WriteAll(rows); err != nil {
			t.Fatal(err)
		}
		c := newCSVReader(bytes.NewReader(b.Bytes()), byte(w.Comma))
		for _, want := range rows {
			rec, err := c.next()
			if err != nil || rec.flaw != nil {
				t.Fatalf("%v %v", err, rec.flaw)
			}
			for i, f := range rec.fields {
				if string(f) != want[i] {
					t.Fatalf("got %q, want %q", f, want[i])
				}
			}
		}
	})
}
