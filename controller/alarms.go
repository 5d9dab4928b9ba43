package controller

import (
	"math/bits"
	"time"

	"drywarden/controller/estimate"
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
	RuleProbeStuck
	RuleProbeNoisy
	RuleProbeJumped
	RuleWickDirty
	RuleHumidityDrift
	RuleHumidityWet
	RuleCoreLost
	RuleCoreInAir
	RuleCoreTwins
	RulePinLeak
	RulePinLoose
	RuleCellSlipped
	RuleWaterMissing
	RuleYieldLow
	RuleCoilIdle
	RuleBlowerIdle
	RuleCrankcaseCold
	RuleTooWarm
	RuleVentHangs
	RuleDoorSigns
	RuleOutOfFamily
	RuleNobodyAnswers
	RuleRestartedOften
	lastRule

	ruleCount = int(lastRule - FirstRule)
)

// Delays before an alarm is raised, and bounds; common practice, no source.
const (
	bulbsApart      = 1.0 // K, for half an hour; package estimate judges it
	humidApartFor   = 15 * time.Minute
	dewFor          = time.Hour // after the door was open: cold air leaves dew on a warm humidity probe
	crossedFor      = 2 * time.Minute
	crossedAfter    = 15 * time.Minute // after the door was open: a wick in still or cold air lags
	wickApartFor    = 15 * time.Minute
	coreLostFor     = time.Minute
	yieldShare      = 60.0 // percent of what the machine gave before
	dirtyKelvin     = 0.7
	wickFor         = 45 * time.Minute // of compressor running in damp air without water
	idleFor         = 45 * time.Minute
	slowShare       = 0.4  // of the safe rate
	slowBack        = 1.25 // times that: no longer too slow
	slowFor         = 24 * time.Hour
	slowPoints      = 5.0 // relative humidity over what is set, percent
	dampRH          = 0.85
	dampFor         = time.Hour
	uncertainSigma  = 2.5
	uncertainFor    = 6 * time.Hour // a lot that dries fast is known less well towards the next daily weighing
	recoveryLow     = 0.6
	recoveryBack    = 0.7
	heldLong        = 24 * time.Hour
	overRateFor     = time.Hour
	overRate        = 1.15 // of the safe rate: boards of one lot differ by so much, and the guard acts from 1 on
	overRateBack    = 1.0
	linger          = 30 * time.Minute // an alarm whose cause is gone stays on the list: back within that, it is the same one
	dewLinger       = 12 * time.Hour   // in air near saturation dew comes again and again
	hoursToDay      = 24.0
	airUnknownAfter = 5 * time.Second
)

// Sentences that several texts share: machines go on, or start again, by themselves.
const (
	lockOut   = "Lock out first, it may start by itself; then "
	noReclose = "Never reclose a breaker or RCD that trips again: an electrician."
)

