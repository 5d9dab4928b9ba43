package main

import (
	"context"
	"runtime"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// TestMemoryFlat is a kiln that needs no more memory late in a charge than after its first day. A tick allocates nothing;
// what is left to collect comes from the status, made anew for each look, and from comparing the settings with their second
// copy, together fewer than one allocation a tick. Anything allocated in each tick would be seen.
func TestMemoryFlat(t *testing.T) {
	const day = 24 * time.Hour
	from, to := int(day/tick), int(20*day/tick)
	if testing.Short() {
		to = 3 * from
	}
	sim := benchSimulation(t, &observer{trusts: true})
	ctx, stop := context.WithCancel(t.Context())
	defer stop()
	var before, after runtime.MemStats
	ticks := 0
	err := sim.run(ctx, 2*20*day, func() {
		switch ticks++; ticks {
		case from:
			runtime.GC()
			runtime.ReadMemStats(&before)
		case to:
			runtime.GC()
			runtime.ReadMemStats(&after)
			stop()
		}
	})
	require.ErrorIs(t, err, context.Canceled)
	require.Equal(t, to, ticks, "the charge ended too early")

	perTick := float64(after.Mallocs-before.Mallocs) / float64(to-from)
	t.Logf("in use: %d B after %d ticks, %d B after %d; %.3f allocations a tick", before.HeapAlloc, from, after.HeapAlloc, to, perTick)
	require.Less(t, perTick, 1.0)
	require.Less(t, int64(after.HeapAlloc)-int64(before.HeapAlloc), int64(128<<10), "bytes more in use")
}
