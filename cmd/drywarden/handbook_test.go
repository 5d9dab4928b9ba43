package main

import (
	"bytes"
	"errors"
	"flag"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"github.com/rogpeppe/go-internal/testscript"
	"github.com/stretchr/testify/require"

	"drywarden/hardware/quantity"
	"drywarden/schedule"
	"drywarden/schedule/wood"
)

var updateHandbook = flag.Bool("update-handbook", false, "write the golden outputs of testdata/handbook anew; explain each change in the commit")

// TestHandbook runs each script of testdata/handbook, the calculators: what a person types and what they must see. The demonstration's kiln
// file lies in the script's folder as demo-kiln.toml, and as named.toml and missing.toml with a species file named in it. Besides the usual commands of testscript there is
//
//	exits CODE COMMAND...   runs a command and demands its exit code
func TestHandbook(t *testing.T) {
	testscript.Run(t, testscript.Params{
		Dir: "testdata/handbook", UpdateScripts: *updateHandbook, RequireExplicitExec: true, RequireUniqueNames: true,
		Setup: func(env *testscript.Env) error {
			for name, file := range map[string]string{"demo-kiln.toml": "", "named.toml": "own.toml", "missing.toml": "nowhere.toml"} {
				text := string(demoKilnText)
				if file != "" {
					text = strings.Replace(text, "metrics = ", "species = \""+file+"\"\nmetrics = ", 1)
				}
				if err := os.WriteFile(filepath.Join(env.WorkDir, name), []byte(text), 0o644); err != nil {
					return err
				}
			}
			return nil
		},
		Cmds: map[string]func(ts *testscript.TestScript, neg bool, args []string){"exits": exitCode},
	})
}

func exitCode(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) < 2 {
		ts.Fatalf("usage: exits CODE COMMAND...")
	}
	want, err := strconv.Atoi(args[0])
	ts.Check(err)
	err = ts.Exec(args[1], args[2:]...)
	got := 0
	var exit *exec.ExitError
	if errors.As(err, &exit) {
		got = exit.ExitCode()
	} else if err != nil {
		ts.Fatalf("%v", err)
	}
	if got != want {
		ts.Fatalf("exit code %d, expected %d", got, want)
	}
}

// Help is read on a terminal of 80 columns.
func TestHandbookHelpIsNarrow(t *testing.T) {
	for _, command := range []string{"air", "heat-time", "schedule", "schedule list", "schedule show", "wood", "wood species", "wood board", "wood meter", "wood prong",
		"wood exposure"} {
		var out bytes.Buffer
		require.Equal(t, exitDone, run(t.Context(), append(strings.Fields(command), "--help"), nil, &out, &out))
		for line := range strings.Lines(out.String()) {
			require.LessOrEqual(t, len(strings.TrimRight(line, "\n")), columns, "%s: %s", command, line)
		}
	}
}

// A species of one's own is previewed by its rate against that of red oak, as the published ones are; slower ones no longer
// than by 1.6.
func TestPreviewOfOwnSpecies(t *testing.T) {
	oak, err := wood.LookupSpecies("red oak")
	require.NoError(t, err)
	for _, thickness := range []quantity.Meter{0.027, 0.052} {
		rate, _ := wood.SafeRate(oak, thickness)
		published := timeConstant(&schedule.Lot{Species: oak.Name, Thickness: thickness, RateLimit: rate}, 43)
		for share, want := range map[quantity.MoisturePerDay]float64{1: 1, 2: 0.5, 0.8: 1.25, 0.1: 1.6} {
			own := timeConstant(&schedule.Lot{Species: "apple", Thickness: thickness, RateLimit: share * rate}, 43)
			require.InEpsilon(t, want, own/published, 1e-9)
		}
	}
}
