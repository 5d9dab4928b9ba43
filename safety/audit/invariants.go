package audit

import (
	"math"
	"time"

	"drywarden/hardware/trace"
)

// Limits that hold whatever a header says; a header may only be stricter.
const (
	leastRest              = 300 * time.Second // compressor off before a start: 3 to 10 min, 5 usual; common practice, no source
	leastOn                = 180 * time.Second // compressor on once started; common practice, no source
	mostStarts             = 6                 // compressor starts in any hour; common practice (3 to 8), no source
	leastCoast             = 60 * time.Second  // fans off before they turn the other way; common practice, no source
	leastStartDelay        = 30 * time.Second
	leastVentInterval      = 60 * time.Second
	leastSprayInterval     = 5 * time.Second
	leastContactorInterval = 10 * time.Second
	warning                = 10 * time.Second // the sounder, before anything moves
	airForHeat             = 10 * time.Second // since air was last proven to move
	airForCompressor       = 30 * time.Second
	heatMargin             = 1.0  // K, between the hottest dry bulb and dry_bulb_max while heat is on
	stillHot               = 5.0  // K under dry_bulb_max: a kiln that was too hot is so no more; a choice, no source
	dutyAlone              = 0.30 // of an hour: heat on a single dry bulb, and vents in vent-dry
	ventDryBelow           = 20.0 // percent, control moisture
	emcLow, emcHigh        = 3.0, 24.0
	moistureLow            = 2.0
	moistureHigh           = 250.0
	moistureRise           = 0.3 // points in an hour
	sigmaMost              = 2.5 // points, of the control moisture
	guardBelow             = 20.0
	underTarget            = 1.5 // points, of the last dry stage's EMC under the target
	belowFor               = 6 * time.Hour
	serviceTime            = 15 * time.Minute
	serviceHot             = 45.0 // Celsius
	holdTold               = time.Hour
	heartbeatMost          = 3 * time.Second
	tickMost               = 1.5 // of a tick's length
	saveGrace              = 5 * time.Second
	resetUntold            = time.Minute     // from the panel's reset until the reset is told
	elapsedMost            = 2 * time.Second // that one tick may earn
)

// invariant is one thing that must hold in every record.
type invariant struct {
	name  string
	says  string
	judge func(*Checker)
}

