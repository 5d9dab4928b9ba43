package trace

import "time"

// Bounds of the arrays; hardware's tables are no longer than these.
const (
	MaxProbes    = 48
	MaxLots      = 6
	MaxFanGroups = 4
	MaxEvents    = 16
)

// Header stands once at the head of a trace, and again after each restart (Boot grows by one).
type Header struct {
	Format   int    `json:"format"`
	Program  string `json:"program"` // version and architecture
	Kiln     string `json:"kiln"`
	KilnHash string `json:"kiln_hash"`
	Seed     uint64 `json:"seed,omitempty"` // of a simulated kiln
	TickNS   int64  `json:"tick_nanoseconds"`
	Boot     uint32 `json:"boot"`
	// OutageKnown tells whether the time without control before this boot is known: measured from the last save by a clock,
	// not estimated.
	OutageKnown bool  `json:"outage_known"`
	OutageNS    int64 `json:"outage_nanoseconds"`

	Probes          []Probe  `json:"probes"`
	Qualities       []string `json:"qualities"`        // names by Record.ProbeQuality
	Contacts        []string `json:"contacts"`         // names by bit
	ContactsFitted  uint32   `json:"contacts_fitted"`  //
	Outputs         []string `json:"outputs"`          // names by bit
	OutputsFitted   uint32   `json:"outputs_fitted"`   //
	OutputsReadBack uint32   `json:"outputs_readback"` // those whose read-back is wired
	Rules           []Rule   `json:"rules"`            // safety rules by id
	Modes           []string `json:"modes"`            // names by Record.Mode
	StageKinds      []string `json:"stage_kinds"`      // names by Record.StageKind
	EventKinds      []string `json:"event_kinds"`      // names by Event.Kind
	ForcedLevels    []string `json:"forced_levels"`    // names by Record.Forced
	Verbs           []string `json:"verbs"`            // names by A of a "command" event
	Matters         []string `json:"matters"`          // names by A of a "confirmed" event; none: a "confirm" command was for all
	StageCauses     []string `json:"stage_causes"`     // names by B of a "stage" event
	// TailLost tells that the writer before did not close the file: the newest records before this header may be missing.
	// Resume sets it.
	TailLost bool   `json:"tail_lost,omitempty"`
	Limits   Limits `json:"limits"`
	Run      *Run   `json:"run,omitempty"` // nil before a charge is started; a start writes a new header
}

// Probe describes one column of Record.Probe.
type Probe struct {
	Name string `json:"name"`
	Role string `json:"role"`
	Lot  int8   `json:"lot"` // -1: none
	// Resolution is the step to which readings are quantised, in the unit of the role. It only makes the file smaller:
	// values that are no multiple of it are kept exactly too. 0: 0.01.
	Resolution float64 `json:"resolution,omitempty"`
	// Offset is the correction that was added to what the probe gave, from its calibration.
	Offset float64 `json:"offset,omitempty"`
}

// Rule describes one safety rule.
type Rule struct {
	ID      uint8  `json:"id"`
	Name    string `json:"name"`
	Latched bool   `json:"latched"`
	Clears  string `json:"clears"` // itself, operator, panel, technician
}

// Limits is the configuration that the invariants are judged against.
type Limits struct {
	CompressorMinOffNS   int64   `json:"compressor_min_off_nanoseconds"`
	CompressorMinOnNS    int64   `json:"compressor_min_on_nanoseconds"`
	CompressorStartsHour int     `json:"compressor_starts_per_hour"`
	CompressorAmbientMin float64 `json:"compressor_ambient_min_celsius"`
	CompressorAmbientMax float64 `json:"compressor_ambient_max_celsius"`
	FanCoastNS           int64   `json:"fan_coast_nanoseconds"`
	DryBulbMax           float64 `json:"dry_bulb_max_celsius"`               // above it the gate forces the safe state
	SetDryBulbMax        float64 `json:"set_dry_bulb_max_celsius,omitempty"` // highest set point; 0: DryBulbMax
	StartDelayNS         int64   `json:"start_delay_nanoseconds"`
	VentIntervalNS       int64   `json:"vent_interval_nanoseconds"`
	SprayIntervalNS      int64   `json:"spray_interval_nanoseconds"`
	ContactorIntervalNS  int64   `json:"contactor_interval_nanoseconds"`
	RampDryBulb          float64 `json:"ramp_dry_bulb_kelvin_per_hour"` // the greatest any stage may ask for; judged by where a stage tells none
	RampEMC              float64 `json:"ramp_emc_percent_per_hour"`
}

