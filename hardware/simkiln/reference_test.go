package simkiln

import (
	"bytes"
	"encoding/json"
	"math"
	"os"
	"os/exec"
	"testing"

	"github.com/stretchr/testify/require"
)

type referencePart struct {
	Hours   float64 `json:"hours"`
	Celsius float64 `json:"celsius"`
	Vapour  float64 `json:"vapour"`
}

type referenceCase struct {
	name     string
	Half     float64         `json:"half_m"`
	Density  float64         `json:"density"`
	A        float64         `json:"a"`
	Mobility float64         `json:"mobility"`
	Radial   float64         `json:"radial"`
	Film     float64         `json:"film"`
	Start    float64         `json:"start"`
	StartC   float64         `json:"start_celsius"`
	Air      []referencePart `json:"air"`
	Marks    []float64       `json:"marks_hours"`
}

// python gives an interpreter that has scipy, or "".
func python() string {
	for _, name := range []string{"python3", "/usr/bin/python3"} {
		if path, err := exec.LookPath(name); err == nil && exec.Command(path, "-c", "import scipy").Run() == nil {
			return path
		}
	}
	return ""
}

// The board against a second implementation of the same equations by scipy's BDF solver (testdata/board.py): the
// moisture curve within 1 %. It needs Debian's python3-scipy; with SIMKILN_REFERENCE set its absence is a failure.
func TestBoardAgainstScipy(t *testing.T) {
	t.Parallel()
	if testing.Short() && os.Getenv("SIMKILN_REFERENCE") == "" {
		t.Skip("NOT CHECKED in short tests: the board against its reference program")
	}
	interpreter := python()
	if interpreter == "" {
		if os.Getenv("SIMKILN_REFERENCE") != "" {
			t.Fatal("no python3 with scipy: apt-get install python3-scipy")
		}
		t.Skip("NOT CHECKED: no python3 with scipy here, so the board was not compared with its reference program; apt-get install python3-scipy")
	}
	part := func(hours, celsius, rh float64) referencePart {
		return referencePart{hours, celsius, rh * saturation(celsius)}
	}
	var cases []referenceCase
	add := func(name, species string, mm, start float64, air ...referencePart) {
		p, exact := ParametersFor(species)
		require.True(t, exact)
		c := referenceCase{name: name, Half: mm / 2000, Density: float64(p.Density), A: p.A * math.Pow(mm/27, 0.45), Mobility: p.Mobility,
			Radial: float64(p.Radial), Film: filmFull, Start: start, StartC: 20, Air: air}
		total := 0.0
		for _, a := range air {
			total += a.Hours
		}
		for i := 1; i <= 16; i++ {
			c.Marks = append(c.Marks, math.Round(total*float64(i)/16*10)/10)
		}
		cases = append(cases, c)
	}
	add("red oak 4/4 green", "red oak", 27, 80, part(96, 43.3, 0.87), part(240, 43.3, 0.80), part(192, 46, 0.45), part(192, 49, 0.28))
	add("yellow-poplar 4/4 green", "yellow-poplar", 27, 90, part(72, 43.3, 0.72), part(96, 49, 0.35))
	add("walnut 8/4 from 45 %, equalized", "walnut", 52, 45, part(240, 43.3, 0.75), part(240, 49, 0.30), part(96, 49, 0.45))
	add("air-dried maple, warmed", "hard maple", 27, 20, part(24, 41, 0.70), part(240, 58, 0.30))
	request, err := json.Marshal(map[string]any{"cases": cases})
	require.NoError(t, err)
	cmd := exec.CommandContext(t.Context(), interpreter, "testdata/board.py")
	var answer, problems bytes.Buffer
	cmd.Stdin, cmd.Stdout, cmd.Stderr = bytes.NewReader(request), &answer, &problems
	require.NoError(t, cmd.Run(), problems.String())
	var got struct {
		Cases []struct{ Mean []float64 }
	}
	require.NoError(t, json.Unmarshal(answer.Bytes(), &got))
	require.Len(t, got.Cases, len(cases))

	table := newIsotherms()
	for i, c := range cases {
		w := slab(14, c.Half, c.Density, c.A, c.Mobility, c.Start, c.StartC)
		w.Radial[0] = c.Radial
		w.heatProperties(0, c.Start, c.StartC)
		elapsed, mark, worst := 0.0, 0, 0.0
		for _, part := range c.Air {
			a := air{temperature: part.Celsius, vapour: part.Vapour, speed: 1}
			since := 0.0
			for since < part.Hours*3600-1e-6 {
				dt := min(120, 10+since/20) // as the kiln's wood steps, short after a change
				if rest := part.Hours*3600 - since; rest < dt {
					dt = rest
				}
				for mark < len(c.Marks) && c.Marks[mark]*3600 <= elapsed+dt+1e-6 {
					dt = min(dt, max(c.Marks[mark]*3600-elapsed, 1e-3))
					break
				}
				w.prepare(dt, &a, table)
				w.settle(a.temperature, a.vapour)
				w.finish(dt)
				elapsed += dt
				since += dt
				if mark < len(c.Marks) && elapsed >= c.Marks[mark]*3600-1e-3 {
					want := got.Cases[i].Mean[mark]
					worst = max(worst, math.Abs(w.mean(0)/want-1))
					require.InEpsilon(t, want, w.mean(0), 0.01, "%s after %v h", c.name, c.Marks[mark])
					mark++
				}
			}
		}
		require.Equal(t, len(c.Marks), mark)
		t.Logf("%s: %d points, the worst %.2f %% apart", c.name, mark, 100*worst)
	}
}
