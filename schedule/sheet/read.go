package sheet

import (
	"bytes"
	"encoding"
	"errors"
	"fmt"
	"maps"
	"math"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/BurntSushi/toml"
)

// MaxSize bounds a file, in bytes.
const MaxSize = 1 << 20

// Defaulter is implemented by structs in lists and maps that start from something else than their zero value.
type Defaulter interface{ SetDefaults() }

// Sheet is one file as read: where its keys stand and what is wrong so far.
type Sheet struct {
	File    string
	Faults  Faults
	lines   map[string]int
	faulty  map[string]bool
	written map[string]string // what stands at a key, as Fault.Found tells it
	partial bool              // a syntax error took something away: what is missing may have been there
}

// Read reads text into the struct to points at. Fields left out keep what they hold, so defaults are set before. The
// field tag `toml:"name"` names the key, `toml:"name,required"` one that must be given; a field without a tag is not
// read. Types: string, bool, integers, float64 (a bare number, never for something that has a unit), time.Time (a date),
// types with UnmarshalText (text in quotes), structs, pointers, slices, and maps from names.
//
// Faults are kept in the Sheet; after a caller's own checks, Err gives all of them.
func Read(file string, text []byte, to any) *Sheet {
	s := &Sheet{File: file, lines: map[string]int{}, faulty: map[string]bool{}, written: map[string]string{}}
	if len(text) > MaxSize {
		s.add(0, "", fmt.Sprintf("%d bytes", len(text)), fmt.Sprintf("at most %d", MaxSize))
		return s
	}
	tree, text := s.parse(text)
	s.lines = scan(text).lines
	s.fill(reflect.ValueOf(to).Elem(), tree, "")
	return s
}

// Err gives all faults as *Faults, ordered by line, or nil.
func (s *Sheet) Err() error { return s.Faults.Err() }

// Given tells whether the file sets the key.
func (s *Sheet) Given(path string) bool { return s.lines[path] > 0 }

// Good tells whether the file sets the key and nothing is wrong with it so far.
func (s *Sheet) Good(path string) bool { return s.Given(path) && !s.tainted(path) }

// Written gives what stands at a key as faults tell it ("\"125 F\""), or otherwise when it is not given: a person knows
// their own words again, not ours.
func (s *Sheet) Written(path, otherwise string) string {
	if text, ok := s.written[path]; ok {
		return text
	}
	return otherwise
}

// Line gives the line of a key; of the nearest table that holds it when the key is not given.
func (s *Sheet) Line(path string) int {
	for path != "" {
		if line := s.lines[path]; line > 0 {
			return line
		}
		path = parent(path)
	}
	return 1
}

// parent drops the last key or index of a path.
func parent(path string) string {
	quoted := false
	for i := len(path) - 1; i >= 0; i-- {
		switch {
		case path[i] == '"' && (i == 0 || path[i-1] != '\\'):
			quoted = !quoted
		case !quoted && (path[i] == '.' || path[i] == '['):
			return path[:i]
		}
	}
	return ""
}

// Fault adds a fault of meaning at a key. It is left out when something is wrong with that key, or with a table that
// holds it, already.
func (s *Sheet) Fault(path, found, expected string) {
	if s.tainted(path) {
		return
	}
	s.add(s.Line(path), path, found, expected)
}

// Missing adds the fault that a key is needed and not given. It is left out when a syntax error may have hidden the key.
func (s *Sheet) Missing(path, expected string) {
	if s.partial || s.tainted(path) {
		return
	}
	s.add(s.Line(path), path, "nothing", expected)
}

func (s *Sheet) add(line int, key, found, expected string) {
	// One fault is one line, whatever error it was made from.
	found, expected = strings.ReplaceAll(found, "\n", "; "), strings.ReplaceAll(expected, "\n", "; ")
	s.Faults.List = append(s.Faults.List, Fault{s.File, line, key, found, expected})
	s.faulty[key] = true
}

func (s *Sheet) tainted(path string) bool {
	for ; path != ""; path = parent(path) {
		if s.faulty[path] {
			return true
		}
	}
	return false
}

// maxSyntax bounds the syntax errors reported of one file.
const maxSyntax = 20

