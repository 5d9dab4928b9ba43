package controller_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"drywarden/controller"
	"drywarden/hardware"
	"drywarden/hardware/quantity"
	"drywarden/hardware/simkiln"
	"drywarden/schedule"
)

// reply gives a command and returns what becomes of it, once it is durable.
func (r *rig) reply(c controller.Command) controller.Refusal {
	c.ID = 77
	r.queue = append(r.queue, c)
	for range 5 {
		r.tick()
		for _, reply := range r.out.Replies[:r.out.ReplyCount] {
			if reply.ID == c.ID {
				return reply.Refusal
			}
		}
	}
	require.Fail(r.t, "no reply")
	return 0
}

func withKey(seed uint64) simkiln.Config {
	c := kilnConfig(seed)
	c.Person.Key = true
	return c
}

// Each output of an idle kiln can be tried: it goes on after the sounder, alone but for the air that it needs, for the time
// asked for, and the gate refuses nothing.
func TestEveryOutputCanBeTried(t *testing.T) {
	r := newRig(t, withKey(9), demoCharge)
	r.run(17 * time.Minute) // the compressor has rested
	require.Equal(t, controller.RefusedCold, r.reply(controller.Command{Verb: controller.VerbTest, Output: hardware.Compressor, For: time.Minute}))
	require.Equal(t, controller.Accepted, r.reply(controller.Command{Verb: controller.VerbWarm}))
	const needs = hardware.AllFans | 1<<hardware.Blower
	const signs = hardware.OutputSet(1<<hardware.Sounder | 1<<hardware.Beacon | 1<<hardware.AlarmLamp | 1<<hardware.DoorLamp | 1<<hardware.Heartbeat)
	for o := range hardware.OutputCount {
		if !r.cfg.Layout.Outputs.Has(o) || o == hardware.Heartbeat {
			continue
		}
		r.vetoes = [hardware.OutputCount]int{}
		wanted := 20 * time.Second
		on, warned, before := time.Duration(0), time.Duration(0), false
		r.seen = func(r *rig) {
			others := r.last.On &^ (signs | 1<<o)
			if !before || !r.state.Test.On { // what the kiln does otherwise
				others = 0
			}
			before = r.state.Test.On
			if o < hardware.Heat1 && o != hardware.Compressor || o > hardware.Heat3 {
				require.Zero(t, others, "%s: %b", o, others)
			} else {
				require.Zero(t, others&^needs, "%s", o)
				require.Zero(t, others&hardware.AllReverse, "%s", o)
			}
			if r.state.Test.On {
				require.Equal(t, controller.ModeService, r.state.Mode)
			}
			if r.last.On.Has(o) && r.state.Test.On {
				on += time.Second
				require.True(t, signs.Has(o) || o == hardware.Crankcase || warned >= r.cfg.WarnTime, "%s without a warning", o)
			}
			if r.last.On.Has(hardware.Sounder) {
				warned += time.Second
			}
		}
		require.Equal(t, controller.Accepted, r.reply(controller.Command{Verb: controller.VerbTest, Output: o, For: wanted}), "%s", o)
		require.Equal(t, controller.RefusedBusy, r.reply(controller.Command{Verb: controller.VerbTest, Output: hardware.Vent, For: wanted}))
		for range 40 * 60 {
			if r.tick(); !r.state.Test.On {
				break
			}
		}
		r.seen = nil
		if o == hardware.Compressor {
			wanted = r.cfg.Sequence.MinOn
		}
		require.InDelta(t, wanted.Seconds(), on.Seconds(), 2, "%s", o)
		require.Zero(t, r.vetoes, "%s", o)
		require.Zero(t, r.last.Trips)
		r.run(r.cfg.Sequence.VentIv + 2*time.Second) // vents do not shut sooner
		require.Zero(t, r.last.On&^(1<<hardware.Crankcase|signs), "%s: something is left on", o)
	}
	require.Equal(t, controller.ModeRest, r.state.Mode)
}

