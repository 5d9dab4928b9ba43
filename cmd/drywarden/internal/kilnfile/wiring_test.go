package kilnfile

import (
	"errors"
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"drywarden/hardware/board"
	"drywarden/hardware/mono"
	"drywarden/hardware/probe/ads1115"
	"drywarden/hardware/probe/max31865"
	"drywarden/hardware/probe/modbus"
	"drywarden/schedule"
)

func TestWiringOfTheExample(t *testing.T) {
	f, err := Read("kiln.toml", []byte(read(t, boardExample)))
	require.NoError(t, err)
	c := f.Wiring(&mono.Manual{})
	require.NoError(t, c.Check())
	require.Len(t, c.Probes, len(f.Probes))
	require.Equal(t, board.Expander{Key: "expander[1]", Name: "relay0", Bus: "i2c-1", Address: 0x20}, c.Expanders[0])
	require.InDelta(t, 20, c.Outputs[0].AmperesPerVolt, 0, "of its converter")
	require.True(t, c.Contacts[0].ActiveLow)
	require.InDelta(t, 0.25, c.Condensate.Each, 0)
	require.InDelta(t, 3600, c.Energy.Each, 1e-9, "a watt-hour")
}

// Every table that the example explains can be read as it is written there.
func TestWiringOfEveryDriver(t *testing.T) {
	text := read(t, boardExample) + `
[[probe]]
id = "db-3"
role = "dry_bulb"
place = "x"
driver = "max31865"
bus = "spi1.0"
rtd = { wires = 3, reference = "430 ohm", mains_hz = 60 }
[[probe]]
id = "rh-2"
role = "humidity"
place = "x"
driver = "modbus"
bus = "/dev/serial/by-id/x"
address = "1"
registers.temperature = { function = 3, address = 0, scale = 0.1 }
registers.humidity = { function = 3, address = 1, scale = 0.1 }
[[probe]]
id = "pin-1"
role = "pin"
lot = 1
place = "x"
driver = "ads1115"
bus = "i2c-1"
address = "0x4a/0"
front_end.divider = { supply_volts = 3.3, reference = "100 Mohm", least_volts = 0.002 }
[[probe]]
id = "cell-1"
role = "load_cell"
lot = 1
place = "x"
driver = "iio"
bus = "iio:device0"
address = "0"
weigh = { chip = "hx711", tare_counts = 8388608.0, kilograms_per_count = 5e-5, rated_load = "20 kg" }
[[probe]]
id = "rh-1-t"
role = "leaving_air"
place = "x"
driver = "sht3x"
bus = "i2c-1"
address = "0x44"
`
	f, err := Read("kiln.toml", []byte(text))
	require.NoError(t, err)
	p := f.Wiring(&mono.Manual{}).Probes[8:]
	require.Equal(t, max31865.Settings{Wires: 3, Nominal: 100, Reference: 430, Mains: 60}, p[0].RTD)
	require.InDelta(t, 0.001, p[1].Registers.Humidity.Scale, 1e-12, "a tenth of a percent as a ratio")
	require.Equal(t, ads1115.Divider{Supply: 3.3, Reference: 1e8, Least: 0.002}, p[2].Pin.Front)
	require.InDelta(t, 5e-5, float64(p[3].Cell.PerCount), 0)

	for _, x := range []struct{ old, new, key, says string }{
		{`driver = "modbus"`, `driver = "modbas"`, "probe[10].driver", `found "modbas", expected one of max31865, ds18b20, `},
		{`address = "0x4a/0"`, `address = "0x48/0"`, "output[3].current", "input 0 of address 0x48 on i2c-1, which probe pin-1 uses already"},
		{`bus = "w1-2"`, `bus = "onewire"`, "probe[8].bus", `found "onewire", expected a name like "w1-1"`},
		{`line = "relay0/3"` + "\nactive = \"high\"", `line = "relay0/3"` + "\nactive = \"low\"", "output[4].active", "no safe level"},
		{`line = "relay1/4"`, `line = "relay1/44"`, "output[13].line", "0 to 15"},
		{`address = "0x21"`, `address = "0x20"`, "expander[2].address", "expander relay0 uses already"},
		{`address = "0x21"`, `address = "33a"`, "expander[2].address", `found "33a", expected an address on I2C`},
		{`wires = 3`, `wires = 5`, "probe[9].rtd.wires", "found 5, expected 2 to 4"},
		{`reference = "430 ohm"`, `reference = "43 ohm"`, "probe[9].rtd.reference", `found "43 ohm", expected about 4 times the nominal resistance of 100 ohm`},
		{`mains_hz = 60`, `mains_hz = 400`, "probe[9].rtd.mains_hz", "found 400, expected 50 or 60"},
		// Figures are refused, not bent to what fits.
		{`address = 1, `, `address = -5, `, "probe[10].registers.humidity.address", "found -5, expected 0 to 65535"},
		{`address = 1, `, `address = 70000, `, "probe[10].registers.humidity.address", "found 70000, expected 0 to 65535"},
		{`function = 3, address = 1`, `function = 259, address = 1`, "probe[10].registers.humidity.function", "found 259, expected 3 or 4"},
		{`address = 1, scale = 0.1`, `address = 1, scale = 0.0`, "probe[10].registers.humidity.scale", "found 0, expected what one count stands for"},
		{"registers.humidity =", "registers.baud = -7\nregisters.humidity =", "probe[10].registers.baud", "found -7, expected one of 1200, 2400, 4800, 9600,"},
		{"registers.humidity =", "registers.baud = 0\nregisters.humidity =", "probe[10].registers.baud", "found 0, expected one of 1200"},
		{"registers.humidity =", "registers.parity = \"mark\"\nregisters.humidity =", "probe[10].registers.parity", `found "mark", expected one of none, even, odd`},
		{"registers.humidity =", "registers.timeout = \"5 s\"\nregisters.humidity =", "probe[10].registers.timeout", `found "5 s", expected 0.02 s to 2 s`},
		{"registers.humidity =", "registers.timeout = \"0 s\"\nregisters.humidity =", "probe[10].registers.timeout", `found "0 s", expected 0.02 s to 2 s`},
		{`kilograms_per_count = 5e-5`, `kilograms_per_count = 0.0`, "probe[12].weigh.kilograms_per_count", "found 0, expected what weighing"},
		// What a driver does not read.
		{`driver = "sht3x"`, "driver = \"sht3x\"\nrtd = { wires = 3, mains_hz = 60 }", "probe[13].rtd", "found rtd of a sht3x, expected none: it belongs to max31865"},
		{`bus = "spi1.0"`, "bus = \"spi1.0\"\naddress = \"0x44\"", "probe[9].address", "found address of a max31865, expected none"},
		{"rtd = { wires = 3, reference = \"430 ohm\", mains_hz = 60 }", "", "probe[9].rtd", "found nothing, expected rtd, which a max31865 needs"},
		{"address = \"0x44\"\n", "", "probe[13].address", "found nothing, expected address, which a sht3x needs"},
		// Chips of lines.
		{`line = "relay1/4"`, `line = "relay9/4"`, "output[13].line", `found "relay9/4" on a chip that is not in this file, expected a line on gpiochip0 or its like, on the id of an [[expander]], or on a label in hardware.gpio_chips (relay0, relay1)`},
		{`line = "gpiochip0/13"`, `line = "gpio/13"`, "contact[3].line", "not in this file"},
		{`read_back = "gpiochip0/24"`, `read_back = "pinctrl/24"`, "output[7].read_back", "not in this file"},
		{`read_back = "gpiochip0/24"`, `read_back_active = "low"`, "output[7].read_back_active", `found "low" without read_back`},
	} {
		at := strings.LastIndex(text, x.old) // the first may be in a comment
		require.Positive(t, at, x.old)
		changed := text[:at] + x.new + text[at+len(x.old):]
		faults := faultsOf(t, changed)
		require.Len(t, faults, 1, "%s: %v", x.new, faults)
		require.Equal(t, x.key, faults[0].Key)
		require.Contains(t, faults[0].String(), x.says)
		line := strings.Split(changed, "\n")[faults[0].Line-1]
		if faults[0].Found != "nothing" {
			require.Contains(t, line, x.key[strings.LastIndex(x.key, ".")+1:], "the line of the field")
		}
	}

	// Several at once: the wiring is judged although something else is wrong.
	faults := faultsOf(t, strings.Replace(strings.Replace(text, `driver = "modbus"
bus`, `driver = "modbas"
bus`, 1), `altitude = "620 ft"`, `altitude = "620"`, 1))
	require.Len(t, faults, 2, "%v", faults)

	// How a serial line is set.
	at := strings.LastIndex(text, "registers.humidity = {")
	set := text[:at] + "registers.baud = 19200\nregisters.parity = \"even\"\nregisters.timeout = \"0.5 s\"\n" + text[at:]
	f, err = Read("kiln.toml", []byte(set))
	require.NoError(t, err)
	r := f.Wiring(&mono.Manual{}).Probes[9].Registers
	require.Equal(t, 19200, r.Baud)
	require.Equal(t, modbus.Even, r.Parity)
	require.Equal(t, 500*time.Millisecond, r.Timeout)

	// A chip may be named by its label once the file says so.
	labelled := strings.Replace(strings.ReplaceAll(text, "gpiochip0/", "pinctrl-bcm2711/"), "[hardware]\n", "[hardware]\ngpio_chips = [\"pinctrl-bcm2711\"]\n", 1)
	_, err = Read("kiln.toml", []byte(labelled))
	require.NoError(t, err)
}

