package board

import (
	"errors"
	"fmt"
	"os"
	"slices"
	"strconv"
	"strings"
	"sync"

	"go.bug.st/serial"
	"periph.io/x/conn/v3/driver/driverreg"
	"periph.io/x/conn/v3/gpio"
	"periph.io/x/conn/v3/physic"
	"periph.io/x/conn/v3/spi"
	"periph.io/x/host/v3/gpioioctl"
	"periph.io/x/host/v3/sysfs"
)

// spiSpeed is well under the MAX31865's 5 MHz: the cables to the modules are no strip lines.
const spiSpeed = physic.MegaHertz

// Linux opens the kernel's buses and lines.
type Linux struct {
	chips []*gpioioctl.GPIOChip
	root  string // of device files; empty: the kernel's

	mu    sync.Mutex
	marks map[string]*os.File // of devices in use
}

// NewLinux looks for the GPIO chips that are there now; a chip that comes later is not seen. That there are none is no
// error: whatever needs a line of one says so.
func NewLinux() (*Linux, error) {
	if _, err := driverreg.Init(); err != nil {
		return nil, fmt.Errorf("look for pins and buses: %w", err)
	}
	return &Linux{chips: gpioioctl.Chips}, nil
}

// Chip describes a GPIO chip.
type Chip struct {
	Name, Label string
	Lines       []ChipLine
}

// ChipLine describes a line of a GPIO chip: its number is its index.
type ChipLine struct {
	Name string // may be empty
	User string // who holds it; empty: nobody, as far as was known at the start
}

// Chips lists the GPIO chips.
func (l *Linux) Chips() []Chip {
	list := make([]Chip, 0, len(l.chips))
	for _, c := range l.chips {
		chip := Chip{Name: c.Name(), Label: c.Label()}
		for _, line := range c.Lines() {
			chip.Lines = append(chip.Lines, ChipLine{Name: line.Name(), User: line.Consumer()})
		}
		list = append(list, chip)
	}
	return list
}

// I2C opens "i2c-N".
func (l *Linux) I2C(bus string) (I2C, error) {
	n, err := number(bus, "i2c-")
	if err != nil {
		return nil, err
	}
	l.mark(bus)
	return sysfs.NewI2C(n)
}

// spiConn is a connection with the port that it belongs to.
type spiConn struct {
	spi.Conn
	port spi.PortCloser
}

func (s spiConn) Close() error { return s.port.Close() }

// SPI opens "spiN.M" in mode 1.
func (l *Linux) SPI(bus string) (SPI, error) {
	n, chip, err := spiNumbers(bus)
	if err != nil {
		return nil, err
	}
	l.mark("spidev" + strings.TrimPrefix(bus, "spi"))
	port, err := sysfs.NewSPI(n, chip)
	if err != nil {
		return nil, err
	}
	conn, err := port.Connect(spiSpeed, spi.Mode1, 8)
	if err != nil {
		return nil, errors.Join(err, port.Close())
	}
	return spiConn{conn, port}, nil
}

// Serial opens a port by its path; /dev/serial/by-id/... stays the same when a USB adapter comes back.
func (l *Linux) Serial(port string, baud int) (Serial, error) {
	p, err := serial.Open(port, &serial.Mode{BaudRate: baud, DataBits: 8, Parity: serial.NoParity, StopBits: serial.OneStopBit})
	if err != nil {
		return nil, err
	}
	return p, nil
}

// Outputs claims lines as outputs; the kernel makes them low.
func (l *Linux) Outputs(chip string, lines []string) (Lines, error) {
	return l.claim(chip, lines, gpioioctl.LineOutput)
}

// Inputs claims lines as inputs. Pull resistors are external: not all chips have their own.
func (l *Linux) Inputs(chip string, lines []string) (Lines, error) {
	return l.claim(chip, lines, gpioioctl.LineInput)
}

func (l *Linux) chip(name string) (*gpioioctl.GPIOChip, error) {
	var found []*gpioioctl.GPIOChip
	var names []string
	for _, c := range l.chips {
		if c.Name() == name || c.Label() == name {
			found = append(found, c)
		}
		names = append(names, c.Name()+" ("+c.Label()+")")
	}
	switch {
	case len(found) == 1:
		return found[0], nil
	case len(found) > 1:
		return nil, fmt.Errorf("%d GPIO chips are called %q: use the name, not the label", len(found), name)
	case len(names) == 0:
		return nil, fmt.Errorf("no GPIO chip %q: there is none at all, or none may be opened", name)
	}
	return nil, fmt.Errorf("no GPIO chip %q: there are %s", name, strings.Join(names, ", "))
}

