package main

import (
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"drywarden/controller"
	"drywarden/hardware"
	"drywarden/hardware/quantity"
	"drywarden/hardware/simkiln"
	"drywarden/hardware/trace"
	"drywarden/schedule/wood"
)

// The kiln in which everything is let fail: small, in constant weather, nobody there unless the row asks for it. Its heat
// pump stands cold at first and its shell is warmed for twelve hours; then it runs for an hour and a half at a time.
const faultyKiln = `
name = "faulty"
units = "si"
altitude = "200 m"
volume = "40 m3"
state = "state"
metrics = "off"
[hardware]
kind = "simulated"
[limits]
hard_limit = "75 C"
driest_air = "28 %"
[compressor]
ambient_max = "55 C"
drying_max = "45 C"
[simulated]
load = "charge.toml"
seed = 5
boards_per_lot = 3
[simulated.room]
start_temperature = "30 C"
start_humidity = "70 %"
structure = "0.8 MJ/K"
[simulated.weather]
mean = "16 C"
humidity = "60 %"
daily_swing = "0 K"
seasonal_swing = "0 K"
noise = "0 K"
[simulated.fans]
power = "1 kW"
flow = "9000 m3/h"
[simulated.machine]
scale = 0.35
hold_up = "0.2 kg"
[simulated.heat]
stages = 2
power = "5 kW"
[simulated.probes]
load_cells = 2
[simulated.person]
absent = ABSENT
`

const faultyCharge = `
id = "faulty"
[[lot]]
name = "ash"
species = "ash, white"
thickness = "4/4"
volume = "1.0 m3"
start = "START"
target = "7 %"
[[lot]]
name = "poplar"
species = "poplar, yellow"
thickness = "4/4"
volume = "1.2 m3"
start = "START"
target = "7 %"
[[sample]]
name = "a1"
lot = "ash"
[[sample]]
name = "p1"
lot = "poplar"
[[stage]]
kind = "preheat"
dry_bulb = "42 C"
emc = "12 %"
until = { time = "1 h" }
[[stage]]
kind = "dry"
dry_bulb = "43 C"
emc = "5 %"
until = { at_least = "1 h" }
[[stage]]
kind = "cool"
`

// load is what stands in the kiln, and whether anybody is there.
type load struct {
	start    string
	attended bool
}

var (
	green    = load{start: "55 %"}
	attended = load{start: "55 %", attended: true}
	seasoned = load{start: "7.5 %"}
)

// moment is one tick as the trace has it: what was read, and what was told.
type moment struct {
	value              []float64
	quality            []uint8
	active             hardware.ContactSet
	readBack, told     hardware.OutputSet
	condensate, energy float64 // kg, J
	weights            []float64
}

// traced is the trace of a simulation, read from its file.
type traced struct {
	probes map[string]int
	ticks  []moment
}

// readTraced reads a trace file.
func readTraced(t *testing.T, path string) *traced {
	t.Helper()
	file, err := os.Open(path)
	require.NoError(t, err)
	defer file.Close()
	reader, err := trace.NewReader(file)
	require.NoError(t, err)
	r := &traced{probes: map[string]int{}}
	for {
		record, header, err := reader.Next()
		if errors.Is(err, io.EOF) {
			return r
		}
		require.NoError(t, err)
		if header != nil {
			for i, p := range header.Probes {
				r.probes[p.Name] = i
			}
			continue
		}
		n := len(r.probes)
		m := moment{value: slices.Clone(record.Probe[:n]), quality: slices.Clone(record.ProbeQuality[:n]),
			active: hardware.ContactSet(record.ContactActive), readBack: hardware.OutputSet(record.ReadBack),
			told: hardware.OutputSet(record.Applied) &^ (1 << hardware.Heartbeat), condensate: record.Condensate, energy: record.Energy}
		for _, e := range record.Events[:record.EventCount] {
			if e.Kind == uint8(controller.EventWeigh) {
				m.weights = append(m.weights, e.B)
			}
		}
		r.ticks = append(r.ticks, m)
	}
}

// simulateTo runs the command as typed, with a file of faults (or none), and gives its trace.
func simulateTo(t *testing.T, l load, faults string, last time.Duration) *traced {
	t.Helper()
	folder := t.TempDir()
	write := func(name, text string) string {
		path := filepath.Join(folder, name)
		require.NoError(t, os.WriteFile(path, []byte(text), 0o600))
		return path
	}
	write("charge.toml", strings.ReplaceAll(faultyCharge, "START", l.start))
	args := []string{"--config", write("kiln.toml", strings.Replace(faultyKiln, "ABSENT", fmt.Sprint(!l.attended), 1)),
		"--max-days", fmt.Sprint(last.Hours() / 24), "--out", folder}
	if faults != "" {
		args = append(args, "--faults", write("faults.toml", faults))
	}
	code, said, problems := simulateJSON(t, args...)
	require.Equal(t, exitFailed, code, "not done so soon: %s %s", said, problems)
	require.Contains(t, said, `"violations": []`, "whatever fails, the audit finds nothing")
	return readTraced(t, filepath.Join(folder, "trace"))
}

