package schedule

import (
	"encoding/json"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"drywarden/hardware/quantity"
)

const tick = time.Second

// oakPlan goes through every kind; two lots, so that there is one that waits and one that governs.
func oakPlan() *Plan {
	ramps := func(s Stage) Stage {
		s.RampDryBulb, s.RampEMCDown, s.RampEMCUp = 2, 1, 2
		s.MaxTime = 30 * 24 * time.Hour
		return s
	}
	return &Plan{
		ID: 7, Charge: "test", Equalizing: DefaultEqualizing(),
		Lots: []Lot{
			{Name: "oak", Group: Refractory, Target: 7, RateLimit: 3.8, GreenMaxDryBulb: 45, MaxDryBulb: 82},
			{Name: "poplar", Group: Easy, Target: 7.5, RateLimit: 13.8, GreenMaxDryBulb: 70, MaxDryBulb: 82},
		},
		Schedule: Schedule{Name: "test", Stages: []Stage{
			ramps(Stage{Name: "preheat", Kind: Preheat, DryBulb: 43, EMC: 17.5, For: 8 * time.Hour}),
			ramps(Stage{Name: "dry 1", Kind: Dry, DryBulb: 43, EMC: 15, UntilMC: 40, MinDwell: 12 * time.Hour}),
			ramps(Stage{Name: "dry 2", Kind: Dry, DryBulb: 46, EMC: 10, UntilMC: 20, MinDwell: 12 * time.Hour}),
			ramps(Stage{Name: "dry 3", Kind: Dry, DryBulb: 49, EMC: 5.2, MinDwell: 12 * time.Hour}),
			ramps(Stage{Name: "equalize", Kind: Equalize, DryBulb: 49, EMC: 7}),
			ramps(Stage{Name: "condition", Kind: Condition, DryBulb: 49, EMC: 11, For: 20 * time.Hour}),
			ramps(Stage{Name: "heat", Kind: Heat, DryBulb: 65, EMC: 7, Core: 56, CoreMargin: 1, Exposure: 30 * time.Minute, Unbroken: true, MinCores: 2}),
			ramps(Stage{Name: "cool", Kind: Cool, DryBulb: 5, EMC: 7, MinDwell: 2 * time.Hour}),
		}},
	}
}

const (
	atPreheat = iota
	atDry1
	atDry2
	atDry3
	atEqualize
	atCondition
	atHeat
	atCool
)

func sureOf(v float64) Belief { return Belief{Value: v, Sigma: 0.5, Valid: true} }

// wood of a moisture in both lots, nothing wrong anywhere.
func calm(mc float64, dryBulb quantity.Celsius, emc quantity.MoistureContent) *Conditions {
	c := &Conditions{DryBulb: dryBulb, DryBulbOK: true, DryBulbs: 2, EMC: emc, EMCOK: true, RH: 0.5, Outdoor: 15, OutdoorOK: true,
		WetBulb: dryBulb - 10, Airflow: true, DoorShut: true, CoreCount: 3, ColdestCore: dryBulb, HottestCore: dryBulb, Charge: sureOf(mc)}
	for i := range 2 {
		c.Lots[i] = LotCondition{Control: sureOf(mc), Mean: sureOf(mc), Driest: sureOf(mc - 1), Wettest: sureOf(mc + 1)}
	}
	return c
}

// at gives a run that has stood in a stage with the air at its set points.
func at(plan *Plan, stage int) Run {
	st := &plan.Schedule.Stages[stage]
	return Run{ID: plan.ID, Phase: Running, Stage: int8(stage), Started: true, DutyCap: 1, DryBulb: st.DryBulb, EMC: st.EMC, Shell: 200 * time.Hour}
}

// runFor steps a run in ticks of a minute; each change is durable at once.
func runFor(plan *Plan, run *Run, c *Conditions, d time.Duration) SetPoints {
	var out SetPoints
	in := Input{Elapsed: time.Minute, Conditions: c, Durable: true}
	for range int(d / time.Minute) {
		Step(plan, run, &in, &out)
	}
	return out
}

func TestIdleAsksNothing(t *testing.T) {
	var run Run
	out := SetPoints{Active: true, Permit: PermitHeat}
	Step(nil, &run, &Input{Elapsed: tick, Conditions: calm(40, 20, 10)}, &out)
	require.Equal(t, SetPoints{Stage: -1, DutyCap: 1}, out)
}

func TestARunWithoutItsPlanGetsFansOnly(t *testing.T) {
	run := Run{Phase: Running, Stage: 3, Started: true, DryBulb: 40, EMC: 10}
	var out SetPoints
	for _, plan := range []*Plan{nil, {}} {
		Step(plan, &run, &Input{Elapsed: tick, Conditions: calm(40, 20, 10)}, &out)
		require.Equal(t, PermitFans, out.Permit)
		require.Equal(t, restDryBulb, out.DryBulb)
		require.Equal(t, maxEMC, out.EMC)
	}
}

