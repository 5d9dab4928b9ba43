package audit

import (
	"slices"
	"time"

	"drywarden/hardware/trace"
)

// tiny forgives rounding in sums of many small steps.
const tiny = 1e-6

func setWithin(c *Checker) {
	r, h := c.f.r, &c.h
	if !r.SetActive {
		return
	}
	c.tested()
	switch {
	case h.setMax > 0 && r.SetDryBulb > h.setMax+tiny:
		c.fail("at most the kiln's limit", "set point %.2f C, limit %.2f C", r.SetDryBulb, h.setMax)
	case r.SetDryBulb > h.lowestMax+tiny:
		c.fail("at most what the wood bears", "set point %.2f C, limit %.2f C", r.SetDryBulb, h.lowestMax)
	case !(r.SetEMC >= emcLow-tiny && r.SetEMC <= emcHigh+tiny):
		c.fail("EMC 3 to 24", "EMC set point %.2f %%", r.SetEMC)
	case !(r.SetDryBulb > -20):
		c.fail("a temperature that a kiln can be set to", "set point %v C", r.SetDryBulb)
	}
}

func greenCool(c *Checker) {
	r := c.f.r
	if !r.SetActive || c.header.Run == nil || r.Stage < 0 {
		return
	}
	for i := range c.h.lots {
		l := &c.header.Run.Lots[i]
		saturation := l.FiberSaturation
		if saturation <= 0 {
			saturation = 30
		}
		if l.GreenMaxDryBulb <= 0 || r.Lots[i].Control <= saturation {
			continue
		}
		c.tested()
		if r.SetDryBulb > l.GreenMaxDryBulb+tiny {
			c.fail("at most the green limit", "set point %.2f C, limit %.2f C, lot %s at %.1f %%", r.SetDryBulb, l.GreenMaxDryBulb,
				l.Name, r.Lots[i].Control)
		}
	}
}

func setRamps(c *Checker) {
	f, r, m := &c.f, c.f.r, &c.m.setpoints
	if !r.SetActive || r.Stage < 0 {
		m.has = m.has && !f.newHeader
		return
	}
	if m.has && m.run == r.RunID {
		c.tested()
		hours := f.dt.Hours()
		if f.newBoot && c.header.TailLost {
			hours = lostTail.Hours()
		}
		dryBulb, down, up := c.header.Limits.RampDryBulb, c.header.Limits.RampEMC, 0.0
		if int(r.Stage) < len(c.h.stages) {
			stage := &c.h.stages[r.Stage]
			dryBulb, down, up = rampOf(stage.RampDryBulb, dryBulb), rampOf(stage.RampEMCDown, down), stage.RampEMCUp
		}
		// After an interruption ramps start from what is measured: asking for no more than is there already is no jump.
		step := dryBulb*hours + tiny
		if dryBulb > 0 && r.SetDryBulb > m.dryBulb+step && !(r.DryBulbValid && r.SetDryBulb <= r.DryBulb+0.1+step) {
			c.fail("a ramp", "dry-bulb set point from %.4f C to %.4f C in %v, dry bulb %.2f C, at most %.1f K/h",
				m.dryBulb, r.SetDryBulb, f.dt, r.DryBulb, dryBulb)
		}
		if fall := down*hours + tiny; down > 0 && r.SetEMC < m.emc-fall && !(r.EMCValid && r.SetEMC >= r.EMC-0.1-fall) {
			c.fail("a ramp", "EMC set point from %.4f %% to %.4f %% in %v, EMC %.2f %%, at most %.1f %%/h",
				m.emc, r.SetEMC, f.dt, r.EMC, down)
		}
		// Towards safe they may go faster; but in a kiln at work they do not jump, and an absence that makes the air gentler
		// adds no more than a ramp to the ramp.
		p := &c.prev
		steady := f.mode == modeWork && f.prevMode == modeWork && f.forced == forcedNone && f.prevForced == forcedNone &&
			!f.newBoot && r.DryBulbValid && r.EMCValid && p.DryBulbValid && p.EMCValid
		if steady && dryBulb > 0 && r.SetDryBulb < m.dryBulb-2*step && !c.greenLimit(r.SetDryBulb) {
			c.fail("a ramp", "dry-bulb set point from %.4f C to %.4f C in %v at work, at most %.1f K/h", m.dryBulb, r.SetDryBulb, f.dt, 2*dryBulb)
		}
		if steady && up > 0 && r.SetEMC > m.emc+2*up*hours+tiny {
			c.fail("a ramp", "EMC set point from %.4f %% to %.4f %% in %v at work, at most %.1f %%/h", m.emc, r.SetEMC, f.dt, 2*up)
		}
	}
	m.dryBulb, m.emc, m.has, m.run = r.SetDryBulb, r.SetEMC, true, r.RunID
}

