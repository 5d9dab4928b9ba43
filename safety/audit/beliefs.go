package audit

import (
	"time"

	"drywarden/hardware/trace"
)

func beliefsRest(c *Checker) {
	f, r, m := &c.f, c.f.r, &c.m.near
	if r.DryBulbValid {
		c.tested()
		away := f.dryBulbs > 0 && (r.DryBulb > f.hottest+5 || r.DryBulb < f.coldest-5)
		if !away {
			m.known, m.at, m.value = true, f.now, r.DryBulb
		}
		switch {
		case f.now-f.lastDry > rideThrough+slack:
			c.fail("no dry bulb 60 s after the last valid probe", "believed after %v", f.now-f.lastDry)
		case away && m.known && f.now-m.at <= rideThrough+slack && r.DryBulb <= m.value+1 && r.DryBulb >= m.value-1:
			// Readings that jumped away are not believed at once: the last good one stands in, as for a lost one.
		case away:
			c.fail("within 5 K of a probe", "believed %.2f C, probes %.2f to %.2f C", r.DryBulb, f.coldest, f.hottest)
		}
	}
	if !r.DryBulbValid || f.newBoot {
		m.known = false
	}
	if r.EMCValid {
		c.tested()
		if f.now-f.lastHumid > rideThrough+slack {
			c.fail("no EMC 60 s after the last valid probe", "believed after %v", f.now-f.lastHumid)
		}
	}
}

func moisturePossible(c *Checker) {
	r := c.f.r
	if r.Stage < 0 {
		return
	}
	for i := range c.h.lots {
		l := &r.Lots[i]
		if (!c.f.sameRun || c.f.newBoot) && *l == (trace.LotBelief{}) {
			continue // the tick in which the run begins, or begins again since the first time was not saved: nothing is believed yet
		}
		c.tested()
		// Written so that NaN fails it.
		if !(l.Control >= moistureLow && l.Control <= moistureHigh && l.Mean >= moistureLow && l.Mean <= moistureHigh && l.Sigma >= 0) {
			c.fail("2 to 250 %, sigma not negative", "lot %d: control %.2f %%, mean %.2f %%, sigma %.2f", i, l.Control, l.Mean, l.Sigma)
		}
	}
}

// weighTime is how long a weight may take until it is believed: beliefs are worked out once a minute.
const weighTime = time.Minute + 2*time.Second

func moistureRises(c *Checker) {
	f, r, m := &c.f, c.f.r, &c.m
	if f.was.has(spray) || f.kind == kindCondition {
		m.wetted = f.age
	}
	if f.weighed {
		m.weighed = f.age
	}
	if r.Stage < 0 || m.riseRun != r.RunID || f.newBoot || m.weighed != never && m.weighed > f.age-weighTime || m.wetted != never && m.wetted > f.age-commandTime {
		for i := range m.rise {
			m.rise[i].filled = false
		}
		m.riseRun = r.RunID
		if r.Stage < 0 {
			return
		}
	}
	for i := range c.h.lots {
		v := r.Lots[i].Control
		if v == 0 {
			m.rise[i].filled = false
			continue
		}
		least := m.rise[i].add(f.age, v)
		c.tested()
		if v > least+moistureRise+tiny {
			c.fail("at most 0.3 points in an hour", "lot %d from %.3f %% to %.3f %%", i, least, v)
			m.rise[i].filled = false // told once; what comes next is judged afresh
		}
	}
}
