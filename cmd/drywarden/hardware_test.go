package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"

	"drywarden/hardware/board"
	"drywarden/hardware/hardwaretest/chip"
	"drywarden/hardware/mono"
)

// bench is a computer with three humidity sensors, whose temperatures serve as bulbs, and an expander with relays.
type bench struct {
	buses  map[string]*chip.I2C
	gpio   chip.GPIO
	relay  chip.MCP23017
	sensor [3]*chip.SHT // db-1, db-2, wb-1
	used   []string     // by another process
	opened int          // buses
}

const benchKiln = `
name = "bench"
altitude = "100 m"
volume = "20 m3"
state = "state"
metrics = "off"
not_fitted = ["blower_airflow", "gas", "mains", "inhibit", "panel_key", "vent_open", "vent_shut", "water_supply", "high_pressure", "low_pressure", "smoke", "float", "inside_button"]
[hardware]
kind = "board"
[limits]
hard_limit = "75 C"
[[probe]]
id = "db-1"
role = "dry_bulb"
place = "left"
driver = "sht3x"
bus = "i2c-1"
address = "0x44"
[[probe]]
id = "db-2"
role = "dry_bulb"
place = "right"
driver = "sht3x"
bus = "i2c-1"
address = "0x45"
[[probe]]
id = "wb-1"
role = "wet_bulb"
place = "left, in the wick"
driver = "sht3x"
bus = "i2c-2"
address = "0x44"
[[expander]]
id = "relay0"
bus = "i2c-1"
address = "0x20"
[[contact]]
id = "airflow"
line = "gpiochip0/5"
active = "low"
[[contact]]
id = "e_stop"
line = "gpiochip0/6"
active = "high"
[[contact]]
id = "door"
line = "gpiochip0/13"
active = "high"
[[contact]]
id = "high_limit"
line = "gpiochip0/19"
active = "high"
[[contact]]
id = "panel_reset"
line = "gpiochip0/7"
active = "high"
[[output]]
id = "fan_forward_1"
line = "relay0/0"
active = "high"
read_back = "gpiochip0/22"
[[output]]
id = "heat_1"
line = "relay0/1"
active = "high"
read_back = "gpiochip0/23"
[[output]]
id = "sounder"
line = "relay0/2"
active = "high"
[[output]]
id = "heartbeat"
line = "gpiochip0/17"
active = "high"
`

func newBench() *bench {
	b := &bench{buses: map[string]*chip.I2C{"i2c-1": {}, "i2c-2": {}}}
	clock := mono.NewReal(time.Second)
	for i := range b.sensor {
		b.sensor[i] = &chip.SHT{Clock: clock}
		b.sensor[i].Set(20+float64(i), 60)
	}
	b.buses["i2c-1"].Plug(0x44, b.sensor[0])
	b.buses["i2c-1"].Plug(0x45, b.sensor[1])
	b.buses["i2c-2"].Plug(0x44, b.sensor[2])
	b.buses["i2c-1"].Plug(0x20, &b.relay)
	for line, high := range map[string]bool{"5": true, "6": false, "13": false, "19": false, "7": false, "22": false, "23": false} {
		b.gpio.Put(line, high)
	}
	return b
}

func (b *bench) I2C(bus string) (board.I2C, error) {
	b.opened++
	if c := b.buses[bus]; c != nil {
		return c, nil
	}
	return nil, errors.New("no such bus")
}
func (b *bench) SPI(string) (board.SPI, error) { return nil, errors.New("no such bus") }
func (b *bench) Serial(string, board.SerialLine) (board.Serial, error) {
	return nil, errors.New("no such port")
}
func (b *bench) Outputs(_ string, lines []string) (board.Lines, error) {
	return b.gpio.Claim(lines, true)
}
func (b *bench) Inputs(_ string, lines []string) (board.Lines, error) {
	return b.gpio.Claim(lines, false)
}
func (b *bench) Places() board.Places {
	return board.Places{I2C: []string{"i2c-1", "i2c-2"}, IIORoot: "testdata/none"}
}
func (b *bench) Chips() []board.Chip {
	return []board.Chip{{Name: "gpiochip0", Label: "pinctrl", Lines: []board.ChipLine{{Name: "GPIO0"}, {User: "leds"}}}}
}
func (b *bench) InUse() []string { return b.used }

// hand is a person's: each line they type comes with what they do at that moment.
type hand struct {
	does []func() string
}

func (h *hand) Read(to []byte) (int, error) {
	if len(h.does) == 0 {
		return 0, errors.New("nobody is there")
	}
	line := h.does[0]()
	h.does = h.does[1:]
	return copy(to, line), nil
}

func checkBench(t *testing.T, b *bench, kiln string, person *hand, flags ...string) (int, string) {
	code, out, err := onBench(b, person, append(append([]string{"check", "--hardware"}, flags...), kilnOn(t, kiln))...)
	return code, strings.ReplaceAll(out, "\n  ", " ") + fmt.Sprint(err)
}

