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
	Driver  string // empty: nothing that can be told for sure
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

// Scan looks at the addresses that a kiln's chips can have and tells what answers. It changes no output and no setting, but
// a humidity sensor that measures for somebody else may lose that measurement: not while a daemon runs. A Modbus device
// cannot be found without knowing its settings, and is not looked for.
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
			all = append(all, Found{device, "0", IIO, "the kernel calls it " + chip})
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
		found = append(found, Found{name, fmt.Sprintf("0x%02x", at), driver, fmt.Sprintf(format, args...)})
	}
	for at := uint16(0x20); at <= 0x27; at++ {
		var r [0x16]byte
		if bus.Tx(at, []byte{0}, r[:]) == nil {
			note(at, "", "an MCP23017 expander perhaps: directions %02x %02x, latches %02x %02x", r[0], r[1], r[0x14], r[0x15])
		}
	}
	for at := uint16(0x44); at <= 0x46; at++ {
		device := probe.Device{Chip: "sht3x", Address: at}
		var r [3]byte
		if bus.Tx(at, []byte{0xF3, 0x2D}, r[:]) == nil { // SHT3x: status
			if w, err := probe.Words(device, r[:]); err == nil {
				note(at, SHT3x, "status 0x%04x", w[0])
				continue
			}
		}
		air, err := (&sht4x.Chip{Bus: bus, Address: at, Sleep: sleep}).Measure(mono.Instant(0))
		switch probe.SignOf(err) {
		case "":
			note(at, SHT4x, "%.2f C, %.1f %% relative humidity", float64(air.Temperature), float64(air.Humidity)*100)
		case "no_answer":
		default:
			note(at, "", "answers, but like no SHT3x or SHT4x: %v", err)
		}
	}
	for at := uint16(0x48); at <= 0x4B; at++ {
		var r [2]byte
		if bus.Tx(at, []byte{1}, r[:]) == nil {
			note(at, "", "an ADS1115 converter perhaps: configuration 0x%02x%02x", r[0], r[1])
		}
	}
	return found
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