var rules = [ruleCount]hardware.RuleText{
	{ID: RuleAirUnknown, Name: "air_unknown", Class: hardware.WoodAtRisk, Clears: hardware.ByItself,
		Seen: "No valid dry bulb, or no humidity source, for longer than a minute.", Done: "Compressor, heat and spray are off, fans may run, the stage is held.",
		CheckFirst: "Lock out before you go in; then plugs and cables of the probes, wick and water of the wet bulb.", WoodWaits: "A day with the fans running."},
	{ID: RuleBulbsApart, Name: "dry_bulbs_apart", Class: hardware.WoodAtRisk, Clears: hardware.ByOperator,
		Seen: "The dry bulbs differed by {value} K for half an hour; {limit} K would be right. {probe} stands out or is the warmest.", Done: "Of three the one that stands alone is not used; of two the warmer counts and the stage is held.",
		CheckFirst: "Whether a probe hangs in a draught or near the heater; their calibration. Then reset.", WoodWaits: "A day: it is dried on as gently as before."},
	{ID: RuleHumidityApart, Name: "humidity_sources_apart", Class: hardware.Machine, Clears: hardware.ByItself,
		Seen: "The humidity sources differ by {value} % relative humidity; up to {limit} % would be right. {probe} reads dampest.", Done: "The one that asks for less drying counts.",
		CheckFirst: "The wick: wet, clean, in the air stream; then the humidity probe.", WoodWaits: "It dries too slowly meanwhile; a day does no harm."},
	{ID: RuleWetBulbCrossed, Name: "wet_bulb_above_dry_bulb", Class: hardware.WoodAtRisk, Clears: hardware.ByItself,
		Seen: "{probe}, a wet bulb, reads above the dry bulb.", Done: "It is not used.",
		CheckFirst: "Whether wet and dry bulb are exchanged; the water feed.", WoodWaits: "A day with another humidity source, else it is held."},
	{ID: RuleWickSuspect, Name: "wick_suspected_dry", Class: hardware.WoodAtRisk, Clears: hardware.ByOperator,
		Seen: "The wet bulb shows damper air than the humidity probe or the coil finds.", Done: "The wet bulb is not believed until this is reset.",
		CheckFirst: "Wick and water of the wet bulb; if they are wet: the humidity probe, whether the compressor really runs, the drain.", WoodWaits: "A day with the fans running."},
	{ID: RuleSampleOverdue, Name: "sample_overdue", Class: hardware.Housekeeping, Clears: hardware.ByItself,
		Seen: "A sample board has not been weighed for {value} h; {limit} h is the longest.", Done: "Its moisture is carried forward with growing uncertainty.",
		CheckFirst: "Weigh the sample boards.", WoodWaits: "A day; then no stage ends any more."},
	{ID: RuleRateOver, Name: "rate_over_limit", Class: hardware.WoodAtRisk, Clears: hardware.ByItself,
		Seen: "A lot dries at {value} % of its safe rate; {limit} % is the most.", Done: "The rate guard makes the air damper, step by step.",
		CheckFirst: "The sample boards' faces and ends for checks; vents and door seal.", WoodWaits: "Look within hours: surface checks are made early and seen late."},
	{ID: RuleTooSlow, Name: "drying_too_slow", Class: hardware.WoodAtRisk, Clears: hardware.ByItself,
		Seen: "A wet lot loses {value} points a day; under {limit} it may stain.", Done: "Nothing.",
		CheckFirst: "Whether the load is too big for the machine; locked out: coil, filter, blower and fans.", WoodWaits: "One to three warm days before stain."},
	{ID: RuleDampStill, Name: "damp_and_still", Class: hardware.WoodAtRisk, Clears: hardware.ByItself,
		Seen: "{value} % relative humidity without proven airflow; mould grows above {limit} %.", Done: "Fans are asked for wherever they may run.",
		CheckFirst: "Why the fans stand. Lock out before you reach in: they may start by themselves.", WoodWaits: "12 to 24 h before mould."},
	{ID: RuleStageOverdue, Name: "stage_overdue", Class: hardware.WoodAtRisk, Clears: hardware.ByItself,
		Seen: "The stage has lasted {value} h, longer than it may without a question.", Done: "The stage goes on.",
		CheckFirst: "Whether the sample boards still lose weight; whether the machine can make air that dry.", WoodWaits: "It keeps at these conditions."},
	{ID: RuleOutage, Name: "outage", Class: hardware.WoodAtRisk, Clears: hardware.ByItself,
		Seen: "The kiln was without control for long, or nobody knows how long.", Done: "Fans only; the stage is held.",
		CheckFirst: "Why it was; the wood for mould and checks. Then charge confirm outage.", WoodWaits: "A day with the fans running."},
	{ID: RuleFilesChanged, Name: "files_changed", Class: hardware.Machine, Clears: hardware.ByItself,
		Seen: "Kiln, charge or schedule differ from those that the charge was run with.", Done: "The stage is held.",
		CheckFirst: "Whether the change was meant. Then charge confirm files.", WoodWaits: "A day with the fans running."},
	{ID: RuleContradiction, Name: "weights_contradict_water", Class: hardware.WoodAtRisk, Clears: hardware.ByItself,
		Seen: "The last weighings of a lot cannot be reconciled with the water collected.", Done: "The stage is held.",
		CheckFirst: "The samples' names and weights, their oven-dry weights, the condensate drain. Then charge confirm weights.", WoodWaits: "It keeps at these conditions."},
	{ID: RuleRecoveryLow, Name: "water_recovery_low", Class: hardware.Machine, Clears: hardware.ByItself,
		Seen: "Only {value} % of the water lost by the wood arrives at the meter; {limit} % is the least.", Done: "The balance is corrected for it.",
		CheckFirst: "Condensate hose and drain inside the kiln; door seal and vents.", WoodWaits: "It need not wait."},
	{ID: RuleUncertain, Name: "moisture_uncertain", Class: hardware.WoodAtRisk, Clears: hardware.ByItself,
		Seen: "The control moisture is known to {value} points only; {limit} are needed to end a stage.", Done: "No stage ends by moisture.",
		CheckFirst: "Weigh the sample boards.", WoodWaits: "It keeps at these conditions."},
	{ID: RuleCompressorIdle, Name: "compressor_without_effect", Class: hardware.Machine, Clears: hardware.ByItself,
		Seen: "The compressor ran {value} min in damp air without giving water; {limit} min is the most.", Done: "Nothing yet.",
		CheckFirst: "Drain and condensate meter, the current. " + lockOut + "coil and breaker. " + noReclose, WoodWaits: "A day with the fans running."},
	{ID: RuleFrostTwice, Name: "defrosted_twice", Class: hardware.Machine, Clears: hardware.ByOperator,
		Seen: "The coil iced twice within two hours.", Done: "It was thawed by the blower each time.",
		CheckFirst: lockOut + "air filter and blower; the charge, by a refrigeration technician.", WoodWaits: "A day with the fans running."},
	{ID: RuleHeatIdle, Name: "heat_without_effect", Class: hardware.Machine, Clears: hardware.ByOperator,
		Seen: "Heat was on for long, the air got no warmer, and switching it off and on again changed the air by {value} K; {limit} K is the least.", Done: "It rests for ten minutes and is tried once more; then it is off until this is reset.",
		CheckFirst: lockOut + "breaker and overload of the heaters, their elements. " + noReclose, WoodWaits: "It keeps; green wood in cold damp air 12 to 24 h."},
	{ID: RuleNoAirflow, Name: "airflow_not_proven", Class: hardware.WoodAtRisk, Clears: hardware.ByItself,
		Seen: "Fans are asked for, airflow is not proven.", Done: "Heat and compressor are off.",
		CheckFirst: lockOut + "fan overloads, belts and baffles, the airflow switch. " + noReclose, WoodWaits: "Green wood in damp air 12 to 24 h."},
	{ID: RuleHeldLong, Name: "held_long", Class: hardware.WoodAtRisk, Clears: hardware.ByItself,
		Seen: "The stage has been held for {value} h.", Done: "It stays held.",
		CheckFirst: "Why it is held, and whether that is still wanted.", WoodWaits: "It keeps at these conditions."},
	{ID: RuleChargeDone, Name: "charge_done", Class: hardware.Housekeeping, Clears: hardware.ByItself,
		Seen: "The schedule is over.", Done: "Machines are off.",
		CheckFirst: "Survey the wood, then end the charge.", WoodWaits: "Days; it takes up moisture in damp air."},
	{ID: RuleStopPressed, Name: "stop_was_pressed", Class: hardware.Danger, Clears: hardware.ByItself,
		Seen: "The emergency stop was pressed.", Done: "Nothing moves until a person confirms.",
		CheckFirst: "Why it was pressed. Release it, reset the trip at the panel, see that nobody is in the machines; then charge confirm stop.", WoodWaits: "Green wood in damp air 12 to 24 h."},
	{ID: RuleProbeStuck, Name: "probe_stuck", Class: hardware.Machine, Clears: hardware.ByItself,
		Seen: "{probe} has not changed in the least for {value} min while the air did.", Done: "It is not used until it moves again.",
		CheckFirst: "Its cable, converter and address.", WoodWaits: "It need not wait while another probe of the kind is valid."},
	{ID: RuleProbeNoisy, Name: "probe_noisy", Class: hardware.Machine, Clears: hardware.ByItself,
		Seen: "{probe} jumps to and fro in {value} % of its samples; {limit} % is the most.", Done: "The middle of three samples counts; after a minute it is not used.",
		CheckFirst: "Screen and earth of its cable, the drives beside it, its plug.", WoodWaits: "It need not wait while another probe of the kind is valid."},
	{ID: RuleProbeJumped, Name: "probe_jumped", Class: hardware.Machine, Clears: hardware.ByItself,
		Seen: "{probe} gave its power-on value, or changed faster than anything can, three times in a row.", Done: "It is not used until three samples agree.",
		CheckFirst: "Supply, plug and cable of the probe.", WoodWaits: "It need not wait while another probe of the kind is valid."},
	{ID: RuleWickDirty, Name: "wick_drifting", Class: hardware.Machine, Clears: hardware.ByItself,
		Seen: "The wet bulb has moved up against the humidity probe by {value} K; {limit} K is the most.", Done: "The one that asks for less drying counts.",
		CheckFirst: "Change the wick, distilled water; if it is new: the humidity probe reads low.", WoodWaits: "It dries a little slowly meanwhile; days do no harm."},
	{ID: RuleHumidityDrift, Name: "humidity_drifts", Class: hardware.Machine, Clears: hardware.ByItself,
		Seen: "The humidity probe has moved to the damp side of the wet bulb by {value} K of wet bulb; {limit} K is the most.", Done: "The one that asks for less drying counts.",
		CheckFirst: "The humidity probe against salts or a fresh wick.", WoodWaits: "It need not wait."},
	{ID: RuleHumidityWet, Name: "humidity_probe_wet", Class: hardware.WoodAtRisk, Clears: hardware.ByItself,
		Seen: "{probe} has stood at its end for half an hour, and other evidence says that the air is drier.", Done: "It is not used until it comes down again.",
		CheckFirst: "Whether it drips onto the probe; its filter cap.", WoodWaits: "A day with another humidity source, else it is held."},
	{ID: RuleCoreLost, Name: "core_probe_lost", Class: hardware.Machine, Clears: hardware.ByOperator,
		Seen: "{probe}, a core probe, gives no usable reading.", Done: "It is not counted; a heat exposure stops when too few are left.",
		CheckFirst: "Its plug and cable, where it goes through the wall and between the boards.", WoodWaits: "It need not wait, but for the heat treatment."},
	{ID: RuleCoreInAir, Name: "core_probe_in_air", Class: hardware.WoodAtRisk, Clears: hardware.ByOperator,
		Seen: "{probe}, a core probe, follows the air as no wood can.", Done: "It is not counted until this is reset.",
		CheckFirst: "Whether it has come out of its hole; seal it in again.", WoodWaits: "It need not wait, but for the heat treatment."},
	{ID: RuleCoreTwins, Name: "cores_identical", Class: hardware.Machine, Clears: hardware.ByOperator,
		Seen: "{probe} and another probe gave the same readings to the last digit for ten minutes.", Done: "Core probes among them are not counted until this is reset.",
		CheckFirst: "The probes' addresses: one sensor may be entered twice.", WoodWaits: "It need not wait, but for the heat treatment."},
	{ID: RulePinLeak, Name: "pin_leaks", Class: hardware.Housekeeping, Clears: hardware.ByItself,
		Seen: "The resistance of {probe} does not follow its lot: it leaks or is short.", Done: "The pins are not used.",
		CheckFirst: "Wet plug or cable; sap or metal between the pins.", WoodWaits: "It need not wait while sample boards are weighed."},
	{ID: RulePinLoose, Name: "pin_loose", Class: hardware.Housekeeping, Clears: hardware.ByItself,
		Seen: "{probe} dries faster than wood can: the pins are loose.", Done: "The pins are not used until they are back.",
		CheckFirst: "Drive them in again beside the old holes.", WoodWaits: "It need not wait while sample boards are weighed."},
	{ID: RuleCellSlipped, Name: "load_cell_jumped", Class: hardware.Housekeeping, Clears: hardware.ByOperator,
		Seen: "{probe} jumped though the door was shut.", Done: "Nothing: load cells are shown, only weighings by hand are believed.",
		CheckFirst: "Whether the hung board touches anything; the cell's zero.", WoodWaits: "It need not wait."},
	{ID: RuleWaterMissing, Name: "condensate_missing", Class: hardware.Machine, Clears: hardware.ByItself,
		Seen: "The compressor works, but {value} kg that a 3 kW machine would give did not come; {limit} kg is the most.", Done: "The water balance is not used meanwhile.",
		CheckFirst: "Condensate meter, drain, trap and hose: stuck, blocked, or run back into the kiln.", WoodWaits: "A day; look before the pan runs over."},
	{ID: RuleYieldLow, Name: "water_yield_low", Class: hardware.Machine, Clears: hardware.ByItself,
		Seen: "The machine gives {value} % of the water that it gave before in such air; {limit} % is the least.", Done: "Nothing.",
		CheckFirst: "Condensate hose. " + lockOut + "filter, coil and blower; the charge, by a refrigeration technician.", WoodWaits: "It dries slowly; wood that stains should not wait for days."},
	{ID: RuleCoilIdle, Name: "coil_not_cold", Class: hardware.Machine, Clears: hardware.ByOperator,
		Seen: "The compressor ran for three minutes and its coil is not colder than the air.", Done: "It rests for a quarter of an hour and is tried once more; then it is off until this is reset.",
		CheckFirst: lockOut + "breaker, overload, the coil probe; its current and direction, by a technician. " + noReclose, WoodWaits: "A day with the fans running."},
	{ID: RuleBlowerIdle, Name: "blower_without_air", Class: hardware.Machine, Clears: hardware.ByItself,
		Seen: "The blower over the coil was tried twice and moves no air.", Done: "The compressor stays off; the blower is tried every few minutes.",
		CheckFirst: lockOut + "breaker and overload of the machine, belt, filter, ice. " + noReclose, WoodWaits: "A day with the fans running."},
	{ID: RuleCrankcaseCold, Name: "crankcase_cold", Class: hardware.Machine, Clears: hardware.ByItself,
		Seen: "The crankcase heater is told on and draws nothing.", Done: "After two hours at rest the compressor waits until it has been warm again for as long.",
		CheckFirst: lockOut + "fuse, cable and element, by an electrician.", WoodWaits: "A day with the fans running."},
	{ID: RuleTooWarm, Name: "air_too_warm", Class: hardware.WoodAtRisk, Clears: hardware.ByItself,
		Seen: "The dry bulb is {value} K over its set point; {limit} K is the most.", Done: "Heat and compressor are off, the vents open where that cools.",
		CheckFirst: "If it still rises or smells, treat it as a fire: everybody out, do not enter, call the fire service. Else the sun on the roof; locked out: vents, heater contactors.", WoodWaits: "Hours above fibre saturation."},
	{ID: RuleVentHangs, Name: "vents_stay_shut", Class: hardware.Machine, Clears: hardware.ByItself,
		Seen: "The vents were told open for {value} min in all and stay shut.", Done: "The dry-bulb set point rises no further.",
		CheckFirst: lockOut + "flaps, drive and end switches of the vents.", WoodWaits: "It need not wait unless it becomes too warm."},
	{ID: RuleDoorSigns, Name: "door_seems_open", Class: hardware.WoodAtRisk, Clears: hardware.ByItself,
		Seen: "Within minutes the air lost warmth and water as with an open door, and the door contact says shut.", Done: "Nothing: fans and machines may start.",
		CheckFirst: "The door, before anybody goes in; then its contact and the vents.", WoodWaits: "Green wood minutes to hours: it dries in outdoor air."},
	{ID: RuleOutOfFamily, Name: "charge_out_of_family", Class: hardware.WoodAtRisk, Clears: hardware.ByItself,
		Seen: "A lot's sample boards, or its rate of {value} points a day where {limit} is safe, do not fit the charge sheet.", Done: "The stage goes on.",
		CheckFirst: "Is this really the species, thickness and moisture on the sheet?", WoodWaits: "Look within hours when it dries too fast."},
	{ID: RuleNobodyAnswers, Name: "nobody_answers", Class: hardware.WoodAtRisk, Clears: hardware.ByItself,
		Seen: "An alarm has waited for {value} h; {limit} h is the longest.", Done: "The air is made gentler, hour by hour: up to 2 points of EMC damper and 5 K cooler.",
		CheckFirst: "Whether the alarms reach anybody: who is told of them, and whether that has failed.", WoodWaits: "Days, as gently as this."},
	{ID: RuleRestartedOften, Name: "restarted_often", Class: hardware.WoodAtRisk, Clears: hardware.ByItself,
		Seen: "The program, or its computer, broke off and was started again three times within an hour.", Done: "Fans only; the stage is held until a person confirms.",
		CheckFirst: "The log, supply and storage of the computer. Then charge confirm restarts.", WoodWaits: "A day with the fans running."},
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
	w := &s.Estimate.Trust
	t.alarm(RuleBulbsApart, w.Pair || w.Drifted != 0, 0, w.Apart, bulbsApart, w.ApartBy)
	apart := c.Airflow && s.ShutFor > dewFor && !t.dewed(a.Damp) && a.HumidCount > 1 && a.ApartHumid > float64(t.cfg.Estimate.HumidAgree)
	t.alarm(RuleHumidityApart, apart, humidApartFor, a.ApartHumid*100, float64(t.cfg.Estimate.HumidAgree)*100, a.Damp)
	t.alarm(RuleWetBulbCrossed, a.Crossed > 0 && c.Airflow && s.ShutFor > crossedAfter, crossedFor, 0, 0, a.CrossedBy)
	wick := t.wick()
	t.alarm(RuleWickSuspect, wick, 0, 0, 0, lowest(a.Distrust))
	cold := c.CoilOK && c.DryBulbOK && float64(c.Coil) < float64(c.DryBulb)-coilGain
	barren := a.BarrenDamp > idleFor && a.Yield.Since > a.Yield.Lost/2
	missing := a.Yield.Since > a.Yield.Lost || barren && cold
	t.timed(RuleCompressorIdle, barren && !wick && !missing, a.BarrenDamp, idleFor, time.Minute)
	t.alarm(RuleWaterMissing, missing && !wick, 0, a.Yield.Since, a.Yield.Lost, none)
	share, low := 0.0, (a.Yield.Low || a.Yield.Poor) && !wick
	if low {
		share = yieldPercent(a)
	}
	t.alarm(RuleYieldLow, low, 0, share, yieldShare, none)
	if running {
		sample, since := s.Estimate.Wood.Overdue(&t.cfg.Estimate)
		t.timed(RuleSampleOverdue, sample >= 0, since, t.cfg.Estimate.WeighEvery, time.Hour)
	} else {
		t.alarm(RuleSampleOverdue, false, 0, 0, 0, none)
	}
	share, slow, least := t.rates(running)
	held := running && s.Run.Hold&schedule.HoldRate != 0 // whatever is held is told
	over := held || share > overRate || share > overRateBack && t.listed(RuleRateOver)
	t.alarm(RuleRateOver, over, overRateFor, share*100, 100, none)
	t.alarm(RuleTooSlow, slow >= 0, slowFor, max(slow, 0), least, none)
	still := running && sp.Wet && c.EMCOK && c.RH > dampRH && !c.Airflow
	t.alarm(RuleDampStill, still, dampFor, float64(c.RH)*100, dampRH*100, none)
	t.timed(RuleStageOverdue, running && s.Run.Overdue, s.Run.InStage, 0, time.Hour)
	t.alarm(RuleOutage, s.Restart.Confirm && s.Restart.Class == OutageLong, 0, 0, 0, none)
	t.alarm(RuleRestartedOften, s.Often, 0, 0, 0, none)
	t.alarm(RuleFilesChanged, s.Restart.Files, 0, 0, 0, none)
	t.alarm(RuleContradiction, s.Contradiction, 0, 0, 0, none)
	kappa, sigma := s.Estimate.Wood.Recovery()
	t.alarm(RuleRecoveryLow, running && (kappa < recoveryLow || kappa < recoveryBack && t.listed(RuleRecoveryLow)) && sigma < 0.1 && s.Estimate.Wood.Balances > 24, dampFor, kappa*100, recoveryLow*100, none)
	unsure := running && sp.Kind == schedule.Dry && c.Charge.Valid && c.Charge.Sigma > uncertainSigma
	t.alarm(RuleUncertain, unsure, uncertainFor, c.Charge.Sigma, uncertainSigma, none)
	t.alarm(RuleFrostTwice, s.Sequence.DefrostTwice, 0, 0, 0, none)
	t.alarm(RuleNoAirflow, s.Sequence.NoAir > t.cfg.Sequence.AirTrouble, 0, 0, 0, none)
	t.timed(RuleHeldLong, s.Frozen > heldLong, s.Frozen, 0, time.Hour)
	t.alarm(RuleChargeDone, s.Run.Phase == schedule.Done, 0, 0, 0, none)
	t.alarm(RuleStopPressed, s.Stopped, 0, 0, 0, none)
	t.probes()
	t.machines(running)
	t.repeat()
	t.absent()
	patience := t.patience()
	t.timed(RuleNobodyAnswers, running && s.Absent > patience, s.Absent, patience, time.Hour)
}

