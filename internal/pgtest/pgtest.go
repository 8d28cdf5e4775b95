// Package pgtest gives each test a database of its own on a private server, which it starts itself.
//
// The server's data are in one folder of the user among the temporary files; what tests that were killed have left there
// goes with the folder.
package pgtest

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"

	"rimeyard/internal/pgbox"
	"rimeyard/migrations"
)

const limit = time.Minute // for what takes milliseconds, on a machine that is busy with other tests

// templateLock is the advisory lock under which the template is made. Any fixed number will do.
const templateLock = 0x7067746573740001

// New returns a pool on a fresh, migrated database, which is dropped when tb ends. The server and the template that
// databases are cloned from are shared by all test programs that run at the same time or one after the other; the
// server stays up for the next ones until it is stopped by [Stop]. A database costs some 80 ms on two cores.
func New(tb testing.TB) *pgxpool.Pool {
	tb.Helper()
	pool, err := pgxpool.New(context.Background(), URL(tb)) // tb's own context ends before its cleanups run
	if err != nil {
		tb.Fatalf("open the test's database: %v", err)
	}
	tb.Cleanup(func() {
		closed := make(chan struct{})
		go func() { pool.Close(); close(closed) }()
		select {
		case <-closed:
		case <-time.After(limit):
			tb.Error("a connection or a transaction of the test was never given back to the pool")
		}
	})
	return pool
}

// URL returns the connection string of a fresh, migrated database, which is dropped when tb ends.
func URL(tb testing.TB) string {
	tb.Helper()
	box, err := server()
	if err != nil {
		tb.Fatalf("start the test server: %v", err)
	}
	admin := box.URL()
	name := "t_" + strings.ToLower(rand.Text()[:16])
	if err := run(admin, fmt.Sprintf("CREATE DATABASE %s TEMPLATE %s", name, template())); err != nil {
		tb.Fatalf("create the test's database: %v", err)
	}
	tb.Cleanup(func() {
		if err := run(admin, fmt.Sprintf("DROP DATABASE %s WITH (FORCE)", name)); err != nil {
			tb.Errorf("drop the test's database: %v", err)
		}
	})
	return onDatabase(admin, name)
}

// Stop stops the server that New left running, unless some program still uses it.
func Stop(ctx context.Context) error {
	home, err := testHome()
	if err != nil {
		return err
	}
	if _, err := os.Stat(filepath.Join(home, "postgres", "data", "postmaster.pid")); errors.Is(err, os.ErrNotExist) {
		return nil
	}
	box, err := pgbox.Open(ctx, pgbox.Options{Home: home, ForTests: true})
	if err != nil {
		return err
	}
	return box.Close()
}

// server opens this program's share in the test server, once, and never closes it: the share ends with the program.
// The share is returned, and so kept: were it garbage, its lease would be closed with it and the server could be stopped.
var server = sync.OnceValues(func() (*pgbox.Box, error) {
	home, err := testHome()
	if err != nil {
		return nil, err
	}
	ctx, cancel := context.WithTimeout(context.Background(), limit)
	defer cancel()
	box, err := pgbox.Open(ctx, pgbox.Options{Home: home, ForTests: true})
	if err != nil {
		return nil, err
	}
	if err := ensureTemplate(ctx, box.URL()); err != nil {
		return nil, fmt.Errorf("make the template of all test databases: %w", errors.Join(err, box.Close()))
	}
	return box, nil
})

// testHome is one folder per user. Anybody may make folders there, so one that is somebody else's is refused.
func testHome() (string, error) {
	home := filepath.Join(os.TempDir(), fmt.Sprintf("rimeyard-test-%d", os.Getuid()))
	if err := os.Mkdir(home, 0o711); err != nil && !errors.Is(err, os.ErrExist) {
		return "", err
	}
	info, err := os.Lstat(home)
	if err != nil {
		return "", err
	}
	if st := info.Sys().(*syscall.Stat_t); !info.IsDir() || int(st.Uid) != os.Getuid() {
		return "", fmt.Errorf("%s is not a folder of this user: remove it", home)
	}
	return home, nil
}

func template() string { return "template_" + migrations.Hash()[:16] }

// ensureTemplate makes the template if it is not there. It gets its name when it is whole, so that a program that was
// killed half-way leaves nothing that another would take for it.
func ensureTemplate(ctx context.Context, admin string) error {
	conn, err := pgx.Connect(ctx, admin)
	if err != nil {
		return err
	}
	defer func() { _ = conn.Close(ctx) }()
	if _, err := conn.Exec(ctx, "SELECT pg_advisory_lock($1)", int64(templateLock)); err != nil { // ends with conn
		return err
	}
	var there bool
	if err := conn.QueryRow(ctx, "SELECT EXISTS (SELECT FROM pg_database WHERE datname = $1)", template()).Scan(&there); err != nil || there {
		return err
	}
	draft := template() + "_draft"
	for _, sql := range []string{"DROP DATABASE IF EXISTS " + draft + " WITH (FORCE)", "CREATE DATABASE " + draft} {
		if _, err := conn.Exec(ctx, sql); err != nil {
			return err
		}
	}
	if err := migrate(ctx, onDatabase(admin, draft)); err != nil {
		return err
	}
	_, err = conn.Exec(ctx, fmt.Sprintf("ALTER DATABASE %s RENAME TO %s", draft, template()))
	return err
}

func migrate(ctx context.Context, url string) error {
	conn, err := pgx.Connect(ctx, url)
	if err != nil {
		return err
	}
	_, err = migrations.Apply(ctx, conn)
	return errors.Join(err, conn.Close(ctx))
}

// run sends one statement on a connection of its own: a pool would keep goroutines that leak checks report.
func run(admin, sql string) error {
	ctx, cancel := context.WithTimeout(context.Background(), limit)
	defer cancel()
	conn, err := pgx.Connect(ctx, admin)
	if err != nil {
		return err
	}
	defer func() { _ = conn.Close(ctx) }()
	_, err = conn.Exec(ctx, sql)
	return err
}

func onDatabase(admin, name string) string {
	u, err := url.Parse(admin)
	if err != nil {
		panic(err) // pgbox made it
	}
	u.Path = "/" + name
	return u.String()
}
