package iio

import (
	"math"
	"os"
	"path/filepath"
	"strconv"
	"testing"

	"github.com/stretchr/testify/require"

	"drywarden/hardware"
	"drywarden/hardware/probe"
)

func newCell(t *testing.T) (*Cell, func(name, text string)) {
	root := t.TempDir()
	dir := filepath.Join(root, "iio:device1")
	require.NoError(t, os.Mkdir(dir, 0o755))
	put := func(name, text string) {
		require.NoError(t, os.WriteFile(filepath.Join(dir, name), []byte(text), 0o644))
	}
	put("name", "hx711\n")
	put("in_voltage0_raw", "8488608\n")
	return &Cell{Root: root, Device: "iio:device1", Chip: "hx711", Tare: 8388608, PerCount: 5e-5, Most: 20}, put
}

func TestMass(t *testing.T) {
	c, put := newCell(t)
	require.NoError(t, c.Validate())
	m, err := c.Read()
	require.NoError(t, err)
	require.InDelta(t, 5, float64(m), 1e-9, "100000 counts of 50 mg")
	put("in_voltage0_raw", "8388000\n")
	m, err = c.Read()
	require.NoError(t, err)
	require.InDelta(t, -0.0304, float64(m), 1e-9, "an empty hook may be a little less than nothing")
	c.Signed, c.Tare = true, 0
	put("in_voltage0_raw", "40000")
	m, err = c.Read()
	require.NoError(t, err)
	require.InDelta(t, 2, float64(m), 1e-9)
}

func TestList(t *testing.T) {
	c, _ := newCell(t)
	chips, err := List(c.Root)
	require.NoError(t, err)
	require.Equal(t, map[string]string{"iio:device1": "hx711"}, chips)
}

func TestSignatures(t *testing.T) {
	for _, c := range []struct {
		name    string
		spoil   func(c *Cell, put func(name, text string))
		sign    string
		quality hardware.Quality
	}{
		{"gone", func(c *Cell, _ func(string, string)) { _ = os.RemoveAll(filepath.Join(c.Root, c.Device)) }, "not_there", hardware.NoAnswer},
		{"channel gone", func(c *Cell, _ func(string, string)) { c.Channel = 3 }, "no_answer", hardware.NoAnswer},
		{"another device", func(_ *Cell, put func(string, string)) { put("name", "ads1015") }, "other_chip", hardware.Implausible},
		{"low end", func(_ *Cell, put func(string, string)) { put("in_voltage0_raw", "0") }, "saturated", hardware.Implausible},
		{"high end", func(_ *Cell, put func(string, string)) { put("in_voltage0_raw", "16777215") }, "saturated", hardware.Implausible},
		{"low end, signed", func(c *Cell, put func(string, string)) {
			c.Signed = true
			put("in_voltage0_raw", strconv.Itoa(-0x800000))
		}, "saturated", hardware.Implausible},
		{"overloaded", func(_ *Cell, put func(string, string)) { put("in_voltage0_raw", "8988608") }, "out_of_range", hardware.Implausible},
		{"empty", func(_ *Cell, put func(string, string)) { put("in_voltage0_raw", "") }, "unreadable", hardware.Checksum},
		{"no number", func(_ *Cell, put func(string, string)) { put("in_voltage0_raw", "nan") }, "unreadable", hardware.Checksum},
	} {
		t.Run(c.name, func(t *testing.T) {
			cell, put := newCell(t)
			c.spoil(cell, put)
			m, err := cell.Read()
			require.Equal(t, c.sign, probe.SignOf(err), "%v", err)
			require.Equal(t, c.quality, probe.QualityOf(err))
			require.True(t, math.IsNaN(float64(m)))
		})
	}
}

func TestValidate(t *testing.T) {
	for _, spoil := range []func(*Cell){
		func(c *Cell) { c.Device = "../iio:device1" }, func(c *Cell) { c.Channel = -1 }, func(c *Cell) { c.PerCount = 0 },
		func(c *Cell) { c.Tare = math.NaN() }, func(c *Cell) { c.Most = 0 },
	} {
		c, _ := newCell(t)
		spoil(c)
		require.Error(t, c.Validate())
		_, err := c.Read()
		require.Error(t, err)
	}
}

func FuzzRaw(f *testing.F) {
	f.Add([]byte("8488608\n"))
	f.Fuzz(func(t *testing.T, text []byte) {
		c := Cell{Device: "iio:device0", Tare: 8388608, PerCount: 5e-5, Most: 20}
		m, err := c.mass(text)
		if err == nil {
			require.True(t, m >= -2 && m <= 24)
			return
		}
		require.NotEqual(t, hardware.Valid, probe.QualityOf(err))
	})
}
