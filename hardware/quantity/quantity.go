package quantity

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"
)

type (
	// Celsius is a temperature in degrees Celsius.
	Celsius float64
	// CelsiusDelta is a temperature difference in kelvin.
	CelsiusDelta float64
	// CelsiusPerHour is a rate of temperature change in kelvin an hour.
	CelsiusPerHour float64
	// Ratio is a dimensionless share, 0 to 1: relative humidity, duty, speed.
	Ratio float64
	// MoistureContent is water in wood (or EMC of air) in percent of oven-dry mass.
	MoistureContent float64
	// MoisturePerDay is a rate of moisture loss in points (percent of oven-dry mass) a day; loss is positive.
	MoisturePerDay float64
	// MoisturePerHour is a rate of EMC change in points an hour.
	MoisturePerHour float64
	// Pascal is a pressure.
	Pascal float64
	// Meter is a length.
	Meter float64
	// CubicMeter is a volume.
	CubicMeter float64
	// Kilogram is a mass.
	Kilogram float64
	// KilogramPerHour is a rate of water removal.
	KilogramPerHour float64
	// KilogramPerCubicMeter is a density.
	KilogramPerCubicMeter float64
	// Watt is a power.
	Watt float64
	// Joule is an energy.
	Joule float64
	// WattPerKelvin is a heat-loss coefficient.
	WattPerKelvin float64
	// JoulePerKelvin is a heat capacity.
	JoulePerKelvin float64
	// Ohm is a resistance.
	Ohm float64
	// Ampere is a current.
	Ampere float64
	// MeterPerSecond is an air speed.
	MeterPerSecond float64
	// CubicMeterPerHour is an air flow.
	CubicMeterPerHour float64
	// PerHour is a count an hour (air changes, starts).
	PerHour float64
	// Duration is time.Duration whose text form demands a unit: "90 s", "5 min", "6 h", "21 d".
	Duration time.Duration
)

// Std gives the duration as time.Duration.
func (d Duration) Std() time.Duration { return time.Duration(d) }

// Fahrenheit gives the temperature in degrees Fahrenheit.
func (t Celsius) Fahrenheit() float64 { return float64(t)*1.8 + 32 }

// FromFahrenheit converts degrees Fahrenheit.
func FromFahrenheit(f float64) Celsius { return Celsius((f - 32) / 1.8) }

// Kelvin gives the absolute temperature.
func (t Celsius) Kelvin() float64 { return float64(t) + 273.15 }

// Sub gives the difference t - u.
func (t Celsius) Sub(u Celsius) CelsiusDelta { return CelsiusDelta(t - u) }

// Add gives t raised by d.
func (t Celsius) Add(d CelsiusDelta) Celsius { return t + Celsius(d) }

// WaterPerGallon is the mass of one US gallon of water (3.785411784 L, NIST SP 811, at 1 kg/L).
const WaterPerGallon Kilogram = 3.785411784

// BoardFoot is the volume of one board foot, 144 cubic inches exactly (NIST SP 811: 1 in = 25.4 mm).
const BoardFoot CubicMeter = 144 * 0.0254 * 0.0254 * 0.0254

type unit struct {
	name          string
	scale, offset float64 // si = value*scale + offset
}

// kind describes how one type is written: its name in errors, its units, and the range in which a value can be meant.
type kind struct {
	noun     string
	units    []unit
	min, max float64
}

