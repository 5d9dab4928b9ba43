package sht3x

import (
	"time"

	"drywarden/hardware"
	"drywarden/hardware/mono"
	"drywarden/hardware/probe"
	"drywarden/hardware/quantity"
)

const (
	measureHigh   = 0x2400
	readStatus    = 0xF32D
	clearStatus   = 0x3041
	measureTime   = 15500 * time.Microsecond // at most 15 ms
	resetSeen     = 1 << 4
	commandFailed = 1 << 1
	writeCRC      = 1 << 0
)

// Chip is one sensor. Calls are for one goroutine at a time.
type Chip struct {
	Bus     probe.I2C
	Address uint16              // 0x44 or 0x45
	Sleep   func(time.Duration) // nil: time.Sleep

	pinned probe.Pinned
	ready  bool
	met    bool // it has measured before: a reset that its status shows is none of ours
}

// Measure measures once; it takes about 20 ms. now is for what takes hours to be seen.
func (c *Chip) Measure(now mono.Instant) (probe.Air, error) {
	air, err := c.measure(now)
	if err != nil {
		c.ready = false
	}
	return air, err
}

func (c *Chip) measure(now mono.Instant) (probe.Air, error) {
	device := probe.Device{Chip: "sht3x", Address: c.Address}
	if !c.ready {
		if c.met { // the reset may be what the last measurement was lost to
			if s, err := c.status(device); err != nil {
				return probe.Air{}, err
			} else if s&resetSeen != 0 {
				return probe.Air{}, c.reset(device, s)
			}
		}
		if err := c.command(device, clearStatus, "clear the status of"); err != nil {
			return probe.Air{}, err
		}
	}
	if err := c.command(device, measureHigh, "start a measurement of"); err != nil {
		return probe.Air{}, err
	}
	probe.Wait(c.Sleep, measureTime)
	var reply [6]byte
	if err := c.Bus.Tx(c.Address, nil, reply[:]); err != nil {
		return probe.Air{}, probe.NoAnswer(device, "read", err)
	}
	words, err := probe.Words(device, reply[:])
	if err != nil {
		return probe.Air{}, err
	}
	switch s, err := c.status(device); {
	case err != nil:
		return probe.Air{}, err
	case s&resetSeen != 0:
		return probe.Air{}, c.reset(device, s)
	case s&(commandFailed|writeCRC) != 0:
		return probe.Air{}, probe.Faultf(hardware.Checksum, "command_refused", "read %v: status is 0x%04x: the last command was not taken", device, s)
	}
	c.ready, c.met = true, true
	air := probe.Air{
		Temperature: quantity.Celsius(-45 + 175*float64(words[0])/65535),
		Unclipped:   quantity.Ratio(float64(words[1]) / 65535),
	}
	return air, c.pinned.Check(device, now, &air)
}

func (c *Chip) status(device probe.Device) (uint16, error) {
	var reply [3]byte
	if err := c.Bus.Tx(c.Address, []byte{readStatus >> 8, readStatus & 0xFF}, reply[:]); err != nil {
		return 0, probe.NoAnswer(device, "read the status of", err)
	}
	words, err := probe.Words(device, reply[:])
	return words[0], err
}

// reset tells of a reset, and clears it, so that it is told once.
func (c *Chip) reset(device probe.Device, status uint16) error {
	if err := c.command(device, clearStatus, "clear the status of"); err != nil {
		return err
	}
	return probe.Reset("read %v: status is 0x%04x", device, status)
}

func (c *Chip) command(device probe.Device, command uint16, doing string) error {
	if err := c.Bus.Tx(c.Address, []byte{byte(command >> 8), byte(command)}, nil); err != nil {
		return probe.NoAnswer(device, doing, err)
	}
	return nil
}
