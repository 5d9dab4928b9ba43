package schedule

import (
	"time"

	"drywarden/hardware"
	"drywarden/hardware/quantity"
)

// Phase is where a run stands.
type Phase uint8

// Phases.
const (
	Idle    Phase = iota // no charge
	Running              // a charge is being worked through (or held)
	Done                 // the last stage is over; the charge waits to be ended
	phaseCount
)

// Run is the progress of a charge: a plain value, no instants in it, only durations already earned. Copying it is a
// checkpoint.
type Run struct {
	ID    uint32 // of the plan it belongs to
	Phase Phase
	Stage int8
	Hold  Hold

	InStage   time.Duration            // hold not counted
	AtPoints  time.Duration            // in this stage with the air within tolerance of the set points
	Below     time.Duration            // control moisture at or below UntilMC without a break
	Exposure  time.Duration            // counted
	Gap       time.Duration            // length of the present dip or gap in the exposure
	DryBulb   quantity.Celsius         // ramped set point
	EMC       quantity.MoistureContent // ramped set point, guard included
	Started   bool                     // the ramps have a starting point
	Bias      quantity.MoistureContent // of the rate guard
	GuardTime time.Duration            // since the guard last moved
	DutyCap   quantity.Ratio
	Override  Override
	Shell     time.Duration // since the run's start, for the shell dry-off of the first 72 h
	Overdue   bool          // the stage has passed its MaxTime
	Cores     int8          // valid core probes when the exposure was counted; fewer are a gap
	Cold      bool          // the air is so far under the set point that heat may help a dry stage
	Waiting   uint8         // lots, by bit, that are done while others are still dried

	// Samples that have come to rest with the air, in equalize and the last dry stage.
	RestTime [hardware.MaxLots]time.Duration            // at the set points since RestFrom was noted
	RestFrom [hardware.MaxLots]quantity.MoistureContent // of each lot's wettest (equalize) or driest (dry) sample; 0: not noted
	AtRest   uint8                                      // lots, by bit, whose sample moved little

	// Next is a change decided but not yet durable: Step asks for it, the shell makes it durable, a later Step does it.
	Next Change
}

// Change is a stage change or the run's end, with what caused it.
type Change struct {
	Wanted bool
	Stage  int8 // to go to; len(Stages): the run is done
	Cause  Cause
}

// Cause says why a stage changes.
type Cause uint8

// Causes.
const (
	ByMoisture Cause = iota
	ByTime
	ByExposure
	ByCooling
	ByOperatorAdvance
	ByOperatorBack
	causeCount
)

// Override is an operator's own set points, which expire.
type Override struct {
	On                 bool
	DryBulb            quantity.Celsius         // NaN-free; used when HasDryBulb
	EMC                quantity.MoistureContent // used when HasEMC
	HasDryBulb, HasEMC bool
	Left               time.Duration
}

// Input is what a Step of the run gets.
type Input struct {
	Elapsed    time.Duration // since the Step before, capped by the caller so that a stall earns nothing
	Conditions *Conditions
	Hold       Hold // reasons to hold that the controller sees; the operator's is kept in Run
	Quiet      bool // no stage may change: start-up, forced safe, door
	Durable    bool // Run.Next as it stands is safely on disk

	Stall  time.Duration // what the cap took from Elapsed; breaks an exposure like any gap
	Gentle bool          // after a long outage: EMC falls at no more than half a point an hour
	Stand  bool          // others are moving the set points: those of the run go only where less is asked
	Stay   bool          // after a long outage: until data have been steady the run leaves no stage by itself
}
