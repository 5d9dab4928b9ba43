package pulse

import (
	"fmt"
	"time"

	"drywarden/hardware"
	"drywarden/hardware/mono"
	"drywarden/hardware/probe"
)

// Settings of a pulse input. The zero Settings debounce for 10 ms, and take a contact for stuck that is on for 10 s.
type Settings struct {
	Debounce time.Duration // 0: 10 ms
	StuckOn  time.Duration // 0: 10 s; an S0 output is on for some 30 ms to 500 ms, a bucket's reed for less than a second
}

// Defaults of Settings.
const (
	DefaultDebounce = 10 * time.Millisecond
	DefaultStuckOn  = 10 * time.Second
)

// Validate tells what is wrong with s.
func (s Settings) Validate() error {
	if s.Debounce < 0 || s.Debounce > 200*time.Millisecond || s.StuckOn < 0 || s.StuckOn > 0 && s.StuckOn < 500*time.Millisecond {
		return fmt.Errorf("debounce %v, stuck after %v: expected at most 200 ms, and at least 500 ms", s.Debounce, s.StuckOn)
	}
	return nil
}

// Counter counts the pulses of one input. It is not safe for several goroutines.
type Counter struct {
	settings Settings
	count    uint64
	level    bool         // as last seen, bounces and all
	changed  mono.Instant // since then
	on       bool         // debounced
	onSince  mono.Instant
	seen     bool // any level was seen
}

// New gives a counter that starts at zero.
func New(s Settings) *Counter {
	if s.Debounce == 0 {
		s.Debounce = DefaultDebounce
	}
	if s.StuckOn == 0 {
		s.StuckOn = DefaultStuckOn
	}
	return &Counter{settings: s}
}

// Level tells the counter the level of the input at an instant: at each edge, and now and then without one. Instants must
// not go back; one that does counts as the newest.
func (c *Counter) Level(now mono.Instant, active bool) {
	now = max(now, c.changed)
	if !c.seen { // a contact that is on at the start is no pulse
		c.seen, c.level, c.on, c.changed, c.onSince = true, active, active, now, now
		return
	}
	c.settle(now)
	if active != c.level {
		c.level, c.changed = active, now
	}
}

// settle takes over a level that has stood for the debounce time.
func (c *Counter) settle(now mono.Instant) {
	if c.level == c.on || now.Sub(c.changed) < c.settings.Debounce {
		return
	}
	c.on = c.level
	if c.on {
		c.count++
		c.onSince = c.changed
	}
}

// Count gives the pulses since New as known at now. The error is a fault: nothing was seen yet, or the contact is stuck.
func (c *Counter) Count(now mono.Instant) (uint64, error) {
	if !c.seen {
		return 0, probe.Faultf(hardware.Absent, "never_seen", "count pulses: no level was seen yet")
	}
	c.settle(now)
	if c.on {
		if stuck := now.Sub(c.onSince); stuck >= c.settings.StuckOn {
			return c.count, probe.Faultf(hardware.Implausible, "stuck_on", "count pulses: on for %v: the contact is stuck or shorted", stuck.Truncate(time.Second))
		}
	}
	return c.count, nil
}
