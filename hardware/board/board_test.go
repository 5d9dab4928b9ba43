package board

import (
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"

	"drywarden/hardware"
	"drywarden/hardware/hardwaretest"
	"drywarden/hardware/hardwaretest/chip"
	"drywarden/hardware/mono"
	"drywarden/hardware/probe"
	"drywarden/hardware/probe/ads1115"
	"drywarden/hardware/probe/iio"
	"drywarden/hardware/probe/max31865"
	"drywarden/hardware/probe/modbus"
	"drywarden/hardware/quantity"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// models is a host with one of each chip.
type models struct {
	clock *mono.Real
	i2c   map[string]*chip.I2C
	gpio  chip.GPIO
	lines chip.RS485
	wire  *chip.OneWire
	root  string
	rtd   [2]*chip.MAX31865
	sht3  *chip.SHT
	sht4  *chip.SHT
	pins  *chip.ADS1115
	amps  *chip.ADS1115
	relay *chip.MCP23017
	bits  map[hardware.OutputID]int    // on the expander
	names map[hardware.OutputID]string // on the computer
	opens atomic.Int32                 // of the serial port
	port  string                       // the serial port
	mu    sync.Mutex                   // guards which buses there are while a board runs
}

// set changes which buses there are.
func (m *models) set(do func()) {
	m.mu.Lock()
	defer m.mu.Unlock()
	do()
}

const (
	oneWireA = "28-0000063d0f1a"
	oneWireB = "28-0000063d0f1b"
)

func (m *models) I2C(bus string) (I2C, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	if b := m.i2c[bus]; b != nil {
		return b, nil
	}
	return nil, fmt.Errorf("no such bus")
}

type spiModel struct{ *chip.MAX31865 }

func (spiModel) Close() error { return nil }

func (m *models) SPI(bus string) (SPI, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	for i, c := range m.rtd {
		if c != nil && bus == "spi0."+strconv.Itoa(i) {
			return spiModel{c}, nil
		}
	}
	return nil, fmt.Errorf("no such bus")
}

func (m *models) Serial(port string, _ SerialLine) (Serial, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	if port != m.port {
		return nil, fmt.Errorf("no such port")
	}
	m.opens.Add(1)
	return &m.lines, nil
}

func (m *models) claim(name string, lines []string, output bool) (Lines, error) {
	if name != "gpiochip0" {
		return nil, fmt.Errorf("no such chip")
	}
	for _, line := range lines {
		if slices.Contains(m.gpio.Claimed(), line) {
			return nil, &LineError{line, fmt.Errorf("device or resource busy")}
		}
	}
	return m.gpio.Claim(lines, output)
}

func (m *models) Outputs(name string, lines []string) (Lines, error) {
	return m.claim(name, lines, true)
}

func (m *models) Inputs(name string, lines []string) (Lines, error) {
	return m.claim(name, lines, false)
}

func (m *models) driven() hardware.OutputSet {
	now, _ := m.relay.Driven()
	set := hardware.OutputSet(0)
	for id, bit := range m.bits {
		set = set.With(id, now>>bit&1 == 1)
	}
	for id, name := range m.names {
		set = set.With(id, m.gpio.Driven(name))
	}
	return set
}

func divider(ohms float64) float64 { return 3.3 * 1e8 / (1e8 + ohms) }

// newModels gives a whole kiln on models, in a bubble of synctest, and how it is wired.
func newModels(t *testing.T) (*models, Config) {
	m := &models{clock: mono.NewReal(time.Second), root: t.TempDir(), port: "/dev/serial/by-id/rs485", bits: map[hardware.OutputID]int{}, names: map[hardware.OutputID]string{}}
	m.lines.Put(1, 0, 482, 633)
	m.lines.Put(7, 0x10, 0, 1000)
	m.sht3, m.sht4 = &chip.SHT{Clock: m.clock}, &chip.SHT{Clock: m.clock, Four: true}
	m.sht3.Set(47, 61)
	m.sht4.Set(9, 80)
	m.pins, m.amps, m.relay = &chip.ADS1115{Clock: m.clock}, &chip.ADS1115{Clock: m.clock}, &chip.MCP23017{}
	m.pins.Set(2, divider(120e6))
	m.amps.Set(0, 0.5)
	bus := &chip.I2C{}
	for at, c := range map[uint16]chip.Target{0x44: m.sht3, 0x45: m.sht4, 0x48: m.pins, 0x49: m.amps, 0x20: m.relay} {
		bus.Plug(at, c)
	}
	m.i2c = map[string]*chip.I2C{"i2c-1": bus}
	rtd := max31865.Settings{Wires: 4, Nominal: 100, Reference: 430, Mains: 50}
	for i, celsius := range []float64{48.2, 42.1} {
		m.rtd[i] = &chip.MAX31865{Clock: m.clock, Reference: 430}
		m.rtd[i].Set(100 * (1 + 3.9083e-3*celsius - 5.775e-7*celsius*celsius))
	}
	var err error
	m.wire, err = chip.NewOneWire(m.root, 1)
	require.NoError(t, err)
	require.NoError(t, m.wire.Set(oneWireA, chip.Scratchpad(48.25), true))
	require.NoError(t, m.wire.Set(oneWireB, chip.Scratchpad(38), true))
	m.cell(t, true)
	for _, name := range []string{"5", "13", "6"} {
		m.gpio.Put(name, false)
	}

	c := Config{Clock: m.clock, OneWireRoot: m.root, IIORoot: m.root}
	add := func(name string, role hardware.Role, p Probe) {
		p.Key = "probe " + name
		c.Probes = append(c.Probes, p)
		c.Layout.Probes = append(c.Layout.Probes, hardware.Probe{Name: name, Role: role, Lot: hardware.NoLot})
	}
	registers := Registers{
		Temperature: modbus.Register{Function: modbus.ReadHolding, Address: 0, Scale: 0.1},
		Humidity:    modbus.Register{Function: modbus.ReadHolding, Address: 1, Scale: 0.001},
	}
	const port = "/dev/serial/by-id/rs485"
	add("db-1", hardware.RoleDryBulb, Probe{Driver: MAX31865, Bus: "spi0.0", RTD: rtd})
	add("wb-1", hardware.RoleWetBulb, Probe{Driver: MAX31865, Bus: "spi0.1", RTD: rtd})
	add("db-2", hardware.RoleDryBulb, Probe{Driver: DS18B20, Bus: "w1-1", Address: oneWireA})
	add("core-1", hardware.RoleCore, Probe{Driver: DS18B20, Bus: "w1-1", Address: oneWireB})
	add("rh-1", hardware.RoleHumidity, Probe{Driver: SHT3x, Bus: "i2c-1", Address: "0x44"})
	add("air-1", hardware.RoleLeavingAir, Probe{Driver: SHT3x, Bus: "i2c-1", Address: "0x44"})
	add("out-1", hardware.RoleOutdoorHumidity, Probe{Driver: SHT4x, Bus: "i2c-1", Address: "0x45"})
	add("rh-2", hardware.RoleHumidity, Probe{Driver: Modbus, Bus: port, Address: "1", Registers: registers})
	add("pin-1", hardware.RolePin, Probe{Driver: ADS1115, Bus: "i2c-1", Address: "0x48/2",
		Pin: Pin{Range: ads1115.Volts4096, Rate: ads1115.PerSecond64, Front: ads1115.Divider{Supply: 3.3, Reference: 1e8, Least: 0.002}}})
	add("cell-1", hardware.RoleLoadCell, Probe{Driver: IIO, Bus: "iio:device0", Address: "0", Cell: iio.Cell{Chip: "nau7802", Signed: true, PerCount: 1e-4, Most: 30}})
	c.Layout.Probes[4].Offset = 0.01

	for _, x := range []Contact{
		{ID: hardware.ContactAirflow, Line: "gpiochip0/5", ActiveLow: true},
		{ID: hardware.ContactDoor, Line: "gpiochip0/13"},
		{ID: hardware.ContactEStop, Line: "gpiochip0/6"},
		{ID: hardware.ContactFloat, Line: "relay0/15"},
	} {
		c.Contacts = append(c.Contacts, x)
		c.Layout.Contacts = c.Layout.Contacts.With(x.ID, true)
	}
	for i, id := range []hardware.OutputID{hardware.FanForward1, hardware.FanReverse1, hardware.Compressor, hardware.Blower, hardware.Heat1, hardware.Vent, hardware.Spray} {
		m.bits[id] = i
		c.Outputs = append(c.Outputs, Output{ID: id, Line: "relay0/" + strconv.Itoa(i)})
	}
	for i, id := range []hardware.OutputID{hardware.Sounder, hardware.Heartbeat} {
		m.names[id] = strconv.Itoa(17 + i)
		c.Outputs = append(c.Outputs, Output{ID: id, Line: "gpiochip0/" + m.names[id]})
	}
	wired := func(id hardware.OutputID, line string) {
		for i := range c.Outputs {
			if c.Outputs[i].ID == id {
				c.Outputs[i].ReadBack = "gpiochip0/" + line
				m.gpio.Wire(line, func() bool { now, _ := m.relay.Driven(); return now>>m.bits[id]&1 == 1 })
				c.Layout.ReadBack = c.Layout.ReadBack.With(id, true)
			}
		}
	}
	wired(hardware.Compressor, "22")
	wired(hardware.Heat1, "23")
	c.Outputs[2].Current, c.Outputs[2].AmperesPerVolt = "adc0/0", 20
	c.Layout.Current = c.Layout.Current.With(hardware.Compressor, true)
	for _, o := range c.Outputs {
		c.Layout.Outputs = c.Layout.Outputs.With(o.ID, true)
	}
	c.Layout.FanGroups, c.Layout.HeatStages, c.Layout.Condensate, c.Layout.EnergyMeter = 1, 1, true, true
	c.Expanders = []Expander{{Name: "relay0", Bus: "i2c-1", Address: 0x20}}
	c.Converters = []Converter{{Name: "adc0", Bus: "i2c-1", Address: 0x49, Range: ads1115.Volts2048}}
	c.Condensate = &Pulse{Line: "gpiochip0/25", Each: 0.25}
	c.Meter = &Meter{Bus: port, Device: 7, Energy: modbus.Register{Function: modbus.ReadInput, Address: 0x10, Format: modbus.Uint32, Scale: 36e3}}
	return m, c
}

func (m *models) cell(t require.TestingT, there bool) {
	dir := filepath.Join(m.root, "iio:device0")
	if !there {
		require.NoError(t, os.RemoveAll(dir))
		return
	}
	require.NoError(t, os.MkdirAll(dir, 0o755))
	require.NoError(t, os.WriteFile(filepath.Join(dir, "in_voltage0_raw"), []byte("52000\n"), 0o644))
	require.NoError(t, os.WriteFile(filepath.Join(dir, "name"), []byte("nau7802\n"), 0o644))
}

// plug plugs a probe's chip in or out.
func (m *models) plug(t *testing.T, name string, in bool) {
	bus := m.i2c["i2c-1"]
	onI2C := func(at uint16, c chip.Target) {
		if !in {
			c = nil
		}
		bus.Plug(at, c)
	}
	onWire := func(id string, celsius float64) {
		if in {
			require.NoError(t, m.wire.Set(id, chip.Scratchpad(celsius), true))
		} else {
			require.NoError(t, m.wire.Silence(id))
		}
	}
	onSPI := func(c *chip.MAX31865) {
		level := byte(0xFF)
		if in {
			c.Remove(nil)
		} else {
			c.Remove(&level)
		}
	}
	switch name {
	case "db-1":
		onSPI(m.rtd[0])
	case "wb-1":
		onSPI(m.rtd[1])
	case "db-2":
		onWire(oneWireA, 48)
	case "core-1":
		onWire(oneWireB, 38)
	case "rh-1", "air-1":
		onI2C(0x44, m.sht3)
	case "out-1":
		onI2C(0x45, m.sht4)
	case "rh-2":
		if in {
			m.lines.Put(1, 0, 480, 640)
		} else {
			m.lines.Remove(1)
		}
	case "pin-1":
		onI2C(0x48, m.pins)
	case "cell-1":
		m.cell(t, in)
	default:
		require.Fail(t, "no such probe", name)
	}
}

func open(t *testing.T, m *models, c Config) *Board {
	b, err := Open(c, m)
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, b.Close()) })
	return b
}

