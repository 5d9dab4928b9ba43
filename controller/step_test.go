package controller_test

import (
	"encoding/json"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"drywarden/controller"
	"drywarden/hardware"
	"drywarden/hardware/quantity"
	"drywarden/schedule"
)

// invariants are what every request must keep, whatever was read.
func invariants(t require.TestingT, out *controller.Result) {
	on := out.Requested.On
	require.Zero(t, on&(on>>hardware.FanReverse1)&hardware.AllForward, "both directions of a fan group")
	require.False(t, on.Has(hardware.Spray) && on.Has(hardware.Compressor), "spray with the compressor")
	require.False(t, on&hardware.AllHeat != 0 && on.Has(hardware.Vent) && !out.Demand.VentDry, "heat with the vent")
	require.False(t, on.Has(hardware.Heartbeat), "the heartbeat is the gate's")
	if on&hardware.AllHeat != 0 || on.Has(hardware.Compressor) {
		require.NotZero(t, on&hardware.AllFans, "heat or compressor without fans")
	}
}

// Without a fault the gate never has to say no.
func TestFaultFreeRunHasNoVeto(t *testing.T) {
	hours := 72
	if testing.Short() {
		hours = 16
	}
	for seed := range uint64(2) {
		r := newRig(t, kilnConfig(seed+1), demoCharge)
		r.seen = func(r *rig) {
			if r.last.VetoCount > 0 {
				v := r.last.Vetoes[0]
				require.Fail(t, "veto", "seed %d tick %d: %s by rule %d", seed+1, r.snap.Tick, v.Output, v.Rule)
			}
			invariants(t, &r.out)
		}
		r.start()
		r.run(time.Duration(hours) * time.Hour)
		require.Positive(t, r.starts)
		require.Equal(t, controller.ModeWork, r.state.Mode)
		require.Zero(t, r.state.AlarmCount, "an alarm without a fault: %v", r.state.Alarms[0])
	}
}

// moment is a reachable state with the snapshot that comes next.
type moment struct {
	kind  schedule.Kind
	state controller.State
	snap  hardware.Snapshot
}

// atlas holds moments of every stage kind, from one simulated kiln.
var atlas = sync.OnceValues(func() (*rig, []moment) {
	t := &recorder{}
	c := kilnConfig(3)
	c.Room.Start = 40 // so that little time goes into warming up
	r := newRig(t, c, demoCharge)
	stages := &r.plan.Schedule.Stages
	*stages = append(*stages,
		schedule.Stage{Name: "condition", Kind: schedule.Condition, DryBulb: 49, EMC: 11, RampDryBulb: 5, RampEMCDown: 1, RampEMCUp: 2, For: 8 * time.Hour},
		schedule.Stage{Name: "heat", Kind: schedule.Heat, DryBulb: 60, EMC: 11, RampDryBulb: 20, RampEMCDown: 1, RampEMCUp: 2, Core: 45, Exposure: time.Hour, MinCores: 2})
	var moments []moment
	r.start()
	take := func(n int, every time.Duration) {
		for range n {
			r.run(every)
			stage := r.state.Run.Stage
			r.tick()
			if r.state.Run.Stage == stage {
				moments = append(moments, moment{(*stages)[stage].Kind, r.state, r.snap})
			}
		}
	}
	for i := range *stages {
		r.state.Run.Stage, r.state.Run.InStage, r.state.Run.AtPoints = int8(i), 0, 0
		take(24, 97*time.Second)
		take(6, 11*time.Minute)
	}
	return r, moments
})

// recorder lets newRig run outside a test.
type recorder struct{ testing.TB }

func (*recorder) Errorf(format string, args ...any) { panic(format) }
func (*recorder) FailNow()                          { panic("rig failed") }
func (*recorder) Helper()                           {}

// next steps a copy of a moment's state with a snapshot that follows it.
func (m *moment) next(r *rig, change func(*hardware.Snapshot)) (controller.State, controller.Result) {
	state, snap := m.state, m.snap
	snap.Tick++
	snap.Elapsed = time.Second
	snap.Previous.Outputs = m.applied()
	change(&snap)
	var out controller.Result
	controller.Step(&r.cfg, &state, &controller.Input{Snapshot: &snap, Plan: r.plan}, &out)
	return state, out
}

