package board

import (
	"errors"
	"sync"
	"time"

	"drywarden/hardware/probe/modbus"
)

// line is a serial port that is opened again by its name when it fails: adapters on USB go away and come back.
type line struct {
	open   func() (Serial, error)
	baud   int
	master *modbus.Master

	mu   sync.Mutex // Close comes from another goroutine
	port Serial     // nil: closed or failed
	shut bool
}

var errShut = errors.New("the port is closed")

func (l *line) reopen() error {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.reopenLocked()
}

func (l *line) reopenLocked() error {
	if l.shut {
		return errShut
	}
	if l.port != nil {
		return nil
	}
	port, err := l.open()
	if err != nil {
		return err
	}
	l.port = port
	return nil
}

// use gives the port; a failure of do closes it, so that the next request opens it afresh.
func (l *line) use(do func(Serial) error) error {
	l.mu.Lock()
	err := l.reopenLocked()
	port := l.port
	l.mu.Unlock()
	if err != nil {
		return err
	}
	if err = do(port); err != nil {
		l.mu.Lock()
		defer l.mu.Unlock()
		if l.port == port && port != nil {
			l.port = nil
			_ = port.Close() // it failed already
		}
	}
	return err
}

// Read reads what has arrived.
func (l *line) Read(b []byte) (n int, err error) {
	err = l.use(func(p Serial) (err error) { n, err = p.Read(b); return err })
	return n, err
}

// Write sends.
func (l *line) Write(b []byte) (n int, err error) {
	err = l.use(func(p Serial) (err error) { n, err = p.Write(b); return err })
	return n, err
}

// SetReadTimeout sets the time limit of Read.
func (l *line) SetReadTimeout(d time.Duration) error {
	return l.use(func(p Serial) error { return p.SetReadTimeout(d) })
}

// ResetInputBuffer throws away what has arrived.
func (l *line) ResetInputBuffer() error {
	return l.use(func(p Serial) error { return p.ResetInputBuffer() })
}

// Close closes the port for good.
func (l *line) Close() error {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.shut = true
	if l.port == nil {
		return nil
	}
	port := l.port
	l.port = nil
	return port.Close()
}
