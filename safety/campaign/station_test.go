package campaign

import (
	"context"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"drywarden/controller"
	"drywarden/controller/loop"
	"drywarden/controller/store"
	"drywarden/hardware"
	"drywarden/hardware/mono"
	"drywarden/hardware/simkiln"
	"drywarden/hardware/trace"
	"drywarden/safety"
	"drywarden/safety/audit"
	"drywarden/schedule"
	"drywarden/schedule/library"
)

// station is a whole kiln: the simulated room, the gate, the loop with its control state, the person, and one judge over all
// its boots. Process and disk can be broken through its seams.
type station struct {
	kiln    *simkiln.Kiln
	layout  hardware.Layout
	cfg     controller.Config
	limits  safety.Limits
	plan    *schedule.Plan
	clock   mono.Manual // of this boot
	elapsed time.Duration
	boot    uint32
	name    string // hash of the kiln file, as far as the program knows

	gate    *safety.Gate
	loop    *loop.Loop
	saver   memory
	trips   tripMemory
	checker *audit.Checker

	// Seams.
	late    time.Duration              // the next tick comes so much later
	spoils  []hook[*hardware.Snapshot] // of what is read
	meddles []hook[*hardware.Outputs]  // a controller that asks for what it should not
	gated   func(*hardware.Applied)    // a gate that does something else than it decided; s.asks is what it was asked
	noted   func(*trace.Record)        // a recorder that writes something else than there was
	due     []errand                   // what happens to process and disk, by time
	offset  int64                      // of the computer's wall clock, seconds
	lasting time.Duration              // of a failure that is injected now

	asked *hardware.Outputs  // as meddled with, for the record
	asks  hardware.Outputs   // of the gate, in this tick
	shown *controller.Status // the person saw it last
	again []weighing         // not yet answered
	told  [256]bool          // rules, by alarm, veto or trip, since listen
	level hardware.SafeLevel // worst since listen
	trace uint64             // digest of every tick
	last  trace.Record
}

// hook changes something on its way until a time.
type hook[T any] struct {
	until time.Duration
	do    func(T)
}

// errand is something that happens at a time.
type errand struct {
	at time.Duration
	do func() error
}

func apply[T any](s *station, hooks *[]hook[T], to T) bool {
	*hooks = slices.DeleteFunc(*hooks, func(h hook[T]) bool { return s.elapsed >= h.until })
	for _, h := range *hooks {
		h.do(to)
	}
	return len(*hooks) > 0
}

// later has something done after a while.
func (s *station) later(after time.Duration, do func() error) {
	s.due = append(s.due, errand{s.elapsed + after, do})
}

type weighing struct {
	command controller.Command
	reply   <-chan controller.Reply
}

// memory keeps the control state: what is saved in one tick is durable in the next, unless the disk has a fault.
type memory struct {
	pending, saved loop.Image
	live           *loop.Image // the loop's own
	waiting        bool
	fault          error
}

func (m *memory) Save(image *loop.Image) { m.live, m.pending, m.waiting = image, *image, true }

func (m *memory) Durable() uint64 {
	if m.waiting && m.fault == nil {
		m.saved, m.waiting = m.pending, false
	}
	return m.saved.State.Generation
}

func (m *memory) Failure() error { return m.fault }

// tripMemory keeps the gate's record of trips.
type tripMemory struct {
	names []string
	fault error
}

func (m *tripMemory) LoadTrips() ([]string, error) { return slices.Clone(m.names), m.fault }

func (m *tripMemory) SaveTrips(names []string) error {
	if m.fault == nil {
		m.names = slices.Clone(names)
	}
	return m.fault
}

// Next is the loop's beat. The kiln moves with the clock.
func (s *station) Next(context.Context) error {
	s.move(time.Second + s.late)
	s.late = 0
	return nil
}

func (s *station) Now() mono.Instant { return s.clock.Now() }

// move lets time pass in kiln and computer.
func (s *station) move(d time.Duration) {
	s.clock.Advance(d)
	s.kiln.Advance(d)
	s.elapsed += d
}

// Read is the loop's.
func (s *station) Read(now mono.Instant, to *hardware.Snapshot) error {
	if err := s.kiln.Read(now, to); err != nil {
		return err
	}
	apply(s, &s.spoils, to)
	return nil
}

// keeper stands between loop and gate: it listens, and meddles when it is told to.
type keeper struct{ *station }

