package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/BurntSushi/toml"
	"github.com/stretchr/testify/require"

	"drywarden/controller/store"
	"drywarden/hardware/board"
	"drywarden/hardware/hardwaretest/chip"
	"drywarden/hardware/probe/modbus"
)

// leftOn puts the bench's relays as a daemon that was killed left them.
func (b *bench) leftOn(t *testing.T) {
	require.NoError(t, b.relay.Transfer([]byte{0x14, 0x03, 0}, nil))
	require.NoError(t, b.relay.Transfer([]byte{0x00, 0, 0}, nil))
	now, _ := b.relay.Driven()
	require.Equal(t, uint16(3), now)
}

// Beside a daemon nothing is switched off: it would switch it on again, or lose its relays without knowing why. Once it is
// dead, however it died, everything goes off.
func TestOutputsOffBesideDaemon(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench()
		path := kilnOn(t, benchKiln)
		b.leftOn(t)
		daemon, err := store.LockFolder(filepath.Join(filepath.Dir(path), "state"))
		require.NoError(t, err)
		code, _, err := onBench(b, &hand{}, "outputs", "off", "--config", path)
		require.Equal(t, exitRefused, code)
		require.ErrorContains(t, err, fmt.Sprintf("another daemon (process %d) runs on the state folder ", os.Getpid()))
		require.ErrorContains(t, err, fmt.Sprintf("; if process %d hangs, kill it first, or give --force", os.Getpid()))
		now, _ := b.relay.Driven()
		require.Equal(t, uint16(3), now, "nothing was touched")
		require.Zero(t, b.opened)

		// It hangs, and holds its lines: what is on an expander goes off, and the rest is told, with who and where.
		_, err = b.gpio.Claim([]string{"17"}, true)
		require.NoError(t, err)
		code, _, err = onBench(b, &hand{}, "outputs", "off", "--force", "--config", path)
		require.Equal(t, exitFailed, code)
		require.Regexp(t, `kiln.toml:\d+: output\[4\].line: found "gpiochip0/17": line 17: device or resource busy`, err.Error())
		now, _ = b.relay.Driven()
		require.Zero(t, now)

		b = newBench() // it is dead: the kernel has let go of its lock and its lines
		b.leftOn(t)
		require.NoError(t, daemon.Close())
		code, out, err := onBench(b, &hand{}, "outputs", "off", "--config", path)
		require.Equal(t, exitDone, code, err)
		require.Equal(t, "4 outputs of kiln bench off\n", out)
		now, _ = b.relay.Driven()
		require.Zero(t, now)
		code, out, err = onBench(b, &hand{}, "--json", "outputs", "off", "--config", path)
		require.Equal(t, exitDone, code, err)
		require.JSONEq(t, `{"kiln": "bench", "outputs_off": 4}`, out)
	})
}

// A state folder that cannot be had is no reason to leave anything on; one that may not be looked into could be a daemon's.
func TestOutputsOffWithoutStateFolder(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench()
		path := kilnOn(t, benchKiln)
		b.leftOn(t)
		require.NoError(t, os.WriteFile(filepath.Join(filepath.Dir(path), "state"), nil, 0o600)) // no folder
		code, out, err := onBench(b, &hand{}, "outputs", "off", "--config", path)
		require.Equal(t, exitDone, code, err)
		require.Contains(t, out, "whether a daemon runs cannot be told: ")
		now, _ := b.relay.Driven()
		require.Zero(t, now)
	})
	require.True(t, offInSpite(errors.New("input/output error")))
	require.False(t, offInSpite(fmt.Errorf("lock state folder: %w", fs.ErrPermission)))
	require.False(t, offInSpite(&store.LockedError{Dir: "state"}))
}

func TestServiceUnitSwitchesOffAfterward(t *testing.T) {
	unit, err := os.ReadFile("../../deploy/drywarden@.service")
	require.NoError(t, err)
	command := regexp.MustCompile(`(?m)^ExecStopPost=-/usr/bin/drywarden (.*)$`).FindSubmatch(unit)
	require.NotNil(t, command)
	synctest.Test(t, func(t *testing.T) {
		b := newBench()
		b.leftOn(t)
		path := kilnOn(t, benchKiln)
		code, _, err := onBench(b, &hand{}, strings.Fields(strings.ReplaceAll(string(command[1]), "/etc/drywarden/%i.toml", path))...)
		require.Equal(t, exitDone, code, err)
		now, _ := b.relay.Driven()
		require.Zero(t, now)
	})
}

