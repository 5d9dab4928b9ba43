package campaign

import (
	"cmp"
	"flag"
	"fmt"
	"os"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"

	"drywarden/controller/loop"
	"drywarden/hardware"
	"drywarden/safety"
)

var write = flag.Bool("write", false, "write ../FAILURES.md afresh")

// show lets the fault come and gives the time until it is told.
func (s *showing) show(t *testing.T, f *failure) time.Duration {
	b := newBench(t)
	b.drive()
	if s.own != nil {
		took := s.own(b)
		require.GreaterOrEqual(t, took, time.Duration(0), "it did not end as it must")
		return took
	}
	if s.before != nil {
		s.before(b)
	}
	began := b.ticks
	if b.fault == nil {
		began, b.ticks = 0, 0
	}
	b.fault = s.fault
	told := func() bool {
		_, alarm := b.alarm(s.rule)
		return alarm || s.told && b.vetoed(s.rule)
	}
	for b.tick(); !told(); b.tick() {
		require.Less(t, b.ticks, 100_000, "never told")
	}
	took := time.Duration(b.ticks-began-1) * time.Second
	for n := time.Duration(0); n < s.within; n += time.Second {
		b.tick()
	}
	require.Zero(t, b.on()&s.off, "still on")
	require.Equal(t, s.level, b.out.Forced)
	id, ok := safety.Lookup(s.rule)
	require.True(t, ok)
	if s.level == offNow {
		require.Zero(t, b.told.On, "everything, heartbeat and lamps too")
	} else if s.off&forwards == 0 && b.want&forwards != 0 {
		require.NotZero(t, b.on()&forwards, "fans run on")
	}
	require.Equal(t, s.latch, b.out.Trips.Has(id))
	if !s.latch {
		// Gone with its cause.
		b.fault, b.storeE, b.want = nil, nil, 0
		b.run(700)
		_, still := b.alarm(s.rule)
		require.False(t, still)
		return took
	}
	// It outlives its cause and the process, and clears for its authority alone.
	b.run(1)
	b.fault = nil
	b.run(2)
	require.True(t, b.out.Trips.Has(id))
	require.Contains(t, b.kept, s.rule)
	b.start()
	b.want = 0
	b.run(1801) // a cut-out may not be reset sooner
	require.True(t, b.out.Trips.Has(id))
	a, _ := b.alarm(s.rule)
	require.Equal(t, s.clears, a.Clears)
	require.Error(t, b.gate.Reset(id, s.clears-1, "no"))
	switch s.clears {
	case hardware.ByOperator:
		require.NoError(t, b.gate.Reset(id, s.clears, ""))
	case hardware.AtPanel:
		require.Error(t, b.gate.Reset(id, s.clears, ""), "no command alone")
		_ = b.gate.Ack(id) // some want it first
		b.press()
	case hardware.ByTechnician:
		b.press()
		require.True(t, b.out.Trips.Has(id), "not by the panel alone")
		require.Error(t, b.gate.Reset(id, s.clears, " "), "without a reason")
		require.NoError(t, b.gate.Reset(id, s.clears, "looked at it"))
	}
	b.run(3)
	require.False(t, b.out.Trips.Has(id))
	return took
}

func knownRules() []string {
	var names []string
	for _, r := range slices.Concat(safety.Rules(), loop.Rules()) {
		names = append(names, r.Name)
	}
	return names
}

// sight is one way in which a row was shown: what the second table of FAILURES.md is made of.
type sight struct {
	row         int
	test        string
	limit, seen time.Duration
	left        bool // out with -short
	ran         bool // left out with -run where it is not
}

// TestFailures shows every row, before the gate alone and in whole kilns, and holds FAILURES.md to what it saw.
func TestFailures(t *testing.T) {
	var gate, kiln []sight
	t.Run("gate", func(t *testing.T) {
		for i := range failures {
			f := &failures[i]
			if f.shows == nil {
				continue
			}
			name := f.name(i + 1)
			t.Run(name, func(t *testing.T) {
				seen := f.shows.show(t, f)
				require.LessOrEqual(t, seen, f.limit, "too late")
				gate = append(gate, sight{row: i + 1, test: t.Name(), limit: f.limit, seen: seen})
			})
		}
	})
	t.Run("kiln", func(t *testing.T) { kiln = showWhole(t) })
	if t.Failed() {
		return
	}
	if slices.ContainsFunc(kiln, func(s sight) bool { return !s.ran && !s.left }) || len(gate) < shownAtGate() {
		t.Log("not all was run: FAILURES.md is not looked at")
		return
	}
	old, err := os.ReadFile("../FAILURES.md")
	require.NoError(t, err)
	text := report(t, gate, kiln, strings.Split(string(old), "\n"))
	if *write {
		require.False(t, testing.Short(), "-short leaves some out")
		require.NoError(t, os.WriteFile("../FAILURES.md", []byte(text), 0o644))
		return
	}
	require.Equal(t, string(old), text, "stale: run with -write and read the difference")
}

