package loop

import (
	"fmt"
	"hash/crc32"
	"slices"
	"time"

	"drywarden/controller"
	"drywarden/hardware"
	"drywarden/schedule"
)

// Bounds of what the shell watches over itself.
const (
	lateShare  = 1.5             // of a tick; one that comes later is a slow tick
	lateShown  = time.Minute     // for so long after the last one
	clockJump  = 2 * time.Second // between wall clock and the kernel's steady clock
	clockDoubt = time.Hour       // for so long the wall clock is not trusted then
	checkLive  = time.Minute     // between two looks at the configuration in memory
	checkIdle  = 6 * time.Hour   // where nobody looks on, as in a simulation
)

// watch is what the shell knows of its own health.
type watch struct {
	late time.Duration // left of showing slow ticks

	wall  int64     // at the anchor, seconds
	at    time.Time // of the anchor, by the steady clock
	doubt time.Duration

	spare    controller.Config // second copy
	sum      uint32            // of the configuration
	plan     *schedule.Plan    // that planSum is of
	planSum  uint32
	unlooked time.Duration
	mended   bool // the configuration was damaged and taken from its second copy
}

// keepSpare takes the second copy and the checksum of what must not change while the process runs.
func (w *watch) keepSpare(c *controller.Config) {
	w.spare = *c
	w.spare.Layout.Probes = slices.Clone(c.Layout.Probes)
	w.sum = sumOf(c)
}

func sumOf(v any) uint32 {
	h := crc32.NewIEEE()
	_, _ = fmt.Fprintf(h, "%+v", v)
	return h.Sum32()
}

// memory compares configuration and plan with their checksums. A damaged configuration is taken from its second copy; when
// that is damaged too, or the plan is, the error ends the loop, which switches everything off; the next start reads all
// files afresh.
func (l *Loop) memory() error {
	w := &l.watch
	w.unlooked += l.snap.Elapsed
	every := checkIdle
	if l.deps.PublishEvery == 1 {
		every = checkLive
	}
	plan := l.plan()
	if w.unlooked < every && plan == w.plan {
		return nil
	}
	w.unlooked = 0
	if sumOf(&l.deps.Config) != w.sum {
		if sumOf(&w.spare) != w.sum {
			return fmt.Errorf("check the configuration in memory: both copies are damaged")
		}
		l.log.Error("configuration in memory was damaged; taken from its second copy")
		l.deps.Config = w.spare
		l.deps.Config.Layout.Probes = slices.Clone(w.spare.Layout.Probes)
		w.mended = true
	}
	switch {
	case plan == nil:
		w.plan = nil
	case plan != w.plan:
		w.plan, w.planSum = plan, sumOf(plan)
	case sumOf(plan) != w.planSum:
		return fmt.Errorf("check the plan of run %d in memory: it is damaged", plan.ID)
	}
	return nil
}

// clock compares the wall clock with the steady one. A jump controls nothing; the time is then no longer trusted for a while.
func (l *Loop) clock(wall *hardware.WallTime) {
	w, now := &l.watch, time.Now()
	if !w.at.IsZero() {
		gone := now.Sub(w.at)
		jump := time.Duration(wall.Unix-w.wall)*time.Second - gone
		if wall.Unix-w.wall > 1<<32 || wall.Unix-w.wall < -1<<32 { // more does not fit a duration
			jump = 2 * clockJump
		}
		if jump > clockJump || jump < -clockJump {
			l.log.Warn("wall clock jumped", "seconds", wall.Unix-w.wall-int64(gone/time.Second))
			w.doubt = clockDoubt
			w.at, w.wall = now, wall.Unix
		}
	} else {
		w.at, w.wall = now, wall.Unix
	}
	if w.doubt > 0 {
		w.doubt = max(w.doubt-l.snap.Elapsed, 0)
		wall.Trusted = false
	}
}

// lateness counts ticks that come late, and shows them for a while.
func (l *Loop) lateness() {
	w, s := &l.watch, &l.snap
	if late := s.Elapsed > time.Duration(lateShare*float64(l.deps.Config.Tick)); late {
		l.counts.slow++
		if w.late == 0 {
			l.log.Warn("slow tick", "elapsed_seconds", s.Elapsed.Seconds(), "tick_seconds", l.deps.Config.Tick.Seconds())
		}
		w.late = lateShown
	} else {
		w.late = max(w.late-s.Elapsed, 0)
	}
}
