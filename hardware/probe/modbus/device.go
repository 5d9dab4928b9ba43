package modbus

import (
	"fmt"
	"math"
	"time"

	"drywarden/hardware"
	"drywarden/hardware/mono"
	"drywarden/hardware/probe"
	"drywarden/hardware/quantity"
)

// Format says how registers hold a number.
type Format uint8

// Formats; those of two registers come high word first unless Swapped.
const (
	Int16 Format = iota
	Uint16
	Int32
	Uint32
	Float32
	formatCount
)

var formatNames = [formatCount]string{"int16", "uint16", "int32", "uint32", "float32"}

// String gives the format as kiln files write it.
func (f Format) String() string {
	if f < formatCount {
		return formatNames[f]
	}
	return fmt.Sprintf("unknown_%d", f)
}

// UnmarshalText reads the name that String gives.
func (f *Format) UnmarshalText(b []byte) error {
	for i, name := range formatNames {
		if name == string(b) {
			*f = Format(i)
			return nil
		}
	}
	return fmt.Errorf("unknown register format %q", b)
}

// Register says where a device keeps a number: value = raw x Scale.
type Register struct {
	Function byte // ReadHolding or ReadInput
	Address  uint16
	Format   Format
	Swapped  bool    // low word first
	Scale    float64 // to the unit of the quantity; not 0
}

// Validate tells what is wrong with r.
func (r Register) Validate() error {
	if r.Function != ReadHolding && r.Function != ReadInput || r.Format >= formatCount || !(math.Abs(r.Scale) > 0) || math.IsInf(r.Scale, 0) {
		return fmt.Errorf("register 0x%04x with function %d, format %v, scale %g: expected function 3 or 4, a format, a scale that is not 0", r.Address, r.Function, r.Format, r.Scale)
	}
	return nil
}

func (r Register) words() int {
	if r.Format <= Uint16 {
		return 1
	}
	return 2
}

// sentinels are what devices send for "no value": the ends of int16, NaN.
func (r Register) decode(words []uint16) (float64, bool) {
	if r.words() == 1 {
		if w := words[0]; w == 0x8000 || w == 0x7FFF || w == 0xFFFF && r.Format == Uint16 {
			return 0, false
		}
		if r.Format == Int16 {
			return float64(int16(words[0])) * r.Scale, true
		}
		return float64(words[0]) * r.Scale, true
	}
	high, low := words[0], words[1]
	if r.Swapped {
		high, low = low, high
	}
	v := uint32(high)<<16 | uint32(low)
	switch r.Format {
	case Int32:
		return float64(int32(v)) * r.Scale, v != 0x80000000 && v != 0x7FFFFFFF
	case Uint32:
		return float64(v) * r.Scale, v != 0xFFFFFFFF
	}
	f := float64(math.Float32frombits(v))
	return f * r.Scale, !math.IsNaN(f) && !math.IsInf(f, 0)
}

// value makes the number from a register's words.
func (r Register) value(device byte, words []uint16) (float64, error) {
	v, ok := r.decode(words)
	if !ok {
		return 0, probe.Faultf(hardware.Implausible, "no_value", "read modbus device %d, register 0x%04x: % x: what stands for no value", device, r.Address, words)
	}
	return v, nil
}

// read gives a register's words.
func (r Register) read(m *Master, device byte) ([]uint16, error) {
	return m.Read(device, r.Function, r.Address, r.words())
}

// beside tells whether a register follows r without a gap, for the same function.
func (r Register) beside(next Register) bool {
	return r.Function == next.Function && int(r.Address)+r.words() == int(next.Address)
}

// FrozenAfter is how long a transmitter's values may stay the same to the last digit.
const FrozenAfter = 30 * time.Minute

// Transmitter is a humidity transmitter.
type Transmitter struct {
	Master      *Master
	Device      byte
	Temperature Register // Celsius
	Humidity    Register // Ratio: 0.001 is the scale of a register in tenths of a percent

	last  [4]uint16
	since mono.Instant
	seen  bool
}

