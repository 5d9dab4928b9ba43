package audit

import (
	"math/bits"
	"time"
)

func emergencyStop(c *Checker) {
	f := &c.f
	cause := f.forbids(c, eStop)
	reset := f.resets != 0 && (c.h.stopRules == 0 || f.resets&c.h.stopRules != 0)
	if !c.m.stop.step(f, c, cause, reset) {
		return
	}
	c.tested()
	if left := f.on &^ signals; left != 0 {
		if cause {
			c.fail("all off", "%s on with the emergency stop pressed or unreadable", left.list(outputNames))
		} else {
			c.fail("all off until reset at the panel", "%s on, not reset", left.list(outputNames))
		}
	}
}

// stopWaits: to let go of the button and to reset it are no order to go on.
func stopWaits(c *Checker) {
	f, m := &c.f, &c.m.stopped
	if f.newBoot && m.waiting && (c.header.TailLost || f.endAge-m.since < saveGrace) {
		m.waiting = false // the word may be in what is lost; or the stop was not yet saved
	}
	switch {
	case f.proves(eStop):
		if !m.waiting {
			m.since = f.age
		}
		m.waiting = true
	case f.words>>matterStop&1 != 0:
		m.waiting = false
	}
	if !m.waiting {
		return
	}
	c.tested()
	if start := f.rising & movers; start != 0 {
		c.fail("a person's word first", "%s started after an emergency stop", start.list(outputNames))
	}
}

func doorStops(c *Checker) {
	f := &c.f
	if !f.forbids(c, door) {
		return
	}
	c.tested()
	if left := f.on & movers; left != 0 {
		c.fail("fans, heat, compressor, spray off", "%s on with the door open or unreadable", left.list(outputNames))
	}
}

func doorWarned(c *Checker) {
	f, m := &c.f, &c.m.shut
	if f.newBoot {
		m.waiting, m.shutSince, m.sounded = false, f.sums, 0 // the start-up delay's own warning is judged there
	}
	if f.forbids(c, door) {
		m.open, m.waiting = true, true
		return
	}
	if m.open {
		m.open, m.shutSince, m.sounded = false, f.age, 0
	} else if f.was.has(sounder) {
		m.sounded += f.dt
	}
	if !m.waiting || f.rising&movers == 0 {
		return
	}
	c.tested()
	m.waiting = false
	tick := time.Duration(c.h.tick)
	switch {
	case f.age-m.shutSince < warning-slack:
		c.fail("door shut for 10 s", "%s started %v after it was shut", (f.rising & movers).list(outputNames), f.age-m.shutSince)
	case c.h.fitted.has(sounder) && m.sounded < warning-tick-slack:
		c.fail("10 s of sounder first", "%s started after %v of sounder", (f.rising & movers).list(outputNames), m.sounded)
	}
}

func limitStops(c *Checker) {
	f := &c.f
	limit, fire := f.forbids(c, highLimit), f.forbids(c, smoke)
	any := f.resets != 0
	onLimit := c.m.limit.step(f, c, limit, any && (c.h.limitRules == 0 || f.resets&c.h.limitRules != 0))
	onFire := c.m.fire.step(f, c, fire, any && (c.h.fireRules == 0 || f.resets&c.h.fireRules != 0))
	if !onLimit && !onFire {
		return
	}
	c.tested()
	switch left := f.on &^ signals; {
	case left&heat != 0:
		c.fail("heat off until reset at the panel", "%s on after limit or fire", (left & heat).list(outputNames))
	case fire && left != 0:
		c.fail("all off", "%s on with smoke told or the detector unreadable", left.list(outputNames))
	case onFire && left != 0:
		c.fail("all off until reset at the panel", "%s on after smoke, not reset", left.list(outputNames))
	}
}

// stands tells that a contact forbids now, or has and was not yet reset. One that cannot be read forbids while that
// lasts, and need not latch.
func (l *latch) stands(c *Checker, contact set, rules uint64) bool {
	f := &c.f
	return l.step(f, c, f.proves(contact), f.resets != 0 && (rules == 0 || f.resets&rules != 0)) || f.forbids(c, contact)
}