// inBubble runs a test in which time passes at once.
func inBubble(t *testing.T, f func(t *testing.T, m *models, c Config)) {
	synctest.Test(t, func(t *testing.T) {
		m, c := newModels(t)
		f(t, m, c)
	})
}

func pass(d time.Duration) {
	time.Sleep(d)
	synctest.Wait()
}

func TestConforms(t *testing.T) {
	for _, x := range hardwaretest.Cases() {
		t.Run(x.Name, func(t *testing.T) {
			inBubble(t, func(t *testing.T, m *models, c Config) {
				b := open(t, m, c)
				x.Run(t, &hardwaretest.Rig{
					Kiln: b, Layout: c.Layout, Now: m.clock.Now, Pass: pass, Driven: m.driven, Told: c.Layout.Outputs,
					Unplug: func(id hardware.ProbeID) { m.plug(t, c.Layout.Probes[id].Name, false) },
					Plug:   func(id hardware.ProbeID) { m.plug(t, c.Layout.Probes[id].Name, true) },
					Jam: func() ([]hardware.ProbeID, func()) {
						return []hardware.ProbeID{4, 5, 6, 8}, m.i2c["i2c-1"].Hang() // what has i2c-1 as its bus
					},
					Hold: func(id hardware.OutputID, on bool) {
						pin := uint16(1) << m.bits[id]
						m.relay.Hold(pin, pin*map[bool]uint16{true: 1}[on])
					},
					LetGo:    func() { m.relay.Hold(0, 0) },
					BrownOut: m.relay.BrownOut,
				})
			})
		})
	}
}

