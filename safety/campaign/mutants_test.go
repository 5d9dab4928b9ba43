//go:build linux

package campaign

import (
	"bufio"
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"flag"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

var (
	mutate      = flag.Bool("mutants", false, "run package safety's own tests on each of its mutants (takes long; resumes)")
	mutateCarry = flag.Bool("mutants.carry", false, "believe a mutant's earlier death though other code or tests have changed since")
	mutateFile  = flag.String("mutants.file", "", "only mutants of this file")
)

const (
	mutantWorkers = 2
	mutantTime    = 10              // seconds of the processor's time: a run that takes ten times as long as it should is lost in a loop
	mutantWait    = 2 * time.Minute // one that does nothing for so long waits for ever
	// slowTests run only on what the others let live.
	slowTests = "TestInvariants|TestStateSurvivesText|TestEveryContact|TestEveryState"
	least     = 0.9
)

// fates of a mutant.
const (
	killed   = "killed"
	survived = "survived"
	invalid  = "invalid" // does not compile: no mutant
)

// verdict is one line of the cache.
type verdict struct {
	Mutant string `json:"mutant"` // hash of its declaration and change
	Code   string `json:"code"`   // hash of all code it was judged with
	Tests  string `json:"tests"`  // hash of the tests that judged it
	Fate   string `json:"fate"`
}

// source is package safety as it stands.
type source struct {
	dir     string
	files   map[string][]byte // without tests
	mutants []mutant
	code    string
	tests   string
}

func readSource(t *testing.T) *source {
	dir, err := filepath.Abs("..")
	require.NoError(t, err)
	s := &source{dir: dir, files: map[string][]byte{}}
	code, tests := sha256.New(), sha256.New()
	for _, folder := range []string{".", "../hardware", "../hardware/quantity", "../hardware/mono"} {
		names, err := filepath.Glob(filepath.Join(dir, folder, "*.go"))
		require.NoError(t, err)
		slices.Sort(names)
		for _, name := range names {
			text, err := os.ReadFile(name)
			require.NoError(t, err)
			test := strings.HasSuffix(name, "_test.go")
			if filepath.Base(name) == "doc.go" {
				continue // words only
			}
			switch {
			case folder == "." && test:
				fmt.Fprintf(tests, "%s %d\n%s", filepath.Base(name), len(text), text)
			case !test:
				fmt.Fprintf(code, "%s %d\n%s", name[len(dir):], len(text), text)
				if folder == "." {
					s.files[filepath.Base(name)] = text
				}
			}
		}
	}
	s.code, s.tests = hex.EncodeToString(code.Sum(nil)), hex.EncodeToString(tests.Sum(nil))
	names := make([]string, 0, len(s.files))
	for name := range s.files {
		names = append(names, name)
	}
	slices.Sort(names)
	for _, name := range names {
		found, err := mutantsOf(name, s.files[name])
		require.NoError(t, err)
		s.mutants = append(s.mutants, found...)
	}
	return s
}

func (m *mutant) key() string {
	sum := sha256.Sum256(fmt.Appendf(nil, "%s\n%s\n%d %d %s", m.file, m.decl, m.declOffset, m.to-m.from, m.text))
	return hex.EncodeToString(sum[:])
}

// build makes a binary of safety's tests with files replaced. Nothing is written into the package's folder.
func (s *source) build(ctx context.Context, work string, changed map[string]string) (binary string, words []byte, err error) {
	replace := map[string]string{}
	for name, text := range changed {
		file := filepath.Join(work, name)
		if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
			return "", nil, err
		}
		replace[filepath.Join(s.dir, name)] = file
	}
	text, err := json.Marshal(map[string]any{"Replace": replace})
	if err != nil {
		return "", nil, err
	}
	overlay := filepath.Join(work, "overlay.json")
	if err := os.WriteFile(overlay, text, 0o600); err != nil {
		return "", nil, err
	}
	binary = filepath.Join(work, "safety.test")
	cmd := exec.CommandContext(ctx, "go", "test", "-c", "-vet=off", "-p", "1", "-gcflags=-e", "-ldflags=-s -w", "-overlay", overlay, "-o", binary, ".")
	cmd.Dir = s.dir
	words, err = cmd.CombinedOutput()
	return binary, words, err
}

