package controller

// Status is all that an operator may want to know, as it was at the end of one tick. It is built whole, published and never
// changed again: any goroutine may read it, none may write to it.
//
// It is a documented contract of the socket: units stand in the keys, enums are names, a number that is not known is null
// and never 0. Keys are added, never changed.
type Status struct {
	Program string `json:"program"`
	Kiln    string `json:"kiln"`
	Units   string `json:"units"` // in which people want to see it: us or si; the keys stay SI

	Boot         uint32  `json:"boot"` // starts of the program on this state folder
	Tick         uint64  `json:"tick"`
	UpSeconds    float64 `json:"up_seconds"` // of this process, by the kiln's clock
	TickSeconds  float64 `json:"tick_seconds"`
	WallUnix     int64   `json:"wall_timestamp_seconds"`
	ClockTrusted bool    `json:"clock_trusted"` // wall time may be believed; nothing is controlled by it

	Mode       string         `json:"mode"` // start, rest, work, hold, service
	Headline   string         `json:"headline"`
	StartDelay float64        `json:"start_delay_seconds"` // until anything may move; 0: over
	Forced     string         `json:"forced"`              // what the gate forces as a whole: none, safe, off
	Waits      []string       `json:"waits"`               // what waits for a person, in sentences
	ToConfirm  []string       `json:"to_confirm"`          // of that, what waits for a person's word: stop, outage, restarts, files, weights
	Outage     OutageStatus   `json:"outage"`
	Pending    *PendingStatus `json:"pending"`
	Storage    StorageStatus  `json:"storage"`

	Charge   *ChargeStatus   `json:"charge"` // null: no charge
	Air      AirStatus       `json:"air"`
	Set      SetStatus       `json:"set_points"`
	Outputs  []OutputStatus  `json:"outputs"` // fitted ones, in a fixed order
	Probes   []ProbeStatus   `json:"probes"`
	Contacts []ContactStatus `json:"contacts"` // fitted ones
	Alarms   []AlarmStatus   `json:"alarms"`   // gravest first
	Trips    []TripStatus    `json:"trips"`    // latched, in force
	Unjudged []string        `json:"unjudged"` // safety rules whose input is declared not fitted
	Meters   MeterStatus     `json:"meters"`
	Counts   CountStatus     `json:"counts"`
	Delivery *DeliveryStatus `json:"delivery"` // null: alarms are told here only, nobody is called
}

// DeliveryStatus is how the telling of alarms to people elsewhere goes.
type DeliveryStatus struct {
	Undelivered int                 `json:"undelivered"` // alarms that no recipient was told of and nobody has acknowledged
	Failing     bool                `json:"failing"`     // the first recipient could not be told of one, or that all is well, for too long
	Unheard     bool                `json:"unheard"`     // no recipient could be, and the alarm stands
	Patience    float64             `json:"patience_seconds"`
	Recipients  []DeliveryRecipient `json:"recipients"`
}

// DeliveryRecipient is one recipient, by its place: first, second, alive.
type DeliveryRecipient struct {
	Name      string `json:"name"`
	Delivered uint64 `json:"delivered"` // messages, since the program started
	Failed    uint64 `json:"failed"`    // attempts
	Failure   string `json:"failure"`   // of the latest attempt; empty: it went well, or there was none
}

// OutageStatus is how the program came up.
type OutageStatus struct {
	Class    string   `json:"class"` // none, short, hours, half_day, long
	Seconds  *float64 `json:"seconds"`
	Restored bool     `json:"restored"` // control state was read back
	Changed  bool     `json:"changed"`  // kiln, charge or schedule differ from those as run
	Confirm  bool     `json:"confirm"`  // something waits for a person's word; Status.ToConfirm names it
	Problem  string   `json:"problem"`  // why the state could not be read; empty: nothing wrong
}

// PendingStatus is a command accepted and not yet durable.
type PendingStatus struct {
	Verb       string `json:"verb"`
	Generation uint64 `json:"generation"`
}

// StorageStatus is how the saving of control state goes.
type StorageStatus struct {
	Generation uint64 `json:"generation"`
	Durable    uint64 `json:"durable_generation"`
	Failure    string `json:"failure"` // of the latest attempt; empty: it went well
}

