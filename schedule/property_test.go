package schedule

import (
	"encoding/json"
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"drywarden/hardware/quantity"
)

func drawBelief(t *rapid.T, name string, low, high float64) Belief {
	return Belief{Value: rapid.Float64Range(low, high).Draw(t, name), Sigma: rapid.Float64Range(0, 4).Draw(t, name+" sigma"),
		Valid: rapid.Float64Range(0, 1).Draw(t, name+" valid") < 0.9}
}

func mostly(t *rapid.T, name string) bool { return rapid.IntRange(0, 19).Draw(t, name) > 0 }

func drawConditions(t *rapid.T) *Conditions {
	c := &Conditions{
		DryBulb: quantity.Celsius(rapid.Float64Range(-10, 75).Draw(t, "dry bulb")), DryBulbOK: mostly(t, "dry bulb ok"),
		EMC: quantity.MoistureContent(rapid.Float64Range(2, 27).Draw(t, "emc")), EMCOK: mostly(t, "emc ok"),
		Held: !mostly(t, "held"), Outdoor: 10, OutdoorOK: mostly(t, "outdoor"), Airflow: mostly(t, "airflow"), DoorShut: mostly(t, "door"),
		CoreCount: rapid.IntRange(0, 4).Draw(t, "cores"), ColdestCore: quantity.Celsius(rapid.Float64Range(20, 65).Draw(t, "coldest")),
		Charge: drawBelief(t, "charge", 4, 90),
	}
	c.WetBulb = c.DryBulb - 5
	c.HottestCore = c.ColdestCore + 3
	for i := range 2 {
		mc := rapid.Float64Range(4, 90).Draw(t, "mc")
		c.Lots[i] = LotCondition{Control: drawBelief(t, "control", mc, mc+1), Mean: drawBelief(t, "mean", mc-1, mc), Driest: drawBelief(t, "driest", mc-3, mc),
			Wettest: drawBelief(t, "wettest", mc, mc+3), Rate: drawBelief(t, "rate", -1, 8), Rate3h: drawBelief(t, "3h", -1, 12),
			Rate12h: drawBelief(t, "12h", -1, 8), Rate24h: drawBelief(t, "24h", -1, 8)}
	}
	return c
}

func drawHold(t *rapid.T) Hold {
	if mostly(t, "not held") {
		return 0
	}
	return 1 << rapid.IntRange(0, 7).Draw(t, "hold")
}

// reach drives a run through drawn conditions and operations into some state, and calls check after every Step.
func reach(t *rapid.T, plan *Plan, check func(before, after *Run, in *Input, out *SetPoints)) Run {
	var run Run
	require.True(t, StartRun(plan, &run).OK())
	if s := rapid.IntRange(0, len(plan.Schedule.Stages)-1).Draw(t, "stage"); rapid.Bool().Draw(t, "inside") {
		run = at(plan, s)
		run.InStage = time.Duration(rapid.IntRange(0, 100).Draw(t, "hours in stage")) * time.Hour
		run.Shell = time.Duration(rapid.IntRange(0, 100).Draw(t, "shell")) * time.Hour
		run.Below = time.Duration(rapid.IntRange(0, 7).Draw(t, "below")) * time.Hour
		run.GuardTime = time.Duration(rapid.IntRange(0, 8).Draw(t, "guard time")) * time.Hour
		run.Bias = quantity.MoistureContent(rapid.IntRange(0, 10).Draw(t, "bias")) / 2
		run.DryBulb = quantity.Celsius(rapid.Float64Range(5, 65).Draw(t, "set dry bulb"))
		run.EMC = quantity.MoistureContent(rapid.Float64Range(3, 24).Draw(t, "set emc"))
	}
	for range rapid.IntRange(1, 6).Draw(t, "episodes") {
		c := drawConditions(t)
		switch rapid.IntRange(0, 9).Draw(t, "operation") {
		case 0:
			HoldOn(&run)
		case 1:
			HoldOff(&run)
		case 2:
			Advance(plan, &run, c)
		case 3:
			Back(plan, &run)
		case 4:
			SetOverride(plan, &run, c, Override{HasDryBulb: true, DryBulb: quantity.Celsius(rapid.Float64Range(0, 60).Draw(t, "own")),
				HasEMC: true, EMC: quantity.MoistureContent(rapid.Float64Range(0, 30).Draw(t, "own emc")), Left: time.Hour}, Envelope{60, 5})
		case 5:
			Restart(plan, &run)
		}
		in := Input{Elapsed: 2 * time.Second, Conditions: c, Hold: drawHold(t), Quiet: !mostly(t, "loud"), Durable: rapid.Bool().Draw(t, "durable"),
			Gentle: !mostly(t, "usual"), Stay: !mostly(t, "steady")}
		if rapid.IntRange(0, 9).Draw(t, "stall") == 0 {
			in.Stall = time.Duration(rapid.IntRange(1, 100).Draw(t, "stalled")) * time.Second
		}
		for range rapid.IntRange(1, 40).Draw(t, "ticks") {
			before := run
			var out SetPoints
			Step(plan, &run, &in, &out)
			if check != nil {
				check(&before, &run, &in, &out)
			}
		}
	}
	return run
}