// run runs safety's tests as the mutant of that number.
func (s *source) run(ctx context.Context, binary string, number int) (fate string, words []byte, err error) {
	for _, choice := range [][]string{{"-test.skip", slowTests}, {"-test.run", slowTests}} {
		limited, cancel := context.WithTimeout(ctx, mutantWait)
		limit := fmt.Sprintf("ulimit -S -t %d; exec \"$0\" \"$@\"", mutantTime)
		arguments := append([]string{"-c", limit, binary}, choice...)
		cmd := exec.CommandContext(limited, "sh", append(arguments, "-test.short", "-test.failfast", "-test.timeout=0", "-rapid.nofailfile")...)
		cmd.SysProcAttr = &syscall.SysProcAttr{Pdeathsig: syscall.SIGKILL} // a mutant may run for ever
		cmd.Dir, cmd.Env = s.dir, append(os.Environ(), "GOMAXPROCS=1", "GOMEMLIMIT=1GiB", fmt.Sprintf("%s=%d", mutantVariable, number))
		words, err := cmd.CombinedOutput()
		waits := limited.Err() != nil
		cancel()
		if ctx.Err() != nil {
			return "", words, ctx.Err()
		}
		switch {
		case err == nil:
		case waits || died.Match(words):
			return killed, words, nil
		default: // not the mutant's doing: no room, no process
			return "", words, fmt.Errorf("run mutant %d: %w: %s", number, err, words)
		}
	}
	return survived, nil, nil
}

// died is what the tests of a mutant say that is noticed: a failure, a panic, or a loop that the processor's limit ended.
var died = regexp.MustCompile(`(?m)^(FAIL|--- FAIL|panic: |fatal error: |SIGXCPU: CPU time limit exceeded)`)

// weave builds one binary that can be any of the pending mutants of functions; those that do not compile are told.
func (s *source) weave(ctx context.Context, work string, pending []int) (binary string, woven, broken []int, err error) {
	left := map[int]bool{}
	for _, i := range pending {
		left[i] = s.inFunction(&s.mutants[i])
	}
	for {
		changed := map[string]string{"active_mutant.go": activeSource}
		lines := map[string]map[int]int{}
		for name, src := range s.files {
			var here []mutant
			numbers := map[int]int{}
			for i := range s.mutants {
				if s.mutants[i].file == name {
					if left[i] {
						numbers[len(here)] = i + 1
					}
					here = append(here, s.mutants[i])
				}
			}
			text, at, err := weave(name, src, here, numbers)
			if err != nil {
				return "", nil, nil, err
			}
			changed[name], lines[name] = text, at
		}
		binary, words, err := s.build(ctx, work, changed)
		if err == nil {
			for _, i := range pending {
				if left[i] {
					woven = append(woven, i)
				}
			}
			return binary, woven, broken, nil
		}
		found := 0
		for _, hit := range errorLine.FindAllSubmatch(words, -1) {
			line, err := strconv.Atoi(string(hit[2]))
			if err != nil {
				continue
			}
			if number := lines[string(hit[1])][line]; number > 0 && left[number-1] {
				left[number-1] = false
				broken = append(broken, number-1)
				found++
			}
		}
		if found == 0 {
			return "", nil, nil, fmt.Errorf("build woven mutants: %w\n%s", err, words)
		}
	}
}

// inFunction tells whether a mutant can be woven in.
func (s *source) inFunction(m *mutant) bool {
	functions, err := functionsOf(m.file, s.files[m.file])
	return err == nil && slices.ContainsFunc(functions, func(f function) bool {
		return m.from >= f.start && m.to <= f.end && !f.recovers
	})
}

// judgeAlone builds and runs one mutant that cannot be woven in.
func (s *source) judgeAlone(ctx context.Context, work string, m *mutant) (string, error) {
	binary, words, err := s.build(ctx, work, map[string]string{m.file: string(m.apply(s.files[m.file]))})
	switch {
	case err != nil && errorLine.Match(words):
		return invalid, ctx.Err()
	case err != nil:
		return "", fmt.Errorf("build: %w\n%s", err, words)
	}
	fate, _, err := s.run(ctx, binary, 0)
	return fate, err
}