// ChargeStatus is a charge and where it stands.
type ChargeStatus struct {
	Run            uint32         `json:"run"`
	Name           string         `json:"name"`
	Hash           string         `json:"hash"` // of charge and schedule as run
	Schedule       string         `json:"schedule"`
	Source         string         `json:"source"` // publication the schedule comes from, or who wrote it
	Phase          string         `json:"phase"`  // running, done
	Stage          int            `json:"stage"`  // counted from 0; -1: none
	Stages         []StageStatus  `json:"stages"`
	InStage        float64        `json:"in_stage_seconds"` // hold not counted
	AtPoints       float64        `json:"at_set_points_seconds"`
	Why            string         `json:"why"`   // why the stage is not over
	Holds          []string       `json:"holds"` // why it is frozen: names
	HoldTexts      []string       `json:"hold_texts"`
	Overdue        bool           `json:"overdue"`
	Exposure       float64        `json:"exposure_seconds"`
	ExposureWanted *float64       `json:"exposure_wanted_seconds"` // in a heat stage
	Counting       bool           `json:"counting"`
	Control        BeliefStatus   `json:"control_moisture"`
	Governing      int            `json:"governing"` // index into lots; -1: none
	Lots           []LotStatus    `json:"lots"`
	Samples        []SampleStatus `json:"samples"`
}

// StageStatus is one stage of the schedule.
type StageStatus struct {
	Name    string   `json:"name"`
	Kind    string   `json:"kind"`
	DryBulb float64  `json:"dry_bulb_celsius"`
	EMC     float64  `json:"emc_percent"`
	UntilMC *float64 `json:"until_mc_percent"`
	For     *float64 `json:"for_seconds"`
}

// BeliefStatus is a moisture content in percent with its uncertainty; null when not known.
type BeliefStatus struct {
	Value *float64 `json:"percent"`
	Sigma *float64 `json:"sigma_points"`
}

// LotStatus is one lot: what it should become and what is believed of it.
type LotStatus struct {
	Name        string       `json:"name"`
	Owner       string       `json:"owner"`
	Species     string       `json:"species"`
	Thickness   float64      `json:"thickness_meters"`
	Volume      float64      `json:"volume_cubic_meters"`
	Pieces      int          `json:"pieces"`
	Start       float64      `json:"start_percent"`
	Target      float64      `json:"target_percent"`
	Tolerance   float64      `json:"tolerance_points"`
	Control     BeliefStatus `json:"control"`
	Mean        BeliefStatus `json:"mean"`
	Driest      BeliefStatus `json:"driest"`
	Wettest     BeliefStatus `json:"wettest"`
	Rate        *float64     `json:"rate_percent_per_day"`
	RateSigma   *float64     `json:"rate_sigma_percent_per_day"`
	RateLimit   *float64     `json:"rate_limit_percent_per_day"` // published, at and above 45 %; null: none published
	RateAssumed bool         `json:"rate_limit_assumed"`
	EvidenceAge float64      `json:"evidence_age_seconds"`
}

// SampleStatus is one sample board; its name is what weighings are given by.
type SampleStatus struct {
	Name    string  `json:"name"`
	Lot     int     `json:"lot"`
	Start   float64 `json:"start_kilograms"`
	OvenDry float64 `json:"oven_dry_kilograms"`
}

// AirStatus is the air entering the load, as believed.
type AirStatus struct {
	DryBulb         *float64 `json:"dry_bulb_celsius"`
	WetBulb         *float64 `json:"wet_bulb_celsius"`
	Depression      *float64 `json:"depression_kelvin"`
	RH              *float64 `json:"relative_humidity_ratio"`
	EMC             *float64 `json:"emc_percent"`
	HumidityRatio   *float64 `json:"humidity_ratio_kg_per_kg"`
	Held            bool     `json:"held"` // a last good value, within the ride-through
	DryBulbs        int      `json:"dry_bulbs"`
	Coil            *float64 `json:"coil_celsius"`
	Outdoor         *float64 `json:"outdoor_celsius"`
	OutdoorHumidity *float64 `json:"outdoor_humidity_ratio_kg_per_kg"`
	ColdestCore     *float64 `json:"coldest_core_celsius"`
	HottestCore     *float64 `json:"hottest_core_celsius"`
	Cores           int      `json:"cores"`
	Airflow         bool     `json:"airflow_proven"`
	DoorShut        bool     `json:"door_shut"`
	DoorRelease     bool     `json:"door_release"` // the kiln may be opened
}

