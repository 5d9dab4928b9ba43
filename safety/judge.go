package safety

import (
	"math/bits"
	"time"

	"drywarden/hardware"
	"drywarden/hardware/quantity"
)

// No air or wood of a kiln is colder or hotter than this, in Celsius; what reads so is no reading. Common practice, no source.
const (
	coldest = -60
	hottest = 150
)

// settle is how long after switching an output its feedback is not yet compared with the command.
const settle = 2 * time.Second

// stuckFor is how long airflow may be reported after the fans have coasted down, airOpens how much longer fans wait for
// that to be told.
const (
	stuckFor = 10 * time.Second
	airOpens = 5 * time.Second
)

// facts is what a tick's raw inputs say, and Step's scratch. It lives in Input so that a tick allocates nothing.
type facts struct {
	in   *Input
	snap *hardware.Snapshot
	fast time.Duration // all the time that passed: for timers towards a refusal
	slow time.Duration // of it at most MaxCredit: for timers towards a permission

	usable    int // dry bulbs
	low, high float64
	lowProbe  hardware.ProbeID
	highProbe hardware.ProbeID
	confirmed bool // two of them agree
	stale     bool // a dry bulb is refused for its age
	age       time.Duration
	hot       float64 // hottest of all that may not pass DryBulbMax
	hotProbe  hardware.ProbeID
	humid     bool
	broken    bool // a number that is none
	brokenBy  hardware.ProbeID

	wet      float64 // hottest wet bulb
	wetProbe hardware.ProbeID
	atStart  uint64  // probes that show what they show before they have measured, by bit
	rising   int     // probes of the air that grow hotter too fast
	risenTo  float64 // the last of them
	risenBy  hardware.ProbeID
	hangOpen bool // vents are told shut, but hang open

	on, dead, unknown hardware.OutputSet // some feedback says on, some says off, some cannot be read
	amiss             bool               // a contact is not as it should be while all is well
	differ            bool               // some feedback says otherwise than told, or cannot be read
	idle              int                // fan groups told on that feedback says are off
	silentOften       bool               // this tick saw the silence that was one too many
	dropped           bool               // this tick found outputs otherwise than told

	// What a condition looked at, for the operator.
	probe hardware.ProbeID
	value float64
	limit float64

	// The output vector in the making.
	want    hardware.OutputSet
	refused hardware.RuleSet
	out     *hardware.Applied
}

func (f *facts) about(probe hardware.ProbeID, value, limit float64) {
	f.probe, f.value, f.limit = probe, value, limit
}

