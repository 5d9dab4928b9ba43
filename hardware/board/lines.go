package board

import (
	"errors"
	"fmt"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"unsafe"

	"golang.org/x/sys/unix"
)

// The kernel's character device for lines, version 2 (Linux's include/uapi/linux/gpio.h); numbers and structures are x/sys/unix's,
// what it lacks is here. periph's package gpioioctl is not used: it takes a line that cannot be read for a low one, cannot read an
// output back without turning it into an input, and claims lines without names one by one.
const (
	lineInput  = 1 << 2 // GPIO_V2_LINE_FLAG_INPUT
	lineOutput = 1 << 3 // GPIO_V2_LINE_FLAG_OUTPUT
	maxLines   = 64     // GPIO_V2_LINES_MAX: how many one request may have

	consumer = "drywarden"
)

// kernel is what of the kernel's the lines need.
type kernel interface {
	open(path string) (fd int, err error)
	ioctl(fd int, request uint, arg unsafe.Pointer) error
	close(fd int) error
}

// system is the kernel itself.
type system struct{}

func (system) open(path string) (int, error) {
	return unix.Open(path, unix.O_RDWR|unix.O_CLOEXEC, 0)
}

func (system) ioctl(fd int, request uint, arg unsafe.Pointer) error {
	for {
		switch _, _, e := unix.Syscall(unix.SYS_IOCTL, uintptr(fd), uintptr(request), uintptr(arg)); e {
		case 0:
			return nil
		case unix.EINTR:
		default:
			return e
		}
	}
}

func (system) close(fd int) error { return unix.Close(fd) }

// Chip describes a GPIO chip.
type Chip struct {
	Name, Label string
	Lines       []ChipLine
	path        string
}

// ChipLine describes a line of a GPIO chip: its number is its index.
type ChipLine struct {
	Name string // may be empty
	User string // who holds it; empty: nobody
}

// Chips lists the GPIO chips that are there now and may be opened.
func (l *Linux) Chips() []Chip {
	paths, _ := filepath.Glob(filepath.Join(l.devices(), "gpiochip*")) // the pattern is good
	var list []Chip
	for _, path := range paths {
		if chip, err := l.look(path); err == nil {
			list = append(list, chip)
		}
	}
	return list
}

func text(b [32]byte) string { return unix.ByteSliceToString(b[:]) }

// look describes a chip.
func (l *Linux) look(path string) (Chip, error) {
	fd, err := l.kernel.open(path)
	if err != nil {
		return Chip{}, err
	}
	defer func() { _ = l.kernel.close(fd) }() // nothing was written
	var info unix.GPIOChipInfo
	if err := l.kernel.ioctl(fd, unix.GPIO_GET_CHIPINFO_IOCTL, unsafe.Pointer(&info)); err != nil {
		return Chip{}, err
	}
	chip := Chip{Name: text(info.Name), Label: text(info.Label), path: path}
	for n := range info.Lines {
		line := unix.GPIOV2LineInfo{Offset: n}
		if err := l.kernel.ioctl(fd, unix.GPIO_V2_GET_LINEINFO_IOCTL, unsafe.Pointer(&line)); err != nil {
			return Chip{}, err
		}
		chip.Lines = append(chip.Lines, ChipLine{Name: text(line.Name), User: text(line.Consumer)})
	}
	return chip, nil
}

// chip finds a chip by its name or label.
func (l *Linux) chip(name string) (Chip, error) {
	var found []Chip
	var names []string
	for _, c := range l.Chips() {
		if c.Name == name || c.Label == name {
			found = append(found, c)
		}
		names = append(names, c.Name+" ("+c.Label+")")
	}
	switch {
	case len(found) == 1:
		return found[0], nil
	case len(found) > 1:
		return Chip{}, fmt.Errorf("%d GPIO chips are called %q: use the name, not the label", len(found), name)
	case len(names) == 0:
		return Chip{}, fmt.Errorf("no GPIO chip %q: there is none at all, or none may be opened", name)
	}
	return Chip{}, fmt.Errorf("no GPIO chip %q: there are %s", name, strings.Join(names, ", "))
}

// find finds a line by its name or number.
func (c *Chip) find(name string) (uint32, error) {
	var named []int
	for i, line := range c.Lines {
		if line.Name != "" && line.Name == name {
			named = append(named, i)
		}
	}
	if len(named) == 1 {
		return uint32(named[0]), nil
	}
	n, err := strconv.Atoi(name)
	if err != nil || n < 0 || n >= len(c.Lines) {
		return 0, fmt.Errorf("%s has no line %q, or several: it has %d, numbered from 0", c.Name, name, len(c.Lines))
	}
	return uint32(n), nil
}

