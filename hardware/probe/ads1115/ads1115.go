package ads1115

import (
	"fmt"
	"math"
	"time"

	"drywarden/hardware"
	"drywarden/hardware/probe"
	"drywarden/hardware/quantity"
)

const (
	regResult = 0
	regConfig = 1
	powerUp   = 0x8583
	start     = 0x8000
	single    = 0x0100
	noCompare = 0x0003
	extra     = 3 // polls of a millisecond after the time of a conversion
)

// Range is the largest voltage that can be told; inputs must stay below the supply whatever it is.
type Range uint8

// Ranges. The zero Range is the widest.
const (
	Volts6144 Range = iota
	Volts4096
	Volts2048
	Volts1024
	Volts0512
	Volts0256
	rangeCount
)

var spans = [rangeCount]float64{6.144, 4.096, 2.048, 1.024, 0.512, 0.256}

// Rate is the number of conversions a second; slow ones average mains hum.
type Rate uint8

// Rates. The zero Rate is the slowest.
const (
	PerSecond8 Rate = iota
	PerSecond16
	PerSecond32
	PerSecond64
	PerSecond128
	PerSecond250
	PerSecond475
	PerSecond860
	rateCount
)

var rates = [rateCount]float64{8, 16, 32, 64, 128, 250, 475, 860}

// Chip is one converter. Calls are for one goroutine at a time.
type Chip struct {
	Bus     probe.I2C
	Address uint16              // 0x48 to 0x4B
	Sleep   func(time.Duration) // nil: time.Sleep
}

// Volts measures the voltage at an input, 0 to 3, against ground.
func (c *Chip) Volts(input int, span Range, rate Rate) (float64, error) {
	device := probe.Device{Chip: "ads1115", Address: c.Address}
	none := math.NaN()
	if input < 0 || input > 3 || span >= rangeCount || rate >= rateCount {
		return none, fmt.Errorf("measure input %d of %v: no such input, range or rate", input, device)
	}
	config := start | uint16(4+input)<<12 | uint16(span)<<9 | single | uint16(rate)<<5 | noCompare
	if err := c.Bus.Tx(c.Address, []byte{regConfig, byte(config >> 8), byte(config & 0xFF)}, nil); err != nil {
		return none, probe.NoAnswer(device, "start a measurement of", err)
	}
	conversion := time.Duration(1.1 / rates[rate] * float64(time.Second))
	probe.Wait(c.Sleep, conversion+time.Millisecond)
	for try := 0; ; try++ {
		var r [2]byte
		if err := c.Bus.Tx(c.Address, []byte{regConfig}, r[:]); err != nil {
			return none, probe.NoAnswer(device, "read the configuration of", err)
		}
		got := uint16(r[0])<<8 | uint16(r[1])
		switch {
		case got == powerUp && got != config:
			return none, probe.Reset("read %v: configuration is 0x%04x, expected 0x%04x", device, got, config)
		case got&^start != config&^start:
			return none, probe.Faultf(hardware.Checksum, "read_back", "read %v: configuration is 0x%04x, expected 0x%04x", device, got, config)
		case got&start == 0 && try < extra:
			probe.Wait(c.Sleep, time.Millisecond)
			continue
		case got&start == 0:
			return none, probe.Faultf(hardware.NoAnswer, "not_done", "read %v: a measurement is not done after %v", device, conversion)
		}
		break
	}
	var r [2]byte
	if err := c.Bus.Tx(c.Address, []byte{regResult}, r[:]); err != nil {
		return none, probe.NoAnswer(device, "read", err)
	}
	code := int16(uint16(r[0])<<8 | uint16(r[1]))
	if code == math.MaxInt16 || code == math.MinInt16 {
		return none, probe.Faultf(hardware.Implausible, "clipped", "read %v: input %d is beyond %g V", device, input, spans[span])
	}
	return float64(code) * spans[span] / 32768, nil
}

