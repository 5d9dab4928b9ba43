package chip

import (
	"math"
	"sync"
	"time"

	"drywarden/hardware/mono"
)

// DS18B20 is a model of the 1-wire thermometer on the wire itself, slot by slot (DS18B20 datasheet, 1-wire bus system,
// ROM and function commands). OneWire is the same one floor up, as the kernel's files show it.
type DS18B20 struct {
	Clock  mono.Clock
	Serial uint64 // 48 bits of its own

	mu      sync.Mutex
	gone    bool
	celsius float64
	powered bool
	ready   mono.Instant // when the conversion is over
	busy    bool
	pad     [9]byte

	state  wireState
	in     uint64 // what was received in this state
	inBits int
	out    []byte // what is sent
	outBit int
	phase  int // of a search: bit, complement, direction
}

type wireState uint8

const (
	wireIdle     wireState = iota // waits for a reset
	wireROM                       // receives a ROM command
	wireMatch                     // receives an identity
	wireSearch                    // takes part in a search
	wireFunction                  // receives a function command
	wireWrite                     // receives alarm levels and resolution
	wireSend                      // sends out
	wireConvert                   // tells whether the conversion is over
)

// Set sets the temperature that it is at.
func (t *DS18B20) Set(celsius float64) {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.celsius = celsius
}

// Unplug pulls its plug, or puts it back.
func (t *DS18B20) Unplug(out bool) {
	t.mu.Lock()
	defer t.mu.Unlock()
	if t.gone = out; out {
		t.powered = false
	}
}

// Name gives its name as the kernel writes it.
func (t *DS18B20) Name() string {
	const digits = "0123456789abcdef"
	name := []byte("28-")
	for i := 44; i >= 0; i -= 4 {
		name = append(name, digits[t.Serial>>i&0xF])
	}
	return string(name)
}

func (t *DS18B20) identity() [8]byte {
	id := [8]byte{0x28}
	for i := range 6 {
		id[1+i] = byte(t.Serial >> (8 * i))
	}
	id[7] = wireSum(id[:7])
	return id
}

// start is the bus's reset; it tells whether somebody is there.
func (t *DS18B20) start() bool {
	t.mu.Lock()
	defer t.mu.Unlock()
	if t.gone {
		return false
	}
	if !t.powered {
		t.powered, t.busy, t.pad = true, false, PowerUp()
	}
	t.enter(wireROM)
	return true
}

func (t *DS18B20) enter(s wireState) { t.state, t.in, t.inBits, t.outBit, t.phase = s, 0, 0, 0, 0 }

func (t *DS18B20) send(b []byte) {
	t.enter(wireSend)
	t.out = b
}

// slot is one time slot; it tells whether this device leaves the wire high.
func (t *DS18B20) slot(high bool) bool {
	t.mu.Lock()
	defer t.mu.Unlock()
	if t.gone || !t.powered {
		return true
	}
	if t.busy && t.Clock.Now() >= t.ready {
		t.convert()
	}
	switch t.state {
	case wireIdle:
		return true
	case wireSend:
		return t.next()
	case wireConvert:
		return !t.busy
	case wireSearch:
		return t.search(high)
	}
	if high {
		t.in |= 1 << t.inBits
	}
	t.inBits++
	t.received()
	return true
}

func (t *DS18B20) next() bool {
	if t.outBit/8 >= len(t.out) {
		return true
	}
	level := t.out[t.outBit/8]>>(t.outBit%8)&1 == 1
	t.outBit++
	return level
}

func (t *DS18B20) search(high bool) bool {
	id := t.identity()
	bit := id[t.outBit/8]>>(t.outBit%8)&1 == 1
	t.phase++
	switch t.phase {
	case 1:
		return bit
	case 2:
		return !bit
	}
	t.phase = 0
	t.outBit++
	switch {
	case high != bit:
		t.enter(wireIdle)
	case t.outBit == 64:
		t.enter(wireFunction)
	}
	return true
}

// received acts on whole commands.
func (t *DS18B20) received() {
	switch {
	case t.state == wireROM && t.inBits == 8:
		id := t.identity()
		switch t.in {
		case 0x33:
			t.send(id[:])
		case 0x55:
			t.enter(wireMatch)
		case 0xCC:
			t.enter(wireFunction)
		case 0xF0:
			t.enter(wireSearch)
		default:
			t.enter(wireIdle)
		}
	case t.state == wireMatch && t.inBits == 64:
		is := true
		for i, b := range t.identity() {
			is = is && byte(t.in>>(8*i)) == b
		}
		t.enter(wireIdle)
		if is {
			t.enter(wireFunction)
		}
	case t.state == wireFunction && t.inBits == 8:
		t.function(byte(t.in))
	case t.state == wireWrite && t.inBits == 24:
		t.pad[2], t.pad[3], t.pad[4] = byte(t.in), byte(t.in>>8), byte(t.in>>16)&0x60|0x1F
		t.pad = Sealed(t.pad)
		t.enter(wireIdle)
	}
}

func (t *DS18B20) function(command byte) {
	switch command {
	case 0x44:
		t.enter(wireConvert)
		t.busy = true
		t.ready = t.Clock.Now().Add(750 * time.Millisecond >> (3 - t.pad[4]>>5&3))
	case 0xBE:
		pad := t.pad
		t.send(pad[:])
	case 0x4E:
		t.enter(wireWrite)
	default: // copy, recall, and whether it has a supply of its own: yes and done
		t.enter(wireIdle)
	}
}

// convert ends a conversion, with the bits that the resolution leaves undefined at zero.
func (t *DS18B20) convert() {
	t.busy = false
	raw := uint16(int16(math.Round(t.celsius*16))) &^ (1<<(3-t.pad[4]>>5&3) - 1)
	t.pad[0], t.pad[1], t.pad[6] = byte(raw), byte(raw>>8), 0x10-byte(raw&0xF)
	t.pad = Sealed(t.pad)
}
