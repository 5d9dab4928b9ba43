package controller

import (
	"fmt"
	"slices"
	"strings"
)

// Matter is one thing that waits for a person's word. Each is confirmed by its name: who answers for a weight, perhaps from
// far away, has not said that nobody stands in the machines.
type Matter uint8

// Matters.
const (
	MatterStop     Matter = iota // the emergency stop was pressed
	MatterOutage                 // without control for long, or nobody knows how long, or without its state
	MatterRestarts               // the program broke again and again
	MatterFiles                  // kiln, charge or schedule differ from those as run
	MatterWeights                // weights and water balance contradict each other
	matterCount
)

var matterNames = [matterCount]string{"stop", "outage", "restarts", "files", "weights"}

// MatterNames gives the names by number, for records and commands.
func MatterNames() []string { return matterNames[:] }

// Matters is a set of them; the zero value is empty.
type Matters uint8

// Of gives the set of some matters.
func Of(list ...Matter) Matters {
	var m Matters
	for _, x := range list {
		m |= 1 << x
	}
	return m
}

// Has tells whether the matter is in the set.
func (m Matters) Has(x Matter) bool { return m>>x&1 != 0 }

// Names lists the names of what is in the set, gravest first.
func (m Matters) Names() []string {
	names := []string{}
	for i, name := range matterNames {
		if m.Has(Matter(i)) {
			names = append(names, name)
		}
	}
	return names
}

// MattersNamed reads names that Names gives; the error names the first that is none.
func MattersNamed(names []string) (Matters, error) {
	var m Matters
	for _, name := range names {
		i := slices.Index(matterNames[:], name)
		if i < 0 {
			return 0, fmt.Errorf("unknown matter %q: expected one of %s", name, strings.Join(matterNames[:], ", "))
		}
		m |= 1 << i
	}
	return m, nil
}

// MarshalText gives the names, with blanks between them.
func (m Matters) MarshalText() ([]byte, error) { return []byte(strings.Join(m.Names(), " ")), nil }

// UnmarshalText reads what MarshalText gives.
func (m *Matters) UnmarshalText(b []byte) (err error) {
	*m, err = MattersNamed(strings.Fields(string(b)))
	return err
}

// Waiting is what waits for a person's word.
func (s *State) Waiting() Matters {
	var m Matters
	for i, on := range [matterCount]bool{s.Stopped, s.Restart.Confirm, s.Often, s.Restart.Files, s.Contradiction} {
		if on {
			m |= 1 << i
		}
	}
	return m
}

// confirm takes a person's word for what it names, all of which must wait for it. The word for a stop is taken when the
// stop's trip has been reset.
func (t *tick) confirm(c *Command, really bool) Reply {
	s := t.s
	switch {
	case c.Matters == 0 || c.Matters&^s.Waiting() != 0:
		return Reply{ID: c.ID, Refusal: RefusedNothing}
	case c.Matters.Has(MatterStop) && t.forced():
		return Reply{ID: c.ID, Refusal: RefusedForced}
	case !really:
		return Reply{ID: c.ID}
	}
	s.Stopped = s.Stopped && !c.Matters.Has(MatterStop)
	s.Often = s.Often && !c.Matters.Has(MatterRestarts)
	s.Restart.Files = s.Restart.Files && !c.Matters.Has(MatterFiles)
	if c.Matters.Has(MatterOutage) {
		s.Restart.Confirm, s.Unreadable = false, false
	}
	if c.Matters.Has(MatterWeights) {
		s.Contradiction = false
		s.Estimate.Wood.Accept()
	}
	if s.Restart.Class == OutageLong && !s.fansOnly() {
		s.Restart.Class = OutageHalfDay // steady data are still wanted before a stage may change
		s.Restart.Stable = 0
	}
	for x := range matterCount {
		if c.Matters.Has(x) {
			t.event(EventConfirmed, int32(x), 0)
		}
	}
	return Reply{ID: c.ID}
}

// fansOnly: after a long outage, or breaks again and again, nobody has looked yet.
func (s *State) fansOnly() bool { return s.Waiting()&Of(MatterOutage, MatterRestarts) != 0 }

// overtaken drops a confirmation still on its way to the disk when something new waits for the same word: it was given
// before there was what must be looked at now.
func (t *tick) overtaken(by Matters) {
	p := &t.s.Pending
	if !p.On || p.Command.Verb != VerbConfirm || p.Command.Matters&by == 0 {
		return
	}
	reply := Reply{ID: p.Command.ID, Refusal: RefusedForced}
	*p = Pending{}
	t.reply(reply)
	t.event(EventCommand, int32(VerbConfirm), float64(reply.Refusal))
	t.save() // or a power cut would bring it back
}
