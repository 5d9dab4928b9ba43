package controller

import (
	"time"

	"drywarden/controller/estimate"
	"drywarden/hardware"
	"drywarden/schedule"
)

// take does what is pending and now durable, then looks at what is asked anew. A command passes twice: judged when it
// comes, so that it can be refused at once, and judged again when it is done, since the run may have moved on meanwhile.
func (t *tick) take() {
	s, in := t.s, t.in
	// The word for a stop waits until the gate has said whether its trip is back in force: it may have been pressed again.
	known := in.Snapshot.Tick > 1 || !s.Pending.Command.Matters.Has(MatterStop)
	if p := &s.Pending; p.On && in.Snapshot.Durable >= p.Generation && known {
		command := p.Command
		*p = Pending{}
		reply := t.do(&command)
		t.reply(reply)
		t.event(EventCommand, int32(command.Verb), float64(reply.Refusal))
		t.save()
	}
	for i := range min(int(in.Count), MaxCommands) {
		c := &in.Commands[i]
		if s.Pending.On {
			t.reply(Reply{ID: c.ID, Refusal: RefusedBusy})
			continue
		}
		if reply := t.judge(c); reply.Refusal != Accepted {
			t.reply(reply)
			t.event(EventCommand, int32(c.Verb), float64(reply.Refusal))
			continue
		}
		t.save()
		s.Pending = Pending{On: true, Generation: s.Generation, Command: *c}
	}
}

func (t *tick) reply(r Reply) {
	if int(t.out.ReplyCount) < len(t.out.Replies) {
		t.out.Replies[t.out.ReplyCount] = r
		t.out.ReplyCount++
	}
}

// judge tells whether a command could be done now; it changes nothing.
func (t *tick) judge(c *Command) Reply {
	if r := t.meant(c); r.Refusal != Accepted {
		return r
	}
	run := t.s.Run
	return t.operate(c, &run, false)
}

func (t *tick) do(c *Command) Reply {
	if r := t.meant(c); r.Refusal != Accepted {
		return r
	}
	return t.operate(c, &t.s.Run, true)
}

// meant refuses a command for another run, or for a stage that is over.
func (t *tick) meant(c *Command) Reply {
	run := &t.s.Run
	moved := Reply{ID: c.ID, Refusal: RefusedMovedOn}
	if c.Verb != VerbStart && c.Run != 0 && run.Phase != schedule.Idle && c.Run != run.ID {
		return moved
	}
	switch c.Verb {
	case VerbAdvance, VerbBack, VerbSet:
		if run.Phase == schedule.Running && c.Stage != run.Stage {
			return moved
		}
	}
	return Reply{ID: c.ID}
}

// operate does a command on run; with really false nothing but run is changed.
func (t *tick) operate(c *Command, run *schedule.Run, really bool) Reply {
	s, plan := t.s, t.in.Plan
	refuse := func(r Refusal) Reply { return Reply{ID: c.ID, Refusal: r} }
	if plan == nil && run.Phase != schedule.Idle {
		switch c.Verb {
		case VerbAdvance, VerbBack, VerbSet, VerbWeigh:
			return refuse(RefusedNoRun)
		}
	}
	switch c.Verb {
	case VerbStart:
		return t.start(c, run, really)
	case VerbEnd:
		id := run.ID
		a := schedule.EndRun(run)
		if a.OK() && really {
			estimate.End(&s.Estimate)
			s.ChangeGeneration, s.Contradiction, s.Gentle = 0, false, 0
			t.event(EventEnd, int32(id), 0)
		}
		return answered(c, a)
	case VerbHold:
		return answered(c, schedule.HoldOn(run))
	case VerbResume:
		return answered(c, schedule.HoldOff(run))
	case VerbAdvance:
		if t.forced() {
			return refuse(RefusedForced)
		}
		if run.Phase != schedule.Running {
			return refuse(RefusedNoRun)
		}
		if t.unsteady() && !really {
			return Reply{ID: c.ID, Refusal: RefusedUnsteady, Value: s.Restart.Stable.Hours(), Limit: restartWait.Hours()}
		}
		return answered(c, schedule.Advance(plan, run, &t.out.Conditions))
	case VerbBack:
		if t.forced() {
			return refuse(RefusedForced)
		}
		return answered(c, schedule.Back(plan, run))
	case VerbSet:
		if run.Phase != schedule.Running {
			return refuse(RefusedNoRun)
		}
		o := schedule.Override{DryBulb: c.DryBulb, EMC: c.EMC, HasDryBulb: c.HasDryBulb, HasEMC: c.HasEMC, Left: c.For}
		return answered(c, schedule.SetOverride(plan, run, &t.out.Conditions, o, schedule.Envelope{DryBulbMax: t.cfg.DryBulbMax, EMCMin: t.cfg.EMCMin}))
	case VerbUnset:
		return answered(c, schedule.ClearOverride(run))
	case VerbConfirm:
		return t.confirm(c, really)
	case VerbWeigh:
		return t.weigh(c, run, really)
	case VerbAck:
		return t.ack(c, really)
	case VerbReset:
		return t.reset(c, really)
	case VerbTest:
		return t.test(c, run, really)
	case VerbTestEnd:
		return t.testEnd(c, really)
	case VerbSeen:
		return t.looked(c, really)
	case VerbWarm:
		if s.Restart.Warm == 0 {
			return refuse(RefusedNothing)
		}
		if really {
			s.Restart.Warm, s.Effects.Cold = 0, 0
		}
		return Reply{ID: c.ID}
	}
	return refuse(RefusedNothing)
}