func TestValues(t *testing.T) {
	inBubble(t, func(t *testing.T, m *models, c Config) {
		b := open(t, m, c)
		pass(12 * time.Second)
		var s hardware.Snapshot
		require.NoError(t, b.Read(m.clock.Now(), &s))
		require.Equal(t, hardware.Absent, s.Energy.Quality, "totals start again with each process")
		require.NoError(t, b.Read(m.clock.Now(), &s))
		for i, want := range []float64{48.2, 42.1, 48.25, 38, 0.62, 47, 0.80, 0.633, 120e6, 5.2} {
			got := s.Readings[i]
			require.True(t, got.OK(), c.Layout.Probes[i].Name)
			require.InDelta(t, want, got.Value, max(0.02, want*1e-3)*min(1, want), c.Layout.Probes[i].Name)
		}
		require.True(t, s.Contacts.Proven(hardware.ContactAirflow), "low is active")
		require.True(t, s.Contacts.Clear(hardware.ContactDoor))
		require.True(t, s.Contacts.Clear(hardware.ContactFloat))
		require.InDelta(t, 10, s.Current[hardware.Compressor], 0.02)
		require.InDelta(t, 36e6, s.Energy.Total, 1)
		m.gpio.Put("13", true)
		m.relay.Hold(0x8000, 0x8000)
		for range 4 {
			m.gpio.Put("25", true)
			pass(30 * time.Millisecond)
			m.gpio.Put("25", false)
			pass(30 * time.Millisecond)
		}
		pass(time.Second)
		require.NoError(t, b.Read(m.clock.Now(), &s))
		require.True(t, s.Contacts.Proven(hardware.ContactDoor))
		require.True(t, s.Contacts.Proven(hardware.ContactFloat))
		require.Equal(t, hardware.Counter{Total: 1, Quality: hardware.Valid}, s.Condensate)
		require.Empty(t, b.Faults())
		all := b.Probes(m.clock.Now())
		require.Len(t, all, 10)
		require.InDelta(t, all[4].Raw+0.01, all[4].Reading.Value, 1e-4, "the offset is not in the raw value")
	})
}

