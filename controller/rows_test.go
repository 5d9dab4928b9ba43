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

// raised gives the alarm of a rule, nil when it is not there.
func (r *rig) raised(rule hardware.RuleID) *hardware.Alarm {
	for i := range int(r.state.AlarmCount) {
		if r.state.Alarms[i].Rule == rule {
			return &r.state.Alarms[i]
		}
	}
	return nil
}

// until runs the rig until the rule is told, at most for a limit, and gives the time it took.
func (r *rig) until(rule hardware.RuleID, limit time.Duration) time.Duration {
	for d := time.Duration(0); d < limit; d += time.Second {
		r.tick()
		invariants(r.t, &r.out)
		if r.snap.Tick%10 == 0 {
			r.person()
		}
		if r.raised(rule) != nil {
			return d + time.Second
		}
	}
	require.Fail(r.t, "not detected", "rule %d within %v; alarms %v", rule, limit, r.state.Alarms[:r.state.AlarmCount])
	return 0
}

func (r *rig) inject(kind simkiln.FaultKind, severity quantity.Ratio, role hardware.Role) hardware.ProbeID {
	probe := hardware.NoProbe
	if role != hardware.RoleNone {
		probe = r.cfg.Layout.ByRole(role)[0]
	}
	require.NoError(r.t, r.kiln.Inject(simkiln.Fault{Kind: kind, Severity: severity, Probe: max(probe, 0)}))
	return probe
}

// ask hands in a command and gives the answer.
func (r *rig) ask(c controller.Command) controller.Refusal {
	r.queue = append(r.queue, c)
	for range 5 {
		r.tick()
		if r.out.ReplyCount > 0 {
			return r.out.Replies[0].Refusal
		}
	}
	require.Fail(r.t, "not answered")
	return 0
}

