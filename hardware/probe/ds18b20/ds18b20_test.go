package ds18b20

import (
	"bytes"
	"errors"
	"fmt"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"drywarden/hardware"
	"drywarden/hardware/hardwaretest/chip"
	"drywarden/hardware/probe"
	"drywarden/hardware/quantity"
)

const id = "28-0000063d0f1a"

// What the kernel shows for the datasheet's table of temperatures and codes (DS18B20, table 1).
func TestDatasheetTable(t *testing.T) {
	for _, c := range []struct {
		want quantity.Celsius
		code uint16
	}{{125, 0x07D0}, {25.0625, 0x0191}, {10.125, 0x00A2}, {0.5, 0x0008}, {0, 0}, {-0.5, 0xFFF8}, {-10.125, 0xFF5E}, {-25.0625, 0xFE6F}, {-55, 0xFC90}} {
		pad := chip.Scratchpad(float64(c.want))
		require.Equal(t, c.code, uint16(pad[0])|uint16(pad[1])<<8)
		s := Sensor{ID: id}
		got, err := s.parse(fmt.Appendf(nil, "% x : crc=%02x YES\n% x t=0\n", pad, pad[8], pad))
		require.NoError(t, err)
		require.InDelta(t, float64(c.want), float64(got), 0)
	}
}

type rig struct {
	root   string
	bus    *chip.OneWire
	sensor Sensor
}

func newRig(t *testing.T) *rig {
	root := t.TempDir()
	bus, err := chip.NewOneWire(root, 1)
	require.NoError(t, err)
	require.NoError(t, bus.Set(id, chip.Scratchpad(48.5), true))
	return &rig{root: root, bus: bus, sensor: Sensor{Root: root, ID: id}}
}

func TestModel(t *testing.T) {
	r := newRig(t)
	ids, err := List(r.root, Master(1))
	require.NoError(t, err)
	require.Equal(t, []string{id}, ids)
	require.NoError(t, r.bus.Set("28-0000063d0f1b", chip.Scratchpad(-3), true))
	ids, err = List(r.root, Master(1))
	require.NoError(t, err)
	require.Len(t, ids, 2)
	got, err := r.sensor.Read()
	require.NoError(t, err)
	require.InDelta(t, 48.5, float64(got), 0)
}

func TestSignatures(t *testing.T) {
	full := [9]byte{0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF}
	good := chip.Scratchpad(51)
	bad := good
	bad[1] ^= 1
	broken := chip.Scratchpad(127.9375)
	hot := chip.Scratchpad(85)
	foreign := func() [9]byte { // a checksum that fits, but no scratchpad of this chip
		p := [9]byte{0x10, 0x03, 0x4B, 0x46, 0x00, 0x00, 0x0C, 0x10}
		p[8] = probe.CRC8OneWire(p[:8])
		return p
	}()
	set := func(pad [9]byte, good bool) func(*rig) error {
		return func(r *rig) error { return r.bus.Set(id, pad, good) }
	}
	for _, c := range []struct {
		name    string
		spoil   func(*rig) error
		sign    string
		quality hardware.Quality
	}{
		{"unplugged a moment ago", func(r *rig) error { return r.bus.Silence(id) }, "empty", hardware.NoAnswer},
		{"unplugged for a while", func(r *rig) error { return r.bus.Remove(id) }, "not_there", hardware.NoAnswer},
		{"absent", set(full, false), "absent", hardware.NoAnswer},
		{"bus shorted: the checksum passes", set([9]byte{}, true), "shorted", hardware.Implausible},
		{"damaged, and the kernel repeats old bytes", func(r *rig) error {
			return os.WriteFile(filepath.Join(r.root, id, "w1_slave"), fmt.Appendf(nil, "% x : crc=%02x NO\n% x t=51000\n", bad, bad[8], good), 0o644)
		}, "checksum", hardware.Checksum},
		{"damaged, and the kernel says nothing", set(bad, true), "checksum", hardware.Checksum},
		{"the kernel says no", set(good, false), "checksum", hardware.Checksum},
		{"reset while it measured", set(chip.PowerUp(), true), "power_up", hardware.Implausible},
		{"85 C from nowhere", set(hot, true), "power_up", hardware.Implausible},
		{"broken clone", set(broken, true), "broken", hardware.Implausible},
		{"126 C", set(chip.Scratchpad(126), true), "out_of_range", hardware.Implausible},
		{"set to 9 bits", set(withConfig(0x1F), true), "too_coarse", hardware.Implausible},
		{"set to 10 bits", set(withConfig(0x3F), true), "too_coarse", hardware.Implausible},
		{"another chip", set(foreign, true), "no_scratchpad", hardware.Implausible},
		{"other text", func(r *rig) error {
			return os.WriteFile(filepath.Join(r.root, id, "w1_slave"), []byte("50 05 t=85000\n"), 0o644)
		}, "unreadable", hardware.Checksum},
	} {
		t.Run(c.name, func(t *testing.T) {
			r := newRig(t)
			_, err := r.sensor.Read()
			require.NoError(t, err)
			require.NoError(t, c.spoil(r))
			got, err := r.sensor.Read()
			require.Equal(t, c.sign, probe.SignOf(err), "%v", err)
			require.Equal(t, c.quality, probe.QualityOf(err))
			require.True(t, math.IsNaN(float64(got)))
			require.ErrorContains(t, err, id)
			require.NoError(t, r.bus.Set(id, good, true))
			_, err = r.sensor.Read()
			require.NoError(t, err)
		})
	}
}

