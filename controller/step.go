package controller

import (
	"time"

	"drywarden/controller/demand"
	"drywarden/controller/estimate"
	"drywarden/controller/sequence"
	"drywarden/hardware"
	"drywarden/hardware/quantity"
	"drywarden/schedule"
)

// maxCredit is what one tick may earn: a stall earns nothing.
const maxCredit = 2 * time.Second

// Figures of the outage and absence policies; common practice, no source.
const (
	outageShort   = 5 * time.Minute
	outageHours   = 4 * time.Hour
	outageHalfDay = 24 * time.Hour
	coldAfter     = 2 * time.Hour  // a crankcase without power for longer is cold
	warmDefault   = 12 * time.Hour // when it is not known how long
	warmMax       = 24 * time.Hour
	warmShell     = 5 // K over the air: the shell is still warm
	gentleAfter   = 24 * time.Hour

	absentAfter = 18 * time.Hour
	absentEMC   = 2.0  // points
	absentCool  = 5.0  // K
	absentPace  = 0.33 // of it an hour
)

// DefaultConfig gives the usual figures; layout, station pressure, volume, limits and fitted machines must be filled in.
func DefaultConfig() Config {
	return Config{
		Tick:     time.Second,
		Estimate: estimate.DefaultConfig(), Demand: demand.DefaultConfig(), Sequence: sequence.DefaultConfig(),
		StartDelay: 30 * time.Second, WarnTime: 10 * time.Second, AbsentAfter: absentAfter,
	}
}

// tick is one Step's working space.
type tick struct {
	cfg     *Config
	s       *State
	in      *Input
	out     *Result
	elapsed time.Duration
	stall   time.Duration
	mayWarn bool
	mayMove bool
}

// Step moves the controller on by one tick. It changes s and out in place and allocates nothing.
//
//	start --delay over--> rest --charge started--> work <--any reason--> hold
//	                       ^------ended------------/
func Step(cfg *Config, s *State, in *Input, out *Result) {
	*out = Result{}
	t := tick{cfg: cfg, s: s, in: in, out: out}
	t.step()
}

func (t *tick) step() {
	s, snap := t.s, t.in.Snapshot
	if snap.Tick <= 1 {
		t.begin()
	} else {
		raw := max(snap.Elapsed, 0)
		t.elapsed = min(raw, maxCredit)
		t.stall = raw - t.elapsed
	}
	s.UpTime += t.elapsed
	t.surroundings()
	t.estimate()
	t.take()
	t.effects()
	t.schedule()
	t.absence()
	t.capSetPoint()
	t.lowering()
	t.demand()
	t.sequence()
	t.service()
	t.mode()
	t.alarms()
	t.lamps()
}