// applied is what the gate let through; the moment's own Previous is one tick older, and in a run without vetoes near
// enough.
func (m *moment) applied() hardware.Outputs { return m.snap.Previous.Outputs }

var badQualities = []hardware.Quality{hardware.Absent, hardware.NoAnswer, hardware.Checksum, hardware.Implausible, hardware.Stale}

// Losing any one probe, in any stage kind, never asks for more heat, more compressor or drier air.
func TestLosingAProbeNeverAsksForMore(t *testing.T) {
	r, moments := atlas()
	kinds := map[schedule.Kind]int{}
	for i := range moments {
		kinds[moments[i].kind]++
	}
	require.Len(t, kinds, 6, "moments of every stage kind")
	const asking = hardware.AllHeat | 1<<hardware.Compressor
	for i := range moments {
		m := &moments[i]
		_, with := m.next(r, func(*hardware.Snapshot) {})
		for id := range r.cfg.Layout.Probes {
			if !m.snap.Readings[id].OK() {
				continue
			}
			q := badQualities[(i+id)%len(badQualities)]
			_, without := m.next(r, func(s *hardware.Snapshot) { s.Readings[id] = hardware.Reading{Quality: q} })
			name := r.cfg.Layout.Probes[id].Name
			require.LessOrEqual(t, without.SetPoints.DryBulb, with.SetPoints.DryBulb, "%s lost in %s", name, m.kind)
			require.GreaterOrEqual(t, without.SetPoints.EMC, with.SetPoints.EMC, "%s lost in %s", name, m.kind)
			rising := without.Requested.On &^ m.applied().On & asking
			require.Zero(t, rising, "%s lost in %s: rising", name, m.kind)
			invariants(t, &without)
			for lot := range r.plan.Lots {
				require.GreaterOrEqual(t, without.Conditions.Lots[lot].Control.Value, with.Conditions.Lots[lot].Control.Value-1e-9,
					"%s lost in %s lowers the control moisture", name, m.kind)
			}
		}
	}
}

// Everything may be lost at once and come back in any way: nothing is ever asked for that must not be.
func TestNoiseNeverBreaksTheRequest(t *testing.T) {
	r, moments := atlas()
	rapid.Check(t, func(t *rapid.T) {
		m := &moments[rapid.IntRange(0, len(moments)-1).Draw(t, "moment")]
		state, snap := m.state, m.snap
		var out controller.Result
		for range rapid.IntRange(1, 100).Draw(t, "ticks") {
			snap.Tick++
			snap.Elapsed = time.Duration(rapid.SampledFrom([]int{1000, 1000, 1000, 0, 1500, 9000}).Draw(t, "ms")) * time.Millisecond
			id := rapid.IntRange(0, len(r.cfg.Layout.Probes)-1).Draw(t, "probe")
			reading := &snap.Readings[id]
			reading.Quality = rapid.SampledFrom([]hardware.Quality{hardware.Valid, hardware.Valid, hardware.Stale, hardware.NoAnswer}).Draw(t, "quality")
			reading.Value = quantity.Quantize(reading.Value+rapid.Float64Range(-5, 5).Draw(t, "by"), r.cfg.Layout.Probes[id].Role.Resolution())
			c := hardware.ContactID(rapid.IntRange(0, int(hardware.ContactCount)-1).Draw(t, "contact"))
			if rapid.IntRange(0, 9).Draw(t, "flip") == 0 {
				snap.Contacts.Active ^= 1 << c
			}
			snap.Previous.Outputs = out.Requested
			controller.Step(&r.cfg, &state, &controller.Input{Snapshot: &snap, Plan: r.plan}, &out)
			invariants(t, &out)
			text, err := json.Marshal(&state)
			require.NoError(t, err, "a number that is none")
			require.NotEmpty(t, text)
			k := state.Estimate.Wood.Filter.X[len(state.Estimate.Wood.Filter.X)-1]
			require.True(t, k >= 0.5 && k <= 1.1)
			for lot := range r.plan.Lots {
				mc := out.Conditions.Lots[lot].Mean.Value
				require.True(t, mc >= 2 && mc <= 250)
			}
		}
	})
}

