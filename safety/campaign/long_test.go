package campaign

import (
	"bufio"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// The long run; see TestLong.
var (
	longFor    = flag.Duration("long", 0, "how long TestLong begins new work; 0: not at all")
	longLedger = flag.String("long.ledger", "", "file in which TestLong keeps what is done, to go on from there")
	longOnly   = flag.String("long.only", "", "the one storm or pair to run, as the ledger names it")
	longPart   = flag.String("long.part", "", "storms or pairs; empty: both")
	longKeep   = flag.String("long.keep", "", "folder for the kiln files and charge sheets of storms")
	longYears  = flag.Float64("long.years", 100, "kiln-years of storms that are enough")
)

// entry is one finished piece of work, one line of the ledger.
type entry struct {
	Unit    string    `json:"unit"`
	Commit  string    `json:"commit"` // of the sources it ran from, "+" when they were changed
	Days    float64   `json:"kiln_days"`
	Found   []string  `json:"found"` // violations of invariants and of the campaign's own demands
	Done    bool      `json:"done,omitempty"`
	Trips   int       `json:"trips,omitempty"`
	Alarms  int       `json:"alarms,omitempty"`
	Demo    bool      `json:"demo,omitempty"`
	Twice   bool      `json:"twice,omitempty"` // run again, with the same bytes
	Stage   string    `json:"stage,omitempty"`
	Heard   []heard   `json:"heard,omitempty"` // of both rows of a pair
	Seconds float64   `json:"seconds"`
	At      time.Time `json:"at"`
}

// twiceEvery is of how many storms or pairs one is run again, to see that the same seed gives the same.
const twiceEvery = 40

// TestLong works through storms and pairs of failures with all cores until its time is over or there is nothing left. A
// piece of work that is in the ledger without a finding is not done again; one with a finding is, from other sources.
func TestLong(t *testing.T) {
	if *longFor == 0 && *longOnly == "" {
		t.Skip("give it time: -long 10m")
	}
	folder := *longKeep
	if folder == "" {
		folder = t.TempDir()
	}
	l := &long{t: t, folder: folder, commit: commit(t), last: map[string]entry{}, until: time.Now().Add(*longFor)}
	if *longPart != "pairs" {
		l.program = build(t)
	}
	if *longLedger != "" {
		require.NoError(t, l.open(*longLedger))
		defer l.file.Close()
	}
	if *longOnly != "" {
		e, err := l.do(*longOnly)
		require.NoError(t, err)
		l.keep(e)
		return
	}
	work := make(chan string)
	var group sync.WaitGroup
	for range runtime.GOMAXPROCS(0) {
		group.Go(func() {
			for unit := range work {
				e, err := l.do(unit)
				if err != nil {
					t.Errorf("%s: %v", unit, err)
					return
				}
				l.keep(e)
			}
		})
	}
	l.hand(work)
	close(work)
	group.Wait()
	t.Log(l.figures())
}

// long is the state of a long run.
type long struct {
	t       *testing.T
	program string
	folder  string
	commit  string
	until   time.Time

	mu   sync.Mutex
	file *os.File
	last map[string]entry // newest of each unit
}

// build makes the program of these sources.
func build(t *testing.T) string {
	path := filepath.Join(t.TempDir(), "drywarden")
	out, err := exec.Command("go", "build", "-o", path, "drywarden/cmd/drywarden").CombinedOutput()
	require.NoError(t, err, "%s", out)
	return path
}

func commit(t *testing.T) string {
	out, err := exec.Command("git", "rev-parse", "--short=12", "HEAD").Output()
	if err != nil {
		return "unknown"
	}
	name := strings.TrimSpace(string(out))
	if changed, err := exec.Command("git", "status", "--porcelain", "--untracked-files=no").Output(); err != nil || len(changed) > 0 {
		name += "+"
	}
	t.Log("sources:", name)
	return name
}

// open reads the ledger, and makes it ready for more. A line torn by a power cut counts as not there.
func (l *long) open(path string) error {
	text, err := os.ReadFile(path)
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	lines := bufio.NewScanner(strings.NewReader(string(text)))
	lines.Buffer(nil, 1<<24)
	for lines.Scan() {
		var e entry
		if json.Unmarshal(lines.Bytes(), &e) == nil && e.Unit != "" {
			l.last[e.Unit] = e
		}
	}
	l.file, err = os.OpenFile(path, os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o644)
	if err == nil && len(text) > 0 && text[len(text)-1] != '\n' {
		_, err = l.file.WriteString("\n")
	}
	return errors.Join(err, lines.Err())
}

// open tells whether a unit is still to be done.
func (l *long) wanted(unit string) bool {
	l.mu.Lock()
	defer l.mu.Unlock()
	e, did := l.last[unit]
	return !did || len(e.Found) > 0 && e.Commit != l.commit
}

// hand gives out work: what had a finding first, then storms and pairs side by side.
func (l *long) hand(work chan<- string) {
	give := func(unit string) bool {
		if l.wanted(unit) && time.Now().Before(l.until) {
			work <- unit
		}
		return time.Now().Before(l.until)
	}
	storms, pairs := *longPart != "pairs", *longPart != "storms"
	mine := func(unit string) bool {
		return storms && strings.HasPrefix(unit, "storm:") || pairs && strings.HasPrefix(unit, "pair:")
	}
	var again []string
	for unit, e := range l.last {
		if len(e.Found) > 0 && mine(unit) {
			again = append(again, unit)
		}
	}
	slices.Sort(again)
	for _, unit := range again {
		give(unit)
	}
	left := allPairs()
	if !pairs {
		left = nil
	}
	for seed := uint64(1); ; seed++ {
		for storms && !l.wanted(storm{seed}.name()) {
			seed++
		}
		more := storms && l.years() < *longYears
		if more && !give(storm{seed}.name()) || !more && len(left) == 0 {
			return
		}
		for n := 0; n < 20 && len(left) > 0; left = left[1:] {
			unit := left[0].name()
			if l.wanted(unit) {
				n++
			}
			if !give(unit) {
				return
			}
		}
	}
}

// years is how long storms have raged without a finding.
func (l *long) years() float64 {
	l.mu.Lock()
	defer l.mu.Unlock()
	days := 0.0
	for unit, e := range l.last {
		if strings.HasPrefix(unit, "storm:") && len(e.Found) == 0 {
			days += e.Days
		}
	}
	return days / 365
}

// do runs one unit by its name.
func (l *long) do(unit string) (e entry, err error) {
	began := time.Now()
	defer func() {
		e.Unit, e.Commit, e.Seconds, e.At = unit, l.commit, time.Since(began).Seconds(), time.Now().UTC()
	}()
	var s storm
	var p pair
	switch {
	case scan(unit, "storm:%d", &s.seed):
		e.Demo, e.Twice = s.seed%8 == 0, s.seed%twiceEvery == 1
		var r stormResult
		r, e.Found, err = s.run(l.program, l.folder, e.Twice)
		e.Days, e.Done, e.Trips, e.Alarms = r.Days, r.Done, r.Trips, r.Alarms
	case scan(unit, "pair:%d+%d:%d", &p.a, &p.b, &p.seed):
		out := p.run(l.t)
		e.Found, e.Days, e.Stage, e.Heard = out.found, out.spent.Hours()/24, out.stage, out.heard[:]
		if e.Twice = (p.a*64+p.b+p.seed)%twiceEvery == 0; e.Twice {
			if again := p.run(l.t); again.trace != out.trace {
				e.Found = append(e.Found, "the same seed gave another trace")
			}
		}
	default:
		err = fmt.Errorf("unknown unit %q, expected storm:SEED or pair:ROW+ROW:SEED", unit)
	}
	return e, err
}

func scan(text, format string, to ...any) bool {
	n, err := fmt.Sscanf(text, format, to...)
	return err == nil && n == len(to)
}

// keep writes a line of the ledger and tells of a finding how to see it again.
func (l *long) keep(e entry) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.last[e.Unit] = e
	if l.file != nil {
		line, err := json.Marshal(e)
		if err == nil {
			_, err = l.file.Write(append(line, '\n'))
		}
		if err != nil {
			l.t.Errorf("write the ledger: %v", err)
		}
	}
	if len(e.Found) == 0 {
		return
	}
	l.t.Errorf("%s: %s\nagain: go test ./safety/campaign -run 'TestLong$' -timeout 0 -v -long.only %s%s", e.Unit, strings.Join(e.Found, "\n"), e.Unit, l.replay(e.Unit))
}

