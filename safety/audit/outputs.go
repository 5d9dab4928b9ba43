package audit

import (
	"math"
	"math/bits"
	"time"

	"drywarden/hardware/trace"
)

func recordFits(c *Checker) {
	f, r := &c.f, c.f.r
	c.tested()
	run := c.header.Run
	switch {
	case r.Boot != c.header.Boot:
		c.fail("the boot of the header", "boot %d under the header of boot %d", r.Boot, c.header.Boot)
	case f.mode == 0:
		c.fail("a mode of the header", "mode %d", r.Mode)
	case f.forced == 0:
		c.fail("a forced level of the header", "forced level %d", r.Forced)
	case r.EventCount > trace.MaxEvents:
		c.fail("at most as many events as fit", "%d events", r.EventCount)
	case r.Stage >= 0 && run == nil:
		c.fail("no stage without a run", "stage %d", r.Stage)
	case r.Stage >= 0 && r.RunID != run.ID:
		c.fail("the run of the header", "run %d under the header of run %d", r.RunID, run.ID)
	case r.Stage >= 0 && int(r.Stage) >= len(c.h.stages):
		c.fail("a stage of the run", "stage %d of %d", r.Stage, len(c.h.stages))
	case r.Stage >= 0 && f.kind != c.h.stageKind[r.Stage]:
		c.fail("the kind of the stage", "kind %d (%s) in stage %q of kind %s", r.StageKind, kindNames[f.kind], c.h.stages[r.Stage].Name, c.h.stages[r.Stage].Kind)
	case int(r.Governing) >= c.h.lots:
		c.fail("a lot of the run", "governing lot %d of %d", r.Governing, c.h.lots)
	default:
		for i := range c.h.probes {
			if int(r.ProbeQuality[i]) >= c.h.qualities {
				c.fail("a quality of the header", "probe %d has quality %d", i, r.ProbeQuality[i])
				return
			}
		}
	}
}

func ticksInOrder(c *Checker) {
	f, r := &c.f, c.f.r
	if !c.has {
		return
	}
	c.tested()
	switch {
	case f.newBoot && !c.m.bootOrder:
		c.fail("boots that grow", "boot %d after boot %d", c.header.Boot, c.prev.Boot)
	case f.newBoot && r.Tick != 1:
		c.fail("a boot that begins with tick 1", "tick %d", r.Tick)
	case f.newBoot:
	case r.Tick != c.prev.Tick+1:
		c.fail("the next tick", "tick %d after tick %d", r.Tick, c.prev.Tick)
	case r.Uptime <= c.prev.Uptime:
		c.fail("uptime that grows", "uptime %v after %v", r.Uptime, c.prev.Uptime)
	}
}

func tickKeepsTime(c *Checker) {
	if c.f.newBoot || !c.has {
		return
	}
	c.tested()
	if float64(c.f.dt) > tickMost*float64(c.h.tick) {
		c.fail("at most 1.5 tick lengths", "%v after the tick before", c.f.dt)
	}
}

func numbersPossible(c *Checker) {
	r, h := c.f.r, &c.h
	c.tested()
	for i := range h.probes {
		if r.ProbeQuality[i] != h.valid {
			continue
		}
		// Written so that NaN fails it.
		if v, b := r.Probe[i], h.probes[i]; !(v >= b.low && v <= b.high) {
			c.fail("a reading that a probe can give", "probe %s reads %v", c.header.Probes[i].Name, v)
			return
		}
	}
	// One sum is NaN or infinite when any part is; the parts are too small to reach infinity together.
	sum := r.SetDryBulb*0 + r.SetEMC*0 + r.BaseDryBulb*0 + r.BaseEMC*0 + r.GuardBias*0 + r.DryBulb*0 + r.EMC*0 +
		r.Condensate*0 + r.Energy*0
	for i := range h.lots {
		l := &r.Lots[i]
		sum += l.Control*0 + l.Mean*0 + l.Sigma*0 + l.Rate*0
	}
	switch {
	case sum != 0:
		c.fail("finite numbers", "set points %v C %v %%, air %v C %v %%, lots %v", r.SetDryBulb, r.SetEMC, r.DryBulb, r.EMC, r.Lots[:h.lots])
	case r.DryBulbValid && !(r.DryBulb > -80 && r.DryBulb < 250):
		c.fail("a temperature that a kiln can have", "dry bulb %v C", r.DryBulb)
	case r.EMCValid && !(r.EMC >= 0 && r.EMC <= 40):
		c.fail("an EMC that air can have", "EMC %v %%", r.EMC)
	}
}