func TestRampsStartFromTheMeasuredAir(t *testing.T) {
	plan := oakPlan()
	var run Run
	require.True(t, StartRun(plan, &run).OK())
	c := calm(70, 18, 12)
	var out SetPoints
	Step(plan, &run, &Input{Elapsed: tick, Conditions: c}, &out)
	require.InDelta(t, 18, float64(out.DryBulb), 0.01)
	require.InDelta(t, 17.5, float64(out.EMC), 0.01, "air drier than the stage does not set the start")
	out = runFor(plan, &run, c, time.Hour)
	require.InDelta(t, 20, float64(out.DryBulb), 0.01, "2 K an hour")

	run = Run{}
	StartRun(plan, &run)
	out = runFor(plan, &run, calm(70, 50, 22), time.Hour)
	require.InDelta(t, 43, float64(out.DryBulb), 0.01, "hotter air than the stage is not kept")
	require.InDelta(t, 21, float64(out.EMC), 0.02, "moister air dries at 1 point an hour")
	out = runFor(plan, &run, calm(70, 43, 22), 4*time.Hour)
	require.InDelta(t, 17.5, float64(out.EMC), 0.01)
}

func TestWithoutAirARunDoesNotStart(t *testing.T) {
	plan := oakPlan()
	var run Run
	StartRun(plan, &run)
	c := calm(70, 18, 12)
	c.DryBulbOK, c.EMCOK = false, false
	out := runFor(plan, &run, c, time.Hour)
	require.Equal(t, PermitFans, out.Permit)
	require.Equal(t, restDryBulb, out.DryBulb)
	require.Equal(t, maxEMC, out.EMC)
	require.False(t, run.Started)
}

// Each kind ends by its own rule, after and only after the change is durable.
func TestStagesEnd(t *testing.T) {
	wet := func(mc float64) func() *Conditions { return func() *Conditions { return calm(mc, 43, 15) } }
	for name, tt := range map[string]struct {
		stage int
		c     func() *Conditions
		after time.Duration // the stage is over after this, and not an hour before; 0: never
		cause Cause
	}{
		"preheat: time at the dry bulb": {atPreheat, wet(70), 8 * time.Hour, ByTime},
		"preheat: air too cold":         {atPreheat, func() *Conditions { return calm(70, 40, 15) }, 30 * 24 * time.Hour, ByTime},
		"dry: dwell":                    {atDry1, wet(39), 12 * time.Hour, ByMoisture},
		"dry: too wet":                  {atDry1, wet(40.1), 0, 0},
		"dry: uncertain":                {atDry1, func() *Conditions { c := calm(39, 43, 15); c.Charge.Sigma = 2.5; return c }, 0, 0},
		"dry: unknown":                  {atDry1, func() *Conditions { c := calm(39, 43, 15); c.Charge.Valid = false; return c }, 0, 0},
		"dry: too fast":                 {atDry1, func() *Conditions { c := calm(39, 43, 15); c.Lots[0].Rate24h = sureOf(8); return c }, 0, 0},
		"dry: air not known":            {atDry1, func() *Conditions { c := calm(39, 43, 15); c.EMCOK = false; return c }, 0, 0},
		"dry: air held":                 {atDry1, func() *Conditions { c := calm(39, 43, 15); c.Held = true; return c }, 0, 0},
		"dry: door":                     {atDry1, func() *Conditions { c := calm(39, 43, 15); c.DoorShut = false; return c }, 0, 0},
		"last dry: driest of the first lot at 6.25":  {atDry3, func() *Conditions { c := calm(9, 49, 5); c.Lots[0].Driest = sureOf(6.25); return c }, 12 * time.Hour, ByMoisture},
		"last dry: driest of the second lot at 6.75": {atDry3, func() *Conditions { c := calm(9, 49, 5); c.Lots[1].Driest = sureOf(6.75); return c }, 12 * time.Hour, ByMoisture},
		"last dry: driest there, the wettest lot uncertain": {atDry3, func() *Conditions {
			c := calm(9, 49, 5)
			c.Lots[0].Driest, c.Charge.Sigma = sureOf(6.25), 2.6
			return c
		}, 0, 0},
		"last dry: nobody dry yet": {atDry3, func() *Conditions { c := calm(12, 49, 5); c.Lots[0].Driest = sureOf(8.3); return c }, 0, 0},
		"last dry: driest not known": {atDry3, func() *Conditions {
			c := calm(5, 49, 5)
			c.Lots[0].Driest.Valid, c.Lots[1].Driest.Valid = false, false
			return c
		}, 0, 0},
		"equalize: wettest of every lot near its target": {atEqualize, func() *Conditions { return calm(7, 49, 7) }, 6 * time.Hour, ByMoisture},
		"equalize: one wet sample":                       {atEqualize, func() *Conditions { c := calm(7, 49, 7); c.Lots[1].Wettest = sureOf(10.6); return c }, 0, 0},
		"condition: time":                                {atCondition, func() *Conditions { return calm(8, 49, 11) }, 20 * time.Hour, ByTime},
		"condition: too dry":                             {atCondition, func() *Conditions { return calm(8, 49, 9.9) }, 30 * 24 * time.Hour, ByTime},
		"heat: exposure":                                 {atHeat, func() *Conditions { return calm(8, 65, 7) }, 30 * time.Minute, ByExposure},
		"heat: one core too cold":                        {atHeat, func() *Conditions { c := calm(8, 65, 7); c.ColdestCore = 56.99; return c }, 0, 0},
		"heat: too few cores":                            {atHeat, func() *Conditions { c := calm(8, 65, 7); c.CoreCount = 1; return c }, 0, 0},
		"heat: no airflow":                               {atHeat, func() *Conditions { c := calm(8, 65, 7); c.Airflow = false; return c }, 0, 0},
		"cool: dwell":                                    {atCool, func() *Conditions { return calm(8, 30, 7) }, 2 * time.Hour, ByCooling},
		"cool: core hot":                                 {atCool, func() *Conditions { c := calm(8, 30, 7); c.HottestCore = 40; return c }, 0, 0},
		"cool: cold outside":                             {atCool, func() *Conditions { c := calm(8, 30, 7); c.Outdoor = 9; return c }, 0, 0},
		"cool: too moist for a person":                   {atCool, func() *Conditions { c := calm(8, 30, 7); c.WetBulb = 30; return c }, 0, 0},
		"cool: no cores, air cool enough":                {atCool, func() *Conditions { c := calm(8, 34, 7); c.CoreCount = 0; return c }, 2 * time.Hour, ByCooling},
		"cool: no cores, air too warm":                   {atCool, func() *Conditions { c := calm(8, 35, 7); c.CoreCount = 0; return c }, 0, 0},
		"cool: outdoor not known, too warm":              {atCool, func() *Conditions { c := calm(8, 30, 7); c.OutdoorOK = false; return c }, 0, 0},
		"cool: outdoor not known, cool":                  {atCool, func() *Conditions { c := calm(8, 29, 7); c.OutdoorOK = false; return c }, 2 * time.Hour, ByCooling},
	} {
		t.Run(name, func(t *testing.T) {
			plan := oakPlan()
			run := at(plan, tt.stage)
			c := tt.c()
			in := Input{Elapsed: time.Minute, Conditions: c} // nothing gets durable
			var out SetPoints
			limit := tt.after
			if limit == 0 {
				limit = 29 * 24 * time.Hour
			}
			for range int(limit/time.Minute) - 1 {
				Step(plan, &run, &in, &out)
				require.False(t, run.Next.Wanted, "after %v", run.InStage)
			}
			if tt.after == 0 {
				return
			}
			for range 2 {
				Step(plan, &run, &in, &out)
			}
			require.Equal(t, Change{true, int8(tt.stage) + 1, tt.cause}, run.Next)
			Step(plan, &run, &in, &out)
			require.Equal(t, int8(tt.stage), run.Stage, "not before it is durable")
			in.Durable, in.Quiet = true, true
			Step(plan, &run, &in, &out)
			require.Equal(t, int8(tt.stage), run.Stage, "not while no stage may change")
			in.Quiet, in.Hold = false, HoldSuspicious
			Step(plan, &run, &in, &out)
			require.Equal(t, int8(tt.stage), run.Stage, "not while held")
			in.Hold = 0
			Step(plan, &run, &in, &out)
			require.False(t, run.Next.Wanted)
			if tt.stage == atCool {
				require.Equal(t, Done, run.Phase)
				require.False(t, out.Active)
				require.True(t, out.DoorRelease)
				return
			}
			require.Equal(t, int8(tt.stage)+1, run.Stage)
			require.LessOrEqual(t, run.InStage, time.Minute)
		})
	}
}

