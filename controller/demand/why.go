package demand

import "time"

// Reason says why something is wanted or not. Package sequence goes on from FirstOfSequence, package controller after
// it; the sentences are controller's.
type Reason uint8

// Reasons; Value and Limit as stated.
const (
	None           Reason = iota
	NotWanted             // no charge is being worked on
	NotFitted             // the kiln has none
	NotPermitted          // the stage does not use it
	HeldSafe              // the gate holds the kiln safe
	NoDryBulb             // no valid dry bulb
	NoHumidity            // no valid humidity source
	AirWanted             // fans: speed, percent
	TooDamp               // EMC, EMC at which it stops
	DryEnough             // EMC, EMC at which it starts
	AmbientLimit          // dry bulb, the compressor's limit
	TooWarmToDry          // dry bulb, where the compressor stops
	DutyCapped            // share of time, percent; the rate guard's cap
	AtFloor               // relative humidity, percent; where the machine stopped giving water
	TooCold               // dry bulb, where heat stops
	WarmEnough            // dry bulb, where heat starts
	VentOpen              // the vent is open
	LoneProbe             // share of time, percent; limit with one dry bulb
	TooWarm               // dry bulb, where the vent shuts
	CoolEnough            // dry bulb, where the vent opens
	OutdoorWarm           // outdoor, the warmest that would cool
	HeatOn                // heat is on
	VentDrying            // EMC, EMC at which it stops
	NoWater               // no spray water
	CompressorRuns        // the compressor runs
	NoAirflow             // airflow not proven
	TooColdToSpray        // dry bulb, coldest for spraying
	TooDry                // EMC, EMC at which it stops
	DampEnough            // EMC, EMC at which spraying starts

	FirstOfSequence Reason = 64
)

// Why is a reason with its figures.
type Why struct {
	Code      Reason
	Value     float64
	Limit     float64
	Remaining time.Duration
}