// A bus that hangs makes its own readings old, holds up neither tick nor other buses, and is told as unwritten outputs.
func TestHungBus(t *testing.T) {
	inBubble(t, func(t *testing.T, m *models, c Config) {
		b := open(t, m, c)
		require.NoError(t, b.Apply(m.clock.Now(), hardware.Outputs{}))
		pass(12 * time.Second)
		release := m.i2c["i2c-1"].Hang()
		defer release()
		failed := 0
		for range 30 {
			start := m.clock.Now()
			var s hardware.Snapshot
			require.NoError(t, b.Read(start, &s))
			if err := b.Apply(start, hardware.Outputs{On: 1 << hardware.Sounder}); err != nil {
				require.ErrorContains(t, err, "relay0")
				require.NotContains(t, err.Error(), "gpiochip0")
				failed++
			}
			require.LessOrEqual(t, m.clock.Now().Sub(start), patience, "the tick waits for no bus")
			require.True(t, m.gpio.Driven(m.names[hardware.Sounder]), "other outputs are switched")
			pass(time.Second)
		}
		require.Greater(t, failed, 20)
		var s hardware.Snapshot
		require.NoError(t, b.Read(m.clock.Now(), &s))
		require.Equal(t, hardware.Stale, s.Readings[4].Quality)
		require.True(t, s.Readings[0].OK() && s.Readings[2].OK() && s.Readings[7].OK(), "other buses go on")
		require.False(t, s.Contacts.Valid.Has(hardware.ContactFloat), "a contact that cannot be read is not valid")
		release()
		pass(5 * time.Second)
		require.NoError(t, b.Apply(m.clock.Now(), hardware.Outputs{}))
		require.NoError(t, b.Read(m.clock.Now(), &s))
		require.True(t, s.Readings[4].OK())
	})
}

// A relay board that browned out stays off until everything was off once, and says so.
func TestBrownOutGoesThroughOff(t *testing.T) {
	inBubble(t, func(t *testing.T, m *models, c Config) {
		b := open(t, m, c)
		fans := hardware.Outputs{On: 1<<hardware.FanForward1 | 1<<hardware.Compressor}
		require.NoError(t, b.Apply(m.clock.Now(), hardware.Outputs{}))
		pass(time.Second)
		require.NoError(t, b.Apply(m.clock.Now(), fans))
		require.Equal(t, fans.On, m.driven())
		m.relay.BrownOut()
		for range 5 {
			pass(time.Second)
			require.ErrorContains(t, b.Apply(m.clock.Now(), fans), "relay0")
			require.Zero(t, m.driven())
		}
		faults := b.Faults()
		require.Len(t, faults, 2)
		require.Equal(t, "inputs of relay0", faults[0].What)
		require.Equal(t, "held_off", faults[1].Sign)
		require.NoError(t, b.Apply(m.clock.Now(), hardware.Outputs{}))
		require.NoError(t, b.Apply(m.clock.Now(), fans))
		require.Equal(t, fans.On, m.driven())
		pass(time.Second)
		require.Empty(t, b.Faults())
	})
}

func TestOutputThatIsHeld(t *testing.T) {
	inBubble(t, func(t *testing.T, m *models, c Config) {
		b := open(t, m, c)
		low := false
		m.gpio.Hold(m.names[hardware.Sounder], &low)
		err := b.Apply(m.clock.Now(), hardware.Outputs{On: 1 << hardware.Sounder})
		require.ErrorContains(t, err, "gpiochip0")
		require.ErrorContains(t, err, "not at the level")
		m.gpio.Hold(m.names[hardware.Sounder], nil)
		require.NoError(t, b.Apply(m.clock.Now(), hardware.Outputs{On: 1 << hardware.Sounder}))
		m.gpio.Break(errors.New("no such device"))
		require.ErrorContains(t, b.Apply(m.clock.Now(), hardware.Outputs{}), "no such device")
		m.gpio.Break(nil)
	})
}

// Close leaves nothing energised and no line claimed.
func TestClose(t *testing.T) {
	inBubble(t, func(t *testing.T, m *models, c Config) {
		b, err := Open(c, m)
		require.NoError(t, err)
		require.NoError(t, b.Apply(m.clock.Now(), hardware.Outputs{}))
		require.NoError(t, b.Apply(m.clock.Now(), hardware.Outputs{On: c.Layout.Outputs}))
		require.Equal(t, c.Layout.Outputs, m.driven())
		require.NoError(t, b.Close())
		require.Zero(t, m.driven())
		require.Empty(t, m.gpio.Claimed())
	})
}

func TestCloseWithAHungBus(t *testing.T) {
	inBubble(t, func(t *testing.T, m *models, c Config) {
		b, err := Open(c, m)
		require.NoError(t, err)
		require.NoError(t, b.Apply(m.clock.Now(), hardware.Outputs{}))
		require.NoError(t, b.Apply(m.clock.Now(), hardware.Outputs{On: 1 << hardware.Sounder}))
		release := m.i2c["i2c-1"].Hang()
		pass(3 * time.Second)
		start := m.clock.Now()
		require.ErrorContains(t, b.Close(), "hang")
		require.LessOrEqual(t, m.clock.Now().Sub(start), 7*time.Second)
		require.False(t, m.gpio.Driven(m.names[hardware.Sounder]), "what can be switched off is")
		release()
		pass(5 * time.Second)
	})
}

