package pgbox

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"os/exec"
	"os/user"
	"path/filepath"
	"slices"
	"strconv"
	"syscall"
)

// account is the one under which the server runs: this program's own, unless that is root, whom PostgreSQL refuses.
type account struct {
	name     string
	uid, gid uint32
	drop     bool // this program is root and runs the server's programs under another account
}

// chooseAccount picks the account for the cluster folder, which may not be there yet. Root takes the folder's owner, so
// that it can use a user's data without taking them away; for a new folder "postgres", which its package makes for this
// very purpose, and else "nobody".
func chooseAccount(folder string) (account, error) {
	owner, err := ownerOf(folder)
	exists := err == nil
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return account{}, err
	}
	if uid := os.Getuid(); uid != 0 {
		self := account{name: nameOf(uint32(uid)), uid: uint32(uid), gid: uint32(os.Getgid())}
		if exists && owner.uid != self.uid {
			return account{}, fmt.Errorf("the database in %s belongs to %s, and this program runs as %s: "+
				"run it as %[2]s or as root, or set RIMEYARD_HOME to a folder of your own", folder, owner.name, self.name)
		}
		return self, nil
	}
	if exists && owner.uid != 0 {
		owner.drop = true
		return owner, nil
	}
	for _, name := range []string{"postgres", "nobody"} {
		u, err := user.Lookup(name)
		if err != nil {
			continue
		}
		uid, errU := strconv.ParseUint(u.Uid, 10, 32)
		gid, errG := strconv.ParseUint(u.Gid, 10, 32)
		if errU == nil && errG == nil && uid != 0 {
			return account{name, uint32(uid), uint32(gid), true}, nil
		}
	}
	return account{}, errors.New("PostgreSQL does not run as root, and there is neither an account “postgres” nor “nobody” " +
		"to run it under: make one with “useradd --system postgres”, or run this program as an ordinary user")
}

func ownerOf(path string) (account, error) {
	info, err := os.Stat(path)
	if err != nil {
		return account{}, err
	}
	st := info.Sys().(*syscall.Stat_t) // always, on systems with accounts
	return account{name: nameOf(st.Uid), uid: st.Uid, gid: st.Gid}, nil
}

func nameOf(uid uint32) string {
	id := strconv.FormatUint(uint64(uid), 10)
	if u, err := user.LookupId(id); err == nil {
		return u.Username
	}
	return "account " + id
}

// makeFolder makes the cluster folder, closed to all but the account, and what is missing above it. The data folder lets
// others through but not look around, since the server's account must pass it.
func (a account) makeFolder(folder string) error {
	home := filepath.Dir(folder)
	if err := os.MkdirAll(filepath.Dir(home), 0o755); err != nil {
		return unmade(home, err)
	}
	switch err := os.Mkdir(home, 0o711); {
	case err == nil:
		if err := os.Chmod(home, 0o711); err != nil { // whatever the umask was
			return unmade(home, err)
		}
	case !errors.Is(err, fs.ErrExist):
		return unmade(home, err)
	}
	switch err := os.Mkdir(folder, 0o700); {
	case err != nil && !errors.Is(err, fs.ErrExist):
		return unmade(home, err)
	case a.drop:
		return a.own(folder)
	}
	return nil
}

func unmade(home string, err error) error {
	return fmt.Errorf("make the data folder %s (set RIMEYARD_HOME to choose another): %w", home, err)
}

// own gives a folder and all in it to the account where root has made it, or has brought it back from a backup.
func (a account) own(folder string) error {
	root, err := os.OpenRoot(folder) // so that no link leads out of the folder, which is not root's alone
	if err != nil {
		return err
	}
	defer func() { _ = root.Close() }()
	for _, path := range []string{".", "data"} {
		info, err := root.Lstat(path)
		if errors.Is(err, fs.ErrNotExist) {
			continue
		}
		if err != nil {
			return err
		}
		if st := info.Sys().(*syscall.Stat_t); st.Uid == a.uid {
			continue
		}
		if err := fs.WalkDir(root.FS(), path, func(path string, _ fs.DirEntry, err error) error {
			return errors.Join(err, root.Lchown(path, int(a.uid), int(a.gid)))
		}); err != nil {
			return fmt.Errorf("give %s to the account %s: %w", folder, a.name, err)
		}
	}
	return nil
}

// checkReach says in plain words which folder on the way keeps the account out.
func (a account) checkReach(ctx context.Context, paths ...string) error {
	if !a.drop {
		return nil
	}
	var ways []string
	for _, path := range paths {
		var way []string
		for dir := path; dir != "/"; dir = filepath.Dir(dir) {
			way = append(way, dir)
		}
		slices.Reverse(way)
		ways = append(ways, way...)
	}
	cmd := a.command(ctx, "/bin/sh", append([]string{"-c", `for dir; do cd -- "$dir" 2>/dev/null || { printf %s "$dir"; exit 1; }; done`, "sh"}, ways...)...)
	cmd.Dir = "/"
	closed, err := cmd.Output()
	if err != nil && len(closed) > 0 {
		return fmt.Errorf("the database server must not run as root and so runs as %q, but that account cannot enter %s: "+
			"let it through with “chmod o+x '%[2]s'”, or set RIMEYARD_HOME to another folder", a.name, closed)
	}
	if err != nil {
		return fmt.Errorf("run a program as %q: %w", a.name, err)
	}
	return nil
}

// command prepares a program to run under the account, in a session of its own: a Ctrl-C is for this program, which
// will then end the server in good order.
func (a account) command(ctx context.Context, name string, args ...string) *exec.Cmd {
	cmd := exec.CommandContext(ctx, name, args...)
	cmd.Env = environment(os.Environ())
	cmd.SysProcAttr = &syscall.SysProcAttr{Setsid: true}
	if a.drop {
		cmd.SysProcAttr.Credential = &syscall.Credential{Uid: a.uid, Gid: a.gid}
	}
	return cmd
}

// environment drops what would change how PostgreSQL behaves, and the notification socket of this program's service.
func environment(all []string) []string {
	kept := slices.DeleteFunc(slices.Clone(all), func(v string) bool {
		for _, prefix := range []string{"PG", "LC_", "LANG", "TZ=", "NOTIFY_SOCKET="} {
			if bytes.HasPrefix([]byte(v), []byte(prefix)) {
				return true
			}
		}
		return false
	})
	return append(kept, "LC_ALL=C", "TZ=UTC")
}
