package sequence

import (
	"fmt"
	"time"

	"drywarden/controller/demand"
	"drywarden/hardware"
	"drywarden/hardware/quantity"
)

// Config holds the machines' timings.
type Config struct {
	WarnTime time.Duration // sounder before fans start from rest
	Stagger  time.Duration // between the starts of fan groups
	Settle   time.Duration // without heat and compressor before fans stop to reverse
	Coast    time.Duration // all fans off before the other direction; above what the gate demands
	RunOn    time.Duration // fans go on after heat was on

	ReverseWetMin time.Duration // above fibre saturation: reversal is due, and waits for the compressor to rest
	ReverseWetMax time.Duration // reversal no longer waits
	ReverseDryMin time.Duration // below fibre saturation
	ReverseDryMax time.Duration //

	AirProven  time.Duration // airflow proven this long before heat or compressor
	AirGrace   time.Duration // unproven this long before they stop
	AirTrouble time.Duration // fans run this long unproven: trouble

	MinOff     time.Duration // compressor; above what the gate demands
	MinOn      time.Duration // compressor
	MinOnWet   time.Duration // compressor, governing moisture above fibre saturation
	MinOnOver  time.Duration // compressor, the air already well past the set points
	StartGap   time.Duration // from start to start of the compressor: bounds its starts an hour
	BlowerLead time.Duration // blower before compressor where its airflow is not sensed
	BlowerWait time.Duration // for the blower's proof before giving up
	BlowerRest time.Duration // after giving up

	Frost       quantity.Celsius // coil colder than this
	FrostFor    time.Duration    // for this long while running: frost
	DefrostTo   quantity.Celsius // fan only until the coil is warmer
	DefrostMax  time.Duration    // or this long
	Defrost     time.Duration    // without coil probe
	DefrostsIn  time.Duration    // two defrosts within this are a fault
	ContactorIv time.Duration    // least time between two changes of a contactor
	VentIv      time.Duration    // of the vents
	SprayIv     time.Duration    // of the spray valve
	HeatIv      time.Duration    // of a heat stage, kept for the elements' sake
}

// DefaultConfig gives usual timings.
func DefaultConfig() Config {
	return Config{
		WarnTime: 10 * time.Second, Stagger: 3 * time.Second, Settle: 30 * time.Second, Coast: 75 * time.Second, RunOn: time.Minute,
		ReverseWetMin: 3 * time.Hour, ReverseWetMax: 6 * time.Hour, ReverseDryMin: 6 * time.Hour, ReverseDryMax: 12 * time.Hour,
		AirProven: 5 * time.Second, AirGrace: 3 * time.Second, AirTrouble: 20 * time.Second,
		MinOff: 310 * time.Second, MinOn: 605 * time.Second, MinOnWet: 190 * time.Second, MinOnOver: 185 * time.Second, StartGap: 910 * time.Second,
		BlowerLead: 5 * time.Second, BlowerWait: 30 * time.Second, BlowerRest: 5 * time.Minute,
		Frost: -1, FrostFor: 10 * time.Minute, DefrostTo: 5, DefrostMax: 20 * time.Minute, Defrost: 15 * time.Minute, DefrostsIn: 2 * time.Hour,
		ContactorIv: 11 * time.Second, VentIv: 61 * time.Second, SprayIv: 6 * time.Second, HeatIv: 20 * time.Second,
	}
}

// Phase is what the fans are doing.
type Phase uint8

// Phases of the fans.
const (
	Stopped  Phase = iota
	Warning        // the sounder warns
	Starting       // group by group
	Running
	Settling // heat and compressor off before the fans stop to reverse
	Coasting // all off, running down before the other direction
	phaseCount
)

var phaseNames = [phaseCount]string{"stopped", "warning", "starting", "running", "settling", "coasting"}

// String gives the name used in states.
func (p Phase) String() string {
	if int(p) < len(phaseNames) {
		return phaseNames[p]
	}
	return fmt.Sprintf("unknown_%d", uint8(p))
}

// MarshalText gives the name: states hold names, not numbers.
func (p Phase) MarshalText() ([]byte, error) { return []byte(p.String()), nil }

