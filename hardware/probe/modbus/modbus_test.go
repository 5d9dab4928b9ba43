package modbus

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"drywarden/hardware"
	"drywarden/hardware/hardwaretest/chip"
	"drywarden/hardware/mono"
	"drywarden/hardware/probe"
	"drywarden/hardware/quantity"
)

func TestCRC(t *testing.T) {
	// Catalogue of parametrised CRC algorithms (G. Cook), CRC-16/MODBUS: check value of "123456789".
	require.Equal(t, uint16(0x4B37), CRC([]byte("123456789")))
	// The request that reads two registers of device 1, as found in many makers' manuals: 01 03 00 00 00 02 C4 0B.
	require.Equal(t, []byte{0x01, 0x03, 0x00, 0x00, 0x00, 0x02, 0xC4, 0x0B}, frame(1, 3, 0, 0, 0, 2))
}

type rig struct {
	clock  mono.Manual
	line   chip.RS485
	master Master
	air    Transmitter
}

func newRig() *rig {
	r := &rig{}
	r.line.Clock = &r.clock
	r.line.Put(1, 0, 485, 620)
	r.master = Master{Port: &r.line, Clock: &r.clock, Retries: 2, Sleep: r.clock.Advance}
	r.air = Transmitter{Master: &r.master, Device: 1,
		Temperature: Register{Function: ReadHolding, Address: 0, Format: Int16, Scale: 0.1},
		Humidity:    Register{Function: ReadHolding, Address: 1, Format: Uint16, Scale: 0.001}}
	return r
}

func TestTransmitter(t *testing.T) {
	r := newRig()
	air, err := r.air.Measure(0)
	require.NoError(t, err)
	require.InDelta(t, 48.5, float64(air.Temperature), 1e-9)
	require.InDelta(t, 0.62, float64(air.Humidity), 1e-9)
	r.line.Put(1, 0, 0xFF9C, 1003)
	air, err = r.air.Measure(0)
	require.NoError(t, err)
	require.InDelta(t, -10, float64(air.Temperature), 1e-9)
	require.InDelta(t, 1, float64(air.Humidity), 0, "clipped")
}

func TestSignatures(t *testing.T) {
	for _, c := range []struct {
		name    string
		spoil   func(*rig)
		sign    string
		quality hardware.Quality
	}{
		{"unplugged", func(r *rig) { r.line.Remove(1) }, "silent", hardware.NoAnswer},
		{"adapter gone", func(r *rig) { r.line.Unplug(true) }, "port", hardware.NoAnswer},
		{"adapter hears itself", func(r *rig) {
			r.line.Spoil(func(q, a []byte) []byte { return append(append([]byte(nil), q...), a...) })
		}, "echo", hardware.NoAnswer},
		{"cut short", func(r *rig) { r.line.Spoil(func(_, a []byte) []byte { return a[:4] }) }, "short", hardware.Checksum},
		{"one bit", func(r *rig) { r.line.Spoil(func(_, a []byte) []byte { a[4] ^= 4; return a }) }, "checksum", hardware.Checksum},
		{"another device answers", func(r *rig) {
			r.line.Spoil(func(_, a []byte) []byte { return chip.Seal(append([]byte{2}, a[1:len(a)-2]...)) })
		}, "other_device", hardware.Checksum},
		{"another function", func(r *rig) {
			r.line.Spoil(func(_, a []byte) []byte { return chip.Seal(append([]byte{1, 4}, a[2:len(a)-2]...)) })
		}, "other_answer", hardware.Checksum},
		{"another count", func(r *rig) {
			r.line.Spoil(func(_, a []byte) []byte { return chip.Seal([]byte{1, 3, 6, a[3], a[4], a[5], a[6]}) })
		}, "other_answer", hardware.Checksum},
		{"device failure", func(r *rig) { r.line.Refuse(4) }, "exception_4", hardware.NoAnswer},
		{"no such register", func(r *rig) { r.air.Humidity.Address = 9 }, "exception_2", hardware.NoAnswer},
		{"no value, low", func(r *rig) { r.line.Put(1, 0, 0x8000) }, "no_value", hardware.Implausible},
		{"no value, high", func(r *rig) { r.line.Put(1, 1, 0x7FFF) }, "no_value", hardware.Implausible},
		{"another scale", func(r *rig) { r.line.Put(1, 0, 4850) }, "out_of_range", hardware.Implausible},
		{"humidity first", func(r *rig) { r.line.Put(1, 0, 62, 4850) }, "out_of_range", hardware.Implausible},
	} {
		t.Run(c.name, func(t *testing.T) {
			r := newRig()
			_, err := r.air.Measure(0)
			require.NoError(t, err)
			c.spoil(r)
			start := r.clock.Now()
			_, err = r.air.Measure(start)
			require.Equal(t, c.sign, probe.SignOf(err), "%v", err)
			require.Equal(t, c.quality, probe.QualityOf(err))
			require.ErrorContains(t, err, "modbus device 1")
			require.LessOrEqual(t, r.clock.Now().Sub(start), 3*(DefaultTimeout+r.master.Quiet()+50*time.Millisecond))
		})
	}
}

