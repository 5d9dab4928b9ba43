package safety

import (
	"math/bits"
	"time"

	"drywarden/hardware"
	"drywarden/hardware/quantity"
)

// Input is everything that a Step gets. The caller keeps one and fills it in anew each tick.
type Input struct {
	Snapshot  *hardware.Snapshot
	Requested hardware.Outputs
	Elapsed   time.Duration // since the Step before, by the caller's own clock, not capped; ignored in the first
	Lag       time.Duration // age of the snapshot, by the caller's own clock

	Cleared     hardware.RuleSet // of State.Clearing, those whose clearing is saved
	WriteFailed bool             // the outputs of the tick before could not be written
	SaveFailed  bool             // the newest record of trips could not be saved
	Closed      bool             // the gate is shutting down

	work facts
}

// Step judges one tick: it moves s on and writes what may be applied to out, all but the instant. It is pure and
// allocates nothing. Neither the request nor the previous Applied in the snapshot is trusted.
func Step(p *Plant, s *State, in *Input, out *hardware.Applied) {
	*out = hardware.Applied{}
	f := &in.work
	f.in, f.snap, f.out = in, in.Snapshot, out
	f.fast, f.slow = 0, 0
	if s.Ticks > 0 {
		f.fast = max(in.Elapsed, 0)
		f.slow = min(f.fast, MaxCredit)
	}
	s.Ticks++
	f.silentOften, f.dropped = false, false
	f.refused = 0

	s.Latched &^= in.Cleared & s.Clearing
	s.Clearing &= s.Latched
	s.advance(p, f)
	f.gather(p, s)
	s.sense(p, f)

	f.want = in.Requested.On &^ heartbeatOut
	f.refuse(f.want&^p.outputs, NotFitted, 0)
	s.pressed(f)
	inForce, worsened := s.judge(p, f)
	s.interlock(p, f)
	s.tell(inForce, worsened, f)
	s.apply(p, f)
}

// advance moves the timers by the time for which the last outputs stood.
func (s *State) advance(p *Plant, f *facts) {
	fast, slow, on := f.fast, f.slow, s.Out.On
	plus(&s.Up, slow)
	plus(&s.SincePress, fast)
	s.lapse(fast)
	for o := range s.SinceChange {
		s.SinceChange[o] = min(s.SinceChange[o]+slow, longest)
	}
	for g := range p.groups {
		if on.Has(hardware.FanForward(g)) || on.Has(hardware.FanReverse(g)) {
			s.Groups[g].Off = 0
		} else {
			plus(&s.Groups[g].Off, slow)
		}
	}
	if on&hardware.AllFans != 0 {
		plus(&s.FansOn, fast)
		s.FansOff = 0
	} else {
		plus(&s.FansOff, slow)
		s.FansOn = 0
	}
	for _, ages := range [...][]time.Duration{s.Starts[:], s.Cutouts[:], s.Silences[:], s.Drops[:]} {
		for i := range ages {
			ages[i] = min(ages[i]+slow, longest)
		}
	}
	plus(&s.ShortCycled, slow)
	plus(&s.HeatFailed, slow)
	plus(&s.CompressorFailed, slow)
	s.HeatCredit = credit(s.HeatCredit, p.heatPace, p.heatMost, f, on&hardware.AllHeat != 0)
	s.VentCredit = credit(s.VentCredit, p.ventPace, p.ventMost, f, on&hardware.AllHeat != 0 && on.Has(hardware.Vent))
	if fast > p.limits.Silent.Std() {
		s.quiet()
		f.silentOften = s.Silences[maxSilence-1] < time.Hour
	}
	s.Quiet = false
}

// lapse gives up clearings that could not be saved in time.
func (s *State) lapse(fast time.Duration) {
	plus(&s.ClearFor, fast)
	for left := uint64(s.Clearing); left != 0; left &= left - 1 {
		r := &table[bits.TrailingZeros64(left)-1]
		if s.ClearFor > clearGood || r.clears >= hardware.AtPanel && s.SincePress > clearGood {
			s.Clearing = s.Clearing.With(r.id, false)
		}
	}
}

// quiet counts a silence of the controller, once; what has never called is still starting.
func (s *State) quiet() {
	if !s.Quiet && s.Ticks > 0 {
		push(s.Silences[:])
	}
	s.Quiet = true
}

// credit gives what is left of a duty after this tick.
func credit(left time.Duration, pace float64, most time.Duration, f *facts, spent bool) time.Duration {
	left = min(left+time.Duration(pace*float64(f.slow)), most)
	if spent {
		left = max(left-f.fast, 0)
	}
	return left
}