// UnmarshalText reads the name that String gives.
func (p *Phase) UnmarshalText(b []byte) error {
	for i, name := range phaseNames {
		if name == string(b) {
			*p = Phase(i)
			return nil
		}
	}
	return fmt.Errorf("unknown fan phase %q", b)
}

// State is what the sequencer remembers. The zero value is a process that has just started with everything off.
type State struct {
	Fans    Phase
	InPhase time.Duration
	Reverse bool          // direction in which the fans run, or ran last
	Known   bool          // Reverse is what the fans really did last
	FansOff time.Duration // all fans applied off without a break
	RunFor  time.Duration // in this direction since the last reversal
	Gone    time.Duration // fans asked for but not applied
	AirFor  time.Duration // airflow proven without a break
	NoAir   time.Duration // airflow not proven while the fans run

	CompressorOff time.Duration // applied off without a break
	CompressorOn  time.Duration // applied on without a break
	SinceStart    time.Duration // of the compressor
	BlowerOn      time.Duration // applied on without a break
	BlowerWaits   time.Duration // for its proof
	BlowerRest    time.Duration // left after it failed to prove
	FrostFor      time.Duration
	Defrosting    bool
	DefrostFor    time.Duration
	SinceDefrost  time.Duration
	Defrosted     bool // SinceDefrost means something
	Defrosts      uint16
	DefrostTwice  bool // two within DefrostsIn, until acknowledged

	HeatOff time.Duration // all heat applied off without a break
	Up      time.Duration // of the process
	Early   uint8         // starts of the compressor since then, counted up to earlyStarts
	Last    hardware.OutputSet
	Change  [hardware.OutputCount]time.Duration // since the applied state changed
}

// spare is kept from what others count, whose first tick may be one later than ours.
const spare = time.Second

// After a start of the process the gate counts most of an hour's compressor starts as used.
const (
	earlyFor    = time.Hour + 10*time.Second
	earlyStarts = 2
)

// longAgo is far more than any minimum time; timers stop counting there.
const longAgo = 1000 * time.Hour

// Restart puts every timer at its worst, as after a start of the process.
func Restart(cfg *Config, s *State) {
	*s = State{
		// A direction is known only of fans that ran when the state was saved; the others may have been stopped for long.
		Reverse: s.Reverse, Known: s.Known && s.FansOff == 0, RunFor: s.RunFor, Defrosts: s.Defrosts, DefrostTwice: s.DefrostTwice,
		Defrosted: s.Defrosted, SinceDefrost: s.SinceDefrost,
		SinceStart: cfg.StartGap - cfg.MinOff,
	}
}

// Input is what a Step gets.
type Input struct {
	Elapsed  time.Duration // capped by the caller
	Demand   *demand.Demand
	Layout   *hardware.Layout
	Applied  *hardware.Applied // in the tick before
	Contacts hardware.Contacts
	Coil     quantity.Celsius
	CoilOK   bool
	Warm     time.Duration // crankcase warming still owed
	MayWarn  bool          // door shut, nobody stopped it: the sounder may sound
	MayMove  bool          // outputs may move
	Steady   bool          // an input was just lost: nothing rises
	Lock     bool          // the compressor stops after its shortest run and does not start
}

// Result is what a Step says.
type Result struct {
	Requested hardware.Outputs

	FanWhy, CompressorWhy, BlowerWhy, LowWhy, CrankcaseWhy, HeatWhy, VentWhy, SprayWhy demand.Why
}

// Step works out the requested outputs. It changes s and out in place and allocates nothing.
func Step(cfg *Config, s *State, in *Input, out *Result) {
	*out = Result{}
	s.account(cfg, in)
	fans(cfg, s, in, out)
	compressor(cfg, s, in, out)
	vent(cfg, s, in, out)
	heat(cfg, s, in, out)
	spray(cfg, s, in, out)
	out.Requested.On &= in.Layout.Outputs
}

