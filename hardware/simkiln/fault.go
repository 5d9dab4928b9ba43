package simkiln

import (
	"fmt"
	"strings"
	"time"

	"drywarden/hardware"
	"drywarden/hardware/quantity"
)

// FaultKind names one physical failure.
type FaultKind uint8

// Faults. Severity 1 is the usual case; where it means more, the comment says what.
const (
	NoFault            FaultKind = iota
	ProbeOpen                    // one probe reads as an open circuit
	ProbeShort                   // one probe reads as a short circuit
	ProbeStuck                   // one probe stays at its value
	ProbeNoAnswer                // one probe does not answer
	ProbeChecksum                // one probe's answers are damaged
	ProbeDrift                   // one probe drifts, severity x 1 K (0.04 RH) a day
	ProbeNoise                   // one probe is noisy, severity x 2 K (0.1 RH)
	ProbePowerOn                 // a bus probe gives its power-on value, exactly 85
	ProbeInAir                   // a core probe has come out of the wood
	WickDry                      // the wick dries out within half a day
	WickDirty                    // the wet bulb reads high, severity x 0.1 K more a day
	HumidityWet                  // the humidity probe is wetted and saturates
	PinLeak                      // wet pin cables leak, 1 Gohm / severity
	AirflowLost                  // airflow switch opens though the fans turn
	FanStop                      // every fan group stops
	FanNoStart                   // a fan group at rest does not start
	FanWeak                      // a belt slips: the fan loses severity x half of its speed, its motor most of its load
	HighPressureTrip             // compressor high-pressure cut-out
	LowPressureTrip              // compressor low-pressure cut-out
	LowCharge                    // refrigerant lost: the evaporator starves, colder by severity x 6 K or so, and its capacity falls by about a fifth
	CoilIced                     // ice on the coil from one moment to the next, severity x 6 kg, which melts only after the fault
	CoilFouled                   // coil air falls by severity x 40 %
	CompressorNoEffect           // the contactor closes, the compressor does not run
	CompressorWeld               // the compressor contactor stays closed once it was
	BlowerStop                   // evaporator blower stops
	CrankcaseDead                // crankcase heater fails
	HeaterWeld                   // the heater contactor stays closed
	HeaterOpen                   // the heater draws nothing
	DoorOpen                     // somebody opens the door
	DoorContactShut              // the door contact shows shut whatever the door does
	EmergencyStop                // pressed
	HighLimit                    // hard-wired limit trips
	BreakerHeat                  // breaker of the heat branch trips
	BreakerMachine               // breaker of the compressor branch trips
	BreakerFans                  // breaker of the fan branch trips
	MainsLoss                    // no mains; the computer is taken to be on its own supply
	Smoke                        // detector
	RefrigerantGas               // detector
	FloorWater                   // float
	InsideButton                 // somebody inside
	Inhibit                      // local inhibit key
	VentStuckOpen                // vents stay open
	VentStuckShut                // vents stay shut
	SprayStuckOn                 // the spray valve stays open
	NoWater                      // no water pressure
	DrainBlocked                 // condensate stays in the pan and runs over inside
	CondensateStuck              // the meter counts nothing
	HoseOff                      // condensate runs back into the room
	BothDirections               // a reversing contactor hangs: both directions energised
	LoadCellSlip                 // load cells jump by severity x 50 g
	ProbesCrossed                // the first dry bulb and the first wet bulb are wired each in place of the other
	ProbeDuplicate               // one probe answers for another: it gives exactly the first probe's value (the first gives the second's)
	PinLoose                     // one pair of pins works loose: reads ever drier, ten times the resistance in an hour / severity
	BusDown                      // no bus probe answers; each gives its power-on value once when the bus is back
	HumidityDrift                // the humidity probe reads high, severity x 1 % RH more a day
	ContactorWeld                // one output stays closed once it was
	ContactorStick               // one output does not close
	ContactorBounce              // one output chatters for severity x 4 s, several times a second, each time it is told to close
	OutputOpen                   // one output's contactor closes and nothing flows: fuse, overload, broken wire
	FanBackward                  // fans turn against the way told, two phases swapped: 70 % of the air, 80 % of the current
	RelayReset                   // the relay board falls back to all off for severity x 1 s
	RelayGlitch                  // the relay board takes random states
	BrownOut                     // mains falls to 82 % of its voltage (severity 1), 73 % (1.5)
	CondensateMiss               // the condensate meter misses severity x 25 % of its pulses
	EnergyMiss                   // the energy meter misses severity x 25 % of its pulses
	MachineFire                  // something burns in the kiln: severity x 100 kW, and the smoke detector sees it
	MisWeigh                     // the person writes weights that are wrong by up to severity x 100 g
	PersonAway                   // nobody looks or weighs
	faultCount
)

