package ads1115

import (
	"errors"
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"periph.io/x/conn/v3/i2c/i2ctest"

	"drywarden/hardware"
	"drywarden/hardware/hardwaretest/chip"
	"drywarden/hardware/mono"
	"drywarden/hardware/probe"
	"drywarden/hardware/quantity"
)

func noWait(time.Duration) {}

// The datasheet's configuration for one shot of AIN0 at 4.096 V and 128 a second is 0xC383; a code of 0x4000 is half the
// range (datasheet, table of full-scale ranges: one code is 125 uV).
func TestPlayback(t *testing.T) {
	bus := &i2ctest.Playback{DontPanic: true, Ops: []i2ctest.IO{
		{Addr: 0x48, W: []byte{1, 0xC3, 0x83}},
		{Addr: 0x48, W: []byte{1}, R: []byte{0x43, 0x83}}, // busy
		{Addr: 0x48, W: []byte{1}, R: []byte{0xC3, 0x83}},
		{Addr: 0x48, W: []byte{0}, R: []byte{0x40, 0x00}},
		{Addr: 0x48, W: []byte{1, 0xF3, 0x83}},
		{Addr: 0x48, W: []byte{1}, R: []byte{0xF3, 0x83}},
		{Addr: 0x48, W: []byte{0}, R: []byte{0xFF, 0xFF}},
	}}
	c := Chip{Bus: bus, Address: 0x48, Sleep: noWait}
	v, err := c.Volts(0, Volts4096, PerSecond128)
	require.NoError(t, err)
	require.InDelta(t, 2.048, v, 1e-9)
	v, err = c.Volts(3, Volts4096, PerSecond128)
	require.NoError(t, err)
	require.InDelta(t, -125e-6, v, 1e-12)
	require.NoError(t, bus.Close())
}

type rig struct {
	clock mono.Manual
	model chip.ADS1115
	bus   chip.I2C
	fault chip.Faulty
	chip  Chip
}

func newRig() *rig {
	r := &rig{}
	r.model = chip.ADS1115{Clock: &r.clock}
	r.bus.Plug(0x4A, &r.model)
	r.fault.Wire = &r.bus
	r.chip = Chip{Bus: &r.fault, Address: 0x4A, Sleep: r.clock.Advance}
	for i, v := range []float64{0.5, 1, 1.5, 2} {
		r.model.Set(i, v)
	}
	return r
}

func TestModel(t *testing.T) {
	r := newRig()
	for input, want := range []float64{0.5, 1, 1.5, 2} {
		for rate := range rateCount {
			v, err := r.chip.Volts(input, Volts4096, rate)
			require.NoError(t, err)
			require.InDelta(t, want, v, 0.0001, "never the result of the input before")
		}
	}
	_, err := r.chip.Volts(4, Volts4096, 0)
	require.Error(t, err)
}

func TestSignatures(t *testing.T) {
	low, high := byte(0), byte(0xFF)
	for _, c := range []struct {
		name    string
		spoil   func(*rig)
		sign    string
		quality hardware.Quality
	}{
		{"unplugged", func(r *rig) { r.bus.Plug(0x4A, nil) }, "no_answer", hardware.NoAnswer},
		{"error in the middle", func(r *rig) { r.fault.Skip, r.fault.Err = 2, errors.New("input/output error") }, "no_answer", hardware.NoAnswer},
		{"beyond the range", func(r *rig) { r.model.Set(1, 5) }, "clipped", hardware.Implausible},
		{"far below ground", func(r *rig) { r.model.Set(1, -5) }, "clipped", hardware.Implausible},
		{"data low", func(r *rig) { r.fault.Fill = &low }, "read_back", hardware.Checksum},
		{"data high", func(r *rig) { r.fault.Fill = &high }, "read_back", hardware.Checksum},
		{"never done", func(r *rig) { r.chip.Sleep = noWait }, "not_done", hardware.NoAnswer},
		{"brown-out while measuring", func(r *rig) {
			r.chip.Sleep = func(d time.Duration) { r.clock.Advance(d); r.model.BrownOut() }
		}, "reset", hardware.NoAnswer},
		{"bit of the configuration", func(r *rig) { r.fault.Skip, r.fault.Flip = 1, 5 }, "read_back", hardware.Checksum},
	} {
		t.Run(c.name, func(t *testing.T) {
			r := newRig()
			c.spoil(r)
			v, err := r.chip.Volts(1, Volts4096, PerSecond64)
			require.Equal(t, c.sign, probe.SignOf(err), "%v", err)
			require.Equal(t, c.quality, probe.QualityOf(err))
			require.True(t, math.IsNaN(v))
			require.ErrorContains(t, err, "ads1115 at 0x4a")
		})
	}
}

