package board

import (
	"errors"
	"strings"

	"go.bug.st/serial"
	"periph.io/x/conn/v3/physic"
	"periph.io/x/conn/v3/spi"
	"periph.io/x/host/v3/sysfs"

	"drywarden/hardware/probe/modbus"
)

// spiSpeed is well under the MAX31865's 5 MHz: the cables to the modules are no strip lines.
const spiSpeed = physic.MegaHertz

// Linux opens the kernel's buses and lines.
type Linux struct {
	kernel kernel
	root   string // of device files; empty: the kernel's
}

// NewLinux makes ready to open buses and lines. What is there is looked up when it is asked for.
func NewLinux() *Linux { return &Linux{kernel: system{}} }

// I2C opens "i2c-N".
func (l *Linux) I2C(bus string) (I2C, error) {
	n, err := number(bus, "i2c-")
	if err != nil {
		return nil, err
	}
	opened, err := sysfs.NewI2C(n)
	if err != nil {
		return nil, err
	}
	return i2cDevice{opened, l.mark(bus)}, nil
}

// i2cDevice is a bus with its mark.
type i2cDevice struct {
	I2C
	mark mark
}

func (d i2cDevice) Close() error { return errors.Join(d.I2C.Close(), d.mark.Close()) }

// spiConn is a connection with the port that it belongs to.
type spiConn struct {
	spi.Conn
	port spi.PortCloser
	mark mark
}

func (s spiConn) Close() error { return errors.Join(s.port.Close(), s.mark.Close()) }

// SPI opens "spiN.M" in mode 1.
func (l *Linux) SPI(bus string) (SPI, error) {
	n, chip, err := spiNumbers(bus)
	if err != nil {
		return nil, err
	}
	port, err := sysfs.NewSPI(n, chip)
	if err != nil {
		return nil, err
	}
	conn, err := port.Connect(spiSpeed, spi.Mode1, 8)
	if err != nil {
		return nil, errors.Join(err, port.Close())
	}
	return spiConn{conn, port, l.mark("spidev" + strings.TrimPrefix(bus, "spi"))}, nil
}

// Serial opens a port by its path; /dev/serial/by-id/... stays the same when a USB adapter comes back.
func (l *Linux) Serial(port string, s SerialLine) (Serial, error) {
	parity := map[modbus.Parity]serial.Parity{modbus.NoParity: serial.NoParity, modbus.Even: serial.EvenParity, modbus.Odd: serial.OddParity}
	p, err := serial.Open(port, &serial.Mode{BaudRate: s.Baud, DataBits: 8, Parity: parity[s.Parity], StopBits: serial.OneStopBit})
	if err != nil {
		return nil, err
	}
	return p, nil
}

// Outputs claims lines as outputs; they are low from the moment that they are outputs.
func (l *Linux) Outputs(chip string, lines []string) (Lines, error) {
	return l.claim(chip, lines, lineOutput)
}

// Inputs claims lines as inputs. Pull resistors are external: not all chips have their own.
func (l *Linux) Inputs(chip string, lines []string) (Lines, error) {
	return l.claim(chip, lines, lineInput)
}

var _ Host = (*Linux)(nil)
