package hardware

import (
	"time"

	"drywarden/hardware/mono"
	"drywarden/hardware/quantity"
)

// OutputID names one switched output; on means energised.
type OutputID uint8

// Outputs; each comment says what energised does.
const (
	FanForward1 OutputID = iota // fan group 1 blows forward; groups 2 to 4 follow
	FanForward2                 // see FanForward
	FanForward3                 // see FanForward
	FanForward4                 // see FanForward
	FanReverse1                 // fan group 1 blows in reverse; groups 2 to 4 follow
	FanReverse2                 // see FanReverse
	FanReverse3                 // see FanReverse
	FanReverse4                 // see FanReverse
	Compressor                  // heat pump runs
	Blower                      // evaporator blower runs
	BlowerLow                   // blower at its low speed, or the bypass damper open
	Crankcase                   // crankcase heater
	Heat1                       // first stage of auxiliary heat; 2 and 3 follow
	Heat2                       // see Heat
	Heat3                       // see Heat
	Vent                        // vents drive open; shut by spring or motor when off
	Spray                       // water spray
	Sounder                     // pre-start warning and danger
	Beacon                      // warning light: outputs may move
	AlarmLamp                   // something waits for the operator
	DoorLamp                    // the kiln may be opened
	Heartbeat                   // toggles; its relay drops the master contactor when it stops
	OutputCount
)

var outputNames = [OutputCount]string{"fan_forward_1", "fan_forward_2", "fan_forward_3", "fan_forward_4", "fan_reverse_1",
	"fan_reverse_2", "fan_reverse_3", "fan_reverse_4", "compressor", "blower", "blower_low", "crankcase", "heat_1", "heat_2",
	"heat_3", "vent", "spray", "sounder", "beacon", "alarm_lamp", "door_lamp", "heartbeat"}

// String gives the output as kiln files write it.
func (o OutputID) String() string { return nameOf(outputNames[:], int(o)) }

// MarshalText gives the name that String gives: states hold names, not numbers.
func (o OutputID) MarshalText() ([]byte, error) { return []byte(o.String()), nil }

// UnmarshalText reads the name that String gives.
func (o *OutputID) UnmarshalText(b []byte) error { return indexOf(outputNames[:], "output", b, o) }

// FanForward gives the forward output of a fan group, counted from 0.
func FanForward(group int) OutputID { return FanForward1 + OutputID(group) }

// FanReverse gives the reverse output of a fan group, counted from 0.
func FanReverse(group int) OutputID { return FanReverse1 + OutputID(group) }

// Heat gives the output of a heat stage, counted from 0.
func Heat(stage int) OutputID { return Heat1 + OutputID(stage) }

// OutputSet is a set of outputs; as a state it holds those that are on.
type OutputSet uint32

// Has tells whether o is in the set.
func (s OutputSet) Has(o OutputID) bool { return s&(1<<o) != 0 }

// With gives the set with o put in or left out.
func (s OutputSet) With(o OutputID, in bool) OutputSet {
	if in {
		return s | 1<<o
	}
	return s &^ (1 << o)
}

// Sets of outputs that rules and sequences name together.
const (
	AllForward OutputSet = 1<<FanForward1 | 1<<FanForward2 | 1<<FanForward3 | 1<<FanForward4
	AllReverse OutputSet = 1<<FanReverse1 | 1<<FanReverse2 | 1<<FanReverse3 | 1<<FanReverse4
	AllFans              = AllForward | AllReverse
	AllHeat    OutputSet = 1<<Heat1 | 1<<Heat2 | 1<<Heat3
)

// Outputs is what the outputs are told to be. The zero value is everything de-energised.
type Outputs struct {
	On       OutputSet
	FanSpeed [MaxFanGroups]quantity.Ratio // of full speed; without a drive anything above 0 is full speed
}

// SafeLevel is what the gate forced as a whole.
type SafeLevel uint8

// Safe levels, in order of severity.
const (
	NotForced  SafeLevel = iota
	ForcedSafe           // heat, spray, compressor off; fans that run keep running; vents shut unless too hot
	ForcedOff            // everything de-energised
	safeLevelCount
)

var safeLevelNames = [safeLevelCount]string{"none", "safe", "off"}

// String gives the name used in records and metrics.
func (s SafeLevel) String() string { return nameOf(safeLevelNames[:], int(s)) }

// MaxVetoes bounds the vetoes of one tick: no output is vetoed for more than its gravest reason.
const MaxVetoes = int(OutputCount)

// Veto tells that the gate refused a requested output in this tick.
type Veto struct {
	Output    OutputID
	Rule      RuleID
	Remaining time.Duration // until the rule would let it, 0 when not a matter of time
}

// Applied is what the gate let through and what it refused.
type Applied struct {
	Outputs
	At         mono.Instant
	Forced     SafeLevel
	Trips      RuleSet // latched trips in force
	Entered    bool    // somebody may be in the kiln, and nobody has said since that it is empty: nothing may move
	Vetoes     [MaxVetoes]Veto
	VetoCount  uint8
	Alarms     [MaxAlarms]Alarm // what the safety rules tell the operator, latched or current
	AlarmCount uint8
}
