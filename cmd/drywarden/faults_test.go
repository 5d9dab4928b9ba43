package main

import (
	"bytes"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"drywarden/hardware"
	"drywarden/hardware/simkiln"
)

func demoLayout(t *testing.T) hardware.Layout {
	t.Helper()
	file, err := demoKiln()
	require.NoError(t, err)
	p, err := newPlant(file, demoCharge())
	require.NoError(t, err)
	return p.kiln.Layout()
}

// Every kind of fault can be written, with what it needs, and comes out as written.
func TestEveryFaultCanBeWritten(t *testing.T) {
	layout := demoLayout(t)
	var text strings.Builder
	for i, kind := range simkiln.FaultKinds() {
		fmt.Fprintf(&text, "[[fault]]\nkind = %q\nstart = \"%d h\"\nduration = \"90 s\"\nseverity = 0.5\n", kind, i)
		if is, role := kind.OfProbe(); is && role == hardware.RoleNone {
			text.WriteString("probe = \"dry_bulb_2\"\n")
		} else if is {
			fmt.Fprintf(&text, "probe = %q\n", layout.Probes[layout.ByRole(role)[1]].Name)
		}
		if kind.OfOutput() {
			text.WriteString("output = \"compressor\"\n")
		}
	}
	faults, err := readFaults("all.toml", []byte(text.String()), &layout)
	require.NoError(t, err)
	require.Len(t, faults, len(simkiln.FaultKinds()))
	for i, f := range faults {
		require.Equal(t, simkiln.FaultKinds()[i], f.Kind)
		require.Equal(t, time.Duration(i)*time.Hour, f.Start.Std())
		require.Equal(t, 90*time.Second, f.Duration.Std())
		require.EqualValues(t, 0.5, f.Severity)
		if is, role := f.Kind.OfProbe(); is && role != hardware.RoleNone {
			require.Equal(t, layout.ByRole(role)[1], f.Probe)
		} else if is {
			require.Equal(t, layout.ByRole(hardware.RoleDryBulb)[1], f.Probe)
		}
		if f.Kind.OfOutput() {
			require.Equal(t, hardware.Compressor, f.Output)
		}
	}
}

// All that is wrong with a file of faults is told at once, each with its line.
func TestFaultFileIsStrict(t *testing.T) {
	layout := demoLayout(t)
	_, err := readFaults("bad.toml", []byte(`[[fault]]
kind = "wick_dri"
start = "3"
[[fault]]
kind = "probe_open"
start = "1 h"
probe = "dry_bulb"
output = "heat_1"
severity = 40
[[fault]]
kind = "contactor_weld"
start = "1 h"
duration = "0 s"
[[fault]]
kind = "pin_loose"
start = "1 h"
probe = "coil"
severety = 1
`), &layout)
	require.Error(t, err)
	for _, want := range []string{"bad.toml:2: fault[1].kind", "bad.toml:3: fault[1].start", "bad.toml:7: fault[2].probe", "bad.toml:8: fault[2].output",
		"bad.toml:9: fault[2].severity", "fault[3].output: found nothing", "bad.toml:13: fault[3].duration", "bad.toml:17: fault[4].probe", "bad.toml:18: fault[4].severety"} {
		require.ErrorContains(t, err, want)
	}
	_, err = readFaults("empty.toml", nil, &layout)
	require.ErrorContains(t, err, "at least one")
}

// simulateJSON runs the command as typed.
func simulateJSON(t *testing.T, args ...string) (code int, out, problems string) {
	t.Helper()
	var stdout, stderr bytes.Buffer
	code = run(t.Context(), append([]string{"simulate", "--json"}, args...), strings.NewReader(""), &stdout, &stderr)
	return code, stdout.String(), stderr.String()
}

// A storm is the same storm for the same seed, and another for another; nothing that it does is found unsafe by the audit.
func TestStormIsReplayed(t *testing.T) {
	days := "2"
	if testing.Short() {
		days = "0.5"
	}
	code, first, problems := simulateJSON(t, "--storm", "50", "--seed", "3", "--max-days", days)
	require.Equal(t, exitFailed, code, problems) // not done in so few days
	_, again, _ := simulateJSON(t, "--storm", "50", "--seed", "3", "--max-days", days)
	require.Equal(t, first, again)
	_, other, _ := simulateJSON(t, "--storm", "50", "--seed", "4", "--max-days", days)
	require.NotEqual(t, first, other)
	_, calm, _ := simulateJSON(t, "--seed", "3", "--max-days", days)
	require.NotEqual(t, first, calm)

	code, said, problems := simulateJSON(t, "--storm", "-1")
	require.Equal(t, exitUse, code)
	require.Contains(t, said+problems, "--storm")
	code, said, problems = simulateJSON(t, "--faults", filepath.Join(t.TempDir(), "none.toml"))
	require.Equal(t, exitUse, code)
	require.Contains(t, said+problems, "none.toml")
}

// A file of faults has its effect in the charge: the wired limit trips, and the record shows it.
func TestFaultsFromAFile(t *testing.T) {
	path := filepath.Join(t.TempDir(), "faults.toml")
	require.NoError(t, os.WriteFile(path, []byte("[[fault]]\nkind = \"high_limit\"\nstart = \"2 h\"\nduration = \"10 min\"\n"), 0o600))
	_, out, problems := simulateJSON(t, "--faults", path, "--max-days", "0.2")
	require.Empty(t, problems)
	require.NotContains(t, out, `"trips": 0,`)
	_, out, _ = simulateJSON(t, "--max-days", "0.2")
	require.Contains(t, out, `"trips": 0,`)
}

// A kiln file may bring its weather hour by hour, and a person who errs.
func TestWeatherAndPersonFromTheKilnFile(t *testing.T) {
	folder := t.TempDir()
	write := func(name, text string) string {
		path := filepath.Join(folder, name)
		require.NoError(t, os.WriteFile(path, []byte(text), 0o600))
		return path
	}
	kiln, err := demoKiln()
	require.NoError(t, err)
	write("charge.toml", demoCharge().Charge.Text)
	text := strings.Replace(string(kiln.Text()), "[simulated.weather]\n", "[simulated.person]\nwrong_weights = \"2 %\"\nignored_alarms = \"20 %\"\ndoor_opened = \"10 %\"\nwrong_oven_dry = \"3 %\"\n[simulated.weather]\nfile = \"weather.csv\"\n", 1)
	path := write("kiln.toml", text)
	code, said, problems := simulateJSON(t, "--config", path, "--max-days", "0.01")
	require.Equal(t, exitUse, code)
	require.Contains(t, said+problems, "weather.csv")
	write("weather.csv", "temperature_celsius,relative_humidity_percent\n-12,70\n-14,75\n")
	code, said, problems = simulateJSON(t, "--config", path, "--max-days", "0.01")
	require.Equal(t, exitFailed, code, problems)
	require.Contains(t, said, `"max_check_score"`)
	write("weather.csv", "temperature_celsius,relative_humidity_percent\n-12,170\n")
	code, said, problems = simulateJSON(t, "--config", path, "--max-days", "0.01")
	require.Equal(t, exitUse, code)
	require.Contains(t, said+problems, "line 2")
}
