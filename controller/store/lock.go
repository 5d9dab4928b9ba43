package store

import (
	"errors"
	"fmt"
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

// LockFolder takes the folder for this process; it is made when missing. On a disk that has become read only the lock file
// of a former start does. The error is a *LockedError when another has it.
func LockFolder(dir string) (*Lock, error) {
	if err := os.MkdirAll(dir, 0o750); err != nil {
		return nil, fmt.Errorf("make state folder: %w", err)
	}
	path := filepath.Join(dir, "lock")
	file, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE, 0o640)
	if errors.Is(err, unix.EROFS) {
		file, err = os.Open(path)
	}
	if err != nil {
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

// Close lets go of the folder. The file stays: deleting it would let two processes lock two files of the same name.
func (l *Lock) Close() error { return l.file.Close() }
