package board

import (
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"drywarden/hardware"
	"drywarden/hardware/mono"
	"drywarden/hardware/probe/ads1115"
	"drywarden/hardware/probe/contact"
	"drywarden/hardware/probe/ds18b20"
	"drywarden/hardware/probe/iio"
	"drywarden/hardware/probe/max31865"
	"drywarden/hardware/probe/modbus"
	"drywarden/hardware/probe/pulse"
	"drywarden/hardware/quantity"
)

// Drivers of probes, as kiln files write them.
const (
	MAX31865 = "max31865"
	DS18B20  = "ds18b20"
	SHT3x    = "sht3x"
	SHT4x    = "sht4x"
	ADS1115  = "ads1115"
	Modbus   = "modbus"
	IIO      = "iio"
)

var drivers = []string{MAX31865, DS18B20, SHT3x, SHT4x, ADS1115, Modbus, IIO}

// Config is how a kiln is wired. Key in its parts says where a part is written, for errors; it may be empty.
type Config struct {
	Layout     hardware.Layout
	Probes     []Probe // one for each of Layout.Probes, in the same order
	Contacts   []Contact
	Outputs    []Output
	Expanders  []Expander
	Converters []Converter
	Condensate *Pulse
	Energy     *Pulse
	Meter      *Meter // energy; not together with Energy
	Drive      *Drive // sets the fans' speed; nil: they have one

	Clock mono.Clock    // the one by which Read and Apply are called
	Every time.Duration // between two readings of a probe; 0: 2 s, 5 s on a 1-wire bus
	Stale time.Duration // a reading that is older is Stale; 0: 20 s

	OneWireRoot string // empty: the kernel's
	IIORoot     string // empty: the kernel's
}

// Probe is how one probe is wired.
type Probe struct {
	Key     string
	Driver  string
	Bus     string // "i2c-1", "spi0.0", "w1-1", a serial port; an iio device: "iio:device0"
	Address string // "0x44"; "28-..." of a DS18B20; Modbus device "1"; ADS1115 "0x48/2": input 2; iio: channel "0"; none for SPI

	RTD       max31865.Settings // max31865
	Pin       Pin               // ads1115
	Registers Registers         // modbus
	Cell      iio.Cell          // iio: chip, sign, tare, mass per count, rated load
}

// Pin is the front end of moisture pins.
type Pin struct {
	Range ads1115.Range
	Rate  ads1115.Rate
	Front ads1115.FrontEnd
}

// Registers say where a transmitter keeps its values.
type Registers struct {
	Temperature, Humidity modbus.Register
	Baud                  int // 0: 9600
}

// Contact is one digital input.
type Contact struct {
	Key       string
	ID        hardware.ContactID
	Line      string // "chip/line": the chip's name or label, or an expander's name; the line's name or number
	ActiveLow bool
	Debounce  time.Duration // 0: contact.DefaultDebounce
}

// Output is one switched output.
type Output struct {
	Key             string
	ID              hardware.OutputID
	Line            string // as for a contact
	ActiveLow       bool   // refused: says why
	ReadBack        string // line that tells the contactor's real state; empty: none
	ReadBackLow     bool   // that line is low when the contactor is closed
	Current         string // "converter/input" that measures its current; empty: none
	AmperesPerVolt  float64
	CurrentAtOffset float64 // volt without a current
}

// Expander is an MCP23017 on I2C.
type Expander struct {
	Key     string
	Name    string
	Bus     string
	Address uint16
	PullUp  bool // inputs have the chip's pull-up
}

// Converter is an ADS1115 on I2C that measures currents.
type Converter struct {
	Key     string
	Name    string
	Bus     string
	Address uint16
	Range   ads1115.Range
}

// Pulse is a meter that pulses.
type Pulse struct {
	Key      string
	Line     string
	Each     float64 // kilogram or joule
	Low      bool    // a pulse is low
	Settings pulse.Settings
}

// Meter is an energy meter on Modbus.
type Meter struct {
	Key    string
	Bus    string
	Device byte
	Baud   int // 0: 9600
	Energy modbus.Register
	Most   quantity.Watt
}

const (
	defaultEvery   = 2 * time.Second
	oneWireEvery   = 5 * time.Second
	defaultStale   = 20 * time.Second
	defaultBaud    = 9600
	highestAddress = 0x77
)

// humid tells whether a role is a humidity.
func humid(r hardware.Role) bool {
	return r == hardware.RoleHumidity || r == hardware.RoleOutdoorHumidity
}

// warm tells whether a role is a temperature.
func warm(r hardware.Role) bool {
	return !humid(r) && r != hardware.RoleNone && r != hardware.RolePin && r != hardware.RoleLoadCell
}