// sense moves the timers that run on what was read.
func (s *State) sense(p *Plant, f *facts) {
	contacts := f.snap.Contacts
	since := func(t *time.Duration, proven bool) {
		if proven {
			*t = 0
		} else {
			// Seen missing in this tick, so it has not been proven for some time, however short.
			plus(t, max(f.fast, 1))
		}
	}
	since(&s.Unproven, contacts.Proven(hardware.ContactAirflow))
	since(&s.BlowerUnproven, contacts.Proven(hardware.ContactBlowerAirflow))
	since(&s.NoHumidity, f.humid)

	switch {
	case !contacts.Clear(hardware.ContactDoor):
		s.Warned, s.DoorShut = 0, 0
	case s.Latched&(1<<DoorOpen|1<<Inhibit|1<<InsideButton) != 0:
		s.Warned = 0 // it warns once somebody has said that all are out
	case s.Out.On.Has(hardware.Sounder) || !p.outputs.Has(hardware.Sounder):
		plus(&s.Warned, f.slow)
	}
	plus(&s.DoorShut, f.slow)
	s.follow(p, f)
	s.compare(p, f)
	s.twins(p, f)
}

// pressed looks for a press of the panel's reset: released, then active. It asks for the clearing of every trip that the
// panel may clear and whose cause was gone in the tick before; judge takes back those that return.
func (s *State) pressed(f *facts) {
	contacts := f.snap.Contacts
	switch {
	case contacts.Clear(hardware.ContactPanelReset):
		s.PanelFree = true
	case contacts.Proven(hardware.ContactPanelReset) && s.PanelFree:
		s.PanelFree = false
		s.SincePress = 0
		for left := uint64(s.Latched &^ s.Seen); left != 0; left &= left - 1 {
			r := &table[bits.TrailingZeros64(left)-1]
			if r.clears <= hardware.AtPanel && (!r.ackFirst || s.Acked.Has(r.id)) && s.Cutouts[0] >= r.wait {
				s.Clearing, s.ClearFor = s.Clearing.With(r.id, true), 0
			}
		}
	}
}

// judge asks every condition and refuses what the rules in force forbid, gravest first.
func (s *State) judge(p *Plant, f *facts) (inForce, worsened hardware.RuleSet) {
	before, starting, seenBefore := s.Latched, s.Up < p.limits.StartDelay.Std(), s.Seen
	s.Seen = 0
	look := judged[fromAnything] | s.Latched | s.moving
	if f.amiss {
		look |= judged[fromContacts]
	}
	if f.differ {
		look |= judged[fromFeedback]
	}
	for left := uint64(look); left != 0; left &= left - 1 {
		id := hardware.RuleID(bits.TrailingZeros64(left))
		f.about(hardware.NoProbe, 0, 0)
		what := sees[id](p, s, f)
		if what == fine && !(s.Latched | s.moving).Has(id) {
			continue
		}
		r := &table[id-1]
		rule := &s.Rule[r.id]
		passed := f.slow
		if seenBefore.Has(r.id) {
			passed = f.fast // what is seen for the first time did not stand through a long stall for certain
		}
		forced, quiet := s.weigh(r, what, passed, f)
		s.moving = s.moving.With(r.id, rule.moves())
		if forced && what != blocks && r.latched && (what == trips && rule.Fill >= r.rise || (rule.Doubt >= p.limits.UnreadableLatch.Std() && !starting)) {
			s.Latched = s.Latched.With(r.id, true)
			s.cutout(r.id, before)
		}
		if what != fine {
			s.Clearing = s.Clearing.With(r.id, false)
		}
		latched := s.Latched.Has(r.id)
		if !forced && !latched {
			continue
		}
		if what != fine {
			rule.Probe, rule.Value, rule.Limit = f.probe, f.value, f.limit
		}
		if latched || !(quiet && starting) {
			inForce = inForce.With(r.id, true)
		}
		s.force(p, r, f)
	}
	return inForce, s.Latched &^ before
}

// weigh moves a rule's delay and tells whether its cause forces now, and whether that is mere doubt.
func (s *State) weigh(r *row, what seen, passed time.Duration, f *facts) (forced, quiet bool) {
	rule := &s.Rule[r.id]
	s.Seen = s.Seen.With(r.id, what != fine)
	if what == doubts {
		plus(&rule.Doubt, passed)
	} else {
		rule.Doubt = 0
	}
	if what != trips && what != doubts {
		rule.Fill = max(rule.Fill-f.slow/4, 0)
		return what == blocks, false
	}
	rule.Fill = min(rule.Fill+passed, max(r.rise, r.ride))
	if what == doubts {
		return rule.Fill >= r.ride, true
	}
	return r.now || rule.Fill >= r.rise, false
}

