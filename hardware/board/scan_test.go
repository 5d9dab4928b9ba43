package board

import (
	"fmt"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"drywarden/hardware"
	"drywarden/hardware/hardwaretest/chip"
)

func (m *models) Places() Places {
	return Places{I2C: []string{"i2c-1"}, SPI: []string{"spi0.0", "spi0.1"}, OneWire: []int{1}, Serial: []string{"/dev/serial/by-id/rs485"}}
}

func TestScan(t *testing.T) {
	inBubble(t, func(t *testing.T, m *models, c Config) {
		require.NoError(t, m.wire.Silence(oneWireB))
		found := Scan(m, Places{I2C: []string{"i2c-1", "i2c-9"}, SPI: []string{"spi0.0", "spi3.0"}, OneWire: []int{1, 2}, Serial: []string{"/dev/serial/by-id/rs485"},
			OneWireRoot: m.root, IIORoot: m.root}, nil)
		saw := map[string]Found{}
		for _, f := range found {
			saw[f.Bus+" "+f.Address] = f
		}
		require.Len(t, saw, 13)
		require.Equal(t, SHT3x, saw["i2c-1 0x44"].Driver)
		require.Equal(t, Found{Bus: "i2c-1", Address: "0x45", Driver: SHT4x, Saw: "9.00 C, 80.0 % relative humidity"}, saw["i2c-1 0x45"])
		require.Equal(t, MCP23017, saw["i2c-1 0x20"].Driver, saw["i2c-1 0x20"].Saw)
		require.Equal(t, ADS1115, saw["i2c-1 0x48"].Perhaps)
		require.Contains(t, saw["i2c-9 "].Saw, "cannot be opened")
		require.Equal(t, MAX31865, saw["spi0.0 "].Driver)
		require.Equal(t, Found{Bus: "w1-1", Address: oneWireA, Driver: DS18B20, Saw: "48.25 C"}, saw["w1-1 "+oneWireA])
		require.Contains(t, saw["w1-1 "+oneWireB].Saw, "no answer")
		require.Contains(t, saw["w1-2 "].Saw, "no such file")
		require.Equal(t, "the kernel calls it nau7802", saw["iio:device0 0"].Saw)
		// What is found can be pasted into a kiln file.
		for _, f := range found {
			if f.Driver != "" && f.Driver != MAX31865 && f.Driver != IIO && f.Driver != MCP23017 {
				k := &checker{taken: map[string]string{}}
				require.NotEmpty(t, c.place(k, Probe{Driver: f.Driver, Bus: f.Bus, Address: f.Address}))
				require.Empty(t, k.faults)
			}
		}
		now, ever := m.relay.Driven()
		require.Zero(t, now|ever, "looking changes no output")
	})
}

// spy is a chip of another kind: it answers, and keeps what is written to it.
type spy struct {
	reads   byte
	written [][]byte
}

func (s *spy) Transfer(w, r []byte) error {
	if len(w) > 0 {
		s.written = append(s.written, slices.Clone(w))
	}
	for i := range r {
		r[i] = s.reads
	}
	return nil
}

// What is no chip of ours is read from, and nothing is written to it: on a PCF8574 any byte would be levels of its outputs.
func TestScanWritesNothingToStrangers(t *testing.T) {
	inBubble(t, func(t *testing.T, m *models, _ Config) {
		strangers := map[uint16]*spy{}
		bus := m.i2c["i2c-1"]
		for _, at := range []uint16{0x20, 0x27, 0x44, 0x45, 0x46, 0x48, 0x4B} {
			strangers[at] = &spy{reads: byte(at)}
			bus.Plug(at, strangers[at])
		}
		told := map[string]Found{}
		for _, f := range Scan(m, Places{I2C: []string{"i2c-1"}, IIORoot: t.TempDir()}, nil) {
			told[f.Address] = f
		}
		for at, s := range strangers {
			require.Empty(t, s.written, "0x%02x", at)
			f := told[fmt.Sprintf("0x%02x", at)]
			require.Empty(t, f.Driver)
			require.Contains(t, f.Saw, "answers")
		}
	})
}

// Registers by turns are an MCP23017's when they come back after 22, and not sooner.
func TestIsExpander(t *testing.T) {
	registers := func(n int, values ...byte) []byte {
		one := append(values, make([]byte, n-len(values))...)
		return slices.Repeat(one, 4*expanderRegisters)[:2*expanderRegisters]
	}
	require.True(t, isExpander(registers(22, 0xFF, 0xFF)), "after power-up")
	require.True(t, isExpander(registers(22, 0, 0, 0, 0, 0xF0)))
	require.False(t, isExpander(registers(1, 0x3F)), "PCF8574")
	require.False(t, isExpander(registers(2, 0xFF, 0x3F)), "PCA9555")
	require.False(t, isExpander(registers(11, 0xFF)), "MCP23008")
	require.False(t, isExpander(registers(22)), "all alike")
	require.False(t, isExpander(registers(16, 1, 2, 3)))
}

// Off works with every probe, contact and meter missing.
func TestOutputsOnly(t *testing.T) {
	inBubble(t, func(t *testing.T, m *models, c Config) {
		m.rtd = [2]*chip.MAX31865{}
		c.OneWireRoot = t.TempDir()
		other, err := m.gpio.Claim([]string{"5"}, false) // a contact
		require.NoError(t, err)
		b, err := Open(c, m)
		require.Error(t, err)
		require.Nil(t, b)
		b, err = Open(c.OutputsOnly(), m)
		require.NoError(t, err)
		require.NoError(t, b.Apply(m.clock.Now(), hardware.Outputs{On: 1 << hardware.Compressor}))
		require.True(t, m.driven().Has(hardware.Compressor))
		pass(time.Second)
		require.NoError(t, b.Close())
		require.Zero(t, m.driven())
		require.NoError(t, other.Close())
	})
}