// claim claims lines of one chip in one request: the kernel gives all of them or none.
func (l *Linux) claim(chipName string, names []string, direction uint64) (Lines, error) {
	chip, err := l.chip(chipName)
	if err != nil {
		return nil, err
	}
	if len(names) == 0 || len(names) > maxLines {
		return nil, fmt.Errorf("%d lines of %s: expected 1 to %d", len(names), chipName, maxLines)
	}
	request := unix.GPIOV2LineRequest{Num_lines: uint32(len(names))}
	copy(request.Consumer[:], consumer)
	for i, name := range names {
		n, err := chip.find(name)
		if err != nil {
			return nil, &LineError{name, err}
		}
		if slices.Contains(request.Offsets[:i], n) {
			return nil, &LineError{name, fmt.Errorf("line %d of %s is used twice, by name and by number", n, chipName)}
		}
		request.Offsets[i] = n
	}
	c := &claimed{kernel: l.kernel, chip: chipName, output: direction == lineOutput, mask: ^uint64(0) >> (maxLines - len(names))}
	request.Config.Flags = direction
	if c.output { // the level comes with the direction: no line is an output for a moment at any other
		request.Config.Num_attrs = 1
		request.Config.Attrs[0] = unix.GPIOV2LineConfigAttribute{Mask: c.mask,
			Attr: unix.GPIOV2LineAttribute{Id: unix.GPIO_V2_LINE_ATTR_ID_OUTPUT_VALUES, Flags: 0}}
	}
	fd, err := l.kernel.open(chip.path)
	if err != nil {
		return nil, fmt.Errorf("open %s: %w", chip.path, err)
	}
	err = l.kernel.ioctl(fd, unix.GPIO_V2_GET_LINE_IOCTL, unsafe.Pointer(&request))
	_ = l.kernel.close(fd) // the lines have a descriptor of their own
	if err != nil {
		return nil, l.blame(chip, names, err)
	}
	c.fd, c.mark = int(request.Fd), l.mark(filepath.Base(chip.path))
	return c, nil
}

// blame finds the line that could not be claimed, and who holds it: the kernel tells one error for a whole request.
func (l *Linux) blame(chip Chip, names []string, err error) error {
	if now, unknown := l.look(chip.path); unknown == nil {
		chip = now
	}
	for _, name := range names {
		if n, unknown := chip.find(name); unknown == nil && chip.Lines[n].User != "" {
			return &LineError{name, fmt.Errorf("%w: it is held by %q", err, chip.Lines[n].User)}
		}
	}
	if len(names) == 1 {
		return &LineError{names[0], err}
	}
	return fmt.Errorf("%w: one of lines %s (is another program using it?)", err, strings.Join(names, ", "))
}

// claimed are lines of one chip, bit i the i-th.
type claimed struct {
	kernel kernel
	chip   string
	fd     int
	output bool
	mask   uint64
	mark   mark
	values unix.GPIOV2LineValues // for the kernel to read and write
}

// Write drives all lines.
func (c *claimed) Write(bits uint64) error {
	if !c.output {
		return errors.New("inputs cannot be driven")
	}
	c.values = unix.GPIOV2LineValues{Bits: bits & c.mask, Mask: c.mask}
	if err := c.kernel.ioctl(c.fd, unix.GPIO_V2_LINE_SET_VALUES_IOCTL, unsafe.Pointer(&c.values)); err != nil {
		return fmt.Errorf("drive lines of %s: %w", c.chip, err)
	}
	return nil
}

// Read reads the levels of all lines. Of outputs it is what the chip's driver reports, which for some chips is what was
// written and not the pin's level.
func (c *claimed) Read() (bits, known uint64, err error) {
	c.values = unix.GPIOV2LineValues{Mask: c.mask}
	if err := c.kernel.ioctl(c.fd, unix.GPIO_V2_LINE_GET_VALUES_IOCTL, unsafe.Pointer(&c.values)); err != nil {
		return 0, 0, fmt.Errorf("read lines of %s: %w", c.chip, err)
	}
	return c.values.Bits & c.mask, c.mask, nil
}

// Close lets the lines go. What their pins do then is the pin controller's business.
func (c *claimed) Close() error { return errors.Join(c.kernel.close(c.fd), c.mark.Close()) }
