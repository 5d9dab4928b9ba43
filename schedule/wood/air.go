package wood

import (
	"math"

	"drywarden/hardware/quantity"
)

// StandardPressure is the sea-level pressure of the standard atmosphere (ICAO Doc 7488).
const StandardPressure quantity.Pascal = 101325

// massRatio is the molar mass of water over that of dry air (ASHRAE Handbook - Fundamentals 2017, ch. 1, eq. 20).
const massRatio = 0.621945

// triplePoint is where the two saturation equations meet; at and below it the ice form holds.
const triplePoint = 0.01

// Saturation pressure, Hyland and Wexler 1983 as printed in ASHRAE Handbook - Fundamentals 2017, ch. 1, eq. 5 (over ice,
// -100 to 0 C) and eq. 6 (over liquid water, 0 to 200 C); T in kelvin, result in Pa.
const (
	ice1, ice2, ice3, ice4 = -5.6745359e3, 6.3925247, -9.6778430e-3, 6.2215701e-7
	ice5, ice6, ice7       = 2.0747825e-9, -9.4840240e-13, 4.1635019
	liq1, liq2, liq3       = -5.8002206e3, 1.3914993, -4.8640239e-2
	liq4, liq5, liq6       = 4.1764768e-5, -1.4452093e-8, 6.5459673
)

// lnSaturation gives the logarithm of the saturation pressure in Pa and its derivative per kelvin.
func lnSaturation(celsius float64) (ln, slope float64) {
	t := celsius + 273.15
	if celsius <= triplePoint {
		ln = ice1/t + ice2 + t*(ice3+t*(ice4+t*(ice5+t*ice6))) + ice7*math.Log(t)
		slope = -ice1/(t*t) + ice3 + t*(2*ice4+t*(3*ice5+t*4*ice6)) + ice7/t
		return ln, slope
	}
	ln = liq1/t + liq2 + t*(liq3+t*(liq4+t*liq5)) + liq6*math.Log(t)
	slope = -liq1/(t*t) + liq3 + t*(2*liq4+t*3*liq5) + liq6/t
	return ln, slope
}

// SaturationPressure gives the pressure of water vapour in equilibrium with ice (up to 0.01 C) or liquid water at t.
// NaN outside -100 to 200 C, where the equations were not published.
func SaturationPressure(t quantity.Celsius) quantity.Pascal {
	if !(t >= -100 && t <= 200) {
		return quantity.Pascal(math.NaN())
	}
	ln, _ := lnSaturation(float64(t))
	return quantity.Pascal(math.Exp(ln))
}

// VaporPressure gives the partial pressure of the water vapour in air of dry bulb db and relative humidity rh.
func VaporPressure(db quantity.Celsius, rh quantity.Ratio) quantity.Pascal {
	return quantity.Pascal(float64(rh)) * SaturationPressure(db)
}

// mixingRatio gives kg/kg from the vapour pressure and the total pressure; NaN when the vapour leaves no room for air.
func mixingRatio(vapor, p float64) float64 {
	if !(vapor < p) {
		return math.NaN()
	}
	return massRatio * vapor / (p - vapor)
}

// HumidityRatio gives kg of vapour per kg of dry air at station pressure p (ASHRAE 2017 ch. 1 eq. 20). NaN when the vapour
// pressure reaches p.
func HumidityRatio(db quantity.Celsius, rh quantity.Ratio, p quantity.Pascal) float64 {
	return mixingRatio(float64(VaporPressure(db, rh)), float64(p))
}

// RHFromHumidityRatio is the inverse of HumidityRatio. Above 1 the air would be supersaturated: no such air exists.
func RHFromHumidityRatio(db quantity.Celsius, w float64, p quantity.Pascal) quantity.Ratio {
	return quantity.Ratio(float64(p) * w / (massRatio + w) / float64(SaturationPressure(db)))
}

// DewPoint gives the temperature at which the vapour of air at db and rh saturates (over ice below 0.01 C). NaN when rh is
// not above 0, and below -100 C.
func DewPoint(db quantity.Celsius, rh quantity.Ratio) quantity.Celsius {
	return dewPointOf(float64(VaporPressure(db, rh)))
}

