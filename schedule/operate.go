package schedule

import (
	"fmt"
	"time"

	"drywarden/hardware/quantity"
)

// ownHolds are the reasons that a run keeps itself; all others come with each Input.
const ownHolds = HoldOperator | HoldRate

// Refusal says why an operation on a run was not done.
type Refusal uint8

// Refusals.
const (
	NotRefused        Refusal = iota // it was done
	RefusedNoRun                     // no charge is being worked through
	RefusedRunning                   // there is a charge already
	RefusedPending                   // a change of stage is being made durable
	RefusedFirstStage                // there is no stage before
	RefusedLastStage                 // there is no stage after
	RefusedHeld                      // not while held
	RefusedUncertain                 // moisture is not known well enough
	RefusedLimit                     // beyond a limit of wood, kiln or schedule
	RefusedNothing                   // there is nothing of the kind to lift or clear
	refusalCount
)

var refusalNames = [refusalCount]string{"none", "no_run", "running", "pending", "first_stage", "last_stage", "held", "uncertain",
	"limit", "nothing"}

// String gives the name used in records.
func (r Refusal) String() string {
	if int(r) < len(refusalNames) {
		return refusalNames[r]
	}
	return fmt.Sprintf("unknown_%d", uint8(r))
}

// Answer is what became of an operation. Value and Limit are set with RefusedLimit and RefusedUncertain: what was asked
// or believed, and what would be allowed.
type Answer struct {
	Refusal      Refusal
	Value, Limit float64
}

// OK tells that the operation was done.
func (a Answer) OK() bool { return a.Refusal == NotRefused }

func refuse(r Refusal) Answer { return Answer{Refusal: r} }

// maxOverride is how long an operator's own set points may last.
const maxOverride = 48 * time.Hour

// Figures of what an operator may do; common practice, no source.
const (
	advanceRoom      = 5 // points by which the control moisture may miss the end of a dry stage that is left
	refractoryWetEMC = quantity.MoistureContent(2)
)

// Envelope is how far an operator's own set points may go on this kiln.
type Envelope struct {
	DryBulbMax quantity.Celsius
	EMCMin     quantity.MoistureContent
}

// StartRun begins the charge of plan. Refused while there is another, even one that is done: it is ended first.
func StartRun(plan *Plan, run *Run) Answer {
	if run.Phase != Idle {
		return refuse(RefusedRunning)
	}
	*run = Run{ID: plan.ID, Phase: Running, DutyCap: 1}
	return Answer{}
}

// EndRun ends the charge, whatever its stage.
func EndRun(run *Run) Answer {
	if run.Phase == Idle {
		return refuse(RefusedNoRun)
	}
	*run = Run{}
	return Answer{}
}

// Restart is called once on a run that was loaded after the process had stopped: ramps start from the measured air, an
// unbroken exposure from zero, and what must have lasted without a break has not. A change that was decided is carried
// out: since it was loaded it is durable, and the operator may have seen it.
func Restart(plan *Plan, run *Run) {
	if run.Phase != Running {
		return
	}
	if run.Next.Wanted && plan != nil {
		if run.change(plan); run.Phase != Running {
			return
		}
	}
	run.Started, run.Cold = false, false
	run.Below, run.Gap, run.Cores = 0, 0, 0
	if plan == nil || run.Stage < 0 || int(run.Stage) >= len(plan.Schedule.Stages) || plan.Schedule.Stages[run.Stage].Unbroken {
		run.Exposure = 0
	}
}

// HoldOn freezes the stage on the operator's word.
func HoldOn(run *Run) Answer {
	if run.Phase != Running {
		return refuse(RefusedNoRun)
	}
	if run.Hold&HoldOperator != 0 {
		return refuse(RefusedHeld)
	}
	run.Hold |= HoldOperator
	return Answer{}
}

// HoldOff lifts the operator's hold, and the rate guard's: the guard comes back when the wood is still too fast. Other
// reasons go when they are no more.
func HoldOff(run *Run) Answer {
	if run.Phase != Running {
		return refuse(RefusedNoRun)
	}
	if run.Hold&ownHolds == 0 {
		return refuse(RefusedNothing)
	}
	run.Hold &^= ownHolds
	run.GuardTime = 0
	return Answer{}
}