// withConfig gives a good scratchpad of a sensor with another resolution (datasheet, table 2: 9 bits 0x1F, 10 0x3F, 11 0x5F).
func withConfig(config byte) [9]byte {
	pad := chip.Scratchpad(51)
	pad[4] = config
	pad[8] = probe.CRC8OneWire(pad[:8])
	return pad
}

func TestElevenBitsWillDo(t *testing.T) {
	r := newRig(t)
	require.NoError(t, r.bus.Set(id, withConfig(0x5F), true))
	got, err := r.sensor.Read()
	require.NoError(t, err)
	require.InDelta(t, 51, float64(got), 0)
	require.NoError(t, r.bus.Set(id, withConfig(0x1F), true))
	_, err = r.sensor.Read()
	require.ErrorContains(t, err, "set to 9 bits, steps of 0.5 C")
	require.NoError(t, r.bus.Set(id, withConfig(0x3F), true))
	_, err = r.sensor.Read()
	require.ErrorContains(t, err, "set to 10 bits, steps of 0.25 C")
}

// The file ext_power (the kernel's Documentation/w1/slaves/w1_therm.rst): 0 parasitic, 1 with a supply, else an error.
func TestSupply(t *testing.T) {
	r := newRig(t)
	require.NoError(t, r.sensor.CheckSupply(), "an older kernel")
	for text, sign := range map[string]string{"1\n": "", "0\n": "parasitic", "-5\n": "", "": ""} {
		require.NoError(t, os.WriteFile(filepath.Join(r.root, id, "ext_power"), []byte(text), 0o644))
		require.Equal(t, sign, probe.SignOf(r.sensor.CheckSupply()), "%q", text)
	}
	require.Error(t, (&Sensor{Root: r.root, ID: "../x"}).CheckSupply())
}

// The datasheet's scratchpad after power-up has checksum 0x1C; a real 85 C with neighbours is believed.
func TestEightyFive(t *testing.T) {
	require.Equal(t, [9]byte{0x50, 0x05, 0x4B, 0x46, 0x7F, 0xFF, 0x0C, 0x10, 0x1C}, chip.PowerUp())
	r := newRig(t)
	require.NoError(t, r.bus.Set(id, chip.Scratchpad(85), true))
	_, err := r.sensor.Read()
	require.Error(t, err, "nothing before")
	for _, at := range []float64{82.5, 85, 86} {
		require.NoError(t, r.bus.Set(id, chip.Scratchpad(at), true))
		_, err := r.sensor.Read()
		require.NoError(t, err)
	}
	require.NoError(t, r.bus.Set(id, chip.PowerUp(), true))
	_, err = r.sensor.Read()
	require.Equal(t, "power_up", probe.SignOf(err), "byte 6 tells")
}