// invariants is the table. Names are stable: reports and tests go by them.
var invariants = []invariant{
	{"record fits its header", "boot, run, stage, kind, mode, qualities and forced level are among those of the header", recordFits},
	{"ticks in order", "boots grow, and within a boot ticks and uptime grow; no tick is missing", ticksInOrder},
	{"tick keeps time", "a tick follows the one before within 1.5 tick lengths", tickKeepsTime},
	{"numbers finite and possible", "no NaN, no infinity; valid readings are what a probe of that role can measure", numbersPossible},
	{"only fitted outputs", "nothing is applied that the kiln does not have", onlyFitted},
	{"gate only takes away", "nothing runs that was not requested, but signals, vents when forced and fans that ran", gateTakesAway},
	{"refusals are told", "what was requested and not applied is marked as vetoed or the kiln is forced", refusalsTold},
	{"fan speeds possible", "speeds are 0 to 1, and no faster than requested", speedsPossible},

	{"fan directions exclusive", "no fan group has both directions on, applied or after being read back", fanDirections},
	{"fans coast before they turn", "both directions off for the coast-down, at least 60 s, before a change of direction", fansCoast},
	{"heat needs airflow", "heat is on only if air was proven to move within 10 s", heatNeedsAir},
	{"heat needs a sound dry bulb", "heat needs a valid dry bulb, and every one 1 K under the limit", heatNeedsDryBulb},
	{"heat on one dry bulb is capped", "without a second dry bulb within 3 K heat is on for at most 30 % of an hour", heatAlone},
	{"compressor needs airflow", "air over load and evaporator proven within 30 s", compressorNeedsAir},
	{"compressor needs dry bulb and humidity", "off in the same tick without a valid dry bulb; kept for 60 s without a humidity source, never started", compressorNeedsProbes},
	{"compressor rests before a start", "off for its rest, at least 300 s, and after every start of the program", compressorRests},
	{"compressor runs its minimum", "once started it runs its minimum time, unless switched off for safety", compressorRuns},
	{"compressor starts an hour", "at most 6 starts, or what the kiln file says, in any hour", compressorStarts},
	{"compressor within its ambient limits", "dry bulb and dry-bulb set point are within the machine's limits while it runs", compressorAmbient},
	{"heat and vent exclusive", "never both, except in vent-dry: under 20 %, outdoors drier, at most 30 % of an hour", heatAndVent},
	{"spray and compressor exclusive", "never both", sprayAndCompressor},
	{"spray with heat needs airflow", "never both without air proven within 10 s", sprayWithHeat},
	{"outputs keep their intervals", "vents 60 s, spray 5 s, contactors 10 s between changes, unless switched off for safety, spray where no fan moves, heat for an open vent", intervals},

	{"emergency stop stops all", "all off in the same tick, until it was reset at the panel", emergencyStop},
	{"stop waits for a word", "after an emergency stop nothing that moves starts before a person confirms", stopWaits},
	{"door stops what moves", "open door: fans, heat, compressor, spray off in the same tick", doorStops},
	{"door is warned before a restart", "nothing starts before the door was shut 10 s with the sounder on", doorWarned},
	{"limit or fire stops heat", "heat off, after smoke all off, in the same tick and until reset at the panel", limitStops},
	{"refrigerant and water faults stop the compressor", "high or low pressure: compressor off; gas: heat, spray and crankcase heat too, float: all, until reset", refrigerantStops},
	{"nothing starts with somebody inside", "inside button or inhibit key: all off in the same tick and until reset at the panel", nobodyInside},
	{"mains lost stops what moves", "without proven mains, fans, heat, compressor and spray are off", mainsLost},
	{"too hot stops heat and compressor", "dry bulb above dry_bulb_max: heat, compressor and spray off", tooHot},
	{"forced levels hold", "safe: heat, spray, compressor off, no fan starts, vents shut unless it was and is too hot; off: all off", forcedHold},
	{"trips latch", "a latched trip goes only by its reset, at the panel where that is asked, a technician's by a person's order too, and survives a restart, if only as the trip for a lost record", tripsLatch},
	{"nothing moves at the start", "only the sounder, and that in the last 10 s, before the start-up delay is over", startQuiet},
	{"heartbeat toggles", "it changes at least every 3 s once started, unless all is forced off", heartbeatToggles},
	{"service one output at a time", "with the key, for at most 15 min, with the air that it needs, and only fans above 45 C", service},

	{"set points within limits", "dry bulb under every limit of kiln and wood, EMC 3 to 24", setWithin},
	{"green wood is kept cool", "while a lot is above fibre saturation the set point is at most its green limit", greenCool},
	{"set points ramp", "no faster than their stage's ramps, or from what is measured; at work towards safe no faster than twice those", setRamps},
	{"rate guard only gentles", "its bias is never negative, EMC is then at or above the stage's, and it ends under 20 %", guardGentles},
	{"last dry stage ends", "its EMC, as in the plan and as run, is at least 1.5 points under the target", lastDryEnds},
	{"stages in order", "never back without an operator, never two at once", stagesInOrder},
	{"stage advance is earned", "not in hold, forced, door open, before its dwell, unsure, too wet, or without readings", advanceEarned},
	{"stage time is honest", "it grows no faster than time, not over a restart, and starts again with a stage", stageTimeHonest},
	{"hold freezes", "in hold the stage, its time and the exposure stand still", holdFreezes},
	{"hold is obeyed", "an operator's hold lasts until resumed, over a restart too", holdObeyed},
	{"hold is told", "no hold lasts an hour without an alarm or an operator who asked for it", holdIsTold},
	{"changed files wait for a person", "kiln or schedule changed while a charge ran: no work before a confirmation", changedWait},
	{"wettest lot governs", "in a dry stage no lot is wetter than the one that drives it", wettestGoverns},

	{"exposure counts only in good conditions", "cores valid and warm enough, air proven, door shut, no hold", exposureConditions},
	{"exposure is backed by readings", "never more than the records themselves bear out", exposureBacked},
	{"exposure starts again", "an unbroken count is zero after a gap over 60 s and after a restart", exposureRestarts},

	{"beliefs rest on probes", "dry bulb and EMC are not believed for more than 60 s without a valid probe", beliefsRest},
	{"moisture stays possible", "2 to 250 %, sigma not negative", moisturePossible},
	{"moisture rises only when wetted", "at most 0.3 points an hour, but for weighings, spray and condition", moistureRises},
}

