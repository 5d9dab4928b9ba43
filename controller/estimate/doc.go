// Package estimate turns readings into what is believed of air and wood, with its uncertainty.
//
// Air: several dry bulbs become one (those that agree are averaged, of those that do not the warmer counts), and several
// humidity sources become one EMC (of those that disagree the one that asks for less drying, which is the lower EMC: a
// wick that dries reads too damp). Each probe's offset from the others is learnt while they agree, and carried on by
// those that remain, so that losing one makes no step. A last good value is kept for at most Config.RideThrough, and said
// to be Held.
//
// Trust: what a single reading cannot show (see trust.go): a probe that stands still while the air moves, jumps, is noisy,
// leaves its pair, sits at its end, follows the air instead of the wood, or answers for another. It is then treated as
// lost. What somebody must look at first stays so until reset. Yield compares the water at the meter with what a heat pump
// should take out of air as it is shown, whatever its size: that finds a dry wick, a stuck meter and a hose that is off.
//
// Wood: one Kalman filter over all lots (see filter.go) with the water balance of the whole kiln, and each sample
// board's last weighing carried forward at its lot's rate. A sample or a pin that falls silent never lowers the control
// moisture.
//
// Temperatures in Celsius, moisture and EMC in percent of oven-dry mass, rates inside the filter in points an hour.
// The work that costs is done when an air reading changed or once a minute; a Step allocates nothing. The package may
// import schedule, schedule/wood and hardware; never a driver, the gate or a clock.
package estimate
