package audit

import (
	"errors"
	"fmt"
	"io"
	"math/bits"
	"strings"
	"time"

	"drywarden/hardware/trace"
)

// Kept is how many violations of one invariant a Report holds; more are only counted.
const Kept = 5

const noOccasion = "this trace gave no occasion"

// Violation is one record that breaks an invariant.
type Violation struct {
	Name     string        `json:"name"`
	Boot     uint32        `json:"boot"`
	Tick     uint64        `json:"tick"`
	Uptime   time.Duration `json:"uptime_nanoseconds"`
	Seen     string        `json:"seen"`
	Expected string        `json:"expected"`
}

// Count tells of one invariant how often it was put to the test and how often it was broken. One never tested proves
// nothing in this trace.
type Count struct {
	Name     string `json:"name"`
	Says     string `json:"says"`
	Tested   uint64 `json:"tested"`
	Violated uint64 `json:"violated"`
}

// Missing is an invariant that a trace cannot show.
type Missing struct {
	Name   string `json:"name"`
	Reason string `json:"reason"`
}

// Report is the verdict on a trace.
type Report struct {
	Kiln       string        `json:"kiln"`
	Records    uint64        `json:"records"`
	Boots      uint64        `json:"boots"`
	Time       time.Duration `json:"time_nanoseconds"` // with the controller running
	Violations []Violation   `json:"violations"`       // the first Kept of each invariant, in the order of the trace
	Total      uint64        `json:"violations_total"`
	Counts     []Count       `json:"counts"`
	Judged     []string      `json:"judged"`     // put to the test at least once
	NotJudged  []Missing     `json:"not_judged"` // no trace shows them, or this one gave no occasion
	Damage     string        `json:"damage,omitempty"`
}

// Checker judges records one after the other. It is made by New; the zero Checker judges nothing.
type Checker struct {
	h tables
	// Run as in the header, for what tables does not resolve.
	header trace.Header
	f      frame
	prev   trace.Record
	has    bool // prev is there
	m      memory

	at         int     // invariant being judged
	counts     []Count // by invariant
	violations []Violation
	total      uint64
	records    uint64
	boots      uint64
	lived      time.Duration
}

// New gives a checker that has read a trace's first header.
func New(h trace.Header) *Checker {
	c := &Checker{counts: make([]Count, len(invariants))}
	for i, inv := range invariants {
		c.counts[i].Name, c.counts[i].Says = inv.name, inv.says
	}
	c.take(h)
	c.f.newBoot = true
	for i := range c.f.accepted {
		c.f.accepted[i] = never
	}
	c.m.begin()
	return c
}

func (c *Checker) take(h trace.Header) {
	c.header = h
	c.h = resolve(&h)
	c.f.newHeader = true
}

// Restart takes a further header: another boot, or another run within the same.
func (c *Checker) Restart(h trace.Header) {
	before := c.header
	c.take(h)
	if h.Boot != before.Boot {
		c.f.newBoot = true
		c.m.bootOrder = h.Boot > before.Boot
	}
	c.m.rename(before.Rules, h.Rules)
	if before.Run != nil && h.Run != nil && before.Run.ID == h.Run.ID &&
		(before.KilnHash != h.KilnHash || before.Run.Hash != h.Run.Hash) {
		c.m.changed = true
	}
}

// Check judges one record. It keeps nothing of r.
func (c *Checker) Check(r *trace.Record) {
	c.f.read(c, r)
	c.records++
	for i := range invariants {
		c.at = i
		invariants[i].judge(c)
	}
	c.prev, c.has = *r, true
	c.f.newBoot, c.f.newHeader = false, false
}

// tested notes that the invariant being judged had something to judge.
func (c *Checker) tested() { c.counts[c.at].Tested++ }

// fail notes a violation of the invariant being judged.
func (c *Checker) fail(expected, seen string, values ...any) {
	c.total++
	n := &c.counts[c.at]
	n.Violated++
	if n.Violated > Kept {
		return
	}
	r := c.f.r
	c.violations = append(c.violations, Violation{Name: n.Name, Boot: r.Boot, Tick: r.Tick, Uptime: r.Uptime,
		Seen: fmt.Sprintf(seen, values...), Expected: expected})
}

// Finish gives the verdict so far.
func (c *Checker) Finish() Report {
	rep := Report{Kiln: c.header.Kiln, Records: c.records, Boots: c.boots, Time: c.lived, Total: c.total,
		Violations: append([]Violation(nil), c.violations...), Counts: append([]Count(nil), c.counts...)}
	for _, n := range rep.Counts {
		if n.Tested > 0 {
			rep.Judged = append(rep.Judged, n.Name)
		} else {
			rep.NotJudged = append(rep.NotJudged, Missing{n.Name, noOccasion})
		}
	}
	rep.NotJudged = append(rep.NotJudged, notJudged...)
	return rep
}

// Judge reads a trace to its end. A tail torn by a crash is told in Report.Damage and is no error.
func Judge(r *trace.Reader) (Report, error) {
	var c *Checker
	for {
		rec, h, err := r.Next()
		var damage *trace.Damage
		switch {
		case err == nil && h != nil && c == nil:
			c = New(*h)
		case err == nil && h != nil:
			c.Restart(*h)
		case err == nil:
			c.Check(rec)
		case c == nil:
			if err == io.EOF {
				err = errors.New("it holds no header")
			}
			return Report{}, fmt.Errorf("judge trace: %w", err)
		case err == io.EOF:
			return c.Finish(), nil
		case errors.As(err, &damage):
			rep := c.Finish()
			rep.Damage = damage.Error()
			return rep, nil
		default:
			return c.Finish(), fmt.Errorf("judge trace: %w", err)
		}
	}
}

func contains(s string, any ...string) bool {
	for _, a := range any {
		if strings.Contains(s, a) {
			return true
		}
	}
	return false
}

// list names the outputs of a set, for sentences.
func (s set) list(names []string) string {
	var out []string
	for left := uint32(s); left != 0; left &= left - 1 {
		out = append(out, names[bits.TrailingZeros32(left)])
	}
	if len(out) == 0 {
		return "nothing"
	}
	return strings.Join(out, ", ")
}
