package campaign

import (
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"drywarden/controller"
	"drywarden/hardware"
	"drywarden/hardware/mono"
	"drywarden/hardware/simkiln"
	"drywarden/safety"
	"drywarden/schedule"
)

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

func newPipeline(t require.TestingT, seed uint64) *pipeline {
	c := simkiln.DefaultConfig()
	c.Seed = seed
	c.Lots = []simkiln.LotConfig{{Name: "Fallow End", Species: "maple, hard (sugar)", Thickness: 0.027, Volume: 1.65, Start: 34, Sigma: 3, Boards: 8, RateLimit: 6.5}}
	c.Samples = []int8{0, 0}
	kiln, err := simkiln.New(c)
	require.NoError(t, err)
	p := &pipeline{t: t, kiln: kiln, cfg: configOf(&c, kiln.Layout()), told: map[hardware.RuleID]bool{}}
	layout := kiln.Layout()
	p.gate, err = safety.NewGate(limitsOf(), &layout, kiln, &p.clock, &memory{})
	require.NoError(t, err)
	p.in.Plan = planOf(t, &c, kiln, strings.NewReplacer("1695 bf", "700 bf", "315", "130").Replace(siteCharge))
	p.in.Plan.ID = 1
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
