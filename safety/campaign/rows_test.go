package campaign

import (
	"errors"
	"fmt"
	"time"

	"drywarden/hardware"
	"drywarden/safety"
)

// owner is the part of the program that answers for a failure.
type owner string

// Owners.
const (
	ownGate       owner = "safety"              // raw signals: people and machine
	ownEstimate   owner = "controller/estimate" // plausibility of readings, weights and yield
	ownController owner = "controller"          // control: defrost, crankcase, schedule, absence
	ownShell      owner = "shell"               // process, disk, clock, configuration, delivery of alarms
)

// failure is one row of the failure table.
type failure struct {
	fails string
	owner owner
	rules []string      // of whatever part, that answer it
	limit time.Duration // on detection
	end   string        // the state it must end in

	// How the bench shows it before the gate alone; nil when it does not. wholes, ownShows and peopleShows show it in a
	// whole kiln.
	shows *showing
	by    string // test of another package that shows it
	note  string // what is not shown, and why
}

// showing is a fault on the bench and what must come of it.
type showing struct {
	rule   string // whose alarm or veto tells
	fault  func(*bench)
	before func(*bench) // another run than the usual one
	told   bool         // told by a veto, not by an alarm: waiting is none
	off    hardware.OutputSet
	level  hardware.SafeLevel
	within time.Duration // after it was told, if not in the same tick
	latch  bool
	clears hardware.Authority
	own    func(*bench) time.Duration // shown in another way; gives the detection time
}

const (
	noForce = hardware.NotForced
	safeNow = hardware.ForcedSafe
	offNow  = hardware.ForcedOff
)

const (
	sameTick = time.Duration(0)
	second   = time.Second
	minute   = time.Minute
)

// stop is a showing that switches everything off.
func stop(rule string, fault func(*bench), clears hardware.Authority) *showing {
	return &showing{rule: rule, fault: fault, off: working, level: offNow, latch: clears != hardware.ByItself, clears: clears}
}

// warming makes the air hotter by so many kelvin a minute.
func warming(pace float64) func(*bench) {
	return func(b *bench) {
		for _, id := range []hardware.ProbeID{bulbA, bulbB, leaving} {
			b.snap.Readings[id].Value += pace * float64(b.ticks+1) / 60
		}
	}
}

// twice makes two probes one.
func twice(a, b hardware.ProbeID) func(*bench) {
	return func(k *bench) {
		v := 45 + 0.01*float64(k.ticks/5%7)
		value(v, a, b)(k)
	}
}

// relays is a relay board that loses its outputs for a tick, every ten minutes.
func relays(b *bench) {
	if b.ticks%600 == 0 {
		b.snap.ReadBack = 0
		flowless(working)(b)
	}
}