// cutout counts a pressure trip that has just latched.
func (s *State) cutout(id hardware.RuleID, before hardware.RuleSet) {
	if (id != HighPressure && id != LowPressure) || before.Has(id) {
		return
	}
	push(s.Cutouts[:])
	if s.Cutouts[maxCutouts-1] < 24*time.Hour {
		// It stands before its cause in the table, so it refuses from the next tick on; its cause does so in this one.
		s.Latched = s.Latched.With(CompressorLockout, true)
	}
}

// force refuses what a rule in force forbids.
func (s *State) force(p *Plant, r *row, f *facts) {
	if r.level > f.out.Forced {
		f.out.Forced = r.level
	}
	switch r.level {
	case hardware.ForcedOff:
		s.Warned = 0 // whatever it was, people may have come near
		f.refuse(^hardware.OutputSet(0), r.id, 0)
	case hardware.ForcedSafe:
		f.refuse(hardware.AllHeat|compressorOut|sprayOut|hardware.AllFans&^s.Out.On, r.id, 0)
		switch {
		case !s.hot(p, f):
			f.refuse(ventOut, r.id, 0)
		case f.out.Forced == hardware.ForcedSafe:
			f.want |= ventOut & p.outputs
		}
	default:
		f.refuse(r.refuse, r.id, 0)
	}
}

// hot tells whether the vents should be open in SAFE: a heat trip, and the air near the limit still. Where nothing tells
// how hot it is they stay shut: it may burn.
func (s *State) hot(p *Plant, f *facts) bool {
	heat := (s.Latched | s.Seen) & (1<<HighLimit | 1<<DryBulbTooHigh)
	return heat != 0 && f.usable > 0 && f.high > float64(p.limits.DryBulbMax.Add(-ventRelief))
}

// refuse takes outputs out of the vector and notes why, where they were asked for. Each can be refused only once.
func (f *facts) refuse(outputs hardware.OutputSet, rule hardware.RuleID, left time.Duration) {
	hit := uint32(f.want & outputs)
	if hit == 0 {
		return
	}
	f.want &^= outputs
	hit &= uint32(f.in.Requested.On)
	f.refused = f.refused.With(rule, f.refused.Has(rule) || hit != 0)
	for ; hit != 0; hit &= hit - 1 {
		o := hardware.OutputID(bits.TrailingZeros32(hit))
		if o < hardware.OutputCount {
			f.out.Vetoes[f.out.VetoCount] = hardware.Veto{Output: o, Rule: rule, Remaining: max(left, 0)}
			f.out.VetoCount++
		}
	}
}

// interlock is the last function on the output vector.
func (s *State) interlock(p *Plant, f *facts) {
	l, on := &p.limits, s.Out.On
	if f.out.Forced == hardware.ForcedOff {
		return // nothing is left
	}
	if left := l.StartDelay.Std() - s.Up; left > 0 {
		f.refuse(^sounderOut, StartDelay, left)
		if left -= l.DoorWarning.Std(); left > 0 {
			f.refuse(sounderOut, StartDelay, left) // it warns of what is to come, at the end of the delay
		}
	}
	if left := l.DoorWarning.Std() - s.Warned; left > 0 {
		f.refuse(moving, RestartWarning, left)
	}

	// An airflow contact that is still closed when the fans should have coasted down has the time to be found out: with
	// fans on it proves nothing.
	if left := l.FanCoast.Std() + stuckFor + airOpens - s.FansOff; left > 0 && on&hardware.AllFans == 0 && f.snap.Contacts.Proven(hardware.ContactAirflow) &&
		p.contacts.Has(hardware.ContactAirflow) {
		f.refuse(hardware.AllFans, FanCoast, left)
	}
	for g := range p.groups {
		forward, reverse := hardware.FanForward(g), hardware.FanReverse(g)
		pair := hardware.OutputSet(1)<<forward | 1<<reverse
		if f.want&pair == pair {
			f.refuse(pair, BothDirectionsRequested, 0)
		}
		if left := l.FanCoast.Std() - s.Groups[g].Off; left > 0 {
			if s.Groups[g].Last != DirectionForward {
				f.refuse(1<<forward, FanCoast, left)
			}
			if s.Groups[g].Last != DirectionReverse {
				f.refuse(1<<reverse, FanCoast, left)
			}
		}
	}
	// The compressor's rest is longer than any interval.
	for rising := uint32(f.want &^ on & (contactors&^compressorOut | sprayOut | ventOut)); rising != 0; rising &= rising - 1 {
		o := hardware.OutputID(bits.TrailingZeros32(rising))
		interval := l.ContactorInterval
		switch o {
		case hardware.Spray:
			interval = l.SprayInterval
		case hardware.Vent:
			interval = l.VentInterval
		}
		if left := interval.Std() - s.SinceChange[o]; left > 0 {
			f.refuse(1<<o, MinInterval, left)
		}
	}
	s.interlockHeat(p, f)
	s.interlockCompressor(p, f)

	if f.high > float64(l.DryBulbMax) {
		f.refuse(allHeatAndRefrigerant|sprayOut, DryBulbTooHigh, 0) // at once; SAFE waits until it is sure
	}
	if f.want&sprayOut != 0 && f.want&compressorOut != 0 {
		if on.Has(hardware.Spray) {
			f.refuse(compressorOut, SprayWithCompressor, 0)
		} else {
			f.refuse(sprayOut, SprayWithCompressor, 0)
		}
	}
	if f.want&ventOut != 0 && f.want&hardware.AllHeat != 0 {
		both := on.Has(hardware.Vent) && on&hardware.AllHeat != 0
		f.refuseBeyond(ventOut, VentDuty, both, s.VentCredit, p.ventPace)
	}
}

