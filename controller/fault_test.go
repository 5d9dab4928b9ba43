package controller_test

import (
	"encoding/json"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"drywarden/controller"
	"drywarden/hardware"
	"drywarden/schedule"
)

// What a probe's loss does over hours: the run holds or goes on with what is left, and says so.
func TestProbesLostForLong(t *testing.T) {
	for _, c := range []struct {
		name  string
		roles []hardware.Role
		all   bool // every probe of the roles, else the first
		hold  schedule.Hold
		alarm hardware.RuleID // 0: none
	}{
		{"one dry bulb", []hardware.Role{hardware.RoleDryBulb}, false, 0, 0},
		{"all dry bulbs", []hardware.Role{hardware.RoleDryBulb}, true, schedule.HoldAir, controller.RuleAirUnknown},
		{"wet bulb", []hardware.Role{hardware.RoleWetBulb}, true, 0, 0},
		{"humidity probe", []hardware.Role{hardware.RoleHumidity}, true, 0, 0},
		{"all humidity", []hardware.Role{hardware.RoleWetBulb, hardware.RoleHumidity}, true, schedule.HoldAir, controller.RuleAirUnknown},
		{"coil, outdoors, pins and cores", []hardware.Role{hardware.RoleCoil, hardware.RoleOutdoorTemperature, hardware.RolePin, hardware.RoleCore}, true, 0, 0},
	} {
		t.Run(c.name, func(t *testing.T) {
			r := newRig(t, kilnConfig(1), demoCharge)
			r.start()
			r.run(2 * time.Hour)
			lost := map[int]bool{}
			for _, role := range c.roles {
				for _, id := range r.cfg.Layout.ByRole(role) {
					if c.all || len(lost) == 0 {
						lost[int(id)] = true
					}
				}
			}
			before := r.out
			stage := r.state.Run.Stage
			for i := range 3600 {
				r.clock.Advance(time.Second)
				r.kiln.Advance(time.Second)
				snap := r.snap
				snap.Tick++
				require.NoError(t, r.kiln.Read(r.clock.Now(), &snap))
				snap.Elapsed, snap.Previous, snap.Durable, snap.Now = time.Second, r.last, r.state.Generation, r.clock.Now()
				for id := range lost {
					snap.Readings[id] = hardware.Reading{Quality: hardware.NoAnswer}
				}
				r.snap = snap
				r.in.Snapshot, r.in.Count = &r.snap, 0
				controller.Step(&r.cfg, &r.state, &r.in, &r.out)
				r.last.Outputs = r.out.Requested
				require.NoError(t, r.kiln.Apply(r.clock.Now(), r.out.Requested))
				invariants(t, &r.out)
				if i > 62 && c.hold != 0 {
					require.Zero(t, r.out.Requested.On&(hardware.AllHeat|1<<hardware.Compressor|1<<hardware.Spray), "after the ride-through")
					require.NotZero(t, r.out.Requested.On&hardware.AllFans)
				}
			}
			require.Equal(t, c.hold, r.state.Run.Hold)
			if c.hold != 0 {
				require.Equal(t, stage, r.state.Run.Stage)
				require.LessOrEqual(t, r.out.SetPoints.DryBulb, before.SetPoints.DryBulb)
			}
			found := c.alarm == 0
			for i := range int(r.state.AlarmCount) {
				found = found || r.state.Alarms[i].Rule == c.alarm
			}
			require.True(t, found, "alarms: %v", r.state.Alarms[:r.state.AlarmCount])
		})
	}
}

// Crashes at any tick: what was saved is read back, the kiln stood for a while, and the new process keeps the rests.
func TestCrashes(t *testing.T) {
	crashes := 12
	if testing.Short() {
		crashes = 4
	}
	random := rand.New(rand.NewPCG(1, 2))
	r := newRig(t, kilnConfig(4), demoCharge)
	r.start()
	for crash := range crashes {
		r.run(time.Duration(random.IntN(3*3600)) * time.Second)
		text, err := json.Marshal(&r.state)
		require.NoError(t, err)
		exposure, stage := r.state.Run.Exposure, r.state.Run.Stage
		outage := time.Duration(5+random.IntN(4*3600)) * time.Second
		require.NoError(t, r.kiln.Apply(r.clock.Now(), hardware.Outputs{}))
		r.kiln.Advance(outage)
		fresh := newRig(t, kilnConfig(4), demoCharge)
		fresh.kiln, fresh.clock = r.kiln, r.clock
		fresh.gate = newGate(t, &fresh.cfg.Layout, r.kiln, r.clock)
		require.NoError(t, json.Unmarshal(text, &fresh.state))
		fresh.in.Restored, fresh.in.OutageKnown, fresh.in.Outage = true, true, outage
		r = fresh
		for range 700 {
			r.tick()
			r.in.Restored, r.in.OutageKnown = false, false
			invariants(t, &r.out)
			if r.snap.Tick <= 30 {
				require.Zero(t, r.out.Requested.On&^(1<<hardware.Sounder), "crash %d", crash)
			}
			if r.snap.Tick <= 300 {
				require.False(t, r.out.Requested.On.Has(hardware.Compressor), "crash %d", crash)
			}
		}
		require.LessOrEqual(t, r.state.Run.Exposure, exposure+700*time.Second)
		require.GreaterOrEqual(t, r.state.Run.Stage, stage)
		require.Zero(t, r.state.Run.Hold, "an outage of %v asks for nobody", outage)
	}
}

// The air reads damp, the compressor runs, and no water comes: the wick is not believed until somebody has looked.
func TestADryWickIsNotBelieved(t *testing.T) {
	c := kilnConfig(1)
	c.Probes.Humidity = 0
	r := newRig(t, c, demoCharge)
	r.start()
	r.run(time.Hour)
	r.state.Estimate.Air.BarrenDamp = time.Hour
	r.state.Estimate.Air.Runs = time.Hour
	r.state.Estimate.Air.MeterOK, r.state.Estimate.Air.Meter = true, r.snap.Condensate.Total
	r.tick()
	alarm := r.state.Alarms[0]
	require.Equal(t, controller.RuleWickSuspect, alarm.Rule)
	require.True(t, alarm.Latched)
	r.run(2 * time.Minute)
	require.Equal(t, schedule.HoldAir, r.state.Run.Hold, "no humidity source is left")
	require.False(t, r.out.Requested.On.Has(hardware.Compressor))
	require.Equal(t, controller.RefusedNothing, func() controller.Refusal {
		r.queue = append(r.queue, controller.Command{Verb: controller.VerbReset, Rule: controller.RuleOutage})
		for range 3 {
			r.tick()
			if r.out.ReplyCount > 0 {
				break
			}
		}
		return r.out.Replies[0].Refusal
	}())
	r.queue = append(r.queue, controller.Command{Verb: controller.VerbReset, Rule: controller.RuleWickSuspect})
	for range 10 {
		r.tick()
	}
	require.Zero(t, r.state.Run.Hold)
	require.Zero(t, r.state.Estimate.Air.Distrust)
}
