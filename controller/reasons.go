package controller

import (
	"time"

	"drywarden/controller/demand"
	"drywarden/controller/sequence"
	"drywarden/hardware"
	"drywarden/schedule"
)

// Codes of the controller itself; those below are demand's and sequence's reasons under the same numbers.
const (
	WhyWarnsBeforeStart WhyCode = WhyCode(sequence.FirstOfController) + iota
	WhyDangerSounds
	WhyQuiet
	WhySomethingMoves
	WhyNothingMoves
	WhySomethingWaits
	WhyNothingWaits
	WhyMayBeOpened
	WhyMayNotBeOpened
	WhyByGate
	WhyVetoed // Rule, Remaining

	WhyNoCharge
	WhyChargeDone
	WhyStageHeld     // Value: reasons (schedule.Hold)
	WhyStageSaving   // the change is being made durable
	WhyStageRestart  // Remaining: steady data wanted after an outage
	WhyStageMoisture // Lot, Value, Limit
	WhyStageSteady   // Lot, Value, Limit, Remaining: must stay there
	WhyStageDwell    // Remaining
	WhyStageRate     // Lot, Value: share of the safe rate in percent
	WhyStageSigma    // Value, Limit
	WhyStageUnknown  // moisture not known
	WhyStageTime     // Remaining
	WhyStagePoints   // the air is not yet at the set points; Value EMC, Limit EMC
	WhyStageExposure // Remaining
	WhyStageCore     // Value coldest core, Limit
	WhyStageCores    // Value cores, Limit
	WhyStageDriest   // Lot, Value, Limit: driest sample
	WhyStageMean     // Lot, Value, Limit: lot mean
	WhyStageWettest  // Lot, Value, Limit: wettest sample
	WhyStageCooling  // Value, Limit
	WhyStageAir      // air invalid, held or door open

	WhyOtherDirection // of a fan output whose opposite is on

	WhyTested      // Remaining: a person tries it
	WhyTestNeeds   // the output under test needs it
	WhyTestOver    // the test is ending
	WhyOtherTested // another output is under test
	whyCount
)

// steadyFor is how long the moisture must stay at a stage's end, as package schedule has it.
const steadyFor = 6 * time.Hour

func whyOf(w demand.Why) Why {
	return Why{Code: WhyCode(w.Code), Probe: hardware.NoProbe, Lot: hardware.NoLot, Value: w.Value, Limit: w.Limit, Remaining: max(w.Remaining, 0)}
}

func plain(code WhyCode) Why { return Why{Code: code, Probe: hardware.NoProbe, Lot: hardware.NoLot} }

// Reasons explains one tick.
type Reasons struct {
	Why   [hardware.OutputCount]Why // why each output is as it is
	Stage Why                       // why the stage is not over
}

// Explain says of each output why it is as it is, and why the stage is not over, from what a Step was given and left. It
// changes nothing: it is apart from Step because a simulation is asked for reasons only now and then.
func Explain(s *State, in *Input, out *Result) Reasons {
	var r Reasons
	if in.Snapshot == nil {
		return r
	}
	t := tick{s: s, in: in, out: out}
	t.reasons(&r)
	return r
}

