package max31865

import (
	"errors"
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"periph.io/x/conn/v3/conntest"
	"periph.io/x/conn/v3/physic"
	"periph.io/x/conn/v3/spi"
	"periph.io/x/conn/v3/spi/spitest"

	"drywarden/hardware"
	"drywarden/hardware/hardwaretest/chip"
	"drywarden/hardware/mono"
	"drywarden/hardware/probe"
	"drywarden/hardware/quantity"
)

// Resistances of IEC 60751, table 1 (100 ohm at 0 C): -40, 0, 20, 40, 70, 100 C. The codes follow from the datasheet's
// code = R 32768 / reference, cut off.
func TestTemperatureAgainstTheStandard(t *testing.T) {
	for _, c := range []struct {
		t              quantity.Celsius
		ohms           float64
		code430, code4 uint16
	}{
		{-40, 84.27, 6422, 6903}, {0, 100.00, 7620, 8192}, {20, 107.79, 8214, 8830}, {40, 115.54, 8805, 9465},
		{70, 127.08, 9684, 10410}, {100, 138.51, 10555, 11346},
	} {
		require.InDelta(t, c.ohms, Resistance(100, c.t), 0.0051, "%v", c.t)
		require.InDelta(t, 10*c.ohms, Resistance(1000, c.t), 0.051, "%v", c.t)
		require.InDelta(t, float64(c.t), float64(Temperature(100, Resistance(100, c.t))), 1e-9)
		require.InDelta(t, float64(c.code430), Resistance(100, c.t)*32768/430, 1)
		require.InDelta(t, float64(c.code4), Resistance(100, c.t)*32768/400, 1)
	}
	for x := -199.0; x < 850; x += 3.7 {
		require.InDelta(t, x, float64(Temperature(1000, Resistance(1000, quantity.Celsius(x)))), 1e-6)
	}
	require.True(t, math.IsNaN(float64(Temperature(100, 0))))
	require.True(t, math.IsNaN(float64(Temperature(100, math.NaN()))))
}

var wired = Settings{Wires: 3, Nominal: 100, Reference: 430, Mains: 50}

// The bytes of one measurement, from the datasheet's register descriptions: 3 wires and 50 Hz make 0x11, a shot 0xB1.
// Thresholds: 146.07 ohm at 120 C is code 11131, written 0x56F6; 80.31 ohm at -50 C is code 6120, written 0x2FD0.
// 9684 is 70 C: registers 0x4B 0xA8.
func TestPlayback(t *testing.T) {
	port := &spitest.Playback{Playback: conntest.Playback{DontPanic: true, Ops: []conntest.IO{
		{W: []byte{0x80, 0x11}, R: []byte{0, 0}},
		{W: []byte{0x83, 0x56, 0xF6, 0x2F, 0xD0}, R: []byte{0, 0, 0, 0, 0}},
		{W: []byte{0x80, 0x13}, R: []byte{0, 0}},
		{W: make([]byte, 9), R: []byte{0, 0x11, 0, 0, 0x56, 0xF6, 0x2F, 0xD0, 0}},
		{W: []byte{0x80, 0x91}, R: []byte{0, 0}},
		{W: []byte{0x80, 0x95}, R: []byte{0, 0}},
		{W: make([]byte, 9), R: []byte{0, 0x95, 0, 0, 0x56, 0xF6, 0x2F, 0xD0, 0}}, // still at it
		{W: make([]byte, 9), R: []byte{0, 0x91, 0, 0, 0x56, 0xF6, 0x2F, 0xD0, 0}},
		{W: []byte{0x80, 0xB1}, R: []byte{0, 0}},
		{W: make([]byte, 9), R: []byte{0, 0x91, 0x4B, 0xA8, 0x56, 0xF6, 0x2F, 0xD0, 0}},
		{W: []byte{0x80, 0x11}, R: []byte{0, 0}},
	}}}
	conn, err := port.Connect(physic.MegaHertz, spi.Mode1, 8)
	require.NoError(t, err)
	c := Chip{Conn: conn, Name: "spi0.0", Settings: wired, Sleep: func(time.Duration) {}}
	got, err := c.Measure(0)
	require.NoError(t, err)
	require.InDelta(t, 70, float64(got), 0.034, "one code is 0.034 K")
	require.NoError(t, port.Close())
}

// IEC 60751:2008, table 1, Pt100: 80.31 ohm at -50 C, 88.22 at -30 C. An outdoor probe reads a hard frost.
func TestFrost(t *testing.T) {
	r := newRig(wired)
	for celsius, ohms := range map[float64]float64{-30: 88.22, -45: 82.29} {
		r.model.Set(ohms)
		got, err := r.chip.Measure(0)
		require.NoError(t, err)
		require.InDelta(t, celsius, float64(got), 0.05)
	}
}

type rig struct {
	clock mono.Manual
	model chip.MAX31865
	chip  Chip
	flip  func(w, r []byte)
	err   error
}

// Tx spoils what goes between driver and model.
func (r *rig) Tx(w, read []byte) error {
	if r.err != nil {
		return r.err
	}
	err := r.model.Tx(w, read)
	if r.flip != nil {
		r.flip(w, read)
	}
	return err
}

func newRig(s Settings) *rig {
	r := &rig{}
	r.model = chip.MAX31865{Clock: &r.clock, Reference: s.Reference}
	r.model.Set(Resistance(s.Nominal, 48.3))
	r.chip = Chip{Conn: r, Name: "spi0.1", Settings: s, Sleep: r.clock.Advance}
	return r
}

