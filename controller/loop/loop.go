package loop

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"runtime/debug"
	"slices"
	"sync/atomic"
	"time"

	"drywarden/controller"
	"drywarden/controller/store"
	"drywarden/hardware"
	"drywarden/hardware/mono"
	"drywarden/hardware/quantity"
	"drywarden/hardware/trace"
	"drywarden/schedule"
)

var errSlowDisk = errors.New("the disk did not take the control state in time")

// Loop is one kiln's control loop. Tick, Run and Publish are for one goroutine; the rest is safe for all.
type Loop struct {
	deps  Deps
	log   *slog.Logger
	rules ruleBook
	stamp func() store.Stamp

	image   Image // image.State is the live state
	outage  outage
	snap    hardware.Snapshot
	in      controller.Input
	res     controller.Result
	applied hardware.Applied
	record  trace.Record
	header  trace.Header

	queue    chan ask
	waiting  []ask // fed to Step, not yet answered
	clearing []ask // resets that the gate accepted, whose trip is still in force
	lastID   uint64

	unsaved time.Duration // since the last save
	behind  time.Time     // since when something waits to become durable, by the real clock; zero: nothing does
	counts  counts
	origin  mono.Instant // of this process
	seen    seen
	calls   hardware.RuleSet // alarms of the gate that were told and stand
	status  atomic.Pointer[controller.Status]
	ready   bool
	watch   watch
}

type outage struct {
	length   time.Duration
	known    bool
	restored bool
	changed  bool
	problem  string
	cut      store.Stamp // of the last save

	dryBulb   quantity.Celsius // at the last save
	dryBulbOK bool
}

type counts struct {
	slow, commands, refused uint64
	starts, vetoes          [hardware.OutputCount]uint64
}

// seen is what was logged last, so that only changes are.
type seen struct {
	mode   controller.Mode
	forced hardware.SafeLevel
	stage  int8
	run    uint32
	trips  hardware.RuleSet
	unread bool
}

// New makes a loop ready for its first tick. The error lists everything that is missing. A state that cannot be used is no
// error: the loop starts as after an outage of unknown length and says why.
func New(deps Deps) (*Loop, error) {
	if err := deps.Validate(); err != nil {
		return nil, err
	}
	l := &Loop{deps: deps, log: deps.Log, stamp: deps.Stamp, queue: make(chan ask, queueLength)}
	if l.log == nil {
		l.log = slog.New(slog.DiscardHandler)
	}
	l.log = l.log.With("component", "loop")
	if l.stamp == nil {
		l.stamp = func() store.Stamp { return store.Stamp{} }
	}
	if l.deps.SaveEvery <= 0 {
		l.deps.SaveEvery = time.Minute
	}
	var err error
	if l.rules, err = newRuleBook(slices.Concat(deps.Rules, Rules())); err != nil {
		return nil, err
	}
	l.watch.keepSpare(&l.deps.Config)
	l.restore()
	l.image.Boot = max(l.image.Boot+1, deps.Boot)
	l.image.Program, l.image.KilnHash = deps.Header.Program, deps.Header.KilnHash
	l.image.Names = namesOf(&l.deps.Config, l.rules.texts)
	l.fillHeader()
	return l, nil
}

// restore takes over what was saved, as far as it can be used.
func (l *Loop) restore() {
	l.seen.stage = -1
	if l.deps.Problem != nil {
		l.outage.problem = l.deps.Problem.Error()
	}
	m := l.deps.Restored
	if m == nil {
		return
	}
	image := *m
	changed, err := image.adopt(namesOf(&l.deps.Config, l.rules.texts), l.deps.Header.KilnHash)
	for _, files := range []*RunFiles{image.Run, image.Next} {
		if files != nil && err == nil {
			var other bool
			other, err = l.reload(files)
			changed = changed || other
		}
	}
	if err == nil {
		err = fits(&image)
	}
	l.image.Boot, l.image.LastRun, l.image.Clean, l.image.Unclean = m.Boot, m.LastRun, m.Clean, m.Unclean
	l.outage.changed, l.outage.cut, l.outage.dryBulb, l.outage.dryBulbOK = changed, m.Stamp, m.DryBulb, m.DryBulbOK
	if err != nil {
		l.outage.problem = err.Error()
		// A generation that was given out must not come again: what is durable under it is something else.
		l.image.State.Generation = m.State.Generation
		return
	}
	l.image, l.outage.restored = image, true
}