// Advance asks for the next stage. A dry stage is left only when the control moisture is known and no more than 5
// points over the stage's end.
func Advance(plan *Plan, run *Run, c *Conditions) Answer {
	if a := run.mayChange(); !a.OK() {
		return a
	}
	if int(run.Stage)+1 >= len(plan.Schedule.Stages) {
		return refuse(RefusedLastStage)
	}
	if stage := &plan.Schedule.Stages[run.Stage]; stage.Kind == Dry {
		if !sure(c.Charge) {
			return Answer{RefusedUncertain, c.Charge.Sigma, maxSigma}
		}
		if limit := float64(stage.UntilMC) + advanceRoom; stage.UntilMC > 0 && c.Charge.Value > limit {
			return Answer{RefusedLimit, c.Charge.Value, limit}
		}
	}
	run.Next = Change{Wanted: true, Stage: run.Stage + 1, Cause: ByOperatorAdvance}
	return Answer{}
}

// Back asks for the stage before.
func Back(_ *Plan, run *Run) Answer {
	if a := run.mayChange(); !a.OK() {
		return a
	}
	if run.Stage == 0 {
		return refuse(RefusedFirstStage)
	}
	run.Next = Change{Wanted: true, Stage: run.Stage - 1, Cause: ByOperatorBack}
	return Answer{}
}

func (r *Run) mayChange() Answer {
	switch {
	case r.Phase != Running:
		return refuse(RefusedNoRun)
	case r.Hold != 0:
		return refuse(RefusedHeld)
	case r.Next.Wanted:
		return refuse(RefusedPending)
	}
	return Answer{}
}

// SetOverride sets the operator's own set points, which expire and end with the stage. The ramps lead to them; the
// rate guard and the limits of wood and kiln stay in force. Over fibre saturation a refractory lot is not set more than
// 2 points of EMC under its stage.
func SetOverride(plan *Plan, run *Run, c *Conditions, o Override, kiln Envelope) Answer {
	if run.Phase != Running {
		return refuse(RefusedNoRun)
	}
	if run.Hold != 0 {
		return refuse(RefusedHeld)
	}
	if !o.HasDryBulb && !o.HasEMC {
		return refuse(RefusedNothing)
	}
	if o.Left <= 0 || o.Left > maxOverride {
		return Answer{RefusedLimit, o.Left.Seconds(), maxOverride.Seconds()}
	}
	stage := &plan.Schedule.Stages[run.Stage]
	if o.HasDryBulb {
		if limit := min(kiln.DryBulbMax, plan.dryBulbCap(stage, c)); !(o.DryBulb <= limit) {
			return Answer{RefusedLimit, float64(o.DryBulb), float64(limit)}
		}
		if o.DryBulb < restDryBulb {
			return Answer{RefusedLimit, float64(o.DryBulb), float64(restDryBulb)}
		}
	}
	if o.HasEMC {
		low := max(kiln.EMCMin, minEMC)
		if plan.wetRefractory(c) {
			low = max(low, stage.EMC-refractoryWetEMC)
		}
		if !(o.EMC >= low) {
			return Answer{RefusedLimit, float64(o.EMC), float64(low)}
		}
		if o.EMC > maxEMC {
			return Answer{RefusedLimit, float64(o.EMC), float64(maxEMC)}
		}
	}
	o.On = true
	run.Override = o
	return Answer{}
}

// ClearOverride goes back to the stage's own set points.
func ClearOverride(run *Run) Answer {
	if run.Phase != Running {
		return refuse(RefusedNoRun)
	}
	if !run.Override.On {
		return refuse(RefusedNothing)
	}
	run.Override = Override{}
	return Answer{}
}

func (p *Plan) wetRefractory(c *Conditions) bool {
	for i := range p.Lots {
		if p.Lots[i].Group == Refractory && (!c.Lots[i].Control.Valid || c.Lots[i].Control.Value > fiberSaturation) {
			return true
		}
	}
	return false
}
