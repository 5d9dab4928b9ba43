package sht3x

import (
	"errors"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"periph.io/x/conn/v3/i2c/i2ctest"

	"drywarden/hardware"
	"drywarden/hardware/hardwaretest/chip"
	"drywarden/hardware/mono"
	"drywarden/hardware/probe"
)

func noWait(time.Duration) {}

// What goes over the wire, byte by byte. 0xBEEF with checksum 0x92 is the datasheet's example of a word; it stands for
// T = -45 + 175*48879/65535 = 85.523 C and RH = 48879/65535 = 74.585 %. Status 0x8010 is the datasheet's after power-up.
func TestPlayback(t *testing.T) {
	status := []byte{0xF3, 0x2D}
	word := func(v uint16) []byte {
		b := []byte{byte(v >> 8), byte(v)}
		return append(b, probe.CRC8(b))
	}
	bus := &i2ctest.Playback{DontPanic: true, Ops: []i2ctest.IO{
		{Addr: 0x44, W: []byte{0x30, 0x41}},
		{Addr: 0x44, W: []byte{0x24, 0x00}},
		{Addr: 0x44, R: []byte{0xBE, 0xEF, 0x92, 0xBE, 0xEF, 0x92}},
		{Addr: 0x44, W: status, R: word(0x0000)},
		{Addr: 0x44, W: []byte{0x24, 0x00}},
		{Addr: 0x44, R: []byte{0xBE, 0xEF, 0x92, 0xBE, 0xEF, 0x92}},
		{Addr: 0x44, W: status, R: word(0x8010)},
		{Addr: 0x44, W: []byte{0x30, 0x41}},
		{Addr: 0x44, W: status, R: word(0x0000)},
		{Addr: 0x44, W: []byte{0x30, 0x41}},
		{Addr: 0x44, W: []byte{0x24, 0x00}},
		{Addr: 0x44, R: []byte{0xBE, 0xEF, 0x92, 0xBE, 0xEF, 0x92}},
		{Addr: 0x44, W: status, R: word(0x0002)},
	}}
	c := Chip{Bus: bus, Address: 0x44, Sleep: noWait}
	air, err := c.Measure(0)
	require.NoError(t, err)
	require.InDelta(t, 85.523, float64(air.Temperature), 0.001)
	require.InDelta(t, 0.74585, float64(air.Humidity), 0.00001)
	_, err = c.Measure(0)
	require.ErrorIs(t, err, probe.ErrReset)
	require.Equal(t, probe.SignReset, probe.SignOf(err))
	_, err = c.Measure(0)
	require.Equal(t, "command_refused", probe.SignOf(err))
	require.NoError(t, bus.Close())
}

// A brown-out is told once, and the sensor goes on.
func TestBrownOut(t *testing.T) {
	r := newRig()
	_, err := r.chip.Measure(0)
	require.NoError(t, err)
	r.model.BrownOut()
	_, err = r.chip.Measure(0)
	require.ErrorIs(t, err, probe.ErrReset)
	_, err = r.chip.Measure(0)
	require.NoError(t, err)
}

// A brown-out in the middle of a measurement, which is then lost, is told as well.
func TestBrownOutWhileItMeasures(t *testing.T) {
	r := newRig()
	_, err := r.chip.Measure(0)
	require.NoError(t, err)
	r.chip.Sleep = func(d time.Duration) { r.clock.Advance(d); r.model.BrownOut(); r.chip.Sleep = r.clock.Advance }
	_, err = r.chip.Measure(0)
	require.Equal(t, "no_answer", probe.SignOf(err))
	_, err = r.chip.Measure(0)
	require.ErrorIs(t, err, probe.ErrReset)
	_, err = r.chip.Measure(0)
	require.NoError(t, err)
}

type rig struct {
	clock mono.Manual
	model chip.SHT
	bus   chip.I2C
	fault chip.Faulty
	chip  Chip
}

func newRig() *rig {
	r := &rig{}
	r.model = chip.SHT{Clock: &r.clock, Four: false}
	r.model.Set(48.5, 62)
	r.bus.Plug(0x45, &r.model)
	r.fault.Wire = &r.bus
	r.chip = Chip{Bus: &r.fault, Address: 0x45, Sleep: r.clock.Advance}
	return r
}

