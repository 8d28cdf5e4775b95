package migrations_test

import (
	"context"
	"errors"
	"io/fs"
	"strings"
	"testing"
	"testing/fstest"

	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"
	"golang.org/x/sync/errgroup"

	"rimeyard/internal/pgtest"
	"rimeyard/migrations"
)

// bare gives the URL of a database that nobody has migrated.
func bare(t *testing.T) string {
	t.Helper()
	url := pgtest.URL(t)
	conn := connect(t, url)
	_, err := conn.Exec(t.Context(), `DROP SCHEMA public CASCADE; CREATE SCHEMA public`)
	require.NoError(t, err)
	return url
}

func connect(t *testing.T, url string) *pgx.Conn {
	t.Helper()
	conn, err := pgx.Connect(t.Context(), url)
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, conn.Close(context.Background())) })
	return conn
}

// some are migrations by number: the first makes table a, the second b, and so on.
func some(statements ...string) fstest.MapFS {
	names := []string{"0001_a.sql", "0002_b.sql", "0003_c.sql"}
	files := fstest.MapFS{}
	for i, sql := range statements {
		files[names[i]] = &fstest.MapFile{Data: []byte(sql)}
	}
	return files
}

const (
	a = `CREATE TABLE a (); INSERT INTO a DEFAULT VALUES`
	b = `CREATE TABLE b ()`
)

func TestEveryMigrationRunsOnceInOrder(t *testing.T) {
	conn := connect(t, bare(t))
	names, err := fs.Glob(migrations.Files, "*.sql")
	require.NoError(t, err)
	for i := range names {
		names[i] = strings.TrimSuffix(names[i], ".sql")
	}
	require.NotEmpty(t, names)
	applied, err := migrations.Apply(t.Context(), conn)
	require.NoError(t, err)
	require.Equal(t, names, applied)
	applied, err = migrations.Apply(t.Context(), conn)
	require.NoError(t, err)
	require.Empty(t, applied, "the second time there is nothing to do")
}

func TestEveryMigrationSaysWhatItCosts(t *testing.T) {
	names, err := fs.Glob(migrations.Files, "*.sql")
	require.NoError(t, err)
	for _, name := range names {
		sql, err := fs.ReadFile(migrations.Files, name)
		require.NoError(t, err)
		header, _, _ := strings.Cut(string(sql), "\n\n")
		require.True(t, strings.HasPrefix(header, "-- "+strings.TrimSuffix(name, ".sql")+": "), "%s does not begin with its name", name)
		for _, part := range []string{"Size: ", "Lock: ", "Back: "} {
			require.Contains(t, header, part, name)
		}
	}
}

func TestProgramsThatStartAtOnceMigrateOnce(t *testing.T) {
	url := bare(t)
	applied := make([][]string, 4)
	g, ctx := errgroup.WithContext(t.Context())
	for i := range applied {
		g.Go(func() error {
			conn, err := pgx.Connect(ctx, url)
			if err != nil {
				return err
			}
			applied[i], err = migrations.Apply(ctx, conn)
			return errors.Join(err, conn.Close(ctx))
		})
	}
	require.NoError(t, g.Wait())
	did := 0
	for _, names := range applied {
		if len(names) > 0 {
			did++
		}
	}
	require.Equal(t, 1, did)
}

func TestFailedMigrationLeavesNoTrace(t *testing.T) {
	conn := connect(t, bare(t))
	applied, err := migrations.ApplyFrom(t.Context(), conn, some(a, `CREATE TABLE half (); SELECT 1/0`))
	require.ErrorContains(t, err, "migration 0002_b: ERROR: division by zero")
	require.Equal(t, []string{"0001_a"}, applied)
	applied, err = migrations.ApplyFrom(t.Context(), conn, some(a, `CREATE TABLE half ()`)) // fails if half is there
	require.NoError(t, err)
	require.Equal(t, []string{"0002_b"}, applied, "what was mended runs; what had run does not run again")
}

func TestUnfitDatabaseIsLeftAlone(t *testing.T) {
	for _, tc := range []struct {
		name           string
		had, has       fstest.MapFS
		says, thenHave string
	}{
		{"newer", some(a, b), some(a), "migration 0002_b is not known here: the database was made by a newer rimeyard; update this program", "0001_a 0002_b"},
		{"changed", some(a), some(a+" -- and more", b), "migration 0001_a was changed after this database had it", "0001_a"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			conn := connect(t, bare(t))
			_, err := migrations.ApplyFrom(t.Context(), conn, tc.had)
			require.NoError(t, err)
			applied, err := migrations.ApplyFrom(t.Context(), conn, tc.has)
			require.ErrorContains(t, err, tc.says)
			require.Equal(t, tc.name == "newer", errors.Is(err, migrations.ErrNewer))
			require.Empty(t, applied)
			var have string
			require.NoError(t, conn.QueryRow(t.Context(), `SELECT string_agg(name, ' ' ORDER BY name) FROM schema_migration`).Scan(&have))
			require.Equal(t, tc.thenHave, have)
		})
	}
}

func TestHoleInTheRecordIsRefused(t *testing.T) {
	conn := connect(t, bare(t))
	_, err := migrations.ApplyFrom(t.Context(), conn, some(a, b))
	require.NoError(t, err)
	_, err = conn.Exec(t.Context(), `DELETE FROM schema_migration WHERE name = '0001_a'`)
	require.NoError(t, err)
	_, err = migrations.ApplyFrom(t.Context(), conn, some(a, b))
	require.ErrorContains(t, err, "had migration 0002_b, but not 0001_a before it")
}

func TestMisnumberedFilesAreRefused(t *testing.T) {
	for _, names := range [][]string{{"0002_b.sql"}, {"0001_a.sql", "0001_b.sql"}, {"0001_a.sql", "0003_c.sql"}, {"a.sql"}} {
		files := fstest.MapFS{}
		for _, name := range names {
			files[name] = &fstest.MapFile{}
		}
		_, err := migrations.ApplyFrom(t.Context(), nil, files)
		require.ErrorContains(t, err, "no number may be missing or used twice", "%v", names)
	}
}

func TestLockIsGivenBackAfterFailure(t *testing.T) {
	url := bare(t)
	held := connect(t, url) // stays connected, so that only the unlocking can free the lock
	_, err := migrations.ApplyFrom(t.Context(), held, some(`nonsense`))
	require.Error(t, err)
	applied, err := migrations.ApplyFrom(t.Context(), connect(t, url), some(a))
	require.NoError(t, err)
	require.Equal(t, []string{"0001_a"}, applied)
}