// greenLimit tells whether a set point is what a lot above fibre saturation bears: a weighing may say at any time that one is.
func (c *Checker) greenLimit(dryBulb float64) bool {
	return c.header.Run != nil && slices.ContainsFunc(c.header.Run.Lots, func(l trace.Lot) bool {
		return dryBulb > l.GreenMaxDryBulb-0.01 && dryBulb < l.GreenMaxDryBulb+0.01
	})
}

// rampOf gives a stage's ramp, or where it tells none the greatest of any, which holds in any case.
func rampOf(stage, most float64) float64 {
	if stage <= 0 || most > 0 && stage > most {
		return most
	}
	return stage
}

func guardGentles(c *Checker) {
	f, r, m := &c.f, c.f.r, &c.m
	if !r.SetActive || r.Stage < 0 {
		m.guard = 0
		return
	}
	c.tested()
	if !(r.GuardBias >= -tiny) {
		c.fail("never negative", "bias %.3f", r.GuardBias)
	}
	if r.GuardBias <= tiny {
		m.guard = 0
		return
	}
	before := c.prev.SetEMC
	rising := c.has && !f.newBoot && r.SetEMC > before // on its way up it has not arrived yet
	if !r.Override && !rising && r.SetEMC < r.BaseEMC-tiny {
		c.fail("EMC at or above the stage's", "EMC set point %.3f %%, stage %.3f %%, bias %.3f", r.SetEMC, r.BaseEMC, r.GuardBias)
	}
	if f.control <= 0 || f.control >= guardBelow {
		m.guard = 0
		return
	}
	m.guard += f.dt
	switch {
	case f.sameRun && !f.newBoot && m.guard > f.dt && r.GuardBias > c.prev.GuardBias+tiny:
		c.fail("no growth under 20 %", "bias from %.3f to %.3f at %.1f %%", c.prev.GuardBias, r.GuardBias, f.control)
	case m.guard > belowFor:
		c.fail("gone 6 h after 20 %", "bias %.3f at %.1f %%", r.GuardBias, f.control)
	}
}

func lastDryEnds(c *Checker) {
	f, r := &c.f, c.f.r
	running := r.SetActive && int(r.Stage) == c.h.lastDry && !r.Override
	if !f.newHeader && !running || c.header.Run == nil || c.h.lastDry < 0 || len(c.header.Run.Lots) == 0 {
		return
	}
	c.tested()
	// With several targets the charge leaves the stage by the lot that is driest for its own: the highest target decides.
	most := c.h.highestTarget - underTarget + tiny
	if s := c.h.stages[c.h.lastDry]; f.newHeader && s.EMC > most {
		c.fail("at least 1.5 points under the target", "stage %s at EMC %.2f %%, target %.2f %%", s.Name, s.EMC, c.h.highestTarget)
	} else if running && r.BaseEMC > most {
		c.fail("at least 1.5 points under the target", "the stage asks for EMC %.2f %%, target %.2f %%", r.BaseEMC, c.h.highestTarget)
	}
}

