package pgbox

import (
	"context"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"golang.org/x/sync/errgroup"
)

const (
	keep   = `CREATE TABLE kept AS SELECT 'safe' AS what`
	recall = `SELECT what FROM kept`
	pgDial = 10 * time.Second // for the system to notice a death; takes milliseconds
)

func TestDataOutliveTheServer(t *testing.T) {
	home := newHome(t)
	box, err := Open(t.Context(), Options{Home: home})
	require.NoError(t, err)
	require.Equal(t, "on", ask(t, box.URL(), `SHOW fsync`))
	require.Equal(t, "safe", ask(t, box.URL(), keep, recall))
	require.NoError(t, box.Close())
	require.NoError(t, box.Close(), "a second Close does nothing")
	requireNoServer(t, home)

	box, err = Open(t.Context(), Options{Home: home})
	require.NoError(t, err)
	require.Equal(t, "safe", ask(t, box.URL(), recall))
	require.NoError(t, box.Close())
}

func TestOnlyTheOwnerGetsIn(t *testing.T) {
	home := madeHome(t)
	box := open(t, home)
	require.Empty(t, ask(t, box.URL(), `SHOW listen_addresses`), "no port is open")
	for path, want := range map[string]os.FileMode{"postgres": 0o700, "postgres/data": 0o700, "postgres/.s.PGSQL.5432": 0o700} {
		info, err := os.Stat(filepath.Join(home, path))
		require.NoError(t, err)
		require.Equal(t, want, info.Mode().Perm(), path)
		require.NotZero(t, info.Sys().(*syscall.Stat_t).Uid, "%s belongs to root", path)
	}
	require.NoError(t, box.Close())
}

func TestServerIsDeafToTheEnvironment(t *testing.T) {
	for _, v := range []string{"PGPORT=1", "PGHOST=example.invalid", "PGUSER=somebody", "PGDATABASE=other", "PGDATA=/nowhere", "PGSSLMODE=require", "LC_ALL=xx_XX", "TZ=Mars"} {
		name, value, _ := strings.Cut(v, "=")
		t.Setenv(name, value)
	}
	home := madeHome(t)
	box := open(t, home)
	require.Equal(t, "rimeyard", ask(t, box.URL(), `SELECT current_database()`))
	require.Equal(t, "UTC", ask(t, box.URL(), `SHOW timezone`))
	require.NoError(t, box.Close())
}

func TestProgramsShareTheServerAndTheLastOneEndsIt(t *testing.T) {
	home := madeHome(t)
	first := launch(t, home)
	url := first.url(t)
	second := launch(t, home)
	require.Equal(t, url, second.url(t))
	pid := requireServer(t, home)

	first.end(t)
	require.Equal(t, pid, requireServer(t, home), "the second still uses it")
	require.Equal(t, "1", ask(t, url, `SELECT '1'`))
	second.end(t)
	requireNoServer(t, home)
}

func TestFiveProgramsStartAtOnceOnAnEmptyFolder(t *testing.T) {
	home := newHome(t)
	var all []*program
	for range 5 {
		all = append(all, launch(t, home))
	}
	for _, p := range all {
		require.Equal(t, "1", ask(t, p.url(t), `SELECT '1'`))
	}
	for _, p := range all {
		p.end(t)
	}
	requireNoServer(t, home)
}

// Opening and closing overlap in every way that six users can bring about: none may find the server gone.
func TestNoOneIsLeftWithoutServerWhileOthersClose(t *testing.T) {
	home := madeHome(t)
	g, ctx := errgroup.WithContext(t.Context())
	for range 6 {
		g.Go(func() error {
			for range 4 {
				box, err := Open(ctx, Options{Home: home, ForTests: true})
				if err != nil {
					return err
				}
				if err := box.Check(ctx); err != nil {
					return err
				}
				if err := box.Close(); err != nil {
					return err
				}
			}
			return nil
		})
	}
	require.NoError(t, g.Wait())
	requireNoServer(t, home)
}

