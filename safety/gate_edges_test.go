package safety

import (
	"context"
	"errors"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"

	"drywarden/hardware"
	"drywarden/hardware/mono"
)

// A gate that comes up late on the clock writes nothing before it is asked, and saves nothing that is saved.
func TestGateComesUpLate(t *testing.T) {
	g := &gated{rig: newRig(t), store: memory{names: []string{"smoke"}}}
	g.clock.Advance(time.Hour)
	g.open()
	g.gate.CheckDeadline()
	require.Equal(t, 1, g.board.writes)
	g.run(1)
	require.Zero(t, g.store.saves)

	g = newGated(t, "no_such_rule")
	g.run(1)
	require.Equal(t, 1, g.store.saves)
	require.Equal(t, []string{"trip_record_unreadable"}, g.store.names)
}

// A clearing counts only when it was saved after it was asked for, whatever was cleared before.
func TestGateClearsOnlyWhatIsSaved(t *testing.T) {
	g := newGated(t)
	g.drying()
	g.want = 0
	g.run(60)
	for range 2 {
		g.breaks = active(hardware.ContactEStop)
		g.run(1)
		g.breaks = nil
		g.run(1)
		g.press()
		require.Zero(t, g.out.Trips)
	}
	g.breaks = active(hardware.ContactEStop)
	g.run(1)
	g.breaks = nil
	g.run(1)
	g.store.save = errors.New("disk full")
	g.press()
	g.run(60)
	require.True(t, g.out.Trips.Has(EmergencyStop))
	require.Equal(t, []string{"emergency_stop"}, g.store.names)

	// Not even its first save arrived: what is stored is not known, so nothing clears.
	g = newGated(t)
	g.drying()
	g.want = 0
	g.run(60)
	g.store.save = errors.New("disk full")
	g.breaks = active(hardware.ContactEStop)
	g.run(1)
	g.breaks = nil
	g.run(1)
	g.press()
	g.run(60)
	require.True(t, g.out.Trips.Has(EmergencyStop))
	g.store.save = nil
	g.run(12)
	require.True(t, g.out.Trips.Has(EmergencyStop), "whoever pressed a minute ago may have left: it has to be pressed again")
	g.press()
	g.run(2)
	require.Zero(t, g.out.Trips)

	// The same for what an operator may clear by a command.
	g.breaks = quality(hardware.Implausible, 0, 1)
	g.run(12)
	g.breaks = nil
	g.run(2)
	require.True(t, g.out.Trips.Has(DryBulbUnknown))
	g.store.save = errors.New("disk full")
	require.NoError(t, g.gate.Reset(DryBulbUnknown, hardware.ByOperator, ""))
	g.run(54)
	require.True(t, g.gate.State().Clearing.Has(DryBulbUnknown))
	g.run(2)
	require.Zero(t, g.gate.State().Clearing)
	g.store.save = nil
	g.run(12)
	require.True(t, g.out.Trips.Has(DryBulbUnknown))
	require.NoError(t, g.gate.Reset(DryBulbUnknown, hardware.ByOperator, ""))
	g.run(2)
	require.Zero(t, g.out.Trips)
}

func TestGateRetriesASaveAfterTenSeconds(t *testing.T) {
	g := newGated(t)
	g.run(40)
	g.store.save = errors.New("disk full")
	g.breaks = active(hardware.ContactEStop)
	g.run(1)
	saves := g.store.saves
	for n := 1; n <= 30; n++ {
		g.run(1)
		require.Equal(t, saves+n/10, g.store.saves, "second %d", n)
	}
}

func TestGateBeatsItself(t *testing.T) {
	g := newGated(t)
	g.run(31) // up for exactly the start delay
	require.True(t, g.board.out.On.Has(hardware.Heartbeat))
	wait := func(d time.Duration) bool {
		g.clock.Advance(d)
		g.gate.CheckDeadline()
		return g.board.out.On.Has(hardware.Heartbeat)
	}
	require.True(t, wait(1499*time.Millisecond))
	require.False(t, wait(time.Millisecond))
	require.True(t, wait(1500*time.Millisecond))

	// Silent: once into SAFE, and the same beat.
	g = newGated(t)
	g.drying()
	g.clock.Advance(5001 * time.Millisecond)
	g.gate.CheckDeadline()
	writes := g.board.writes
	for range 290 {
		g.clock.Advance(100 * time.Millisecond)
		g.gate.CheckDeadline()
	}
	require.Equal(t, writes+19, g.board.writes)
	require.Equal(t, hardware.ForcedSafe, g.gate.forced)
}

