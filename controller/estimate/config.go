package estimate

import (
	"time"

	"drywarden/hardware/quantity"
)

// Config says how to read this kiln's probes. DefaultConfig gives usual values.
type Config struct {
	Agree        quantity.CelsiusDelta // dry bulbs further apart than this disagree
	HumidAgree   quantity.Ratio        // humidity sources further apart than this disagree
	RideThrough  time.Duration         // how long a last good value may stand in; at most 60 s
	Learn        time.Duration         // time constant of the learnt offsets
	OffsetMax    quantity.CelsiusDelta // greatest learnt offset of a dry bulb
	HumidMax     quantity.Ratio        // greatest learnt offset of a humidity source
	Settle       time.Duration         // after the loss of a probe nothing may rise for so long
	WetBulbAbove quantity.CelsiusDelta // a wet bulb this much above the dry bulb is no wet bulb

	Recovery      float64                    // prior share of the water lost by the wood that reaches the condensate meter
	RecoverySigma float64                    //
	VentFlow      quantity.CubicMeterPerHour // air exchanged with the vents open; 0: not known, the balance then waits
	SprayRate     quantity.KilogramPerHour   // water sprayed with the valve open
	Uncertain     time.Duration              // without any evidence for longer than this sigma grows by a point a day
	WeighEvery    time.Duration              // a sample board is overdue after this
}

// DefaultConfig gives usual values. The recovery of 0.88 +- 0.08 is a starting value that the weighings correct.
func DefaultConfig() Config {
	return Config{
		Agree: 3, HumidAgree: 0.08, RideThrough: time.Minute, Learn: time.Hour, OffsetMax: 1.5, HumidMax: 0.06,
		Settle: 15 * time.Second, WetBulbAbove: 0.3,
		Recovery: 0.88, RecoverySigma: 0.08, VentFlow: 600, SprayRate: 20, Uncertain: 36 * time.Hour, WeighEvery: 36 * time.Hour,
	}
}

// rideThrough is Config.RideThrough, which is never more than a minute.
func (c *Config) rideThrough() time.Duration { return min(c.RideThrough, time.Minute) }
