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

// MCP23017 is what Scan calls an expander.
const MCP23017 = "mcp23017"

var drivers = []string{MAX31865, DS18B20, SHT3x, SHT4x, ADS1115, Modbus, IIO}

// Drivers lists the drivers of probes.
func Drivers() []string { return slices.Clone(drivers) }

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
	Baud                  int           // 0: 9600
	Parity                modbus.Parity // zero: none
	Timeout               time.Duration // for the transmitter to answer; 0: 250 ms
}

// SerialLine is how a serial port is set. All devices on one port have the same.
type SerialLine struct {
	Baud    int
	Parity  modbus.Parity
	Timeout time.Duration // for a device to answer
}

// String gives the settings in one line.
func (s SerialLine) String() string {
	return fmt.Sprintf("%d baud, parity %v, time limit %v", s.Baud, s.Parity, s.Timeout)
}

func serialLine(baud int, parity modbus.Parity, timeout time.Duration) SerialLine {
	s := SerialLine{Baud: baud, Parity: parity, Timeout: timeout}
	if s.Baud == 0 {
		s.Baud = defaultBaud
	}
	if s.Timeout == 0 {
		s.Timeout = modbus.DefaultTimeout
	}
	return s
}

func (r *Registers) line() SerialLine { return serialLine(r.Baud, r.Parity, r.Timeout) }
func (m *Meter) line() SerialLine     { return serialLine(m.Baud, m.Parity, m.Timeout) }

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
	Key     string
	Bus     string
	Device  byte
	Baud    int           // 0: 9600
	Parity  modbus.Parity // zero: none
	Timeout time.Duration // for the meter to answer; 0: 250 ms
	Energy  modbus.Register
	Most    quantity.Watt
}

