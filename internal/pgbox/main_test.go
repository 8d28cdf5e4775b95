package pgbox

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"os"
	"os/exec"
	"os/signal"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"

	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"
)

// envProgram makes the test binary another program on the data folder that it names; see program.
const envProgram = "RIMEYARD_PGBOX_TEST_PROGRAM"

func TestMain(m *testing.M) {
	if home := os.Getenv(envProgram); home != "" {
		os.Exit(runProgram(home))
	}
	code := m.Run()
	if dir, err := seed(); err == nil {
		_ = os.RemoveAll(dir)
	}
	if err := goleak.Find(); err != nil && code == 0 {
		fmt.Fprintln(os.Stderr, err)
		code = 1
	}
	os.Exit(code)
}

// runProgram opens the data folder, prints the URL, and closes when its input ends.
func runProgram(home string) int {
	signal.Reset(os.Interrupt)
	box, err := Open(context.Background(), Options{Home: home, ForTests: true})
	if err == nil {
		fmt.Println(box.URL())
		_, _ = io.Copy(io.Discard, os.Stdin)
		err = box.Close()
	}
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		return 1
	}
	return 0
}

// program is another process that has the data folder open.
type program struct {
	cmd    *exec.Cmd
	stdin  io.Closer
	stdout *bufio.Reader
	stderr *strings.Builder
}

// launch starts a program in a process group of its own, as a shell would; url waits until it has opened.
func launch(t *testing.T, home string) *program {
	t.Helper()
	exe, err := os.Executable()
	require.NoError(t, err)
	return start(t, exec.Command(exe), home)
}

func start(t *testing.T, cmd *exec.Cmd, home string) *program {
	t.Helper()
	if cmd.SysProcAttr == nil {
		cmd.SysProcAttr = &syscall.SysProcAttr{}
	}
	cmd.SysProcAttr.Setpgid = true
	cmd.Env = append(os.Environ(), envProgram+"="+home)
	p := &program{cmd: cmd, stderr: &strings.Builder{}}
	cmd.Stderr = p.stderr
	stdin, err := cmd.StdinPipe()
	require.NoError(t, err)
	stdout, err := cmd.StdoutPipe()
	require.NoError(t, err)
	p.stdin, p.stdout = stdin, bufio.NewReader(stdout)
	require.NoError(t, cmd.Start())
	t.Cleanup(func() { _ = cmd.Process.Kill() })
	return p
}

func (p *program) url(t *testing.T) string {
	t.Helper()
	line, err := p.stdout.ReadString('\n')
	if err != nil {
		_ = p.cmd.Wait()
	}
	require.NoError(t, err, "the program ended early: %s", p.stderr)
	return strings.TrimSpace(line)
}

// end has the program close and waits for its exit.
func (p *program) end(t *testing.T) {
	t.Helper()
	require.NoError(t, p.stdin.Close())
	require.NoError(t, p.cmd.Wait(), "%s", p.stderr)
}

// signal sends a signal to the whole process group, as a terminal does, and waits for the program's end.
func (p *program) signal(t *testing.T, sig syscall.Signal) {
	t.Helper()
	require.NoError(t, syscall.Kill(-p.cmd.Process.Pid, sig))
	require.Error(t, p.cmd.Wait())
}

// newHome is an empty data folder which, unlike t.TempDir, the server's account can reach when the test runs as root.
func newHome(t *testing.T) string {
	t.Helper()
	dir, err := os.MkdirTemp("", "rimeyard-pgbox-")
	require.NoError(t, err)
	require.NoError(t, os.Chmod(dir, 0o711))
	t.Cleanup(func() {
		if pid, alive := serverOf(dir); alive { // a failed test's
			_ = syscall.Kill(pid, syscall.SIGQUIT)
		}
		require.NoError(t, os.RemoveAll(dir))
	})
	return filepath.Join(dir, "home")
}

// madeHome is a data folder whose cluster is there already: a copy, which takes a third of the time of making one.
func madeHome(t *testing.T) string {
	t.Helper()
	dir, err := seed()
	require.NoError(t, err)
	home := newHome(t)
	out, err := exec.Command("cp", "-a", filepath.Join(dir, "home"), home).CombinedOutput()
	require.NoError(t, err, "%s", out)
	return home
}

// seed makes what madeHome copies.
var seed = sync.OnceValues(func() (dir string, err error) {
	if dir, err = os.MkdirTemp("", "rimeyard-pgbox-"); err != nil {
		return "", err
	}
	if err := os.Chmod(dir, 0o711); err != nil {
		return "", err
	}
	box, err := Open(context.Background(), Options{Home: filepath.Join(dir, "home"), ForTests: true})
	if err != nil {
		return "", err
	}
	return dir, box.Close()
})

func open(t *testing.T, home string) *Box {
	t.Helper()
	box, err := Open(t.Context(), Options{Home: home, ForTests: true, Say: func(s string) { t.Log(s) }})
	require.NoError(t, err)
	return box
}

// serverOf gives the process of the data folder's server.
func serverOf(home string) (pid int, alive bool) {
	root, err := os.OpenRoot(filepath.Join(home, "postgres"))
	if err != nil {
		return 0, false
	}
	defer root.Close()
	p, found := (&cluster{root: root}).postmaster()
	return p.pid, found && isServer(context.Background(), p.pid)
}

func requireServer(t *testing.T, home string) int {
	t.Helper()
	pid, alive := serverOf(home)
	require.True(t, alive, "no server runs on %s", home)
	return pid
}

func requireNoServer(t *testing.T, home string) {
	t.Helper()
	pid, alive := serverOf(home)
	require.False(t, alive, "server %d still runs on %s", pid, home)
	require.NoFileExists(t, filepath.Join(home, "postgres", "data", "postmaster.pid"))
}

// ask runs statements at the URL and returns the last one's only value.
func ask(t *testing.T, url string, statements ...string) (value string) {
	t.Helper()
	conn, err := pgx.Connect(t.Context(), url)
	require.NoError(t, err)
	defer conn.Close(t.Context())
	last := len(statements) - 1
	for _, sql := range statements[:last] {
		_, err := conn.Exec(t.Context(), sql)
		require.NoError(t, err)
	}
	require.NoError(t, conn.QueryRow(t.Context(), statements[last]).Scan(&value))
	return value
}
