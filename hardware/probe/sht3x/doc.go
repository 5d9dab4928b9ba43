// Package sht3x reads an SHT3x humidity and temperature sensor on I2C.
//
// From the datasheet (SHT3x-DIS): address 0x44 or 0x45; two-byte commands 0x2400 (single shot, high repeatability, no clock
// stretching, at most 15 ms), 0xF32D (status), 0x3041 (clear status), 0x30A2 (soft reset, from memory); each word of an
// answer is followed by a checksum; T = -45 + 175 S/65535, RH = 100 S/65535; bit 4 of the status is set by a reset, so when
// it comes up unasked the supply browned out. Commands without stretching are used because the I2C controller of a
// widespread single-board computer cannot be stretched.
//
// The sensor's polymer drifts with organic vapours and long humidity above 80 %: it is a cross-check, not the measurement
// to dry by (common practice, no source).
package sht3x