// gather reads the snapshot into f. Its timers have been moved already.
func (f *facts) gather(p *Plant, s *State) {
	snap := f.snap
	f.usable, f.confirmed, f.stale, f.age, f.humid, f.broken, f.brokenBy = 0, false, false, 0, false, false, hardware.NoProbe
	f.low, f.high, f.hot, f.lowProbe, f.highProbe, f.hotProbe = hottest, coldest, coldest, hardware.NoProbe, hardware.NoProbe, hardware.NoProbe
	f.atStart, f.hangOpen, f.wet, f.wetProbe = 0, false, coldest, hardware.NoProbe
	for i := range p.probes {
		r := &snap.Readings[i]
		if !r.OK() {
			continue
		}
		if !quantity.Finite(r.Value) {
			f.broken, f.brokenBy = true, hardware.ProbeID(i)
		}
		if d := r.Value - p.powerOn[i]; d < halfStep && d > -halfStep {
			f.atStart |= 1 << i
		}
	}
	for g := range p.groups {
		f.broken = f.broken || !speedOK(f.in.Requested.FanSpeed[g])
	}
	for i, id := range p.dryBulbs {
		r := &snap.Readings[id]
		f.age = max(f.age, r.Age+f.in.Lag)
		if !f.usableAir(p, id) {
			f.stale = f.stale || r.Quality == hardware.Stale || (r.OK() && f.tooOld(p, r))
			continue
		}
		f.usable++
		if r.Value < f.low || f.usable == 1 {
			f.low, f.lowProbe = r.Value, id
		}
		if r.Value > f.high || f.usable == 1 {
			f.high, f.highProbe = r.Value, id
		}
		for _, other := range p.dryBulbs[:i] {
			o := &snap.Readings[other]
			if d := r.Value - o.Value; d <= float64(p.limits.BulbsAgree) && d >= -float64(p.limits.BulbsAgree) && f.usableAir(p, other) {
				f.confirmed = true
			}
		}
	}
	for _, id := range p.humidity {
		r := &snap.Readings[id]
		f.humid = f.humid || (r.OK() && quantity.Finite(r.Value) && !f.tooOld(p, r) && f.atStart>>id&1 == 0)
	}
	for _, id := range p.wetBulbs {
		if r := &snap.Readings[id]; r.Value > f.wet && f.usableAir(p, id) {
			f.wet, f.wetProbe = r.Value, id
		}
	}
	for _, id := range p.hot {
		// An old reading that was too hot still counts.
		if r := &snap.Readings[id]; r.OK() && r.Value > f.hot && r.Value <= hottest && f.atStart>>id&1 == 0 {
			f.hot, f.hotProbe = r.Value, id
		}
	}

	f.on = snap.ReadBack & snap.ReadBackValid & p.readBack
	f.unknown = p.readBack &^ snap.ReadBackValid
	f.dead = p.readBack & snap.ReadBackValid &^ snap.ReadBack
	for left := uint32(p.current); left != 0; left &= left - 1 {
		o := hardware.OutputID(bits.TrailingZeros32(left))
		amps := float64(snap.Current[o])
		switch {
		case !snap.CurrentValid.Has(o) || !quantity.Finite(amps):
			f.unknown = f.unknown.With(o, true)
		case amps > float64(p.limits.CurrentOn):
			f.on = f.on.With(o, true)
		case amps < float64(p.limits.CurrentOn)/10:
			f.dead = f.dead.With(o, true)
		}
	}
	c := snap.Contacts
	f.amiss = p.contacts&(goodClear&^(c.Valid&^c.Active)|goodActive&^(c.Valid&c.Active)) != 0
	f.differ = f.on&^s.Out.On|f.unknown|f.dead&s.Out.On != 0
	f.idle = 0
	still := s.settled(s.Out.On & f.dead & hardware.AllFans)
	for g := range p.groups {
		if s.Out.FanSpeed[g] < slowestFan {
			continue // a drive that stands draws nothing
		}
		if still.Has(hardware.FanForward(g)) || still.Has(hardware.FanReverse(g)) {
			f.idle++
		}
	}
}

func (f *facts) tooOld(p *Plant, r *hardware.Reading) bool {
	return r.Age < 0 || r.Age+f.in.Lag > p.limits.StaleAir.Std()
}

func (f *facts) usableAir(p *Plant, id hardware.ProbeID) bool {
	r := &f.snap.Readings[id]
	// The comparison also refuses what is not a number.
	return f.atStart>>id&1 == 0 && r.OK() && r.Value >= coldest && r.Value <= hottest && !f.tooOld(p, r)
}

// settled gives those of the outputs that were not switched a moment ago.
func (s *State) settled(outputs hardware.OutputSet) hardware.OutputSet {
	for left := uint32(outputs); left != 0; left &= left - 1 {
		o := hardware.OutputID(bits.TrailingZeros32(left))
		if s.SinceChange[o] < settle {
			outputs = outputs.With(o, false)
		}
	}
	return outputs
}

// Contacts that rules of the source contacts look at.
const (
	goodActive = hardware.ContactSet(1)<<hardware.ContactMains | 1<<hardware.ContactWaterSupply
	goodClear  = hardware.ContactSet(1)<<hardware.ContactEStop | 1<<hardware.ContactDoor | 1<<hardware.ContactHighLimit |
		1<<hardware.ContactHighPressure | 1<<hardware.ContactLowPressure | 1<<hardware.ContactSmoke | 1<<hardware.ContactGas |
		1<<hardware.ContactFloat | 1<<hardware.ContactInsideButton | 1<<hardware.ContactInhibit
)

// forbids is for a contact whose active state forbids.
func forbids(c hardware.ContactID) func(*Plant, *State, *facts) seen {
	return func(p *Plant, _ *State, f *facts) seen {
		switch {
		case !p.contacts.Has(c) || f.snap.Contacts.Clear(c):
			return fine
		case !f.snap.Contacts.Valid.Has(c):
			return doubts
		}
		return trips
	}
}

// forbidsSurely is for a contact so grave that a single tick without a reading counts as a trip.
func forbidsSurely(c hardware.ContactID) func(*Plant, *State, *facts) seen {
	return func(p *Plant, _ *State, f *facts) seen {
		return when(p.contacts.Has(c) && !f.snap.Contacts.Clear(c))
	}
}

// permits is for a contact whose active state permits.
func permits(c hardware.ContactID) func(*Plant, *State, *facts) seen {
	return func(p *Plant, _ *State, f *facts) seen {
		switch {
		case !p.contacts.Has(c) || f.snap.Contacts.Proven(c):
			return fine
		case !f.snap.Contacts.Valid.Has(c):
			return doubts
		}
		return trips
	}
}

