package kilnfile

import (
	"fmt"
	"math"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"drywarden/hardware/board"
	"drywarden/hardware/quantity"
	"drywarden/schedule/sheet"
)

// bauds are the usual speeds of serial lines.
var bauds = []int{1200, 2400, 4800, 9600, 19200, 38400, 57600, 115200}

// driverKeys are the keys under a probe that only some drivers read.
var driverKeys = []struct {
	key     string
	drivers []string
	needed  bool // by these drivers
	given   func(*Probe) bool
}{
	{"address", []string{board.DS18B20, board.SHT3x, board.SHT4x, board.ADS1115, board.Modbus, board.IIO}, true, func(p *Probe) bool { return p.Address != "" }},
	{"rtd", []string{board.MAX31865}, true, func(p *Probe) bool { return p.RTD != nil }},
	{"front_end", []string{board.ADS1115}, true, func(p *Probe) bool { return p.FrontEnd != nil }},
	{"registers", []string{board.Modbus}, true, func(p *Probe) bool { return p.Registers != nil }},
	{"weigh", []string{board.IIO}, true, func(p *Probe) bool { return p.Weigh != nil }},
}

// checkDriver checks that a probe has the keys of its driver and no others, and that their figures are within their ranges.
func (f *File) checkDriver(s *sheet.Sheet, at string, p *Probe) {
	known := slices.Contains(board.Drivers(), p.Driver)
	for _, k := range driverKeys {
		path, takes := sheet.Sub(at, k.key), slices.Contains(k.drivers, p.Driver)
		switch given := s.Given(path) || k.given(p); {
		case !known:
		case given && !takes:
			s.Fault(path, k.key+" of a "+p.Driver, "none: it belongs to "+strings.Join(k.drivers, ", "))
		case !given && takes && k.needed:
			s.Missing(path, k.key+", which a "+p.Driver+" needs")
		}
	}
	if r := p.RTD; r != nil {
		key := sheet.Sub(at, "rtd")
		within(s, sheet.Sub(key, "wires"), r.Wires, 2, 4)
		if r.Nominal != 100 && r.Nominal != 1000 {
			s.Fault(sheet.Sub(key, "nominal"), s.Written(sheet.Sub(key, "nominal"), r.Nominal.String()), "100 ohm or 1000 ohm")
		} else if !(r.Reference > 1.5*r.Nominal && r.Reference < 10*r.Nominal) {
			s.Fault(sheet.Sub(key, "reference"), s.Written(sheet.Sub(key, "reference"), r.Reference.String()), fmt.Sprintf("about 4 times the nominal resistance of %g ohm", float64(r.Nominal)))
		}
		if r.Mains != 50 && r.Mains != 60 {
			s.Fault(sheet.Sub(key, "mains_hz"), strconv.Itoa(r.Mains), "50 or 60")
		}
	}
	if e := p.FrontEnd; e != nil && (e.Divider == nil) == (e.Logarithmic == nil) {
		s.Fault(sheet.Sub(at, "front_end"), map[bool]string{true: "neither divider nor logarithmic", false: "divider and logarithmic"}[e.Divider == nil], "one of them")
	}
	if r := p.Registers; r != nil {
		key := sheet.Sub(at, "registers")
		checkRegister(s, sheet.Sub(key, "temperature"), r.Temperature)
		checkRegister(s, sheet.Sub(key, "humidity"), r.Humidity)
		checkSerial(s, key, r.Baud, r.Timeout)
	}
	if w := p.Weigh; w != nil {
		key := sheet.Sub(at, "weigh")
		if w.PerCount == 0 {
			s.Fault(sheet.Sub(key, "kilograms_per_count"), "0", "what weighing a known mass gave, not 0")
		}
		if !(w.Most > 0) {
			s.Fault(sheet.Sub(key, "rated_load"), w.Most.String(), "more than 0 kg")
		}
	}
}

func within(s *sheet.Sheet, path string, n, least, most int) {
	if n < least || n > most {
		to := "to"
		if most == least+1 {
			to = "or"
		}
		s.Fault(path, strconv.Itoa(n), fmt.Sprintf("%d %s %d", least, to, most))
	}
}

func checkRegister(s *sheet.Sheet, path string, r *Register) {
	if r == nil {
		return // said to be missing already
	}
	within(s, sheet.Sub(path, "function"), r.Function, 3, 4)
	within(s, sheet.Sub(path, "address"), r.Address, 0, math.MaxUint16)
	if r.Scale == 0 {
		s.Fault(sheet.Sub(path, "scale"), "0", "what one count stands for, not 0")
	}
}

