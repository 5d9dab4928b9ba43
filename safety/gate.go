package safety

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"sync"
	"time"

	"drywarden/hardware"
	"drywarden/hardware/mono"
)

// TripStore keeps the gate's record over power cuts: the names of the latched rules, and of the fan outputs in whose
// direction the groups last ran. It must be the gate's own, not part of the control state.
type TripStore interface {
	// LoadTrips gives the names saved last, none when nothing was ever saved. An error latches TripRecordUnreadable.
	LoadTrips() ([]string, error)
	// SaveTrips returns when the names are safely stored.
	SaveTrips(names []string) error
}

// retrySave is how long after a failed save the next is tried, by the gate's clock.
const retrySave = 10 * time.Second

// beatEvery is how long the heartbeat may stand still while the gate itself is alive.
const beatEvery = 1500 * time.Millisecond

// watchEvery is the real time between two looks at the deadline.
const watchEvery = 250 * time.Millisecond

// Errors of Reset and Ack that a caller may decide on.
var (
	ErrUnknownRule = errors.New("no safety rule has this id")
	ErrNotLatched  = errors.New("the rule is not tripped")
	ErrNotRaised   = errors.New("there is no such alarm")
	ErrCauseThere  = errors.New("the cause is still there")
	ErrAuthority   = errors.New("needs a higher authority")
	ErrPanel       = errors.New("press the panel's reset first, then ask again within 50 s")
	ErrAckFirst    = errors.New("acknowledge it first")
	ErrReason      = errors.New("needs a written reason")
	ErrWait        = errors.New("let it cool first")
)

// Gate is the sole holder of the raw actuators. It judges with its own clock, forces a safe state when nobody calls, and
// keeps its latched trips over power cuts. All methods may be called from several goroutines.
//
// Until Watch runs, the record of trips is saved within Apply, which suits a simulation: it stays deterministic. While
// Watch runs a goroutine of its own saves, so that no tick waits for a disk. Either way a trip acts first and is saved
// next, and a trip that is reset stays in force until the record without it is saved.
type Gate struct {
	mu    sync.Mutex
	plant *Plant
	act   hardware.Actuators
	clock mono.Clock
	store TripStore
	state State
	in    Input

	last     mono.Instant // of the last Apply, or of NewGate
	beat     mono.Instant // when the heartbeat was last toggled
	forced   hardware.SafeLevel
	closed   bool
	writeErr error

	saved      record // known to be in the store
	known      bool   // saved means something
	flight     record // being saved by the goroutine
	flying     bool
	saveErr    error
	savedAt    mono.Instant // last attempt
	background int          // Watches running
	wake       chan struct{}
	storeMu    sync.Mutex // held by the one who writes the store while Watch runs or in Close; taken before mu
}

// NewGate compiles the rules, recalls latched trips and switches everything off. Its error lists every fault of limits
// and layout; an error of the store is no error here but trips TripRecordUnreadable.
func NewGate(limits Limits, layout *hardware.Layout, act hardware.Actuators, clock mono.Clock, trips TripStore) (*Gate, error) {
	plant, err := Compile(limits, layout)
	if err != nil {
		return nil, err
	}
	g := &Gate{plant: plant, act: act, clock: clock, store: trips, state: NewState(&limits), last: clock.Now(), wake: make(chan struct{}, 1)}
	g.beat = g.last
	names, err := trips.LoadTrips()
	if err != nil {
		g.state.Latched = g.state.Latched.With(TripRecordUnreadable, true)
	} else {
		g.state.recall(names)
		g.saved, g.known = g.state.record(plant), !g.state.Latched.Has(TripRecordUnreadable)
	}
	if err := act.Apply(g.last, hardware.Outputs{}); err != nil {
		return nil, fmt.Errorf("switch all outputs off at start: %w", err)
	}
	return g, nil
}

