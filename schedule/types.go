package schedule

import (
	"fmt"
	"time"

	"drywarden/hardware"
	"drywarden/hardware/quantity"
)

// Kind is what a stage does.
type Kind uint8

// Stage kinds.
const (
	Preheat   Kind = iota // warm the wood at an EMC that does not dry it
	Dry                   // dry at the stage's air until the control moisture crosses UntilMC
	Equalize              // let wet boards catch up while dry ones wait
	Condition             // relieve stresses at a high EMC
	Heat                  // heat treatment: count exposure at the core
	Cool                  // until the kiln may be opened
	kindCount
)

var kindNames = [kindCount]string{"preheat", "dry", "equalize", "condition", "heat", "cool"}

// KindNames gives the names by number, for records.
func KindNames() []string { return kindNames[:] }

// String gives the kind as schedule files write it.
func (k Kind) String() string {
	if int(k) < len(kindNames) {
		return kindNames[k]
	}
	return fmt.Sprintf("unknown_%d", uint8(k))
}

// MarshalText gives the name: states hold names, not numbers.
func (k Kind) MarshalText() ([]byte, error) { return []byte(k.String()), nil }

// UnmarshalText reads the name that String gives.
func (k *Kind) UnmarshalText(b []byte) error {
	for i, name := range kindNames {
		if name == string(b) {
			*k = Kind(i)
			return nil
		}
	}
	return fmt.Errorf("unknown stage kind %q", b)
}

// MaxStages bounds a schedule.
const MaxStages = 24

// Stage is one element of a schedule, resolved: whatever the file gave (depression, wet bulb, RH), EMC is what counts.
type Stage struct {
	Name    string
	Kind    Kind
	DryBulb quantity.Celsius
	EMC     quantity.MoistureContent

	RampDryBulb quantity.CelsiusPerHour  // greatest rise or fall of the set point
	RampEMCDown quantity.MoisturePerHour // greatest fall
	RampEMCUp   quantity.MoisturePerHour // greatest rise

	UntilMC  quantity.MoistureContent // dry: over when the control moisture is at or below; 0: goes by the equalize rule of the next stage
	For      time.Duration            // preheat, condition: time at the set points after which the stage is over
	MinDwell time.Duration            // never over before
	MaxTime  time.Duration            // when passed, an alarm asks the operator; 0: default of the kind

	// Heat stages.
	Core     quantity.Celsius // least core temperature that counts; the probe's margin comes on top
	Exposure time.Duration    // to be counted
	Unbroken bool             // any dip or gap over 60 s starts the count again; else the count pauses
	MinCores int              // valid core probes needed

	// CoreMargin is added to Core: the probes' uncertainty, with what their placement adds.
	CoreMargin quantity.CelsiusDelta
}

// Schedule is a sequence of stages.
type Schedule struct {
	Name   string
	Source string // publication it comes from, or who wrote it
	Stages []Stage
}

// Group says what a species is in danger of; it sets ramps and guards.
type Group uint8

// Groups.
const (
	Refractory Group = iota // checks and honeycombs: oak, hickory, beech
	Moderate                // maple, cherry, walnut, ash
	Easy                    // poplar, basswood, pine: stains when too slow
	groupCount
)

var groupNames = [groupCount]string{"refractory", "moderate", "easy"}

// String gives the group's name.
func (g Group) String() string {
	if int(g) < len(groupNames) {
		return groupNames[g]
	}
	return fmt.Sprintf("unknown_%d", uint8(g))
}

// Lot is the boards of one owner, species and thickness in a charge.
type Lot struct {
	Name      string
	Owner     string
	Species   string // as the species table writes it
	Group     Group
	Softwood  bool
	Thickness quantity.Meter
	Volume    quantity.CubicMeter
	Pieces    int
	Start     quantity.MoistureContent // mean when loaded
	Target    quantity.MoistureContent // mean wanted
	Tolerance quantity.MoistureContent // half width, points

	OvenDry         quantity.Kilogram       // whole lot: volume x basic density
	RateLimit       quantity.MoisturePerDay // published safe rate for species and thickness, at and above 45 %; 0: none published
	RateAssumed     bool                    // the table lacks the species or thickness; the slowest of its group was taken
	GreenMaxDryBulb quantity.Celsius        // above fibre saturation
	MaxDryBulb      quantity.Celsius        // ever
}

// SampleBoard is a weighed kiln sample.
type SampleBoard struct {
	Name    string
	Lot     int8
	Start   quantity.Kilogram // weight when cut, end coat and hook included as in every later weighing
	OvenDry quantity.Kilogram // calculated from its sections
}

