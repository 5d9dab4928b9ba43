// Package ads1115 measures a voltage with an ADS1115 converter on I2C, and a resistance between moisture pins through a
// front end of known formula.
//
// Address 0x48 to 0x4B. Registers of two bytes, high byte first: 0 conversion, 1 configuration (0x8583 after power-up).
// Configuration: bit 15 starts a shot and reads 1 when idle, 14:12 input (4 to 7: AIN0 to AIN3 against ground), 11:9 range,
// 8 single shot, 7:5 rate, 1:0 = 3 comparator off (datasheet and mainline Linux driver ti-ads1015). Voltage = code x range /
// 32768. The oscillator may be 10 % slow (from memory). A general call reset is not used: it resets other chips too.
//
// The converter has no checksum; the configuration is read back with each shot. It loads its input with some megohms, so
// pins need a buffer in front of it. A front end is a divider (the supply over a reference resistor and the pins in series)
// or a logarithmic amplifier. Pins are read within 1 to 2 s of the voltage being put on, with the polarity reversed each
// time; that is the front end's business.
package ads1115
