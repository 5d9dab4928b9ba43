package mcp23017

import (
	"errors"
	"testing"

	"github.com/stretchr/testify/require"
	"periph.io/x/conn/v3/i2c/i2ctest"
	"pgregory.net/rapid"

	"drywarden/hardware"
	"drywarden/hardware/hardwaretest/chip"
	"drywarden/hardware/probe"
)

func registers(direction, pull, port, latch uint16) []byte {
	r := make([]byte, 0x16)
	for at, v := range map[int]uint16{0: direction, 0x0C: pull, 0x12: port, 0x14: latch} {
		r[at], r[at+1] = byte(v), byte(v>>8)
	}
	return r
}

// The order on the wire: latches low, then directions, so that no output is ever high by accident.
func TestPlayback(t *testing.T) {
	bus := &i2ctest.Playback{DontPanic: true, Ops: []i2ctest.IO{
		{Addr: 0x20, W: []byte{0x05, 0}},
		{Addr: 0x20, W: []byte{0x0A, 0, 0}},
		{Addr: 0x20, W: []byte{0x14, 0, 0}},
		{Addr: 0x20, W: []byte{0x02, 0, 0}},
		{Addr: 0x20, W: []byte{0x0C, 0x00, 0x80}},
		{Addr: 0x20, W: []byte{0x00, 0x00, 0xFF}},
		{Addr: 0x20, W: []byte{0x00}, R: registers(0xFF00, 0x8000, 0x8000, 0)},
		{Addr: 0x20, W: []byte{0x14, 0, 0}},
		{Addr: 0x20, W: []byte{0x00}, R: registers(0xFF00, 0x8000, 0x8000, 0)},
		{Addr: 0x20, W: []byte{0x14, 0x05, 0}},
		{Addr: 0x20, W: []byte{0x00}, R: registers(0xFF00, 0x8000, 0x8005, 0x05)},
	}}
	c := Chip{Bus: bus, Address: 0x20, Outputs: 0x00FF, PullUp: 0x8000}
	require.NoError(t, c.Write(0))
	require.NoError(t, c.Write(0x8105), "what is no output is not written")
	require.NoError(t, bus.Close())
}

type rig struct {
	model chip.MCP23017
	bus   chip.I2C
	fault chip.Faulty
	chip  Chip
}

func newRig(t *testing.T) *rig {
	r := &rig{}
	r.bus.Plug(0x21, &r.model)
	r.fault.Wire = &r.bus
	r.chip = Chip{Bus: &r.fault, Address: 0x21, Outputs: 0x03FF, PullUp: 0x0400}
	require.NoError(t, r.chip.Write(0))
	return r
}

func TestModel(t *testing.T) {
	r := newRig(t)
	require.NoError(t, r.chip.Write(0x0201))
	now, _ := r.model.Driven()
	require.Equal(t, uint16(0x0201), now)
	require.Equal(t, uint16(0xFC00), r.model.Directions())
	pins, err := r.chip.Read()
	require.NoError(t, err)
	require.Equal(t, uint16(0x0601), pins, "the input with a pull-up reads high")
	r.model.Hold(0x8400, 0x8000)
	pins, err = r.chip.Read()
	require.NoError(t, err)
	require.Equal(t, uint16(0x8201), pins)
}

func TestSignatures(t *testing.T) {
	low, high := byte(0), byte(0xFF)
	for _, c := range []struct {
		name    string
		spoil   func(*rig)
		sign    string
		quality hardware.Quality
	}{
		{"unplugged", func(r *rig) { r.bus.Plug(0x21, nil) }, "no_answer", hardware.NoAnswer},
		{"error in the middle", func(r *rig) { r.fault.Skip, r.fault.Err = 1, errors.New("input/output error") }, "no_answer", hardware.NoAnswer},
		{"data low", func(r *rig) { r.fault.Fill = &low }, "read_back", hardware.Checksum},
		{"data high", func(r *rig) { r.fault.Fill = &high }, "read_back", hardware.Checksum},
		{"bit", func(r *rig) { r.fault.Flip = 1 }, "read_back", hardware.Checksum},
		{"output shorted to ground", func(r *rig) { r.model.Hold(0x0004, 0) }, "pin_held", hardware.Implausible},
		{"output shorted to the supply", func(r *rig) { r.model.Hold(0x0010, 0x0010) }, "pin_held", hardware.Implausible},
	} {
		t.Run(c.name, func(t *testing.T) {
			r := newRig(t)
			require.NoError(t, r.chip.Write(0x0005))
			c.spoil(r)
			err := r.chip.Write(0x0007)
			require.Equal(t, c.sign, probe.SignOf(err), "%v", err)
			require.Equal(t, c.quality, probe.QualityOf(err))
			require.ErrorContains(t, err, "mcp23017 at 0x21")
		})
	}
}