const (
	defaultEvery   = 2 * time.Second
	oneWireEvery   = 5 * time.Second
	defaultStale   = 20 * time.Second
	defaultBaud    = 9600
	leastBaud      = 1200
	mostBaud       = 115200
	leastTimeout   = 20 * time.Millisecond
	mostTimeout    = 2 * time.Second
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

// WiringFault is one thing that is wrong with the wiring, as it is written or as it is found when it is opened.
type WiringFault struct {
	Key      string // of the part; empty: of the whole
	Field    string // of the part, as kiln files write it: "bus", "rtd"; empty: the part itself
	Found    string // what is written, and what is the matter with it
	Expected string // empty: that says itself
	Err      error  // what the system said; nil: nothing was asked
}

// Path is where the fault is: key and field.
func (f *WiringFault) Path() string {
	if f.Key == "" || f.Field == "" {
		return f.Key
	}
	return f.Key + "." + f.Field
}

// Error gives the fault in one line.
func (f *WiringFault) Error() string {
	text := "found " + f.Found
	if path := f.Path(); path != "" {
		text = path + ": " + text
	}
	if f.Expected != "" {
		text += ", expected " + f.Expected
	}
	return text
}

// Unwrap gives what the system said.
func (f *WiringFault) Unwrap() error { return f.Err }

// checker collects faults.
type checker struct {
	faults []*WiringFault
	taken  map[string]string     // what is used by what
	ports  map[string]SerialLine // how serial ports are set
}

func (c *checker) fault(key, field, found, expected string) {
	c.faults = append(c.faults, &WiringFault{Key: key, Field: field, Found: found, Expected: expected})
}

// err takes an error apart that says what was expected behind a colon.
func (c *checker) err(key, field string, err error) bool {
	if err != nil {
		found, expected, _ := strings.Cut(err.Error(), ": expected ")
		c.fault(key, field, found, expected)
	}
	return err != nil
}

// take notes that by uses what; what must be used by one alone.
func (c *checker) take(key, field, what, by string) {
	if other, ok := c.taken[what]; ok {
		c.fault(key, field, fmt.Sprintf("%s uses %s, which %s uses already", by, what, other), "a place of its own")
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
func (c *Config) Faults() []*WiringFault {
	k := &checker{taken: map[string]string{}, ports: map[string]SerialLine{}}
	if c.Clock == nil {
		k.fault("", "", "no clock", "one")
	}
	const ownName = "a name of its own without a slash"
	expanders := map[string]bool{}
	for _, e := range c.Expanders {
		if e.Name == "" || strings.Contains(e.Name, "/") || expanders[e.Name] {
			k.fault(e.Key, "id", strconv.Quote(e.Name), ownName)
		}
		expanders[e.Name] = true
		c.chip(k, e.Key, e.Bus, e.Address, 0x20, 0x27, "expander "+e.Name)
	}
	converters := map[string]bool{}
	for _, v := range c.Converters {
		if v.Name == "" || strings.Contains(v.Name, "/") || converters[v.Name] {
			k.fault(v.Key, "id", strconv.Quote(v.Name), ownName)
		}
		converters[v.Name] = true
		c.chip(k, v.Key, v.Bus, v.Address, 0x48, 0x4B, "converter "+v.Name)
	}
	c.checkProbes(k)
	c.checkOutputs(k, converters)
	c.checkContacts(k, expanders)
	c.checkMeters(k, expanders)
	return k.faults
}

// serial checks how a port is set, in keys before which before stands.
func (k *checker) serial(key, before, port string, s SerialLine) {
	if s.Baud < leastBaud || s.Baud > mostBaud {
		k.fault(key, before+"baud", strconv.Itoa(s.Baud), fmt.Sprintf("%d to %d", leastBaud, mostBaud))
	}
	if s.Timeout < leastTimeout || s.Timeout > mostTimeout {
		k.fault(key, before+"timeout", s.Timeout.String(), fmt.Sprintf("%v to %v", leastTimeout, mostTimeout))
	}
	if other, ok := k.ports[port]; ok && other != s {
		k.fault(key, "bus", fmt.Sprintf("%q set otherwise (%v) than another device has it (%v)", port, s, other), "one speed, parity and time limit for all on a line")
	}
	k.ports[port] = s
}

// line checks a line, and takes it.
func (k *checker) line(key, field, at, by string, expanders map[string]bool) {
	chip, name, err := splitLine(at)
	if k.err(key, field, err) {
		return
	}
	if expanders[chip] {
		n, err := expanderPin(name)
		if k.err(key, field, err) {
			return
		}
		name = strconv.Itoa(n)
	}
	k.take(key, field, "line "+chip+"/"+name, by)
}

func (c *Config) checkContacts(k *checker, expanders map[string]bool) {
	var contacts hardware.ContactSet
	for _, x := range c.Contacts {
		k.line(x.Key, "line", x.Line, "contact "+x.ID.String(), expanders)
		if x.ID >= hardware.ContactCount || contacts.Has(x.ID) || !c.Layout.Contacts.Has(x.ID) {
			k.fault(x.Key, "id", strconv.Quote(x.ID.String()), "each contact of the layout once")
		}
		if x.Debounce < 0 || x.Debounce > time.Second {
			k.fault(x.Key, "debounce", x.Debounce.String(), "at most 1 s")
		}
		contacts = contacts.With(x.ID, true)
	}
	if contacts != c.Layout.Contacts {
		k.fault("", "", "contacts of the layout that are not wired", "all wired")
	}
	for _, o := range c.Outputs {
		k.line(o.Key, "line", o.Line, "output "+o.ID.String(), expanders)
		if o.ReadBack != "" {
			k.line(o.Key, "read_back", o.ReadBack, "read-back of "+o.ID.String(), expanders)
		}
	}
}

func (c *Config) checkMeters(k *checker, expanders map[string]bool) {
	for _, m := range []struct {
		fitted bool
		pulse  *Pulse
		other  *Meter
		what   string
		each   string // the field
	}{{c.Layout.Condensate, c.Condensate, nil, "condensate meter", "kilograms_per_pulse"},
		{c.Layout.EnergyMeter, c.Energy, c.Meter, "energy meter", "energy_per_pulse"}} {
		if m.fitted != (m.pulse != nil || m.other != nil) || m.pulse != nil && m.other != nil {
			k.fault("", "", "layout and wiring that differ in the "+m.what, "one when the layout has one")
		}
		if p := m.pulse; p != nil {
			k.line(p.Key, "line", p.Line, m.what, expanders)
			if !(p.Each > 0) {
				k.fault(p.Key, m.each, fmt.Sprintf("%g", p.Each), "more than 0")
			}
			k.err(p.Key, "", p.Settings.Validate())
			if chip, _, _ := splitLine(p.Line); expanders[chip] {
				k.fault(p.Key, "line", strconv.Quote(p.Line)+" of an expander, which is looked at too seldom for pulses", "a line of the computer")
			}
		}
	}
	if m := c.Meter; m != nil {
		k.err(m.Key, "register", m.Energy.Validate())
		if m.Device == 0 || m.Device > 247 {
			k.fault(m.Key, "address", strconv.Itoa(int(m.Device)), "a device from 1 to 247")
		}
		k.serial(m.Key, "", m.Bus, m.line())
	}
}

// chip checks a chip on I2C that is no probe.
func (c *Config) chip(k *checker, key, bus string, at, low, high uint16, by string) {
	_, err := number(bus, "i2c-")
	k.err(key, "bus", err)
	if at < low || at > high {
		k.fault(key, "address", fmt.Sprintf("0x%02x", at), fmt.Sprintf("0x%02x to 0x%02x", low, high))
	}
	k.take(key, "address", fmt.Sprintf("address 0x%02x on %s", at, bus), by)
}

func (c *Config) checkProbes(k *checker) {
	if len(c.Probes) != len(c.Layout.Probes) || len(c.Probes) > hardware.MaxProbes {
		k.fault("", "", fmt.Sprintf("%d probes wired and %d in the layout", len(c.Probes), len(c.Layout.Probes)), fmt.Sprintf("as many, at most %d", hardware.MaxProbes))
		return
	}
	type shared struct{ driver, bus string }
	chips := map[shared]map[string]bool{}
	for i, p := range c.Probes {
		layout := c.Layout.Probes[i]
		by := "probe " + layout.Name
		if !slices.Contains(drivers, p.Driver) {
			k.fault(p.Key, "driver", strconv.Quote(p.Driver), "one of "+strings.Join(drivers, ", "))
			continue
		}
		if !gives(p.Driver, layout.Role) {
			k.fault(p.Key, "role", fmt.Sprintf("%q of a %s", layout.Role.String(), p.Driver), "what a "+p.Driver+" measures")
		}
		place := c.place(k, p)
		if place == "" {
			continue
		}
		// Temperature and humidity of one chip are two probes with one address.
		part := "temperature"
		if humid(layout.Role) {
			part = "humidity"
		}
		field := "address"
		if p.Driver == MAX31865 {
			field = "bus"
		}
		at := shared{p.Driver, place}
		switch {
		case chips[at] == nil:
			chips[at] = map[string]bool{part: true}
			k.take(p.Key, field, place, by)
		case (p.Driver == SHT3x || p.Driver == SHT4x || p.Driver == Modbus) && !chips[at][part]:
			chips[at][part] = true
		default:
			k.take(p.Key, field, place, by)
		}
	}
}

// place names what a probe occupies, and checks what its driver needs.
func (c *Config) place(k *checker, p Probe) string {
	switch p.Driver {
	case MAX31865:
		if _, _, err := spiNumbers(p.Bus); k.err(p.Key, "bus", err) {
			return ""
		}
		k.err(p.Key, "rtd", p.RTD.Validate())
		return p.Bus
	case DS18B20:
		_, err := number(p.Bus, "w1-")
		if k.err(p.Key, "bus", err) || k.err(p.Key, "address", ds18b20.CheckID(p.Address)) {
			return ""
		}
		return "sensor " + p.Address
	case SHT3x, SHT4x, ADS1115:
		return c.i2cPlace(k, p)
	case Modbus:
		n, err := strconv.Atoi(p.Address)
		if err != nil || n < 1 || n > 247 {
			k.fault(p.Key, "address", strconv.Quote(p.Address), "a device from 1 to 247")
			return ""
		}
		if p.Bus == "" {
			k.fault(p.Key, "bus", "nothing", "a serial port")
			return ""
		}
		k.err(p.Key, "registers.temperature", p.Registers.Temperature.Validate())
		k.err(p.Key, "registers.humidity", p.Registers.Humidity.Validate())
		k.serial(p.Key, "registers.", p.Bus, p.Registers.line())
		return fmt.Sprintf("device %d on %s", n, p.Bus)
	}
	cell, err := cellOf(p, "")
	if k.err(p.Key, "address", err) {
		return ""
	}
	field := "weigh"
	switch {
	case !strings.HasPrefix(cell.Device, "iio:device"):
		field = "bus"
	case cell.Channel < 0 || cell.Channel > 15:
		field = "address"
	}
	k.err(p.Key, field, cell.Validate())
	return fmt.Sprintf("channel %d of %s", cell.Channel, cell.Device)
}

func (c *Config) i2cPlace(k *checker, p Probe) string {
	if _, err := number(p.Bus, "i2c-"); k.err(p.Key, "bus", err) {
		return ""
	}
	text, input, pins := strings.Cut(p.Address, "/")
	at, err := address(text)
	if k.err(p.Key, "address", err) {
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
		k.fault(p.Key, "address", fmt.Sprintf("0x%02x", at), fmt.Sprintf("0x%02x to 0x%02x, as a %s has it", low, high, p.Driver))
	}
	place := fmt.Sprintf("address 0x%02x on %s", at, p.Bus)
	if p.Driver != ADS1115 {
		if pins {
			k.fault(p.Key, "address", strconv.Quote(p.Address), "no input")
		}
		return place
	}
	if n, err := strconv.Atoi(input); err != nil || n < 0 || n > 3 {
		k.fault(p.Key, "address", strconv.Quote(p.Address), `address and input 0 to 3, like "0x48/2"`)
		return ""
	}
	if p.Pin.Front == nil {
		k.fault(p.Key, "front_end", "nothing", "a divider or a logarithmic amplifier, one of them")
	} else {
		k.err(p.Key, "front_end", p.Pin.Front.Validate())
	}
	return "input " + input + " of " + place
}

func (c *Config) checkOutputs(k *checker, converters map[string]bool) {
	var outputs, readBack, current hardware.OutputSet
	for _, o := range c.Outputs {
		if o.ID >= hardware.OutputCount || outputs.Has(o.ID) || !c.Layout.Outputs.Has(o.ID) {
			k.fault(o.Key, "id", strconv.Quote(o.ID.String()), "each output of the layout once")
			continue
		}
		outputs = outputs.With(o.ID, true)
		if o.ActiveLow {
			k.fault(o.Key, "active", `"low", which has no safe level: the line is low at boot, at the start and after a power cut, and would energise `+o.ID.String(),
				`"high", and wired so`)
		}
		if o.ReadBack != "" {
			readBack = readBack.With(o.ID, true)
		}
		if o.Current == "" {
			continue
		}
		current = current.With(o.ID, true)
		name, input, err := splitLine(o.Current)
		if n, bad := strconv.Atoi(input); err != nil || !converters[name] || bad != nil || n < 0 || n > 3 {
			k.fault(o.Key, "current", strconv.Quote(o.Current), `the id of a [[converter]] and its input 0 to 3, like "adc0/1"`)
			continue
		}
		for _, v := range c.Converters {
			if v.Name != name {
				continue
			}
			if !(o.AmperesPerVolt > 0) {
				k.fault(v.Key, "amperes_per_volt", fmt.Sprintf("%g", o.AmperesPerVolt), "more than 0")
			}
			k.take(o.Key, "current", fmt.Sprintf("input %s of address 0x%02x on %s", input, v.Address, v.Bus), "current of "+o.ID.String())
		}
	}
	if outputs != c.Layout.Outputs || readBack != c.Layout.ReadBack || current != c.Layout.Current {
		k.fault("", "", "outputs, read-backs or currents of layout and wiring that differ", "the same")
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