func stagesInOrder(c *Checker) {
	f, r := &c.f, c.f.r
	if !f.sameRun {
		return
	}
	c.tested()
	from, to := c.prev.Stage, r.Stage
	switch {
	case to < from && !f.told(verbBack, commandTime):
		c.fail("no way back without an operator", "stage %d after %d", to, from)
	case to < from-1:
		c.fail("one stage back at a time", "stage %d after %d", to, from)
	case to > from+1:
		c.fail("one stage at a time", "stage %d after %d", to, from)
	}
}

// commandTime is how long after it was accepted a command may take to act: a slow disk comes first.
const commandTime = 2 * time.Minute

func advanceEarned(c *Checker) {
	judgeAdvance(c)
	trackBelow(c)
}

// trackBelow notes how long the control moisture has been low enough to leave the stage, with breaks of a minute
// forgiven: a change is decided first and done when it is durable.
func trackBelow(c *Checker) {
	f, r, m := &c.f, c.f.r, &c.m.below
	if r.Stage < 0 || int(r.Stage) >= len(c.h.stages) {
		return
	}
	until := c.h.stages[r.Stage].UntilMC
	switch {
	case m.stage != r.Stage || m.run != r.RunID || !c.has:
		m.length, m.broken, m.stage, m.run = 0, 0, r.Stage, r.RunID
		if !c.has {
			m.length = belowFor // a trace that begins in the middle of a stage is believed so far
		}
	case until > 0 && f.control > until:
		if m.broken += f.dt; m.broken > time.Minute {
			m.length = 0
		}
	default:
		m.broken = 0
		m.length += f.dt
	}
	if f.newBoot && c.header.TailLost {
		m.length += lostTail
	}
}

func judgeAdvance(c *Checker) {
	f, r, m := &c.f, c.f.r, &c.m.below
	p := &c.prev
	if !f.sameRun || f.newBoot || r.Stage <= p.Stage || f.told(verbAdvance, commandTime) {
		return
	}
	c.tested()
	s := &c.h.stages[p.Stage]
	kind := c.h.stageKind[p.Stage]
	sigma := 0.0
	if g := p.Governing; g >= 0 && int(g) < c.h.lots {
		sigma = p.Lots[g].Sigma
	}
	switch {
	case f.mode == modeHold || f.prevMode == modeHold:
		c.fail("no advance in hold", "stage %s left in hold", s.Name)
	case f.forced != forcedNone || f.prevForced != forcedNone:
		c.fail("no advance while forced", "stage %s left, forced %s", s.Name, forcedNames[f.forced])
	case f.forbids(c, door):
		c.fail("no advance with the door open", "stage %s left", s.Name)
	case p.StageTime < time.Duration(s.MinDwellNS)-elapsedMost:
		c.fail("its dwell first", "stage %s left after %v of %v", s.Name, p.StageTime, time.Duration(s.MinDwellNS))
	case (kind == kindDry || kind == kindEqualize) && sigma >= sigmaMost:
		c.fail("sigma under 2.5", "stage %s left with sigma %.2f", s.Name, sigma)
	case f.now-f.lastDry > rideThrough+slack || f.now-f.lastHumid > rideThrough+slack:
		c.fail("readings within 60 s", "stage %s left %v after a dry bulb, %v after a humidity", s.Name, f.now-f.lastDry, f.now-f.lastHumid)
	case kind == kindDry && s.UntilMC > 0 && (m.length < belowFor-5*time.Minute || m.broken > time.Minute):
		c.fail("control moisture at or under its end for 6 h", "stage %s left at %.2f %%, end %.2f %%, for %v", s.Name, f.control, s.UntilMC, m.length)
	}
}

