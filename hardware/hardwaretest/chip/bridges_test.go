package chip

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"drywarden/hardware/mono"
)

// wireMaster drives a DS2482 as its datasheet says.
type wireMaster struct {
	t    *testing.T
	chip *DS2482
}

func (m wireMaster) tx(read int, w ...byte) []byte {
	m.t.Helper()
	r := make([]byte, read)
	require.NoError(m.t, m.chip.Transfer(w, r))
	return r
}

func (m wireMaster) start() bool {
	m.tx(0, 0xB4)
	return m.tx(1)[0]&0x02 != 0
}

func (m wireMaster) write(bytes ...byte) {
	for _, b := range bytes {
		m.tx(0, 0xA5, b)
	}
}

func (m wireMaster) read(n int) []byte {
	var out []byte
	for range n {
		m.tx(0, 0x96)
		out = append(out, m.tx(1, 0xE1, 0xE1)...)
	}
	return out
}

// search finds all identities (Maxim application note 187: the search goes back to the last place where both bits were
// answered and it had gone to 0).
func (m wireMaster) search() [][8]byte {
	var all [][8]byte
	var id [8]byte
	for last := -1; ; {
		if !m.start() {
			return all
		}
		m.write(0xF0)
		fork := -1
		for bit := range 64 {
			wanted := bit == last || bit < last && id[bit/8]>>(bit%8)&1 == 1
			direction := byte(0)
			if wanted {
				direction = 0x80
			}
			m.tx(0, 0x78, direction)
			status := m.tx(1)[0]
			if status&0x60 == 0x60 {
				return all
			}
			id[bit/8] &^= 1 << (bit % 8)
			if status&0x80 != 0 {
				id[bit/8] |= 1 << (bit % 8)
			} else if status&0x60 == 0 {
				fork = bit
			}
		}
		all = append(all, id)
		if last = fork; last < 0 {
			return all
		}
	}
}

func newWire(t *testing.T) (wireMaster, *mono.Manual, []*DS18B20) {
	clock := &mono.Manual{}
	m := wireMaster{t, &DS2482{}}
	var devices []*DS18B20
	for _, serial := range []uint64{0x0000063d0f1a, 0x0000063d0f1b, 0x800000000000} {
		d := &DS18B20{Clock: clock, Serial: serial}
		devices = append(devices, d)
		m.chip.Hang(d)
	}
	return m, clock, devices
}

func TestWireSearch(t *testing.T) {
	m, _, devices := newWire(t)
	require.Equal(t, []byte{0x18}, m.tx(1, 0xF0), "status after a reset: reset seen, line high")
	require.Error(t, m.chip.Transfer([]byte{0xC3, 0xF0}, nil), "no channels: that is a DS2482-800")
	found := m.search()
	require.Len(t, found, 3)
	for _, d := range devices {
		require.Contains(t, found, d.identity())
	}
	devices[1].Unplug(true)
	require.Len(t, m.search(), 2)
	m.chip.Short(true)
	require.Empty(t, m.search())
	require.Equal(t, byte(0x04), m.tx(1)[0]&0x06, "shorted, nobody present")
}

