package quantity

import (
	"encoding"
	"encoding/json"
	"fmt"
)

// In JSON a quantity is a plain number in the unit of its type: programs write and read it, the unit stands in the key,
// and every bit comes back. Text with a unit is read too. Without these methods encoding/json would write a number and
// then insist on text.

func unmarshalJSON[T ~float64](b []byte, to *T, text encoding.TextUnmarshaler) error {
	if len(b) > 0 && b[0] == '"' {
		var s string
		if err := json.Unmarshal(b, &s); err != nil {
			return err
		}
		return text.UnmarshalText([]byte(s))
	}
	if string(b) == "null" {
		return nil
	}
	var v float64
	if err := json.Unmarshal(b, &v); err != nil {
		return fmt.Errorf("read %s: expected a number: %w", b, err)
	}
	*to = T(v)
	return nil
}

// UnmarshalJSON reads a number.
func (t *Celsius) UnmarshalJSON(b []byte) error { return unmarshalJSON(b, t, t) }

// UnmarshalJSON reads a number.
func (t *CelsiusDelta) UnmarshalJSON(b []byte) error { return unmarshalJSON(b, t, t) }

// UnmarshalJSON reads a number.
func (t *CelsiusPerHour) UnmarshalJSON(b []byte) error { return unmarshalJSON(b, t, t) }

// UnmarshalJSON reads a number.
func (t *Ratio) UnmarshalJSON(b []byte) error { return unmarshalJSON(b, t, t) }

// UnmarshalJSON reads a number.
func (t *MoistureContent) UnmarshalJSON(b []byte) error { return unmarshalJSON(b, t, t) }

// UnmarshalJSON reads a number.
func (t *MoisturePerDay) UnmarshalJSON(b []byte) error { return unmarshalJSON(b, t, t) }

// UnmarshalJSON reads a number.
func (t *MoisturePerHour) UnmarshalJSON(b []byte) error { return unmarshalJSON(b, t, t) }

// UnmarshalJSON reads a number.
func (t *Pascal) UnmarshalJSON(b []byte) error { return unmarshalJSON(b, t, t) }

// UnmarshalJSON reads a number.
func (t *Meter) UnmarshalJSON(b []byte) error { return unmarshalJSON(b, t, t) }

// UnmarshalJSON reads a number.
func (t *CubicMeter) UnmarshalJSON(b []byte) error { return unmarshalJSON(b, t, t) }

// UnmarshalJSON reads a number.
func (t *Kilogram) UnmarshalJSON(b []byte) error { return unmarshalJSON(b, t, t) }

// UnmarshalJSON reads a number.
func (t *KilogramPerHour) UnmarshalJSON(b []byte) error { return unmarshalJSON(b, t, t) }

// UnmarshalJSON reads a number.
func (t *KilogramPerCubicMeter) UnmarshalJSON(b []byte) error { return unmarshalJSON(b, t, t) }

// UnmarshalJSON reads a number.
func (t *Watt) UnmarshalJSON(b []byte) error { return unmarshalJSON(b, t, t) }

// UnmarshalJSON reads a number.
func (t *Joule) UnmarshalJSON(b []byte) error { return unmarshalJSON(b, t, t) }

// UnmarshalJSON reads a number.
func (t *WattPerKelvin) UnmarshalJSON(b []byte) error { return unmarshalJSON(b, t, t) }

// UnmarshalJSON reads a number.
func (t *JoulePerKelvin) UnmarshalJSON(b []byte) error { return unmarshalJSON(b, t, t) }

// UnmarshalJSON reads a number.
func (t *Ohm) UnmarshalJSON(b []byte) error { return unmarshalJSON(b, t, t) }

// UnmarshalJSON reads a number.
func (t *Ampere) UnmarshalJSON(b []byte) error { return unmarshalJSON(b, t, t) }

// UnmarshalJSON reads a number.
func (t *MeterPerSecond) UnmarshalJSON(b []byte) error { return unmarshalJSON(b, t, t) }

// UnmarshalJSON reads a number.
func (t *CubicMeterPerHour) UnmarshalJSON(b []byte) error { return unmarshalJSON(b, t, t) }

// UnmarshalJSON reads a number.
func (t *PerHour) UnmarshalJSON(b []byte) error { return unmarshalJSON(b, t, t) }
