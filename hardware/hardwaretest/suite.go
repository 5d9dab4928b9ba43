package hardwaretest

import (
	"math"
	"slices"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"drywarden/hardware"
	"drywarden/hardware/mono"
)

// Hardware is what a kiln is for the loop and the gate.
type Hardware interface {
	hardware.Inputs
	hardware.Actuators
}

// Rig is a kiln under test, just started, with nothing wrong.
type Rig struct {
	Kiln   Hardware
	Layout hardware.Layout
	Now    func() mono.Instant
	Pass   func(time.Duration)       // lets time pass
	Driven func() hardware.OutputSet // outputs that are energised in fact
	Told   hardware.OutputSet        // outputs of which Driven tells

	// Withheld gives what hard wiring may hold off though it is asked for; nil: nothing.
	Withheld func(asked hardware.OutputSet) hardware.OutputSet

	// Unplug makes a probe answer no more, Plug mends it.
	Unplug, Plug func(hardware.ProbeID)

	// Faults, each of which is over after Fault, by itself or by what is given here.
	Jam      func() (probes []hardware.ProbeID, release func()) // a bus hangs; which probes are on it
	Hold     func(id hardware.OutputID, on bool)                // an output stays off, or stays on, whatever is asked
	LetGo    func()                                             // ends Hold
	BrownOut func()                                             // what drives the outputs loses its supply for a moment
}

// Fault is how long the faults of a rig last at least.
const Fault = 30 * time.Second

// Noticed is how soon a probe that does not answer must be told.
const Noticed = 25 * time.Second

// Limits of the contract.
const (
	settled   = 15 * time.Second // everything fitted is read so long after the start
	oldest    = 10 * time.Second // and is never older than this while nothing is wrong
	switching = 2 * time.Second  // a read-back follows its output within
)

// Case is one part of the contract.
type Case struct {
	Name string
	Run  func(*testing.T, *Rig)
}

// Cases is the contract. Each case wants a rig of its own.
func Cases() []Case {
	return []Case{
		{"starts safe", startsSafe},
		{"not fitted is said so", notFitted},
		{"reads everything that is fitted", readsAll},
		{"reading waits for nothing and changes nothing", readsTwice},
		{"leaves the rest of the snapshot alone", leavesRest},
		{"switches each output alone", switchesEach},
		{"switches sets of outputs", switchesSets},
		{"reads back what is closed", readsBack},
		{"an unplugged probe is told, and comes back", unplugged},
		{"a bus that hangs is told, and holds up nothing else", jammed},
		{"an output that stays off or on is told, and the others go on", held},
		{"a brown-out of the outputs switches nothing on, and is told", brownOut},
		{"counters only grow", countersGrow},
		{"bears several goroutines", concurrent},
	}
}

func (r *Rig) read(t require.TestingT) *hardware.Snapshot {
	var s hardware.Snapshot
	require.NoError(t, r.Kiln.Read(r.Now(), &s))
	return &s
}

// pass lets time pass as the loop does: a second at a time, with outputs applied.
func (r *Rig) pass(t require.TestingT, d time.Duration, on hardware.OutputSet) {
	for end := r.Now().Add(d); r.Now() < end; {
		require.NoError(t, r.Kiln.Apply(r.Now(), hardware.Outputs{On: on}))
		r.Pass(min(time.Second, end.Sub(r.Now())))
	}
}

func startsSafe(t *testing.T, r *Rig) {
	require.Zero(t, r.Driven(), "nothing is energised before anybody asks")
	s := r.read(t)
	for i, got := range s.Readings {
		require.False(t, got.OK() && (math.IsNaN(got.Value) || math.IsInf(got.Value, 0)), "probe %d", i)
	}
	require.NoError(t, r.Kiln.Apply(r.Now(), hardware.Outputs{}))
	require.Zero(t, r.Driven())
}