func TestKilledProgramLeavesTheServerToTheNext(t *testing.T) {
	for _, sig := range []syscall.Signal{syscall.SIGKILL, syscall.SIGINT} { // SIGINT to all of its group is a Ctrl-C
		t.Run(sig.String(), func(t *testing.T) {
			home := madeHome(t)
			killed := launch(t, home)
			require.Equal(t, "safe", ask(t, killed.url(t), keep, recall))
			pid := requireServer(t, home)
			killed.signal(t, sig)
			require.Equal(t, pid, requireServer(t, home), "the server goes on")

			box := open(t, home)
			require.Equal(t, pid, requireServer(t, home), "and is joined")
			require.Equal(t, "safe", ask(t, box.URL(), recall))
			require.NoError(t, box.Close())
			requireNoServer(t, home)
		})
	}
}

func TestKilledServerIsReportedAndRecovered(t *testing.T) {
	home := madeHome(t)
	box := open(t, home)
	require.Equal(t, "safe", ask(t, box.URL(), keep, recall))
	require.NoError(t, box.Check(t.Context()))
	killServer(t, home)
	err := box.Check(t.Context())
	require.ErrorIs(t, err, ErrStopped)
	require.ErrorContains(t, err, "ready to accept connections", "the log's end is shown")

	other := open(t, home)
	require.Equal(t, "safe", ask(t, other.URL(), recall))
	require.Equal(t, "safe", ask(t, box.URL(), recall), "the old URL leads to the new server")
	require.NoError(t, box.Close(), "to the first program, all is well again")
	require.NoError(t, other.Close())
	requireNoServer(t, home)
}

func TestCloseTellsThatTheServerHadStopped(t *testing.T) {
	home := madeHome(t)
	box := open(t, home)
	killServer(t, home)
	require.ErrorIs(t, box.Close(), ErrStopped)

	box = open(t, home)
	require.NoError(t, box.Close())
}

func killServer(t *testing.T, home string) {
	t.Helper()
	require.NoError(t, syscall.Kill(requireServer(t, home), syscall.SIGKILL))
	require.Eventually(t, func() bool { _, alive := serverOf(home); return !alive }, pgDial, readyPoll)
}

// After a power cut some other process of the account can have got the number that the server had.
func TestStaleNumberOfAnInnocentProcess(t *testing.T) {
	home := madeHome(t)
	box := open(t, home)
	killServer(t, home)
	require.ErrorIs(t, box.Close(), ErrStopped)

	acc, err := chooseAccount(filepath.Join(home, "postgres"))
	require.NoError(t, err)
	innocent := acc.command(t.Context(), "/bin/cat")
	hold, err := innocent.StdinPipe()
	require.NoError(t, err)
	require.NoError(t, innocent.Start())
	for _, name := range []string{"data/postmaster.pid", ".s.PGSQL.5432.lock"} {
		path := filepath.Join(home, "postgres", name)
		text, err := os.ReadFile(path)
		require.NoError(t, err)
		_, rest, _ := strings.Cut(string(text), "\n")
		require.NoError(t, os.WriteFile(path, []byte(strconv.Itoa(innocent.Process.Pid)+"\n"+rest), 0o600))
	}

	box = open(t, home)
	require.NoError(t, box.Close())
	requireNoServer(t, home)
	require.NoError(t, hold.Close())
	require.NoError(t, innocent.Wait(), "it was left alone")
}

func TestOtherMajorVersionIsRefused(t *testing.T) {
	home := madeHome(t)
	path := filepath.Join(home, "postgres", "data", "PG_VERSION")
	right, err := os.ReadFile(path)
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(path, []byte("9\n"), 0o600))
	_, err = Open(t.Context(), Options{Home: home})
	require.ErrorContains(t, err, "was made by PostgreSQL 9 and no other version can read it, but this machine has only version "+strings.TrimSpace(string(right)))
	require.ErrorContains(t, err, "install version 9 with")

	require.NoError(t, os.WriteFile(path, right, 0o600))
	require.NoError(t, open(t, home).Close(), "nothing was touched")
}

