package simkiln

import (
	"time"

	"drywarden/hardware"
	"drywarden/hardware/quantity"
)

// Sample is a sample board as measured when it was cut, with the errors of a person's sections and balance.
type Sample struct {
	Lot     int8
	Start   quantity.Kilogram // weight when cut
	OvenDry quantity.Kilogram // calculated from its sections
}

// Notice is what the operator can see without opening the computer.
type Notice struct {
	Running    bool // a charge is being worked through: samples want weighing
	Confirm    bool // the controller waits for a person's word
	Alarms     [hardware.MaxAlarms]hardware.Alarm
	AlarmCount uint8
}

// ActionKind is what the person did.
type ActionKind uint8

// Actions. Pressing the panel's reset is done inside the kiln: it shows as hardware.ContactPanelReset.
const (
	WeighSample ActionKind = iota // Sample, Mass
	Ack                           // Rule: the alarm was seen
	ResetTrip                     // Rule: cleared, with the panel's reset held where the rule wants that
	Confirm                       // a person has looked
	Mend                          // Fault was mended; the controller is not told
	actionKindCount
)

// Errands that nobody is told of: the button on the hard-wired limit itself, and the panel's reset pressed without a look at
// anything else, as by everybody who leaves the kiln.
const (
	resetLimit = actionKindCount + iota
	pressReset
)

// walk is how long somebody takes from the kiln's door to the panel.
const walk = 20 * time.Second

var actionNames = [actionKindCount]string{"weigh", "ack", "reset_trip", "confirm", "mend"}

// String gives the name used in logs.
func (a ActionKind) String() string {
	if a < actionKindCount {
		return actionNames[a]
	}
	return "unknown"
}

// Action is one thing the person did. Fields not named at its kind are zero.
type Action struct {
	Kind   ActionKind
	At     time.Duration // since the start of the simulation
	Sample int8
	Mass   quantity.Kilogram
	Rule   hardware.RuleID
	Fault  FaultKind
}

// maxErrands bounds what the person has in mind.
const maxErrands = 64

// errand is something the person will do.
type errand struct {
	Kind ActionKind
	Rule hardware.RuleID
	At   time.Duration
	Used bool
}

// panelHold is how long the panel's reset is held, resetAfter how far into that the reset is asked for.
const (
	panelHold  = 10 * time.Second
	resetAfter = 3 * time.Second
)

const day = 24 * time.Hour

// startOfDay is the time of day at which a simulation starts.
const startOfDay = 6 * time.Hour

// CutSamples gives what the person measured when the sample boards were cut, in the order of Config.Samples.
func (k *Kiln) CutSamples() []Sample {
	out := make([]Sample, len(k.s.Samples))
	for i, b := range k.s.Samples {
		out[i] = Sample{Lot: b.Lot, Start: quantity.Kilogram(b.StartMass), OvenDry: quantity.Kilogram(b.Believed)}
	}
	return out
}

// Tell shows the person what there is to see. Call it every tick or every minute; only the latest counts.
func (k *Kiln) Tell(n Notice) {
	s := &k.s
	s.Running = n.Running
	if k.cfg.Person.Absent || s.Severity[PersonAway] > 0 {
		return
	}
	if n.Confirm {
		k.plan(Confirm, 0, float64(k.cfg.Person.Notice))
	}
	alarm := false
	for i := range n.Alarms[:min(int(n.AlarmCount), hardware.MaxAlarms)] {
		a := &n.Alarms[i]
		if !a.Acked {
			k.plan(Ack, a.Rule, float64(k.cfg.Person.Notice))
		}
		if a.Active {
			alarm = true
		}
		if a.Latched && !a.Active && a.Clears != hardware.ByItself {
			k.plan(ResetTrip, a.Rule, 1.5*float64(k.cfg.Person.Notice))
			s.Panel[a.Rule] = a.Clears >= hardware.AtPanel
		}
	}
	if s.LimitTrip && s.RoomT < hardReset {
		k.plan(resetLimit, 0, float64(k.cfg.Person.Notice))
	}
	if alarm {
		for i := range s.Faults {
			f := &s.Faults[i]
			if f.Active && f.Duration == 0 && f.MendAt == 0 {
				f.MendAt = s.Now + k.delay(float64(k.cfg.Person.Notice+k.cfg.Person.Mend))
				s.FaultCheck = min(s.FaultCheck, f.MendAt)
				k.note(errand{Kind: Mend, Rule: hardware.RuleID(f.Kind), At: f.MendAt})
			}
		}
	}
}

func (k *Kiln) delay(mean float64) time.Duration {
	return time.Duration(mean*k.s.PersonRandom.between(0.5, 1.5)).Truncate(time.Second) + time.Second
}