// replay says how to see a storm with the program alone.
func (l *long) replay(unit string) string {
	var s storm
	if !scan(unit, "storm:%d", &s.seed) {
		return ""
	}
	args, err := s.args(l.folder)
	if err != nil {
		return ""
	}
	if *longKeep == "" && s.seed%8 != 0 {
		return " -long.keep FOLDER keeps its kiln file and charge sheet"
	}
	return "\nor: drywarden " + strings.Join(args, " ")
}

// figures sums the ledger.
func (l *long) figures() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	type sum struct {
		units, done, demo, twice, trips, alarms int
		days                                    float64
	}
	var storms, pairs sum
	said := map[heard]int{}
	stages := map[string]int{}
	commits := map[string]int{}
	var bad []string
	for unit, e := range l.last {
		if len(e.Found) > 0 {
			bad = append(bad, unit)
			continue
		}
		commits[e.Commit]++
		of := &pairs
		if strings.HasPrefix(unit, "storm:") {
			of = &storms
		} else {
			stages[e.Stage]++
			for _, h := range e.Heard {
				said[h]++
			}
		}
		of.units++
		of.days += e.Days
		of.trips += e.Trips
		of.alarms += e.Alarms
		for _, c := range []struct {
			is bool
			n  *int
		}{{e.Done, &of.done}, {e.Demo, &of.demo}, {e.Twice, &of.twice}} {
			if c.is {
				*c.n++
			}
		}
	}
	slices.Sort(bad)
	return fmt.Sprintf(`
storms: %d charges, %.1f kiln-years without a finding; %d charges done in their time, %d of the demonstration, %d run twice; %d trips, %d alarms
pairs: %d of %d without a finding, %.1f kiln-years, from stages %v, %d run twice; rows' own rules: %d told, %d masked, %d silent alone too
by sources: %v
with findings, not yet run clean: %d %v`,
		storms.units, storms.days/365, storms.done, storms.demo, storms.twice, storms.trips, storms.alarms,
		pairs.units, 2016*pairSeeds, pairs.days/365, stages, pairs.twice, said[heardTold], said[heardMasked], said[heardSilent], commits, len(bad), bad)
}

