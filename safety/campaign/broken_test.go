package campaign

import (
	"math"
	"slices"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"

	"drywarden/controller"
	"drywarden/hardware"
	"drywarden/hardware/quantity"
	"drywarden/hardware/simkiln"
	"drywarden/hardware/trace"
	"drywarden/safety/audit"
	"drywarden/schedule"
)

// defect is one part of a whole kiln that does what it must not, and the invariant by which the audit has to tell. Its twin
// goes through the same charge and the same mishap with nothing broken, and must be clean.
type defect struct {
	invariant string
	broken    string        // which part, and how
	stage     schedule.Kind // that it begins in, some hours after that stage began
	until     func(*site) bool
	mishap    func(*site)   // comes to both
	wait      time.Duration // from the mishap to the breaking
	breaks    func(*site)
	lasts     time.Duration
	also      []string // invariants that cannot hold either: they are implied
}

const (
	allOutputs   = hardware.OutputSet(1)<<hardware.OutputCount - 1
	backwards    = hardware.OutputSet(1)<<hardware.FanReverse1 | 1<<hardware.FanReverse2
	sump         = hardware.OutputSet(1) << hardware.Crankcase
	heatingUnits = hardware.AllHeat
)

// having tells that all these are on and none of those.
func having(on, off hardware.OutputSet) func(*site) bool {
	return func(s *site) bool {
		is := hardware.OutputSet(s.record.Applied)
		return is&on == on && is&off == 0
	}
}

// standing tells that something has been so for a while.
func standing(d time.Duration, is func(*site) bool) func(*site) bool {
	var of *site
	since := time.Duration(-1)
	return func(s *site) bool {
		if s != of || !is(s) {
			of, since = s, -1
		}
		if since < 0 && is(s) {
			since = s.kiln.Now()
		}
		return since >= 0 && s.kiln.Now()-since >= d
	}
}

// stopping tells that this output has just been switched off.
func stopping(o hardware.OutputID) func(*site) bool {
	var of *site
	was := false
	return func(s *site) bool {
		is := hardware.OutputSet(s.record.Applied).Has(o)
		stopped := s == of && was && !is
		of, was = s, is
		return stopped
	}
}

// asks makes the controller ask for these, and not for those.
func asks(on, off hardware.OutputSet) func(*site) {
	return func(s *site) {
		s.meddle(forever, func(o *hardware.Outputs) {
			o.On = o.On&^off | on
			for g := range hardware.MaxFanGroups {
				if on.Has(hardware.FanForward(g)) || on.Has(hardware.FanReverse(g)) {
					o.FanSpeed[g] = 1
				}
			}
		})
	}
}

// lets makes the gate let these through, whatever its rules say.
func lets(outputs hardware.OutputSet) func(*site) {
	return func(s *site) {
		s.gated = func(asked hardware.Outputs, a *hardware.Applied) {
			through := asked.On & outputs
			a.On |= through
			for g := range hardware.MaxFanGroups {
				if through.Has(hardware.FanForward(g)) || through.Has(hardware.FanReverse(g)) {
					a.FanSpeed[g] = asked.FanSpeed[g]
				}
			}
		}
	}
}

// open makes the gate let everything through, force nothing and trip no more.
func open(s *site) {
	s.gated = func(asked hardware.Outputs, a *hardware.Applied) {
		a.Outputs, a.Forced, a.VetoCount, a.AlarmCount = asked, hardware.NotForced, 0, 0
		a.Trips &= hardware.RuleSet(s.record.Trips)
		a.On = a.On&^beat | ^hardware.OutputSet(s.record.Applied)&beat
	}
}

// deaf makes the controller ask for what it asked for last.
func deaf(s *site) {
	kept := hardware.OutputSet(s.record.Requested)
	speeds := s.record.RequestedSpeed
	s.meddle(forever, func(o *hardware.Outputs) {
		o.On = kept
		for g := range o.FanSpeed {
			o.FanSpeed[g] = quantity.Ratio(speeds[g])
		}
	})
}

// gate makes the gate do something else than it decided.
func gate(does func(*hardware.Applied)) func(*site) {
	return func(s *site) { s.gated = func(_ hardware.Outputs, a *hardware.Applied) { does(a) } }
}

// recorder makes it write something else than there was.
func recorder(does func(*trace.Record)) func(*site) {
	return func(s *site) { s.noted = does }
}