// Saved, loaded and stepped is the same as stepped.
func TestSaveLoadStepEqualsStep(t *testing.T) {
	r, moments := atlas()
	rapid.Check(t, func(t *rapid.T) {
		m := moments[rapid.IntRange(0, len(moments)-1).Draw(t, "moment")]
		text, err := json.Marshal(&m.state)
		require.NoError(t, err)
		again := m
		again.state = controller.State{}
		require.NoError(t, json.Unmarshal(text, &again.state))
		require.Equal(t, m.state, again.state)
		for range rapid.IntRange(1, 70).Draw(t, "ticks") {
			m.snap.Tick++
			again.snap = m.snap
			s1, o1 := m.next(r, func(*hardware.Snapshot) {})
			s2, o2 := again.next(r, func(*hardware.Snapshot) {})
			require.True(t, s1 == s2, "state")
			require.True(t, o1 == o2, "result")
			m.state, again.state = s1, s2
			m.snap.Previous.Outputs = o1.Requested
		}
	})
}

func TestCommandIsDurableBeforeItIsVisible(t *testing.T) {
	r := newRig(t, kilnConfig(1), demoCharge)
	r.start()
	durable := r.state.Generation
	step := func(c ...controller.Command) {
		r.snap.Tick++
		r.snap.Elapsed, r.snap.Previous, r.snap.Durable = time.Second, r.last, durable
		r.in.Snapshot, r.in.Count = &r.snap, uint8(copy(r.in.Commands[:], c))
		controller.Step(&r.cfg, &r.state, &r.in, &r.out)
	}
	step(controller.Command{Verb: controller.VerbHold, ID: 7}, controller.Command{Verb: controller.VerbResume, ID: 8})
	require.True(t, r.out.Save)
	require.EqualValues(t, 1, r.out.ReplyCount, "only the second is answered")
	require.Equal(t, controller.Reply{ID: 8, Refusal: controller.RefusedBusy}, r.out.Replies[0])
	for range 5 {
		step()
		require.Zero(t, r.out.ReplyCount)
		require.Equal(t, controller.ModeWork, r.state.Mode, "the old set points hold")
	}
	durable = r.state.Generation
	step()
	require.Equal(t, controller.Reply{ID: 7}, r.out.Replies[0])
	require.Equal(t, controller.ModeHold, r.state.Mode)
	require.True(t, r.out.Save)
}

func TestStageChangeIsDurableBeforeItIsVisible(t *testing.T) {
	r := newRig(t, kilnConfig(1), demoCharge)
	r.start()
	r.queue = append(r.queue, controller.Command{Verb: controller.VerbAdvance})
	r.run(2 * time.Second)
	require.True(t, r.state.Run.Next.Wanted)
	durable := r.state.ChangeGeneration - 1
	for range 5 {
		r.snap.Tick++
		r.snap.Durable, r.in.Count = durable, 0
		controller.Step(&r.cfg, &r.state, &r.in, &r.out)
		require.EqualValues(t, 0, r.state.Run.Stage)
	}
	r.snap.Tick++
	r.snap.Durable = r.state.Generation
	controller.Step(&r.cfg, &r.state, &r.in, &r.out)
	require.EqualValues(t, 1, r.state.Run.Stage)
	require.Equal(t, controller.EventStage, r.out.Events[0].Kind)
}

