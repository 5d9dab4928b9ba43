package campaign

import (
	"fmt"
	"math/rand/v2"
	"runtime/debug"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"

	"drywarden/controller/loop"
	"drywarden/hardware"
	"drywarden/schedule"
)

// pairSeeds is how often each pair of failures is tried, each time from another moment of a charge.
const pairSeeds = 5

// pair is two rows of failures, by number, and which try it is.
type pair struct{ a, b, seed int }

func (p pair) name() string { return fmt.Sprintf("pair:%d+%d:%d", p.a, p.b, p.seed) }

// allPairs lists every pair with every seed, mixed, but each pair once before any a second time.
func allPairs() []pair {
	var list []pair
	mix := rand.New(rand.NewPCG(2, 2))
	for seed := 1; seed <= pairSeeds; seed++ {
		begin := len(list)
		for a := 1; a <= len(failures); a++ {
			for b := a + 1; b <= len(failures); b++ {
				list = append(list, pair{a, b, seed})
			}
		}
		round := list[begin:]
		mix.Shuffle(len(round), func(i, j int) { round[i], round[j] = round[j], round[i] })
	}
	return list
}

// settle is how long a kiln runs on from a checkpoint before the first failure.
const settle = 20 * time.Minute

// checkpoints are one fault-free charge, stopped once in each kind of stage, some hours after it began. They are made at
// first use.
var checkpoints = sync.OnceValue(func() []*checkpoint { return makeCheckpoints("ash, white", "white ash") })

// mistaken are the same of a charge whose sheet names another species than the wood is.
var mistaken = sync.OnceValue(func() []*checkpoint { return makeCheckpoints("ash, white", "white oak") })

func makeCheckpoints(sheet, wood string) []*checkpoint {
	s := newPairSite(panicking{}, sheet, wood)
	var made []*checkpoint
	took := map[schedule.Kind]bool{}
	for s.kiln.Now() < 60*24*time.Hour && s.live.State.Run.Phase != schedule.Done {
		require.NoError(s.t, s.tick())
		kind := schedule.Kind(s.record.StageKind)
		if s.live.State.Run.Phase == schedule.Running && s.record.StageTime >= 3*time.Hour && s.record.EventCount == 0 && !took[kind] {
			took[kind] = true
			made = append(made, s.checkpoint())
		}
	}
	s.clean()
	require.GreaterOrEqual(s.t, len(made), 5, "kinds of stage; a cool stage may be over sooner: %v, %s", s.kiln.Now(), s.status().Headline)
	return made
}

// heard says what became of a row's signal.
type heard string

// A row is told when one of its own rules says so within its limit and a minute, late when later in the run: many a failure
// shows only when the machine that has it is wanted. It is masked when the other failure, or what it led to, took the
// machines or readings away that would have shown it: both fail the same instruments or machines (see shares), or for a tenth
// of its limit the kiln was forced, a trip was in force, an output was refused, the stage was held, the charge was over, or
// the program had been running for less than ten minutes. What a contact shows is masked by nothing but a program that does
// not run (see atOnce). It is silent when it is not told even alone, from the same moment with the same draw and for as long: this
// moment of this charge gives it no signal, as for a spray valve that is not used; so is one whose signal is a person's
// errors, which another failure lets fall otherwise (see chanceRow). Anything else is missed, and that is a finding; so is a row
// that no pair at all has told, when all were run.
const (
	heardTold   heard = "told"
	heardLate   heard = "late"
	heardMasked heard = "masked"
	heardSilent heard = "silent"
	heardMissed heard = "missed"
)

// outcome of a pair.
type outcome struct {
	found []string // violations and worse
	stage string
	spent time.Duration // simulated
	heard [2]heard
	trace uint64
}

// run is one pair: both failures at moments of their own, then two days, or the slower row's limit and two hours.
// Its time, which the loop holds against the wall clock, is that of a bubble of synctest: it stands still.
func (p pair) run(t *testing.T) (out outcome) {
	synctest.Test(t, func(*testing.T) {
		defer func() {
			if broken := recover(); broken != nil {
				out.found = append(out.found, fmt.Sprintf("panic: %v\n%s", broken, debug.Stack()))
			}
		}()
		out = p.both()
	})
	return out
}

func (p pair) both() outcome {
	out := p.play(p.a, p.b)
	for i, row := range [2]int{p.a, p.b} {
		if out.heard[i] != heardMissed {
			continue
		}
		rows := [2]int{}
		rows[i] = row
		alone := p.play(rows[0], rows[1])
		if alone.heard[i] == heardMissed || alone.heard[i] == heardMasked || row == chanceRow {
			out.heard[i] = heardSilent
			continue
		}
		out.found = append(out.found, fmt.Sprintf("row %d (%s) is told alone and missed beside row %d, which masks nothing", row, failures[row-1].fails, p.a+p.b-row))
	}
	return out
}

