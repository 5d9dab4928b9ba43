// Package mono is the only time that may control anything: monotonic instants and the clocks that give them.
//
// An Instant means nothing after a restart or on another machine, so it refuses to be marshalled; what is stored is a
// duration already earned. The package is a leaf: standard library only.
package mono

import (
	"context"
	"errors"
	"sync"
	"time"
)

// Instant is nanoseconds since an arbitrary origin of one process. The zero Instant is the origin.
type Instant int64

// Add gives the instant d later.
func (i Instant) Add(d time.Duration) Instant { return i + Instant(d) }

// Sub gives the time from j to i.
func (i Instant) Sub(j Instant) time.Duration { return time.Duration(i - j) }

var errStored = errors.New("a monotonic instant means nothing outside its process and cannot be stored")

// MarshalText always fails.
func (i Instant) MarshalText() ([]byte, error) { return nil, errStored }

// MarshalJSON always fails.
func (i Instant) MarshalJSON() ([]byte, error) { return nil, errStored }

// Clock tells the time. Implementations are safe for use by several goroutines.
type Clock interface{ Now() Instant }

// Pacer is a Clock that also beats: Next returns at the following tick, or with ctx's error.
type Pacer interface {
	Clock
	Next(ctx context.Context) error
}

// Manual is a clock that moves only when told. The zero value stands at the origin.
type Manual struct {
	mu  sync.Mutex
	now Instant
}

// Now tells where the clock stands.
func (m *Manual) Now() Instant {
	m.mu.Lock()
	defer m.mu.Unlock()
	return m.now
}

// Advance moves the clock on by d.
func (m *Manual) Advance(d time.Duration) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.now = m.now.Add(d)
}

// Real is the kernel's monotonic clock with a tick of fixed length. A tick that was missed is not made up for.
type Real struct {
	since func() time.Duration // the start
	tick  time.Duration
	next  Instant
}

// NewReal starts a real clock that beats every tick. It stands still while the computer is suspended.
func NewReal(tick time.Duration) *Real {
	origin := time.Now()
	return &Real{since: func() time.Duration { return time.Since(origin) }, tick: tick}
}

// NewRealBy starts a real clock by another of the kernel's clocks, one that never goes back and, unlike NewReal's, counts
// through a suspend: a kiln goes on while its computer sleeps, and whoever watches the time must see that. now is called
// by several goroutines.
func NewRealBy(tick time.Duration, now func() time.Duration) *Real {
	origin := now()
	return &Real{since: func() time.Duration { return now() - origin }, tick: tick}
}

// Now tells the time since the start.
func (r *Real) Now() Instant { return Instant(r.since()) }

// Next waits for the next whole tick. It is for one goroutine.
func (r *Real) Next(ctx context.Context) error {
	r.next = r.next.Add(r.tick)
	if now := r.Now(); r.next < now {
		r.next = now
	}
	return sleep(ctx, r.next.Sub(r.Now()))
}

// Paced is accelerated time: it moves exactly one tick a tick, and waits for it, so that a slow host slows simulated
// time instead of skipping some.
type Paced struct {
	Manual
	tick time.Duration
	real *Real
}

// NewPaced makes a clock that runs speed times as fast as real time. A speed of 0 or less does not wait at all.
func NewPaced(tick time.Duration, speed float64) *Paced {
	p := &Paced{tick: tick}
	if speed > 0 {
		p.real = NewReal(time.Duration(float64(tick) / speed))
	}
	return p
}

// Next waits for the tick and moves the clock by it. It is for one goroutine.
func (p *Paced) Next(ctx context.Context) error {
	err := ctx.Err()
	if p.real != nil {
		err = p.real.Next(ctx)
	}
	if err == nil {
		p.Advance(p.tick)
	}
	return err
}

func sleep(ctx context.Context, d time.Duration) error {
	if err := ctx.Err(); err != nil || d <= 0 {
		return err
	}
	timer := time.NewTimer(d)
	defer timer.Stop()
	select {
	case <-ctx.Done():
		return ctx.Err()
	case <-timer.C:
		return nil
	}
}
