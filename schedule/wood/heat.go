package wood

import (
	"errors"
	"fmt"
	"math"
	"time"

	"drywarden/hardware/quantity"
)

// SpecificHeat gives J/kg K of wood at moisture m: Wood Handbook FPL-GTR-190 (2010) eq. 4-16a to 4-18, 7 to 147 C; the term
// of the bound water stops growing at fibre saturation.
func SpecificHeat(t quantity.Celsius, m quantity.MoistureContent) float64 {
	h := heatOf(m, 0)
	return h.capacity(float64(t))
}

// Conductivity gives W/m K across the grain: FPL-GTR-190 eq. 4-15 (specific gravity at m above 0.3, moisture below 25 %, about
// 24 C), with 2.5 % more for every 10 K above (same place: 2 to 3 %). Wetter wood follows the same line: an extrapolation.
func Conductivity(t quantity.Celsius, m quantity.MoistureContent, gravity float64) float64 {
	h := heatOf(m, gravity)
	return h.conductivity(float64(t))
}

// heatProperties are straight lines in temperature: what a heat step needs of a wood at one moisture.
type heatProperties struct {
	capacity0, capacity1         float64 // J/kg K and per kelvin, deg C
	conductivity0, conductivity1 float64 // W/m K and per kelvin, deg C
	density                      float64 // kg/m3
}

func heatOf(m quantity.MoistureContent, gravity float64) heatProperties {
	x := float64(m)
	bound := math.Min(x, float64(FiberSaturation))
	wet := 1 + 0.01*x
	at24 := gravity*(0.1941+0.004064*x) + 0.01864
	return heatProperties{
		capacity0:     1000 * ((0.1031+0.003867*273.15+0.0418*x)/wet + bound*(-0.06191+2.36e-4*273.15-1.33e-4*bound)),
		capacity1:     1000 * (0.003867/wet + bound*2.36e-4),
		conductivity0: at24 * (1 - 0.0025*24),
		conductivity1: at24 * 0.0025,
		density:       waterDensity * gravity * wet,
	}
}

func (h *heatProperties) capacity(celsius float64) float64 { return h.capacity0 + h.capacity1*celsius }

func (h *heatProperties) conductivity(celsius float64) float64 {
	return h.conductivity0 + h.conductivity1*celsius
}

// Section is one board or timber, long against its thickness and width, and the air that heats it.
type Section struct {
	Thickness, Width quantity.Meter
	Gravity          float64 // on the volume at Moisture
	Moisture         quantity.MoistureContent
	Initial          quantity.Celsius // of the wood throughout
	DryBulb, WetBulb quantity.Celsius
	Core             quantity.Celsius // wanted in the middle
	// ComeUp is the time constant with which dry and wet bulb rise to their values from Initial; 0: at once, as for boards
	// carried into a hot kiln. See TimberComeUp.
	ComeUp time.Duration
	// Pressure of the station; 0: sea level.
	Pressure quantity.Pascal
}

const (
	// Convection at the faces of stickered lumber, W/m2K, at 2 to 3 m/s (duct correlation of Dittus and Boelter, computed;
	// entrance effects not counted).
	convection = 15.0

	heatNodes   = 12 // cells of half a side
	maxHeatTime = 30 * 24 * time.Hour
)

// TimberComeUp gives the come-up time constant with which the conduction model fits the confirmed figures of Wood Handbook
// table 20-8 best, for dressed timbers at 25 % moisture: 10 min and 4 min more for each deg F of depression, up to the
// table's 12 F (computed). It stands for the warming of the kiln and for whatever else conduction does not know.
func TimberComeUp(depression quantity.CelsiusDelta) time.Duration {
	f := math.Min(math.Max(float64(depression)*1.8, 0), 12)
	return time.Duration((10 + 4*f) * float64(time.Minute))
}

// Validate reports every figure that is out of its range.
func (s *Section) Validate() error {
	var faults []error
	within := func(what string, v, low, high float64, unit string) {
		if !(v >= low && v <= high) {
			faults = append(faults, fmt.Errorf("%s %.6g%s: expected %g to %g%s", what, v, unit, low, high, unit))
		}
	}
	within("thickness", float64(s.Thickness)*1000, 5, 500, " mm")
	within("width", float64(s.Width)*1000, 5, 1000, " mm")
	within("specific gravity", s.Gravity, 0.2, 1.2, "")
	within("moisture", float64(s.Moisture), 0, 200, " %")
	within("initial temperature", float64(s.Initial), -40, 100, " C")
	within("dry bulb", float64(s.DryBulb), 10, 110, " C")
	within("wet bulb", float64(s.WetBulb), 0, 99, " C")
	within("core temperature", float64(s.Core), 0, 99, " C")
	within("station pressure", float64(s.station()), 50000, 110000, " Pa")
	if s.WetBulb > s.DryBulb {
		faults = append(faults, fmt.Errorf("wet bulb %v is above dry bulb %v: no such air", s.WetBulb, s.DryBulb))
	}
	if s.ComeUp < 0 || s.ComeUp > 7*24*time.Hour {
		faults = append(faults, fmt.Errorf("come-up time %v: expected 0 to 7 days", s.ComeUp))
	}
	return errors.Join(faults...)
}

