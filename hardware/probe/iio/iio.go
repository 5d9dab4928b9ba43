package iio

import (
	"fmt"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"

	"drywarden/hardware"
	"drywarden/hardware/probe"
	"drywarden/hardware/quantity"
)

// Root is where the kernel keeps industrial I/O devices.
const Root = "/sys/bus/iio/devices"

var deviceForm = regexp.MustCompile(`^iio:device[0-9]{1,3}$`)

// Cell is one weigh cell: mass = (raw - Tare) x PerCount.
type Cell struct {
	Root     string // empty: Root
	Device   string // iio:device0
	Chip     string // what the file name must say; empty: anything
	Channel  int
	Signed   bool // raw is signed
	Tare     float64
	PerCount quantity.Kilogram
	Most     quantity.Kilogram // rated load of the cell
}

// Validate tells what is wrong with c.
func (c *Cell) Validate() error {
	switch {
	case !deviceForm.MatchString(c.Device):
		return fmt.Errorf("%q: expected the name of an industrial I/O device, like \"iio:device0\"", c.Device)
	case c.Channel < 0 || c.Channel > 15:
		return fmt.Errorf("channel %d: expected 0 to 15", c.Channel)
	case !(math.Abs(float64(c.PerCount)) > 0) || math.IsInf(float64(c.PerCount), 0) || math.IsNaN(c.Tare) || math.IsInf(c.Tare, 0):
		return fmt.Errorf("%g kg a count from %g: expected what weighing a known mass gave", float64(c.PerCount), c.Tare)
	case !(c.Most > 0):
		return fmt.Errorf("rated load %g kg: expected more than 0", float64(c.Most))
	}
	return nil
}

// List gives the devices that the kernel sees and what it calls their chips.
func List(root string) (map[string]string, error) {
	if root == "" {
		root = Root
	}
	paths, err := filepath.Glob(filepath.Join(root, "iio:device*"))
	if err != nil {
		return nil, fmt.Errorf("list industrial I/O devices: %w", err)
	}
	chips := map[string]string{}
	for _, path := range paths {
		name, err := os.ReadFile(filepath.Join(path, "name"))
		if err != nil {
			continue // it went away in between
		}
		chips[filepath.Base(path)] = strings.TrimSpace(string(name))
	}
	return chips, nil
}

// Read gives the mass on the cell. It takes as long as the kernel takes for a conversion, up to some 0.5 s at 10 a second.
func (c *Cell) Read() (quantity.Kilogram, error) {
	none := quantity.Kilogram(math.NaN())
	if err := c.Validate(); err != nil {
		return none, fmt.Errorf("read weigh cell: %w", err)
	}
	root := c.Root
	if root == "" {
		root = Root
	}
	dir := filepath.Join(root, c.Device)
	if c.Chip != "" {
		name, err := os.ReadFile(filepath.Join(dir, "name"))
		if err != nil {
			return none, c.fault(hardware.NoAnswer, "not_there", "%w", err)
		}
		if got := strings.TrimSpace(string(name)); got != c.Chip {
			return none, c.fault(hardware.Implausible, "other_chip", "it is %q, expected %q: numbers of devices change when one is missing", got, c.Chip)
		}
	}
	text, err := os.ReadFile(filepath.Join(dir, fmt.Sprintf("in_voltage%d_raw", c.Channel)))
	if err != nil {
		return none, c.fault(hardware.NoAnswer, "no_answer", "%w", err)
	}
	return c.mass(text)
}

func (c *Cell) fault(q hardware.Quality, sign, format string, args ...any) error {
	return probe.Faultf(q, sign, "read weigh cell %s channel %d: "+format, append([]any{c.Device, c.Channel}, args...)...)
}

func (c *Cell) mass(text []byte) (quantity.Kilogram, error) {
	none := quantity.Kilogram(math.NaN())
	raw, err := strconv.ParseInt(strings.TrimSpace(string(text)), 10, 32)
	if err != nil {
		return none, c.fault(hardware.Checksum, "unreadable", "%.40q is no number", text)
	}
	low, high := int64(0), int64(0xFFFFFF)
	if c.Signed {
		low, high = -0x800000, 0x7FFFFF
	}
	if raw <= low || raw >= high {
		return none, c.fault(hardware.Implausible, "saturated", "%d is an end of the scale: bridge open or overloaded", raw)
	}
	m := quantity.Kilogram((float64(raw) - c.Tare) * float64(c.PerCount))
	if !(m >= -0.1*c.Most && m <= 1.2*c.Most) {
		return none, c.fault(hardware.Implausible, "out_of_range", "%.3f kg on a cell for %g kg", float64(m), float64(c.Most))
	}
	return m, nil
}