// pulse is the credit that a duty must have saved up before it may be used again, so that it does not chatter.
const pulse = time.Minute

// refuseBeyond refuses outputs whose duty is used up.
func (f *facts) refuseBeyond(outputs hardware.OutputSet, rule hardware.RuleID, running bool, credit time.Duration, pace float64) {
	need := pulse
	if running {
		need = MaxCredit
	}
	if credit < need {
		f.refuse(outputs, rule, time.Duration(float64(pulse-credit)/pace))
	}
}

func (s *State) interlockHeat(p *Plant, f *facts) {
	if f.want&hardware.AllHeat == 0 {
		return
	}
	l, on := &p.limits, s.Out.On
	if f.want&on&hardware.AllFans == 0 || s.Unproven > l.AirflowHeat.Std() {
		f.refuse(hardware.AllHeat, AirflowHeat, 0)
	}
	if s.Unproven > 0 {
		f.refuse(hardware.AllHeat&^on, AirflowHeat, 0)
	}
	if least := float64(l.DryBulbMax.Add(-nearLimit)); f.high >= least {
		f.refuse(hardware.AllHeat, HeatNearLimit, 0)
		s.note(HeatNearLimit, f.highProbe, f.high, least)
	}
	if !f.confirmed || f.hangOpen {
		f.refuseBeyond(hardware.AllHeat, HeatDuty, on&hardware.AllHeat != 0, s.HeatCredit, p.heatPace)
	}
}

func (s *State) interlockCompressor(p *Plant, f *facts) {
	if !f.want.Has(hardware.Compressor) {
		return
	}
	l, on := &p.limits, s.Out.On
	starts := !on.Has(hardware.Compressor)
	if f.want&on&hardware.AllFans == 0 || s.Unproven > l.AirflowCompressor.Std() || (starts && s.Unproven > 0) {
		f.refuse(compressorOut, AirflowCompressor, 0)
	}
	if !s.blowing(p, f) {
		f.refuse(compressorOut, BlowerAirflow, 0)
	}
	if f.high > float64(l.CompressorAmbientMax) {
		f.refuse(compressorOut, CompressorTooHot, 0)
		s.note(CompressorTooHot, f.highProbe, f.high, float64(l.CompressorAmbientMax))
	}
	if f.low < float64(l.CompressorAmbientMin) {
		f.refuse(compressorOut, CompressorTooCold, 0)
		s.note(CompressorTooCold, f.lowProbe, f.low, float64(l.CompressorAmbientMin))
	}
	if !starts {
		return
	}
	if left := l.CompressorMinOff.Std() - s.SinceChange[hardware.Compressor]; left > 0 {
		f.refuse(compressorOut, CompressorRest, left)
	}
	// One start too many in an hour, and it waits for an hour.
	if f.want.Has(hardware.Compressor) && s.ShortCycled >= time.Hour && s.Starts[l.CompressorStarts-1] <= time.Hour {
		s.ShortCycled = 0
	}
	if left := time.Hour - s.ShortCycled; left > 0 {
		f.refuse(compressorOut, CompressorStarts, left)
	}
}