// when says at what tick of the run without the fault a fault is to begin: the first one after from in which all of on have
// been told on and all of off told off for a minute and stay so for last; or, with next, half a minute before one of these
// outputs is told on or off.
type when struct {
	from    time.Duration
	on, off hardware.OutputSet
	last    time.Duration
	next    hardware.OutputSet
}

// find gives the tick.
func (w when) find(t *testing.T, r *traced) int {
	t.Helper()
	const before = 60
	long := 0
	for i := max(inTicks(w.from), 1); i < len(r.ticks); i++ {
		told := r.ticks[i].told
		if w.next != 0 {
			if (told^r.ticks[i-1].told)&w.next != 0 && told&w.on == w.on && told&w.off == 0 {
				return i - 30
			}
			continue
		}
		long++
		if told&w.on != w.on || told&w.off != 0 {
			long = 0
		}
		if long > before+inTicks(w.last) {
			return i - inTicks(w.last)
		}
	}
	t.Fatalf("the run without the fault is never so: %+v", w)
	return 0
}

func inTicks(d time.Duration) int { return int(d / time.Second) }

// pair is a run with a fault that began at tick at, beside the same run without.
type pair struct {
	with, without *traced
	at            int
}

// mean is the mean of a probe over the minute before and after a time since the fault.
func (p *pair) mean(r *traced, probe string, after time.Duration) float64 {
	id, ok := r.probes[probe]
	if !ok {
		return math.NaN()
	}
	sum, n := 0.0, 0
	for i := p.at + inTicks(after) - 60; i < p.at+inTicks(after); i += 5 {
		sum += r.ticks[i].value[id]
		n++
	}
	return sum / float64(n)
}

// watt is the mean power by the energy meter between two times since the fault.
func (p *pair) watt(r *traced, from, to time.Duration) float64 {
	return (r.ticks[p.at+inTicks(to)].energy - r.ticks[p.at+inTicks(from)].energy) / (to - from).Seconds()
}

// sign is one thing that can be seen of a fault.
type sign struct {
	words string
	seen  func(p *pair) bool
}

// first gives the ticks from the fault's beginning on, for a time.
func (p *pair) first(d time.Duration, is func(i int) bool) bool {
	for i := p.at; i <= p.at+inTicks(d) && i < len(p.with.ticks); i++ {
		if is(i) {
			return true
		}
	}
	return false
}

func (p *pair) always(from, to time.Duration, is func(i int) bool) bool {
	for i := p.at + inTicks(from); i <= p.at+inTicks(to); i++ {
		if !is(i) {
			return false
		}
	}
	return true
}

// contact becomes what it is not without the fault.
func contact(id hardware.ContactID, active bool, within time.Duration) sign {
	state := "opens"
	if active {
		state = "closes"
	}
	return sign{fmt.Sprintf("contact %v %s within %v", id, state, within), func(p *pair) bool {
		return p.first(within, func(i int) bool {
			return p.with.ticks[i].active.Has(id) == active && p.without.ticks[i].active.Has(id) != active
		})
	}}
}

// still stays as it is without the fault.
func still(id hardware.ContactID, from, to time.Duration) sign {
	return sign{fmt.Sprintf("contact %v says nothing of it until %v", id, to), func(p *pair) bool {
		return p.always(from, to, func(i int) bool { return p.with.ticks[i].active.Has(id) == p.without.ticks[i].active.Has(id) })
	}}
}

// energised unasked: told off and read back on for two ticks on end, which is longer than any contactor takes.
func unasked(o hardware.OutputID, within time.Duration) sign {
	return sign{fmt.Sprintf("%v is energised with its command off", o), func(p *pair) bool {
		return p.first(within, func(i int) bool {
			return !p.with.ticks[i-1].told.Has(o) && !p.with.ticks[i-2].told.Has(o) && p.with.ticks[i].readBack.Has(o) && p.with.ticks[i-1].readBack.Has(o)
		})
	}}
}

// dropped: told on before and after the tick, and read back off.
func dropped(set hardware.OutputSet, within time.Duration) sign {
	return sign{fmt.Sprintf("what was told on (%s) is read back off", names(set)), func(p *pair) bool {
		return p.first(within, func(i int) bool {
			return p.with.ticks[i-1].told&set == set && p.with.ticks[i].readBack&set == 0
		})
	}}
}

// held: read back on all the while.
func held(set hardware.OutputSet, from, to time.Duration) sign {
	return sign{fmt.Sprintf("%s read back on", names(set)), func(p *pair) bool {
		return p.always(from, to, func(i int) bool { return p.with.ticks[i].readBack&set == set })
	}}
}