// Apply judges the request against the snapshot, writes all outputs afresh, and tells in out what was let through. When
// judging or writing panics, everything is switched off and the panic goes on.
func (g *Gate) Apply(snap *hardware.Snapshot, requested hardware.Outputs, out *hardware.Applied) {
	g.mu.Lock()
	defer g.mu.Unlock()
	defer g.offOnPanic()

	now := g.clock.Now()
	g.in.Snapshot, g.in.Requested = snap, requested
	g.in.Elapsed, g.in.Lag = now.Sub(g.last), now.Sub(snap.Now)
	g.in.Cleared = 0
	if g.known && g.state.Clearing != 0 {
		g.in.Cleared = g.state.Clearing &^ g.saved.trips
		if g.flying {
			g.in.Cleared &^= g.flight.trips
		}
	}
	g.in.WriteFailed, g.in.SaveFailed, g.in.Closed = g.writeErr != nil, g.saveErr != nil, g.closed
	Step(g.plant, &g.state, &g.in, out)
	out.At = now
	g.last, g.beat, g.forced = now, now, out.Forced
	g.writeErr = g.act.Apply(now, out.Outputs)
	g.save(now)
}

// offOnPanic is deferred by whatever may leave outputs on.
func (g *Gate) offOnPanic() {
	if failure := recover(); failure != nil {
		g.closed = true
		g.off()
		panic(failure)
	}
}

// off switches everything off, whatever the actuators do.
func (g *Gate) off() error {
	defer func() { _ = recover() }() // they may be what panicked; the heartbeat stands still now
	g.state.silence(hardware.ForcedOff)
	g.forced = hardware.ForcedOff
	return g.act.Apply(g.clock.Now(), hardware.Outputs{})
}

// save sees to it that the store gets the newest record.
func (g *Gate) save(now mono.Instant) {
	want := g.state.record(g.plant)
	if g.known && want == g.saved {
		return
	}
	if g.flying || (g.saveErr != nil && now.Sub(g.savedAt) < retrySave) {
		return
	}
	g.savedAt = now
	if g.background > 0 {
		g.flight, g.flying = want, true
		select {
		case g.wake <- struct{}{}:
		default: // woken already
		}
		return
	}
	g.done(want, g.store.SaveTrips(want.names()))
}

func (g *Gate) done(r record, err error) {
	if g.saveErr = err; err == nil {
		g.saved, g.known = r, true
	} else {
		g.known = false // it may hold the old or the new record, or neither
	}
}

// CheckDeadline acts when Apply is not called: SAFE after Limits.Silent, OFF and no heartbeat Limits.SilentOff later. In
// between it keeps the heartbeat going. It is called by Watch, or by a test.
func (g *Gate) CheckDeadline() {
	g.mu.Lock()
	defer g.mu.Unlock()
	defer g.offOnPanic()

	now := g.clock.Now()
	quiet, l := now.Sub(g.last), &g.plant.limits
	switch {
	case g.closed:
		return
	case quiet > l.Silent.Std()+l.SilentOff.Std():
		if g.forced != hardware.ForcedOff {
			g.writeErr = g.off()
		}
		return
	case quiet > l.Silent.Std() && g.forced < hardware.ForcedSafe:
		g.state.silence(hardware.ForcedSafe)
		g.state.quiet()
		g.forced = hardware.ForcedSafe
		defer g.save(now)
	case now.Sub(g.beat) < beatEvery || g.forced == hardware.ForcedOff:
		return
	}
	g.state.Beat = !g.state.Beat && g.state.Up >= l.StartDelay.Std()
	g.beat = now
	g.writeErr = g.act.Apply(now, g.state.outputs(g.plant))
}

// Watch checks the deadline and saves the record of trips until ctx is done.
func (g *Gate) Watch(ctx context.Context) {
	g.mu.Lock()
	g.background++
	g.mu.Unlock()
	stop, stopped := make(chan struct{}), make(chan struct{})
	go func() {
		defer close(stopped)
		g.saver(stop)
	}()
	ticker := time.NewTicker(watchEvery)
	defer ticker.Stop()
	for done := false; !done; {
		select {
		case <-ctx.Done():
			done = true
		case <-ticker.C:
			g.CheckDeadline()
		}
	}
	close(stop)
	<-stopped
	g.mu.Lock()
	defer g.mu.Unlock()
	g.background--
}