func TestABreakInTheMoistureStartsItsTimeAgain(t *testing.T) {
	plan := oakPlan()
	run := at(plan, atDry1)
	run.InStage = 100 * time.Hour
	runFor(plan, &run, calm(39, 43, 15), 5*time.Hour)
	runFor(plan, &run, calm(41, 43, 15), time.Minute)
	require.Zero(t, run.Below)
	runFor(plan, &run, calm(39, 43, 15), 5*time.Hour)
	require.Equal(t, int8(atDry1), run.Stage)
	runFor(plan, &run, calm(39, 43, 15), 62*time.Minute)
	require.Equal(t, int8(atDry2), run.Stage)
}

// The driest sample over-dries while it waits, so an hour is enough for it.
func TestEqualizingBeginsSoon(t *testing.T) {
	plan := oakPlan()
	run := at(plan, atDry3)
	run.InStage = 100 * time.Hour
	c := calm(9, 49, 5)
	c.Lots[0].Driest = sureOf(6.2)
	runFor(plan, &run, c, 59*time.Minute)
	require.Equal(t, int8(atDry3), run.Stage)
	runFor(plan, &run, c, 2*time.Minute)
	require.Equal(t, int8(atEqualize), run.Stage)
}

// A sample whose dry weight was reckoned too low reads too wet for ever: once it loses no more weight, it holds nothing up.
func TestSamplesAtRestHoldNothingUp(t *testing.T) {
	plan := oakPlan()
	run := at(plan, atEqualize)
	c := calm(7, 49, 7)
	c.Lots[0].Wettest = sureOf(9.5)
	runFor(plan, &run, c, 96*time.Hour)
	require.Equal(t, int8(atEqualize), run.Stage)
	runFor(plan, &run, c, 7*time.Hour)
	require.Equal(t, int8(atCondition), run.Stage)

	run = at(plan, atEqualize)
	for range 60 { // still drying, 0.1 points a day
		runFor(plan, &run, c, 24*time.Hour)
		c.Lots[0].Wettest.Value -= 0.02
		if c.Lots[0].Wettest.Value < 8.7 {
			break
		}
		c.Lots[0].Wettest.Value -= 0.08
		require.Equal(t, int8(atEqualize), run.Stage, "at %v", c.Lots[0].Wettest.Value)
	}

	run = at(plan, atEqualize)
	c.Lots[0].Wettest = sureOf(10.1)
	runFor(plan, &run, c, 300*time.Hour)
	require.Equal(t, int8(atEqualize), run.Stage, "no dry weight is that wrong")
	c.Lots[0].Wettest, c.Lots[0].Mean = sureOf(9.5), sureOf(8.1)
	runFor(plan, &run, c, 300*time.Hour)
	require.Equal(t, int8(atEqualize), run.Stage, "the lot itself is not there")

	run = at(plan, atDry3)
	c = calm(9, 49, 5.5)
	c.Lots[0].Driest = sureOf(6.6)
	runFor(plan, &run, c, 96*time.Hour)
	require.Equal(t, int8(atDry3), run.Stage)
	runFor(plan, &run, c, 2*time.Hour)
	require.Equal(t, int8(atEqualize), run.Stage)
	require.Zero(t, run.AtRest)
}

