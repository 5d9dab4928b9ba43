package chip

import (
	"errors"
	"fmt"
	"sync"
)

// Errors of transfers, as Linux words them.
var (
	ErrNack    = errors.New("remote I/O error")
	ErrTimeout = errors.New("connection timed out")
)

// Target is a chip on an I2C bus.
type Target interface {
	// Transfer takes what was written and fills in what is read; an error is no acknowledge.
	Transfer(w, r []byte) error
}

// I2C is a bus with chips on it. The zero value has none.
type I2C struct {
	mu    sync.Mutex
	chips map[uint16]Target
	fail  error
	hang  chan struct{}
}

// Plug puts a chip at an address; nil takes it away.
func (b *I2C) Plug(address uint16, t Target) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.chips == nil {
		b.chips = map[uint16]Target{}
	}
	if t == nil {
		delete(b.chips, address)
		return
	}
	b.chips[address] = t
}

// Break makes all transfers fail with err, as when a line is shorted to ground; nil mends the bus.
func (b *I2C) Break(err error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.fail = err
}

// Hang makes transfers hang until the function that it gives is called.
func (b *I2C) Hang() (release func()) {
	b.mu.Lock()
	defer b.mu.Unlock()
	hang := make(chan struct{})
	b.hang = hang
	return sync.OnceFunc(func() {
		b.mu.Lock()
		defer b.mu.Unlock()
		b.hang = nil
		close(hang)
	})
}

// Tx is one transfer. A transfer of nothing is a success, as with Linux.
func (b *I2C) Tx(address uint16, w, r []byte) error {
	b.mu.Lock()
	hang, fail, t := b.hang, b.fail, b.chips[address]
	b.mu.Unlock()
	if hang != nil {
		<-hang
		return ErrTimeout
	}
	switch {
	case len(w)+len(r) == 0:
		return nil
	case fail != nil:
		return fail
	case t == nil:
		return ErrNack
	}
	return t.Transfer(w, r)
}

// Close does nothing.
func (b *I2C) Close() error { return nil }

// String names the bus.
func (b *I2C) String() string { return "bus of models" }

// Wire is anything that carries transfers to an address.
type Wire interface {
	Tx(address uint16, w, r []byte) error
}

// Faulty is a bus between a driver and another one that spoils transfers. With all fields zero it spoils none.
type Faulty struct {
	Wire
	Skip  int   // transfers that are left alone first
	Err   error // every transfer fails
	Fill  *byte // what is read is all this: a line that is stuck
	Short int   // of what is read, the last so many bytes are 0xFF: a chip that stopped in the middle
	Flip  int   // this bit of what is read is turned over, counted from 1
	Seen  [][]byte
}

// Tx is one transfer.
func (f *Faulty) Tx(address uint16, w, r []byte) error {
	f.Seen = append(f.Seen, append([]byte(nil), w...))
	if f.Skip > 0 {
		f.Skip--
		return f.Wire.Tx(address, w, r)
	}
	if f.Err != nil {
		return f.Err
	}
	if err := f.Wire.Tx(address, w, r); err != nil {
		return err
	}
	for i := range r {
		if f.Fill != nil {
			r[i] = *f.Fill
		}
		if i >= len(r)-f.Short {
			r[i] = 0xFF
		}
	}
	if bit := f.Flip - 1; bit >= 0 && bit/8 < len(r) {
		r[bit/8] ^= 0x80 >> (bit % 8)
	}
	return nil
}

func refuse(chip string, w []byte) error {
	return fmt.Errorf("%w: %s does not know % x", ErrNack, chip, w)
}