func TestCommandsAreRefusedWithTheirReason(t *testing.T) {
	r := newRig(t, kilnConfig(1), demoCharge)
	r.run(time.Minute)
	ask := func(c controller.Command) controller.Reply {
		t.Helper()
		r.queue = append(r.queue, c)
		for range 5 {
			r.tick()
			if r.out.ReplyCount > 0 {
				return r.out.Replies[0]
			}
		}
		require.Fail(t, "not answered")
		return controller.Reply{}
	}
	refusal := func(c controller.Command) controller.Refusal { t.Helper(); return ask(c).Refusal }
	for _, v := range []controller.Verb{controller.VerbEnd, controller.VerbHold, controller.VerbAdvance, controller.VerbBack, controller.VerbSet, controller.VerbWeigh} {
		require.Equal(t, controller.RefusedNoRun, refusal(controller.Command{Verb: v, Mass: 1}), v)
	}
	require.Equal(t, controller.RefusedNothing, refusal(controller.Command{Verb: controller.VerbConfirm}))
	require.Equal(t, controller.Accepted, refusal(controller.Command{Verb: controller.VerbStart, Run: 1}))
	require.Equal(t, controller.RefusedRunning, refusal(controller.Command{Verb: controller.VerbStart}))
	require.Equal(t, controller.RefusedMovedOn, refusal(controller.Command{Verb: controller.VerbHold, Run: 9}))
	require.Equal(t, controller.RefusedMovedOn, refusal(controller.Command{Verb: controller.VerbAdvance, Stage: 3}))
	require.Equal(t, controller.RefusedFirstStage, refusal(controller.Command{Verb: controller.VerbBack}))
	require.Equal(t, controller.RefusedNothing, refusal(controller.Command{Verb: controller.VerbResume}))
	require.Equal(t, controller.RefusedNothing, refusal(controller.Command{Verb: controller.VerbAck, Rule: controller.RuleOutage}))
	require.Equal(t, controller.RefusedNothing, refusal(controller.Command{Verb: controller.VerbWeigh, Sample: 20, Mass: 2}))
	hot := ask(controller.Command{Verb: controller.VerbSet, DryBulb: 90, HasDryBulb: true, For: time.Hour})
	require.Equal(t, controller.RefusedLimit, hot.Refusal)
	require.Equal(t, 90.0, hot.Value)
	require.LessOrEqual(t, hot.Limit, 60.0)
	heavy := r.plan.Samples[0].Start * 1.02
	require.Equal(t, controller.RefusedUnlikely, refusal(controller.Command{Verb: controller.VerbWeigh, Mass: heavy}))
	require.Equal(t, controller.Accepted, refusal(controller.Command{Verb: controller.VerbWeigh, Mass: heavy, Recheck: true}))
	require.Equal(t, controller.RefusedUnlikely, refusal(controller.Command{Verb: controller.VerbWeigh, Mass: r.plan.Samples[0].OvenDry * 0.9}))
	require.Equal(t, controller.Accepted, refusal(controller.Command{Verb: controller.VerbSet, EMC: 18, HasEMC: true, For: time.Hour}))
	require.Equal(t, controller.Accepted, refusal(controller.Command{Verb: controller.VerbUnset}))
	require.Equal(t, controller.Accepted, refusal(controller.Command{Verb: controller.VerbEnd}))
}

// A weight given for the wrong board is refused, and the board that it fits is named.
func TestMixedUpSampleBoards(t *testing.T) {
	r := newRig(t, kilnConfig(1), demoCharge)
	r.start()
	heaviest, lightest := 0, 0
	for i, b := range r.plan.Samples {
		if b.Start > r.plan.Samples[heaviest].Start {
			heaviest = i
		}
		if b.Start < r.plan.Samples[lightest].Start {
			lightest = i
		}
	}
	r.queue = append(r.queue, controller.Command{Verb: controller.VerbWeigh, Sample: int8(lightest), Mass: r.plan.Samples[heaviest].Start})
	for r.tick(); r.out.ReplyCount == 0; r.tick() {
	}
	require.Equal(t, controller.RefusedUnlikely, r.out.Replies[0].Refusal)
	require.EqualValues(t, heaviest+1, r.out.Replies[0].Other)
	r.queue = append(r.queue, controller.Command{Verb: controller.VerbWeigh, Sample: int8(lightest), Mass: r.plan.Samples[lightest].Start * 1.3})
	for r.tick(); r.out.ReplyCount == 0; r.tick() {
	}
	require.Equal(t, controller.RefusedUnlikely, r.out.Replies[0].Refusal)
}

