package safety

import (
	"context"
	"errors"
	"runtime"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"

	"drywarden/hardware"
	"drywarden/hardware/mono"
)

func TestGateRefusesToStart(t *testing.T) {
	var clock mono.Manual
	layout := testLayout()
	_, err := NewGate(DefaultLimits(), &layout, &board{}, &clock, &memory{})
	require.ErrorContains(t, err, "compressor_ambient_max")
	_, err = NewGate(testLimits(), &hardware.Layout{}, &board{}, &clock, &memory{})
	require.ErrorContains(t, err, "no door contact")
	_, err = NewGate(testLimits(), &layout, &board{err: errors.New("no such line")}, &clock, &memory{})
	require.ErrorContains(t, err, "switch all outputs off at start: no such line")
}

func TestGateWritesEveryTick(t *testing.T) {
	g := newGated(t)
	require.Equal(t, 1, g.board.writes, "off at once")
	g.drying()
	writes, beat := g.board.writes, g.board.out.On.Has(hardware.Heartbeat)
	for range 10 {
		g.run(1)
		writes++
		beat = !beat
		require.Equal(t, writes, g.board.writes, "level, not edge")
		require.Equal(t, g.out.Outputs, g.board.out)
		require.Equal(t, beat, g.board.out.On.Has(hardware.Heartbeat))
		require.Equal(t, g.clock.Now(), g.out.At)
	}
	require.Zero(t, g.out.AlarmCount)
}

func TestGateDeadline(t *testing.T) {
	g := newGated(t)
	g.drying()
	beats, last := 0, g.board.out.On.Has(hardware.Heartbeat)
	wait := func(d time.Duration) {
		for ; d > 0; d -= 100 * time.Millisecond {
			g.clock.Advance(100 * time.Millisecond)
			g.gate.CheckDeadline()
			if now := g.board.out.On.Has(hardware.Heartbeat); now != last {
				beats, last = beats+1, now
			}
		}
	}
	wait(5 * time.Second)
	require.Equal(t, g.want, g.board.out.On&^heartbeatOut, "not yet")
	require.Equal(t, 3, beats, "the gate is alive, so the relay is held")
	wait(100 * time.Millisecond)
	require.Equal(t, forwards|blowerOut, g.board.out.On&^heartbeatOut, "SAFE: fans that run keep running")
	wait(29900 * time.Millisecond)
	require.Equal(t, forwards|blowerOut, g.board.out.On&^heartbeatOut)
	require.Greater(t, beats, 20)
	wait(100 * time.Millisecond)
	require.Zero(t, g.board.out.On, "OFF, and no heartbeat")
	require.Zero(t, g.board.out.FanSpeed)
	writes := g.board.writes
	wait(time.Hour)
	require.Equal(t, writes, g.board.writes)

	// It calls again: the compressor owes its rest, and the silence is told.
	g.rig.state = g.gate.State()
	g.run(1)
	a, raised := g.alarm(ControllerSilent)
	require.True(t, raised)
	require.Greater(t, a.Value, 3600.0)
	require.Equal(t, hardware.ForcedSafe, g.out.Forced)
	require.Zero(t, g.on()&hardware.AllFans, "none starts in SAFE")
	g.want = sounderOut
	g.run(11)
	g.want = forwards | blowerOut | compressorOut
	g.run(5)
	require.Equal(t, "compressor_rest", g.vetoedBy(hardware.Compressor))
}

// Nobody ever calls: nothing was on, nothing goes on.
func TestGateNeverCalled(t *testing.T) {
	g := newGated(t)
	for range 100 {
		g.clock.Advance(time.Second)
		g.gate.CheckDeadline()
		require.Zero(t, g.board.out.On)
	}
}

func TestGateStaleSnapshot(t *testing.T) {
	g := newGated(t)
	g.drying()
	g.stale = 5100 * time.Millisecond
	g.run(1)
	require.Equal(t, hardware.ForcedSafe, g.out.Forced, "judged by the gate's own clock")
	require.Equal(t, "readings_stale", g.vetoedBy(hardware.Heat1))
}

func TestGateBoardFails(t *testing.T) {
	g := newGated(t)
	g.drying()
	g.board.err = errors.New("bus stuck")
	g.run(4)
	require.Equal(t, hardware.ForcedOff, g.out.Forced)
	_, raised := g.alarm(OutputsNotWritten)
	require.True(t, raised)
	g.board.err = nil
	g.run(2)
	require.Equal(t, hardware.NotForced, g.out.Forced)
}

