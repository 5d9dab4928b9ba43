package safety

import (
	"encoding/json"
	"flag"
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"drywarden/hardware"
)

// witness judges what was applied, tick by tick, on instants of its own. It shares no code with the rules.
type witness struct {
	t      *rapid.T
	now    time.Duration
	ticks  int
	was    hardware.OutputSet
	offAt  [hardware.OutputCount]time.Duration
	onAt   [hardware.OutputCount]time.Duration
	air    time.Duration // last proven
	aired  bool
	wind   time.Duration // over the evaporator
	starts []time.Duration
	lone   []bool // heat on with a single dry bulb, by tick; with lengths
	length []time.Duration
	sound  time.Duration
	held   map[string]bool // latched causes, until a panel press
	free   bool
}

func (w *witness) no(bad bool, what string) {
	if bad {
		w.t.Fatalf("at %v: %s", w.now, what)
	}
}

func (w *witness) see(r *rig, elapsed time.Duration) {
	const off, rev = hardware.FanForward1, hardware.FanReverse1
	if w.ticks > 0 {
		w.now += elapsed
	}
	w.ticks++
	on, asked, snap := r.out.On, r.want, &r.snap
	rising := on &^ w.was
	has := func(s hardware.OutputSet, o hardware.OutputID) bool { return s>>o&1 == 1 }
	active := func(c hardware.ContactID) bool {
		return snap.Contacts.Active>>c&1 == 1 && snap.Contacts.Valid>>c&1 == 1
	}
	clear := func(c hardware.ContactID) bool {
		return snap.Contacts.Active>>c&1 == 0 && snap.Contacts.Valid>>c&1 == 1
	}
	heat, compressor := on&hardware.AllHeat != 0, has(on, hardware.Compressor)
	if active(hardware.ContactAirflow) {
		w.air, w.aired = w.now, true
	}
	if active(hardware.ContactBlowerAirflow) {
		w.wind = w.now
	}

	// Nothing is added but vents in SAFE and the gate's own heartbeat.
	added := on &^ asked &^ (1 << hardware.Heartbeat)
	if r.out.Forced == hardware.ForcedSafe {
		added &^= 1 << hardware.Vent
	}
	w.no(added != 0, "an output was added")
	// Every refusal is listed once, and nothing else is.
	var vetoed hardware.OutputSet
	for _, v := range r.out.Vetoes[:r.out.VetoCount] {
		w.no(has(vetoed, v.Output), "listed twice")
		w.no(v.Remaining < 0 || v.Rule == 0 || Name(v.Rule) == "none", "a veto without sense")
		vetoed |= 1 << v.Output
	}
	w.no(vetoed != asked&^on&^(1<<hardware.Heartbeat), "vetoes are not what was refused")

	for g := range hardware.OutputID(4) {
		w.no(has(on, off+g) && has(on, rev+g), "both directions")
		for _, pair := range [][2]hardware.OutputID{{off + g, rev + g}, {rev + g, off + g}} {
			w.no(has(rising, pair[0]) && (has(w.was, pair[1]) || w.now-w.offAt[pair[1]] < time.Minute), "direction changed before coast-down")
		}
	}
	w.no(heat && (!w.aired || w.now-w.air > 10*time.Second), "heat without airflow")
	w.no(compressor && (!w.aired || w.now-w.air > 30*time.Second), "compressor without airflow")
	w.no(rising&(hardware.AllHeat|1<<hardware.Compressor) != 0 && !active(hardware.ContactAirflow), "started without airflow proven")
	w.no((heat || compressor) && on&hardware.AllFans == 0, "heat or compressor without a fan")
	w.no(compressor && !has(on, hardware.Blower), "compressor without blower")
	w.no(compressor && has(w.was, hardware.Blower) && w.now-w.wind > 30*time.Second && w.now-w.onAt[hardware.Blower] > 30*time.Second, "compressor without air over the evaporator")
	if has(rising, hardware.Compressor) {
		w.no(w.now-w.offAt[hardware.Compressor] < 300*time.Second, "compressor without its rest")
		w.starts = append(w.starts, w.now)
		if n := len(w.starts); n > 6 {
			w.no(w.now-w.starts[n-7] <= time.Hour, "seven starts in an hour")
		}
	}
	low, high, bulbs, agree := 999.0, -999.0, 0, false
	for _, id := range []hardware.ProbeID{bulbA, bulbB} {
		if q := snap.Readings[id]; q.Quality == hardware.Valid && q.Value > -60 && q.Value < 150 && q.Age >= 0 && q.Age+r.stale <= 30*time.Second {
			low, high, bulbs = min(low, q.Value), max(high, q.Value), bulbs+1
		}
	}
	agree = bulbs == 2 && high-low <= 3
	w.no(compressor && (bulbs == 0 || low < 18 || high > 60), "compressor outside its limits")
	w.no(heat && (bulbs == 0 || high >= 69), "heat near the limit or without a dry bulb")
	w.no(has(on, hardware.Spray) && compressor, "spray with compressor")

	loneHeat := heat && !agree
	w.lone, w.length = append(w.lone, loneHeat), append(w.length, elapsed)
	if loneHeat {
		back, sum := time.Duration(0), time.Duration(0)
		for i := len(w.lone) - 2; i >= 0 && back < time.Hour; i-- {
			back += w.length[i+1]
			if w.lone[i] {
				sum += w.length[i+1]
			}
		}
		w.no(sum > 18*time.Minute+5*time.Second, "heat on a single dry bulb for more than 30 % of an hour")
	}

	// Contacts whose trip holds until the panel's reset was pressed with the cause gone.
	press := w.free && active(hardware.ContactPanelReset)
	if clear(hardware.ContactPanelReset) {
		w.free = true
	} else if active(hardware.ContactPanelReset) {
		w.free = false
	}
	for _, c := range []hardware.ContactID{hardware.ContactEStop, hardware.ContactSmoke, hardware.ContactHighLimit} {
		switch {
		case !clear(c):
			w.held[c.String()] = true
		case press:
			// The press asks; the trip holds through this tick all the same.
			defer delete(w.held, c.String())
		}
	}
	w.no((w.held["e_stop"] || w.held["smoke"]) && on != 0, "not all off after emergency stop or smoke")
	w.no(w.held["high_limit"] && (heat || compressor || has(on, hardware.Spray)), "heat, compressor or spray after the hard-wired limit")

	movers := hardware.AllFans | hardware.AllHeat | 1<<hardware.Compressor | 1<<hardware.Spray
	switch {
	case !clear(hardware.ContactDoor):
		w.no(on&movers != 0, "moves with the door open")
		w.sound = 0
	case has(w.was, hardware.Sounder):
		w.sound += elapsed
	}
	w.no(rising&movers != 0 && w.sound < 10*time.Second, "no warning")
	w.no(w.now < 30*time.Second && on&^(1<<hardware.Sounder) != 0, "something on before the start delay is over")
	for o := range hardware.OutputCount {
		least := time.Duration(0)
		switch {
		case o == hardware.Vent:
			least = time.Minute
		case o == hardware.Spray:
			least = 5 * time.Second
		case o < hardware.Vent:
			least = 10 * time.Second
		}
		w.no(has(rising, o) && o != hardware.Heartbeat && w.now-w.offAt[o] < least, o.String()+" switched on too soon")
		if has(w.was&^on, o) {
			w.offAt[o] = w.now
		}
		if has(rising, o) {
			w.onAt[o] = w.now
		}
	}
	for _, speed := range r.out.FanSpeed {
		w.no(!(speed >= 0 && speed <= 1), "a fan speed that is none")
	}
	w.was = on
}