func TestConvert(t *testing.T) {
	r := newRig(t)
	path := filepath.Join(r.root, Master(1), "therm_bulk_read")
	require.NoError(t, os.WriteFile(path, []byte("-1\n"), 0o644))
	waits := 0
	sleep := func(time.Duration) {
		if waits++; waits == 16 {
			require.NoError(t, os.WriteFile(path, []byte("1\n"), 0o644))
		} else {
			require.NoError(t, os.WriteFile(path, []byte("-1\n"), 0o644))
		}
	}
	require.NoError(t, Convert(r.root, Master(1), sleep))
	require.Equal(t, 16, waits)

	waited := time.Duration(0)
	err := Convert(r.root, Master(1), func(d time.Duration) {
		waited += d
		require.NoError(t, os.WriteFile(path, []byte("-1\n"), 0o644))
	})
	require.Equal(t, "not_done", probe.SignOf(err))
	require.LessOrEqual(t, waited, 2*time.Second)

	require.NoError(t, os.Remove(path))
	require.NoError(t, Convert(r.root, Master(1), nil), "an older kernel measures one by one")
	err = Convert(r.root, Master(2), nil)
	require.Equal(t, "no_bus", probe.SignOf(err))
	require.ErrorIs(t, err, fs.ErrNotExist)
	require.Error(t, Convert(r.root, "../x", nil))
	_, err = List(r.root, "..")
	require.Error(t, err)
}

func TestNames(t *testing.T) {
	for _, bad := range []string{"", "28-", "10-0000063d0f1a", "28-0000063D0F1A", "28-0000063d0f1a/..", "../28-0000063d0f1a"} {
		require.Error(t, CheckID(bad), bad)
		s := Sensor{Root: t.TempDir(), ID: bad}
		_, err := s.Read()
		require.Error(t, err)
		require.False(t, errors.Is(err, fs.ErrNotExist), "no file is looked for")
	}
	require.NoError(t, CheckID(id))
}

// Every single bit of the scratchpad is guarded.
func TestEveryFlippedBitIsSeen(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		pad := chip.Scratchpad(rapid.Float64Range(-20, 84).Draw(rt, "t"))
		pad[rapid.IntRange(0, 8).Draw(rt, "byte")] ^= 1 << rapid.IntRange(0, 7).Draw(rt, "bit")
		s := Sensor{ID: id}
		_, err := s.parse(fmt.Appendf(nil, "% x : crc=%02x YES\n", pad, pad[8]))
		require.Equal(rt, hardware.Checksum, probe.QualityOf(err))
	})
}

func FuzzParse(f *testing.F) {
	pad := chip.Scratchpad(48.5)
	f.Add(fmt.Appendf(nil, "% x : crc=%02x YES\n% x t=48500\n", pad, pad[8], pad))
	bad := pad
	bad[0] ^= 4
	f.Add(fmt.Appendf(nil, "% x : crc=%02x YES\n% x t=48500\n", bad, bad[8], bad))
	f.Add([]byte("00 00 00 00 00 00 00 00 00 : crc=00 YES\n"))
	f.Fuzz(func(t *testing.T, text []byte) {
		s := Sensor{ID: id}
		got, err := s.parse(text)
		if err != nil {
			require.NotEqual(t, hardware.Valid, probe.QualityOf(err))
			return
		}
		require.True(t, got >= Min && got <= Max)
		// Taken apart by the letter, not by the driver's expression: nine bytes, then the kernel's verdict.
		require.GreaterOrEqual(t, len(bytes.TrimLeft(text, " \t\r\v\f")), 26)
		var pad [9]byte
		n, err := fmt.Sscanf(strings.TrimSpace(strings.SplitN(string(text), "\n", 2)[0]), "%02x %02x %02x %02x %02x %02x %02x %02x %02x", &pad[0], &pad[1], &pad[2], &pad[3], &pad[4], &pad[5], &pad[6], &pad[7], &pad[8])
		require.NoError(t, err)
		require.Equal(t, 9, n)
		require.Equal(t, chip.Sealed(pad), pad, "a value without its checksum")
		require.InDelta(t, float64(int16(uint16(pad[0])|uint16(pad[1])<<8))/16, float64(got), 0)
		require.Contains(t, strings.SplitN(string(text), "\n", 2)[0], "YES")
	})
}