func TestModel(t *testing.T) {
	r := newRig()
	for range 3 {
		air, err := r.chip.Measure(r.clock.Now())
		require.NoError(t, err)
		require.InDelta(t, 48.5, float64(air.Temperature), 0.005)
		require.InDelta(t, 0.62, float64(air.Humidity), 0.0001)
	}
	require.Less(t, r.clock.Now().Sub(0), 50*time.Millisecond)
	r.model.Set(60, 100)
	air, err := r.chip.Measure(r.clock.Now())
	require.NoError(t, err)
	require.InDelta(t, 1, float64(air.Humidity), 0)
}

func TestSignatures(t *testing.T) {
	zero, ones := byte(0), byte(0xFF)
	for _, c := range []struct {
		name    string
		spoil   func(*rig)
		sign    string
		quality hardware.Quality
	}{
		{"unplugged", func(r *rig) { r.bus.Plug(0x45, nil) }, "no_answer", hardware.NoAnswer},
		{"stuck bus", func(r *rig) { r.bus.Break(chip.ErrTimeout) }, "no_answer", hardware.NoAnswer},
		{"error in the middle", func(r *rig) { r.fault.Skip, r.fault.Err = 1, errors.New("input/output error") }, "no_answer", hardware.NoAnswer},
		{"read too early", func(r *rig) { r.chip.Sleep = noWait }, "no_answer", hardware.NoAnswer},
		{"data low", func(r *rig) { r.fault.Fill = &zero }, "stuck_line", hardware.Checksum},
		{"data high", func(r *rig) { r.fault.Fill = &ones }, "stuck_line", hardware.Checksum},
		{"short answer", func(r *rig) { r.fault.Short = 2 }, "checksum", hardware.Checksum},
		{"one bit", func(r *rig) { r.fault.Flip = 11 }, "checksum", hardware.Checksum},
	} {
		t.Run(c.name, func(t *testing.T) {
			r := newRig()
			_, err := r.chip.Measure(r.clock.Now())
			require.NoError(t, err)
			c.spoil(r)
			_, err = r.chip.Measure(r.clock.Now())
			require.Equal(t, c.sign, probe.SignOf(err), "%v", err)
			require.Equal(t, c.quality, probe.QualityOf(err))
			require.ErrorContains(t, err, "sht3x at 0x45")
			// It comes back by itself.
			r.bus.Plug(0x45, &r.model)
			r.bus.Break(nil)
			r.fault, r.chip.Sleep = chip.Faulty{Wire: &r.bus}, r.clock.Advance
			r.chip.Bus = &r.fault
			_, err = r.chip.Measure(r.clock.Now())
			require.NoError(t, err)
		})
	}
}

// Every single bit of an answer is guarded.
func TestEveryFlippedBitIsSeen(t *testing.T) {
	for bit := 1; bit <= 48; bit++ {
		r := newRig()
		_, err := r.chip.Measure(0)
		require.NoError(t, err)
		r.fault.Flip = bit
		_, err = r.chip.Measure(0)
		require.Equal(t, hardware.Checksum, probe.QualityOf(err), "bit %d", bit)
	}
}

func TestCondensed(t *testing.T) {
	r := newRig()
	r.model.Set(40, 100)
	for r.clock.Now() < mono.Instant(probe.PinnedAfter) {
		_, err := r.chip.Measure(r.clock.Now())
		require.NoError(t, err)
		r.clock.Advance(time.Minute)
	}
	_, err := r.chip.Measure(r.clock.Now())
	require.Equal(t, "condensed", probe.SignOf(err))
	r.model.Set(40, 96)
	_, err = r.chip.Measure(r.clock.Now())
	require.NoError(t, err)
}

type canned struct{ reply []byte }

func (c canned) Tx(_ uint16, _, r []byte) error { copy(r, c.reply); return nil }

func FuzzReply(f *testing.F) {
	f.Add([]byte{0xBE, 0xEF, 0x92, 0xBE, 0xEF, 0x92})
	f.Add([]byte{0x00, 0x00, 0x81, 0x00, 0x00, 0x81})
	f.Add([]byte{})
	f.Fuzz(func(t *testing.T, reply []byte) {
		c := Chip{Bus: canned{reply}, Address: 0x44, Sleep: noWait}
		air, err := c.Measure(0)
		if err != nil {
			require.NotEqual(t, hardware.Valid, probe.QualityOf(err))
			return
		}
		var b [6]byte // what was read: the rest is zero
		copy(b[:], reply)
		require.True(t, probe.CRC8(b[:2]) == b[2] && probe.CRC8(b[3:5]) == b[5], "a value without its checksum")
		require.True(t, air.Humidity >= 0 && air.Humidity <= 1 && air.Temperature >= probe.AirMin && air.Temperature <= probe.AirMax)
	})
}