var failures = [...]failure{
	{fails: "dry bulb open or short circuit", owner: ownGate, rules: []string{"dry_bulb_unknown", "heat_duty", "air_unknown"}, limit: second,
		end:   "the other dry bulb is used, with heat at a limited duty; none left: SAFE, latched, operator",
		shows: &showing{rule: "dry_bulb_unknown", fault: lost(hardware.Implausible, bulbA, bulbB), off: heat1 | machine, level: safeNow, within: 10 * second, latch: true, clears: hardware.ByOperator}},
	{fails: "dry bulb stuck", owner: ownEstimate, rules: []string{"probe_stuck"}, limit: 15 * minute, end: "alarm, the other dry bulb is used"},
	{fails: "dry bulb noisy", owner: ownEstimate, rules: []string{"probe_noisy"}, limit: minute, end: "filtered, alarm; after a minute as if lost"},
	{fails: "dry bulb drifts", owner: ownEstimate, rules: []string{"dry_bulbs_apart", "heat_duty"}, limit: 30 * minute,
		end: "held; the higher reading counts for heat, the one that asks for less drying for humidity; latched, operator"},
	{fails: "wet bulb open or short circuit", owner: ownGate, rules: []string{"humidity_unknown", "air_unknown"}, limit: 61 * second,
		end:   "the humidity probe is used; none left: compressor and spray off, fans run",
		shows: &showing{rule: "humidity_unknown", fault: lost(hardware.Implausible, wetBulb, humidity), off: machine}},
	{fails: "dry and wet bulb exchanged", owner: ownGate, rules: []string{"wet_bulb_hotter_than_dry", "wet_bulb_above_dry_bulb"}, limit: 2 * minute,
		end:   "heat, compressor, spray off, held; latched, operator",
		shows: &showing{rule: "wet_bulb_hotter_than_dry", fault: together(value(40, bulbA, bulbB), value(45, wetBulb)), off: heat1 | machine, latch: true, clears: hardware.ByOperator}},
	{fails: "wick dry", owner: ownController, rules: []string{"wick_suspected_dry", "water_yield_low"}, limit: 20 * minute, end: "the wet bulb is not believed, never more drying; latched, operator"},
	{fails: "wick slow or dirty", owner: ownEstimate, rules: []string{"wick_drifting", "humidity_sources_apart"}, limit: 24 * time.Hour, end: "alarm"},
	{fails: "humidity probe saturated", owner: ownEstimate, rules: []string{"humidity_probe_wet"}, limit: 30 * minute, end: "the wet bulb is used, else held"},
	{fails: "humidity probe drifts", owner: ownEstimate, rules: []string{"humidity_drifts", "humidity_sources_apart"}, limit: time.Hour, end: "alarm, less weight"},
	{fails: "core probe open or short circuit", owner: ownController, rules: []string{"core_probe_lost"}, limit: minute, end: "the exposure stops, alarm; latched, operator"},
	{fails: "core probe has come out of the wood", owner: ownEstimate, rules: []string{"core_probe_in_air"}, limit: 2 * time.Hour, end: "not counted, alarm; latched, operator"},
	{fails: "probe entered twice or ids exchanged", owner: ownGate, rules: []string{"bulbs_identical", "cores_identical"}, limit: 601 * second,
		end:   "heat, compressor, spray off, no start; latched, operator",
		shows: &showing{rule: "bulbs_identical", fault: twice(bulbA, bulbB), off: heat1 | machine, latch: true, clears: hardware.ByOperator}},
	{fails: "bus sensor gives its power-on value", owner: ownGate, rules: []string{"probe_at_power_on", "probe_jumped"}, limit: 15 * second,
		end:   "no reading; alarm",
		shows: &showing{rule: "probe_at_power_on", fault: value(85, core)}},
	{fails: "probe bus stuck", owner: ownGate, rules: []string{"readings_stale", "dry_bulb_unknown"}, limit: minute, end: "SAFE; latched, operator",
		shows: &showing{rule: "readings_stale", fault: silent, off: heat1 | machine, level: safeNow, latch: true, clears: hardware.ByOperator, within: 10 * second}},
	{fails: "moisture pins short or leak", owner: ownEstimate, rules: []string{"pin_leaks"}, limit: time.Hour, end: "the pin is rejected"},
	{fails: "moisture pins loose", owner: ownEstimate, rules: []string{"pin_loose"}, limit: time.Hour, end: "the pin is rejected"},
	{fails: "load cell creeps, jumps or binds", owner: ownEstimate, rules: []string{"load_cell_jumped"}, limit: time.Hour, end: "alarm; its weights were shown only: what is believed goes by weighings by hand; latched, operator"},
	{fails: "condensate meter stuck or drain blocked", owner: ownController, rules: []string{"condensate_missing", "compressor_without_effect", "water_on_floor"}, limit: time.Hour,
		end:   "alarm; when the float rises everything is off until reset at the panel",
		shows: stop("water_on_floor", contact(hardware.ContactFloat, true), hardware.AtPanel)},
	{fails: "condensate hose off in the kiln", owner: ownEstimate, rules: []string{"condensate_missing", "water_yield_low", "water_recovery_low"}, limit: 48 * time.Hour, end: "alarm; its water is left out of the balance, or the balance is corrected for what does not arrive"},
	{fails: "heater contactor welded", owner: ownGate, rules: []string{"heat_energised_unasked"}, limit: 5 * second, end: "OFF, the master contactor drops; latched, technician",
		shows: &showing{rule: "heat_energised_unasked", fault: energised(heat2), off: working, level: offNow, latch: true, clears: hardware.ByTechnician}},
	{fails: "heater open or its overload tripped", owner: ownGate, rules: []string{"heat_dead", "heat_without_effect"}, limit: minute, end: "heat off, tried once more after 10 min, then latched, operator",
		shows: &showing{rule: "heat_dead", fault: flowless(heat1), off: heat1, latch: true, within: 662 * second, clears: hardware.ByOperator}},
	{fails: "fan does not start", owner: ownGate, rules: []string{"fan_not_following", "fan_not_proven", "fans_lost"}, limit: 10 * second,
		end: "heat and compressor off, the other fans run; two groups: SAFE; latched, panel",
		shows: &showing{rule: "fan_not_following", before: func(b *bench) { b.want = on(hardware.FanForward1); b.run(100); b.want = forwards },
			fault: flowless(on(hardware.FanForward2)), off: heat1 | machine, latch: true, clears: hardware.AtPanel}},
	{fails: "fans stop in the run", owner: ownGate, rules: []string{"airflow_heat", "airflow_compressor", "fan_not_proven"}, limit: 10 * second,
		end: "heat off within 10 s, compressor within 30 s; latched, panel",
		shows: &showing{rule: "airflow_heat", fault: contact(hardware.ContactAirflow, false), off: heat1, told: true, latch: true, within: 20 * second, clears: hardware.AtPanel,
			own: func(b *bench) time.Duration {
				b.want &^= machine
				b.fault = contact(hardware.ContactAirflow, false)
				for b.ticks = 0; b.on()&heat1 != 0 && b.ticks < 100; {
					b.tick()
				}
				took := b.ticks - 1
				b.run(20)
				if trip, ok := b.alarm("fan_not_proven"); !ok || !trip.Latched || trip.Clears != hardware.AtPanel || b.on()&hardware.AllFans != forwards {
					return -1
				}
				return time.Duration(took) * second
			}}},
	{fails: "both directions of a fan energised", owner: ownGate, rules: []string{"both_directions_energised", "both_directions_requested"}, limit: sameTick,
		end:   "OFF; latched, technician",
		shows: stop("both_directions_energised", energised(on(hardware.FanReverse1)), hardware.ByTechnician)},
	{fails: "reversal asked for before the fans have coasted down", owner: ownGate, rules: []string{"fan_coast"}, limit: sameTick, end: "the other direction waits",
		shows: &showing{rule: "fan_coast", told: true, before: func(b *bench) { b.want = 0; b.run(5); b.want = hardware.OutputSet(on(hardware.FanReverse1)) }, fault: func(*bench) {}, off: working | on(hardware.FanReverse1)}},
	{fails: "fan belt slips, fan turns the wrong way", owner: ownGate, rules: []string{"fan_unloaded", "fan_not_proven"}, limit: 20 * second, end: "SAFE; latched, technician",
		shows: &showing{rule: "fan_unloaded", before: func(b *bench) { b.run(60) }, fault: func(b *bench) { b.snap.Current[hardware.FanForward1] = 3 }, off: heat1 | machine, level: safeNow, latch: true, clears: hardware.ByTechnician}},
	{fails: "compressor cycles shortly", owner: ownGate, rules: []string{"compressor_rest", "compressor_starts"}, limit: sameTick, end: "the rest is kept; asked to start once too often in an hour, it waits for an hour",
		shows: &showing{own: func(b *bench) time.Duration {
			starts, was := 0, true
			for n := 0; n < 4*3600; n++ {
				b.want = working
				if b.ticks%330 < 20 {
					b.want &^= machine
				}
				b.tick()
				if now := b.on()&machine != 0; now != was {
					if was = now; now {
						starts++
					}
				}
				if b.vetoed("compressor_starts") && starts < 4 {
					for m := 0; m < 3590; m++ {
						if b.tick(); b.on()&machine != 0 {
							return -1
						}
					}
					if _, told := b.alarm("compressor_starts"); !told {
						return -1
					}
					b.run(20)
					if b.on()&machine == 0 {
						return -1
					}
					return sameTick
				}
			}
			return -1
		}}},
	{fails: "high-pressure cut-out", owner: ownGate, rules: []string{"high_pressure", "compressor_lockout"}, limit: sameTick,
		end:   "compressor off, no reset for 30 min; three within a day: locked out, technician; latched, panel",
		shows: &showing{rule: "high_pressure", fault: contact(hardware.ContactHighPressure, true), off: machine, latch: true, clears: hardware.AtPanel}},
	{fails: "low-pressure cut-out, charge lost", owner: ownGate, rules: []string{"low_pressure", "compressor_lockout"}, limit: 3 * second, end: "compressor off; latched, technician",
		shows: &showing{rule: "low_pressure", fault: contact(hardware.ContactLowPressure, true), off: machine, latch: true, within: 3 * second, clears: hardware.ByTechnician}},
	{fails: "coil iced", owner: ownController, rules: []string{"defrosted_twice"}, limit: 30 * minute, end: "compressor off, thawed; twice in two hours: locked, operator"},
	{fails: "compressor starts without effect", owner: ownGate, rules: []string{"compressor_dead", "coil_not_cold", "compressor_without_effect"}, limit: 3 * minute, end: "compressor off, tried once more after 10 min, then latched, operator",
		shows: &showing{rule: "compressor_dead", fault: flowless(machine), off: machine, latch: true, within: 760 * second, clears: hardware.ByOperator},
	},
	{fails: "compressor contactor welded", owner: ownGate, rules: []string{"compressor_energised_unasked"}, limit: 8 * second, end: "OFF, the master contactor drops; latched, technician",
		shows: &showing{rule: "compressor_energised_unasked", before: func(b *bench) { b.want &^= machine; b.fault = energised(machine); b.ticks = 0 }, fault: energised(machine),
			off: working, level: offNow, latch: true, clears: hardware.ByTechnician}},
	{fails: "crankcase heater dead", owner: ownController, rules: []string{"crankcase_cold", "output_not_following"}, limit: 5 * minute, end: "alarm, the next start is delayed",
		shows: &showing{rule: "output_not_following", before: func(b *bench) { b.want |= on(hardware.Crankcase); b.run(20) }, fault: flowless(on(hardware.Crankcase))}},
	{fails: "air 5 K over its set point", owner: ownController, rules: []string{"air_too_warm"}, limit: 2 * minute, end: "heat off, vents, compressor off above its limit"},
	{fails: "air or wood over the software limit", owner: ownGate, rules: []string{"dry_bulb_too_high", "heat_near_limit"}, limit: 10 * second, end: "SAFE, vents open while too hot; latched, panel",
		shows: &showing{rule: "dry_bulb_too_high", fault: value(70.1, core), off: heat1 | machine, level: safeNow, latch: true, clears: hardware.AtPanel}},
	{fails: "hard-wired limit tripped", owner: ownGate, rules: []string{"high_limit"}, limit: sameTick, end: "SAFE, never rearmed from here; latched, panel",
		shows: &showing{rule: "high_limit", fault: contact(hardware.ContactHighLimit, true), off: heat1 | machine, level: safeNow, latch: true, clears: hardware.AtPanel}},
	{fails: "fire or smoke", owner: ownGate, rules: []string{"smoke", "air_rising_fast", "air_far_too_hot"}, limit: minute, end: "OFF, fans off and vents shut; latched, panel",
		shows: &showing{rule: "air_rising_fast", before: func(b *bench) { b.want &^= heat1; b.run(100) }, fault: warming(10), off: working, level: offNow, latch: true, clears: hardware.AtPanel},
		note:  "at the gate by the air's rise of 10 K a minute; in the kiln with a detector and without"},
	{fails: "door opened", owner: ownGate, rules: []string{"door_open", "restart_warning"}, limit: sameTick, end: "fans, heat, compressor, spray off; latched, operator; then the sounder warns for 10 s",
		shows: &showing{rule: "door_open", fault: contact(hardware.ContactDoor, true), off: working, latch: true, clears: hardware.ByOperator}},
	{fails: "door contact stuck at shut", owner: ownController, rules: []string{"door_seems_open", "fan_not_following"}, limit: 10 * minute, end: "alarm"},
	{fails: "somebody inside", owner: ownGate, rules: []string{"inside_button", "inhibit", "restart_warning", "start_delay"}, limit: sameTick, end: "OFF, no start; latched, panel, the button acknowledged first",
		shows: stop("inside_button", contact(hardware.ContactInsideButton, true), hardware.AtPanel)},
	{fails: "emergency stop", owner: ownGate, rules: []string{"emergency_stop", "stop_was_pressed"}, limit: sameTick, end: "OFF; latched, panel; then a person confirms",
		shows: stop("emergency_stop", contact(hardware.ContactEStop, true), hardware.AtPanel)},
	{fails: "vents stuck open or shut", owner: ownGate, rules: []string{"vent_not_following", "heat_duty", "vents_stay_shut"}, limit: 3*minute + 5*second, end: "alarm; open: heat at a limited duty; shut: the set point rises no further",
		shows: &showing{rule: "vent_not_following", before: func(b *bench) {
			b.want = forwards | vent
			b.run(1)
			b.fault = together(contact(hardware.ContactVentOpen, false), contact(hardware.ContactVentShut, true))
			b.ticks = 0
		}, fault: together(contact(hardware.ContactVentOpen, false), contact(hardware.ContactVentShut, true))}},
	{fails: "spray valve stuck open", owner: ownGate, rules: []string{"spray_energised_unasked"}, limit: 5 * second, end: "spray and compressor off, held; latched, panel",
		shows: &showing{rule: "spray_energised_unasked", fault: energised(spray), off: machine, latch: true, clears: hardware.AtPanel},
		note:  "as far as its relay or coil is read back; no flow is measured on this kiln: a valve that hangs is the humidity's to tell"},
	{fails: "no water for the spray", owner: ownGate, rules: []string{"water_supply_lost"}, limit: sameTick, end: "no spray; alarm",
		shows: &showing{rule: "water_supply_lost", before: func(b *bench) { b.want = forwards | spray; b.run(10) }, fault: contact(hardware.ContactWaterSupply, false), off: spray}},
	{fails: "breaker of a branch tripped", owner: ownGate, rules: []string{"heat_dead", "compressor_dead", "fans_lost", "fan_not_proven"}, limit: 10 * second, end: "what hangs on it is off; latched, panel",
		shows: &showing{rule: "fans_lost", fault: flowless(forwards), off: heat1 | machine, level: safeNow, latch: true, clears: hardware.AtPanel},
		note:  "a breaker of the compressor's branch is as in its own row"},
	{fails: "mains lost", owner: ownGate, rules: []string{"mains_lost", "outage"}, limit: sameTick, end: "OFF; when they are back, by the length of the outage",
		shows: stop("mains_lost", contact(hardware.ContactMains, false), hardware.ByItself)},
	{fails: "mains low or a phase lost", owner: ownGate, rules: []string{"mains_lost"}, limit: 2 * second, end: "OFF; the compressor rests 5 min",
		shows: &showing{own: func(b *bench) time.Duration {
			b.fault = contact(hardware.ContactMains, false)
			b.run(1)
			off := b.told.On
			b.fault = nil
			b.want = on(hardware.Sounder)
			b.run(11)
			b.want = forwards | blower
			b.run(5)
			b.want = working
			for b.ticks = 0; b.on()&machine == 0 && b.ticks < 1000; {
				b.tick()
			}
			if off != 0 || b.ticks < 300-17 || b.ticks > 300 {
				return -1
			}
			return sameTick
		}}, note: "as far as the mains sense is the contact of a voltage and phase relay; no voltage is measured on this kiln"},
	{fails: "program hangs", owner: ownGate, rules: []string{"controller_silent", "controller_silent_often"}, limit: 6 * second, end: "SAFE after 5 s, OFF and no heartbeat 30 s later; three within an hour: latched, operator",
		shows: &showing{own: hang}},
	{fails: "program panics or is killed", owner: ownShell, rules: []string{"shut_down", "outage", "restarted_often"}, limit: second, end: "OFF before the panic goes on; nothing for 30 s after the start; three within an hour: SAFE, latched",
		shows: &showing{own: killed9}},
	{fails: "outputs float or chatter at power-on", owner: ownGate, rules: []string{"start_delay"}, limit: sameTick, end: "nothing on for 30 s, and no heartbeat",
		shows: &showing{own: func(b *bench) time.Duration {
			b.kept = nil
			b.start()
			b.want = working | vent
			for range 30 {
				if b.tick(); b.told.On != 0 {
					return -1
				}
			}
			return sameTick
		}}},
	{fails: "relay board resets in the run", owner: ownGate, rules: []string{"outputs_dropped_often"}, limit: second, end: "told again in the same tick; three within an hour: SAFE, latched, operator",
		shows: &showing{rule: "outputs_dropped_often", before: func(b *bench) { b.fault, b.ticks = relays, 0; b.run(1200) }, fault: relays, off: heat1 | machine, level: safeNow, latch: true, clears: hardware.ByOperator},
		note:  "the time is that of the third, 20 min after the first"},
	{fails: "disk full or read only", owner: ownShell, rules: []string{"storage", "trip_record_not_saved"}, limit: minute, end: "control goes on; alarm",
		shows: &showing{rule: "trip_record_not_saved", before: func(b *bench) {
			b.storeE = errors.New("no space left on device")
			b.want &^= forwards
			b.run(40)
			b.want = working
		}, fault: func(*bench) {}},
	},
	{fails: "state file damaged", owner: ownShell, rules: []string{"outage", "trip_record_unreadable"}, limit: second, end: "the older copy; none: fans only, held until confirmed",
		shows: &showing{own: func(b *bench) time.Duration {
			b.storeE = errors.New("checksum")
			b.start()
			b.storeE = nil
			b.want = working
			b.run(100)
			if a, ok := b.alarm("trip_record_unreadable"); !ok || !a.Latched || a.Clears != hardware.ByTechnician || b.told.On != 0 {
				return -1
			}
			return sameTick
		}}},
	{fails: "clock jumps or is missing", owner: ownShell, rules: []string{"wall_clock_suspect"}, limit: minute, end: "durations do not change; times are marked as suspect"},
	{fails: "computer overloaded, tick late", owner: ownShell, rules: []string{"slow_tick", "controller_silent"}, limit: 6 * second, end: "alarm; beyond 5 s SAFE",
		shows: &showing{own: func(b *bench) time.Duration {
			b.clock.Advance(5 * second)
			b.tick()
			if a, ok := b.alarm("controller_silent"); !ok || a.Latched || b.out.Forced != safeNow || b.on()&(heat1|machine) != 0 {
				return -1
			}
			b.tick()
			if b.out.Forced != noForce {
				return -1
			}
			return 6 * second
		}}},
	{fails: "memory damaged", owner: ownGate, rules: []string{"limits_damaged", "configuration_damaged"}, limit: second, end: "SAFE; latched, operator",
		by: "../raw_test.go: TestLimitsDamaged", note: "nothing outside the gate's package can damage its limits: safety's own test does"},
	{fails: "bad configuration, attack from the network", owner: ownShell, rules: []string{"files_changed"}, limit: sameTick, end: "refused; orders come by a local socket alone",
		shows: &showing{own: func(b *bench) time.Duration {
			bad := b.limits
			bad.HardLimit, bad.CompressorStarts = 900, 60
			if _, err := safety.NewGate(bad, &b.layout, b, &b.clock, b); err == nil {
				return -1
			}
			return sameTick
		}}},
	{fails: "wrong schedule or species chosen", owner: ownController, rules: []string{"charge_out_of_family", "rate_over_limit", "drying_too_slow"}, limit: 48 * time.Hour, end: "alarm"},
	{fails: "wrong weights or oven-dry weight", owner: ownEstimate, rules: []string{"weights_contradict_water"}, limit: 48 * time.Hour, end: "held, alarm"},
	{fails: "alarm does not reach anybody", owner: ownShell, rules: []string{"alarm_not_delivered"}, limit: 10 * minute, end: "lamp and sounder here, then the second contact",
		by:   "../../cmd/drywarden/internal/courier/book_test.go: TestTheSecondRecipientAndTheSounder",
		note: "the 10 min and the second contact are the courier's own, and shown by its tests; in the kiln it is shown what the kiln does once it says that nobody was reached"},
	{fails: "nobody answers", owner: ownController, rules: []string{"nobody_answers"}, limit: 24 * time.Hour, end: "gentler: EMC + 2, 5 K cooler"},
	{fails: "refrigerant leaks", owner: ownGate, rules: []string{"gas_leak"}, limit: sameTick, end: "compressor, crankcase heater, heat, spray off, fans run; latched, technician",
		shows: &showing{rule: "gas_leak", fault: contact(hardware.ContactGas, true), off: heat1 | machine, latch: true, clears: hardware.ByTechnician}},
	{fails: "water on the floor", owner: ownGate, rules: []string{"water_on_floor"}, limit: sameTick, end: "OFF; latched, panel",
		shows: stop("water_on_floor", contact(hardware.ContactFloat, true), hardware.AtPanel)},
}