// begin is the first tick of a process: every timer is at its worst, and the outage policy says what may run.
func (t *tick) begin() {
	s, in := t.s, t.in
	s.UpTime, s.ShutFor, s.Frozen = 0, 0, 0
	s.Mode, s.Delay, s.Test = ModeStart, [ruleCount]time.Duration{}, Test{}
	s.busy()
	s.Effects = Effects{CoilTries: s.Effects.CoilTries, CoilLock: s.Effects.CoilLock, Cold: s.Effects.Cold,
		Heat: HeatTest{Tries: s.Effects.Heat.Tries, Lock: s.Effects.Heat.Lock, Effect: s.Effects.Heat.Effect}}
	known := in.Restored && in.OutageKnown
	away := time.Duration(0)
	if known {
		away = max(in.Outage, 0)
	}
	class := OutageLong
	if known {
		switch {
		case in.Outage <= outageShort:
			class = OutageShort
		case in.Outage <= outageHours:
			class = OutageHours
		case in.Outage < outageHalfDay:
			class = OutageHalfDay
		}
	}
	estimate.Restart(&s.Estimate, away)
	sequence.Restart(&t.cfg.Sequence, &s.Sequence)
	s.Demand = demand.State{Shift: s.Demand.Shift, AtFloor: s.Demand.AtFloor, FloorRH: s.Demand.FloorRH}
	if s.Run.Phase == schedule.Idle {
		class = min(class, OutageShort)
	}
	// What a long outage still asks for outlives any number of short ones.
	if s.Restart.Class < OutageHalfDay || class > s.Restart.Class {
		s.Restart.Class = class
	}
	s.Restart.Stable = 0
	if s.Run.Phase == schedule.Running {
		next := s.Run.Next
		schedule.Restart(in.Plan, &s.Run)
		if next.Wanted && !s.Run.Next.Wanted {
			s.ChangeGeneration = 0
			t.event(EventStage, int32(next.Stage), float64(next.Cause))
		}
		s.Restart.Confirm = s.Restart.Confirm || class == OutageLong
	}
	if in.Unreadable {
		s.Unreadable, s.Restart.Confirm, s.Restart.Class = true, true, OutageLong
	}
	if in.Often {
		s.Often, s.Restart.Class = true, OutageLong
	}
	if in.Changed && s.Run.Phase != schedule.Idle {
		s.Restart.Files = true
	}
	var news Matters
	if class == OutageLong || in.Unreadable {
		news |= Of(MatterOutage)
	}
	if in.Often {
		news |= Of(MatterRestarts)
	}
	if in.Changed {
		news |= Of(MatterFiles)
	}
	// Nobody waits for the answer any more: what else was confirmed counts.
	if p := &s.Pending; p.On && p.Command.Matters&^news != 0 {
		p.Command.Matters &^= news
	}
	t.overtaken(news)
	s.Restart.Warm = max(s.Restart.Warm, t.warming(known))
	seconds := -1.0
	if known {
		seconds = in.Outage.Seconds()
	}
	t.event(EventRestart, int32(class), seconds)
	t.save()
}

// warming is how long the crankcase must be heated before the compressor may start.
func (t *tick) warming(known bool) time.Duration {
	layout := &t.cfg.Layout
	if !layout.Outputs.Has(hardware.Crankcase) || known && t.in.Outage <= coldAfter || t.shellWarm() {
		return 0
	}
	if !known {
		return warmDefault
	}
	return min(t.in.Outage, warmMax)
}

// shellWarm tells that the compressor's shell is warmer than the air: the oil is.
func (t *tick) shellWarm() bool {
	layout := &t.cfg.Layout
	air, haveAir := 0.0, false
	shell, haveShell := 0.0, false
	for i := range layout.Probes {
		r := &t.in.Snapshot.Readings[i]
		if !r.OK() {
			continue
		}
		switch layout.Probes[i].Role {
		case hardware.RoleDryBulb:
			if !haveAir || r.Value > air {
				air, haveAir = r.Value, true
			}
		case hardware.RoleShell:
			if !haveShell || r.Value < shell {
				shell, haveShell = r.Value, true
			}
		}
	}
	return haveAir && haveShell && shell > air+warmShell
}

// surroundings looks at door and stop, which decide whether anything may move.
func (t *tick) surroundings() {
	s, c, fitted := t.s, t.in.Snapshot.Contacts, t.cfg.Layout.Contacts
	clear := func(id hardware.ContactID) bool { return !fitted.Has(id) || c.Clear(id) }
	if clear(hardware.ContactDoor) {
		if t.in.Snapshot.Tick > 1 {
			s.ShutFor += t.elapsed
		}
	} else {
		s.ShutFor = 0
	}
	if c.Proven(hardware.ContactEStop) && fitted.Has(hardware.ContactEStop) {
		if !s.Stopped {
			t.save() // a power cut must not stand in for a person's word
		}
		s.Stopped = true
		t.overtaken(Of(MatterStop))
	}
	stop := s.Stopped || t.in.Snapshot.Previous.Entered || !clear(hardware.ContactEStop) || !clear(hardware.ContactInhibit) || !clear(hardware.ContactInsideButton)
	warnFrom := max(t.cfg.StartDelay-t.cfg.WarnTime, 0)
	t.mayWarn = s.ShutFor > 0 && !stop && s.UpTime >= warnFrom && t.in.Snapshot.Previous.Forced != hardware.ForcedOff
	t.mayMove = t.mayWarn && s.UpTime > t.cfg.StartDelay
	if s.Restart.Warm > 0 && t.in.Snapshot.Previous.On.Has(hardware.Crankcase) && s.Effects.CrankcaseFor == 0 {
		s.Restart.Warm = max(s.Restart.Warm-t.elapsed, 0)
	}
}