// SetStatus is what the air should be now; null when nothing is asked of it.
type SetStatus struct {
	Active       bool     `json:"active"`
	DryBulb      *float64 `json:"dry_bulb_celsius"`
	EMC          *float64 `json:"emc_percent"`
	BaseDryBulb  *float64 `json:"stage_dry_bulb_celsius"` // before ramp, override and guard
	BaseEMC      *float64 `json:"stage_emc_percent"`
	GuardBias    float64  `json:"guard_bias_points"`
	DutyCap      float64  `json:"duty_cap_ratio"`
	FanSpeed     float64  `json:"fan_speed_ratio"`
	Override     bool     `json:"override"`
	OverrideLeft float64  `json:"override_left_seconds"`
}

// OutputStatus is one output and why it is as it is.
type OutputStatus struct {
	Name      string   `json:"name"`
	Requested bool     `json:"requested"`
	Applied   bool     `json:"applied"`
	ReadBack  *bool    `json:"read_back"` // null: not wired or could not be read
	Current   *float64 `json:"current_amperes"`
	Speed     *float64 `json:"speed_ratio"` // of a fan that has a drive
	Why       string   `json:"why"`         // a sentence
	Veto      string   `json:"veto"`        // rule by which the gate refused it in this tick; empty: it did not
	VetoLeft  float64  `json:"veto_left_seconds"`
	Tried     string   `json:"tried"` // what a person saw it do when it was tried: as_wanted, otherwise; empty: not tried
}

// ProbeStatus is one probe; value is null unless its quality is valid.
type ProbeStatus struct {
	Name    string   `json:"name"`
	Role    string   `json:"role"`
	Unit    string   `json:"unit"` // of value: celsius, ratio, ohms, kilograms
	Place   string   `json:"place"`
	Lot     int      `json:"lot"` // -1: in none
	Value   *float64 `json:"value"`
	Quality string   `json:"quality"`
	Age     float64  `json:"age_seconds"`
	Offset  float64  `json:"calibration_offset"`
	Date    string   `json:"calibrated"` // date; empty: never
}

// ContactStatus is one digital input; active is null when it could not be read.
type ContactStatus struct {
	Name   string `json:"name"`
	Active *bool  `json:"active"`
}

// AlarmStatus is one alarm in words.
type AlarmStatus struct {
	Rule       string  `json:"rule"`
	Class      string  `json:"class"` // housekeeping, machine, wood_at_risk, danger
	Active     bool    `json:"active"`
	Latched    bool    `json:"latched"`
	Acked      bool    `json:"acked"`
	Clears     string  `json:"clears"` // who may clear it: itself, operator, panel, technician
	Probe      string  `json:"probe"`
	For        float64 `json:"for_seconds"`
	Value      float64 `json:"value"`
	Limit      float64 `json:"limit"`
	Seen       string  `json:"seen"`
	Done       string  `json:"done"`
	CheckFirst string  `json:"check_first"`
	WoodWaits  string  `json:"wood_waits"`
	Safety     bool    `json:"safety"` // raised by the gate
}

// TripStatus is one latched safety rule in force.
type TripStatus struct {
	Rule       string `json:"rule"`
	Clears     string `json:"clears"`
	Active     bool   `json:"active"` // its cause is still there
	Seen       string `json:"seen"`
	Done       string `json:"done"`
	CheckFirst string `json:"check_first"`
	WoodWaits  string `json:"wood_waits"`
	HowToClear string `json:"how_to_clear"`
}

// MeterStatus is the running totals of the kiln's meters; null when not fitted or not read.
type MeterStatus struct {
	Condensate *float64 `json:"condensate_kilograms"`
	Energy     *float64 `json:"energy_joules"`
}

// CountStatus counts since the process started.
type CountStatus struct {
	Ticks    uint64        `json:"ticks"`
	Slow     uint64        `json:"slow_ticks"`
	Commands uint64        `json:"commands"`
	Refused  uint64        `json:"commands_refused"`
	Outputs  []OutputCount `json:"outputs"` // fitted ones, in the order of Status.Outputs
}

// OutputCount counts for one output.
type OutputCount struct {
	Name   string `json:"name"`
	Starts uint64 `json:"starts"` // times it went on
	Vetoes uint64 `json:"vetoes"` // ticks in which the gate refused it
}
