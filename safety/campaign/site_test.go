package campaign

import (
	"context"
	"fmt"
	"math"
	"slices"
	"time"

	"github.com/stretchr/testify/require"

	"drywarden/controller"
	"drywarden/controller/loop"
	"drywarden/controller/store"
	"drywarden/controller/store/storetest"
	"drywarden/hardware"
	"drywarden/hardware/mono"
	"drywarden/hardware/simkiln"
	"drywarden/hardware/trace"
	"drywarden/safety"
	"drywarden/safety/audit"
	"drywarden/schedule"
)

// site is a whole kiln: the simulated one with its probes, machines and person, the gate, the controller in its loop, their
// stores, and one judge over all boots. Only the files are in memory. It is the loop's inputs, gate, saver, pacer and
// recorder, and looks over the shoulder of each; seams_test.go says how they are broken, charges_test.go what is in it.
type site struct {
	t      require.TestingT
	kiln   *simkiln.Kiln
	limits safety.Limits
	deps   loop.Deps // what does not change from boot to boot
	plan   *schedule.Plan
	judge  *audit.Checker

	// Of this boot.
	clock  mono.Manual
	gate   *safety.Gate
	loop   *loop.Loop
	boot   uint32
	probes []hardware.Probe // of the configuration in the loop's memory
	live   *loop.Image      // the loop's own, once it has saved

	// What outlives a boot: in memory, or on the disk where there is one.
	memory memory
	disk   *storetest.Disk
	saver  loop.Saver
	trips  safety.TripStore

	seams
	person

	// Of the last tick: the loop's own, until the next.
	snap   *hardware.Snapshot
	last   *hardware.Applied
	record *trace.Record
	digest uint64 // of every tick

	since  map[string]time.Duration            // rule -> kiln's time at which it was told, while it is
	ever   map[string]time.Duration            // rule -> kiln's time at which it was told first in this boot
	raised [hardware.MaxAlarms]hardware.RuleID // by the gate, in the last tick
	began  time.Duration                       // of the failure, by the kiln's time
	was    trace.Record                        // the last before it
	real   bool                                // each tick takes a second of the test's own time, in a bubble of synctest
}

// ruleByName and ruleName find rules of every part.
var ruleByName, ruleName = func() (map[string]hardware.RuleText, map[hardware.RuleID]string) {
	texts, names := map[string]hardware.RuleText{}, map[hardware.RuleID]string{}
	for _, r := range slices.Concat(safety.Rules(), loop.Rules()) {
		texts[r.Name], names[r.ID] = r, r.Name
	}
	return texts, names
}()

func (s *site) idOf(name string) hardware.RuleID {
	require.Contains(s.t, ruleByName, name)
	return ruleByName[name].ID
}

// start is a process's start after an outage: gate and loop anew. image is what it finds, nil for nothing.
func (s *site) start(image *loop.Image, problem error, outage time.Duration) error {
	s.clock, s.boot, s.live = mono.Manual{}, s.boot+1, &loop.Image{}
	s.since, s.ever, s.raised = map[string]time.Duration{}, map[string]time.Duration{}, [hardware.MaxAlarms]hardware.RuleID{}
	s.snap, s.last = &hardware.Snapshot{}, &hardware.Applied{}
	s.seen, s.again = nil, nil
	s.memory.restart(image)
	d := s.deps
	layout := d.Config.Layout
	s.probes = slices.Clone(layout.Probes)
	d.Config.Layout.Probes = s.probes
	d.Inputs, d.Gate, d.Saver, d.Pacer, d.Recorder, d.Rules = s, s, s, s, s, safety.Rules()
	d.Restored, d.Problem, d.Boot, d.Wall = image, problem, s.boot, s.wallTime
	d.Stamp = func() store.Stamp {
		now := s.kiln.Now()
		return store.Stamp{BootID: "one", BootTime: now, WallUnix: 1_700_000_000 + int64(now/time.Second), WallTrusted: true}
	}
	h := &d.Header
	h.Program, h.Kiln, h.OutageKnown, h.OutageNS, h.Limits = "campaign", "campaign", true, int64(outage), traceLimits(&s.limits, &d.Config)
	gate, err := safety.NewGate(s.limits, &layout, s.kiln, &s.clock, s.trips)
	if err != nil {
		return err
	}
	s.gate = gate
	s.loop, err = loop.New(d)
	return err
}