func notFitted(t *testing.T, r *Rig) {
	for _, d := range []time.Duration{0, settled} {
		r.pass(t, d, 0)
		s := r.read(t)
		for i, got := range s.Readings {
			require.Equal(t, i >= len(r.Layout.Probes), got.Quality == hardware.NotFitted, "probe %d", i)
		}
		require.Zero(t, s.Contacts.Valid&^r.Layout.Contacts)
		require.Zero(t, s.Contacts.Active&^s.Contacts.Valid, "what cannot be read is not active")
		require.Zero(t, s.ReadBackValid&^r.Layout.ReadBack)
		require.Zero(t, s.CurrentValid&^r.Layout.Current)
		require.Equal(t, !r.Layout.Condensate, s.Condensate.Quality == hardware.NotFitted)
		require.Equal(t, !r.Layout.EnergyMeter, s.Energy.Quality == hardware.NotFitted)
	}
}

func readsAll(t *testing.T, r *Rig) {
	r.pass(t, settled, 0)
	for range 40 {
		s := r.read(t)
		for i, p := range r.Layout.Probes {
			got := s.Readings[i]
			require.True(t, got.OK(), "%s: %v", p.Name, got.Quality)
			require.True(t, got.Age >= 0 && got.Age <= oldest, "%s is %v old", p.Name, got.Age)
			steps := got.Value / p.Role.Resolution()
			require.InDelta(t, math.Round(steps), steps, 1e-3, "%s is not quantised: %v", p.Name, got.Value)
			plausible(t, p, got.Value)
		}
		require.Equal(t, r.Layout.Contacts, s.Contacts.Valid)
		require.Equal(t, r.Layout.ReadBack, s.ReadBackValid)
		require.Equal(t, r.Layout.Current, s.CurrentValid)
		r.pass(t, 700*time.Millisecond, 0)
	}
}

func plausible(t *testing.T, p hardware.Probe, v float64) {
	low, high := -60.0, 150.0
	switch p.Role {
	case hardware.RoleHumidity, hardware.RoleOutdoorHumidity:
		low, high = -0.1, 1.1
	case hardware.RolePin:
		low, high = 1e3, 1e12
	case hardware.RoleLoadCell:
		low, high = -100, 1000
	}
	require.True(t, v >= low && v <= high, "%s: %v", p.Name, v)
}

func readsTwice(t *testing.T, r *Rig) {
	r.pass(t, settled, 0)
	r.read(t) // totals that start again are absent once
	for range 20 {
		now := r.Now()
		a := r.read(t)
		b := r.read(t)
		require.Equal(t, now, r.Now(), "reading took time")
		require.True(t, *a == *b, "two snapshots of one instant differ")
		r.pass(t, 300*time.Millisecond, 0)
	}
}

func leavesRest(t *testing.T, r *Rig) {
	s := hardware.Snapshot{Tick: 7, Now: 9, Elapsed: 11, Wall: hardware.WallTime{Unix: 13, Trusted: true}, Durable: 17}
	s.Previous.On = 0x55
	require.NoError(t, r.Kiln.Read(r.Now(), &s))
	require.Equal(t, uint64(7), s.Tick)
	require.Equal(t, mono.Instant(9), s.Now)
	require.Equal(t, time.Duration(11), s.Elapsed)
	require.Equal(t, hardware.WallTime{Unix: 13, Trusted: true}, s.Wall)
	require.Equal(t, uint64(17), s.Durable)
	require.Equal(t, hardware.OutputSet(0x55), s.Previous.On)
}

// beat is the output that toggles in each tick; without it the master contactor would fall.
const beat = hardware.OutputSet(1) << hardware.Heartbeat

// follows compares what is energised with what was asked: nothing unasked, and all that was, but for what hard wiring holds
// off.
func (r *Rig) follows(t require.TestingT, asked, driven hardware.OutputSet) {
	withheld := hardware.OutputSet(0)
	if r.Withheld != nil {
		withheld = r.Withheld(asked)
	}
	driven &^= beat
	require.Zero(t, driven&^asked, "energised unasked")
	require.Zero(t, asked&r.Layout.Outputs&r.Told&^withheld&^driven, "not energised")
}

