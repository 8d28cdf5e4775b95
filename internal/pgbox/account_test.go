package pgbox

import (
	"io/fs"
	"os"
	"os/exec"
	"os/user"
	"path/filepath"
	"strconv"
	"syscall"
	"testing"

	"github.com/stretchr/testify/require"
)

// ordinary prepares this test program to run as an ordinary user, whom a test that root runs has to borrow.
func ordinary(t *testing.T) (cmd *exec.Cmd, home string) {
	t.Helper()
	home = newHome(t)
	exe, err := os.Executable()
	require.NoError(t, err)
	if os.Getuid() != 0 {
		return exec.Command(exe), home
	}
	acc, err := chooseAccount(home)
	require.NoError(t, err)
	program, err := os.ReadFile(exe) // go test keeps it where only root comes
	require.NoError(t, err)
	copied := filepath.Join(filepath.Dir(home), "program")
	require.NoError(t, os.WriteFile(copied, program, 0o755))
	require.NoError(t, os.Chmod(copied, 0o755)) // whatever the umask is
	require.NoError(t, os.Lchown(filepath.Dir(home), int(acc.uid), int(acc.gid)))
	cmd = exec.Command(copied)
	cmd.Dir = filepath.Dir(home)
	cmd.SysProcAttr = &syscall.SysProcAttr{Credential: &syscall.Credential{Uid: acc.uid, Gid: acc.gid}}
	return cmd, home
}

func TestOrdinaryUserAndRootShareOneFolder(t *testing.T) {
	cmd, home := ordinary(t)
	user := start(t, cmd, home)
	require.Equal(t, "safe", ask(t, user.url(t), keep, recall))
	pid := requireServer(t, home)
	box := open(t, home) // as root, where root runs the tests
	require.Equal(t, pid, requireServer(t, home))
	user.end(t)
	require.Equal(t, pid, requireServer(t, home))
	require.NoError(t, box.Close())
	requireNoServer(t, home)

	// Root comes first; the user must be able to go on with what root started.
	box = open(t, home)
	again, _ := ordinary(t)
	user = start(t, again, home)
	require.Equal(t, "safe", ask(t, user.url(t), recall))
	require.NoError(t, box.Close())
	user.end(t)
	requireNoServer(t, home)
}

func TestClosedParentIsNamed(t *testing.T) {
	home := newHome(t)
	parent := filepath.Dir(home)
	if os.Getuid() == 0 {
		require.NoError(t, os.Chmod(parent, 0o700))
		_, err := Open(t.Context(), Options{Home: home})
		require.ErrorContains(t, err, "that account cannot enter "+parent+": let it through with “chmod o+x '"+parent+"'”")
		require.NoError(t, os.Chmod(parent, 0o711))
	} else {
		require.NoError(t, os.Chmod(parent, 0o500))
		_, err := Open(t.Context(), Options{Home: home})
		require.ErrorIs(t, err, fs.ErrPermission)
		require.ErrorContains(t, err, "set RIMEYARD_HOME to choose another")
		require.NoError(t, os.Chmod(parent, 0o700))
	}
	require.NoError(t, open(t, home).Close(), "once it is open, all is well")
}

func TestFolderOfAnotherUser(t *testing.T) {
	if os.Getuid() == 0 { // root goes on as the owner, whoever that is, and takes nothing away
		other, err := user.Lookup("daemon") // an account that every system has, and that is not the first choice
		require.NoError(t, err)
		uid, err := strconv.Atoi(other.Uid)
		require.NoError(t, err)
		home := newHome(t)
		folder := filepath.Join(home, "postgres")
		require.NoError(t, os.MkdirAll(folder, 0o700))
		require.NoError(t, os.Chmod(home, 0o711))
		require.NoError(t, os.Lchown(folder, uid, uid))
		box := open(t, home)
		info, err := os.Stat(filepath.Join(folder, "data"))
		require.NoError(t, err)
		require.EqualValues(t, uid, info.Sys().(*syscall.Stat_t).Uid)
		require.NoError(t, box.Close())

		cmd, _ := ordinary(t)
		stranger := start(t, cmd, home)
		require.Error(t, stranger.cmd.Wait())
		require.Contains(t, stranger.stderr.String(), "belongs to daemon, and this program runs as ")
		return
	}
	_, err := chooseAccount("/") // root's
	require.ErrorContains(t, err, "the database in / belongs to root, and this program runs as ")
}

// A backup that root brings back is root's, which the server refuses.
func TestRestoredFolderIsGivenToTheAccount(t *testing.T) {
	home := madeHome(t)
	box := open(t, home)
	require.Equal(t, "safe", ask(t, box.URL(), keep, recall))
	require.NoError(t, box.Close())
	require.NoError(t, filepath.WalkDir(filepath.Join(home, "postgres"), func(path string, _ fs.DirEntry, err error) error {
		require.NoError(t, err)
		return os.Lchown(path, os.Getuid(), os.Getgid())
	}))
	box = open(t, home)
	require.Equal(t, "safe", ask(t, box.URL(), recall))
	require.NoError(t, box.Close())
}

func TestOwningFollowsNoLinkOut(t *testing.T) {
	outside, folder := t.TempDir(), t.TempDir()
	mine := filepath.Join(outside, "file")
	require.NoError(t, os.WriteFile(mine, nil, 0o600))
	require.NoError(t, os.Symlink(outside, filepath.Join(folder, "data")))
	acc := account{name: "test", uid: uint32(os.Getuid()), gid: uint32(os.Getgid())}
	if os.Getuid() == 0 {
		acc.uid, acc.gid = 4711, 4711
	}
	require.NoError(t, acc.own(folder))
	info, err := os.Stat(mine)
	require.NoError(t, err)
	require.EqualValues(t, os.Getuid(), info.Sys().(*syscall.Stat_t).Uid)
}