// The USB adapter of the serial line goes away and comes back.
func TestSerialComesBack(t *testing.T) {
	inBubble(t, func(t *testing.T, m *models, c Config) {
		b := open(t, m, c)
		pass(5 * time.Second)
		m.lines.Unplug(true)
		pass(10 * time.Second)
		var s hardware.Snapshot
		require.NoError(t, b.Read(m.clock.Now(), &s))
		require.Equal(t, hardware.NoAnswer, s.Readings[7].Quality)
		before := m.opens.Load()
		m.lines.Unplug(false)
		pass(5 * time.Second)
		require.NoError(t, b.Read(m.clock.Now(), &s))
		require.True(t, s.Readings[7].OK())
		require.GreaterOrEqual(t, m.opens.Load(), before)
		require.Greater(t, m.opens.Load(), int32(1), "the port was opened afresh")
	})
}

// A line that another holds is told where that line is written, not where its chip came up first.
func TestLineHeldByAnother(t *testing.T) {
	inBubble(t, func(t *testing.T, m *models, c Config) {
		at := -1
		for i := range c.Outputs {
			c.Outputs[i].Key = fmt.Sprintf("output[%d]", i+1)
			if strings.HasPrefix(c.Outputs[i].Line, "gpiochip0/") {
				at = i
			}
		}
		_, name, err := splitLine(c.Outputs[at].Line)
		require.NoError(t, err)
		_, err = m.gpio.Claim([]string{name}, true)
		require.NoError(t, err)
		b, err := Open(c, m)
		require.Nil(t, b)
		fault, ok := errors.AsType[*WiringFault](err)
		require.True(t, ok, err)
		require.Equal(t, fmt.Sprintf("output[%d].line", at+1), fault.Path())
		require.Contains(t, fault.Found, strconv.Quote(c.Outputs[at].Line)+": device or resource busy")
	})
}

func TestFaultsOfWiring(t *testing.T) {
	for _, x := range []struct {
		name   string
		change func(*Config)
		want   string
	}{
		{"unknown chip", func(c *Config) { c.Probes[0].Driver = "max6675" }, `probe db-1.driver: found "max6675", expected one of max31865, `},
		{"two probes at one address", func(c *Config) { c.Probes[6].Driver, c.Probes[6].Address = SHT4x, "0x44" }, "probe out-1.address: found probe out-1 uses address 0x44 on i2c-1, which probe rh-1 uses already"},
		{"two humidities of one chip", func(c *Config) { c.Layout.Probes[5].Role = hardware.RoleHumidity }, "which probe rh-1 uses already"},
		{"one sensor twice", func(c *Config) { c.Probes[3].Address = oneWireA }, "which probe db-2 uses already"},
		{"expander where a converter is", func(c *Config) { c.Expanders[0].Address = 0x49 }, "0x20 to 0x27"},
		{"line taken", func(c *Config) { c.Contacts[1].Line = "gpiochip0/17" }, "line gpiochip0/17"},
		{"expander pin taken", func(c *Config) { c.Contacts[3].Line = "relay0/02" }, "line relay0/2"},
		{"no such I2C bus", func(c *Config) { c.Expanders[0].Bus = "i2c-9" }, `found "i2c-9": no such bus, expected one that is there: i2c-1`},
		{"no such GPIO chip", func(c *Config) { c.Contacts[0].Line = "gpiochip4/5" }, `found "gpiochip4/5": no such chip`},
		{"no safe level", func(c *Config) { c.Outputs[0].ActiveLow = true }, `found "low", which has no safe level`},
		{"role that a chip cannot give", func(c *Config) { c.Layout.Probes[0].Role = hardware.RoleHumidity }, `probe db-1.role: found "humidity" of a max31865`},
		{"no front end", func(c *Config) { c.Probes[8].Pin.Front = nil }, "probe pin-1.front_end: found nothing"},
		{"no wires", func(c *Config) { c.Probes[1].RTD.Wires = 0 }, "probe wb-1.rtd: found 0 wires, expected 2, 3 or 4"},
		{"pulses on an expander", func(c *Config) { c.Condensate.Line = "relay0/14" }, "too seldom for pulses"},
		{"contact that is not wired", func(c *Config) { c.Contacts = c.Contacts[1:] }, "contacts of the layout that are not wired"},
		{"converter that is none", func(c *Config) { c.Outputs[2].Current = "adc1/0" }, `found "adc1/0"`},
		{"line without a chip", func(c *Config) { c.Outputs[0].Line = "17" }, `line "17"`},
		{"two energy meters", func(c *Config) { c.Energy = &Pulse{Line: "gpiochip0/26", Each: 3600} }, "energy meter"},
		{"a fan drive that is not wired", func(c *Config) { c.Layout.FanDrive = true }, "in the fan drive, expected one"},
		{"two speeds on a line", func(c *Config) { c.Meter.Baud = 19200 }, `found "/dev/serial/by-id/rs485" set otherwise (19200 baud, parity none, time limit 250ms)`},
		{"two parities on a line", func(c *Config) { c.Meter.Parity = modbus.Even }, "set otherwise (9600 baud, parity even"},
		{"a speed that is none", func(c *Config) { c.Probes[7].Registers.Baud = -7 }, "probe rh-2.registers.baud: found -7, expected 1200 to 115200"},
		{"a time limit out of range", func(c *Config) { c.Meter.Timeout = time.Minute }, "found 1m0s, expected 20ms to 2s"},
		{"a drive's channel", func(c *Config) { withDrive(c, "", "gpio18") }, "gpio18"},
		{"a drive's channel twice", func(c *Config) { c.Layout.FanGroups = 2; withDrive(c, "", "pwmchip0/0", "pwmchip0/0") }, "which the fan drive uses already"},
		{"channels without groups", func(c *Config) { withDrive(c, "", "pwmchip0/0", "pwmchip0/1") }, "2 channels for 1 fan groups"},
		{"a drive's period", func(c *Config) { withDrive(c, "", "pwmchip0/0"); c.Drive.Period = time.Second }, "fans.hertz: found a period of 1s"},
		{"no such channel", func(c *Config) { withDrive(c, "nowhere", "pwmchip0/0") }, `.channels: found "pwmchip0/0": `},
		{"probes missing", func(c *Config) { c.Probes = c.Probes[1:] }, "9 probes wired and 10 in the layout"},
		{"not a number", func(c *Config) { c.Condensate.Each = math.NaN() }, "found NaN, expected more than 0"},
	} {
		t.Run(x.name, func(t *testing.T) {
			inBubble(t, func(t *testing.T, m *models, c Config) {
				x.change(&c)
				b, err := Open(c, m)
				require.True(t, b == nil)
				require.ErrorContains(t, err, x.want)
				require.NotContains(t, err.Error(), "hang", "nothing does")
				require.Empty(t, m.gpio.Claimed(), "nothing is left claimed")
			})
		})
	}
}

