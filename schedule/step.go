package schedule

import (
	"time"

	"drywarden/hardware"
	"drywarden/hardware/quantity"
	"drywarden/schedule/wood"
)

// fiberSaturation is the moisture above which wood holds free water, percent.
const fiberSaturation = float64(wood.FiberSaturation)

// Set points stay inside these bounds. restDryBulb asks for no heat in any kiln, maxEMC for no drying.
const (
	restDryBulb quantity.Celsius         = 5
	minEMC      quantity.MoistureContent = 3
	maxEMC      quantity.MoistureContent = 24
)

// Figures of the stage rules; common practice, no source, where none is named.
const (
	belowFor                             = 6 * time.Hour // the moisture must be there so long before a stage ends
	driestFor                            = time.Hour     // the same for the driest sample, which over-dries while it waits
	restFor                              = 96 * time.Hour
	restFall    quantity.MoistureContent = 0.25
	restError   quantity.MoistureContent = 2   // points by which a sample may read too wet when it has come to rest
	maxSigma                             = 2.5 // points; a control moisture less certain ends no stage
	warmWithin  quantity.Celsius         = 2   // air this near to the dry bulb is at the points
	moistWithin quantity.MoistureContent = 1   // and this near to the EMC
	coldStart   quantity.Celsius         = 2   // heat may help in dry stages when the air is this much too cold,
	coldEnd     quantity.Celsius         = .2  // until it is this near
	heldSag     quantity.Celsius         = 2   // a frozen set point is never more than this above the air,
	heldRise    quantity.MoistureContent = 1   // and never more than this drier
	heldFall    quantity.CelsiusPerHour  = 20  // and goes there no faster
	gentleDown  quantity.MoisturePerHour = .5  // fall of EMC after a long outage
	ventDryMC                            = 20  // vent and heat together only under this moisture
	waitMargin                           = .3  // points; a lot that waits goes on waiting until it is this much wetter again
	finalBelow  quantity.MoistureContent = 1.5 // EMC of the last dry stage under the lowest target, or it never ends
	// equalizeRoom is how far the EMC of equalizing lies at least under the moisture at which it ends, so that it does.
	equalizeRoom quantity.MoistureContent = 0.75
)

// Release limits of the cool stage: the wood, the step to the air outside, and the air a person can bear.
const (
	coolCore    quantity.Celsius = 40
	coolStep    quantity.Celsius = 20
	coolWetBulb quantity.Celsius = 30
	coolNoCore  quantity.Celsius = 35 // dry bulb, when no core is measured
	coolUnknown quantity.Celsius = 30 // dry bulb, when the outdoor temperature is not known
)

// maxGap is the longest dip, missing reading or stall that an unbroken exposure survives; it does not count itself.
const maxGap = 60 * time.Second

// Step moves the run on by in.Elapsed and says what the air should be. It changes run and out in place and allocates
// nothing. plan may be nil when run.Phase is Idle or Done.
//
//	Idle --StartRun--> Running(0) --Next durable--> Running(n) ... --Next durable--> Done --EndRun--> Idle
//
// A stage ends in two steps: Step writes Run.Next, and carries it out only when a later Input says that it is durable.
func Step(plan *Plan, run *Run, in *Input, out *SetPoints) {
	*out = SetPoints{Stage: -1, DutyCap: 1}
	c := in.Conditions
	switch {
	case run.Phase == Idle:
		return
	case run.Phase == Done:
		out.DoorRelease = released(c)
		return
	case plan == nil || run.Stage < 0 || int(run.Stage) >= len(plan.Schedule.Stages):
		fansOnly(run, out)
		return
	}
	elapsed := max(in.Elapsed, 0)
	run.Hold = run.Hold&ownHolds | in.Hold&^ownHolds
	frozen := run.Hold != 0 || in.Quiet
	if run.Next.Wanted && in.Durable && !frozen && (!in.Stay || run.Next.byOperator()) {
		run.change(plan)
		if run.Phase == Done {
			out.DoorRelease = released(c)
			return
		}
	}
	stage := &plan.Schedule.Stages[run.Stage]
	run.expire(elapsed)
	dryBulb, emc := run.wanted(plan, stage, c)
	run.ramp(stage, in, dryBulb, emc, frozen, elapsed)
	run.count(stage, in, frozen, elapsed, out)
	run.keepTime(stage, c, dryBulb, emc, frozen, elapsed)
	run.say(plan, stage, c, out)
	// From here on nothing shows before the next tick: what is decided on evidence must not differ from what its loss gives.
	over := run.guard(plan, stage, c, elapsed)
	run.wait(plan, stage, c)
	if !frozen && !in.Stay && !run.Next.Wanted {
		run.decide(plan, stage, c, over, elapsed)
	}
}