func TestNothingMovesBeforeTheStartDelay(t *testing.T) {
	r := newRig(t, kilnConfig(1), demoCharge)
	r.start()
	r.run(time.Hour)
	r.state.Run.Hold = 0
	saved := r.state
	r2 := newRig(t, kilnConfig(1), demoCharge)
	r2.state = saved
	r2.in.Restored, r2.in.OutageKnown, r2.in.Outage = true, true, 20*time.Second
	for r2.snap.Tick < 31 {
		r2.tick()
		require.Zero(t, r2.out.Requested.On&^(1<<hardware.Sounder), "tick %d", r2.snap.Tick)
		if r2.snap.Tick < 20 {
			require.Zero(t, r2.out.Requested.On, "the sounder may sound in the last ten seconds only")
		}
	}
	asked := false // this gate is new and does not know which way the fans ran: it makes them wait for longer
	for r2.snap.Tick < 60 {
		r2.tick()
		asked = asked || r2.out.Requested.On&hardware.AllFans != 0
	}
	require.True(t, asked, "fans within a minute")
	require.Equal(t, controller.OutageShort, r2.state.Restart.Class)
	for range 300 {
		if r2.snap.Tick < 301 {
			require.False(t, r2.last.On.Has(hardware.Compressor))
		}
		r2.tick()
	}
}

func TestOutagePolicy(t *testing.T) {
	base := newRig(t, kilnConfig(1), demoCharge)
	base.start()
	base.run(time.Hour)
	for _, c := range []struct {
		name    string
		outage  time.Duration
		known   bool
		changed bool
		class   controller.OutageClass
		confirm bool
		warm    time.Duration
		hold    schedule.Hold
		mayDry  bool
	}{
		{"a minute", time.Minute, true, false, controller.OutageShort, false, 0, 0, true},
		{"an hour", time.Hour, true, false, controller.OutageHours, false, 0, 0, true},
		{"three hours", 3 * time.Hour, true, false, controller.OutageHours, false, 3 * time.Hour, 0, true},
		{"ten hours", 10 * time.Hour, true, false, controller.OutageHalfDay, false, 10 * time.Hour, 0, true},
		{"a day", 24 * time.Hour, true, false, controller.OutageLong, true, 24 * time.Hour, schedule.HoldOutage, false},
		{"a week", 7 * 24 * time.Hour, true, false, controller.OutageLong, true, 24 * time.Hour, schedule.HoldOutage, false},
		{"unknown", time.Minute, false, false, controller.OutageLong, true, 12 * time.Hour, schedule.HoldOutage, false},
		{"files changed", time.Minute, true, true, controller.OutageShort, true, 0, schedule.HoldFiles, false},
	} {
		t.Run(c.name, func(t *testing.T) {
			r := newRig(t, kilnConfig(1), demoCharge)
			r.state = base.state
			r.state.Restart.Warm = 0 // what the very first start owed
			exposure := r.state.Run.Exposure
			r.in.Restored, r.in.OutageKnown, r.in.Outage, r.in.Changed = true, c.known, c.outage, c.changed
			for id, p := range r.cfg.Layout.Probes {
				if p.Role == hardware.RoleShell {
					r.cfg.Layout.Probes = append([]hardware.Probe(nil), r.cfg.Layout.Probes...)
					r.cfg.Layout.Probes[id].Role = hardware.RoleNone
				}
			}
			r.tick()
			require.Equal(t, controller.EventRestart, r.out.Events[0].Kind)
			require.Equal(t, c.class, r.state.Restart.Class)
			require.Equal(t, c.confirm, r.state.Waiting() != 0)
			require.Equal(t, c.warm, r.state.Restart.Warm)
			r.in.Restored, r.in.OutageKnown, r.in.Changed = false, false, false
			for range 90 {
				r.tick()
			}
			require.NotZero(t, r.last.On&hardware.AllFans, "moving air harms no wood")
			require.Equal(t, c.hold, r.state.Run.Hold&(schedule.HoldOutage|schedule.HoldFiles))
			require.Equal(t, c.mayDry, r.out.SetPoints.Permit&schedule.PermitCompressor != 0)
			require.LessOrEqual(t, r.state.Run.Exposure, exposure)
			if c.confirm {
				r.queue = append(r.queue, controller.Command{Verb: controller.VerbConfirm, Matters: r.state.Waiting()})
				for range 5 {
					r.tick()
				}
				require.Zero(t, r.state.Waiting())
				require.Zero(t, r.state.Run.Hold)
			}
		})
	}
}

