package wood_test

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"drywarden/hardware/quantity"
	"drywarden/schedule/wood"
)

// Hyland and Wexler 1983 in the form of ASHRAE Fundamentals 2017 (computed by PsychroLib), and the IAPWS steam tables (from
// memory, five figures).
func TestSaturationPressureAgainstPublished(t *testing.T) {
	for _, r := range reference(t, "saturation_pressure_checks.csv") {
		c := quantity.Celsius(r.number(t, "t_c"))
		got := float64(wood.SaturationPressure(c)) / 1000
		require.InEpsilon(t, r.number(t, "psat_ashrae_kpa"), got, 3e-5, "ASHRAE at %v", c)
		require.InEpsilon(t, r.number(t, "psat_iapws_kpa"), got, 6e-4, "IAPWS at %v", c)
	}
}

// Over ice: Wagner, Riethmann, Feistel and Harvey 2011 (IAPWS R14-08), a different published equation; formula and
// coefficients from memory.
func TestSaturationPressureOverIce(t *testing.T) {
	a := []float64{-0.212144006e2, 0.273203819e2, -0.610598130e1}
	b := []float64{0.333333333e-2, 0.120666667e1, 0.170333333e1}
	for c := -50.0; c <= 0; c += 5 {
		theta := (c + 273.15) / 273.16
		sum := 0.0
		for i := range a {
			sum += a[i] * math.Pow(theta, b[i])
		}
		want := 611.657 * math.Exp(sum/theta)
		require.InEpsilon(t, want, float64(wood.SaturationPressure(quantity.Celsius(c))), 2e-3, "at %v C", c)
	}
}

func TestSaturationPressureOutsideItsEquations(t *testing.T) {
	for _, c := range []float64{-100.1, 200.1, math.NaN(), math.Inf(1)} {
		require.True(t, math.IsNaN(float64(wood.SaturationPressure(quantity.Celsius(c)))), "%v C", c)
	}
}

// States computed by PsychroLib 2.5.0 (ASHRAE Fundamentals 2017, ch. 1).
func TestMoistAirAgainstPsychroLib(t *testing.T) {
	rows := reference(t, "psychro_library_states.csv")
	require.GreaterOrEqual(t, len(rows), 70)
	for _, r := range rows {
		db, rh, p := quantity.Celsius(r.number(t, "tdb_c")), quantity.Ratio(r.number(t, "rh_frac")), quantity.Pascal(r.number(t, "p_pa"))
		w := wood.HumidityRatio(db, rh, p)
		require.InDelta(t, r.number(t, "psat_pa"), float64(wood.SaturationPressure(db)), 0.02+1e-5*r.number(t, "psat_pa"), "%v", r)
		require.InDelta(t, r.number(t, "pv_pa"), float64(wood.VaporPressure(db, rh)), 0.02+1e-5*r.number(t, "pv_pa"), "%v", r)
		require.InDelta(t, r.number(t, "w_kg_per_kg_da"), w, 1e-6+2e-5*w, "%v", r)
		require.InDelta(t, r.number(t, "tdp_c"), float64(wood.DewPoint(db, rh)), 0.01, "%v", r)
		require.InDelta(t, r.number(t, "h_j_per_kg_da"), wood.Enthalpy(db, w), 5+2e-5*wood.Enthalpy(db, w), "%v", r)
		require.InDelta(t, r.number(t, "rho_kg_per_m3"), float64(wood.Density(db, rh, p)), 1e-4, "%v", r)
		wb := quantity.Celsius(r.number(t, "twb_c"))
		require.InDelta(t, float64(wb), float64(wood.WetBulb(db, rh, p)), 0.1, "%v", r)
		require.InDelta(t, float64(rh), float64(wood.RHFromWetBulb(db, wb, p)), 0.003, "%v", r)
	}
}

// psychroLibWetBulb restates PsychroLib 2.5.0's GetTWetBulbFromHumRatio: bisection between dew point and dry bulb to 0.001 K
// of ASHRAE eq. 33 and 35, with its own saturation formula of T in kelvin, written here term by term.
func psychroLibWetBulb(db, rh, p float64) (wb float64, ok bool) {
	saturation := func(c float64) float64 {
		t := c + 273.15
		if c <= 0.01 {
			return math.Exp(-5.6745359e+03/t + 6.3925247 - 9.677843e-03*t + 6.2215701e-07*math.Pow(t, 2) + 2.0747825e-09*math.Pow(t, 3) - 9.484024e-13*math.Pow(t, 4) + 4.1635019*math.Log(t))
		}
		return math.Exp(-5.8002206e+03/t + 1.3914993 - 4.8640239e-02*t + 4.1764768e-05*math.Pow(t, 2) - 1.4452093e-08*math.Pow(t, 3) + 6.5459673*math.Log(t))
	}
	ratio := func(pv float64) float64 { return 0.621945 * pv / (p - pv) }
	target := ratio(rh * saturation(db))
	atWetBulb := func(wb float64) float64 {
		ws := ratio(saturation(wb))
		if saturation(wb) >= p {
			return math.Inf(1)
		}
		if wb >= 0 {
			return ((2501-2.326*wb)*ws - 1.006*(db-wb)) / (2501 + 1.86*db - 4.186*wb)
		}
		return ((2830-0.24*wb)*ws - 1.006*(db-wb)) / (2830 + 1.86*db - 2.1*wb)
	}
	// Where both forms have a solution the answer of a bisection depends on where it started.
	if db > 0 && target >= atWetBulb(0) && target <= atWetBulb(-1e-9) {
		return 0, false
	}
	low, high := -100.0, db
	for high-low > 1e-5 {
		if mid := (low + high) / 2; atWetBulb(mid) > target {
			high = mid
		} else {
			low = mid
		}
	}
	return (low + high) / 2, true
}