func (s *State) account(cfg *Config, in *Input) {
	on, dt := in.Applied.On, in.Elapsed
	changed := on ^ s.Last
	for o := range s.Change {
		if changed&(1<<o) != 0 {
			s.Change[o] = 0
		} else if s.Change[o] < longAgo {
			s.Change[o] += dt
		}
	}
	s.Last = on
	count(&s.FansOff, on&hardware.AllFans == 0, dt)
	count(&s.HeatOff, on&hardware.AllHeat == 0, dt)
	count(&s.BlowerOn, on.Has(hardware.Blower), dt)
	if on.Has(hardware.Compressor) && s.CompressorOn == 0 {
		s.SinceStart = 0
		s.Early = min(s.Early+1, earlyStarts)
	}
	count(&s.CompressorOn, on.Has(hardware.Compressor), dt)
	count(&s.CompressorOff, !on.Has(hardware.Compressor), dt)
	if s.Up < longAgo {
		s.Up += dt
	}
	if s.SinceStart < longAgo {
		s.SinceStart += dt
	}
	if s.SinceDefrost < longAgo {
		s.SinceDefrost += dt
	}
	s.InPhase += dt
	s.BlowerRest = max(s.BlowerRest-dt, 0)

	proven := in.Contacts.Proven(hardware.ContactAirflow) ||
		!in.Layout.Contacts.Has(hardware.ContactAirflow) && on&hardware.AllFans != 0
	count(&s.AirFor, proven, dt)
	if proven || on&hardware.AllFans == 0 {
		s.NoAir = 0
	} else {
		s.NoAir += dt
	}
	// Which way the fans turn is learnt from what was applied, whoever asked for it.
	switch {
	case on&hardware.AllForward != 0:
		s.Reverse, s.Known = false, true
	case on&hardware.AllReverse != 0:
		s.Reverse, s.Known = true, true
	case !s.Known && s.FansOff >= cfg.Coast:
		s.Reverse, s.Known = false, true // stopped for so long that either way will do
	}
}

// count adds to a timer while on and starts it again otherwise.
func count(timer *time.Duration, on bool, dt time.Duration) {
	if !on {
		*timer = 0
	} else if *timer < longAgo {
		*timer += dt
	}
}

func (s *State) enter(p Phase) { s.Fans, s.InPhase = p, 0 }

func fans(cfg *Config, s *State, in *Input, out *Result) {
	d := in.Demand
	applied := in.Applied.On&hardware.AllFans != 0
	groups := min(in.Layout.FanGroups, hardware.MaxFanGroups)
	out.FanWhy = d.FanWhy

	if in.Applied.Forced != hardware.NotForced {
		// Held safe: fans that run keep running, none starts.
		if applied && in.MayMove {
			if s.Fans != Running {
				s.enter(Running)
			}
			out.Requested.On |= in.Applied.On & hardware.AllFans
			out.Requested.FanSpeed = in.Applied.FanSpeed
		} else {
			s.enter(Stopped)
		}
		out.FanWhy = demand.Why{Code: demand.HeldSafe}
		return
	}
	wanted := d.Fans && in.MayWarn && groups > 0
	runOn := s.Fans == Running && in.MayMove && applied && s.HeatOff < cfg.RunOn
	if !wanted && !runOn {
		if s.Fans != Stopped {
			s.enter(Stopped)
		}
		if d.Fans {
			out.FanWhy = demand.Why{Code: NotAllowedYet}
		}
		return
	}
	// Asked for and not applied: the gate or a person stopped them, so that they start with a warning again.
	if (s.Fans == Running || s.Fans == Starting) && !applied {
		s.Gone += in.Elapsed
	} else {
		s.Gone = 0
	}
	if s.Gone > 3*time.Second {
		s.Gone = 0
		s.enter(Stopped)
	}
	switch s.Fans {
	case Stopped:
		if !s.Known && s.FansOff < cfg.Coast-cfg.WarnTime {
			out.FanWhy = demand.Why{Code: RunningDown, Remaining: cfg.Coast - s.FansOff}
			break
		}
		s.enter(Warning)
		s.warn(cfg, out)
	case Warning:
		switch {
		case s.InPhase < cfg.WarnTime+spare || !in.MayMove:
			s.warn(cfg, out)
		case !s.Known:
			out.FanWhy = demand.Why{Code: RunningDown, Remaining: cfg.Coast - s.FansOff}
		default:
			s.enter(Starting)
			s.blow(cfg, in, groups, out)
		}
	case Starting, Running:
		if s.Fans == Running {
			s.RunFor += in.Elapsed
		}
		s.blow(cfg, in, groups, out)
		if s.Fans == Starting && s.InPhase >= cfg.Stagger*time.Duration(groups) {
			s.enter(Running)
		}
		if s.Fans == Running && s.reversalDue(cfg, in) {
			s.enter(Settling)
			out.FanWhy = demand.Why{Code: AboutToReverse, Remaining: cfg.Settle}
		}
	case Settling:
		out.FanWhy = demand.Why{Code: AboutToReverse, Remaining: cfg.Settle - s.InPhase}
		resting := s.HeatOff >= cfg.Settle && s.CompressorOff >= cfg.Settle
		switch {
		case !d.Reversal:
			s.enter(Running)
			s.blow(cfg, in, groups, out)
		case resting && s.InPhase >= cfg.Settle:
			s.enter(Coasting)
			out.FanWhy = demand.Why{Code: RunningDown, Remaining: cfg.Coast}
		default:
			s.blow(cfg, in, groups, out)
		}
	case Coasting:
		out.FanWhy = demand.Why{Code: RunningDown, Remaining: cfg.Coast - s.FansOff}
		if s.FansOff >= cfg.Coast && in.MayMove {
			s.Reverse, s.RunFor = !s.Reverse, 0
			s.enter(Starting)
			s.blow(cfg, in, groups, out)
		}
	}
}

