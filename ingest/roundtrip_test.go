package ingest_test

import (
	"io"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"

	"rimeyard/internal/fleet"
	"rimeyard/internal/pgtest"
	"rimeyard/internal/store"
)

// export writes all kinds into a folder and returns it.
func export(tb testing.TB, db *store.DB) string {
	tb.Helper()
	dir, kinds := tb.TempDir(), fleet.Kinds()
	require.NoError(tb, db.Export(tb.Context(), kinds[:], func(k fleet.Kind, write func(io.Writer) error) error {
		f, err := os.Create(filepath.Join(dir, string(k)+".csv"))
		require.NoError(tb, err)
		defer f.Close()
		return write(f)
	}))
	return dir
}

// contents reads a folder of exports.
func contents(tb testing.TB, dir string) map[fleet.Kind]string {
	tb.Helper()
	files := map[fleet.Kind]string{}
	for _, k := range fleet.Kinds() {
		b, err := os.ReadFile(filepath.Join(dir, string(k)+".csv"))
		require.NoError(tb, err)
		files[k] = string(b)
	}
	return files
}

func TestCanonicalFilesComeOutAsTheyWentInByteForByte(t *testing.T) {
	first := export(t, newFleet(t))
	require.Equal(t, contents(t, fleetDir), contents(t, first))
	again := store.New(pgtest.New(t))
	require.True(t, importPaths(t, again, first).Complete())
	require.Equal(t, contents(t, first), contents(t, export(t, again)))
}
