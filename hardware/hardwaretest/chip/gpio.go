package chip

import (
	"errors"
	"fmt"
	"slices"
	"sync"
)

// GPIO is a model of a chip of lines as the kernel hands them out: each line to one user, outputs low when they are claimed.
type GPIO struct {
	mu     sync.Mutex
	lines  map[string]*gpioLine
	broken error
}

type gpioLine struct {
	output, claimed bool
	level           bool        // driven, or put there from outside
	held            *bool       // an output that something holds
	wire            func() bool // an input that follows something
	ever            bool        // was ever driven high
}

func (g *GPIO) line(name string) *gpioLine {
	if g.lines == nil {
		g.lines = map[string]*gpioLine{}
	}
	if g.lines[name] == nil {
		g.lines[name] = &gpioLine{}
	}
	return g.lines[name]
}

// Put puts a level on an input.
func (g *GPIO) Put(name string, high bool) {
	g.mu.Lock()
	defer g.mu.Unlock()
	g.line(name).level = high
}

// Wire makes an input follow something, which must not be this chip.
func (g *GPIO) Wire(name string, level func() bool) {
	g.mu.Lock()
	defer g.mu.Unlock()
	g.line(name).wire = level
}

// Hold holds an output at a level, whatever it is driven to; nil lets it go.
func (g *GPIO) Hold(name string, high *bool) {
	g.mu.Lock()
	defer g.mu.Unlock()
	g.line(name).held = high
}

// Break makes all that is done with lines fail.
func (g *GPIO) Break(err error) {
	g.mu.Lock()
	defer g.mu.Unlock()
	g.broken = err
}

// Driven tells whether an output is driven high. A line that nobody has claimed is not.
func (g *GPIO) Driven(name string) bool {
	g.mu.Lock()
	defer g.mu.Unlock()
	l := g.line(name)
	return l.claimed && l.output && l.level
}

// Claimed lists the lines in use.
func (g *GPIO) Claimed() []string {
	g.mu.Lock()
	defer g.mu.Unlock()
	var names []string
	for name, l := range g.lines {
		if l.claimed {
			names = append(names, name)
		}
	}
	slices.Sort(names)
	return names
}

// Claim hands lines out.
func (g *GPIO) Claim(names []string, output bool) (*GPIOLines, error) {
	g.mu.Lock()
	defer g.mu.Unlock()
	if g.broken != nil {
		return nil, g.broken
	}
	for _, name := range names {
		if g.line(name).claimed {
			return nil, fmt.Errorf("line %s: device or resource busy", name)
		}
	}
	for _, name := range names {
		l := g.line(name)
		l.claimed, l.output = true, output
		if output {
			l.level = false
		}
	}
	return &GPIOLines{chip: g, names: names, output: output}, nil
}

// GPIOLines are claimed lines.
type GPIOLines struct {
	chip   *GPIO
	names  []string
	output bool
}

// Write drives the lines.
func (l *GPIOLines) Write(bits uint64) error {
	l.chip.mu.Lock()
	defer l.chip.mu.Unlock()
	if l.chip.broken != nil {
		return l.chip.broken
	}
	if !l.output {
		return errors.New("operation not permitted")
	}
	for i, name := range l.names {
		line := l.chip.line(name)
		line.level = bits>>i&1 == 1
		line.ever = line.ever || line.level
	}
	return nil
}

// Read gives the levels; all are known.
func (l *GPIOLines) Read() (bits, known uint64, err error) {
	l.chip.mu.Lock()
	defer l.chip.mu.Unlock()
	if l.chip.broken != nil {
		return 0, 0, l.chip.broken
	}
	for i, name := range l.names {
		line := l.chip.line(name)
		level := line.level
		if line.held != nil {
			level = *line.held
		}
		if !l.output && line.wire != nil {
			level = line.wire()
		}
		if level {
			bits |= 1 << i
		}
		known |= 1 << i
	}
	return bits, known, nil
}

// Close gives the lines back: they float, and a pull-down makes them low.
func (l *GPIOLines) Close() error {
	l.chip.mu.Lock()
	defer l.chip.mu.Unlock()
	for _, name := range l.names {
		line := l.chip.line(name)
		line.claimed = false
		if l.output {
			line.level = false
		}
	}
	return nil
}