type bomb struct{ board }

func (b *bomb) Apply(now mono.Instant, out hardware.Outputs) error {
	if out.On.Has(hardware.Heat1) {
		panic("heater line gone")
	}
	return b.board.Apply(now, out)
}

func TestGatePanics(t *testing.T) {
	g := newGated(t)
	act := &bomb{}
	g.gate.act = act
	g.want = 0
	require.PanicsWithValue(t, "heater line gone", g.drying)
	require.Zero(t, act.out.On, "off before the panic went on")
	g.run(1)
	require.Zero(t, act.out.On, "and for good")
	require.Equal(t, hardware.ForcedOff, g.out.Forced)

	g = newGated(t)
	g.drying()
	g.board.panics = true
	require.PanicsWithValue(t, "board gone", func() { g.run(1) })
	g.clock.Advance(time.Hour)
	writes := g.board.writes
	g.gate.CheckDeadline()
	require.Equal(t, writes, g.board.writes, "no more writing: the heartbeat stands still")

	g = newGated(t)
	g.drying()
	g.board.panics = true
	g.clock.Advance(6 * time.Second)
	require.PanicsWithValue(t, "board gone", g.gate.CheckDeadline)
}

func TestGateClose(t *testing.T) {
	g := newGated(t)
	g.drying()
	saves := g.store.saves
	require.NoError(t, g.gate.Close())
	require.Zero(t, g.board.out.On)
	require.Equal(t, saves, g.store.saves, "nothing new to save")
	g.run(100)
	require.Zero(t, g.board.out.On)
	g.board.err, g.store.save = errors.New("bus stuck"), errors.New("disk full")
	g.breaks = active(hardware.ContactEStop)
	g.run(1)
	err := g.gate.Close()
	require.ErrorContains(t, err, "bus stuck")
	require.ErrorContains(t, err, "disk full")
	g.board.err, g.store.save = nil, nil
	require.NoError(t, g.gate.Close())
	require.Equal(t, []string{"emergency_stop"}, g.store.names)
}

// A trip acts first and is saved next; its clearing is saved before it is visible.
func TestGateTripRecord(t *testing.T) {
	g := newGated(t)
	g.drying()
	require.Equal(t, []string{"fan_forward_1", "fan_forward_2"}, g.store.names)
	g.store.hook = func() { require.Zero(t, g.board.out.On, "off before it is saved") }
	g.breaks = active(hardware.ContactEStop)
	g.run(1)
	require.Equal(t, []string{"emergency_stop", "fan_forward_1", "fan_forward_2"}, g.store.names)
	saves := g.store.saves
	g.run(29)
	require.Equal(t, saves, g.store.saves, "only what is new")
	g.run(2)
	require.Equal(t, []string{"emergency_stop"}, g.store.names, "fans that stood for half their coast: no direction")

	// A power cut, and the button released meanwhile: still tripped.
	g.breaks = nil
	g.open()
	g.run(60)
	require.True(t, g.out.Trips.Has(EmergencyStop))
	require.Equal(t, hardware.ForcedOff, g.out.Forced)

	g.store.save = errors.New("disk full")
	g.press()
	g.run(5)
	require.True(t, g.out.Trips.Has(EmergencyStop), "not cleared while it cannot be saved")
	_, raised := g.alarm(TripRecordNotSaved)
	require.True(t, raised)
	saves = g.store.saves
	g.run(20)
	require.Equal(t, saves+2, g.store.saves, "tried again every 10 s")
	g.store.save = nil
	g.run(11)
	require.Zero(t, g.out.Trips)
	require.Empty(t, g.store.names)
	_, raised = g.alarm(TripRecordNotSaved)
	require.False(t, raised)
}

// A save that failed may have changed what is stored: the old record is not taken for granted.
func TestGateFailedSaveLeavesDoubt(t *testing.T) {
	g := newGated(t)
	g.drying()
	g.want = 0
	g.run(40)
	require.Empty(t, g.store.names)
	g.store.save = errors.New("torn")
	g.want = reverse1
	g.run(65)
	require.Equal(t, reverse1, g.on())
	g.store.names, g.store.save = []string{"fan_reverse_1"}, nil // it did arrive
	g.run(11)
	require.Equal(t, []string{"fan_reverse_1"}, g.store.names)
	g.store.save = errors.New("torn")
	g.want = 0
	g.run(31)
	g.store.names, g.store.save = nil, nil
	g.want = reverse1
	g.run(11)
	require.Equal(t, []string{"fan_reverse_1"}, g.store.names, "saved again, though it is what was last known to be saved")
}

