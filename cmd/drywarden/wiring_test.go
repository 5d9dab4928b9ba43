package main

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"drywarden/cmd/drywarden/internal/kilnfile"
	"drywarden/hardware"
)

// line is the level of a line with a circuit as the table describes it, worked out from its words.
func line(t *testing.T, circuit string, closed, broken bool) kilnfile.Level {
	t.Helper()
	pull, rail := kilnfile.High, kilnfile.Low
	switch {
	case strings.HasSuffix(circuit, ", to ground; pull-up to 3.3 V"):
	case strings.HasSuffix(circuit, ", to 3.3 V; pull-down"):
		pull, rail = kilnfile.Low, kilnfile.High
	default:
		t.Fatalf("%q is no circuit", circuit)
	}
	if closed && !broken {
		return rail
	}
	return pull
}

// A contact wired as the table says reads active when the thing named is so and only then, and a broken wire reads as what
// stops the kiln.
func TestCircuitOfContacts(t *testing.T) {
	stops := map[bool]kilnfile.Level{}
	for _, active := range []kilnfile.Level{kilnfile.High, kilnfile.Low} {
		inactive := kilnfile.High + kilnfile.Low - active
		for id := range hardware.ContactCount {
			forbids := false
			switch id {
			case hardware.ContactEStop, hardware.ContactDoor, hardware.ContactHighLimit, hardware.ContactHighPressure, hardware.ContactLowPressure,
				hardware.ContactSmoke, hardware.ContactGas, hardware.ContactFloat, hardware.ContactInsideButton, hardware.ContactInhibit:
				forbids = true
			}
			circuit := dry(active, opens.Has(id))
			normallyClosed := strings.HasPrefix(circuit, "normally closed")
			require.True(t, normallyClosed || strings.HasPrefix(circuit, "normally open"))
			require.Equal(t, active, line(t, circuit, !normallyClosed, false), "%v, %v active: %s", id, active, circuit)
			require.Equal(t, inactive, line(t, circuit, normallyClosed, false), "%v, %v active: %s", id, active, circuit)
			stops[true], stops[false] = active, inactive
			require.Equal(t, stops[forbids], line(t, circuit, false, true), "%v, %v active, wire broken: %s", id, active, circuit)
		}
		// A mirror contact is open while the contactor is in.
		circuit := dry(active, true)
		require.Contains(t, circuit, "normally closed")
		require.Equal(t, active, line(t, circuit, false, false))
	}
}

// What the electrician needs beside places: circuits of each kind of part, from a file that has them all.
func TestWiringTellsCircuits(t *testing.T) {
	text := strings.Replace(deployed(t, "kiln.toml"), `read_back = "gpiochip0/23"`, "read_back = \"gpiochip0/23\"\nread_back_active = \"low\"", 1)
	text = strings.Replace(text, `kilograms_per_pulse = "0.25 kg"`, "kilograms_per_pulse = \"0.25 kg\"\nactive = \"low\"", 1)
	text = strings.Replace(text, "wires = 3", "wires = 2", 1)
	text = strings.Replace(text, "amperes_per_volt = 20.0", "amperes_per_volt = 20.0\nzero_volts = 0.33", 1)
	text += `
[[probe]]
id = "pin-1"
role = "pin"
lot = 1
place = "a quarter deep"
driver = "ads1115"
bus = "i2c-1"
address = "0x4a/0"
front_end.divider = { supply_volts = 3.3, reference = "100 Mohm", least_volts = 0.002 }
[[probe]]
id = "pin-2"
role = "pin"
lot = 1
place = "a quarter deep"
driver = "ads1115"
bus = "i2c-1"
address = "0x4a/1"
front_end.logarithmic = { reference = "100 Mohm", at_reference_volts = 2.0, volts_per_decade = 0.5, low_volts = 0.1, high_volts = 4.0 }
[[probe]]
id = "cell-1"
role = "load_cell"
lot = 1
place = "under the sample"
driver = "iio"
bus = "iio:device0"
address = "0"
weigh = { chip = "hx711", tare_counts = 8388608.0, kilograms_per_count = 5e-5, rated_load = "20 kg" }
`
	file, err := kilnfile.Read("kiln.toml", []byte(text))
	require.NoError(t, err)
	told := map[string]string{}
	list := wires(file)
	for _, w := range list {
		told[w.Kind+" "+w.Name] = w.Details + "\n" + w.Circuit
	}
	for what, says := range map[string]string{
		"output heat_1":     "mirror contact to gpiochip0/23: normally closed, to 3.3 V; pull-down",
		"output heat_2":     "mirror contact to gpiochip0/24: normally closed, to ground; pull-up to 3.3 V",
		"output compressor": "current transducer to adc0/0: 20 A a volt, 0.33 V without a current",
		"output heartbeat":  "timer relay of the master contactor",
		"probe db-1":        "PT100, 2 wires; reference resistor 430 ohm; 60 Hz mains",
		"probe wb-1":        "3 wires; reference resistor 430 ohm; 60 Hz mains; 10 Mohm from RTDIN+ to BIAS",
		"probe rh-1":        "9600 baud, 8 bits, no parity, 1 stop bit",
		"probe pin-1":       "3.3 V over the pins and 100 Mohm to ground",
		"probe pin-2":       "2 V at its check resistor of 100 Mohm",
		"probe cell-1":      "hx711, load cell for 20 kg",
		"meter condensate":  "normally open, to ground; pull-up to 3.3 V",
		"meter energy":      "normally open, to 3.3 V; pull-down",
		"expander relay1":   "A0 to 3.3 V, A1 to ground, A2 to ground",
		"converter adc0":    "ADDR to ground",
	} {
		require.Contains(t, told[what], says, what)
	}
	require.NotContains(t, told["probe db-1"], "RTDIN+", "no help with two wires")

	notes := strings.Join(wiringNotes(list), "\n")
	for _, says := range []string{"3.3 V", "never left open", "IEC 60947-4-1", "120 ohm", "4.7 kohm", "RTDIN+", "isolated"} {
		require.Contains(t, notes, says)
	}
	file.Outputs, file.Probes = file.Outputs[1:2], nil
	require.NotContains(t, strings.Join(wiringNotes(wires(file)), "\n"), "transformer", "what is not there is not spoken of")
}
