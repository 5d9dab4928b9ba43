//go:build unix

package safety

import (
	"math/rand/v2"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"drywarden/hardware"
	"drywarden/hardware/mono"
	"drywarden/hardware/quantity"
)

// In whatever state, with whatever else: everything is off in the tick whose snapshot shows the emergency stop, or cannot
// show it. So it stays until the panel's reset was pressed with the stop released.
func TestEveryState(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r := newRig(t)
		stop := rapid.SampledFrom([]func(*rig){active(hardware.ContactEStop), unreadable(hardware.ContactEStop)}).Draw(t, "stop")
		pressed := func() {
			fork := *r
			fork.in.Snapshot = &fork.snap
			fork.look()
			stop(&fork)
			fork.judge(time.Duration(rapid.SampledFrom([]int{0, 1, 1000, 2500, 60000, -5}).Draw(t, "tick")) * time.Millisecond)
			if fork.out.On != 0 || fork.out.Forced != hardware.ForcedOff || !fork.out.Trips.Has(EmergencyStop) || fork.out.FanSpeed != [hardware.MaxFanGroups]quantity.Ratio{} {
				t.Fatalf("on %022b, forced %v, trips %v", fork.out.On, fork.out.Forced, ruleNames(fork.out.Trips))
			}
			fork.look()
			fork.judge(time.Second)
			if fork.out.On != 0 {
				t.Fatalf("on again %022b", fork.out.On)
			}
		}
		pressed()
		if rapid.Bool().Draw(t, "begin running") {
			r.drying()
		}
		for range rapid.IntRange(1, 6).Draw(t, "segments") {
			r.breaks = spoil(t, rapid.IntRange(0, 4).Draw(t, "faults"))
			r.want = hardware.OutputSet(rapid.Uint32Range(0, 1<<hardware.OutputCount-1).Draw(t, "request"))
			r.in.Closed = rapid.IntRange(0, 9).Draw(t, "closed") == 0
			r.in.WriteFailed = rapid.IntRange(0, 9).Draw(t, "write failed") == 0
			for range rapid.IntRange(1, 40).Draw(t, "ticks") {
				r.tick(time.Second)
			}
			pressed()
		}
	})
}

// The gate writes it in that same call.
func TestEmergencyStopIsWritten(t *testing.T) {
	g := newGated(t)
	g.drying()
	writes := g.board.writes
	g.breaks = active(hardware.ContactEStop)
	g.run(1)
	require.Equal(t, writes+1, g.board.writes)
	require.Equal(t, hardware.Outputs{}, g.board.out)
}

// crowded is a kiln with everything that fits.
func crowded() hardware.Layout {
	l := hardware.Layout{Contacts: everyContact, Outputs: 1<<hardware.OutputCount - 1, FanGroups: hardware.MaxFanGroups, FanDrive: true, HeatStages: hardware.MaxHeatStages}
	l.ReadBack = l.Outputs &^ heartbeatOut
	l.Current = l.ReadBack
	for i := range hardware.MaxProbes {
		role := hardware.RoleCore
		switch {
		case i < 6:
			role = hardware.RoleDryBulb
		case i < 9:
			role = hardware.RoleWetBulb
		case i < 12:
			role = hardware.RoleHumidity
		case i < 16:
			role = hardware.RoleLeavingAir
		}
		l.Probes = append(l.Probes, hardware.Probe{Role: role})
	}
	return l
}

// candidate is a state, a snapshot and a request.
type candidate struct {
	state State
	snap  hardware.Snapshot
	want  hardware.Outputs
}

