package max31865

import (
	"fmt"
	"math"
	"strings"
	"time"

	"drywarden/hardware"
	"drywarden/hardware/mono"
	"drywarden/hardware/probe"
	"drywarden/hardware/quantity"
)

// Coefficients of IEC 60751.
const (
	cvdA = 3.9083e-3
	cvdB = -5.775e-7
	cvdC = -4.183e-12
)

// Range of what a probe in or beside a kiln can have, in winter too; the chip's thresholds are set to it.
const (
	Min = quantity.Celsius(-50)
	Max = quantity.Celsius(120)
)

// Resistance gives the resistance of a platinum thermometer of r0 ohm at 0 C.
func Resistance(r0 float64, t quantity.Celsius) float64 {
	x := float64(t)
	r := 1 + cvdA*x + cvdB*x*x
	if x < 0 {
		r += cvdC * (x - 100) * x * x * x
	}
	return r0 * r
}

// Temperature is the inverse of Resistance from -200 C to 850 C; NaN when r is not in that range.
func Temperature(r0, r float64) quantity.Celsius {
	ratio := r / r0
	if !(ratio >= 0.18 && ratio <= 3.91) {
		return quantity.Celsius(math.NaN())
	}
	t := (-cvdA + math.Sqrt(cvdA*cvdA-4*cvdB*(1-ratio))) / (2 * cvdB)
	if t >= 0 {
		return quantity.Celsius(t)
	}
	for range 8 { // Newton; the quadratic is a start within 3 K
		f := 1 + cvdA*t + cvdB*t*t + cvdC*(t-100)*t*t*t - ratio
		slope := cvdA + 2*cvdB*t + cvdC*(4*t*t*t-300*t*t)
		t -= f / slope
	}
	return quantity.Celsius(t)
}

// Registers and bits.
const (
	write     = 0x80
	regConfig = 0x00
	regHigh   = 0x03
	bias      = 0x80
	oneShot   = 0x20
	threeWire = 0x10
	cycleBits = 0x0C
	cycleAuto = 0x04
	clear     = 0x02
	filter50  = 0x01

	biasTime   = 11 * time.Millisecond
	shot50     = 67 * time.Millisecond
	shot60     = 56 * time.Millisecond
	cycleTime  = time.Millisecond
	cycleTries = 5
)

// FaultEvery is how often the chip's own fault detection runs.
const FaultEvery = time.Minute

// Settings say how a probe is wired. The zero Settings are not usable: see Validate.
type Settings struct {
	Wires     int     // 2, 3 or 4
	Nominal   float64 // ohm at 0 C: 100 or 1000
	Reference float64 // ohm, of the module's reference resistor; 400 or 430 for 100 ohm, mostly
	Mains     int     // hertz: 50 or 60
}

// Validate tells what is wrong with s.
func (s Settings) Validate() error {
	switch {
	case s.Wires < 2 || s.Wires > 4:
		return fmt.Errorf("%d wires: expected 2, 3 or 4", s.Wires)
	case s.Nominal != 100 && s.Nominal != 1000:
		return fmt.Errorf("nominal resistance %g ohm: expected 100 or 1000", s.Nominal)
	case !(s.Reference > 1.5*s.Nominal && s.Reference < 10*s.Nominal):
		return fmt.Errorf("reference resistor %g ohm: expected about 4 times the nominal %g ohm", s.Reference, s.Nominal)
	case s.Mains != 50 && s.Mains != 60:
		return fmt.Errorf("mains %d Hz: expected 50 or 60", s.Mains)
	}
	return nil
}

// Chip is one converter with its probe. Calls are for one goroutine at a time.
type Chip struct {
	Conn     probe.SPI
	Name     string // of the connection, for errors
	Settings Settings
	Sleep    func(time.Duration) // nil: time.Sleep

	ready   bool
	checked bool
	cycleAt mono.Instant
}

func (c *Chip) base() byte {
	b := byte(0)
	if c.Settings.Wires == 3 {
		b |= threeWire
	}
	if c.Settings.Mains == 50 {
		b |= filter50
	}
	return b
}

// thresholds gives registers 03 to 06.
func (c *Chip) thresholds() [4]byte {
	code := func(t quantity.Celsius) uint16 {
		return uint16(math.Round(min(Resistance(c.Settings.Nominal, t)/c.Settings.Reference, 0.9999)*32768)) << 1
	}
	high, low := code(Max), code(Min)
	return [4]byte{byte(high >> 8), byte(high), byte(low >> 8), byte(low)}
}

func (c *Chip) tx(doing string, w ...byte) ([]byte, error) {
	r := make([]byte, len(w))
	if err := c.Conn.Tx(w, r); err != nil {
		return nil, probe.Faultf(hardware.NoAnswer, "no_answer", "%s max31865 on %s: %w", doing, c.Name, err)
	}
	return r[1:], nil
}

func (c *Chip) configure(doing string, config byte) error {
	_, err := c.tx(doing, write|regConfig, config)
	return err
}

// Measure takes one shot; it takes about 80 ms. now is for the fault detection, which runs every minute.
func (c *Chip) Measure(now mono.Instant) (quantity.Celsius, error) {
	t, err := c.measure(now)
	if err != nil {
		c.checked = false // look again next time
	}
	return t, err
}

