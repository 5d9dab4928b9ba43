package chip

import (
	"errors"
	"sync"
	"time"

	"drywarden/hardware/mono"
)

// RS485 is a serial line with devices on it. Reading takes no time when an answer is there; when there is none, the clock
// moves on by the time limit, or, without a clock of its own to move, the line waits for real.
type RS485 struct {
	Clock *mono.Manual // nil: wait for real

	mu      sync.Mutex
	devices map[byte]map[uint16]uint16
	refuse  byte // exception to answer with; 0: none
	spoil   func(request, answer []byte) []byte
	buffer  []byte
	limit   time.Duration
	gone    bool
	Written [][]byte
}

// Put sets registers of a device from an address on.
func (l *RS485) Put(device byte, at uint16, values ...uint16) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.devices == nil {
		l.devices = map[byte]map[uint16]uint16{}
	}
	if l.devices[device] == nil {
		l.devices[device] = map[uint16]uint16{}
	}
	for i, v := range values {
		l.devices[device][at+uint16(i)] = v
	}
}

// Remove unplugs a device.
func (l *RS485) Remove(device byte) {
	l.mu.Lock()
	defer l.mu.Unlock()
	delete(l.devices, device)
}

// Refuse makes devices answer with an exception; 0 ends it.
func (l *RS485) Refuse(code byte) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.refuse = code
}

// Spoil puts a function between device and line; nil ends it.
func (l *RS485) Spoil(f func(request, answer []byte) []byte) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.spoil = f
}

// Deliver lets bytes arrive that belong to no request.
func (l *RS485) Deliver(b []byte) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.buffer = append(l.buffer, b...)
}

// Unplug takes the adapter away.
func (l *RS485) Unplug(gone bool) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.gone = gone
}

var errGone = errors.New("no such device or address")

// Write sends a request.
func (l *RS485) Write(b []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.gone {
		return 0, errGone
	}
	l.Written = append(l.Written, append([]byte(nil), b...))
	answer := l.answer(b)
	if l.spoil != nil {
		answer = l.spoil(b, answer)
	}
	l.buffer = append(l.buffer, answer...)
	return len(b), nil
}

// crcTable is the checksum by table, as many devices do it.
var crcTable = func() (t [256]uint16) {
	for i := range t {
		v := uint16(i)
		for range 8 {
			odd := v&1 == 1
			v >>= 1
			if odd {
				v ^= 0xA001
			}
		}
		t[i] = v
	}
	return t
}()

// Seal puts the checksum behind a frame.
func Seal(b []byte) []byte {
	crc := uint16(0xFFFF)
	for _, x := range b {
		crc = crc>>8 ^ crcTable[byte(crc)^x]
	}
	return append(b, byte(crc), byte(crc>>8))
}

func (l *RS485) answer(b []byte) []byte {
	if len(b) != 8 || string(Seal(append([]byte(nil), b[:6]...))) != string(b) {
		return nil
	}
	registers, ok := l.devices[b[0]]
	if !ok {
		return nil
	}
	refuse := func(code byte) []byte { return Seal([]byte{b[0], b[1] | 0x80, code}) }
	at, n := uint16(b[2])<<8|uint16(b[3]), uint16(b[4])<<8|uint16(b[5])
	switch {
	case l.refuse != 0:
		return refuse(l.refuse)
	case b[1] == 3 || b[1] == 4:
		out := []byte{b[0], b[1], byte(2 * n)}
		for i := range n {
			v, ok := registers[at+i]
			if !ok {
				return refuse(2)
			}
			out = append(out, byte(v>>8), byte(v))
		}
		return Seal(out)
	case b[1] == 6:
		if _, ok := registers[at]; !ok {
			return refuse(2)
		}
		registers[at] = n
		return append([]byte(nil), b...)
	}
	return refuse(1)
}

// Read gives what has arrived.
func (l *RS485) Read(b []byte) (int, error) {
	l.mu.Lock()
	gone, limit, n := l.gone, l.limit, copy(b, l.buffer)
	l.buffer = l.buffer[n:]
	l.mu.Unlock()
	if gone {
		return 0, errGone
	}
	if n == 0 {
		if l.Clock != nil {
			l.Clock.Advance(limit)
		} else {
			time.Sleep(limit)
		}
	}
	return n, nil
}

// SetReadTimeout sets the time limit of Read.
func (l *RS485) SetReadTimeout(d time.Duration) error {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.limit = d
	return nil
}

// ResetInputBuffer throws away what has arrived.
func (l *RS485) ResetInputBuffer() error {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.buffer = nil
	if l.gone {
		return errGone
	}
	return nil
}

// Close does nothing.
func (l *RS485) Close() error { return nil }