func TestExposure(t *testing.T) {
	hot, cold := calm(8, 65, 7), calm(8, 65, 7)
	cold.ColdestCore = 50
	lost := calm(8, 65, 7)
	lost.CoreCount = 2
	step := func(plan *Plan, run *Run, c *Conditions, ticks int) {
		in, out := Input{Elapsed: tick, Conditions: c}, SetPoints{}
		for range ticks {
			Step(plan, run, &in, &out)
			require.Equal(t, c == hot || (c == lost && run.Cores == 2), out.Counting)
		}
	}
	plan := oakPlan()
	run := at(plan, atHeat)
	step(plan, &run, hot, 600)
	require.Equal(t, 600*time.Second, run.Exposure)
	step(plan, &run, cold, 60)
	require.Equal(t, 600*time.Second, run.Exposure, "a dip of 60 s is not counted and breaks nothing")
	step(plan, &run, hot, 1)
	step(plan, &run, cold, 61)
	require.Zero(t, run.Exposure, "a longer one breaks it")

	step(plan, &run, hot, 600)
	step(plan, &run, lost, 61)
	require.Zero(t, run.Exposure, "a core probe that is lost breaks it")
	step(plan, &run, lost, 10)
	require.Equal(t, 10*time.Second, run.Exposure, "the count begins again with those that remain")

	run.Exposure = 10 * time.Minute
	var out SetPoints
	Step(plan, &run, &Input{Elapsed: 2 * tick, Stall: 61 * time.Second, Conditions: hot}, &out)
	require.Zero(t, run.Exposure, "so does a stall")

	plan.Schedule.Stages[atHeat].Unbroken = false
	run = at(plan, atHeat)
	step(plan, &run, hot, 600)
	step(plan, &run, cold, 3600)
	step(plan, &run, hot, 10)
	require.Equal(t, 610*time.Second, run.Exposure, "a cumulative exposure pauses")
	run.Hold = HoldOperator
	Step(plan, &run, &Input{Elapsed: tick, Conditions: hot}, &out)
	require.Equal(t, 610*time.Second, run.Exposure, "and is never counted while held")
	require.False(t, out.Counting)
}

func TestRestartTakesBackWhatMustBeUnbroken(t *testing.T) {
	plan := oakPlan()
	run := at(plan, atHeat)
	run.Exposure, run.Below, run.InStage, run.AtPoints = time.Minute, time.Hour, 2*time.Hour, time.Hour
	Restart(plan, &run)
	require.Zero(t, run.Exposure)
	require.Zero(t, run.Below)
	require.False(t, run.Started)
	require.Equal(t, 2*time.Hour, run.InStage)
	require.Equal(t, time.Hour, run.AtPoints)

	plan.Schedule.Stages[atHeat].Unbroken = false
	run = at(plan, atHeat)
	run.Exposure = time.Minute
	Restart(plan, &run)
	require.Equal(t, time.Minute, run.Exposure)
	Restart(nil, &run)
	require.Zero(t, run.Exposure, "without its plan nothing is believed")
}

func TestRestartCarriesOutWhatWasDecided(t *testing.T) {
	plan := oakPlan()
	run := at(plan, atHeat)
	run.Exposure, run.InStage, run.Next = time.Hour, 5*time.Hour, Change{true, atHeat + 1, ByExposure}
	Restart(plan, &run)
	require.Equal(t, int8(atHeat+1), run.Stage, "the operator may have seen it")
	require.False(t, run.Next.Wanted)
	require.Zero(t, run.InStage)
	run.Next = Change{true, int8(len(plan.Schedule.Stages)), ByCooling}
	Restart(plan, &run)
	require.Equal(t, Done, run.Phase)
}

func TestAfterALongOutageOnlyAnOperatorLeavesAStage(t *testing.T) {
	plan, c := oakPlan(), calm(39, 43, 15)
	for _, cause := range []Cause{ByMoisture, ByOperatorBack, ByOperatorAdvance} {
		run := at(plan, atDry1)
		next := int8(atDry1 + 1)
		if cause == ByOperatorBack {
			next = atDry1 - 1
		}
		run.Next = Change{true, next, cause}
		in, out := Input{Elapsed: time.Second, Conditions: c, Durable: true, Stay: true}, SetPoints{}
		Step(plan, &run, &in, &out)
		require.Equal(t, cause == ByMoisture, run.Stage == atDry1, cause)
		in.Stay = false
		Step(plan, &run, &in, &out)
		require.Equal(t, next, run.Stage, cause)
	}
	// Time and set points go on meanwhile.
	run := at(plan, atDry1)
	run.DryBulb = plan.Schedule.Stages[atDry1].DryBulb - 5
	before := run
	in, out := Input{Elapsed: time.Minute, Conditions: c, Stay: true}, SetPoints{}
	Step(plan, &run, &in, &out)
	require.Greater(t, run.DryBulb, before.DryBulb)
	require.Greater(t, run.InStage, before.InStage)
}

