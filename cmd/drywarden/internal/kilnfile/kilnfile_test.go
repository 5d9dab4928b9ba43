package kilnfile

import (
	"errors"
	"os"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"drywarden/hardware"
	"drywarden/hardware/simkiln"
	"drywarden/safety"
	"drywarden/schedule/sheet"
)

const (
	boardExample     = "../../../../deploy/kiln.toml"
	simulatedExample = "../../../../deploy/simulated.toml"
)

func read(t *testing.T, path string) string {
	t.Helper()
	text, err := os.ReadFile(path)
	require.NoError(t, err)
	return string(text)
}

func TestBoardExample(t *testing.T) {
	f, err := Read("kiln.toml", []byte(read(t, boardExample)))
	require.NoError(t, err)
	layout := f.Layout()
	require.Empty(t, safety.CheckLayout(&layout))
	require.Equal(t, 1, layout.FanGroups)
	require.Equal(t, 2, layout.HeatStages)
	require.Len(t, layout.ByRole(hardware.RoleDryBulb), 2)
	require.True(t, layout.Outputs.Has(hardware.Heartbeat))
	require.True(t, layout.ReadBack.Has(hardware.Compressor))
	require.True(t, layout.Contacts.Has(hardware.ContactEStop))
	require.False(t, layout.Contacts.Has(hardware.ContactGas))
	require.InDelta(t, -0.2/1.8, layout.Probes[0].Offset, 1e-9, "-0.2 Fd is a difference")
	require.InDelta(t, 0.01, layout.Probes[3].Offset, 1e-9, "1.0 % of relative humidity")
	require.Equal(t, int8(0), layout.Probes[4].Lot)
	require.Equal(t, hardware.NoLot, layout.Probes[0].Lot)
	limits := f.SafetyLimits()
	require.NoError(t, limits.Validate())
	require.InDelta(t, 54.444, float64(limits.CompressorAmbientMax), 0.001, "130 F")
	kiln := f.ForSchedule(&layout)
	require.Equal(t, 2, kiln.Cores)
	require.InDelta(t, 48.889, float64(kiln.Machine.DryBulbMax), 0.001, "120 F")
	// Wood Handbook FPL-GTR-190, table 4-2: 120 F and 28 % RH lie between 4.6 (25 %) and 5.4 (30 %).
	require.InDelta(t, 5.1, float64(kiln.EMCMin), 0.15)
}

func TestSimulatedExample(t *testing.T) {
	f, err := Read("deploy/simulated.toml", []byte(read(t, simulatedExample)))
	require.NoError(t, err)
	require.Equal(t, "deploy/state/drywarden.sock", f.Path(f.Socket))
	require.InDelta(t, 67, float64(f.Limits.HighestSetPoint), 1e-9, "3 K under 70 C")
	require.InDelta(t, 45, float64(f.DryingMax()), 1e-9, "113 F")
	config := f.Plant(Load{})
	require.InDelta(t, 11, config.Fans.Flow, 1e-9)
	defaults := simkiln.DefaultConfig()
	require.Equal(t, defaults.Room.WallArea, config.Room.WallArea, "what is left out is as in the container")
}

// faultsOf reads text and gives its faults.
func faultsOf(t *testing.T, text string) []sheet.Fault {
	t.Helper()
	f, err := Read("kiln.toml", []byte(text))
	if err == nil {
		return nil
	}
	require.Nil(t, f)
	var faults *sheet.Faults
	require.True(t, errors.As(err, &faults), "%v", err)
	return faults.List
}

