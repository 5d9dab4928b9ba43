package wood

import (
	"math"

	"drywarden/hardware/quantity"
)

func power(x, y float64) float64 { return math.Pow(x, y) }

// waterDensity is what specific gravities refer to (Wood Handbook ch. 4 and 5), kg/m3.
const waterDensity = 1000

// OvenDryMass gives the oven-dry mass of a green volume of a basic specific gravity. A real lot lies within 6 % (one
// standard deviation) of its species' gravity; common practice, no source.
func OvenDryMass(green quantity.CubicMeter, basicGravity float64) quantity.Kilogram {
	return quantity.Kilogram(float64(green) * basicGravity * waterDensity)
}