func TestAHoldFreezesTheStage(t *testing.T) {
	plan := oakPlan()
	run := at(plan, atDry1)
	require.True(t, HoldOn(&run).OK())
	before := run
	out := runFor(plan, &run, calm(39, 43, 15), 48*time.Hour)
	require.Equal(t, before.InStage, run.InStage)
	require.Zero(t, run.Below)
	require.Equal(t, before.DryBulb, out.DryBulb)
	require.Equal(t, before.EMC, out.EMC)
	require.NotZero(t, out.Permit&PermitCompressor, "the air is kept at the frozen set points")

	// Air that cools takes the set points along, never further than 2 K, and the ramp goes on from there.
	out = runFor(plan, &run, calm(39, 30, 20), 2*time.Hour)
	require.InDelta(t, 32, float64(out.DryBulb), 0.01)
	require.InDelta(t, 19, float64(out.EMC), 0.01)
	require.True(t, HoldOff(&run).OK())
	out = runFor(plan, &run, calm(39, 31, 19), time.Hour)
	require.InDelta(t, 34, float64(out.DryBulb), 0.05)
	require.InDelta(t, 18, float64(out.EMC), 0.05)
}

func TestPermits(t *testing.T) {
	const all = PermitFans
	for name, tt := range map[string]struct {
		stage int
		c     *Conditions
		hold  Hold
		want  Permit
	}{
		"preheat":               {atPreheat, calm(70, 43, 17), 0, all | PermitCompressor | PermitHeat | PermitReversal},
		"dry":                   {atDry1, calm(70, 43, 15), 0, all | PermitCompressor | PermitVent | PermitReversal},
		"dry, too cold":         {atDry1, calm(70, 40, 15), 0, all | PermitCompressor | PermitVent | PermitReversal | PermitHeat},
		"dry under 20":          {atDry2, calm(19, 46, 10), 0, all | PermitCompressor | PermitVent | PermitReversal | PermitVentDry},
		"equalize":              {atEqualize, calm(9, 49, 7), 0, all | PermitCompressor | PermitVent | PermitVentDry | PermitReversal | PermitHeat | PermitSpray},
		"condition":             {atCondition, calm(9, 49, 11), 0, all | PermitHeat | PermitVent | PermitSpray | PermitReversal},
		"heat, cores still low": {atHeat, calm(9, 50, 7), 0, all | PermitHeat | PermitReversal},
		"heat, counting":        {atHeat, calm(9, 65, 7), 0, all | PermitHeat},
		"cool":                  {atCool, calm(9, 50, 7), 0, all | PermitVent | PermitReversal},
		"outage":                {atDry1, calm(70, 43, 15), HoldOutage, all},
		"files":                 {atEqualize, calm(9, 49, 7), HoldFiles, all},
		"air":                   {atHeat, calm(9, 65, 7), HoldAir, all},
		"door":                  {atHeat, calm(9, 65, 7), HoldDoor, all},
		"trip":                  {atDry1, calm(70, 43, 15), HoldTrip, all | PermitVent},
		"operator":              {atCondition, calm(9, 49, 11), HoldOperator, all | PermitHeat | PermitVent | PermitSpray | PermitReversal},
	} {
		plan := oakPlan()
		run := at(plan, tt.stage)
		run.Hold = tt.hold & ownHolds
		var out SetPoints
		for range 2 {
			Step(plan, &run, &Input{Elapsed: tick, Conditions: tt.c, Hold: tt.hold}, &out)
		}
		require.Equal(t, tt.want, out.Permit, name)
	}
}

func TestHeatInDryStagesGoesOnUntilTheAirIsWarm(t *testing.T) {
	plan := oakPlan()
	run := at(plan, atDry1)
	permitted := func(dryBulb quantity.Celsius) bool {
		out := runFor(plan, &run, calm(70, dryBulb, 15), time.Minute)
		return out.Permit&PermitHeat != 0
	}
	require.False(t, permitted(41.5))
	require.True(t, permitted(40.9))
	require.True(t, permitted(42.5))
	require.False(t, permitted(42.9))
	require.False(t, permitted(41.5))
}

func TestFanSpeedFollowsMoisture(t *testing.T) {
	plan := oakPlan()
	for mc, want := range map[float64]float64{80: 1, 40: 1, 30: 0.8, 20: 0.6, 8: 0.6} {
		run := at(plan, atDry2)
		out := runFor(plan, &run, calm(mc, 46, 10), time.Minute)
		require.InDelta(t, want, float64(out.FanSpeed), 1e-9, "%v %%", mc)
	}
	for _, stage := range []int{atPreheat, atEqualize, atCondition, atHeat, atCool} {
		run := at(plan, stage)
		require.EqualValues(t, 1, runFor(plan, &run, calm(8, 46, 10), time.Minute).FanSpeed)
	}
}

