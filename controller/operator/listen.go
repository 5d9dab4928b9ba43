package operator

import (
	"errors"
	"fmt"
	"io/fs"
	"net"
	"os"
	"os/user"
	"strconv"
	"time"

	"golang.org/x/sys/unix"
)

// socketMode lets owner and group connect, and nobody else.
const socketMode = 0o660

// AnswersError says that somebody answers on the socket already.
type AnswersError struct{ Path string }

// Error is one sentence for the operator.
func (e *AnswersError) Error() string {
	return fmt.Sprintf("another daemon answers on the socket %s: stop it first, or give this kiln a socket of its own", e.Path)
}

// Listen opens the socket. One that nobody answers on is left over from a crash and is replaced; one that answers, and a
// path that is no socket, are left alone. group (a name or number) may connect; empty: the group of the process. Take the
// state folder's lock first, so that two daemons never get here together.
func Listen(path, group string) (*net.UnixListener, error) {
	gid := -1
	if group != "" {
		var err error
		if gid, err = groupID(group); err != nil {
			return nil, fmt.Errorf("open socket %s: %w", path, err)
		}
	}
	if err := clear(path); err != nil {
		return nil, err
	}
	l, err := net.ListenUnix("unix", &net.UnixAddr{Name: path, Net: "unix"})
	if err != nil {
		return nil, fmt.Errorf("open socket %s: %w", path, cause(err))
	}
	// Until here the usual umask lets nobody but the owner connect.
	err = os.Chmod(path, socketMode)
	if err == nil && gid >= 0 {
		err = os.Chown(path, -1, gid)
	}
	if err != nil {
		l.Close()
		return nil, fmt.Errorf("open socket %s: %w", path, err)
	}
	return l, nil
}

func groupID(group string) (int, error) {
	if gid, err := strconv.Atoi(group); err == nil {
		return gid, nil
	}
	g, err := user.LookupGroup(group)
	if err != nil {
		return -1, err
	}
	return strconv.Atoi(g.Gid)
}

func clear(path string) error {
	info, err := os.Lstat(path)
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	if err != nil {
		return fmt.Errorf("open socket: %w", err)
	}
	if info.Mode().Type() != fs.ModeSocket {
		return fmt.Errorf("open socket %s: something that is no socket is there; move it away or choose another path", path)
	}
	conn, err := net.DialTimeout("unix", path, time.Second)
	switch {
	case err == nil:
		conn.Close()
		return &AnswersError{path}
	case errors.Is(err, unix.ECONNREFUSED):
		if err := os.Remove(path); err != nil && !errors.Is(err, fs.ErrNotExist) {
			return fmt.Errorf("remove the stale socket: %w", err)
		}
		return nil
	case errors.Is(err, unix.EAGAIN), errors.Is(err, os.ErrDeadlineExceeded):
		return &AnswersError{path} // it listens, and is busy
	}
	return fmt.Errorf("ask who answers on the socket %s: %w", path, cause(err))
}

// cause strips what net wraps around a system error: the path is named already.
func cause(err error) error {
	var op *net.OpError
	if errors.As(err, &op) {
		return op.Err
	}
	return err
}