func (k keeper) Apply(snap *hardware.Snapshot, requested hardware.Outputs, applied *hardware.Applied) {
	s := k.station
	if s.asked = nil; apply(s, &s.meddles, &requested) {
		s.asked = &requested
	}
	s.gate.Apply(snap, requested, applied)
	if s.gated != nil {
		s.asks = requested
		s.gated(applied)
		_ = s.kiln.Apply(s.clock.Now(), applied.Outputs) // it refuses what it has not; the record keeps that
	}
	for _, a := range applied.Alarms[:applied.AlarmCount] {
		s.told[a.Rule] = true
	}
	for _, v := range applied.Vetoes[:applied.VetoCount] {
		s.told[v.Rule] = true
	}
	s.level = max(s.level, applied.Forced)
}

func (k keeper) Ack(rule hardware.RuleID) error { return k.gate.Ack(rule) }
func (k keeper) Reset(rule hardware.RuleID, who hardware.Authority, reason string) error {
	return k.gate.Reset(rule, who, reason)
}
func (k keeper) Close() error { return k.gate.Close() }

// Header is the trace's.
func (s *station) Header(h *trace.Header) {
	if s.checker == nil {
		s.checker = audit.New(*h)
		return
	}
	s.checker.Restart(*h)
}

// Record is the trace's.
func (s *station) Record(r *trace.Record) {
	if s.asked != nil {
		r.Requested = uint32(s.asked.On)
		for i, v := range s.asked.FanSpeed {
			r.RequestedSpeed[i] = float64(v)
		}
	}
	if s.noted != nil {
		s.noted(r)
	}
	s.checker.Check(r)
	for i := range r.EventCount {
		if e := &r.Events[i]; controller.EventKind(e.Kind) == controller.EventAlarm {
			s.told[hardware.RuleID(e.A)] = true
		}
	}
	for _, v := range [...]uint64{uint64(r.Applied)<<32 | uint64(r.Requested), r.Trips, math.Float64bits(r.EMC), math.Float64bits(r.Probe[0]), uint64(r.Mode)<<8 | uint64(r.Forced)} {
		s.trace = (s.trace ^ v) * 0x100000001b3
	}
	s.last = *r
}

// listen forgets what was told so far; what is still on the lists is told again by whoever owns it, the controller's
// alarms excepted, which the caller looks up with on.
func (s *station) listen() { s.told, s.level = [256]bool{}, hardware.NotForced }

// on tells whether an alarm of the controller or of the shell is on the list now.
func (s *station) on(rule hardware.RuleID) bool {
	st := &s.saver.live.State
	for _, a := range st.Alarms[:st.AlarmCount] {
		if a.Rule == rule && a.Active {
			return true
		}
	}
	return false
}

// start is a process's start after an outage; image is what it finds on its disk, nil for nothing.
func (s *station) start(image *loop.Image, problem error, outage time.Duration) error {
	s.clock = mono.Manual{}
	gate, err := safety.NewGate(s.limits, &s.layout, s.kiln, &s.clock, &s.trips)
	if err != nil {
		return err
	}
	s.gate = gate
	s.boot++
	fault := s.saver.fault
	s.saver = memory{fault: fault, live: &loop.Image{}}
	if image != nil {
		s.saver.saved, s.saver.pending = *image, *image
	}
	cfg := s.cfg
	cfg.Layout.Probes = slices.Clone(s.layout.Probes)
	s.loop, err = loop.New(loop.Deps{
		Config: cfg, Inputs: s, Gate: keeper{s}, Saver: &s.saver, Pacer: s, Recorder: s,
		Header: trace.Header{Program: "campaign", Kiln: "campaign", KilnHash: s.name, OutageKnown: true, OutageNS: int64(outage), Limits: s.traceLimits()},
		Rules:  safety.Rules(), Restored: image, Problem: problem, Boot: s.boot, PublishEvery: publishEvery, Wall: s.wallTime,
		Stamp: func() store.Stamp {
			return store.Stamp{BootID: "one", BootTime: s.elapsed, WallUnix: 1_700_000_000 + int64(s.elapsed/time.Second), WallTrusted: true}
		},
	})
	s.cfg.Layout.Probes = cfg.Layout.Probes // shared with the loop on purpose: damaged memory is a seam
	s.shown, s.again = nil, nil
	return err
}

func (s *station) wallTime() hardware.WallTime {
	return hardware.WallTime{Unix: time.Now().Unix() + s.offset, Trusted: true}
}