func TestAWordGivenBeforeALongOutageDoesNotCountForIt(t *testing.T) {
	for _, outage := range []time.Duration{time.Minute, 30 * time.Hour} {
		r := newRig(t, kilnConfig(1), demoCharge)
		r.start()
		r.state.Restart.Confirm, r.state.Restart.Class = true, controller.OutageLong // from an earlier outage
		r.in.Commands[0], r.in.Count = controller.Command{Verb: controller.VerbConfirm, Matters: controller.Of(controller.MatterOutage), ID: 9}, 1
		r.snap.Tick++
		r.in.Snapshot = &r.snap
		controller.Step(&r.cfg, &r.state, &r.in, &r.out)
		require.True(t, r.state.Pending.On, "accepted, on its way to the disk")

		again := newRig(t, kilnConfig(1), demoCharge)
		again.state = r.state
		again.in.Restored, again.in.OutageKnown, again.in.Outage = true, true, outage
		again.tick()
		require.Equal(t, outage > 24*time.Hour, again.state.Restart.Confirm, outage)
	}
}

func TestAfterAnOutageOfHoursAnAdvanceWaitsAndSaysSo(t *testing.T) {
	r := newRig(t, kilnConfig(1), demoCharge)
	r.start()
	r.state.Restart.Class, r.state.Restart.Stable = controller.OutageHalfDay, 2*time.Hour
	var reply controller.Reply
	r.seen = func(r *rig) {
		if r.out.ReplyCount > 0 {
			reply = r.out.Replies[0]
		}
	}
	r.queue = append(r.queue, controller.Command{Verb: controller.VerbAdvance, ID: 7})
	r.run(3 * time.Second)
	require.EqualValues(t, 7, reply.ID)
	require.Equal(t, controller.RefusedUnsteady, reply.Refusal)
	require.InDelta(t, 2, reply.Value, 0.01)
	require.Equal(t, 6.0, reply.Limit)
}

func TestUnreadableStateMovesAirOnly(t *testing.T) {
	r := newRig(t, kilnConfig(1), demoCharge)
	r.in.Unreadable = true
	for range 200 {
		r.tick()
		require.Zero(t, r.out.Requested.On&(hardware.AllHeat|1<<hardware.Compressor|1<<hardware.Spray|1<<hardware.Vent))
	}
	require.NotZero(t, r.last.On&hardware.AllFans)
	require.True(t, r.state.Restart.Confirm)
}

func TestEmergencyStopNeedsAPersonsWord(t *testing.T) {
	r := newRig(t, kilnConfig(1), demoCharge)
	r.start()
	r.run(10 * time.Minute)
	r.press()
	require.Zero(t, r.out.Requested.On&^(1<<hardware.AlarmLamp|1<<hardware.Vent))
	require.True(t, r.out.Save, "a power cut must not stand in for a person's word")
	for range 60 {
		r.tick()
		require.Zero(t, r.out.Requested.On&hardware.AllFans, "released, but nobody has said so")
	}
	require.Equal(t, controller.Of(controller.MatterStop), r.state.Waiting())
	r.queue = append(r.queue, controller.Command{Verb: controller.VerbConfirm, Matters: controller.Of(controller.MatterStop)})
	for range 60 {
		r.tick()
	}
	require.NotZero(t, r.last.On&hardware.AllFans)
}

// press is a tick in which the emergency stop is pressed.
func (r *rig) press() {
	press := r.snap
	press.Tick++
	press.Previous = r.last
	press.Contacts.Active |= 1 << hardware.ContactEStop
	r.in.Snapshot, r.in.Count = &press, 0
	controller.Step(&r.cfg, &r.state, &r.in, &r.out)
}