// memoryOf spoils the control state once.
func memoryOf(does func(*controller.State)) func(*site) {
	return func(s *site) { does(&s.live.State) }
}

// memoryAlways spoils the control state in every tick, after the controller's step.
func memoryAlways(does func(*controller.State)) func(*site) {
	return func(s *site) {
		s.gated = func(hardware.Outputs, *hardware.Applied) { does(&s.live.State) }
	}
}

func both(parts ...func(*site)) func(*site) {
	return func(s *site) {
		for _, p := range parts {
			p(s)
		}
	}
}

// suffers injects a fault of the simulated kiln, for a time.
func suffers(kind simkiln.FaultKind, lasts time.Duration) func(*site) {
	return func(s *site) {
		if err := s.kiln.Inject(simkiln.Fault{Kind: kind, Duration: quantity.Duration(lasts)}); err != nil {
			panic(err)
		}
	}
}

// unreadable loses probes of these roles for a time; the first keep of each answer on.
func unreadable(lasts time.Duration, keep int, roles ...hardware.Role) func(*site) {
	return func(s *site) {
		s.spoil(lasts, func(snap *hardware.Snapshot) {
			for _, role := range roles {
				for _, id := range s.deps.Config.Layout.ByRole(role)[keep:] {
					snap.Readings[id] = hardware.Reading{Quality: hardware.Checksum}
				}
			}
		})
	}
}

// warms lets all probes of the air read ever warmer, by so many kelvin a minute.
func warms(pace float64, lasts time.Duration) func(*site) {
	return func(s *site) {
		began := s.kiln.Now()
		s.spoil(lasts, func(snap *hardware.Snapshot) {
			for _, role := range []hardware.Role{hardware.RoleDryBulb, hardware.RoleWetBulb, hardware.RoleLeavingAir} {
				for _, id := range s.deps.Config.Layout.ByRole(role) {
					snap.Readings[id].Value += pace * (s.kiln.Now() - began).Minutes()
				}
			}
		})
	}
}

func afterwards(d time.Duration, does func(*site)) func(*site) {
	return func(s *site) { s.later(d, func() error { does(s); return nil }) }
}

func orders(verb controller.Verb) func(*site) {
	return func(s *site) {
		c := s.command(verb)
		if verb == controller.VerbConfirm {
			c.Matters = s.live.State.Waiting()
		}
		s.loop.Submit(c)
	}
}

func cut(outage time.Duration) func(*site) {
	return func(s *site) {
		if err := s.kill(outage); err != nil {
			panic(err)
		}
	}
}

// once makes the recorder write something else in one record.
func once(does func(*trace.Record)) func(*site) {
	return func(s *site) {
		done := false
		s.noted = func(r *trace.Record) {
			if !done {
				done = true
				does(r)
			}
		}
	}
}

// pulses asks for the compressor after so long of not asking, for so long, and so on.
func pulses(offFor, onFor time.Duration) func(*site) {
	return func(s *site) {
		began := s.kiln.Now()
		s.meddle(forever, func(o *hardware.Outputs) {
			o.On = o.On.With(hardware.Compressor, (s.kiln.Now()-began)%(offFor+onFor) >= offFor).With(hardware.Blower, true)
		})
	}
}

var airProbes = []hardware.Role{hardware.RoleDryBulb}

