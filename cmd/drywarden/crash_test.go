package main

import (
	"flag"
	"fmt"
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"drywarden/controller"
	"drywarden/controller/estimate"
	"drywarden/controller/store"
	"drywarden/hardware"
	"drywarden/hardware/quantity"
	"drywarden/hardware/trace"
	"drywarden/schedule"
)

// The outage policy, as a kiln's operator may rely on it.
const (
	policyShort   = 5 * time.Minute
	policyHours   = 4 * time.Hour
	policyHalfDay = 24 * time.Hour
	policySteady  = 6 * time.Hour // no stage may change before, after half a day
	policyGentle  = 0.5           // points an hour that the EMC may fall, after half a day
)

// only what may be on while a person's word is awaited.
const fansAndSigns = hardware.AllFans | 1<<hardware.Sounder | 1<<hardware.Heartbeat | 1<<hardware.Beacon | 1<<hardware.AlarmLamp |
	1<<hardware.DoorLamp | 1<<hardware.Crankcase

func classOf(outage time.Duration) controller.OutageClass {
	switch {
	case outage <= policyShort:
		return controller.OutageShort
	case outage <= policyHours:
		return controller.OutageHours
	case outage < policyHalfDay:
		return controller.OutageHalfDay
	}
	return controller.OutageLong
}

// powerCuts is one charge with many power cuts, and all that must hold after each.
type powerCuts struct {
	*cutKiln
	drops map[string]int // power cuts by stage kind
	late  time.Duration  // how much progress a cut may cost: a minute, and what the disk takes

	asked []asked
	// Acknowledged, and so to outlive every power cut:
	held     bool
	override *controller.Command
	age      time.Duration // of the override, with the controller running
	weighed  [hardware.MaxSamples]estimate.Sample
	acked    hardware.RuleSet
	moveTo   int8 // stage that the operator asked for; -1: none

	// of this boot
	class     controller.OutageClass
	confirmed time.Duration // uptime, <0: not yet
	still     time.Duration // fans allowed and not yet on
	ran       bool
	before    struct {
		stage   int8
		emc     quantity.MoistureContent
		started bool
		on      hardware.OutputSet
	}
}

// asked is a command on its way.
type asked struct {
	command controller.Command
	reply   <-chan controller.Reply
}

// firstCut repeats a run or tries others: go test -run PowerCuts ./cmd/drywarden -first-cut 9
var firstCut = flag.Uint64("first-cut", 1, "seed of the first charge of TestPowerCuts")

// TestPowerCuts cuts the power of a kiln 200 times, in 8 charges of a seed each, at random moments of every kind of stage,
// for 5 s to 48 h.
func TestPowerCuts(t *testing.T) {
	charges, each := uint64(8), 25
	if testing.Short() {
		charges, each = 1, 14
	}
	all := make(chan map[string]int, charges)
	t.Run("charges", func(t *testing.T) {
		for seed := *firstCut; seed < *firstCut+charges; seed++ {
			t.Run(fmt.Sprintf("seed=%d", seed), func(t *testing.T) {
				t.Parallel()
				count := "unbroken"
				if seed%4 == 0 {
					count = "cumulative"
				}
				all <- cutCharge(t, seed, count, each)
			})
		}
	})
	close(all)
	total, sum := map[string]int{}, 0
	for drops := range all {
		for kind, n := range drops {
			total[kind] += n
			sum += n
		}
	}
	t.Logf("%d power cuts: %v", sum, total)
	if t.Failed() || uint64(len(total)) == 0 {
		return
	}
	require.Equal(t, int(charges)*each, sum)
	for _, kind := range schedule.KindNames() {
		require.GreaterOrEqual(t, total[kind], int(charges)*2, "cuts in %s stages", kind)
	}
}