// What probe list prints is TOML; with role and place said, it is a kiln file's probes.
func TestProbeListCanBePasted(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench()
		b.buses["i2c-2"].Plug(0x45, &chip.SHT{Clock: b.sensor[0].Clock, Four: true})
		code, out, err := onBench(b, &hand{}, "probe", "list")
		require.Equal(t, exitDone, code, err)
		now, ever := b.relay.Driven()
		require.Zero(t, now|ever)
		for line := range strings.Lines(out) {
			require.LessOrEqual(t, len(strings.TrimRight(line, "\n")), 150, line)
		}
		var tables struct {
			Probe    []map[string]any `toml:"probe"`
			Expander []map[string]any `toml:"expander"`
		}
		_, err = toml.Decode(out, &tables)
		require.NoError(t, err, out)
		require.Len(t, tables.Probe, 4)
		require.Equal(t, map[string]any{"id": "probe-4", "driver": "sht4x", "bus": "i2c-2", "address": "0x45"}, tables.Probe[3])
		require.Equal(t, []map[string]any{{"id": "expander-0", "bus": "i2c-1", "address": "0x20"}}, tables.Expander)
		require.Contains(t, out, "# line = \"gpiochip0/1\"   # used by leds")

		// Pasted as it is, the file says line by line what is left for a person to say.
		from, to := strings.Index(benchKiln, "[[probe]]"), strings.Index(benchKiln, "[[contact]]")
		rest := benchKiln[:from] + "%s\n" + strings.ReplaceAll(benchKiln[to:], "relay0/", "expander-0/")
		_, err = readKiln("kiln.toml", fmt.Appendf(nil, rest, out))
		require.ErrorContains(t, err, "probe[1].role: found nothing")
		require.ErrorContains(t, err, "probe[4].place: found nothing")
		// With that said it is a kiln's.
		out = strings.NewReplacer("# place", "place", "# role", "role").Replace(out)
		for _, role := range []string{"dry_bulb", "dry_bulb", "wet_bulb", "outdoor_temperature"} {
			out = strings.Replace(out, `role = "humidity"`, "role = "+strconv.Quote(role), 1)
		}
		_, err = readKiln("kiln.toml", fmt.Appendf(nil, rest, out))
		require.NoError(t, err)
	})
}

// Every driver's table can be pasted, and what no driver is known for is a comment, whatever it says.
func TestPaste(t *testing.T) {
	var out strings.Builder
	require.NoError(t, paste(&out, []board.Found{
		{Bus: "spi0.0", Driver: board.MAX31865, Saw: "registers 00"},
		{Bus: "iio:device0", Address: "0", Driver: board.IIO, Saw: "the kernel calls it \"nau7802\""},
		{Bus: "w1-1", Address: "28-000000000001", Driver: board.DS18B20, Saw: "read: no answer\nagain"},
		{Bus: "i2c-1", Address: "0x44", Saw: "answers = maybe\n[[probe]]"},
		{Bus: "i2c-1", Address: "0x48", Perhaps: board.ADS1115, Saw: "answers"},
		{Bus: "i2c-1", Address: "0x20", Driver: board.MCP23017}, {Bus: "i2c-1", Address: "0x21", Driver: board.MCP23017},
	}, nil))
	var tables map[string][]map[string]any
	_, err := toml.Decode(out.String(), &tables)
	require.NoError(t, err, out.String())
	require.Len(t, tables["probe"], 3)
	require.Len(t, tables["expander"], 2)
	uncommented := strings.NewReplacer("# rtd", "rtd", "# weigh", "weigh", "# [[converter]]", "[[converter]]", "# id", "id", "# bus", "bus", "# address", "address",
		"# amp", "amp").Replace(out.String())
	tables = nil
	_, err = toml.Decode(uncommented, &tables)
	require.NoError(t, err)
	require.Contains(t, tables["probe"][0], "rtd")
	require.Contains(t, tables["probe"][1], "weigh")
	require.Equal(t, []map[string]any{{"id": "adc-0", "bus": "i2c-1", "address": "0x48", "amperes_per_volt": 20.0}}, tables["converter"])
	out.Reset()
	require.NoError(t, paste(&out, nil, nil))
	require.Contains(t, out.String(), "Nothing on any bus")
}

// Beside a daemon no bus is even opened.
func TestProbeListBesideDaemon(t *testing.T) {
	b := newBench()
	b.used = []string{"gpiochip0", "i2c-1"}
	code, out, err := onBench(b, &hand{}, "probe", "list")
	require.Equal(t, exitRefused, code)
	require.EqualError(t, err, "another drywarden uses gpiochip0, i2c-1: stop it first (systemctl stop drywarden@NAME)")
	require.Empty(t, out)
	require.Zero(t, b.opened)
}

