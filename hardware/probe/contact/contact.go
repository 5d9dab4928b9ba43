package contact

import (
	"time"

	"drywarden/hardware"
	"drywarden/hardware/mono"
	"drywarden/hardware/probe"
)

// Defaults of Settings.
const (
	DefaultDebounce = 20 * time.Millisecond
	DefaultChatter  = 2 * time.Second
	DefaultStale    = 3 * time.Second
)

// Settings of one input. The zero Settings are the defaults.
type Settings struct {
	Debounce time.Duration // a level that stands for so long counts
	Chatter  time.Duration // a level that does not settle for so long is not valid
	Stale    time.Duration // an input not looked at for so long is not valid
}

// Input is one digital input. It is not safe for several goroutines.
type Input struct {
	settings Settings
	level    bool
	changed  mono.Instant // of the level as seen
	settled  mono.Instant // last instant at which the level had stood
	looked   mono.Instant
	active   bool
	known    bool // active was ever known
	seen     bool
}

// New gives an input that was not looked at yet.
func New(s Settings) *Input {
	if s.Debounce == 0 {
		s.Debounce = DefaultDebounce
	}
	if s.Chatter == 0 {
		s.Chatter = DefaultChatter
	}
	if s.Stale == 0 {
		s.Stale = DefaultStale
	}
	return &Input{settings: s}
}

// Level tells the input's level at an instant.
func (i *Input) Level(now mono.Instant, active bool) {
	now = max(now, i.looked)
	if !i.seen {
		i.seen, i.level, i.changed, i.settled = true, active, now, now
	}
	if active != i.level {
		i.settle(now) // the level before may have stood long enough
		i.level, i.changed = active, now
	}
	i.looked = now
	i.settle(now)
}

func (i *Input) settle(now mono.Instant) {
	if now.Sub(i.changed) >= i.settings.Debounce {
		i.active, i.known, i.settled = i.level, true, now
	}
}

// State gives the debounced level. With an error it is that of before, and must not be used.
func (i *Input) State(now mono.Instant) (active bool, err error) {
	switch {
	case !i.seen:
		return false, probe.Faultf(hardware.Absent, "never_seen", "no level was seen yet")
	case now.Sub(i.looked) >= i.settings.Stale:
		return i.active, probe.Faultf(hardware.Stale, "not_read", "not read for %v", now.Sub(i.looked).Truncate(time.Millisecond))
	case !i.known:
		return false, probe.Faultf(hardware.Absent, "not_settled", "the level has not settled yet")
	case now.Sub(i.settled) >= i.settings.Chatter && i.looked.Sub(i.settled) >= i.settings.Debounce:
		return i.active, probe.Faultf(hardware.Implausible, "chatter", "the level has not settled for %v: loose wire?", now.Sub(i.settled).Truncate(time.Millisecond))
	}
	return i.active, nil
}