func (t *tick) reasons(r *Reasons) {
	why, q := &r.Why, &t.out.Sequence
	fan := whyOf(q.FanWhy)
	for o := hardware.FanForward1; o <= hardware.FanReverse4; o++ {
		why[o] = fan
	}
	why[hardware.Compressor], why[hardware.Blower], why[hardware.BlowerLow] = whyOf(q.CompressorWhy), whyOf(q.BlowerWhy), whyOf(q.LowWhy)
	why[hardware.Crankcase], why[hardware.Vent], why[hardware.Spray] = whyOf(q.CrankcaseWhy), whyOf(q.VentWhy), whyOf(q.SprayWhy)
	heat := whyOf(q.HeatWhy)
	why[hardware.Heat1], why[hardware.Heat2], why[hardware.Heat3] = heat, heat, heat
	on := t.out.Requested.On
	for group := range hardware.MaxFanGroups {
		for _, pair := range [2][2]hardware.OutputID{{hardware.FanForward(group), hardware.FanReverse(group)}, {hardware.FanReverse(group), hardware.FanForward(group)}} {
			if on.Has(pair[0]) {
				why[pair[1]] = plain(WhyOtherDirection)
			}
		}
	}
	pick := func(yes bool, a, b WhyCode) Why {
		if yes {
			return plain(a)
		}
		return plain(b)
	}
	why[hardware.Sounder] = pick(on.Has(hardware.Sounder), WhyDangerSounds, WhyQuiet)
	if q.Requested.On.Has(hardware.Sounder) {
		why[hardware.Sounder] = plain(WhyWarnsBeforeStart)
	}
	why[hardware.Beacon] = pick(on.Has(hardware.Beacon), WhySomethingMoves, WhyNothingMoves)
	why[hardware.AlarmLamp] = pick(on.Has(hardware.AlarmLamp), WhySomethingWaits, WhyNothingWaits)
	why[hardware.DoorLamp] = pick(on.Has(hardware.DoorLamp), WhyMayBeOpened, WhyMayNotBeOpened)
	why[hardware.Heartbeat] = plain(WhyByGate)
	if t.s.Test.On {
		for o := range hardware.OutputCount {
			why[o] = t.testWhy(o)
		}
	}
	prev := &t.in.Snapshot.Previous
	for i := range int(prev.VetoCount) {
		if v := &prev.Vetoes[i]; on.Has(v.Output) {
			why[v.Output] = Why{Code: WhyVetoed, Probe: hardware.NoProbe, Lot: hardware.NoLot, Rule: v.Rule, Remaining: v.Remaining}
		}
	}
	r.Stage = t.stageWhy()
}

// stageWhy finds the first thing that keeps the stage from being over, as package schedule looks at them.
func (t *tick) stageWhy() Why {
	s, run, plan, c := t.s, &t.s.Run, t.in.Plan, &t.out.Conditions
	switch {
	case run.Phase == schedule.Idle:
		return plain(WhyNoCharge)
	case run.Phase == schedule.Done:
		return plain(WhyChargeDone)
	case run.Hold != 0:
		w := plain(WhyStageHeld)
		w.Value = float64(run.Hold)
		return w
	case plan == nil || run.Stage < 0 || int(run.Stage) >= len(plan.Schedule.Stages):
		return plain(WhyStageUnknown)
	case run.Next.Wanted:
		return plain(WhyStageSaving)
	case s.Restart.Class >= OutageHalfDay && s.Restart.Stable < restartWait:
		return wait(WhyStageRestart, restartWait-s.Restart.Stable)
	}
	stage := &plan.Schedule.Stages[run.Stage]
	dwell := stage.MinDwell - run.InStage
	switch stage.Kind {
	case schedule.Preheat, schedule.Condition:
		left := stage.For - run.AtPoints
		switch {
		case left > 0 && t.offPoints(stage):
			return figures(WhyStagePoints, hardware.NoLot, float64(c.EMC), float64(stage.EMC))
		case left > 0 || dwell > 0:
			return wait(WhyStageTime, max(left, dwell))
		}
	case schedule.Dry:
		if w := t.dryWhy(stage); w.Code != 0 {
			return w
		}
		if dwell > 0 {
			return wait(WhyStageDwell, dwell)
		}
		if share, lot := schedule.RateOver(plan, run, c); share > 1 {
			return figures(WhyStageRate, lot, share*100, 100)
		}
	case schedule.Equalize:
		for i := range plan.Lots {
			limit := float64(plan.Lots[i].Target + plan.Equalizing.EndAbove)
			if b := c.Lots[i].Wettest; !b.Valid || b.Value > limit {
				return figures(WhyStageWettest, int8(i), b.Value, limit)
			}
		}
		if left := max(steadyFor-run.Below, dwell); left > 0 {
			return wait(WhyStageDwell, left)
		}
	case schedule.Heat:
		need := float64(stage.Core) + float64(stage.CoreMargin)
		switch {
		case c.CoreCount < stage.MinCores:
			return figures(WhyStageCores, hardware.NoLot, float64(c.CoreCount), float64(stage.MinCores))
		case float64(c.ColdestCore) < need:
			return figures(WhyStageCore, hardware.NoLot, float64(c.ColdestCore), need)
		case run.Exposure < stage.Exposure:
			return wait(WhyStageExposure, stage.Exposure-run.Exposure)
		}
	case schedule.Cool:
		if c.CoreCount > 0 && c.HottestCore >= 40 {
			return figures(WhyStageCooling, hardware.NoLot, float64(c.HottestCore), 40)
		}
		return figures(WhyStageCooling, hardware.NoLot, float64(c.DryBulb), 30)
	}
	return plain(WhyStageAir)
}