// Equalizing holds the offsets of the equalize rule in points from the target T of the lot mean (design ruling: program
// default; the handbook's literal rule is {2, 2, 0}).
type Equalizing struct {
	StartBelow quantity.MoistureContent // start when the driest sample is at or below T - StartBelow
	EMCBelow   quantity.MoistureContent // EMC set point T - EMCBelow
	EndAbove   quantity.MoistureContent // over when the wettest is at or below T + EndAbove
}

// DefaultEqualizing is the program's rule.
func DefaultEqualizing() Equalizing { return Equalizing{StartBelow: 0.75, EMCBelow: 0.5, EndAbove: 1} }

// Plan is a charge with its schedule, checked and resolved against one kiln: what a run works through. It never changes
// while the run lasts.
type Plan struct {
	ID         uint32 // of the run
	Charge     string // id on the charge sheet
	Hash       string // of charge and schedule as run
	Lots       []Lot
	Samples    []SampleBoard
	Schedule   Schedule
	Equalizing Equalizing
	Wettest    bool // control moisture is the wettest sample instead of the mean of the wetter half

	Notes []string // what the operator should know before starting: assumptions, caps, warnings
}

// Belief is a value with what is known of it.
type Belief struct {
	Value float64
	Sigma float64
	Valid bool
}

// LotCondition is what is believed of one lot.
type LotCondition struct {
	Control Belief // control moisture, percent: mean of the wetter half of the samples, or the wettest
	Mean    Belief // percent
	Driest  Belief // driest sample, percent
	Wettest Belief // wettest sample, percent
	Rate    Belief // points a day over the filter's horizon, loss positive
	Rate3h  Belief // points a day over the last 3 h, 12 h, 24 h: condensate and weights
	Rate12h Belief
	Rate24h Belief
	Age     time.Duration // since the last evidence of any kind
}

// Conditions is what the estimator believes of air and wood.
type Conditions struct {
	DryBulb     quantity.Celsius // the warmer of disagreeing probes
	DryBulbOK   bool
	DryBulbs    int                      // valid dry bulbs that agree
	EMC         quantity.MoistureContent // of the air entering the load; whichever valid source asks for less drying
	RH          quantity.Ratio
	EMCOK       bool
	Held        bool // DryBulb or EMC is a last good value within the ride-through of at most 60 s
	Outdoor     quantity.Celsius
	OutdoorOK   bool
	OutdoorW    float64 // kg water/kg dry air
	OutdoorWOK  bool
	IndoorW     float64          // kg/kg, when EMCOK
	WetBulb     quantity.Celsius // thermodynamic, of DryBulb and RH, when EMCOK
	Coil        quantity.Celsius
	CoilOK      bool
	Cores       [hardware.MaxProbes]quantity.Celsius // by probe id
	CoreOK      [hardware.MaxProbes]bool
	CoreCount   int // valid core probes
	ColdestCore quantity.Celsius
	HottestCore quantity.Celsius
	Airflow     bool // proven
	DoorShut    bool // proven
	Lots        [hardware.MaxLots]LotCondition
	Charge      Belief // control moisture of the charge: that of the governing lot
	Governing   int8   // lot whose moisture drives the stage, -1 none
}

// Hold is a set of reasons for which the stage is frozen. The stage goes on when it is empty.
type Hold uint16

// Reasons to hold.
const (
	HoldOperator   Hold = 1 << iota // asked for
	HoldOutage                      // the outage policy wants a person's word, or stable data first
	HoldFiles                       // kiln, charge or schedule changed while down
	HoldAir                         // no valid dry bulb or no humidity source
	HoldDoor                        // door open, or shut and not yet warned
	HoldTrip                        // a latched trip is in force
	HoldSuspicious                  // evidence contradicts itself
	HoldRate                        // the rate guard is at its end
)

// Permit is a set of what the actuators may do at these set points.
type Permit uint8

// Permits.
const (
	PermitFans Permit = 1 << iota
	PermitCompressor
	PermitHeat
	PermitVent    // for cooling
	PermitVentDry // vent and heat together, when the machine is at its floor and outdoors is drier
	PermitSpray
	PermitReversal // fans may change direction
)

// SetPoints is what the air should be now.
type SetPoints struct {
	Active      bool // false: rest, nothing is asked of the air
	Stage       int8 // -1: none
	Kind        Kind
	DryBulb     quantity.Celsius
	EMC         quantity.MoistureContent
	BaseDryBulb quantity.Celsius         // of the stage, before ramp, override and guard
	BaseEMC     quantity.MoistureContent //
	GuardBias   quantity.MoistureContent // that the rate guard adds
	Override    bool
	Permit      Permit
	FanSpeed    quantity.Ratio // of full speed
	DutyCap     quantity.Ratio // of compressor and vent-dry, by the rate guard; 1: none
	Wet         bool           // governing moisture above fibre saturation
	DoorRelease bool           // the kiln may be opened
	Counting    bool           // this tick counts towards the heat exposure
}