func gives(driver string, r hardware.Role) bool {
	switch driver {
	case MAX31865, DS18B20:
		return warm(r)
	case SHT3x, SHT4x, Modbus:
		return warm(r) || humid(r)
	case ADS1115:
		return r == hardware.RolePin
	case IIO:
		return r == hardware.RoleLoadCell
	}
	return false
}

// address reads an I2C address.
func address(text string) (uint16, error) {
	n, err := strconv.ParseUint(text, 0, 16)
	if err != nil || n < 0x08 || n > highestAddress {
		return 0, fmt.Errorf("%q: expected an address on I2C, 0x08 to 0x77", text)
	}
	return uint16(n), nil
}

// number reads the number at the end of a name with a known beginning.
func number(text, before string) (int, error) {
	rest, ok := strings.CutPrefix(text, before)
	n, err := strconv.Atoi(rest)
	if !ok || err != nil || n < 0 || n > 999 {
		return 0, fmt.Errorf("%q: expected a name like %q", text, before+"1")
	}
	return n, nil
}

func splitLine(line string) (chip, name string, err error) {
	i := strings.LastIndex(line, "/")
	if i <= 0 || i == len(line)-1 {
		return "", "", fmt.Errorf("line %q: expected chip and line, like \"gpiochip0/17\"", line)
	}
	return line[:i], line[i+1:], nil
}

func expanderPin(name string) (int, error) {
	n, err := strconv.Atoi(name)
	if err != nil || n < 0 || n > 15 {
		return 0, fmt.Errorf("pin %q of an expander: expected 0 to 15", name)
	}
	return n, nil
}

// WiringFault is one thing that is wrong with the wiring as it is written.
type WiringFault struct {
	Key  string // of the part; empty: of the whole
	Text string // what is wrong and what was expected
}

// Error gives the fault in one line.
func (f WiringFault) Error() string {
	if f.Key == "" {
		return f.Text
	}
	return f.Key + ": " + f.Text
}

// checker collects faults.
type checker struct {
	faults []WiringFault
	taken  map[string]string // what is used by what
}

func (c *checker) fault(key, format string, args ...any) {
	c.faults = append(c.faults, WiringFault{key, fmt.Sprintf(format, args...)})
}

func (c *checker) err(key string, err error) bool {
	if err != nil {
		c.fault(key, "%v", err)
	}
	return err != nil
}

// take notes that by uses what; what must be used by one alone.
func (c *checker) take(key, what, by string) {
	if other, ok := c.taken[what]; ok {
		c.fault(key, "%s uses %s, which %s uses already", by, what, other)
		return
	}
	c.taken[what] = by
}

// Check tells all that is wrong with the wiring, before any bus is opened; nil when nothing is.
func (c *Config) Check() error {
	var faults []error
	for _, f := range c.Faults() {
		faults = append(faults, f)
	}
	return errors.Join(faults...)
}

// Faults is Check's answer fault by fault.
func (c *Config) Faults() []WiringFault {
	k := &checker{taken: map[string]string{}}
	if c.Clock == nil {
		k.fault("", "no clock")
	}
	expanders := map[string]bool{}
	for _, e := range c.Expanders {
		if e.Name == "" || strings.Contains(e.Name, "/") || expanders[e.Name] {
			k.fault(e.Key, "expander %q: expected a name of its own without a slash", e.Name)
		}
		expanders[e.Name] = true
		c.chip(k, e.Key, e.Bus, e.Address, 0x20, 0x27, "expander "+e.Name)
	}
	converters := map[string]bool{}
	for _, v := range c.Converters {
		if v.Name == "" || strings.Contains(v.Name, "/") || converters[v.Name] {
			k.fault(v.Key, "converter %q: expected a name of its own without a slash", v.Name)
		}
		converters[v.Name] = true
		c.chip(k, v.Key, v.Bus, v.Address, 0x48, 0x4B, "converter "+v.Name)
	}
	c.checkProbes(k)
	c.checkOutputs(k, converters)
	line := func(key, at, by string) {
		chip, name, err := splitLine(at)
		if k.err(key, err) {
			return
		}
		if expanders[chip] {
			n, err := expanderPin(name)
			if k.err(key, err) {
				return
			}
			name = strconv.Itoa(n)
		}
		k.take(key, "line "+chip+"/"+name, by)
	}
	var contacts hardware.ContactSet
	for _, x := range c.Contacts {
		line(x.Key, x.Line, "contact "+x.ID.String())
		if x.ID >= hardware.ContactCount || contacts.Has(x.ID) || !c.Layout.Contacts.Has(x.ID) {
			k.fault(x.Key, "contact %v: expected each contact of the layout once", x.ID)
		}
		if x.Debounce < 0 || x.Debounce > time.Second {
			k.fault(x.Key, "contact %v: debounce %v, expected at most 1 s", x.ID, x.Debounce)
		}
		contacts = contacts.With(x.ID, true)
	}
	if contacts != c.Layout.Contacts {
		k.fault("", "the layout has contacts that are not wired")
	}
	for _, o := range c.Outputs {
		line(o.Key, o.Line, "output "+o.ID.String())
		if o.ReadBack != "" {
			line(o.Key, o.ReadBack, "read-back of "+o.ID.String())
		}
	}
	for _, m := range []struct {
		fitted bool
		pulse  *Pulse
		other  *Meter
		what   string
	}{{c.Layout.Condensate, c.Condensate, nil, "condensate meter"}, {c.Layout.EnergyMeter, c.Energy, c.Meter, "energy meter"}} {
		if m.fitted != (m.pulse != nil || m.other != nil) || m.pulse != nil && m.other != nil {
			k.fault("", "%s: expected one when the layout has one", m.what)
		}
		if p := m.pulse; p != nil {
			line(p.Key, p.Line, m.what)
			if !(p.Each > 0) {
				k.fault(p.Key, "%s: %g a pulse, expected more than 0", m.what, p.Each)
			}
			k.err(p.Key, p.Settings.Validate())
			if chip, _, _ := splitLine(p.Line); expanders[chip] {
				k.fault(p.Key, "%s: an expander is looked at too seldom for pulses: a line of the computer is needed", m.what)
			}
		}
	}
	if m := c.Meter; m != nil {
		k.err(m.Key, m.Energy.Validate())
		if m.Device == 0 || m.Device > 247 {
			k.fault(m.Key, "energy meter: device %d, expected 1 to 247", m.Device)
		}
	}
	return k.faults
}