func (t *tick) offPoints(stage *schedule.Stage) bool {
	c := &t.out.Conditions
	return !c.DryBulbOK || !c.EMCOK || c.DryBulb < stage.DryBulb-2 || stage.Kind == schedule.Condition && c.EMC < stage.EMC-1
}

// dryWhy: the moisture keeps a dry stage going.
func (t *tick) dryWhy(stage *schedule.Stage) Why {
	run, plan, c := &t.s.Run, t.in.Plan, &t.out.Conditions
	lot := c.Governing
	if stage.UntilMC > 0 {
		switch {
		case !c.Charge.Valid:
			return plain(WhyStageUnknown)
		case c.Charge.Sigma >= uncertainSigma:
			return figures(WhyStageSigma, lot, c.Charge.Sigma, uncertainSigma)
		case c.Charge.Value > float64(stage.UntilMC):
			return figures(WhyStageMoisture, lot, c.Charge.Value, float64(stage.UntilMC))
		}
	} else {
		equalize := int(run.Stage)+1 < len(plan.Schedule.Stages) && plan.Schedule.Stages[run.Stage+1].Kind == schedule.Equalize
		if w, still := t.lastStage(equalize); still {
			return w
		}
	}
	if left := steadyFor - run.Below; left > 0 {
		w := figures(WhyStageSteady, lot, c.Charge.Value, float64(stage.UntilMC))
		w.Remaining = left
		return w
	}
	return Why{}
}

// lastStage: the last dry stage ends when any driest sample is dry enough to equalize, or else when every mean is there.
func (t *tick) lastStage(equalize bool) (Why, bool) {
	plan, c := t.in.Plan, &t.out.Conditions
	nearest := Why{}
	for i := range plan.Lots {
		limit, b, code := float64(plan.Lots[i].Target), c.Lots[i].Mean, WhyStageMean
		if equalize {
			limit, b, code = limit-float64(plan.Equalizing.StartBelow), c.Lots[i].Driest, WhyStageDriest
		}
		w := figures(code, int8(i), b.Value, limit)
		over := b.Value - limit
		switch {
		case !b.Valid:
			return plain(WhyStageUnknown), true
		case equalize && over <= 0:
			return Why{}, false
		case nearest.Code == 0, equalize && over < nearest.Value-nearest.Limit, !equalize && over > nearest.Value-nearest.Limit:
			nearest = w
		}
	}
	return nearest, equalize || nearest.Value > nearest.Limit
}

func figures(code WhyCode, lot int8, value, limit float64) Why {
	return Why{Code: code, Probe: hardware.NoProbe, Lot: lot, Value: value, Limit: limit}
}

func wait(code WhyCode, left time.Duration) Why {
	w := plain(code)
	w.Remaining = left
	return w
}
