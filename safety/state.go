package safety

import (
	"encoding/json"
	"fmt"
	"time"

	"drywarden/hardware"
	"drywarden/hardware/quantity"
)

const (
	maxStarts  = 6 // in any hour
	maxCutouts = 3 // in any day, then locked out
	maxSilence = 3 // in any hour, then latched
	maxDrops   = 3 // in any hour, then latched
	// longest bounds every timer, so that none overflows; it also stands for never.
	longest = 30 * 24 * time.Hour
	// spareStarts is how many starts a new process is allowed in its first hour: what came before is not known.
	spareStarts = 4
	// pressGood is how long a press of the panel's reset stays good for a reset that also needs a command.
	pressGood = 50 * time.Second
	// clearGood is how long a clearing may wait for its record to be saved, counted from the press of the panel's reset where
	// it needs one. Then it lapses and has to be asked for again: no trip goes when whoever asked has left.
	clearGood = 55 * time.Second
)

// Direction is how a fan group last ran.
type Direction uint8

// Directions. DirectionUnknown is the zero value and the worst.
const (
	DirectionUnknown Direction = iota
	DirectionForward
	DirectionReverse
)

// GroupState is what Step remembers of a fan group.
type GroupState struct {
	Last Direction     `json:"last"`
	Off  time.Duration `json:"off_nanoseconds"` // since both directions are off
}

// RuleState is what Step remembers of a rule.
type RuleState struct {
	Fill  time.Duration    `json:"fill_nanoseconds"`  // of the delay
	Doubt time.Duration    `json:"doubt_nanoseconds"` // unreadable without a break
	For   time.Duration    `json:"for_nanoseconds"`   // since the alarm was raised
	Probe hardware.ProbeID `json:"probe"`
	Value float64          `json:"value"`
	Limit float64          `json:"limit"`
}

// moves tells that a tick without a cause still changes something.
func (r *RuleState) moves() bool { return r.Fill > 0 || r.Doubt > 0 }

// State is all that Step remembers: a plain value of durations, no instants. Make one with NewState; its JSON form has
// rules and outputs by name and refuses names it does not know.
type State struct {
	Ticks uint64
	Up    time.Duration // since the first tick

	Latched  hardware.RuleSet // trips in force until cleared
	Clearing hardware.RuleSet // of them, those to be cleared as soon as the record without them is saved
	ClearFor time.Duration    // since the newest of them was asked for
	Seen     hardware.RuleSet // cause seen in the last tick
	Raised   hardware.RuleSet // alarms of the last tick
	Acked    hardware.RuleSet // alarms that somebody has seen
	Rule     [ruleCount]RuleState
	moving   hardware.RuleSet // rules that move; it follows from Rule

	Out         hardware.Outputs // as applied; heartbeat not included
	Beat        bool
	SinceChange [hardware.OutputCount]time.Duration // since each output was switched
	Groups      [hardware.MaxFanGroups]GroupState
	Load        [hardware.MaxFanGroups]Load
	FansOn      time.Duration // since any fan runs
	FansOff     time.Duration // since none does

	Unproven       time.Duration // since airflow was last proven
	BlowerUnproven time.Duration // likewise over the evaporator
	NoHumidity     time.Duration // since humidity was last known
	Warned         time.Duration // of sounder with the door shut
	HeatCredit     time.Duration // heat that a single dry bulb may still use
	VentCredit     time.Duration // vents with heat on, likewise

	Starts   [maxStarts]time.Duration  // ago, newest first; compressor
	Cutouts  [maxCutouts]time.Duration // ago, newest first; pressure trips
	Silences [maxSilence]time.Duration // ago, newest first; controller silent
	Drops    [maxDrops]time.Duration   // ago, newest first; outputs found otherwise than told
	Differ   bool                      // they were in the last tick
	Quiet    bool                      // the silence that lasts is counted already

	ShortCycled      time.Duration // since it was asked to start too often in an hour
	HeatFailed       time.Duration // since heat was found dead and had not been within an hour
	CompressorFailed time.Duration // likewise

	DoorShut time.Duration   // since the door was last seen otherwise
	Air      [maxAir]float64 // follow the probes of the air at a bounded pace, Celsius
	AirKnown uint8           // those that mean something, by bit

	Twin        [2]hardware.ProbeID // bulbs that read alike
	TwinFor     time.Duration
	TwinValue   float64
	TwinChanges int

	PanelFree  bool          // the panel's reset was seen released
	SincePress time.Duration // since it was last pressed
}

// Load is at which speed a fan group runs, and for how long.
type Load struct {
	Speed quantity.Ratio
	For   time.Duration
}