// draws: against the run without the fault, the meter shows between low and high watts more.
func draws(low, high float64, from, to time.Duration) sign {
	return sign{fmt.Sprintf("draws %+.0f to %+.0f W", low, high), func(p *pair) bool {
		more := p.watt(p.with, from, to) - p.watt(p.without, from, to)
		return more >= low && more <= high
	}}
}

func quality(probe string, q hardware.Quality, within time.Duration) sign {
	return sign{fmt.Sprintf("%s: %v", probe, q), func(p *pair) bool {
		return p.first(within, func(i int) bool { return p.with.ticks[i].quality[p.with.probes[probe]] == uint8(q) })
	}}
}

// shifted: a probe's minute mean lies between low and high over that of the run without the fault.
func shifted(probe string, low, high float64, after time.Duration) sign {
	return sign{fmt.Sprintf("%s reads %+g to %+g more after %v", probe, low, high, after), func(p *pair) bool {
		d := p.mean(p.with, probe, after) - p.mean(p.without, probe, after)
		return d >= low && d <= high
	}}
}

// apart: a probe has moved away from another by so much since the fault began.
func apart(probe, other string, low, high float64, after time.Duration) sign {
	return sign{fmt.Sprintf("%s goes %+g to %+g from %s", probe, low, high, other), func(p *pair) bool {
		d := p.mean(p.with, probe, after) - p.mean(p.with, other, after) - p.mean(p.with, probe, 0) + p.mean(p.with, other, 0)
		return d >= low && d <= high
	}}
}

// coolsMore: on its way through the load the air cools so many times as much as before the fault, as less of it does; without
// the fault it cools as before.
func coolsMore(times float64, after time.Duration) sign {
	return sign{fmt.Sprintf("the air cools more than %g times as much in the load", times), func(p *pair) bool {
		fall := func(r *traced, after time.Duration) float64 {
			return p.mean(r, "dry_bulb_1", after) - p.mean(r, "leaving_air", after)
		}
		return fall(p.with, after) > times*fall(p.with, 0) && math.Abs(fall(p.without, after)/fall(p.without, 0)-1) < 0.1
	}}
}

// collects: condensate counted, as a share of that without the fault.
func collects(low, high float64, from, to time.Duration) sign {
	return sign{fmt.Sprintf("the condensate counter counts %g to %g of it", low, high), func(p *pair) bool {
		got := func(r *traced) float64 {
			return r.ticks[p.at+inTicks(to)].condensate - r.ticks[p.at+inTicks(from)].condensate
		}
		share := got(p.with) / got(p.without)
		return got(p.without) > 0.3 && share >= low && share <= high
	}}
}

// wetBulbHigh: the wet bulb reads over what dry bulb and humidity probe make it, by so much more than without the fault.
// The humidity formulas here are those of the controller, which the simulated kiln does not share.
func wetBulbHigh(low, high float64, after time.Duration) sign {
	return sign{fmt.Sprintf("the wet bulb lies %+g to %+g K from what dry bulb and humidity probe make it", low, high), func(p *pair) bool {
		over := func(r *traced) float64 {
			db, rh := p.mean(r, "dry_bulb_1", after), p.mean(r, "humidity", after)
			return p.mean(r, "wet_bulb", after) - float64(wood.WetBulb(quantity.Celsius(db), quantity.Ratio(rh), wood.StationPressure(200)))
		}
		d := over(p.with) - over(p.without)
		return d >= low && d <= high
	}}
}

func names(set hardware.OutputSet) string {
	var list []string
	for o := range hardware.OutputCount {
		if set.Has(o) {
			list = append(list, o.String())
		}
	}
	return strings.Join(list, ", ")
}

const (
	fan1, fan2        = hardware.OutputSet(1 << hardware.FanForward1), hardware.OutputSet(1 << hardware.FanForward2)
	bothFans          = fan1 | fan2
	backFans          = hardware.OutputSet(1<<hardware.FanReverse1 | 1<<hardware.FanReverse2)
	heat1, heat2      = hardware.OutputSet(1 << hardware.Heat1), hardware.OutputSet(1 << hardware.Heat2)
	machine           = hardware.OutputSet(1<<hardware.Compressor | 1<<hardware.Blower)
	ventOut           = hardware.OutputSet(1 << hardware.Vent)
	sec, minute, hour = time.Second, time.Minute, time.Hour
)

// When the run without a fault is in the state that a fault needs.
var (
	warming  = when{from: 30 * minute, on: bothFans | heat1, off: machine | ventOut, last: 10 * minute}
	idle     = when{from: 8 * hour, on: 1 << hardware.Crankcase, off: hardware.AllHeat | machine | ventOut, last: time.Hour}
	resting  = when{from: 8 * hour, on: backFans | 1<<hardware.Crankcase, off: hardware.AllHeat | machine | ventOut, last: 3 * minute}
	working  = when{from: 12*hour + 20*minute, on: machine | bothFans, off: ventOut | hardware.AllHeat, last: 30 * minute}
	starting = when{from: 0, next: fan1}
)

