package simkiln

import "math"

const (
	waterGas = 461.5  // J/(kg K), of water vapour
	airGas   = 287.05 // J/(kg K), of dry air
	airHeat  = 1006.0 // J/(kg K)
	liquid   = 4186.0 // J/(kg K), of water

	steamHeat = 1860.0 // J/(kg K), of water vapour
	ratio     = 0.62198
)

// saturation gives the vapour pressure over liquid water in Pa at t in Celsius: Buck (1996), 0 to 80 C within 0.06 % of
// the steam tables.
func saturation(t float64) float64 {
	return 611.21 * math.Exp((18.678-t/234.5)*t/(257.14+t))
}

// saturationSlope gives saturation and its derivative in Pa/K.
func saturationSlope(t float64) (p, slope float64) {
	p = saturation(t)
	d := 257.14 + t
	return p, p * ((18.678-2*t/234.5)*d - (18.678-t/234.5)*t) / (d * d)
}

// latent gives the heat of evaporation in J/kg: the difference between vapour (2.501 MJ/kg at 0 C, steamHeat above) and
// liquid, so that the first law closes; within 0.15 % of the steam tables from 0 to 60 C (from memory).
func latent(t float64) float64 { return 2.501e6 - (liquid-steamHeat)*t }

// vapourPressure of a humidity ratio at station pressure.
func vapourPressure(w, pressure float64) float64 { return pressure * w / (ratio + w) }

// humidityRatio of a vapour pressure at station pressure.
func humidityRatio(p, pressure float64) float64 { return ratio * p / (pressure - p) }

// Sorption: Bradley's isotherm, -ln h = L2*L1^M + L3, with the coefficients fitted by Simpson (1973, Wood and Fiber
// 5(1):41, equations 10 and 22-24). It holds up to joinMC; from there the activity goes smoothly, with the same slope,
// to 1 at fibre saturation, because Bradley's form never reaches 1. Fibre saturation falls by 0.1 point a kelvin from 30 %
// at 20 C (Stamm; Siau 1984, from memory).
const (
	joinMC          = 18.0
	fiberSaturation = 30
)

// isotherm is the sorption curve at one temperature.
type isotherm struct{ l1log, l2, l3, join, power, full float64 }

func isothermAt(celsius float64) isotherm {
	f := celsius*1.8 + 32
	i := isotherm{
		l1log: math.Log(0.839 + 2.02e-5*f - 1.56e-6*f*f),
		l2:    3.56 + 0.00392*f - 4.45e-5*f*f,
		l3:    0.0219 + 1.64e-5*f,
		full:  max(fiberSaturation-0.1*(celsius-20), joinMC+2),
	}
	e := i.l2 * math.Exp(i.l1log*joinMC)
	i.join = math.Exp(-e - i.l3)
	i.power = -i.join * e * i.l1log * (i.full - joinMC) / (1 - i.join)
	return i
}

// activity gives water activity at moisture m (percent) and its slope per point.
func (i *isotherm) activity(m float64) (a, slope float64) {
	if m >= i.full {
		return 1, 0
	}
	if m <= joinMC {
		if m < 0 {
			m = 0
		}
		e := i.l2 * math.Exp(i.l1log*m)
		a = math.Exp(-e - i.l3)
		return a, -a * e * i.l1log
	}
	x := (i.full - m) / (i.full - joinMC)
	dry := (1 - i.join) * math.Exp(i.power*math.Log(x))
	return 1 - dry, dry * i.power / (i.full - m)
}

// moisture is the inverse of activity: the equilibrium moisture content in percent.
func (i *isotherm) moisture(a float64) float64 {
	switch {
	case a >= 1:
		return i.full
	case a <= i.join:
		y := (-math.Log(max(a, 1e-6)) - i.l3) / i.l2
		return max(0, math.Log(y)/i.l1log)
	default:
		return i.full - (i.full-joinMC)*math.Pow((1-a)/(1-i.join), 1/i.power)
	}
}

// isotherms is a table over temperature: building one takes four logarithms, looking it up none. 0.25 K steps.
type isotherms [isothermCount]isotherm

const (
	isothermMin   = -30.0
	isothermStep  = 0.25
	isothermCount = int((110-isothermMin)/isothermStep) + 1
)

func newIsotherms() *isotherms {
	t := new(isotherms)
	for i := range t {
		t[i] = isothermAt(isothermMin + float64(i)*isothermStep)
	}
	return t
}

func (t *isotherms) at(celsius float64) *isotherm {
	i := int((celsius-isothermMin)/isothermStep + 0.5)
	return &t[min(max(i, 0), isothermCount-1)]
}

// wetBulb solves the ventilated psychrometer e = Psat(wb) - a*(1+0.00115 wb)*P*(db-wb) from a first guess.
func wetBulb(db, e, pressure, a, guess float64) float64 {
	wb := guess
	for range 4 {
		p, slope := saturationSlope(wb)
		c := a * (1 + 0.00115*wb) * pressure
		f := p - c*(db-wb) - e
		step := f / (slope + c)
		wb -= step
		if math.Abs(step) < 1e-3 {
			break
		}
	}
	return wb
}
