// Package witness reads the values that others have published or worked out, which tests are held against: the files of testdata at the
// root of the module, whose READMEs say where they come from.
package witness

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"os"
	"path/filepath"
	"strconv"
	"testing"

	"github.com/stretchr/testify/require"
)

// Table reads a file of testdata as one map per row, by its columns; it has at least one.
func Table(tb testing.TB, name string) []map[string]string {
	tb.Helper()
	raw, err := os.ReadFile(path(tb, name))
	require.NoError(tb, err)
	rows, err := csv.NewReader(bytes.NewReader(raw)).ReadAll()
	require.NoError(tb, err)
	var out []map[string]string
	for _, r := range rows[1:] {
		row := map[string]string{}
		for i, v := range r {
			row[rows[0][i]] = v
		}
		out = append(out, row)
	}
	require.NotEmpty(tb, out, name)
	return out
}

// Number reads a figure as such files have it.
func Number(tb testing.TB, s string) float64 {
	tb.Helper()
	v, err := strconv.ParseFloat(s, 64)
	require.NoError(tb, err)
	return v
}

// JSON reads a file of testdata into what into points at.
func JSON(tb testing.TB, name string, into any) {
	tb.Helper()
	raw, err := os.ReadFile(path(tb, name))
	require.NoError(tb, err)
	require.NoError(tb, json.Unmarshal(raw, into))
}

// path is that of a file of testdata, wherever in the module the test stands.
func path(tb testing.TB, name string) string {
	tb.Helper()
	dir, err := os.Getwd()
	require.NoError(tb, err)
	for {
		if _, err := os.Stat(filepath.Join(dir, "go.mod")); err == nil {
			return filepath.Join(dir, "testdata", name)
		}
		above := filepath.Dir(dir)
		require.NotEqual(tb, above, dir, "no module above the test")
		dir = above
	}
}
