package audit

import (
	"time"

	"drywarden/hardware/trace"
)

const (
	never = time.Duration(-1 << 62)
	// slack forgives that a record's uptime and the instant by which a timer ran are not read at the same nanosecond.
	slack = 100 * time.Millisecond
	// rideThrough is how long a lost reading may be stood in for by the last good one.
	rideThrough = 60 * time.Second
	// lostTail is how much a crash can lose of a trace's file: a block that was not yet written.
	lostTail = 11 * time.Minute
)

// frame is one record with what every invariant needs worked out once.
type frame struct {
	r         *trace.Record
	newHeader bool // the first record after a header
	newBoot   bool // the first record of a boot
	midway    bool // the trace begins in the middle of a boot

	now   time.Duration // since the boot's first record
	dt    time.Duration // since the record before, 0 in the first of a boot
	age   time.Duration // time in which the kiln was, with known outages
	sums  time.Duration // of boots before
	knows bool          // age spans the last restart

	endAge time.Duration // of the last record of the boot before
	endOn  set           // what was on then

	on, was, rising, falling set
	asked, vetoed            set
	readOn, readKnown        set
	proven, clear            set // contacts read as active; read as not active
	forced, mode, kind       uint8
	prevMode, prevForced     uint8
	prevTrips                uint64

	dryBulbs             int // valid probes
	hottest, coldest     float64
	lone                 bool // no two dry bulbs agree within 3 K
	missing              bool // a probe of the air does not measure
	cores                int
	coldestCore          float64
	humid                bool // a humidity or wet-bulb probe is valid
	lastDry, lastHumid   time.Duration
	lastAir, lastBlower  time.Duration
	hazard, hazardBefore bool

	accepted [verbCount]time.Duration // age at which a command of this verb was last accepted
	owed     uint32                   // accepted just before a boot ended, by verb: carried out when the next one may
	commands uint32                   // accepted in this tick, by verb
	words    uint32                   // a person's, taken in this tick, by matter
	moved    bool                     // another stage than in the record before
	staged   bool                     // a stage event
	weighed  bool
	alarmed  bool
	resets   uint64 // rules reset in this tick, by id

	sameRun bool // a run is on, as in the record before
	control float64
	sigma   float64
}

func (f *frame) forbids(c *Checker, contact set) bool {
	return c.h.wired.has(contact) && (c.h.wired&contact)&^f.clear != 0
}

func (f *frame) proves(contact set) bool { return f.proven.has(contact) }

func (f *frame) read(c *Checker, r *trace.Record) {
	h := &c.h
	f.r = r
	if f.moved {
		f.owed = 0
	}
	f.moved = c.has && r.Stage != c.prev.Stage
	f.time(c)
	f.was = f.on
	f.on, f.asked, f.vetoed = h.outputs.set(r.Applied, ^set(0)), h.outputs.set(r.Requested, ^set(0)), h.outputs.set(r.Vetoed, ^set(0))
	f.midway = !c.has && r.Tick > 1
	if f.newBoot {
		f.was = 0
		if f.midway {
			f.was = f.on
		}
	}
	f.rising, f.falling = f.on&^f.was, f.was&^f.on
	f.readKnown = h.outputs.set(r.ReadBackValid, h.readBack)
	f.readOn = h.outputs.set(r.ReadBack, f.readKnown)
	known := h.contacts.set(r.ContactValid, h.wired)
	f.proven = h.contacts.set(r.ContactActive, known)
	f.clear = known &^ f.proven
	f.prevMode, f.prevForced = f.mode, f.forced
	f.mode, f.forced = h.modes.of(int(r.Mode)), h.forced.of(int(r.Forced))
	f.kind = h.kinds.of(int(r.StageKind))
	f.air(c)
	f.wood(c)
	f.events(c)
	f.danger(c)
}

