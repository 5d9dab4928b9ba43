package main

import (
	"fmt"
	"math"

	"github.com/spf13/cobra"

	"drywarden/hardware/quantity"
	"drywarden/schedule/wood"
)

// The dry bulbs for which moist air is checked against the reference program.
const (
	coldestAir quantity.Celsius = -20
	hottestAir quantity.Celsius = 100

	rounding = 1e-9
)

func (a *app) airCommand() *cobra.Command {
	var (
		state moistAir
		where station
	)
	cmd := &cobra.Command{
		Use:   "air",
		Short: "Calculate moist air and the moisture that wood comes to in it",
		Long: `air takes a dry bulb and one more property of the air, and gives the others,
with the equilibrium moisture content of wood in it (EMC). The wet bulb is the
thermodynamic one, which a wick in moving air comes close to (2.5 m/s or more).

Moist air by ASHRAE Fundamentals 2017 ch. 1 (Hyland and Wexler 1983), from -20
C to 100 C and 300 to 1100 hPa; EMC by Hailwood and Horrobin (Simpson 1973),
from 30 F to 210 F and up to 98 % relative humidity; outside there is none.

JSON: dry_bulb_celsius, wet_bulb_celsius, dew_point_celsius (null in bone-dry
air), relative_humidity_ratio, humidity_ratio_kg_per_kg,
vapor_pressure_pascals, enthalpy_joules_per_kg, emc_percent (null where the
equation does not hold, with emc_note), depression_kelvin, density_kg_per_m3,
pressure_pascals, and with --wet-bulb or --depression
ventilated_wick_relative_humidity_ratio.`,
		Example: `  drywarden air --dry-bulb 110F --wet-bulb 106F
  drywarden air --dry-bulb "45 C" --emc "12 %" --altitude "1200 ft"`,
		Args: cobra.NoArgs,
	}
	in := &inputs{cmd: cmd}
	in.add(&state.dryBulb, "dry-bulb", "dry-bulb `temperature`, like 110F or \"43.3 C\"")
	in.add(&state.wetBulb, "wet-bulb", "wet-bulb `temperature`")
	in.add(&state.depression, "depression", "dry bulb less wet bulb, a `difference` like 4Fd or \"2.2 K\"")
	in.add(&state.rh, "rh", "relative `humidity`, like \"85 %\"")
	in.add(&state.dewPoint, "dew-point", "dew-point `temperature`")
	in.add(&state.emc, "emc", "equilibrium moisture `content` of wood, like \"12 %\"")
	where.flags(in)
	cmd.RunE = act(func(*cobra.Command, []string) error {
		if err := in.read("dry-bulb"); err != nil {
			return err
		}
		by, err := in.oneOf("wet-bulb", "depression", "rh", "dew-point", "emc")
		if err != nil {
			return err
		}
		if state.pressure, err = where.at(in, wood.StandardPressure); err != nil {
			return err
		}
		if err := state.solve(by); err != nil {
			return wrong(err)
		}
		return a.printAir(state.told())
	})
	return cmd
}

// moistAir is a state of the air, given by the dry bulb and one of the others.
type moistAir struct {
	dryBulb, wetBulb, dewPoint quantity.Celsius
	depression                 quantity.CelsiusDelta
	rh                         quantity.Ratio
	emc                        quantity.MoistureContent
	pressure                   quantity.Pascal
	byWick                     bool
}

