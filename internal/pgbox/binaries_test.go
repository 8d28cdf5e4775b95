package pgbox

import (
	"fmt"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"
)

// pretend lays down programs that only tell a version; for choosing a server, no more is asked of one.
func pretend(t *testing.T, dir, version string) string {
	t.Helper()
	require.NoError(t, os.MkdirAll(dir, 0o755))
	for _, program := range []string{"initdb", "pg_ctl", "postgres"} {
		script := fmt.Sprintf("#!/bin/sh\necho 'postgres (PostgreSQL) %s'\n", version)
		require.NoError(t, os.WriteFile(filepath.Join(dir, program), []byte(script), 0o755))
	}
	return dir
}

func TestServersAreFoundInOrder(t *testing.T) {
	dir := t.TempDir()
	nine := pretend(t, filepath.Join(dir, "lib/9.6/bin"), "9.6.24")
	fourteen := pretend(t, filepath.Join(dir, "lib/14/bin"), "14.19 (Debian 14.19-1.pgdg120+1)")
	eighteen := pretend(t, filepath.Join(dir, "lib/18/bin"), "18beta2")
	linked := filepath.Join(dir, "links")
	require.NoError(t, os.Mkdir(linked, 0o755))
	for _, program := range []string{"initdb", "pg_ctl", "postgres"} {
		require.NoError(t, os.Symlink(filepath.Join(fourteen, program), filepath.Join(linked, program)))
	}
	clientOnly := pretend(t, filepath.Join(dir, "lib/16/bin"), "16.1")
	require.NoError(t, os.Remove(filepath.Join(clientOnly, "initdb")))
	pretend(t, filepath.Join(dir, "lib/17/bin"), "of no known version")

	places := []string{filepath.Join(dir, "lib/*/bin")}
	got := installed(t.Context(), linked+string(os.PathListSeparator)+"/nowhere", places)
	require.Equal(t, []server{{fourteen, 14}, {eighteen, 18}, {nine, 9}}, got, "PATH first, then by version, none twice")
	require.Equal(t, []server{{eighteen, 18}, {fourteen, 14}, {nine, 9}}, installed(t.Context(), "", places))
}

func TestServerIsChosenForTheCluster(t *testing.T) {
	all := []server{{"/13", 13}, {"/15", 15}, {"/17", 17}}
	for _, tc := range []struct {
		has    []server
		madeBy int
		want   server
		err    string
	}{
		{all, 0, server{"/15", 15}, ""},
		{all, 17, server{"/17", 17}, ""},
		{all, 13, server{"/13", 13}, ""}, // whoever has such a cluster may go on with it
		{all, 16, server{}, "was made by PostgreSQL 16 and no other version can read it, but this machine has only version 13 in /13, version 15 in /15, version 17 in /17"},
		{all[:1], 0, server{}, "no PostgreSQL server is installed that is new enough: version 14 or later is needed, found version 13 in /13"},
		{nil, 0, server{}, "no PostgreSQL server is installed: install it with “"},
		{nil, 15, server{}, "but none is installed: install version 15 with “"},
	} {
		got, err := choose(tc.has, tc.madeBy, "/cluster")
		require.Equal(t, tc.want, got)
		if tc.err == "" {
			require.NoError(t, err)
			continue
		}
		require.ErrorContains(t, err, tc.err)
		if len(tc.has) < 2 {
			require.ErrorIs(t, err, ErrNoServer)
		}
	}
}
