// Package sht4x reads an SHT4x humidity and temperature sensor on I2C.
//
// Address 0x44, 0x45 or 0x46. One-byte commands: 0xFD measures with high precision in at most 8.3 ms, 0x94 is a soft reset
// of 1 ms, 0x89 reads the serial number (mainline Linux driver sht4x). Each word of an answer is followed by a checksum;
// T = -45 + 175 S/65535, RH = -6 + 125 S/65535. Reading before the measurement is done is not acknowledged. The chip has no
// status register, so a brown-out leaves no trace but a transfer that is not answered; it needs no settings either.
// The heater is not used: it may run a tenth of the time and below 65 C only (from memory).
//
// The sensor's polymer drifts with organic vapours and long humidity above 80 %: it is a cross-check, not the measurement
// to dry by (common practice, no source).
package sht4x
