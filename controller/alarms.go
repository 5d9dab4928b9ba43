package controller

import (
	"time"

	"drywarden/hardware"
	"drywarden/hardware/quantity"
	"drywarden/schedule"
)

// FirstRule is the least id of a controller alarm.
const FirstRule = hardware.LastSafetyRule + 1

// Controller alarms. They tell; what they force, if anything, is done where the cause is seen.
const (
	RuleAirUnknown hardware.RuleID = FirstRule + iota
	RuleBulbsApart
	RuleHumidityApart
	RuleWetBulbCrossed
	RuleWickSuspect
	RuleSampleOverdue
	RuleRateOver
	RuleTooSlow
	RuleDampStill
	RuleStageOverdue
	RuleOutage
	RuleFilesChanged
	RuleContradiction
	RuleRecoveryLow
	RuleUncertain
	RuleCompressorIdle
	RuleFrostTwice
	RuleHeatIdle
	RuleNoAirflow
	RuleHeldLong
	RuleChargeDone
	RuleStopPressed
	lastRule

	ruleCount = int(lastRule - FirstRule)
)

// Delays before an alarm is raised, and bounds; common practice, no source.
const (
	bulbsApart      = 1.0 // K
	bulbsApartFor   = 30 * time.Minute
	humidApartFor   = 15 * time.Minute
	crossedFor      = 2 * time.Minute
	wickFor         = 45 * time.Minute // of compressor running in damp air without water
	idleFor         = 45 * time.Minute
	slowShare       = 0.4 // of the safe rate
	slowFor         = 24 * time.Hour
	slowPoints      = 5.0 // relative humidity over what is set, percent
	dampRH          = 0.85
	dampFor         = time.Hour
	uncertainSigma  = 2.5
	uncertainFor    = time.Hour
	recoveryLow     = 0.6
	heatIdleFor     = 45 * time.Minute
	heatIdleGain    = 1.0 // K
	heldLong        = 24 * time.Hour
	overRateFor     = time.Hour
	hoursToDay      = 24.0
	airUnknownAfter = 5 * time.Second
)