// spoil draws a handful of faults of inputs.
func spoil(t *rapid.T, n int) func(*rig) {
	var faults []func(*rig)
	for range n {
		c := hardware.ContactID(rapid.IntRange(0, int(hardware.ContactCount)-1).Draw(t, "contact"))
		id := hardware.ProbeID(rapid.IntRange(0, int(suction)).Draw(t, "probe"))
		o := hardware.OutputSet(1) << rapid.IntRange(0, int(hardware.OutputCount)-1).Draw(t, "output")
		v := rapid.SampledFrom([]float64{math.NaN(), math.Inf(1), math.Inf(-1), -40, 0, 10, 17.9, 18, 30, 47, 59, 61, 68.9, 69, 71, 200}).Draw(t, "value")
		faults = append(faults, rapid.SampledFrom([]func(*rig){
			active(c), active(hardware.ContactDoor), inactive(c), inactive(hardware.ContactAirflow), unreadable(c), value(id, v), value(bulbA, v), value(bulbB, v),
			quality(hardware.Quality(rapid.IntRange(0, 6).Draw(t, "quality")), id),
			aged(time.Duration(rapid.IntRange(-1, 60).Draw(t, "age"))*time.Second, id),
			readBack(o, 0, 0), readBack(0, o, 0), readBack(0, 0, o),
			func(r *rig) { r.snap.Current[hardware.Heat1] = float32(v) },
		}).Draw(t, "fault"))
	}
	return func(r *rig) {
		for _, f := range faults {
			f(r)
		}
	}
}