// NewState is the state at a process's first tick: every timer at its worst.
func NewState(l *Limits) State {
	s := State{FansOff: 0, Unproven: longest, BlowerUnproven: longest, SincePress: longest, ShortCycled: longest,
		HeatFailed: longest, CompressorFailed: longest, Twin: [2]hardware.ProbeID{hardware.NoProbe, hardware.NoProbe}}
	for i := range s.Starts {
		s.Starts[i] = longest
	}
	for i := 0; i < l.CompressorStarts-spareStarts; i++ {
		s.Starts[i] = 0
	}
	for i := range s.Cutouts {
		s.Cutouts[i] = longest
	}
	for i := range s.Silences {
		s.Silences[i] = longest
	}
	for i := range s.Drops {
		s.Drops[i] = longest
	}
	for i := range s.Rule {
		s.Rule[i].Probe = hardware.NoProbe
	}
	return s
}

// record is what must outlive the process.
type record struct {
	trips hardware.RuleSet
	fans  hardware.OutputSet // last direction of each group, where it is known and matters
	// How many there were in the last day and hour. Their ages are not kept: a new process counts them as just happened.
	cutouts, silences int
}

// record leaves out trips that are being cleared, and the direction of fans that have stood still for half their coast:
// by the time the other direction may start, the record no longer names the old one.
func (s *State) record(p *Plant) record {
	r := record{trips: s.Latched &^ s.Clearing}
	for g := range p.groups {
		if group := &s.Groups[g]; group.Off < p.limits.FanCoast.Std()/2 {
			switch group.Last {
			case DirectionForward:
				r.fans = r.fans.With(hardware.FanForward(g), true)
			case DirectionReverse:
				r.fans = r.fans.With(hardware.FanReverse(g), true)
			}
		}
	}
	r.cutouts, r.silences = younger(s.Cutouts[:], 24*time.Hour), younger(s.Silences[:], time.Hour)
	return r
}

// younger counts the ages below a bound; the newest stand first.
func younger(ages []time.Duration, than time.Duration) int {
	n := 0
	for n < len(ages) && ages[n] < than {
		n++
	}
	return n
}

// Names of what is counted in the record.
const (
	oneCutout  = "pressure_cutout"
	oneSilence = "controller_silence"
)

func (r record) names() []string {
	names := append(ruleNames(r.trips), outputNames(r.fans)...)
	for range r.cutouts {
		names = append(names, oneCutout)
	}
	for range r.silences {
		names = append(names, oneSilence)
	}
	return names
}

// recall takes over what a process before had recorded. What it cannot understand latches TripRecordUnreadable.
func (s *State) recall(names []string) {
	for _, name := range names {
		var o hardware.OutputID
		if id, ok := Lookup(name); ok && Latches(id) {
			s.Latched = s.Latched.With(id, true)
		} else if o.UnmarshalText([]byte(name)) == nil && hardware.AllFans.Has(o) {
			last, g := DirectionForward, int(o-hardware.FanForward1)
			if hardware.AllReverse.Has(o) {
				last, g = DirectionReverse, int(o-hardware.FanReverse1)
			}
			// Both directions of one group recorded: neither can be believed.
			if s.Groups[g].Last != DirectionUnknown {
				last = DirectionUnknown
			}
			s.Groups[g].Last = last
		} else if name == oneCutout {
			push(s.Cutouts[:])
		} else if name == oneSilence {
			push(s.Silences[:])
			s.Latched = s.Latched.With(ControllerSilentOften, s.Silences[maxSilence-1] < time.Hour || s.Latched.Has(ControllerSilentOften))
		} else {
			s.Latched = s.Latched.With(TripRecordUnreadable, true)
		}
	}
}

// plus adds to a timer without passing longest.
func plus(t *time.Duration, d time.Duration) { *t = min(*t+d, longest) }

// push puts a new event at the head of a list of ages.
func push(ages []time.Duration) {
	copy(ages[1:], ages)
	ages[0] = 0
}

// text forms of the sets

func ruleNames(set hardware.RuleSet) []string {
	names := []string{}
	for id := NoRule + 1; id < ruleCount; id++ {
		if set.Has(id) {
			names = append(names, Name(id))
		}
	}
	return names
}

func ruleSet(names []string) (set hardware.RuleSet, err error) {
	for _, name := range names {
		id, ok := Lookup(name)
		if !ok {
			return 0, fmt.Errorf("read safety state: unknown rule %q", name)
		}
		set = set.With(id, true)
	}
	return set, nil
}

func outputNames(set hardware.OutputSet) []string {
	names := []string{}
	for o := range hardware.OutputCount {
		if set.Has(o) {
			names = append(names, o.String())
		}
	}
	return names
}

func outputSet(names []string) (set hardware.OutputSet, err error) {
	for _, name := range names {
		var o hardware.OutputID
		if err := o.UnmarshalText([]byte(name)); err != nil {
			return 0, fmt.Errorf("read safety state: %w", err)
		}
		set = set.With(o, true)
	}
	return set, nil
}

var directionNames = [...]string{"unknown", "forward", "reverse"}

// MarshalText gives the name.
func (d Direction) MarshalText() ([]byte, error) {
	if int(d) >= len(directionNames) {
		return nil, fmt.Errorf("write fan direction: unknown number %d", d)
	}
	return []byte(directionNames[d]), nil
}

