package sheet

import (
	"strings"
	"testing"
	"time"

	"github.com/BurntSushi/toml"
	"github.com/stretchr/testify/require"

	"drywarden/hardware"
	"drywarden/hardware/quantity"
)

type machine struct {
	MinOff     quantity.Duration `toml:"min_off"`
	AmbientMax quantity.Celsius  `toml:"ambient_max,required"`
	Stages     int8              `toml:"stages"`
	Fitted     bool              `toml:"fitted"`
	Gain       float64           `toml:"gain"`
}

type probe struct {
	ID         string                `toml:"id,required"`
	Role       hardware.Role         `toml:"role,required"`
	Offset     quantity.CelsiusDelta `toml:"offset"`
	Calibrated time.Time             `toml:"calibrated"`
}

type kiln struct {
	Name       string                                `toml:"name,required"`
	Compressor *machine                              `toml:"compressor"`
	Probe      []probe                               `toml:"probe"`
	Limits     map[string]quantity.Celsius           `toml:"limits"`
	Currents   map[hardware.OutputID]quantity.Ampere `toml:"currents"`
	Notes      []string                              `toml:"notes"`
}

func TestReadsAGoodFile(t *testing.T) {
	k := kiln{Limits: map[string]quantity.Celsius{}}
	s := Read("kiln.toml", []byte(`
name = "north kiln" # a comment
notes = ["one",
         "two"]
[compressor]
min_off = "5 min"
ambient_max = "120 F"
fitted = true
gain = 2
[limits]
top = "70 C"
[currents]
compressor = "12 A"
[[probe]]
id = "inlet"
role = "dry_bulb"
offset = "-0.2 K"
calibrated = 2026-03-31
[[probe]]
id = "wick"
role = "wet_bulb"
`), &k)
	require.NoError(t, s.Err())
	require.Equal(t, 5*time.Minute, k.Compressor.MinOff.Std())
	require.InDelta(t, 48.8889, float64(k.Compressor.AmbientMax), 1e-4)
	require.Equal(t, []string{"one", "two"}, k.Notes)
	require.Equal(t, quantity.Ampere(12), k.Currents[hardware.Compressor])
	require.Equal(t, quantity.Celsius(70), k.Limits["top"])
	require.Equal(t, hardware.RoleWetBulb, k.Probe[1].Role)
	require.Equal(t, 2026, k.Probe[0].Calibrated.Year())
	require.Equal(t, quantity.CelsiusDelta(-0.2), k.Probe[0].Offset)
	require.True(t, s.Good("probe[2].role"))
	require.False(t, s.Given("probe[2].offset"))
}

// Each kind of fault, with the exact line, key and words.
func TestTellsEveryFaultAtOnce(t *testing.T) {
	var k kiln
	s := Read("kiln.toml", []byte(`name = 7
colour = "red"
notes = "one"
[compressor]
min_off = 300
stages = 400
fitted = "yes"
gain = nan
min_of = "5 min"
[limits]
top = "70"
low = "-inf C"
far = "9000 F"
what = "70 K"
[currents]
copressor = "12 A"
[[probe]]
id = "a"
role = "dry_bulb"
[[probe]]
role = "drybulb"
offset = "1 C"
calibrated = "2026-03-31"
`), &k)
	require.Equal(t, strings.TrimSpace(`
kiln.toml:1: name: found 7, expected text in quotes
kiln.toml:2: colour: found an unknown key, expected one of compressor, currents, limits, name, notes, probe
kiln.toml:3: notes: found "one", expected a list
kiln.toml:4: compressor.ambient_max: found nothing, expected a temperature with its unit (C, F)
kiln.toml:5: compressor.min_off: found 300, expected a duration with its unit (s, min, h, d)
kiln.toml:6: compressor.stages: found 400, expected a whole number from -128 to 127
kiln.toml:7: compressor.fitted: found "yes", expected true or false
kiln.toml:8: compressor.gain: found nan, expected a finite number
kiln.toml:9: compressor.min_of: found an unknown key, expected min_off
kiln.toml:11: limits.top: found "70", expected a temperature with its unit (C, F)
kiln.toml:12: limits.low: found "-inf C", expected a temperature with its unit (C, F)
kiln.toml:13: limits.far: found "9000 F", expected a value within -148 F to 752 F
kiln.toml:14: limits.what: found "70 K", expected a temperature with its unit (C, F)
kiln.toml:16: currents.copressor: found an unknown key, expected one of fan_forward_1, fan_forward_2, fan_forward_3, fan_forward_4, fan_reverse_1, fan_reverse_2, fan_reverse_3, fan_reverse_4, compressor, blower, blower_low, crankcase, heat_1, heat_2, heat_3, vent, spray, sounder, beacon, alarm_lamp, door_lamp, heartbeat
kiln.toml:20: probe[2].id: found nothing, expected text in quotes
kiln.toml:21: probe[2].role: found "drybulb", expected one of none, dry_bulb, wet_bulb, humidity, leaving_air, core, pin, coil, suction, shell, outdoor_temperature, outdoor_humidity, load_cell
kiln.toml:22: probe[2].offset: found "1 C", expected a temperature difference with its unit (K, Fd)
kiln.toml:23: probe[2].calibrated: found "2026-03-31", expected a date such as 2026-03-31, without quotes
`), s.Err().Error())
}