func TestWhateverHappens(t *testing.T) {
	plan := oakPlan()
	const tiny = 1e-9
	rapid.Check(t, func(t *rapid.T) {
		var elapsed time.Duration
		reach(t, plan, func(before, after *Run, in *Input, out *SetPoints) {
			elapsed += in.Elapsed
			held := in.Hold&^ownHolds | before.Hold&ownHolds
			// A stage changes by one, only when its change was wanted and durable; back only when an operator asked.
			if after.Stage != before.Stage {
				require.True(t, before.Next.Wanted && in.Durable)
				require.Equal(t, before.Next.Stage, after.Stage)
				require.True(t, after.Stage == before.Stage+1 || before.Next.Cause == ByOperatorBack && after.Stage == before.Stage-1)
				require.Zero(t, held)
				require.False(t, in.Quiet)
				require.False(t, in.Stay && !before.Next.byOperator())
			}
			if !before.Next.Wanted && after.Next.Wanted {
				require.Equal(t, after.Stage+1, after.Next.Stage, "by itself a run only goes on")
				require.Zero(t, after.Hold&^HoldRate)
			}
			require.LessOrEqual(t, after.InStage-before.InStage, in.Elapsed)
			require.LessOrEqual(t, after.Exposure-before.Exposure, in.Elapsed)
			if out.Counting {
				stage := &plan.Schedule.Stages[after.Stage]
				require.Zero(t, held)
				require.True(t, in.Conditions.Airflow && in.Conditions.DoorShut && in.Conditions.ColdestCore >= stage.Core+1 && in.Conditions.CoreCount >= 2)
				require.Equal(t, after.Exposure, before.Exposure+in.Elapsed)
				require.Zero(t, out.Permit&PermitReversal)
			}
			require.GreaterOrEqual(t, float64(after.Bias), 0.0)
			require.LessOrEqual(t, float64(after.Bias), 5.0)
			require.True(t, after.DutyCap >= 0.25 && after.DutyCap <= 1)
			if !out.Active {
				return
			}
			stage := &plan.Schedule.Stages[out.Stage]
			hours := in.Elapsed.Hours()
			require.True(t, out.EMC >= minEMC && out.EMC <= maxEMC)
			require.LessOrEqual(t, float64(out.DryBulb), float64(max(plan.dryBulbCap(stage, in.Conditions), restDryBulb)))
			if before.Started && after.Started {
				require.LessOrEqual(t, float64(out.DryBulb-before.DryBulb), float64(stage.RampDryBulb)*hours+tiny, "no faster up than the ramp")
				require.LessOrEqual(t, float64(before.EMC-out.EMC), float64(stage.RampEMCDown)*hours+tiny)
				require.LessOrEqual(t, float64(out.EMC-before.EMC), float64(stage.RampEMCUp)*hours+tiny)
				frozen := held != 0 || in.Quiet || in.Conditions.Held || !in.Conditions.DryBulbOK || !in.Conditions.EMCOK
				if frozen {
					require.LessOrEqual(t, float64(out.DryBulb), float64(before.DryBulb)+tiny)
					require.GreaterOrEqual(t, float64(out.EMC), float64(before.EMC)-tiny)
				} else if out.DryBulb < before.DryBulb && float64(out.DryBulb) < float64(plan.dryBulbCap(stage, in.Conditions)) {
					require.LessOrEqual(t, float64(before.DryBulb-out.DryBulb), float64(stage.RampDryBulb)*hours+tiny)
				}
			}
			for _, x := range []float64{float64(out.DryBulb), float64(out.EMC), float64(out.FanSpeed), float64(out.GuardBias)} {
				require.False(t, math.IsNaN(x) || math.IsInf(x, 0))
			}
			switch {
			case out.Kind == Heat || out.Kind == Condition || out.Kind == Cool:
				require.Zero(t, out.Permit&(PermitCompressor|PermitVentDry))
			case out.Kind != Equalize:
				require.Zero(t, out.Permit&PermitSpray)
			}
			require.False(t, out.Permit&PermitSpray != 0 && out.Kind != Condition && out.Kind != Equalize)
		})
	})
}

