package board

import (
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
		require.Equal(t, Found{"i2c-1", "0x45", SHT4x, "9.00 C, 80.0 % relative humidity"}, saw["i2c-1 0x45"])
		require.Contains(t, saw["i2c-1 0x20"].Saw, "MCP23017")
		require.Contains(t, saw["i2c-1 0x48"].Saw, "ADS1115")
		require.Contains(t, saw["i2c-9 "].Saw, "cannot be opened")
		require.Equal(t, MAX31865, saw["spi0.0 "].Driver)
		require.Equal(t, Found{"w1-1", oneWireA, DS18B20, "48.25 C"}, saw["w1-1 "+oneWireA])
		require.Contains(t, saw["w1-1 "+oneWireB].Saw, "no answer")
		require.Contains(t, saw["w1-2 "].Saw, "no such file")
		require.Equal(t, "the kernel calls it nau7802", saw["iio:device0 0"].Saw)
		// What is found can be pasted into a kiln file.
		for _, f := range found {
			if f.Driver != "" && f.Driver != MAX31865 && f.Driver != IIO {
				k := &checker{taken: map[string]string{}}
				require.NotEmpty(t, c.place(k, Probe{Driver: f.Driver, Bus: f.Bus, Address: f.Address}))
				require.Empty(t, k.faults)
			}
		}
		now, ever := m.relay.Driven()
		require.Zero(t, now|ever, "looking changes no output")
	})
}

// Off works with every probe, contact and meter missing.
func TestOutputsOnly(t *testing.T) {
	inBubble(t, func(t *testing.T, m *models, c Config) {
		m.rtd = [2]*chip.MAX31865{}
		c.OneWireRoot = t.TempDir()
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
	})
}