// traceLimits are those that the judge goes by.
func traceLimits(l *safety.Limits, c *controller.Config) trace.Limits {
	return trace.Limits{
		CompressorMinOffNS: int64(l.CompressorMinOff), CompressorStartsHour: l.CompressorStarts,
		CompressorMinOnNS:    int64(min(c.Sequence.MinOn, c.Sequence.MinOnWet, c.Sequence.MinOnOver)),
		CompressorAmbientMin: float64(l.CompressorAmbientMin), CompressorAmbientMax: float64(l.CompressorAmbientMax),
		FanCoastNS: int64(l.FanCoast), DryBulbMax: float64(l.DryBulbMax), SetDryBulbMax: float64(c.DryBulbMax), StartDelayNS: int64(l.StartDelay),
		VentIntervalNS: int64(l.VentInterval), SprayIntervalNS: int64(l.SprayInterval), ContactorIntervalNS: int64(l.ContactorInterval),
		RampDryBulb: 20, RampEMC: 5,
	}
}

// move lets time pass in kiln and computer.
func (s *site) move(d time.Duration) {
	s.clock.Advance(d)
	s.kiln.Advance(d)
}

// Next and Now are the loop's beat. The kiln moves with the clock.
func (s *site) Next(ctx context.Context) error {
	s.move(time.Second + s.late)
	s.late = 0
	return ctx.Err()
}

func (s *site) Now() mono.Instant { return s.clock.Now() }

// Read is the inputs.
func (s *site) Read(now mono.Instant, to *hardware.Snapshot) error {
	if err := s.kiln.Read(now, to); err != nil {
		return err
	}
	apply(s.kiln.Now(), &s.spoils, to)
	return nil
}

// Apply, Ack, Reset and Close are the gate as the loop knows it.
func (s *site) Apply(snap *hardware.Snapshot, requested hardware.Outputs, out *hardware.Applied) {
	if s.asked = nil; apply(s.kiln.Now(), &s.meddles, &requested) {
		s.asked = &requested
	}
	s.gate.Apply(snap, requested, out)
	if s.gated != nil {
		s.gated(requested, out)
		_ = s.kiln.Apply(s.clock.Now(), out.Outputs) // it refuses what it has not; the record keeps that
	}
	s.snap, s.last = snap, out
}

func (s *site) Ack(rule hardware.RuleID) error { return s.gate.Ack(rule) }
func (s *site) Reset(rule hardware.RuleID, who hardware.Authority, reason string) error {
	return s.gate.Reset(rule, who, reason)
}
func (s *site) Close() error { return s.gate.Close() }

// Save, Durable and Failure are the saver.
func (s *site) Save(image *loop.Image) {
	s.live = image
	s.saver.Save(image)
}
func (s *site) Durable() uint64 { return s.saver.Durable() }
func (s *site) Failure() error  { return s.saver.Failure() }

// Header and Record are the recorder: the judge.
func (s *site) Header(h *trace.Header) {
	if s.judge == nil {
		s.judge = audit.New(*h)
		return
	}
	s.judge.Restart(*h)
}

func (s *site) Record(r *trace.Record) {
	if s.asked != nil {
		r.Requested = uint32(s.asked.On)
		for i, v := range s.asked.FanSpeed {
			r.RequestedSpeed[i] = float64(v)
		}
	}
	if s.noted != nil {
		s.noted(r)
	}
	s.judge.Check(r)
	for i := range r.EventCount {
		switch e := &r.Events[i]; controller.EventKind(e.Kind) {
		case controller.EventAlarm:
			s.tell(hardware.RuleID(e.A))
		case controller.EventAlarmClear:
			delete(s.since, ruleName[hardware.RuleID(e.A)])
		}
	}
	for _, v := range [...]uint64{uint64(r.Applied)<<32 | uint64(r.Requested), r.Trips, math.Float64bits(r.EMC), math.Float64bits(r.Probe[0]), uint64(r.Mode)<<8 | uint64(r.Forced)} {
		s.digest = (s.digest ^ v) * 0x100000001b3
	}
	s.record = r
}

