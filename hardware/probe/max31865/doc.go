// Package max31865 reads a platinum resistance thermometer through a MAX31865 converter on SPI (mode 1 or 3, at most 5 MHz).
//
// From the datasheet: register 00 configuration, 01/02 resistance with the fault bit, 03/04 high and 05/06 low threshold,
// 07 fault status; writing adds 0x80 to the address. Configuration bits: 7 bias, 6 automatic, 5 one shot, 4 three wires,
// 3:2 fault detection, 1 clear faults, 0 filter for 50 Hz. After power-up: configuration 00, thresholds FFFF and 0000.
// Resistance = code x reference / 32768. The bias needs 10.5 time constants and 1 ms (11 ms, mainline Linux driver); a shot
// takes 66 ms with the 50 Hz and 55 ms with the 60 Hz filter (from memory as upper bounds).
//
// The converter has no checksum. Each shot is therefore read together with the configuration and the thresholds that were
// written, in one transfer: data that is stuck, shifted or missing shows there. The bias is on only while it measures, so
// that the thermometer does not heat itself. The fault detection runs every minute, since the fault bit alone does not tell
// of broken force wires. A broken RTDIN+ wire of a 3- or 4-wire probe is seen only with a resistor of 10 Mohm from RTDIN+
// to BIAS.
//
// The resistance of a platinum thermometer is that of IEC 60751: R = R0 (1 + A t + B t^2 + C (t-100) t^3), C below 0 C only.
package max31865