func shownAtGate() (n int) {
	for i := range failures {
		if failures[i].shows != nil {
			n++
		}
	}
	return n
}

// showWhole shows what is shown in whole kilns, several at a time.
func showWhole(t *testing.T) []sight {
	var shows []ownShow
	for i := range wholes {
		w := &wholes[i]
		shows = append(shows, ownShow{row: w.row, what: w.what, limit: w.limit, kiln: w.site, slow: w.slow, show: w.show})
	}
	shows = slices.Concat(shows, ownShows, peopleShows)
	slices.SortStableFunc(shows, func(a, b ownShow) int { return cmp.Compare(a.row, b.row) })
	seen := make([]sight, len(shows))
	for i, o := range shows {
		limit := o.limit
		if limit == 0 {
			limit = failures[o.row-1].limit
		}
		seen[i] = sight{row: o.row, test: "TestFailures/kiln/" + strings.ReplaceAll(o.name(), " ", "_"), limit: limit, left: o.slow && testing.Short()}
		if seen[i].left {
			continue
		}
		t.Run(o.name(), func(t *testing.T) {
			t.Parallel()
			synctest.Test(t, func(t *testing.T) {
				kiln := o.kiln
				if kiln == nil {
					kiln = daemonSite
				}
				s := kiln(t)
				seen[i].seen, seen[i].ran = o.show(t, s), true
				require.LessOrEqual(t, seen[i].seen, limit, "too late; told were %v", s.ever)
				s.clean()
			})
		})
	}
	return seen
}

// report writes FAILURES.md. What -short has left out is taken from the old one.
func report(t *testing.T, gate, kiln []sight, old []string) string {
	var rows, ways, notes []string
	shown, whole := 0, 0
	for i := range failures {
		f := &failures[i]
		atGate, inKiln, left := "-", "-", false
		for _, s := range gate {
			if s.row == i+1 {
				atGate = inWords(s.seen)
			}
		}
		worst := sight{seen: -1}
		for _, s := range kiln {
			if s.row == i+1 {
				left = left || s.left
				if s.seen > worst.seen {
					worst = s
				}
			}
		}
		if worst.seen >= 0 {
			if inKiln = inWords(worst.seen); worst.limit != f.limit {
				inKiln += " of " + inWords(worst.limit)
			}
			whole++
		}
		if f.by != "" {
			file, test, _ := strings.Cut(f.by, ": ")
			source, err := os.ReadFile(file)
			require.NoError(t, err)
			require.Contains(t, string(source), "func "+test+"(", "the test that the row names")
		}
		if atGate != "-" || inKiln != "-" || f.by != "" {
			shown++
		}
		note := f.note
		if note == "" {
			note = causes[i+1].none
		}
		line := fmt.Sprintf("| %d | %s | %s | %s | %s | %s | %s | %s | %s |", i+1, f.fails, f.owner, strings.Join(f.rules, ", "),
			inWords(f.limit), atGate, inKiln, f.end, note)
		rows = append(rows, stand(line, left, old, 8))
		if d := differs[i+1]; d != "" {
			notes = append(notes, fmt.Sprintf("- **%d, %s**: %s", i+1, f.fails, d))
		}
	}
	for _, s := range slices.Concat(gate, kiln) {
		line := fmt.Sprintf("| %d | %s | %s | %s |", s.row, s.test, inWords(s.limit), inWords(s.seen))
		ways = append(ways, stand(line, s.left, old, 3))
	}
	return fmt.Sprintf(head, len(failures), shown, len(failures), len(gate), whole, strings.Join(rows, "\n"), strings.Join(notes, "\n"), strings.Join(ways, "\n"))
}