func (t *tick) estimate() {
	s, snap := t.s, t.in.Snapshot
	plan := t.in.Plan
	if s.Run.Phase == schedule.Idle {
		plan = nil
	}
	in := estimate.Input{
		Elapsed: t.elapsed, Snapshot: snap, Layout: &t.cfg.Layout, Pressure: t.cfg.Pressure, Volume: t.cfg.Volume, Plan: plan,
		Wetting: t.wetting(&s.Run), Disturbed: s.ShutFor < 5*time.Minute && s.UpTime > 5*time.Minute || s.ShutFor == 0,
	}
	estimate.Step(&t.cfg.Estimate, &s.Estimate, &in, &t.out.Conditions)
	if lot := s.Estimate.Wood.Contradicted(); lot >= 0 && plan != nil && !s.Contradiction {
		s.Contradiction = true
	}
}

// holds gathers the reasons for which the stage is frozen.
func (t *tick) holds() schedule.Hold {
	s, c := t.s, &t.out.Conditions
	var h schedule.Hold
	if s.fansOnly() && s.Restart.Class == OutageLong {
		h |= schedule.HoldOutage
	}
	if s.Restart.Files {
		h |= schedule.HoldFiles
	}
	if !c.DryBulbOK || !c.EMCOK {
		h |= schedule.HoldAir
	}
	if s.ShutFor < t.cfg.WarnTime {
		h |= schedule.HoldDoor
	}
	if t.forced() || s.Stopped {
		h |= schedule.HoldTrip
	}
	if s.Contradiction || s.Estimate.Trust.Pair {
		h |= schedule.HoldSuspicious
	}
	return h
}

func (t *tick) schedule() {
	s, out := t.s, t.out
	hold := t.holds()
	waiting := s.Restart.Class >= OutageHalfDay
	// An advance that was granted just before the power went is kept, and waits as any other does.
	early := t.unsteady() && s.Run.Next.Wanted && s.Run.Next.Stage > s.Run.Stage
	in := schedule.Input{
		Elapsed: t.elapsed, Conditions: &out.Conditions, Hold: hold, Stall: t.stall,
		Quiet:   s.UpTime < t.cfg.StartDelay || t.forced() || s.ShutFor < t.cfg.WarnTime,
		Durable: !early && s.Run.Next.Wanted && s.ChangeGeneration > 0 && t.in.Snapshot.Durable >= s.ChangeGeneration,
		Gentle:  waiting,
		Stand:   s.Gentle > 0 && !t.unattended(),
		Stay:    t.unsteady(),
	}
	stage, phase, next := s.Run.Stage, s.Run.Phase, s.Run.Next
	schedule.Step(t.in.Plan, &s.Run, &in, &out.SetPoints)
	if next.Wanted && !s.Run.Next.Wanted || s.Run.Stage != stage || s.Run.Phase != phase {
		s.ChangeGeneration = 0
		t.event(EventStage, int32(next.Stage), float64(next.Cause))
		t.save()
	}
	if s.Run.Next.Wanted && s.ChangeGeneration == 0 {
		t.save()
		s.ChangeGeneration = s.Generation
	}
	if s.Unreadable && s.Run.Phase == schedule.Idle {
		// Nobody knows what is in there: moving air harms no wood.
		out.SetPoints = schedule.SetPoints{Active: true, Stage: -1, DryBulb: 5, EMC: 24, BaseDryBulb: 5, BaseEMC: 24,
			Permit: schedule.PermitFans, FanSpeed: 1, DutyCap: 1, Wet: true}
	}
	held := s.Run.Hold
	if s.Run.Phase != schedule.Running {
		held = 0
	}
	if held != s.Held {
		s.Held = held
		t.event(EventHold, int32(held), 0)
	}
	if held != 0 {
		s.Frozen += t.elapsed
	} else {
		s.Frozen = 0
	}
	if waiting && held == 0 && !out.Conditions.Held {
		s.Restart.Stable += t.elapsed
		if s.Restart.Stable >= gentleAfter {
			s.Restart.Class = NoOutage
		}
	}
	if base := out.SetPoints.BaseEMC; base != s.Base {
		if d := base - s.Base; s.Run.Phase == schedule.Running && (d > 0.5 || d < -0.5) {
			estimate.Stir(&s.Estimate)
		}
		s.Base = base
	}
}

