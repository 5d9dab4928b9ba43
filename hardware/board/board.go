package board

import (
	"context"
	"errors"
	"fmt"
	"math"
	"sync"
	"time"

	"drywarden/hardware"
	"drywarden/hardware/mono"
	"drywarden/hardware/probe"
	"drywarden/hardware/probe/contact"
	"drywarden/hardware/probe/pulse"
)

// Board is a real kiln. It implements hardware.Inputs and hardware.Actuators, and is safe for several goroutines.
type Board struct {
	config  Config
	stale   time.Duration
	closers []func() error
	stop    context.CancelFunc
	running sync.WaitGroup
	devices []*outputs // with outputs; fixed after Open

	apply sync.Mutex // one Apply at a time

	mu       sync.Mutex // guards what follows; held for copying only
	latest   [hardware.MaxProbes]latest
	contacts [hardware.ContactCount]*contact.Input // nil: not fitted
	readBack [hardware.OutputCount]*contact.Input  // nil: none
	current  [hardware.OutputCount]latest          //
	pulses   [2]*pulse.Counter                     // condensate, energy; nil: none
	meter    latest                                // energy meter on Modbus
	told     bool                                  // counters were absent in one snapshot
	faults   map[string]Fault
}

// latest is a row of the table of latest readings.
type latest struct {
	value float64
	at    mono.Instant // when the value was measured
	known bool         // value was ever measured
	raw   float64      // before the offset
	err   error        // of the last measurement
}

// Fault is something that does not work now.
type Fault struct {
	What    string           // which part
	Since   mono.Instant     // when it began
	Quality hardware.Quality //
	Sign    string           // failure signature
	Err     error            // evidence

	last mono.Instant // when it was seen last
}

// resetTold is how long a fault is told that is over once it is seen: a chip that had lost its settings. Whoever looks at
// faults does so every few seconds.
const resetTold = time.Minute

// Open checks the wiring, switches all outputs off, proves that, claims lines and starts to poll. The error lists all that is
// wrong. What outputs and contacts hang on must be there: expanders must answer, lines be free. A bus with probes or meters
// alone may be missing: that is a fault in Faults and of what hangs on it, and the bus is opened once it is there.
func Open(config Config, host Host) (*Board, error) {
	if err := config.Check(); err != nil {
		return nil, err
	}
	ctx, stop := context.WithCancel(context.Background())
	b := &Board{config: config, stale: config.Stale, stop: stop, faults: map[string]Fault{}}
	if b.stale == 0 {
		b.stale = defaultStale
	}
	for i := range b.latest {
		b.latest[i].err = errNever
	}
	for i := range b.current {
		b.current[i].err = errNever
	}
	b.meter.err = errNever
	w := &wiring{board: b, host: host, buses: map[string]*i2cBus{}, serials: map[string]*line{}}
	w.wire()
	off := func() {
		for _, loop := range w.drives {
			b.running.Go(func() { loop(ctx) })
		}
		w.drives = nil
		if err := b.proveOff(); err != nil {
			w.faults = append(w.faults, err)
		}
	}
	// What is on an expander may still be on from before a crash. A line that is claimed may change, and to the relay of the
	// heartbeat that is a beat: it would let all that current again. So expanders are off first, and the contactors open; when
	// that cannot be proved no line is claimed.
	if len(w.drives) > 0 {
		off()
		time.Sleep(letGo)
	}
	if len(w.faults) == 0 {
		w.claim()
		off()
	}
	if err := errors.Join(w.faults...); err != nil {
		return nil, errors.Join(err, b.missing(), b.end())
	}
	for _, loop := range w.loops {
		b.running.Go(func() { loop(ctx) })
	}
	return b, nil
}

// missing lists the buses that could not be opened.
func (b *Board) missing() error {
	var faults []error
	for _, f := range b.Faults() {
		if f.Sign == signNoBus {
			faults = append(faults, f.Err)
		}
	}
	return errors.Join(faults...)
}

// proveOff switches everything off and wants every device to have proved it.
func (b *Board) proveOff() error {
	_ = b.put(b.config.Clock.Now(), hardware.Outputs{}, openPatience)
	var faults []error
	for _, d := range b.devices {
		if err := d.state(b.config.Clock.Now(), 0); err != nil {
			faults = append(faults, fmt.Errorf("switch everything off at the start: %w", err))
		}
	}
	return errors.Join(faults...)
}

// letGo is more than a relay and a contactor take to open: some 90 ms, with a suppressor over the coil 200. Common practice,
// no source.
const letGo = 300 * time.Millisecond

// openPatience bounds how long Open waits for everything to be off.
const openPatience = time.Second

var errNever = probe.Faultf(hardware.Absent, "never_read", "not read yet")