// solve finds the relative humidity and the rest. The error says why there is no such air, or none for which the equations
// hold.
func (m *moistAir) solve(by string) error {
	db, p := m.dryBulb, m.pressure
	if !(db >= coldestAir-rounding && db <= hottestAir+rounding) {
		return fmt.Errorf("dry bulb %s is out of range: the figures hold from %s to %s", bothTemperatures(db), bothTemperatures(coldestAir), bothTemperatures(hottestAir))
	}
	var err error
	switch by {
	case "wet-bulb":
		err = m.fromWetBulb(m.wetBulb)
	case "depression":
		if m.depression < 0 {
			return fmt.Errorf("depression %s is negative: the wet bulb is never above the dry bulb", bothDeltas(m.depression))
		}
		err = m.fromWetBulb(db - quantity.Celsius(m.depression))
	case "dew-point":
		if m.dewPoint > db+rounding {
			return fmt.Errorf("dew point %s is above the dry bulb %s: no such air", bothTemperatures(m.dewPoint), bothTemperatures(db))
		}
		m.rh = min(1, wood.RHFromDewPoint(db, m.dewPoint))
	case "emc":
		err = m.fromEMC()
	}
	if err != nil {
		return err
	}
	if vapor := wood.VaporPressure(db, m.rh); vapor >= p {
		return fmt.Errorf("air of %s and %s relative humidity has a vapor pressure of %.0f hPa, more than the air pressure of %.0f hPa: no such air",
			bothTemperatures(db), m.rh, float64(vapor)/100, float64(p)/100)
	}
	if by != "wet-bulb" && by != "depression" {
		m.wetBulb = wood.WetBulb(db, m.rh, p)
	}
	m.depression = db.Sub(m.wetBulb)
	m.dewPoint = wood.DewPoint(db, m.rh)
	m.emc = wood.EMC(db, m.rh)
	return nil
}

func (m *moistAir) fromWetBulb(wb quantity.Celsius) error {
	db, p := m.dryBulb, m.pressure
	if wb > db+rounding {
		return fmt.Errorf("wet bulb %s is above the dry bulb %s: no such air; are the two changed round?", bothTemperatures(wb), bothTemperatures(db))
	}
	rh := wood.RHFromWetBulb(db, wb, p)
	switch lowest := wood.WetBulb(db, 0, p); {
	case math.IsNaN(float64(rh)):
		return fmt.Errorf("wet bulb %s: at %.0f hPa water boils below that", bothTemperatures(wb), float64(p)/100)
	case rh < -rounding:
		return fmt.Errorf("wet bulb %s is too low: bone-dry air of %s has one of %s", bothTemperatures(wb), bothTemperatures(db), bothTemperatures(lowest))
	}
	m.wetBulb, m.rh, m.byWick = wb, max(0, min(1, rh)), true
	return nil
}

func (m *moistAir) fromEMC() error {
	if !(m.dryBulb >= wood.EMCMinTemperature && m.dryBulb <= wood.EMCMaxTemperature) {
		return fmt.Errorf("EMC at %s: the equation holds from %s to %s", bothTemperatures(m.dryBulb), bothTemperatures(wood.EMCMinTemperature), bothTemperatures(wood.EMCMaxTemperature))
	}
	if most := wood.EMC(m.dryBulb, wood.EMCMaxRH); m.emc > most {
		return fmt.Errorf("EMC %s is out of range: at %s the equation holds up to %s %%, which air of %s relative humidity gives", m.emc, bothTemperatures(m.dryBulb),
			plain(float64(most), 1), wood.EMCMaxRH)
	}
	m.rh = wood.RHForEMC(m.dryBulb, m.emc)
	return nil
}

// airJSON is what air --json gives.
type airJSON struct {
	DryBulb       float64  `json:"dry_bulb_celsius"`
	WetBulb       float64  `json:"wet_bulb_celsius"`
	DewPoint      *float64 `json:"dew_point_celsius"`
	RH            float64  `json:"relative_humidity_ratio"`
	HumidityRatio float64  `json:"humidity_ratio_kg_per_kg"`
	VaporPressure float64  `json:"vapor_pressure_pascals"`
	Enthalpy      float64  `json:"enthalpy_joules_per_kg"`
	EMC           *float64 `json:"emc_percent"`
	EMCNote       string   `json:"emc_note,omitempty"`
	Depression    float64  `json:"depression_kelvin"`
	Density       float64  `json:"density_kg_per_m3"`
	Pressure      float64  `json:"pressure_pascals"`
	Wick          *float64 `json:"ventilated_wick_relative_humidity_ratio,omitempty"`
}

