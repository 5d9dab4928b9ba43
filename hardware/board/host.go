package board

import (
	"io"

	"drywarden/hardware/probe"
	"drywarden/hardware/probe/modbus"
)

// Host opens buses and lines: the kernel's, or models of chips in a test.
type Host interface {
	I2C(bus string) (I2C, error)                        // "i2c-1"; safe for several goroutines
	SPI(bus string) (SPI, error)                        // "spi0.0"
	Serial(port string, s SerialLine) (Serial, error)   // 8 bits, 1 stop bit
	Outputs(chip string, lines []string) (Lines, error) // claims lines of a GPIO chip as outputs; all are low then
	Inputs(chip string, lines []string) (Lines, error)  // claims lines as inputs
	Places() Places                                     // what is there now
}

// LineError is what claiming lines gives when one of them is the cause.
type LineError struct {
	Line string // as it was asked for
	Err  error
}

// Error names the line.
func (e *LineError) Error() string { return "line " + e.Line + ": " + e.Err.Error() }

// Unwrap gives the cause.
func (e *LineError) Unwrap() error { return e.Err }

// I2C is an open bus.
type I2C interface {
	probe.I2C
	io.Closer
}

// SPI is an open connection to one chip.
type SPI interface {
	probe.SPI
	io.Closer
}

// Serial is an open serial port.
type Serial interface {
	modbus.Port
	io.Closer
}

// Lines are claimed lines of one GPIO chip; bit i is the i-th line. They are for one goroutine at a time.
type Lines interface {
	// Write drives all lines.
	Write(bits uint64) error
	// Read reads the levels; of outputs, those that can be read back without turning them round, which are in known.
	Read() (bits, known uint64, err error)
	io.Closer
}
