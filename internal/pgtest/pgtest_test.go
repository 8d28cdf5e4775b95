package pgtest

import (
	"testing"

	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"
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
