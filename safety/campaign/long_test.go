package campaign

import (
	"bufio"
	"crypto/sha256"
	"encoding/hex"
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
	Sources string    `json:"sources"` // that decide how it ends
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
	l := &long{t: t, folder: folder, sources: sources(t), last: map[string]entry{}, until: time.Now().Add(*longFor)}
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
	sources string
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

// sources names what decides how a unit ends: the code of controller, schedule, safety and simulated kiln, and these tests.
func sources(t *testing.T) string {
	sum := sha256.New()
	for _, folder := range []string{".", "..", "../audit", "../../controller/...", "../../schedule/...", "../../hardware", "../../hardware/quantity",
		"../../hardware/mono", "../../hardware/trace", "../../hardware/simkiln"} {
		root, deep := strings.CutSuffix(folder, "/...")
		require.NoError(t, filepath.WalkDir(root, func(name string, d fs.DirEntry, err error) error {
			switch {
			case err != nil:
				return err
			case d.IsDir() && name != root && (!deep || d.Name() == "testdata"):
				return fs.SkipDir
			case d.IsDir() || filepath.Ext(name) == ".md", strings.HasSuffix(name, "_test.go") && folder != ".":
				return nil
			}
			text, err := os.ReadFile(name)
			fmt.Fprintf(sum, "%s %d\n%s", name, len(text), text)
			return err
		}))
	}
	name := hex.EncodeToString(sum.Sum(nil))[:12]
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
	return !did || e.Sources != l.sources
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
		if strings.HasPrefix(unit, "storm:") && len(e.Found) == 0 && e.Sources == l.sources {
			days += e.Days
		}
	}
	return days / 365
}

// do runs one unit by its name.
func (l *long) do(unit string) (e entry, err error) {
	began := time.Now()
	defer func() {
		e.Unit, e.Sources, e.Seconds, e.At = unit, l.sources, time.Since(began).Seconds(), time.Now().UTC()
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
	rows := map[int]map[heard]int{}
	stages := map[string]int{}
	other := 0
	var bad []string
	for unit, e := range l.last {
		if len(e.Found) > 0 {
			bad = append(bad, unit)
			continue
		}
		if e.Sources != l.sources {
			other++
			continue
		}
		of := &pairs
		if strings.HasPrefix(unit, "storm:") {
			of = &storms
		} else {
			stages[e.Stage]++
			var p pair
			scan(unit, "pair:%d+%d:%d", &p.a, &p.b, &p.seed)
			for i, row := range [2]int{p.a, p.b} {
				if h := e.Heard[i]; h != "" {
					if rows[row] == nil {
						rows[row] = map[heard]int{}
					}
					rows[row][h]++
					said[h]++
				}
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
	var mute []string
	for row := 1; row <= len(failures); row++ {
		if h := rows[row]; h[heardTold]+h[heardLate] == 0 {
			mute = append(mute, fmt.Sprintf("%d %v", row, h))
		}
	}
	if pairs.units == 2016*pairSeeds && len(mute) > 0 {
		l.t.Errorf("rows that no pair has told: %v", mute)
	}
	return fmt.Sprintf(`
storms: %d charges, %.1f kiln-years without a finding; %d charges done in their time, %d of the demonstration, %d run twice; %d trips, %d alarms
pairs: %d of %d without a finding, %.1f kiln-years, from stages %v, %d run twice; rows' own rules: %v; rows not told yet: %v
by these sources, %s; by others %d
with findings, not yet run clean: %d %v`,
		storms.units, storms.days/365, storms.done, storms.demo, storms.twice, storms.trips, storms.alarms,
		pairs.units, 2016*pairSeeds, pairs.days/365, stages, pairs.twice, said, mute, l.sources, other, len(bad), bad)
}

// A ledger says what is still to be done: what these sources have done is not done again, what others have is, and a line torn
// by a power cut never was.
func TestLedgerResumes(t *testing.T) {
	path := filepath.Join(t.TempDir(), "ledger")
	first := &long{t: t, sources: "one", last: map[string]entry{}}
	require.NoError(t, first.open(path))
	first.keep(entry{Unit: "storm:1", Sources: "one", Days: 365})
	first.keep(entry{Unit: "pair:1+2:1", Sources: "one", Days: 2, Heard: []heard{heardTold, heardMasked}})
	require.NoError(t, first.file.Close())
	text, err := os.ReadFile(path)
	require.NoError(t, err)
	text = append(text, []byte(`{"unit":"storm:2","sources":"one","kiln_days":50,"found":["x"]}`+"\n"+`{"unit":"storm:3","kiln_da`)...)
	require.NoError(t, os.WriteFile(path, text, 0o644))

	for by, again := range map[string]bool{"one": false, "two": true} {
		l := &long{t: t, sources: by, last: map[string]entry{}}
		require.NoError(t, l.open(path))
		require.NoError(t, l.file.Close())
		for _, unit := range []string{"storm:1", "storm:2", "pair:1+2:1"} {
			require.Equal(t, again, l.wanted(unit), unit)
		}
		require.True(t, l.wanted("storm:3"))
		if !again {
			require.EqualValues(t, 1, l.years())
			require.Contains(t, l.figures(), "storms: 1 charges, 1.0 kiln-years without a finding")
			require.Contains(t, l.figures(), "map[masked:1 told:1]")
			require.Contains(t, l.figures(), "; by others 0")
			continue
		}
		require.Zero(t, l.years())
		require.Contains(t, l.figures(), "storms: 0 charges")
		require.Contains(t, l.figures(), "; by others 2")
	}
}