// unsteady tells that after an outage of hours data have not been steady for long enough to leave a stage by.
func (t *tick) unsteady() bool {
	return t.s.Restart.Class >= OutageHalfDay && t.s.Restart.Stable < restartWait
}

// patience is for how long an alarm may wait for somebody.
func (t *tick) patience() time.Duration {
	if t.cfg.AbsentAfter > 0 {
		return t.cfg.AbsentAfter
	}
	return absentAfter
}

// unattended tells that an alarm waits for somebody who does not come, in a stage that gentler air serves.
func (t *tick) unattended() bool {
	s := t.s
	stage := t.stage()
	return s.Absent > t.patience() && stage != nil && (stage.Kind == schedule.Preheat || stage.Kind == schedule.Dry || stage.Kind == schedule.Equalize)
}

// stage is the one that is worked through; nil: none.
func (t *tick) stage() *schedule.Stage {
	run, plan := &t.s.Run, t.in.Plan
	if plan == nil || run.Phase != schedule.Running || run.Stage < 0 || int(run.Stage) >= len(plan.Schedule.Stages) {
		return nil
	}
	return &plan.Schedule.Stages[run.Stage]
}

// absence makes the air gentler while nobody comes. Back it goes no faster than the stage's ramps, and in a further stage
// too: the run's own set points stand meanwhile.
func (t *tick) absence() {
	s, sp := t.s, &t.out.SetPoints
	waits := t.unattended()
	if !waits && s.Gentle == 0 {
		return
	}
	pace := absentPace
	if stage := t.stage(); stage != nil && !waits {
		pace = min(pace, float64(stage.RampDryBulb)/absentCool, float64(stage.RampEMCDown)/absentEMC)
	}
	step := quantity.Ratio(pace * t.elapsed.Hours())
	if waits {
		s.Gentle = min(s.Gentle+step, 1)
	} else {
		s.Gentle = max(s.Gentle-step, 0)
	}
	if s.Gentle == 0 || !sp.Active {
		return
	}
	sp.EMC = min(sp.EMC+absentEMC*quantity.MoistureContent(s.Gentle), 24)
	sp.DryBulb = max(sp.DryBulb-absentCool*quantity.Celsius(s.Gentle), min(sp.DryBulb, 20))
}