// fansOnly is what a run gets whose plan is not there.
func fansOnly(run *Run, out *SetPoints) {
	*out = SetPoints{Active: true, Stage: run.Stage, DryBulb: restDryBulb, EMC: maxEMC, BaseDryBulb: restDryBulb, BaseEMC: maxEMC,
		Permit: PermitFans, FanSpeed: 1, Wet: true}
}

func (c *Change) byOperator() bool { return c.Cause == ByOperatorAdvance || c.Cause == ByOperatorBack }

// change carries out Run.Next.
func (r *Run) change(plan *Plan) {
	next := r.Next
	r.Next = Change{}
	if next.Stage < 0 || int(next.Stage) > len(plan.Schedule.Stages) {
		return
	}
	r.InStage, r.AtPoints, r.Below, r.Overdue = 0, 0, 0, false
	r.Exposure, r.Gap, r.Cores = 0, 0, 0
	r.RestTime, r.RestFrom, r.AtRest = [hardware.MaxLots]time.Duration{}, [hardware.MaxLots]quantity.MoistureContent{}, 0
	r.Override = Override{}
	r.Cold = false
	if int(next.Stage) == len(plan.Schedule.Stages) {
		r.Phase = Done
		return
	}
	r.Stage = next.Stage
}

func (r *Run) expire(elapsed time.Duration) {
	if !r.Override.On {
		return
	}
	r.Override.Left -= elapsed
	if r.Override.Left <= 0 {
		r.Override = Override{}
	}
}

// wanted gives the set points to which the ramps lead.
func (r *Run) wanted(plan *Plan, stage *Stage, c *Conditions) (quantity.Celsius, quantity.MoistureContent) {
	dryBulb, emc := stage.DryBulb, stage.EMC
	if r.Override.On && r.Override.HasDryBulb {
		dryBulb = r.Override.DryBulb
	}
	if r.Override.On && r.Override.HasEMC {
		emc = r.Override.EMC
	}
	if r.Bias > 0 {
		// The guard reaches no further than 95 % RH, and in the last dry stage not so far that it could not end.
		high := max(emc, wood.EMC(dryBulb, guardMaxRH))
		if stage.Kind == Dry && stage.UntilMC == 0 {
			high = min(high, max(emc, plan.lowestTarget()-finalBelow))
		}
		emc = min(emc+r.Bias, high)
	}
	emc = max(emc, plan.waitFloor(stage, r.Waiting))
	dryBulb = min(dryBulb, plan.dryBulbCap(stage, c))
	return max(dryBulb, restDryBulb), min(max(emc, minEMC), maxEMC)
}

// dryBulbCap is the greatest dry bulb that no lot is hurt by: lots above fibre saturation, or whose moisture is not
// known, have a lower one.
func (p *Plan) dryBulbCap(stage *Stage, c *Conditions) quantity.Celsius {
	limit := quantity.Celsius(1000)
	for i := range p.Lots {
		lot := &p.Lots[i]
		if lot.MaxDryBulb > 0 {
			limit = min(limit, lot.MaxDryBulb)
		}
		wet := !c.Lots[i].Control.Valid || c.Lots[i].Control.Value > fiberSaturation
		if wet && lot.GreenMaxDryBulb > 0 && stage.Kind != Cool {
			limit = min(limit, lot.GreenMaxDryBulb)
		}
	}
	return limit
}

