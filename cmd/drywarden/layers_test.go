package main

import (
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

const module = "drywarden"

// pkg is what the rules need to know of one package of this module; test files are left out, except for doc.
type pkg struct {
	path    string // below the module, "." never occurs
	files   []*ast.File
	imports []string // direct, sorted, as written
}

// loadPackages parses every package of the module.
func loadPackages(t *testing.T) (map[string]*pkg, *token.FileSet) {
	t.Helper()
	root, err := filepath.Abs("../..")
	require.NoError(t, err)
	fset := token.NewFileSet()
	packages := map[string]*pkg{}
	err = filepath.WalkDir(root, func(path string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		if d.IsDir() {
			if path != root && (strings.HasPrefix(d.Name(), ".") || d.Name() == "testdata") {
				return filepath.SkipDir
			}
			return nil
		}
		if !strings.HasSuffix(path, ".go") || strings.HasSuffix(path, "_test.go") {
			return nil
		}
		file, err := parser.ParseFile(fset, path, nil, parser.ParseComments)
		if err != nil {
			return err
		}
		dir, err := filepath.Rel(root, filepath.Dir(path))
		if err != nil {
			return err
		}
		dir = filepath.ToSlash(dir)
		p := packages[dir]
		if p == nil {
			p = &pkg{path: dir}
			packages[dir] = p
		}
		p.files = append(p.files, file)
		for _, spec := range file.Imports {
			imported, err := strconv.Unquote(spec.Path.Value)
			if err != nil {
				return err
			}
			if !slices.Contains(p.imports, imported) {
				p.imports = append(p.imports, imported)
			}
		}
		return nil
	})
	require.NoError(t, err)
	for _, p := range packages {
		slices.Sort(p.imports)
	}
	return packages, fset
}

// own cuts the module's name off an import path.
func own(imported string) (string, bool) { return strings.CutPrefix(imported, module+"/") }

// reach lists the module's packages that p depends on, directly or not, each with the chain that leads there.
func reach(packages map[string]*pkg, from string) map[string]string {
	chains := map[string]string{}
	var walk func(at, chain string)
	walk = func(at, chain string) {
		p := packages[at]
		if p == nil {
			return
		}
		for _, imported := range p.imports {
			path, ok := own(imported)
			if !ok || chains[path] != "" {
				continue
			}
			chains[path] = chain + " -> " + path
			walk(path, chains[path])
		}
	}
	walk(from, from)
	return chains
}

// under tells whether path is pattern, or below it when the pattern ends in "/...".
func under(pattern, path string) bool {
	if tree, ok := strings.CutSuffix(pattern, "/..."); ok {
		return path == tree || strings.HasPrefix(path, tree+"/")
	}
	return path == pattern
}

func matching(packages map[string]*pkg, pattern string) []string {
	var found []string
	for path := range packages {
		if under(pattern, path) {
			found = append(found, path)
		}
	}
	slices.Sort(found)
	return found
}

// bans forbid any chain of imports from one package to another.
var bans = []struct{ from, to, reason string }{
	{"safety/...", "controller/...", "the gate must be able to say no to a wrong controller, so it may not depend on one"},
	{"safety/...", "schedule/...", "safety judges raw readings and limits, never what a schedule wants"},
	{"safety/...", "hardware/simkiln", "the gate must not know whether the kiln is real"},
	{"controller/...", "safety/...", "the controller meets the gate as a one-method interface and gets plain data back"},
	{"controller/...", "hardware/simkiln", "the controller must not know whether the kiln is real, nor see the true moisture"},
	{"schedule/...", "controller/...", "a schedule is worked through by the controller, not the other way round"},
	{"schedule/...", "safety/...", "a schedule asks, it does not judge"},
	{"schedule/...", "hardware/simkiln", "a schedule must not know whether the kiln is real"},
	{"hardware/...", "controller/...", "hardware holds nouns that every layer shares and knows no layer above it"},
	{"hardware/...", "safety/...", "hardware holds nouns that every layer shares and knows no layer above it"},
	{"hardware/...", "schedule/...", "the simulated kiln has its own physics: a wrong formula shared with schedule/wood would cancel out"},
	{"controller/estimate", "controller/demand", "the estimate believes; it does not want"},
	{"controller/demand", "controller/sequence", "demand says what is wanted, the sequencer how to get there"},
	{"controller/sequence", "controller/estimate", "the sequencer runs machines by their timers, not by beliefs"},
	{"controller/store", "controller", "the store keeps bytes and knows nothing of what they mean"},
	{"controller", "controller/loop", "the pure core must not know the shell around it"},
	{"controller", "controller/store", "the pure core must not know the shell around it"},
	{"controller", "controller/operator", "the pure core must not know the shell around it"},
	{"controller", "controller/metrics", "the pure core must not know the shell around it"},
	{"hardware/...", "cmd/...", "nothing imports the command"},
	{"controller/...", "cmd/...", "nothing imports the command"},
	{"safety/...", "cmd/...", "nothing imports the command"},
	{"schedule/...", "cmd/...", "nothing imports the command"},
}

func TestNoForbiddenImports(t *testing.T) {
	packages, _ := loadPackages(t)
	for _, ban := range bans {
		from, to := matching(packages, ban.from), matching(packages, ban.to)
		require.NotEmpty(t, from, "the ban %s -> %s names a package that no longer exists", ban.from, ban.to)
		require.NotEmpty(t, to, "the ban %s -> %s names a package that no longer exists", ban.from, ban.to)
		for _, path := range from {
			chains := reach(packages, path)
			for _, banned := range to {
				require.Empty(t, chains[banned], "%s", ban.reason)
			}
		}
	}
}

// onlies list all that a package may import of this module, directly or not.
var onlies = []struct {
	from    string
	allowed []string
	reason  string
}{
	{"hardware/quantity", nil, "units are a leaf"},
	{"hardware/mono", nil, "time is a leaf"},
	{"hardware/trace", nil, "a judge of traces needs the trace and nothing else"},
	{"hardware", []string{"hardware/quantity", "hardware/mono"}, "the nouns rest on units and time alone"},
	{"safety/audit", []string{"hardware/trace", "hardware/quantity"}, "the judge shares no code with what it judges"},
	{"schedule/wood", []string{"hardware/quantity"}, "wood and air know no kiln"},
	{"schedule/library", []string{"hardware/quantity", "schedule/wood"}, "published schedules rest on wood and air alone"},
	{"controller/store", nil, "the store keeps bytes and knows nothing of what they mean"},
	{"hardware/simkiln", []string{"hardware", "hardware/quantity", "hardware/mono"}, "the simulated kiln has its own physics"},
}

func TestImportsOfLeaves(t *testing.T) {
	packages, _ := loadPackages(t)
	for _, only := range onlies {
		require.Contains(t, packages, only.from, "a rule names a package that no longer exists")
		for path, chain := range reach(packages, only.from) {
			require.Contains(t, only.allowed, path, "%s: %s", only.reason, chain)
		}
		for _, allowed := range only.allowed {
			require.Contains(t, packages, allowed, "a rule names a package that no longer exists")
		}
	}
}

// homes lists where a library or a part of the standard library may be used; elsewhere it is forbidden.
var homes = []struct {
	imported string // prefix of an import path
	in       []string
	reason   string
}{
	{"os", []string{"cmd/...", "controller/store", "controller/operator", "hardware/board", "hardware/probe/...", "hardware/hardwaretest/...", "hardware/vmtest/..."}, "cores do no I/O"},
	{"net", []string{"cmd/...", "controller/operator"}, "cores do no I/O"},
	{"net/http", []string{"cmd/...", "controller/operator", "controller/metrics"}, "cores do no I/O"},
	{"log", nil, "cores return events; shells log with log/slog"},
	{"log/slog", []string{"cmd/...", "controller/loop", "controller/operator"}, "cores return events; the shell logs"},
	{"math/rand", nil, "a run with the same seed gives the same bytes: use math/rand/v2 with a seed, in the simulated kiln"},
	{"math/rand/v2", []string{"hardware/simkiln"}, "only the simulated kiln draws lots"},
	{"sync", []string{"cmd/...", "controller/loop", "controller/store", "controller/operator", "controller/metrics", "safety", "hardware/mono", "hardware/board", "hardware/hardwaretest/...", "hardware/vmtest/..."}, "pure packages have no concurrency"},
	{"github.com/spf13/cobra", []string{"cmd/..."}, "commands belong to the command"},
	{"github.com/prometheus/", []string{"controller/metrics", "cmd/..."}, "metrics have one home"},
	{"github.com/coreos/go-systemd/", []string{"cmd/..."}, "only the command talks to the service manager"},
	{"github.com/BurntSushi/toml", []string{"schedule/sheet", "cmd/..."}, "files written by people are read strictly, in one place"},
	{"github.com/stretchr/testify", []string{"hardware/hardwaretest"}, "a library for tests"},
	{"pgregory.net/rapid", nil, "a library for tests"},
	{"testing", []string{"hardware/hardwaretest"}, "a library for tests"},
	{"periph.io/", []string{"hardware/board"}, "pins and buses have one home"},
	{"go.bug.st/serial", []string{"hardware/board"}, "pins and buses have one home"},
	{"unsafe", []string{"hardware/board"}, "the kernel's requests for lines take addresses; nothing else needs it"},
	{"reflect", []string{"schedule/sheet", "cmd/..."}, "only reading of files needs it"},
}

func TestLibrariesStayInTheirHomes(t *testing.T) {
	packages, _ := loadPackages(t)
	for _, home := range homes {
		for _, in := range home.in {
			require.NotEmpty(t, matching(packages, in), "the home %s of %s no longer exists", in, home.imported)
		}
		for path, p := range packages {
			if slices.ContainsFunc(home.in, func(in string) bool { return under(in, path) }) {
				continue
			}
			for _, imported := range p.imports {
				tree := strings.HasSuffix(home.imported, "/")
				bad := imported == home.imported || (tree || strings.Contains(home.imported, ".")) && strings.HasPrefix(imported, home.imported)
				require.False(t, bad, "%s imports %s: %s", path, imported, home.reason)
			}
		}
	}
}

// TestNobodyTakesTheRegisters keeps the kernel in charge of the lines: periph's package host would put register access in
// place of them on some boards, which owns no line and lets none go.
func TestNobodyTakesTheRegisters(t *testing.T) {
	packages, _ := loadPackages(t)
	allowed := []string{"periph.io/x/host/v3/sysfs"}
	for path, p := range packages {
		for _, imported := range p.imports {
			if strings.HasPrefix(imported, "periph.io/x/host/") {
				require.Contains(t, allowed, imported, path)
			}
		}
	}
}

// TestTestsStayOutOfTheProgram keeps what only tests need out of what runs a kiln.
func TestTestsStayOutOfTheProgram(t *testing.T) {
	packages, _ := loadPackages(t)
	for path := range packages {
		if !under("hardware/hardwaretest/...", path) && !under("hardware/vmtest/...", path) {
			for reached := range reach(packages, path) {
				require.False(t, under("hardware/hardwaretest/...", reached), "%s imports %s", path, reached)
			}
		}
	}
}

// noClock lists packages in which no clock is read, nobody sleeps and no goroutine starts.
var noClock = []string{"hardware", "hardware/quantity", "hardware/trace", "hardware/simkiln", "schedule/...", "safety/audit",
	"controller", "controller/estimate", "controller/demand", "controller/sequence"}

var clockCalls = []string{"Now", "Since", "Until", "Sleep", "After", "AfterFunc", "Tick", "NewTimer", "NewTicker"}

func TestCoresReadNoClock(t *testing.T) {
	packages, fset := loadPackages(t)
	for _, pattern := range noClock {
		paths := matching(packages, pattern)
		require.NotEmpty(t, paths, "the rule for %s names a package that no longer exists", pattern)
		for _, path := range paths {
			for _, file := range packages[path].files {
				ast.Inspect(file, func(n ast.Node) bool {
					switch n := n.(type) {
					case *ast.GoStmt:
						require.Fail(t, "a core starts a goroutine", fset.Position(n.Pos()).String())
					case *ast.SelectorExpr:
						if x, ok := n.X.(*ast.Ident); ok && x.Name == "time" && slices.Contains(clockCalls, n.Sel.Name) {
							require.Fail(t, "a core reads a clock", fset.Position(n.Pos()).String())
						}
					}
					return true
				})
			}
		}
	}
}

// TestOnlyTheGateHoldsActuators looks for the name of the interface: whoever does not name it cannot hold it.
func TestOnlyTheGateHoldsActuators(t *testing.T) {
	packages, fset := loadPackages(t)
	allowed := []string{"safety", "hardware", "hardware/simkiln", "hardware/board", "hardware/hardwaretest", "cmd/..."}
	for path, p := range packages {
		if slices.ContainsFunc(allowed, func(a string) bool { return under(a, path) }) {
			continue
		}
		for _, file := range p.files {
			ast.Inspect(file, func(n ast.Node) bool {
				if s, ok := n.(*ast.SelectorExpr); ok && s.Sel.Name == "Actuators" {
					require.Fail(t, "only the gate may reach an actuator", fset.Position(n.Pos()).String())
				}
				return true
			})
		}
	}
}

func TestNoInitAndNoExit(t *testing.T) {
	packages, fset := loadPackages(t)
	for path, p := range packages {
		for _, file := range p.files {
			ast.Inspect(file, func(n ast.Node) bool {
				switch n := n.(type) {
				case *ast.FuncDecl:
					if n.Recv == nil && n.Name.Name == "init" {
						require.Fail(t, "no init functions: wiring is done by hand in the command", fset.Position(n.Pos()).String())
					}
				case *ast.SelectorExpr:
					x, ok := n.X.(*ast.Ident)
					if !ok || x.Name != "os" || n.Sel.Name != "Exit" {
						return true
					}
					file := filepath.Base(fset.Position(n.Pos()).Filename)
					require.True(t, path == "cmd/drywarden" && file == "main.go", "os.Exit skips the safe outputs: %s", fset.Position(n.Pos()))
				}
				return true
			})
		}
	}
}

// TestEveryPackageSaysWhatItIs wants exactly one package comment a package.
func TestEveryPackageSaysWhatItIs(t *testing.T) {
	packages, fset := loadPackages(t)
	require.NotEmpty(t, packages)
	for path, p := range packages {
		var docs []string
		for _, file := range p.files {
			if file.Doc != nil {
				docs = append(docs, filepath.Base(fset.Position(file.Package).Filename))
				text := file.Doc.Text()
				want := "Package " + file.Name.Name + " "
				if file.Name.Name == "main" {
					want = "Command " + filepath.Base(path) + " "
				}
				require.True(t, strings.HasPrefix(text, want), "%s: the package comment should begin with %q", path, want)
			}
		}
		require.Len(t, docs, 1, "package %s should have one package comment, in its doc.go", path)
	}
}

// TestTopLevel keeps the repository's first level as DEVELOPERS.md lists it.
func TestTopLevel(t *testing.T) {
	allowed := []string{"cmd", "controller", "deploy", "hardware", "safety", "schedule", "testdata",
		"README.md", "DEVELOPERS.md", "go.mod", "go.sum"}
	entries, err := os.ReadDir("../..")
	require.NoError(t, err)
	for _, entry := range entries {
		if !strings.HasPrefix(entry.Name(), ".") {
			require.Contains(t, allowed, entry.Name(), "nothing else belongs at the top level")
		}
	}
}