// Ohm's law by hand: 5 V over 10 Mohm and 40 Mohm leaves 1 V over the reference.
func TestDivider(t *testing.T) {
	d := Divider{Supply: 5, Reference: 10e6, Least: 0.005}
	require.NoError(t, d.Validate())
	require.InDelta(t, 40e6, float64(d.Ohms(1)), 1)
	require.InDelta(t, 10e6, float64(d.Ohms(2.5)), 1)
	require.True(t, math.IsNaN(float64(d.Ohms(0.001))) && math.IsNaN(float64(d.Ohms(5))) && math.IsNaN(float64(d.Ohms(-1))) && math.IsNaN(float64(d.Ohms(math.NaN()))))
	require.Error(t, Divider{}.Validate())
}

func TestLogarithmic(t *testing.T) {
	l := Logarithmic{Reference: 1e8, At: 1.5, Slope: 0.25, Low: 0.2, High: 3}
	require.NoError(t, l.Validate())
	require.InDelta(t, 1e8, float64(l.Ohms(1.5)), 1)
	require.InDelta(t, 1e9, float64(l.Ohms(1.25)), 10)
	require.InDelta(t, 1e6, float64(l.Ohms(2)), 1)
	require.True(t, math.IsNaN(float64(l.Ohms(0.1))) && math.IsNaN(float64(l.Ohms(math.NaN()))))
	require.Error(t, Logarithmic{}.Validate())
}

// Douglas-fir at 12 %: 120 Mohm (James 1988, FPL-GTR-6, table of resistances at 27 C; from memory).
func TestResistance(t *testing.T) {
	r := newRig()
	d := Divider{Supply: 3.3, Reference: 100e6, Least: 0.002}
	set := func(ohms float64) { r.model.Set(0, 3.3*100e6/(100e6+ohms)) }
	set(120e6)
	got, err := r.chip.Resistance(0, Volts4096, PerSecond8, d)
	require.NoError(t, err)
	require.InEpsilon(t, 120e6, float64(got), 0.001)
	for sign, front := range map[string]FrontEnd{
		"short":        Logarithmic{Reference: 1e3, At: 1.5, Slope: 1, Low: 0, High: 4},
		"open":         Logarithmic{Reference: 1e12, At: 1.5, Slope: 0.25, Low: 0, High: 4},
		"out_of_range": Divider{Supply: 3.3, Reference: 1e8, Least: 1.6},
	} {
		r.model.Set(0, 1.5)
		got, err := r.chip.Resistance(0, Volts4096, PerSecond8, front)
		require.Equal(t, sign, probe.SignOf(err))
		require.Equal(t, hardware.Implausible, probe.QualityOf(err))
		require.True(t, math.IsNaN(float64(got)))
	}
}

type canned struct {
	reply []byte
	at    int
}

func (c *canned) Tx(_ uint16, _, r []byte) error {
	for i := range r {
		if c.at < len(c.reply) {
			r[i] = c.reply[c.at]
			c.at++
		}
	}
	return nil
}

func FuzzReply(f *testing.F) {
	f.Add([]byte{0xC1, 0x03, 0x40, 0x00})
	f.Fuzz(func(t *testing.T, reply []byte) {
		c := Chip{Bus: &canned{reply: reply}, Address: 0x48, Sleep: noWait}
		got, err := c.Resistance(0, Volts6144, PerSecond8, Divider{Supply: 5, Reference: 1e8, Least: 0.01})
		if err == nil {
			require.True(t, got >= PinMin && got <= PinMax)
			return
		}
		require.NotEqual(t, hardware.Valid, probe.QualityOf(err))
		require.True(t, math.IsNaN(float64(got)))
		_ = quantity.Ohm(got)
	})
}
