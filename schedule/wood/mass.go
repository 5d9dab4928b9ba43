package wood

import (
	"math"

	"drywarden/hardware/quantity"
)

// waterDensity is what specific gravities refer to (Wood Handbook ch. 4 and 5), kg/m3.
const waterDensity = 1000

// OvenDryMass gives the oven-dry mass of a green volume of a basic specific gravity. A real lot lies within 6 % (one
// standard deviation) of its species' gravity; common practice, no source.
func OvenDryMass(green quantity.CubicMeter, basicGravity float64) quantity.Kilogram {
	return quantity.Kilogram(float64(green) * basicGravity * waterDensity)
}

// MaxMoisture gives the moisture of wood whose every pore is full of water (Wood Handbook FPL-GTR-282 (2021) eq. 4-3). NaN
// when the gravity is not above 0.
func MaxMoisture(basicGravity float64) quantity.MoistureContent {
	if !(basicGravity > 0) {
		return quantity.MoistureContent(math.NaN())
	}
	return quantity.MoistureContent(100 * (1.54 - basicGravity) / (1.54 * basicGravity))
}

// Shrinkage gives the share of the green dimension (or volume) lost at moisture m, from the shrinkage to oven-dry
// (FPL-GTR-282 eq. 4-9, fibre saturation 30 %); 0 above fibre saturation.
func Shrinkage(toOvenDry quantity.Ratio, m quantity.MoistureContent) quantity.Ratio {
	if m >= FiberSaturation {
		return 0
	}
	return toOvenDry * quantity.Ratio(1-m/FiberSaturation)
}

// VolumetricShrinkage gives the species' volumetric shrinkage to oven-dry; estimated where none is printed: 26.5 % of the
// basic gravity (FPL-GTR-282 eq. 4-12).
func (s *Species) VolumetricShrinkage() (toOvenDry quantity.Ratio, estimated bool) {
	if s.ShrinkVolumetric > 0 {
		return s.ShrinkVolumetric, false
	}
	return quantity.Ratio(0.265 * s.BasicGravity), true
}

// GravityAt gives the specific gravity on the volume at moisture m (FPL-GTR-282 eq. 4-11).
func (s *Species) GravityAt(m quantity.MoistureContent) float64 {
	toOvenDry, _ := s.VolumetricShrinkage()
	return s.BasicGravity / (1 - float64(Shrinkage(toOvenDry, m)))
}

// DensityAt gives the mass of a cubic metre of wood and its water at moisture m (FPL-GTR-282 eq. 4-14).
func (s *Species) DensityAt(m quantity.MoistureContent) quantity.KilogramPerCubicMeter {
	return quantity.KilogramPerCubicMeter(waterDensity * s.GravityAt(m) * (1 + float64(m)/100))
}