// unasked is for outputs that must not be energised while told off.
func unasked(outputs hardware.OutputSet) func(*Plant, *State, *facts) seen {
	return func(_ *Plant, s *State, f *facts) seen {
		if s.settled(f.on&outputs&^s.Out.On) != 0 {
			return trips
		}
		if f.unknown&outputs != 0 {
			return doubts
		}
		return fine
	}
}

func never(*Plant, *State, *facts) seen { return fine }

func bothDirections(p *Plant, _ *State, f *facts) seen {
	on := f.snap.ReadBack & f.snap.ReadBackValid & p.readBack
	if on&(on>>hardware.FanReverse1)&hardware.AllForward != 0 {
		return trips
	}
	if p.readBack&^f.snap.ReadBackValid&hardware.AllFans != 0 {
		return doubts
	}
	return fine
}

func when(seenNow bool) seen {
	if seenNow {
		return trips
	}
	return fine
}

func notWritten(_ *Plant, _ *State, f *facts) seen { return when(f.in.WriteFailed) }
func closedDown(_ *Plant, _ *State, f *facts) seen { return when(f.in.Closed) }
func notSaved(_ *Plant, _ *State, f *facts) seen   { return when(f.in.SaveFailed) }

func tooHigh(p *Plant, _ *State, f *facts) seen {
	f.about(f.hotProbe, f.hot, float64(p.limits.DryBulbMax))
	return when(f.hot > float64(p.limits.DryBulbMax))
}

func dryBulbUnknown(_ *Plant, _ *State, f *facts) seen {
	if f.usable == 0 && !f.stale {
		return doubts
	}
	return fine
}

func readingsStale(p *Plant, _ *State, f *facts) seen {
	switch {
	case f.in.Lag < 0 || f.in.Lag > p.limits.StaleSnapshot.Std():
		f.about(hardware.NoProbe, f.in.Lag.Seconds(), p.limits.StaleSnapshot.Std().Seconds())
		return doubts
	case f.usable == 0 && f.stale:
		f.about(hardware.NoProbe, f.age.Seconds(), p.limits.StaleAir.Std().Seconds())
		return doubts
	}
	return fine
}

func silent(p *Plant, _ *State, f *facts) seen {
	if f.fast <= p.limits.Silent.Std() {
		return fine
	}
	f.about(hardware.NoProbe, f.fast.Seconds(), p.limits.Silent.Std().Seconds())
	return trips
}

func silentOften(_ *Plant, _ *State, f *facts) seen { return when(f.silentOften) }

func fansLost(_ *Plant, _ *State, f *facts) seen        { return when(f.idle >= 2) }
func fanNotFollowing(_ *Plant, _ *State, f *facts) seen { return when(f.idle >= 1) }

func fanNotProven(p *Plant, s *State, f *facts) seen {
	return when(p.contacts.Has(hardware.ContactAirflow) && s.Unproven > 0 && s.FansOn >= p.limits.FanProof.Std())
}

// airflowStuck, once in force, stays so until the contact has been seen to open: a proof that cannot fail proves nothing.
func airflowStuck(p *Plant, s *State, f *facts) seen {
	return when(f.snap.Contacts.Proven(hardware.ContactAirflow) && p.contacts.Has(hardware.ContactAirflow) &&
		(s.Rule[AirflowStuck].Fill >= stuckFor || s.FansOff > p.limits.FanCoast.Std()))
}

// lowPressure does not latch at rest: a cold machine may well stand below its cut-out. What opened while it ran goes on to
// count after it was switched off for it.
func lowPressure(p *Plant, s *State, f *facts) seen {
	what := forbids(hardware.ContactLowPressure)(p, s, f)
	if what == trips && !s.Out.On.Has(hardware.Compressor) && s.Rule[LowPressure].Fill == 0 {
		return blocks
	}
	return what
}

func humidityUnknown(p *Plant, s *State, f *facts) seen {
	if s.NoHumidity <= p.limits.HumidityLost.Std() {
		return fine
	}
	f.about(hardware.NoProbe, s.NoHumidity.Seconds(), p.limits.HumidityLost.Std().Seconds())
	return trips
}

func notFollowing(_ *Plant, s *State, f *facts) seen {
	return when(s.settled(s.Out.On&f.dead&followers) != 0)
}

func notFinite(_ *Plant, _ *State, f *facts) seen {
	f.about(f.brokenBy, 0, 0)
	return when(f.broken)
}