// blowing tells whether air moves over the evaporator as far as can be told, or has just been given time to.
func (s *State) blowing(p *Plant, f *facts) bool {
	driver := hardware.Compressor // a blower that is no output runs with the compressor
	if p.outputs.Has(hardware.Blower) {
		driver = hardware.Blower
		if !f.want.Has(driver) {
			return false
		}
	}
	grace := p.limits.BlowerProof.Std()
	switch {
	case !p.contacts.Has(hardware.ContactBlowerAirflow) || s.BlowerUnproven == 0:
		return true
	case s.Out.On.Has(hardware.Compressor) && s.BlowerUnproven <= grace:
		return true // a flutter of the contact
	}
	return !s.Out.On.Has(driver) || s.SinceChange[driver] < grace
}

// note keeps what an interlock looked at, for the operator.
func (s *State) note(id hardware.RuleID, probe hardware.ProbeID, value, limit float64) {
	rule := &s.Rule[id]
	rule.Probe, rule.Value, rule.Limit = probe, value, limit
}

// tell lists the alarms, gravest first. One whose For is zero is new or has worsened in this tick.
func (s *State) tell(inForce, worsened hardware.RuleSet, f *facts) {
	raised := inForce
	for left := uint64(f.refused); left != 0; left &= left - 1 {
		if r := &table[bits.TrailingZeros64(left)-1]; r.tells {
			raised = raised.With(r.id, true)
		}
	}
	news := (raised &^ s.Raised) | worsened&raised
	s.Acked &= raised &^ news
	s.Raised = raised
	for left := uint64(raised); left != 0; left &= left - 1 {
		r := &table[bits.TrailingZeros64(left)-1]
		rule := &s.Rule[r.id]
		if news.Has(r.id) {
			rule.For = 0
		} else {
			plus(&rule.For, f.slow)
		}
		if int(f.out.AlarmCount) < len(f.out.Alarms) {
			f.out.Alarms[f.out.AlarmCount] = hardware.Alarm{Rule: r.id, Class: r.class, Latched: s.Latched.Has(r.id),
				Active: s.Seen.Has(r.id) || r.see == nil, Acked: s.Acked.Has(r.id), Clears: r.clears, Probe: rule.Probe,
				For: rule.For, Value: rule.Value, Limit: rule.Limit}
			f.out.AlarmCount++
		}
	}
}

// apply settles what is let through and remembers it.
func (s *State) apply(p *Plant, f *facts) {
	changed := f.want ^ s.Out.On
	if f.want&^s.Out.On&compressorOut != 0 {
		push(s.Starts[:])
	}
	out := hardware.Outputs{On: f.want}
	for g := range hardware.MaxFanGroups {
		switch {
		case f.want.Has(hardware.FanForward(g)):
			s.Groups[g].Last = DirectionForward
		case f.want.Has(hardware.FanReverse(g)):
			s.Groups[g].Last = DirectionReverse
		default:
			continue
		}
		speed := f.in.Requested.FanSpeed[g]
		if !speedOK(speed) {
			speed = 1
		}
		out.FanSpeed[g] = speed
	}
	s.switched(changed)
	s.Out = out
	// The relay of the heartbeat is a second barrier: it stays open until something may move, and in OFF.
	s.Beat = !s.Beat && f.out.Forced != hardware.ForcedOff && s.Up >= p.limits.StartDelay.Std()
	f.out.Outputs = s.outputs(p)
	f.out.Trips = s.Latched
	f.out.Entered = (s.Latched|s.Seen)&(1<<DoorOpen|1<<Inhibit|1<<InsideButton) != 0
}

// outputs gives what is applied, heartbeat and all.
func (s *State) outputs(p *Plant) hardware.Outputs {
	out := s.Out
	out.On = out.On.With(hardware.Heartbeat, s.Beat && p.outputs.Has(hardware.Heartbeat))
	return out
}

// silence forces a level between Steps, when no Step comes.
func (s *State) silence(level hardware.SafeLevel) {
	keep := hardware.OutputSet(0)
	if level == hardware.ForcedOff {
		s.Warned = 0
	}
	if level == hardware.ForcedSafe {
		keep = ^(hardware.AllHeat | compressorOut | sprayOut | ventOut)
	}
	s.switched(s.Out.On &^ keep)
	s.Out.On &= keep
	if s.Out.On&hardware.AllFans == 0 {
		s.Out.FanSpeed = [hardware.MaxFanGroups]quantity.Ratio{}
	}
}

// switched starts the timers of outputs that have just been switched.
func (s *State) switched(changed hardware.OutputSet) {
	for left := uint32(changed); left != 0; left &= left - 1 {
		s.SinceChange[bits.TrailingZeros32(left)] = 0
	}
}

func ratio(v float64) quantity.Ratio { return quantity.Ratio(v) }

// speedOK refuses what is not a number or not between 0 and 1.
func speedOK(r quantity.Ratio) bool { return r >= 0 && r <= 1 }