// dewed tells that a humidity probe stands at its end: it differs because it is wet, which is told by a rule of its own when it
// does not dry.
func (t *tick) dewed(id hardware.ProbeID) bool {
	return id >= 0 && t.cfg.Layout.Probes[id].Role == hardware.RoleHumidity && t.in.Snapshot.Readings[id].Value > dewAt
}

const dewAt = 0.985

// lowest gives the first probe of a set.
func lowest(set uint64) hardware.ProbeID {
	if set == 0 {
		return hardware.NoProbe
	}
	return hardware.ProbeID(bits.TrailingZeros64(set))
}

func yieldPercent(a *estimate.Air) float64 {
	if a.Yield.Scale <= 0 {
		return 0
	}
	share := a.Yield.Share
	if a.Yield.Poor {
		share = a.Yield.RecentGot / max(a.Yield.RecentWant, 1)
	}
	return 100 * share / a.Yield.Scale
}

// probes tells of those that are not believed.
func (t *tick) probes() {
	w := &t.s.Estimate.Trust
	lost := hardware.NoProbe
	for _, id := range t.s.Estimate.Index.Cores[:t.s.Estimate.Index.CoreN] {
		if r := &t.in.Snapshot.Readings[id]; !r.OK() && r.Quality != hardware.Absent && lost == hardware.NoProbe {
			lost = id
		}
	}
	const ofProbes = uint64(1)<<(RuleCellSlipped-FirstRule+1) - uint64(1)<<(RuleProbeStuck-FirstRule)
	if lost == hardware.NoProbe && w.Bad|w.Rough|w.Slipped|w.Leak|w.Loose == 0 && !w.Dirty && !w.Dry && t.s.Busy&ofProbes == 0 {
		return
	}
	told := func(rule hardware.RuleID, set uint64, value, limit float64) {
		t.alarm(rule, set != 0, 0, value, limit, lowest(set))
	}
	of := func(set uint64) *estimate.Track { return &w.Probe[max(lowest(set), 0)] }
	told(RuleProbeStuck, w.Stuck, of(w.Stuck).Still.Minutes(), 0)
	told(RuleProbeNoisy, w.Rough, of(w.Rough).Rough*100, 10)
	told(RuleProbeJumped, w.Jumped, 0, 0)
	t.alarm(RuleWickDirty, w.Dirty, 0, w.Drift, dirtyKelvin, w.DriftBy)
	t.alarm(RuleHumidityDrift, w.Dry, 0, -w.Drift, dirtyKelvin, w.DriftBy)
	told(RuleHumidityWet, w.Wet, 0, 0)
	t.alarm(RuleCoreLost, lost != hardware.NoProbe, coreLostFor, 0, 0, lost)
	told(RuleCoreInAir, w.InAir, 0, 0)
	told(RuleCoreTwins, w.Twin, 0, 0)
	told(RulePinLeak, w.Leak, 0, 0)
	told(RulePinLoose, w.Loose, 0, 0)
	told(RuleCellSlipped, w.Slipped, 0, 0)
}

