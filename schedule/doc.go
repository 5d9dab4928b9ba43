// Package schedule is what the operator asks for: charge sheets, schedules and their stages, and the pure state machine
// that works through them.
//
// Step turns conditions into set points: it ramps, guards the drying rate, counts heat exposure, holds, and decides when
// a stage is over. It reads no clock and no probe. It may import schedule/wood, schedule/library and hardware's leaves;
// never controller, safety or a driver.
//
// Words: a charge is the load of one run, a lot the boards of one owner, species and thickness in it, a stage one
// element of a schedule (never "step").
//
// # The run
//
//	Idle --StartRun--> Running, stage 0 --Next durable--> Running, stage n ... --Next durable--> Done --EndRun--> Idle
//
// A run changes its stage in two steps: Step, Advance or Back write Run.Next; a later Step carries it out when the caller
// says that it is safely on disk. By itself a run only goes on, one stage at a time. What is lost never dries or heats: without
// a valid dry bulb or EMC the set points only go where less is asked of the air, and what is decided on evidence shows no earlier
// than the tick after it.
//
// Kinds and what ends them: preheat (time at the dry bulb), dry (control moisture at or under UntilMC for 6 hours; the last
// dry stage when the driest sample of a lot is StartBelow under its target), equalize (wettest sample of every lot no more
// than EndAbove over its target; a sample that has lost no weight for days holds nothing up), condition (time at the set points), heat (exposure counted at every core), cool (wood, air
// and wet bulb fit for opening the door). The exposure is recorded, never certified.
//
// # The charge sheet
//
//	id            name of the charge, required
//	schedule      name of a schedule file, NAME.schedule.toml; else [[stage]] as there; else by species and thickness
//	conditioning  true: relieve stresses at the end
//	control       "wetter_half" (default) or "wettest": what drives the stages
//	equalizing    rule = "mean" (default), "handbook", "handbook_softwood" or "none"; or start_below, emc_below, end_above
//	notes
//	[[lot]]       name, species, thickness, volume, start, target (all required); tolerance, owner, contact, pieces, code,
//	              treatment ("none", "insect", "phytosanitary", "pitch"), price, notes
//	[[sample]]    name, lot (required); weight, and one of oven_dry, moisture, section = [{ wet, dry }, ...]; place
//
// # The schedule file
//
//	name, source  required; notes
//	[[stage]]     kind (required), name, dry_bulb, one of emc, depression, wet_bulb, rh; ramp, emc_ramp,
//	              until = { moisture (dry) | time (preheat, condition), at_least, at_most };
//	              heat: core, exposure, count = "unbroken" (default) or "cumulative", cores
//
// Every fault of both files, and of both against the kiln, is told at once.
package schedule
