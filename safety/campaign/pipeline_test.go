package campaign

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"drywarden/controller"
	"drywarden/hardware"
	"drywarden/hardware/mono"
	"drywarden/hardware/simkiln"
	"drywarden/safety"
	"drywarden/schedule"
	"drywarden/schedule/library"
)

const charge = `
id = "campaign-1"
[[lot]]
name = "Fallow End"
owner = "Fallow End Joinery"
species = "maple, hard (sugar)"
thickness = "4/4"
volume = "700 bf"
pieces = 130
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

// pipeline is a simulated kiln, the gate and the controller, without the shell: every save is durable at the next tick.
type pipeline struct {
	t     require.TestingT
	kiln  *simkiln.Kiln
	gate  *safety.Gate
	clock mono.Manual
	cfg   controller.Config
	state controller.State
	snap  hardware.Snapshot
	in    controller.Input
	out   controller.Result
	last  hardware.Applied
	trips hardware.RuleSet         // ever
	told  map[hardware.RuleID]bool // safety alarms, ever
}

type noStore struct{}

func (noStore) LoadTrips() ([]string, error) { return nil, nil }
func (noStore) SaveTrips([]string) error     { return nil }

func newPipeline(t require.TestingT, seed uint64) *pipeline {
	c := simkiln.DefaultConfig()
	c.Seed = seed
	c.Lots = []simkiln.LotConfig{{Name: "Fallow End", Species: "maple, hard (sugar)", Thickness: 0.027, Volume: 1.65, Start: 34, Sigma: 3, Boards: 8, RateLimit: 6.5}}
	c.Samples = []int8{0, 0}
	kiln, err := simkiln.New(c)
	require.NoError(t, err)
	p := &pipeline{t: t, kiln: kiln, told: map[hardware.RuleID]bool{}}
	layout := kiln.Layout()
	p.cfg = controller.DefaultConfig()
	p.cfg.Layout, p.cfg.Pressure, p.cfg.Volume = layout, c.Pressure, c.Room.AirVolume
	p.cfg.DryBulbMax, p.cfg.EMCMin = 60, 4.5
	d := &p.cfg.Demand
	d.HeatStages, d.Vent, d.Spray, d.Compressor, d.BlowerLow = layout.HeatStages, c.Vents.Fitted, c.Spray.Fitted, c.Machine.Fitted, c.Machine.BlowerLow
	d.AmbientMin, d.AmbientMax = 18, 55
	limits := safety.DefaultLimits()
	limits.CompressorAmbientMax = 55
	p.gate, err = safety.NewGate(limits, &layout, kiln, &p.clock, noStore{})
	require.NoError(t, err)
	sheet, err := schedule.ParseCharge("charge.toml", []byte(charge))
	require.NoError(t, err)
	plan, err := schedule.Resolve(sheet, schedule.Kiln{Machine: library.Machine{Pressure: c.Pressure, DryBulbMax: 47, RHMin: 0.28}, EMCMin: 4.5,
		DryBulbMax: 60, HeatMax: 65, Spray: true, Heat: true, Vent: true, Cores: 4, Simulated: true})
	require.NoError(t, err)
	plan.ID = 1
	for i, s := range kiln.CutSamples() {
		plan.Samples[i].Start, plan.Samples[i].OvenDry = s.Start, s.OvenDry
	}
	p.in.Plan = plan
	p.run(time.Minute)
	p.in.Commands[0], p.in.Count = controller.Command{Verb: controller.VerbStart}, 1
	p.run(5 * time.Second)
	require.Equal(t, schedule.Running, p.state.Run.Phase)
	return p
}

func (p *pipeline) run(d time.Duration) {
	for range int(d / time.Second) {
		p.clock.Advance(time.Second)
		p.kiln.Advance(time.Second)
		s := &p.snap
		s.Tick++
		s.Now, s.Elapsed = p.clock.Now(), time.Second
		if s.Tick == 1 {
			s.Elapsed = 0
		}
		require.NoError(p.t, p.kiln.Read(s.Now, s))
		s.Previous, s.Durable = p.last, p.state.Generation
		p.in.Snapshot = s
		controller.Step(&p.cfg, &p.state, &p.in, &p.out)
		p.in.Count = 0
		p.gate.Apply(s, p.out.Requested, &p.last)
		p.trips |= p.last.Trips
		for _, a := range p.last.Alarms[:p.last.AlarmCount] {
			p.told[a.Rule] = true
		}
	}
}

func span(long, short time.Duration) time.Duration {
	if testing.Short() {
		return short
	}
	return long
}

// The gate is silent in a kiln that has no fault.
func TestGateIsSilentWithoutAFault(t *testing.T) {
	for seed := uint64(1); seed <= 3; seed++ {
		p := newPipeline(t, seed)
		p.run(span(48*time.Hour, 12*time.Hour))
		require.Zero(t, p.trips)
		require.Empty(t, p.told)
	}
}

// One noisy probe switches nothing off: not as a fire, not as a probe exchanged for another.
func TestNoiseTripsNothing(t *testing.T) {
	for id := range hardware.ProbeID(4) {
		p := newPipeline(t, 5)
		p.run(6 * time.Hour)
		require.NoError(t, p.kiln.Inject(simkiln.Fault{Kind: simkiln.ProbeNoise, Probe: id}))
		p.run(span(24*time.Hour, 4*time.Hour))
		require.Zero(t, p.trips, "%s", p.cfg.Layout.Probes[id].Name)
	}
}