// A transfer lost to a disturbance needs no safe state: the chip is proved to be as it was set up.
func TestOneLostTransfer(t *testing.T) {
	r := newRig(t)
	require.NoError(t, r.chip.Write(0x0005))
	r.bus.Break(chip.ErrNack)
	require.Equal(t, "no_answer", probe.SignOf(r.chip.Write(0x0007)))
	_, err := r.chip.Read()
	require.Equal(t, "not_written", probe.SignOf(err))
	r.bus.Break(nil)
	require.NoError(t, r.chip.Write(0x0007))
	now, _ := r.model.Driven()
	require.Equal(t, uint16(0x0007), now)
}

// A disturbance that turns the order of the registers round, or any other bit of the configuration, is seen and put right;
// outputs go through off.
func TestConfigurationIsRepaired(t *testing.T) {
	for bit := range 8 {
		r := newRig(t)
		require.NoError(t, r.chip.Write(0x0205))
		require.NoError(t, r.bus.Tx(0x21, []byte{0x0A, 1 << bit}, nil))
		_, err := r.chip.Read()
		if bit == 0 { // is not there
			require.NoError(t, err)
			continue
		}
		require.Equal(t, "read_back", probe.SignOf(err), "bit %d: %v", bit, err)
		require.Equal(t, "held_off", probe.SignOf(r.chip.Write(0x0205)), "bit %d", bit)
		now, ever := r.model.Driven()
		require.Zero(t, now)
		require.Zero(t, ever&^0x0205)
		require.NoError(t, r.chip.Write(0))
		require.NoError(t, r.chip.Write(0x0006))
		now, _ = r.model.Driven()
		require.Equal(t, uint16(0x0006), now)
		pins, err := r.chip.Read()
		require.NoError(t, err)
		require.Equal(t, uint16(0x0400), pins&0xFC00, "the pull-up")
	}
}

// After a brown-out nothing comes on again until everything was off once.
func TestBrownOutGoesThroughOff(t *testing.T) {
	r := newRig(t)
	require.NoError(t, r.chip.Write(0x0005))
	r.model.BrownOut()
	_, err := r.chip.Read()
	require.ErrorIs(t, err, probe.ErrReset)
	require.False(t, r.chip.Ready())
	for range 3 {
		err := r.chip.Write(0x0005)
		require.Equal(t, "held_off", probe.SignOf(err))
		now, _ := r.model.Driven()
		require.Zero(t, now)
	}
	require.NoError(t, r.chip.Write(0))
	require.NoError(t, r.chip.Write(0x0005))
	now, _ := r.model.Driven()
	require.Equal(t, uint16(0x0005), now)
}

// Whatever happens on the bus, no pin is driven high that was not asked for since the last time all were off, and what is
// reported as done is so.
func TestNothingUnaskedIsDriven(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		r := &rig{}
		r.bus.Plug(0x21, &r.model)
		r.fault.Wire = &r.bus
		r.chip = Chip{Bus: &r.fault, Address: 0x21, Outputs: 0x0FFF}
		asked := uint16(0)
		for range rapid.IntRange(1, 30).Draw(rt, "steps") {
			switch rapid.IntRange(0, 3).Draw(rt, "what") {
			case 0:
				r.model.BrownOut()
			case 1:
				r.fault.Skip, r.fault.Err = rapid.IntRange(0, 4).Draw(rt, "skip"), errors.New("nack")
			case 2:
				r.fault.Err = nil
			}
			levels := rapid.Uint16().Draw(rt, "levels") & rapid.SampledFrom([]uint16{0, 0xFFFF}).Draw(rt, "off")
			asked |= levels & 0x0FFF
			err := r.chip.Write(levels)
			now, ever := r.model.Driven()
			if err == nil {
				require.Equal(rt, levels&0x0FFF, now)
			}
			require.Zero(rt, ever&^asked)
		}
	})
}

type canned struct{ reply []byte }

func (c canned) Tx(_ uint16, _, r []byte) error { copy(r, c.reply); return nil }

func FuzzReply(f *testing.F) {
	f.Add(registers(0xFF00, 0, 0, 0))
	f.Fuzz(func(t *testing.T, reply []byte) {
		c := Chip{Bus: canned{reply}, Address: 0x20, Outputs: 0x00FF}
		if err := c.Write(0); err != nil {
			require.NotEqual(t, hardware.Valid, probe.QualityOf(err))
			return
		}
		require.True(t, reply[0] == 0 && reply[1] == 0xFF, "success without the right directions")
	})
}
