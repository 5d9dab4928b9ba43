package schedule

import (
	"fmt"
	"strings"
)

// States on disk hold names, not numbers: a number whose meaning has moved would be believed, an unknown name is not.

var phaseNames = [phaseCount]string{"idle", "running", "done"}

// String gives the phase's name.
func (p Phase) String() string { return nameOf(phaseNames[:], uint8(p)) }

// MarshalText gives the name.
func (p Phase) MarshalText() ([]byte, error) { return []byte(p.String()), nil }

// UnmarshalText reads the name that String gives.
func (p *Phase) UnmarshalText(b []byte) error { return named(phaseNames[:], "phase", b, p) }

var causeNames = [causeCount]string{"moisture", "time", "exposure", "cooling", "operator_advance", "operator_back"}

// CauseNames gives the names by number, for records.
func CauseNames() []string { return causeNames[:] }

// String gives the cause's name.
func (c Cause) String() string { return nameOf(causeNames[:], uint8(c)) }

// MarshalText gives the name.
func (c Cause) MarshalText() ([]byte, error) { return []byte(c.String()), nil }

// UnmarshalText reads the name that String gives.
func (c *Cause) UnmarshalText(b []byte) error { return named(causeNames[:], "cause", b, c) }

// MarshalText gives the name.
func (g Group) MarshalText() ([]byte, error) { return []byte(g.String()), nil }

// UnmarshalText reads the name that String gives.
func (g *Group) UnmarshalText(b []byte) error { return named(groupNames[:], "group", b, g) }

var holdNames = [...]string{"operator", "outage", "files", "air", "door", "trip", "suspicious", "rate"}

// HoldNames gives the names of the reasons by bit, for records.
func HoldNames() []string { return holdNames[:] }

// String gives the reasons, "operator+door", or "none".
func (h Hold) String() string {
	if h == 0 {
		return "none"
	}
	var names []string
	for i := range 16 {
		if h&(1<<i) == 0 {
			continue
		}
		if i < len(holdNames) {
			names = append(names, holdNames[i])
		} else {
			names = append(names, fmt.Sprintf("unknown_%d", i))
		}
	}
	return strings.Join(names, "+")
}

// MarshalText gives the reasons.
func (h Hold) MarshalText() ([]byte, error) { return []byte(h.String()), nil }

// UnmarshalText reads what String gives.
func (h *Hold) UnmarshalText(b []byte) error {
	*h = 0
	if string(b) == "none" {
		return nil
	}
	for name := range strings.SplitSeq(string(b), "+") {
		var bit uint8
		if err := named(holdNames[:], "reason to hold", []byte(name), &bit); err != nil {
			return err
		}
		*h |= 1 << bit
	}
	return nil
}

func nameOf(names []string, i uint8) string {
	if int(i) < len(names) {
		return names[i]
	}
	return fmt.Sprintf("unknown_%d", i)
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