func refrigerantStops(c *Checker) {
	f := &c.f
	pressure := f.forbids(c, highPressure|lowPressure)
	leak, water := c.m.gas.stands(c, gas, c.h.gasRules), c.m.float.stands(c, float, c.h.floatRules)
	if !pressure && !leak && !water {
		return
	}
	c.tested()
	switch left := f.on &^ signals; {
	case water && left != 0:
		c.fail("all off until reset at the panel", "%s on with water at the float, or it unreadable, or not reset", left.list(outputNames))
	case leak && left&gasStops != 0:
		c.fail("compressor, heat, spray and crankcase heat off until reset", "%s on with refrigerant told, or its detector unreadable, or not reset", (left & gasStops).list(outputNames))
	case pressure && left.has(compressor):
		c.fail("compressor off", "on with %s active or unreadable", (c.h.wired & (highPressure | lowPressure) &^ f.clear).list(contactNames))
	}
}

// gasStops is what must be off in a leak of refrigerant that may burn; fans may dilute it.
const gasStops = compressor | heat | spray | crankcase

func nobodyInside(c *Checker) {
	f := &c.f
	button, key := c.m.inside.stands(c, insideButton, c.h.insideRules), c.m.inhibit.stands(c, inhibit, c.h.inhibitRules)
	if !button && !key {
		return
	}
	c.tested()
	if left := f.on &^ signals; left != 0 {
		c.fail("all off until reset at the panel", "%s on with the inside button or the inhibit key active, unreadable or not reset", left.list(outputNames))
	}
}

func mainsLost(c *Checker) {
	f := &c.f
	if !c.h.wired.has(mains) || f.proves(mains) {
		return
	}
	c.tested()
	if left := f.on & movers; left != 0 {
		c.fail("fans, heat, compressor, spray off", "%s on without mains", left.list(outputNames))
	}
}

func tooHot(c *Checker) {
	f := &c.f
	limit := c.header.Limits.DryBulbMax
	if limit <= 0 || f.dryBulbs == 0 || f.hottest <= limit {
		return
	}
	c.tested()
	if left := f.on & (heat | compressor | spray); left != 0 {
		c.fail("heat, compressor, spray off", "%s on at %.2f C, limit %.2f C", left.list(outputNames), f.hottest, limit)
	}
}

func forcedHold(c *Checker) {
	f := &c.f
	if f.forced == forcedNone {
		return
	}
	c.tested()
	switch left := f.on &^ signals; {
	case f.forced == forcedOff && left != 0:
		c.fail("all off", "%s on", left.list(outputNames))
	case f.forced != forcedSafe:
	case left&(heat|spray|compressor) != 0:
		c.fail("heat, spray, compressor off", "%s on", (left & (heat | spray | compressor)).list(outputNames))
	case f.rising&fans != 0:
		c.fail("no fan starts", "%s started", (f.rising & fans).list(outputNames))
	case left.has(vent) && !overheated(c):
		c.fail("vents shut unless it is too hot", "vent open at %.2f C, dry bulbs valid: %d", f.hottest, f.dryBulbs)
	}
}

// overheated tells that it was too hot and still is nearly so: the one case in which vents are open in the safe state. With
// no dry bulb nothing tells that it is not a fire.
func overheated(c *Checker) bool {
	f := &c.f
	limit := c.header.Limits.DryBulbMax
	was := f.r.Trips&c.h.hotRules != 0 || f.forbids(c, highLimit) || f.hottest > limit
	return was && f.dryBulbs > 0 && f.hottest > limit-stillHot
}

