package board

import (
	"cmp"
	"fmt"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"drywarden/hardware/mono"
	"drywarden/hardware/probe"
	"drywarden/hardware/probe/ds18b20"
	"drywarden/hardware/probe/iio"
	"drywarden/hardware/probe/sht4x"
)

// Found is one thing on a bus, in the words of a kiln file.
type Found struct {
	Bus     string
	Address string // empty: the bus has one place only, or nothing is known of what hangs on it
	Driver  string // of a probe, or MCP23017; empty: nothing that can be told for sure
	Perhaps string // the driver of what it may be
	Saw     string // what was seen
}

// Places says where to look.
type Places struct {
	I2C, SPI, Serial []string
	OneWire          []int  // numbers of buses
	OneWireRoot      string // empty: the kernel's
	IIORoot          string // empty: the kernel's
}

// Places gives what the kernel has now.
func (l *Linux) Places() Places {
	var p Places
	names := func(pattern, cut, put string) []string {
		paths, _ := filepath.Glob(pattern) // the pattern is good
		for i, path := range paths {
			paths[i] = put + strings.TrimPrefix(path, cut)
		}
		return paths
	}
	p.I2C = names("/dev/i2c-*", "/dev/", "")
	p.SPI = names("/dev/spidev*", "/dev/spidev", "spi")
	for _, pattern := range []string{"/dev/serial/by-id/*", "/dev/serial[0-9]*", "/dev/ttyAMA*", "/dev/ttySC*"} {
		p.Serial = append(p.Serial, names(pattern, "", "")...)
	}
	for _, name := range names(filepath.Join(ds18b20.Root, "w1_bus_master*"), filepath.Join(ds18b20.Root, "w1_bus_master"), "w1-") {
		if n, err := number(name, "w1-"); err == nil {
			p.OneWire = append(p.OneWire, n)
		}
	}
	return p
}

// Scan looks at the addresses that a kiln's chips can have and tells what answers. What it does not know it only reads from:
// a byte written to a chip of another kind may be a command, or levels of outputs. Only an address that lets nobody read, as
// an idle SHT3x or SHT4x does, is asked their two questions. A humidity sensor that measures for somebody else may lose that
// measurement: not while a daemon runs. On SPI, which has no addresses, a MAX31865 is read; to a chip of another kind that is
// nine bytes of zero. A Modbus device cannot be found without knowing its settings, and is not looked for.
func Scan(host Host, places Places, sleep func(time.Duration)) []Found {
	var all []Found
	for _, bus := range places.I2C {
		all = append(all, scanI2C(host, bus, sleep)...)
	}
	for _, bus := range places.SPI {
		all = append(all, scanSPI(host, bus))
	}
	root := places.OneWireRoot
	if root == "" {
		root = ds18b20.Root
	}
	for _, n := range places.OneWire {
		all = append(all, scanOneWire(root, n)...)
	}
	if chips, err := iio.List(places.IIORoot); err == nil {
		for device, chip := range chips {
			all = append(all, Found{Bus: device, Address: "0", Driver: IIO, Saw: "the kernel calls it " + chip})
		}
	}
	for _, port := range places.Serial {
		all = append(all, Found{Bus: port, Saw: "a serial port: what hangs on it cannot be told"})
	}
	slices.SortStableFunc(all, func(a, b Found) int { return cmp.Or(cmp.Compare(a.Bus, b.Bus), cmp.Compare(a.Address, b.Address)) })
	return all
}

func scanI2C(host Host, name string, sleep func(time.Duration)) []Found {
	bus, err := host.I2C(name)
	if err != nil {
		return []Found{{Bus: name, Saw: "cannot be opened: " + err.Error()}}
	}
	defer bus.Close()
	var found []Found
	note := func(at uint16, driver, format string, args ...any) {
		found = append(found, Found{Bus: name, Address: fmt.Sprintf("0x%02x", at), Driver: driver, Saw: fmt.Sprintf(format, args...)})
	}
	for at := uint16(0x20); at <= 0x27; at++ {
		var r [2 * expanderRegisters]byte
		switch {
		case bus.Tx(at, nil, r[:]) != nil:
		case isExpander(r[:]):
			note(at, MCP23017, "%d registers over and over, as an MCP23017 has: % x", expanderRegisters, r[:expanderRegisters])
		default:
			note(at, "", "answers, but not as an MCP23017 in use or after power-up: % x", r[:4])
		}
	}
	for at := uint16(0x44); at <= 0x46; at++ {
		if driver, saw := humiditySensor(bus, at, sleep); saw != "" {
			note(at, driver, "%s", saw)
		}
	}
	for at := uint16(0x48); at <= 0x4B; at++ {
		var r [2]byte
		if bus.Tx(at, nil, r[:]) == nil {
			note(at, "", "answers: an ADS1115 converter perhaps, of which nothing can be told by reading")
			found[len(found)-1].Perhaps = ADS1115
		}
	}
	return found
}