// Each failure of a probe ends as it should, within its time, in a simulated kiln whose person mends nothing.
func TestProbeFailures(t *testing.T) {
	for _, c := range []struct {
		name     string
		fault    simkiln.FaultKind
		severity quantity.Ratio
		role     hardware.Role
		kiln     func(*simkiln.Config)
		before   time.Duration // run so long without the fault
		rule     hardware.RuleID
		limit    time.Duration
		latched  bool
		hold     schedule.Hold
		end      func(t *testing.T, r *rig, probe hardware.ProbeID)
	}{
		{name: "dry bulb stuck", fault: simkiln.ProbeStuck, role: hardware.RoleDryBulb, before: 2 * time.Hour,
			rule: controller.RuleProbeStuck, limit: 17 * time.Minute, end: func(t *testing.T, r *rig, _ hardware.ProbeID) {
				require.Equal(t, 1, r.out.Conditions.DryBulbs, "the other one is used")
			}},
		{name: "dry bulb noisy", fault: simkiln.ProbeNoise, role: hardware.RoleDryBulb, before: 2 * time.Hour,
			rule: controller.RuleProbeNoisy, limit: 3 * time.Minute, end: func(t *testing.T, r *rig, _ hardware.ProbeID) {
				require.Equal(t, 1, r.out.Conditions.DryBulbs, "as if lost")
			}},
		{name: "dry bulb drifts: 1 K after 2.4 h, less or more by what they differed before, then half an hour", fault: simkiln.ProbeDrift, severity: 10, role: hardware.RoleDryBulb, before: 2 * time.Hour,
			rule: controller.RuleBulbsApart, limit: 4 * time.Hour, latched: true, hold: schedule.HoldSuspicious,
			end: func(t *testing.T, r *rig, probe hardware.ProbeID) {
				warmest := 0.0
				for _, id := range r.cfg.Layout.ByRole(hardware.RoleDryBulb) {
					warmest = max(warmest, r.snap.Readings[id].Value)
				}
				require.GreaterOrEqual(t, float64(r.out.Conditions.DryBulb), warmest-1e-9, "the warmer counts")
			}},
		{name: "bus sensor at its power-on value", fault: simkiln.ProbePowerOn, role: hardware.RoleDryBulb, before: time.Hour,
			rule: controller.RuleProbeJumped, limit: 16 * time.Second, end: func(t *testing.T, r *rig, _ hardware.ProbeID) {
				require.Less(t, float64(r.out.Conditions.DryBulb), 60.0)
			}},
		{name: "wick dry, humidity probe fitted", fault: simkiln.WickDry, severity: 2, before: 2 * time.Hour,
			rule: controller.RuleWickSuspect, limit: 12 * time.Hour, latched: true, end: func(t *testing.T, r *rig, _ hardware.ProbeID) {
				require.True(t, r.out.Conditions.EMCOK, "the humidity probe is used")
			}},
		{name: "wick dirty", fault: simkiln.WickDirty, severity: 10, before: 8 * time.Hour,
			rule: controller.RuleWickDirty, limit: 30 * time.Hour},
		{name: "humidity probe wetted", fault: simkiln.HumidityWet, before: 2 * time.Hour,
			rule: controller.RuleHumidityWet, limit: 33 * time.Minute, end: func(t *testing.T, r *rig, _ hardware.ProbeID) {
				require.True(t, r.out.Conditions.EMCOK, "the wet bulb is used")
				require.Less(t, float64(r.out.Conditions.RH), 0.95)
			}},
		{name: "humidity probe drifts", fault: simkiln.HumidityDrift, severity: 10, before: 8 * time.Hour,
			rule: controller.RuleHumidityDrift, limit: 24 * time.Hour},
		{name: "core probe open", fault: simkiln.ProbeOpen, role: hardware.RoleCore, before: time.Hour,
			rule: controller.RuleCoreLost, limit: 67 * time.Second, latched: true, end: func(t *testing.T, r *rig, probe hardware.ProbeID) {
				require.False(t, r.out.Conditions.CoreOK[probe])
			}},
		{name: "core probe out of the wood", fault: simkiln.ProbeInAir, role: hardware.RoleCore, before: 2 * time.Hour,
			rule: controller.RuleCoreInAir, limit: 24 * time.Hour, latched: true, end: func(t *testing.T, r *rig, probe hardware.ProbeID) {
				require.False(t, r.out.Conditions.CoreOK[probe], "not counted")
			}},
		{name: "core probe entered twice", fault: simkiln.ProbeDuplicate, role: hardware.RoleCore, before: time.Hour,
			rule: controller.RuleCoreTwins, limit: 11 * time.Minute, latched: true, end: func(t *testing.T, r *rig, probe hardware.ProbeID) {
				require.False(t, r.out.Conditions.CoreOK[probe])
			}},
		{name: "load cell slips", fault: simkiln.LoadCellSlip, before: time.Hour, kiln: func(c *simkiln.Config) { c.Probes.LoadCells = 2 },
			rule: controller.RuleCellSlipped, limit: 10 * time.Second, latched: true},
	} {
		t.Run(c.name, func(t *testing.T) {
			if testing.Short() && c.limit > 20*time.Hour {
				t.Skip("a day of a kiln")
			}
			t.Parallel()
			config := kilnConfig(1)
			config.Person.Absent = true
			if c.kiln != nil {
				c.kiln(&config)
			}
			r := newRig(t, config, demoCharge)
			r.start()
			r.run(c.before)
			require.Nil(t, r.raised(c.rule))
			probe := r.inject(c.fault, c.severity, c.role)
			took := r.until(c.rule, c.limit)
			t.Logf("told after %v, limit %v", took, c.limit)
			require.Equal(t, c.latched, r.raised(c.rule).Latched)
			r.run(2 * time.Second)
			require.Equal(t, c.hold, r.state.Run.Hold&^schedule.HoldAir)
			if c.end != nil {
				c.end(t, r, probe)
			}
			if c.latched {
				require.Equal(t, controller.Accepted, r.ask(controller.Command{Verb: controller.VerbReset, Rule: c.rule}))
				require.Zero(t, r.state.Run.Hold&schedule.HoldSuspicious)
			}
		})
	}
}

// A wet bulb alone: the wick is found out by the water that does not come, before the wood is in dry air.
func TestADryWickWithoutAHumidityProbe(t *testing.T) {
	if testing.Short() {
		t.Skip("days of a kiln")
	}
	c := kilnConfig(1)
	c.Probes.Humidity = 0
	c.Person.Absent = true
	r := newRig(t, c, demoCharge)
	r.start()
	r.run(60 * time.Hour)
	require.EqualValues(t, 4, r.state.Estimate.Air.Yield.Learned, "the machine's size is learnt")
	r.inject(simkiln.WickDry, 1, hardware.RoleNone)
	driest := 99.0
	r.seen = func(r *rig) {
		if r.snap.Tick%60 == 0 {
			driest = min(driest, float64(r.kiln.Truth().EMC-r.out.SetPoints.EMC))
		}
	}
	took := r.until(controller.RuleWickSuspect, 24*time.Hour)
	t.Logf("told after %v; until then the air was at most %.1f points drier than set", took, -driest)
	r.run(2 * time.Minute)
	require.Equal(t, schedule.HoldAir, r.state.Run.Hold&schedule.HoldAir, "no humidity source is left")
	require.False(t, r.last.On.Has(hardware.Compressor))
}