// Where the wiring is found wrong only when it is opened, the sentence has the file's line, too.
func TestLocate(t *testing.T) {
	text := read(t, boardExample)
	f, err := Read("kiln.toml", []byte(text))
	require.NoError(t, err)
	cause := errors.New("no such file or directory")
	other := errors.New("the disk is full")
	err = f.Locate(errors.Join(&board.WiringFault{Key: "probe[4]", Field: "bus", Found: `"i2c-7": no such file or directory`, Expected: "one that is there: i2c-1", Err: cause}, other))
	line := 1 + strings.Count(text[:strings.Index(text, `bus = "/dev/ttyAMA0"`)], "\n")
	require.EqualError(t, err, fmt.Sprintf("kiln.toml:%d: probe[4].bus: found \"i2c-7\": no such file or directory, expected one that is there: i2c-1\nthe disk is full", line))
	require.ErrorIs(t, err, cause)
	require.ErrorIs(t, err, other)
	require.NoError(t, f.Locate(nil))

	// Each once, in the order of the file.
	late, early := &board.WiringFault{Key: "expander[2]", Field: "bus", Found: "late"}, &board.WiringFault{Key: "probe[1]", Field: "bus", Found: "early"}
	err = f.Locate(errors.Join(late, errors.Join(other, early), late))
	require.Regexp(t, `^kiln.toml:\d+: probe\[1\].bus: found early\nkiln.toml:\d+: expander\[2\].bus: found late\nthe disk is full$`, err.Error())
}

