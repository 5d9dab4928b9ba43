package wood

import (
	"fmt"
	"math"

	"drywarden/hardware/quantity"
)

// Hailwood-Horrobin equation with two hydrates for wood, coefficients in deg C: Simpson 1973, Wood and Fiber 5(1):41-49, in
// the form of the Wood Handbook, FPL-GTR-282 (2021) eq. 4-5. The quadratic term of K is -2.73e-6; a misprint with e-7 is in
// circulation and costs 0.9 points at 80 C.
const (
	hhW0, hhW1, hhW2 = 349, 1.29, 0.0135
	hhK0, hhK1, hhK2 = 0.805, 0.000736, -2.73e-6
	hhA0, hhA1, hhA2 = 6.27, -0.00938, -0.000303 // K1
	hhB0, hhB1, hhB2 = 1.91, 0.0407, -0.000293   // K2
)

// Where the fit was made: Wood Handbook table 4-2 spans 30 to 210 F and 5 to 95 % RH; between 95 and 98 % it still orders
// airs rightly, above it means little, and it is no fibre saturation point.
const (
	EMCMinTemperature quantity.Celsius = -1.2
	EMCMaxTemperature quantity.Celsius = 98.9
	EMCMaxRH          quantity.Ratio   = 0.98
)

// FiberSaturation is the usual fibre saturation point at room temperature (Wood Handbook FPL-GTR-190, p. 4-2).
const FiberSaturation quantity.MoistureContent = 30

// FiberSaturationAt lowers it by 0.1 point per kelvin above 20 C (Stamm, as in Siau 1984; from memory; 0 to 100 C).
func FiberSaturationAt(t quantity.Celsius) quantity.MoistureContent {
	return FiberSaturation - quantity.MoistureContent(0.1*(t-20))
}

type isotherm struct {
	scale, k  float64 // percent; K
	one, both float64 // K1; K1 K2
}

func isothermAt(t quantity.Celsius) isotherm {
	c := float64(t)
	one := hhA0 + c*(hhA1+c*hhA2)
	return isotherm{
		scale: 1800 / (hhW0 + c*(hhW1+c*hhW2)),
		k:     hhK0 + c*(hhK1+c*hhK2),
		one:   one,
		both:  one * (hhB0 + c*(hhB1+c*hhB2)),
	}
}

// at gives the EMC over the scale at x = K h.
func (i *isotherm) at(x float64) float64 {
	return x/(1-x) + x*(i.one+2*i.both*x)/(1+x*(i.one+i.both*x))
}

// EMC gives the moisture content that wood comes to in air of temperature t and relative humidity rh. NaN when rh is
// outside 0 to 1. CheckEMC tells a person where the equation holds; this function also answers a little outside.
func EMC(t quantity.Celsius, rh quantity.Ratio) quantity.MoistureContent {
	if !(rh >= 0 && rh <= 1) {
		return quantity.MoistureContent(math.NaN())
	}
	i := isothermAt(t)
	return quantity.MoistureContent(i.scale * i.at(i.k*float64(rh)))
}

// RHForEMC is the inverse of EMC. An EMC of more than saturated air gives answers 1: no air is wetter. NaN when emc is
// negative or NaN.
func RHForEMC(t quantity.Celsius, emc quantity.MoistureContent) quantity.Ratio {
	if !(emc >= 0) {
		return quantity.Ratio(math.NaN())
	}
	i := isothermAt(t)
	m := float64(emc) / i.scale
	low, high := 0.0, i.k
	if m >= i.at(high) {
		return 1
	}
	// Cleared of its fractions the equation is a cubic in x = K h, c3 x^3 + c2 x^2 + c1 x + m = 0, which falls from m at
	// x = 0 through the only root in the bracket.
	c1 := m*(i.one-1) - (1 + i.one)
	c2 := m*(i.both-i.one) - 2*i.both
	c3 := i.both * (1 - m)
	x := 0.5 * i.k
	for range 60 {
		f := m + x*(c1+x*(c2+x*c3))
		if f > 0 {
			low = x
		} else {
			high = x
		}
		next := x - f/(c1+x*(2*c2+x*3*c3))
		if !(next > low && next < high) {
			next = (low + high) / 2
		}
		step := next - x
		x = next
		if math.Abs(step) < 1e-9 {
			break
		}
	}
	return quantity.Ratio(x / i.k)
}

// CheckEMC says in one sentence why the EMC of this air is not to be trusted, or nothing.
func CheckEMC(t quantity.Celsius, rh quantity.Ratio) error {
	switch {
	case !(t >= EMCMinTemperature && t <= EMCMaxTemperature):
		return fmt.Errorf("EMC at %s: the equation holds from %s to %s", both(t), both(EMCMinTemperature), both(EMCMaxTemperature))
	case !(rh >= 0 && rh <= EMCMaxRH):
		return fmt.Errorf("EMC at %v relative humidity: the equation holds from 0 %% to %v", rh, EMCMaxRH)
	}
	return nil
}
