package audit

import "time"

// exposureGood tells that this tick may count towards the heat exposure.
func exposureGood(c *Checker) bool {
	f := &c.f
	if f.kind != kindHeat || f.r.Stage < 0 || int(f.r.Stage) >= len(c.h.stages) {
		return false
	}
	s := &c.h.stages[f.r.Stage]
	return f.cores >= max(1, s.MinCores) && f.coldestCore >= s.Core && f.proves(airflow) && !f.forbids(c, door) &&
		f.mode != modeHold
}

func exposureConditions(c *Checker) {
	f, r, p := &c.f, c.f.r, &c.prev
	grew := f.sameRun && !f.newBoot && r.Stage == p.Stage && r.Exposure > p.Exposure
	if !r.ExposureCount && !grew {
		return
	}
	c.tested()
	switch {
	case !r.ExposureCount:
		c.fail("no growth in a tick that does not count", "from %v to %v", p.Exposure, r.Exposure)
	case f.kind != kindHeat:
		c.fail("counting in heat stages only", "counted in %s", kindNames[f.kind])
	case !exposureGood(c):
		c.fail("enough valid cores, warm enough, air proven, door shut, no hold", "counted with %d cores, the coldest %.2f C, air proven: %t, door shut: %t, mode %s",
			f.cores, f.coldestCore, f.proves(airflow), !f.forbids(c, door), modeNames[f.mode])
	}
}

// exposureBacked counts for itself, from the raw readings, and lets the controller count less but not more.
func exposureBacked(c *Checker) {
	f, r, m := &c.f, c.f.r, &c.m.exposure
	m.before = m.own
	if c.has && r.Stage != c.prev.Stage && f.sameRun && c.h.stageKind[c.prev.Stage] == kindHeat && r.Stage > c.prev.Stage &&
		!f.newBoot && !f.told(verbAdvance, commandTime) {
		c.tested()
		s := &c.h.stages[c.prev.Stage]
		if m.known && m.own < time.Duration(s.ExposureNS)-elapsedMost {
			c.fail("the whole exposure before the stage is left", "stage %s left after %v borne out of %v", s.Name, m.own, time.Duration(s.ExposureNS))
		}
	}
	if f.kind != kindHeat || r.Stage < 0 || int(r.Stage) >= len(c.h.stages) {
		m.known = false
		return
	}
	s := &c.h.stages[r.Stage]
	if !m.known || m.stage != r.Stage || m.run != r.RunID {
		// A trace that begins in the middle of a count is believed so far.
		m.own, m.gap = 0, 0
		if !c.has {
			m.own = r.Exposure
		}
		m.known, m.stage, m.run = true, r.Stage, r.RunID
	}
	if f.newBoot && c.has {
		if s.Unbroken {
			m.own = 0
		} else if c.header.TailLost {
			m.own += lostTail
		}
		m.gap = 0
	}
	if exposureGood(c) {
		m.own += min(f.dt, elapsedMost)
		m.gap = 0
	} else if m.gap += f.dt; m.gap > rideThrough+elapsedMost && s.Unbroken {
		m.own = 0
	}
	if r.Exposure > 0 {
		c.tested()
	}
	// Once complete it may stand until the stage is left.
	complete := c.has && c.prev.Exposure >= time.Duration(s.ExposureNS) && s.ExposureNS > 0 && m.before >= time.Duration(s.ExposureNS)-elapsedMost
	if complete && r.Exposure <= c.prev.Exposure && !f.newBoot {
		m.own = max(m.own, m.before)
		return
	}
	if r.Exposure > m.own+elapsedMost {
		c.fail("no more than the readings bear out", "counted %v, borne out %v", r.Exposure, m.own)
	}
}

func exposureRestarts(c *Checker) {
	f, r, m := &c.f, c.f.r, &c.m.exposure
	if f.kind != kindHeat || r.Stage < 0 || int(r.Stage) >= len(c.h.stages) || !f.sameRun || r.Stage != c.prev.Stage {
		return
	}
	s := &c.h.stages[r.Stage]
	switch {
	case f.newBoot && s.Unbroken:
		c.tested()
		if r.Exposure > 0 {
			c.fail("zero after a restart", "%v", r.Exposure)
		}
	case f.newBoot:
		c.tested()
		if r.Exposure > c.prev.Exposure+elapsedMost && !(c.header.TailLost && r.Exposure <= c.prev.Exposure+lostTail) {
			c.fail("nothing earned over a restart", "from %v to %v", c.prev.Exposure, r.Exposure)
		}
	case s.Unbroken && m.gap > rideThrough+elapsedMost && (s.ExposureNS <= 0 || c.prev.Exposure < time.Duration(s.ExposureNS)):
		c.tested()
		if r.Exposure > 0 {
			c.fail("zero after a gap over 60 s", "%v after a gap of %v", r.Exposure, m.gap)
		}
	}
}