// saver writes what Apply left in flight. A save that hangs holds up nothing but the clearing of trips.
func (g *Gate) saver(stop <-chan struct{}) {
	for {
		select {
		case <-g.wake:
			g.land()
		case <-stop:
			g.land()
			return
		}
	}
}

// land writes what is in flight. Only one writer is at the store at a time, and never with an older record than the last.
func (g *Gate) land() {
	g.storeMu.Lock()
	defer g.storeMu.Unlock()
	g.mu.Lock()
	r, flying := g.flight, g.flying
	g.mu.Unlock()
	if !flying {
		return
	}
	err := g.store.SaveTrips(r.names())
	g.mu.Lock()
	defer g.mu.Unlock()
	g.flying = false
	g.done(r, err)
}

// Close switches everything off for good and saves the record of trips. Apply may still be called: it lets nothing
// through. The error is that of the actuators or the store.
func (g *Gate) Close() error {
	var faults []error
	g.mu.Lock()
	g.closed = true
	if err := g.off(); err != nil {
		faults = append(faults, fmt.Errorf("switch all outputs off: %w", err))
	}
	g.mu.Unlock()

	g.storeMu.Lock()
	defer g.storeMu.Unlock()
	g.mu.Lock()
	want := g.state.record(g.plant)
	current := g.known && want == g.saved && !g.flying
	g.flying = false
	g.mu.Unlock()
	if current {
		return errors.Join(faults...)
	}
	err := g.store.SaveTrips(want.names())
	if err != nil {
		faults = append(faults, fmt.Errorf("save latched trips: %w", err))
	}
	g.mu.Lock()
	defer g.mu.Unlock()
	g.done(want, err)
	return errors.Join(faults...)
}

// Ack notes that somebody has seen an alarm of a safety rule. It is no reset.
func (g *Gate) Ack(rule hardware.RuleID) error {
	if rule <= NoRule || rule >= ruleCount {
		return fmt.Errorf("acknowledge rule %d: %w", rule, ErrUnknownRule)
	}
	g.mu.Lock()
	defer g.mu.Unlock()
	if !g.state.Raised.Has(rule) {
		return fmt.Errorf("acknowledge %s: %w", Name(rule), ErrNotRaised)
	}
	g.state.Acked = g.state.Acked.With(rule, true)
	return nil
}

// Reset asks that a latched trip be cleared, by somebody who may and, for AtPanel and ByTechnician, within 50 s of a
// press of the panel's reset; a technician gives a reason, which the caller keeps with the record. A press alone clears
// trips of AtPanel and ByOperator whose cause is gone. Nil means accepted: the trip is gone from Applied.Trips once
// the record without it is saved.
func (g *Gate) Reset(rule hardware.RuleID, who hardware.Authority, reason string) error {
	if rule <= NoRule || rule >= ruleCount {
		return fmt.Errorf("reset rule %d: %w", rule, ErrUnknownRule)
	}
	g.mu.Lock()
	defer g.mu.Unlock()
	s, r := &g.state, &table[rule-1]
	refusal := error(nil)
	switch {
	case !s.Latched.Has(rule):
		refusal = ErrNotLatched
	case who < r.clears:
		refusal = fmt.Errorf("%w: %v", ErrAuthority, r.clears)
	case s.Seen.Has(rule):
		refusal = ErrCauseThere
	case r.ackFirst && !s.Acked.Has(rule):
		refusal = ErrAckFirst
	case s.Cutouts[0] < r.wait:
		refusal = fmt.Errorf("%w: %v to go", ErrWait, r.wait-s.Cutouts[0])
	case r.clears == hardware.ByTechnician && strings.TrimSpace(reason) == "":
		refusal = ErrReason
	case r.clears >= hardware.AtPanel && s.SincePress > pressGood:
		refusal = ErrPanel
	}
	if refusal != nil {
		return fmt.Errorf("reset %s: %w", r.name, refusal)
	}
	s.Clearing, s.ClearFor = s.Clearing.With(rule, true), 0
	return nil
}

// State gives a copy of what the gate remembers.
func (g *Gate) State() State {
	g.mu.Lock()
	defer g.mu.Unlock()
	return g.state
}