// parse gives the generic tree. After a syntax error it takes the faulty line out and tries again, so that the rest is
// judged too; it returns the text it could read.
func (s *Sheet) parse(text []byte) (map[string]any, []byte) {
	for range maxSyntax {
		tree := map[string]any{}
		_, err := toml.Decode(string(text), &tree)
		if err == nil {
			return tree, text
		}
		line := s.syntax(err, text)
		rest, ok := without(text, line)
		if !ok {
			break
		}
		text = rest
	}
	s.partial = true
	return map[string]any{}, nil
}

// syntax reports a syntax error and gives its line.
func (s *Sheet) syntax(err error, text []byte) int {
	var p toml.ParseError
	if !errors.As(err, &p) {
		s.partial = true
		s.add(0, "", "what is no TOML ("+err.Error()+")", "valid TOML")
		return 0
	}
	line := p.Position.Line
	message := strings.TrimSuffix(p.Message, ".")
	if strings.HasSuffix(message, `'\n' instead`) && line > 1 {
		line-- // the library has read past the line's end
	}
	sc := scan(text)
	fault := Fault{s.File, line, sc.named[sc.start(line)], "what is no TOML (" + message + ")", `key = "value with its unit"`}
	if strings.Contains(message, "already been defined") || strings.Contains(message, "was already created") {
		fault.Found, fault.Expected = "a key that is defined already", "each key once"
	} else {
		s.partial = true
	}
	s.Faults.List = append(s.Faults.List, fault)
	return line
}

// without takes the statement at a faulty line out of the text, and with a header everything up to the next header.
// Line ends stay, so that lines keep their numbers.
func without(text []byte, line int) ([]byte, bool) {
	lines := bytes.SplitAfter(text, []byte("\n"))
	if line < 1 || line > len(lines) {
		return nil, false
	}
	sc := scan(text)
	first := sc.start(line)
	last := line
	isHeader := func(i int) bool { return bytes.HasPrefix(bytes.TrimSpace(lines[i-1]), []byte("[")) && sc.start(i) == i }
	switch {
	case first < line: // a value over several lines that may never have been closed: nothing after it can be trusted
		last = len(lines)
	case isHeader(line):
		for last < len(lines) && !isHeader(last+1) {
			last++
		}
	}
	changed := false
	var out []byte
	for i, l := range lines {
		if i+1 >= first && i+1 <= last {
			changed = changed || len(bytes.TrimSpace(l)) > 0
			if bytes.HasSuffix(l, []byte("\n")) {
				out = append(out, '\n')
			}
			continue
		}
		out = append(out, l...)
	}
	return out, changed
}

// fill reads node into v by v's type.
func (s *Sheet) fill(v reflect.Value, node any, path string) {
	s.written[path] = found(node)
	if u, ok := v.Addr().Interface().(encoding.TextUnmarshaler); ok && v.Type() != reflect.TypeFor[time.Time]() {
		s.fillText(v, u, node, path)
		return
	}
	switch v.Kind() {
	case reflect.Pointer:
		fresh := reflect.New(v.Type().Elem())
		setDefaults(fresh)
		s.fill(fresh.Elem(), node, path)
		v.Set(fresh)
	case reflect.Struct:
		s.fillStruct(v, node, path)
	case reflect.Slice:
		s.fillSlice(v, node, path)
	case reflect.Map:
		s.fillMap(v, node, path)
	default:
		s.fillPlain(v, node, path)
	}
}

func setDefaults(pointer reflect.Value) {
	if d, ok := pointer.Interface().(Defaulter); ok {
		d.SetDefaults()
	}
}

func (s *Sheet) fillText(v reflect.Value, u encoding.TextUnmarshaler, node any, path string) {
	text, isText := node.(string)
	if !isText {
		// The value's own words say what is expected; a bare number is never taken.
		s.Fault(path, found(node), expectedOf(v, found(node)))
		return
	}
	if err := u.UnmarshalText([]byte(text)); err != nil {
		s.Fault(path, found(node), expectation(v, err))
	}
}

// expectedOf asks the type what it expects by handing it something it cannot take.
func expectedOf(v reflect.Value, text string) string {
	fresh := reflect.New(v.Type())
	err := fresh.Interface().(encoding.TextUnmarshaler).UnmarshalText([]byte(text))
	if err == nil {
		return "text in quotes"
	}
	return expectation(v, err)
}