// cutCharge dries one charge through cuts power cuts, spread over all its stages.
func cutCharge(t *testing.T, seed uint64, count string, cuts int) map[string]int {
	p := &powerCuts{cutKiln: newCutKiln(t, seed, count), drops: map[string]int{}, moveTo: -1, late: 90 * time.Second}
	p.told = p.judge
	p.class, p.ran = controller.OutageShort, true
	p.remember()
	stages := len(p.plan().Schedule.Stages)
	due := make([]int, stages) // cuts still to come in each stage
	for i := range cuts {
		due[i%stages]++
	}
	for next, done := 0, 0; done < cuts; done++ {
		for due[next] == 0 {
			next++
		}
		due[next]--
		for ticks := 0; p.at() < next; ticks++ {
			p.step()
			if ticks > 30*24*3600 {
				t.Fatalf("the run does not get to stage %d: %s", next, p.loop.Publish().Headline)
			}
		}
		for range p.gap() {
			if p.step(); p.at() > next {
				break
			}
		}
		p.strike()
	}
	for range 400 {
		p.step()
	}
	report := p.seen.checker.Finish()
	for _, v := range report.Violations {
		t.Errorf("audit: %s, boot %d, tick %d: %s, expected %s", v.Name, v.Boot, v.Tick, v.Seen, v.Expected)
	}
	require.EqualValues(t, cuts+1, report.Boots)
	t.Logf("%d boots, %.1f days with the controller running: %v", report.Boots, report.Time.Hours()/24, p.drops)
	return p.drops
}

func (p *powerCuts) plan() *schedule.Plan { return p.saver.live.Run.Plan }

// at is the stage, or the number of stages when the run is done.
func (p *powerCuts) at() int {
	if run := &p.state().Run; run.Phase != schedule.Done {
		return int(run.Stage)
	}
	return len(p.plan().Schedule.Stages)
}

// gap draws the ticks to the next cut: from one to some hours, the shorter the likelier, so that start-up delay, warning,
// coast-down and compressor rest are all hit.
func (p *powerCuts) gap() int { return int(math.Exp(p.random.Float64() * math.Log(3*3600))) }

// outage draws its length: 5 s to 48 h, each order of magnitude alike.
func (p *powerCuts) outage() time.Duration {
	return time.Duration(5 * math.Pow(48*3600/5, p.random.Float64()) * float64(time.Second)).Truncate(tick)
}

// step is one tick, now and then with a command.
func (p *powerCuts) step() {
	if p.random.IntN(2000) == 0 {
		p.ask()
	}
	p.tick()
	p.age += tick
	p.answers()
}

// strike cuts the power, often just as a command is on its way or was acknowledged, and starts again.
func (p *powerCuts) strike() {
	if p.random.IntN(3) > 0 {
		p.ask()
		for range p.random.IntN(12) {
			p.step()
		}
	}
	last, run, waits := p.seen.last, p.state().Run, p.state().Restart
	kind := "done"
	if run.Phase == schedule.Running {
		kind = p.plan().Schedule.Stages[run.Stage].Kind.String()
	}
	p.drops[kind]++
	outage := p.outage()
	p.cut(outage)
	open := map[controller.Verb]bool{} // not acknowledged: done or not done, both are right
	for _, a := range p.asked {
		open[a.command.Verb] = true
	}
	p.asked = nil
	if p.random.IntN(5) < 2 {
		p.computer, p.trusted = fmt.Sprintf("%s+%d", kind, len(p.computer)+p.random.IntN(1e9)), p.random.IntN(2) == 0
	}
	now := p.stamp()
	p.start(outage)
	p.restart(last, run, waits, outage, now, open)
}