func (p *Plan) lowestTarget() quantity.MoistureContent {
	low := maxEMC
	for i := range p.Lots {
		low = min(low, p.Lots[i].Target)
	}
	return low
}

// ramp moves the set points towards the wanted ones. They start from the measured air. While the run is frozen or an
// input is missing or held they only go where less is asked of the air: so does the set point of a kiln that has cooled in a
// hold, and the run goes on from there.
func (r *Run) ramp(stage *Stage, in *Input, dryBulb quantity.Celsius, emc quantity.MoistureContent, frozen bool, elapsed time.Duration) {
	c, hours := in.Conditions, elapsed.Hours()
	airOK := c.DryBulbOK && c.EMCOK
	if !r.Started {
		if !airOK {
			return
		}
		r.DryBulb = max(min(c.DryBulb, max(dryBulb, r.DryBulb)), restDryBulb)
		r.EMC = min(max(c.EMC, emc), maxEMC)
		r.Started = true
	}
	fall := quantity.Celsius(max(heldFall, stage.RampDryBulb)) * quantity.Celsius(hours)
	rise := quantity.MoistureContent(stage.RampEMCUp) * quantity.MoistureContent(hours)
	if frozen || !airOK {
		r.hold(c, fall, rise)
	} else {
		step := quantity.Celsius(stage.RampDryBulb) * quantity.Celsius(hours)
		dryBulbWas, emcWas := r.DryBulb, r.EMC
		r.DryBulb = toward(r.DryBulb, dryBulb, step, step)
		down := stage.RampEMCDown
		if in.Gentle {
			down = min(down, gentleDown)
		}
		r.EMC = toward(r.EMC, emc, quantity.MoistureContent(down)*quantity.MoistureContent(hours), rise)
		if c.Held || in.Stand { // on last good values no more is asked than was, nor by two at once
			r.DryBulb, r.EMC = min(r.DryBulb, dryBulbWas), max(r.EMC, emcWas)
		}
	}
	r.EMC = min(max(r.EMC, minEMC), maxEMC)
}

// hold lets frozen set points follow air that has become cooler or moister, and air that is not known as if it had.
func (r *Run) hold(c *Conditions, fall quantity.Celsius, rise quantity.MoistureContent) {
	lower, higher := r.DryBulb-fall, r.EMC+rise
	if c.DryBulbOK && c.EMCOK {
		lower = max(lower, min(r.DryBulb, c.DryBulb+heldSag))
		higher = min(higher, max(r.EMC, c.EMC-heldRise))
	}
	r.DryBulb = max(lower, min(r.DryBulb, restDryBulb))
	r.EMC = higher
}

// toward moves from towards to by at most down or up.
func toward[T ~float64](from, to, down, up T) T {
	return min(max(to, from-down), from+up)
}

// keepTime counts the durations that end stages; a frozen run earns none.
func (r *Run) keepTime(stage *Stage, c *Conditions, dryBulb quantity.Celsius, emc quantity.MoistureContent, frozen bool, elapsed time.Duration) {
	r.Shell += elapsed
	if frozen {
		return
	}
	r.InStage += elapsed
	if c.DryBulbOK {
		warm := c.DryBulb >= dryBulb-warmWithin && (stage.Kind == Preheat || c.DryBulb <= dryBulb+warmWithin)
		moist := c.EMCOK && c.EMC >= emc-moistWithin && (stage.Kind == Condition || c.EMC <= emc+moistWithin)
		if warm && (moist || stage.Kind == Preheat) {
			r.AtPoints += elapsed
			r.rest(stage, c, elapsed)
		}
	}
	limit := stage.MaxTime
	if limit == 0 {
		limit = DefaultMaxTime(stage.Kind)
	}
	r.Overdue = r.InStage > limit
	switch {
	case c.DryBulbOK && c.DryBulb < r.DryBulb-coldStart:
		r.Cold = true
	case !c.DryBulbOK || c.DryBulb >= r.DryBulb-coldEnd:
		r.Cold = false
	}
}

