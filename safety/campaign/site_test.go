package campaign

import (
	"context"
	"fmt"
	"slices"
	"time"

	"github.com/stretchr/testify/require"

	"drywarden/controller"
	"drywarden/controller/loop"
	"drywarden/controller/store"
	"drywarden/controller/store/storetest"
	"drywarden/hardware"
	"drywarden/hardware/mono"
	"drywarden/hardware/quantity"
	"drywarden/hardware/simkiln"
	"drywarden/hardware/trace"
	"drywarden/safety"
	"drywarden/safety/audit"
	"drywarden/schedule"
	"drywarden/schedule/library"
)

// site is a whole kiln: the simulated one with its probes and machines, the gate, the controller in its loop, their stores,
// and the judge looking on. Only the files are in memory.
type site struct {
	t     require.TestingT
	kiln  *simkiln.Kiln
	pace  *siteBeat
	store safety.TripStore
	saver loop.Saver
	disk  *storetest.Disk // nil: everything saved is safe at the next tick
	gate  *safety.Gate
	deps  loop.Deps
	loop  *loop.Loop
	plan  *schedule.Plan
	judge *audit.Checker
	rules []hardware.RuleText

	last     hardware.Applied                                     // of the gate
	snap     hardware.Snapshot                                    // of the last tick
	since    map[string]time.Duration                             // rule -> kiln's time at which it was told, while it is
	ever     map[string]time.Duration                             // rule -> kiln's time at which it was told first
	ambient  quantity.Celsius                                     // the least that the compressor may run at
	breaks   bool                                                 // reading the inputs panics
	boots    uint32                                               // of this site
	pardon   []string                                             // invariants that the failure itself breaks
	prepare  func(controller.ChargeFiles) (*schedule.Plan, error) // nil: no charge is started from files
	prepared *schedule.Plan                                       // by prepare, the last
	real     bool                                                 // each tick takes a second of the test's own time, in a bubble of synctest
	wallSkew time.Duration                                        // of the wall clock against the true time
	visitor  *visitor                                             // nil: nobody comes
	began    time.Duration                                        // of the failure, by the kiln's time
	panel    bool                                                 // somebody holds the panel's reset
	dryBulb  float64                                              // as believed, 0 when it is not
	set      float64                                              // dry-bulb set point, 0 when there is none
	raised   [hardware.MaxAlarms]string                           // by the gate, in the tick before
}

// siteBeat moves the simulated kiln by a second before each tick.
type siteBeat struct {
	*mono.Paced
	kiln *simkiln.Kiln
}

func (b *siteBeat) Next(ctx context.Context) error {
	if err := b.Paced.Next(ctx); err != nil {
		return err
	}
	b.kiln.Advance(time.Second)
	return nil
}

// siteTrips is the gate's store.
type siteTrips struct{ names []string }

func (m *siteTrips) LoadTrips() ([]string, error) { return slices.Clone(m.names), nil }
func (m *siteTrips) SaveTrips(names []string) error {
	m.names = slices.Clone(names)
	return nil
}

// Read is the inputs: the kiln's, and the panel's reset when the test holds it.
func (s *site) Read(now mono.Instant, to *hardware.Snapshot) error {
	if s.breaks {
		panic("a driver broke")
	}
	err := s.kiln.Read(now, to)
	to.Contacts.Active = to.Contacts.Active.With(hardware.ContactPanelReset, s.panel)
	return err
}

// Apply is the gate as the loop knows it; the site looks over its shoulder.
func (s *site) Apply(snap *hardware.Snapshot, requested hardware.Outputs, out *hardware.Applied) {
	s.gate.Apply(snap, requested, out)
	s.last, s.snap = *out, *snap
}

func (s *site) Ack(rule hardware.RuleID) error { return s.gate.Ack(rule) }
func (s *site) Reset(rule hardware.RuleID, who hardware.Authority, reason string) error {
	return s.gate.Reset(rule, who, reason)
}
func (s *site) Close() error { return s.gate.Close() }

// Header and Record are the recorder: the judge.
func (s *site) Header(h *trace.Header) {
	switch {
	case s.judge == nil:
		s.judge = audit.New(*h)
	default:
		s.judge.Restart(*h)
	}
}

