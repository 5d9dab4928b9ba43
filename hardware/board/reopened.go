package board

import (
	"errors"
	"io"
	"sync"
	"time"

	"drywarden/hardware/probe/modbus"
)

// reopened is a bus that is opened when it is used, and closed after some failures in a row, so that the next use opens it
// afresh: a bus may come later than this program, and an adapter on USB goes away and comes back.
type reopened[T io.Closer] struct {
	open  func() (T, error)
	told  func(error) // called with what each opening gave
	limit int         // failures in a row

	mu     sync.Mutex // Close comes from another goroutine
	bus    T
	is     bool // bus is open
	failed int
	shut   bool
}

// Failures in a row after which a bus is opened afresh. Chips on I2C may be missing; a serial port that fails is gone.
const (
	busFailures    = 10
	serialFailures = 1
)

var errShut = errors.New("the bus is closed")

func (r *reopened[T]) get() (bus T, err error) {
	r.mu.Lock()
	defer r.mu.Unlock()
	switch {
	case r.shut:
		return bus, errShut
	case r.is:
		return r.bus, nil
	}
	bus, err = r.open()
	if r.told != nil {
		r.told(err)
	}
	if err == nil {
		r.bus, r.is, r.failed = bus, true, 0
	}
	return bus, err
}

// use does something with the bus.
func (r *reopened[T]) use(do func(T) error) error {
	bus, err := r.get()
	if err != nil {
		return err
	}
	err = do(bus)
	r.mu.Lock()
	defer r.mu.Unlock()
	if err == nil {
		r.failed = 0
		return nil
	}
	if r.failed++; r.failed >= r.limit && r.is {
		_ = r.bus.Close() // it failed already
		r.is = false
	}
	return err
}

// Close closes the bus for good.
func (r *reopened[T]) Close() error {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.shut = true
	if !r.is {
		return nil
	}
	r.is = false
	return r.bus.Close()
}

// i2cBus is a bus with chips.
type i2cBus struct{ reopened[I2C] }

// Tx is one transfer.
func (b *i2cBus) Tx(address uint16, w, r []byte) error {
	return b.use(func(bus I2C) error { return bus.Tx(address, w, r) })
}

// spiBus is a connection to one chip.
type spiBus struct{ reopened[SPI] }

// Tx is one transfer.
func (b *spiBus) Tx(w, r []byte) error {
	return b.use(func(bus SPI) error { return bus.Tx(w, r) })
}

// line is a serial port with the master of what hangs on it.
type line struct {
	reopened[Serial]
	master *modbus.Master
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