// time works out what is elapsed. It goes by differences, so that an uptime that runs back (which an invariant tells)
// does not run the timers back.
func (f *frame) time(c *Checker) {
	r := f.r
	if f.newBoot {
		c.boots++
		f.endAge, f.endOn = f.age, f.on
		for _, v := range [...]int{verbAdvance, verbBack} {
			if f.told(v, 5*commandTime) { // the disk may have taken nothing until the end
				f.owed |= 1 << v
			}
		}
		f.sums, f.knows = f.age, true
		if c.has {
			f.knows = c.header.OutageKnown
			if f.knows {
				f.sums += max(0, time.Duration(c.header.OutageNS))
			}
		}
		f.now, f.dt = 0, 0
		if r.Tick > 1 {
			f.now = max(0, r.Uptime) // the beginning of this boot is not in the trace
		}
		f.lastDry, f.lastHumid, f.lastAir, f.lastBlower = f.now, f.now, never, never
	} else {
		f.dt = max(0, r.Uptime-c.prev.Uptime)
		f.now += f.dt
		c.lived += f.dt
	}
	f.age = f.sums + f.now
}

func (f *frame) air(c *Checker) {
	r, h := f.r, &c.h
	f.dryBulbs, f.hottest, f.coldest, f.lone, f.missing = 0, 0, 0, true, false
	for _, i := range h.dryBulb {
		if !f.measured(h, i) {
			f.missing = true
			continue
		}
		v := r.Probe[i]
		if f.dryBulbs == 0 {
			f.hottest, f.coldest = v, v
		}
		f.hottest, f.coldest = max(f.hottest, v), min(f.coldest, v)
		f.dryBulbs++
	}
	// "At least one independent dry bulb agrees within 3 K": with three, any two will do.
	switch {
	case f.dryBulbs >= 2 && f.hottest-f.coldest <= 3:
		f.lone = false
	case f.dryBulbs > 2:
		f.lone = !f.pair(h)
	}
	f.humid = false
	for _, list := range [...][]uint8{h.humidity, h.wetBulb} {
		for _, i := range list {
			ok := f.measured(h, i)
			f.humid, f.missing = f.humid || ok, f.missing || !ok
		}
	}
	f.cores, f.coldestCore = 0, 0
	for _, i := range h.core {
		if !f.measured(h, i) {
			continue
		}
		if f.cores == 0 || r.Probe[i] < f.coldestCore {
			f.coldestCore = r.Probe[i]
		}
		f.cores++
	}
	if f.dryBulbs > 0 {
		f.lastDry = f.now
	}
	if f.humid {
		f.lastHumid = f.now
	}
	if f.proves(airflow) {
		f.lastAir = f.now
	}
	if f.proves(blowerAir) {
		f.lastBlower = f.now
	}
}

// measured tells that a probe gives a reading: a valid one, and not what a thermometer gives that has not measured yet.
func (f *frame) measured(h *tables, i uint8) bool {
	if f.r.ProbeQuality[i] != h.valid {
		return false
	}
	d := f.r.Probe[i] - h.powerOn[i]
	return !(d < powerOnStep && d > -powerOnStep) // NaN where nothing is known
}

func (f *frame) pair(h *tables) bool {
	for i, a := range h.dryBulb {
		for _, b := range h.dryBulb[i+1:] {
			d := f.r.Probe[a] - f.r.Probe[b]
			if d <= 3 && d >= -3 && f.measured(h, a) && f.measured(h, b) {
				return true
			}
		}
	}
	return false
}

func (f *frame) wood(c *Checker) {
	r := f.r
	run := c.header.Run
	f.sameRun = run != nil && c.has && r.RunID == run.ID && c.prev.RunID == run.ID && r.Stage >= 0 && c.prev.Stage >= 0 &&
		int(r.Stage) < len(c.h.stages) && int(c.prev.Stage) < len(c.h.stages)
	f.control, f.sigma = 0, 0
	for i := range c.h.lots {
		if r.Lots[i].Control > f.control {
			f.control, f.sigma = r.Lots[i].Control, r.Lots[i].Sigma
		}
	}
	if g := int(r.Governing); g >= 0 && g < c.h.lots {
		f.sigma = r.Lots[g].Sigma
	}
}