func answered(c *Command, a schedule.Answer) Reply {
	r := Reply{ID: c.ID, Value: a.Value, Limit: a.Limit}
	switch a.Refusal {
	case schedule.NotRefused:
		r.Refusal = Accepted
	case schedule.RefusedNoRun:
		r.Refusal = RefusedNoRun
	case schedule.RefusedRunning:
		r.Refusal = RefusedRunning
	case schedule.RefusedPending:
		r.Refusal = RefusedBusy
	case schedule.RefusedFirstStage:
		r.Refusal = RefusedFirstStage
	case schedule.RefusedLastStage:
		r.Refusal = RefusedLastStage
	case schedule.RefusedHeld:
		r.Refusal = RefusedHeld
	case schedule.RefusedUncertain:
		r.Refusal = RefusedUncertain
	case schedule.RefusedLimit:
		r.Refusal = RefusedLimit
	default:
		r.Refusal = RefusedNothing
	}
	return r
}

// forced tells that a trip is in force or the gate holds the kiln.
func (t *tick) forced() bool {
	p := &t.in.Snapshot.Previous
	return p.Trips != 0 || p.Forced != hardware.NotForced
}

func (t *tick) start(c *Command, run *schedule.Run, really bool) Reply {
	s, plan := t.s, t.in.Plan
	switch {
	case run.Phase != schedule.Idle:
		return Reply{ID: c.ID, Refusal: RefusedRunning}
	case plan == nil || len(plan.Lots) == 0 || len(plan.Schedule.Stages) == 0 || c.Run != 0 && c.Run != plan.ID:
		return Reply{ID: c.ID, Refusal: RefusedNothing}
	case t.forced() || s.Stopped:
		return Reply{ID: c.ID, Refusal: RefusedForced}
	}
	a := schedule.StartRun(plan, run)
	if a.OK() && really {
		estimate.Begin(&t.cfg.Estimate, &s.Estimate, plan)
		// Whoever starts a charge has looked at the kiln.
		s.Restart.Confirm, s.Restart.Files, s.Restart.Class, s.Unreadable, s.Often = false, false, NoOutage, false, false
		s.ChangeGeneration, s.Contradiction, s.Gentle, s.Frozen = 0, false, 0, 0
		t.event(EventStart, int32(plan.ID), 0)
	}
	return answered(c, a)
}

func (t *tick) wetting(run *schedule.Run) bool {
	if t.in.Plan == nil || run.Phase != schedule.Running || int(run.Stage) >= len(t.in.Plan.Schedule.Stages) || run.Stage < 0 {
		return false
	}
	k := t.in.Plan.Schedule.Stages[run.Stage].Kind
	return k == schedule.Equalize || k == schedule.Condition
}

func (t *tick) weigh(c *Command, run *schedule.Run, really bool) Reply {
	plan := t.in.Plan
	switch {
	case run.Phase == schedule.Idle || plan == nil:
		return Reply{ID: c.ID, Refusal: RefusedNoRun}
	case c.Sample < 0 || int(c.Sample) >= len(plan.Samples) || !(c.Mass > 0):
		return Reply{ID: c.ID, Refusal: RefusedNothing}
	}
	if doubt, likely := estimate.Check(&t.s.Estimate, plan, int(c.Sample), c.Mass, t.wetting(run)); !likely && !c.Recheck {
		return Reply{ID: c.ID, Refusal: RefusedUnlikely, Value: doubt.Value, Limit: doubt.Limit,
			Other: estimate.Fits(&t.s.Estimate, plan, int(c.Sample), c.Mass) + 1}
	}
	if !(c.Mass < 1000) {
		return Reply{ID: c.ID, Refusal: RefusedUnlikely, Value: float64(c.Mass), Limit: 1000}
	}
	if really {
		estimate.Weigh(&t.s.Estimate, plan, int(c.Sample), c.Mass)
		t.event(EventWeigh, int32(c.Sample), float64(c.Mass))
	}
	return Reply{ID: c.ID}
}

func (t *tick) ack(c *Command, really bool) Reply {
	found := false
	for i := range int(t.s.AlarmCount) {
		if a := &t.s.Alarms[i]; a.Rule == c.Rule {
			found = true
			if really {
				a.Acked = true
			}
		}
	}
	if !found {
		return Reply{ID: c.ID, Refusal: RefusedNothing}
	}
	return Reply{ID: c.ID}
}

func (t *tick) reset(c *Command, really bool) Reply {
	s := t.s
	for i := range int(s.AlarmCount) {
		a := &s.Alarms[i]
		if a.Rule != c.Rule || !a.Latched {
			continue
		}
		if a.Clears > hardware.ByOperator {
			return Reply{ID: c.ID, Refusal: RefusedPanel}
		}
		if really {
			switch c.Rule {
			case RuleWickSuspect:
				estimate.Looked(&s.Estimate, estimate.LookWick)
			case RuleBulbsApart:
				estimate.Looked(&s.Estimate, estimate.LookBulbs)
			case RuleCoreInAir, RuleCoreTwins:
				estimate.Looked(&s.Estimate, estimate.LookCores)
			case RuleCellSlipped:
				estimate.Looked(&s.Estimate, estimate.LookCells)
			case RuleFrostTwice:
				s.Sequence.DefrostTwice = false
			case RuleHeatIdle:
				s.Effects.Heat = HeatTest{}
			case RuleCoilIdle:
				s.Effects.CoilLock, s.Effects.CoilTries, s.Effects.CoilRest = false, 0, 0
			}
			a.Active = false
			s.Delay[c.Rule-FirstRule] = 0
			t.drop(i)
		}
		return Reply{ID: c.ID}
	}
	return Reply{ID: c.ID, Refusal: RefusedNothing}
}

// restartWait is how long data must be steady after an outage of hours before a stage may change.
const restartWait = 6 * time.Hour
