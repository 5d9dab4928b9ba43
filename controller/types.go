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

// Mode is what the controller as a whole is doing.
type Mode uint8

// Modes. A run may be active in any of them but ModeRest.
const (
	ModeStart   Mode = iota // start-up delay: nothing moves, the sounder may warn
	ModeRest                // no charge
	ModeWork                // working through a stage
	ModeHold                // a stage is frozen
	ModeService             // commissioning, one output at a time
	modeCount
)

var modeNames = [modeCount]string{"start", "rest", "work", "hold", "service"}

// ModeNames gives the names by number, for records.
func ModeNames() []string { return modeNames[:] }

// String gives the name used in records and metrics.
func (m Mode) String() string {
	if int(m) < len(modeNames) {
		return modeNames[m]
	}
	return "unknown"
}

// Config is the kiln as the controller needs to know it. It does not change while the process runs.
type Config struct {
	Layout   hardware.Layout
	Pressure quantity.Pascal     // of the station
	Volume   quantity.CubicMeter // of air in the room
	Tick     time.Duration
	Estimate estimate.Config
	Demand   demand.Config
	Sequence sequence.Config

	StartDelay time.Duration            // nothing moves before; 30 s is usual
	WarnTime   time.Duration            // the sounder before fans start, inside StartDelay or after a door was shut (10 s)
	DryBulbMax quantity.Celsius         // highest set point this kiln may be given
	EMCMin     quantity.MoistureContent // driest air this kiln can make

	AbsentAfter time.Duration // an alarm nobody acknowledges for so long makes the air gentler; 0: 18 h
}

// State is all that the controller remembers: a plain value, no map, slice, pointer or instant.
type State struct {
	Mode       Mode
	Generation uint64 // grows with each change that must be durable before it is visible
	Pending    Pending
	UpTime     time.Duration // of this process; starts at zero after a restart
	ShutFor    time.Duration // door shut without a break
	Restart    Restart
	Run        schedule.Run
	Estimate   estimate.State
	Demand     demand.State
	Sequence   sequence.State
	Alarms     [hardware.MaxAlarms]hardware.Alarm
	AlarmCount uint8
	Absent     time.Duration // since the oldest unacknowledged alarm was raised

	ChangeGeneration uint64                   // under which Run.Next was to be made durable; 0: not yet asked
	Stopped          bool                     // the emergency stop was pressed: nothing moves until a person confirms
	Contradiction    bool                     // weights and water balance contradict each other: holds until a person confirms
	Often            bool                     // the program broke again and again: fans only until a person confirms
	Unreadable       bool                     // there was a state and it could not be read: fans only until a person confirms
	Gentle           quantity.Ratio           // how far the absence policy has moved the set points, 0 to 1
	Held             schedule.Hold            // of the tick before
	Delay            [ruleCount]time.Duration // for how long the cause of each alarm has been there
	Busy             uint64                   // alarms, by bit from FirstRule on, whose cause is there or that are on the list
	Frozen           time.Duration            // held without a break
	Base             quantity.MoistureContent // base EMC of the tick before
	Effects          Effects                  // tests of effect

	Test            Test               // of one output, by a person
	Proved, Doubted hardware.OutputSet // by a person who watched it: did what it should, did not
}

// Pending is a command accepted but not yet durable. Until it is, nothing is answered and the old set points hold.
type Pending struct {
	On         bool
	Generation uint64
	Command    Command
}

// Restart is what the outage policy still has to say.
type Restart struct {
	Class   OutageClass
	Confirm bool          // it waits for a person's word (MatterOutage)
	Stable  time.Duration // of stable data since, where the class wants it
	Warm    time.Duration // crankcase warming still owed before the compressor may start
	Files   bool          // kiln, charge or schedule differ from those as run: waits for a person's word
}

// OutageClass is how long the kiln was without control.
type OutageClass uint8

// Outage classes.
const (
	NoOutage      OutageClass = iota
	OutageShort               // up to 5 min: resume
	OutageHours               // up to 4 h: resume, ramp from measured, exposure from zero
	OutageHalfDay             // 4 to 24 h: fans, crankcase rule, no advance before 6 h of stable data
	OutageLong                // 24 h and more, or unknown, or no valid state: fans only until confirmed
)

// Verb is what a command does.
type Verb uint8

// Verbs.
const (
	VerbNone    Verb = iota
	VerbStart        // start the charge whose plan the shell has made ready (Input.Plan, Command.Run)
	VerbEnd          // end the run, whatever stage it is in
	VerbHold         // freeze the stage
	VerbResume       // lift the operator's hold
	VerbAdvance      // next stage
	VerbBack         // previous stage
	VerbSet          // own set points, which expire
	VerbUnset        // back to the stage's own
	VerbConfirm      // a person has looked at what is named: lift what waits for that
	VerbWeigh        // a sample board's weight
	VerbAck          // an alarm was seen
	VerbReset        // a controller alarm's latch; safety trips go to the gate
	VerbWarm         // the crankcase is warm: a person answers for a start before its time
	VerbTest         // try one output, with the kiln idle
	VerbTestEnd      // that was enough
	VerbSeen         // what a person saw an output do
	verbCount
)

var verbNames = [verbCount]string{"none", "start", "end", "hold", "resume", "advance", "back", "set", "unset", "confirm",
	"weigh", "ack", "reset", "warm", "test", "test_end", "seen"}

// String gives the name used in records.
func (v Verb) String() string {
	if int(v) < len(verbNames) {
		return verbNames[v]
	}
	return "unknown"
}

