package campaign

import (
	"bytes"
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"strconv"
	"strings"
)

// mutant is one small change of a source file: a range of bytes and what stands there instead.
type mutant struct {
	file       string
	from, to   int
	text       string
	name       string // file, function, what becomes what; unique and free of line numbers
	line       int
	decl       string // text of the declaration around it
	declOffset int
}

func (m *mutant) apply(src []byte) []byte {
	return bytes.Join([][]byte{src[:m.from], []byte(m.text), src[m.to:]}, nil)
}

// swaps gives what an operator becomes. A relation moves its bound, and is turned round.
var swaps = map[token.Token][]token.Token{
	token.LSS: {token.LEQ, token.GEQ}, token.LEQ: {token.LSS, token.GTR}, token.GTR: {token.GEQ, token.LEQ}, token.GEQ: {token.GTR, token.LSS},
	token.EQL: {token.NEQ}, token.NEQ: {token.EQL}, token.LAND: {token.LOR}, token.LOR: {token.LAND},
	token.ADD: {token.SUB}, token.SUB: {token.ADD}, token.MUL: {token.QUO}, token.QUO: {token.MUL},
	token.AND: {token.OR}, token.OR: {token.AND}, token.AND_NOT: {token.AND}, token.XOR: {token.AND}, token.SHL: {token.SHR}, token.SHR: {token.SHL},
	token.ADD_ASSIGN: {token.SUB_ASSIGN}, token.SUB_ASSIGN: {token.ADD_ASSIGN}, token.OR_ASSIGN: {token.AND_ASSIGN},
	token.AND_ASSIGN: {token.OR_ASSIGN}, token.AND_NOT_ASSIGN: {token.AND_ASSIGN}, token.INC: {token.DEC}, token.DEC: {token.INC},
}

// mutantsOf lists every mutant of a file, in order. Test texts and words for people are left alone.
func mutantsOf(file string, src []byte) ([]mutant, error) {
	fset := token.NewFileSet()
	parsed, err := parser.ParseFile(fset, file, src, parser.SkipObjectResolution)
	if err != nil {
		return nil, fmt.Errorf("parse %s: %w", file, err)
	}
	var all []mutant
	seen := map[string]int{}
	at := func(p token.Pos) int { return fset.Position(p).Offset }
	for _, decl := range parsed.Decls {
		where := "declaration"
		switch d := decl.(type) {
		case *ast.FuncDecl:
			where = d.Name.Name
		case *ast.GenDecl:
			if d.Tok == token.IMPORT || d.Tok == token.TYPE {
				continue
			}
		}
		start, end := at(decl.Pos()), at(decl.End())
		add := func(from, to token.Pos, text string, around ast.Node) {
			m := mutant{file: file, from: at(from), to: at(to), text: text, line: fset.Position(from).Line,
				decl: string(src[start:end]), declOffset: at(from) - start}
			old := short(string(src[at(around.Pos()):at(around.End())]))
			became := short(string(src[at(around.Pos()):m.from]) + text + string(src[m.to:at(around.End())]))
			if text == "" {
				became = "(dropped)"
			}
			m.name = fmt.Sprintf("%s %s: %s => %s", file, where, old, became)
			if seen[m.name]++; seen[m.name] > 1 {
				m.name += fmt.Sprintf(" (%d)", seen[m.name])
			}
			all = append(all, m)
		}
		ast.Inspect(decl, func(n ast.Node) bool {
			switch n := n.(type) {
			case *ast.BinaryExpr:
				for _, swap := range swaps[n.Op] {
					add(n.OpPos, n.OpPos+token.Pos(len(n.Op.String())), swap.String(), n)
				}
			case *ast.IfStmt:
				negate(n.Cond, add)
			case *ast.CaseClause:
				for _, e := range n.List {
					negate(e, add)
				}
			case *ast.ReturnStmt:
				for _, e := range n.Results {
					negate(e, add)
				}
			case *ast.AssignStmt:
				if n.Tok == token.DEFINE {
					break
				}
				add(n.Pos(), n.End(), "", n)
				for _, swap := range swaps[n.Tok] {
					add(n.TokPos, n.TokPos+token.Pos(len(n.Tok.String())), swap.String(), n)
				}
			case *ast.IncDecStmt:
				add(n.Pos(), n.End(), "", n)
				add(n.TokPos, n.TokPos+2, swaps[n.Tok][0].String(), n)
			case *ast.ExprStmt:
				add(n.Pos(), n.End(), "", n)
			case *ast.DeferStmt:
				add(n.Pos(), n.End(), "", n)
			case *ast.BranchStmt:
				if n.Tok == token.BREAK || n.Tok == token.CONTINUE {
					add(n.Pos(), n.End(), "", n)
				}
			case *ast.KeyValueExpr:
				if key, ok := n.Key.(*ast.Ident); ok && zeroed[key.Name] {
					add(n.Value.Pos(), n.Value.End(), "0", n)
				}
			case *ast.BasicLit:
				if text, ok := oneMore(n); ok {
					add(n.Pos(), n.End(), text, n)
				}
			case *ast.Ident:
				if other, ok := map[string]string{"true": "false", "false": "true", "min": "max", "max": "min"}[n.Name]; ok {
					add(n.Pos(), n.End(), other, n)
				}
			case *ast.UnaryExpr:
				if n.Op == token.NOT {
					add(n.Pos(), n.Pos()+1, " ", n)
				}
			}
			return true
		})
	}
	return all, nil
}

// negate turns a condition round where its operator's own mutants do not.
func negate(cond ast.Expr, add func(from, to token.Pos, text string, around ast.Node)) {
	switch e := cond.(type) {
	case *ast.CallExpr:
		if f, ok := e.Fun.(*ast.SelectorExpr); ok && boolean[f.Sel.Name] {
			add(e.Pos(), e.Pos(), "!", e)
		}
	case *ast.BinaryExpr:
		if e.Op == token.LAND || e.Op == token.LOR {
			negate(e.X, add)
			negate(e.Y, add)
		}
	case *ast.ParenExpr:
		negate(e.X, add)
	}
}

// zeroed names what rows of the table of rules say beside numbers, words and conditions: each is taken away.
var zeroed = map[string]bool{"level": true, "refuse": true, "clears": true, "from": true}

// boolean names the calls that answer yes or no.
var boolean = map[string]bool{"Has": true, "OK": true, "Clear": true, "Proven": true, "Finite": true, "usableAir": true, "tooOld": true,
	"hot": true, "alike": true, "blowing": true}

// oneMore gives a number one greater.
func oneMore(lit *ast.BasicLit) (string, bool) {
	switch lit.Kind {
	case token.INT:
		if v, err := strconv.ParseInt(lit.Value, 0, 64); err == nil {
			return strconv.FormatInt(v+1, 10), true
		}
	case token.FLOAT:
		if v, err := strconv.ParseFloat(lit.Value, 64); err == nil {
			return strconv.FormatFloat(v+1, 'g', -1, 64), true
		}
	}
	return "", false
}

// short makes one line of a piece of source.
func short(s string) string {
	s = strings.Join(strings.Fields(s), " ")
	if len(s) > 90 {
		s = s[:60] + " ... " + s[len(s)-25:]
	}
	return s
}
