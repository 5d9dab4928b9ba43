package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"strconv"
	"strings"
	"time"

	"drywarden/cmd/drywarden/internal/kilnfile"
	"drywarden/controller/store"
	"drywarden/hardware"
	"drywarden/hardware/board"
	"drywarden/hardware/mono"
)

// host is a computer with buses: the kernel's, or models of chips in a test.
type host interface {
	board.Host
	Chips() []board.Chip
	InUse() []string // buses and chips that another process of this program uses
}

func linuxHost() (host, error) { return board.NewLinux(), nil }

// finding is one thing that check --hardware has to say.
type finding struct {
	Fault bool   `json:"fault"` // false: to be looked at
	What  string `json:"what"`  // part of the kiln
	Text  string `json:"text"`
}

// lookedAt is what a kiln's hardware shows with every output off.
type lookedAt struct {
	found    []board.Found
	measured []board.Measured
	snap     hardware.Snapshot
}

// settleFor is how long the probes are given to be read: the slowest bus is read every 5 s, each sensor for up to a second.
const settleFor = 15 * time.Second

// checkHardware holds a kiln file against what is there. Everything is off while it looks.
func (a *app) checkHardware(ctx context.Context, path string, warm bool) (err error) {
	file, err := boardFile(path)
	if err != nil {
		return err
	}
	lock, err := store.LockFolder(file.Path(file.State))
	if err != nil {
		return fail(exitRefused, err)
	}
	defer func() { err = errors.Join(err, lock.Close()) }()
	host, err := a.host()
	if err != nil {
		return err
	}
	seen := lookedAt{found: board.Scan(host, host.Places(), nil)}
	clock := mono.NewReal(time.Second)
	kiln, err := board.Open(file.Wiring(clock), host)
	if err != nil {
		return failf(exitFailed, "kiln %q: %w", file.Name, file.Locate(err))
	}
	defer func() { err = errors.Join(err, kiln.Close()) }()
	a.say("every output is off; looking for %.0f s\n", settleFor.Seconds())
	for end := clock.Now().Add(settleFor); clock.Now() < end; {
		if err := clock.Next(ctx); err != nil {
			return failf(exitFailed, "interrupted: nothing can be said")
		}
	}
	now := clock.Now()
	_ = kiln.Read(now, &seen.snap) // always nil: trouble is told reading by reading
	seen.measured = kiln.Probes(now)
	list := judgeHardware(file, &seen)
	for _, f := range kiln.Faults() {
		if strings.HasPrefix(f.What, "outputs of ") || strings.HasPrefix(f.What, "inputs of ") || strings.HasPrefix(f.What, "bus ") || strings.HasPrefix(f.What, "supply of ") {
			list = append(list, finding{true, f.What, file.Locate(f.Err).Error()})
		}
	}
	if warm {
		asked, err := a.warmHand(ctx, file, func() []board.Measured { return kiln.Probes(clock.Now()) }, clock.Next)
		if err != nil {
			return err
		}
		list = append(list, asked...)
	}
	return a.printFindings(file, list)
}

func (a *app) printFindings(file *kilnfile.File, list []finding) error {
	faults := 0
	for _, f := range list {
		if f.Fault {
			faults++
		}
	}
	if a.json {
		if err := a.print(struct {
			Kiln     string    `json:"kiln"`
			Faults   int       `json:"faults"`
			Findings []finding `json:"findings"`
		}{file.Name, faults, append([]finding{}, list...)}); err != nil {
			return err
		}
	} else {
		for _, f := range list {
			mark := "look at "
			if f.Fault {
				mark = "FAULT "
			}
			fmt.Fprint(a.out, wrap(mark, f.What+": "+f.Text, "  "))
		}
		fmt.Fprintf(a.out, "kiln %s: %s, %s, %s: %s\n", file.Name, count(len(file.Probes), "probe"), count(len(file.Contacts), "contact"),
			count(len(file.Outputs), "output"), count(faults, "fault"))
		fmt.Fprint(a.out, wrap("", "What it cannot see: whether an output moves what its name says (output test), and whether a probe sits where the file says (--warm-hand).", ""))
	}
	if faults > 0 {
		return silent(exitFailed)
	}
	return nil
}

// judgeHardware tells what is missing, what is there and not in the file, what cannot be told apart, and what is on though
// everything is off.
func judgeHardware(file *kilnfile.File, seen *lookedAt) []finding {
	var list []finding
	say := func(fault bool, what, format string, args ...any) {
		list = append(list, finding{fault, what, fmt.Sprintf(format, args...)})
	}
	for i, m := range seen.measured {
		p := &file.Probes[i]
		place := strings.TrimSpace(p.Bus + " " + p.Address)
		if !m.Reading.OK() {
			cause := "has given nothing yet"
			if m.Err != nil {
				cause = m.Err.Error()
			}
			say(true, "probe "+p.ID, "%s on %s: %s", strings.ReplaceAll(m.Reading.Quality.String(), "_", " "), place, cause)
		}
		for j := range i {
			if other := &seen.measured[j]; m.Reading.OK() && other.Reading.OK() && m.Raw == other.Raw && twins(p, &file.Probes[j]) {
				say(false, "probes "+file.Probes[j].ID+" and "+p.ID, "read the same to the last digit: warm one with your hand")
			}
		}
	}
	for _, f := range seen.found {
		if f.Address != "" && !inFile(file, f) {
			say(false, f.Bus+" "+f.Address, "is there and not in the kiln file: %s", f.Saw)
		}
	}
	for _, o := range file.Outputs {
		if seen.snap.ReadBackValid.Has(o.ID) && seen.snap.ReadBack.Has(o.ID) {
			say(true, "output "+o.ID.String(), "its contactor says on though it is told off: welded, exchanged, or the line's safe level is not off")
		}
		if seen.snap.CurrentValid.Has(o.ID) && seen.snap.Current[o.ID] > 0.5 {
			say(true, "output "+o.ID.String(), "draws %.1f A though it is told off", seen.snap.Current[o.ID])
		}
	}
	for _, c := range file.Contacts {
		valid, active := seen.snap.Contacts.Valid.Has(c.ID), seen.snap.Contacts.Active.Has(c.ID)
		switch {
		case !valid:
			say(true, "contact "+c.ID.String(), "cannot be read on %s", c.Line)
		case (c.ID == hardware.ContactAirflow || c.ID == hardware.ContactBlowerAirflow) && active:
			say(true, "contact "+c.ID.String(), "proves air though every fan is off: stuck, bridged, or active at the wrong level")
		case c.ID == hardware.ContactMains && !active, c.ID == hardware.ContactWaterSupply && !active:
			say(false, "contact "+c.ID.String(), "says that there is none")
		case dangerous.Has(c.ID) && active:
			say(false, "contact "+c.ID.String(), "is active now: is it so, or is its level the wrong way round?")
		}
	}
	return list
}