func (t *tick) demand() {
	s, snap := t.s, t.in.Snapshot
	on := snap.Previous.On
	c := snap.Contacts
	in := demand.Input{
		Elapsed: t.elapsed, Conditions: &t.out.Conditions, SetPoints: &t.out.SetPoints, Steady: s.Estimate.Air.Settling(),
		CompressorOn: on.Has(hardware.Compressor), HeatOn: on&hardware.AllHeat != 0, VentOn: on.Has(hardware.Vent),
		SpraySupply: !t.cfg.Layout.Contacts.Has(hardware.ContactWaterSupply) || c.Proven(hardware.ContactWaterSupply),
		Barren:      s.Estimate.Air.Barren, Safe: snap.Previous.Forced != hardware.NotForced,
	}
	demand.Step(&t.cfg.Demand, &s.Demand, &in, &t.out.Demand)
	if t.heatWithheld() && t.out.Demand.Heat > 0 {
		t.out.Demand.Heat, t.out.Demand.HeatWhy = 0, demand.Why{Code: sequence.Locked}
	}
	if s.Effects.Heat.Part > 0 {
		t.out.Demand.Vent = false // a test of heat wants still air
	}
}

func (t *tick) sequence() {
	s, snap, c := t.s, t.in.Snapshot, &t.out.Conditions
	in := sequence.Input{
		Elapsed: t.elapsed, Demand: &t.out.Demand, Layout: &t.cfg.Layout, Applied: &snap.Previous, Contacts: snap.Contacts,
		Coil: c.Coil, CoilOK: c.CoilOK, Warm: s.Restart.Warm, MayWarn: t.mayWarn, MayMove: t.mayMove,
		Steady: s.Estimate.Air.Settling() || c.Held, Lock: t.locked(),
	}
	sequence.Step(&t.cfg.Sequence, &s.Sequence, &in, &t.out.Sequence)
	t.out.Requested = t.out.Sequence.Requested
}

func (t *tick) mode() {
	s := t.s
	switch {
	case s.UpTime < t.cfg.StartDelay:
		s.Mode = ModeStart
	case s.Test.On:
		s.Mode = ModeService
	case s.Run.Phase != schedule.Running:
		s.Mode = ModeRest
	case s.Run.Hold != 0:
		s.Mode = ModeHold
	default:
		s.Mode = ModeWork
	}
}

// lamps tell people near the kiln.
func (t *tick) lamps() {
	s, req, prev := t.s, &t.out.Requested, &t.in.Snapshot.Previous
	waits, danger := s.Waiting() != 0 || t.in.Failing, t.in.Unheard
	for i := range int(s.AlarmCount) {
		waits = waits || !s.Alarms[i].Acked
	}
	for i := range int(prev.AlarmCount) {
		a := &prev.Alarms[i]
		waits = waits || !a.Acked
		danger = danger || !a.Acked && a.Class == hardware.Danger
	}
	const silent = 1<<hardware.Crankcase | 1<<hardware.Vent
	moving := req.On&^silent != 0 || t.mayWarn && s.Sequence.Fans != sequence.Stopped
	on := req.On
	on = on.With(hardware.Beacon, moving && t.mayShow())
	on = on.With(hardware.AlarmLamp, waits && t.mayShow())
	on = on.With(hardware.DoorLamp, t.out.SetPoints.DoorRelease && t.mayShow())
	if danger && t.mayShow() {
		on = on.With(hardware.Sounder, true)
	}
	if s.Test.On {
		on |= req.On & signals
	}
	req.On = on & t.cfg.Layout.Outputs
}

// mayShow: nothing but the sounder moves before the start-up delay is over, lamps included.
func (t *tick) mayShow() bool { return t.s.UpTime > t.cfg.StartDelay }

func (t *tick) event(kind EventKind, a int32, b float64) {
	if int(t.out.EventCount) < len(t.out.Events) {
		t.out.Events[t.out.EventCount] = Event{Kind: kind, A: a, B: b}
		t.out.EventCount++
	}
}

// save asks for the state to be made durable, under a new generation; once a tick is enough.
func (t *tick) save() {
	if t.out.Save {
		return
	}
	t.out.Save = true
	t.s.Generation++
	t.event(EventCheckpoint, int32(t.s.Generation&0x7fffffff), 0)
}