func (s *State) warn(cfg *Config, out *Result) {
	out.Requested.On |= 1 << hardware.Sounder
	out.FanWhy = demand.Why{Code: WarningFirst, Remaining: cfg.WarnTime - s.InPhase}
}

// blow asks for the fan groups whose turn has come, in the present direction.
func (s *State) blow(cfg *Config, in *Input, groups int, out *Result) {
	speed := quantity.Ratio(1)
	if in.Layout.FanDrive && in.Demand.Fans {
		speed = quantity.Ratio(quantity.Quantize(float64(in.Demand.FanSpeed), 0.05))
	}
	for g := range groups {
		if s.Fans == Starting && s.InPhase < cfg.Stagger*time.Duration(g) {
			break
		}
		o := hardware.FanForward(g)
		if s.Reverse {
			o = hardware.FanReverse(g)
		}
		if !in.Layout.Outputs.Has(o) { // a fan that turns one way only
			o = hardware.FanForward(g)
		}
		out.Requested.On |= 1 << o
		out.Requested.FanSpeed[g] = speed
	}
}

// reversalDue waits for the compressor's own rest, and no longer than the greatest interval.
func (s *State) reversalDue(cfg *Config, in *Input) bool {
	if !in.Demand.Reversal || in.Demand.Counting || s.Defrosting || in.Steady ||
		in.Layout.Outputs&hardware.AllReverse == 0 {
		return false
	}
	least, most := cfg.ReverseDryMin, cfg.ReverseDryMax
	if in.Demand.Wet {
		least, most = cfg.ReverseWetMin, cfg.ReverseWetMax
	}
	resting := s.CompressorOff > 0 && !in.Demand.Dry
	quiet := resting && in.Applied.On&hardware.AllHeat == 0 && in.Demand.Heat == 0
	late := least + (most-least)/2
	switch {
	case s.RunFor < least:
		return false
	case quiet, resting && s.RunFor >= late:
		return true
	case s.RunFor >= most:
		return s.CompressorOff > 0 || s.CompressorOn >= cfg.MinOn
	}
	return false
}

func (s *State) minOn(cfg *Config, d *demand.Demand) time.Duration {
	switch {
	case d.Over:
		return min(cfg.MinOnOver, cfg.MinOn)
	case d.Wet:
		return min(cfg.MinOnWet, cfg.MinOn)
	}
	return cfg.MinOn
}