// dangerous contacts forbid while they are active.
const dangerous = hardware.ContactSet(1)<<hardware.ContactEStop | 1<<hardware.ContactDoor | 1<<hardware.ContactHighLimit | 1<<hardware.ContactHighPressure |
	1<<hardware.ContactLowPressure | 1<<hardware.ContactSmoke | 1<<hardware.ContactGas | 1<<hardware.ContactFloat | 1<<hardware.ContactInsideButton |
	1<<hardware.ContactInhibit

// twins tells that two probes measure the same and could be one sensor entered twice.
func twins(a, b *kilnfile.Probe) bool {
	return thermal(a.Role) && thermal(b.Role) && (a.Bus != b.Bus || a.Address != b.Address)
}

func thermal(r hardware.Role) bool {
	switch r {
	case hardware.RoleNone, hardware.RoleHumidity, hardware.RoleOutdoorHumidity, hardware.RolePin, hardware.RoleLoadCell:
		return false
	}
	return true
}

// inFile tells whether what was found on a bus stands in the kiln file.
func inFile(file *kilnfile.File, f board.Found) bool {
	same := func(bus, address string) bool {
		address, _, _ = strings.Cut(address, "/") // an ADS1115's input
		return bus == f.Bus && (address == f.Address || numberOf(address) >= 0 && numberOf(address) == numberOf(f.Address))
	}
	for i := range file.Probes {
		if same(file.Probes[i].Bus, file.Probes[i].Address) {
			return true
		}
	}
	for i := range file.Expanders {
		if same(file.Expanders[i].Bus, file.Expanders[i].Address) {
			return true
		}
	}
	for i := range file.Converters {
		if same(file.Converters[i].Bus, file.Converters[i].Address) {
			return true
		}
	}
	return false
}

func numberOf(address string) int64 {
	n, err := strconv.ParseInt(address, 0, 32)
	if err != nil {
		return -1
	}
	return n
}

// What a hand does to a probe: it is at least so much warmer within the time, and everything else by less than half of it.
const (
	handWarms = 1.5 // K
	handTakes = 90 * time.Second
)

// warmHand asks for each dry bulb, wet bulb and core probe in turn to be warmed, and tells which got warmer.
func (a *app) warmHand(ctx context.Context, file *kilnfile.File, look func() []board.Measured, next func(context.Context) error) ([]finding, error) {
	var list []finding
	lines := bufio.NewReader(a.in)
	for i := range file.Probes {
		p := &file.Probes[i]
		switch p.Role {
		case hardware.RoleDryBulb, hardware.RoleWetBulb, hardware.RoleCore:
		default:
			continue
		}
		a.say("Close your hand round %s (%s), then press Enter; s and Enter to leave it out: ", p.ID, p.Place)
		line, err := lines.ReadString('\n')
		if errors.Is(err, io.EOF) && line == "" {
			return list, failf(exitFailed, "nobody warmed %s", p.ID)
		}
		if strings.TrimSpace(line) == "s" {
			list = append(list, finding{false, "probe " + p.ID, "was not warmed: nobody knows yet that it is the one"})
			continue
		}
		before, got := look(), -1
		for waited := time.Duration(0); got < 0 && waited < handTakes; waited += time.Second {
			if err := next(ctx); err != nil {
				return list, failf(exitFailed, "interrupted: nothing can be said")
			}
			got = warmed(file, before, look())
		}
		switch {
		case got == i:
			a.say("%s: yes\n", p.ID)
		case got < 0:
			list = append(list, finding{true, "probe " + p.ID, fmt.Sprintf("no probe got %g K warmer within %.0f s", handWarms, handTakes.Seconds())})
		default:
			other := &file.Probes[got]
			list = append(list, finding{true, "probe " + p.ID, fmt.Sprintf("was warmed, and %s got warmer: exchange %s %s and %s %s in the kiln file, or the plugs",
				other.ID, p.Bus, p.Address, other.Bus, other.Address)})
		}
	}
	return list, nil
}

// warmed gives the one probe of temperature that got clearly warmer; -1: none, or more than one.
func warmed(file *kilnfile.File, before, now []board.Measured) int {
	best, most, second := -1, 0.0, 0.0
	for i := range now {
		if !thermal(file.Probes[i].Role) || !before[i].Reading.OK() || !now[i].Reading.OK() {
			continue
		}
		switch rise := now[i].Raw - before[i].Raw; {
		case rise > most:
			best, most, second = i, rise, most
		case rise > second:
			second = rise
		}
	}
	if most < handWarms || second > most/2 {
		return -1
	}
	return best
}
