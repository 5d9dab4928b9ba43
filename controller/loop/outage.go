package loop

import (
	"math"
	"time"

	"drywarden/hardware/quantity"
)

// Cooling of a closed kiln: its time constant is heat capacity over losses, 28 to 37 h for a small, well-insulated room
// (own estimate from 6 to 8 MJ/K and 60 W/K). The longest is taken, and a room that was hardly warmer than outdoors tells
// nothing.
const (
	coolingTime                        = 37 * time.Hour
	coolingLeast quantity.CelsiusDelta = 10
)

// cooling estimates from then and now how long the room has been cooling; 0 when it cannot be told. It errs on the long
// side: air cools faster than the room at first, and the slowest room is assumed.
func cooling(then, now, outdoor quantity.Celsius) time.Duration {
	above, left := then.Sub(outdoor), now.Sub(outdoor)
	if above < coolingLeast || left <= 0 || left >= above {
		return 0
	}
	if left < above/20 {
		return 0 // as cold as outdoors: any time beyond three time constants
	}
	return time.Duration(float64(coolingTime) * math.Log(float64(above/left)))
}