// machines tells of what has no effect, and of what happens untold.
func (t *tick) machines(running bool) {
	s, e, none := t.s, &t.s.Effects, hardware.NoProbe
	c, sp := &t.out.Conditions, &t.out.SetPoints
	t.alarm(RuleHeatIdle, e.Heat.Lock || e.Heat.Tries > 0, 0, e.Heat.Effect, heatEffect, none)
	t.alarm(RuleCoilIdle, e.CoilLock || e.CoilTries > 0, 0, 0, 0, none)
	t.alarm(RuleBlowerIdle, e.BlowerTries >= blowerTries, 0, 0, 0, none)
	t.alarm(RuleCrankcaseCold, t.crankcaseDead(), 0, 0, 0, none)
	t.alarm(RuleTooWarm, t.tooWarm(), warmOverFor, float64(c.DryBulb.Sub(sp.DryBulb)), warmOver, none)
	t.timed(RuleVentHangs, e.VentFor >= ventHangs, e.VentFor, 0, time.Minute)
	t.alarm(RuleDoorSigns, e.Door, 0, 0, 0, none)
	rate, safe := t.tooFast(running)
	t.alarm(RuleOutOfFamily, running && (s.Estimate.Wood.Family > 0 || rate > 0), 0, rate, safe, none)
}