// stand gives the old line where this run has left something out: the one that begins with the same cells.
func stand(line string, left bool, old []string, same int) string {
	if !left {
		return line
	}
	head := strings.Join(strings.SplitN(line, "|", same+1)[:min(same, 6)], "|")
	for _, was := range old {
		if strings.HasPrefix(was, head) {
			return was
		}
	}
	return line
}

const head = `# What can fail, who answers for it, and how that was seen

This file is written by the tests: ` + "`go test ./safety/campaign -run TestFailures -write`" + `. When it is stale the test fails. It
lists %d failures, each with one owner; *safety* judges raw signals, *controller/estimate* whether readings can be believed,
*controller* what control itself can see, *shell* process, disk, clock, configuration and delivery of alarms.

Each failure was made to happen, its alarm or trip waited for, and the time taken. It was then looked at whether the
kiln ends as it must: what is off, what runs on, what the operator is told. What latches had to outlive its cause and a
restart of the program, and to go for nobody but the person named. What does not latch had to go by itself once the cause
was gone.

- *At the gate*: the last judge before the outputs alone, with its own clock and its own record of trips, before a kiln on
  the bench that runs fans, blower, compressor and heat. Time runs from the first reading that shows the failure; 0 s is
  the same tick.
- *In the kiln*: everything together - a simulated kiln with wood, air, machine and probes that have errors and lag, the
  controller in its loop, the gate, and the judge of invariants looking on, who must find nothing. The failure happens in
  the simulated kiln, or to the program, its disk, its clock, its files or its people. Time runs from the failure, or from
  the first tick in which what the rule looks for is really so (a slow drift takes hours to become one); where a machine
  must run to show it, only the time that it runs counts. Up to two minutes it is given in seconds, above in minutes
  or hours, rounded up. The slowest way is shown; the last table has all.

It shows nothing about the hard wiring that must stand under it, and it certifies nothing. In OFF the program's sounder
and lamps are de-energised too: a siren for fire or for a welded heater must be the detector's or the master contactor's
own.

%d of %d shown: %d at the gate, %d in the whole kiln.

| # | what fails | owner | rules | detection: limit | at the gate | in the kiln | end state | what is not shown |
|---|---|---|---|---|---|---|---|---|
%s

## Where an end is not what one might expect, and why

%s

## Every way in which it was shown

| # | test | limit | seen |
|---|---|---|---|
%s
`

// inWords gives a duration as a person would.
func inWords(d time.Duration) string {
	whole := func(unit time.Duration) time.Duration { return (d + unit - 1) / unit }
	switch {
	case d > 2*time.Hour:
		return fmt.Sprintf("%d h", whole(time.Hour))
	case d > 2*time.Minute:
		return fmt.Sprintf("%d min", whole(time.Minute))
	}
	return fmt.Sprintf("%d s", whole(time.Second))
}

// Every row has one owner, a bound and an end; every rule that it names is in some part's table or said to be missing.
func TestEveryFailureIsOwned(t *testing.T) {
	require.Len(t, failures, 64)
	known := knownRules()
	used := map[string]bool{}
	for i := range failures {
		f := &failures[i]
		name := f.name(i + 1)
		require.Contains(t, []owner{ownGate, ownEstimate, ownController, ownShell}, f.owner, name)
		require.NotEmpty(t, f.end, name)
		require.True(t, len(f.rules) > 0 || causes[i+1].none != "", name)
		require.GreaterOrEqual(t, f.limit, time.Duration(0), name)
		for _, rule := range f.rules {
			require.Contains(t, known, rule, name)
			used[rule] = true
		}
	}
	// Rules of safety that answer no row say why they are there.
	others := []string{"bulbs_identical", "fan_energised_unasked", "outputs_not_written", "airflow_stuck", "not_finite", "blower_airflow",
		"compressor_too_hot", "compressor_too_cold", "spray_with_compressor", "vent_duty", "min_interval", "not_fitted"}
	for _, r := range safety.Rules() {
		require.True(t, used[r.Name] || slices.Contains(others, r.Name), r.Name)
	}
}

func TestSmokeActsInTheSameTick(t *testing.T) {
	b := newBench(t)
	b.drive()
	b.fault = contact(hardware.ContactSmoke, true)
	b.tick()
	require.Zero(t, b.told.On)
	require.True(t, b.out.Trips.Has(safety.Smoke))
}