var rules = [ruleCount]hardware.RuleText{
	{ID: RuleAirUnknown, Name: "air_unknown", Class: hardware.WoodAtRisk, Clears: hardware.ByItself,
		Seen: "No valid dry bulb, or no humidity source, for longer than a minute.", Done: "Compressor, heat and spray are off, fans run, the stage is held.",
		CheckFirst: "Plugs and cables of the probes; wick and water of the wet bulb.", WoodWaits: "A day with the fans running."},
	{ID: RuleBulbsApart, Name: "dry_bulbs_apart", Class: hardware.Machine, Clears: hardware.ByItself,
		Seen: "The dry bulbs differ by {value} K; {limit} K would be right.", Done: "The warmer counts when they disagree by more than 3 K.",
		CheckFirst: "Whether a probe hangs in a draught or near the heater; their calibration.", WoodWaits: "It need not wait."},
	{ID: RuleHumidityApart, Name: "humidity_sources_apart", Class: hardware.Machine, Clears: hardware.ByItself,
		Seen: "The humidity sources differ by {value} % relative humidity; up to {limit} % would be right. {probe} reads dampest.", Done: "The one that asks for less drying counts.",
		CheckFirst: "The wick: wet, clean, in the air stream; then the humidity probe.", WoodWaits: "It dries too slowly meanwhile; a day does no harm."},
	{ID: RuleWetBulbCrossed, Name: "wet_bulb_above_dry_bulb", Class: hardware.WoodAtRisk, Clears: hardware.ByItself,
		Seen: "{probe}, a wet bulb, reads above the dry bulb.", Done: "It is not used.",
		CheckFirst: "Whether wet and dry bulb are exchanged; the water feed.", WoodWaits: "A day with another humidity source, else it is held."},
	{ID: RuleWickSuspect, Name: "wick_suspected_dry", Class: hardware.WoodAtRisk, Clears: hardware.ByOperator,
		Seen: "The air reads damp, but the compressor ran {value} min without giving water; {limit} min is the most.", Done: "The wet bulbs are not believed until this is reset.",
		CheckFirst: "Wick and water of the wet bulb; if they are wet: whether the compressor really runs, and the drain.", WoodWaits: "A day with the fans running."},
	{ID: RuleSampleOverdue, Name: "sample_overdue", Class: hardware.Housekeeping, Clears: hardware.ByItself,
		Seen: "A sample board has not been weighed for {value} h; {limit} h is the longest.", Done: "Its moisture is carried forward with growing uncertainty.",
		CheckFirst: "Weigh the sample boards.", WoodWaits: "A day; then no stage ends any more."},
	{ID: RuleRateOver, Name: "rate_over_limit", Class: hardware.WoodAtRisk, Clears: hardware.ByItself,
		Seen: "A lot dries at {value} % of its safe rate; {limit} % is the most.", Done: "The rate guard makes the air damper, step by step.",
		CheckFirst: "The sample boards' faces and ends for checks; vents and door seal.", WoodWaits: "Look within hours: surface checks are made early and seen late."},
	{ID: RuleTooSlow, Name: "drying_too_slow", Class: hardware.WoodAtRisk, Clears: hardware.ByItself,
		Seen: "A wet lot loses {value} points a day; under {limit} it may stain.", Done: "Nothing.",
		CheckFirst: "Compressor, coil and fans; whether the load is too big for the machine.", WoodWaits: "One to three warm days before stain."},
	{ID: RuleDampStill, Name: "damp_and_still", Class: hardware.WoodAtRisk, Clears: hardware.ByItself,
		Seen: "{value} % relative humidity without proven airflow; mould grows above {limit} %.", Done: "Fans are asked for wherever they may run.",
		CheckFirst: "Why the fans stand.", WoodWaits: "12 to 24 h before mould."},
	{ID: RuleStageOverdue, Name: "stage_overdue", Class: hardware.WoodAtRisk, Clears: hardware.ByItself,
		Seen: "The stage has lasted {value} h, longer than it may without a question.", Done: "The stage goes on.",
		CheckFirst: "Whether the sample boards still lose weight; whether the machine can make air that dry.", WoodWaits: "It keeps at these conditions."},
	{ID: RuleOutage, Name: "outage", Class: hardware.WoodAtRisk, Clears: hardware.ByItself,
		Seen: "The kiln was without control for long, or nobody knows how long.", Done: "Fans only; the stage is held.",
		CheckFirst: "Why it was; the wood for mould and checks. Then confirm.", WoodWaits: "A day with the fans running."},
	{ID: RuleFilesChanged, Name: "files_changed", Class: hardware.Machine, Clears: hardware.ByItself,
		Seen: "Kiln, charge or schedule differ from those that the charge was run with.", Done: "The stage is held.",
		CheckFirst: "Whether the change was meant. Then confirm.", WoodWaits: "A day with the fans running."},
	{ID: RuleContradiction, Name: "weights_contradict_water", Class: hardware.WoodAtRisk, Clears: hardware.ByItself,
		Seen: "The last weighings of a lot cannot be reconciled with the water collected.", Done: "The stage is held.",
		CheckFirst: "The samples' names and weights, their oven-dry weights, the condensate drain. Then confirm.", WoodWaits: "It keeps at these conditions."},
	{ID: RuleRecoveryLow, Name: "water_recovery_low", Class: hardware.Machine, Clears: hardware.ByItself,
		Seen: "Only {value} % of the water lost by the wood arrives at the meter; {limit} % is the least.", Done: "The balance is corrected for it.",
		CheckFirst: "Condensate hose and drain inside the kiln; door seal and vents.", WoodWaits: "It need not wait."},
	{ID: RuleUncertain, Name: "moisture_uncertain", Class: hardware.WoodAtRisk, Clears: hardware.ByItself,
		Seen: "The control moisture is known to {value} points only; {limit} are needed to end a stage.", Done: "No stage ends by moisture.",
		CheckFirst: "Weigh the sample boards.", WoodWaits: "It keeps at these conditions."},
	{ID: RuleCompressorIdle, Name: "compressor_without_effect", Class: hardware.Machine, Clears: hardware.ByItself,
		Seen: "The compressor ran {value} min in damp air without giving water; {limit} min is the most.", Done: "Nothing yet.",
		CheckFirst: "Its breaker and current, the coil, the drain, the condensate meter.", WoodWaits: "A day with the fans running."},
	{ID: RuleFrostTwice, Name: "defrosted_twice", Class: hardware.Machine, Clears: hardware.ByOperator,
		Seen: "The coil iced twice within two hours.", Done: "It was thawed by the blower each time.",
		CheckFirst: "Air filter and blower; then the charge, by a refrigeration technician.", WoodWaits: "A day with the fans running."},
	{ID: RuleHeatIdle, Name: "heat_without_effect", Class: hardware.Machine, Clears: hardware.ByItself,
		Seen: "Heat was on for {value} min and the air is no warmer.", Done: "It goes on.",
		CheckFirst: "Breaker and overload of the heaters; vents and door.", WoodWaits: "It keeps."},
	{ID: RuleNoAirflow, Name: "airflow_not_proven", Class: hardware.WoodAtRisk, Clears: hardware.ByItself,
		Seen: "Fans are asked for, airflow is not proven.", Done: "Heat and compressor are off.",
		CheckFirst: "Fan overloads, belts and baffles; then the airflow switch.", WoodWaits: "Green wood in damp air 12 to 24 h."},
	{ID: RuleHeldLong, Name: "held_long", Class: hardware.WoodAtRisk, Clears: hardware.ByItself,
		Seen: "The stage has been held for {value} h.", Done: "It stays held.",
		CheckFirst: "Why it is held, and whether that is still wanted.", WoodWaits: "It keeps at these conditions."},
	{ID: RuleChargeDone, Name: "charge_done", Class: hardware.Housekeeping, Clears: hardware.ByItself,
		Seen: "The schedule is over.", Done: "Machines are off.",
		CheckFirst: "Survey the wood, then end the charge.", WoodWaits: "Days; it takes up moisture in damp air."},
	{ID: RuleStopPressed, Name: "stop_was_pressed", Class: hardware.Danger, Clears: hardware.ByItself,
		Seen: "The emergency stop was pressed.", Done: "Nothing moves until a person confirms.",
		CheckFirst: "Why it was pressed. Release it, reset the trip at the panel, then confirm.", WoodWaits: "Green wood in damp air 12 to 24 h."},
}