// defects has one or more for every invariant of the audit.
var defects = []defect{
	{invariant: "record fits its header", broken: "recorder: a record of the boot before", stage: schedule.Dry,
		breaks: once(func(r *trace.Record) { r.Boot-- }), lasts: time.Second},
	{invariant: "ticks in order", broken: "recorder: a number left out", stage: schedule.Dry,
		breaks: once(func(r *trace.Record) { r.Tick += 2 }), lasts: time.Second},
	{invariant: "tick keeps time", broken: "beat: one comes late", stage: schedule.Dry,
		breaks: func(s *site) { s.late = 1600 * time.Millisecond }, lasts: 3 * time.Second},
	{invariant: "numbers finite and possible", broken: "recorder: a reading that is no number is told as valid", stage: schedule.Dry,
		breaks: once(func(r *trace.Record) { r.Probe[0] = math.NaN() }), lasts: time.Second},
	{invariant: "only fitted outputs", broken: "controller asks for what is not there, gate without the rule", stage: schedule.Dry,
		breaks: both(asks(on(hardware.FanForward4), 0), lets(on(hardware.FanForward4))), lasts: time.Second},
	{invariant: "gate only takes away", broken: "gate: warms the crankcase unasked", stage: schedule.Dry, until: standing(time.Minute, having(machine, sump)),
		breaks: gate(func(a *hardware.Applied) { a.On |= sump }), lasts: 2 * time.Second},
	{invariant: "refusals are told", broken: "gate: keeps the crankcase cold and says nothing", stage: schedule.Dry, until: standing(time.Minute, having(sump, 0)),
		breaks: gate(func(a *hardware.Applied) { a.On &^= sump }), lasts: 2 * time.Second},
	{invariant: "fan speeds possible", broken: "gate: a speed that no drive has", stage: schedule.Dry,
		breaks: gate(func(a *hardware.Applied) { a.FanSpeed[0] = 1.25 }), lasts: time.Second},

	{invariant: "fan directions exclusive", broken: "controller asks for both, gate lets both", stage: schedule.Dry, until: having(forwards, 0),
		breaks: both(asks(forwards|backwards, 0), lets(forwards|backwards)), lasts: time.Second, also: []string{"fans coast before they turn"}},
	{invariant: "fans coast before they turn", broken: "controller turns them at once, gate without the coast-down", stage: schedule.Dry, until: standing(time.Minute, having(forwards, 0)),
		breaks: both(asks(backwards, forwards), lets(backwards)), lasts: 2 * time.Second,
		also: []string{"compressor runs its minimum", "outputs keep their intervals"}}, // the gate still has no fan on, and stops it
	{invariant: "heat needs airflow", broken: "controller goes on asking, gate without the airflow rule", stage: schedule.Heat, until: having(heat1, 0),
		mishap: suffers(simkiln.AirflowLost, time.Minute), breaks: both(asks(heat1, 0), lets(heat1)), lasts: 13 * time.Second},
	{invariant: "heat needs a sound dry bulb", broken: "controller starts heat without a dry bulb, gate without the rule", stage: schedule.Dry, until: standing(time.Minute, having(0, heatingUnits|machine)),
		mishap: unreadable(2*time.Second, 0, airProbes...), breaks: both(deaf, asks(heat1, 0), open), lasts: time.Second},
	{invariant: "heat on one dry bulb is capped", broken: "controller asks for heat all the time, gate without the duty", stage: schedule.Preheat,
		mishap: unreadable(time.Hour, 1, airProbes...), wait: 2 * time.Minute, breaks: both(asks(heat1, vent), open), lasts: 25 * time.Minute},
	{invariant: "compressor needs airflow", broken: "controller goes on asking, gate without the airflow rule", stage: schedule.Dry, until: standing(time.Minute, having(machine, 0)),
		mishap: suffers(simkiln.AirflowLost, time.Minute), breaks: both(deaf, open), lasts: 33 * time.Second},
	{invariant: "compressor needs dry bulb and humidity", broken: "controller goes on asking, gate without the humidity rule", stage: schedule.Dry, until: standing(time.Minute, having(machine, 0)),
		mishap: unreadable(2*time.Minute, 0, hardware.RoleHumidity, hardware.RoleWetBulb), breaks: both(asks(machine|blower, 0), lets(machine|blower)), lasts: 63 * time.Second},
	{invariant: "compressor rests before a start", broken: "controller asks again at once, gate without the rest", stage: schedule.Dry, until: stopping(hardware.Compressor),
		breaks: both(pulses(30*time.Second, time.Hour), lets(machine)), lasts: 33 * time.Second},
	{invariant: "compressor runs its minimum", broken: "controller switches off a minute after the start", stage: schedule.Dry, until: standing(time.Minute, having(machine, 0)),
		breaks: asks(0, machine), lasts: 2 * time.Second},
	{invariant: "compressor runs its minimum", broken: "controller: says that it knows no EMC, and switches off", stage: schedule.Dry, until: standing(time.Minute, having(machine, 0)),
		breaks: both(asks(0, machine), recorder(func(r *trace.Record) { r.EMCValid = false })), lasts: 2 * time.Second},
	{invariant: "compressor starts an hour", broken: "controller and gate know no limit of starts", stage: schedule.Dry, until: stopping(hardware.Compressor), wait: 15 * time.Second,
		breaks: both(pulses(301*time.Second, 200*time.Second), open), lasts: 62 * time.Minute},
	{invariant: "compressor within its ambient limits", broken: "controller starts it in air for heat treatment, gate without the rule", stage: schedule.Heat,
		breaks: both(asks(blower, sump), lets(machine|blower), afterwards(20*time.Second, asks(machine, 0))), lasts: 22 * time.Second},
	{invariant: "heat and vent exclusive", broken: "controller asks for both, gate lets both", stage: schedule.Heat, until: having(heat1, vent),
		breaks: both(asks(vent, 0), lets(vent)), lasts: time.Second},
	{invariant: "spray and compressor exclusive", broken: "controller asks for both, gate lets both", stage: schedule.Dry, until: standing(time.Minute, having(machine, 0)),
		breaks: both(asks(spray, 0), lets(spray)), lasts: time.Second},
	{invariant: "spray with heat needs airflow", broken: "controller goes on asking, gate without both airflow rules", stage: schedule.Heat, until: having(heat1, 0),
		mishap: suffers(simkiln.AirflowLost, time.Minute), breaks: both(asks(heat1|spray, 0), lets(heat1|spray)), lasts: 13 * time.Second, also: []string{"heat needs airflow"}},
	{invariant: "outputs keep their intervals", broken: "controller switches to and fro, gate without the interval", stage: schedule.Dry, until: standing(time.Minute, having(sump, 0)),
		breaks: both(asks(0, sump), lets(sump), afterwards(3*time.Second, asks(sump, 0))), lasts: 6 * time.Second},

	{invariant: "emergency stop stops all", broken: "controller deaf, gate without any rule", stage: schedule.Dry,
		mishap: suffers(simkiln.EmergencyStop, time.Minute), breaks: both(deaf, open), lasts: time.Second},
	{invariant: "stop waits for a word", broken: "memory: forgets that a person must say so", stage: schedule.Dry,
		mishap: both(suffers(simkiln.EmergencyStop, 10*time.Second), afterwards(20*time.Second, panelReset)), wait: 2 * time.Minute,
		breaks: memoryOf(func(s *controller.State) { s.Stopped, s.Run.Hold = false, 0 }), lasts: 2 * time.Minute},
	{invariant: "door stops what moves", broken: "controller deaf, gate without any rule", stage: schedule.Dry,
		mishap: suffers(simkiln.DoorOpen, time.Minute), breaks: both(deaf, open), lasts: time.Second},
	{invariant: "door is warned before a restart", broken: "controller starts fans as soon as the door is shut, gate without the warning", stage: schedule.Dry, until: standing(time.Minute, having(forwards, 0)),
		mishap: suffers(simkiln.DoorOpen, 2*time.Minute), wait: 2*time.Minute + 3*time.Second, breaks: both(asks(forwards, backwards), lets(forwards)), lasts: 3 * time.Second},
	{invariant: "limit or fire stops heat", broken: "controller deaf, gate without the limit's rule", stage: schedule.Heat, until: having(heat1, 0),
		mishap: suffers(simkiln.HighLimit, time.Minute), breaks: both(deaf, open), lasts: time.Second},
	{invariant: "limit or fire stops heat", broken: "controller starts fans once the smoke is gone, gate lets them", stage: schedule.Dry,
		mishap: suffers(simkiln.Smoke, 10*time.Second), wait: 3 * time.Minute, breaks: both(asks(forwards, backwards), lets(forwards)), lasts: time.Second,
		also: []string{"forced levels hold"}},
	{invariant: "refrigerant and water faults stop the compressor", broken: "controller deaf, gate without the pressure rule", stage: schedule.Dry, until: having(machine, 0),
		mishap: suffers(simkiln.HighPressureTrip, time.Minute), breaks: both(deaf, lets(machine)), lasts: time.Second},
	{invariant: "refrigerant and water faults stop the compressor", broken: "controller deaf, gate lets heat go on in a leak", stage: schedule.Heat, until: having(heat1, 0),
		mishap: suffers(simkiln.RefrigerantGas, time.Minute), breaks: both(deaf, lets(heat1)), lasts: time.Second},
	{invariant: "refrigerant and water faults stop the compressor", broken: "controller deaf, gate without the float's rule", stage: schedule.Dry, until: standing(time.Minute, having(forwards, 0)),
		mishap: suffers(simkiln.FloorWater, time.Minute), breaks: both(deaf, open), lasts: time.Second},
	{invariant: "nothing starts with somebody inside", broken: "controller starts heat, gate without the key's rule", stage: schedule.Dry, until: standing(time.Minute, having(0, heatingUnits|machine)),
		mishap: suffers(simkiln.Inhibit, time.Minute), breaks: both(deaf, asks(heat1, 0), open), lasts: time.Second},
	{invariant: "nothing starts with somebody inside", broken: "controller deaf, gate without the key's rule: fans run on", stage: schedule.Dry, until: standing(time.Minute, having(forwards, machine)),
		mishap: suffers(simkiln.Inhibit, time.Minute), breaks: both(deaf, open), lasts: time.Second},
	{invariant: "nothing starts with somebody inside", broken: "controller starts fans once the button is let go, gate lets them", stage: schedule.Dry,
		mishap: suffers(simkiln.InsideButton, 10*time.Second), wait: 3 * time.Minute, breaks: both(asks(forwards, backwards), lets(forwards)), lasts: time.Second,
		also: []string{"forced levels hold"}},
	{invariant: "mains lost stops what moves", broken: "controller deaf, gate without any rule", stage: schedule.Dry,
		mishap: suffers(simkiln.MainsLoss, time.Minute), breaks: both(deaf, open), lasts: time.Second},
	{invariant: "too hot stops heat and compressor", broken: "controller sprays into it, gate without the limit's rule", stage: schedule.Heat,
		mishap: warms(4, 5*time.Minute), wait: 210 * time.Second, breaks: both(deaf, asks(spray, heatingUnits), open), lasts: time.Second},
	{invariant: "forced levels hold", broken: "gate: says that it forces and sprays all the same", stage: schedule.Dry, until: standing(time.Minute, having(0, heatingUnits|machine)),
		mishap: unreadable(time.Minute, 0, airProbes...), wait: 20 * time.Second, breaks: both(asks(spray, 0), lets(spray)), lasts: time.Second},
	{invariant: "forced levels hold", broken: "gate: opens the vents though it was never too hot", stage: schedule.Dry,
		mishap: unreadable(5*time.Minute, 0, airProbes...), wait: 2 * time.Minute, breaks: gate(func(a *hardware.Applied) { a.On |= vent }), lasts: time.Second},
	{invariant: "trips latch", broken: "gate: forgets a trip when its cause is gone", stage: schedule.Dry,
		mishap: suffers(simkiln.EmergencyStop, 10*time.Second), wait: time.Minute, breaks: gate(func(a *hardware.Applied) { a.Trips = 0 }), lasts: time.Second},
	{invariant: "trips latch", broken: "gate: a technician's trip goes by the panel's reset alone", stage: schedule.Dry,
		mishap: both(suffers(simkiln.RefrigerantGas, 10*time.Second), afterwards(20*time.Second, panelReset)), wait: 30 * time.Second,
		breaks: gate(func(a *hardware.Applied) { a.Trips = 0 }), lasts: time.Second},
	{invariant: "nothing moves at the start", broken: "controller moves air at once, gate without the delay", stage: schedule.Dry,
		mishap: cut(time.Minute), wait: 12 * time.Second, breaks: both(asks(forwards, 0), lets(forwards)), lasts: 2 * time.Second},
	{invariant: "heartbeat toggles", broken: "gate: the heartbeat stands", stage: schedule.Dry,
		breaks: gate(func(a *hardware.Applied) { a.On |= beat }), lasts: 6 * time.Second},
	{invariant: "service one output at a time", broken: "controller: takes its work for service", stage: schedule.Dry, until: standing(time.Minute, having(machine, 0)),
		breaks: memoryAlways(func(s *controller.State) { s.Mode = controller.ModeService }), lasts: time.Second},

	{invariant: "set points within limits", broken: "recorder: a set point beyond the kiln", stage: schedule.Heat,
		breaks: once(func(r *trace.Record) { r.SetEMC = 24.5 }), lasts: time.Second, also: []string{"set points ramp"}},
	{invariant: "green wood is kept cool", broken: "recorder: green wood in the heat", stage: schedule.Heat,
		breaks: recorder(func(r *trace.Record) { r.Lots[0].Control = 60 }), lasts: time.Second, also: []string{"moisture rises only when wetted"}},
	{invariant: "set points ramp", broken: "memory: the ramped dry bulb jumps", stage: schedule.Preheat,
		breaks: memoryOf(func(s *controller.State) { s.Run.DryBulb += 6 }), lasts: time.Second},
	{invariant: "set points ramp", broken: "memory: the dry bulb rises at 6 K/h more than its stage may", stage: schedule.Preheat,
		breaks: memoryAlways(func(s *controller.State) { s.Run.DryBulb += 6.0 / 3600 }), lasts: 5 * time.Minute},
	{invariant: "rate guard only gentles", broken: "memory: a guard that asks for drier air", stage: schedule.Dry,
		breaks: memoryOf(func(s *controller.State) { s.Run.Bias = -1 }), lasts: time.Second},
	{invariant: "last dry stage ends", broken: "plan: a last dry stage at the target's own EMC", stage: schedule.Dry, mishap: func(*site) {},
		breaks: func(s *site) {
			plan := *s.live.Run.Plan
			plan.Schedule.Stages = slices.Clone(plan.Schedule.Stages)
			for i := range plan.Schedule.Stages {
				if stage := &plan.Schedule.Stages[i]; stage.Kind == schedule.Dry {
					stage.EMC = 9
				}
			}
			run := *s.memory.saved.Run
			run.Plan = &plan
			s.memory.saved.Run = &run
			cut(time.Minute)(s)
		}, lasts: time.Second},
	{invariant: "stages in order", broken: "memory: a stage is left out", stage: schedule.Equalize,
		breaks: memoryOf(func(s *controller.State) { s.Run.Stage--; s.Run.InStage = 0 }), lasts: time.Second},
	{invariant: "stage advance is earned", broken: "memory: the next stage without its conditions", stage: schedule.Dry,
		breaks: memoryOf(func(s *controller.State) { s.Run.Stage++; s.Run.InStage = 0 }), lasts: time.Second},
	{invariant: "stage time is honest", broken: "memory: an hour more in the stage", stage: schedule.Dry,
		breaks: memoryOf(func(s *controller.State) { s.Run.InStage += time.Hour }), lasts: time.Second},
	{invariant: "hold freezes", broken: "controller: goes on counting in hold", stage: schedule.Dry, mishap: orders(controller.VerbHold), wait: time.Minute,
		breaks: memoryAlways(func(s *controller.State) { s.Run.InStage += time.Second }), lasts: time.Second},
	{invariant: "hold is obeyed", broken: "memory: forgets the operator's hold", stage: schedule.Dry, mishap: orders(controller.VerbHold), wait: 2 * time.Minute,
		breaks: memoryOf(func(s *controller.State) { s.Run.Hold = 0 }), lasts: 5 * time.Second},
	{invariant: "hold is told", broken: "memory: holds for nobody's sake", stage: schedule.Dry, until: standing(70*time.Minute, func(*site) bool { return true }),
		breaks: memoryOf(func(s *controller.State) { s.Run.Hold |= schedule.HoldOperator }), lasts: 62 * time.Minute},
	{invariant: "changed files wait for a person", broken: "memory: forgets that it waits for one", stage: schedule.Dry,
		mishap: func(s *site) { s.deps.Header.KilnHash += "+"; cut(5 * time.Second)(s) }, wait: time.Minute,
		breaks: memoryOf(func(s *controller.State) { s.Restart = controller.Restart{}; s.Run.Hold = 0 }), lasts: 5 * time.Second},
	{invariant: "wettest lot governs", broken: "recorder: another lot drives the stage", stage: schedule.Dry, until: func(s *site) bool { return s.record.Lots[0].Control > s.record.Lots[1].Control+0.6 },
		breaks: once(func(r *trace.Record) { r.Governing = 1 }), lasts: time.Second},

	{invariant: "exposure counts only in good conditions", broken: "memory: the exposure grows with no core read", stage: schedule.Heat, until: counting(time.Minute),
		mishap: unreadable(time.Hour, 0, hardware.RoleCore), wait: 30 * time.Second,
		breaks: memoryOf(func(s *controller.State) { s.Run.Exposure += time.Second }), lasts: time.Second},
	{invariant: "exposure is backed by readings", broken: "memory: ten minutes more of exposure", stage: schedule.Heat, until: counting(time.Minute),
		breaks: memoryOf(func(s *controller.State) { s.Run.Exposure += 10 * time.Minute }), lasts: time.Second},
	{invariant: "exposure starts again", broken: "store: gives back more exposure than it was given", stage: schedule.Heat, until: counting(5 * time.Minute),
		mishap: func(*site) {},
		breaks: func(s *site) { s.memory.saved.State.Run.Exposure += time.Hour; _ = s.kill(time.Minute) }, lasts: time.Second, also: []string{"exposure is backed by readings"}},

	{invariant: "beliefs rest on probes", broken: "recorder: a dry bulb that is long lost is told as known", stage: schedule.Dry,
		mishap: unreadable(2*time.Minute, 0, airProbes...),
		breaks: func(s *site) {
			s.noted = func(r *trace.Record) { r.DryBulbValid = true }
		}, lasts: 63 * time.Second},
	{invariant: "moisture stays possible", broken: "recorder: wood drier than oven dry", stage: schedule.Dry,
		breaks: once(func(r *trace.Record) { r.Lots[1].Mean = -1 }), lasts: time.Second},
	{invariant: "moisture rises only when wetted", broken: "memory: the boards are wetter all at once", stage: schedule.Dry,
		breaks: once(func(r *trace.Record) { r.Lots[1].Control += 0.4 }), lasts: time.Second},
}