func TestGateUnreadableRecord(t *testing.T) {
	g := &gated{rig: newRig(t), store: memory{load: errors.New("checksum")}}
	g.open()
	g.run(100)
	require.Equal(t, hardware.ForcedOff, g.out.Forced)
	require.Equal(t, []string{"trip_record_unreadable"}, g.store.names, "a restart alone does not forget it")
	g.store.load = nil
	g.open()
	g.run(10)
	require.True(t, g.out.Trips.Has(TripRecordUnreadable))
	g.press()
	g.run(2)
	require.True(t, g.out.Trips.Has(TripRecordUnreadable), "a technician's trip may be among those that are lost")
	require.NoError(t, g.gate.Reset(TripRecordUnreadable, hardware.ByTechnician, "looked at all of it"))
	g.press()
	g.run(2)
	require.Zero(t, g.out.Trips)
}

func TestGateReset(t *testing.T) {
	g := newGated(t)
	require.ErrorIs(t, g.gate.Reset(NoRule, hardware.ByTechnician, "x"), ErrUnknownRule)
	require.ErrorIs(t, g.gate.Reset(ruleCount, hardware.ByTechnician, "x"), ErrUnknownRule)
	require.ErrorIs(t, g.gate.Ack(NoRule), ErrUnknownRule)
	require.ErrorIs(t, g.gate.Ack(Smoke), ErrNotRaised)
	g.drying()
	require.ErrorIs(t, g.gate.Reset(GasLeak, hardware.ByTechnician, "x"), ErrNotLatched)

	g.breaks = func(r *rig) {
		active(hardware.ContactGas)(r)
		active(hardware.ContactInsideButton)(r)
		quality(hardware.NoAnswer, bulbA, bulbB)(r)
	}
	g.run(11)
	require.Equal(t, hardware.RuleSet(1<<GasLeak|1<<InsideButton|1<<DryBulbUnknown), g.out.Trips)
	require.ErrorIs(t, g.gate.Reset(DryBulbUnknown, hardware.ByOperator, ""), ErrCauseThere)
	g.breaks = nil
	g.run(1)
	require.ErrorIs(t, g.gate.Reset(DryBulbUnknown, hardware.ByItself, ""), ErrAuthority)
	require.NoError(t, g.gate.Reset(DryBulbUnknown, hardware.ByOperator, ""))
	g.run(1)
	require.True(t, g.out.Trips.Has(DryBulbUnknown), "first the record without it is saved")
	g.run(1)
	require.False(t, g.out.Trips.Has(DryBulbUnknown))

	require.ErrorIs(t, g.gate.Reset(InsideButton, hardware.ByOperator, ""), ErrAuthority)
	require.ErrorIs(t, g.gate.Reset(InsideButton, hardware.AtPanel, ""), ErrAckFirst)
	require.NoError(t, g.gate.Ack(InsideButton))
	require.ErrorIs(t, g.gate.Reset(InsideButton, hardware.AtPanel, ""), ErrPanel, "no command alone clears it")
	g.run(2)
	require.True(t, g.out.Trips.Has(InsideButton), "acknowledging is no reset")

	require.ErrorIs(t, g.gate.Reset(GasLeak, hardware.AtPanel, "x"), ErrAuthority)
	require.ErrorIs(t, g.gate.Reset(GasLeak, hardware.ByTechnician, " \t"), ErrReason)
	require.ErrorIs(t, g.gate.Reset(GasLeak, hardware.ByTechnician, "tightened a flare"), ErrPanel)
	g.press()
	g.run(2)
	require.Equal(t, hardware.RuleSet(1<<GasLeak), g.out.Trips)
	g.run(60)
	require.ErrorIs(t, g.gate.Reset(GasLeak, hardware.ByTechnician, "tightened a flare"), ErrPanel, "the press is too long ago")
	g.press()
	require.NoError(t, g.gate.Reset(GasLeak, hardware.ByTechnician, "tightened a flare"))
	g.run(2)
	require.Zero(t, g.out.Trips)
}