// TestMutants tells how much of safety its own tests hold. Run it by
//
//	nice -n 15 go test ./safety/campaign -run 'TestMutants$' -mutants -timeout 0 -v
//
// It may be stopped at any time and goes on where it was. Verdicts are kept in the user's cache folder by the hash of
// code, tests and change. A death is believed while tests are only added (their hash may differ), anything else is judged
// again.
func TestMutants(t *testing.T) {
	if !*mutate {
		t.Skip("takes long: -mutants")
	}
	s := readSource(t)
	cache, err := os.UserCacheDir()
	require.NoError(t, err)
	folder := filepath.Join(cache, "drywarden-mutants")
	require.NoError(t, os.MkdirAll(folder, 0o700))
	known := readVerdicts(t, filepath.Join(folder, "verdicts.jsonl"))
	book, err := os.OpenFile(filepath.Join(folder, "verdicts.jsonl"), os.O_APPEND|os.O_CREATE|os.O_WRONLY, 0o600)
	require.NoError(t, err)
	defer func() { require.NoError(t, book.Close()) }()

	fates := make([]string, len(s.mutants))
	var pending []int
	carried := 0
	for i := range s.mutants {
		m := &s.mutants[i]
		if *mutateFile != "" && m.file != *mutateFile {
			continue
		}
		if v, ok := known[m.key()]; ok && v.Fate == invalid || (v.Fate == killed && (v.Code == s.code || *mutateCarry)) ||
			(v.Fate == survived && v.Code == s.code && v.Tests == s.tests) {
			if fates[i] = v.Fate; v.Fate == killed && (v.Code != s.code || v.Tests != s.tests) {
				carried++
			}
			continue
		}
		pending = append(pending, i)
	}
	binary, woven, broken, err := s.weave(t.Context(), t.TempDir(), pending)
	require.NoError(t, err)
	clean, words, err := s.run(t.Context(), binary, 0)
	require.NoError(t, err)
	require.Equal(t, survived, clean, "%s", words)
	t.Logf("%d to judge, %d of them in one binary", len(pending), len(woven))

	var mu sync.Mutex
	done := 0
	settle := func(i int, fate string, err error) {
		mu.Lock()
		defer mu.Unlock()
		m := &s.mutants[i]
		if err != nil {
			t.Errorf("%s: %v", m.name, err)
			return
		}
		line, err := json.Marshal(verdict{m.key(), s.code, s.tests, fate})
		if err == nil {
			_, err = book.Write(append(line, '\n'))
		}
		if err != nil {
			t.Errorf("keep verdict: %v", err)
		}
		fates[i] = fate
		if done++; done%100 == 0 {
			t.Logf("%d judged", done)
		}
	}
	for _, i := range broken {
		settle(i, invalid, nil)
	}
	isWoven := map[int]bool{}
	for _, i := range woven {
		isWoven[i] = true
	}
	var workers sync.WaitGroup
	queue := make(chan int)
	for range mutantWorkers {
		work := t.TempDir()
		workers.Go(func() {
			runtime.LockOSThread() // children die with the thread that made them
			for i := range queue {
				if isWoven[i] {
					fate, _, err := s.run(t.Context(), binary, i+1)
					settle(i, fate, err)
				} else {
					fate, err := s.judgeAlone(t.Context(), work, &s.mutants[i])
					settle(i, fate, err)
				}
			}
		})
	}
	for _, i := range pending {
		if fates[i] == "" {
			queue <- i
		}
	}
	close(queue)
	workers.Wait()

	count := map[string]int{}
	excused := excuses(t)
	var alive []string
	for i, fate := range fates {
		if count[fate]++; fate == survived {
			alive = append(alive, s.mutants[i].name)
		}
	}
	share := float64(count[killed]) / float64(max(count[killed]+count[survived], 1))
	t.Logf("%d mutants: %d killed (%d of them by earlier code or tests), %d survived, %d do not compile: %.1f %% killed",
		len(s.mutants), count[killed], carried, count[survived], count[invalid], 100*share)
	for _, name := range alive {
		t.Logf("alive: %s", name)
		if *mutateFile == "" && !excused[name] {
			t.Errorf("not in MUTANTS.md: %s", name)
		}
	}
	require.GreaterOrEqual(t, share, least)
}