// counting tells that the exposure has counted for a while.
func counting(d time.Duration) func(*site) bool {
	return standing(d, func(s *site) bool { return s.record.ExposureCount })
}

// play runs it, broken or not, and gives the verdict.
func (d *defect) play(t *testing.T, from *checkpoint, broken bool) audit.Report {
	s := from.resume(t, nil)
	s.run(settle)
	if d.until != nil {
		began := s.kiln.Now()
		for !d.until(s) {
			require.Less(t, s.kiln.Now()-began, 48*time.Hour, "the occasion never comes")
			require.NoError(t, s.tick())
		}
	}
	if d.mishap != nil {
		d.mishap(s)
	}
	s.run(d.wait)
	before := s.judge.Finish()
	require.Zero(t, before.Total, "before anything is broken: %+v", before.Violations)
	if broken {
		d.breaks(s)
	}
	for end := s.kiln.Now() + d.lasts; s.kiln.Now() < end; {
		require.NoError(t, s.tick())
		if report := s.judge.Finish(); report.Total > 0 {
			return report
		}
	}
	return s.judge.Finish()
}

// TestBrokenPartsAreCaught breaks one part of a whole kiln for each invariant of the audit: the audit tells this one, and
// finds nothing in a twin with all parts whole.
func TestBrokenPartsAreCaught(t *testing.T) {
	if testing.Short() {
		t.Skip("wants a charge through all its stages")
	}
	right := checkpoints()
	for i := range defects {
		d := &defects[i]
		t.Run(d.invariant, func(t *testing.T) {
			at := slices.IndexFunc(right, func(c *checkpoint) bool { return c.stage == d.stage })
			require.GreaterOrEqual(t, at, 0)
			synctest.Test(t, func(t *testing.T) {
				report := d.play(t, right[at], true)
				told := violated(report)
				require.Contains(t, told, d.invariant, "%+v", report.Violations)
				for _, name := range told {
					require.True(t, name == d.invariant || slices.Contains(d.also, name), "%+v", report.Violations)
				}
				whole := d.play(t, right[at], false)
				require.Zero(t, whole.Total, "%+v", whole.Violations)
			})
		})
	}
}

func violated(r audit.Report) []string {
	var names []string
	for _, c := range r.Counts {
		if c.Violated > 0 {
			names = append(names, c.Name)
		}
	}
	return names
}

// TestEveryInvariantIsBrokenOnce holds the list of defects against the audit's own list.
func TestEveryInvariantIsBrokenOnce(t *testing.T) {
	c := audit.New(trace.Header{})
	rep := c.Finish()
	var all, shown []string
	for _, n := range rep.Counts {
		all = append(all, n.Name)
	}
	for _, d := range defects {
		shown = append(shown, d.invariant)
	}
	require.Equal(t, all, slices.Compact(shown))
}