func (s *site) tell(rule hardware.RuleID) {
	name, now := ruleName[rule], s.kiln.Now()
	if _, told := s.since[name]; !told {
		s.since[name] = now
	}
	if _, told := s.ever[name]; !told {
		s.ever[name] = now
	}
}

// hear keeps which of the gate's rules are told.
func (s *site) hear() {
	var now [hardware.MaxAlarms]hardware.RuleID
	for i := range s.last.AlarmCount {
		now[i] = s.last.Alarms[i].Rule
	}
	if now == s.raised {
		return
	}
	for _, was := range s.raised {
		if !slices.Contains(now[:s.last.AlarmCount], was) {
			delete(s.since, ruleName[was])
		}
	}
	for _, is := range now[:s.last.AlarmCount] {
		s.tell(is)
	}
	s.raised = now
}

// tells says whether a rule is told in this tick: by an alarm, a refusal or an event, or on the controller's list.
func (s *site) tells(rule hardware.RuleID) bool {
	for i := range s.last.AlarmCount {
		if s.last.Alarms[i].Rule == rule {
			return true
		}
	}
	for i := range s.last.VetoCount {
		if s.last.Vetoes[i].Rule == rule {
			return true
		}
	}
	for i := range s.record.EventCount {
		if e := &s.record.Events[i]; controller.EventKind(e.Kind) == controller.EventAlarm && hardware.RuleID(e.A) == rule {
			return true
		}
	}
	st := &s.live.State
	for i := range st.AlarmCount {
		if a := &st.Alarms[i]; a.Rule == rule && a.Active {
			return true
		}
	}
	return false
}

// tick is one tick of a living program, a second if it is not late. The error says what broke it.
func (s *site) tick() (err error) {
	defer func() {
		if p := recover(); p != nil {
			err = fmt.Errorf("a tick panicked: %v", p)
		}
	}()
	if s.real {
		time.Sleep(time.Second)
	}
	if err := s.loop.Tick(context.Background()); err != nil {
		return err
	}
	s.hear()
	s.visit()
	for i := range s.due {
		if e := s.due[i]; s.kiln.Now() >= e.at {
			s.due = slices.Delete(s.due, i, i+1)
			return e.do()
		}
	}
	return nil
}

func (s *site) run(d time.Duration) {
	for end := s.kiln.Now() + d; s.kiln.Now() < end; {
		require.NoError(s.t, s.tick())
	}
}

// until runs until something is so, at most for a time, and tells whether it came to that.
func (s *site) until(limit time.Duration, so func() bool) bool {
	for end := s.kiln.Now() + limit; s.kiln.Now() < end; {
		if so() {
			return true
		}
		require.NoError(s.t, s.tick())
	}
	return so()
}

// ask hands in a command and gives the answer.
func (s *site) ask(c controller.Command) controller.Reply {
	replies := s.loop.Submit(c)
	for range 40 {
		require.NoError(s.t, s.tick())
		select {
		case r := <-replies:
			return r
		default:
		}
	}
	require.Fail(s.t, "not answered", c.Verb.String())
	return controller.Reply{}
}

// status is what an operator sees now.
func (s *site) status() *controller.Status { return s.loop.Publish() }

// shown gives the alarm of a rule as an operator sees it; nil when there is none.
func (s *site) shown(rule string) *controller.AlarmStatus {
	for _, a := range s.status().Alarms {
		if a.Rule == rule {
			return &a
		}
	}
	return nil
}

// clean asks the judge.
func (s *site) clean() {
	found := slices.DeleteFunc(s.judge.Finish().Violations, func(v audit.Violation) bool { return slices.Contains(s.pardon, v.Name) })
	require.Empty(s.t, found, "the judge finds nothing")
}

// checkpoint is a kiln in the middle of a charge, from which others begin. Beginning from it is a start of the program
// without an outage.
type checkpoint struct {
	kiln   *simkiln.Kiln
	limits safety.Limits
	deps   loop.Deps
	plan   *schedule.Plan
	image  loop.Image
	trips  []string
	stage  schedule.Kind
}