// A panic of the board ends the gate's work wherever it met it.
func TestGateStaysOffAfterPanic(t *testing.T) {
	g := newGated(t)
	g.drying()
	g.board.panics = true
	g.clock.Advance(6 * time.Second)
	require.Panics(t, g.gate.CheckDeadline)
	g.board.panics = false
	g.run(1)
	require.Zero(t, g.board.out.On)
	require.Equal(t, hardware.ForcedOff, g.out.Forced)
	_, raised := g.alarm(ShutDown)
	require.True(t, raised)

	g = newGated(t)
	g.drying()
	g.board.panics = true
	require.NotPanics(t, func() { _ = g.gate.Close() }, "closing goes on to save the record")
	require.Equal(t, []string{"fan_forward_1", "fan_forward_2"}, g.store.names)
}

func TestGateClosedForGood(t *testing.T) {
	g := newGated(t)
	g.drying()
	g.store.names, g.gate.known = nil, false
	g.gate.flying = true // taken on by a Watch that has ended
	saves := g.store.saves
	require.NoError(t, g.gate.Close())
	require.Equal(t, saves+1, g.store.saves)
	require.NoError(t, g.gate.Close())
	require.Equal(t, saves+1, g.store.saves, "saved already")
	g.want = sounderOut
	g.run(20)
	require.Equal(t, hardware.ForcedOff, g.out.Forced)
	g.want = forwards
	g.run(100)
	require.Zero(t, g.board.out.On)
	g.breaks = active(hardware.ContactEStop)
	g.run(1)
	require.Contains(t, g.store.names, "emergency_stop", "what trips later is still recorded")
}

func TestGateEdgesOfTime(t *testing.T) {
	g := newGated(t)
	require.ErrorIs(t, g.gate.Ack(ruleCount), ErrUnknownRule)
	g.drying()
	g.want = forwards
	g.breaks = func(r *rig) { active(hardware.ContactHighPressure)(r); active(hardware.ContactGas)(r) }
	g.run(1)
	g.breaks = nil
	g.run(10)
	require.ErrorContains(t, g.gate.Reset(HighPressure, hardware.AtPanel, ""), "let it cool first: 29m50s to go")
	g.press() // also runs a second
	g.run(1787)
	require.ErrorContains(t, g.gate.Reset(HighPressure, hardware.AtPanel, ""), "1s to go")
	g.run(1)
	require.ErrorIs(t, g.gate.Reset(HighPressure, hardware.AtPanel, ""), ErrPanel, "it has cooled")

	g.press()
	g.run(49)
	require.NoError(t, g.gate.Reset(GasLeak, hardware.ByTechnician, "looked"), "50 s after the press")
	g.gate.state.Latched = g.gate.state.Latched.With(LowPressure, true)
	g.run(1)
	require.ErrorIs(t, g.gate.Reset(LowPressure, hardware.ByTechnician, "looked"), ErrPanel, "and no longer")
}

// When Watch has ended, Apply saves by itself again, and what Watch had taken on is saved.
func TestGateWatchEnds(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		clock := mono.NewReal(time.Second)
		r := newRig(t)
		var b board
		store := &memory{}
		gate, err := NewGate(testLimits(), &r.layout, &b, clock, store)
		require.NoError(t, err)
		for range 3 {
			ctx, cancel := context.WithCancel(t.Context())
			stopped := make(chan struct{})
			go func() { defer close(stopped); gate.Watch(ctx) }()
			synctest.Wait()
			cancel()
			<-stopped
			require.Zero(t, gate.background)
		}
		tick := func() {
			time.Sleep(time.Second)
			r.state = gate.State()
			r.look()
			r.snap.Now = clock.Now()
			gate.Apply(&r.snap, hardware.Outputs{}, &r.out)
		}
		tick()
		r.breaks = active(hardware.ContactEStop)
		tick()
		require.Equal(t, []string{"emergency_stop"}, store.names, "at once")
	})
}