// The first unit of each list is the one String prints.
var (
	celsiusKind     = kind{"temperature", []unit{{"C", 1, 0}, {"F", 1 / 1.8, -32 / 1.8}, {"°C", 1, 0}, {"°F", 1 / 1.8, -32 / 1.8}}, -100, 400}
	deltaKind       = kind{"temperature difference", []unit{{"K", 1, 0}, {"Fd", 1 / 1.8, 0}}, -200, 200}
	tempRateKind    = kind{"temperature ramp", []unit{{"K/h", 1, 0}, {"Fd/h", 1 / 1.8, 0}}, 0, 1000}
	ratioKind       = kind{"ratio", []unit{{"%", 0.01, 0}}, 0, 1}
	moistureKind    = kind{"moisture content", []unit{{"%", 1, 0}}, 0, 400}
	moistDayKind    = kind{"drying rate", []unit{{"%/d", 1, 0}}, 0, 100}
	moistHourKind   = kind{"EMC ramp", []unit{{"%/h", 1, 0}}, 0, 100}
	pascalKind      = kind{"pressure", []unit{{"Pa", 1, 0}, {"hPa", 100, 0}, {"kPa", 1000, 0}, {"mbar", 100, 0}}, 0, 1e7}
	meterKind       = kind{"length", []unit{{"mm", 1e-3, 0}, {"m", 1, 0}, {"cm", 1e-2, 0}, {"in", 0.0254, 0}, {"ft", 0.3048, 0}}, -500, 9000}
	volumeKind      = kind{"volume", []unit{{"m3", 1, 0}, {"bf", float64(BoardFoot), 0}, {"MBF", 1000 * float64(BoardFoot), 0}, {"ft3", 0.3048 * 0.3048 * 0.3048, 0}, {"L", 1e-3, 0}}, 0, 1e5}
	kilogramKind    = kind{"mass", []unit{{"kg", 1, 0}, {"g", 1e-3, 0}, {"lb", 0.45359237, 0}, {"gal", float64(WaterPerGallon), 0}, {"L", 1, 0}}, 0, 1e6}
	kgPerHourKind   = kind{"water rate", []unit{{"kg/h", 1, 0}, {"gal/h", float64(WaterPerGallon), 0}, {"gal/d", float64(WaterPerGallon) / 24, 0}}, 0, 1e4}
	densityKind     = kind{"density", []unit{{"kg/m3", 1, 0}}, 0, 3000}
	wattKind        = kind{"power", []unit{{"kW", 1000, 0}, {"W", 1, 0}}, 0, 1e7}
	jouleKind       = kind{"energy", []unit{{"kWh", 3.6e6, 0}, {"J", 1, 0}, {"MJ", 1e6, 0}}, 0, 1e15}
	wattKelvinKind  = kind{"heat loss", []unit{{"W/K", 1, 0}}, 0, 1e5}
	jouleKelvinKind = kind{"heat capacity", []unit{{"MJ/K", 1e6, 0}, {"kJ/K", 1e3, 0}}, 0, 1e12}
	ohmKind         = kind{"resistance", []unit{{"Mohm", 1e6, 0}, {"ohm", 1, 0}, {"kohm", 1e3, 0}, {"Gohm", 1e9, 0}}, 0, 1e15}
	ampereKind      = kind{"current", []unit{{"A", 1, 0}}, 0, 1e4}
	speedKind       = kind{"air speed", []unit{{"m/s", 1, 0}, {"fpm", 0.00508, 0}}, 0, 100}
	flowKind        = kind{"air flow", []unit{{"m3/h", 1, 0}, {"cfm", 1.69901082, 0}}, 0, 1e6}
	perHourKind     = kind{"count an hour", []unit{{"/h", 1, 0}}, 0, 1e4}
	durationKind    = kind{"duration", []unit{{"s", 1, 0}, {"min", 60, 0}, {"h", 3600, 0}, {"d", 86400, 0}}, 0, 3.2e8}
)

func (k kind) expected() string {
	names := make([]string, 0, len(k.units))
	for _, u := range k.units {
		if !strings.HasPrefix(u.name, "°") {
			names = append(names, u.name)
		}
	}
	return fmt.Sprintf("a %s with its unit (%s)", k.noun, strings.Join(names, ", "))
}

func (k kind) parse(text string) (float64, error) {
	text = strings.TrimSpace(text)
	end := len(text)
	// Unit names hold digits too (m3, ft3): the number ends at the first character that no number has.
	for i, r := range text {
		if !strings.ContainsRune("+-.0123456789eE", r) || ((r == 'e' || r == 'E') && (i+1 >= len(text) || !strings.ContainsRune("+-0123456789", rune(text[i+1])))) {
			end = i
			break
		}
	}
	value, err := strconv.ParseFloat(strings.TrimSpace(text[:end]), 64)
	if err != nil {
		return 0, fmt.Errorf("%q: expected %s", text, k.expected())
	}
	name := strings.TrimSpace(text[end:])
	for _, u := range k.units {
		if u.name != name {
			continue
		}
		si := value*u.scale + u.offset
		if math.IsNaN(si) || si < k.min || si > k.max {
			return 0, fmt.Errorf("%q: no %s of this kiln is outside %s to %s", text, k.noun, k.in(k.min, u), k.in(k.max, u))
		}
		return si, nil
	}
	if name == "" {
		return 0, fmt.Errorf("%q: unit missing, expected %s", text, k.expected())
	}
	return 0, fmt.Errorf("%q: unknown unit %q, expected %s", text, name, k.expected())
}