// beating lets time pass with the heartbeat going, and leaves it as on has it.
func (r *Rig) beating(t require.TestingT, d time.Duration, on hardware.OutputSet) {
	on &^= beat
	for end := r.Now().Add(d); r.Now() < end; {
		for _, b := range []hardware.OutputSet{beat, 0} {
			require.NoError(t, r.Kiln.Apply(r.Now(), hardware.Outputs{On: on | b}))
			r.Pass(500 * time.Millisecond)
		}
	}
}

func switchesEach(t *testing.T, r *Rig) {
	r.beating(t, settled, 0)
	for id := range hardware.OutputCount {
		set := hardware.OutputSet(0).With(id, true)
		if id != hardware.Heartbeat {
			r.beating(t, 3*time.Second, set)
			r.follows(t, set, r.Driven())
		}
		r.beating(t, 3*time.Second, 0)
		require.Zero(t, r.Driven()&^beat, "%v stays on", id)
	}
}

// switchesSets takes every pair of outputs, and all but each one.
func switchesSets(t *testing.T, r *Rig) {
	all := (hardware.OutputSet(1)<<hardware.OutputCount - 1) &^ beat
	for i := range hardware.OutputCount {
		sets := []hardware.OutputSet{all &^ (1 << i)}
		for j := range i {
			sets = append(sets, (1<<i|1<<j)&all)
		}
		for _, set := range sets {
			r.beating(t, 2*time.Second, set)
			r.follows(t, set, r.Driven())
			require.NoError(t, r.Kiln.Apply(r.Now(), hardware.Outputs{}))
			r.Pass(100 * time.Millisecond)
			require.Zero(t, r.Driven())
		}
	}
}

func readsBack(t *testing.T, r *Rig) {
	r.beating(t, settled, 0)
	told := r.Told
	r.Told = r.Layout.ReadBack
	defer func() { r.Told = told }()
	for id := range hardware.OutputCount {
		if !r.Layout.ReadBack.Has(id) || id == hardware.Heartbeat {
			continue
		}
		set := hardware.OutputSet(0).With(id, true)
		for _, on := range []hardware.OutputSet{set, 0} {
			r.beating(t, switching, on)
			s := r.read(t)
			require.True(t, s.ReadBackValid.Has(id))
			r.follows(t, on, s.ReadBack)
		}
	}
}

func unplugged(t *testing.T, r *Rig) {
	r.pass(t, settled, 0)
	for i, p := range r.Layout.Probes {
		if !r.read(t).Readings[i].OK() {
			t.Fatalf("%s is not well before it is unplugged", p.Name)
		}
		r.Unplug(hardware.ProbeID(i))
		r.pass(t, Noticed, 0)
		s := r.read(t)
		require.False(t, s.Readings[i].OK(), "%s answers while it is unplugged", p.Name)
		require.Contains(t, []hardware.Quality{hardware.NoAnswer, hardware.Stale, hardware.Implausible}, s.Readings[i].Quality)
		r.Plug(hardware.ProbeID(i))
		r.pass(t, settled, 0)
		require.True(t, r.read(t).Readings[i].OK(), "%s does not come back", p.Name)
	}
}

// drive applies outputs with the heartbeat going, as the loop does: errors keep nobody from the next tick. It tells whether
// the kiln ever admitted that an output is not as asked: by an error, or by a read-back that differs or cannot be had.
func (r *Rig) drive(t require.TestingT, d time.Duration, on hardware.OutputSet, looked hardware.OutputSet) (admitted bool) {
	for end := r.Now().Add(d); r.Now() < end; {
		for _, b := range []hardware.OutputSet{beat, 0} {
			if r.Kiln.Apply(r.Now(), hardware.Outputs{On: on | b}) != nil {
				admitted = true
			}
			r.Pass(500 * time.Millisecond)
		}
		s := r.read(t)
		if looked &= r.Layout.ReadBack; s.ReadBackValid&looked != looked || (s.ReadBack^on)&looked != 0 {
			admitted = true
		}
	}
	return admitted
}

