package pgtest

import (
	"os"
	"os/exec"
	"path/filepath"
	"testing"

	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"
	"golang.org/x/sync/errgroup"
)

func TestEachTestHasADatabaseOfItsOwn(t *testing.T) {
	one, two := New(t), New(t)
	_, err := one.Exec(t.Context(), `INSERT INTO depot (depot, name, timezone) VALUES ('N', 'North yard', 'UTC')`)
	require.NoError(t, err)
	var n int
	require.NoError(t, two.QueryRow(t.Context(), `SELECT count(*) FROM depot`).Scan(&n))
	require.Zero(t, n, "the other test's row is not here")
}

func TestADatabaseIsDroppedWhenItsTestEnds(t *testing.T) {
	var url, name string
	t.Run("with a database", func(t *testing.T) {
		url = URL(t)
		conn, err := pgx.Connect(t.Context(), url)
		require.NoError(t, err)
		require.NoError(t, conn.QueryRow(t.Context(), `SELECT current_database()`).Scan(&name))
		// left open on purpose: a test that forgets to close must not keep its database alive
	})
	admin, err := server()
	require.NoError(t, err)
	conn, err := pgx.Connect(t.Context(), admin.URL())
	require.NoError(t, err)
	defer conn.Close(t.Context())
	var there bool
	require.NoError(t, conn.QueryRow(t.Context(), `SELECT EXISTS (SELECT FROM pg_database WHERE datname = $1)`, name).Scan(&there))
	require.False(t, there, "%s is still there", name)
}

// Where nothing is there yet, test programs that start at once meet over the cluster, the server and the template.
func TestManyTestProgramsStartAtOnce(t *testing.T) {
	dir, err := os.MkdirTemp("", "rimeyard-pgtest-") // t.TempDir is closed to the server's account when root tests
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, os.RemoveAll(dir)) })
	require.NoError(t, os.Chmod(dir, 0o711))
	t.Setenv("TMPDIR", dir)
	var g errgroup.Group
	for range 4 {
		g.Go(func() error {
			out, err := exec.Command(os.Args[0], "-test.run=^TestEachTestHasADatabaseOfItsOwn$").CombinedOutput()
			if err != nil {
				t.Logf("%s", out)
			}
			return err
		})
	}
	require.NoError(t, g.Wait())
	home, err := testHome()
	require.NoError(t, err)
	pid := filepath.Join(home, "postgres", "data", "postmaster.pid")
	require.FileExists(t, pid, "the server waits for the next test program")
	require.NoError(t, Stop(t.Context()))
	require.NoFileExists(t, pid)
}