func tripsLatch(c *Checker) {
	f, m := &c.f, &c.m
	for left := f.resets; left != 0; left &= left - 1 {
		m.resetAt[bits.TrailingZeros64(left)] = f.age
	}
	if f.proves(panelReset) {
		m.panelAt = f.age
	}
	trips := f.r.Trips
	gone := m.trips &^ trips & c.h.latched
	if trips != 0 || gone != 0 {
		c.tested()
	}
	for left := gone; left != 0; left &= left - 1 {
		id := bits.TrailingZeros64(left)
		name := "?"
		for _, r := range c.header.Rules {
			if int(r.ID) == id {
				name = r.Name
			}
		}
		switch {
		case f.newBoot && f.endAge-m.tripAt[id] < saveGrace:
			// It acts first and is saved next: a crash in between may forget it.
		case f.newBoot && m.panelAt >= f.endAge-resetUntold && (c.h.byTechnician>>id&1 == 0 || m.grantAt[id] >= f.endAge-resetUntold):
			// The record without it is saved first and the reset told next: a crash in between may leave it untold. What only a
			// technician may clear no press of the panel's reset explains: an order was granted as well.
		case f.newBoot && trips&c.h.recordRules != 0:
			// The record of trips could not be read, and that is a trip itself, which a person must reset.
		case m.resetAt[id] < f.age-saveGrace:
			c.fail("a reset first", "trip %s is gone without a reset", name)
		case c.h.atPanel>>id&1 != 0 && m.panelAt < f.age-time.Minute:
			c.fail("the panel's reset held", "trip %s was reset without the panel", name)
		case c.h.byTechnician>>id&1 != 0 && c.h.grants && m.grantAt[id] < f.age-resetUntold && !(f.newBoot && c.header.TailLost):
			c.fail("a technician's order", "trip %s was reset by the panel alone", name)
		}
	}
	for left := trips &^ m.trips; left != 0; left &= left - 1 {
		m.tripAt[bits.TrailingZeros64(left)] = f.age
	}
	m.trips = trips
}

func startQuiet(c *Checker) {
	f := &c.f
	if f.now >= time.Duration(c.h.startDelay)-slack {
		return
	}
	c.tested()
	allowed := heartbeat
	if f.now >= time.Duration(c.h.startDelay)-warning-slack {
		allowed |= sounder
	}
	if left := f.on &^ allowed; left != 0 {
		c.fail("nothing on yet", "%s on %v after the start", left.list(outputNames), f.now)
	}
}

func heartbeatToggles(c *Checker) {
	f, m := &c.f, &c.m.beat
	if !c.h.fitted.has(heartbeat) {
		return
	}
	c.tested()
	// Before the start-up delay is over the master contactor may well stay open. Late ticks lengthen it: not all of their
	// time counts.
	delay := time.Duration(c.h.startDelay)
	if f.newBoot || f.on&heartbeat != m.on || f.forced == forcedOff || f.now < delay || time.Duration(f.r.Tick)*time.Second <= delay {
		m.at, m.on = f.age, f.on&heartbeat
		return
	}
	if f.age-m.at > heartbeatMost+slack {
		c.fail("a change within 3 s", "unchanged for %v", f.age-m.at)
	}
}

func service(c *Checker) {
	f, m := &c.f, &c.m.service
	if f.mode != modeService {
		m.running = false
		return
	}
	c.tested()
	on := f.on &^ signals
	if on == 0 || f.rising&^signals != 0 || f.newBoot || !m.running {
		m.running, m.since = on != 0, f.age
	}
	switch {
	case bits.OnesCount32(uint32(on&^(fans|blower))) > 1:
		c.fail("one output and the air that it needs", "%s", on.list(outputNames))
	case on != 0 && c.h.wired.has(panelKey) && !f.proves(panelKey):
		c.fail("the key in service position", "%s on without it", on.list(outputNames))
	case m.running && f.age-m.since > serviceTime+slack:
		c.fail("at most 15 min", "%s on for %v", on.list(outputNames), f.age-m.since)
	case on&^fans != 0 && f.dryBulbs > 0 && f.hottest > serviceHot && f.r.Stage >= 0:
		c.fail("only fans above 45 C", "%s on at %.2f C", on.list(outputNames), f.hottest)
	}
}
