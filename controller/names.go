package controller

import "fmt"

// States hold names, not numbers: a number whose meaning has moved would be believed, an unknown name is not.

// MarshalText gives the name.
func (m Mode) MarshalText() ([]byte, error) { return []byte(m.String()), nil }

// UnmarshalText reads the name that String gives.
func (m *Mode) UnmarshalText(b []byte) error { return named(modeNames[:], "mode", b, m) }

// MarshalText gives the name.
func (v Verb) MarshalText() ([]byte, error) { return []byte(v.String()), nil }

// UnmarshalText reads the name that String gives.
func (v *Verb) UnmarshalText(b []byte) error { return named(verbNames[:], "command", b, v) }

var outageNames = [...]string{"none", "short", "hours", "half_day", "long"}

// String gives the class's name.
func (c OutageClass) String() string {
	if int(c) < len(outageNames) {
		return outageNames[c]
	}
	return fmt.Sprintf("unknown_%d", uint8(c))
}

// MarshalText gives the name.
func (c OutageClass) MarshalText() ([]byte, error) { return []byte(c.String()), nil }

// UnmarshalText reads the name that String gives.
func (c *OutageClass) UnmarshalText(b []byte) error {
	return named(outageNames[:], "outage class", b, c)
}

var refusalNames = [refusalCount]string{"none", "busy", "no_run", "running", "moved_on", "limit", "first_stage", "last_stage",
	"uncertain", "forced", "nothing", "unlikely", "panel", "held", "unsteady", "key", "cold"}

// String gives the refusal's name.
func (r Refusal) String() string {
	if int(r) < len(refusalNames) {
		return refusalNames[r]
	}
	return fmt.Sprintf("unknown_%d", uint8(r))
}

func named[T ~uint8](names []string, noun string, text []byte, to *T) error {
	for i, name := range names {
		if name == string(text) {
			*to = T(i)
			return nil
		}
	}
	return fmt.Errorf("unknown %s %q", noun, text)
}