func (f *frame) events(c *Checker) {
	f.commands, f.words, f.staged, f.weighed, f.alarmed, f.resets = 0, 0, false, false, false, 0
	for i := range min(int(f.r.EventCount), trace.MaxEvents) {
		e := &f.r.Events[i]
		switch c.h.events.of(int(e.Kind)) {
		case eventCommand:
			if e.B != 0 {
				break
			}
			verb := c.h.verbs.of(int(e.A))
			if c.h.anyVerb {
				f.commands = 1<<verbCount - 1
			} else if verb > 0 {
				f.commands |= 1 << verb
			}
		case eventConfirmed:
			f.words |= 1 << c.h.matters.of(int(e.A))
		case eventStage:
			f.staged = true
		case eventWeigh:
			f.weighed = true
		case eventAlarm:
			f.alarmed = true
			c.m.alarm(uint8(e.A), true)
		case eventAlarmClear:
			c.m.alarm(uint8(e.A), false)
		case eventResetGranted:
			if e.A >= 0 && e.A < 64 {
				c.m.grantAt[e.A] = f.age
			}
		case eventTripReset:
			if e.A >= 0 && e.A < 64 {
				f.resets |= 1 << e.A
				if c.h.recordRules>>e.A&1 != 0 {
					f.resets = ^uint64(0) // whoever resets the lost record answers for all that was in it
				}
			}
		}
	}
	if c.h.anyMatter && f.commands>>verbConfirm&1 != 0 {
		f.words = 1<<matterStop | 1<<matterFiles
	}
	if f.commands != 0 {
		for v := range f.accepted {
			if f.commands>>v&1 != 0 {
				f.accepted[v] = f.age
			}
		}
	}
}

// told says whether a command of this verb was accepted within the last d, or is owed over a restart.
func (f *frame) told(verb int, d time.Duration) bool {
	return f.accepted[verb] >= f.age-d || f.owed>>verb&1 != 0
}

// danger works out whether something in this tick may switch an output off at once, minimum times or not. What readings
// and contacts show counts. Of what controller and gate say of themselves only what is new does: a trip or a forced level
// that comes (its cause may be in no record: memory that is damaged, outputs that cannot be written), a mode that changes;
// and that the air is not believed only while its probes are lost or disagree or an alarm says why.
func (f *frame) danger(c *Checker) {
	f.hazardBefore = f.hazard && !f.newBoot
	r := f.r
	lost := c.h.wired&(airflow|mains)&^f.proven != 0 ||
		f.forbids(c, eStop|door|highLimit|highPressure|lowPressure|smoke|gas|float|insideButton|inhibit) ||
		f.dryBulbs == 0 || !f.humid || c.header.Limits.DryBulbMax > 0 && f.hottest > c.header.Limits.DryBulbMax-1
	tripped := r.Trips&^f.prevTrips != 0 || f.forced != f.prevForced && f.forced != forcedNone
	moded := f.mode != f.prevMode || f.mode == modeService
	doubted := (!r.DryBulbValid || !r.EMCValid) && (f.lone || f.missing || c.m.told.on > 0)
	f.hazard = lost || tripped || moded || doubted
	f.prevTrips = r.Trips
}

// safe tells that an output which fell in this tick fell for safety: something is wrong now, or was in the tick before, or
// with this output.
func (f *frame) safe(c *Checker, output set) bool {
	wired := c.h.wired
	switch {
	case f.hazard || f.hazardBefore || output&f.was&f.readKnown&^f.readOn != 0:
		return true
	case f.vetoed.has(output) && f.alarmed: // for what no record holds, as a current; and told in the same tick
		return true
	case output&heat != 0: // a duty on one dry bulb, or while vents hang open
		return f.lone || wired.has(ventShut) && !f.on.has(vent) && !f.proves(ventShut)
	case output == spray:
		return wired.has(waterSupply) && !f.proves(waterSupply)
	}
	return false
}