// restart checks the first tick of a process against what was before.
func (p *powerCuts) restart(last trace.Record, run schedule.Run, waits controller.Restart, outage time.Duration, now store.Stamp, open map[controller.Verb]bool) {
	t := p.t
	at := fmt.Sprintf("boot %d, %v after stage %d, tick %d", last.Boot+1, outage, last.Stage, last.Tick)
	require.NotNil(t, p.restored, at)
	saved, acked, weighed := p.restored.State, p.acked, p.weighed
	waited := saved.Restart.Class
	p.still, p.ran, p.confirmed = 0, false, -1
	p.before.on, p.before.started, p.before.stage = 0, false, run.Stage
	if saved.Run.Next.Wanted && saved.Run.Stage != run.Stage {
		p.before.stage = saved.Run.Stage // decided, and not yet said to be carried out
	}
	p.class = controller.OutageLong // until known better
	p.tick()
	if w := saved.Pending; w.On && w.Command.Matters.Has(controller.MatterStop) {
		p.tick() // that word waits for the gate's
	}
	s := p.state()
	p.remember()
	require.Greater(t, p.seen.last.Boot, last.Boot, at) // one more for each start that died before its first tick

	// How long it was: by the kernel's clock within a boot; across boots by trusted wall time, by cooling, or not at all,
	// which may only be stricter.
	was := p.restored.Stamp
	measured := now.BootTime - was.BootTime
	want := classOf(measured)
	switch {
	case saved.Run.Phase == schedule.Idle && s.Run.Phase != schedule.Idle:
		want = s.Restart.Class // the start was pending: the run began after the outage
	case saved.Run.Phase == schedule.Idle:
		want = controller.OutageShort
	case waited >= controller.OutageHalfDay && waited > want:
		want = waited // what a long outage asked for outlives a short one
		looked := controller.Of(controller.MatterOutage, controller.MatterRestarts)
		w, kept := saved.Pending, p.seen.last.Trips != 0 || p.seen.last.Forced != 0 // no word for a stop is taken beside a trip
		if w.On && w.Command.Verb == controller.VerbConfirm && saved.Waiting()&^w.Command.Matters&looked == 0 && !(kept && w.Command.Matters.Has(controller.MatterStop)) {
			want = controller.OutageHalfDay // somebody had looked, after the long one
		}
	}
	if was.BootID == now.BootID {
		require.Equal(t, want, s.Restart.Class, at)
	} else {
		require.GreaterOrEqual(t, s.Restart.Class, want, at)
	}
	p.class = s.Restart.Class
	running := run.Phase == schedule.Running
	// Where the start before could not tell how long it was and saved nothing, a clock may tell it now.
	if waits.Class >= controller.OutageHalfDay && waited >= controller.OutageHalfDay {
		require.GreaterOrEqual(t, s.Restart.Class, controller.OutageHalfDay, "%s: what a long outage asked for outlives a short one", at)
	}
	if was.BootID == now.BootID && classOf(measured) < controller.OutageLong && !waits.Confirm {
		require.False(t, s.Restart.Confirm, "%s: somebody had looked", at)
	}
	if running && p.class == controller.OutageLong {
		require.True(t, s.Restart.Confirm, "%s: waits for a person", at)
		require.NotZero(t, s.Run.Hold&schedule.HoldOutage, at)
	}

	// The run goes on where it was.
	require.Equal(t, run.ID, s.Run.ID, at)
	stage, next := s.Run.Stage, s.Run.Next
	if stage != run.Stage {
		require.True(t, next.Wanted && next.Stage == run.Stage || run.Next.Wanted && stage == run.Next.Stage, "%s: stage %d, next %+v", at, stage, next)
	}
	if run.Phase == schedule.Done && s.Run.Phase != schedule.Done {
		require.True(t, next.Wanted && int(next.Stage) == len(p.plan().Schedule.Stages), at)
	}
	if s.Run.Phase == schedule.Running {
		if p.plan().Schedule.Stages[stage].Unbroken {
			require.Zero(t, s.Run.Exposure, "%s: an unbroken exposure starts again", at)
		} else if stage == run.Stage && stage == saved.Run.Stage {
			require.Equal(t, saved.Run.Exposure, s.Run.Exposure, "%s: a cumulative one keeps what was recorded", at)
			require.InDelta(t, run.Exposure.Seconds(), s.Run.Exposure.Seconds(), p.late.Seconds(), at)
		}
	}

	// No acknowledged command is lost.
	if !open[controller.VerbHold] && !open[controller.VerbResume] && s.Run.Phase == schedule.Running {
		require.Equal(t, p.held, s.Run.Hold&schedule.HoldOperator != 0, "%s: hold", at)
	}
	p.held = s.Run.Hold&schedule.HoldOperator != 0
	sameStage := stage == run.Stage && !next.Wanted && !run.Next.Wanted
	if !open[controller.VerbSet] && !open[controller.VerbUnset] && sameStage && s.Run.Phase == schedule.Running {
		o := s.Run.Override
		require.Equal(t, p.override != nil, o.On, "%s: set", at)
		if c := p.override; c != nil {
			require.Equal(t, [4]any{c.DryBulb, c.EMC, c.HasDryBulb, c.HasEMC}, [4]any{o.DryBulb, o.EMC, o.HasDryBulb, o.HasEMC}, at)
			require.InDelta(t, (c.For - p.age).Seconds(), o.Left.Seconds(), p.late.Seconds(), at)
		}
	}
	p.override, p.age = overrideOf(&s.Run), 0
	for i := range p.plan().Samples {
		was, is := weighed[i], s.Estimate.Wood.Sample[i]
		require.GreaterOrEqual(t, is.Count, was.Count, "%s: weighings of sample %d", at, i)
		if is.Count == was.Count {
			require.Equal(t, was.Weighed, is.Weighed, "%s: weight of sample %d", at, i)
		}
	}
	for i := range int(s.AlarmCount) {
		if a := s.Alarms[i]; acked.Has(a.Rule) && a.Rule != controller.RuleOutage { // a new outage is a new alarm
			require.True(t, a.Acked, "%s: alarm %d was acknowledged", at, a.Rule)
		}
	}
	if p.moveTo >= 0 {
		require.True(t, next.Wanted && next.Stage == p.moveTo || stage == p.moveTo, "%s: the operator moved to stage %d; at %d, next %+v", at, p.moveTo, stage, next)
	}
}