// Command is one thing a person asks for. Reason and who asked are kept by the shell, with the record.
type Command struct {
	Verb               Verb
	ID                 uint64                   // given by the shell; the reply carries it
	Run                uint32                   // the run it was meant for; refused when another runs
	Stage              int8                     // the stage it was meant for; refused when the run has moved on
	DryBulb            quantity.Celsius         // set
	EMC                quantity.MoistureContent // set
	HasDryBulb, HasEMC bool
	For                time.Duration     // set: until it expires; test: of being on
	Sample             int8              // weigh
	Mass               quantity.Kilogram // weigh
	Recheck            bool              // weigh: the person confirms an unlikely weight
	Rule               hardware.RuleID   // ack, reset
	Matters            Matters           // confirm
	Output             hardware.OutputID // test, seen
	AsWanted           bool              // seen: it did what it should
}

// Refusal says why a command was not done; 0 when it was.
type Refusal uint8

// Refusals.
const (
	Accepted          Refusal = iota
	RefusedBusy               // another command is being made durable
	RefusedNoRun              // no charge is running
	RefusedRunning            // a charge is running already
	RefusedMovedOn            // another run or stage than the one meant
	RefusedLimit              // beyond a limit of machine, wood or kiln; Value and Limit say which
	RefusedFirstStage         // there is no stage before
	RefusedLastStage          // there is no stage after
	RefusedUncertain          // moisture is not known well enough
	RefusedForced             // a trip is in force or the kiln is held safe
	RefusedNothing            // there is nothing of the kind to confirm, ack or reset
	RefusedUnlikely           // an unlikely weight: weigh again, or say that it was checked
	RefusedPanel              // only the panel's reset clears it
	RefusedHeld               // not while held
	RefusedUnsteady           // after a long outage no stage is left before data were steady; Value and Limit in hours
	RefusedKey                // the panel's key is not in its service position
	RefusedCold               // the crankcase is not warm yet; Value: hours left
	refusalCount
)

// Reply answers one command.
type Reply struct {
	ID      uint64
	Refusal Refusal
	Value   float64 // what was asked or seen
	Limit   float64 // what would be allowed
	Other   int8    // of an unlikely weight: the sample board, plus 1, that it would fit; 0: none
}

// MaxCommands bounds the commands of one tick; more wait in the shell's queue.
const MaxCommands = 4

// Input is everything a Step gets.
type Input struct {
	Snapshot *hardware.Snapshot
	Plan     *schedule.Plan // of State.Run, or of the charge to be started; nil when there is none
	Commands [MaxCommands]Command
	Count    uint8
	Failing  bool // alarms do not reach the first recipient
	Unheard  bool // one that stands has reached no recipient

	// First tick of a process only:
	Outage      time.Duration // how long the kiln was without control
	OutageKnown bool
	Restored    bool // State comes from a valid store
	Changed     bool // kiln, charge or schedule files differ from those as run
	Unreadable  bool // there was a state, and it could not be used
	Often       bool // the program broke three times within an hour
}

// WhyCode says why an output is as it is, or why a stage stays. Sentences are rendered by the shell (Why.Sentence).
type WhyCode uint8

// Why explains one output.
type Why struct {
	Code      WhyCode
	Probe     hardware.ProbeID
	Lot       int8
	Rule      hardware.RuleID
	Value     float64
	Limit     float64
	Remaining time.Duration
}

// EventKind is what happened in a tick.
type EventKind uint8

// Event kinds; A and B as stated.
const (
	EventNone         EventKind = iota
	EventCommand                // A verb, B refusal
	EventStage                  // A new stage, B cause
	EventStart                  // A run id
	EventEnd                    // A run id
	EventWeigh                  // A sample, B kilogram
	EventAlarm                  // A rule, B value
	EventAlarmClear             // A rule
	EventHold                   // A hold reasons now in force
	EventRestart                // A outage class, B outage in seconds (negative: unknown)
	EventTripReset              // A rule, B authority; appended by the loop
	EventCheckpoint             // A low 31 bits of the generation
	EventRepeat                 // A rule of an alarm that nobody has acknowledged, B minutes since it was raised
	EventConfirmed              // A matter for which a person's word was taken
	EventResetGranted           // A rule, B authority: somebody's reset was accepted, the trip goes when the record without it is saved; appended by the loop
	eventKindCount
)

var eventNames = [eventKindCount]string{"none", "command", "stage", "start", "end", "weigh", "alarm", "alarm_clear", "hold",
	"restart", "trip_reset", "checkpoint", "alarm_repeat", "confirmed", "reset_granted"}

// EventNames gives the names by number, for records.
func EventNames() []string { return eventNames[:] }

// Event is something that happened in a tick.
type Event struct {
	Kind EventKind
	A    int32
	B    float64
}

// MaxEvents bounds the events of one tick.
const MaxEvents = 16

// Result is everything a Step says. The shell reuses it from tick to tick.
type Result struct {
	Requested  hardware.Outputs
	Conditions schedule.Conditions
	SetPoints  schedule.SetPoints
	Demand     demand.Demand
	Sequence   sequence.Result // with the reasons that Explain tells
	TestWhy    demand.Why      // why the output under test is not asked for yet
	Replies    [MaxCommands]Reply
	ReplyCount uint8
	Events     [MaxEvents]Event
	EventCount uint8
	Save       bool // State as it stands must be made durable, under State.Generation
}
