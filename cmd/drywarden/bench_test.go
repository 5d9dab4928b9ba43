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
func benchSimulation(tb testing.TB, seen *observer) *simulation {
	tb.Helper()
	file, files, err := (&simulateFlags{}).load()
	require.NoError(tb, err)
	sim, err := newSimulation(file, files, seen)
	require.NoError(tb, err)
	return sim
}

var errEnough = errors.New("enough")

// BenchmarkCharge is a whole tick, averaged over the demonstration's charge at one tick a second: simulated kiln (3 lots of
// 12 boards of 14 nodes), controller, gate, audit. An operation is one tick.
func BenchmarkCharge(b *testing.B) { benchCharge(b, false) }

// BenchmarkChargeUnjudged is the same without the audit: how fast the simulated kiln runs with its control.
func BenchmarkChargeUnjudged(b *testing.B) { benchCharge(b, true) }

func benchCharge(b *testing.B, trusts bool) {
	b.ReportAllocs()
	for left := b.N; left > 0; {
		b.StopTimer()
		sim := benchSimulation(b, &observer{trusts: trusts})
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
	b.ReportMetric(float64(b.N)*tick.Seconds()/b.Elapsed().Seconds(), "x_real_time")
}

// stillLife takes outputs and moves nothing.
type stillLife struct{}

func (stillLife) Apply(mono.Instant, hardware.Outputs) error { return nil }

// BenchmarkStepAndGate is the controller's Step and the gate over an hour of the demonstration's charge as it really was on
// its third day: the snapshots that the loop had, from the state that it had. An operation is one tick.
func BenchmarkStepAndGate(b *testing.B) {
	file, err := demoKiln()
	require.NoError(b, err)
	k := startCutKiln(b, file, demoCharge(), file.Simulated.Seed)
	for range 3 * 24 * 3600 {
		k.tick()
	}
	begin, plan := *k.state(), k.saver.live.Run.Plan
	snaps := make([]hardware.Snapshot, 3600)
	for i := range snaps {
		k.tick()
		snaps[i] = *k.snap
	}
	clock := &mono.Manual{}
	gate, err := safety.NewGate(k.limits, &k.config.Layout, stillLife{}, clock, &memoryTrips{})
	require.NoError(b, err)
	var result controller.Result
	var applied hardware.Applied
	state := begin
	in := controller.Input{Plan: plan}
	next := 0
	b.ReportAllocs()
	for b.Loop() {
		if next == len(snaps) {
			next, state = 0, begin
		}
		snap := &snaps[next]
		next++
		clock.Advance(tick)
		snap.Now = clock.Now()
		in.Snapshot = snap
		controller.Step(&k.config, &state, &in, &result)
		gate.Apply(snap, result.Requested, &applied)
	}
}
