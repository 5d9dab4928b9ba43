package chip

import (
	"errors"
	"sync"
)

// CP2112 is a model of the bridge from USB to I2C, with eight lines of its own, as its reports show it: Silicon Labs, AN495,
// CP2112 interface specification. A transfer is done at once; what is not done within the chip's time is an error.
type CP2112 struct {
	Bus     *I2C
	Changed func() // called after a line was driven otherwise; may be nil

	mu        sync.Mutex
	direction byte // 1: output
	config    [3]byte
	smbus     [13]byte
	latch     byte
	outside   byte // levels of what inputs hang on
	status    [2]byte
	read      []byte
}

// Reports of the chip that a kernel's driver uses.
const (
	cpLineConfig = 0x02
	cpLineGet    = 0x03
	cpLineSet    = 0x04
	cpVersion    = 0x05
	cpSMBus      = 0x06
	cpRead       = 0x10
	cpWriteRead  = 0x11
	cpForceRead  = 0x12
	cpReadReply  = 0x13
	cpWrite      = 0x14
	cpStatus     = 0x15
	cpStatusTold = 0x16
	cpCancel     = 0x17
)

// CP2112Reports is a report descriptor with the input reports, which is all that a driver of raw reports needs (USB HID 1.11,
// section 6.2.2).
var CP2112Reports = []byte{
	0x06, 0x00, 0xFF, 0x09, 0x01, 0xA1, 0x01, 0x15, 0x00, 0x26, 0xFF, 0x00, 0x75, 0x08,
	0x85, cpReadReply, 0x95, 63, 0x09, 0x01, 0x81, 0x02,
	0x85, cpStatusTold, 0x95, 6, 0x09, 0x01, 0x81, 0x02,
	0xC0,
}

// Reset takes the supply away for a moment: all lines are inputs.
func (c *CP2112) Reset() {
	c.mu.Lock()
	c.direction, c.latch, c.config, c.smbus, c.status, c.read = 0, 0, [3]byte{}, [13]byte{}, [2]byte{}, nil
	c.mu.Unlock()
	c.tell()
}

func (c *CP2112) tell() {
	if c.Changed != nil {
		c.Changed()
	}
}

// Put puts a level on a line; it shows where the line is an input.
func (c *CP2112) Put(line int, high bool) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.outside &^= 1 << line
	if high {
		c.outside |= 1 << line
	}
}

// Driven gives the lines that the chip drives high.
func (c *CP2112) Driven() byte {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.latch & c.direction
}

// Feature gives a feature report, its number first; nil when there is none of that number.
func (c *CP2112) Feature(number byte) []byte {
	c.mu.Lock()
	defer c.mu.Unlock()
	switch number {
	case cpLineConfig:
		return append([]byte{number, c.direction}, c.config[:]...)
	case cpLineGet:
		return []byte{number, c.latch&c.direction | c.outside&^c.direction}
	case cpVersion:
		return []byte{number, 0x0C, 0x02}
	case cpSMBus:
		return append([]byte{number}, c.smbus[:]...)
	}
	return nil
}

// SetFeature takes a feature report; false when it is none.
func (c *CP2112) SetFeature(report []byte) bool {
	c.mu.Lock()
	before, ok := c.latch&c.direction, true
	switch {
	case len(report) == 5 && report[0] == cpLineConfig:
		c.direction = report[1]
		copy(c.config[:], report[2:])
	case len(report) == 3 && report[0] == cpLineSet:
		c.latch = c.latch&^report[2] | report[1]&report[2]
	case len(report) == 14 && report[0] == cpSMBus:
		copy(c.smbus[:], report[1:])
	default:
		ok = false
	}
	changed := before != c.latch&c.direction
	c.mu.Unlock()
	if changed {
		c.tell()
	}
	return ok
}

// Output takes an output report and gives the input report that answers it; nil: none does.
func (c *CP2112) Output(report []byte) []byte {
	switch {
	case len(report) >= 4 && report[0] == cpRead:
		c.transfer(report[1], nil, word(report[2:]))
	case len(report) >= 5 && report[0] == cpWriteRead && report[4] <= 16 && len(report) >= 5+int(report[4]):
		c.transfer(report[1], report[5:5+report[4]], word(report[2:]))
	case len(report) >= 3 && report[0] == cpWrite && report[2] <= 61 && len(report) >= 3+int(report[2]):
		c.transfer(report[1], report[3:3+report[2]], 0)
	case len(report) >= 2 && report[0] == cpStatus:
		c.mu.Lock()
		defer c.mu.Unlock()
		return []byte{cpStatusTold, c.status[0], c.status[1], 0, 0, byte(len(c.read) >> 8), byte(len(c.read))}
	case len(report) >= 3 && report[0] == cpForceRead:
		return c.reply(word(report[1:]))
	case len(report) >= 2 && report[0] == cpCancel:
		c.keep([2]byte{}, nil)
	}
	return nil
}

func word(b []byte) int { return int(b[0])<<8 | int(b[1]) }

func (c *CP2112) keep(status [2]byte, read []byte) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.status, c.read = status, read
}

// transfer does what a report asks for and keeps how it went: complete, or in error without an acknowledge or with a bus
// that does not come free. No lock is held meanwhile: a chip may make somebody look at the lines.
func (c *CP2112) transfer(address byte, w []byte, length int) {
	read := make([]byte, min(length, 512))
	err := c.Bus.Tx(uint16(address>>1), w, read)
	switch {
	case err == nil:
		c.keep([2]byte{0x02, 0x05}, read)
	case errors.Is(err, ErrTimeout):
		c.keep([2]byte{0x03, 0x01}, nil)
	default:
		c.keep([2]byte{0x03, 0x00}, nil)
	}
}

// reply hands over up to 61 bytes of what was read.
func (c *CP2112) reply(length int) []byte {
	c.mu.Lock()
	defer c.mu.Unlock()
	n := min(length, len(c.read), 61)
	out := make([]byte, 64)
	out[0], out[1], out[2] = cpReadReply, c.status[0], byte(n)
	copy(out[3:], c.read[:n])
	c.read = c.read[n:]
	return out
}