func (k kind) in(si float64, u unit) string {
	return strconv.FormatFloat((si-u.offset)/u.scale, 'g', 4, 64) + " " + u.name
}

func (k kind) format(si float64) string {
	u := k.units[0]
	return strconv.FormatFloat(math.Round((si-u.offset)/u.scale*1e6)/1e6, 'f', -1, 64) + " " + u.name
}

func unmarshal[T ~float64](k kind, text []byte, to *T) error {
	value, err := k.parse(string(text))
	if err == nil {
		*to = T(value)
	}
	return err
}

// UnmarshalText reads "43.3 C" or "110 F".
func (t *Celsius) UnmarshalText(b []byte) error { return unmarshal(celsiusKind, b, t) }

// UnmarshalText reads "2.8 K" or "5 Fd".
func (t *CelsiusDelta) UnmarshalText(b []byte) error { return unmarshal(deltaKind, b, t) }

// UnmarshalText reads "3 K/h" or "5 Fd/h".
func (t *CelsiusPerHour) UnmarshalText(b []byte) error { return unmarshal(tempRateKind, b, t) }

// UnmarshalText reads "35 %".
func (t *Ratio) UnmarshalText(b []byte) error { return unmarshal(ratioKind, b, t) }

// UnmarshalText reads "7.5 %".
func (t *MoistureContent) UnmarshalText(b []byte) error { return unmarshal(moistureKind, b, t) }

// UnmarshalText reads "3.8 %/d".
func (t *MoisturePerDay) UnmarshalText(b []byte) error { return unmarshal(moistDayKind, b, t) }

// UnmarshalText reads "1 %/h".
func (t *MoisturePerHour) UnmarshalText(b []byte) error { return unmarshal(moistHourKind, b, t) }

// UnmarshalText reads "101325 Pa" or "1013 hPa".
func (t *Pascal) UnmarshalText(b []byte) error { return unmarshal(pascalKind, b, t) }

// UnmarshalText reads "52 mm", "2 in", or a nominal thickness "8/4".
func (t *Meter) UnmarshalText(b []byte) error {
	if m, ok := nominal(strings.TrimSpace(string(b))); ok {
		*t = m
		return nil
	}
	return unmarshal(meterKind, b, t)
}

// UnmarshalText reads "2.0 m3" or "840 bf".
func (t *CubicMeter) UnmarshalText(b []byte) error { return unmarshal(volumeKind, b, t) }

// UnmarshalText reads "3.2 kg", "7 lb" or, of water, "12 gal".
func (t *Kilogram) UnmarshalText(b []byte) error { return unmarshal(kilogramKind, b, t) }

// UnmarshalText reads "4.4 kg/h".
func (t *KilogramPerHour) UnmarshalText(b []byte) error { return unmarshal(kgPerHourKind, b, t) }

// UnmarshalText reads "560 kg/m3".
func (t *KilogramPerCubicMeter) UnmarshalText(b []byte) error { return unmarshal(densityKind, b, t) }

// UnmarshalText reads "3 kW".
func (t *Watt) UnmarshalText(b []byte) error { return unmarshal(wattKind, b, t) }

// UnmarshalText reads "12 kWh".
func (t *Joule) UnmarshalText(b []byte) error { return unmarshal(jouleKind, b, t) }

// UnmarshalText reads "60 W/K".
func (t *WattPerKelvin) UnmarshalText(b []byte) error { return unmarshal(wattKelvinKind, b, t) }

// UnmarshalText reads "0.3 MJ/K".
func (t *JoulePerKelvin) UnmarshalText(b []byte) error { return unmarshal(jouleKelvinKind, b, t) }

// UnmarshalText reads "4.6 Mohm".
func (t *Ohm) UnmarshalText(b []byte) error { return unmarshal(ohmKind, b, t) }

// UnmarshalText reads "12 A".
func (t *Ampere) UnmarshalText(b []byte) error { return unmarshal(ampereKind, b, t) }

