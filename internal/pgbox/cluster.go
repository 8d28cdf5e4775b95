package pgbox

import (
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"time"

	"github.com/jackc/pgx/v5"
)

const (
	name = "rimeyard" // of the database, and of the cluster's one role
	port = "5432"     // part of the socket's file name; no port is opened

	// socketRoom is how long a socket's folder may be: the system takes 103 bytes (macOS) or 107 (Linux) for the whole
	// path, of which "/.s.PGSQL.5432" is 14.
	socketRoom = 85

	connectLimit = 5 * time.Second // for one attempt; a server on the same machine answers in milliseconds
	readyPoll    = 50 * time.Millisecond
	// restartLimit bounds the wait for what a killed server left behind: its processes notice within moments.
	restartLimit = 15 * time.Second
	startLimitS  = "3600" // recovery after a crash may have much to read; the caller's context may end it sooner
	stopLimitS   = "100"  // less than closeLimit, so that pg_ctl can say what it waited for
	logKeep      = 1 << 20
	tailLines    = 15
)

// cluster is a folder with a server's data, and the installed server that fits them.
type cluster struct {
	folder   string
	root     *os.Root // the folder; through it no link leads out of it, which matters when this program is root
	account  account
	server   server
	forTests bool
}

func newCluster(o Options) (*cluster, error) {
	if o.Home == "" {
		return nil, errors.New("no data folder was named")
	}
	home, err := filepath.Abs(o.Home)
	if err != nil {
		return nil, fmt.Errorf("find the data folder %s: %w", o.Home, err)
	}
	folder := filepath.Join(home, "postgres")
	acc, err := chooseAccount(folder)
	if err != nil {
		return nil, err
	}
	if err := acc.makeFolder(folder); err != nil {
		return nil, err
	}
	if folder, err = filepath.EvalSymlinks(folder); err != nil {
		return nil, fmt.Errorf("find the data folder: %w", err)
	}
	root, err := os.OpenRoot(folder)
	if err != nil {
		return nil, fmt.Errorf("open the data folder: %w", err)
	}
	return &cluster{folder: folder, root: root, account: acc, forTests: o.ForTests}, nil
}

// ensure makes the cluster if need be, sees to it that its server runs and has the database, and returns its URL.
// The caller holds the gate.
func (c *cluster) ensure(ctx context.Context, say func(string)) (string, error) {
	madeBy, err := c.madeBy()
	if err != nil {
		return "", err
	}
	if c.server, err = choose(installed(ctx, os.Getenv("PATH"), places), madeBy, c.folder); err != nil {
		return "", err
	}
	if madeBy == 0 {
		if err := c.make(ctx, say); err != nil {
			return "", err
		}
	}
	for {
		switch c.probe(ctx) {
		case ready:
			return c.url(name), nil
		case empty:
			if err := c.createDatabase(ctx); err != nil {
				return "", err
			}
		case silent:
			if err := c.start(ctx, say); err != nil {
				return "", err
			}
		case busy:
			if err := pause(ctx, readyPoll); err != nil {
				return "", fmt.Errorf("wait for the database server in %s to start: %w%s", c.folder, err, c.logTail(0))
			}
		}
	}
}

// madeBy reads which major version made the cluster; 0 if there is none yet.
func (c *cluster) madeBy() (int, error) {
	text, err := c.root.ReadFile("data/PG_VERSION")
	if errors.Is(err, fs.ErrNotExist) {
		if _, err := c.root.Lstat("data"); err == nil {
			return 0, fmt.Errorf("%s/data holds no database (it has no file PG_VERSION): bring it back from a backup, or move it away", c.folder)
		}
		return 0, nil
	}
	if err != nil {
		return 0, fmt.Errorf("read which version made the database: %w", err)
	}
	major, err := strconv.Atoi(strings.TrimSpace(string(text)))
	if err != nil {
		return 0, fmt.Errorf("%s/data/PG_VERSION says %q where a version should be: bring the folder back from a backup", c.folder, text)
	}
	return major, nil
}

// make creates the cluster beside its place and moves it there when it is whole, so that one cut short is never taken for one.
func (c *cluster) make(ctx context.Context, say func(string)) error {
	say(fmt.Sprintf("Making a private PostgreSQL %d database in %s; this is done once.", c.server.major, c.folder))
	if err := c.account.checkReach(ctx, c.folder, c.server.bin); err != nil {
		return err
	}
	if err := c.root.RemoveAll("data.new"); err != nil {
		return fmt.Errorf("clear what an interrupted start left: %w", err)
	}
	// The C locale sorts by code point, alike on all machines. Who reaches the socket is let in: the folder keeps others out.
	args := []string{"-D", "data.new", "-U", name, "-E", "UTF8", "--locale=C", "--auth-local=trust", "--auth-host=reject"}
	if c.forTests {
		args = append(args, "--no-sync")
	}
	if out, err := c.run(ctx, "initdb", args...); err != nil {
		return fmt.Errorf("make the database in %s: %w\n%s", c.folder, err, lastLines(out))
	}
	if err := c.root.Rename("data.new", "data"); err != nil {
		return fmt.Errorf("put the new database in its place: %w", err)
	}
	return nil
}