func overrideOf(run *schedule.Run) *controller.Command {
	o := run.Override
	if !o.On {
		return nil
	}
	return &controller.Command{DryBulb: o.DryBulb, EMC: o.EMC, HasDryBulb: o.HasDryBulb, HasEMC: o.HasEMC, For: o.Left}
}

// remember keeps what the next tick is compared with.
func (p *powerCuts) remember() {
	s := p.state()
	p.before.stage, p.before.emc, p.before.started, p.before.on = s.Run.Stage, s.Run.EMC, s.Run.Started, hardware.OutputSet(p.seen.last.Applied)
	for i := range p.weighed {
		p.weighed[i] = s.Estimate.Wood.Sample[i]
	}
	p.acked = 0
	for i := range int(s.AlarmCount) {
		p.acked = p.acked.With(s.Alarms[i].Rule, s.Alarms[i].Acked)
	}
}

// judge checks one tick, after the audit did.
func (p *powerCuts) judge(r *trace.Record) {
	t, s, on := p.t, p.state(), hardware.OutputSet(r.Applied)
	at := func() string { return fmt.Sprintf("boot %d, tick %d, stage %d", r.Boot, r.Tick, r.Stage) }
	if r.Uptime < p.limits.StartDelay.Std() {
		if moved := on &^ (1<<hardware.Sounder | 1<<hardware.Heartbeat); moved != 0 {
			require.Zero(t, moved, "%s: moves before the start-up delay is over", at())
		}
	}
	if on.Has(hardware.Compressor) && !p.before.on.Has(hardware.Compressor) && r.Uptime < p.limits.CompressorMinOff.Std() {
		t.Fatalf("%s: the compressor starts %v after the start", at(), r.Uptime)
	}
	for i := range r.EventCount {
		e := r.Events[i]
		if e.Kind == uint8(controller.EventCommand) && e.A == int32(controller.VerbConfirm) && e.B == 0 && r.Tick > 1 {
			p.confirmed = r.Uptime
			if s.Waiting()&controller.Of(controller.MatterOutage, controller.MatterRestarts) == 0 {
				p.class = min(p.class, controller.OutageHalfDay)
			}
		}
	}
	running := s.Run.Phase == schedule.Running
	if running && p.class == controller.OutageLong && r.Tick > 1 {
		if moved := on &^ fansAndSigns; moved != 0 && r.Forced == 0 {
			t.Fatalf("%s: %b on though nobody has looked after a long outage", at(), moved)
		}
		if s.Run.Stage != p.before.stage {
			t.Fatalf("%s: the stage changes though nobody has looked after a long outage", at())
		}
	}
	if running && p.class >= controller.OutageHalfDay && r.Tick > 1 && r.Uptime-max(p.confirmed, 0) < policySteady {
		if s.Run.Stage > p.before.stage { // an operator may go back
			t.Fatalf("%s: the stage changes %v after an outage of hours", at(), r.Uptime)
		}
		if fall := p.before.emc - s.Run.EMC; p.before.started && s.Run.Started && float64(fall) > policyGentle/3600*1.01 {
			t.Fatalf("%s: the EMC set point falls by %g in a tick after an outage of hours", at(), fall)
		}
	}
	if running && s.Run.Started && !p.before.started && r.DryBulbValid && r.EMCValid {
		if r.SetDryBulb > r.DryBulb+0.1 || r.SetEMC < min(r.EMC, r.BaseEMC)-0.1 && !r.Override {
			t.Fatalf("%s: set points %.1f C, %.1f %% do not begin at the air, %.1f C, %.1f %%", at(), r.SetDryBulb, r.SetEMC, r.DryBulb, r.EMC)
		}
	}
	p.livens(r, on, at)
	if s.Run.Stage != p.before.stage {
		p.moveTo, p.override = -1, nil
	}
	if r.Tick > 1 {
		p.remember()
		p.before.on = on
	}
}

