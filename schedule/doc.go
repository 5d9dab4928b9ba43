// Package schedule is what the operator asks for: charge sheets, schedules and their stages, and the pure state machine
// that works through them.
//
// Step turns conditions into set points: it ramps, guards the drying rate, counts heat exposure, holds, and decides when
// a stage is over. It reads no clock and no probe. It may import schedule/wood, schedule/library and hardware's leaves;
// never controller, safety or a driver.
//
// Words: a charge is the load of one run, a lot the boards of one owner, species and thickness in it, a stage one
// element of a schedule (never "step").
package schedule