// publishEvery is how many ticks pass between two looks of the person at the status.
const publishEvery = 600

func (s *station) traceLimits() trace.Limits {
	l, q := &s.limits, &s.cfg.Sequence
	return trace.Limits{
		CompressorMinOffNS: int64(l.CompressorMinOff), CompressorStartsHour: l.CompressorStarts,
		CompressorMinOnNS:    int64(min(q.MinOn, q.MinOnWet, q.MinOnOver)),
		CompressorAmbientMin: float64(l.CompressorAmbientMin), CompressorAmbientMax: float64(l.CompressorAmbientMax),
		FanCoastNS: int64(l.FanCoast), DryBulbMax: float64(l.DryBulbMax), StartDelayNS: int64(l.StartDelay),
		VentIntervalNS: int64(l.VentInterval), SprayIntervalNS: int64(l.SprayInterval), ContactorIntervalNS: int64(l.ContactorInterval),
		RampDryBulb: 20, RampEMC: 5,
	}
}

// tick is one tick of a living program. What breaks it is kept as the problem and ends the run.
func (s *station) tick() (err error) {
	defer func() {
		if p := recover(); p != nil {
			err = fmt.Errorf("a tick panicked: %v", p)
		}
	}()
	if err := s.loop.Tick(context.Background()); err != nil {
		return err
	}
	s.person()
	for i := 0; i < len(s.due); i++ {
		if e := s.due[i]; s.elapsed >= e.at {
			s.due = slices.Delete(s.due, i, i+1)
			return e.do()
		}
	}
	return nil
}

// kill takes the program away, as a power cut of the computer or kill -9 does; the kiln goes on without for that long. A
// new program finds what was durable.
func (s *station) kill(outage time.Duration) error {
	before := s.saver.live.State.Run
	s.saver.waiting = false // not yet durable: lost
	image := s.saver.saved
	s.kiln.Advance(outage)
	s.elapsed += outage
	restored := &image
	if image.Boot == 0 {
		restored = nil
	}
	if err := s.start(restored, nil, outage); err != nil {
		return err
	}
	if err := s.tick(); err != nil {
		return err
	}
	after := s.saver.live.State.Run
	if after.Phase == schedule.Running && after.ID == before.ID && after.Stage == before.Stage && after.Exposure > before.Exposure+time.Second {
		return fmt.Errorf("recovered exposure %v, it was %v", after.Exposure, before.Exposure)
	}
	return nil
}

func (s *station) where() (run uint32, stage int8) { return s.last.RunID, s.last.Stage }

