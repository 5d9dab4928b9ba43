package wood_test

import (
	"fmt"
	"math"
	"os"
	"os/exec"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"drywarden/hardware/quantity"
	"drywarden/schedule/wood"
)

// TestFreshPsychroLib runs PsychroLib itself (npm package psychrolib 1.1.1) over the whole range in which moist-air figures
// are promised: -20 to 100 C, 300 to 1100 hPa, vapour under 0.9 of the pressure. PSYCHROLIB names the folder in which
// `npm install psychrolib@1.1.1` was run; .ci/run does that. Without it the test is skipped, and says so.
func TestFreshPsychroLib(t *testing.T) {
	folder := os.Getenv("PSYCHROLIB")
	if folder == "" {
		t.Skip("REFERENCE PROGRAM NOT RUN: set PSYCHROLIB to a folder in which `npm install psychrolib@1.1.1` was run")
	}
	type state struct{ db, rh, p float64 }
	var states []state
	var in strings.Builder
	for db := -20.0; db <= 100; db += 1.25 {
		for p := 30000.0; p <= 110000; p += 5000 {
			for _, rh := range []float64{0.01, 0.03, 0.05, 0.1, 0.15, 0.2, 0.25, 0.3, 0.35, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 0.95, 0.98, 1} {
				if float64(wood.VaporPressure(quantity.Celsius(db), quantity.Ratio(rh))) < 0.9*p {
					states = append(states, state{db, rh, p})
					found := wood.WetBulb(quantity.Celsius(db), quantity.Ratio(rh), quantity.Pascal(p))
					fmt.Fprintf(&in, "%v,%v,%v,%v\n", db, rh, p, float64(found))
				}
			}
		}
	}
	node := exec.Command("node", "testdata/psychrolib.js")
	node.Stdin, node.Stderr = strings.NewReader(in.String()), os.Stderr
	out, err := node.Output()
	require.NoError(t, err, "run node")
	lines := strings.Split(strings.TrimSpace(string(out)), "\n")
	require.Len(t, lines, len(states))
	var worst struct{ wetBulb, dewPoint, humidity float64 }
	boiling := 0
	for i, line := range lines {
		s := states[i]
		var want [6]float64
		for j, cell := range strings.Split(line, ",") {
			want[j], err = strconv.ParseFloat(cell, 64)
			require.NoError(t, err)
		}
		db, rh, p := quantity.Celsius(s.db), quantity.Ratio(s.rh), quantity.Pascal(s.p)
		wb := float64(wood.WetBulb(db, rh, p))
		w := wood.HumidityRatio(db, rh, p)
		// Where water would boil at the dry bulb its bisection runs into negative humidity ratios and may give the dry bulb; its own
		// inverse then tells, as everywhere, whose wet bulb is right.
		if float64(wood.SaturationPressure(quantity.Celsius(want[0]))) >= s.p {
			boiling++
		} else {
			require.InDelta(t, want[0], wb, 0.002, "wet bulb of %+v", s)
			worst.wetBulb = max(worst.wetBulb, math.Abs(wb-want[0]))
			back := float64(wood.RHFromWetBulb(db, quantity.Celsius(want[0]), p))
			require.InDelta(t, s.rh, back, 0.003, "humidity of %+v with wet bulb %v", s, want[0])
		}
		require.InDelta(t, s.rh, want[5], 0.0003, "humidity of %+v with wet bulb %v, by PsychroLib", s, wb)
		worst.humidity = max(worst.humidity, math.Abs(s.rh-want[5]))
		require.InDelta(t, want[1], float64(wood.DewPoint(db, rh)), 0.002, "dew point of %+v", s)
		require.InEpsilon(t, want[2], w, 1e-4, "humidity ratio of %+v", s)
		require.InEpsilon(t, want[3], float64(wood.VaporPressure(db, rh)), 1e-4, "vapour pressure of %+v", s)
		require.InDelta(t, want[4], wood.Enthalpy(db, w), 5+1e-4*math.Abs(want[4]), "enthalpy of %+v", s)
		worst.dewPoint = max(worst.dewPoint, math.Abs(float64(wood.DewPoint(db, rh))-want[1]))
	}
	t.Logf("PsychroLib itself, %d states: wet bulb within %.4f K (%d above the boiling point left to its inverse), dew point within %.4f K, humidity within %.4f points",
		len(states), worst.wetBulb, boiling, worst.dewPoint, 100*worst.humidity)
}