// A device that answers after its time must not answer the next question.
func TestLateAnswerIsThrownAway(t *testing.T) {
	r := newRig()
	r.master.Retries = 0
	var late []byte
	r.line.Spoil(func(_, a []byte) []byte { late = a; return nil })
	_, err := r.air.Measure(0)
	require.Equal(t, "silent", probe.SignOf(err))
	r.line.Deliver(late)
	r.line.Put(1, 0, 500, 400)
	r.line.Spoil(nil)
	air, err := r.air.Measure(0)
	require.NoError(t, err)
	require.InDelta(t, 50, float64(air.Temperature), 1e-9)
}

func TestRetries(t *testing.T) {
	r := newRig()
	n := 0
	r.line.Spoil(func(_, a []byte) []byte {
		if n++; n%3 != 0 {
			return nil
		}
		return a
	})
	_, err := r.air.Measure(0)
	require.NoError(t, err, "two lost, the third answered")
	r.line.Refuse(2)
	n = 0
	r.line.Spoil(func(_, a []byte) []byte { n++; return a })
	_, err = r.air.Measure(0)
	require.Error(t, err)
	require.Equal(t, 1, n, "what the device does not have it will not have the next time")
}

func TestFrozen(t *testing.T) {
	r := newRig()
	start := r.clock.Now()
	for r.clock.Now().Sub(start) < FrozenAfter-time.Minute {
		_, err := r.air.Measure(r.clock.Now())
		require.NoError(t, err)
		r.clock.Advance(30 * time.Second)
	}
	r.clock.Advance(2 * time.Minute)
	_, err := r.air.Measure(r.clock.Now())
	require.Equal(t, "frozen", probe.SignOf(err))
	r.line.Put(1, 0, 486)
	_, err = r.air.Measure(r.clock.Now())
	require.NoError(t, err)
}

func TestWrite(t *testing.T) {
	r := newRig()
	require.NoError(t, r.master.Write(1, 1, 333))
	got, err := r.master.Read(1, ReadHolding, 0, 2)
	require.NoError(t, err)
	require.Equal(t, []uint16{485, 333}, got)
	r.line.Spoil(func(_, a []byte) []byte { return chip.Seal([]byte{1, 6, 0, 1, 0, 0}) })
	require.Equal(t, "other_answer", probe.SignOf(r.master.Write(1, 1, 5)))
	require.Error(t, r.master.Write(0, 0, 0), "no broadcast")
	_, err = r.master.Read(1, ReadHolding, 0, 126)
	require.Error(t, err)
}

