package wood

import (
	"fmt"
	"math"

	"drywarden/hardware/quantity"
)

// Range of the resistance table, and the wood temperatures of the correction.
const (
	PinMinMoisture    quantity.MoistureContent = 7
	PinMaxMoisture    quantity.MoistureContent = 25
	PinMinTemperature quantity.Celsius         = -20
	PinMaxTemperature quantity.Celsius         = 60

	pinTableTemperature = 27 // the table's 80 F
	pinColumns          = 19 // 7 to 25 %
)

// PinScale is a row of the resistance table: megohm at 7, 8 ... 25 % moisture and 27 C, two pairs of needles 1-1/4 in apart,
// 5/16 in deep, current along the grain.
type PinScale struct {
	Name   string
	megohm [pinColumns]float64
}

// pinScales is table 1 of James 1988, Electric Moisture Meters for Wood, FPL-GTR-6; every figure from memory. Read only.
var pinScales = [...]PinScale{
	{"Douglas-fir (coast)", [...]float64{22400, 4780, 1660, 630, 265, 120, 60, 33, 18.6, 11.2, 7.1, 4.6, 3.09, 2.14, 1.51, 1.1, 0.79, 0.6, 0.46}},
	{"pine, longleaf", [...]float64{25000, 8700, 3190, 1270, 540, 270, 135, 74, 41.7, 24, 14.4, 8.9, 5.76, 3.72, 2.46, 1.66, 1.15, 0.79, 0.6}},
	{"pine, northern (eastern) white", [...]float64{20900, 5620, 2090, 850, 405, 200, 102, 58, 33.1, 19.9, 12.3, 8.02, 5.01, 3.31, 2.19, 1.51, 1.05, 0.74, 0.52}},
	{"pine, ponderosa", [...]float64{39800, 8910, 3310, 1410, 645, 300, 150, 81, 44.7, 25.1, 14.8, 9.12, 5.62, 3.55, 2.34, 1.62, 1.15, 0.87, 0.69}},
	{"larch, western", [...]float64{39800, 11200, 3980, 1445, 560, 250, 120, 63, 33.9, 19.9, 12.3, 7.6, 5.02, 3.39, 2.29, 1.62, 1.2, 0.87, 0.66}},
	{"ash, white", [...]float64{12000, 2190, 690, 250, 105, 55, 28, 14, 8.3, 5, 3.2, 2, 1.32, 0.89, 0.63, 0.5, 0.44, 0.4, 0.4}},
	{"basswood", [...]float64{36300, 1740, 470, 180, 85, 45, 27, 16, 9.6, 6.2, 4.1, 2.8, 1.86, 1.32, 0.93, 0.69, 0.51, 0.39, 0.31}},
	{"birch", [...]float64{87000, 19950, 4470, 1290, 470, 200, 96, 53, 30.2, 18.2, 11.5, 7.6, 5.13, 3.55, 2.51, 1.78, 1.32, 0.95, 0.7}},
	{"maple, hard", [...]float64{72400, 13800, 3160, 690, 250, 105, 53, 29, 16.6, 10.2, 6.8, 4.5, 3.16, 2.24, 1.62, 1.23, 0.98, 0.75, 0.6}},
	{"oak, red", [...]float64{14400, 4790, 1590, 630, 265, 125, 63, 32, 18.2, 11.3, 7.3, 4.6, 3.02, 2.09, 1.45, 0.95, 0.8, 0.63, 0.5}},
	{"oak, white", [...]float64{17400, 3550, 1100, 415, 170, 80, 42, 22, 12.6, 7.2, 4.3, 2.7, 1.7, 1.15, 0.79, 0.6, 0.44, 0.33, 0.23}},
	{"sweetgum", [...]float64{38000, 6460, 2090, 815, 345, 160, 81, 45, 25.7, 15.1, 9.3, 6, 3.98, 2.63, 1.78, 1.26, 0.87, 0.63, 0.46}},
}

// pinRows says which row serves which species besides the one of its own name.
var pinRows = map[string]string{
	"Douglas-fir, coast": "Douglas-fir (coast)", "pine, eastern white": "pine, northern (eastern) white",
	"basswood, American": "basswood", "birch, yellow": "birch", "birch, paper": "birch", "birch, sweet": "birch",
	"maple, sugar": "maple, hard", "oak, northern red": "oak, red", "oak, southern red": "oak, red", "oak, white": "oak, white",
	"oak, post": "oak, white", "oak, overcup": "oak, white", "sweetgum, sapwood": "sweetgum",
}

// PinScaleFor gives the row for a species; own is false when it has none and the Douglas-fir row, the reference scale of
// meters, stands in. A species may lie a point to either side of its row (common practice, no source).
func PinScaleFor(s *Species) (scale *PinScale, own bool) {
	name := s.Name
	if row, found := pinRows[name]; found {
		name = row
	}
	for i := range pinScales {
		if pinScales[i].Name == name {
			return &pinScales[i], true
		}
	}
	return &pinScales[0], false
}

// reading converts a resistance at the table's temperature, straight between the columns in log R.
func (s *PinScale) reading(r quantity.Ohm) (quantity.MoistureContent, bool) {
	mohm := float64(r) / 1e6
	if !(mohm <= s.megohm[0] && mohm >= s.megohm[pinColumns-1]) {
		return 0, false
	}
	for i := 1; i < pinColumns; i++ {
		if high, low := s.megohm[i-1], s.megohm[i]; mohm >= low {
			share := 0.0
			if high > low { // two columns of white ash print the same figure
				share = math.Log(high/mohm) / math.Log(high/low)
			}
			return PinMinMoisture + quantity.MoistureContent(float64(i-1)+share), true
		}
	}
	return 0, false
}