// Machines that have no effect, and what happens untold.
func TestMachineFailures(t *testing.T) {
	warm := func(c *simkiln.Config) { c.Room.Start = 40 }
	for _, c := range []struct {
		name   string
		fault  []simkiln.FaultKind
		kiln   func(*simkiln.Config)
		layout func(*hardware.Layout)
		before time.Duration
		rule   hardware.RuleID
		limit  time.Duration
		end    func(t *testing.T, r *rig)
	}{
		{name: "condensate meter stuck", fault: []simkiln.FaultKind{simkiln.CondensateStuck}, kiln: warm, before: 20 * time.Hour,
			rule: controller.RuleWaterMissing, limit: 6 * time.Hour},
		{name: "hose off", fault: []simkiln.FaultKind{simkiln.HoseOff}, kiln: warm, before: 20 * time.Hour,
			rule: controller.RuleWaterMissing, limit: 6 * time.Hour},
		{name: "compressor without effect, no current measured", fault: []simkiln.FaultKind{simkiln.CompressorNoEffect}, kiln: warm, before: 20 * time.Hour,
			layout: func(l *hardware.Layout) { l.Current = l.Current.With(hardware.Compressor, false) },
			rule:   controller.RuleCoilIdle, limit: 4 * time.Hour, end: func(t *testing.T, r *rig) {
				r.run(10 * time.Minute)
				require.False(t, r.last.On.Has(hardware.Compressor), "it rests")
				r.run(4 * time.Hour)
				require.True(t, r.state.Effects.CoilLock, "and is locked after the second try")
				starts := r.starts
				r.run(2 * time.Hour)
				require.Equal(t, starts, r.starts)
				require.Equal(t, controller.Accepted, r.ask(controller.Command{Verb: controller.VerbReset, Rule: controller.RuleCoilIdle}))
				require.False(t, r.state.Effects.CoilLock)
			}},
		{name: "blower moves no air", fault: []simkiln.FaultKind{simkiln.BlowerStop}, kiln: warm, before: 20 * time.Hour,
			rule: controller.RuleBlowerIdle, limit: 3 * time.Hour, end: func(t *testing.T, r *rig) {
				require.False(t, r.last.On.Has(hardware.Compressor))
			}},
		{name: "crankcase heater dead", fault: []simkiln.FaultKind{simkiln.CrankcaseDead}, before: 4 * time.Hour,
			rule: controller.RuleCrankcaseCold, limit: 62 * time.Second, end: func(t *testing.T, r *rig) {
				owed := r.state.Restart.Warm
				r.run(time.Hour)
				require.Equal(t, owed, r.state.Restart.Warm, "a heater that draws nothing earns nothing")
			}},
		{name: "door open, its contact stuck at shut", fault: []simkiln.FaultKind{simkiln.DoorOpen, simkiln.DoorContactShut}, kiln: warm, before: 4 * time.Hour,
			rule: controller.RuleDoorSigns, limit: 15 * time.Minute},
	} {
		t.Run(c.name, func(t *testing.T) {
			if testing.Short() && c.before+c.limit > 20*time.Hour {
				t.Skip("a day of a kiln")
			}
			t.Parallel()
			config := kilnConfig(1)
			config.Person.Absent = true
			if c.kiln != nil {
				c.kiln(&config)
			}
			r := newRig(t, config, demoCharge)
			if c.layout != nil {
				c.layout(&r.cfg.Layout)
				r.gate = newGate(t, &r.cfg.Layout, r.kiln, r.clock)
			}
			r.start()
			require.Equal(t, controller.Accepted, r.ask(controller.Command{Verb: controller.VerbWarm}))
			if c.rule == controller.RuleCrankcaseCold {
				r.state.Restart.Warm = 3 * time.Hour
			}
			r.run(c.before)
			require.Zero(t, r.state.AlarmCount, "%v", r.state.Alarms[:r.state.AlarmCount])
			for _, f := range c.fault {
				r.inject(f, 1, hardware.RoleNone)
			}
			t.Logf("told after %v, limit %v", r.until(c.rule, c.limit), c.limit)
			if c.end != nil {
				c.end(t, r)
			}
		})
	}
}
