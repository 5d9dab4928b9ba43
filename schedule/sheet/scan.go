package sheet

import (
	"bytes"
	"regexp"
	"strconv"
	"strings"
)

// At gives the path of the i-th element of a list, i counted from 0 as in Go: At("lot", 0) is "lot[1]".
func At(path string, i int) string { return path + "[" + strconv.Itoa(i+1) + "]" }

var bareKey = regexp.MustCompile(`^[A-Za-z0-9_-]+$`)

// Sub gives the path of a key in a table. Keys that TOML would quote are quoted.
func Sub(path, key string) string {
	if !bareKey.MatchString(key) {
		key = strconv.Quote(key)
	}
	if path == "" {
		return key
	}
	return path + "." + key
}

// scanner finds the line of every key. The TOML library tells positions only for some errors, and wrong ones inside
// arrays of tables. It takes text the library has accepted; on anything else it loses its way without harm.
type scanner struct {
	text  []byte
	at    int
	line  int
	lines map[string]int // path -> line
	count map[string]int // path of an array of tables -> elements so far
	table string         // path of the table under the last header
	// starts[i] is the line on which the statement that covers line i began; named is what it sets, by that line.
	starts []int
	named  map[int]string
}

func scan(text []byte) *scanner {
	s := &scanner{text: text, line: 1, lines: map[string]int{}, count: map[string]int{}, named: map[int]string{}}
	s.starts = make([]int, bytes.Count(text, []byte("\n"))+2)
	for {
		s.blank(true)
		if s.at >= len(s.text) {
			return s
		}
		first := s.line
		if s.peek() == '[' {
			s.header()
			s.named[first] = s.table
		} else {
			s.named[first] = s.pair(s.table)
		}
		s.restOfLine()
		for line := first; line <= s.line && line < len(s.starts); line++ {
			s.starts[line] = first
		}
	}
}

// start gives the line on which the statement covering line began, line itself when none does.
func (s *scanner) start(line int) int {
	if line < len(s.starts) && s.starts[line] > 0 {
		return s.starts[line]
	}
	return line
}

func (s *scanner) peek() byte {
	if s.at < len(s.text) {
		return s.text[s.at]
	}
	return 0
}

func (s *scanner) next() {
	if s.peek() == '\n' {
		s.line++
	}
	s.at++
}

// blank skips blanks and comments, and line ends when these mean nothing.
func (s *scanner) blank(newlines bool) {
	for s.at < len(s.text) {
		switch c := s.peek(); {
		case c == ' ' || c == '\t' || c == '\r' || (c == '\n' && newlines):
			s.next()
		case c == '#':
			for s.at < len(s.text) && s.peek() != '\n' {
				s.at++
			}
		default:
			return
		}
	}
}

func (s *scanner) restOfLine() {
	for s.at < len(s.text) && s.peek() != '\n' {
		s.at++
	}
}

func (s *scanner) mark(path string, line int) {
	if _, known := s.lines[path]; !known {
		s.lines[path] = line
	}
}

func (s *scanner) header() {
	line := s.line
	s.at++
	list := s.peek() == '['
	if list {
		s.at++
	}
	keys := s.keys()
	if len(keys) == 0 {
		return
	}
	path := ""
	for i, key := range keys {
		path = Sub(path, key)
		last := i == len(keys)-1
		if list && last {
			s.count[path]++
			s.mark(path, line)
		}
		if n := s.count[path]; n > 0 {
			path = At(path, n-1)
		}
		s.mark(path, line)
	}
	s.table = path
}

// keys reads a dotted key, up to what ends it.
func (s *scanner) keys() []string {
	var keys []string
	for {
		s.blank(false)
		var key string
		switch c := s.peek(); c {
		case '"', '\'':
			key = s.quoted(c)
		default:
			from := s.at
			for s.at < len(s.text) && !bytes.ContainsRune([]byte(" \t\r\n.=]#{}[,\"'"), rune(s.peek())) {
				s.at++
			}
			if key = string(s.text[from:s.at]); key == "" {
				return keys
			}
		}
		keys = append(keys, key)
		s.blank(false)
		if s.peek() != '.' {
			return keys
		}
		s.at++
	}
}

// quoted skips a string in one line and gives what it stands for.
func (s *scanner) quoted(quote byte) string {
	from := s.at
	s.at++
	for s.at < len(s.text) && s.peek() != '\n' {
		c := s.peek()
		s.at++
		if c == quote {
			return unquote(s.text[from:s.at], quote)
		}
		if c == '\\' && quote == '"' && s.peek() != '\n' && s.at < len(s.text) {
			s.at++
		}
	}
	return string(s.text[from:s.at])
}

func unquote(text []byte, quote byte) string {
	inner := string(text[1 : len(text)-1])
	if quote == '\'' {
		return inner
	}
	if plain, err := strconv.Unquote(strings.ReplaceAll(string(text), `\e`, `\x1b`)); err == nil {
		return plain
	}
	return inner
}

// pair reads one key = value into the table at path, and gives the key's path.
func (s *scanner) pair(path string) string {
	line := s.line
	keys := s.keys()
	if len(keys) == 0 {
		return ""
	}
	for _, key := range keys {
		path = Sub(path, key)
		s.mark(path, line)
	}
	s.blank(false)
	if s.peek() == '=' {
		s.at++
		s.blank(false)
		s.value(path)
	}
	return path
}

func (s *scanner) value(path string) {
	switch c := s.peek(); c {
	case '"', '\'':
		if triple := bytes.Repeat([]byte{c}, 3); bytes.HasPrefix(s.text[s.at:], triple) {
			s.long(c, triple)
			return
		}
		s.quoted(c)
	case '[':
		s.list(path)
	case '{':
		s.inline(path)
	default:
		for s.at < len(s.text) && !bytes.ContainsRune([]byte(",]}#\n"), rune(s.peek())) {
			s.at++
		}
	}
}

// long skips a string over several lines.
func (s *scanner) long(quote byte, triple []byte) {
	s.at += 3
	for s.at < len(s.text) {
		switch {
		case s.peek() == '\\' && quote == '"':
			s.at++
			if s.at < len(s.text) {
				s.next()
			}
		case bytes.HasPrefix(s.text[s.at:], triple):
			s.at += 3
			for s.peek() == quote { // up to two quotes may stand before the closing three
				s.at++
			}
			return
		default:
			s.next()
		}
	}
}

func (s *scanner) list(path string) {
	s.at++
	for i := 0; ; i++ {
		s.blank(true)
		if s.at >= len(s.text) {
			return
		}
		if s.peek() == ']' {
			s.at++
			return
		}
		before := s.at
		s.mark(At(path, i), s.line)
		s.value(At(path, i))
		s.blank(true)
		if s.peek() == ',' {
			s.at++
		} else if s.at == before {
			return
		}
	}
}

func (s *scanner) inline(path string) {
	s.at++
	for {
		s.blank(true)
		if s.at >= len(s.text) {
			return
		}
		if s.peek() == '}' {
			s.at++
			return
		}
		before := s.at
		s.pair(path)
		s.blank(true)
		if s.peek() == ',' {
			s.at++
		} else if s.at == before {
			return
		}
	}
}
