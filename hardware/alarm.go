package hardware

import "time"

// RuleID names one condition that may force outputs or call the operator. Ids up to LastSafetyRule belong to package
// safety, the others to package controller and its shell; each owner keeps the table of texts. Records hold names, not
// numbers.
type RuleID uint8

// LastSafetyRule is the greatest id that package safety may give out. Safety rules fit a RuleSet.
const LastSafetyRule RuleID = 63

// RuleSet is a set of safety rules.
type RuleSet uint64

// Has tells whether r is in the set.
func (s RuleSet) Has(r RuleID) bool { return r < 64 && s&(1<<r) != 0 }

// With gives the set with r put in or left out.
func (s RuleSet) With(r RuleID, in bool) RuleSet {
	if in {
		return s | 1<<r
	}
	return s &^ (1 << r)
}

// AlarmClass orders alarms by what they threaten.
type AlarmClass uint8

// Alarm classes, in order of urgency.
const (
	Housekeeping AlarmClass = iota // daily message
	Machine                        // message
	WoodAtRisk                     // message, repeated and escalated
	Danger                         // sounder and call
	alarmClassCount
)

var alarmClassNames = [alarmClassCount]string{"housekeeping", "machine", "wood_at_risk", "danger"}

// String gives the name used in records and metrics.
func (c AlarmClass) String() string { return nameOf(alarmClassNames[:], int(c)) }

// Authority says who may clear a latched rule, and where.
type Authority uint8

// Authorities, in order.
const (
	ByItself     Authority = iota // clears when the cause is gone
	ByOperator                    // a remote reset will do
	AtPanel                       // needs the panel's reset input; no command alone clears it
	ByTechnician                  // panel reset plus a written reason
	authorityCount
)

var authorityNames = [authorityCount]string{"itself", "operator", "panel", "technician"}

// String gives the name used in records and texts.
func (a Authority) String() string { return nameOf(authorityNames[:], int(a)) }

// Alarm is anything told to the operator. It forces nothing by itself.
type Alarm struct {
	Rule    RuleID
	Class   AlarmClass
	Latched bool          // stays until cleared by Clears
	Active  bool          // the cause is there now
	Acked   bool          // somebody has seen it; not a reset
	Clears  Authority     //
	Probe   ProbeID       // NoProbe when it is about none
	For     time.Duration // since it was raised
	Value   float64       // what was seen, in the unit of the rule's text
	Limit   float64       // what would have been right
}

// MaxAlarms bounds a list of alarms; when more are raised the gravest are kept.
const MaxAlarms = 16

// RuleText is what a rule's owner tells people about it. Sentences are rendered by the shell, never in a tick.
type RuleText struct {
	ID         RuleID
	Name       string // snake_case, stable: records, metrics and commands use it
	Class      AlarmClass
	Clears     Authority
	Seen       string // what was seen; may hold {value}, {limit}, {probe}
	Done       string // what was done already
	CheckFirst string // what to check first
	WoodWaits  string // how long the wood can wait
}