// FrontEnd turns the voltage of a circuit into the resistance at its terminals.
type FrontEnd interface {
	// Ohms gives NaN when the circuit cannot have given that voltage, or cannot tell resistances there apart.
	Ohms(volts float64) quantity.Ohm
	// Validate tells what is wrong with the circuit's figures.
	Validate() error
}

// Divider is a supply over a reference resistor to ground, with the pins between supply and reference; the voltage is that
// over the reference, buffered: R = Reference x (Supply/V - 1).
type Divider struct {
	Supply    float64      // volt
	Reference quantity.Ohm //
	Least     float64      // volt: below it, offset and noise of the buffer rule; the resistance is then too large to be told
}

// Validate tells what is wrong with d.
func (d Divider) Validate() error {
	if !(d.Supply > 0 && d.Supply <= 60 && d.Reference >= 1e3 && d.Reference <= 1e10 && d.Least > 0 && d.Least < d.Supply/2) {
		return fmt.Errorf("divider of %g V over %g ohm, least %g V: expected 0 to 60 V, 1 kohm to 10 Gohm, and least between 0 and half the supply",
			d.Supply, float64(d.Reference), d.Least)
	}
	return nil
}

// Ohms gives the resistance for the voltage over the reference.
func (d Divider) Ohms(volts float64) quantity.Ohm {
	if !(volts >= d.Least && volts < 0.999*d.Supply) {
		return quantity.Ohm(math.NaN())
	}
	return d.Reference * quantity.Ohm(d.Supply/volts-1)
}

// Logarithmic is an amplifier whose voltage falls by Slope for each tenfold resistance: R = Reference x 10^((At - V)/Slope).
type Logarithmic struct {
	Reference quantity.Ohm // resistance of the check resistor
	At        float64      // volt with the check resistor
	Slope     float64      // volt a decade; negative when the voltage rises with the resistance
	Low, High float64      // volt: outside, the amplifier is at its end
}

// Validate tells what is wrong with l.
func (l Logarithmic) Validate() error {
	if !(l.Reference >= 1e3 && l.Reference <= 1e12 && math.Abs(l.Slope) >= 0.01 && math.Abs(l.Slope) <= 5 && l.Low < l.High && l.At >= l.Low && l.At <= l.High) {
		return fmt.Errorf("logarithmic front end %g V at %g ohm, %g V a decade, %g to %g V: expected 1 kohm to 1 Tohm, 0.01 to 5 V a decade, and a check voltage between low and high",
			l.At, float64(l.Reference), l.Slope, l.Low, l.High)
	}
	return nil
}

// Ohms gives the resistance for the amplifier's voltage.
func (l Logarithmic) Ohms(volts float64) quantity.Ohm {
	if !(volts >= l.Low && volts <= l.High) {
		return quantity.Ohm(math.NaN())
	}
	return l.Reference * quantity.Ohm(math.Pow(10, (l.At-volts)/l.Slope))
}

// Range of resistances that moisture pins in wood can have, with a margin. Below is a short or water on the board, above an
// open cable (James 1988, FPL-GTR-6, tables of resistance: 0.46 Mohm at 25 % to some 22 Gohm at 7 %; the range is wider).
const (
	PinMin = quantity.Ohm(1e4)
	PinMax = quantity.Ohm(1e11)
)

// Resistance measures the resistance at the terminals of a front end on an input.
func (c *Chip) Resistance(input int, span Range, rate Rate, front FrontEnd) (quantity.Ohm, error) {
	v, err := c.Volts(input, span, rate)
	if err != nil {
		return quantity.Ohm(math.NaN()), err
	}
	r := front.Ohms(v)
	if sign := ""; !(r >= PinMin && r <= PinMax) {
		switch {
		case r < PinMin:
			sign = "short"
		case r > PinMax:
			sign = "open"
		default:
			sign = "out_of_range"
		}
		return quantity.Ohm(math.NaN()), probe.Faultf(hardware.Implausible, sign, "read ads1115 at 0x%02x: input %d has %.4f V: no resistance of moisture pins", c.Address, input, v)
	}
	return r, nil
}