// One step with an input lost, against the same step with it: never more heat, never drier air, nothing permitted that
// was not.
func TestFailGentle(t *testing.T) {
	plan := oakPlan()
	losses := map[string]func(c *Conditions, in *Input){
		"dry bulb":             func(c *Conditions, in *Input) { c.DryBulbOK, c.EMCOK, in.Hold = false, false, in.Hold|HoldAir },
		"humidity":             func(c *Conditions, in *Input) { c.EMCOK, in.Hold = false, in.Hold|HoldAir },
		"dry bulb, not held":   func(c *Conditions, in *Input) { c.DryBulbOK = false },
		"humidity, not held":   func(c *Conditions, in *Input) { c.EMCOK = false },
		"outdoor":              func(c *Conditions, _ *Input) { c.OutdoorOK = false },
		"cores":                func(c *Conditions, _ *Input) { c.CoreCount = 0 },
		"moisture of a lot":    func(c *Conditions, _ *Input) { c.Lots[0] = LotCondition{} },
		"moisture of the load": func(c *Conditions, _ *Input) { c.Charge.Valid = false },
		"samples": func(c *Conditions, _ *Input) {
			for i := range c.Lots {
				c.Lots[i].Driest.Valid, c.Lots[i].Wettest.Valid = false, false
			}
		},
		"rates": func(c *Conditions, _ *Input) {
			for i := range c.Lots {
				c.Lots[i].Rate, c.Lots[i].Rate3h, c.Lots[i].Rate12h, c.Lots[i].Rate24h = Belief{}, Belief{}, Belief{}, Belief{}
			}
		},
	}
	rapid.Check(t, func(t *rapid.T) {
		run := reach(t, plan, nil)
		c := drawConditions(t)
		in := Input{Elapsed: 2 * time.Second, Conditions: c, Hold: drawHold(t), Quiet: !mostly(t, "loud"), Durable: true}
		with, whole := run, SetPoints{}
		Step(plan, &with, &in, &whole)
		for name, lose := range losses {
			less, without, poor, out := *c, run, in, SetPoints{}
			poor.Conditions = &less
			lose(&less, &poor)
			Step(plan, &without, &poor, &out)
			if out.Stage != whole.Stage {
				// Held back from a change that was due: the stages differ, and the old one goes no drier.
				require.LessOrEqual(t, float64(out.DryBulb), float64(max(run.DryBulb, restDryBulb))+1e-9, name)
				continue
			}
			require.LessOrEqual(t, float64(out.DryBulb), float64(whole.DryBulb)+1e-9, "dry bulb without %s", name)
			require.GreaterOrEqual(t, float64(out.EMC), float64(whole.EMC)-1e-9, "EMC without %s", name)
			require.Zero(t, out.Permit&^whole.Permit&(PermitHeat|PermitCompressor|PermitVentDry), "permits without %s", name)
			require.LessOrEqual(t, float64(out.DutyCap), float64(whole.DutyCap)+0, name)
			require.LessOrEqual(t, without.Exposure, with.Exposure+0, name)
		}
	})
}

// The same from a saved and loaded run, bit for bit.
func TestSaveLoadStepEqualsStep(t *testing.T) {
	plan := oakPlan()
	rapid.Check(t, func(t *rapid.T) {
		run := reach(t, plan, nil)
		text, err := json.Marshal(run)
		require.NoError(t, err)
		var loaded Run
		require.NoError(t, json.Unmarshal(text, &loaded))
		require.Equal(t, run, loaded)
		in := Input{Elapsed: time.Second, Conditions: drawConditions(t), Hold: drawHold(t), Durable: rapid.Bool().Draw(t, "durable")}
		again := run
		var a, b, c SetPoints
		Step(plan, &run, &in, &a)
		Step(plan, &loaded, &in, &b)
		Step(plan, &again, &in, &c)
		require.Equal(t, run, loaded)
		require.Equal(t, a, b)
		require.Equal(t, run, again)
		require.Equal(t, a, c)
	})
}

func TestStepAllocatesNothing(t *testing.T) {
	plan := oakPlan()
	for stage := range plan.Schedule.Stages {
		run := at(plan, stage)
		in, out := Input{Elapsed: time.Second, Conditions: calm(39, 43, 15)}, SetPoints{}
		require.Zero(t, testing.AllocsPerRun(100, func() { Step(plan, &run, &in, &out) }), "stage %d", stage)
	}
}

// Ticks of any length, the same course: durations and ramps go by elapsed time alone.
func TestTickLengthDoesNotMatter(t *testing.T) {
	plan := oakPlan()
	course := func(step time.Duration) (Run, SetPoints) {
		var run Run
		StartRun(plan, &run)
		in, out := Input{Elapsed: step, Conditions: calm(39, 43, 15)}, SetPoints{}
		for range int(7 * time.Hour / step) {
			Step(plan, &run, &in, &out)
		}
		return run, out
	}
	a, outA := course(time.Second)
	b, outB := course(2 * time.Second)
	require.Equal(t, a.InStage, b.InStage)
	require.InDelta(t, float64(outA.DryBulb), float64(outB.DryBulb), 1e-6)
	require.InDelta(t, float64(outA.EMC), float64(outB.EMC), 1e-6)
}