var faultNames = [faultCount]string{"none", "probe_open", "probe_short", "probe_stuck", "probe_no_answer", "probe_checksum",
	"probe_drift", "probe_noise", "probe_power_on", "probe_in_air", "wick_dry", "wick_dirty", "humidity_wet", "pin_leak",
	"airflow_lost", "fan_stop", "fan_no_start", "fan_weak", "high_pressure_trip", "low_pressure_trip", "low_charge",
	"coil_iced", "coil_fouled", "compressor_no_effect", "compressor_weld", "blower_stop", "crankcase_dead", "heater_weld",
	"heater_open", "door_open", "door_contact_shut", "emergency_stop", "high_limit", "breaker_heat", "breaker_machine",
	"breaker_fans", "mains_loss", "smoke", "refrigerant_gas", "floor_water", "inside_button", "inhibit", "vent_stuck_open",
	"vent_stuck_shut", "spray_stuck_on", "no_water", "drain_blocked", "condensate_stuck", "hose_off", "both_directions",
	"load_cell_slip", "probes_crossed", "probe_duplicate", "pin_loose", "bus_down", "humidity_drift", "contactor_weld",
	"contactor_stick", "contactor_bounce", "output_open", "fan_backward", "relay_reset", "relay_glitch", "brown_out",
	"condensate_miss", "energy_miss", "machine_fire", "mis_weigh", "person_away"}

// String gives the fault as fault files write it.
func (f FaultKind) String() string {
	if f < faultCount {
		return faultNames[f]
	}
	return fmt.Sprintf("unknown_%d", uint8(f))
}

// MarshalText gives the name.
func (f FaultKind) MarshalText() ([]byte, error) { return []byte(f.String()), nil }

// UnmarshalText reads the name that String gives.
func (f *FaultKind) UnmarshalText(b []byte) error {
	for i, name := range faultNames {
		if i > 0 && name == string(b) {
			*f = FaultKind(i)
			return nil
		}
	}
	return fmt.Errorf("unknown fault %q, expected one of %s", b, strings.Join(faultNames[1:], ", "))
}

// FaultKinds lists every fault.
func FaultKinds() []FaultKind {
	kinds := make([]FaultKind, 0, faultCount-1)
	for k := NoFault + 1; k < faultCount; k++ {
		kinds = append(kinds, k)
	}
	return kinds
}

// Fault is one failure at one time.
type Fault struct {
	Kind     FaultKind
	Start    quantity.Duration // after the start of the simulation
	Duration quantity.Duration // 0: until the person mends it, which an absent person never does
	Severity quantity.Ratio    // 0 is taken as 1
	Probe    hardware.ProbeID  // for faults of one probe
	Output   hardware.OutputID // for faults of one output
}

// OfProbe tells whether a fault of this kind is one probe's, and of which role it must be; RoleNone: of any.
func (f FaultKind) OfProbe() (is bool, role hardware.Role) {
	switch f {
	case ProbeOpen, ProbeShort, ProbeStuck, ProbeNoAnswer, ProbeChecksum, ProbeDrift, ProbeNoise, ProbeDuplicate, ProbePowerOn:
		return true, hardware.RoleNone
	case ProbeInAir:
		return true, hardware.RoleCore
	case PinLoose:
		return true, hardware.RolePin
	}
	return false, hardware.RoleNone
}

// OfOutput tells whether a fault of this kind is one output's.
func (f FaultKind) OfOutput() bool {
	switch f {
	case ContactorWeld, ContactorStick, ContactorBounce, OutputOpen:
		return true
	}
	return false
}

func (f *Fault) ofProbe() bool { is, _ := f.Kind.OfProbe(); return is }

func (f *Fault) validate(c *Config) error {
	switch {
	case f.Kind == NoFault || f.Kind >= faultCount:
		return fmt.Errorf("unknown kind %d", f.Kind)
	case f.Start < 0 || f.Duration < 0:
		return fmt.Errorf("%s starts at %v for %v", f.Kind, f.Start, f.Duration)
	case !(f.Severity >= 0 && f.Severity <= 10):
		return fmt.Errorf("%s has severity %v, expected 0 to 10", f.Kind, float64(f.Severity))
	case f.Kind.OfOutput() && f.Output >= hardware.Heartbeat:
		return fmt.Errorf("%s is of output %d, which is no load", f.Kind, f.Output)
	case f.ofProbe() && (f.Probe < 0 || int(f.Probe) >= c.probeCount()):
		return fmt.Errorf("%s is of probe %d, there are %d", f.Kind, f.Probe, c.probeCount())
	}
	return nil
}

// maxFaults bounds the faults that a kiln holds, past ones included.
const maxFaults = 4096

// faultState is a fault and how far it is.
type faultState struct {
	Fault
	Active, Over bool
	MendAt       time.Duration // when the person mends it, 0: not planned
}