func dewPointOf(vapor float64) quantity.Celsius {
	if !(vapor > 0) {
		return quantity.Celsius(math.NaN())
	}
	target := math.Log(vapor)
	// Start: ASHRAE 2017 ch. 1 eq. 37 and 38 without their last term; Newton in ln p against 1/T then needs three rounds.
	kpa := target - math.Log(1000)
	t := 6.54 + kpa*(14.526+kpa*(0.7389+kpa*0.09486)) + 0.4569*math.Exp(0.1984*kpa)
	if t < 0 {
		t = 6.09 + kpa*(12.608+kpa*0.4959)
	}
	for range 8 {
		ln, slope := lnSaturation(t)
		step := (ln - target) / slope
		t -= step
		if math.Abs(step) < 1e-9 {
			break
		}
	}
	if !(t >= -100) {
		return quantity.Celsius(math.NaN())
	}
	return quantity.Celsius(t)
}

// RHFromDewPoint gives the relative humidity of air at db whose dew point is dp; above 1 when dp is above db.
func RHFromDewPoint(db, dp quantity.Celsius) quantity.Ratio {
	return quantity.Ratio(SaturationPressure(dp) / SaturationPressure(db))
}

// Enthalpy gives J per kg of dry air, zero for dry air and liquid water at 0 C (ASHRAE 2017 ch. 1 eq. 30).
func Enthalpy(db quantity.Celsius, w float64) float64 {
	return 1000 * (1.006*float64(db) + w*(2501+1.86*float64(db)))
}

// Density gives the mass of a cubic metre of the moist mixture (ASHRAE 2017 ch. 1 eq. 26, ideal gas, R = 287.042 J/kg K).
func Density(db quantity.Celsius, rh quantity.Ratio, p quantity.Pascal) quantity.KilogramPerCubicMeter {
	w := HumidityRatio(db, rh, p)
	volume := 287.042 * db.Kelvin() * (1 + 1.607858*w) / float64(p)
	return quantity.KilogramPerCubicMeter((1 + w) / volume)
}

// StationPressure gives the pressure of the standard atmosphere at an altitude (ASHRAE 2017 ch. 1 eq. 3, -5000 to
// 11000 m). The weather moves the real one by about 3 % to either side.
func StationPressure(altitude quantity.Meter) quantity.Pascal {
	return quantity.Pascal(101325 * math.Pow(1-2.25577e-5*float64(altitude), 5.2559))
}

// humidityAtWetBulb gives the humidity ratio of air at t whose thermodynamic wet bulb is wb (ASHRAE 2017 ch. 1 eq. 33, and
// eq. 35 over ice below 0 C), and its derivative by wb. NaN when water boils at wb.
func humidityAtWetBulb(t, wb, p float64) (w, slope float64) {
	ln, lnSlope := lnSaturation(wb)
	vapor := math.Exp(ln)
	if !(vapor < p) {
		return math.NaN(), math.NaN()
	}
	ws := massRatio * vapor / (p - vapor)
	wsSlope := ws * lnSlope * p / (p - vapor)
	latent, latentSlope, liquid := 2501-2.326*wb, -2.326, 4.186
	if wb < 0 {
		latent, latentSlope, liquid = 2830-0.24*wb, -0.24, 2.1
	}
	top := latent*ws - 1.006*(t-wb)
	bottom := 2501 + 1.86*t - liquid*wb
	if wb < 0 {
		bottom += 2830 - 2501
	}
	w = top / bottom
	return w, (latentSlope*ws + latent*wsSlope + 1.006 + w*liquid) / bottom
}