// words reads both numbers: in one request when they stand side by side, so that one answer cannot be taken for the other.
func (t *Transmitter) words() (temperature, humidity []uint16, err error) {
	first, second, swapped := t.Temperature, t.Humidity, t.Humidity.beside(t.Temperature)
	if swapped {
		first, second = second, first
	}
	var a, b []uint16
	if first.beside(second) {
		n := first.words()
		if a, err = t.Master.Read(t.Device, first.Function, first.Address, n+second.words()); err == nil {
			a, b = a[:n], a[n:]
		}
	} else if a, err = first.read(t.Master, t.Device); err == nil {
		b, err = second.read(t.Master, t.Device)
	}
	if swapped {
		a, b = b, a
	}
	return a, b, err
}

// Measure reads both values. now is for what takes long to be seen.
func (t *Transmitter) Measure(now mono.Instant) (probe.Air, error) {
	tw, hw, err := t.words()
	if err != nil {
		return probe.Air{}, err
	}
	temperature, err := t.Temperature.value(t.Device, tw)
	if err != nil {
		return probe.Air{}, err
	}
	humidity, err := t.Humidity.value(t.Device, hw)
	if err != nil {
		return probe.Air{}, err
	}
	air := probe.Air{Temperature: quantity.Celsius(temperature), Unclipped: quantity.Ratio(humidity), Humidity: quantity.Ratio(min(max(humidity, 0), 1))}
	if air.Temperature < probe.AirMin || air.Temperature > probe.AirMax || humidity < -0.05 || humidity > 1.1 {
		return air, probe.Faultf(hardware.Implausible, "out_of_range", "read modbus device %d: %v and %.1f %%: no air of a kiln, or another register map", t.Device, air.Temperature, humidity*100)
	}
	var raw [4]uint16
	copy(raw[:2], tw)
	copy(raw[2:], hw)
	if !t.seen || raw != t.last {
		t.last, t.since, t.seen = raw, now, true
	}
	if still := now.Sub(t.since); still >= FrozenAfter {
		return air, probe.Faultf(hardware.Implausible, "frozen", "read modbus device %d: %v and %.1f %% to the last digit for %v: it hangs", t.Device, air.Temperature, humidity*100, still.Truncate(time.Minute))
	}
	return air, nil
}

// EnergyMeter is a meter with a register of energy that only grows.
type EnergyMeter struct {
	Master *Master
	Device byte
	Energy Register      // joule: 3600 x 1000 is the scale of a register in kilowatt-hours
	Most   quantity.Watt // no more can flow; a total that grew faster is refused

	last quantity.Joule
	at   mono.Instant
	seen bool
}

// Measure reads the total. A total that went back is told once, and counted from there.
func (e *EnergyMeter) Measure(now mono.Instant) (quantity.Joule, error) {
	raw, err := e.Energy.read(e.Master, e.Device)
	if err != nil {
		return 0, err
	}
	v, err := e.Energy.value(e.Device, raw)
	if err != nil {
		return 0, err
	}
	total := quantity.Joule(v)
	if !(total >= 0) {
		return 0, probe.Faultf(hardware.Implausible, "out_of_range", "read modbus device %d: total %g J (registers %04x)", e.Device, v, raw)
	}
	last, spent, seen := e.last, now.Sub(e.at), e.seen
	resolution := quantity.Joule(math.Abs(e.Energy.Scale))
	most := quantity.Joule(float64(e.Most)*(spent.Seconds()+1)) + 2*resolution
	e.last, e.at, e.seen = total, now, true
	switch {
	case seen && total < last:
		return 0, probe.Faultf(hardware.Implausible, "went_back", "read modbus device %d: total %g J after %g J: another meter, or it was reset", e.Device, float64(total), float64(last))
	case seen && e.Most > 0 && total-last > most:
		return 0, probe.Faultf(hardware.Implausible, "jumped", "read modbus device %d: total %g J, %v ago %g J: more than can flow", e.Device, float64(total), spent, float64(last))
	}
	return total, nil
}
