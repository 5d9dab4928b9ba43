package main

import (
	"context"
	"errors"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"drywarden/controller"
	"drywarden/hardware"
	"drywarden/hardware/mono"
	"drywarden/safety"
)

// benchSimulation is the demonstration, ready to start.
func benchSimulation(tb testing.TB) *simulation {
	tb.Helper()
	file, files, err := (&simulateFlags{}).load()
	require.NoError(tb, err)
	sim, err := newSimulation(file, files, &observer{})
	require.NoError(tb, err)
	return sim
}

var errEnough = errors.New("enough")

// BenchmarkCharge is a whole tick, averaged over the demonstration's charge at one tick a second: simulated kiln (3 lots of
// 12 boards of 14 nodes), controller, gate, audit. An operation is one tick.
func BenchmarkCharge(b *testing.B) {
	b.ReportAllocs()
	for left := b.N; left > 0; {
		b.StopTimer()
		sim := benchSimulation(b)
		ctx, stop := context.WithCancelCause(context.Background())
		b.StartTimer()
		err := sim.run(ctx, 365*24*time.Hour, func() {
			if left--; left <= 0 {
				stop(errEnough)
			}
		})
		if err != nil && left > 0 {
			b.Fatal(err)
		}
		stop(nil)
	}
}

// stillLife takes outputs and moves nothing.
type stillLife struct{}

func (stillLife) Apply(mono.Instant, hardware.Outputs) error { return nil }

// BenchmarkStepAndGate is the controller's Step and the gate over an hour's snapshots of the demonstration's charge, taken
// on its third day.
func BenchmarkStepAndGate(b *testing.B) {
	sim := benchSimulation(b)
	require.ErrorIs(b, sim.run(context.Background(), 72*time.Hour, func() {}), errMaxDays)
	layout := sim.plant.kiln.Layout()
	config := controllerConfig(sim.file, &layout)
	image := sim.saver.Cut()
	snaps := make([]hardware.Snapshot, 3600)
	for i := range snaps {
		sim.plant.advance(tick)
		require.NoError(b, sim.plant.Read(0, &snaps[i]))
	}
	clock := &mono.Manual{}
	gate, err := safety.NewGate(sim.file.SafetyLimits(), &layout, stillLife{}, clock, &memoryTrips{})
	require.NoError(b, err)
	plan := *sim.plan
	plan.ID = image.State.Run.ID
	var result controller.Result
	var applied hardware.Applied
	state := image.State
	in := controller.Input{Plan: &plan, Restored: true, OutageKnown: true}
	ticks := uint64(0)
	b.ReportAllocs()
	for b.Loop() {
		snap := &snaps[ticks%uint64(len(snaps))]
		ticks++
		clock.Advance(tick)
		snap.Tick, snap.Now, snap.Elapsed = ticks, clock.Now(), tick
		snap.Previous, snap.Durable = applied, state.Generation
		in.Snapshot = snap
		controller.Step(&config, &state, &in, &result)
		gate.Apply(snap, result.Requested, &applied)
	}
}