// rest finds samples that have come to rest with the air. A sample whose oven-dry weight was reckoned a hundredth too low
// reads a point too wet for ever, and a stage that waits for it would never end; that it no longer loses weight tells
// that it is as dry as this air makes it. Four days and a quarter of a point: common practice, no source; with a time
// constant of 10 days a board is then no more than 0.6 points over the EMC.
func (r *Run) rest(stage *Stage, c *Conditions, elapsed time.Duration) {
	if stage.Kind != Equalize && (stage.Kind != Dry || stage.UntilMC > 0) {
		return
	}
	for i := range r.RestFrom {
		b, bit := c.Lots[i].Wettest, uint8(1)<<i
		if stage.Kind == Dry {
			b = c.Lots[i].Driest
		}
		now := quantity.MoistureContent(b.Value)
		r.RestTime[i] += elapsed
		switch {
		case !b.Valid:
			r.RestFrom[i], r.RestTime[i] = 0, 0
			r.AtRest &^= bit
		case r.RestFrom[i] == 0:
			r.RestFrom[i], r.RestTime[i] = now, 0
		case r.RestTime[i] >= restFor:
			r.AtRest &^= bit
			if fall := r.RestFrom[i] - now; fall <= restFall && fall >= -restFall {
				r.AtRest |= bit
			}
			r.RestFrom[i], r.RestTime[i] = now, 0
		}
	}
}

// DefaultMaxTime is when a stage without a limit of its own is overdue.
func DefaultMaxTime(k Kind) time.Duration {
	const day = 24 * time.Hour
	switch k {
	case Preheat, Cool:
		return 3 * day
	case Dry:
		return 60 * day
	case Equalize:
		return 21 * day
	case Condition:
		return 2 * day
	default:
		return day
	}
}

// count adds to the heat exposure when everything that must be proven is.
func (r *Run) count(stage *Stage, in *Input, frozen bool, elapsed time.Duration, out *SetPoints) {
	if stage.Kind != Heat {
		return
	}
	c := in.Conditions
	need := stage.Core + quantity.Celsius(stage.CoreMargin)
	hot := !frozen && c.Airflow && c.DoorShut && c.CoreCount > 0 && c.CoreCount >= stage.MinCores && c.CoreCount >= int(r.Cores) &&
		c.ColdestCore >= need
	if hot && in.Stall == 0 {
		r.Exposure += elapsed
		r.Gap = 0
		r.Cores = max(r.Cores, int8(min(c.CoreCount, hardware.MaxProbes)))
		out.Counting = elapsed > 0
		return
	}
	r.Gap += elapsed + max(in.Stall, 0)
	if r.Gap > maxGap {
		// A probe that is lost for good no longer forbids a new count with those that remain.
		r.Cores = 0
		if stage.Unbroken {
			r.Exposure = 0
		}
	}
}

// decide finds out whether the stage is over.
func (r *Run) decide(plan *Plan, stage *Stage, c *Conditions, over bool, elapsed time.Duration) {
	cause := ByMoisture
	ended := false
	airOK := c.DryBulbOK && c.EMCOK && !c.Held && c.DoorShut
	switch stage.Kind {
	case Preheat:
		// A kiln too weak for the set points goes on: cooler air than wanted dries slower, not faster.
		cause, ended = ByTime, (r.AtPoints >= stage.For || r.Overdue) && r.InStage >= stage.MinDwell
	case Dry:
		next, long := r.next(plan), belowFor
		if stage.UntilMC == 0 && next == Equalize {
			long = driestFor
		}
		ended = r.steady(dried(plan, stage, next, c, r.AtRest), elapsed, long) && r.InStage >= stage.MinDwell && !over
	case Equalize:
		ended = r.steady(equalized(plan, c, r.AtRest), elapsed, belowFor) && r.InStage >= stage.MinDwell
	case Condition:
		cause, ended = ByTime, (r.AtPoints >= stage.For || r.Overdue) && r.InStage >= stage.MinDwell
	case Heat:
		cause, ended = ByExposure, r.Exposure >= stage.Exposure && r.InStage >= stage.MinDwell
	case Cool:
		cause, ended = ByCooling, released(c) && r.InStage >= stage.MinDwell
	}
	if ended && airOK {
		r.Next = Change{Wanted: true, Stage: r.Stage + 1, Cause: cause}
	}
}