// notJudged are those that no single trace shows.
var notJudged = []Missing{
	{"durations ignore the wall clock", "needs the same run twice, with the wall clock shifted"},
	{"same seed, same trace", "needs the same run twice"},
	{"loss of one input is gentle", "needs the same tick with and without the input; only full loss of a kind shows here"},
	{"silent controller is stopped", "while the controller is silent no record is made"},
	{"records are never altered", "the trace has checksums; the hash chain belongs to the charge book, which it is not"},
	{"charge report follows from the record", "needs the charge book"},
	{"condensate never raises a moisture", "the trace holds beliefs, not which evidence moved them, nor the recovery share"},
	{"covariance stays sound", "the trace holds the control moisture's sigma only"},
	{"faults are met in time", "needs the list of faults that were injected"},
	{"every wait has an end", "holds are judged; the deadlines of other waits are not in the header"},
	{"vent-dry only at the machine's floor", "the learnt floor is not in the trace"},
	{"nothing slow holds up a tick", "a late tick shows, but not that a disk or a reader was slow and no tick waited for it"},
	{"durable before visible", "what was on disk is not in the trace; what a restart brings back is judged"},
}

// memory is what the invariants remember, each its own part.
type memory struct {
	bootOrder bool
	changed   bool
	alarms    [256]bool

	coast [trace.MaxFanGroups]struct {
		last     int // 0 none, 1 forward, 2 reverse
		offSince [2]time.Duration
	}
	alone hour
	rest  struct{ offSince, onSince time.Duration }
	start struct {
		ages [64]time.Duration
		n    int
	}
	ventDry   hour
	changedAt [32]time.Duration
	stop      latch
	stopped   struct {
		since   time.Duration
		waiting bool
	}
	limit latch
	fire  latch
	// Contacts that forbid until somebody resets what they latched.
	inside, inhibit, gas, float latch
	shut                        struct {
		shutSince, sounded time.Duration
		open, waiting      bool
	}
	trips   uint64
	tripAt  [64]time.Duration
	resetAt [64]time.Duration
	grantAt [64]time.Duration // somebody's reset was accepted
	panelAt time.Duration
	beat    struct {
		at time.Duration
		on set
	}
	service struct {
		since   time.Duration
		running bool
	}
	guard time.Duration // time under guardBelow with bias
	below struct {
		length, broken time.Duration
		stage          int8
		run            uint32
	}
	hold struct {
		asked bool
		at    time.Duration
	}
	told struct {
		in, before bool // held; since before the trace begins
		since      time.Duration
		on         int // alarms that are told now
	}
	exposure struct {
		own, before, gap time.Duration
		stage            int8
		run              uint32
		known            bool
	}
	near struct { // the last dry bulb believed within 5 K of a probe
		known bool
		at    time.Duration
		value float64
	}
	rise      [trace.MaxLots]lowest
	weighed   time.Duration
	wetted    time.Duration
	riseRun   uint32
	setpoints struct {
		dryBulb, emc float64
		has          bool
		run          uint32
	}
}