// person shows the simulated person the newest status and does what they decided.
func (s *station) person() {
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
	if status := s.loop.Status(); status != nil && status != s.shown {
		s.kiln.Tell(noticeOf(status))
		s.shown = status
	}
	for _, a := range s.kiln.Actions() {
		c := controller.Command{}
		c.Run, c.Stage = s.where()
		reason := ""
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

// ruleByName finds rules of every part.
var ruleByName = func() map[string]hardware.RuleText {
	found := map[string]hardware.RuleText{}
	for _, r := range slices.Concat(safety.Rules(), loop.Rules()) {
		found[r.Name] = r
	}
	return found
}()

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

// pairCharge goes through every kind of stage.
const pairCharge = `
id = "pairs"
conditioning = true
[equalizing]
emc_below = "0.3 %"
end_above = "2.5 %"
[[lot]]
name = "ash"
species = "SPECIES"
thickness = "4/4"
volume = "1.2 m3"
start = "24 %"
target = "9 %"
[[lot]]
name = "poplar"
species = "poplar, yellow"
thickness = "4/4"
volume = "1.2 m3"
start = "22 %"
target = "9 %"
[[sample]]
name = "a1"
lot = "ash"
[[sample]]
name = "a2"
lot = "ash"
[[sample]]
name = "p1"
lot = "poplar"
[[sample]]
name = "p2"
lot = "poplar"
[[stage]]
kind = "preheat"
dry_bulb = "40 C"
emc = "14 %"
until = { time = "8 h" }
[[stage]]
kind = "dry"
name = "dry 1"
dry_bulb = "43 C"
emc = "9 %"
until = { moisture = "15 %", at_least = "12 h" }
[[stage]]
kind = "dry"
name = "dry 2"
dry_bulb = "45 C"
emc = "5.5 %"
until = { at_least = "12 h" }
[[stage]]
kind = "equalize"
until = { at_least = "12 h" }
[[stage]]
kind = "condition"
emc = "12 %"
until = { time = "10 h" }
[[stage]]
kind = "heat"
dry_bulb = "64 C"
core = "56 C"
exposure = "10 h"
count = "cumulative"
[[stage]]
kind = "cool"
`

// newStation loads a container with two lots, wired as the program does it. species is what the sheet says of the first lot.
func newStation(seed uint64, sheetSpecies, species string) (*station, error) {
	c := simkiln.DefaultConfig()
	c.Seed, c.Nodes = seed, 8
	c.Weather = simkiln.Weather{Mean: 15, Daily: 4, Noise: 1, Humidity: 0.65, Day: 150}
	c.Room.Start = 22
	c.Probes.LoadCells = 1
	c.Lots = []simkiln.LotConfig{
		{Name: "ash", Species: species, Thickness: 0.027, Volume: 1.2, Start: 24, Sigma: 2, Boards: 3},
		{Name: "poplar", Species: "yellow-poplar", Thickness: 0.027, Volume: 1.2, Start: 22, Sigma: 2, Boards: 3}}
	c.Samples = []int8{0, 0, 1, 1}
	kiln, err := simkiln.New(c)
	if err != nil {
		return nil, err
	}
	s := &station{kiln: kiln, layout: kiln.Layout(), limits: safety.DefaultLimits(), name: "kiln"}
	s.limits.CompressorAmbientMax = 55
	s.cfg = controller.DefaultConfig()
	s.cfg.Layout, s.cfg.Pressure, s.cfg.Volume = s.layout, c.Pressure, c.Room.AirVolume
	s.cfg.DryBulbMax, s.cfg.EMCMin = 65, 4.5
	s.cfg.Estimate.VentFlow, s.cfg.Estimate.SprayRate = c.Vents.Flow, c.Spray.Rate
	d := &s.cfg.Demand
	d.HeatStages, d.Vent, d.Spray, d.Compressor, d.BlowerLow = s.layout.HeatStages, c.Vents.Fitted, c.Spray.Fitted, c.Machine.Fitted, c.Machine.BlowerLow
	d.AmbientMin, d.AmbientMax, d.LoneDuty = s.limits.CompressorAmbientMin, s.limits.CompressorAmbientMax, s.limits.HeatDuty
	sheet, err := schedule.ParseCharge("charge.toml", []byte(strings.ReplaceAll(pairCharge, "SPECIES", sheetSpecies)))
	if err != nil {
		return nil, err
	}
	s.plan, err = schedule.Resolve(sheet, schedule.Kiln{Machine: library.Machine{Pressure: c.Pressure, DryBulbMax: 47, RHMin: 0.28}, EMCMin: 4.5,
		DryBulbMax: 65, HeatMax: 65, Spray: true, Heat: true, Vent: true, Cores: 4, Simulated: true})
	if err != nil {
		return nil, err
	}
	for i, cut := range kiln.CutSamples() {
		s.plan.Samples[i].Start, s.plan.Samples[i].OvenDry = cut.Start, cut.OvenDry
	}
	if err := s.start(nil, nil, 0); err != nil {
		return nil, err
	}
	s.loop.Start(s.plan)
	return s, nil
}

// checkpoint is a kiln in the middle of a charge, with all that its program had made durable.
type checkpoint struct {
	from  *station
	kiln  *simkiln.Kiln
	image loop.Image
	trips []string
	at    time.Duration
	stage schedule.Kind
}

func (s *station) checkpoint(kind schedule.Kind) checkpoint {
	return checkpoint{from: s, kiln: s.kiln.Clone(), image: *s.saver.live, trips: slices.Clone(s.trips.names), at: s.elapsed, stage: kind}
}

// resume gives a station of its own that goes on from the checkpoint, with a program just started.
func (c *checkpoint) resume() (*station, error) {
	f := c.from
	s := &station{kiln: c.kiln.Clone(), layout: f.layout, cfg: f.cfg, limits: f.limits, plan: f.plan, elapsed: c.at, boot: c.image.Boot, name: f.name,
		trips: tripMemory{names: slices.Clone(c.trips)}}
	s.layout.Probes = slices.Clone(f.layout.Probes)
	s.listen()
	image := c.image
	return s, s.start(&image, nil, 0)
}