func (s *site) Record(r *trace.Record) {
	s.judge.Check(r)
	s.dryBulb, s.set = 0, 0
	if r.DryBulbValid {
		s.dryBulb = r.DryBulb
	}
	if r.SetActive {
		s.set = r.SetDryBulb
	}
	for i := range r.EventCount {
		switch e := &r.Events[i]; controller.EventKind(e.Kind) {
		case controller.EventAlarm:
			s.tell(s.nameOf(hardware.RuleID(e.A)))
		case controller.EventAlarmClear:
			delete(s.since, s.nameOf(hardware.RuleID(e.A)))
		}
	}
}

func (s *site) tell(rule string) {
	if _, told := s.since[rule]; !told {
		s.since[rule] = s.kiln.Now()
	}
	if _, told := s.ever[rule]; !told {
		s.ever[rule] = s.kiln.Now()
	}
}

func (s *site) nameOf(id hardware.RuleID) string {
	for i := range s.rules {
		if s.rules[i].ID == id {
			return s.rules[i].Name
		}
	}
	return fmt.Sprintf("unknown_%d", id)
}

func (s *site) idOf(name string) hardware.RuleID {
	for i := range s.rules {
		if s.rules[i].Name == name {
			return s.rules[i].ID
		}
	}
	require.Fail(s.t, "no such rule", name)
	return 0
}

// siteKiln is the simulated kiln of the failures: one lot of few boards, and nobody who mends anything.
func siteKiln(seed uint64) simkiln.Config {
	c := simkiln.DefaultConfig()
	c.Seed, c.Room.Start = seed, 40
	c.Lots = []simkiln.LotConfig{{Name: "Fallow End", Species: "maple, hard (sugar)", Thickness: 0.027, Volume: 4, Start: 34, Sigma: 3, Boards: 6, RateLimit: 6.5}}
	c.Samples = []int8{0, 0}
	c.Machine.Scale = 0.6
	c.Probes.LoadCells = 2
	c.Person.Absent = true
	return c
}

const siteCharge = `
id = "campaign-2"
[[lot]]
name = "Fallow End"
owner = "Fallow End Joinery"
species = "maple, hard (sugar)"
thickness = "4/4"
volume = "1695 bf"
pieces = 315
start = "34 %"
target = "7 %"
tolerance = "0.75 %"
[[sample]]
name = "f1"
lot = "Fallow End"
[[sample]]
name = "f2"
lot = "Fallow End"
`

// sitePlan resolves the charge that stands in it.
func sitePlan(t require.TestingT, c *simkiln.Config, kiln *simkiln.Kiln, text string) *schedule.Plan {
	plan, err := planOf(c, text)
	require.NoError(t, err)
	for i, b := range kiln.CutSamples() {
		plan.Samples[i].Start, plan.Samples[i].OvenDry = b.Start, b.OvenDry
	}
	return plan
}

func planOf(c *simkiln.Config, text string) (*schedule.Plan, error) {
	sheet, _ := schedule.ParseCharge("charge.toml", []byte(text)) // its faults come out of Resolve, with all others
	return schedule.Resolve(sheet, schedule.Kiln{Machine: library.Machine{Pressure: c.Pressure, DryBulbMax: 47, RHMin: 0.28}, EMCMin: 4.5,
		DryBulbMax: 60, HeatMax: 65, Spray: true, Heat: true, Vent: true, Cores: 4, Simulated: true})
}

// newSite builds a kiln and starts the program in it, without a charge.
func newSite(t require.TestingT, c simkiln.Config, charge string, change func(*site, *hardware.Layout)) *site {
	kiln, err := simkiln.New(c)
	require.NoError(t, err)
	s := &site{t: t, kiln: kiln, rules: slices.Concat(safety.Rules(), loop.Rules()), saver: &loop.MemorySaver{}, store: &siteTrips{}}
	s.plan = sitePlan(t, &c, kiln, charge)
	layout := kiln.Layout()
	s.ambient = 18
	if change != nil {
		change(s, &layout)
	}
	s.deps.Config = siteConfig(&c, &layout)
	s.deps.Config.Demand.AmbientMin = s.ambient
	s.boot(nil, nil)
	return s
}

// siteConfig tells the controller what kiln it has, with the margins that keep it clear of the gate.
func siteConfig(c *simkiln.Config, layout *hardware.Layout) controller.Config {
	const margin = 2 * time.Second
	cfg := controller.DefaultConfig()
	cfg.Layout, cfg.Pressure, cfg.Volume = *layout, c.Pressure, c.Room.AirVolume
	cfg.DryBulbMax, cfg.EMCMin = 65, 4.5
	d := &cfg.Demand
	d.HeatStages, d.Vent, d.Spray, d.Compressor, d.BlowerLow = layout.HeatStages, c.Vents.Fitted, c.Spray.Fitted, c.Machine.Fitted, c.Machine.BlowerLow
	d.AmbientMin, d.AmbientMax = 18, 55
	q := &cfg.Sequence
	q.Coast = max(q.Coast, c.Fans.Coast.Std()+margin)
	return cfg
}