// Every number of probe watch has its unit, in the units of the file; in JSON it is in the key, and SI.
func TestProbeWatchUnits(t *testing.T) {
	kiln := strings.NewReplacer(`place = "left"`, "place = \"left\"\noffset = \"-0.9 Fd\"").Replace(benchKiln)
	kiln = strings.Replace(kiln, "[[expander]]", `[[probe]]
id = "rh-1"
role = "humidity"
place = "left"
driver = "sht3x"
bus = "i2c-1"
address = "0x45"
offset = "1 %"
[[expander]]`, 1)
	watch := func(t *testing.T, kiln string, flags ...string) (*bench, string) {
		b := newBench()
		b.buses["i2c-2"].Plug(0x44, nil)
		code, out, err := onBench(b, &hand{}, append(flags, "probe", "watch", "--times", "1", "--every", "10s", "--config", kilnOn(t, kiln))...)
		require.Equal(t, exitDone, code, err)
		return b, regexp.MustCompile(` +`).ReplaceAllString(out, " ")
	}
	synctest.Test(t, func(t *testing.T) {
		_, out := watch(t, kiln)
		require.Regexp(t, `db-1 dry_bulb 20\.00 C -0\.50 K 19\.50 C \d\.\d s`, out)
		require.Regexp(t, `db-2 dry_bulb 21\.00 C none 21\.00 C \d\.\d s`, out)
		require.Regexp(t, `rh-1 humidity 60\.0 % RH \+1\.0 % 61\.0 % RH \d\.\d s`, out)
		require.Regexp(t, `wb-1 wet_bulb - none - - no_answer: .*0x44`, out, "never read")
		_, out = watch(t, `units = "us"`+kiln)
		require.Regexp(t, `db-1 dry_bulb 68\.00 F -0\.90 Fd 67\.10 F \d\.\d s`, out)
		require.Regexp(t, `rh-1 humidity 60\.0 % RH`, out)
		_, out = watch(t, `units = "us"`+kiln, "--json")
		var list []map[string]any
		require.NoError(t, json.Unmarshal([]byte(out), &list))
		require.InDelta(t, 20, list[0]["raw_celsius"], 0.01)
		require.InDelta(t, -0.5, list[0]["offset_kelvin"], 1e-9)
		require.InDelta(t, 19.5, list[0]["value_celsius"], 0.01)
		require.InDelta(t, 0.6, list[3]["raw_ratio"], 1e-4)
		require.InDelta(t, 0.61, list[3]["value_ratio"], 1e-4)
		require.Contains(t, list[2], "raw_celsius")
		require.Nil(t, list[2]["raw_celsius"])
		require.Nil(t, list[2]["value_celsius"])
	})
}

// A probe that worked and then did not shows what it read last, and how long ago, beside its fault.
func TestProbeWatchFaulty(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench()
		path := kilnOn(t, benchKiln)
		time.AfterFunc(15*time.Second, func() { b.buses["i2c-1"].Plug(0x45, nil) })
		code, out, err := onBench(b, &hand{}, "probe", "watch", "--times", "3", "--every", "10s", "--config", path)
		require.Equal(t, exitDone, code, err)
		blocks := strings.Split(strings.TrimSpace(regexp.MustCompile(` +`).ReplaceAllString(out, " ")), "\n\n")
		require.Regexp(t, `db-2 dry_bulb 21\.00 C none 21\.00 C`, blocks[0])
		require.Regexp(t, `db-2 dry_bulb 21\.00 C none - 1\d\.\d s no_answer: `, blocks[2])
	})
}

// A calibration on a day to come is a slip of the pen that would hold for years: check says so.
func TestCheckOfDates(t *testing.T) {
	path := kilnOn(t, strings.Replace(benchKiln, "place = \"left\"\n", "place = \"left\"\ncalibrated = 2996-03-14\n", 1))
	code, _, err := onBench(newBench(), &hand{}, "check", path)
	require.NotEqual(t, exitDone, code)
	require.Regexp(t, `kiln.toml:16: probe\[1\].calibrated: found 2996-03-14, expected a day that has been: today is \d`, err.Error())
}

func TestSerialCircuit(t *testing.T) {
	require.Contains(t, serialCircuit(0, modbus.NoParity), " 9600 baud, 8 bits, no parity, 1 stop bit")
	require.Contains(t, serialCircuit(19200, modbus.Even), " 19200 baud, 8 bits, even parity, 1 stop bit")
}
