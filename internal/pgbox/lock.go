package pgbox

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"syscall"
	"time"
)

// lockPoll is how often a taken lock is tried again. A blocking flock could not be given up when the context ends.
const lockPoll = 20 * time.Millisecond

// lock takes the file's lock for this program alone, waiting for whoever has it; closing the file gives it up.
func (c *cluster) lock(ctx context.Context, name string, say func(string)) (*os.File, error) {
	f, err := c.openLock(name)
	if err != nil {
		return nil, err
	}
	tell := time.After(2 * time.Second)
	tick := time.NewTicker(lockPoll)
	defer tick.Stop()
	for {
		err := flock(f, syscall.LOCK_EX|syscall.LOCK_NB)
		if err == nil {
			return f, nil
		}
		if !errors.Is(err, syscall.EWOULDBLOCK) {
			return nil, errors.Join(fmt.Errorf("lock %s: %w", f.Name(), err), f.Close())
		}
		select {
		case <-ctx.Done():
			return nil, errors.Join(fmt.Errorf("wait for another program that is starting or stopping the database in %s: %w",
				c.folder, context.Cause(ctx)), f.Close())
		case <-tell:
			say("Another program is starting or stopping the database; waiting for it.")
		case <-tick.C:
		}
	}
}

// share takes the file's lock together with others. It does not wait: only who holds the gate takes the lock alone, and
// so does the caller of share.
func (c *cluster) share(name string) (*os.File, error) {
	f, err := c.openLock(name)
	if err != nil {
		return nil, err
	}
	if err := flock(f, syscall.LOCK_SH|syscall.LOCK_NB); err != nil {
		return nil, errors.Join(fmt.Errorf("share the lock %s: %w", f.Name(), err), f.Close())
	}
	return f, nil
}

// onlyHolder says whether nobody else shares the lock.
func onlyHolder(f *os.File) (bool, error) {
	err := flock(f, syscall.LOCK_EX|syscall.LOCK_NB)
	if errors.Is(err, syscall.EWOULDBLOCK) {
		return false, nil
	}
	return err == nil, err
}

// openLock makes or opens a lock file. A root that made it hands it to the server's account, so that this account's own
// programs can lock it too.
func (c *cluster) openLock(name string) (*os.File, error) {
	f, err := c.root.OpenFile(name, os.O_RDWR|os.O_CREATE|os.O_EXCL, 0o600)
	if err == nil && c.account.drop {
		err = f.Chown(int(c.account.uid), int(c.account.gid))
	}
	if errors.Is(err, fs.ErrExist) {
		f, err = c.root.OpenFile(name, os.O_RDWR, 0)
	}
	if err != nil {
		return nil, fmt.Errorf("open the lock %s in %s: %w", name, c.folder, err)
	}
	return f, nil
}

func flock(f *os.File, how int) error {
	for {
		err := syscall.Flock(int(f.Fd()), how)
		if !errors.Is(err, syscall.EINTR) {
			return err
		}
	}
}
