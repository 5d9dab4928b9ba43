package hardware

import (
	"time"

	"drywarden/hardware/mono"
	"drywarden/hardware/quantity"
)

// WallTime is a label for people. Nothing controls by it.
type WallTime struct {
	Unix    int64 // seconds
	Trusted bool  // the kernel says the clock is synchronised
}

// Snapshot is everything read in one tick, and nothing else: from here to the requested outputs all is a pure function.
type Snapshot struct {
	Tick     uint64        // ticks of this process, the first is 1
	Now      mono.Instant  //
	Elapsed  time.Duration // since the snapshot before, 0 in the first; not capped
	Wall     WallTime      //
	Readings [MaxProbes]Reading
	Contacts Contacts

	// What the outputs really do, where the wiring tells.
	ReadBack      OutputSet            // outputs read back as on
	ReadBackValid OutputSet            // outputs whose read-back could be read
	Current       [OutputCount]float32 // ampere
	CurrentValid  OutputSet

	Condensate Counter // kilogram
	Energy     Counter // joule, whole kiln

	Previous Applied // what the gate applied in the tick before
	Durable  uint64  // newest generation of control state that is safely on disk
}

// Layout is the kiln as built: what is fitted. It never changes while a process runs.
type Layout struct {
	Probes      []Probe
	Contacts    ContactSet // fitted
	Outputs     OutputSet  // fitted
	ReadBack    OutputSet  // outputs whose state can be read back
	Current     OutputSet  // outputs whose current is measured
	FanGroups   int
	FanDrive    bool            // fan speed can be set
	FanCurrent  quantity.Ampere // of one fan group at full speed in air of 20 C; 0: not known
	HeatStages  int
	Condensate  bool // condensate meter fitted
	EnergyMeter bool
}

// ByRole gives the ids of the probes with this role, in the order of the kiln file.
func (l *Layout) ByRole(role Role) []ProbeID {
	var ids []ProbeID
	for i, p := range l.Probes {
		if p.Role == role {
			ids = append(ids, ProbeID(i))
		}
	}
	return ids
}

// Inputs is where a snapshot comes from: a board or the simulated kiln.
type Inputs interface {
	// Read fills in everything up to Energy as known at now; it waits for no bus. Readings, contacts and counters not
	// fitted are marked so. Trouble with one probe is that reading's Quality; an error means nothing could be read.
	Read(now mono.Instant, to *Snapshot) error
}

// Actuators is where outputs go. Only the gate holds one.
type Actuators interface {
	// Apply sets all outputs afresh. An error means that some may not be as told; the next Apply tries again.
	Apply(now mono.Instant, outputs Outputs) error
}