func withDrive(c *Config, root string, channels ...string) {
	c.Layout.FanDrive = true
	c.Drive = &Drive{Key: "fans", Channels: channels, Period: time.Millisecond, Root: root}
}

// The speed of fans is a share of the period, none while they are off, and proved; a channel that is gone is told.
func TestFanDrive(t *testing.T) {
	inBubble(t, func(t *testing.T, m *models, c Config) {
		root := t.TempDir()
		dir := filepath.Join(root, "pwmchip0", "pwm1")
		require.NoError(t, os.MkdirAll(dir, 0o755))
		for _, name := range []string{"period", "duty_cycle", "enable"} {
			require.NoError(t, os.WriteFile(filepath.Join(dir, name), []byte("7"), 0o644))
		}
		withDrive(&c, root, "pwmchip0/1")
		b := open(t, m, c)
		file := func(name string) string {
			text, err := os.ReadFile(filepath.Join(dir, name))
			require.NoError(t, err)
			return string(text)
		}
		require.Equal(t, []string{"1000000", "0", "1"}, []string{file("period"), file("duty_cycle"), file("enable")})
		to := hardware.Outputs{}
		to.FanSpeed[0] = 0.62
		require.NoError(t, b.Apply(m.clock.Now(), to))
		require.Equal(t, "0", file("duty_cycle"), "the fans are off")
		to.On = to.On.With(hardware.FanReverse1, true)
		require.NoError(t, b.Apply(m.clock.Now(), to))
		require.Equal(t, "620000", file("duty_cycle"))
		to.FanSpeed[0] = 1.7
		require.NoError(t, b.Apply(m.clock.Now(), to))
		require.Equal(t, "1000000", file("duty_cycle"))

		require.NoError(t, os.Rename(dir, dir+"-gone"))
		require.ErrorContains(t, b.Apply(m.clock.Now(), hardware.Outputs{}), "set fan speed")
		require.NoError(t, os.Rename(dir+"-gone", dir))
		require.NoError(t, b.Apply(m.clock.Now(), hardware.Outputs{}))
		require.Equal(t, "0", file("duty_cycle"))
	})
}

// The kernel makes a channel's files when it is told to, and udev hands them over a moment later.
func TestFanDriveWaitsForItsFiles(t *testing.T) {
	inBubble(t, func(t *testing.T, m *models, c Config) {
		root := t.TempDir()
		base := filepath.Join(root, "pwmchip0")
		dir := filepath.Join(base, "pwm1")
		require.NoError(t, os.MkdirAll(base, 0o755))
		require.NoError(t, os.WriteFile(filepath.Join(base, "export"), nil, 0o644))
		go func() {
			time.Sleep(700 * time.Millisecond)
			_ = os.Mkdir(dir, 0o755)
			time.Sleep(300 * time.Millisecond)
			for _, name := range []string{"period", "duty_cycle", "enable"} {
				_ = os.WriteFile(filepath.Join(dir, name), []byte("7"), 0o644)
			}
		}()
		withDrive(&c, root, "pwmchip0/1")
		open(t, m, c)
		text, err := os.ReadFile(filepath.Join(base, "export"))
		require.NoError(t, err)
		require.Equal(t, "1", string(text))
		for name, want := range map[string]string{"period": "1000000", "duty_cycle": "0", "enable": "1"} {
			text, err := os.ReadFile(filepath.Join(dir, name))
			require.NoError(t, err)
			require.Equal(t, want, string(text))
		}
	})
}

// One channel drives all groups at the speed of the fastest; with one each, each has its own.
func TestSpeedsOfChannels(t *testing.T) {
	to := hardware.Outputs{On: 1<<hardware.FanForward1 | 1<<hardware.FanReverse2 | 1<<hardware.FanForward4}
	to.FanSpeed = [hardware.MaxFanGroups]quantity.Ratio{0.5, 0.75, 1, 0.25}
	require.Equal(t, uint64(750), speeds(to, 1))
	require.Equal(t, uint64(500|750<<16|250<<48), speeds(to, 4))
	require.Zero(t, speeds(hardware.Outputs{FanSpeed: to.FanSpeed}, 4))
}

