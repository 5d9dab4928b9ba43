package controller_test

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

// rig is a simulated kiln with gate, person and controller, without the shell: every save is durable at the next tick.
type rig struct {
	slow   bool // the disk takes nothing for now
	t      testing.TB
	kiln   *simkiln.Kiln
	gate   *safety.Gate
	clock  *mono.Manual
	cfg    controller.Config
	state  controller.State
	plan   *schedule.Plan
	snap   hardware.Snapshot
	in     controller.Input
	out    controller.Result
	queue  []controller.Command
	vetoes [hardware.OutputCount]int
	last   hardware.Applied
	starts int
	seen   func(r *rig) // after each tick
}

const demoCharge = `
id = "test-1"
[[lot]]
name = "Hollow Creek"
owner = "Hollow Creek Joinery"
species = "maple, hard (sugar)"
thickness = "4/4"
volume = "700 bf"
pieces = 130
start = "34 %"
target = "7 %"
tolerance = "0.75 %"
[[lot]]
name = "Tansy Mill"
owner = "Tansy Mill"
species = "cherry, black"
thickness = "5/4"
volume = "600 bf"
pieces = 95
start = "38 %"
target = "7 %"
tolerance = "0.75 %"
[[sample]]
name = "h1"
lot = "Hollow Creek"
[[sample]]
name = "h2"
lot = "Hollow Creek"
[[sample]]
name = "h3"
lot = "Hollow Creek"
[[sample]]
name = "t1"
lot = "Tansy Mill"
[[sample]]
name = "t2"
lot = "Tansy Mill"
[[sample]]
name = "t3"
lot = "Tansy Mill"
`

func kilnConfig(seed uint64) simkiln.Config {
	c := simkiln.DefaultConfig()
	c.Seed = seed
	c.Lots = []simkiln.LotConfig{
		{Name: "Hollow Creek", Species: "maple, hard (sugar)", Thickness: 0.027, Volume: 1.65, Start: 34, Sigma: 3, Boards: 8, RateLimit: 6.5},
		{Name: "Tansy Mill", Species: "cherry, black", Thickness: 0.033, Volume: 1.42, Start: 38, Sigma: 3, Boards: 8, RateLimit: 5},
	}
	c.Samples = []int8{0, 0, 0, 1, 1, 1}
	return c
}

func newRig(t testing.TB, c simkiln.Config, charge string) *rig {
	kiln, err := simkiln.New(c)
	require.NoError(t, err)
	r := &rig{t: t, kiln: kiln, clock: &mono.Manual{}}
	layout := kiln.Layout()
	r.cfg = controller.DefaultConfig()
	r.cfg.Layout, r.cfg.Pressure, r.cfg.Volume = layout, c.Pressure, c.Room.AirVolume
	r.cfg.DryBulbMax, r.cfg.EMCMin = 60, 4.5
	d := &r.cfg.Demand
	d.HeatStages, d.Vent, d.Spray, d.Compressor, d.BlowerLow = layout.HeatStages, c.Vents.Fitted, c.Spray.Fitted, c.Machine.Fitted, c.Machine.BlowerLow
	d.AmbientMin, d.AmbientMax = 18, 55
	r.gate = newGate(t, &layout, kiln, r.clock)

	sheet, err := schedule.ParseCharge("charge.toml", []byte(charge))
	require.NoError(t, err)
	r.plan, err = schedule.Resolve(sheet, schedule.Kiln{Machine: library.Machine{Pressure: c.Pressure, DryBulbMax: 47, RHMin: 0.28}, EMCMin: 4.5,
		DryBulbMax: 60, HeatMax: 65, Spray: true, Heat: true, Vent: true, Cores: 4, Simulated: true})
	require.NoError(t, err)
	r.plan.ID = 1
	for i, s := range kiln.CutSamples() {
		r.plan.Samples[i].Start, r.plan.Samples[i].OvenDry = s.Start, s.OvenDry
	}
	r.in.Plan = r.plan
	return r
}

func newGate(t testing.TB, layout *hardware.Layout, kiln *simkiln.Kiln, clock *mono.Manual) *safety.Gate {
	limits := safety.DefaultLimits()
	limits.CompressorAmbientMax = 55
	gate, err := safety.NewGate(limits, layout, kiln, clock, &noTrips{})
	require.NoError(t, err)
	return gate
}

type noTrips struct{}

func (noTrips) LoadTrips() ([]string, error) { return nil, nil }
func (noTrips) SaveTrips([]string) error     { return nil }

func (r *rig) tick() {
	r.clock.Advance(time.Second)
	r.kiln.Advance(time.Second)
	now := r.clock.Now()
	s := &r.snap
	s.Tick++
	s.Elapsed = 0
	if s.Tick > 1 {
		s.Elapsed = now.Sub(s.Now)
	}
	s.Now = now
	require.NoError(r.t, r.kiln.Read(now, s))
	s.Previous = r.last
	if !r.slow {
		s.Durable = r.state.Generation
	}
	r.in.Snapshot, r.in.Count = s, 0
	if len(r.queue) > 0 && !r.state.Pending.On {
		r.in.Commands[0], r.in.Count = r.queue[0], 1
		r.queue = r.queue[1:]
	}
	controller.Step(&r.cfg, &r.state, &r.in, &r.out)
	r.gate.Apply(s, r.out.Requested, &r.last)
	if r.last.On.Has(hardware.Compressor) && !s.Previous.On.Has(hardware.Compressor) {
		r.starts++
	}
	for i := range r.last.VetoCount {
		r.vetoes[r.last.Vetoes[i].Output]++
	}
	if r.seen != nil {
		r.seen(r)
	}
}

// person lets the simulated person see and do.
func (r *rig) person() {
	n := simkiln.Notice{Running: r.state.Run.Phase == schedule.Running, Confirm: r.state.Waiting() != 0}
	for _, a := range append(r.state.Alarms[:r.state.AlarmCount:r.state.AlarmCount], r.last.Alarms[:r.last.AlarmCount]...) {
		if int(n.AlarmCount) < len(n.Alarms) {
			n.Alarms[n.AlarmCount] = a
			n.AlarmCount++
		}
	}
	r.kiln.Tell(n)
	for _, a := range r.kiln.Actions() {
		switch a.Kind {
		case simkiln.WeighSample:
			r.queue = append(r.queue, controller.Command{Verb: controller.VerbWeigh, Sample: a.Sample, Mass: a.Mass, Recheck: true})
		case simkiln.Ack:
			if a.Rule >= controller.FirstRule {
				r.queue = append(r.queue, controller.Command{Verb: controller.VerbAck, Rule: a.Rule})
			} else {
				_ = r.gate.Ack(a.Rule)
			}
		case simkiln.ResetTrip:
			if a.Rule >= controller.FirstRule {
				r.queue = append(r.queue, controller.Command{Verb: controller.VerbReset, Rule: a.Rule})
			}
		case simkiln.Confirm:
			r.queue = append(r.queue, controller.Command{Verb: controller.VerbConfirm, Matters: r.state.Waiting()})
		}
	}
}

func (r *rig) run(d time.Duration) {
	for range int(d / time.Second) {
		r.tick()
		if r.snap.Tick%10 == 0 {
			r.person()
		}
	}
}

func (r *rig) start() {
	r.run(time.Minute)
	r.queue = append(r.queue, controller.Command{Verb: controller.VerbStart})
	r.run(5 * time.Second)
	require.Equal(r.t, schedule.Running, r.state.Run.Phase)
}