// Whatever is asked for and whatever the inputs do, the invariants hold on what is applied.
func TestInvariants(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r := newRig(t)
		w := &witness{t: t, held: map[string]bool{}}
		run := func(n int, elapsed time.Duration) {
			for range n {
				r.tick(elapsed)
				w.see(r, elapsed)
			}
		}
		presets := []hardware.OutputSet{0, sounderOut, forwards, reverse1 | reverse2, drives, drives | ventOut | heat2, forwards | heat1, forwards | sprayOut,
			drives | sprayOut, forwards | reverse1 | reverse2 | heat1 | ventOut | 1<<hardware.Crankcase, ^hardware.OutputSet(0) & (1<<hardware.OutputCount - 1)}
		if rapid.Bool().Draw(t, "begin running") {
			run(20, time.Second)
			r.want = sounderOut
			run(15, time.Second)
			r.want = forwards
			run(400, time.Second)
			r.want = drives
			run(60, time.Second)
		}
		for range rapid.IntRange(1, 12).Draw(t, "segments") {
			r.breaks, r.stale = nil, 0
			switch rapid.IntRange(0, 3).Draw(t, "kind") {
			case 0: // faults
				r.breaks = spoil(t, rapid.IntRange(1, 3).Draw(t, "faults"))
				r.stale = time.Duration(rapid.SampledFrom([]int{0, 0, 0, 3, 6, -1}).Draw(t, "lag")) * time.Second
			case 1: // somebody at the panel
				r.want = 0
				run(2, time.Second)
				r.breaks = active(hardware.ContactPanelReset)
				run(2, time.Second)
				r.breaks = nil
				r.want = sounderOut
				run(12, time.Second)
			}
			r.want = rapid.OneOf(rapid.SampledFrom(presets), rapid.Custom(func(t *rapid.T) hardware.OutputSet {
				return hardware.OutputSet(rapid.Uint32Range(0, 1<<hardware.OutputCount-1).Draw(t, "bits"))
			})).Draw(t, "request")
			elapsed := time.Duration(rapid.SampledFrom([]int{1000, 1000, 1000, 1000, 300, 1700, 2500, 7000}).Draw(t, "tick")) * time.Millisecond
			run(rapid.IntRange(1, 400).Draw(t, "ticks"), elapsed)
		}
	})
}

// Writing the state and reading it back changes nothing that follows.
func TestStateSurvivesText(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r := newRig(t)
		r.drying()
		r.breaks = spoil(t, rapid.IntRange(0, 3).Draw(t, "faults"))
		r.run(rapid.IntRange(1, 50).Draw(t, "ticks"))
		text, err := json.Marshal(r.state)
		require.NoError(t, err)
		var back State
		require.NoError(t, json.Unmarshal(text, &back))
		require.Equal(t, r.state, back)
		r.run(5)
		out, state := r.out, r.state
		r.state = back
		r.run(5)
		require.Equal(t, out, r.out)
		require.Equal(t, state, r.state)
	})
}

// A spell without a fault never meets a veto when the caller keeps to the timings of the package comment.
func TestNoVetoForTheWellBehaved(t *testing.T) {
	r := newRig(t)
	r.run(20)
	r.want = sounderOut
	r.run(10)
	r.want = 0
	r.run(30)
	direction, other := forwards, reverse1|reverse2
	for range 6 {
		r.want = direction
		r.run(10)
		for range 3 {
			r.want |= blowerOut
			r.run(5)
			r.want |= compressorOut
			r.run(601)
			r.want &^= compressorOut | blowerOut
			r.want |= heat1
			r.run(120)
			r.want |= ventOut
			r.run(60)
			r.want &^= ventOut | heat1
			r.run(200)
			require.Zero(t, r.out.AlarmCount)
		}
		r.want = 0
		r.run(60)
		direction, other = other, direction
	}
	r.breaks = func(r *rig) { require.Zero(t, r.out.VetoCount, "%+v", r.out.Vetoes[0]) }
	r.run(1)
}

var everyState = flag.Bool("contacts", false, "walk all 387,420,489 combinations of the contacts, each active, clear or unreadable, from each of five states: 15 minutes of a core")