// Run is the charge and schedule as run.
type Run struct {
	ID       uint32  `json:"id"`
	Charge   string  `json:"charge"`
	Schedule string  `json:"schedule"`
	Hash     string  `json:"hash"` // of charge and schedule
	Stages   []Stage `json:"stages"`
	Lots     []Lot   `json:"lots"`
}

// Stage is one stage as compiled.
type Stage struct {
	Name       string  `json:"name"`
	Kind       string  `json:"kind"`
	DryBulb    float64 `json:"dry_bulb_celsius"`
	EMC        float64 `json:"emc_percent"`
	MinDwellNS int64   `json:"min_dwell_nanoseconds"`
	// The fastest that the set points may move in this stage; 0, as in traces from before these were kept: the header's
	// limits.
	RampDryBulb float64 `json:"ramp_dry_bulb_kelvin_per_hour,omitempty"`
	RampEMCDown float64 `json:"ramp_emc_down_percent_per_hour,omitempty"`
	RampEMCUp   float64 `json:"ramp_emc_up_percent_per_hour,omitempty"`
	Core        float64 `json:"core_celsius,omitempty"` // heat stages: the least core temperature that counts, margin included
	ExposureNS  int64   `json:"exposure_nanoseconds,omitempty"`
	Unbroken    bool    `json:"unbroken,omitempty"`
	MinCores    int     `json:"min_cores,omitempty"`
	UntilMC     float64 `json:"until_mc_percent,omitempty"` // dry stages: over when the control moisture is at or below; 0: not by that
}

// Lot is one lot as the controller was told of it.
type Lot struct {
	Name            string  `json:"name"`
	Target          float64 `json:"target_percent"`
	GreenMaxDryBulb float64 `json:"green_max_dry_bulb_celsius"`     // above fibre saturation
	MaxDryBulb      float64 `json:"max_dry_bulb_celsius,omitempty"` // ever; 0: not told
	FiberSaturation float64 `json:"fiber_saturation_percent"`
	RateLimit       float64 `json:"rate_limit_percent_per_day"` // at and above 45 %
}

// Record is one tick.
type Record struct {
	Boot        uint32
	Tick        uint64
	Uptime      time.Duration // monotonic, of this boot
	WallUnix    int64
	WallTrusted bool

	// As read.
	Probe             [MaxProbes]float64 // NaN-free; means something only when the quality says valid
	ProbeQuality      [MaxProbes]uint8
	ContactActive     uint32
	ContactValid      uint32
	ReadBack          uint32
	ReadBackValid     uint32
	Condensate        float64
	CondensateQuality uint8
	Energy            float64
	EnergyQuality     uint8

	// As believed.
	DryBulb      float64 // the controller's dry bulb, means something only with DryBulbValid
	DryBulbValid bool
	EMC          float64
	EMCValid     bool
	Lots         [MaxLots]LotBelief
	Governing    int8 // lot whose moisture drives the stage, -1 none

	// As decided.
	RunID         uint32
	Mode          uint8
	Stage         int8 // -1: none
	StageKind     uint8
	StageTime     time.Duration // in this stage, time in hold not counted
	SetActive     bool
	SetDryBulb    float64 // after ramp and guard
	SetEMC        float64
	BaseDryBulb   float64 // of the stage
	BaseEMC       float64
	GuardBias     float64 // EMC points that the rate guard adds
	Override      bool    // an operator's set is in force
	VentDry       bool    // the sub-mode in which vent and heat may be on together
	Exposure      time.Duration
	ExposureCount bool // this tick was counted

	Requested      uint32
	RequestedSpeed [MaxFanGroups]float64
	Applied        uint32
	AppliedSpeed   [MaxFanGroups]float64
	Vetoed         uint32 // outputs refused in this tick
	Forced         uint8
	Trips          uint64 // latched, in force after this tick

	Events     [MaxEvents]Event
	EventCount uint8
}

// LotBelief is what the controller believes of one lot.
type LotBelief struct {
	Control float64 // control moisture, percent
	Mean    float64
	Sigma   float64 // of the control moisture, points
	Rate    float64 // points a day, loss positive
}

// Event is something that happened in a tick. What A and B mean depends on the kind:
//
//	command      A verb by Header.Verbs, B 0 when accepted, else why it was refused
//	stage        A new stage, B cause by Header.StageCauses
//	start, end   A run id
//	weigh        A sample, B kilogram
//	alarm        A rule id, B value; alarm_clear A rule id
//	hold         A hold reasons now in force
//	restart      A outage class, B outage in seconds, negative when unknown
//	reset_granted, trip_reset  A rule id, B authority
//	checkpoint   A low 31 bits of the generation
//	confirmed    A what a person has confirmed, by Header.Matters
type Event struct {
	Kind uint8
	A    int32
	B    float64
}