// livens: a kiln that does nothing would keep every rule above. Fans run again soon after every outage, and after a short
// one the run goes on.
func (p *powerCuts) livens(r *trace.Record, on hardware.OutputSet, at func() string) {
	s := p.state()
	// After a stop nothing moves until somebody has given their word.
	if s.Run.Phase != schedule.Running || s.Stopped || r.Forced != 0 || r.Trips != 0 || r.Uptime <= p.limits.StartDelay.Std() {
		return
	}
	if !p.ran {
		p.still += tick
		p.ran = on&hardware.AllFans != 0
		if p.still > 30*time.Second+2*p.limits.FanCoast.Std() {
			p.t.Fatalf("%s: no fan runs", at())
		}
	}
	if r.Uptime == 2*time.Minute && p.class < controller.OutageHalfDay && !p.held && s.Run.Hold&schedule.HoldRate == 0 && !s.Restart.Confirm {
		require.Equal(p.t, controller.ModeWork, s.Mode, at())
	}
}

// ask gives the controller a random command.
func (p *powerCuts) ask() {
	s := p.state()
	c := controller.Command{Run: s.Run.ID, Stage: s.Run.Stage}
	switch n := p.random.IntN(40); {
	case s.Waiting() != 0 && n < 20:
		c.Verb, c.Matters = controller.VerbConfirm, s.Waiting()
	case p.held && n < 25:
		c.Verb = controller.VerbResume
	case n < 4:
		c.Verb = controller.VerbHold
	case n < 14:
		c.Verb = controller.VerbResume
	case n < 20:
		c.Verb, c.For = controller.VerbSet, 40*time.Hour
		c.DryBulb, c.HasDryBulb = s.Run.DryBulb-3, p.random.IntN(2) == 0
		c.EMC, c.HasEMC = s.Run.EMC+1, !c.HasDryBulb || p.random.IntN(2) == 0
	case n < 24:
		c.Verb = controller.VerbUnset
	case n < 34:
		c.Verb, c.Sample = controller.VerbWeigh, int8(p.random.IntN(len(p.plan().Samples)))
		moisture := s.Estimate.Wood.Sample[c.Sample].Moisture
		c.Mass = p.plan().Samples[c.Sample].OvenDry * quantity.Kilogram(1+moisture/100)
	case n < 36:
		c.Verb = controller.VerbAck
		if s.AlarmCount > 0 {
			c.Rule = s.Alarms[p.random.IntN(int(s.AlarmCount))].Rule
		}
	case n < 38:
		c.Verb, c.Matters = controller.VerbConfirm, s.Waiting()
	case n < 39:
		c.Verb = controller.VerbBack
	default:
		c.Verb = controller.VerbAdvance
	}
	p.asked = append(p.asked, asked{c, p.loop.Submit(c)})
}

// answers notes what was acknowledged.
func (p *powerCuts) answers() {
	kept := p.asked[:0]
	for _, a := range p.asked {
		select {
		case reply := <-a.reply:
			if reply.Refusal == controller.Accepted {
				p.promised(a.command)
			}
		default:
			kept = append(kept, a)
		}
	}
	p.asked = kept
}

// promised notes an acknowledged command. Weighings and alarms seen are noted in every tick, since the simulated person gives them too.
func (p *powerCuts) promised(c controller.Command) {
	switch c.Verb {
	case controller.VerbHold:
		p.held = true
	case controller.VerbResume:
		p.held = false
	case controller.VerbSet:
		p.override, p.age = &c, 0
	case controller.VerbUnset:
		p.override = nil
	case controller.VerbBack:
		p.moveTo = c.Stage - 1
	case controller.VerbAdvance:
		p.moveTo = c.Stage + 1
	}
}