// plan puts an errand in mind unless it is there already.
func (k *Kiln) plan(kind ActionKind, rule hardware.RuleID, mean float64) {
	for i := range k.s.Errands {
		if e := &k.s.Errands[i]; e.Used && e.Kind == kind && e.Rule == rule {
			return
		}
	}
	wait := k.delay(mean)
	if p := float64(k.cfg.Person.Ignores); p > 0 && kind == Ack && k.s.PersonRandom.uniform() < p {
		wait += day
	}
	k.note(errand{Kind: kind, Rule: rule, At: k.s.Now + wait})
}

func (k *Kiln) note(e errand) {
	e.Used = true
	for i := range k.s.Errands {
		if !k.s.Errands[i].Used {
			k.s.Errands[i] = e
			k.s.PersonNext = min(k.s.PersonNext, e.At)
			return
		}
	}
}

// stepPerson does what is due. PersonNext says when the next thing is.
func (k *Kiln) stepPerson() {
	s := &k.s
	next := never
	if s.PanelUntil > 0 && s.Now >= s.PanelUntil {
		s.PanelUntil = 0
		k.updateContacts()
	}
	if !k.cfg.Person.Absent {
		if s.Now >= s.WeighAt {
			k.round()
		}
		next = s.WeighAt
	}
	for i := range s.Errands {
		e := &s.Errands[i]
		switch {
		case !e.Used:
			continue
		case s.Now >= e.At:
			k.run(e)
		}
		if e.Used {
			next = min(next, e.At)
		}
	}
	if s.PanelUntil > 0 {
		next = min(next, s.PanelUntil)
	}
	s.PersonNext = next
}

// round is the person's daily visit.
func (k *Kiln) round() {
	s := &k.s
	if s.Severity[PersonAway] == 0 {
		if s.Running {
			k.weighSamples()
		}
		s.WickDryness = min(s.WickDryness, 0.2) // tops up the wick's water
		if p := float64(k.cfg.Person.Doors); p > 0 && s.PersonRandom.uniform() < p && len(s.Faults) < maxFaults {
			open := quantity.Duration(time.Duration(s.PersonRandom.between(2, 15) * float64(time.Minute)))
			s.Faults = append(s.Faults, faultState{Fault: Fault{Kind: DoorOpen, Start: quantity.Duration(s.Now), Duration: open}})
			s.FaultCheck = 0
		}
	}
	midnight := (s.Now+startOfDay)/day*day - startOfDay
	s.WeighAt = midnight + day + k.cfg.Person.Weighing.Std() + time.Duration(s.PersonRandom.between(-30, 30))*time.Minute
}

// run does an errand that is due, or puts it off until the panel's reset has been held long enough.
func (k *Kiln) run(e *errand) {
	s := &k.s
	if e.Kind == pressReset || e.Kind == ResetTrip && s.Panel[e.Rule] {
		if s.PanelUntil == 0 {
			s.PanelUntil = s.Now + panelHold
			k.updateContacts()
		}
		if ready := s.PanelUntil - panelHold + resetAfter; e.Kind == ResetTrip && s.Now < ready {
			e.At = ready
			return
		}
		s.Panel[e.Rule] = false
	}
	e.Used = false
	switch e.Kind {
	case pressReset:
	case resetLimit:
		s.LimitTrip = s.LimitTrip && s.RoomT >= hardReset
		k.switchOutputs()
	case Mend:
		k.act(Action{Kind: Mend, At: s.Now, Fault: FaultKind(e.Rule)})
	default:
		k.act(Action{Kind: e.Kind, At: s.Now, Rule: e.Rule})
	}
}

func (k *Kiln) act(a Action) {
	if len(k.s.Done) < cap(k.s.Done) {
		k.s.Done = append(k.s.Done, a)
	}
}

// weighSamples takes every sample board out, weighs it to the balance's gram and puts it back.
func (k *Kiln) weighSamples() {
	for i := range k.s.Samples {
		b := &k.s.Samples[i]
		mass := b.OvenDry*(1+k.wood.mean(b.Board)/100) + 0.001*k.s.PersonRandom.normal()
		if p := float64(k.cfg.Person.Slips); p > 0 && k.s.PersonRandom.uniform() < p {
			mass += k.s.PersonRandom.between(-0.1, 0.1)
		}
		if v := k.s.Severity[MisWeigh]; v > 0 {
			mass += v * k.s.PersonRandom.between(-0.1, 0.1)
		}
		k.act(Action{Kind: WeighSample, At: k.s.Now, Sample: int8(i), Mass: quantity.Kilogram(quantity.Quantize(mass, 0.001))})
	}
}

// Actions hands over what the person has done since the last call. The slice is valid until the next Advance.
func (k *Kiln) Actions() []Action {
	if len(k.s.Done) == 0 {
		return nil
	}
	k.doneOut = append(k.doneOut[:0], k.s.Done...)
	k.s.Done = k.s.Done[:0]
	return k.doneOut
}
