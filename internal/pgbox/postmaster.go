package pgbox

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
)

// answer is what the server does when somebody connects.
type answer int

const (
	silent answer = iota // nobody listens
	busy                 // starting, recovering or stopping
	empty                // it lets people in, but the database is not there yet
	ready
)

// SQLSTATEs, from appendix A of the PostgreSQL manual.
const (
	cannotConnectNow = "57P03"
	noSuchDatabase   = "3D000"
)

// probe connects to the database once.
func (c *cluster) probe(ctx context.Context) answer {
	if _, found := c.postmaster(); !found {
		return silent
	}
	limited, cancel := context.WithTimeout(ctx, connectLimit)
	defer cancel()
	conn, err := pgx.Connect(limited, c.url(name))
	if err == nil {
		_ = conn.Close(limited) // it answered; how it hangs up does not matter
		return ready
	}
	refusal, spoke := errors.AsType[*pgconn.PgError](err)
	switch {
	case spoke && refusal.Code == noSuchDatabase:
		return empty
	case spoke && refusal.Code == cannotConnectNow, limited.Err() != nil:
		return busy
	case spoke:
		return ready // it refuses this one connection, having too many, say, and will tell the next one why
	}
	return silent
}

// postmaster is what the server wrote of itself into data/postmaster.pid; after a crash the file is stale.
type postmaster struct {
	pid    int
	socket string // the socket's folder
}

func (c *cluster) postmaster() (p postmaster, found bool) {
	text, err := c.root.ReadFile("data/postmaster.pid")
	if err != nil {
		return p, false
	}
	lines := strings.Split(string(text), "\n") // number, data folder, start, port, socket folder, address, …
	if len(lines) > 4 {
		p.socket = lines[4]
	}
	p.pid, err = strconv.Atoi(strings.TrimSpace(lines[0]))
	return p, err == nil && p.pid > 0
}

// url spells out what the PG… variables of the environment would otherwise decide.
func (c *cluster) url(database string) string {
	p, _ := c.postmaster()
	q := url.Values{"host": {p.socket}, "port": {port}, "sslmode": {"disable"}}
	// libpq, and with it psql, does not read a plus sign as a blank
	return fmt.Sprintf("postgres://%s@/%s?%s", name, database, strings.ReplaceAll(q.Encode(), "+", "%20"))
}

// clearStale removes the files of a server that is gone while some other process has got its number: the new server
// would take that one for its predecessor and not start.
func (c *cluster) clearStale(socket string) {
	p, found := c.postmaster()
	if !found || isServer(context.Background(), p.pid) {
		return
	}
	// Should one of them stay, the next try to start says so.
	_ = c.root.Remove("data/postmaster.pid")
	_ = os.Remove(filepath.Join(socket, ".s.PGSQL."+port+".lock"))
}

// isServer says whether the process with this number lives and is a PostgreSQL server. If the system does not tell, it
// is taken for one, as that can do no harm.
func isServer(ctx context.Context, pid int) bool {
	out, err := os.ReadFile(fmt.Sprintf("/proc/%d/stat", pid)) // 123 (postgres) S 1 …
	if err != nil {
		out, err = exec.CommandContext(ctx, "ps", "-o", "pid=,comm=,state=", "-p", strconv.Itoa(pid)).Output()
		if ended, ok := errors.AsType[*exec.ExitError](err); ok && ended.ExitCode() == 1 {
			return false
		}
		if err != nil {
			return true
		}
	}
	line := string(out)
	named := strings.Contains(line, "postgres") || strings.Contains(line, "postmaster")
	return named && !strings.Contains(line, ") Z ")
}

// turnLog puts a long log aside and returns where the next start will begin to write.
func (c *cluster) turnLog() (from int64) {
	info, err := c.root.Stat("log")
	if err != nil {
		return 0
	}
	if info.Size() > logKeep && c.root.Rename("log", "log.old") == nil {
		return 0
	}
	return info.Size()
}

// logTail is the end of the server's log, ready to hang onto an error; empty if there is none after from.
func (c *cluster) logTail(from int64) string {
	const most = 8 << 10
	f, err := c.root.Open("log")
	if err != nil {
		return ""
	}
	defer func() { _ = f.Close() }()
	size, err := f.Seek(0, io.SeekEnd)
	if err != nil || size <= from {
		return ""
	}
	text := make([]byte, min(size-from, most))
	if _, err := f.ReadAt(text, size-int64(len(text))); err != nil {
		return ""
	}
	return fmt.Sprintf("\nThe end of %s:\n%s", f.Name(), lastLines(string(text)))
}

func lastLines(text string) string {
	lines := strings.Split(strings.TrimSpace(text), "\n")
	return strings.Join(lines[max(0, len(lines)-tailLines):], "\n")
}