// tooFast finds a lot that over twelve hours loses twice its safe rate: hardly the wood on the sheet.
func (t *tick) tooFast(running bool) (rate, safe float64) {
	plan := t.in.Plan
	if !running || plan == nil || t.out.SetPoints.Kind != schedule.Dry {
		return 0, 0
	}
	for i := range plan.Lots {
		limit, r := float64(plan.Lots[i].RateLimit), &t.out.Conditions.Lots[i].Rate12h
		if control := &t.out.Conditions.Lots[i].Control; limit > 0 && r.Valid && control.Value > 25 && r.Value-2*r.Sigma > familyRate*limit && t.s.Run.InStage > 72*time.Hour {
			return r.Value, limit
		}
	}
	return 0, 0
}

const familyRate = 2

// Repeats of what nobody has acknowledged.
const (
	repeatDanger = 5 * time.Minute
	repeatWood   = 30 * time.Minute
)

// repeat tells again of what nobody has acknowledged.
func (t *tick) repeat() {
	s := t.s
	for i := range int(s.AlarmCount) {
		a := &s.Alarms[i]
		every := repeatDanger
		switch {
		case a.Acked || a.Class < hardware.WoodAtRisk:
			continue
		case a.Class == hardware.WoodAtRisk:
			every = repeatWood
		}
		if a.For >= every && a.For%every < t.elapsed {
			t.event(EventRepeat, int32(a.Rule), a.For.Minutes())
		}
	}
}