func readVerdicts(t *testing.T, name string) map[string]verdict {
	known := map[string]verdict{}
	text, err := os.ReadFile(name)
	if os.IsNotExist(err) {
		return known
	}
	require.NoError(t, err)
	for scan := bufio.NewScanner(bytes.NewReader(text)); scan.Scan(); {
		var v verdict
		if json.Unmarshal(scan.Bytes(), &v) == nil { // the last line may be torn
			known[v.Mutant] = v
		}
	}
	return known
}

// excuses reads the survivors that MUTANTS.md lists: the code spans of its list.
func excuses(t *testing.T) map[string]bool {
	text, err := os.ReadFile("../MUTANTS.md")
	require.NoError(t, err)
	listed := map[string]bool{}
	for line := range strings.Lines(string(text)) {
		if rest, ok := strings.CutPrefix(line, "- ``"); ok {
			name, _, closed := strings.Cut(rest, "``")
			require.True(t, closed, line)
			require.False(t, listed[name], "listed twice: %s", name)
			listed[name] = true
		}
	}
	return listed
}

// What MUTANTS.md lists must still be a mutant of the code as it stands.
func TestMutantsListIsFresh(t *testing.T) {
	s := readSource(t)
	names := map[string]bool{}
	for i := range s.mutants {
		names[s.mutants[i].name] = true
	}
	for name := range excuses(t) {
		require.True(t, names[name], "MUTANTS.md lists what is no mutant any more: %s", name)
	}
}

func TestMutantsOf(t *testing.T) {
	src := `package p

import "fmt"

const most = 3 // a comment < keeps

func f(a, b int, ok bool) (int, string) {
	if a < b && !ok {
		a = b + 1
		fmt.Println("x < y")
	}
	return min(a, most), "text"
}
`
	found, err := mutantsOf("p.go", []byte(src))
	require.NoError(t, err)
	var names []string
	for i := range found {
		names = append(names, found[i].name)
		require.NotEqual(t, src, string(found[i].apply([]byte(src))))
	}
	require.Equal(t, []string{
		"p.go declaration: 3 => 4",
		"p.go f: a < b && !ok => a < b || !ok",
		"p.go f: a < b => a <= b",
		"p.go f: a < b => a >= b",
		"p.go f: !ok => ok",
		"p.go f: a = b + 1 => (dropped)",
		"p.go f: b + 1 => b - 1",
		"p.go f: 1 => 2",
		`p.go f: fmt.Println("x < y") => (dropped)`,
		"p.go f: min => max",
	}, names)
	changed := string(found[1].apply([]byte(src)))
	require.Contains(t, changed, "if a < b || !ok {")
	require.Equal(t, len(src), len(changed))
	_, err = mutantsOf("p.go", []byte("package"))
	require.Error(t, err)
}

// Woven, a file still holds its original, and one copy for each mutant of its functions.
func TestWeave(t *testing.T) {
	src := "package p\n\ntype t struct{}\n\nconst n = 1\n\nfunc (t) f(_ int, more ...string) (sum int, err error) {\n\treturn 1 + 2, nil\n}\n"
	found, err := mutantsOf("p.go", []byte(src))
	require.NoError(t, err)
	require.Len(t, found, 4)
	text, lines, err := weave("p.go", []byte(src), found, map[int]int{0: 10, 1: 11, 3: 13})
	require.NoError(t, err)
	require.Contains(t, text, "func (t) f__0(_ int, more ...string) (sum int, err error) {\n\treturn 1 + 2, nil")
	require.Contains(t, text, "func (r t) f(a0 int, a1 ...string) (sum int, err error) {\n\tswitch activeMutant {\n\tcase 11:\n\t\treturn r.f__11(a0, a1...)\n")
	require.Contains(t, text, "f__11(_ int, more ...string) (sum int, err error) {\n\treturn 1 - 2, nil")
	require.Contains(t, text, "f__13(_ int, more ...string) (sum int, err error) {\n\treturn 1 + 3, nil")
	require.NotContains(t, text, "__10", "a constant is in no function")
	require.NotContains(t, text, "__12", "not wanted")
	all := strings.Split(text, "\n")
	for number, body := range map[int]string{11: "1 - 2", 13: "1 + 3"} {
		at := slices.IndexFunc(all, func(line string) bool { return strings.Contains(line, body) })
		require.Equal(t, number, lines[at+1])
	}
}