// UnmarshalText reads "1.5 m/s".
func (t *MeterPerSecond) UnmarshalText(b []byte) error { return unmarshal(speedKind, b, t) }

// UnmarshalText reads "600 m3/h".
func (t *CubicMeterPerHour) UnmarshalText(b []byte) error { return unmarshal(flowKind, b, t) }

// UnmarshalText reads "6 /h".
func (t *PerHour) UnmarshalText(b []byte) error { return unmarshal(perHourKind, b, t) }

// UnmarshalText reads "90 s", "5 min", "6 h" or "21 d".
func (d *Duration) UnmarshalText(b []byte) error {
	seconds, err := durationKind.parse(string(b))
	if err == nil {
		*d = Duration(math.Round(seconds * 1e9))
	}
	return err
}

// nominalGreen gives the usual rough-sawn green thickness of the common nominal sizes in millimetres; common
// practice, no source.
var nominalGreen = map[int]float64{4: 27, 5: 33, 6: 40, 8: 52}

// nominal reads a thickness in quarters of an inch ("8/4"), between 3/4 and 16/4.
func nominal(text string) (Meter, bool) {
	quarters, ok := strings.CutSuffix(text, "/4")
	n, err := strconv.Atoi(quarters)
	if !ok || err != nil || n < 3 || n > 16 {
		return 0, false
	}
	if mm, ok := nominalGreen[n]; ok {
		return Meter(mm / 1000), true
	}
	return Meter((float64(n)*6.35 + 1.5) / 1000), true
}

func (t Celsius) String() string               { return celsiusKind.format(float64(t)) }
func (t CelsiusDelta) String() string          { return deltaKind.format(float64(t)) }
func (t CelsiusPerHour) String() string        { return tempRateKind.format(float64(t)) }
func (t Ratio) String() string                 { return ratioKind.format(float64(t)) }
func (t MoistureContent) String() string       { return moistureKind.format(float64(t)) }
func (t MoisturePerDay) String() string        { return moistDayKind.format(float64(t)) }
func (t MoisturePerHour) String() string       { return moistHourKind.format(float64(t)) }
func (t Pascal) String() string                { return pascalKind.format(float64(t)) }
func (t Meter) String() string                 { return meterKind.format(float64(t)) }
func (t CubicMeter) String() string            { return volumeKind.format(float64(t)) }
func (t Kilogram) String() string              { return kilogramKind.format(float64(t)) }
func (t KilogramPerHour) String() string       { return kgPerHourKind.format(float64(t)) }
func (t KilogramPerCubicMeter) String() string { return densityKind.format(float64(t)) }
func (t Watt) String() string                  { return wattKind.format(float64(t)) }
func (t Joule) String() string                 { return jouleKind.format(float64(t)) }
func (t WattPerKelvin) String() string         { return wattKelvinKind.format(float64(t)) }
func (t JoulePerKelvin) String() string        { return jouleKelvinKind.format(float64(t)) }
func (t Ohm) String() string                   { return ohmKind.format(float64(t)) }
func (t Ampere) String() string                { return ampereKind.format(float64(t)) }
func (t MeterPerSecond) String() string        { return speedKind.format(float64(t)) }
func (t CubicMeterPerHour) String() string     { return flowKind.format(float64(t)) }
func (t PerHour) String() string               { return perHourKind.format(float64(t)) }

// String gives the largest whole unit: "21 d", "6 h", "90 s".
func (d Duration) String() string {
	seconds := time.Duration(d).Seconds()
	for _, u := range []unit{{"d", 86400, 0}, {"h", 3600, 0}, {"min", 60, 0}} {
		if n := seconds / u.scale; n >= 1 && n == math.Trunc(n) {
			return strconv.FormatFloat(n, 'f', -1, 64) + " " + u.name
		}
	}
	return strconv.FormatFloat(seconds, 'f', -1, 64) + " s"
}

// MarshalText gives the String form, which UnmarshalText reads back.
func (d Duration) MarshalText() ([]byte, error) { return []byte(d.String()), nil }

// Finite tells whether v is a usable number: neither NaN nor an infinity.
func Finite(v float64) bool { return v-v == 0 } // it is asked of every reading in every tick

// Quantize rounds v to a multiple of step, so that what is recorded is what was used.
func Quantize(v, step float64) float64 { return math.Round(v/step) * step }