func TestGreenWoodCapsTheDryBulb(t *testing.T) {
	plan := oakPlan()
	run := at(plan, atDry2) // 46 C
	require.EqualValues(t, 45, runFor(plan, &run, calm(31, 46, 10), time.Minute).DryBulb)
	c := calm(25, 46, 10)
	c.Lots[0].Control.Valid = false
	run = at(plan, atDry2)
	require.EqualValues(t, 45, runFor(plan, &run, c, time.Minute).DryBulb, "what is not known is taken for green")
	run = at(plan, atDry2)
	require.EqualValues(t, 46, runFor(plan, &run, calm(25, 46, 10), time.Minute).DryBulb)
}

func TestLotsThatAreDoneWait(t *testing.T) {
	plan := oakPlan()
	plan.Schedule.Stages[atDry2].EMC = 5.5
	run := at(plan, atDry2)
	c := calm(28, 46, 6)
	c.Lots[1].Driest = sureOf(6.7) // target 7.5
	out := runFor(plan, &run, c, 3*time.Hour)
	require.InDelta(t, 6.75, float64(out.EMC), 0.01)
	c.Lots[1].Driest.Valid = false
	out = runFor(plan, &run, c, 3*time.Hour)
	require.InDelta(t, 6.75, float64(out.EMC), 0.01, "losing the sample changes nothing")
	c.Lots[1].Driest = sureOf(7.1)
	out = runFor(plan, &run, c, 3*time.Hour)
	require.InDelta(t, 5.5, float64(out.EMC), 0.01)
}

// The limit: the published rate at 45 % and over, half as much again at 25 %, none under 20 %; the windows 3, 12 and 24 h at
// 1.5, 1.2 and 1 times that; common practice, no source.
func TestRateGuardLimits(t *testing.T) {
	lot := &Lot{RateLimit: 4}
	for mc, want := range map[float64]float64{80: 4, 45: 4, 35: 5, 25: 6, 22: 6, 19.9: 0} {
		require.InDelta(t, want, rateLimit(lot, sureOf(mc)), 1e-9, "%v %%", mc)
	}
	require.EqualValues(t, 4, rateLimit(lot, Belief{Value: 10}), "unknown moisture is judged as green")

	plan := oakPlan()
	run := at(plan, atDry1)
	over := func(set func(*LotCondition)) float64 {
		c := calm(60, 43, 15)
		set(&c.Lots[0])
		share, _ := RateOver(plan, &run, c)
		return share
	}
	require.InDelta(t, 1, over(func(l *LotCondition) { l.Rate3h = sureOf(3.8 * 1.5) }), 1e-9)
	require.InDelta(t, 1, over(func(l *LotCondition) { l.Rate12h = sureOf(3.8 * 1.2) }), 1e-9)
	require.InDelta(t, 1, over(func(l *LotCondition) { l.Rate24h = sureOf(3.8) }), 1e-9)
	require.InDelta(t, 1, over(func(l *LotCondition) { l.Rate = sureOf(3.8) }), 1e-9, "the filter's rate while there is no day of weights")
	run.Shell = 71 * time.Hour
	require.InDelta(t, 1, over(func(l *LotCondition) { l.Rate24h = sureOf(3.8 * 1.5) }), 1e-9, "milder while the shell dries off")
}

func TestRateGuardTightensAndLetsGo(t *testing.T) {
	plan := oakPlan()
	plan.Schedule.Stages[atDry1].UntilMC = 40
	run := at(plan, atDry1)
	fast := calm(60, 43, 15)
	fast.Lots[0].Rate24h = sureOf(6)
	out := runFor(plan, &run, fast, 3*time.Hour+time.Minute)
	require.EqualValues(t, 1, out.GuardBias)
	out = runFor(plan, &run, fast, 3*time.Hour)
	require.EqualValues(t, 2, out.GuardBias)
	require.InDelta(t, 16, float64(out.EMC), 0.05)
	out = runFor(plan, &run, fast, 12*time.Hour)
	require.LessOrEqual(t, float64(out.EMC), 20.1, "95 % RH at 43 C is an EMC of about 21")
	require.Less(t, float64(out.DutyCap), 1.0001)
	out = runFor(plan, &run, fast, 20*time.Hour)
	require.NotZero(t, run.Hold&HoldRate, "at its end the guard holds")
	require.Zero(t, out.Permit&(PermitCompressor|PermitHeat|PermitVentDry))
	require.EqualValues(t, 0.25, out.DutyCap)

	slow := calm(60, 43, 15)
	slow.Lots[0].Rate24h = sureOf(2)
	runFor(plan, &run, slow, 5*time.Hour)
	require.NotZero(t, run.Hold&HoldRate, "a lot whose rate is not known keeps the guard where it is")
	slow.Lots[1].Rate24h = sureOf(2)
	out = runFor(plan, &run, slow, 2*time.Hour)
	require.Zero(t, run.Hold)
	bias := out.GuardBias
	out = runFor(plan, &run, slow, 12*time.Hour)
	require.EqualValues(t, 1, out.DutyCap)
	require.Equal(t, bias, out.GuardBias, "duty first")
	out = runFor(plan, &run, slow, 6*time.Hour+time.Minute)
	require.EqualValues(t, bias-0.5, out.GuardBias)

	out = runFor(plan, &run, calm(19, 43, 15), 11*time.Hour)
	require.Zero(t, out.GuardBias, "nothing is left of it under 20 %")
}

