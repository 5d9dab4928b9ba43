package controller_test

import (
	"slices"
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
			rule: controller.RuleProbeStuck, limit: 16 * time.Minute, end: func(t *testing.T, r *rig, _ hardware.ProbeID) {
				require.Equal(t, 1, r.out.Conditions.DryBulbs, "the other one is used")
			}},
		{name: "dry bulb noisy", fault: simkiln.ProbeNoise, role: hardware.RoleDryBulb, before: 2 * time.Hour,
			rule: controller.RuleProbeNoisy, limit: time.Minute, end: func(t *testing.T, r *rig, _ hardware.ProbeID) {
				r.run(time.Minute)
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

// Heat without a measured current: a dead heater is found by what the air does when it is switched off and on again. A weak
// one before a big cold load, where nothing becomes warmer for hours, is not.
func TestHeatWithoutEffect(t *testing.T) {
	const noCurrent = ^hardware.OutputSet(hardware.AllHeat)
	start := func(t *testing.T, config simkiln.Config) *rig {
		config.Person.Absent = true
		r := newRig(t, config, demoCharge)
		r.cfg.Layout.Current &= noCurrent
		r.gate = newGate(t, &r.cfg.Layout, r.kiln, r.clock)
		r.start()
		return r
	}
	t.Run("dead", func(t *testing.T) {
		t.Parallel()
		r := start(t, kilnConfig(1))
		for i := range r.cfg.Layout.HeatStages {
			require.NoError(t, r.kiln.Inject(simkiln.Fault{Kind: simkiln.OutputOpen, Severity: 1, Output: hardware.Heat(i)}))
		}
		t.Logf("told after %v", r.until(controller.RuleHeatIdle, 3*time.Hour))
		require.Zero(t, r.out.Requested.On&hardware.AllHeat, "it rests")
		require.True(t, r.raised(controller.RuleHeatIdle).Latched)
		r.run(3 * time.Hour)
		require.True(t, r.state.Effects.Heat.Lock, "and is off after the second try")
		require.Zero(t, r.last.On&hardware.AllHeat)
		require.Equal(t, controller.Accepted, r.ask(controller.Command{Verb: controller.VerbReset, Rule: controller.RuleHeatIdle}))
		r.run(20 * time.Minute)
		require.NotZero(t, r.last.On&hardware.AllHeat)
	})
	t.Run("weak", func(t *testing.T) {
		t.Parallel()
		if testing.Short() {
			t.Skip("a day of a kiln")
		}
		config := kilnConfig(1)
		config.Heat.Power = 2000
		config.Weather.Mean, config.Room.Start = -5, 5
		r := start(t, config)
		tests := 0
		part := uint8(0)
		r.seen = func(r *rig) {
			if h := &r.state.Effects.Heat; h.Part == 0 && part == 3 {
				tests++
				t.Logf("test %d: %.2f K", tests, h.Effect)
			}
			part = r.state.Effects.Heat.Part
		}
		r.run(30 * time.Hour)
		require.NotZero(t, tests)
		require.Nil(t, r.raised(controller.RuleHeatIdle))
	})
}

// warmer steps with all dry bulbs warmer by some kelvin, and the kiln standing still.
func (r *rig) warmer(by float64, d time.Duration) {
	for range int(d / time.Second) {
		snap := r.snap
		snap.Tick++
		snap.Elapsed = time.Second
		for _, role := range []hardware.Role{hardware.RoleDryBulb, hardware.RoleWetBulb} {
			for _, id := range r.cfg.Layout.ByRole(role) {
				snap.Readings[id].Value += by
			}
		}
		r.in.Snapshot, r.in.Count = &snap, 0
		controller.Step(&r.cfg, &r.state, &r.in, &r.out)
		r.snap.Tick = snap.Tick
	}
}

func TestAirTooWarmIsToldAndNotHeated(t *testing.T) {
	c := kilnConfig(1)
	c.Room.Start = 40
	r := newRig(t, c, demoCharge)
	r.start()
	r.run(6 * time.Hour)
	over := 5.5 + float64(r.out.SetPoints.DryBulb-r.out.Conditions.DryBulb)
	r.warmer(over, 59*time.Second)
	require.Nil(t, r.raised(controller.RuleTooWarm))
	r.warmer(over, 3*time.Second)
	require.NotNil(t, r.raised(controller.RuleTooWarm))
	require.Zero(t, r.out.Requested.On&hardware.AllHeat)
	require.False(t, r.out.Demand.Dry, "too warm for the compressor as well")
	r.warmer(0, 2*time.Second)
	require.False(t, r.raised(controller.RuleTooWarm).Active, "its cause is gone")
	r.warmer(0, 31*time.Minute)
	require.Nil(t, r.raised(controller.RuleTooWarm), "it clears itself")

	// A set point that was lowered is approached from above: no alarm.
	require.Equal(t, controller.Accepted, r.ask(controller.Command{Verb: controller.VerbSet, HasDryBulb: true,
		DryBulb: r.out.SetPoints.DryBulb - 8, For: time.Hour, Stage: r.state.Run.Stage}))
	for range 3600 {
		r.tick()
		require.Nil(t, r.raised(controller.RuleTooWarm))
	}
}

// Vents that are told open in pulses and stay shut: told after three minutes in all, and the set point rises no further.
func TestVentsThatStayShut(t *testing.T) {
	r := newRig(t, kilnConfig(1), demoCharge)
	r.start()
	r.run(20 * time.Minute)
	shut := func(s *hardware.Snapshot) {
		s.Contacts.Active |= 1 << hardware.ContactVentShut
		s.Contacts.Valid |= 1 << hardware.ContactVentShut
	}
	told := func(open bool, d time.Duration) {
		for range int(d / time.Second) {
			r.snap.Tick++
			r.snap.Elapsed = time.Second
			shut(&r.snap)
			r.snap.Previous = r.last
			r.snap.Previous.On = r.snap.Previous.On.With(hardware.Vent, open)
			r.in.Snapshot, r.in.Count = &r.snap, 0
			controller.Step(&r.cfg, &r.state, &r.in, &r.out)
		}
	}
	for range 2 {
		told(true, time.Minute)
		told(false, 4*time.Minute)
	}
	require.Nil(t, r.raised(controller.RuleVentHangs))
	told(true, 61*time.Second)
	require.NotNil(t, r.raised(controller.RuleVentHangs))
	set := r.out.SetPoints.DryBulb
	r.state.Run.DryBulb += 3 // the ramp goes on
	told(false, time.Minute)
	require.LessOrEqual(t, r.out.SetPoints.DryBulb, set)
	r.snap.Contacts.Active &^= 1 << hardware.ContactVentShut
	before := r.out.SetPoints.DryBulb
	for range 60 {
		r.tick()
		require.LessOrEqual(t, float64(r.out.SetPoints.DryBulb-before), 0.01, "and does not jump once they open")
		before = r.out.SetPoints.DryBulb
	}
}

// What reaches nobody lights the lamp and, when no recipient at all was reached, sounds here.
func TestAlarmsThatReachNobody(t *testing.T) {
	r := newRig(t, kilnConfig(1), demoCharge)
	r.run(40 * time.Second)
	on := func(o hardware.OutputID) bool { return r.out.Requested.On.Has(o) }
	require.False(t, on(hardware.AlarmLamp) || on(hardware.Sounder))
	r.in.Failing = true
	r.tick()
	require.True(t, on(hardware.AlarmLamp))
	require.False(t, on(hardware.Sounder))
	r.in.Unheard = true
	r.tick()
	require.True(t, on(hardware.Sounder))
	r.in.Failing, r.in.Unheard = false, false
	r.tick()
	require.False(t, on(hardware.AlarmLamp) || on(hardware.Sounder))
}

func TestNobodyAnswers(t *testing.T) {
	c := kilnConfig(1)
	c.Person.Absent = true
	r := newRig(t, c, demoCharge)
	r.start()
	r.run(20 * time.Minute)
	r.inject(simkiln.ProbeOpen, 1, hardware.RoleCore)
	r.until(controller.RuleCoreLost, 2*time.Minute)
	r.state.Alarms[0].For = 18*time.Hour - time.Minute
	r.until(controller.RuleNobodyAnswers, 65*time.Second)
	before := r.out.SetPoints
	r.run(time.Hour)
	require.Greater(t, float64(r.out.SetPoints.EMC-before.EMC), 0.0)
	for _, a := range slices.Clone(r.state.Alarms[:r.state.AlarmCount]) {
		if a.Rule == controller.RuleNobodyAnswers {
			continue // it goes with the others
		}
		require.Equal(t, controller.Accepted, r.ask(controller.Command{Verb: controller.VerbAck, Rule: a.Rule}))
	}
	r.run(2 * time.Second)
	require.Nil(t, r.raised(controller.RuleNobodyAnswers))
}

func TestAlarmsAreToldAgain(t *testing.T) {
	c := kilnConfig(1)
	c.Person.Absent = true
	r := newRig(t, c, demoCharge)
	r.start()
	r.run(2 * time.Hour)
	r.inject(simkiln.ProbeInAir, 1, hardware.RoleCore)
	r.until(controller.RuleCoreInAir, 24*time.Hour)
	repeats := 0
	r.seen = func(r *rig) {
		for _, e := range r.out.Events[:r.out.EventCount] {
			if e.Kind == controller.EventRepeat && hardware.RuleID(e.A) == controller.RuleCoreInAir {
				repeats++
			}
		}
	}
	r.run(2*time.Hour + time.Minute)
	require.Equal(t, 4, repeats, "every half hour")
	require.Equal(t, controller.Accepted, r.ask(controller.Command{Verb: controller.VerbAck, Rule: controller.RuleCoreInAir}))
	r.run(time.Hour)
	require.Equal(t, 4, repeats, "until somebody has seen it")
}

func TestAChargeThatDoesNotFitItsSheet(t *testing.T) {
	r := newRig(t, kilnConfig(1), demoCharge)
	r.plan.Lots[1].Start = 62 // the boards were cut at about 38 %
	r.start()
	require.NotNil(t, r.raised(controller.RuleOutOfFamily))
	require.Equal(t, controller.ModeWork, r.state.Mode, "it only asks")
}

func TestAPersonMayAnswerForAWarmCrankcase(t *testing.T) {
	r := newRig(t, kilnConfig(1), demoCharge)
	r.start()
	require.Greater(t, r.state.Restart.Warm, 11*time.Hour, "nobody knows for how long it was off")
	require.Equal(t, controller.Accepted, r.ask(controller.Command{Verb: controller.VerbWarm}))
	require.Zero(t, r.state.Restart.Warm)
	require.Equal(t, controller.RefusedNothing, r.ask(controller.Command{Verb: controller.VerbWarm}))
}

func TestACoilThatIcesTwiceLocksTheCompressor(t *testing.T) {
	c := kilnConfig(1)
	c.Room.Start = 40
	r := newRig(t, c, demoCharge)
	r.start()
	require.Equal(t, controller.Accepted, r.ask(controller.Command{Verb: controller.VerbWarm}))
	r.run(10 * time.Hour)
	r.state.Sequence.DefrostTwice = true
	r.until(controller.RuleFrostTwice, 2*time.Second)
	r.run(10 * time.Minute)
	starts := r.starts
	r.run(3 * time.Hour)
	require.Equal(t, starts, r.starts)
	require.False(t, r.last.On.Has(hardware.Compressor))
	require.Equal(t, controller.Accepted, r.ask(controller.Command{Verb: controller.VerbReset, Rule: controller.RuleFrostTwice}))
	r.run(3 * time.Hour)
	require.Greater(t, r.starts, starts)
}

// The tick in which a probe is no longer believed asks for no more heat, compressor or dryness than the tick before.
func TestDistrustNeverAsksForMore(t *testing.T) {
	r, moments := atlas()
	const asking = hardware.AllHeat | 1<<hardware.Compressor
	for i := range moments {
		m := &moments[i]
		for id := range r.cfg.Layout.Probes {
			if !m.snap.Readings[id].OK() {
				continue
			}
			doubted := *m
			doubted.state.Estimate.Trust.Probe[id].Still = 20 * time.Minute
			doubted.state.Estimate.Trust.Probe[id].Acted = 20 * time.Minute
			doubted.state.Estimate.Trust.Minute = time.Minute
			_, out := doubted.next(r, func(*hardware.Snapshot) {})
			require.Zero(t, out.Requested.On&^m.applied().On&asking, "%s doubted in %s", r.cfg.Layout.Probes[id].Name, m.kind)
			require.GreaterOrEqual(t, out.SetPoints.EMC, m.state.Run.EMC-0.01)
			invariants(t, &out)
		}
	}
}