// air tells whether proven airflow permits heat and compressor: to start, and to go on.
func (s *State) air(cfg *Config, in *Input) (start, stay bool) {
	if s.Fans != Running || !in.MayMove || in.Applied.Forced != hardware.NotForced {
		return false, false
	}
	return s.AirFor >= cfg.AirProven, s.AirFor > 0 || s.NoAir <= cfg.AirGrace && s.NoAir > 0
}

// rush tells that what needs air must go off at once; fans that are about to reverse still give it for a while.
func (s *State) rush(cfg *Config, in *Input) bool {
	moving := s.Fans == Running || s.Fans == Settling
	return !moving || !in.MayMove || in.Applied.Forced != hardware.NotForced || s.AirFor == 0 && s.NoAir > cfg.AirGrace
}

func (s *State) airWhy(in *Input) demand.Why {
	switch {
	case in.Applied.Forced != hardware.NotForced:
		return demand.Why{Code: demand.HeldSafe}
	case !in.MayMove:
		return demand.Why{Code: NotAllowedYet}
	case s.Fans == Settling || s.Fans == Coasting:
		return demand.Why{Code: FansReverse}
	case s.Fans != Running:
		return demand.Why{Code: FansNotRunning}
	}
	return demand.Why{Code: demand.NoAirflow}
}

// mustStop tells whether a reason not to dry overrules the minimum run.
func mustStop(code demand.Reason) bool {
	switch code {
	case demand.AmbientLimit, demand.NoDryBulb, demand.HeldSafe, demand.NoHumidity:
		return true
	}
	return false
}

func compressor(cfg *Config, s *State, in *Input, out *Result) {
	d := in.Demand
	if !in.Layout.Outputs.Has(hardware.Compressor) {
		none := demand.Why{Code: demand.NotFitted}
		out.CompressorWhy, out.BlowerWhy, out.LowWhy, out.CrankcaseWhy = none, none, none, none
		return
	}
	on := in.Applied.On.Has(hardware.Compressor)
	s.frost(cfg, in, on)
	start, stay := s.air(cfg, in)
	ask, blower := false, s.Defrosting && stay
	switch {
	case on:
		left := s.minOn(cfg, d) - s.CompressorOn
		switch {
		case !stay:
			out.CompressorWhy = s.airWhy(in)
		case s.Defrosting:
			out.CompressorWhy = demand.Why{Code: Defrosting, Value: float64(in.Coil), Limit: float64(cfg.DefrostTo)}
		case s.blowerLost(cfg, in):
			out.CompressorWhy = demand.Why{Code: BlowerUnproven}
			s.BlowerRest = cfg.BlowerRest
		case in.Lock && s.CompressorOn >= min(cfg.MinOnOver, cfg.MinOn):
			out.CompressorWhy = demand.Why{Code: Locked}
		case d.Dry:
			ask, out.CompressorWhy = true, d.DryWhy
		case left > 0 && !mustStop(d.DryWhy.Code):
			ask, out.CompressorWhy = true, demand.Why{Code: MinimumRun, Remaining: left}
		default:
			out.CompressorWhy = d.DryWhy
		}
		blower = ask || blower
	default:
		rest := max(cfg.MinOff-s.CompressorOff, cfg.StartGap-s.SinceStart)
		if s.Early >= earlyStarts {
			rest = max(rest, earlyFor-s.Up)
		}
		spraying := in.Applied.On.Has(hardware.Spray)
		switch {
		case !d.Dry:
			out.CompressorWhy = d.DryWhy
		case s.Defrosting:
			out.CompressorWhy = demand.Why{Code: Defrosting, Value: float64(in.Coil), Limit: float64(cfg.DefrostTo)}
		case !start:
			out.CompressorWhy = s.airWhy(in)
		case in.Lock:
			out.CompressorWhy = demand.Why{Code: Locked}
		case in.Warm > 0:
			out.CompressorWhy = demand.Why{Code: CrankcaseWarming, Remaining: in.Warm}
		case rest > 0:
			out.CompressorWhy = demand.Why{Code: MinimumRest, Remaining: rest}
		case s.BlowerRest > 0:
			out.CompressorWhy = demand.Why{Code: BlowerUnproven, Remaining: s.BlowerRest}
		case spraying || in.Steady:
			out.CompressorWhy = demand.Why{Code: WaitsForSpray}
			if in.Steady {
				out.CompressorWhy.Code = InputLost
			}
		default:
			blower = true
			if s.blowerProven(cfg, in) {
				ask, out.CompressorWhy = true, d.DryWhy
			} else {
				s.BlowerWaits += in.Elapsed
				out.CompressorWhy = demand.Why{Code: BlowerFirst}
				if s.BlowerWaits > cfg.BlowerWait {
					s.BlowerRest, blower = cfg.BlowerRest, false
				}
			}
		}
	}
	if !blower || ask {
		s.BlowerWaits = 0
	}
	req := &out.Requested.On
	*req = req.With(hardware.Compressor, ask)
	// A blower left running would evaporate what clings to the coil: it stops with the compressor.
	urgent := s.rush(cfg, in)
	*req = req.With(hardware.Blower, s.keep(in, hardware.Blower, blower, cfg.ContactorIv, urgent) || ask)
	*req = req.With(hardware.BlowerLow, s.keep(in, hardware.BlowerLow, req.Has(hardware.Blower) && d.BlowerLow && !s.Defrosting, cfg.ContactorIv, urgent))
	*req = req.With(hardware.Crankcase, s.keep(in, hardware.Crankcase, !ask && in.MayMove, cfg.ContactorIv, !in.MayMove))
	s.whys(in, ask, out)
}