func TestGoesOnAfterSyntaxErrors(t *testing.T) {
	var k kiln
	s := Read("kiln.toml", []byte(`name = "north
[compressor]
ambient_max = "120 F"
ambient_max = "121 F"
min_off = 5 min
stages = "two"
[[probe]]
id = "a"
id = "b"
role = "core"
[compressor]
fitted = true
[limits
top = 70
[currents]
heat_1 = 12
`), &k)
	var at []int
	for _, f := range s.Err().(*Faults).List {
		at = append(at, f.Line)
	}
	require.Equal(t, []int{1, 4, 5, 6, 9, 11, 13, 16}, at, "%v", s.Err())
	require.Contains(t, s.Err().Error(), "kiln.toml:4: compressor.ambient_max: found a key that is defined already, expected each key once")
	require.NotContains(t, s.Err().Error(), "found nothing", "what a syntax error hides is not called missing")
}

func TestAnUnclosedListHidesNothingBefore(t *testing.T) {
	var k kiln
	s := Read("k", []byte("name = 1\nnotes = [\n \"a\",\n\"b\"\n\n[compressor]\nmin_off = 3\n"), &k)
	require.Error(t, s.Err())
	list := s.Err().(*Faults).List
	require.Equal(t, "name", list[0].Key)
	require.Len(t, list, 2)
}

func TestFaultsOfMeaningFindTheirLine(t *testing.T) {
	var k kiln
	s := Read("k", []byte("name = \"x\"\n\n[[probe]]\nid = \"a\"\nrole = \"core\"\n\n[[probe]]\n  id = \"a\"\n  role = 5\n"), &k)
	s.Fault(Sub(At("probe", 1), "id"), `"a"`, "an id used once")
	s.Fault(Sub(At("probe", 1), "role"), "core", "left out: that key is faulty already")
	s.Missing(Sub(At("probe", 0), "offset"), "an offset")
	require.Equal(t, []Fault{
		{"k", 3, "probe[1].offset", "nothing", "an offset"},
		{"k", 8, "probe[2].id", `"a"`, "an id used once"},
		{"k", 9, "probe[2].role", "5", s.Faults.List[2].Expected},
	}, s.Err().(*Faults).List)
}

func TestLinesOfEveryWayToWriteAKey(t *testing.T) {
	lines := scan([]byte(`a.b = 1
"c d".e = { f = 1, "g" = [ { h = 2 },
  { h = 3 } ] }
i = """
j = 1
""" # k = 2
l = 'x # y'
[m]
n = [
 1, # one
 2,
]
[[m.o]]
p = '''
q = 1'''
[[m.o]]
[m.o.r]
s = "\"]"
[[t]]
u = 1979-05-27 07:32:00
[[t.v]]
[[t.v]]
w = 1
`)).lines
	for path, line := range map[string]int{"a": 1, "a.b": 1, `"c d"`: 2, `"c d".e.f`: 2, `"c d".e.g`: 2, `"c d".e.g[1].h`: 2,
		`"c d".e.g[2].h`: 3, "i": 4, "l": 7, "m": 8, "m.n": 9, "m.n[1]": 10, "m.n[2]": 11, "m.o[1]": 13, "m.o[1].p": 14,
		"m.o[2]": 16, "m.o[2].r": 17, "m.o[2].r.s": 18, "t[1].u": 20, "t[1].v[2].w": 23} {
		require.Equal(t, line, lines[path], path)
	}
	require.NotContains(t, lines, "j")
	require.NotContains(t, lines, "m.o[1].q")
}

func TestNearest(t *testing.T) {
	known := []string{"min_off", "min_on", "ambient_max"}
	require.Equal(t, "min_off", Nearest("mni_off", known))
	require.Equal(t, "ambient_max", Nearest("Ambientmax", known))
	require.Equal(t, "", Nearest("colour", known))
}

func TestJoin(t *testing.T) {
	require.NoError(t, Join(nil, nil))
	err := Join(&Faults{List: []Fault{{File: "b", Line: 1}}}, nil, &Faults{List: []Fault{{File: "a", Line: 2}}})
	require.Len(t, err.(*Faults).List, 2)
	require.Equal(t, "a", err.(*Faults).List[0].File)
}

// Whatever the text: no panic, no end-less loop, every fault has a line of the file, and of a file that TOML accepts
// every key has its line.
func FuzzRead(f *testing.F) {
	for _, seed := range []string{"", "name = \"x\"", "[[probe]]\nid = 1\n[[probe]]\nrole = \"x\"", "a = [1, {b = 2}\n, 3]\n", "x = \"\"\"\n\"\"\"\"\"\n",
		"[a.\"b.c\"]\nd.'e' = {}\n", "name = \"a\nname = 1\n[x\n[x]\n", "[limits]\na = inf\n", "k = '''x''''\n", "\"\\u00e9\" = 1", "a = \"\\\\\"\nb = 2"} {
		f.Add([]byte(seed))
	}
	f.Fuzz(func(t *testing.T, text []byte) {
		var k kiln
		s := Read("f", text, &k)
		last := strings.Count(string(text), "\n") + 1
		for _, fault := range s.Faults.List {
			require.GreaterOrEqual(t, fault.Line, 0)
			require.LessOrEqual(t, fault.Line, last, "%v", fault)
		}
		tree := map[string]any{}
		if _, err := toml.Decode(string(text), &tree); err == nil {
			requireLines(t, scan(text), tree, "")
		}
	})
}

func requireLines(t *testing.T, sc *scanner, node any, path string) {
	if path != "" {
		require.NotZero(t, sc.lines[path], "no line for %q", path)
	}
	switch n := node.(type) {
	case map[string]any:
		for key, value := range n {
			requireLines(t, sc, value, Sub(path, key))
		}
	case []any:
		for i, value := range n {
			requireLines(t, sc, value, At(path, i))
		}
	case []map[string]any:
		for i, value := range n {
			requireLines(t, sc, value, At(path, i))
		}
	}
}