// wick tells that the wet bulbs are no longer to be believed: the air they show is damp, but the coil finds no water in
// it. A humidity probe that agrees speaks for the wick, and then the compressor is at fault.
func (t *tick) wick() bool {
	a := &t.s.Estimate.Air
	if a.Distrust != 0 {
		return true
	}
	if a.ApartRaw > wickApartFor && a.DampRaw >= 0 && t.cfg.Layout.Probes[a.DampRaw].Role == hardware.RoleWetBulb {
		a.Distrust |= 1 << a.DampRaw
		return true
	}
	if a.BarrenDamp <= wickFor && !a.Yield.Shrunk && !a.Yield.Poor {
		return false
	}
	if a.HumidCount > 1 && a.ApartHumid <= float64(t.cfg.Estimate.HumidAgree) {
		return false
	}
	for i := range t.cfg.Layout.Probes {
		if t.cfg.Layout.Probes[i].Role == hardware.RoleWetBulb && t.in.Snapshot.Readings[i].OK() {
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
		if t.listed(RuleTooSlow) {
			limit *= slowBack
		}
		if l.Group == schedule.Refractory || limit == 0 || !c.Control.Valid || c.Control.Value < fiberSaturation || !c.Rate24h.Valid {
			continue
		}
		if c.Rate24h.Value+c.Rate24h.Sigma < limit && (slow < 0 || c.Rate24h.Value < slow) {
			slow, least = max(c.Rate24h.Value, 0), limit
		}
	}
	return share, slow, least
}

const fiberSaturation = 30

// alarm raises, keeps or clears one alarm. Most are quiet most of the time: they cost a comparison.
func (t *tick) alarm(rule hardware.RuleID, cause bool, delay time.Duration, value, limit float64, probe hardware.ProbeID) {
	if cause || t.s.Busy>>(rule-FirstRule)&1 == 1 {
		t.attend(rule, cause, delay, value, limit, probe)
	}
}

// timed is alarm for a value and a limit that are times, told in minutes or hours.
func (t *tick) timed(rule hardware.RuleID, cause bool, value, limit, unit time.Duration) {
	if cause || t.s.Busy>>(rule-FirstRule)&1 == 1 {
		in := time.Duration.Hours
		if unit == time.Minute {
			in = time.Duration.Minutes
		}
		t.attend(rule, cause, 0, in(value), in(limit), hardware.NoProbe)
	}
}

// listed tells that an alarm of the rule is on the list: from then on it takes more to be rid of its cause.
func (t *tick) listed(rule hardware.RuleID) bool {
	if t.s.Busy>>(rule-FirstRule)&1 == 0 {
		return false
	}
	for i := range int(t.s.AlarmCount) {
		if t.s.Alarms[i].Rule == rule {
			return true
		}
	}
	return false
}

// attend does what alarm says for one whose cause is there, or was.
func (t *tick) attend(rule hardware.RuleID, cause bool, delay time.Duration, value, limit float64, probe hardware.ProbeID) {
	s := t.s
	timer, bit := &s.Delay[rule-FirstRule], uint64(1)<<(rule-FirstRule)
	if cause {
		*timer += max(t.elapsed, 1)
		s.Busy |= bit
	}
	if cause && !(quantity.Finite(value) && quantity.Finite(limit)) {
		value, limit = 0, 0
	}
	for i := range int(s.AlarmCount) {
		a := &s.Alarms[i]
		if a.Rule != rule {
			continue
		}
		switch {
		case cause:
			if !a.Active {
				*timer = 0
			}
			a.Active, a.Value, a.Limit, a.Probe = true, value, limit, probe
		case a.Active:
			a.Active, *timer = false, 0
			if !a.Latched && lingers>>(rule-FirstRule)&1 == 0 {
				t.drop(i)
			}
		case !a.Latched:
			wait := linger
			if rule == RuleHumidityWet {
				wait = dewLinger
			}
			if *timer += t.elapsed; *timer >= wait {
				t.drop(i)
			}
		}
		return
	}
	if !cause {
		s.Busy &^= bit
		*timer = 0
		return
	}
	if *timer < delay {
		return
	}
	text := &rules[rule-FirstRule]
	t.raise(hardware.Alarm{Rule: rule, Class: text.Class, Latched: text.Clears != hardware.ByItself, Active: true, Clears: text.Clears,
		Probe: probe, Value: value, Limit: limit})
}

// lingers are the alarms that come and go with what is measured. Those that a person ends, or that tell a plain fact, end at
// once.
const lingers uint64 = 1<<(RuleAirUnknown-FirstRule) | 1<<(RuleHumidityApart-FirstRule) | 1<<(RuleWetBulbCrossed-FirstRule) |
	1<<(RuleRateOver-FirstRule) | 1<<(RuleTooSlow-FirstRule) | 1<<(RuleDampStill-FirstRule) | 1<<(RuleRecoveryLow-FirstRule) |
	1<<(RuleUncertain-FirstRule) | 1<<(RuleCompressorIdle-FirstRule) | 1<<(RuleNoAirflow-FirstRule) | 1<<(RuleProbeStuck-FirstRule) |
	1<<(RuleProbeNoisy-FirstRule) | 1<<(RuleProbeJumped-FirstRule) | 1<<(RuleWickDirty-FirstRule) | 1<<(RuleHumidityDrift-FirstRule) |
	1<<(RuleHumidityWet-FirstRule) | 1<<(RulePinLeak-FirstRule) | 1<<(RulePinLoose-FirstRule) | 1<<(RuleWaterMissing-FirstRule) |
	1<<(RuleYieldLow-FirstRule) | 1<<(RuleBlowerIdle-FirstRule) | 1<<(RuleCrankcaseCold-FirstRule) | 1<<(RuleTooWarm-FirstRule) |
	1<<(RuleVentHangs-FirstRule) | 1<<(RuleDoorSigns-FirstRule) | 1<<(RuleOutOfFamily-FirstRule)

// busy finds the alarms that a state holds, whatever their rules are called now.
func (s *State) busy() {
	s.Busy = 0
	for i := range int(s.AlarmCount) {
		if r := s.Alarms[i].Rule; r >= FirstRule && r < lastRule {
			s.Busy |= 1 << (r - FirstRule)
		}
	}
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
		if a := &s.Alarms[i]; !a.Acked && a.Class > hardware.Housekeeping && a.Rule != RuleNobodyAnswers {
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

// Busy has a bit for each rule.
var _ [64 - ruleCount]struct{}