// 3F9D F3B6 is 1.2340000 in IEEE 754 (computed by hand from sign, exponent and fraction).
func TestFormats(t *testing.T) {
	for _, c := range []struct {
		r    Register
		w    []uint16
		want float64
		ok   bool
	}{
		{Register{Format: Int16, Scale: 0.1}, []uint16{0xFFF6}, -1, true},
		{Register{Format: Uint16, Scale: 1}, []uint16{0xFFF6}, 65526, true},
		{Register{Format: Int32, Scale: 1}, []uint16{0xFFFF, 0xFFFE}, -2, true},
		{Register{Format: Uint32, Scale: 1}, []uint16{1, 2}, 65538, true},
		{Register{Format: Uint32, Scale: 1, Swapped: true}, []uint16{2, 1}, 65538, true},
		{Register{Format: Float32, Scale: 1}, []uint16{0x3F9D, 0xF3B6}, 1.234, true},
		{Register{Format: Float32, Scale: 1, Swapped: true}, []uint16{0xF3B6, 0x3F9D}, 1.234, true},
		{Register{Format: Float32, Scale: 1}, []uint16{0x7FC0, 0}, 0, false},
		{Register{Format: Uint32, Scale: 1}, []uint16{0xFFFF, 0xFFFF}, 0, false},
	} {
		v, ok := c.r.decode(c.w)
		require.Equal(t, c.ok, ok)
		if ok {
			require.InDelta(t, c.want, v, 1e-6)
		}
	}
	require.Error(t, Register{}.Validate())
	require.NoError(t, Register{Function: 4, Scale: -0.1}.Validate())
	var f Format
	require.NoError(t, f.UnmarshalText([]byte("float32")))
	require.Equal(t, Float32, f)
	require.Error(t, f.UnmarshalText([]byte("float64")))
}

func TestEnergyMeter(t *testing.T) {
	r := newRig()
	r.line.Put(7, 0x100, 0, 1000)
	m := EnergyMeter{Master: &r.master, Device: 7, Most: 20e3,
		Energy: Register{Function: ReadInput, Address: 0x100, Format: Uint32, Scale: 36e3}} // hundredths of a kilowatt-hour
	read := func() (quantity.Joule, error) {
		r.clock.Advance(10 * time.Second)
		return m.Measure(r.clock.Now())
	}
	v, err := read()
	require.NoError(t, err)
	require.InDelta(t, 36e6, float64(v), 1, "10 kWh")
	r.line.Put(7, 0x100, 0, 1004)
	_, err = read()
	require.NoError(t, err)
	r.line.Put(7, 0x100, 0, 3)
	_, err = read()
	require.Equal(t, "went_back", probe.SignOf(err))
	_, err = read()
	require.NoError(t, err, "told once")
	r.line.Put(7, 0x100, 1, 3)
	_, err = read()
	require.Equal(t, "jumped", probe.SignOf(err))
}

// Damage of any kind to any one byte is seen.
func TestDamageIsSeen(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		r := newRig()
		r.master.Retries = 0
		at, mask := rapid.IntRange(0, 6).Draw(rt, "byte"), rapid.Byte().Filter(func(b byte) bool { return b != 0 }).Draw(rt, "mask")
		r.line.Spoil(func(_, a []byte) []byte { a[at] ^= mask; return a })
		_, err := r.master.Read(1, ReadHolding, 0, 1)
		require.Error(rt, err)
		require.NotEqual(rt, hardware.Valid, probe.QualityOf(err))
	})
}

func FuzzAnswer(f *testing.F) {
	f.Add([]byte{1, 3, 2, 0x01, 0xE5, 0x78, 0x5F})
	f.Add([]byte{1, 0x83, 2, 0xC0, 0xF1})
	f.Fuzz(func(t *testing.T, answer []byte) {
		r := newRig()
		r.master.Retries = 0
		r.line.Spoil(func(_, _ []byte) []byte { return answer })
		got, err := r.master.Read(1, ReadHolding, 0, 1)
		if err != nil {
			require.NotEqual(t, hardware.Valid, probe.QualityOf(err))
			return
		}
		require.Equal(t, chip.Seal([]byte{1, 3, 2, byte(got[0] >> 8), byte(got[0])}), answer[:7], "a value without its checksum")
	})
}