func TestFaultsOfOneChange(t *testing.T) {
	board, simulated := read(t, boardExample), read(t, simulatedExample)
	for _, c := range []struct {
		name, text, old, new string
		key, expected        string
	}{
		{"no unit", board, `hard_limit = "167 F"`, `hard_limit = "167"`, "limits.hard_limit", "unit"},
		{"bare number", board, `hard_limit = "167 F"`, `hard_limit = 167`, "limits.hard_limit", "unit"},
		{"NaN", board, `hard_limit = "167 F"`, `hard_limit = "nan F"`, "limits.hard_limit", ""},
		{"infinity", board, `altitude = "620 ft"`, `altitude = inf`, "altitude", ""},
		{"unknown key", board, `units = "us"`, `unit = "us"`, "unit", "units"},
		{"unknown choice", board, `units = "us"`, `units = "imperial"`, "units", "us"},
		{"compressor without a data plate", board, `ambient_max = "130 F"`, ``, "compressor.ambient_max", ""},
		{"drying above the data plate", board, `drying_max = "120 F"`, `drying_max = "135 F"`, "compressor.drying_max", "1 K under ambient_max"},
		{"rest too short", board, `min_off = "5 min"`, `min_off = "30 s"`, "compressor.min_off", "3 min"},
		{"limit too near the hard one", board, `dry_bulb_max = "158 F"`, `dry_bulb_max = "165 F"`, "limits.dry_bulb_max", "3 K under the hard-wired limit"},
		{"set point too near the limit", board, `highest_set_point = "150 F"`, `highest_set_point = "157 F"`, "limits.dry_bulb_max", "3 K over"},
		{"coast too short", board, `coast = "90 s"`, `coast = "20 s"`, "fans.coast", "1 min"},
		{"probe twice", board, `id = "db-2"`, `id = "db-1"`, "probe[2].id", "each probe once"},
		{"address twice", board, `address = "28-000000000012"`, `address = "28-000000000011"`, "probe[6].address", "once"},
		{"line twice", board, `line = "relay0/1"`, `line = "relay0/0"`, "output[2].line", "once"},
		{"output twice", board, `id = "heat_2"`, `id = "heat_1"`, "output[7].id", "each output once"},
		{"gap in the stages", board, `id = "heat_2"`, `id = "heat_3"`, "output", "without a gap"},
		{"offset in the wrong unit", board, `offset = "1.0 %"`, `offset = "1.0 K"`, "probe[4].offset", "%"},
		{"offset too large", board, `offset = "-0.2 Fd"`, `offset = "-20 Fd"`, "probe[1].offset", "broken"},
		{"contact unsaid", board, `"gas", `, ``, "not_fitted", "gas"},
		{"contact said twice", board, `not_fitted = [`, `not_fitted = ["door", `, "not_fitted[1]", "once"},
		{"no emergency stop", board, `id = "e_stop"`, `id = "gas"`, "not_fitted", "e_stop"},
		{"no heartbeat", board, `id = "heartbeat"`, `id = "heat_3"`, "output", "heartbeat"},
		{"no data plate at all", board, "[compressor]", "[compresor]", "compresor", "compressor"},
		{"bad address", board, `metrics = "127.0.0.1:9471"`, `metrics = "9471"`, "metrics", "off"},
		{"name with a space", board, `name = "north"`, `name = "north yard"`, "name", "characters"},
		{"spray of unknown rate", board, `rate = "2.5 gal/h"`, ``, "spray.rate", "water that the spray adds"},
		{"meter without a pulse", board, `kilograms_per_pulse = "0.25 kg"`, ``, "condensate_meter.kilograms_per_pulse", "pulse"},
		{"simulated kiln with a real probe", simulated, `[simulated]`, "[[contact]]\nid = \"door\"\nline = \"1\"\nactive = \"low\"\n\n[simulated]", "contact", "none in a simulated kiln"},
		{"simulated kiln that cannot be", simulated, `groups = 2`, `groups = 9`, "simulated", "can be simulated"},
		{"board with a simulation", simulated, `kind = "simulated"`, `kind = "board"`, "simulated", "simulated"},
	} {
		t.Run(c.name, func(t *testing.T) {
			require.Equal(t, 1, strings.Count(c.text, c.old), "the test changes one place")
			faults := faultsOf(t, strings.Replace(c.text, c.old, c.new, 1))
			for _, f := range faults {
				require.Equal(t, "kiln.toml", f.File)
				require.Positive(t, f.Line)
				require.NotEmpty(t, f.Found)
				if f.Key == c.key && strings.Contains(f.Expected, c.expected) {
					return
				}
			}
			require.Fail(t, "not found", "expected a fault of %s that says %q, got\n%v", c.key, c.expected, (&sheet.Faults{List: faults}).Error())
		})
	}
}

func TestEveryFaultAtOnce(t *testing.T) {
	text := read(t, boardExample)
	for _, change := range [][2]string{
		{`hard_limit = "167 F"`, `hard_limit = "167"`}, {`units = "us"`, `units = "imperial"`}, {`ambient_max = "130 F"`, ``},
		{`id = "db-2"`, `id = "db-1"`}, {`min_on = "10 min"`, `min_on = "5 s"`}, {`metrics = "127.0.0.1:9471"`, `metrics = "x"`},
	} {
		text = strings.Replace(text, change[0], change[1], 1)
	}
	keys := map[string]bool{}
	for _, f := range faultsOf(t, text) {
		keys[f.Key] = true
	}
	for _, key := range []string{"limits.hard_limit", "units", "compressor.ambient_max", "probe[2].id", "metrics"} {
		require.True(t, keys[key], "%s is missing among %v", key, keys)
	}
}

// TestEveryLimitHasItsKey breaks each limit that the file can set and expects the fault at that key: the wording that
// limitFault takes apart is package safety's.
func TestEveryLimitHasItsKey(t *testing.T) {
	l := safety.DefaultLimits()
	l.CompressorMinOff, l.FanCoast, l.CompressorStarts = 0, 0, 99
	err := l.Validate()
	require.Error(t, err)
	for line := range strings.SplitSeq(err.Error(), "\n") {
		m := limitFault.FindStringSubmatch(line)
		require.NotNil(t, m, line)
		require.Contains(t, limitKeys, m[1])
	}
}

func FuzzRead(f *testing.F) {
	for _, path := range []string{boardExample, simulatedExample} {
		text, err := os.ReadFile(path)
		require.NoError(f, err)
		f.Add(text)
	}
	f.Fuzz(func(t *testing.T, text []byte) {
		file, err := Read("fuzz.toml", text)
		require.Equal(t, err == nil, file != nil)
	})
}