func TestModel(t *testing.T) {
	for _, s := range []Settings{wired, {Wires: 4, Nominal: 100, Reference: 400, Mains: 60}, {Wires: 2, Nominal: 1000, Reference: 4300, Mains: 60}} {
		require.NoError(t, s.Validate())
		r := newRig(s)
		for _, want := range []quantity.Celsius{48.3, -19, 0, 21.5, 119} {
			r.model.Set(Resistance(s.Nominal, want))
			start := r.clock.Now()
			got, err := r.chip.Measure(start)
			require.NoError(t, err)
			require.InDelta(t, float64(want), float64(got), 0.02)
			require.Less(t, r.clock.Now().Sub(start), 100*time.Millisecond)
			r.clock.Advance(30 * time.Second)
		}
	}
}

func TestSettings(t *testing.T) {
	for _, s := range []Settings{{}, {5, 100, 430, 50}, {3, 120, 430, 50}, {3, 100, 4300, 50}, {3, 100, math.NaN(), 50}, {3, 100, 430, 55}} {
		require.Error(t, s.Validate())
	}
}

func TestSignatures(t *testing.T) {
	low, high := byte(0x00), byte(0xFF)
	for _, c := range []struct {
		name    string
		spoil   func(*rig)
		sign    string
		quality hardware.Quality
	}{
		{"open probe", func(r *rig) { r.model.Set(math.Inf(1)) }, "open", hardware.Implausible},
		{"shorted probe", func(r *rig) { r.model.Set(0) }, "short", hardware.Implausible},
		{"too hot", func(r *rig) { r.model.Set(Resistance(100, 121)) }, "too_high", hardware.Implausible},
		{"too cold", func(r *rig) { r.model.Set(Resistance(100, -51)) }, "too_low", hardware.Implausible},
		{"open force wire", func(r *rig) { r.model.Break(0x20) }, "open", hardware.Implausible},
		{"shorted force wire", func(r *rig) { r.model.Break(0x10) }, "wire_short", hardware.Implausible},
		{"shorted sense wire", func(r *rig) { r.model.Break(0x08) }, "wire_short", hardware.Implausible},
		{"over-voltage", func(r *rig) { r.model.Break(0x04) }, "voltage", hardware.Implausible},
		{"no data line, low", func(r *rig) { r.model.Remove(&low) }, "no_answer", hardware.NoAnswer},
		{"no data line, high", func(r *rig) { r.model.Remove(&high) }, "no_answer", hardware.NoAnswer},
		{"transfer fails", func(r *rig) { r.err = errors.New("input/output error") }, "no_answer", hardware.NoAnswer},
		{"brown-out", func(r *rig) { r.model.BrownOut() }, "reset", hardware.NoAnswer},
		{"shifted by a clock", func(r *rig) {
			r.flip = func(_, read []byte) {
				for i := len(read) - 1; i > 0; i-- {
					read[i] = read[i]>>1 | read[i-1]<<7
				}
			}
		}, "read_back", hardware.Checksum},
	} {
		t.Run(c.name, func(t *testing.T) {
			r := newRig(wired)
			_, err := r.chip.Measure(r.clock.Now())
			require.NoError(t, err)
			r.clock.Advance(FaultEvery)
			c.spoil(r)
			start := r.clock.Now()
			v, err := r.chip.Measure(start)
			require.Equal(t, c.sign, probe.SignOf(err), "%v", err)
			require.Equal(t, c.quality, probe.QualityOf(err))
			require.True(t, math.IsNaN(float64(v)))
			require.ErrorContains(t, err, "spi0.1")
			require.Less(t, r.clock.Now().Sub(start), 200*time.Millisecond)
			// Mended, it comes back by itself, at the latest in the second measurement.
			r.model.Break(0)
			r.model.Remove(nil)
			r.err, r.flip = nil, nil
			r.model.Set(Resistance(100, 48.3))
			_, _ = r.chip.Measure(r.clock.Now())
			got, err := r.chip.Measure(r.clock.Now())
			require.NoError(t, err)
			require.InDelta(t, 48.3, float64(got), 0.02)
		})
	}
}

// A force wire that breaks while the resistance still looks right is found within a minute.
func TestFaultDetectionEveryMinute(t *testing.T) {
	r := newRig(wired)
	_, err := r.chip.Measure(r.clock.Now())
	require.NoError(t, err)
	r.model.Break(0x10)
	broken := r.clock.Now()
	for {
		_, err := r.chip.Measure(r.clock.Now())
		if err != nil {
			require.Equal(t, "wire_short", probe.SignOf(err))
			break
		}
		r.clock.Advance(5 * time.Second)
		require.Less(t, r.clock.Now().Sub(broken), 70*time.Second)
	}
}

type canned struct {
	reply []byte
	at    int
}

func (c *canned) Tx(_, r []byte) error {
	for i := range r {
		if c.at < len(c.reply) {
			r[i] = c.reply[c.at]
			c.at++
		}
	}
	return nil
}

func FuzzReply(f *testing.F) {
	good := []byte{0x11, 0, 0, 0x56, 0xF6, 0x2F, 0xD0, 0}
	f.Add(good)
	f.Add([]byte{0xFF})
	f.Fuzz(func(t *testing.T, reply []byte) {
		c := Chip{Conn: &canned{reply: reply}, Name: "x", Settings: wired, Sleep: func(time.Duration) {}}
		for range 2 {
			got, err := c.Measure(0)
			if err != nil {
				require.NotEqual(t, hardware.Valid, probe.QualityOf(err))
				continue
			}
			require.True(t, got >= Min && got <= Max)
		}
	})
}