// Read copies the tables. It waits for no bus, and its error is always nil: trouble is told reading by reading.
func (b *Board) Read(now mono.Instant, to *hardware.Snapshot) error {
	b.mu.Lock()
	defer b.mu.Unlock()
	for i := range to.Readings {
		if i >= len(b.config.Layout.Probes) {
			to.Readings[i] = hardware.Reading{Quality: hardware.NotFitted}
			continue
		}
		to.Readings[i] = b.latest[i].reading(now, b.stale)
	}
	to.Contacts = hardware.Contacts{}
	for id, c := range b.contacts {
		if c == nil {
			continue
		}
		if on, err := c.State(now); err == nil {
			to.Contacts.Valid = to.Contacts.Valid.With(hardware.ContactID(id), true)
			to.Contacts.Active = to.Contacts.Active.With(hardware.ContactID(id), on)
		}
	}
	to.ReadBack, to.ReadBackValid, to.CurrentValid = 0, 0, 0
	to.Current = [hardware.OutputCount]float32{}
	for id := range hardware.OutputCount {
		if c := b.readBack[id]; c != nil {
			if on, err := c.State(now); err == nil {
				to.ReadBackValid = to.ReadBackValid.With(id, true)
				to.ReadBack = to.ReadBack.With(id, on)
			}
		}
		if b.config.Layout.Current.Has(id) {
			if r := b.current[id].reading(now, b.stale); r.OK() {
				to.Current[id] = float32(r.Value)
				to.CurrentValid = to.CurrentValid.With(id, true)
			}
		}
	}
	to.Condensate = b.counted(0, b.config.Condensate, now)
	to.Energy = b.counted(1, b.config.Energy, now)
	if b.config.Meter != nil {
		to.Energy = hardware.Counter{Total: b.meter.value, Quality: b.meter.reading(now, b.stale).Quality}
	}
	if !b.told { // totals start again with each process
		b.told = true
		for _, c := range []*hardware.Counter{&to.Condensate, &to.Energy} {
			if c.Quality != hardware.NotFitted {
				*c = hardware.Counter{Quality: hardware.Absent}
			}
		}
	}
	return nil
}

func (l *latest) reading(now mono.Instant, stale time.Duration) hardware.Reading {
	r := hardware.Reading{Quality: probe.QualityOf(l.err)}
	if l.known {
		r.Value, r.Age = l.value, max(0, now.Sub(l.at))
		if r.Quality == hardware.Valid && r.Age >= stale {
			r.Quality = hardware.Stale
		}
	}
	return r
}

func (b *Board) counted(i int, p *Pulse, now mono.Instant) hardware.Counter {
	if p == nil || b.pulses[i] == nil {
		return hardware.Counter{Quality: hardware.NotFitted}
	}
	n, err := b.pulses[i].Count(now)
	return hardware.Counter{Total: float64(n) * p.Each, Quality: probe.QualityOf(err)}
}

// store puts a measurement into a row of the table, with its offset, quantised. What cannot be is refused.
func (b *Board) store(row *latest, what string, at mono.Instant, value, offset, resolution float64, err error) {
	if err == nil && (math.IsNaN(value) || math.IsInf(value, 0)) {
		err = probe.Faultf(hardware.Implausible, "no_number", "read %s: %v", what, value)
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	row.err = err
	if err == nil {
		v := value + offset
		if resolution > 0 {
			v = math.Round(v/resolution) * resolution
		}
		row.value, row.raw, row.at, row.known = v, value, at, true
	}
	b.note(what, at, err)
}

// note keeps the list of what does not work. b.mu is held.
func (b *Board) note(what string, at mono.Instant, err error) {
	f, there := b.faults[what]
	if err == nil {
		if f.Sign != probe.SignReset || at.Sub(f.last) >= resetTold {
			delete(b.faults, what)
		}
		return
	}
	if !there || f.Sign != probe.SignOf(err) {
		f.Since = at
	}
	f.What, f.Quality, f.Sign, f.Err, f.last = what, probe.QualityOf(err), probe.SignOf(err), err, at
	b.faults[what] = f
}

// Faults lists what does not work now, in the order of names.
func (b *Board) Faults() []Fault {
	b.mu.Lock()
	defer b.mu.Unlock()
	list := make([]Fault, 0, len(b.faults))
	for _, f := range b.faults {
		list = append(list, f)
	}
	sortFaults(list)
	return list
}

// Measured is one probe for a person who commissions a kiln: the value as measured, and with its calibration.
type Measured struct {
	Name    string
	Raw     float64 // of the last good measurement, in the unit of the role, without the offset; NaN: there was none
	Reading hardware.Reading
	Err     error // of the last measurement
}

// Probes tells how all probes stand.
func (b *Board) Probes(now mono.Instant) []Measured {
	b.mu.Lock()
	defer b.mu.Unlock()
	list := make([]Measured, len(b.config.Layout.Probes))
	for i, p := range b.config.Layout.Probes {
		l := &b.latest[i]
		raw := math.NaN()
		if l.known {
			raw = l.raw
		}
		list[i] = Measured{Name: p.Name, Raw: raw, Reading: l.reading(now, b.stale), Err: l.err}
	}
	return list
}

// closePatience bounds how long Close waits for buses that may hang.
const closePatience = 3 * time.Second

// Close switches everything off and lets all buses and lines go. It waits at most some seconds; what hangs then is left
// behind, and told.
func (b *Board) Close() error { return errors.Join(b.off(), b.end()) }

// end lets all buses and lines go.
func (b *Board) end() error {
	var faults []error
	b.stop()
	done := make(chan struct{})
	go func() {
		b.running.Wait()
		close(done)
	}()
	patience := time.NewTimer(closePatience)
	defer patience.Stop()
	select {
	case <-done:
		faults = append(faults, b.closeAll())
	case <-patience.C:
		faults = append(faults, fmt.Errorf("close the board: a bus still hangs after %v", closePatience))
	}
	return errors.Join(faults...)
}

func (b *Board) closeAll() error {
	var faults []error
	for i := len(b.closers) - 1; i >= 0; i-- {
		faults = append(faults, b.closers[i]())
	}
	b.closers = nil
	return errors.Join(faults...)
}

var (
	_ hardware.Inputs    = (*Board)(nil)
	_ hardware.Actuators = (*Board)(nil)
)