func TestRateGuardNeverHoldsInTheFirstDays(t *testing.T) {
	plan := oakPlan()
	run := at(plan, atDry1)
	run.Shell = 0
	fast := calm(70, 43, 15)
	fast.Lots[0].Rate24h = sureOf(20)
	runFor(plan, &run, fast, 71*time.Hour)
	require.Zero(t, run.Hold)
	require.Positive(t, float64(run.Bias))
}

// The last dry stage must be able to end, whatever the guard asks.
func TestTheLastDryStageStaysUnderTheTarget(t *testing.T) {
	plan := oakPlan()
	run := at(plan, atDry3)
	run.Bias = 5
	c := calm(30, 49, 5)
	c.Lots[0].Rate24h = sureOf(20)
	out := runFor(plan, &run, c, 24*time.Hour)
	require.LessOrEqual(t, float64(out.EMC), 7-1.5)
}

func TestAGentleRestartDriesSlowly(t *testing.T) {
	plan := oakPlan()
	run := at(plan, atDry1)
	run.EMC = 20
	var out SetPoints
	for range 60 {
		Step(plan, &run, &Input{Elapsed: time.Minute, Conditions: calm(60, 43, 20), Gentle: true}, &out)
	}
	require.InDelta(t, 19.5, float64(out.EMC), 1e-6)
}

func TestOverdueIsTold(t *testing.T) {
	plan := oakPlan()
	plan.Schedule.Stages[atEqualize].MaxTime = 2 * time.Hour
	run := at(plan, atEqualize)
	c := calm(12, 49, 7)
	runFor(plan, &run, c, 2*time.Hour)
	require.False(t, run.Overdue)
	runFor(plan, &run, c, time.Minute)
	require.True(t, run.Overdue)
	runFor(plan, &run, c, 100*time.Hour)
	require.Equal(t, int8(atEqualize), run.Stage, "it asks, it does not go on by itself")
}

// Phase and stage by operation: what is refused, and why.
func TestEveryPhaseAndOperation(t *testing.T) {
	plan := oakPlan()
	c := calm(41, 43, 15)
	states := map[string]func() Run{
		"idle":    func() Run { return Run{} },
		"done":    func() Run { return Run{Phase: Done, Stage: atCool} },
		"first":   func() Run { return at(plan, atPreheat) },
		"dry":     func() Run { return at(plan, atDry1) },
		"last":    func() Run { return at(plan, atCool) },
		"held":    func() Run { r := at(plan, atDry1); r.Hold = HoldOperator; return r },
		"tripped": func() Run { r := at(plan, atDry1); r.Hold = HoldTrip; return r },
		"pending": func() Run { r := at(plan, atDry1); r.Next = Change{Wanted: true, Stage: 2}; return r },
		"set":     func() Run { r := at(plan, atDry1); r.Override = Override{On: true, Left: time.Hour}; return r },
	}
	operations := map[string]func(*Run) Answer{
		"start":   func(r *Run) Answer { return StartRun(plan, r) },
		"end":     EndRun,
		"hold":    HoldOn,
		"resume":  HoldOff,
		"advance": func(r *Run) Answer { return Advance(plan, r, c) },
		"back":    func(r *Run) Answer { return Back(plan, r) },
		"set": func(r *Run) Answer {
			return SetOverride(plan, r, c, Override{HasDryBulb: true, DryBulb: 40, Left: time.Hour}, Envelope{DryBulbMax: 49, EMCMin: 5})
		},
		"unset": ClearOverride,
	}
	const ok = NotRefused
	want := map[string]map[string]Refusal{
		"idle":    {"start": ok, "end": RefusedNoRun, "hold": RefusedNoRun, "resume": RefusedNoRun, "advance": RefusedNoRun, "back": RefusedNoRun, "set": RefusedNoRun, "unset": RefusedNoRun},
		"done":    {"start": RefusedRunning, "end": ok, "hold": RefusedNoRun, "resume": RefusedNoRun, "advance": RefusedNoRun, "back": RefusedNoRun, "set": RefusedNoRun, "unset": RefusedNoRun},
		"first":   {"start": RefusedRunning, "end": ok, "hold": ok, "resume": RefusedNothing, "advance": ok, "back": RefusedFirstStage, "set": ok, "unset": RefusedNothing},
		"dry":     {"start": RefusedRunning, "end": ok, "hold": ok, "resume": RefusedNothing, "advance": ok, "back": ok, "set": ok, "unset": RefusedNothing},
		"last":    {"start": RefusedRunning, "end": ok, "hold": ok, "resume": RefusedNothing, "advance": RefusedLastStage, "back": ok, "set": ok, "unset": RefusedNothing},
		"held":    {"start": RefusedRunning, "end": ok, "hold": RefusedHeld, "resume": ok, "advance": RefusedHeld, "back": RefusedHeld, "set": RefusedHeld, "unset": RefusedNothing},
		"tripped": {"start": RefusedRunning, "end": ok, "hold": ok, "resume": RefusedNothing, "advance": RefusedHeld, "back": RefusedHeld, "set": RefusedHeld, "unset": RefusedNothing},
		"pending": {"start": RefusedRunning, "end": ok, "hold": ok, "resume": RefusedNothing, "advance": RefusedPending, "back": RefusedPending, "set": ok, "unset": RefusedNothing},
		"set":     {"start": RefusedRunning, "end": ok, "hold": ok, "resume": RefusedNothing, "advance": ok, "back": ok, "set": ok, "unset": ok},
	}
	for state, make := range states {
		for operation, do := range operations {
			run := make()
			before := run
			got := do(&run)
			require.Equal(t, want[state][operation], got.Refusal, "%s in state %s", operation, state)
			if !got.OK() {
				require.Equal(t, before, run, "a refused %s in state %s changes nothing", operation, state)
			}
		}
	}
}