// reload makes a run's plan again from its kept copies.
func (l *Loop) reload(files *RunFiles) (changed bool, err error) {
	if files.Plan != nil {
		return false, nil // never left memory: a simulated restart
	}
	if l.deps.Copies == nil || l.deps.Prepare == nil {
		return false, fmt.Errorf("read run %d: its files cannot be read here", files.ID)
	}
	read := func(kept KeptFile) controller.File {
		text, failed := l.deps.Copies.Kept(kept.Hash)
		if failed != nil {
			err = errors.Join(err, fmt.Errorf("read run %d, %s: %w", files.ID, kept.Name, failed))
		}
		return controller.File{Name: kept.Name, Text: string(text)}
	}
	charge := controller.ChargeFiles{Charge: read(files.Charge)}
	for _, kept := range files.Schedules {
		charge.Schedules = append(charge.Schedules, read(kept))
	}
	if err != nil {
		return false, err
	}
	plan, err := l.deps.Prepare(charge)
	if err != nil {
		return false, fmt.Errorf("read run %d, %s: %w", files.ID, files.Charge.Name, err)
	}
	p := *plan
	p.ID, p.Hash = files.ID, planHash(&p, charge)
	files.Plan = &p
	return p.Hash != files.PlanHash, nil
}

// fits refuses a state that points where its plan has nothing.
func fits(m *Image) error {
	run := &m.State.Run
	if run.Phase != schedule.Idle {
		switch {
		case m.Run == nil || m.Run.ID != run.ID:
			return fmt.Errorf("read run %d: the state does not say by which files it goes", run.ID)
		case int(run.Stage) > len(m.Run.Plan.Schedule.Stages) || run.Stage < -1,
			run.Phase == schedule.Running && int(run.Stage) >= len(m.Run.Plan.Schedule.Stages):
			return fmt.Errorf("read run %d: its schedule has no stage %d", run.ID, run.Stage)
		}
	}
	if p := &m.State.Pending; p.On && p.Command.Verb == controller.VerbStart && m.Next == nil {
		return errors.New("read control state: a start is pending and its files are not named")
	}
	return nil
}

// Tick waits for the pacer's next beat and does one tick. The error is the context's, or tells that memory is damaged beyond
// its second copy; whatever else goes wrong is dealt with, shown in Status and logged.
func (l *Loop) Tick(ctx context.Context) error {
	if err := l.deps.Pacer.Next(ctx); err != nil {
		return err
	}
	l.read()
	if err := l.memory(); err != nil {
		return err
	}
	l.feed()
	in, state := &l.in, &l.image.State
	in.Snapshot, in.Plan = &l.snap, l.plan()
	in.Outage, in.OutageKnown, in.Restored, in.Changed, in.Unreadable, in.Often = 0, false, false, false, false, false
	in.Failing, in.Unheard = false, false
	if l.deps.Courier != nil {
		d := l.deps.Courier.Delivery()
		in.Failing, in.Unheard = d.Failing, d.Unheard
	}
	if l.snap.Tick == 1 {
		l.first()
	}
	controller.Step(&l.deps.Config, state, in, &l.res)
	before := l.applied.Trips
	l.deps.Gate.Apply(&l.snap, l.res.Requested, &l.applied)
	if l.deps.Notify != nil {
		l.alive()
	}
	l.granted()
	l.resets(before)
	l.news()
	l.swap()
	l.count()
	l.save()
	if l.deps.Recorder != nil {
		l.fillRecord()
		l.deps.Recorder.Record(&l.record)
	}
	l.tell()
	every := uint64(l.deps.PublishEvery)
	if l.res.ReplyCount > 0 || len(l.clearing) > 0 || every > 0 && (l.snap.Tick == 1 || l.snap.Tick%every == 0) {
		l.Publish()
	}
	l.answer()
	if len(l.clearing) > 0 {
		l.cleared()
	}
	return nil
}