func onlyFitted(c *Checker) {
	f := &c.f
	if f.on == 0 {
		return
	}
	c.tested()
	if extra := f.on &^ c.h.fitted; extra != 0 {
		c.fail("nothing that is not fitted", "%s", extra.list(outputNames))
	}
}

func gateTakesAway(c *Checker) {
	f := &c.f
	extra := f.on &^ f.asked &^ signals
	if f.on != 0 {
		c.tested()
	}
	if f.forced != forcedNone {
		extra &^= vent | f.was&fans
	}
	if extra != 0 {
		c.fail("only what was requested", "%s applied, not requested", extra.list(outputNames))
	}
}

func refusalsTold(c *Checker) {
	f := &c.f
	refused := f.asked &^ f.on &^ signals
	if refused == 0 {
		return
	}
	c.tested()
	if silent := refused &^ f.vetoed; silent != 0 && f.forced == forcedNone {
		c.fail("a veto for each refusal", "%s requested, not applied, no veto", silent.list(outputNames))
	}
}

func speedsPossible(c *Checker) {
	f, r := &c.f, c.f.r
	if f.on&fans == 0 {
		return
	}
	c.tested()
	for i, v := range r.AppliedSpeed {
		if !(v >= 0 && v <= 1) {
			c.fail("a speed of 0 to 1", "fan group %d at %v", i+1, v)
		} else if v > r.RequestedSpeed[i]+1e-9 && f.forced == forcedNone {
			c.fail("no faster than requested", "fan group %d at %v, requested %v", i+1, v, r.RequestedSpeed[i])
		}
	}
}

func fanDirections(c *Checker) {
	f := &c.f
	if (f.on|f.readOn)&fans == 0 {
		return
	}
	c.tested()
	if both := f.on & forward & (f.on & reverse >> 4); both != 0 {
		c.fail("one direction", "both directions of %s", both.list(outputNames))
	}
	// A welded contactor is not the program's doing; leaving the other direction on is.
	if both := f.readOn & forward & (f.readOn & reverse >> 4); both != 0 && f.on&(both|both<<4) != 0 {
		c.fail("both directions off once they are read back together", "%s read back with its reverse, %s still applied",
			both.list(outputNames), (f.on & (both | both<<4)).list(outputNames))
	}
}

func fansCoast(c *Checker) {
	f, m := &c.f, &c.m.coast
	if f.newBoot {
		for g := range m {
			if c.header.TailLost {
				m[g].last = 0 // they may have turned in what is lost
			}
			for d := range 2 {
				// Those that ran went off at the latest when the boot began; earlier by an outage whose length is known.
				if f.endOn.has(set(1)<<(g+4*d)) && f.knows {
					m[g].offSince[d] = f.endAge
				} else if f.endOn.has(set(1)<<(g+4*d)) || !f.knows {
					m[g].offSince[d] = f.sums
				}
			}
		}
	}
	if (f.rising|f.falling)&fans == 0 {
		return
	}
	for g := range m {
		for d := range 2 {
			this, other := set(1)<<(g+4*d), set(1)<<(g+4*(1-d))
			if f.falling.has(this) {
				m[g].offSince[d] = f.age
			}
			if !f.rising.has(this) {
				continue
			}
			if m[g].last == 2-d && !f.on.has(other) {
				c.tested()
				if rest := f.age - m[g].offSince[1-d]; rest < time.Duration(c.h.coast)-slack {
					c.fail("coast-down first", "%s on %v after the other direction", this.list(outputNames), rest)
				}
			} else if f.on.has(other) {
				c.tested()
				c.fail("coast-down first", "%s on with the other direction", this.list(outputNames))
			}
			m[g].last = 1 + d
		}
	}
}

func heatNeedsAir(c *Checker) {
	f := &c.f
	if f.on&heat == 0 {
		return
	}
	c.tested()
	if f.now-f.lastAir > airForHeat+slack {
		c.fail("air proven within 10 s", "%s on, airflow %s", (f.on & heat).list(outputNames), since(f, f.lastAir))
	}
}

func since(f *frame, at time.Duration) string {
	if at == never {
		return "never proven"
	}
	return "proven " + (f.now - at).String() + " ago"
}

func heatNeedsDryBulb(c *Checker) {
	f := &c.f
	if f.on&heat == 0 {
		return
	}
	c.tested()
	limit := c.header.Limits.DryBulbMax
	switch {
	case f.dryBulbs == 0:
		c.fail("no heat without a valid dry bulb", "%s on", (f.on & heat).list(outputNames))
	case f.dryBulbs > 0 && limit > 0 && f.hottest >= limit-heatMargin:
		c.fail("a dry bulb 1 K under the limit", "%s on at %.2f C, limit %.2f C", (f.on & heat).list(outputNames), f.hottest, limit)
	}
}