// A contact that closes to ground reads the other way round: the file says so.
func TestWiringOfLevels(t *testing.T) {
	text := read(t, boardExample)
	f, err := Read("kiln.toml", []byte(text))
	require.NoError(t, err)
	c := f.Wiring(&mono.Manual{})
	require.False(t, c.Outputs[2].ReadBackLow, "high is the rule")
	require.False(t, c.Condensate.Low)
	for _, x := range [][2]string{
		{`read_back = "gpiochip0/22"`, "read_back = \"gpiochip0/22\"\nread_back_active = \"low\""},
		{`line = "gpiochip0/25"`, "line = \"gpiochip0/25\"\nactive = \"low\""},
		{`line = "gpiochip0/27"`, "line = \"gpiochip0/27\"\nactive = \"low\""},
	} {
		require.Contains(t, text, x[0])
		text = strings.Replace(text, x[0], x[1], 1)
	}
	f, err = Read("kiln.toml", []byte(text))
	require.NoError(t, err)
	c = f.Wiring(&mono.Manual{})
	require.True(t, c.Outputs[2].ReadBackLow)
	require.False(t, c.Outputs[5].ReadBackLow, "another's")
	require.True(t, c.Condensate.Low)
	require.True(t, c.Energy.Low)
}

// What is rarely there: a drive's speed by pulse-width modulation, an energy meter on Modbus, a contact that bounces long.
func TestWiringOfDriveAndMeter(t *testing.T) {
	text := read(t, boardExample)
	for _, x := range [][2]string{
		{"drive = false", "drive = true\ncurrent = \"4.3 A\"\nchannels = [\"pwmchip0/1\"]\nhertz = 2000.0"},
		{"[energy_meter]\nline = \"gpiochip0/27\"\nenergy_per_pulse = \"0.001 kWh\"",
			"[energy_meter]\nbus = \"/dev/serial/by-id/x\"\naddress = \"7\"\nmost_power = \"20 kW\"\nregister = { function = 4, address = 16, format = \"uint32\", scale = 0.01 }"},
		{"line = \"gpiochip0/13\"\nactive = \"high\"", "line = \"gpiochip0/13\"\nactive = \"high\"\ndebounce = \"0.2 s\""},
	} {
		require.Contains(t, text, x[0])
		text = strings.Replace(text, x[0], x[1], 1)
	}
	f, err := Read("kiln.toml", []byte(text))
	require.NoError(t, err)
	require.InDelta(t, 4.3, float64(f.Layout().FanCurrent), 1e-9)
	c := f.Wiring(&mono.Manual{})
	require.Equal(t, &board.Drive{Key: "fans", Channels: []string{"pwmchip0/1"}, Period: 500 * time.Microsecond}, c.Drive)
	require.Equal(t, &board.Meter{Key: "energy_meter", Bus: "/dev/serial/by-id/x", Device: 7, Most: 20000,
		Energy: modbus.Register{Function: 4, Address: 16, Format: modbus.Uint32, Scale: 36000}}, c.Meter, "a hundredth of a kilowatt-hour is 36 kJ")
	require.Nil(t, c.Energy)
	require.Equal(t, 200*time.Millisecond, c.Contacts[2].Debounce)

	for _, x := range []struct{ old, new, key, says string }{
		{"address = \"7\"", "address = \"700\"", "energy_meter.address", "1 to 247"},
		{"most_power = \"20 kW\"", "baud = 12345", "energy_meter.baud", "found 12345, expected one of 1200"},
		{"most_power = \"20 kW\"", "active = \"low\"", "energy_meter.active", "a key of a meter that pulses, expected none here"},
		{"most_power = \"20 kW\"", "timeout = \"0.001 s\"", "energy_meter.timeout", "expected 0.02 s to 2 s"},
		{"kilograms_per_pulse = \"0.25 kg\"", "kilograms_per_pulse = \"0.25 kg\"\nparity = \"even\"", "condensate_meter.parity", "a key of a meter on Modbus"},
		{"address = 16", "address = 65536", "energy_meter.register.address", "found 65536, expected 0 to 65535"},
		{"kilograms_per_pulse = \"0.25 kg\"", "kilograms_per_pulse = \"0.25 kg\"\nmost_power = \"1 kW\"", "condensate_meter.most_power", "a key of a meter on Modbus"},
		{"address = \"7\"\n", "", "energy_meter", "bus, address and register"},
		{"address = \"7\"\n", "address = \"7\"\nline = \"gpiochip0/27\"\n", "energy_meter", "one of them"},
		{"true\ncurrent = \"4.3 A\"", "true\ncurrent = \"430 A\"", "fans.current", "0 A to 200 A"},
		{"hertz = 2000.0", "hertz = 2.0", "fans.hertz", "10 to 50000"},
		{"drive = true", "drive = false", "fans.channels", "no channels"},
		{"[\"pwmchip0/1\"]", "[\"pwm1\"]", "fans.channels", "pwmchip0/1"},
		{"debounce = \"0.2 s\"", "debounce = \"2 s\"", "contact[3].debounce", "at most 1 s"},
	} {
		require.Contains(t, text, x.old)
		faults := faultsOf(t, strings.Replace(text, x.old, x.new, 1))
		require.Len(t, faults, 1, x.new)
		require.Equal(t, x.key, faults[0].Key)
		require.Contains(t, faults[0].String(), x.says)
	}
}

