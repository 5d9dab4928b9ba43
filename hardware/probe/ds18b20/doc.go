// Package ds18b20 reads DS18B20 thermometers through the files of the kernel's 1-wire driver (w1_therm).
//
// From the datasheet: family 0x28; a conversion at 12 bit takes at most 750 ms; T = int16/16, low byte first; the ninth byte
// of the scratchpad is a checksum; after power-up the scratchpad says 85.000 C with 0x0C in byte 6; byte 5 is 0xFF and the
// low five bits of byte 4, the configuration, are ones; its bits 5 and 6 give the resolution, 9 to 12 bits, and one of 9 or 10
// is refused. A bus shorted low reads as nine zeros, which pass the checksum.
//
// The file w1_slave shows the nine bytes and the kernel's verdict; when the verdict is NO, its second line repeats the last
// good bytes and must not be used. When the sensor does not answer the file is empty, after up to two seconds, and reading
// it is no error. A directory of a sensor that was unplugged stays for a while: existence is not health. One read takes 0.8
// s, and sensors on one bus wait for each other: Convert starts all of a bus together, after which reads are fast. The kernel
// lets root alone do that until somebody gives the file away, and offers it on one bus only: it counts the sensors of all
// buses, and makes the file where the first one is.
//
// Half a kelvin of uncertainty is too coarse for the depression of a wet bulb; these are for plenum, core and coil.
package ds18b20
