package ds18b20

import (
	"bytes"
	"errors"
	"fmt"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"syscall"
	"time"

	"drywarden/hardware"
	"drywarden/hardware/probe"
	"drywarden/hardware/quantity"
)

// Root is where the kernel keeps 1-wire devices.
const Root = "/sys/bus/w1/devices"

// Range that the chip can measure.
const (
	Min = quantity.Celsius(-55)
	Max = quantity.Celsius(125)
)

// powerUpNear is how near a neighbour in time must be for a reading of exactly 85 C to be believed.
const powerUpNear = quantity.CelsiusDelta(3)

const (
	rawPowerUp = 0x0550 // 85.000 C

	resolutionBits = 0x60 // of the configuration: 9 to 12 bits
	resolution11   = 0x40
	rawBroken      = 0x07FF // 127.94 C: clones say so when they are broken

	pollEvery  = 50 * time.Millisecond
	pollAtMost = 2 * time.Second
)

var (
	idForm     = regexp.MustCompile(`^28-[0-9a-f]{12}$`)
	masterForm = regexp.MustCompile(`^w1_bus_master[0-9]{1,3}$`)
	lineForm   = regexp.MustCompile(`^((?:[0-9a-f]{2} ){9}): crc=[0-9a-f]{2} (YES|NO)$`)
)

// CheckID tells what is wrong with a sensor's name.
func CheckID(id string) error {
	if !idForm.MatchString(id) {
		return fmt.Errorf("%q: expected 28- and 12 digits 0-9 a-f, like \"28-0000063d0f1a\"", id)
	}
	return nil
}

// Master gives the kernel's name of bus n, counted from 1.
func Master(n int) string { return "w1_bus_master" + strconv.Itoa(n) }

// List gives the sensors that the kernel sees on a bus.
func List(root, master string) ([]string, error) {
	if !masterForm.MatchString(master) {
		return nil, fmt.Errorf("list 1-wire bus %q: no such name of a bus", master)
	}
	text, err := os.ReadFile(filepath.Join(root, master, "w1_master_slaves"))
	if err != nil {
		return nil, fmt.Errorf("list 1-wire bus: %w", err)
	}
	var ids []string
	for line := range strings.Lines(string(text)) {
		if id := strings.TrimSpace(line); idForm.MatchString(id) {
			ids = append(ids, id)
		}
	}
	return ids, nil
}

// Convert makes all sensors of a bus measure together and waits, at most 2 s, until they are done. A kernel that cannot do
// so, or does not let this program, is no fault: the sensors then measure one by one when they are read.
func Convert(root, master string, sleep func(time.Duration)) error {
	if !masterForm.MatchString(master) {
		return fmt.Errorf("measure on 1-wire bus %q: no such name of a bus", master)
	}
	path := filepath.Join(root, master, "therm_bulk_read")
	f, err := os.OpenFile(path, os.O_WRONLY, 0) // never created: a bus that is gone stays gone
	switch {
	case errors.Is(err, fs.ErrNotExist):
		if _, gone := os.Stat(filepath.Join(root, master)); gone != nil {
			return probe.Faultf(hardware.NoAnswer, "no_bus", "measure on 1-wire bus: %w", gone)
		}
		return nil
	case errors.Is(err, fs.ErrPermission), errors.Is(err, syscall.EROFS):
		return nil // a service may see /sys without being allowed to write there
	case err != nil:
		return probe.Faultf(hardware.NoAnswer, "no_bus", "measure on 1-wire bus: %w", err)
	}
	_, err = f.WriteString("trigger\n")
	if err = errors.Join(err, f.Close()); err != nil {
		return probe.Faultf(hardware.NoAnswer, "no_answer", "measure on 1-wire bus %s: %w", master, err)
	}
	for waited := time.Duration(0); waited < pollAtMost; waited += pollEvery {
		probe.Wait(sleep, pollEvery)
		text, err := os.ReadFile(path)
		if err != nil {
			return probe.Faultf(hardware.NoAnswer, "no_bus", "measure on 1-wire bus: %w", err)
		}
		if s := strings.TrimSpace(string(text)); s != "-1" { // -1: at it; 1: done; 0: nobody measures
			return nil
		}
	}
	return probe.Faultf(hardware.NoAnswer, "not_done", "measure on 1-wire bus %s: not done after %v", master, pollAtMost)
}

// Sensor is one thermometer. Calls are for one goroutine at a time.
type Sensor struct {
	Root string // empty: Root
	ID   string // "28-" and 12 digits

	last quantity.Celsius
	seen bool // last is a good reading
}