// A heat treatment wants probes whose calibration holds; nothing else asks for them.
func TestCalibrationForHeatTreatment(t *testing.T) {
	f, err := Read("kiln.toml", []byte(strings.Replace(read(t, boardExample), "calibrated = 2026-03-14", "calibrated = 2026-03-14\nrecalibrate = 2026-09-01", 1)))
	require.NoError(t, err)
	heat := &schedule.Plan{Schedule: schedule.Schedule{Stages: []schedule.Stage{{Kind: schedule.Dry}, {Kind: schedule.Heat, Exposure: time.Hour}}}}
	at := func(text string) time.Time {
		day, err := time.Parse(time.DateOnly, text)
		require.NoError(t, err)
		return day
	}
	require.NoError(t, f.CheckCalibration(heat, at("2026-08-31")))
	err = f.CheckCalibration(heat, at("2026-09-01"))
	require.ErrorContains(t, err, "probe[1].calibrated: found the calibration of probe db-1 ran out on 2026-09-01, expected a calibration that holds on 2026-09-01")
	require.Regexp(t, `^kiln.toml:\d+: `, err.Error())
	require.NotContains(t, err.Error(), "\n", "one probe")
	require.NoError(t, f.CheckCalibration(&schedule.Plan{Schedule: schedule.Schedule{Stages: heat.Schedule.Stages[:1]}}, at("2030-01-01")))
	err = f.CheckCalibration(heat, at("2027-03-14"))
	require.Len(t, strings.Split(err.Error(), "\n"), 4, "two dry bulbs, two cores: %v", err)

	require.NoError(t, f.CheckDates(at("2026-03-14")))
	require.NoError(t, f.CheckDates(at("2026-03-13").Add(11*time.Hour)), "it is the 14th somewhere")
	err = f.CheckDates(at("2026-03-12"))
	require.ErrorContains(t, err, "probe[1].calibrated: found 2026-03-14, expected a day that has been: today is 2026-03-12")
	require.Len(t, strings.Split(err.Error(), "\n"), 6, "all with a date")
	err = f.CheckCalibration(heat, at("2026-03-12"))
	require.ErrorContains(t, err, "found the calibration of probe db-1 on 2026-03-14, a day that has not been, expected a calibration that holds on 2026-03-12")

	f, err = Read("kiln.toml", []byte(strings.Replace(read(t, boardExample), "calibrated = 2026-03-14\n", "", 1)))
	require.NoError(t, err)
	require.ErrorContains(t, f.CheckCalibration(heat, at("2026-08-31")), "probe db-1 was never calibrated")

	faults := faultsOf(t, strings.Replace(read(t, boardExample), "calibrated = 2026-03-14", "calibrated = 2026-03-14\nrecalibrate = 2026-03-14", 1))
	require.Len(t, faults, 1)
	require.Equal(t, "probe[1].recalibrate", faults[0].Key)
}