// find finds a line by its name or number.
func find(chip *gpioioctl.GPIOChip, name string) (*gpioioctl.GPIOLine, error) {
	all := chip.Lines()
	var named []*gpioioctl.GPIOLine
	for _, line := range all {
		if line.Name() == name {
			named = append(named, line)
		}
	}
	if len(named) == 1 {
		return named[0], nil
	}
	n, err := strconv.Atoi(name)
	if err != nil || n < 0 || n >= len(all) {
		return nil, fmt.Errorf("%s has no line %q, or several: it has %d, numbered from 0", chip.Name(), name, len(all))
	}
	return all[n], nil
}

// alone tells whether a line has a name that no other line of its chip has; only such lines can be claimed as a set.
func alone(chip *gpioioctl.GPIOChip, line *gpioioctl.GPIOLine) bool {
	if line.Name() == "" {
		return false
	}
	return !slices.ContainsFunc(chip.Lines(), func(other *gpioioctl.GPIOLine) bool {
		return other != line && other.Name() == line.Name()
	})
}

// claimed are lines of one chip: those with names of their own as a set, the others one by one.
type claimed struct {
	output  bool
	set     *gpioioctl.LineSet // nil: none
	setBits []int              // bit of each line of the set
	singles []*gpioioctl.GPIOLine
	bits    []int // of each single
}

// maxLines is how many lines one request of the kernel's may have.
const maxLines = 64

func (l *Linux) claim(chipName string, names []string, direction gpioioctl.LineDir) (Lines, error) {
	chip, err := l.chip(chipName)
	if err != nil {
		return nil, err
	}
	l.mark(chip.Name())
	if len(names) > maxLines {
		return nil, fmt.Errorf("%d lines of %s: at most %d", len(names), chipName, maxLines)
	}
	c := &claimed{output: direction == gpioioctl.LineOutput}
	var set []string
	taken := map[int]bool{}
	for i, name := range names {
		line, err := find(chip, name)
		if err != nil {
			return nil, &LineError{name, err}
		}
		if taken[line.Number()] {
			return nil, &LineError{name, fmt.Errorf("line %d of %s is used twice, by name and by number", line.Number(), chipName)}
		}
		taken[line.Number()] = true
		if alone(chip, line) {
			set = append(set, line.Name())
			c.setBits = append(c.setBits, i)
		} else {
			c.singles = append(c.singles, line)
			c.bits = append(c.bits, i)
		}
	}
	if len(set) > 0 {
		if c.set, err = chip.LineSet(direction, gpio.NoEdge, gpio.PullNoChange, set...); err != nil {
			return nil, l.blame(chip, names, err)
		}
	}
	for _, line := range c.singles {
		if c.output {
			err = line.Out(gpio.Low)
		} else {
			err = line.In(gpio.PullNoChange, gpio.NoEdge)
		}
		if err != nil {
			name := names[c.bits[slices.Index(c.singles, line)]]
			return nil, errors.Join(l.blame(chip, []string{name}, err), c.Close())
		}
	}
	return c, nil
}

// Write drives all lines.
// blame finds the line that could not be claimed, and who holds it: the kernel tells one error for a whole set.
func (l *Linux) blame(chip *gpioioctl.GPIOChip, names []string, err error) error {
	for _, name := range names {
		if line, unknown := find(chip, name); unknown == nil && line.Consumer() != "" {
			return &LineError{name, fmt.Errorf("%w: it is held by %q", err, line.Consumer())}
		}
	}
	if len(names) == 1 {
		return &LineError{names[0], err}
	}
	return fmt.Errorf("%w: one of lines %s (is another program using it?)", err, strings.Join(names, ", "))
}

// Write drives the lines.
func (c *claimed) Write(bits uint64) error {
	if !c.output {
		return errors.New("inputs cannot be driven")
	}
	var faults []error
	if c.set != nil {
		var v gpio.GPIOValue
		for i, bit := range c.setBits {
			v |= gpio.GPIOValue(bits>>bit&1) << i
		}
		faults = append(faults, c.set.Out(v, 0))
	}
	for i, line := range c.singles {
		faults = append(faults, line.Out(gpio.Level(bits>>c.bits[i]&1 == 1)))
	}
	return errors.Join(faults...)
}

// Read reads levels. Reading a single output would turn it into an input: its level is not known.
func (c *claimed) Read() (bits, known uint64, err error) {
	if c.set != nil {
		v, err := c.set.Read(0)
		if err != nil {
			return 0, 0, err
		}
		for i, bit := range c.setBits {
			bits |= uint64(v>>i&1) << bit
			known |= 1 << bit
		}
	}
	if !c.output {
		for i, line := range c.singles {
			if line.Read() {
				bits |= 1 << c.bits[i]
			}
			known |= 1 << c.bits[i]
		}
	}
	return bits, known, nil
}

// Close lets the lines go. What their pins do then is the pin controller's business.
func (c *claimed) Close() error {
	var err error
	if c.set != nil {
		err = c.set.Close()
	}
	for _, line := range c.singles {
		line.Close()
	}
	return err
}

var _ Host = (*Linux)(nil)