func TestFailedStartShowsTheLog(t *testing.T) {
	home := madeHome(t)
	conf := filepath.Join(home, "postgres", "data", "postgresql.conf")
	require.NoError(t, os.WriteFile(conf, []byte("shared_buffers = 'plenty'\n"), 0o600))
	_, err := Open(t.Context(), Options{Home: home})
	require.ErrorContains(t, err, `invalid value for parameter "shared_buffers": "plenty"`)
	requireNoServer(t, home)
}

func TestInterruptedStartLeavesNothingBehind(t *testing.T) {
	home := newHome(t)
	ctx, cancel := context.WithCancel(t.Context())
	_, err := Open(ctx, Options{Home: home, Say: func(string) { cancel() }}) // told that the cluster is being made
	require.ErrorIs(t, err, context.Canceled)
	requireNoServer(t, home)
	require.NoError(t, os.MkdirAll(filepath.Join(home, "postgres", "data.new", "base"), 0o700)) // of a program that was killed

	box := open(t, home)
	require.NoDirExists(t, filepath.Join(home, "postgres", "data.new"))
	require.NoError(t, box.Close())
}

func TestFolderThatIsNoCluster(t *testing.T) {
	home := madeHome(t)
	require.NoError(t, os.Remove(filepath.Join(home, "postgres", "data", "PG_VERSION")))
	_, err := Open(t.Context(), Options{Home: home})
	require.ErrorContains(t, err, "bring it back from a backup, or move it away")
}

func TestAnyPathWillDo(t *testing.T) {
	for what, name := range map[string]string{
		"signs that shells and servers read": `it's "$HOME" 100% {a+b}\c;`,
		"a comma, at which clients split":    "depots, all of them",
		"too long for a socket":              strings.Repeat("long", 30),
	} {
		t.Run(what, func(t *testing.T) {
			home := filepath.Join(newHome(t), name)
			require.NoError(t, os.MkdirAll(filepath.Dir(home), 0o755))
			box := open(t, home)
			require.Equal(t, "1", ask(t, box.URL(), `SELECT '1'`))
			other := launch(t, home)
			require.Equal(t, box.URL(), other.url(t))
			require.NoError(t, box.Close())
			other.end(t)
			requireNoServer(t, home)
		})
	}
}

func TestShortSocketFolderOfAStrangerIsRefused(t *testing.T) {
	folder := "/" + strings.Repeat("long/", 30)
	c := &cluster{folder: folder, account: account{name: "somebody", uid: uint32(os.Getuid())}}
	dir, err := c.socketFolder()
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, os.RemoveAll(dir)) })
	again, err := c.socketFolder()
	require.NoError(t, err)
	require.Equal(t, dir, again)

	c.account.uid++
	_, err = c.socketFolder()
	require.ErrorContains(t, err, "not a folder that somebody alone can enter")
	c.account.uid--
	require.NoError(t, os.Chmod(dir, 0o755))
	_, err = c.socketFolder()
	require.ErrorContains(t, err, "not a folder that somebody alone can enter")
	require.NoError(t, os.Remove(dir))
	require.NoError(t, os.Symlink(t.TempDir(), dir))
	_, err = c.socketFolder()
	require.ErrorContains(t, err, "not a folder that somebody alone can enter")
}

func TestDefaultHome(t *testing.T) {
	t.Setenv("XDG_DATA_HOME", "/data/of/mine")
	home, err := DefaultHome()
	require.NoError(t, err)
	want := "/data/of/mine/rimeyard"
	if os.Getuid() == 0 {
		want = "/var/lib/rimeyard"
	}
	require.Equal(t, want, home)
}

// BenchmarkOpen is the cold start of a cluster that is there: start, connect, stop.
func BenchmarkOpen(b *testing.B) {
	dir, err := os.MkdirTemp("", "rimeyard-pgbox-")
	require.NoError(b, err)
	require.NoError(b, os.Chmod(dir, 0o711))
	defer os.RemoveAll(dir)
	b.ReportAllocs()
	for b.Loop() {
		box, err := Open(b.Context(), Options{Home: filepath.Join(dir, "home")})
		require.NoError(b, err)
		require.NoError(b, box.Close())
	}
}