func TestAWordIsForWhatItNames(t *testing.T) {
	r := newRig(t, kilnConfig(1), demoCharge)
	r.start()
	r.run(10 * time.Minute)
	all, held := controller.Of(controller.MatterStop, controller.MatterOutage, controller.MatterRestarts, controller.MatterFiles, controller.MatterWeights), schedule.Hold(0)
	s := &r.state
	s.Stopped, s.Often, s.Contradiction, s.Restart.Files, s.Restart.Confirm, s.Restart.Class = true, true, true, true, true, controller.OutageLong
	require.Equal(t, all, s.Waiting())
	confirm := func(m controller.Matters) controller.Refusal {
		return r.reply(controller.Command{Verb: controller.VerbConfirm, Matters: m})
	}
	require.Equal(t, controller.RefusedNothing, confirm(0), "a word that names nothing is for nothing")
	require.Equal(t, all, s.Waiting())

	var told []int32
	r.seen = func(r *rig) {
		for _, e := range r.out.Events[:r.out.EventCount] {
			if e.Kind == controller.EventConfirmed {
				told = append(told, e.A)
			}
		}
	}
	left := all
	for _, c := range []struct {
		matter controller.Matter
		hold   schedule.Hold // that ends with it
	}{
		{controller.MatterWeights, schedule.HoldSuspicious}, {controller.MatterFiles, schedule.HoldFiles}, {controller.MatterOutage, 0},
		{controller.MatterRestarts, schedule.HoldOutage}, {controller.MatterStop, schedule.HoldTrip},
	} {
		require.Equal(t, c.hold, s.Run.Hold&c.hold, c.matter)
		require.Equal(t, controller.Accepted, confirm(controller.Of(c.matter)), c.matter)
		left &^= controller.Of(c.matter)
		require.Equal(t, left, s.Waiting(), "%v: and nothing else", c.matter)
		require.Equal(t, controller.RefusedNothing, confirm(controller.Of(c.matter)), "it no longer waits")
		held |= c.hold
		require.Zero(t, s.Run.Hold&held, c.matter)
		for range 60 {
			r.tick()
			if left != 0 {
				require.Zero(t, r.out.Requested.On&hardware.AllFans, "nobody has said that they may")
			}
		}
	}
	require.Equal(t, controller.OutageHalfDay, s.Restart.Class, "steady data are still wanted")
	require.Equal(t, []int32{4, 3, 1, 2, 0}, told)
	require.NotZero(t, r.last.On&hardware.AllFans)
}

// TestAStopOvertakesTheWordForTheOneBefore: the disk is slow, and whoever gave the word has not seen the second stop.
func TestAStopOvertakesTheWordForTheOneBefore(t *testing.T) {
	for _, c := range []struct {
		name    string
		again   bool
		matters controller.Matters
		want    controller.Refusal
	}{
		{"no second stop", false, controller.Of(controller.MatterStop), controller.Accepted},
		{"second stop", true, controller.Of(controller.MatterStop), controller.RefusedForced},
		{"second stop, word for both", true, controller.Of(controller.MatterStop, controller.MatterWeights), controller.RefusedForced},
		{"second stop, another word", true, controller.Of(controller.MatterWeights), controller.Accepted},
	} {
		t.Run(c.name, func(t *testing.T) {
			r := newRig(t, kilnConfig(1), demoCharge)
			r.start()
			r.press()
			r.run(time.Minute)
			r.state.Contradiction = true
			var replies []controller.Reply
			note := func(r *rig) { replies = append(replies, r.out.Replies[:r.out.ReplyCount]...) }
			r.seen, r.slow = note, true
			r.queue = append(r.queue, controller.Command{Verb: controller.VerbConfirm, ID: 9, Matters: c.matters})
			r.tick()
			r.tick()
			require.True(t, r.state.Pending.On)
			require.Empty(t, replies)
			saved := r.state
			if c.again {
				generation := r.state.Generation
				r.press()
				note(r)
				if c.want != controller.Accepted {
					require.False(t, r.state.Pending.On)
					require.Greater(t, r.state.Generation, generation, "or a power cut would bring it back")
				}
			}
			r.slow = false
			for range 60 {
				r.tick()
			}
			require.Equal(t, []controller.Reply{{ID: 9, Refusal: c.want}}, replies)
			stopped := c.again || !c.matters.Has(controller.MatterStop)
			require.Equal(t, stopped, r.state.Stopped)
			require.Equal(t, !stopped, r.last.On&hardware.AllFans != 0)

			// A power cut while it was on its way: it may have been answered already. Where the gate remembers a stop it was
			// pressed again, and the word is refused.
			for _, tripped := range []bool{false, true} {
				again := newRig(t, kilnConfig(1), demoCharge)
				again.state = saved
				again.in.Restored, again.in.OutageKnown, again.in.Outage = true, true, time.Minute
				again.tick()
				again.in.Restored, again.in.OutageKnown = false, false
				if tripped {
					again.press()
				}
				for range 120 {
					again.tick()
				}
				stops := c.matters.Has(controller.MatterStop)
				require.Equal(t, !stops || tripped, again.state.Stopped, "%s, %t", c.name, tripped)
				require.Equal(t, stops && !tripped, again.last.On&hardware.AllFans != 0)
				if !tripped || !stops {
					require.Equal(t, !c.matters.Has(controller.MatterWeights), again.state.Contradiction, "a word for something else is kept")
				}
			}
		})
	}
}