// Live: the deadline and the store run beside the loop, and a store that hangs holds up neither tick nor deadline.
func TestGateWatch(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		clock := mono.NewReal(time.Second)
		r := newRig(t)
		var b board
		hang := make(chan struct{})
		store := &memory{hook: func() { <-hang }}
		gate, err := NewGate(testLimits(), &r.layout, &b, clock, store)
		require.NoError(t, err)
		ctx, cancel := context.WithCancel(t.Context())
		stopped := make(chan struct{})
		go func() { defer close(stopped); gate.Watch(ctx) }()
		tick := func(n int, want hardware.OutputSet) {
			for range n {
				time.Sleep(time.Second)
				r.state = gate.State()
				r.look()
				r.snap.Now = clock.Now()
				gate.Apply(&r.snap, hardware.Outputs{On: want}, &r.out)
			}
		}
		tick(20, 0)
		tick(10, sounderOut)
		tick(40, forwards)
		require.Equal(t, forwards, r.on(), "the store hangs, the tick does not")
		synctest.Wait()
		require.Zero(t, store.saves)
		close(hang)
		synctest.Wait()
		tick(2, forwards)
		synctest.Wait()
		require.Equal(t, []string{"fan_forward_1", "fan_forward_2"}, store.names)

		// A trip is cleared only when the goroutine has saved the record without it.
		hang = make(chan struct{})
		r.breaks = active(hardware.ContactEStop)
		tick(1, 0)
		r.breaks = nil
		tick(2, 0)
		r.breaks = active(hardware.ContactPanelReset)
		tick(1, 0)
		r.breaks = nil
		tick(40, 0)
		require.True(t, r.out.Trips.Has(EmergencyStop))
		close(hang)
		synctest.Wait()
		tick(3, 0)
		synctest.Wait()
		require.Zero(t, r.out.Trips)
		require.Empty(t, store.names)

		tick(10, sounderOut)
		tick(2, forwards)
		require.Equal(t, forwards, r.on())
		time.Sleep(6 * time.Second)
		synctest.Wait()
		require.Equal(t, forwards, b.now().On&^heartbeatOut)
		time.Sleep(31 * time.Second)
		synctest.Wait()
		require.Zero(t, b.now().On)

		cancel()
		<-stopped
		require.NoError(t, gate.Close())
		left := gate.State()
		require.Equal(t, left.record(r.plant).names(), store.names)
	})
}

// Close while a save hangs: off at once, and the newer record wins.
func TestGateCloseWhileSaving(t *testing.T) {
	g := newGated(t, "smoke")
	entered, hang, off := make(chan struct{}, 9), make(chan struct{}), make(chan struct{}, 99)
	g.store.hook = func() { entered <- struct{}{}; <-hang }
	ctx, cancel := context.WithCancel(t.Context())
	stopped := make(chan struct{})
	go func() { defer close(stopped); g.gate.Watch(ctx) }()
	for background := 0; background == 0; { // until Watch runs
		g.gate.mu.Lock()
		background = g.gate.background
		g.gate.mu.Unlock()
		runtime.Gosched()
	}
	g.breaks = active(hardware.ContactEStop)
	g.run(1)
	<-entered // the goroutine hangs with the record of this tick
	g.breaks = active(hardware.ContactFloat)
	g.run(1)
	g.board.told = off
	closed := make(chan error)
	go func() { closed <- g.gate.Close() }()
	<-off
	require.Zero(t, g.board.now().On, "off whatever the store does")
	close(hang)
	require.NoError(t, <-closed)
	require.Equal(t, []string{"emergency_stop", "smoke", "water_on_floor"}, g.store.names)
	cancel()
	<-stopped
	require.Equal(t, []string{"emergency_stop", "smoke", "water_on_floor"}, g.store.names)
}

func benchGate(b *testing.B, request func(*gated)) {
	g := &gated{rig: newRig(b)}
	g.open()
	g.drying()
	request(g)
	g.run(1)
	g.look()
	g.snap.Now = g.clock.Now()
	want := hardware.Outputs{On: g.want}
	b.ReportAllocs()
	for b.Loop() {
		g.clock.Advance(time.Second)
		g.snap.Now += mono.Instant(time.Second)
		g.gate.Apply(&g.snap, want, &g.out)
	}
}

// BenchmarkGate is a tick in which all is well.
func BenchmarkGate(b *testing.B) { benchGate(b, func(*gated) {}) }

// BenchmarkGateTripped is a tick in which a trip refuses everything.
func BenchmarkGateTripped(b *testing.B) {
	benchGate(b, func(g *gated) { g.breaks = active(hardware.ContactSmoke) })
}