// A trial ends by a person's word, never outlives a stop or a start of the process, and is refused while a charge runs.
func TestTrialsEnd(t *testing.T) {
	fan := controller.Command{Verb: controller.VerbTest, Output: hardware.FanForward1, For: time.Minute}
	trial := func(r *rig) {
		require.Equal(t, controller.Accepted, r.reply(fan))
		r.run(20 * time.Second)
		require.True(t, r.last.On.Has(hardware.FanForward1))
	}
	r := newRig(t, withKey(10), demoCharge)
	r.run(2 * time.Minute)
	require.Equal(t, controller.RefusedNothing, r.reply(controller.Command{Verb: controller.VerbTestEnd}))
	for _, bad := range []controller.Command{
		{Output: hardware.Heartbeat, For: time.Minute}, {Output: hardware.OutputCount, For: time.Minute}, {Output: hardware.FanForward4, For: time.Minute},
	} {
		bad.Verb = controller.VerbTest
		require.Equal(t, controller.RefusedNothing, r.reply(bad))
	}
	for _, length := range []time.Duration{0, -time.Second, controller.TestMost + time.Second} {
		bad := fan
		bad.For = length
		require.Equal(t, controller.RefusedLimit, r.reply(bad))
	}

	trial(r)
	require.Equal(t, controller.Accepted, r.reply(controller.Command{Verb: controller.VerbTestEnd}))
	r.run(3 * time.Second)
	require.Zero(t, r.last.On&hardware.AllFans)

	trial(r)
	require.NoError(t, r.kiln.Inject(simkiln.Fault{Kind: simkiln.EmergencyStop, Duration: quantity.Duration(time.Minute)}))
	r.tick()
	require.Zero(t, r.last.On, "in the same tick")
	r.tick()
	require.False(t, r.state.Test.On)
	require.Equal(t, controller.RefusedForced, r.reply(fan))

	r = newRig(t, withKey(11), demoCharge)
	r.run(time.Minute)
	trial(r)
	r.snap.Tick = 0 // the process starts anew
	r.run(3 * time.Second)
	require.False(t, r.state.Test.On)

	r = newRig(t, withKey(12), demoCharge)
	r.start()
	require.Equal(t, controller.RefusedRunning, r.reply(fan))
}

// Where the panel has a key, nothing is tried without it, and turning it back ends the trial.
func TestTrialNeedsTheKey(t *testing.T) {
	r := newRig(t, kilnConfig(13), demoCharge)
	r.run(2 * time.Minute)
	fan := controller.Command{Verb: controller.VerbTest, Output: hardware.FanForward1, For: time.Minute}
	require.True(t, r.cfg.Layout.Contacts.Has(hardware.ContactPanelKey))
	require.Equal(t, controller.RefusedKey, r.reply(fan))

	state := r.state
	turned := func(on bool) hardware.OutputSet {
		s := r.snap
		s.Tick, s.Elapsed = s.Tick+1, time.Second
		s.Contacts.Valid = s.Contacts.Valid.With(hardware.ContactPanelKey, true)
		s.Contacts.Active = s.Contacts.Active.With(hardware.ContactPanelKey, on)
		in := controller.Input{Snapshot: &s}
		var out controller.Result
		controller.Step(&r.cfg, &state, &in, &out)
		return out.Requested.On
	}
	state.Test = controller.Test{On: true, Output: hardware.FanForward1, For: time.Minute, Warned: time.Minute}
	require.True(t, turned(true).Has(hardware.FanForward1))
	require.False(t, turned(false).Has(hardware.FanForward1))
	require.False(t, state.Test.On)
}

// What a person saw is kept, and the newest word counts.
func TestWhatWasSeenIsKept(t *testing.T) {
	r := newRig(t, kilnConfig(14), demoCharge)
	r.run(time.Minute)
	seen := func(as bool) {
		require.Equal(t, controller.Accepted, r.reply(controller.Command{Verb: controller.VerbSeen, Output: hardware.Vent, AsWanted: as}))
	}
	seen(true)
	require.Equal(t, hardware.OutputSet(1<<hardware.Vent), r.state.Proved)
	seen(false)
	require.Zero(t, r.state.Proved)
	require.Equal(t, hardware.OutputSet(1<<hardware.Vent), r.state.Doubted)
	require.Equal(t, controller.RefusedNothing, r.reply(controller.Command{Verb: controller.VerbSeen, Output: hardware.FanForward4}))
	require.Equal(t, schedule.Idle, r.state.Run.Phase)
}
