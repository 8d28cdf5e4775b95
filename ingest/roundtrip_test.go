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
func export(t testing.TB, db *store.DB) string {
	t.Helper()
	dir, kinds := t.TempDir(), fleet.Kinds()
	require.NoError(t, db.Export(t.Context(), kinds[:], func(k fleet.Kind, write func(io.Writer) error) error {
		f, err := os.Create(filepath.Join(dir, string(k)+".csv"))
		require.NoError(t, err)
		defer f.Close()
		return write(f)
	}))
	return dir
}

// contents reads a folder of exports.
func contents(t testing.TB, dir string) map[fleet.Kind]string {
	t.Helper()
	files := map[fleet.Kind]string{}
	for _, k := range fleet.Kinds() {
		b, err := os.ReadFile(filepath.Join(dir, string(k)+".csv"))
		require.NoError(t, err)
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