func (s *State) whys(in *Input, ask bool, out *Result) {
	switch {
	case s.Defrosting:
		out.BlowerWhy = demand.Why{Code: Defrosting, Value: float64(in.Coil)}
	case out.Requested.On.Has(hardware.Blower):
		out.BlowerWhy = demand.Why{Code: WithCompressor}
	default:
		out.BlowerWhy = demand.Why{Code: CompressorRests}
	}
	switch {
	case !in.Layout.Outputs.Has(hardware.BlowerLow):
		out.LowWhy = demand.Why{Code: demand.NotFitted}
	case out.Requested.On.Has(hardware.BlowerLow):
		out.LowWhy = demand.Why{Code: LessAirYieldsMore}
	case out.Requested.On.Has(hardware.Blower):
		out.LowWhy = demand.Why{Code: FullAir}
	default:
		out.LowWhy = demand.Why{Code: CompressorRests}
	}
	switch {
	case !in.Layout.Outputs.Has(hardware.Crankcase):
		out.CrankcaseWhy = demand.Why{Code: demand.NotFitted}
	case ask:
		out.CrankcaseWhy = demand.Why{Code: demand.CompressorRuns}
	case !in.MayMove:
		out.CrankcaseWhy = demand.Why{Code: NotAllowedYet}
	default:
		out.CrankcaseWhy = demand.Why{Code: CompressorRests, Remaining: in.Warm}
	}
}

func (s *State) blowerProven(cfg *Config, in *Input) bool {
	switch {
	case !in.Layout.Outputs.Has(hardware.Blower):
		return true
	case s.BlowerOn < cfg.BlowerLead:
		return false
	}
	return !in.Layout.Contacts.Has(hardware.ContactBlowerAirflow) || in.Contacts.Proven(hardware.ContactBlowerAirflow)
}

// blowerLost: the compressor runs, and the air over its coil has stopped. Within the contactor's least interval this is
// the gate's business.
func (s *State) blowerLost(cfg *Config, in *Input) bool {
	return in.Layout.Contacts.Has(hardware.ContactBlowerAirflow) && !in.Contacts.Proven(hardware.ContactBlowerAirflow) &&
		s.CompressorOn > cfg.ContactorIv
}