// UnmarshalText reads what MarshalText gives.
func (d *Direction) UnmarshalText(b []byte) error {
	for i, name := range directionNames {
		if name == string(b) {
			*d = Direction(i)
			return nil
		}
	}
	return fmt.Errorf("unknown fan direction %q", b)
}

// plainState has State's fields without its methods.
type plainState State

// stateText overrides those fields of State whose numbers mean nothing outside this build.
type stateText struct {
	*plainState
	Latched, Clearing, Seen, Raised, Acked []string
	Rule                                   map[string]RuleState
	On                                     []string
	SinceChange                            map[string]time.Duration
	Out                                    any `json:"Out,omitempty"` // hides State.Out
	Speed                                  []float64
}

// MarshalJSON writes rules and outputs by name.
func (s State) MarshalJSON() ([]byte, error) {
	text := stateText{plainState: (*plainState)(&s), Latched: ruleNames(s.Latched), Clearing: ruleNames(s.Clearing),
		Seen: ruleNames(s.Seen), Raised: ruleNames(s.Raised), Acked: ruleNames(s.Acked), On: outputNames(s.Out.On),
		Rule: map[string]RuleState{}, SinceChange: map[string]time.Duration{}}
	for id := NoRule + 1; id < ruleCount; id++ {
		text.Rule[Name(id)] = s.Rule[id]
	}
	for o := range hardware.OutputCount {
		text.SinceChange[o.String()] = s.SinceChange[o]
	}
	for _, speed := range s.Out.FanSpeed {
		text.Speed = append(text.Speed, float64(speed))
	}
	return json.Marshal(text)
}

// UnmarshalJSON reads what MarshalJSON wrote. A name it does not know is an error and leaves s as it was.
func (s *State) UnmarshalJSON(b []byte) error {
	var got State
	text := stateText{plainState: (*plainState)(&got)}
	if err := json.Unmarshal(b, &text); err != nil {
		return fmt.Errorf("read safety state: %w", err)
	}
	for _, set := range []struct {
		names []string
		to    *hardware.RuleSet
	}{{text.Latched, &got.Latched}, {text.Clearing, &got.Clearing}, {text.Seen, &got.Seen}, {text.Raised, &got.Raised}, {text.Acked, &got.Acked}} {
		var err error
		if *set.to, err = ruleSet(set.names); err != nil {
			return err
		}
	}
	var err error
	if got.Out.On, err = outputSet(text.On); err != nil {
		return err
	}
	got.Rule[NoRule].Probe = hardware.NoProbe
	for name, rule := range text.Rule {
		id, ok := Lookup(name)
		if !ok {
			return fmt.Errorf("read safety state: unknown rule %q", name)
		}
		got.Rule[id] = rule
		got.moving = got.moving.With(id, rule.moves())
	}
	for name, since := range text.SinceChange {
		var o hardware.OutputID
		if err := o.UnmarshalText([]byte(name)); err != nil {
			return fmt.Errorf("read safety state: %w", err)
		}
		got.SinceChange[o] = since
	}
	if len(text.Speed) != len(got.Out.FanSpeed) {
		return fmt.Errorf("read safety state: found %d fan speeds, expected %d", len(text.Speed), len(got.Out.FanSpeed))
	}
	for i, speed := range text.Speed {
		got.Out.FanSpeed[i] = ratio(speed)
	}
	if err := got.validate(); err != nil {
		return err
	}
	*s = got
	return nil
}

// validate refuses ages that are none, and ids and speeds beyond their tables.
func (s *State) validate() error {
	ages := []time.Duration{s.Up, s.ClearFor, s.FansOn, s.FansOff, s.Unproven, s.BlowerUnproven, s.NoHumidity, s.Warned, s.HeatCredit, s.VentCredit,
		s.ShortCycled, s.HeatFailed, s.CompressorFailed, s.DoorShut, s.TwinFor, s.SincePress}
	for _, more := range [...][]time.Duration{s.SinceChange[:], s.Starts[:], s.Cutouts[:], s.Silences[:], s.Drops[:]} {
		ages = append(ages, more...)
	}
	probes := s.Twin[:]
	speeds := s.Out.FanSpeed[:]
	for i := range s.Groups {
		ages, speeds = append(ages, s.Groups[i].Off, s.Load[i].For), append(speeds, s.Load[i].Speed)
	}
	for i := range s.Rule {
		rule := &s.Rule[i]
		ages, probes = append(ages, rule.Fill, rule.Doubt, rule.For), append(probes, rule.Probe)
	}
	for _, age := range ages {
		if age < 0 || age > longest {
			return fmt.Errorf("read safety state: found the time %v, expected 0 to %v", age, longest)
		}
	}
	for _, probe := range probes {
		if probe < hardware.NoProbe || int(probe) >= hardware.MaxProbes {
			return fmt.Errorf("read safety state: unknown probe %d", probe)
		}
	}
	for _, speed := range speeds {
		if !speedOK(speed) {
			return fmt.Errorf("read safety state: found the fan speed %v, expected 0 to 1", speed)
		}
	}
	return nil
}