// faultSigns says of every fault what it shows. Row by row: where the fault is (probe or output, and what else has to go
// wrong with it), when it begins, and the signs that must all be seen in the trace.
var faultSigns = []struct {
	kind     simkiln.FaultKind
	of       string // probe or output
	severity float64
	lasts    string
	also     simkiln.FaultKind // begins with it
	load     load
	when     when
	last     time.Duration // of the run after the fault began
	signs    []sign
	short    bool // runs in short tests too
}{
	{kind: simkiln.ProbeOpen, of: "dry_bulb_2", load: green, when: warming, last: minute, short: true,
		signs: []sign{quality("dry_bulb_2", hardware.Implausible, 10*sec)}},
	{kind: simkiln.ProbeShort, of: "wet_bulb", load: green, when: warming, last: minute,
		signs: []sign{quality("wet_bulb", hardware.Implausible, 10*sec)}},
	{kind: simkiln.ProbeNoAnswer, of: "dry_bulb_2", load: green, when: warming, last: minute,
		signs: []sign{quality("dry_bulb_2", hardware.NoAnswer, 10*sec)}},
	{kind: simkiln.ProbeChecksum, of: "dry_bulb_2", load: green, when: warming, last: minute,
		signs: []sign{quality("dry_bulb_2", hardware.Checksum, 10*sec)}},
	{kind: simkiln.ProbeStuck, of: "dry_bulb_2", load: green, when: warming, last: 20 * minute,
		signs: []sign{{"its value does not move in 15 min while the other dry bulb does", func(p *pair) bool {
			stuck, other := p.with.probes["dry_bulb_2"], p.with.probes["dry_bulb_1"]
			begin := &p.with.ticks[p.at+10]
			return p.always(10*sec, 15*minute, func(i int) bool { return p.with.ticks[i].value[stuck] == begin.value[stuck] }) &&
				p.first(15*minute, func(i int) bool { return math.Abs(p.with.ticks[i].value[other]-begin.value[other]) > 0.3 })
		}}}},
	{kind: simkiln.ProbeDrift, of: "dry_bulb_2", severity: 10, load: green, when: warming, last: 3 * hour,
		signs: []sign{apart("dry_bulb_2", "dry_bulb_1", 1, 1.5, 3*hour)}},
	{kind: simkiln.ProbeNoise, of: "dry_bulb_2", load: green, when: warming, last: 10 * minute,
		signs: []sign{{"more than 1 K from one reading to the next, most of the time", func(p *pair) bool {
			id, wild := p.with.probes["dry_bulb_2"], 0
			for i := p.at + 5; i <= p.at+600; i += 5 {
				if math.Abs(p.with.ticks[i].value[id]-p.with.ticks[i-5].value[id]) > 1 {
					wild++
				}
			}
			return wild > 60
		}}}},
	{kind: simkiln.ProbePowerOn, of: "dry_bulb_2", load: green, when: warming, last: minute,
		signs: []sign{{"exactly 85", func(p *pair) bool {
			return p.always(10*sec, minute, func(i int) bool { return p.with.ticks[i].value[p.with.probes["dry_bulb_2"]] == 85 })
		}}}},
	{kind: simkiln.ProbeInAir, of: "core_poplar_1", load: green, when: working, last: 10 * minute,
		signs: []sign{{"the core is as warm as the dry bulb", func(p *pair) bool {
			return math.Abs(p.mean(p.with, "core_poplar_1", 10*minute)-p.mean(p.with, "dry_bulb_1", 10*minute)) < 0.5
		}}}},
	{kind: simkiln.WickDry, severity: 10, load: green, when: working, last: 90 * minute,
		signs: []sign{wetBulbHigh(0.8, 5, 85*minute), {"the depression is gone though the humidity probe shows no full air", func(p *pair) bool {
			return p.mean(p.with, "dry_bulb_1", 85*minute)-p.mean(p.with, "wet_bulb", 85*minute) < 0.5 && p.mean(p.with, "humidity", 85*minute) < 0.97
		}}}},
	{kind: simkiln.WickDirty, severity: 10, load: green, when: working, last: 6 * hour,
		signs: []sign{wetBulbHigh(0.15, 0.4, 6*hour)}},
	{kind: simkiln.HumidityWet, load: green, when: working, last: 10 * minute,
		signs: []sign{{"full air by the humidity probe", func(p *pair) bool { return p.mean(p.with, "humidity", 10*minute) > 0.99 }},
			{"and not by the wet bulb", func(p *pair) bool {
				return p.mean(p.with, "dry_bulb_1", 10*minute)-p.mean(p.with, "wet_bulb", 10*minute) > 1
			}}}},
	{kind: simkiln.HumidityDrift, severity: 10, load: green, when: working, last: 6 * hour,
		signs: []sign{wetBulbHigh(-0.9, -0.25, 6*hour)}},
	{kind: simkiln.PinLeak, load: seasoned, when: when{from: 10 * minute, on: bothFans, last: minute}, last: minute,
		signs: []sign{{"dry wood reads no more than 1 GΩ, about 9.5 %", func(p *pair) bool {
			pin := p.with.probes["pin_ash_1"]
			return p.always(10*sec, minute, func(i int) bool { return p.with.ticks[i].value[pin] <= 1e9 }) && p.without.ticks[p.at].value[pin] > 1e9
		}}}},
	{kind: simkiln.PinLoose, of: "pin_ash_1", load: green, when: warming, last: hour,
		signs: []sign{{"reads ever drier: ten times the resistance in an hour", func(p *pair) bool {
			ratio := p.mean(p.with, "pin_ash_1", hour) / p.mean(p.without, "pin_ash_1", hour)
			return ratio > 7 && ratio < 13
		}}}},
	{kind: simkiln.LoadCellSlip, load: green, when: warming, last: 5 * minute,
		signs: []sign{shifted("load_cell_1", 0.045, 0.055, 5*minute)}},
	{kind: simkiln.ProbesCrossed, load: green, when: working, last: minute,
		signs: []sign{{"the wet bulb is warmer than the dry bulb", func(p *pair) bool {
			return p.always(10*sec, minute, func(i int) bool {
				m := &p.with.ticks[i]
				return m.value[p.with.probes["wet_bulb"]] > m.value[p.with.probes["dry_bulb_1"]]+0.3
			})
		}}}},
	{kind: simkiln.ProbeDuplicate, of: "dry_bulb_2", load: green, when: warming, last: 11 * minute,
		signs: []sign{{"both dry bulbs alike to the last digit for 10 min", func(p *pair) bool {
			return p.always(10*sec, 10*minute, func(i int) bool {
				m := &p.with.ticks[i]
				return m.value[p.with.probes["dry_bulb_1"]] == m.value[p.with.probes["dry_bulb_2"]]
			})
		}}}},
	{kind: simkiln.BusDown, lasts: "1 min", load: green, when: warming, last: 2 * minute,
		signs: []sign{quality("dry_bulb_1", hardware.NoAnswer, 10*sec), quality("humidity", hardware.NoAnswer, 10*sec),
			{"back again, they give their power-on value once", func(p *pair) bool {
				return p.first(2*minute, func(i int) bool {
					m := &p.with.ticks[i]
					return m.quality[0] == uint8(hardware.Valid) && m.value[p.with.probes["dry_bulb_1"]] == 85
				})
			}}}},

	{kind: simkiln.AirflowLost, load: green, when: resting, last: minute,
		signs: []sign{contact(hardware.ContactAirflow, false, 5*sec), held(backFans, 0, 8*sec), draws(-400, 400, 0, 10*sec)}},
	{kind: simkiln.FanStop, load: green, when: resting, last: 2 * minute,
		signs: []sign{held(backFans, 0, 5*sec), draws(-1100, -900, 5*sec, 100*sec), contact(hardware.ContactAirflow, false, 90*sec)}},
	{kind: simkiln.FanNoStart, load: green, when: starting, last: 2 * minute,
		signs: []sign{held(fan1, 32*sec, 36*sec), contact(hardware.ContactAirflow, false, 60*sec), draws(-1100, -700, 40*sec, 100*sec)}},
	// A belt that slips by an eighth: from a little more on, the gate stops heat and machine by the motor's current, and the
	// kiln shows no more of it.
	{kind: simkiln.FanWeak, severity: 0.25, load: green, when: working, last: 20 * minute,
		signs: []sign{coolsMore(1.03, 10*minute), held(bothFans, 0, 10*minute), draws(-300, -170, minute, 5*minute), // motors relieved: 0.77 of 1 kW
			still(hardware.ContactAirflow, 0, 10*minute)}}, // closed from a fifth of the air on
	{kind: simkiln.FanBackward, load: green, when: working, last: 20 * minute,
		// No direction is measured in this kiln, by rotation or by a difference of pressure: less air and less current are all.
		signs: []sign{coolsMore(1.05, 10*minute), held(bothFans, 0, 10*minute), draws(-300, -120, minute, 5*minute), // a fifth of 1 kW
			still(hardware.ContactAirflow, 2*minute, 10*minute)}}, // once they have turned round

	{kind: simkiln.HighPressureTrip, load: green, when: working, last: minute,
		signs: []sign{contact(hardware.ContactHighPressure, true, 2*sec), dropped(1<<hardware.Compressor, 2*sec), draws(-1600, -600, 2*sec, 20*sec)}},
	{kind: simkiln.LowPressureTrip, load: green, when: working, last: minute,
		signs: []sign{contact(hardware.ContactLowPressure, true, 2*sec), dropped(1<<hardware.Compressor, 2*sec), draws(-1600, -600, 2*sec, 20*sec)}},
	{kind: simkiln.LowCharge, load: green, when: working, last: 20 * minute,
		signs: []sign{shifted("suction", -12, -4, 15*minute), collects(0.7, 0.92, 10*sec, 19*minute)}},
	{kind: simkiln.CoilIced, load: green, when: working, last: 20 * minute,
		signs: []sign{shifted("suction", -12, -1, 4*minute), collects(0, 0.7, 10*sec, 19*minute)}},
	{kind: simkiln.CoilFouled, load: green, when: working, last: 20 * minute,
		signs: []sign{shifted("suction", -12, -1, 15*minute), collects(0.7, 0.95, 10*sec, 19*minute)}},
	{kind: simkiln.CompressorNoEffect, load: green, when: working, last: minute,
		signs: []sign{held(machine, 0, 20*sec), draws(-1600, -600, 2*sec, 20*sec)}},
	{kind: simkiln.CompressorWeld, load: green, when: when{from: working.from, next: 1 << hardware.Compressor}, last: 2 * minute,
		signs: []sign{unasked(hardware.Compressor, minute), draws(300, 1600, 30*sec, 40*sec)}},
	{kind: simkiln.BlowerStop, load: green, when: working, last: minute,
		signs: []sign{contact(hardware.ContactBlowerAirflow, false, 2*sec), held(machine, 0, 0)}},
	{kind: simkiln.CrankcaseDead, load: green, when: idle, last: hour,
		signs: []sign{held(1<<hardware.Crankcase, 0, hour-sec), shifted("shell", -20, -8, hour), draws(-70, -50, 0, hour-sec)}},
	{kind: simkiln.HeaterWeld, load: green, when: resting, last: minute,
		signs: []sign{unasked(hardware.Heat1, 10*sec), draws(300, 2600, 0, 8*sec)}},
	{kind: simkiln.HeaterOpen, load: green, when: warming, last: minute,
		signs: []sign{held(heat1, 0, 20*sec), draws(-2700, -2300, 5*sec, 50*sec)}},
	{kind: simkiln.BreakerHeat, load: green, when: warming, last: minute,
		signs: []sign{held(heat1, 0, 20*sec), draws(-2700, -2300, 5*sec, 50*sec)}},
	{kind: simkiln.BreakerMachine, load: green, when: working, last: minute,
		signs: []sign{held(machine, 0, 0), contact(hardware.ContactBlowerAirflow, false, 2*sec), draws(-2000, -800, 2*sec, 20*sec)}},
	{kind: simkiln.BreakerFans, load: green, when: resting, last: 2 * minute,
		signs: []sign{held(backFans, 0, 5*sec), draws(-1100, -900, 5*sec, 100*sec), contact(hardware.ContactAirflow, false, 90*sec)}},

	{kind: simkiln.DoorOpen, load: green, when: warming, last: 11 * minute, short: true,
		signs: []sign{contact(hardware.ContactDoor, true, 2*sec), dropped(bothFans|heat1, 2*sec), shifted("dry_bulb_1", -15, -2, 10*minute)}},
	{kind: simkiln.DoorContactShut, also: simkiln.DoorOpen, load: green, when: warming, last: 11 * minute,
		signs: []sign{still(hardware.ContactDoor, 0, 10*minute), dropped(bothFans|heat1, 2*sec), shifted("dry_bulb_1", -15, -2, 10*minute)}},
	{kind: simkiln.EmergencyStop, load: green, when: warming, last: minute,
		signs: []sign{contact(hardware.ContactEStop, true, 2*sec), dropped(bothFans|heat1, 2*sec)}},
	{kind: simkiln.HighLimit, load: green, when: warming, last: minute,
		signs: []sign{contact(hardware.ContactHighLimit, true, 2*sec), dropped(heat1, 2*sec), held(bothFans, 0, 30*sec), draws(-2700, -2300, 5*sec, 50*sec)}},
	{kind: simkiln.MainsLoss, load: green, when: warming, last: minute,
		signs: []sign{contact(hardware.ContactMains, false, 2*sec), dropped(bothFans|heat1, 2*sec)}},
	{kind: simkiln.BrownOut, load: green, when: warming, last: minute,
		signs: []sign{contact(hardware.ContactMains, false, 2*sec), draws(-5000, -500, 0, 5*sec)}},
	{kind: simkiln.Smoke, load: green, when: warming, last: minute, signs: []sign{contact(hardware.ContactSmoke, true, 2*sec)}},
	{kind: simkiln.RefrigerantGas, load: green, when: warming, last: minute, signs: []sign{contact(hardware.ContactGas, true, 2*sec)}},
	{kind: simkiln.FloorWater, load: green, when: warming, last: minute, signs: []sign{contact(hardware.ContactFloat, true, 2*sec)}},
	{kind: simkiln.InsideButton, load: green, when: warming, last: minute, signs: []sign{contact(hardware.ContactInsideButton, true, 2*sec)}},
	{kind: simkiln.Inhibit, load: green, when: warming, last: minute, signs: []sign{contact(hardware.ContactInhibit, true, 2*sec)}},
	{kind: simkiln.MachineFire, load: green, when: resting, last: 2 * minute,
		signs: []sign{contact(hardware.ContactSmoke, true, 2*sec), {"hotter by more than 5 K in a minute with all heat off", func(p *pair) bool {
			id := p.with.probes["dry_bulb_1"]
			return p.first(2*minute, func(i int) bool { return p.with.ticks[i].value[id]-p.with.ticks[i-60].value[id] > 5 }) &&
				p.always(0, 2*minute-sec, func(i int) bool { return p.with.ticks[i].readBack&hardware.AllHeat == 0 })
		}}}},

	{kind: simkiln.VentStuckOpen, load: green, when: working, last: 10 * minute,
		signs: []sign{contact(hardware.ContactVentOpen, true, 3*minute), contact(hardware.ContactVentShut, false, 3*minute),
			{"with its command off", func(p *pair) bool {
				return p.always(0, 5*sec, func(i int) bool { return p.with.ticks[i].told&ventOut == 0 })
			}}, shifted("dry_bulb_1", -10, -0.5, 10*minute)}},
	{kind: simkiln.VentStuckShut, load: green, when: when{from: working.from, next: ventOut}, last: 2 * minute,
		signs: []sign{{"told to open, the end switch says shut for as long", func(p *pair) bool {
			return p.always(45*sec, 60*sec, func(i int) bool {
				return p.with.ticks[i].told&ventOut != 0 && p.with.ticks[i].active.Has(hardware.ContactVentShut) && !p.without.ticks[i].active.Has(hardware.ContactVentShut)
			})
		}}}},
	{kind: simkiln.SprayStuckOn, load: green, when: working, last: 20 * minute,
		signs: []sign{unasked(hardware.Spray, 10*sec), shifted("humidity", 0.02, 0.5, 15*minute)}},
	{kind: simkiln.NoWater, load: green, when: warming, last: minute, signs: []sign{contact(hardware.ContactWaterSupply, false, 2*sec)}},
	{kind: simkiln.DrainBlocked, load: green, when: working, last: 30 * minute,
		signs: []sign{collects(0, 0, 10*sec, 15*minute), contact(hardware.ContactFloat, true, 30*minute)}},
	{kind: simkiln.CondensateStuck, load: green, when: working, last: 30 * minute,
		signs: []sign{collects(0, 0, 10*sec, 29*minute), draws(-100, 100, 0, 29*minute), still(hardware.ContactFloat, 0, 29*minute)}},
	{kind: simkiln.HoseOff, load: green, when: working, last: 30 * minute,
		signs: []sign{collects(0, 0, 10*sec, 29*minute), draws(-100, 100, 0, 29*minute), still(hardware.ContactFloat, 0, 29*minute)}},
	{kind: simkiln.CondensateMiss, severity: 2, load: green, when: working, last: 30 * minute,
		signs: []sign{collects(0.35, 0.65, 10*sec, 29*minute)}},
	{kind: simkiln.EnergyMiss, load: green, when: working, last: 10 * minute,
		signs: []sign{{"the meter counts three quarters", func(p *pair) bool {
			share := p.watt(p.with, 0, 9*minute) / p.watt(p.without, 0, 9*minute)
			return share > 0.7 && share < 0.8
		}}}},

	{kind: simkiln.BothDirections, load: green, when: warming, last: minute,
		signs: []sign{held(bothFans|backFans, 0, 0)}},
	{kind: simkiln.ContactorWeld, of: "heat_1", load: green, when: when{from: 20 * minute, off: hardware.AllHeat, next: heat1}, last: 2 * minute, short: true,
		signs: []sign{unasked(hardware.Heat1, minute), draws(300, 2600, 31*sec, 41*sec)}},
	{kind: simkiln.ContactorWeld, of: "fan_forward_1", load: green, when: when{from: 4 * hour, off: bothFans, next: fan1}, last: 2 * minute,
		signs: []sign{unasked(hardware.FanForward1, minute)}},
	{kind: simkiln.ContactorStick, of: "heat_2", load: green, when: when{from: hour, on: heat1 | heat2, next: heat2}, last: 2 * minute,
		signs: []sign{dropped(heat2, minute), draws(-2800, -2200, 35*sec, 70*sec)}},
	{kind: simkiln.ContactorBounce, of: "heat_2", severity: 2.5, load: green, when: when{from: hour, on: heat1 | heat2, next: heat2}, last: 2 * minute,
		signs: []sign{{"told on, read back on, off and on again within 10 s", func(p *pair) bool {
			changes := 0
			for i := p.at + 31; i <= p.at+42; i++ {
				if p.with.ticks[i].told&heat2 != 0 && (p.with.ticks[i].readBack^p.with.ticks[i-1].readBack)&heat2 != 0 {
					changes++
				}
			}
			return changes >= 3
		}}, draws(-2200, -500, 31*sec, 40*sec)}},
	{kind: simkiln.OutputOpen, of: "heat_1", load: green, when: warming, last: minute,
		signs: []sign{held(heat1, 0, 20*sec), draws(-2700, -2300, 5*sec, 50*sec)}},
	{kind: simkiln.RelayReset, load: green, when: warming, last: minute,
		signs: []sign{dropped(bothFans|heat1, 2*sec), {"and on again within two ticks", func(p *pair) bool {
			return p.always(3*sec, 5*sec, func(i int) bool { return p.with.ticks[i].readBack&bothFans == bothFans })
		}}}},
	{kind: simkiln.RelayGlitch, load: green, when: warming, last: minute,
		signs: []sign{{"states that nobody asked for", func(p *pair) bool {
			return p.first(10*sec, func(i int) bool {
				wrong := p.with.ticks[i].readBack &^ (p.with.ticks[i].told | p.with.ticks[i-1].told | p.with.ticks[i-2].told)
				return wrong != 0
			})
		}}}},

	{kind: simkiln.MisWeigh, load: attended, when: when{from: hour, on: fan1}, last: 2 * hour,
		signs: []sign{{"a weight that no board has", func(p *pair) bool {
			with, without := weighed(p.with), weighed(p.without)
			return len(with) > 0 && len(with) == len(without) && slices.ContainsFunc(with, func(w float64) bool {
				return !slices.ContainsFunc(without, func(v float64) bool { return math.Abs(v-w) < 0.005 })
			})
		}}}},
	{kind: simkiln.PersonAway, load: attended, when: when{from: hour, on: fan1}, last: 2 * hour,
		signs: []sign{{"no weights", func(p *pair) bool { return len(weighed(p.with)) == 0 && len(weighed(p.without)) > 0 }}}},
}

