package simkiln

import "math"

const (
	nominalPower   = 3000.0 // W, at 20 C evaporating and 55 C condensing
	nominalCoil    = 0.45   // kg/s, evaporator air
	lowCoil        = 0.20   // kg/s, blower at low speed
	nominalConden  = 1.4    // kg/s, condenser air
	nominalBlower  = 600.0  // W
	bypass         = 0.20   // share of the evaporator air that touches no fin
	coilDifference = 6.0    // K, apparatus dew point over evaporating temperature
	starved        = 8.0    // K more with part of the charge lost: takes about a fifth of the capacity
	condDifference = 8.0    // K, condensing temperature over leaving air
	startUp        = 75.0   // s, until a started machine gives all it can
	frostBelow     = -1.0   // C, of the coil
	fullIce        = 6.0    // kg of ice that halve the coil air of the nominal machine
	fusion         = 334e3  // J/kg
)

// heatPump is what the machine does in one air step.
type heatPump struct {
	Te, Tc  float64 // evaporating, condensing, C
	Power   float64 // W, compressor
	Coil    float64 // C, apparatus dew point
	Sense   float64 // W, sensible heat taken from the air
	Water   float64 // kg/s condensed
	Latent  float64 // W
	Capable bool    // the balance was found
}

// operating is what a machine works on.
type operating struct {
	t, w, pressure    float64 // room air
	coilAir, condAir  float64 // kg/s
	power, efficiency float64 // nominal W, of Carnot
	difference        float64 // K, apparatus dew point over evaporating temperature
}

// coilLoad gives what the coil takes from the air when its apparatus dew point is adp.
func (o *operating) coilLoad(adp float64) (total, sensible, water float64) {
	through := o.coilAir * (1 - bypass)
	sensible = through * (airHeat + steamHeat*o.w) * (o.t - adp)
	if w := humidityRatio(saturation(adp), o.pressure); w < o.w {
		water = through * (o.w - w)
	}
	return sensible + water*latent(adp), sensible, water
}

// residual is coil load less what the compressor can lift at evaporating temperature te.
func (o *operating) residual(te float64) (r float64, h heatPump) {
	h.Te, h.Coil = te, te+o.difference
	var total float64
	total, h.Sense, h.Water = o.coilLoad(h.Coil)
	h.Latent = total - h.Sense
	mixed := o.t - h.Sense/(o.condAir*airHeat) // evaporator air mixed with bypassed air, before the condenser
	// Tc = mixed + (total + power)/(condAir*cp) + 8, power linear in Tc
	g := 1 / (o.condAir * airHeat)
	h.Tc = (mixed + g*(total+o.power*(1+0.010*(te-20)-0.012*55)) + condDifference) / (1 - g*o.power*0.012)
	h.Power = max(0.25*o.power, o.power*(1+0.010*(te-20)+0.012*(h.Tc-55)))
	lift := max(h.Tc-te, 5)
	return total - h.Power*o.efficiency*(te+273.15)/lift, h
}

// balance finds the evaporating temperature at which coil and compressor agree, starting from a guess: regula falsi
// inside a bracket, so that it cannot run away.
func (o *operating) balance(guess float64) heatPump {
	low, high := guess-1.5, guess+1.5
	rLow, _ := o.residual(low)
	rHigh, h := o.residual(high)
	for i := 0; rLow < 0 && i < 8; i++ {
		high, rHigh = low, rLow
		low -= 6
		rLow, _ = o.residual(low)
	}
	for i := 0; rHigh > 0 && i < 12; i++ {
		low, rLow = high, rHigh
		high += 6
		rHigh, h = o.residual(high)
	}
	if rLow < 0 || rHigh > 0 {
		h.Capable = false
		return h
	}
	side := 0
	for range 24 {
		te := (low*rHigh - high*rLow) / (rHigh - rLow)
		var r float64
		r, h = o.residual(te)
		if math.Abs(r) < 1e-3*o.power {
			break
		}
		if r > 0 {
			low, rLow = te, r
			if side > 0 {
				rHigh /= 2 // Illinois
			}
			side = 1
		} else {
			high, rHigh = te, r
			if side < 0 {
				rLow /= 2
			}
			side = -1
		}
	}
	h.Capable = true
	return h
}