// WetBulb gives the thermodynamic wet bulb (adiabatic saturation) of air at db, rh and station pressure p, over ice below
// 0 C. NaN when rh is outside 0 to 1 or the vapour pressure reaches p.
//
// Where the air is warm and the answer lies close to 0 C, the equations over water and over ice both have a solution, up to
// 1.5 K apart; the one is given that bisection between dew point and dry bulb comes upon, as the reference program PsychroLib
// has it.
func WetBulb(db quantity.Celsius, rh quantity.Ratio, p quantity.Pascal) quantity.Celsius {
	if !(rh >= 0 && rh <= 1 && db >= -100 && db <= 200) {
		return quantity.Celsius(math.NaN())
	}
	t, station := float64(db), float64(p)
	ln, slope := lnSaturation(t)
	saturation := math.Exp(ln)
	w := mixingRatio(float64(rh)*saturation, station)
	if math.IsNaN(w) {
		return quantity.Celsius(math.NaN())
	}
	low, high := -100.0, t
	if t > 0 {
		if frozen(t, w, station, float64(rh)*saturation) {
			high = -1e-12
		} else {
			low = 0
		}
	}
	// Start: es(t - d) taken as a parabola about t turns the psychrometer equation into a quadratic in the depression d.
	square := saturation * slope * slope / 2
	linear := saturation*slope + psychrometerWater*station
	rest := linear*linear - 4*square*saturation*(1-float64(rh))
	depression := (linear - math.Sqrt(math.Max(rest, 0))) / (2 * square)
	return quantity.Celsius(math.Min(t, solveWetBulb(t, w, station, low, high, t-depression)))
}

// frozen tells which solution WetBulb gives for air above 0 C.
func frozen(t, w, p, vapor float64) bool {
	// What humidityAtWetBulb gives at 0 C over water, and just below it over ice, which is more.
	zero := mixingRatio(saturationAtZero, p)
	switch {
	case w < (2501*zero-1.006*t)/(2501+1.86*t):
		return true
	case !(w < (2830*zero-1.006*t)/(2830+1.86*t)):
		return false
	}
	low, high := float64(dewPointOf(vapor)), t
	for low < 0 && high > 0 {
		mid := (low + high) / 2
		if found, _ := humidityAtWetBulb(t, mid, p); found > w {
			high = mid
		} else {
			low = mid
		}
	}
	return low < 0
}

// saturationAtZero is SaturationPressure(0 C) in Pa.
const saturationAtZero = 611.1535708908

// solveWetBulb finds the wet bulb between low and high, where humidityAtWetBulb rises steadily and is convex: Newton from a
// start, with bisection whenever a step leaves the bracket.
func solveWetBulb(t, w, p, low, high, wb float64) float64 {
	wb = math.Min(math.Max(wb, low), high)
	for range 60 {
		found, slope := humidityAtWetBulb(t, wb, p)
		if !(found <= w) { // NaN counts as too warm
			high = wb
		} else {
			low = wb
		}
		step := (found - w) / slope
		next := wb - step
		if !(next >= low && next <= high) {
			next = (low + high) / 2
			step = wb - next
		}
		wb = next
		// The error left is about 0.03 step^2.
		if math.Abs(step) < 1e-3 {
			break
		}
	}
	return wb
}

// RHFromWetBulb is the inverse of WetBulb: relative humidity from dry bulb and thermodynamic wet bulb. Impossible readings
// show: above 1 when the wet bulb is above the dry bulb, below 0 when it is lower than bone-dry air would give. NaN when
// water boils at wb.
func RHFromWetBulb(db, wb quantity.Celsius, p quantity.Pascal) quantity.Ratio {
	w, _ := humidityAtWetBulb(float64(db), float64(wb), float64(p))
	return RHFromHumidityRatio(db, w, p)
}

// Psychrometer coefficient of a ventilated (Assmann) instrument, per kelvin, water on the wick (WMO-No. 8, Guide to
// Instruments and Methods of Observation, part I ch. 4); a frozen wick takes the ratio of the latent heats.
const (
	psychrometerWater = 6.62e-4
	psychrometerIce   = 5.84e-4
)

// RHFromPsychrometer gives the relative humidity from a wetted wick in air moving at 2.5 m/s or more: e = es(wb) -
// A p (db - wb). A wick in slower air reads high, and the humidity found is then too high. Impossible readings show as in
// RHFromWetBulb.
func RHFromPsychrometer(db, wb quantity.Celsius, p quantity.Pascal) quantity.Ratio {
	coefficient := psychrometerWater
	if wb < 0 {
		coefficient = psychrometerIce
	}
	vapor := float64(SaturationPressure(wb)) - coefficient*float64(p)*float64(db-wb)
	return quantity.Ratio(vapor / float64(SaturationPressure(db)))
}
