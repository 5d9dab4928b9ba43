package campaign

import (
	"fmt"
	"strings"
	"time"

	"github.com/stretchr/testify/require"

	"drywarden/controller"
	"drywarden/controller/loop"
	"drywarden/hardware"
	"drywarden/hardware/simkiln"
	"drywarden/hardware/trace"
	"drywarden/safety"
	"drywarden/schedule"
	"drywarden/schedule/library"
)

// newSite builds a kiln and starts the program in it, without a charge; change may alter it before.
func newSite(t require.TestingT, c simkiln.Config, charge string, change func(*site)) *site {
	kiln, err := simkiln.New(c)
	require.NoError(t, err)
	s := &site{t: t, kiln: kiln, limits: limitsOf(), plan: planOf(t, &c, kiln, charge), record: &trace.Record{}}
	s.saver, s.trips = &s.memory, &s.memory
	s.deps = loop.Deps{Config: configOf(&c, kiln.Layout()), Breaks: true, Header: trace.Header{KilnHash: "kiln"}}
	if change != nil {
		change(s)
	}
	require.NoError(t, s.start(nil, nil, 0))
	return s
}

func limitsOf() safety.Limits {
	l := safety.DefaultLimits()
	l.CompressorAmbientMax = 55
	return l
}

// configOf tells the controller what kiln it has, with the margins that keep it clear of the gate.
func configOf(c *simkiln.Config, layout hardware.Layout) controller.Config {
	const margin = 2 * time.Second
	cfg, limits := controller.DefaultConfig(), limitsOf()
	cfg.Layout, cfg.Pressure, cfg.Volume = layout, c.Pressure, c.Room.AirVolume
	cfg.DryBulbMax, cfg.EMCMin = 65, 4.5
	cfg.Estimate.VentFlow, cfg.Estimate.SprayRate = c.Vents.Flow, c.Spray.Rate
	d := &cfg.Demand
	d.HeatStages, d.Vent, d.Spray, d.Compressor, d.BlowerLow = layout.HeatStages, c.Vents.Fitted, c.Spray.Fitted, c.Machine.Fitted, c.Machine.BlowerLow
	d.AmbientMin, d.AmbientMax, d.LoneDuty = limits.CompressorAmbientMin, limits.CompressorAmbientMax, limits.HeatDuty
	q := &cfg.Sequence
	q.Coast = max(q.Coast, c.Fans.Coast.Std()+margin)
	return cfg
}

// planOf resolves the charge that stands in the kiln.
func planOf(t require.TestingT, c *simkiln.Config, kiln *simkiln.Kiln, text string) *schedule.Plan {
	plan, err := resolve(c, text)
	require.NoError(t, err)
	for i, b := range kiln.CutSamples() {
		plan.Samples[i].Start, plan.Samples[i].OvenDry = b.Start, b.OvenDry
	}
	return plan
}

func resolve(c *simkiln.Config, text string) (*schedule.Plan, error) {
	sheet, _ := schedule.ParseCharge("charge.toml", []byte(text)) // its faults come out of Resolve, with all others
	return schedule.Resolve(sheet, schedule.Kiln{Machine: library.Machine{Pressure: c.Pressure, DryBulbMax: 47, RHMin: 0.28}, EMCMin: 4.5,
		DryBulbMax: 65, HeatMax: 65, Spray: true, Heat: true, Vent: true, Cores: 4, Simulated: true})
}

// begin starts the charge of the site, in its first stage or a later one.
func (s *site) begin(stage int) {
	s.run(40 * time.Second)
	reply := s.loop.Start(s.plan)
	s.run(5 * time.Second)
	require.Equal(s.t, controller.Accepted, (<-reply).Refusal)
	require.Equal(s.t, controller.Accepted, s.ask(controller.Command{Verb: controller.VerbWarm}).Refusal, "a person answers for a warm crankcase")
	for at := range stage {
		require.Equal(s.t, controller.Accepted, s.ask(controller.Command{Verb: controller.VerbAdvance, Stage: int8(at)}).Refusal)
		s.run(3 * time.Second)
	}
}

// panicking is for what is built once for several tests, or runs beside them.
type panicking struct{}