// hang is a program that stops calling, three times, killed by its watchdog each time.
func hang(b *bench) time.Duration {
	took := time.Duration(-1)
	for n := range 3 {
		for s := 1; s <= 40; s++ {
			b.clock.Advance(second)
			b.gate.CheckDeadline()
			safe := b.on()&(heat1|machine) == 0
			if n == 0 && safe && took < 0 {
				took = time.Duration(s) * second
			}
			if s == 6 && n == 0 && b.on() != forwards|blower || s > 36 && b.told.On != 0 {
				return -1
			}
		}
		b.start()
		b.run(1)
		if a, ok := b.alarm("controller_silent_often"); ok != (n == 2) || ok && (!a.Latched || a.Clears != hardware.ByOperator) {
			return -1
		}
		b.want = on(hardware.Sounder)
		b.run(60)
		b.want = forwards
		b.run(400)
		b.want = forwards | blower
		b.run(5)
		b.want = working
		b.run(10)
	}
	if b.out.Forced != safeNow {
		return -1
	}
	return took
}

// killed9 is a process that ends without a word while a trip is in force.
func killed9(b *bench) time.Duration {
	b.fault = contact(hardware.ContactGas, true)
	b.run(1)
	b.fault = nil
	b.start()
	for n := range 200 {
		b.want = 0
		if n > 35 {
			b.want = working
		} else if n > 20 {
			b.want = on(hardware.Sounder)
		}
		b.tick()
		if n < 30 && b.on()&^on(hardware.Sounder) != 0 || b.on()&(heat1|machine) != 0 || !b.out.Trips.Has(safety.GasLeak) {
			return -1
		}
	}
	return sameTick
}

func (f *failure) name(number int) string { return fmt.Sprintf("%02d %s", number, f.fails) }