func TestWireThermometer(t *testing.T) {
	m, clock, devices := newWire(t)
	require.Equal(t, "28-0000063d0f1a", devices[0].Name())
	// Temperatures and their codes: DS18B20 datasheet, table 1.
	for _, x := range []struct {
		celsius   float64
		low, high byte
	}{{125, 0xD0, 0x07}, {85, 0x50, 0x05}, {25.0625, 0x91, 0x01}, {10.125, 0xA2, 0x00}, {0.5, 0x08, 0x00}, {0, 0x00, 0x00},
		{-0.5, 0xF8, 0xFF}, {-10.125, 0x5E, 0xFF}, {-25.0625, 0x6F, 0xFE}, {-55, 0x90, 0xFC}} {
		devices[0].Set(x.celsius)
		id := devices[0].identity()
		require.True(t, m.start())
		m.write(0xCC, 0x44) // all together
		require.Equal(t, []byte{0}, m.read(1), "not done")
		clock.Advance(750 * time.Millisecond)
		require.Equal(t, []byte{0xFF}, m.read(1), "done")
		m.start()
		m.write(0x55)
		m.write(id[:]...)
		m.write(0xBE)
		pad := m.read(9)
		require.Equal(t, []byte{x.low, x.high}, pad[:2], "%g", x.celsius)
		require.Equal(t, wireSum(pad[:8]), pad[8])
	}
	devices[0].Unplug(true)
	devices[0].Unplug(false)
	m.start()
	m.write(0x55)
	id := devices[0].identity()
	m.write(id[:]...)
	m.write(0xBE)
	require.Equal(t, []byte{0x50, 0x05}, m.read(2), "85 C after power-up")
	m.start()
	m.write(0x55, 0x28, 1, 2, 3, 4, 5, 6, 7)
	m.write(0xBE)
	require.Equal(t, []byte{0xFF, 0xFF}, m.read(2), "nobody of that name")
}

func TestBridge(t *testing.T) {
	bus := &I2C{}
	relays := &MCP23017{}
	bus.Plug(0x20, relays)
	changed := 0
	c := &CP2112{Bus: bus, Changed: func() { changed++ }}
	status := func() []byte { return c.Output([]byte{0x15, 1})[:3] }

	require.Nil(t, c.Output([]byte{0x14, 0x40, 3, 0x00, 0xFE, 0xFF})) // pin 0 is an output
	require.Equal(t, []byte{0x16, 0x02, 0x05}, status())
	c.Output([]byte{0x14, 0x40, 2, 0x14, 0x01})
	now, _ := relays.Driven()
	require.Equal(t, uint16(1), now)
	c.Output([]byte{0x11, 0x40, 0, 22, 1, 0})
	require.Equal(t, []byte{0x16, 2, 5, 0, 0, 0, 22}, c.Output([]byte{0x15, 1}))
	read := c.Output([]byte{0x12, 0, 22})
	require.Equal(t, []byte{0x13, 2, 22, 0xFE, 0xFF}, read[:5])
	require.Len(t, read, 64)
	c.Output([]byte{0x10, 0x42, 0, 1})
	require.Equal(t, []byte{0x16, 0x03, 0x00}, status(), "no acknowledge")
	bus.Break(ErrTimeout)
	c.Output([]byte{0x10, 0x40, 0, 1})
	require.Equal(t, []byte{0x16, 0x03, 0x01}, status(), "the bus does not come free")

	require.True(t, c.SetFeature([]byte{0x02, 0x01, 0xFF, 0, 0}))
	require.Zero(t, changed)
	require.True(t, c.SetFeature([]byte{0x04, 0xFF, 0x01}))
	require.Equal(t, 1, changed)
	c.Put(1, true)
	require.Equal(t, []byte{0x03, 0x03}, c.Feature(0x03))
	require.Equal(t, []byte{0x05, 0x0C, 0x02}, c.Feature(0x05))
	require.Nil(t, c.Feature(0x20))
	require.False(t, c.SetFeature([]byte{0x20, 0}))
	c.Reset()
	require.Zero(t, c.Driven())
}

// What no kernel's driver sends makes no model panic.
func FuzzBridge(f *testing.F) {
	f.Add([]byte{0x11, 0x30, 0, 2, 2, 0xE1, 0xF0})
	f.Fuzz(func(t *testing.T, report []byte) {
		bus, wire := &I2C{}, &DS2482{}
		wire.Hang(&DS18B20{Clock: &mono.Manual{}, Serial: 1})
		bus.Plug(0x18, wire)
		c := &CP2112{Bus: bus}
		c.Output(report)
		c.SetFeature(report)
		c.Output([]byte{0x12, 2, 0})
	})
}