// expanderRegisters is how many registers an MCP23017 has; it gives them one after the other and begins again.
const expanderRegisters = 0x16

// isExpander tells an MCP23017 by its registers, read twice over from wherever it stood. Chips of 1, 2 or 11 registers, which
// fit as well, do not count; nor does an MCP23017 whose registers are all alike.
func isExpander(r []byte) bool {
	every := func(n int) bool {
		for i := range r[n:] {
			if r[i] != r[i+n] {
				return false
			}
		}
		return true
	}
	return every(expanderRegisters) && !every(2) && !every(11)
}

// humiditySensor tells what is at an address where a humidity sensor can be; nothing when nothing is there.
func humiditySensor(bus probe.I2C, at uint16, sleep func(time.Duration)) (driver, saw string) {
	var r [6]byte
	if bus.Tx(at, nil, r[:1]) == nil {
		return "", "answers, but not as an idle SHT3x or SHT4x; it was asked nothing"
	}
	if bus.Tx(at, []byte{0x89}, nil) == nil { // SHT4x: serial number
		probe.Wait(sleep, time.Millisecond)
		if bus.Tx(at, nil, r[:]) == nil {
			if _, err := probe.Words(probe.Device{Chip: SHT4x, Address: at}, r[:]); err == nil {
				air, err := (&sht4x.Chip{Bus: bus, Address: at, Sleep: sleep}).Measure(mono.Instant(0))
				if err != nil {
					return SHT4x, err.Error()
				}
				return SHT4x, fmt.Sprintf("%.2f C, %.1f %% relative humidity", float64(air.Temperature), float64(air.Humidity)*100)
			}
		}
	}
	if bus.Tx(at, []byte{0xF3, 0x2D}, r[:3]) != nil { // SHT3x: status
		return "", ""
	}
	w, err := probe.Words(probe.Device{Chip: SHT3x, Address: at}, r[:3])
	if err != nil {
		return "", fmt.Sprintf("answers, but like no SHT3x or SHT4x: %v", err)
	}
	return SHT3x, fmt.Sprintf("status 0x%04x", w[0])
}

func scanSPI(host Host, name string) Found {
	conn, err := host.SPI(name)
	if err != nil {
		return Found{Bus: name, Saw: "cannot be opened: " + err.Error()}
	}
	defer conn.Close()
	w, r := make([]byte, 9), make([]byte, 9)
	if err := conn.Tx(w, r); err != nil {
		return Found{Bus: name, Saw: "does not answer: " + err.Error()}
	}
	r = r[1:]
	if allEqual(r) {
		return Found{Bus: name, Saw: fmt.Sprintf("nothing: all registers read %02x", r[0])}
	}
	f := Found{Bus: name, Saw: fmt.Sprintf("registers % x", r)}
	if r[3] == 0xFF && r[4] == 0xFF && r[5] == 0 && r[6] == 0 {
		f.Driver = MAX31865
		f.Saw += ": as a MAX31865 has them after power-up"
	}
	return f
}

func allEqual(b []byte) bool {
	for _, x := range b {
		if x != b[0] {
			return false
		}
	}
	return true
}

func scanOneWire(root string, n int) []Found {
	name := fmt.Sprintf("w1-%d", n)
	ids, err := ds18b20.List(root, ds18b20.Master(n))
	if err != nil {
		return []Found{{Bus: name, Saw: err.Error()}}
	}
	var found []Found
	for _, id := range ids {
		t, err := (&ds18b20.Sensor{Root: root, ID: id}).Read()
		f := Found{Bus: name, Address: id, Driver: DS18B20, Saw: fmt.Sprintf("%.2f C", float64(t))}
		if err != nil {
			f.Saw = err.Error()
		}
		found = append(found, f)
	}
	if len(found) == 0 {
		found = []Found{{Bus: name, Saw: "no thermometer"}}
	}
	return found
}

// OutputsOnly gives the wiring of the outputs alone: for switching everything off when nothing else may work.
func (c Config) OutputsOnly() Config {
	only := Config{Clock: c.Clock, Expanders: c.Expanders}
	only.Layout.Outputs, only.Layout.FanGroups, only.Layout.HeatStages = c.Layout.Outputs, c.Layout.FanGroups, c.Layout.HeatStages
	for _, o := range c.Outputs {
		o.ReadBack, o.Current = "", ""
		only.Outputs = append(only.Outputs, o)
	}
	return only
}