func TestAdvanceLeavesADryStageOnlyNearItsEnd(t *testing.T) {
	plan := oakPlan()
	run := at(plan, atDry1) // until 40 %
	require.Equal(t, Answer{RefusedLimit, 45.1, 45}, Advance(plan, &run, calm(45.1, 43, 15)))
	c := calm(41, 43, 15)
	c.Charge.Sigma = 3
	require.Equal(t, Answer{RefusedUncertain, 3, 2.5}, Advance(plan, &run, c))
	require.True(t, Advance(plan, &run, calm(45, 43, 15)).OK())
	runFor(plan, &run, calm(45, 43, 15), time.Minute)
	require.Equal(t, int8(atDry2), run.Stage)
	require.True(t, Back(plan, &run).OK())
	runFor(plan, &run, calm(45, 43, 15), time.Minute)
	require.Equal(t, int8(atDry1), run.Stage)
}

func TestOverrideStaysInTheEnvelopeAndExpires(t *testing.T) {
	plan := oakPlan()
	kiln := Envelope{DryBulbMax: 49, EMCMin: 5}
	run := at(plan, atDry1)
	c := calm(60, 43, 15)
	for _, tt := range []struct {
		o    Override
		want Answer
	}{
		{Override{HasDryBulb: true, DryBulb: 46, Left: time.Hour}, Answer{RefusedLimit, 46, 45}},
		{Override{HasDryBulb: true, DryBulb: 4, Left: time.Hour}, Answer{RefusedLimit, 4, 5}},
		{Override{HasEMC: true, EMC: 12.9, Left: time.Hour}, Answer{RefusedLimit, 12.9, 13}},
		{Override{HasEMC: true, EMC: 25, Left: time.Hour}, Answer{RefusedLimit, 25, 24}},
		{Override{HasEMC: true, EMC: 14}, Answer{RefusedLimit, 0, 172800}},
		{Override{HasEMC: true, EMC: 14, Left: 49 * time.Hour}, Answer{RefusedLimit, 176400, 172800}},
		{Override{Left: time.Hour}, Answer{Refusal: RefusedNothing}},
	} {
		require.Equal(t, tt.want, SetOverride(plan, &run, c, tt.o, kiln))
		require.Zero(t, run.Override)
	}
	require.True(t, SetOverride(plan, &run, c, Override{HasDryBulb: true, DryBulb: 40, HasEMC: true, EMC: 14, Left: 2 * time.Hour}, kiln).OK())
	out := runFor(plan, &run, c, 119*time.Minute)
	require.True(t, out.Override)
	require.InDelta(t, 40, float64(out.DryBulb), 0.01)
	require.InDelta(t, 14, float64(out.EMC), 0.01)
	require.EqualValues(t, 43, out.BaseDryBulb)
	out = runFor(plan, &run, c, time.Minute)
	require.False(t, out.Override)
	out = runFor(plan, &run, c, 2*time.Hour)
	require.InDelta(t, 43, float64(out.DryBulb), 0.01)
}

func TestNamesRoundTrip(t *testing.T) {
	run := at(oakPlan(), atHeat)
	run.Hold, run.Next = HoldOperator|HoldDoor, Change{true, 7, ByOperatorAdvance}
	text, err := json.Marshal(run)
	require.NoError(t, err)
	require.Contains(t, string(text), `"Phase":"running"`)
	require.Contains(t, string(text), `"Hold":"operator+door"`)
	require.Contains(t, string(text), `"Cause":"operator_advance"`)
	var back Run
	require.NoError(t, json.Unmarshal(text, &back))
	require.Equal(t, run, back)
	for _, bad := range []string{`{"Phase":"sleeping"}`, `{"Hold":"operator+moon"}`, `{"Next":{"Cause":"magic"}}`, `{"Phase":1}`} {
		require.Error(t, json.Unmarshal([]byte(bad), &back), bad)
	}
	for i := range causeCount {
		var c Cause
		b, _ := i.MarshalText()
		require.NoError(t, c.UnmarshalText(b))
		require.Equal(t, i, c)
	}
	for i := range refusalCount {
		require.NotContains(t, i.String(), "unknown")
	}
	require.Equal(t, "none", Hold(0).String())
	require.Len(t, HoldNames(), 8)
}

func BenchmarkStep(b *testing.B) {
	plan := oakPlan()
	plan.Lots = append(plan.Lots, plan.Lots[0])
	run := at(plan, atDry1)
	run.Bias = 1
	c := calm(60, 43, 15)
	for i := range 3 {
		c.Lots[i].Control, c.Lots[i].Rate24h = sureOf(60), sureOf(3)
	}
	in, out := Input{Elapsed: tick, Conditions: c}, SetPoints{}
	b.ReportAllocs()
	for b.Loop() {
		Step(plan, &run, &in, &out)
	}
}
