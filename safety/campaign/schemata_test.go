package campaign

import (
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"regexp"
	"slices"
	"strconv"
	"strings"
)

// mutantVariable tells the built tests which mutant they are.
const mutantVariable = "SAFETY_MUTANT"

// function is one function of a file, ready to stand beside changed copies of itself.
type function struct {
	name       string
	start, end int // offsets of the whole declaration
	nameAt     int
	receiver   string // type, "" for none
	params     []string
	variadic   bool
	results    string // text
	recovers   bool   // calls recover itself: it works only where it is deferred by its own name
}

func functionsOf(file string, src []byte) ([]function, error) {
	fset := token.NewFileSet()
	parsed, err := parser.ParseFile(fset, file, src, parser.SkipObjectResolution)
	if err != nil {
		return nil, fmt.Errorf("parse %s: %w", file, err)
	}
	at := func(p token.Pos) int { return fset.Position(p).Offset }
	text := func(n ast.Node) string { return string(src[at(n.Pos()):at(n.End())]) }
	var all []function
	for _, decl := range parsed.Decls {
		d, ok := decl.(*ast.FuncDecl)
		if !ok || d.Type.TypeParams != nil {
			continue
		}
		f := function{name: d.Name.Name, start: at(d.Pos()), end: at(d.End()), nameAt: at(d.Name.Pos())}
		if d.Recv != nil {
			f.receiver = text(d.Recv.List[0].Type)
		}
		for _, field := range d.Type.Params.List {
			for range max(len(field.Names), 1) {
				f.params = append(f.params, text(field.Type))
			}
			_, f.variadic = field.Type.(*ast.Ellipsis)
		}
		if d.Type.Results != nil {
			f.results = text(d.Type.Results)
		}
		for _, s := range d.Body.List {
			ast.Inspect(s, func(n ast.Node) bool {
				if _, inner := n.(*ast.FuncLit); inner {
					return false
				}
				if call, ok := n.(*ast.CallExpr); ok {
					if name, ok := call.Fun.(*ast.Ident); ok && name.Name == "recover" {
						f.recovers = true
					}
				}
				return true
			})
		}
		all = append(all, f)
	}
	return all, nil
}

// weave writes a file in which every function that has mutants stands beside changed copies of itself, chosen when the
// tests start. numbers maps mutants of this file to their numbers; lines tells which lines belong to which.
func weave(file string, src []byte, mutants []mutant, numbers map[int]int) (text string, lines map[int]int, err error) {
	functions, err := functionsOf(file, src)
	if err != nil {
		return "", nil, err
	}
	var b strings.Builder
	lines = map[int]int{}
	var tail strings.Builder
	tailLines := map[int]int{} // line within the tail
	last, tailLine := 0, 1
	emit := func(text string, number int) {
		tail.WriteString(text)
		for n := range strings.Count(text, "\n") {
			tailLines[tailLine+n] = number
		}
		tailLine += strings.Count(text, "\n")
	}
	for _, f := range functions {
		var inside []int
		for i := range mutants {
			if m := &mutants[i]; m.from >= f.start && m.to <= f.end {
				if _, wanted := numbers[i]; wanted {
					inside = append(inside, i)
				}
			}
		}
		if len(inside) == 0 {
			continue
		}
		slices.Sort(inside)
		// The original under another name, in its place.
		b.Write(src[last : f.nameAt+len(f.name)])
		b.WriteString("__0")
		last = f.nameAt + len(f.name)
		var names, signature []string
		for i, p := range f.params {
			names = append(names, fmt.Sprintf("a%d", i))
			signature = append(signature, fmt.Sprintf("a%d %s", i, p))
		}
		call := strings.Join(names, ", ")
		if f.variadic {
			call += "..."
		}
		receiver, self, back := "", "", ""
		if f.receiver != "" {
			receiver, self = "(r "+f.receiver+") ", "r."
		}
		if f.results != "" {
			back = "return "
		}
		head := fmt.Sprintf("\nfunc %s%s(%s) %s {\n\tswitch activeMutant {\n", receiver, f.name, strings.Join(signature, ", "), f.results)
		emit(head, -1)
		for _, i := range inside {
			emit(fmt.Sprintf("\tcase %d:\n\t\t%s%s%s__%d(%s)\n", numbers[i], back, self, f.name, numbers[i], call), -1)
			if back == "" {
				emit("\t\treturn\n", -1)
			}
		}
		emit(fmt.Sprintf("\t}\n\t%s%s%s__0(%s)\n}\n", back, self, f.name, call), -1)
		for _, i := range inside {
			m := mutants[i]
			m.from, m.to = m.from-f.start, m.to-f.start
			body := string(m.apply(src[f.start:f.end]))
			at := f.nameAt - f.start + len(f.name)
			emit("\n"+body[:at]+"__"+strconv.Itoa(numbers[i])+body[at:]+"\n", numbers[i])
		}
	}
	b.Write(src[last:])
	before := strings.Count(b.String(), "\n")
	for line, number := range tailLines {
		lines[before+line] = number
	}
	return b.String() + tail.String(), lines, nil
}

// activeSource is the file that reads which mutant is meant, before any other variable is made.
const activeSource = `package safety

import (
	"os"
	"strconv"
)

var activeMutant = func() int { n, _ := strconv.Atoi(os.Getenv("` + mutantVariable + `")); return n }()
`

var errorLine = regexp.MustCompile(`(?m)^\S*?([a-z_]+\.go):(\d+):\d+: `)