func stageTimeHonest(c *Checker) {
	f, r, p := &c.f, c.f.r, &c.prev
	if !f.sameRun {
		return
	}
	c.tested()
	most := min(f.dt, elapsedMost)
	switch {
	case f.newBoot && r.Stage == p.Stage && r.StageTime > p.StageTime+elapsedMost && !(c.header.TailLost && r.StageTime <= p.StageTime+lostTail):
		c.fail("no time earned over a restart", "stage time from %v to %v", p.StageTime, r.StageTime)
	case f.newBoot:
	case r.Stage != p.Stage && r.StageTime > most+slack:
		c.fail("a stage that begins at zero", "stage time %v", r.StageTime)
	case r.Stage == p.Stage && r.StageTime > p.StageTime+most+slack:
		c.fail("no faster than time", "stage time from %v to %v in %v", p.StageTime, r.StageTime, f.dt)
	}
}

func holdFreezes(c *Checker) {
	f, r, p := &c.f, c.f.r, &c.prev
	if !f.sameRun || f.newBoot || f.mode != modeHold || f.prevMode != modeHold {
		return
	}
	c.tested()
	moved := f.told(verbAdvance, commandTime) || f.told(verbBack, commandTime)
	switch {
	case r.Stage != p.Stage:
		if !moved {
			c.fail("the stage it was in", "stage %d after %d", r.Stage, p.Stage)
		}
	case r.StageTime > p.StageTime:
		c.fail("stage time that stands", "from %v to %v", p.StageTime, r.StageTime)
	case r.Exposure > p.Exposure:
		c.fail("an exposure that stands", "from %v to %v", p.Exposure, r.Exposure)
	}
}

func holdObeyed(c *Checker) {
	f, m := &c.f, &c.m.hold
	switch {
	case c.h.anyVerb:
		return
	case f.commands&(1<<verbResume|1<<verbStart|1<<verbEnd) != 0 || f.r.Stage < 0 && f.mode == modeRest:
		m.asked = false
	case f.commands>>verbHold&1 != 0:
		m.asked, m.at = true, f.age
	}
	if !m.asked {
		return
	}
	c.tested()
	if f.mode == modeWork && f.age-m.at > time.Minute {
		c.fail("hold until resumed", "at work %v after the hold", f.age-m.at)
	}
}

func holdIsTold(c *Checker) {
	f, m := &c.f, &c.m.told
	if f.mode != modeHold {
		m.in = false
		return
	}
	if !m.in {
		m.in, m.since, m.before = true, f.age, f.midway
	}
	// A latched trip is told by what it does; who turned the inhibit key, opened the door or pressed a button knows why. All
	// of that excuses a hold while it lasts and no longer.
	if f.alarmed || f.r.Trips != 0 || f.proves(inhibit|door|eStop|insideButton) || c.m.hold.asked || c.h.anyVerb && f.told(verbHold, holdTold) || c.m.told.on > 0 {
		m.since = f.age
	}
	if m.before { // what was told before the trace begins is not in it
		return
	}
	c.tested()
	if f.age-m.since > holdTold {
		c.fail("an alarm, or an operator's hold", "held for %v without", f.age-m.since)
	}
}

func changedWait(c *Checker) {
	f, m := &c.f, &c.m
	if !m.changed {
		return
	}
	c.tested()
	if f.words>>matterFiles&1 != 0 || f.commands&(1<<verbEnd|1<<verbStart) != 0 {
		m.changed = false
		return
	}
	if f.mode == modeWork {
		c.fail("hold until confirmed", "at work, kiln or schedule changed and nobody confirmed")
	}
}

func wettestGoverns(c *Checker) {
	f, r := &c.f, c.f.r
	if f.kind != kindDry || r.Stage < 0 || c.h.lots < 2 || f.control <= 0 {
		return
	}
	c.tested()
	g := int(r.Governing)
	if g < 0 {
		c.fail("a lot that governs", "none")
	} else if g < c.h.lots && r.Lots[g].Control < f.control-0.5 {
		c.fail("the wettest", "lot %d at %.2f %%, wettest %.2f %%", g, r.Lots[g].Control, f.control)
	}
}
