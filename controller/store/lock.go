package store

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"

	"golang.org/x/sys/unix"
)

// LockedError says that another process holds the state folder.
type LockedError struct {
	Dir string
	PID string // as that process wrote it; empty when it could not be read
}

// Error is one sentence for the operator.
func (e *LockedError) Error() string {
	by := ""
	if e.PID != "" {
		by = " (process " + e.PID + ")"
	}
	return fmt.Sprintf("another daemon%s runs on the state folder %s: stop it first, or give this kiln a folder of its own", by, e.Dir)
}

// Lock holds a state folder for one process. The kernel lets go of it when the process ends, however it ends.
type Lock struct{ file *os.File }

// LockFolder takes the folder for this process; it is made when missing, the folder that it stands in is not. What root makes
// belongs to the owner of the folder around it: root looks after kilns whose daemons run as another account. On a disk that
// has become read only the lock file of a former start does. The error is a *LockedError when another has it.
func LockFolder(dir string) (*Lock, error) {
	if err := makeFolder(dir); err != nil {
		return nil, err
	}
	path := filepath.Join(dir, "lock")
	file, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE, 0o640)
	if errors.Is(err, unix.EROFS) {
		file, err = os.Open(path)
	}
	if err != nil {
		return nil, fmt.Errorf("lock state folder: %w", err)
	}
	if err := belong(path, dir); err != nil && !errors.Is(err, unix.EROFS) {
		file.Close()
		return nil, fmt.Errorf("lock state folder: %w", err)
	}
	if err := unix.Flock(int(file.Fd()), unix.LOCK_EX|unix.LOCK_NB); err != nil {
		pid := make([]byte, 16)
		n, _ := file.Read(pid)
		file.Close()
		if errors.Is(err, unix.EWOULDBLOCK) {
			return nil, &LockedError{Dir: dir, PID: strings.TrimSpace(string(pid[:n]))}
		}
		return nil, fmt.Errorf("lock state folder %s: %w", dir, err)
	}
	// The number is for the other's sentence only; the lock does not hang on it.
	if err := file.Truncate(0); err == nil {
		_, _ = fmt.Fprintf(file, "%d\n", os.Getpid())
	}
	return &Lock{file}, nil
}

func makeFolder(dir string) error {
	parent := filepath.Dir(dir)
	err := os.Mkdir(dir, 0o750)
	switch {
	case errors.Is(err, fs.ErrExist):
		return nil
	case errors.Is(err, fs.ErrNotExist):
		return fmt.Errorf("make state folder %s: there is no folder %s to make it in", dir, parent)
	case err == nil:
		err = belong(dir, parent)
	}
	if err != nil {
		return fmt.Errorf("make state folder: %w", err)
	}
	return nil
}

// belong gives a path of root's to the owner of the folder it stands in.
func belong(path, folder string) error {
	if os.Geteuid() != 0 {
		return nil
	}
	var owner, is unix.Stat_t
	if err := errors.Join(unix.Stat(folder, &owner), unix.Stat(path, &is)); err != nil {
		return fmt.Errorf("look up the owner of %s: %w", folder, err)
	}
	if owner.Uid == is.Uid && owner.Gid == is.Gid {
		return nil
	}
	return os.Chown(path, int(owner.Uid), int(owner.Gid))
}

// Close lets go of the folder. The file stays: deleting it would let two processes lock two files of the same name.
func (l *Lock) Close() error { return l.file.Close() }
