package sheet

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
)

// Fault is one thing wrong with a file.
type Fault struct {
	File     string // as given by the caller
	Line     int    // counted from 1; 0: of the file as a whole
	Key      string // path of the key, "compressor.min_off" or "lot[2].target"; empty when the line holds none
	Found    string // what stands there
	Expected string // what should
}

// String gives the fault in one line: "kiln.toml:12: compressor.min_off: found 300, expected a duration with its unit".
func (f Fault) String() string {
	var b strings.Builder
	b.WriteString(f.File)
	if f.Line > 0 {
		fmt.Fprintf(&b, ":%d", f.Line)
	}
	if f.Key != "" {
		b.WriteString(": " + f.Key)
	}
	b.WriteString(": found " + f.Found)
	if f.Expected != "" {
		b.WriteString(", expected " + f.Expected)
	}
	return b.String()
}

// Faults is everything wrong with one or several files. As an error it gives one line a fault.
type Faults struct {
	List []Fault
}

// Error gives one line a fault.
func (f *Faults) Error() string {
	lines := make([]string, len(f.List))
	for i, fault := range f.List {
		lines[i] = fault.String()
	}
	return strings.Join(lines, "\n")
}

// Err gives the faults as an error, ordered by file and line, or nil when there are none.
func (f *Faults) Err() error {
	if f == nil || len(f.List) == 0 {
		return nil
	}
	slices.SortStableFunc(f.List, func(a, b Fault) int {
		return cmp.Or(cmp.Compare(a.File, b.File), cmp.Compare(a.Line, b.Line), cmp.Compare(a.Key, b.Key))
	})
	return f
}

// Join puts the faults of several files into one error, nil when there are none. An error that holds no Faults becomes
// a fault of the file as a whole.
func Join(errs ...error) error {
	var all Faults
	for _, err := range errs {
		switch e := err.(type) {
		case nil:
		case *Faults:
			all.List = append(all.List, e.List...)
		default:
			all.List = append(all.List, Fault{File: "file", Found: err.Error()})
		}
	}
	return all.Err()
}