func (s *site) limits() safety.Limits {
	l := safety.DefaultLimits()
	l.CompressorAmbientMin, l.CompressorAmbientMax = s.ambient, 55
	return l
}

// boot starts a process: gate and loop anew, with what was saved.
func (s *site) boot(image *loop.Image, problem error) {
	layout := s.deps.Config.Layout
	s.boots++
	s.pace = &siteBeat{mono.NewPaced(time.Second, 0), s.kiln}
	limits := s.limits()
	gate, err := safety.NewGate(limits, &layout, s.kiln, s.pace, s.store)
	require.NoError(s.t, err)
	s.gate = gate
	s.last, s.since, s.ever = hardware.Applied{}, map[string]time.Duration{}, map[string]time.Duration{}
	d := loop.Deps{Config: s.deps.Config, Inputs: s, Gate: s, Saver: s.saver, Pacer: s.pace, Recorder: s, Rules: safety.Rules(),
		Restored: image, Problem: problem, Boot: s.boots, Breaks: true, Wall: s.deps.Wall, Courier: s.deps.Courier, PublishEvery: s.deps.PublishEvery,
		Stamp: func() store.Stamp { return store.Stamp{BootID: "one", BootTime: s.kiln.Now()} }}
	d.Header = trace.Header{Program: "campaign", Kiln: "bench", KilnHash: s.deps.Header.KilnHash, Limits: siteLimits(&d.Config, &limits)}
	d.Prepare, d.Copies = s.deps.Prepare, s.deps.Copies
	s.loop, err = loop.New(d)
	require.NoError(s.t, err)
}

// siteLimits are those that the judge goes by.
func siteLimits(c *controller.Config, l *safety.Limits) trace.Limits {
	return trace.Limits{
		CompressorMinOffNS: int64(l.CompressorMinOff), CompressorStartsHour: l.CompressorStarts,
		CompressorMinOnNS:    int64(min(c.Sequence.MinOn, c.Sequence.MinOnWet, c.Sequence.MinOnOver)),
		CompressorAmbientMin: float64(l.CompressorAmbientMin), CompressorAmbientMax: float64(l.CompressorAmbientMax),
		FanCoastNS: int64(l.FanCoast), DryBulbMax: float64(l.DryBulbMax), StartDelayNS: int64(l.StartDelay),
		VentIntervalNS: int64(l.VentInterval), SprayIntervalNS: int64(l.SprayInterval), ContactorIntervalNS: int64(l.ContactorInterval),
		RampDryBulb: 20, RampEMC: 5,
	}
}

// tick is one second.
func (s *site) tick() error {
	if s.real {
		time.Sleep(time.Second)
	}
	if err := s.loop.Tick(context.Background()); err != nil {
		return err
	}
	s.gateTells()
	if s.visitor != nil {
		s.visitor.act(s)
	}
	return nil
}

// gateTells keeps which of the gate's rules are told.
func (s *site) gateTells() {
	now := s.last.Alarms[:s.last.AlarmCount]
	for i, was := range s.raised {
		if was != "" && !slices.ContainsFunc(now, func(a hardware.Alarm) bool { return safety.Name(a.Rule) == was }) {
			delete(s.since, was)
		}
		s.raised[i] = ""
	}
	for i, a := range now {
		name := safety.Name(a.Rule)
		s.raised[i] = name
		s.tell(name)
	}
}

func (s *site) run(d time.Duration) {
	for range int(d / time.Second) {
		require.NoError(s.t, s.tick())
	}
}