func TestMattersHaveNames(t *testing.T) {
	for i, name := range controller.MatterNames() {
		m, err := controller.MattersNamed([]string{name})
		require.NoError(t, err)
		require.Equal(t, controller.Of(controller.Matter(i)), m)
	}
	all := controller.Of(0, 1, 2, 3, 4)
	text, err := all.MarshalText()
	require.NoError(t, err)
	var again controller.Matters
	require.NoError(t, again.UnmarshalText(text))
	require.Equal(t, all, again)
	require.Equal(t, controller.MatterNames(), all.Names())
	require.ErrorContains(t, again.UnmarshalText([]byte("stop all")), `unknown matter "all"`)
	require.Equal(t, []string{}, controller.Matters(0).Names())
}

func TestAnAbsentOperatorGetsGentlerAir(t *testing.T) {
	r := newRig(t, kilnConfig(1), demoCharge)
	r.start()
	r.run(20 * time.Minute)
	r.state.Alarms[0] = hardware.Alarm{Rule: controller.RuleWickSuspect, Class: hardware.WoodAtRisk, Latched: true, For: 19 * time.Hour}
	r.state.AlarmCount = 1
	before := r.out.SetPoints
	for range 3600 {
		r.tick()
	}
	require.InDelta(t, 0.33, float64(r.state.Gentle), 0.01)
	require.Greater(t, r.out.SetPoints.EMC, r.state.Run.EMC)
	require.Less(t, r.out.SetPoints.DryBulb, r.state.Run.DryBulb)
	require.Less(t, float64(r.out.SetPoints.EMC-before.EMC), 3.0, "a ramp, no step")

	// Somebody has come. The air goes back no faster than the stage's own ramps, which stand meanwhile.
	r.state.AlarmCount = 0
	stage := &r.in.Plan.Schedule.Stages[r.state.Run.Stage]
	for s := 0; r.state.Gentle > 0; s++ {
		require.Less(t, s, 3*3600)
		before = r.out.SetPoints
		r.tick()
		require.LessOrEqual(t, float64(r.out.SetPoints.DryBulb-before.DryBulb), float64(stage.RampDryBulb)/3600+1e-9)
		require.LessOrEqual(t, float64(before.EMC-r.out.SetPoints.EMC), float64(stage.RampEMCDown)/3600+1e-9)
	}
}

func BenchmarkStep(b *testing.B) {
	r := newRig(b, kilnConfig(1), demoCharge)
	r.start()
	for range 6 * 3600 {
		r.tick()
	}
	snap := r.snap
	b.ReportAllocs()
	for b.Loop() {
		snap.Tick++
		snap.Elapsed = time.Second
		for id := range r.cfg.Layout.Probes {
			snap.Readings[id].Age += time.Second
		}
		if snap.Tick%5 == 0 { // probes are sampled every 5 s
			for id := range r.cfg.Layout.Probes {
				snap.Readings[id].Age = 0
				snap.Readings[id].Value += 0.01
				if snap.Tick%10 == 0 {
					snap.Readings[id].Value -= 0.02
				}
			}
		}
		r.in.Snapshot, r.in.Count = &snap, 0
		controller.Step(&r.cfg, &r.state, &r.in, &r.out)
	}
}

func TestStepAllocatesNothing(t *testing.T) {
	r := newRig(t, kilnConfig(1), demoCharge)
	r.start()
	r.in.Count = 0
	require.Zero(t, testing.AllocsPerRun(8000, func() { // two balances and more
		r.snap.Tick++
		r.snap.Elapsed = time.Second
		controller.Step(&r.cfg, &r.state, &r.in, &r.out)
	}))
}
