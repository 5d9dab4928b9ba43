package main

import (
	"fmt"
	"strings"
	"time"

	"drywarden/cmd/drywarden/internal/kilnfile"
	"drywarden/hardware/quantity"
)

// columns is the width that every text is made for.
const columns = 80

func temperature(celsius float64, units kilnfile.Units) string {
	if units == kilnfile.US {
		return fmt.Sprintf("%.0f F", quantity.Celsius(celsius).Fahrenheit())
	}
	return fmt.Sprintf("%.1f C", celsius)
}

func mass(kg float64, units kilnfile.Units) string {
	if units == kilnfile.US {
		return fmt.Sprintf("%.0f gal", kg/float64(quantity.WaterPerGallon))
	}
	return fmt.Sprintf("%.0f kg", kg)
}

// days tells a time as people say it.
func days(d time.Duration) string {
	switch {
	case d >= 48*time.Hour:
		return fmt.Sprintf("%.1f d", d.Hours()/24)
	case d >= 2*time.Hour:
		return fmt.Sprintf("%.0f h", d.Hours())
	case d >= 2*time.Minute:
		return fmt.Sprintf("%.0f min", d.Minutes())
	}
	return fmt.Sprintf("%.0f s", d.Seconds())
}

// wrap breaks text into lines of at most columns, the first after lead, the others after indent.
func wrap(lead, text, indent string) string {
	var b strings.Builder
	line := lead
	empty := true
	for word := range strings.FieldsSeq(text) {
		if !empty && len([]rune(line))+1+len([]rune(word)) > columns {
			b.WriteString(strings.TrimRight(line, " ") + "\n")
			line, empty = indent, true
		}
		if !empty {
			line += " "
		}
		line += word
		empty = false
	}
	b.WriteString(strings.TrimRight(line, " ") + "\n")
	return b.String()
}