// chip checks a chip on I2C that is no probe.
func (c *Config) chip(k *checker, key, bus string, at, low, high uint16, by string) {
	_, err := number(bus, "i2c-")
	k.err(key, err)
	if at < low || at > high {
		k.fault(key, "%s: address 0x%02x, expected 0x%02x to 0x%02x", by, at, low, high)
	}
	k.take(key, fmt.Sprintf("address 0x%02x on %s", at, bus), by)
}

func (c *Config) checkProbes(k *checker) {
	if len(c.Probes) != len(c.Layout.Probes) || len(c.Probes) > hardware.MaxProbes {
		k.fault("", "%d probes are wired, the layout has %d, at most %d can be", len(c.Probes), len(c.Layout.Probes), hardware.MaxProbes)
		return
	}
	type shared struct{ driver, bus string }
	chips := map[shared]map[string]bool{}
	for i, p := range c.Probes {
		layout := c.Layout.Probes[i]
		by := "probe " + layout.Name
		if !slices.Contains(drivers, p.Driver) {
			k.fault(p.Key, "%s: unknown driver %q, expected one of %s", by, p.Driver, strings.Join(drivers, ", "))
			continue
		}
		if !gives(p.Driver, layout.Role) {
			k.fault(p.Key, "%s: a %s does not measure for the role %v", by, p.Driver, layout.Role)
		}
		place := c.place(k, p, by)
		if place == "" {
			continue
		}
		// Temperature and humidity of one chip are two probes with one address.
		part := "temperature"
		if humid(layout.Role) {
			part = "humidity"
		}
		at := shared{p.Driver, place}
		switch {
		case chips[at] == nil:
			chips[at] = map[string]bool{part: true}
			k.take(p.Key, place, by)
		case (p.Driver == SHT3x || p.Driver == SHT4x || p.Driver == Modbus) && !chips[at][part]:
			chips[at][part] = true
		default:
			k.take(p.Key, place, by)
		}
	}
}

// place names what a probe occupies, and checks what its driver needs.
func (c *Config) place(k *checker, p Probe, by string) string {
	switch p.Driver {
	case MAX31865:
		if _, _, err := spiNumbers(p.Bus); k.err(p.Key, err) {
			return ""
		}
		if err := p.RTD.Validate(); err != nil {
			k.fault(p.Key, "%s: %v", by, err)
		}
		return p.Bus
	case DS18B20:
		_, err := number(p.Bus, "w1-")
		if k.err(p.Key, err) || k.err(p.Key, ds18b20.CheckID(p.Address)) {
			return ""
		}
		return "sensor " + p.Address
	case SHT3x, SHT4x, ADS1115:
		return c.i2cPlace(k, p, by)
	case Modbus:
		n, err := strconv.Atoi(p.Address)
		if err != nil || n < 1 || n > 247 || p.Bus == "" {
			k.fault(p.Key, "%s: device %q on %q, expected 1 to 247 on a serial port", by, p.Address, p.Bus)
			return ""
		}
		k.err(p.Key, p.Registers.Temperature.Validate())
		k.err(p.Key, p.Registers.Humidity.Validate())
		return fmt.Sprintf("device %d on %s", n, p.Bus)
	}
	cell, err := cellOf(p, "")
	if k.err(p.Key, err) {
		return ""
	}
	k.err(p.Key, cell.Validate())
	return fmt.Sprintf("channel %d of %s", cell.Channel, cell.Device)
}