// vary changes a few things of a candidate.
func (c candidate) vary(r *rand.Rand) candidate {
	for range 1 + r.IntN(6) {
		bit := r.Uint32()
		switch r.IntN(12) {
		case 0:
			c.snap.Contacts.Active ^= hardware.ContactSet(bit) & everyContact
		case 1:
			c.snap.Contacts.Valid ^= 1 << r.IntN(int(hardware.ContactCount))
		case 2:
			c.snap.ReadBack ^= hardware.OutputSet(bit)
		case 3:
			c.snap.ReadBackValid ^= hardware.OutputSet(bit)
		case 4:
			c.snap.CurrentValid ^= hardware.OutputSet(bit)
		case 5, 6:
			c.snap.Readings[r.IntN(hardware.MaxProbes)] = hardware.Reading{Value: []float64{44, 45, 45.01, 61, 71, 85, 17}[r.IntN(7)], Quality: hardware.Valid}
		case 7:
			c.snap.Readings[r.IntN(hardware.MaxProbes)].Quality = hardware.Quality(r.IntN(7))
		case 8:
			c.want.On ^= hardware.OutputSet(bit) & (1<<hardware.OutputCount - 1)
		case 9:
			c.state.Out.On ^= 1 << r.IntN(int(hardware.OutputCount))
		case 10:
			if id := 1 + r.IntN(int(ruleCount)-1); table[id-1].latched {
				c.state.Latched ^= 1 << id
			}
		case 11:
			for i := range c.state.Rule {
				c.state.Rule[i].Fill = time.Duration(r.IntN(300)) * time.Second
			}
			c.state.Up = time.Duration(r.IntN(3)) * time.Hour
			for o := range c.state.SinceChange {
				c.state.SinceChange[o] = time.Duration(r.IntN(400)) * time.Second
			}
		}
	}
	return c
}

// BenchmarkGateWorst looks for the slowest input of a kiln with everything that fits, by chance and climbing, and
// measures that one. Its figure is what the worst input found costs; a search tells no more.
func BenchmarkGateWorst(b *testing.B) {
	layout, limits := crowded(), testLimits()
	var clock mono.Manual
	gate, err := NewGate(limits, &layout, &board{}, &clock, &memory{})
	require.NoError(b, err)
	gate.background, gate.flying = 1, true // as beside a Watch whose store is busy: the store is not what is measured
	var out hardware.Applied
	apply := func(c *candidate) {
		clock.Advance(time.Second)
		c.snap.Now = clock.Now()
		gate.state = c.state
		gate.Apply(&c.snap, c.want, &out)
	}
	cost := func(c *candidate) time.Duration {
		least := time.Hour
		for range 5 { // the least of several is what the input costs; the rest is this machine
			from := time.Now()
			for range 100 {
				apply(c)
			}
			least = min(least, time.Since(from))
		}
		return least
	}
	start := candidate{state: NewState(&limits), snap: healthy()}
	start.state.Ticks, start.state.Up = 1, time.Hour
	for i := range hardware.MaxProbes {
		start.snap.Readings[i] = hardware.Reading{Value: 45, Quality: hardware.Valid}
	}
	start.snap.ReadBackValid, start.snap.CurrentValid = layout.ReadBack, layout.Current
	const seed = 5
	random := rand.New(rand.NewPCG(seed, seed))
	worst, worstCost := start, cost(&start)
	for range 3000 {
		next := worst.vary(random)
		if c := cost(&next); c > worstCost {
			worst, worstCost = next, c
		}
	}
	apply(&worst)
	b.Logf("worst of the search: %d alarms, %d vetoes, %d trips, forced %v", out.AlarmCount, out.VetoCount, len(ruleNames(out.Trips)), out.Forced)
	b.ReportAllocs()
	from := processorTime(b)
	for b.Loop() {
		apply(&worst)
	}
	b.ReportMetric(float64((processorTime(b)-from).Nanoseconds())/float64(b.N), "cpu-ns/op") // less what others take
}

func processorTime(b *testing.B) time.Duration {
	var use syscall.Rusage
	require.NoError(b, syscall.Getrusage(syscall.RUSAGE_SELF, &use))
	return time.Duration(use.Utime.Nano() + use.Stime.Nano())
}