// read fills the snapshot. When nothing could be read it holds nothing: no old value is taken for a new one.
func (l *Loop) read() {
	s := &l.snap
	now := l.deps.Pacer.Now()
	s.Tick++
	s.Elapsed = 0
	if s.Tick == 1 {
		l.origin = now
	} else {
		s.Elapsed = now.Sub(s.Now)
	}
	s.Now = now
	if l.deps.Wall != nil {
		s.Wall = l.deps.Wall()
		l.clock(&s.Wall)
	}
	if err := l.deps.Inputs.Read(now, s); err != nil {
		*s = hardware.Snapshot{Tick: s.Tick, Now: now, Elapsed: s.Elapsed, Wall: s.Wall}
		if !l.seen.unread {
			l.log.Error("inputs cannot be read", "err", err)
		}
		l.seen.unread = true
	} else if l.seen.unread {
		l.seen.unread = false
		l.log.Info("inputs are read again")
	}
	s.Previous, s.Durable = l.applied, l.deps.Saver.Durable()
	switch {
	case s.Durable >= l.image.State.Generation:
		l.behind = time.Time{}
	case l.behind.IsZero():
		l.behind = time.Now()
	}
	l.lateness()
}

// plan is that of the run, or of the charge to be started while none runs.
func (l *Loop) plan() *schedule.Plan {
	switch {
	case l.image.State.Run.Phase == schedule.Idle && l.image.Next != nil:
		return l.image.Next.Plan
	case l.image.State.Run.Phase != schedule.Idle && l.image.Run != nil:
		return l.image.Run.Plan
	}
	return nil
}

// first tells Step how the process came up.
func (l *Loop) first() {
	o := &l.outage
	estimate := time.Duration(0)
	if o.dryBulbOK {
		estimate = l.coolingSince(o)
	}
	if h := &l.deps.Header; l.deps.Restored != nil {
		now := l.stamp()
		o.length, o.known = store.Outage(o.cut, now, estimate)
		if length, measured := store.Outage(o.cut, now, 0); measured && !h.OutageKnown {
			h.OutageKnown, h.OutageNS = true, int64(length) // the judge wants no estimate
		}
	}
	l.tellHeader()
	l.in.Outage, l.in.OutageKnown, l.in.Restored, l.in.Changed = o.length, o.known, o.restored, o.changed
	l.in.Unreadable = o.problem != ""
	if l.deps.Restored != nil && l.deps.Breaks {
		l.in.Often = l.image.began(l.stamp())
	}
	level := slog.LevelInfo
	if o.problem != "" || o.changed {
		level = slog.LevelWarn
	}
	l.log.Log(context.Background(), level, "started", "boot", l.image.Boot, "restored", o.restored, "files_changed", o.changed,
		"outage_known", o.known, "outage_seconds", o.length.Seconds(), "problem", o.problem)
}

// coolingSince estimates the outage from the room's cooling, with the first valid probes of this tick.
func (l *Loop) coolingSince(o *outage) time.Duration {
	inside, ok := l.firstReading(hardware.RoleDryBulb)
	outside, ok2 := l.firstReading(hardware.RoleOutdoorTemperature)
	if !ok || !ok2 {
		return 0
	}
	return cooling(o.dryBulb, inside, outside)
}

// swap makes the plan of a started charge the plan of the run, and forgets the one of a run that was ended or refused.
func (l *Loop) swap() {
	m := &l.image
	run, next := &m.State.Run, m.Next
	changed := false
	switch {
	case next != nil && run.Phase != schedule.Idle && run.ID == next.ID:
		m.Run, m.Next, m.LastRun, changed = next, nil, next.ID, true
	case next != nil && !l.starting():
		m.Next = nil
	}
	if run.Phase == schedule.Idle && m.Run != nil {
		m.Run, changed = nil, true
	}
	if changed {
		l.tellHeader()
	}
}

// starting tells whether a start is still to be done or refused.
func (l *Loop) starting() bool {
	p := &l.image.State.Pending
	return p.On && p.Command.Verb == controller.VerbStart
}

