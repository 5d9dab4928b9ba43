package main

import (
	"encoding/json"
	"fmt"
	"math"
	"strconv"

	"drywarden/cmd/drywarden/internal/kilnfile"
	"drywarden/hardware"
	"drywarden/hardware/board"
	"drywarden/hardware/quantity"
)

// scale is how values of a role are told.
type scale struct {
	key     string // in JSON, behind raw_, value_ and offset_
	unit    string
	digits  int
	of      func(float64) float64
	offset  string // unit of a difference
	perUnit float64
}

func same(v float64) float64 { return v }

// scaleOf gives the units in which a person reads a role; those of JSON are always SI.
func scaleOf(role hardware.Role, units kilnfile.Units) scale {
	switch {
	case role == hardware.RoleHumidity || role == hardware.RoleOutdoorHumidity:
		return scale{"ratio", "% RH", 1, func(v float64) float64 { return v * 100 }, "%", 100}
	case role == hardware.RolePin:
		return scale{"ohms", "Mohm", 3, func(v float64) float64 { return v / 1e6 }, "Mohm", 1e-6}
	case role == hardware.RoleLoadCell && units == kilnfile.US:
		per := 1 / 0.45359237 // the international pound, exact by definition
		return scale{"kilograms", "lb", 2, func(v float64) float64 { return v * per }, "lb", per}
	case role == hardware.RoleLoadCell:
		return scale{"kilograms", "kg", 3, same, "kg", 1}
	case units == kilnfile.US:
		return scale{"celsius", "F", 2, func(v float64) float64 { return quantity.Celsius(v).Fahrenheit() }, "Fd", 1.8}
	}
	return scale{"celsius", "C", 2, same, "K", 1}
}

// offsetKey is scale.key for a difference.
func (s *scale) offsetKey() string {
	if s.key == "celsius" {
		return "kelvin"
	}
	return s.key
}

func (s *scale) text(v float64) string {
	if math.IsNaN(v) {
		return "-"
	}
	return strconv.FormatFloat(s.of(v), 'f', s.digits, 64) + " " + s.unit
}

func (s *scale) offsetText(v float64) string {
	if v == 0 {
		return "none"
	}
	return fmt.Sprintf("%+.*f %s", s.digits, v*s.perUnit, s.offset)
}

// shownProbe is one probe as probe watch tells it.
type shownProbe struct {
	scale
	measured board.Measured
	role     string
	offset   float64
}

// MarshalJSON has the unit in the keys. What was never measured is null; so is the value of a probe that has a fault.
func (p shownProbe) MarshalJSON() ([]byte, error) {
	value := math.NaN()
	if p.measured.Reading.OK() {
		value = p.measured.Reading.Value
	}
	fault := ""
	if p.measured.Err != nil {
		fault = p.measured.Err.Error()
	}
	return json.Marshal(map[string]any{
		"probe": p.measured.Name, "role": p.role,
		"raw_" + p.key: finite(p.measured.Raw), "offset_" + p.offsetKey(): p.offset, "value_" + p.key: finite(value),
		"age_seconds": p.measured.Reading.Age.Seconds(), "quality": p.measured.Reading.Quality.String(), "fault": fault,
	})
}

func (a *app) printProbes(units kilnfile.Units, layout []hardware.Probe, all []board.Measured) error {
	list := make([]shownProbe, len(all))
	for i, m := range all {
		list[i] = shownProbe{scaleOf(layout[i].Role, units), m, layout[i].Role.String(), layout[i].Offset}
	}
	if a.json {
		return a.print(list)
	}
	w := a.columnsOf()
	fmt.Fprintln(w, "probe\trole\tas measured\toffset\twith offset\tage\t")
	for _, p := range list {
		m := &p.measured
		age, value, trouble := "-", "-", ""
		if !math.IsNaN(m.Raw) {
			age = fmt.Sprintf("%.1f s", m.Reading.Age.Seconds())
		}
		if m.Reading.OK() {
			value = p.text(m.Reading.Value)
		} else {
			trouble = m.Reading.Quality.String()
		}
		if m.Err != nil {
			trouble += ": " + m.Err.Error()
		}
		fmt.Fprintf(w, "%s\t%s\t%s\t%s\t%s\t%s\t%s\n", m.Name, p.role, p.text(m.Raw), p.offsetText(p.offset), value, age, trouble)
	}
	fmt.Fprintln(w)
	return w.Flush()
}