func weighed(r *traced) (all []float64) {
	for i := range r.ticks {
		all = append(all, r.ticks[i].weights...)
	}
	return all
}

// Every named fault, given to simulate in a file as a person would, shows in the written trace what it shows in a kiln,
// against the same run without it. Up to the fault's beginning both are alike to the last digit; and without it its signs
// are not there.
func TestFaultsShowTheirSigns(t *testing.T) {
	longest := map[load]time.Duration{green: 19 * hour, attended: 4 * hour, seasoned: 20 * minute}
	if testing.Short() {
		longest[green] = hour
	}
	healthy := map[load]*traced{}
	shown := map[simkiln.FaultKind]bool{}
	for i := range faultSigns {
		row := &faultSigns[i]
		shown[row.kind] = true
		if testing.Short() && !row.short {
			continue
		}
		if healthy[row.load] == nil {
			healthy[row.load] = simulateTo(t, row.load, "", longest[row.load])
		}
		t.Run(row.kind.String(), func(t *testing.T) {
			p := &pair{without: healthy[row.load]}
			p.at = row.when.find(t, p.without)
			var text strings.Builder
			for _, kind := range []simkiln.FaultKind{row.kind, row.also} {
				if kind == simkiln.NoFault {
					continue
				}
				fmt.Fprintf(&text, "[[fault]]\nkind = %q\nstart = \"%d s\"\n", kind, p.at+1) // tick 0 ends the first second
				if row.severity > 0 {
					fmt.Fprintf(&text, "severity = %g\n", row.severity)
				}
				if row.lasts != "" {
					fmt.Fprintf(&text, "duration = %q\n", row.lasts)
				}
				if is, _ := kind.OfProbe(); is {
					fmt.Fprintf(&text, "probe = %q\n", row.of)
				}
				if kind.OfOutput() {
					fmt.Fprintf(&text, "output = %q\n", row.of)
				}
			}
			p.with = simulateTo(t, row.load, text.String(), time.Duration(p.at)*sec+row.last+2*sec)
			require.LessOrEqual(t, len(p.with.ticks), len(p.without.ticks), "the run without the fault is too short for this row")
			for i := range p.at {
				require.Equal(t, p.without.ticks[i], p.with.ticks[i], "tick %d, before the fault at %d", i, p.at)
			}
			absent := &pair{with: p.without, without: p.without, at: p.at}
			silent := true
			for _, s := range row.signs {
				require.True(t, s.seen(p), "not seen: %s", s.words)
				silent = silent && s.seen(absent)
			}
			require.False(t, silent, "all of it shows without the fault too")
		})
	}
	for _, kind := range simkiln.FaultKinds() {
		require.True(t, shown[kind], "%s has no row", kind)
	}
}
