package board

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"slices"
	"sync"
	"time"

	"drywarden/hardware"
	"drywarden/hardware/mono"
	"drywarden/hardware/probe"
	"drywarden/hardware/probe/mcp23017"
)

// patience is how long Apply waits for the devices to prove what they were told; the tick can spare that much.
const patience = 25 * time.Millisecond

// unproved is how long a device may take to prove a level before that counts as not written.
const unproved = 1500 * time.Millisecond

// again is how often a device proves its levels without being told anything.
const again = time.Second

// outputs are those of one device, written by a goroutine of its own.
type outputs struct {
	name   string
	levels func(hardware.Outputs) uint64                 // what the device is told
	write  func(now mono.Instant, levels uint64) error   // writes and proves
	look   func(now mono.Instant)                        // looks at inputs of the same device; nil: none
	every  time.Duration                                 // between two looks
	clock  mono.Clock                                    //
	note   func(what string, at mono.Instant, err error) //
	wake   chan struct{}                                 //

	mu     sync.Mutex
	want   uint64
	asked  uint64        // number of the newest request
	since  mono.Instant  // of the oldest request that is not done
	done   uint64        // newest request that was tried
	err    error         // of that
	landed chan struct{} // closed when a request was tried, then replaced
}

// ask hands levels to the device's goroutine.
func (o *outputs) ask(now mono.Instant, levels uint64) {
	o.mu.Lock()
	if o.done == o.asked {
		o.since = now
	}
	o.want = levels
	o.asked++
	o.mu.Unlock()
	select {
	case o.wake <- struct{}{}:
	default:
	}
}

// wait waits until the newest request was tried or the time is up.
func (o *outputs) wait(timeout <-chan struct{}) {
	for {
		o.mu.Lock()
		landed, done := o.landed, o.done == o.asked
		o.mu.Unlock()
		if done {
			return
		}
		select {
		case <-landed:
		case <-timeout:
			return
		}
	}
}

// state tells whether the device does what it was told, with some patience for what it has not proved yet.
func (o *outputs) state(now mono.Instant, patience time.Duration) error {
	o.mu.Lock()
	defer o.mu.Unlock()
	if o.done != o.asked {
		if late := now.Sub(o.since); late >= patience {
			return fmt.Errorf("outputs of %s are not proved for %v: the bus hangs", o.name, late.Truncate(time.Millisecond))
		}
	}
	if o.err != nil {
		return fmt.Errorf("outputs of %s: %w", o.name, o.err)
	}
	return nil
}

func (o *outputs) run(ctx context.Context) {
	every := again
	if o.look != nil {
		every = min(every, o.every)
	}
	timer := time.NewTicker(every)
	defer timer.Stop()
	written := mono.Instant(0)
	tried := uint64(0)
	for {
		select {
		case <-ctx.Done():
			return
		case <-o.wake:
		case <-timer.C:
		}
		now := o.clock.Now()
		o.mu.Lock()
		want, number := o.want, o.asked
		o.mu.Unlock()
		if number != tried || now.Sub(written) >= again {
			err := o.write(now, want)
			o.note("outputs of "+o.name, now, err)
			written, tried = now, number
			o.mu.Lock()
			o.done, o.err = number, err
			if o.done != o.asked {
				o.since = now
			}
			close(o.landed)
			o.landed = make(chan struct{})
			o.mu.Unlock()
		}
		if o.look != nil {
			o.look(o.clock.Now())
		}
	}
}

// Apply hands the outputs to their devices and waits some milliseconds for them. An error means that a device could not be
// written or proved, or that it has proved nothing for more than a second; the next Apply tries again.
func (b *Board) Apply(now mono.Instant, to hardware.Outputs) error {
	b.apply.Lock()
	defer b.apply.Unlock()
	return b.put(now, to, patience)
}

// off switches everything off and waits longer.
func (b *Board) off() error {
	b.apply.Lock()
	defer b.apply.Unlock()
	if err := b.put(b.config.Clock.Now(), hardware.Outputs{}, closePatience); err != nil {
		return fmt.Errorf("switch everything off: %w", err)
	}
	return nil
}

func (b *Board) put(now mono.Instant, to hardware.Outputs, limit time.Duration) error {
	for _, d := range b.devices {
		d.ask(now, d.levels(to))
	}
	ctx, cancel := context.WithTimeout(context.Background(), limit)
	defer cancel()
	for _, d := range b.devices {
		d.wait(ctx.Done())
	}
	var faults []error
	for _, d := range b.devices {
		faults = append(faults, d.state(b.config.Clock.Now(), unproved))
	}
	return errors.Join(faults...)
}

// pinLevels packs the outputs of a device that has a pin for each.
func pinLevels(pins map[hardware.OutputID]int) func(hardware.Outputs) uint64 {
	return func(to hardware.Outputs) (levels uint64) {
		for id, pin := range pins {
			if to.On.Has(id) {
				levels |= 1 << pin
			}
		}
		return levels
	}
}

// driveLines writes lines of a GPIO chip and proves those that can be read back.
func driveLines(name string, lines Lines) func(mono.Instant, uint64) error {
	return func(_ mono.Instant, levels uint64) error {
		if err := lines.Write(levels); err != nil {
			return probe.Faultf(hardware.NoAnswer, "no_answer", "write lines of %s: %w", name, err)
		}
		got, known, err := lines.Read()
		if err != nil {
			return probe.Faultf(hardware.NoAnswer, "no_answer", "read back lines of %s: %w", name, err)
		}
		if wrong := (got ^ levels) & known; wrong != 0 {
			return probe.Faultf(hardware.Implausible, "pin_held", "lines of %s: %x are not at the level they are driven to", name, wrong)
		}
		return nil
	}
}

// driveExpander writes an expander, which proves it by itself.
func driveExpander(chip *mcp23017.Chip) func(mono.Instant, uint64) error {
	return func(_ mono.Instant, levels uint64) error { return chip.Write(uint16(levels)) }
}

func sortFaults(list []Fault) {
	slices.SortFunc(list, func(a, b Fault) int { return cmp.Compare(a.What, b.What) })
}