// play runs the rows that are not 0.
func (p pair) play(a, b int) (out outcome) {
	r := rand.New(rand.NewPCG(uint64(p.seed), uint64(p.a*100+p.b)))
	stops := checkpoints
	if p.a == wrongSheet && a != 0 || p.b == wrongSheet && b != 0 {
		stops = mistaken
	}
	from := stops()
	c := from[r.IntN(len(from))]
	s := c.resume(panicking{}, func(s *site) { s.deps.Courier = &errandBoy{} })
	out.stage = c.stage.String()
	began := s.kiln.Now()
	first := settle
	second := first + time.Duration(r.Int64N(int64(4*time.Hour))).Truncate(time.Second)
	if r.IntN(4) == 0 {
		second = first + time.Duration(r.IntN(20))*time.Second // close together
	}
	draws := [2]*rand.Rand{rand.New(rand.NewPCG(r.Uint64(), 1)), rand.New(rand.NewPCG(r.Uint64(), 2))}
	end := 48 * time.Hour
	watches := []*rowWatch{}
	for i, row := range [2]int{a, b} {
		at := [2]time.Duration{first, second}[i]
		if row == 0 {
			continue
		}
		w := newRowWatch(row, i, began+at)
		watches = append(watches, w)
		end = max(end, w.limit+2*time.Hour)
		lasting := w.limit + time.Hour + time.Duration(draws[i].Int64N(int64(6*time.Hour))).Truncate(time.Second)
		s.later(at, func() error {
			s.lasting = lasting
			return injections[row](s, draws[i])
		})
	}
	end += second
	alone := a == 0 || b == 0
	for s.kiln.Now()-began < end && !(alone && watches[0].told != 0) {
		if err := s.tick(); err != nil {
			out.found = append(out.found, fmt.Sprintf("the tick stopped after %v: %v", s.kiln.Now()-began, err))
			break
		}
		for _, w := range watches {
			w.look(s)
		}
	}
	for _, w := range watches {
		out.heard[w.place] = w.verdict(!alone && shares(a, b))
	}
	report := s.judge.Finish()
	for _, v := range report.Violations {
		if (v.Name == "tick keeps time" || v.Name == "heartbeat toggles") && (slices.Contains(lateRows, a) || slices.Contains(lateRows, b)) {
			continue // that is the failure itself, and rightly told
		}
		if (v.Name == "compressor runs its minimum" || v.Name == "outputs keep their intervals" && strings.HasPrefix(v.Seen, "compressor ")) &&
			(a == cyclingRow || b == cyclingRow) {
			continue // likewise: the meddled-with controller takes it out early, and the gate never keeps a machine on
		}
		out.found = append(out.found, fmt.Sprintf("%s: boot %d, tick %d: %s, expected %s", v.Name, v.Boot, v.Tick, v.Seen, v.Expected))
	}
	out.spent, out.trace = s.kiln.Now()-began, s.digest
	return out
}

// rowWatch looks whether a row is told, and when.
type rowWatch struct {
	place  int
	from   time.Duration
	limit  time.Duration
	rules  []hardware.RuleID
	atOnce bool          // nothing but a program that does not run can hide it
	told   time.Duration // kiln's time, 0: not yet
	masked time.Duration // of its limit
	looked time.Duration // last
	shell  bool          // some of the rules are the shell's, which only the status tells
}

// anyones are rules that many a failure raises, and each start: they tell a row only where it has no other.
var anyones = []string{"restart_warning", "start_delay", "outage"}

// atOnce are the rows that a contact shows in the tick that reads it, whatever else is the matter.
var atOnce = []int{37, 39, 41, 42, 47, 63, 64}

func newRowWatch(row, place int, from time.Duration) *rowWatch {
	f := &failures[row-1]
	w := &rowWatch{place: place, from: from, limit: f.limit + time.Minute, atOnce: slices.Contains(atOnce, row)} // a status and a reading later
	own := slices.DeleteFunc(slices.Clone(f.rules), func(name string) bool { return slices.Contains(anyones, name) })
	if len(own) == 0 {
		own = f.rules
	}
	for _, name := range own {
		w.rules = append(w.rules, ruleByName[name].ID)
		w.shell = w.shell || ruleByName[name].ID >= loop.RuleStorage
	}
	return w
}

func (w *rowWatch) look(s *site) {
	now := s.kiln.Now()
	gone := now - max(w.looked, w.from) // more than a tick: no program ran
	w.looked = now
	if w.told != 0 || now-w.from < 2*time.Second { // said before; what lasts is said again
		return
	}
	if slices.ContainsFunc(w.rules, s.tells) {
		w.told = now
		return
	}
	if w.shell && s.record.Tick%5 == 0 {
		for _, a := range s.loop.Publish().Alarms {
			if slices.Contains(w.rules, ruleByName[a.Rule].ID) {
				w.told = now
				return
			}
		}
	}
	if now-gone > w.from+w.limit {
		return
	}
	trips := hardware.RuleSet(s.record.Trips)
	switch {
	case gone > 2*time.Second:
		w.masked += gone
	case w.atOnce:
	case trips != 0 || s.record.Vetoed != 0 || hardware.SafeLevel(s.record.Forced) != hardware.NotForced || s.live.State.Run.Hold != 0 ||
		s.live.State.Run.Phase != schedule.Running || s.record.Tick < 600:
		w.masked += time.Second
	}
}

func (w *rowWatch) verdict(shared bool) heard {
	switch {
	case w.told != 0 && w.told <= w.from+w.limit:
		return heardTold
	case w.told != 0 && !w.atOnce:
		return heardLate
	case shared && !w.atOnce || w.masked >= w.limit/10:
		return heardMasked
	}
	return heardMissed
}

// A few pairs, always; the long run tries them all.
func TestPairs(t *testing.T) {
	if testing.Short() {
		t.Skip("some simulated weeks")
	}
	list := allPairs()
	r := rand.New(rand.NewPCG(1, 1))
	for range 3 {
		p := list[r.IntN(len(list))]
		out := p.run(t)
		require.Empty(t, out.found, p.name())
		t.Log(p.name(), out.stage, out.heard)
	}
}

// Every row and every pair is tried, from every kind of stage.
func TestAllPairs(t *testing.T) {
	list := allPairs()
	require.Len(t, list, 2016*pairSeeds)
	require.Len(t, injections, len(failures)+1)
	for row := 1; row <= len(failures); row++ {
		require.NotNil(t, injections[row], row)
		require.Equal(t, 63*pairSeeds, len(slices.DeleteFunc(slices.Clone(list), func(p pair) bool { return p.a != row && p.b != row })))
	}
}