func (c *Config) i2cPlace(k *checker, p Probe, by string) string {
	if _, err := number(p.Bus, "i2c-"); k.err(p.Key, err) {
		return ""
	}
	text, input, pins := strings.Cut(p.Address, "/")
	at, err := address(text)
	if k.err(p.Key, err) {
		return ""
	}
	low, high := uint16(0x44), uint16(0x45)
	switch p.Driver {
	case SHT4x:
		high = 0x46
	case ADS1115:
		low, high = 0x48, 0x4B
	}
	if at < low || at > high {
		k.fault(p.Key, "%s: address 0x%02x, a %s has 0x%02x to 0x%02x", by, at, p.Driver, low, high)
	}
	place := fmt.Sprintf("address 0x%02x on %s", at, p.Bus)
	if p.Driver != ADS1115 {
		if pins {
			k.fault(p.Key, "%s: address %q, expected no input", by, p.Address)
		}
		return place
	}
	if n, err := strconv.Atoi(input); err != nil || n < 0 || n > 3 {
		k.fault(p.Key, "%s: address %q, expected address and input, like \"0x48/2\"", by, p.Address)
		return ""
	}
	if p.Pin.Front == nil {
		k.fault(p.Key, "%s: no front end", by)
	} else {
		k.err(p.Key, p.Pin.Front.Validate())
	}
	return "input " + input + " of " + place
}

func (c *Config) checkOutputs(k *checker, converters map[string]bool) {
	var outputs, readBack, current hardware.OutputSet
	for _, o := range c.Outputs {
		if o.ID >= hardware.OutputCount || outputs.Has(o.ID) || !c.Layout.Outputs.Has(o.ID) {
			k.fault(o.Key, "output %v: expected each output of the layout once", o.ID)
			continue
		}
		outputs = outputs.With(o.ID, true)
		if o.ActiveLow {
			k.fault(o.Key, "output %v: active low has no safe level: its line is low at boot, at the start and after a power cut, which would energise it; wire it active high", o.ID)
		}
		if o.ReadBack != "" {
			readBack = readBack.With(o.ID, true)
		}
		if o.Current == "" {
			continue
		}
		current = current.With(o.ID, true)
		name, input, err := splitLine(o.Current)
		if k.err(o.Key, err) {
			continue
		}
		if n, err := strconv.Atoi(input); !converters[name] || err != nil || n < 0 || n > 3 {
			k.fault(o.Key, "output %v: current %q, expected a converter and its input 0 to 3", o.ID, o.Current)
		}
		if !(o.AmperesPerVolt > 0) {
			k.fault(o.Key, "output %v: %g A a volt, expected more than 0", o.ID, o.AmperesPerVolt)
		}
		for _, v := range c.Converters {
			if v.Name == name {
				k.take(o.Key, fmt.Sprintf("input %s of address 0x%02x on %s", input, v.Address, v.Bus), "current of "+o.ID.String())
			}
		}
	}
	if outputs != c.Layout.Outputs || readBack != c.Layout.ReadBack || current != c.Layout.Current {
		k.fault("", "outputs, read-backs or currents of the layout and of the wiring differ")
	}
	c.checkDrive(k)
}

func cellOf(p Probe, root string) (iio.Cell, error) {
	cell := p.Cell
	n, err := strconv.Atoi(p.Address)
	if err != nil {
		return cell, fmt.Errorf("channel %q of %s: expected a number", p.Address, p.Bus)
	}
	cell.Device, cell.Channel, cell.Root = p.Bus, n, root
	return cell, nil
}

func spiNumbers(bus string) (port, chip int, err error) {
	before, after, _ := strings.Cut(strings.TrimPrefix(bus, "spi"), ".")
	port, e1 := strconv.Atoi(before)
	chip, e2 := strconv.Atoi(after)
	if !strings.HasPrefix(bus, "spi") || e1 != nil || e2 != nil || port < 0 || chip < 0 {
		return 0, 0, fmt.Errorf("%q: expected the name of a chip select on SPI, like \"spi0.1\"", bus)
	}
	return port, chip, nil
}

func debounced(c Contact) *contact.Input { return contact.New(contact.Settings{Debounce: c.Debounce}) }