func (l *Loop) count() {
	for on := l.applied.On &^ l.snap.Previous.On; on != 0; on &= on - 1 {
		l.counts.starts[lowest(on)]++
	}
	for i := range l.applied.VetoCount {
		if o := l.applied.Vetoes[i].Output; o < hardware.OutputCount {
			l.counts.vetoes[o]++
		}
	}
}

// granted adds an event for each reset of a latched trip that the gate accepted in this tick: one that a crash cuts short
// may be saved and never told.
func (l *Loop) granted() {
	for i := range l.clearing {
		a := &l.clearing[i]
		if a.since != l.snap.Now || int(l.res.EventCount) >= len(l.res.Events) {
			continue
		}
		rule := a.order.Rule
		l.res.Events[l.res.EventCount] = controller.Event{Kind: controller.EventResetGranted, A: int32(rule), B: float64(l.rules.text(rule).Clears)}
		l.res.EventCount++
	}
}

// resets adds an event for each latched trip that is no longer in force.
func (l *Loop) resets(before hardware.RuleSet) {
	for rule := range hardware.LastSafetyRule + 1 {
		if gone := before &^ l.applied.Trips; gone == 0 {
			return
		} else if gone.Has(rule) && int(l.res.EventCount) < len(l.res.Events) {
			l.res.Events[l.res.EventCount] = controller.Event{Kind: controller.EventTripReset, A: int32(rule), B: float64(l.rules.text(rule).Clears)}
			l.res.EventCount++
		}
	}
}

// save hands the state over when Step wants it durable, and progress every minute.
func (l *Loop) save() {
	l.unsaved += l.snap.Elapsed
	if !l.res.Save && l.unsaved < l.deps.SaveEvery && l.snap.Tick > 1 {
		return
	}
	l.unsaved = 0
	m := &l.image
	m.Stamp, m.DryBulb, m.DryBulbOK = l.stamp(), l.res.Conditions.DryBulb, l.res.Conditions.DryBulbOK
	l.deps.Saver.Save(m)
}

// patience is how long the disk may take for a save, in real time: a bad card can take seconds.
const patience = 10 * time.Second

// storageTrouble says what is wrong with the saving of control state; empty: nothing.
func (l *Loop) storageTrouble() string {
	if err := l.deps.Saver.Failure(); err != nil {
		return err.Error()
	}
	if !l.behind.IsZero() && time.Since(l.behind) > patience {
		return fmt.Sprintf("the disk has not taken generation %d for %s", l.image.State.Generation, controller.Span(time.Since(l.behind)))
	}
	return ""
}

func (l *Loop) alive() {
	if !l.ready {
		l.ready = true
		l.deps.Notify.Ready()
	}
	l.deps.Notify.Alive()
}

// Run ticks until ctx is done, then switches everything off and saves, in that order. A panic in a tick does the same but
// for saving: the state may be half changed, and what was saved last is whole. The error says what went wrong; a done
// context is none.
func (l *Loop) Run(ctx context.Context) (err error) {
	defer func() {
		panicked := recover()
		if l.deps.Notify != nil {
			l.deps.Notify.Stopping()
		}
		if failed := l.deps.Gate.Close(); failed != nil {
			l.log.Error("outputs could not be switched off", "err", failed)
			err = errors.Join(err, fmt.Errorf("switch everything off: %w", failed))
		}
		if panicked != nil {
			l.log.Error("control loop broke", "panic", fmt.Sprint(panicked), "stack", string(debug.Stack()))
			err = errors.Join(err, fmt.Errorf("control loop broke: %v", panicked))
		} else {
			l.res.Save, l.image.Clean = true, true
			l.save()
		}
		l.drain()
		l.log.Info("stopped", "ticks", l.snap.Tick)
	}()
	for {
		if err := l.Tick(ctx); err != nil {
			if errors.Is(err, context.Canceled) || errors.Is(err, context.DeadlineExceeded) {
				return nil
			}
			return err
		}
	}
}

// Now gives the kiln's time.
func (l *Loop) Now() mono.Instant { return l.deps.Pacer.Now() }