// start starts the server and waits until it lets people in.
func (c *cluster) start(ctx context.Context, say func(string)) error {
	if err := c.account.checkReach(ctx, c.folder, c.server.bin); err != nil {
		return err
	}
	socket, err := c.socketFolder()
	if err != nil {
		return err
	}
	if _, found := c.postmaster(); found {
		say("The database was not shut down in good order; PostgreSQL is recovering it.")
	}
	from := c.turnLog()
	for giveUp := time.Now().Add(restartLimit); ; {
		out, err := c.run(ctx, "pg_ctl", "start", "-w", "-s", "-t", startLimitS, "-l", "log", "-o", c.settings(socket))
		if err == nil {
			return nil
		}
		tail := c.logTail(from)
		if !leftBehind(tail) || ctx.Err() != nil || time.Now().After(giveUp) {
			return fmt.Errorf("start the database server in %s: %w: %s%s", c.folder, err, strings.TrimSpace(out), tail)
		}
		c.clearStale(socket)
		if err := pause(ctx, readyPoll); err != nil {
			return fmt.Errorf("start the database server in %s: %w%s", c.folder, err, tail)
		}
	}
}

// leftBehind recognises a start that failed on what a killed server left: processes about to end, or files with its number.
func leftBehind(log string) bool {
	return strings.Contains(log, "pre-existing shared memory block") ||
		strings.Contains(log, "lock file") && strings.Contains(log, "already exists")
}

// settings are the server's command line, as a shell reads it. What is not set here can be set in data/postgresql.conf.
func (c *cluster) settings(socket string) string {
	set := []string{
		"listen_addresses=", "port=" + port, "unix_socket_permissions=0700",
		`unix_socket_directories="` + strings.ReplaceAll(socket, `"`, `""`) + `"`,
		"logging_collector=off", "log_destination=stderr", "lc_messages=C", "timezone=UTC", "log_timezone=UTC",
	}
	if c.forTests {
		set = append(set, "fsync=off", "full_page_writes=off", "max_connections=400")
	}
	var line strings.Builder
	for _, s := range set {
		line.WriteString(" -c '" + strings.ReplaceAll(s, "'", `'\''`) + "'")
	}
	return line.String()
}

// socketFolder is the cluster folder, or where its path is too long for a socket, or has a comma, at which clients take
// it for two, a short one among the temporary files, named by the path's hash. That one must be the account's own, since
// anybody can make folders there.
func (c *cluster) socketFolder() (string, error) {
	if len(c.folder) <= socketRoom && !strings.Contains(c.folder, ",") {
		return c.folder, nil
	}
	base := os.TempDir()
	if len(base) > socketRoom-len("/rimeyard-0123456789ab") {
		base = "/tmp"
	}
	dir := filepath.Join(base, fmt.Sprintf("rimeyard-%.6x", sha256.Sum256([]byte(c.folder))))
	err := os.Mkdir(dir, 0o700)
	if err == nil && c.account.drop {
		err = os.Lchown(dir, int(c.account.uid), int(c.account.gid))
	}
	if err != nil && !errors.Is(err, fs.ErrExist) {
		return "", fmt.Errorf("make a folder for the database's socket: %w", err)
	}
	info, err := os.Lstat(dir)
	if err != nil {
		return "", fmt.Errorf("look at the folder for the database's socket: %w", err)
	}
	if st := info.Sys().(*syscall.Stat_t); !info.IsDir() || st.Uid != c.account.uid || info.Mode().Perm() != 0o700 {
		return "", fmt.Errorf("the database's socket belongs in %s, but that is not a folder that %s alone can enter: remove it, or set "+
			"RIMEYARD_HOME to a folder with a shorter path", dir, c.account.name)
	}
	return dir, nil
}

func (c *cluster) createDatabase(ctx context.Context) error {
	conn, err := pgx.Connect(ctx, c.url("postgres"))
	if err != nil {
		return fmt.Errorf("create the database: %w", err)
	}
	defer func() { _ = conn.Close(ctx) }()
	if _, err := conn.Exec(ctx, "CREATE DATABASE "+name); err != nil {
		return fmt.Errorf("create the database: %w", err)
	}
	return nil
}

// stop ends the server in good order, if it runs. The caller holds the gate and the last lease.
func (c *cluster) stop(ctx context.Context) error {
	p, found := c.postmaster()
	if !found || !isServer(ctx, p.pid) { // a stale file may hold the number of an innocent process by now
		return nil
	}
	if p.socket != c.folder {
		defer func() { _ = os.Remove(p.socket) }() // empty once the server is gone, and cheap to make again
	}
	if out, err := c.run(ctx, "pg_ctl", "stop", "-w", "-s", "-m", "fast", "-t", stopLimitS); err != nil {
		return fmt.Errorf("stop the database server in %s: %w: %s%s", c.folder, err, strings.TrimSpace(out), c.logTail(0))
	}
	return nil
}

// run runs one of the server's programs in the cluster folder and returns what it printed.
func (c *cluster) run(ctx context.Context, program string, args ...string) (string, error) {
	cmd := c.account.command(ctx, filepath.Join(c.server.bin, program), args...)
	cmd.Dir = c.folder
	cmd.Env = append(cmd.Env, "PGDATA="+filepath.Join(c.folder, "data"))
	cmd.WaitDelay = time.Second // once killed, its children need not be waited for
	out, err := cmd.CombinedOutput()
	if ctx.Err() != nil {
		err = context.Cause(ctx)
	}
	return string(out), err
}

func pause(ctx context.Context, d time.Duration) error {
	select {
	case <-ctx.Done():
		return context.Cause(ctx)
	case <-time.After(d):
		return nil
	}
}