// All faults are told at once.
func TestAllFaultsAtOnce(t *testing.T) {
	inBubble(t, func(t *testing.T, m *models, c Config) {
		c.Outputs[0].ActiveLow, c.Probes[0].Driver, c.Contacts[1].Line = true, "x", "gpiochip0/17"
		_, err := Open(c, m)
		require.Equal(t, 2, strings.Count(err.Error(), "\n"), "%v", err)
	})
}

// A line that another program holds is told, with everything that was claimed given back.
func TestLineOfAnotherProgram(t *testing.T) {
	inBubble(t, func(t *testing.T, m *models, c Config) {
		other, err := m.gpio.Claim([]string{"18"}, true)
		require.NoError(t, err)
		_, err = Open(c, m)
		require.ErrorContains(t, err, "busy")
		require.Equal(t, []string{"18"}, m.gpio.Claimed())
		require.NoError(t, other.Close())
	})
}

// A bus with probes or meters alone that is not there keeps nobody from starting: it is told with its place and with what is
// there, its readings say so, and it is used once it comes.
func TestBusThatComesLater(t *testing.T) {
	inBubble(t, func(t *testing.T, m *models, c Config) {
		rtd, lines, bus := m.rtd, m.port, m.i2c["i2c-1"]
		m.rtd, m.port = [2]*chip.MAX31865{}, ""
		m.i2c["i2c-2"] = nil
		c.Probes[4].Bus, c.Probes[5].Bus = "i2c-2", "i2c-2"
		root := m.root
		c.OneWireRoot = t.TempDir()
		b := open(t, m, c)
		pass(12 * time.Second)
		faults := map[string]Fault{}
		for _, f := range b.Faults() {
			faults[f.What] = f
		}
		for what, want := range map[string]string{
			"bus spi0.0":                  `probe db-1.bus: found "spi0.0": no such bus, expected one that is there: spi0.0, spi0.1`,
			"bus spi0.1":                  `probe wb-1.bus: found "spi0.1": no such bus`,
			"bus w1-1":                    `probe db-2.bus: found "w1-1": `,
			"bus i2c-2":                   `probe rh-1.bus: found "i2c-2": no such bus, expected one that is there: i2c-1`,
			"bus /dev/serial/by-id/rs485": `probe rh-2.bus: found "/dev/serial/by-id/rs485": no such port, expected one that is there: /dev/serial/by-id/rs485`,
			"probe air-1":                 "no such bus",
			"energy meter":                "no such port",
		} {
			require.Contains(t, faults, what)
			require.ErrorContains(t, faults[what].Err, want)
			require.Equal(t, hardware.NoAnswer, faults[what].Quality)
		}
		fault, ok := errors.AsType[*WiringFault](faults["bus i2c-2"].Err)
		require.True(t, ok)
		require.Equal(t, "probe rh-1.bus", fault.Path())
		require.Equal(t, "no_bus", faults["bus spi0.0"].Sign)
		var s hardware.Snapshot
		require.NoError(t, b.Read(m.clock.Now(), &s))
		require.True(t, s.Readings[8].OK(), "other buses go on")
		for _, i := range []int{0, 1, 2, 4, 7} {
			require.Equal(t, hardware.NoAnswer, s.Readings[i].Quality, c.Layout.Probes[i].Name)
		}

		m.set(func() { m.rtd, m.port, m.i2c["i2c-2"] = rtd, lines, bus })
		require.NoError(t, os.Remove(c.OneWireRoot))
		require.NoError(t, os.Symlink(root, c.OneWireRoot))
		pass(12 * time.Second)
		require.Empty(t, b.Faults())
		require.NoError(t, b.Read(m.clock.Now(), &s))
		for i, r := range s.Readings[:len(c.Probes)] {
			require.True(t, r.OK(), c.Layout.Probes[i].Name)
		}
	})
}

// When nobody can start anyway, what is missing is told together.
func TestMissingBusesAreToldTogether(t *testing.T) {
	inBubble(t, func(t *testing.T, m *models, c Config) {
		m.rtd = [2]*chip.MAX31865{}
		c.OneWireRoot = t.TempDir()
		c.Contacts[0].Line = "gpiochip4/5"
		_, err := Open(c, m)
		for _, want := range []string{"no such chip", `probe db-1.bus: found "spi0.0"`, `probe wb-1.bus: found "spi0.1"`, `probe db-2.bus: found "w1-1"`} {
			require.ErrorContains(t, err, want)
		}
	})
}

// An adapter on USB that goes away leaves an open file behind that fails for ever: after some failures it is opened afresh.
func TestI2CAdapterComesBack(t *testing.T) {
	inBubble(t, func(t *testing.T, m *models, c Config) {
		old := m.i2c["i2c-1"]
		now := &chip.I2C{}
		for at, x := range map[uint16]chip.Target{0x44: m.sht3, 0x45: m.sht4, 0x48: m.pins, 0x49: m.amps, 0x20: m.relay} {
			now.Plug(at, x)
		}
		b := open(t, m, c)
		on := hardware.Outputs{On: 1 << hardware.FanForward1}
		require.NoError(t, b.Apply(m.clock.Now(), on))
		m.set(func() { m.i2c["i2c-1"] = nil })
		old.Break(errors.New("no such device"))
		pass(12 * time.Second)
		require.Error(t, b.Apply(m.clock.Now(), on))
		m.set(func() { m.i2c["i2c-1"] = now })
		pass(12 * time.Second)
		require.NoError(t, b.Apply(m.clock.Now(), hardware.Outputs{}))
		require.NoError(t, b.Apply(m.clock.Now(), on))
		var s hardware.Snapshot
		require.NoError(t, b.Read(m.clock.Now(), &s))
		require.True(t, s.Readings[4].OK())
		require.Empty(t, b.Faults())
	})
}