func (s *Section) station() quantity.Pascal {
	if s.Pressure == 0 {
		return StandardPressure
	}
	return s.Pressure
}

// face is the exchange of a board's face with the air: convection, plus the latent heat of vapour that condenses on a face
// colder than the dew point or evaporates from one whose water activity exceeds the air's. Wet wood (activity 1) therefore
// settles at the wet bulb, dry wood near the dry bulb.
type face struct {
	convection float64 // W/m2K
	activity   float64 // of water at the face
	perPa      float64 // latent heat flux for one pascal, W/m2 Pa
}

func (s *Section) face() face {
	// The psychrometer relation: a face with activity 1 is in balance at the wet bulb.
	f := face{convection: convection, activity: 1, perPa: convection / (psychrometerWater * float64(s.station()))}
	if limit := EMC(60, EMCMaxRH); s.Moisture < limit {
		f.activity = float64(RHForEMC(60, s.Moisture))
	}
	return f
}

// flux gives W/m2 into a face of temperature t, and minus its derivative.
func (f *face) flux(t, dryBulb, vapor float64) (q, slope float64) {
	q, slope = f.convection*(dryBulb-t), f.convection
	ln, rise := lnSaturation(t)
	saturation := math.Exp(ln)
	switch {
	case saturation < vapor:
		q += f.perPa * (vapor - saturation)
		slope += f.perPa * saturation * rise
	case f.activity*saturation > vapor:
		q -= f.perPa * (f.activity*saturation - vapor)
		slope += f.perPa * f.activity * saturation * rise
	}
	return q, slope
}

// settle finds the face temperature that passes on to the wood, over conductance g, what it gets from the air.
func (f *face) settle(start, inside, g, dryBulb, vapor float64) float64 {
	t := start
	for range 4 {
		q, slope := f.flux(t, dryBulb, vapor)
		step := (q - g*(t-inside)) / (slope + g)
		t += step
		if math.Abs(step) < 1e-4 {
			break
		}
	}
	return t
}

// CoreTime gives the time until the middle of the section reaches Core: transient conduction in two dimensions, explicit
// finite volumes on a quarter of the section, properties by temperature and moisture, the moisture unchanged. It is an
// estimate within 25 % of the published times for pine squares; wood that dries while it heats, in air of a wet bulb below
// Core, takes far longer than any conduction model says, and is refused when its face cannot get there at all. The
// exposure itself is measured, never calculated.
func CoreTime(s Section) (time.Duration, error) {
	if err := s.Validate(); err != nil {
		return 0, fmt.Errorf("time for heat to reach the core: %w", err)
	}
	if s.Initial >= s.Core {
		return 0, nil
	}
	if end := s.faceEnd(); end <= float64(s.Core)+0.2 {
		return 0, fmt.Errorf("time for heat to reach the core: in air of %s with a wet bulb of %s the wood comes to rest at %s and never reaches %s; raise the wet bulb above that",
			both(s.DryBulb), both(s.WetBulb), both(quantity.Celsius(end)), both(s.Core))
	}
	seconds, ok := s.solve(heatOf(s.Moisture, s.Gravity), s.face(), heatNodes)
	if !ok {
		return 0, fmt.Errorf("time for heat to reach the core: more than %v", maxHeatTime)
	}
	return time.Duration(seconds * 1e9).Round(time.Second), nil
}

// both writes a temperature for people who read one system of units or the other.
func both(t quantity.Celsius) string {
	return fmt.Sprintf("%.1f F (%.1f C)", t.Fahrenheit(), float64(t))
}

// faceEnd is the temperature at which the wood comes to rest.
func (s *Section) faceEnd() float64 {
	f := s.face()
	vapor := s.vapor(float64(s.DryBulb), float64(s.WetBulb))
	t := float64(s.WetBulb)
	for range 50 {
		q, slope := f.flux(t, float64(s.DryBulb), vapor)
		t += q / slope
	}
	return t
}

// vapor is the vapour pressure by the relation that face uses.
func (s *Section) vapor(dryBulb, wetBulb float64) float64 {
	ln, _ := lnSaturation(wetBulb)
	return math.Max(math.Exp(ln)-psychrometerWater*float64(s.station())*(dryBulb-wetBulb), 0)
}

