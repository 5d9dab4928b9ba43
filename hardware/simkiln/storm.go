package simkiln

import (
	"math"
	"sort"
	"time"

	"drywarden/hardware"
	"drywarden/hardware/quantity"
)

// perYear gives how often each fault happens in one kiln and how long it lasts when nobody mends it: 0 lasts until
// mended. Orders of magnitude, common experience, no source.
var perYear = [faultCount]struct {
	rate  float64
	lasts time.Duration
}{
	ProbeOpen: {0.2, 0}, ProbeShort: {0.1, 0}, ProbeStuck: {0.1, 0}, ProbeNoAnswer: {1, 10 * time.Minute}, ProbeChecksum: {2, time.Minute},
	ProbeDrift: {0.3, 0}, ProbeNoise: {0.5, time.Hour}, ProbePowerOn: {0.5, 5 * time.Second}, ProbeInAir: {0.1, 0},
	WickDry: {1, 0}, WickDirty: {1, 0}, HumidityWet: {0.5, 6 * time.Hour}, PinLeak: {0.3, 0}, AirflowLost: {0.3, 5 * time.Minute},
	FanStop: {0.3, 0}, FanNoStart: {0.2, 0}, FanWeak: {0.2, 0}, HighPressureTrip: {0.5, 30 * time.Minute},
	LowPressureTrip: {0.2, 30 * time.Minute}, LowCharge: {0.1, 0}, CoilIced: {0.3, time.Second}, CoilFouled: {0.3, 0},
	CompressorNoEffect: {0.2, 0}, CompressorWeld: {0.05, 0}, BlowerStop: {0.1, 0}, CrankcaseDead: {0.1, 0}, HeaterWeld: {0.05, 0},
	HeaterOpen: {0.2, 0}, DoorOpen: {10, 10 * time.Minute}, DoorContactShut: {0.1, 0}, EmergencyStop: {0.2, 20 * time.Minute},
	HighLimit: {0.1, 30 * time.Minute}, BreakerHeat: {0.2, 0}, BreakerMachine: {0.2, 0}, BreakerFans: {0.1, 0},
	MainsLoss: {4, 10 * time.Minute}, Smoke: {0.05, 20 * time.Minute}, RefrigerantGas: {0.05, 30 * time.Minute},
	FloorWater: {0.1, 0}, InsideButton: {0.1, time.Minute}, Inhibit: {2, time.Hour}, VentStuckOpen: {0.2, 0},
	VentStuckShut: {0.2, 0}, SprayStuckOn: {0.1, 0}, NoWater: {0.5, 0}, DrainBlocked: {0.3, 0}, CondensateStuck: {0.3, 0},
	HoseOff: {0.2, 0}, BothDirections: {0.02, 0}, LoadCellSlip: {0.3, time.Second}, ProbesCrossed: {0.05, 0},
	ProbeDuplicate: {0.1, 0}, PinLoose: {0.5, 0}, BusDown: {0.5, 5 * time.Minute}, HumidityDrift: {0.5, 0}, ContactorWeld: {0.1, 0},
	ContactorStick: {0.2, 0}, ContactorBounce: {0.3, 0}, OutputOpen: {0.2, 0}, FanBackward: {0.02, 0}, RelayReset: {2, time.Second},
	RelayGlitch: {0.3, 2 * time.Second}, BrownOut: {2, 30 * time.Second}, CondensateMiss: {0.3, 0}, EnergyMiss: {0.2, 0},
	MachineFire: {0.01, 10 * time.Minute}, MisWeigh: {2, 24 * time.Hour}, PersonAway: {4, 36 * time.Hour},
}

// Storm draws the faults of a time span at a multiple of the usual density, in order of their start. Same seed and layout,
// same faults. What the layout does not have does not fail.
func Storm(seed uint64, times float64, span time.Duration, layout *hardware.Layout) []Fault {
	r := stream(seed, 8)
	var faults []Fault
	years := span.Hours() / 24 / 365
	for kind := NoFault + 1; kind < faultCount; kind++ {
		p := perYear[kind]
		f := Fault{Kind: kind}
		var probes []hardware.ProbeID
		ofProbe, role := kind.OfProbe()
		for i := range layout.Probes {
			if role == hardware.RoleNone || layout.Probes[i].Role == role {
				probes = append(probes, hardware.ProbeID(i))
			}
		}
		var outputs []hardware.OutputID
		for o := range hardware.Heartbeat {
			if layout.ReadBack.Has(o) {
				outputs = append(outputs, o)
			}
		}
		if ofProbe && len(probes) == 0 || kind.OfOutput() && len(outputs) == 0 {
			continue
		}
		mean := p.rate * times
		for at := -math.Log(1-r.uniform()) / mean; at < years && len(faults) < maxFaults; at -= math.Log(1-r.uniform()) / mean {
			f.Start = quantity.Duration(time.Duration(at * 365 * 24 * float64(time.Hour)).Truncate(time.Second))
			f.Duration = quantity.Duration(time.Duration(float64(p.lasts) * r.between(0.5, 2)).Truncate(time.Second))
			if p.lasts > 0 && f.Duration < quantity.Duration(time.Second) {
				f.Duration = quantity.Duration(time.Second)
			}
			f.Severity = quantity.Ratio(r.between(0.5, 1.5))
			switch pick := r.uniform(); {
			case ofProbe:
				f.Probe = probes[int(pick*float64(len(probes)))]
			case kind.OfOutput():
				f.Output = outputs[int(pick*float64(len(outputs)))]
			}
			faults = append(faults, f)
		}
	}
	sort.SliceStable(faults, func(i, j int) bool { return faults[i].Start < faults[j].Start })
	return faults
}