// until runs until something is so, at most for a time, and tells whether it came to that.
func (s *site) until(limit time.Duration, so func() bool) bool {
	for d := time.Duration(0); d < limit; d += time.Second {
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

// begin starts the charge of the site, in its first stage or a later one.
func (s *site) begin(stage int) {
	s.run(40 * time.Second)
	require.Equal(s.t, controller.Accepted, (<-s.started()).Refusal)
	require.Equal(s.t, controller.Accepted, s.ask(controller.Command{Verb: controller.VerbWarm}).Refusal, "a person answers for a warm crankcase")
	for at := range stage {
		require.Equal(s.t, controller.Accepted, s.ask(controller.Command{Verb: controller.VerbAdvance, Stage: int8(at)}).Refusal)
		s.run(3 * time.Second)
	}
}

func (s *site) started() <-chan controller.Reply {
	reply := s.loop.Start(s.plan)
	s.run(5 * time.Second)
	return reply
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

// lights are heartbeat, lamps and sounder.
const (
	lights = hardware.OutputSet(1)<<hardware.Heartbeat | 1<<hardware.Beacon | 1<<hardware.AlarmLamp | 1<<hardware.DoorLamp | 1<<hardware.Sounder
	drying = hardware.AllHeat | 1<<hardware.Compressor
)

// halfway is a site at rest, from which others begin. Starting from it is a start of the program after a power cut.
type halfway struct {
	kiln  *simkiln.Kiln
	image *loop.Image
	trips []string
	deps  loop.Deps
	plan  *schedule.Plan

	ambient quantity.Celsius
}

// keep takes a checkpoint. Nothing may be wrong there.
func (s *site) keep() *halfway {
	require.Empty(s.t, s.since, "a checkpoint without alarms")
	s.clean()
	image := s.saver.(*loop.MemorySaver).Cut()
	require.NotNil(s.t, image)
	return &halfway{kiln: s.kiln.Clone(), image: image, trips: slices.Clone(s.store.(*siteTrips).names), deps: s.deps, plan: s.plan, ambient: s.ambient}
}

// clean asks the judge.
func (s *site) clean() {
	found := slices.DeleteFunc(s.judge.Finish().Violations, func(v audit.Violation) bool { return slices.Contains(s.pardon, v.Name) })
	require.Empty(s.t, found, "the judge finds nothing")
}

// restart makes a site of a checkpoint: power comes back after a moment, and the program starts.
func (p *halfway) restart(t require.TestingT, change func(*site)) *site {
	s := &site{t: t, kiln: p.kiln.Clone(), rules: slices.Concat(safety.Rules(), loop.Rules()), deps: p.deps, plan: p.plan, ambient: p.ambient,
		saver: &loop.MemorySaver{}, store: &siteTrips{slices.Clone(p.trips)}}
	s.deps.Config.Layout.Probes = slices.Clone(s.deps.Config.Layout.Probes)
	image := *p.image
	image.Clean = true // the cut was the test's
	if change != nil {
		change(s)
	}
	s.boot(&image, nil)
	return s
}

// visitor is the simulated person: weighs, acknowledges, mends, resets, confirms.
type visitor struct {
	weighed map[int8]<-chan controller.Reply
	asked   map[int8]controller.Command
	ticks   int
}

func newVisitor() *visitor {
	return &visitor{weighed: map[int8]<-chan controller.Reply{}, asked: map[int8]controller.Command{}}
}

func (v *visitor) act(s *site) {
	for sample := range int8(len(s.plan.Samples)) {
		select {
		case r := <-v.weighed[sample]:
			delete(v.weighed, sample)
			if c := v.asked[sample]; r.Refusal == controller.RefusedUnlikely && !c.Recheck {
				c.Recheck = true
				v.asked[sample], v.weighed[sample] = c, s.loop.Submit(c)
			}
		default:
		}
	}
	if v.ticks++; v.ticks%60 != 0 {
		return
	}
	shown := s.status()
	n := simkiln.Notice{Running: shown.Charge != nil && shown.Charge.Phase == "running", Confirm: shown.Outage.Confirm}
	for _, a := range shown.Alarms {
		if int(n.AlarmCount) < len(n.Alarms) {
			n.Alarms[n.AlarmCount] = hardware.Alarm{Rule: s.idOf(a.Rule), Latched: a.Latched, Active: a.Active, Acked: a.Acked}
			n.AlarmCount++
		}
	}
	s.kiln.Tell(n)
	for _, a := range slices.Clone(s.kiln.Actions()) {
		switch a.Kind {
		case simkiln.WeighSample:
			c := controller.Command{Verb: controller.VerbWeigh, Sample: a.Sample, Mass: a.Mass}
			v.asked[a.Sample], v.weighed[a.Sample] = c, s.loop.Submit(c)
		case simkiln.Ack:
			s.loop.Submit(controller.Command{Verb: controller.VerbAck, Rule: a.Rule})
		case simkiln.ResetTrip:
			s.loop.Submit(controller.Command{Verb: controller.VerbReset, Rule: a.Rule})
		case simkiln.Confirm:
			s.loop.Submit(controller.Command{Verb: controller.VerbConfirm, Matters: mattersOf(shown)})
		}
	}
}