// Rules gives the texts of the controller's alarms, by id.
func Rules() []hardware.RuleText { return append([]hardware.RuleText(nil), rules[:]...) }

// alarms looks at every cause once a tick, in a fixed order.
func (t *tick) alarms() {
	s, c, sp := t.s, &t.out.Conditions, &t.out.SetPoints
	for i := range int(s.AlarmCount) {
		s.Alarms[i].For += t.elapsed
	}
	running := s.Run.Phase == schedule.Running
	a, none := &s.Estimate.Air, hardware.NoProbe
	t.alarm(RuleAirUnknown, (!c.DryBulbOK || !c.EMCOK) && s.UpTime > t.cfg.Estimate.RideThrough, airUnknownAfter, 0, 0, none)
	t.alarm(RuleBulbsApart, a.DryCount > 1 && a.Apart > bulbsApart, bulbsApartFor, a.Apart, bulbsApart, none)
	apart := c.Airflow && a.HumidCount > 1 && a.ApartHumid > float64(t.cfg.Estimate.HumidAgree)
	t.alarm(RuleHumidityApart, apart, humidApartFor, a.ApartHumid*100, float64(t.cfg.Estimate.HumidAgree)*100, a.Damp)
	t.alarm(RuleWetBulbCrossed, a.Crossed > 0, crossedFor, 0, 0, a.CrossedBy)
	wick := t.wick()
	t.alarm(RuleWickSuspect, wick, 0, a.BarrenDamp.Minutes(), wickFor.Minutes(), none)
	t.alarm(RuleCompressorIdle, a.BarrenDamp > idleFor && !wick, 0, a.BarrenDamp.Minutes(), idleFor.Minutes(), none)
	if running {
		sample, since := s.Estimate.Wood.Overdue(&t.cfg.Estimate)
		t.alarm(RuleSampleOverdue, sample >= 0, 0, since.Hours(), t.cfg.Estimate.WeighEvery.Hours(), none)
	} else {
		t.alarm(RuleSampleOverdue, false, 0, 0, 0, none)
	}
	share, slow, least := t.rates(running)
	t.alarm(RuleRateOver, share > 1, overRateFor, share*100, 100, none)
	t.alarm(RuleTooSlow, slow >= 0, slowFor, max(slow, 0), least, none)
	still := running && sp.Wet && c.EMCOK && c.RH > dampRH && !c.Airflow
	t.alarm(RuleDampStill, still, dampFor, float64(c.RH)*100, dampRH*100, none)
	t.alarm(RuleStageOverdue, running && s.Run.Overdue, 0, s.Run.InStage.Hours(), 0, none)
	t.alarm(RuleOutage, s.Restart.Confirm && s.Restart.Class == OutageLong, 0, 0, 0, none)
	t.alarm(RuleFilesChanged, s.Restart.Files, 0, 0, 0, none)
	t.alarm(RuleContradiction, s.Contradiction, 0, 0, 0, none)
	kappa, sigma := s.Estimate.Wood.Recovery()
	t.alarm(RuleRecoveryLow, running && kappa < recoveryLow && sigma < 0.1 && s.Estimate.Wood.Balances > 24, dampFor, kappa*100, recoveryLow*100, none)
	unsure := running && sp.Kind == schedule.Dry && c.Charge.Valid && c.Charge.Sigma > uncertainSigma
	t.alarm(RuleUncertain, unsure, uncertainFor, c.Charge.Sigma, uncertainSigma, none)
	t.alarm(RuleFrostTwice, s.Sequence.DefrostTwice, 0, 0, 0, none)
	t.heatIdle()
	t.alarm(RuleHeatIdle, s.HeatIdle > heatIdleFor, 0, s.HeatIdle.Minutes(), 0, none)
	t.alarm(RuleNoAirflow, s.Sequence.NoAir > t.cfg.Sequence.AirTrouble, 0, 0, 0, none)
	t.alarm(RuleHeldLong, s.Frozen > heldLong, 0, s.Frozen.Hours(), 0, none)
	t.alarm(RuleChargeDone, s.Run.Phase == schedule.Done, 0, 0, 0, none)
	t.alarm(RuleStopPressed, s.Stopped, 0, 0, 0, none)
	t.absent()
}