// checkSerial checks how a serial line is set, as far as the file says it.
func checkSerial(s *sheet.Sheet, key string, baud int, timeout quantity.Duration) {
	if path := sheet.Sub(key, "baud"); s.Given(path) && !slices.Contains(bauds, baud) {
		s.Fault(path, strconv.Itoa(baud), "one of "+strings.Trim(strings.ReplaceAll(fmt.Sprint(bauds), " ", ", "), "[]"))
	}
	if path := sheet.Sub(key, "timeout"); s.Given(path) && (timeout.Std() < 20*time.Millisecond || timeout.Std() > 2*time.Second) {
		s.Fault(path, s.Written(path, timeout.String()), "0.02 s to 2 s")
	}
}

// checkExpanders checks addresses of chips that are no probes, which the board gets as numbers.
func (f *File) checkExpanders(s *sheet.Sheet) {
	check := func(kind string, i int, address string) {
		path := sheet.Sub(sheet.At(kind, i), "address")
		if s.Good(path) && i2cAddress(address) == 0 {
			s.Fault(path, strconv.Quote(address), `an address on I2C like "0x20"`)
		}
	}
	for i, e := range f.Expanders {
		check("expander", i, e.Address)
	}
	for i, v := range f.Converters {
		check("converter", i, v.Address)
	}
}

var chipForm = regexp.MustCompile(`^gpiochip[0-9]{1,3}$`)

// checkChips wants every line on an expander, or on a GPIO chip that the computer can have: by the kernel's name, or by a
// label that stands in hardware.gpio_chips.
func (f *File) checkChips(s *sheet.Sheet) {
	known := slices.Clone(f.Hardware.Chips)
	for i, e := range f.Expanders {
		known = append(known, e.Name)
		if slices.Contains(f.Hardware.Chips, e.Name) {
			s.Fault(sheet.Sub(sheet.At("expander", i), "id"), strconv.Quote(e.Name), "a name that is not in hardware.gpio_chips too")
		}
	}
	check := func(path, line string) {
		slash := strings.LastIndex(line, "/")
		if slash <= 0 || slash == len(line)-1 {
			if line != "" {
				s.Fault(path, strconv.Quote(line), `chip and line, like "gpiochip0/17"`)
			}
			return
		}
		if chip := line[:slash]; !chipForm.MatchString(chip) && !slices.Contains(known, chip) {
			there := "there is none yet"
			if len(known) > 0 {
				there = strings.Join(known, ", ")
			}
			s.Fault(path, strconv.Quote(line)+" on a chip that is not in this file",
				"a line on gpiochip0 or its like, on the id of an [[expander]], or on a label in hardware.gpio_chips ("+there+")")
		}
	}
	for i, c := range f.Contacts {
		check(sheet.Sub(sheet.At("contact", i), "line"), c.Line)
	}
	for i, o := range f.Outputs {
		check(sheet.Sub(sheet.At("output", i), "line"), o.Line)
		check(sheet.Sub(sheet.At("output", i), "read_back"), o.ReadBack)
	}
	if f.Condensate != nil {
		check("condensate_meter.line", f.Condensate.Line)
	}
	if f.Energy != nil {
		check("energy_meter.line", f.Energy.Line)
	}
}

// meterKeys are the keys of a meter that mean something for one kind of meter only.
func (f *File) checkMeterKeys(s *sheet.Sheet, key string, m *Meter, modbus bool) {
	for _, k := range []struct {
		key      string
		whose    string
		unwanted bool
	}{
		{"active", "a meter that pulses", modbus}, {"energy_per_pulse", "an energy meter that pulses", key != "energy_meter"},
		{"kilograms_per_pulse", "the condensate meter", key == "energy_meter"},
		{"baud", "a meter on Modbus", !modbus}, {"parity", "a meter on Modbus", !modbus}, {"timeout", "a meter on Modbus", !modbus}, {"most_power", "a meter on Modbus", !modbus},
	} {
		if path := sheet.Sub(key, k.key); k.unwanted && s.Given(path) {
			s.Fault(path, "a key of "+k.whose, "none here")
		}
	}
	if !modbus {
		return
	}
	checkSerial(s, key, m.Baud, m.Timeout)
	checkRegister(s, sheet.Sub(key, "register"), m.Register)
	if n, err := strconv.Atoi(m.Address); s.Good(sheet.Sub(key, "address")) && (err != nil || n < 1 || n > 247) {
		s.Fault(sheet.Sub(key, "address"), strconv.Quote(m.Address), "a device from 1 to 247")
	}
}
