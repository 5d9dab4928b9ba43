package probe

import (
	"errors"
	"testing"

	"github.com/stretchr/testify/require"

	"drywarden/hardware"
)

func TestCRC8(t *testing.T) {
	// SHT3x-DIS datasheet, table "I2C CRC properties".
	require.Equal(t, byte(0x92), CRC8([]byte{0xBE, 0xEF}))
	// Lines that are stuck must not pass: what follows from the polynomial for all zeros and all ones.
	require.Equal(t, byte(0x81), CRC8([]byte{0, 0}))
	require.Equal(t, byte(0xAC), CRC8([]byte{0xFF, 0xFF}))
}

func TestCRC8OneWire(t *testing.T) {
	// The worked example of application note 27 (Maxim, "Understanding and using cyclic redundancy checks with iButton
	// products"): family 02, serial 00 00 00 01 B8 1C, CRC A2. From memory.
	require.Equal(t, byte(0xA2), CRC8OneWire([]byte{0x02, 0x1C, 0xB8, 0x01, 0, 0, 0}))
	require.Equal(t, byte(0x1C), CRC8OneWire([]byte{0x50, 0x05, 0x4B, 0x46, 0x7F, 0xFF, 0x0C, 0x10}))
	require.Equal(t, byte(0xC9), CRC8OneWire([]byte{0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF}), "an absent chip fails")
	require.Zero(t, CRC8OneWire(make([]byte, 8)), "a shorted bus passes: the checksum alone is no proof")
}

func TestFaults(t *testing.T) {
	cause := errors.New("remote I/O error")
	err := NoAnswer(Device{"sht4x", 0x44}, "start a measurement of", cause)
	require.Equal(t, hardware.NoAnswer, QualityOf(err))
	require.Equal(t, "no_answer", SignOf(err))
	require.ErrorIs(t, err, cause)
	require.EqualError(t, err, "start a measurement of sht4x at 0x44: remote I/O error")
	require.Equal(t, hardware.Valid, QualityOf(nil))
	require.Empty(t, SignOf(nil))
	require.Equal(t, hardware.NoAnswer, QualityOf(cause))
	require.ErrorIs(t, Reset("read %s", "x"), ErrReset)
	require.Equal(t, SignReset, SignOf(Reset("read")))
}