func (c *Chip) measure(now mono.Instant) (quantity.Celsius, error) {
	none := quantity.Celsius(math.NaN())
	if !c.ready {
		if err := c.setUp(); err != nil {
			return none, err
		}
	}
	base := c.base()
	if err := c.configure("bias", bias|base); err != nil {
		return none, err
	}
	probe.Wait(c.Sleep, biasTime)
	if !c.checked || now.Sub(c.cycleAt) >= FaultEvery {
		if err := c.detect(base); err != nil {
			return none, err
		}
		c.checked, c.cycleAt = true, now
	}
	if err := c.configure("start a shot of", bias|oneShot|base); err != nil {
		return none, err
	}
	wait := shot60
	if base&filter50 != 0 {
		wait = shot50
	}
	probe.Wait(c.Sleep, wait)
	r, err := c.registers("read")
	if err != nil {
		return none, err
	}
	if err := c.configure("take the bias off", base); err != nil {
		return none, err
	}
	if r[0]&oneShot != 0 && [4]byte(r[3:7]) == c.thresholds() {
		return none, probe.Faultf(hardware.NoAnswer, "not_done", "read max31865 on %s: a shot is not done after %v", c.Name, wait)
	}
	if err := c.intact(r, bias|base); err != nil {
		return none, err
	}
	code := (uint16(r[1])<<8 | uint16(r[2])) >> 1
	if r[7] != 0 || r[2]&1 != 0 {
		err := c.fault(r[7], code)
		if e := c.configure("clear the faults of", base|clear); e != nil {
			return none, e
		}
		return none, err
	}
	t := Temperature(c.Settings.Nominal, float64(code)*c.Settings.Reference/32768)
	if !(t >= Min && t <= Max) {
		return none, c.fault(0, code)
	}
	return t, nil
}

// setUp writes the settings and reads them back.
func (c *Chip) setUp() error {
	if err := c.configure("set up", c.base()); err != nil {
		return err
	}
	limits := c.thresholds()
	if _, err := c.tx("set the thresholds of", append([]byte{write | regHigh}, limits[:]...)...); err != nil {
		return err
	}
	if err := c.configure("clear the faults of", c.base()|clear); err != nil {
		return err
	}
	r, err := c.registers("read back")
	if err != nil {
		return err
	}
	if err := c.intact(r, c.base()); err != nil {
		return err
	}
	c.ready = true
	return nil
}

// registers reads all eight in one transfer.
func (c *Chip) registers(doing string) ([8]byte, error) {
	r, err := c.tx(doing, regConfig, 0, 0, 0, 0, 0, 0, 0, 0)
	if err != nil {
		return [8]byte{}, err
	}
	return [8]byte(r), nil
}

// intact compares what was read with what was written.
func (c *Chip) intact(r [8]byte, config byte) error {
	limits := c.thresholds()
	if r[0] == config && [4]byte(r[3:7]) == limits {
		return nil
	}
	c.ready = false
	same := func(v byte) bool { return r == [8]byte{v, v, v, v, v, v, v, v} }
	switch {
	case same(0x00) || same(0xFF):
		return probe.Faultf(hardware.NoAnswer, "no_answer", "read max31865 on %s: all registers are %02x: no chip, no supply or no data line", c.Name, r[0])
	case [4]byte(r[3:7]) == [4]byte{0xFF, 0xFF, 0, 0}:
		return probe.Reset("read max31865 on %s: registers are % x", c.Name, r)
	}
	return probe.Faultf(hardware.Checksum, "read_back", "read max31865 on %s: registers are % x, expected configuration %02x and thresholds % x", c.Name, r, config, limits)
}

// detect runs the chip's fault detection: force and sense wires against each other.
func (c *Chip) detect(base byte) error {
	if err := c.configure("start the fault detection of", bias|base|cycleAuto); err != nil {
		return err
	}
	for range cycleTries {
		probe.Wait(c.Sleep, cycleTime)
		r, err := c.registers("read the fault detection of")
		if err != nil {
			return err
		}
		if r[0]&cycleBits != 0 && [4]byte(r[3:7]) == c.thresholds() {
			continue
		}
		if err := c.intact(r, bias|base); err != nil {
			return err
		}
		if r[7] == 0 {
			return nil
		}
		err = c.fault(r[7], (uint16(r[1])<<8|uint16(r[2]))>>1)
		if e := c.configure("clear the faults of", base|clear); e != nil {
			return e
		}
		return err
	}
	return probe.Faultf(hardware.NoAnswer, "not_done", "read max31865 on %s: the fault detection is not done after %v", c.Name, cycleTries*cycleTime)
}

// Fault status bits.
const (
	faultHigh    = 0x80
	faultLow     = 0x40
	faultRefHigh = 0x20
	faultRefLow  = 0x10
	faultSense   = 0x08
	faultVoltage = 0x04
)

// fault says what status and code mean.
func (c *Chip) fault(status byte, code uint16) error {
	ohms := float64(code) * c.Settings.Reference / 32768
	sign := "out_of_range"
	var seen []string
	note := func(is bool, as, words string) {
		if is {
			sign = as
			seen = append(seen, words)
		}
	}
	// The last one noted names the signature: the more special ones come later.
	note(status&faultHigh != 0, "too_high", "over the high threshold")
	note(status&faultLow != 0, "too_low", "under the low threshold")
	note(code >= 0x7FF0, "open", "open probe")
	note(code <= 0x0010, "short", "shorted probe")
	note(status&faultRefHigh != 0, "open", "reference input high: open probe or force wire")
	note(status&faultRefLow != 0, "wire_short", "reference input low: a force wire is shorted")
	note(status&faultSense != 0, "wire_short", "sense input low: a sense wire is shorted")
	note(status&faultVoltage != 0, "voltage", "an input is above or below the supply")
	if len(seen) == 0 {
		seen = append(seen, "no kiln is so")
	}
	return probe.Faultf(hardware.Implausible, sign, "read max31865 on %s: %.2f ohm, fault status %02x: %s", c.Name, ohms, status, strings.Join(seen, "; "))
}