// wick tells that the wet bulbs are no longer to be believed: the air they show is damp, but the coil finds no water in
// it. A humidity probe that agrees speaks for the wick, and then the compressor is at fault.
func (t *tick) wick() bool {
	a := &t.s.Estimate.Air
	if a.Distrust != 0 {
		return true
	}
	if a.BarrenDamp <= wickFor {
		return false
	}
	if a.HumidCount > 1 && a.ApartHumid <= float64(t.cfg.Estimate.HumidAgree) {
		return false
	}
	for i := range t.cfg.Layout.Probes {
		if t.cfg.Layout.Probes[i].Role == hardware.RoleWetBulb {
			a.Distrust |= 1 << i
		}
	}
	return a.Distrust != 0
}

// rates gives the worst share of the safe rate, and a wet easy or moderate lot that dries too slowly: its rate (-1: none)
// and what it should be at least.
func (t *tick) rates(running bool) (share, slow, least float64) {
	slow = -1
	plan := t.in.Plan
	if !running || plan == nil {
		return 0, slow, 0
	}
	if t.out.SetPoints.Kind != schedule.Dry {
		return 0, slow, 0
	}
	share, _ = schedule.RateOver(plan, &t.s.Run, &t.out.Conditions)
	for i := range plan.Lots {
		l, c := &plan.Lots[i], &t.out.Conditions.Lots[i]
		limit := slowShare * float64(l.RateLimit)
		if l.Group == schedule.Refractory || limit == 0 || !c.Control.Valid || c.Control.Value < fiberSaturation || !c.Rate24h.Valid {
			continue
		}
		if c.Rate24h.Value < limit && (slow < 0 || c.Rate24h.Value < slow) {
			slow, least = max(c.Rate24h.Value, 0), limit
		}
	}
	return share, slow, least
}