func (m *moistAir) told() airJSON {
	w := wood.HumidityRatio(m.dryBulb, m.rh, m.pressure)
	t := airJSON{DryBulb: float64(m.dryBulb), WetBulb: float64(m.wetBulb), DewPoint: finite(m.dewPoint), RH: float64(m.rh), HumidityRatio: w,
		VaporPressure: float64(wood.VaporPressure(m.dryBulb, m.rh)), Enthalpy: wood.Enthalpy(m.dryBulb, w), Depression: float64(m.depression),
		Density: float64(wood.Density(m.dryBulb, m.rh, m.pressure)), Pressure: float64(m.pressure)}
	if err := wood.CheckEMC(m.dryBulb, m.rh); err != nil {
		t.EMCNote = err.Error()
	} else {
		t.EMC = finite(m.emc)
	}
	if m.byWick {
		if wick := wood.RHFromPsychrometer(m.dryBulb, m.wetBulb, m.pressure); wick >= 0 && wick <= 1 {
			t.Wick = finite(wick)
		}
	}
	return t
}

func (a *app) printAir(t airJSON) error {
	if a.json {
		return a.print(t)
	}
	const gramsPerGrain, pascalsPerInch, kilogramsPerPoundPerCubicFoot = 0.06479891, 3386.389, 16.018463
	w := a.columnsOf()
	fahrenheit := func(c float64) float64 { return quantity.Celsius(c).Fahrenheit() }
	row := func(name string, us float64, usDigits int, usUnit string, si float64, siDigits int, siUnit string) {
		fmt.Fprintf(w, "%s\t%s %s\t%s %s\n", name, plain(us, usDigits), usUnit, plain(si, siDigits), siUnit)
	}
	row("dry bulb", fahrenheit(t.DryBulb), 1, "F", t.DryBulb, 2, "C")
	row("wet bulb", fahrenheit(t.WetBulb), 1, "F", t.WetBulb, 2, "C")
	row("depression", t.Depression*1.8, 1, "Fd", t.Depression, 2, "K")
	if t.DewPoint != nil {
		row("dew point", fahrenheit(*t.DewPoint), 1, "F", *t.DewPoint, 2, "C")
	} else {
		fmt.Fprintln(w, "dew point\tnone\tnone")
	}
	fmt.Fprintf(w, "relative humidity\t%s %%\t\n", plain(100*t.RH, 1))
	if t.Wick != nil {
		fmt.Fprintf(w, "  read from a ventilated wick\t%s %%\t\n", plain(100**t.Wick, 1))
	}
	if t.EMC != nil {
		fmt.Fprintf(w, "EMC of wood\t%s %%\t\n", plain(*t.EMC, 1))
	} else {
		fmt.Fprintln(w, "EMC of wood\tnone\t")
	}
	row("humidity ratio", 1000*t.HumidityRatio*0.45359237/gramsPerGrain, 0, "grains/lb", 1000*t.HumidityRatio, 2, "g/kg dry air")
	row("vapor pressure", t.VaporPressure/pascalsPerInch, 3, "inHg", t.VaporPressure/100, 2, "hPa")
	// The US scale has its zero at dry air of 0 F (ASHRAE Fundamentals 2017 ch. 1 eq. 30 in both systems).
	f := fahrenheit(t.DryBulb)
	row("enthalpy", 0.240*f+t.HumidityRatio*(1061+0.444*f), 1, "Btu/lb", t.Enthalpy/1000, 1, "kJ/kg dry air")
	row("density", t.Density/kilogramsPerPoundPerCubicFoot, 4, "lb/ft3", t.Density, 4, "kg/m3")
	row("air pressure", t.Pressure/pascalsPerInch, 2, "inHg", t.Pressure/100, 1, "hPa")
	if err := w.Flush(); err != nil {
		return err
	}
	if t.EMCNote != "" {
		return a.notes([]string{"no EMC: " + t.EMCNote})
	}
	return nil
}
