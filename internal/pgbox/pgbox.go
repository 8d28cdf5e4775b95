// Package pgbox runs a private PostgreSQL from the machine's own binaries, for people who have no database server and
// want none. The cluster lives in the folder "postgres" of the data folder, listens on a unix socket only, and lets in
// who can enter that folder: its owner, and root.
//
// Programs that open the same data folder share one server. Each holds a shared lock on the file "lease" while it lives,
// so the kernel keeps count of them even through kill -9; who closes and finds no other holder stops the server. The
// file "gate" is locked while one of them starts, joins or stops, so that closing and opening never overlap.
//
// The package knows nothing of what is stored. It runs on Linux, macOS and the BSDs.
package pgbox

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"runtime"
	"sync"
	"time"
)

// closeLimit is how long Close may take: a busy server writes all of its memory to disk first.
const closeLimit = 2 * time.Minute

// ErrNoServer means that no PostgreSQL server binaries were found; the error's text names the command that installs them.
var ErrNoServer = errors.New("no PostgreSQL server is installed")

// ErrStopped means that the server ended while this program was using it.
var ErrStopped = errors.New("the database server stopped while it was in use")

// Options say where the cluster is.
type Options struct {
	Home string       // the data folder; made if it is not there
	Say  func(string) // told, in a sentence, of what takes longer than a moment; nil: nobody is

	// ForTests trades safety for speed: nothing is forced to disk, so a power cut may ruin the cluster. Right only for
	// data that nobody will miss. It also admits more connections, as many test programs share one server.
	ForTests bool
}

// Box is this program's share in a running private server. Keep it while the server is in use: a Box that nothing refers
// to any more gives up its share. Its methods are safe for use by several goroutines.
type Box struct {
	cluster *cluster
	url     string
	lease   *os.File

	closing sync.Once
	closed  error // what the first Close returned
}

// Open starts the server of the data folder, or joins it if another program has; the first time, it makes the cluster and
// the database. A cluster that was not shut down cleanly is recovered. When ctx ends before the server is ready, Open
// gives up, and stops what it started if nobody else uses it.
//
// Errors: ErrNoServer; all others are sentences that say what is in the way and what to do, with the end of the server's
// log where there is one.
func Open(ctx context.Context, o Options) (*Box, error) {
	if o.Say == nil {
		o.Say = func(string) {}
	}
	c, err := newCluster(o)
	if err != nil {
		return nil, err
	}
	gate, err := c.lock(ctx, "gate", o.Say)
	if err != nil {
		return nil, errors.Join(err, c.root.Close())
	}
	defer func() { _ = gate.Close() }()
	lease, err := c.share("lease")
	if err != nil {
		return nil, errors.Join(err, c.root.Close())
	}
	b := &Box{cluster: c, lease: lease}
	if b.url, err = c.ensure(ctx, o.Say); err != nil {
		stopping, cancel := context.WithTimeout(context.WithoutCancel(ctx), closeLimit)
		defer cancel()
		return nil, errors.Join(err, b.leave(stopping))
	}
	return b, nil
}

// URL is the connection string of the database "rimeyard". It holds for as long as the server runs, also through a restart.
func (b *Box) URL() string { return b.url }

// Check returns nil while the server answers, and otherwise ErrStopped with the end of the server's log.
func (b *Box) Check(ctx context.Context) error {
	if b.cluster.probe(ctx) != silent {
		return nil
	}
	return fmt.Errorf("%w: what was confirmed is safe in %s, start the program again%s",
		ErrStopped, b.cluster.folder, b.cluster.logTail(0))
}

// Close gives up this program's share, and stops the server if no other program has one. It returns ErrStopped if the
// server had ended before. A second Close does nothing and returns what the first did.
func (b *Box) Close() error {
	b.closing.Do(func() {
		ctx, cancel := context.WithTimeout(context.Background(), closeLimit)
		defer cancel()
		b.closed = b.close(ctx)
	})
	return b.closed
}

func (b *Box) close(ctx context.Context) error {
	gate, err := b.cluster.lock(ctx, "gate", func(string) {})
	if err != nil {
		return errors.Join(err, b.lease.Close(), b.cluster.root.Close())
	}
	defer func() { _ = gate.Close() }()
	return errors.Join(b.Check(ctx), b.leave(ctx))
}

// leave gives up the lease and stops the server if that was the last. The caller holds the gate, without which another
// program might come in between.
func (b *Box) leave(ctx context.Context) error {
	last, err := onlyHolder(b.lease)
	if err == nil && last {
		err = b.cluster.stop(ctx)
	}
	return errors.Join(err, b.lease.Close(), b.cluster.root.Close())
}

// DefaultHome is where the data folder is when nobody chose one: /var/lib/rimeyard for root, else the folder "rimeyard"
// where the user's programs keep their data.
func DefaultHome() (string, error) {
	if os.Getuid() == 0 {
		return "/var/lib/rimeyard", nil
	}
	if dir := os.Getenv("XDG_DATA_HOME"); filepath.IsAbs(dir) { // the XDG specification has relative ones ignored
		return filepath.Join(dir, "rimeyard"), nil
	}
	home, err := os.UserHomeDir()
	if err != nil {
		return "", fmt.Errorf("find a place for the data (set RIMEYARD_HOME to choose one): %w", err)
	}
	if runtime.GOOS == "darwin" {
		return filepath.Join(home, "Library", "Application Support", "rimeyard"), nil
	}
	return filepath.Join(home, ".local", "share", "rimeyard"), nil
}