func (panicking) Errorf(format string, args ...any) { panic(fmt.Sprintf(format, args...)) }
func (panicking) FailNow()                          { panic("failed") }

// siteKiln is the simulated kiln of the failures: one lot of few boards, and nobody who mends anything.
func siteKiln(seed uint64) simkiln.Config {
	c := simkiln.DefaultConfig()
	c.Seed, c.Room.Start = seed, 40
	c.Lots = []simkiln.LotConfig{{Name: "Fallow End", Species: "maple, hard (sugar)", Thickness: 0.027, Volume: 4, Start: 34, Sigma: 3, Boards: 6, RateLimit: 6.5}}
	c.Samples = []int8{0, 0}
	c.Machine.Scale = 0.6
	c.Probes.LoadCells = 2
	c.Person.Absent = true
	return c
}

const siteCharge = `
id = "campaign-2"
[[lot]]
name = "Fallow End"
owner = "Fallow End Joinery"
species = "maple, hard (sugar)"
thickness = "4/4"
volume = "1695 bf"
pieces = 315
start = "34 %"
target = "7 %"
tolerance = "0.75 %"
[[sample]]
name = "f1"
lot = "Fallow End"
[[sample]]
name = "f2"
lot = "Fallow End"
`

// pairKiln is a container with two lots; wood is what the first of them is. A person looks after it.
func pairKiln(seed uint64, wood string) simkiln.Config {
	c := simkiln.DefaultConfig()
	c.Seed, c.Nodes = seed, 8
	c.Weather = simkiln.Weather{Mean: 15, Daily: 4, Noise: 1, Humidity: 0.65, Day: 150}
	c.Room.Start = 22
	c.Probes.LoadCells = 1
	c.Lots = []simkiln.LotConfig{
		{Name: "ash", Species: wood, Thickness: 0.027, Volume: 1.2, Start: 24, Sigma: 2, Boards: 3},
		{Name: "poplar", Species: "yellow-poplar", Thickness: 0.027, Volume: 1.2, Start: 22, Sigma: 2, Boards: 3}}
	c.Samples = []int8{0, 0, 1, 1}
	return c
}

// newPairSite starts its charge, of which the sheet says that the first lot is of this species.
func newPairSite(t require.TestingT, sheet, wood string) *site {
	s := newSite(t, pairKiln(3, wood), strings.ReplaceAll(pairCharge, "SPECIES", sheet), func(s *site) {
		s.deps.Breaks, s.deps.PublishEvery = false, lookEvery
	})
	s.loop.Start(s.plan)
	return s
}

// lookEvery is how many ticks pass between two looks of the person at the status.
const lookEvery = 600

// pairCharge goes through every kind of stage.
const pairCharge = `
id = "pairs"
conditioning = true
[equalizing]
emc_below = "0.3 %"
end_above = "2.5 %"
[[lot]]
name = "ash"
species = "SPECIES"
thickness = "4/4"
volume = "1.2 m3"
start = "24 %"
target = "9 %"
[[lot]]
name = "poplar"
species = "poplar, yellow"
thickness = "4/4"
volume = "1.2 m3"
start = "22 %"
target = "9 %"
[[sample]]
name = "a1"
lot = "ash"
[[sample]]
name = "a2"
lot = "ash"
[[sample]]
name = "p1"
lot = "poplar"
[[sample]]
name = "p2"
lot = "poplar"
[[stage]]
kind = "preheat"
dry_bulb = "40 C"
emc = "14 %"
until = { time = "8 h" }
[[stage]]
kind = "dry"
name = "dry 1"
dry_bulb = "43 C"
emc = "9 %"
until = { moisture = "15 %", at_least = "12 h" }
[[stage]]
kind = "dry"
name = "dry 2"
dry_bulb = "45 C"
emc = "5.5 %"
until = { at_least = "12 h" }
[[stage]]
kind = "equalize"
until = { at_least = "12 h" }
[[stage]]
kind = "condition"
emc = "12 %"
until = { time = "10 h" }
[[stage]]
kind = "heat"
dry_bulb = "64 C"
core = "56 C"
exposure = "10 h"
count = "cumulative"
[[stage]]
kind = "cool"
`