// next gives the kind of the stage after this one, Cool when there is none.
func (r *Run) next(plan *Plan) Kind {
	if n := int(r.Stage) + 1; n < len(plan.Schedule.Stages) {
		return plan.Schedule.Stages[n].Kind
	}
	return Cool
}

// steady tells whether yes has been so for long enough.
func (r *Run) steady(yes bool, elapsed, long time.Duration) bool {
	if !yes {
		r.Below = 0
		return false
	}
	r.Below += elapsed
	return r.Below >= long
}

// sure tells that a moisture is known well enough to end a stage by.
func sure(b Belief) bool { return b.Valid && b.Sigma < maxSigma }

// dried tells that the wood is dry enough for the stage to end.
func dried(plan *Plan, stage *Stage, next Kind, c *Conditions, atRest uint8) bool {
	if stage.UntilMC > 0 {
		return sure(c.Charge) && c.Charge.Value <= float64(stage.UntilMC)
	}
	if next == Equalize {
		if !sure(c.Charge) { // the driest lot asks for it, and the wettest goes along
			return false
		}
		for i := range plan.Lots {
			b, limit := c.Lots[i].Driest, plan.Lots[i].Target-plan.Equalizing.StartBelow
			if atRest&(1<<i) != 0 {
				limit += restError
			}
			if sure(b) && sure(c.Lots[i].Control) && b.Value <= float64(limit) {
				return true
			}
		}
		return false
	}
	for i := range plan.Lots {
		if b := c.Lots[i].Mean; !sure(b) || !sure(c.Lots[i].Control) || b.Value > float64(plan.Lots[i].Target) {
			return false
		}
	}
	return true
}

// equalized tells that the wettest sample of every lot has come near enough to its target, or to rest no further from it
// than its oven-dry weight may be wrong, while the lot's mean is there.
func equalized(plan *Plan, c *Conditions, atRest uint8) bool {
	for i := range plan.Lots {
		b, limit := c.Lots[i].Wettest, plan.Lots[i].Target+plan.Equalizing.EndAbove
		if m := c.Lots[i].Mean; atRest&(1<<i) != 0 && sure(m) && m.Value <= float64(limit) {
			limit += restError
		}
		if !sure(b) || !sure(c.Lots[i].Control) || b.Value > float64(limit) {
			return false
		}
	}
	return true
}

// released tells that the kiln may be opened: wood cool, air not too far from outside, and fit for a person.
func released(c *Conditions) bool {
	if !c.DryBulbOK || !c.EMCOK || c.WetBulb >= coolWetBulb {
		return false
	}
	if c.OutdoorOK && c.DryBulb-c.Outdoor > coolStep || !c.OutdoorOK && c.DryBulb >= coolUnknown {
		return false
	}
	if c.CoreCount > 0 {
		return c.HottestCore < coolCore
	}
	return c.DryBulb < coolNoCore
}

// wait finds the lots that are done while others are still dried. Changes show from the next tick on.
func (r *Run) wait(plan *Plan, stage *Stage, c *Conditions) {
	if stage.Kind != Dry {
		r.Waiting = 0
		return
	}
	for i := range plan.Lots {
		driest, bit := c.Lots[i].Driest, uint8(1)<<i
		limit := float64(plan.Lots[i].Target - plan.Equalizing.StartBelow)
		switch {
		case !driest.Valid: // what is not known changes nothing
		case driest.Value <= limit:
			r.Waiting |= bit
		case driest.Value > limit+waitMargin:
			r.Waiting &^= bit
		}
	}
}