// solve gives the seconds until the middle reaches Core, on n by n cells of a quarter section.
func (s *Section) solve(h heatProperties, f face, n int) (seconds float64, ok bool) {
	dx, dy := float64(s.Thickness)/2/float64(n), float64(s.Width)/2/float64(n)
	t, next := make([]float64, n*n), make([]float64, n*n)
	for i := range t {
		t[i] = float64(s.Initial)
	}
	xFace, yFace := make([]float64, n), make([]float64, n)
	for i := range n {
		xFace[i], yFace[i] = float64(s.Initial), float64(s.Initial)
	}
	hottest, coldest := math.Max(float64(s.DryBulb), float64(s.Initial)), float64(s.Initial)
	diffusivity := h.conductivity(hottest) / (h.density * h.capacity(coldest))
	dt := 0.9 / (diffusivity * (3/(dx*dx) + 3/(dy*dy)))
	core, last := float64(s.Core), float64(s.Initial)
	for at := 0.0; at < maxHeatTime.Seconds(); at += dt {
		dryBulb, wetBulb := s.air(at + dt/2)
		vapor := s.vapor(dryBulb, wetBulb)
		for i := range n {
			edge := t[(n-1)*n+i]
			xFace[i] = f.settle(xFace[i], edge, 2*h.conductivity(edge)/dx, dryBulb, vapor)
			edge = t[i*n+n-1]
			yFace[i] = f.settle(yFace[i], edge, 2*h.conductivity(edge)/dy, dryBulb, vapor)
		}
		h.step(t, next, xFace, yFace, n, dx, dy, dt)
		t, next = next, t
		// The middle lies half a cell beyond the first; the temperature is even about it.
		middle := t[0] + (t[0]-t[1])/8 + (t[0]-t[n])/8
		if middle >= core {
			return at + dt*(core-last)/(middle-last), true
		}
		last = middle
	}
	return 0, false
}

// air gives dry and wet bulb at a time.
func (s *Section) air(at float64) (dryBulb, wetBulb float64) {
	left := 0.0
	if s.ComeUp > 0 {
		left = math.Exp(-at / s.ComeUp.Seconds())
	}
	return float64(s.DryBulb) - left*float64(s.DryBulb-s.Initial), float64(s.WetBulb) - left*float64(s.WetBulb-s.Initial)
}

// step moves the quarter section on by dt: cell (i, j) at i*n+j, i across the thickness from the middle, j across the width.
func (h *heatProperties) step(t, next, xFace, yFace []float64, n int, dx, dy, dt float64) {
	ix, iy := 1/(dx*dx), 1/(dy*dy)
	for i := range n {
		for j := range n {
			at := i*n + j
			here := t[at]
			gain := 0.0
			if i > 0 {
				gain += h.between(here, t[at-n]) * ix
			}
			if i < n-1 {
				gain += h.between(here, t[at+n]) * ix
			} else {
				gain += 2 * h.conductivity(here) * (xFace[j] - here) * ix
			}
			if j > 0 {
				gain += h.between(here, t[at-1]) * iy
			}
			if j < n-1 {
				gain += h.between(here, t[at+1]) * iy
			} else {
				gain += 2 * h.conductivity(here) * (yFace[i] - here) * iy
			}
			next[at] = here + dt*gain/(h.density*h.capacity(here))
		}
	}
}

// between is conductivity at the mean temperature times the difference.
func (h *heatProperties) between(here, there float64) float64 {
	return h.conductivity((here+there)/2) * (there - here)
}

// PublishedBound99 is the table's 99 % bound over its time: 1.43 to 1.46 in every confirmed figure of Wood Handbook
// FPL-GTR-190 table 20-8.
const PublishedBound99 = 1.46

// PublishedCoreTime gives the time for the middle of a stickered ponderosa pine square to reach 133 F in a kiln at 160 F:
// minutes = exp(4.5872) s^1.6105 d^0.2046 t^-0.5203 with the nominal side s in inches, the depression d and the initial
// temperature t in deg F. It restates the 52 figures of Wood Handbook FPL-GTR-190 table 20-8 (after Simpson, Wang and Verrill
// 2003, FPL-RP-607) within 0.4 %, and is refused outside their range: 4 to 10 in, 2 to 12 F, 40 to 60 F.
func PublishedCoreTime(nominal quantity.Meter, depression quantity.CelsiusDelta, initial quantity.Celsius) (time.Duration, error) {
	inches, d, f := float64(nominal)/0.0254, float64(depression)*1.8, initial.Fahrenheit()
	var faults []error
	const slack = 1e-6
	if !(inches >= 4-slack && inches <= 10+slack) {
		faults = append(faults, fmt.Errorf("side %.3g in: the published times hold from 4 to 10 in (nominal)", inches))
	}
	if !(d >= 2-slack && d <= 12+slack) {
		faults = append(faults, fmt.Errorf("depression %.3g F: the published times hold from 2 to 12 F", d))
	}
	if !(f >= 40-slack && f <= 60+slack) {
		faults = append(faults, fmt.Errorf("initial temperature %.3g F: the published times hold from 40 to 60 F", f))
	}
	if err := errors.Join(faults...); err != nil {
		return 0, fmt.Errorf("published heating time: %w", err)
	}
	minutes := math.Exp(4.5872) * math.Pow(inches, 1.6105) * math.Pow(d, 0.2046) * math.Pow(f, -0.5203)
	return time.Duration(minutes * float64(time.Minute)).Round(time.Second), nil
}