const fiberSaturation = 30

// heatIdle watches heat that makes nothing warmer.
func (t *tick) heatIdle() {
	s, c := t.s, &t.out.Conditions
	on := t.in.Snapshot.Previous.On&hardware.AllHeat != 0
	below := c.DryBulbOK && c.DryBulb < t.out.SetPoints.DryBulb-2
	if !on || !below || c.DryBulb > s.HeatFrom+heatIdleGain || s.HeatIdle == 0 {
		if !on || !below {
			s.HeatIdle = 0
			return
		}
		s.HeatIdle, s.HeatFrom = 0, c.DryBulb
	}
	s.HeatIdle += t.elapsed
}

// alarm raises, keeps or clears one alarm.
func (t *tick) alarm(rule hardware.RuleID, cause bool, delay time.Duration, value, limit float64, probe hardware.ProbeID) {
	s := t.s
	timer := &s.Delay[rule-FirstRule]
	if !cause && *timer == 0 && s.AlarmCount == 0 {
		return
	}
	if cause {
		*timer += max(t.elapsed, 1)
	} else {
		*timer = 0
	}
	if cause && !(quantity.Finite(value) && quantity.Finite(limit)) {
		value, limit = 0, 0
	}
	for i := range int(s.AlarmCount) {
		a := &s.Alarms[i]
		if a.Rule != rule {
			continue
		}
		if cause {
			a.Active, a.Value, a.Limit, a.Probe = true, value, limit, probe
		} else if a.Active = false; !a.Latched {
			t.drop(i)
		}
		return
	}
	if !cause || *timer < delay {
		return
	}
	text := &rules[rule-FirstRule]
	t.raise(hardware.Alarm{Rule: rule, Class: text.Class, Latched: text.Clears != hardware.ByItself, Active: true, Clears: text.Clears,
		Probe: probe, Value: value, Limit: limit})
}

// raise puts an alarm on the list; when it is full the gravest are kept.
func (t *tick) raise(a hardware.Alarm) {
	s := t.s
	at := int(s.AlarmCount)
	if at == len(s.Alarms) {
		for i := range s.Alarms {
			if at == len(s.Alarms) && s.Alarms[i].Class < a.Class || at < len(s.Alarms) && s.Alarms[i].Class < s.Alarms[at].Class {
				at = i
			}
		}
		if at == len(s.Alarms) {
			return
		}
	} else {
		s.AlarmCount++
	}
	s.Alarms[at] = a
	t.event(EventAlarm, int32(a.Rule), a.Value)
}

// drop takes an alarm off the list.
func (t *tick) drop(i int) {
	s := t.s
	t.event(EventAlarmClear, int32(s.Alarms[i].Rule), 0)
	last := int(s.AlarmCount) - 1
	copy(s.Alarms[i:], s.Alarms[i+1:s.AlarmCount])
	s.Alarms[last] = hardware.Alarm{}
	s.AlarmCount--
}

// absent finds for how long the oldest alarm that is more than housekeeping has waited for somebody.
func (t *tick) absent() {
	s, prev := t.s, &t.in.Snapshot.Previous
	oldest := time.Duration(0)
	for i := range int(s.AlarmCount) {
		if a := &s.Alarms[i]; !a.Acked && a.Class > hardware.Housekeeping {
			oldest = max(oldest, a.For)
		}
	}
	for i := range int(prev.AlarmCount) {
		if a := &prev.Alarms[i]; !a.Acked && a.Class > hardware.Housekeeping {
			oldest = max(oldest, a.For)
		}
	}
	s.Absent = oldest
}