// waitFloor keeps lots that are done from over-drying: the EMC does not fall under what their driest samples may come
// to, as long as the stage can still end and every lot be equalized. The last dry stage ends instead.
func (p *Plan) waitFloor(stage *Stage, waiting uint8) quantity.MoistureContent {
	floor := quantity.MoistureContent(0)
	if waiting == 0 || stage.Kind != Dry || stage.UntilMC == 0 {
		return floor
	}
	for i := range p.Lots {
		if waiting&(1<<i) != 0 {
			floor = max(floor, p.Lots[i].Target-p.Equalizing.StartBelow)
		}
	}
	return min(floor, p.lowestTarget()+p.Equalizing.EndAbove-equalizeRoom, stage.UntilMC-finalBelow)
}

// say fills in the set points as they stand.
func (r *Run) say(plan *Plan, stage *Stage, c *Conditions, out *SetPoints) {
	out.Active, out.Stage, out.Kind = true, r.Stage, stage.Kind
	out.DryBulb, out.EMC = r.DryBulb, r.EMC
	limit := max(plan.dryBulbCap(stage, c), restDryBulb)
	if !r.Started {
		out.DryBulb, out.EMC = restDryBulb, maxEMC
	} else if r.DryBulb > limit {
		r.DryBulb, out.DryBulb = limit, limit
	}
	out.BaseDryBulb, out.BaseEMC = stage.DryBulb, stage.EMC
	out.GuardBias, out.Override, out.DutyCap = r.Bias, r.Override.On, r.DutyCap
	out.Wet = !c.Charge.Valid || c.Charge.Value > fiberSaturation
	out.FanSpeed = fanSpeed(stage.Kind, c)
	out.Permit = r.permits(stage, c)
	out.DoorRelease = stage.Kind == Cool && released(c)
}

// fanSpeed: air speed matters while the surface is wet. Full to 40 %, then less in a straight line to 60 % at 20 %; full
// wherever heat or moisture has to reach every board.
func fanSpeed(k Kind, c *Conditions) quantity.Ratio {
	const fullAt, lowAt, low = 40, 20, 0.6
	if k != Dry || !c.Charge.Valid {
		return 1
	}
	share := (c.Charge.Value - lowAt) / (fullAt - lowAt)
	return quantity.Ratio(low + (1-low)*min(max(share, 0), 1))
}

// permits says what the actuators may do, by kind and hold.
func (r *Run) permits(stage *Stage, c *Conditions) Permit {
	p := PermitFans
	if !r.Started || r.Hold&(HoldOutage|HoldFiles|HoldAir|HoldDoor) != 0 {
		return p
	}
	if r.Hold&HoldTrip != 0 {
		return p | PermitVent
	}
	dryEnough := c.Charge.Valid && c.Charge.Value < ventDryMC
	switch stage.Kind {
	case Preheat:
		p |= PermitCompressor | PermitHeat | PermitReversal
	case Dry:
		p |= PermitCompressor | PermitVent | PermitReversal
		if r.Cold {
			p |= PermitHeat
		}
		if dryEnough {
			p |= PermitVentDry
		}
	case Equalize:
		p |= PermitCompressor | PermitHeat | PermitVent | PermitSpray | PermitReversal
		if dryEnough {
			p |= PermitVentDry
		}
	case Condition:
		p |= PermitHeat | PermitVent | PermitSpray | PermitReversal // the fans alone may drive a closed room too hot
	case Heat:
		p |= PermitHeat
		if r.Exposure == 0 && c.ColdestCore < stage.Core {
			p |= PermitReversal
		}
	case Cool:
		p |= PermitVent | PermitReversal
	}
	if r.Hold&HoldRate != 0 {
		p &^= PermitCompressor | PermitHeat | PermitVentDry
	}
	return p
}