// CheckSupply asks the kernel how the sensor is fed. Parasitic power, by the data line alone, is a fault: it serves a short cable
// on a bench, and fails by the kind of error that looks like a temperature when the cable is long or the sensor hot (datasheet,
// section "Powering the DS18B20": not recommended above 100 C). A kernel without that file tells nothing.
func (s *Sensor) CheckSupply() error {
	if err := CheckID(s.ID); err != nil {
		return fmt.Errorf("look at the supply of ds18b20: %w", err)
	}
	text, err := os.ReadFile(filepath.Join(s.root(), s.ID, "ext_power"))
	if err == nil && strings.TrimSpace(string(text)) == "0" { // 1: has a supply; else the kernel got no answer
		return s.fault(hardware.Implausible, "parasitic", "it has no supply of its own: connect VDD")
	}
	return nil
}

func (s *Sensor) root() string {
	if s.Root == "" {
		return Root
	}
	return s.Root
}

// Read gives the temperature. It takes as long as the kernel takes: some milliseconds after Convert, up to 2 s without.
func (s *Sensor) Read() (quantity.Celsius, error) {
	none := quantity.Celsius(math.NaN())
	if err := CheckID(s.ID); err != nil {
		return none, fmt.Errorf("read ds18b20: %w", err)
	}
	text, err := os.ReadFile(filepath.Join(s.root(), s.ID, "w1_slave"))
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return none, s.fault(hardware.NoAnswer, "not_there", "the kernel does not see it: %w", err)
	case err != nil:
		return none, s.fault(hardware.NoAnswer, "no_answer", "%w", err)
	case len(bytes.TrimSpace(text)) == 0:
		return none, s.fault(hardware.NoAnswer, "empty", "the kernel got no answer")
	}
	t, err := s.parse(text)
	if err == nil {
		s.last, s.seen = t, true
	}
	return t, err
}

func (s *Sensor) fault(q hardware.Quality, sign, format string, args ...any) error {
	return probe.Faultf(q, sign, "read ds18b20 %s: "+format, append([]any{s.ID}, args...)...)
}

// parse judges the first line alone: the second may hold bytes of an earlier reading.
func (s *Sensor) parse(text []byte) (quantity.Celsius, error) {
	none := quantity.Celsius(math.NaN())
	first, _, _ := strings.Cut(string(text), "\n")
	m := lineForm.FindStringSubmatch(strings.TrimSpace(first))
	if m == nil {
		return none, s.fault(hardware.Checksum, "unreadable", "%.60q is no scratchpad", first)
	}
	var pad [9]byte
	for i, digits := range strings.Fields(m[1]) {
		v, err := strconv.ParseUint(digits, 16, 8)
		if err != nil {
			return none, s.fault(hardware.Checksum, "unreadable", "%w", err)
		}
		pad[i] = byte(v)
	}
	raw := int16(uint16(pad[0]) | uint16(pad[1])<<8)
	t := quantity.Celsius(float64(raw) / 16)
	switch {
	case pad == [9]byte{}:
		return none, s.fault(hardware.Implausible, "shorted", "all bytes are zero: the bus is shorted")
	case pad == [9]byte{0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF}:
		return none, s.fault(hardware.NoAnswer, "absent", "all bytes are FF: nobody answers")
	case probe.CRC8OneWire(pad[:8]) != pad[8] || m[2] != "YES":
		return none, s.fault(hardware.Checksum, "checksum", "% x: checksum is %02x, expected %02x; the kernel says %s", pad, pad[8], probe.CRC8OneWire(pad[:8]), m[2])
	case pad[5] != 0xFF || pad[4]&0x1F != 0x1F:
		return none, s.fault(hardware.Implausible, "no_scratchpad", "% x is no scratchpad of a DS18B20", pad)
	case pad[4]&resolutionBits < resolution11:
		return none, s.fault(hardware.Implausible, "too_coarse", "% x: set to %d bits, steps of %g C: set it to 12", pad, 9+pad[4]&resolutionBits>>5, 0.5/float64(int(1)<<(pad[4]&resolutionBits>>5)))
	case raw == rawPowerUp && (pad[6] == 0x0C || !s.seen || t.Sub(s.last) > powerUpNear || s.last.Sub(t) > powerUpNear):
		return none, s.fault(hardware.Implausible, "power_up", "% x is the value after power-up: it was reset while it measured: supply?", pad)
	case raw == rawBroken:
		return none, s.fault(hardware.Implausible, "broken", "%v: what a broken chip says", t)
	case t < Min || t > Max:
		return none, s.fault(hardware.Implausible, "out_of_range", "%v is outside what the chip can measure", t)
	}
	return t, nil
}