// Inject adds a fault; its Start counts from the start of the simulation, and one in the past begins now.
func (k *Kiln) Inject(f Fault) error {
	if err := f.validate(&k.cfg); err != nil {
		return fmt.Errorf("inject fault: %w", err)
	}
	if is, role := f.Kind.OfProbe(); is && role != hardware.RoleNone && k.fitted[f.Probe].role != role {
		return fmt.Errorf("inject fault: %s cannot happen to %s", f.Kind, k.layout.Probes[f.Probe].Name)
	}
	if f.Kind.OfOutput() && !k.layout.Outputs.Has(f.Output) {
		return fmt.Errorf("inject fault: %s cannot happen to %s, which is not fitted", f.Kind, f.Output)
	}
	if len(k.s.Faults) >= maxFaults {
		return fmt.Errorf("inject fault %s: %d faults already", f.Kind, maxFaults)
	}
	f.Start = max(f.Start, quantity.Duration(k.s.Now))
	k.s.Faults = append(k.s.Faults, faultState{Fault: f})
	k.s.FaultCheck = 0
	return nil
}

// stepFaults begins and ends faults; FaultCheck says when the next one does.
func (k *Kiln) stepFaults() {
	s := &k.s
	s.FaultCheck = never
	changed := false
	for i := range s.Faults {
		f := &s.Faults[i]
		if f.Over {
			continue
		}
		start := f.Start.Std()
		end := never
		if f.Duration > 0 {
			end = start + f.Duration.Std()
		}
		if f.MendAt > 0 && f.MendAt < end {
			end = f.MendAt
		}
		switch {
		case s.Now < start:
			s.FaultCheck = min(s.FaultCheck, start)
			continue
		case s.Now >= end:
			f.Active, f.Over = false, true
			changed = true
			k.endFault(&f.Fault)
			continue
		case !f.Active:
			f.Active = true
			changed = true
			k.beginFault(&f.Fault)
		}
		s.FaultCheck = min(s.FaultCheck, end)
	}
	if !changed {
		return
	}
	s.Severity = [faultCount]float64{}
	s.ProbeFault = [hardware.MaxProbes]FaultKind{}
	s.Welded, s.Stuck, s.Bouncing, s.Dead = 0, 0, 0, 0
	for i := range s.Faults {
		f := &s.Faults[i]
		if !f.Active {
			continue
		}
		severity := float64(f.Severity)
		if severity == 0 {
			severity = 1
		}
		s.Severity[f.Kind] = max(s.Severity[f.Kind], severity)
		switch {
		case f.ofProbe():
			s.ProbeFault[f.Probe] = f.Kind
			s.ProbeSeverity[f.Probe] = severity
		case f.Kind == ContactorWeld:
			s.Welded = s.Welded.With(f.Output, true)
		case f.Kind == CompressorWeld:
			s.Welded = s.Welded.With(hardware.Compressor, true)
		case f.Kind == ContactorStick:
			s.Stuck = s.Stuck.With(f.Output, true)
		case f.Kind == ContactorBounce:
			s.Bouncing = s.Bouncing.With(f.Output, true)
		case f.Kind == OutputOpen:
			s.Dead = s.Dead.With(f.Output, true)
		}
	}
	s.Moving, s.Cut, s.PumpAt = true, true, 0
	k.switchOutputs()
}

func (k *Kiln) beginFault(f *Fault) {
	severity := float64(f.Severity)
	if severity == 0 {
		severity = 1
	}
	switch f.Kind {
	case CoilIced:
		ice := 6 * severity * float64(k.cfg.Machine.Scale)
		k.s.Ice += ice
		k.s.WaterIn += ice // put there by hand: it enters the water balance
	case LoadCellSlip:
		k.s.CellSlip += 0.05 * severity
	case RelayReset:
		k.s.RelayUntil = k.s.Now + time.Duration(severity*float64(time.Second))
		k.s.SwitchAt = min(k.s.SwitchAt, k.s.RelayUntil)
	}
}

func (k *Kiln) endFault(f *Fault) {
	if f.ofProbe() {
		k.s.ProbeDrift[f.Probe] = 0
	}
	switch f.Kind {
	case WickDry:
		k.s.WickDryness = 0
	case WickDirty:
		k.s.WickDirt = 0
	case HumidityDrift:
		k.s.HumidityDrift = 0
	case BusDown:
		k.s.PowerOn = true
	case DoorOpen, Inhibit: // whoever was inside is out, and says so at the panel
		if !k.cfg.Person.Absent {
			k.note(errand{Kind: pressReset, At: k.s.Now + walk})
		}
	}
}

// Faulty tells whether a fault of this kind is active.
func (k *Kiln) Faulty(kind FaultKind) bool { return kind < faultCount && k.s.Severity[kind] > 0 }