func (m *memory) begin() {
	m.bootOrder = true
	for _, l := range [...]*latch{&m.stop, &m.limit, &m.fire, &m.inside, &m.inhibit, &m.gas, &m.float} {
		l.since = never
	}
	m.panelAt, m.weighed, m.wetted, m.hold.at = never, never, never, never
	for i := range m.resetAt {
		m.resetAt[i], m.grantAt[i] = never, never
	}
	for i := range m.start.ages {
		m.start.ages[i] = never
	}
}

// alarm notes that one is told, or no more.
func (m *memory) alarm(rule uint8, on bool) {
	if was := m.alarms[rule]; was != on {
		m.alarms[rule] = on
		if m.told.on++; was {
			m.told.on -= 2
		}
	}
}

// rename carries latched trips from one table of rules to another, by name.
func (m *memory) rename(old, new []trace.Rule) {
	var trips uint64
	var at, reset, grant [64]time.Duration
	for i := range reset {
		reset[i], grant[i] = never, never
	}
	for _, o := range old {
		for _, n := range new {
			if o.Name == n.Name && o.ID < 64 && n.ID < 64 {
				trips |= m.trips >> o.ID & 1 << n.ID
				at[n.ID], reset[n.ID], grant[n.ID] = m.tripAt[o.ID], m.resetAt[o.ID], m.grantAt[o.ID]
			}
		}
	}
	m.trips, m.tripAt, m.resetAt, m.grantAt = trips, at, reset, grant
}

// hour sums up durations over the last hour, in minutes.
type hour struct {
	minutes [60]time.Duration
	minute  int64
	sum     time.Duration
}

func (h *hour) add(age, d time.Duration) time.Duration {
	now := max(0, int64(age/time.Minute))
	if now-h.minute >= 60 {
		*h = hour{minute: now}
	}
	for h.minute < now {
		h.minute++
		i := h.minute % 60
		h.sum -= h.minutes[i]
		h.minutes[i] = 0
	}
	h.minutes[h.minute%60] += d
	h.sum += d
	return h.sum
}

// lowest keeps the least value of the last hour, in minutes.
type lowest struct {
	minutes [60]float64
	minute  int64
	least   float64 // of the minutes before this one
	now     float64 // least of this minute
	filled  bool
}

func (l *lowest) add(age time.Duration, v float64) float64 {
	minute := max(0, int64(age/time.Minute))
	if !l.filled || minute-l.minute >= 60 || minute < l.minute {
		*l = lowest{minute: minute, least: math.Inf(1), now: v, filled: true}
		for i := range l.minutes {
			l.minutes[i] = math.Inf(1)
		}
	}
	if minute != l.minute {
		l.minutes[l.minute%60] = l.now
		for m := l.minute + 1; m < minute; m++ {
			l.minutes[m%60] = math.Inf(1)
		}
		l.minute, l.now = minute, v
		l.minutes[minute%60] = math.Inf(1)
		l.least = math.Inf(1)
		for _, m := range l.minutes {
			l.least = min(l.least, m)
		}
	}
	l.now = min(l.now, v)
	return min(l.least, l.now)
}

// latch remembers a condition until it was reset.
type latch struct {
	on        bool
	since     time.Duration // age at which it came on
	seenPanel bool          // the panel's reset was held since the cause went
}

// step takes the condition as it is now and whether a reset was told in this tick, and says whether it is in force.
func (l *latch) step(f *frame, c *Checker, cause, reset bool) bool {
	if f.newBoot && l.on && !cause && (f.endAge-l.since < saveGrace || l.seenPanel && c.m.panelAt >= f.endAge-resetUntold && c.m.trips&^f.r.Trips != 0) {
		l.on = false // it acts first and is saved next, and a reset is saved first and told next: see tripsLatch
	}
	switch {
	case cause:
		if !l.on || l.seenPanel { // its reset may be on the disk already, and what came back since is not
			l.since = f.age
		}
		l.on, l.seenPanel = true, false
	case l.on:
		l.seenPanel = l.seenPanel || f.proves(panelReset) || !c.h.wired.has(panelReset)
		if reset && l.seenPanel {
			l.on = false
		}
	}
	return l.on
}