// checkpoint keeps the kiln as it is, with the control state of an orderly end. The judge may have nothing to say.
func (s *site) checkpoint() *checkpoint {
	s.clean()
	return &checkpoint{kiln: s.kiln.Clone(), limits: s.limits, deps: s.deps, plan: s.plan, image: *s.live, trips: slices.Clone(s.memory.trips),
		stage: schedule.Kind(s.record.StageKind)}
}

// resume gives a site of its own that goes on from the checkpoint; change may alter it before its program starts.
func (c *checkpoint) resume(t require.TestingT, change func(*site)) *site {
	s := &site{t: t, kiln: c.kiln.Clone(), limits: c.limits, deps: c.deps, plan: c.plan, boot: c.image.Boot, record: &trace.Record{}}
	s.memory.trips = slices.Clone(c.trips)
	s.saver, s.trips = &s.memory, &s.memory
	if change != nil {
		change(s)
	}
	image := c.image
	image.Clean = true // the end was the test's
	require.NoError(t, s.start(&image, nil, 0))
	return s
}

// person is what the simulated person knows of the program.
type person struct {
	seen  *controller.Status // last
	again []weighing         // not yet answered
}

type weighing struct {
	command controller.Command
	reply   <-chan controller.Reply
}

// visit shows the simulated person the newest status and does what they decided.
func (s *site) visit() {
	s.again = slices.DeleteFunc(s.again, func(w weighing) bool {
		select {
		case reply := <-w.reply:
			if reply.Refusal == controller.RefusedUnlikely && !w.command.Recheck {
				w.command.Recheck = true
				s.loop.Submit(w.command)
			}
			return true
		default:
			return false
		}
	})
	if status := s.loop.Status(); status != nil && status != s.seen {
		s.kiln.Tell(noticeOf(status))
		s.seen = status
	}
	for _, a := range s.kiln.Actions() {
		c, reason := s.command(0), ""
		switch a.Kind {
		case simkiln.WeighSample:
			c.Verb, c.Sample, c.Mass = controller.VerbWeigh, a.Sample, a.Mass
			s.again = append(s.again, weighing{c, s.loop.Submit(c)})
			continue
		case simkiln.Ack:
			c.Verb, c.Rule = controller.VerbAck, a.Rule
		case simkiln.ResetTrip:
			c.Verb, c.Rule, reason = controller.VerbReset, a.Rule, "mended"
		case simkiln.Confirm:
			c.Verb, c.Matters = controller.VerbConfirm, mattersOf(s.loop.Status())
		default:
			continue
		}
		s.loop.SubmitOrder(controller.Order{Command: c, Reason: reason})
	}
}

// command is one to the run and stage of the last tick.
func (s *site) command(verb controller.Verb) controller.Command {
	return controller.Command{Verb: verb, Run: s.record.RunID, Stage: s.record.Stage}
}

// mattersOf is what a status shows to be confirmed.
func mattersOf(s *controller.Status) controller.Matters {
	m, err := controller.MattersNamed(s.ToConfirm)
	if err != nil {
		panic(err) // the program's own names
	}
	return m
}

func noticeOf(s *controller.Status) simkiln.Notice {
	n := simkiln.Notice{Running: s.Charge != nil && s.Charge.Phase == "running", Confirm: s.Outage.Confirm}
	add := func(rule string, a hardware.Alarm) {
		text, ok := ruleByName[rule]
		if !ok || int(n.AlarmCount) >= len(n.Alarms) {
			return
		}
		a.Rule, a.Clears = text.ID, text.Clears
		n.Alarms[n.AlarmCount] = a
		n.AlarmCount++
	}
	listed := map[string]bool{}
	for _, a := range s.Alarms {
		listed[a.Rule] = true
		add(a.Rule, hardware.Alarm{Latched: a.Latched, Active: a.Active, Acked: a.Acked})
	}
	for _, t := range s.Trips {
		if !listed[t.Rule] {
			add(t.Rule, hardware.Alarm{Latched: true, Active: t.Active, Acked: true})
		}
	}
	return n
}