// expectation turns the error of an UnmarshalText into what was expected.
func expectation(v reflect.Value, err error) string {
	if names := namesOf(v); len(names) > 0 {
		return "one of " + strings.Join(names, ", ")
	}
	message := err.Error()
	if _, after, ok := strings.Cut(message, "expected "); ok {
		return after
	}
	if _, after, ok := strings.Cut(message, " is outside "); ok {
		return "a value within " + after
	}
	return "a value that fits (" + message + ")"
}

// namesOf lists the names of an enum: a small integer whose String can be read back.
func namesOf(v reflect.Value) []string {
	if v.Kind() != reflect.Uint8 {
		return nil
	}
	var names []string
	for i := range uint64(256) {
		value, back := reflect.New(v.Type()), reflect.New(v.Type())
		value.Elem().SetUint(i)
		stringer, ok := value.Interface().(fmt.Stringer)
		if !ok {
			return nil
		}
		name := stringer.String()
		if back.Interface().(encoding.TextUnmarshaler).UnmarshalText([]byte(name)) != nil || back.Elem().Uint() != i {
			break
		}
		names = append(names, name)
	}
	return names
}

type field struct {
	name     string
	required bool
	value    reflect.Value
}

// fieldsOf lists the fields of a struct that have a tag; embedded structs count as their fields.
func fieldsOf(v reflect.Value) []field {
	var fields []field
	for i := range v.NumField() {
		info := v.Type().Field(i)
		tag, tagged := info.Tag.Lookup("toml")
		if info.Anonymous && !tagged && info.Type.Kind() == reflect.Struct {
			fields = append(fields, fieldsOf(v.Field(i))...)
			continue
		}
		name, options, _ := strings.Cut(tag, ",")
		if !tagged || name == "-" || name == "" {
			continue
		}
		fields = append(fields, field{name, options == "required", v.Field(i)})
	}
	return fields
}

func (s *Sheet) fillStruct(v reflect.Value, node any, path string) {
	if v.Type() == reflect.TypeFor[time.Time]() {
		date, ok := node.(time.Time)
		if !ok {
			s.Fault(path, found(node), "a date such as 2026-03-31, without quotes")
			return
		}
		v.Set(reflect.ValueOf(date))
		return
	}
	table, ok := node.(map[string]any)
	if !ok {
		s.Fault(path, found(node), "a table")
		return
	}
	fields := fieldsOf(v)
	known := make([]string, len(fields))
	for i, f := range fields {
		known[i] = f.name
		value, given := table[f.name]
		switch {
		case given:
			s.fill(f.value, value, Sub(path, f.name))
		case f.required:
			s.Missing(Sub(path, f.name), whatFor(f.value))
		}
	}
	for _, key := range sortedKeys(table) {
		if !slices.Contains(known, key) {
			s.Fault(Sub(path, key), "an unknown key", nearestWords(key, known))
		}
	}
}

// whatFor says in words what a value of v's type is.
func whatFor(v reflect.Value) string {
	t := v.Type()
	for t.Kind() == reflect.Pointer {
		t = t.Elem()
	}
	fresh := reflect.New(t)
	if _, ok := fresh.Interface().(encoding.TextUnmarshaler); ok && t != reflect.TypeFor[time.Time]() {
		return expectedOf(fresh.Elem(), "")
	}
	switch t.Kind() {
	case reflect.String:
		return "text in quotes"
	case reflect.Bool:
		return "true or false"
	case reflect.Slice:
		return "a list"
	case reflect.Struct, reflect.Map:
		return "a table"
	case reflect.Float64, reflect.Float32:
		return "a number"
	default:
		return "a whole number"
	}
}

func (s *Sheet) fillSlice(v reflect.Value, node any, path string) {
	var elements []any
	switch list := node.(type) {
	case []any:
		elements = list
	case []map[string]any:
		for _, table := range list {
			elements = append(elements, table)
		}
	default:
		s.Fault(path, found(node), "a list")
		return
	}
	slice := reflect.MakeSlice(v.Type(), len(elements), len(elements))
	for i, element := range elements {
		setDefaults(slice.Index(i).Addr())
		s.fill(slice.Index(i), element, At(path, i))
	}
	v.Set(slice)
}