// A ledger says what is still to be done: what is clean is not done again, what had a finding is, from other sources, and
// a line torn by a power cut never was.
func TestLedgerResumes(t *testing.T) {
	path := filepath.Join(t.TempDir(), "ledger")
	first := &long{t: t, commit: "one", last: map[string]entry{}}
	require.NoError(t, first.open(path))
	first.keep(entry{Unit: "storm:1", Commit: "one", Days: 365})
	first.keep(entry{Unit: "pair:1+2:1", Commit: "one", Days: 2, Heard: []heard{heardTold, heardMasked}})
	require.NoError(t, first.file.Close())
	text, err := os.ReadFile(path)
	require.NoError(t, err)
	text = append(text, []byte(`{"unit":"storm:2","commit":"one","kiln_days":50,"found":["x"]}`+"\n"+`{"unit":"storm:3","kiln_da`)...)
	require.NoError(t, os.WriteFile(path, text, 0o644))

	for commit, again := range map[string]bool{"one": false, "two": true} {
		l := &long{t: t, commit: commit, last: map[string]entry{}}
		require.NoError(t, l.open(path))
		require.NoError(t, l.file.Close())
		require.False(t, l.wanted("storm:1"))
		require.False(t, l.wanted("pair:1+2:1"))
		require.Equal(t, again, l.wanted("storm:2"))
		require.True(t, l.wanted("storm:3"))
		require.EqualValues(t, 1, l.years())
		require.Contains(t, l.figures(), "storms: 1 charges, 1.0 kiln-years without a finding")
		require.Contains(t, l.figures(), "1 told, 1 masked")
	}
}