func heatAlone(c *Checker) {
	f := &c.f
	var d time.Duration
	if f.was&heat != 0 && f.lone && !f.newBoot {
		d = f.dt
		c.tested()
	}
	if sum := c.m.alone.add(f.age, d); d > 0 && sum > time.Duration(dutyAlone*float64(time.Hour)) && f.on&heat != 0 {
		c.fail("at most 30 % of an hour", "heat on for %v of the last hour on one dry bulb", sum)
	}
}

func compressorNeedsAir(c *Checker) {
	f := &c.f
	if f.on&compressor == 0 {
		return
	}
	c.tested()
	switch {
	case f.now-f.lastAir > airForCompressor+slack:
		c.fail("air through the load proven within 30 s", "compressor on, airflow %s", since(f, f.lastAir))
	case c.h.wired.has(blowerAir) && f.now-f.lastBlower > airForCompressor+slack:
		c.fail("air over the evaporator proven within 30 s", "compressor on, evaporator air %s", since(f, f.lastBlower))
	case !c.h.wired.has(blowerAir) && c.h.fitted.has(blower) && f.on&(blower|blowerLow) == 0:
		c.fail("blower on with the compressor", "compressor on, blower off")
	}
}

func compressorNeedsProbes(c *Checker) {
	f := &c.f
	if f.on&compressor == 0 {
		return
	}
	c.tested()
	switch {
	case f.dryBulbs == 0:
		c.fail("off without a valid dry bulb", "compressor on")
	case !f.humid && f.rising.has(compressor):
		c.fail("no start without humidity", "compressor started, no humidity source valid")
	case f.now-f.lastHumid > rideThrough+slack:
		c.fail("off 60 s after the last valid humidity", "compressor on after %v", f.now-f.lastHumid)
	}
}

func compressorRests(c *Checker) {
	f, m := &c.f, &c.m.rest
	if f.newBoot {
		m.offSince = f.sums // just stopped, whatever the outage
		if f.midway {
			m.offSince = never
		}
	}
	if f.falling.has(compressor) {
		m.offSince = f.age
	}
	if f.rising.has(compressor) {
		c.tested()
		if rest := f.age - m.offSince; rest < time.Duration(c.h.rest)-slack {
			c.fail("its full rest", "started after %v", rest)
		}
	}
}

func compressorRuns(c *Checker) {
	f, m := &c.f, &c.m.rest
	if f.midway {
		m.onSince = never
	}
	if f.rising.has(compressor) {
		m.onSince = f.age
	}
	if !f.falling.has(compressor) {
		return
	}
	c.tested()
	if ran := f.age - m.onSince; ran < time.Duration(c.h.minOn)-slack && !f.safe(c, compressor) && !compressorMust(c) {
		c.fail("its minimum time on", "switched off after %v with nothing wrong", ran)
	}
}

// compressorMust tells that the machine itself or the stage forbids it to run on.
func compressorMust(c *Checker) bool {
	f, h := &c.f, &c.h
	if h.ambientMax > 0 && (f.hottest > h.ambientMax-1 || f.r.BaseDryBulb > h.ambientMax-1) || f.hottest < h.ambientMin+1 ||
		h.wired.has(blowerAir) && !f.proves(blowerAir) || f.told(verbEnd, time.Minute) {
		return true
	}
	for _, i := range h.coil {
		if !f.measured(h, i) || f.r.Probe[i] < 0 {
			return true // frost
		}
	}
	return false
}

func compressorStarts(c *Checker) {
	f, m := &c.f, &c.m.start
	if f.newBoot && !f.knows {
		for i := range m.ages {
			m.ages[i] = never
		}
	}
	if !f.rising.has(compressor) {
		return
	}
	c.tested()
	// The one that many starts ago; ages wraps round, so that starts below its length only.
	n := min(c.h.starts, len(m.ages)-1)
	if before := m.ages[(m.n+len(m.ages)-n)%len(m.ages)]; before != never && f.age-before < time.Hour-slack {
		c.fail("fewer starts", "start number %d within %v", n+1, f.age-before)
	}
	m.ages[m.n] = f.age
	m.n = (m.n + 1) % len(m.ages)
}

