package hardware

import (
	"time"

	"drywarden/hardware/quantity"
)

// Bounds of the tables. A kiln file that needs more is refused.
const (
	MaxProbes     = 48
	MaxLots       = 6
	MaxSamples    = 24
	MaxFanGroups  = 4
	MaxHeatStages = 3
)

// ProbeID is an index into Layout.Probes and Snapshot.Readings. NoProbe stands for none.
type ProbeID int8

// NoProbe is the id of no probe.
const NoProbe ProbeID = -1

// NoLot marks a probe that sits in no lot.
const NoLot int8 = -1

// Role says what a probe measures; it fixes the unit of Reading.Value.
type Role uint8

// Roles, with the unit of their readings.
const (
	RoleNone               Role = iota
	RoleDryBulb                 // air entering the load, Celsius
	RoleWetBulb                 // ventilated wick, Celsius
	RoleHumidity                // relative humidity of the air entering the load, Ratio
	RoleLeavingAir              // air leaving the load, Celsius
	RoleCore                    // wood at the core, Celsius
	RolePin                     // resistance between moisture pins, Ohm
	RoleCoil                    // evaporator surface, Celsius
	RoleSuction                 // refrigerant suction line, Celsius
	RoleShell                   // compressor shell, Celsius
	RoleOutdoorTemperature      // Celsius
	RoleOutdoorHumidity         // Ratio
	RoleLoadCell                // mass of a hung sample board, Kilogram
	roleCount
)

var roleNames = [roleCount]string{"none", "dry_bulb", "wet_bulb", "humidity", "leaving_air", "core", "pin", "coil",
	"suction", "shell", "outdoor_temperature", "outdoor_humidity", "load_cell"}

// String gives the role as kiln files write it.
func (r Role) String() string { return nameOf(roleNames[:], int(r)) }

// UnmarshalText reads the name that String gives.
func (r *Role) UnmarshalText(b []byte) error { return indexOf(roleNames[:], "probe role", b, r) }

// Probe describes one fitted probe. Readings already have Offset added.
type Probe struct {
	Name        string
	Role        Role
	Lot         int8      // index of the lot it sits in, or NoLot
	Place       string    // in words, for the operator
	Offset      float64   // calibration, added to the raw value, in the role's unit
	Calibrated  time.Time // date of the last calibration; zero: never
	Uncertainty quantity.CelsiusDelta
}

// Quality says whether a reading may be used, and if not, why. Only Valid may.
type Quality uint8

// Qualities. Absent is the zero value: nothing was ever read.
const (
	Absent      Quality = iota // no reading since the start
	NotFitted                  // the kiln file says there is none
	Valid                      // in range, checked, fresh
	NoAnswer                   // the bus or chip did not answer
	Checksum                   // answered, but damaged
	Implausible                // answered, but no kiln can be so: open, short, power-on value, out of range
	Stale                      // last good reading is too old
	qualityCount
)

var qualityNames = [qualityCount]string{"absent", "not_fitted", "valid", "no_answer", "checksum", "implausible", "stale"}

// String gives the name used in records and metrics.
func (q Quality) String() string { return nameOf(qualityNames[:], int(q)) }

// UnmarshalText reads the name that String gives.
func (q *Quality) UnmarshalText(b []byte) error { return indexOf(qualityNames[:], "quality", b, q) }

// Reading is one probe's latest value in the unit of its role, quantised at the border (Resolution). Value means
// nothing unless Quality is Valid.
type Reading struct {
	Value   float64
	Age     time.Duration // since the value was measured, at the snapshot's instant
	Quality Quality
}

// OK tells whether the value may be used.
func (r Reading) OK() bool { return r.Quality == Valid }

// Resolution gives the step to which readings of a role are quantised at the border: what is recorded is what was used.
func (r Role) Resolution() float64 {
	switch r {
	case RoleHumidity, RoleOutdoorHumidity:
		return 1e-4 // 0.01 % RH
	case RolePin:
		return 1e3 // ohm; the range is 0.1 Mohm to 100 Gohm
	case RoleLoadCell:
		return 1e-3 // kg
	default:
		return 0.01 // K
	}
}

// Counter is a running total that only grows: condensate in kilograms, energy in joules. A counter that starts again
// at zero (meter replaced, process restarted) is told by Quality Absent in the first snapshot after it.
type Counter struct {
	Total   float64
	Quality Quality
}