// Every combination of the contacts from kilns that heat and dry, vent, spray, stand, or are held off by a trip: what forces
// and what is left on in that very tick. Without -contacts: all read, in every combination; and each of them read or not.
func TestEveryContact(t *testing.T) {
	for _, c := range []struct {
		name   string
		want   hardware.OutputSet // beside fans
		breaks func(*rig)
	}{
		{"dries and heats", heatAndCold | blowerOut, nil},
		{"vents", blowerOut | ventOut, nil},
		{"sprays and heats", sprayOut | heat1, nil},
		{"stands", 0, nil},
		{"held off", heatAndCold | blowerOut, active(hardware.ContactSmoke)},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			r := newRig(t)
			r.drying()
			r.want &= forwards | c.want
			r.run(120)
			r.want |= c.want
			if c.want == 0 {
				r.want = 0
			}
			r.run(60)
			r.breaks = c.breaks
			r.run(1)
			r.breaks = nil
			r.look()
			state, good, running := r.state, r.snap.Contacts, r.on()
			require.Equal(t, c.breaks == nil, running == r.want)
			judge := func(active, valid hardware.ContactSet) {
				r.state, r.snap.Contacts = state, hardware.Contacts{Active: active, Valid: valid}
				r.judge(time.Second)
				level, left := must(active, valid, running)
				if c.breaks != nil {
					level, left = hardware.ForcedOff, 0
				}
				if r.out.Forced != level || r.on() != left {
					t.Fatalf("contacts %018b read %018b: forced %v, expected %v; on %022b, expected %022b", active, valid, r.out.Forced, level, r.on(), left)
				}
			}
			for bits := range hardware.ContactSet(1) << hardware.ContactCount {
				if !*everyState {
					judge(bits, everyContact)
					judge(good.Active, bits)
					continue
				}
				for active := bits; ; active = (active - 1) & bits {
					judge(active, bits)
					if active == 0 {
						break
					}
				}
			}
		})
	}
}

// must says what the contacts forbid in the tick that shows them, of what was on.
func must(active, valid hardware.ContactSet, on hardware.OutputSet) (hardware.SafeLevel, hardware.OutputSet) {
	bad := func(id hardware.ContactID) bool { return active>>id&1 == 1 || valid>>id&1 == 0 }
	missing := func(id hardware.ContactID) bool { return active>>id&1 == 0 || valid>>id&1 == 0 }
	level := hardware.NotForced
	if bad(hardware.ContactDoor) {
		on &^= forwards | blowerOut | heatAndCold | sprayOut
	}
	if bad(hardware.ContactGas) {
		on &^= heatAndCold | sprayOut
	}
	if bad(hardware.ContactHighPressure) || bad(hardware.ContactLowPressure) {
		on &^= compressorOut
	}
	if missing(hardware.ContactWaterSupply) {
		on &^= sprayOut
	}
	if bad(hardware.ContactHighLimit) {
		level = hardware.ForcedSafe
		on &^= heatAndCold | sprayOut | ventOut
	}
	if bad(hardware.ContactEStop) || bad(hardware.ContactSmoke) || bad(hardware.ContactInsideButton) || bad(hardware.ContactFloat) ||
		bad(hardware.ContactInhibit) || missing(hardware.ContactMains) {
		level, on = hardware.ForcedOff, 0
	}
	return level, on
}

// Every combination of what is read back, each on, off or unreadable: in the tick that shows it only both directions of a
// fan group force anything; all else is given its time.
func TestEveryReadBack(t *testing.T) {
	r := newRig(t)
	r.drying()
	r.run(60)
	r.look()
	state, running := r.state, r.on()
	var lines []hardware.OutputID
	for o := range hardware.OutputCount {
		if r.layout.ReadBack.Has(o) {
			lines = append(lines, o)
		}
	}
	combinations := 1
	for range lines {
		combinations *= 3
	}
	for n := range combinations {
		var on, valid hardware.OutputSet
		for left, i := n, 0; i < len(lines); left, i = left/3, i+1 {
			on = on.With(lines[i], left%3 == 1)
			valid = valid.With(lines[i], left%3 != 2)
		}
		r.state, r.snap.ReadBack, r.snap.ReadBackValid = state, on, valid
		r.judge(time.Second)
		level, left := hardware.NotForced, running
		for g := range r.layout.FanGroups {
			if on.Has(hardware.FanForward(g)) && on.Has(hardware.FanReverse(g)) {
				level, left = hardware.ForcedOff, 0
			}
		}
		if r.out.Forced != level || r.on() != left {
			t.Fatalf("read back %022b, valid %022b: forced %v, expected %v; on %022b, expected %022b", on, valid, r.out.Forced, level, r.on(), left)
		}
	}
	t.Logf("%d combinations of %d outputs", combinations, len(lines))
}
