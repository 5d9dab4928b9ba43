// Package iio reads a weigh cell through the kernel's industrial I/O files: hx711 and nau7802 have drivers there.
//
// The files are /sys/bus/iio/devices/iio:deviceN/name and in_voltageC_raw. The hx711 driver gives 24 bits with the sign bit
// turned over, so that 0 and 0xFFFFFF are the ends of the scale; nau7802 gives a signed number, the ends are -0x800000 and
// 0x7FFFFF (from memory). A value at an end is a saturated amplifier or an open bridge. User space cannot clock an HX711
// itself: more than 60 microseconds in the middle of a reading power it down (datasheet).
package iio
