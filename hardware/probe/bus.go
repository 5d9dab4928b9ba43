package probe

import "fmt"

// I2C is the part of an I2C bus that a driver needs; periph's i2c.Bus is one.
type I2C interface {
	// Tx writes w, then reads len(r) bytes, to and from the chip at address.
	Tx(address uint16, w, r []byte) error
}

// SPI is the part of an SPI connection that a driver needs; periph's conn.Conn is one.
type SPI interface {
	// Tx writes w and reads as many bytes into r at the same time.
	Tx(w, r []byte) error
}

// Device names a chip at an address of a bus in errors.
type Device struct {
	Chip    string
	Address uint16
}

// String gives chip and address.
func (d Device) String() string { return fmt.Sprintf("%s at 0x%02x", d.Chip, d.Address) }