func (s *Sheet) fillMap(v reflect.Value, node any, path string) {
	table, ok := node.(map[string]any)
	if !ok {
		s.Fault(path, found(node), "a table")
		return
	}
	t := v.Type()
	filled := reflect.MakeMap(t)
	for _, name := range sortedKeys(table) {
		key, value := reflect.New(t.Key()), reflect.New(t.Elem())
		if u, ok := key.Interface().(encoding.TextUnmarshaler); ok {
			if err := u.UnmarshalText([]byte(name)); err != nil {
				s.Fault(Sub(path, name), "an unknown key", expectation(key.Elem(), err))
				continue
			}
		} else {
			key.Elem().SetString(name)
		}
		setDefaults(value)
		s.fill(value.Elem(), table[name], Sub(path, name))
		filled.SetMapIndex(key.Elem(), value.Elem())
	}
	v.Set(filled)
}

func (s *Sheet) fillPlain(v reflect.Value, node any, path string) {
	ok := false
	switch v.Kind() {
	case reflect.String:
		var text string
		if text, ok = node.(string); ok {
			v.SetString(text)
		}
	case reflect.Bool:
		var on bool
		if on, ok = node.(bool); ok {
			v.SetBool(on)
		}
	case reflect.Int, reflect.Int8, reflect.Int16, reflect.Int32, reflect.Int64:
		var n int64
		if n, ok = node.(int64); ok && v.OverflowInt(n) {
			s.Fault(path, found(node), fmt.Sprintf("a whole number from %d to %d", int64(math.MinInt64)>>(64-v.Type().Bits()), int64(math.MaxInt64)>>(64-v.Type().Bits())))
			return
		} else if ok {
			v.SetInt(n)
		}
	case reflect.Uint, reflect.Uint8, reflect.Uint16, reflect.Uint32, reflect.Uint64:
		var n int64
		if n, ok = node.(int64); ok && (n < 0 || v.OverflowUint(uint64(n))) {
			s.Fault(path, found(node), fmt.Sprintf("a whole number from 0 to %d", uint64(math.MaxUint64)>>(64-v.Type().Bits())))
			return
		} else if ok {
			v.SetUint(uint64(n))
		}
	case reflect.Float64, reflect.Float32:
		var x float64
		if n, whole := node.(int64); whole {
			x, ok = float64(n), true
		} else {
			x, ok = node.(float64)
		}
		if ok && (math.IsNaN(x) || math.IsInf(x, 0)) {
			s.Fault(path, found(node), "a finite number")
			return
		} else if ok {
			v.SetFloat(x)
		}
	default:
		panic(fmt.Sprintf("sheet: field %s has a type that is not read: %s", path, v.Type()))
	}
	if !ok {
		s.Fault(path, found(node), whatFor(v))
	}
}

// found writes a value as it stands in the file, as nearly as the parsed form allows.
func found(node any) string {
	switch n := node.(type) {
	case string:
		if len(n) > 80 {
			return strconv.Quote(n[:80]) + "..."
		}
		return strconv.Quote(n)
	case int64:
		return strconv.FormatInt(n, 10)
	case float64:
		return strings.ToLower(strings.TrimPrefix(strconv.FormatFloat(n, 'g', -1, 64), "+"))
	case bool:
		return strconv.FormatBool(n)
	case time.Time:
		return "the date " + n.Format(time.DateOnly)
	case []any, []map[string]any:
		return "a list"
	case map[string]any:
		return "a table"
	}
	return fmt.Sprintf("%v", node)
}

func sortedKeys(table map[string]any) []string {
	keys := make([]string, 0, len(table))
	for key := range table {
		keys = append(keys, key)
	}
	slices.Sort(keys)
	return keys
}

// Clone gives a copy to which faults can be added without touching s: one sheet can be judged against several kilns.
func (s *Sheet) Clone() *Sheet {
	return &Sheet{s.File, Faults{slices.Clone(s.Faults.List)}, s.lines, maps.Clone(s.faulty), s.written, s.partial}
}
