package sht4x

import (
	"time"

	"drywarden/hardware/mono"
	"drywarden/hardware/probe"
	"drywarden/hardware/quantity"
)

const (
	measureHigh = 0xFD
	softReset   = 0x94
	measureTime = 9 * time.Millisecond // at most 8.3 ms
	resetTime   = 1500 * time.Microsecond
)

// Chip is one sensor. Calls are for one goroutine at a time.
type Chip struct {
	Bus     probe.I2C
	Address uint16              // 0x44, 0x45 or 0x46
	Sleep   func(time.Duration) // nil: time.Sleep

	pinned probe.Pinned
	ready  bool
}

// Measure measures once; it takes about 10 ms. After a fault, and at first, the chip is reset before. now is for what takes
// hours to be seen.
func (c *Chip) Measure(now mono.Instant) (probe.Air, error) {
	device := probe.Device{Chip: "sht4x", Address: c.Address}
	reply, err := c.read(device)
	if err != nil {
		c.ready = false
		return probe.Air{}, err
	}
	words, err := probe.Words(device, reply[:])
	if err != nil {
		c.ready = false
		return probe.Air{}, err
	}
	c.ready = true
	air := probe.Air{
		Temperature: quantity.Celsius(-45 + 175*float64(words[0])/65535),
		Unclipped:   quantity.Ratio((-6 + 125*float64(words[1])/65535) / 100),
	}
	return air, c.pinned.Check(device, now, &air)
}

func (c *Chip) read(device probe.Device) (reply [6]byte, err error) {
	if !c.ready {
		if err := c.Bus.Tx(c.Address, []byte{softReset}, nil); err != nil {
			return reply, probe.NoAnswer(device, "reset", err)
		}
		probe.Wait(c.Sleep, resetTime)
	}
	if err := c.Bus.Tx(c.Address, []byte{measureHigh}, nil); err != nil {
		return reply, probe.NoAnswer(device, "start a measurement of", err)
	}
	probe.Wait(c.Sleep, measureTime)
	if err := c.Bus.Tx(c.Address, nil, reply[:]); err != nil {
		return reply, probe.NoAnswer(device, "read", err)
	}
	return reply, nil
}