// frost watches the coil: ice stops the air, and only air melts it.
func (s *State) frost(cfg *Config, in *Input, on bool) {
	dt := in.Elapsed
	if s.Defrosting {
		s.DefrostFor += dt
		warm := in.CoilOK && in.Coil > cfg.DefrostTo
		if warm || s.DefrostFor >= cfg.DefrostMax || !in.CoilOK && s.DefrostFor >= cfg.Defrost {
			s.Defrosting = false
			s.SinceDefrost, s.Defrosted = 0, true
		}
		return
	}
	if !on || !in.CoilOK || in.Coil >= cfg.Frost {
		s.FrostFor = 0
		return
	}
	s.FrostFor += dt
	if s.FrostFor < cfg.FrostFor || s.CompressorOn < s.minOn(cfg, in.Demand) {
		return
	}
	s.DefrostTwice = s.DefrostTwice || s.Defrosted && s.SinceDefrost < cfg.DefrostsIn
	s.Defrosting, s.DefrostFor, s.FrostFor = true, 0, 0
	if s.Defrosts < 1<<16-1 {
		s.Defrosts++
	}
}

// keep holds an output where it is until its least interval has passed, unless switching off is urgent.
func (s *State) keep(in *Input, o hardware.OutputID, want bool, interval time.Duration, urgent bool) bool {
	was := in.Applied.On.Has(o)
	if want == was || s.Change[o] >= interval || urgent && !want {
		return want
	}
	return was
}

func vent(cfg *Config, s *State, in *Input, out *Result) {
	d := in.Demand
	heat := in.Applied.On&hardware.AllHeat != 0
	out.VentWhy = d.VentWhy
	want := d.Vent && in.MayMove && in.Applied.Forced == hardware.NotForced
	if want && heat && !d.VentDry {
		want, out.VentWhy = false, demand.Why{Code: demand.HeatOn}
	}
	if d.Vent && !in.MayMove {
		out.VentWhy = demand.Why{Code: NotAllowedYet}
	}
	keep := s.keep(in, hardware.Vent, want, cfg.VentIv, !in.MayMove || in.Applied.Forced != hardware.NotForced)
	if keep && !want {
		out.VentWhy = demand.Why{Code: LeastInterval, Remaining: cfg.VentIv - s.Change[hardware.Vent]}
	}
	out.Requested.On = out.Requested.On.With(hardware.Vent, keep)
}

func heat(cfg *Config, s *State, in *Input, out *Result) {
	d := in.Demand
	out.HeatWhy = d.HeatWhy
	start, stay := s.air(cfg, in)
	open := (out.Requested.On | in.Applied.On).Has(hardware.Vent) && !d.VentDry
	level := int(d.Heat)
	switch {
	case level == 0:
	case !start && !stay:
		level, out.HeatWhy = 0, s.airWhy(in)
	case open:
		level, out.HeatWhy = 0, demand.Why{Code: demand.VentOpen}
	}
	urgent := s.rush(cfg, in) || mustStop(d.HeatWhy.Code)
	for i := range min(in.Layout.HeatStages, hardware.MaxHeatStages) {
		o := hardware.Heat(i)
		was := in.Applied.On.Has(o)
		want := i < level
		switch {
		case want && !was && (!start || in.Steady):
			want = false
		case want && !was && i > 0 && (!in.Applied.On.Has(hardware.Heat(i-1)) || s.Change[hardware.Heat(i-1)] < cfg.ContactorIv):
			want = false // one after another: inrush
		case !want && was && open: // the vent opened in spite of us: heat gives way
			urgent = true
		}
		want = s.keep(in, o, want, cfg.HeatIv, urgent)
		out.Requested.On = out.Requested.On.With(o, want)
	}
}

func spray(cfg *Config, s *State, in *Input, out *Result) {
	d := in.Demand
	out.SprayWhy = d.SprayWhy
	start, stay := s.air(cfg, in)
	compressor := (out.Requested.On | in.Applied.On).Has(hardware.Compressor)
	want := d.Spray && (start || stay) && !compressor
	if d.Spray && compressor {
		out.SprayWhy = demand.Why{Code: demand.CompressorRuns}
	}
	want = s.keep(in, hardware.Spray, want, cfg.SprayIv, s.rush(cfg, in) || compressor)
	out.Requested.On = out.Requested.On.With(hardware.Spray, want)
}