// kilnOn writes a kiln file and gives its path.
func kilnOn(t *testing.T, kiln string) string {
	path := filepath.Join(t.TempDir(), "kiln.toml")
	require.NoError(t, os.WriteFile(path, []byte(kiln), 0o600))
	return path
}

// onBench does one command line on a bench.
func onBench(b *bench, person *hand, args ...string) (code int, told string, err error) {
	var out, errs bytes.Buffer
	a := &app{in: person, out: &out, err: &errs, host: func() (host, error) { return b, nil }}
	root := a.root()
	root.SetArgs(args)
	err = root.ExecuteContext(context.Background())
	if known, ok := errors.AsType[*coded](err); ok {
		code = known.code
	} else if err != nil {
		code = exitUse
	}
	return code, out.String() + errs.String(), err
}

// Nothing is said of a kiln that is as its file says.
func TestCheckHardwareInOrder(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench()
		code, out := checkBench(t, b, benchKiln, &hand{})
		require.Equal(t, exitDone, code, out)
		require.Contains(t, out, "kiln bench: 3 probes, 5 contacts, 4 outputs: 0 faults")
		require.NotContains(t, out, "look at")
		now, ever := b.relay.Driven()
		require.Zero(t, now|ever, "nothing was switched on")
	})
}

// Each thing that is not as the file says is told, with where it is.
func TestCheckHardwareFinds(t *testing.T) {
	for _, x := range []struct {
		name  string
		does  func(*bench)
		kiln  func(string) string
		says  string
		fault bool
	}{
		{"missing", func(b *bench) { b.buses["i2c-1"].Plug(0x45, nil) }, nil, "FAULT probe db-2: no answer on i2c-1 0x45", true},
		{"not in the file", func(b *bench) { b.buses["i2c-2"].Plug(0x45, &chip.SHT{Clock: b.sensor[0].Clock}) }, nil, "look at i2c-2 0x45: is there and not in the kiln file", false},
		{"cannot be told apart", func(b *bench) { b.sensor[1].Set(20, 60) }, nil, "look at probes db-1 and db-2: read the same", false},
		{"on though off", func(b *bench) { b.gpio.Put("23", true) }, nil, "FAULT output heat_1: its contactor says on though it is told off", true},
		{"air without fans", func(b *bench) { b.gpio.Put("5", false) }, nil, "FAULT contact airflow: proves air though every fan is off", true},
		{"door the wrong way round", func(b *bench) { b.gpio.Put("13", true) }, nil, "look at contact door: is active now", false},
		{"expander gone", func(b *bench) { b.buses["i2c-1"].Plug(0x20, nil) }, nil, "switch everything off at the start: outputs of relay0: set up mcp23017 at 0x20", true},
		{"no safe level", nil, func(k string) string {
			return strings.Replace(k, "relay0/2\"\nactive = \"high\"", "relay0/2\"\nactive = \"low\"", 1)
		}, "no safe level", true},
		{"line taken", nil, func(k string) string { return strings.Replace(k, "relay0/2", "relay0/1", 1) }, "each line once", true},
		{"two probes at one address", nil, func(k string) string { return strings.Replace(k, "0x45", "0x44", 1) }, "each address on a bus once", true},
		{"no such bus", nil, func(k string) string { return strings.Replace(k, "i2c-2", "i2c-7", 1) }, `probe[3].bus: found "i2c-7": no such bus, expected one that is there: i2c-1, i2c-2`, true},
	} {
		t.Run(x.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				b, kiln := newBench(), benchKiln
				if x.does != nil {
					x.does(b)
				}
				if x.kiln != nil {
					kiln = x.kiln(kiln)
				}
				code, out := checkBench(t, b, kiln, &hand{})
				require.Contains(t, out, x.says)
				require.Equal(t, x.fault, code != exitDone, out)
			})
		})
	}
}

// A warm hand finds bulbs that are exchanged.
func TestCheckHardwareByHand(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench()
		warm := func(i int) func() string {
			return func() string { b.sensor[i].Set(30+float64(i), 60); return "\n" }
		}
		code, out := checkBench(t, b, benchKiln, &hand{[]func() string{warm(0), warm(1), warm(2)}}, "--warm-hand")
		require.Equal(t, exitDone, code, out)
		require.Contains(t, out, "wb-1: yes")

		b = newBench() // dry and wet bulb exchanged; nobody can reach db-2
		code, out = checkBench(t, b, benchKiln, &hand{[]func() string{warm(2), func() string { return "s\n" }, warm(0)}}, "--warm-hand")
		require.Equal(t, exitFailed, code, out)
		require.Contains(t, out, "FAULT probe db-1: was warmed, and wb-1 got warmer: exchange i2c-1 0x44 and i2c-2 0x44 in the kiln file, or the plugs")
		require.Contains(t, out, "look at probe db-2: was not warmed")

		b = newBench() // the hand is on nothing
		code, out = checkBench(t, b, benchKiln, &hand{[]func() string{func() string { return "\n" }, warm(1), warm(2)}}, "--warm-hand")
		require.Equal(t, exitFailed, code, out)
		require.Contains(t, out, "FAULT probe db-1: no probe got 1.5 K warmer within 90 s")
	})
}