// TemperatureCorrected gives the moisture of wood at temperature t from the reading of a meter on the Douglas-fir scale:
// Pfaff and Garrahan 1986, Forest Prod. J. 36(3):28-30, with a = 1, b = 0; formula from memory; below fibre saturation, about
// -20 to 60 C. Hot wood reads high. CheckPinReading tells a person where it holds.
func TemperatureCorrected(reading quantity.MoistureContent, t quantity.Celsius) quantity.MoistureContent {
	x := float64(t)
	return quantity.MoistureContent((float64(reading) + 0.567 - 0.0260*x + 0.000051*x*x) / (0.881 * math.Pow(1.0056, x)))
}

// atTableTemperature gives what the meter would read on the same wood at the table's temperature.
func atTableTemperature(reading quantity.MoistureContent, t quantity.Celsius) quantity.MoistureContent {
	const x = pinTableTemperature
	offset := 0.567 - 0.0260*x + 0.000051*x*x
	return TemperatureCorrected(reading, t)*quantity.MoistureContent(0.881*pinTableGrowth) - quantity.MoistureContent(offset)
}

// pinTableGrowth is 1.0056^27.
const pinTableGrowth = 1.1627387502310267

// Ohms gives the resistance of wood at a moisture and the table's temperature, straight between the columns in log R. NaN
// outside 7 to 25 %.
func (s *PinScale) Ohms(m quantity.MoistureContent) quantity.Ohm {
	if !(m >= PinMinMoisture && m <= PinMaxMoisture) {
		return quantity.Ohm(math.NaN())
	}
	i := min(int(m-PinMinMoisture), pinColumns-2)
	share := float64(m-PinMinMoisture) - float64(i)
	return quantity.Ohm(1e6 * s.megohm[i] * math.Pow(s.megohm[i+1]/s.megohm[i], share))
}

// MeterMoisture corrects the reading of a meter on the Douglas-fir scale for the temperature of the wood, then for the species:
// the moisture at which its row of the resistance table has what Douglas-fir has. scale is the row taken; own is as in
// PinScaleFor. sigma is as in PinScale.Moisture. The error says in one sentence where the correction does not hold.
func MeterMoisture(reading quantity.MoistureContent, t quantity.Celsius, s *Species) (mc, sigma quantity.MoistureContent, scale *PinScale, own bool, err error) {
	if err := CheckPinReading(reading, t); err != nil {
		return 0, 0, nil, false, err
	}
	corrected := TemperatureCorrected(reading, t)
	scale, own = PinScaleFor(s)
	beyond := func() error {
		return fmt.Errorf("pin reading %v in wood at %s stands for a moisture outside %v to %v, where the table of resistances ends", reading, both(t), PinMinMoisture, PinMaxMoisture)
	}
	if !(corrected >= PinMinMoisture && corrected <= PinMaxMoisture) {
		return 0, 0, nil, false, beyond()
	}
	mc, ok := scale.reading(pinScales[0].Ohms(corrected))
	if !ok {
		return 0, 0, nil, false, beyond()
	}
	return mc, pinSigma(mc), scale, own, nil
}

// Moisture converts the resistance between pins in wood of temperature t. sigma is one standard deviation: 0.8 points to
// 12 %, 1.2 to 18 %, 2 to 22 %, 4 above (common practice, no source). ok is false where table or correction do not hold: moisture outside
// 7 to 25 %, temperature outside -20 to 60 C, no number.
func (s *PinScale) Moisture(r quantity.Ohm, t quantity.Celsius) (mc, sigma quantity.MoistureContent, ok bool) {
	reading, ok := s.reading(r)
	if !ok || !(t >= PinMinTemperature && t <= PinMaxTemperature) {
		return 0, 0, false
	}
	mc = atTableTemperature(reading, t)
	if !(mc >= PinMinMoisture-1e-9 && mc <= PinMaxMoisture+1e-9) {
		return 0, 0, false
	}
	return mc, pinSigma(mc), true
}

func pinSigma(mc quantity.MoistureContent) quantity.MoistureContent {
	switch {
	case mc <= 12:
		return 0.8
	case mc <= 18:
		return 1.2
	case mc <= 22:
		return 2
	}
	return 4
}

// PinMoisture converts on the Douglas-fir scale; see PinScale.Moisture.
func PinMoisture(r quantity.Ohm, t quantity.Celsius) (mc, sigma quantity.MoistureContent, ok bool) {
	return pinScales[0].Moisture(r, t)
}

// CheckPinReading says in one sentence why a meter reading at this temperature cannot be converted, or nothing.
func CheckPinReading(reading quantity.MoistureContent, t quantity.Celsius) error {
	switch {
	case !(t >= PinMinTemperature && t <= PinMaxTemperature):
		return fmt.Errorf("pin reading in wood at %s: the correction holds from %s to %s", both(t), both(PinMinTemperature), both(PinMaxTemperature))
	case !(reading >= PinMinMoisture && reading <= PinMaxMoisture):
		return fmt.Errorf("pin reading %v: a meter means something from %v to %v only, above fiber saturation nothing", reading, PinMinMoisture, PinMaxMoisture)
	}
	return nil
}
