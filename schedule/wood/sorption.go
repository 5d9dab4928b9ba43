package wood

import (
	"math"

	"drywarden/hardware/quantity"
)

// SorptionMinMoisture is where the heat of sorption derived here stops being physical: below, the sorption equation's own
// shape shows, not the wood.
const SorptionMinMoisture quantity.MoistureContent = 8

// HeatOfVaporization gives J/kg for free water: 2501 - 2.36 t kJ/kg, a line through the steam tables, 0 to 80 C (from memory).
func HeatOfVaporization(t quantity.Celsius) float64 { return 1000 * (2501 - 2.36*float64(t)) }

// HeatOfSorption gives the differential heat of sorption in J/kg of water, to be added to HeatOfVaporization: Clausius and
// Clapeyron applied to the Hailwood-Horrobin isotherms (computed). 0 at and above the EMC of saturated air; NaN below
// SorptionMinMoisture.
func HeatOfSorption(t quantity.Celsius, m quantity.MoistureContent) float64 {
	if !(m >= SorptionMinMoisture) {
		return math.NaN()
	}
	const half quantity.Celsius = 0.5
	above, below := RHForEMC(t+half, m), RHForEMC(t-half, m)
	if above >= 1 || below >= 1 {
		return 0
	}
	// R/M of water vapour, 461.5 J/kg K.
	return 461.5 * t.Kelvin() * t.Kelvin() * math.Log(float64(above/below)) / float64(2*half)
}