// The whole range in which moist-air figures are promised: -20 to 100 C, 300 to 1100 hPa, vapour under 0.9 of the pressure.
func TestWetBulbAndItsInverseOverTheWholeRange(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		db := quantity.Celsius(rapid.Float64Range(-20, 100).Draw(t, "dry bulb"))
		rh := quantity.Ratio(rapid.Float64Range(0.005, 1).Draw(t, "rh"))
		p := quantity.Pascal(rapid.Float64Range(30000, 110000).Draw(t, "pressure"))
		if wood.VaporPressure(db, rh) >= 0.9*p {
			return
		}
		wb := wood.WetBulb(db, rh, p)
		require.LessOrEqual(t, wb, db)
		require.InDelta(t, float64(rh), float64(wood.RHFromWetBulb(db, wb, p)), 1e-6, "round trip")
		require.InDelta(t, wood.HumidityRatio(db, rh, p), wood.HumidityRatio(wood.DewPoint(db, rh), 1, p), 1e-8+1e-6*wood.HumidityRatio(db, rh, p))
		require.InDelta(t, float64(rh), float64(wood.RHFromHumidityRatio(db, wood.HumidityRatio(db, rh, p), p)), 1e-9)
		if want, ok := psychroLibWetBulb(float64(db), float64(rh), float64(p)); ok {
			require.InDelta(t, want, float64(wb), 0.001)
		}
	})
}

// The psychrometer column rests on the same WMO-No. 8 form (computed with another program); the thermodynamic one on
// PsychroLib.
func TestRHFromWetBulbAgainstTables(t *testing.T) {
	for _, r := range reference(t, "rh_emc_from_wetbulb.csv") {
		db, wb := quantity.FromFahrenheit(r.number(t, "drybulb_f")), quantity.FromFahrenheit(r.number(t, "wetbulb_f"))
		rh := wood.RHFromWetBulb(db, wb, wood.StandardPressure)
		require.InDelta(t, r.number(t, "rh_pct_thermodynamic"), 100*float64(rh), 0.06, "%v", r)
		require.InDelta(t, r.number(t, "rh_pct_psychrometer"), 100*float64(wood.RHFromPsychrometer(db, wb, wood.StandardPressure)), 0.06, "%v", r)
		require.InDelta(t, r.number(t, "emc_pct"), float64(wood.EMC(db, rh)), 0.03, "%v", r)
	}
}

func TestImpossibleReadingsShow(t *testing.T) {
	require.Greater(t, float64(wood.RHFromWetBulb(40, 41, wood.StandardPressure)), 1.0)
	require.Greater(t, float64(wood.RHFromPsychrometer(40, 41, wood.StandardPressure)), 1.0)
	require.Less(t, float64(wood.RHFromWetBulb(40, 5, wood.StandardPressure)), 0.0)
	require.True(t, math.IsNaN(float64(wood.WetBulb(100, 1, 100000))), "more vapour than pressure")
	require.True(t, math.IsNaN(float64(wood.WetBulb(40, 1.01, wood.StandardPressure))))
	require.True(t, math.IsNaN(float64(wood.DewPoint(40, 0))))
}

// ICAO standard atmosphere (Doc 7488): 89874.6 Pa at 1000 m, 79495.2 Pa at 2000 m; from memory.
func TestStationPressureAgainstStandardAtmosphere(t *testing.T) {
	for altitude, want := range map[quantity.Meter]float64{0: 101325, 1000: 89874.6, 2000: 79495.2} {
		require.InEpsilon(t, want, float64(wood.StationPressure(altitude)), 2e-4)
	}
}

// Thinner air: 120/100 F is 50.0 % RH at sea level and 51.0 % at 1500 m (computed with PsychroLib).
func TestWetBulbDependsOnPressure(t *testing.T) {
	db, wb := quantity.FromFahrenheit(120), quantity.FromFahrenheit(100)
	require.InDelta(t, 0.500, float64(wood.RHFromWetBulb(db, wb, wood.StandardPressure)), 0.0006)
	require.InDelta(t, 0.510, float64(wood.RHFromWetBulb(db, wb, wood.StationPressure(1500))), 0.0006)
}

var sink float64

func BenchmarkWetBulb(b *testing.B) {
	b.ReportAllocs()
	for i := range b.N {
		sink += float64(wood.WetBulb(45, quantity.Ratio(0.2+0.7*float64(i%16)/16), wood.StandardPressure))
	}
}

func BenchmarkRHFromWetBulb(b *testing.B) {
	b.ReportAllocs()
	for i := range b.N {
		sink += float64(wood.RHFromWetBulb(45, quantity.Celsius(30+i%10), wood.StandardPressure))
	}
}

func BenchmarkDewPoint(b *testing.B) {
	b.ReportAllocs()
	for i := range b.N {
		sink += float64(wood.DewPoint(45, quantity.Ratio(0.2+0.7*float64(i%16)/16)))
	}
}

// A frozen wick gives up the heat of sublimation: its coefficient is that of a wet one times 2501/2834, the latent heats at
// 0 C (ASHRAE Fundamentals 2017, ch. 1).
func TestFrozenWick(t *testing.T) {
	const below, above = -0.001, 0.0
	for db := 1.0; db < 5; db++ {
		frozen := float64(wood.RHFromPsychrometer(quantity.Celsius(db), below, wood.StandardPressure))
		wet := float64(wood.RHFromPsychrometer(quantity.Celsius(db), above, wood.StandardPressure))
		saturation := float64(wood.SaturationPressure(quantity.Celsius(db)))
		atZero := float64(wood.SaturationPressure(0))
		require.InDelta(t, (atZero-wet*saturation)*2501/2834, atZero-frozen*saturation, 0.15, "Pa below saturation")
	}
}