func compressorAmbient(c *Checker) {
	f, h := &c.f, &c.h
	if f.on&compressor == 0 || h.ambientMax <= h.ambientMin {
		return
	}
	c.tested()
	switch {
	case f.dryBulbs > 0 && f.hottest > h.ambientMax:
		c.fail("dry bulb at most the machine's limit", "%.2f C, limit %.2f C", f.hottest, h.ambientMax)
	case f.dryBulbs > 0 && f.hottest < h.ambientMin:
		c.fail("dry bulb at least the machine's limit", "%.2f C, limit %.2f C", f.hottest, h.ambientMin)
	case f.r.SetActive && f.r.SetDryBulb > h.ambientMax+1e-6:
		c.fail("set point at most the machine's limit", "set point %.2f C, limit %.2f C", f.r.SetDryBulb, h.ambientMax)
	}
}

func heatAndVent(c *Checker) {
	f := &c.f
	var d time.Duration
	if f.r.VentDry && f.was.has(vent) && !f.newBoot {
		d = f.dt
	}
	duty := c.m.ventDry.add(f.age, d)
	if d > 0 {
		c.tested()
		// A pulse of a minute may stand across the hour's edge.
		if duty > time.Duration(dutyAlone*float64(time.Hour))+time.Minute {
			c.fail("vents open for at most 30 % of an hour in vent-dry", "open for %v of the last hour", duty)
		}
	}
	if f.on&heat == 0 || !f.on.has(vent) {
		return
	}
	c.tested()
	switch {
	case !f.r.VentDry:
		c.fail("never both", "%s on with the vent", (f.on & heat).list(outputNames))
	case f.control >= ventDryBelow:
		c.fail("vent-dry only under 20 %", "control moisture %.2f %%", f.control)
	case f.rising&(heat|vent) != 0:
		if in, out, ok := vapour(c); ok && in-out < 0.0015 {
			c.fail("vent-dry only with drier air outdoors", "%.1f g/kg inside, %.1f g/kg outdoors", in*1000, out*1000)
		}
	}
}

// vapour gives humidity ratios inside and outdoors. Saturation pressure over water by the Magnus form with the
// coefficients of Alduchov and Eskridge (1996, J. Appl. Meteorol. 35, eq. 21; -40 to 50 C, used here a little beyond); at
// sea-level pressure, which makes the difference smaller than it is higher up, and so forgives.
func vapour(c *Checker) (in, out float64, ok bool) {
	f, h := &c.f, &c.h
	t, ok1 := first(f, h, h.outdoorTemp)
	rh, ok2 := first(f, h, h.outdoorHumidity)
	inRH, ok3 := first(f, h, h.humidity)
	if !ok1 || !ok2 || !ok3 || f.dryBulbs == 0 {
		return 0, 0, false
	}
	ratio := func(t, rh float64) float64 {
		e := rh * 610.94 * math.Exp(17.625*t/(t+243.04))
		return 0.622 * e / (101325 - e)
	}
	return ratio(f.hottest, inRH), ratio(t, rh), true
}

func first(f *frame, h *tables, probes []uint8) (float64, bool) {
	for _, i := range probes {
		if f.measured(h, i) {
			return f.r.Probe[i], true
		}
	}
	return 0, false
}

func sprayAndCompressor(c *Checker) {
	f := &c.f
	if !f.on.has(spray) {
		return
	}
	c.tested()
	if f.on.has(compressor) {
		c.fail("never both", "spray and compressor on")
	}
}

func sprayWithHeat(c *Checker) {
	f := &c.f
	if !f.on.has(spray) || f.on&heat == 0 {
		return
	}
	c.tested()
	if f.now-f.lastAir > airForHeat+slack {
		c.fail("air proven within 10 s", "spray and heat on, airflow %s", since(f, f.lastAir))
	}
}

func intervals(c *Checker) {
	f, m := &c.f, &c.m.changedAt
	if f.newBoot {
		for i := range m {
			m[i] = f.sums
			if f.midway {
				m[i] = never
			}
		}
	}
	changes := (f.rising | f.falling) & (contactors | vent | spray)
	for left := uint32(changes); left != 0; left &= left - 1 {
		i := bits.TrailingZeros32(left)
		o := set(1) << i
		every := c.h.contactorEvery
		switch o {
		case vent:
			every = c.h.ventEvery
		case spray:
			every = c.h.sprayEvery
		}
		c.tested()
		forSafety := f.falling.has(o) && f.safe(c, o) || o == vent && f.forced != forcedNone
		// Nobody sprays into air that no fan moves. Vent-dry may end at any time, and heat gives way to an open vent at once.
		forSafety = forSafety || f.falling.has(o) && o == spray && f.was&fans == 0
		forSafety = forSafety || f.falling.has(o) && o&heat != 0 && f.was.has(vent) && !f.r.VentDry
		if gone := f.age - m[i]; gone < time.Duration(every)-slack && !forSafety {
			c.fail("its interval between changes", "%s changed %v after its last change", o.list(outputNames), gone)
		}
		m[i] = f.age
	}
}
