package mcp23017

import (
	"drywarden/hardware"
	"drywarden/hardware/probe"
)

const (
	regDirection = 0x00
	regConfig    = 0x0A // IOCON, also at 0x0B
	regPullUp    = 0x0C
	regPort      = 0x12
	regLatch     = 0x14
	regCount     = 0x16

	// regBanked is where IOCON is while BANK is set. With BANK clear it is the interrupt enable of port B, whose zero is what it
	// has after power-up.
	regBanked = 0x05
)

// Chip is one expander. Bit 0 is GPA0, bit 15 GPB7. Calls are for one goroutine at a time.
type Chip struct {
	Bus     probe.I2C
	Address uint16 // 0x20 to 0x27
	Outputs uint16 // pins that are outputs; all others are inputs
	PullUp  uint16 // inputs with the chip's own pull-up

	ready  bool
	unsure bool // a write of the latches was not answered: they hold the old or the new levels
	latch  uint16
}

func (c *Chip) device() probe.Device { return probe.Device{Chip: "mcp23017", Address: c.Address} }

// Ready tells whether the chip is set up. When it is not, all outputs were low at last sight, or will be once Write has
// set it up.
func (c *Chip) Ready() bool { return c.ready }

// Write sets the outputs and proves them by reading back. A chip that is not set up, at first and after it was found
// otherwise than it was set up, is set up with all outputs low, whatever levels says; that succeeds only when levels is all
// low, so that whoever drives it goes through everything off. A transfer that fails is tried once more; the next Write goes
// on from there.
func (c *Chip) Write(levels uint16) error {
	levels &= c.Outputs
	if !c.ready {
		if err := c.setUp(); err != nil {
			return err
		}
		if levels != 0 {
			return probe.Faultf(hardware.NoAnswer, "held_off", "write %v: outputs %04x are held off: everything goes off first after a fault", c.device(), levels)
		}
		c.ready = true
	}
	err := c.put(regLatch, levels, "write")
	if err != nil {
		err = c.put(regLatch, levels, "write")
	}
	c.unsure = err != nil
	if err != nil {
		return err
	}
	c.latch = levels
	_, err = c.Read()
	return err
}

// Read reads all pins, and proves that the chip is as it was set up and no output is held by something else.
func (c *Chip) Read() (uint16, error) {
	if !c.ready {
		return 0, probe.Faultf(hardware.NoAnswer, "not_set_up", "read %v: it is not set up", c.device())
	}
	if c.unsure {
		return 0, probe.Faultf(hardware.NoAnswer, "not_written", "read %v: its latches could not be written", c.device())
	}
	r, err := c.registers()
	if err != nil {
		return 0, err
	}
	if err := c.intact(r); err != nil {
		c.ready = false
		return 0, err
	}
	pins := word(r, regPort)
	if wrong := (pins ^ c.latch) & c.Outputs; wrong != 0 {
		return pins, probe.Faultf(hardware.Implausible, "pin_held", "read %v: pins %04x are not at the level they are driven to: shorted or overloaded", c.device(), wrong)
	}
	return pins, nil
}

func (c *Chip) put(at byte, v uint16, doing string) error {
	if err := c.Bus.Tx(c.Address, []byte{at, byte(v), byte(v >> 8)}, nil); err != nil {
		return probe.NoAnswer(c.device(), doing, err)
	}
	return nil
}

func (c *Chip) setUp() error {
	c.latch, c.unsure = 0, false
	// A disturbance may have turned the registers' order round: unless that is put right first, what follows goes elsewhere.
	if err := c.Bus.Tx(c.Address, []byte{regBanked, 0}, nil); err != nil {
		return probe.NoAnswer(c.device(), "set up", err)
	}
	for _, reg := range []struct {
		at    byte
		value uint16
	}{{regConfig, 0}, {regLatch, 0}, {0x02, 0}, {regPullUp, c.PullUp &^ c.Outputs}, {regDirection, ^c.Outputs}} {
		if err := c.put(reg.at, reg.value, "set up"); err != nil {
			return err
		}
	}
	r, err := c.registers()
	if err != nil {
		return err
	}
	return c.intact(r)
}

func (c *Chip) registers() ([regCount]byte, error) {
	var r [regCount]byte
	if err := c.Bus.Tx(c.Address, []byte{0}, r[:]); err != nil {
		return r, probe.NoAnswer(c.device(), "read back", err)
	}
	return r, nil
}

func word(r [regCount]byte, at int) uint16 { return uint16(r[at]) | uint16(r[at+1])<<8 }

func (c *Chip) intact(r [regCount]byte) error {
	direction, polarity, config, pull, latch := word(r, regDirection), word(r, 0x02), word(r, regConfig), word(r, regPullUp), word(r, regLatch)
	switch {
	case direction == ^c.Outputs && polarity == 0 && config == 0 && pull == c.PullUp&^c.Outputs && latch == c.latch:
		return nil
	case direction == 0xFFFF && latch == 0 && pull == 0:
		return probe.Reset("read back %v: directions and latches are as after power-up", c.device())
	}
	return probe.Faultf(hardware.Checksum, "read_back", "read back %v: directions %04x, polarity %04x, configuration %04x, pull-ups %04x, latches %04x; expected %04x, 0000, 0000, %04x, %04x",
		c.device(), direction, polarity, config, pull, latch, ^c.Outputs, c.PullUp&^c.Outputs, c.latch)
}