func jammed(t *testing.T, r *Rig) {
	r.beating(t, settled, 0)
	probes, release := r.Jam()
	require.NotEmpty(t, probes)
	r.drive(t, Noticed, 0, 0)
	before := r.Now()
	s := r.read(t)
	require.Equal(t, before, r.Now(), "reading waited for the bus")
	for i, p := range r.Layout.Probes {
		require.NotEqual(t, slices.Contains(probes, hardware.ProbeID(i)), s.Readings[i].OK(), p.Name)
	}
	release()
	r.drive(t, Fault-Noticed+settled, 0, 0)
	r.pass(t, settled, 0)
	for i, p := range r.Layout.Probes {
		require.True(t, r.read(t).Readings[i].OK(), "%s does not come back", p.Name)
	}
}

func held(t *testing.T, r *Rig) {
	const id, other = hardware.FanForward1, hardware.Blower
	set, both := hardware.OutputSet(1)<<id, hardware.OutputSet(1)<<id|1<<other
	require.Equal(t, both, both&r.Layout.Outputs)
	r.beating(t, settled, 0)
	for _, on := range []bool{false, true} {
		asked := both
		if on {
			r.beating(t, 3*time.Second, both)
			asked = 1 << other
		}
		require.False(t, r.drive(t, 3*time.Second, both, set), "nothing is wrong yet")
		r.Hold(id, on)
		require.True(t, r.drive(t, 4*time.Second, asked, set), "held on %v: nobody was told", on)
		require.True(t, r.Driven().Has(other), "another output is held up")
		r.LetGo()
		r.drive(t, Fault, 0, 0)
		r.beating(t, 3*time.Second, set)
		r.follows(t, set, r.Driven())
		r.beating(t, 3*time.Second, 0)
		require.Zero(t, r.Driven()&^beat)
	}
}

func brownOut(t *testing.T, r *Rig) {
	const set = hardware.OutputSet(1)<<hardware.FanForward1 | 1<<hardware.Blower
	r.beating(t, settled, 0)
	r.beating(t, 3*time.Second, set)
	r.follows(t, set, r.Driven())
	r.BrownOut()
	admitted := false
	for range 4 {
		admitted = r.drive(t, time.Second, set, set) || admitted
		require.Zero(t, r.Driven()&^beat&^set, "energised unasked")
	}
	require.True(t, admitted, "nobody was told")
	r.drive(t, Fault, 0, 0)
	require.Zero(t, r.Driven()&^beat)
	r.beating(t, 3*time.Second, set)
	r.follows(t, set, r.Driven())
}

func countersGrow(t *testing.T, r *Rig) {
	var last [2]float64
	for range 60 {
		s := r.read(t)
		for i, c := range []hardware.Counter{s.Condensate, s.Energy} {
			if c.Quality == hardware.Valid {
				require.GreaterOrEqual(t, c.Total, last[i])
				last[i] = c.Total
			}
		}
		r.beating(t, time.Second, hardware.OutputSet(0).With(hardware.FanForward1, true))
	}
	s := r.read(t)
	require.Equal(t, r.Layout.Condensate, s.Condensate.Quality == hardware.Valid)
	require.Equal(t, r.Layout.EnergyMeter, s.Energy.Quality == hardware.Valid)
}

// concurrent is for the race detector: the loop reads, the gate's watch may apply at any time. The simulated kiln is driven
// by one goroutine, so a rig without a lock of its own brings one in Kiln.
func concurrent(t *testing.T, r *Rig) {
	r.pass(t, settled, 0)
	var running sync.WaitGroup
	for i := range 4 {
		running.Go(func() {
			for n := range 50 {
				var s hardware.Snapshot
				if r.Kiln.Read(r.Now(), &s) != nil || r.Kiln.Apply(r.Now(), hardware.Outputs{On: hardware.OutputSet(i * n & 0xFF)}) != nil {
					t.Error("an error without a cause")
				}
			}
		})
	}
	running.Wait()
	require.NoError(t, r.Kiln.Apply(r.Now(), hardware.Outputs{}))
	r.Pass(100 * time.Millisecond)
	require.Zero(t, r.Driven())
}