// An expander that is not proved off at the start keeps every line unclaimed, so that the heartbeat's does not move: whether its
// bus hangs, it does not answer, or something holds an output on.
func TestNoLineIsClaimedBesideAnExpanderThatIsNotOff(t *testing.T) {
	for _, x := range []struct {
		name string
		does func(*models) (release func())
		want string
	}{
		{"bus hangs", func(m *models) func() { return m.i2c["i2c-1"].Hang() }, "relay0 are not proved"},
		{"no answer", func(m *models) func() { m.i2c["i2c-1"].Plug(0x20, nil); return func() {} }, "mcp23017 at 0x20"},
		{"output held on", func(m *models) func() { m.relay.Hold(1, 1); return func() {} }, "not at the level"},
	} {
		t.Run(x.name, func(t *testing.T) {
			inBubble(t, func(t *testing.T, m *models, c Config) {
				require.NoError(t, m.relay.Transfer([]byte{0x00, 0x00, 0xFF}, nil)) // outputs
				require.NoError(t, m.relay.Transfer([]byte{0x14, 0x7F, 0x00}, nil)) // on
				release := x.does(m)
				host := &claims{models: m}
				start := m.clock.Now()
				b, err := Open(c, host)
				require.True(t, b == nil)
				require.ErrorContains(t, err, "switch everything off at the start")
				require.ErrorContains(t, err, x.want)
				require.Zero(t, host.at, "no line was claimed")
				require.LessOrEqual(t, m.clock.Now().Sub(start), 10*time.Second)
				release()
				pass(3 * time.Second)
			})
		})
	}
}

// A line that something holds on is found at the start.
func TestLineHeldOnAtTheStart(t *testing.T) {
	inBubble(t, func(t *testing.T, m *models, c Config) {
		high := true
		m.gpio.Hold(m.names[hardware.Sounder], &high)
		b, err := Open(c, m)
		require.True(t, b == nil)
		require.ErrorContains(t, err, "not at the level")
		require.Empty(t, m.gpio.Claimed())
	})
}

// A thermometer that feeds on its data line is told; it measures all the same.
func TestParasiticPowerIsTold(t *testing.T) {
	inBubble(t, func(t *testing.T, m *models, c Config) {
		path := filepath.Join(m.root, oneWireB, "ext_power")
		require.NoError(t, os.WriteFile(path, []byte("0\n"), 0o644))
		b := open(t, m, c)
		pass(12 * time.Second)
		faults := b.Faults()
		require.Len(t, faults, 1)
		require.Equal(t, [2]string{"supply of probe core-1", "parasitic"}, [2]string{faults[0].What, faults[0].Sign})
		var s hardware.Snapshot
		require.NoError(t, b.Read(m.clock.Now(), &s))
		require.True(t, s.Readings[3].OK())
		require.NoError(t, os.WriteFile(path, []byte("1\n"), 0o644))
		pass(supplyEvery + 10*time.Second)
		require.Empty(t, b.Faults())
	})
}

// A sensor that browned out measures again at once, and is told for a minute all the same.
func TestBrownOutOfASensorIsTold(t *testing.T) {
	inBubble(t, func(t *testing.T, m *models, c Config) {
		b := open(t, m, c)
		pass(12 * time.Second)
		require.Empty(t, b.Faults())
		m.sht3.BrownOut()
		m.rtd[0].BrownOut()
		pass(10 * time.Second)
		signs := map[string]string{}
		for _, f := range b.Faults() {
			signs[f.What] = f.Sign
			require.ErrorIs(t, f.Err, probe.ErrReset)
		}
		require.Equal(t, map[string]string{"probe rh-1": "reset", "probe air-1": "reset", "probe db-1": "reset"}, signs)
		var s hardware.Snapshot
		require.NoError(t, b.Read(m.clock.Now(), &s))
		require.True(t, s.Readings[0].OK() && s.Readings[4].OK())
		pass(resetTold)
		require.Empty(t, b.Faults())
	})
}

// claims is a host that looks at the relays when lines are claimed.
type claims struct {
	*models
	on uint16
	at mono.Instant
}

func (c *claims) Outputs(name string, lines []string) (Lines, error) {
	on, _ := c.relay.Driven()
	c.on |= on
	c.at = c.clock.Now()
	return c.models.Outputs(name, lines)
}

// A program that was killed leaves on what hangs on expanders, and only the heartbeat's relay has let go. The next program
// makes the line of the heartbeat low, which may be one more beat: what hangs on expanders is off by then.
func TestExpandersAreOffBeforeTheHeartbeatMoves(t *testing.T) {
	inBubble(t, func(t *testing.T, m *models, c Config) {
		require.NoError(t, m.relay.Transfer([]byte{0x00, 0x00, 0xFF}, nil)) // outputs
		require.NoError(t, m.relay.Transfer([]byte{0x14, 0x7F, 0x00}, nil)) // on
		host := &claims{models: m}
		start := m.clock.Now()
		b, err := Open(c, host)
		require.NoError(t, err)
		require.Zero(t, host.on)
		require.GreaterOrEqual(t, host.at.Sub(start), letGo, "contactors have opened")
		require.Zero(t, m.driven())
		require.NoError(t, b.Close())
	})
}
