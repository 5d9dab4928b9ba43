package wood_test

import (
	"math"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"drywarden/hardware/quantity"
	"drywarden/schedule/wood"
)

// Worked examples by the formulas of AH-188 ch. 6 (formulas from memory, weights made up, results computed apart), and one
// from Purdue FNR-156: red oak, green 136 g, oven-dry 100 g, is at 36 %.
func TestSampleBoardArithmetic(t *testing.T) {
	want := map[string]float64{}
	for _, r := range reference(t, "stress_and_sample_board_rules.csv") {
		want[r["case"]+" "+r["quantity"]] = r.number(t, "value")
	}
	first, err := wood.SectionMoisture(quantity.Kilogram(want["A section 1 green"]), quantity.Kilogram(want["A section 1 ovendry"]))
	require.NoError(t, err)
	second, err := wood.SectionMoisture(quantity.Kilogram(want["A section 2 green"]), quantity.Kilogram(want["A section 2 ovendry"]))
	require.NoError(t, err)
	require.InDelta(t, want["A section 1 MC"], float64(first), 0.001)
	require.InDelta(t, want["A section 2 MC"], float64(second), 0.001)
	require.InDelta(t, want["A mean MC"], float64(first+second)/2, 0.001)
	ovenDry, err := wood.CalculatedOvenDry(quantity.Kilogram(want["A sample green weight"]), first, second)
	require.NoError(t, err)
	require.InDelta(t, want["A sample ovendry weight (calculated)"], float64(ovenDry), 0.01)
	require.InDelta(t, want["A current MC day 9"], float64(wood.CurrentMoisture(quantity.Kilogram(want["A current weight day 9"]), ovenDry)), 0.002)
	require.InDelta(t, want["A weight at 8 % MC"], float64(wood.WeightAt(ovenDry, 8)), 0.01)

	ovenDry, err = wood.CalculatedOvenDry(quantity.Kilogram(want["B sample green weight"]), quantity.MoistureContent(want["B MC from sections"]))
	require.NoError(t, err)
	require.InDelta(t, want["B sample ovendry weight"], float64(ovenDry), 0.001)
	require.InDelta(t, want["B weight loss in 24 h allowed at 3.8 %/day"], 3.8*float64(wood.WaterPerPoint(ovenDry)), 0.001)

	purdue, err := wood.SectionMoisture(0.136, 0.100)
	require.NoError(t, err)
	require.InDelta(t, 36, float64(purdue), 1e-9)
}

func TestSampleBoardArithmeticRefusesNonsense(t *testing.T) {
	for _, w := range [][2]float64{{0.1, 0}, {0.09, 0.1}, {math.NaN(), 0.1}, {0.1, math.NaN()}, {math.Inf(1), 0.1}} {
		_, err := wood.SectionMoisture(quantity.Kilogram(w[0]), quantity.Kilogram(w[1]))
		require.Error(t, err)
	}
	_, err := wood.CalculatedOvenDry(2)
	require.Error(t, err)
	_, err = wood.CalculatedOvenDry(2, -5)
	require.Error(t, err)
	_, err = wood.CalculatedOvenDry(0, 60)
	require.Error(t, err)
	require.True(t, math.IsNaN(float64(wood.CurrentMoisture(1, 0))))
}

// The error law against the arithmetic itself.
func TestOvenDryErrorLaw(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		m := quantity.MoistureContent(rapid.Float64Range(0, 150).Draw(t, "moisture"))
		relative := rapid.Float64Range(-0.01, 0.01).Draw(t, "error")
		now := wood.WeightAt(1, m)
		shift := m - wood.CurrentMoisture(now, quantity.Kilogram(1+relative))
		require.InDelta(t, float64(wood.OvenDryError(m, quantity.Ratio(relative))), float64(shift), 0.03)
	})
	require.InDelta(t, 1.8, float64(wood.OvenDryError(80, 0.01)), 1e-9)
	require.InDelta(t, 1.07, float64(wood.OvenDryError(7, 0.01)), 1e-9)
}

func TestRebaseRederivesAndNeverEditsWeights(t *testing.T) {
	history := wood.SampleHistory{
		Weighings: []wood.Weighing{{At: 0, Weight: 2.31}, {At: 24 * time.Hour, Weight: 2.2}, {At: 9 * 24 * time.Hour, Weight: 1.892}},
		Bases:     []wood.Basis{{OvenDry: 1.35148, By: "sawyer", Reason: "first sections"}},
	}
	next, change, err := wood.Rebase(history, wood.Basis{At: 10 * 24 * time.Hour, OvenDry: 1.338, By: "sawyer", Reason: "fresh sections at 25 %"})
	require.NoError(t, err)
	require.Equal(t, history.Weighings, next.Weighings)
	require.Len(t, next.Bases, 2, "the old basis stays")
	require.Len(t, history.Bases, 1)
	require.InDelta(t, -0.00997, float64(change.Relative), 1e-5)
	for i, m := range next.Moistures() {
		require.InDelta(t, float64(wood.CurrentMoisture(history.Weighings[i].Weight, 1.338)), float64(m), 1e-9)
		require.InDelta(t, float64(change.Shift[i]), float64(m-history.Moistures()[i]), 1e-9)
		require.InDelta(t, -float64(wood.OvenDryError(history.Moistures()[i], change.Relative)), float64(change.Shift[i]), 0.02)
	}

	_, _, err = wood.Rebase(next, wood.Basis{At: time.Hour, OvenDry: 2})
	for _, part := range []string{"who and why", "older than the one in force", "more than the weighing of 1.892 kg"} {
		require.ErrorContains(t, err, part)
	}
	_, _, err = wood.Rebase(wood.SampleHistory{}, wood.Basis{OvenDry: 1, By: "sawyer", Reason: "x"})
	require.ErrorContains(t, err, "no basis yet")
}

// James 1988, FPL-GTR-6, table 1 (from memory): each printed figure gives back its column at the table's 27 C.
func TestPinMoistureAgainstResistanceTable(t *testing.T) {
	for _, r := range reference(t, "electrical_resistance_mc.csv") {
		for column, text := range r {
			name, found := strings.CutPrefix(column, "r_at_")
			if !found {
				continue
			}
			mc, err := strconv.ParseFloat(strings.TrimSuffix(name, "_pct_mohm"), 64)
			require.NoError(t, err)
			mohm, err := strconv.ParseFloat(text, 64)
			require.NoError(t, err)
			scale := scaleNamed(t, r["species"])
			got, sigma, ok := scale.Moisture(quantity.Ohm(mohm*1e6), 27)
			require.True(t, ok, "%s at %v", r["species"], mc)
			if r["species"] == "ash, white" && mc >= 24 {
				require.InDelta(t, mc, float64(got), 1.001, "the table repeats 0.40")
				continue
			}
			require.InDelta(t, mc, float64(got), 1e-6, "%s at %v", r["species"], mc)
			require.Positive(t, float64(sigma))
		}
	}
}

func scaleNamed(t testing.TB, name string) *wood.PinScale {
	t.Helper()
	for _, s := range wood.AllSpecies() {
		if scale, own := wood.PinScaleFor(&s); own && scale.Name == name {
			return scale
		}
	}
	t.Fatalf("no species uses the row %q", name)
	return nil
}

// Pfaff and Garrahan 1986 (formula from memory, table computed from it apart, rounded to 0.01).
func TestTemperatureCorrectionAgainstTable(t *testing.T) {
	rows := reference(t, "electrical_temperature_correction.csv")
	require.GreaterOrEqual(t, len(rows), 50)
	for _, r := range rows {
		got := wood.TemperatureCorrected(quantity.MoistureContent(r.number(t, "reading_pct")), quantity.Celsius(r.number(t, "wood_temp_c")))
		require.InDelta(t, r.number(t, "corrected_mc_pct"), float64(got), 0.006, "%v", r)
	}
}

func TestPinMoistureOutsideItsRange(t *testing.T) {
	for _, c := range []struct{ mohm, celsius float64 }{{22500, 27}, {0.45, 27}, {0, 27}, {-1, 27}, {math.NaN(), 27}, {math.Inf(1), 27}, {120, 61}, {120, -21}, {120, math.NaN()}, {20000, 60}} {
		_, _, ok := wood.PinMoisture(quantity.Ohm(c.mohm*1e6), quantity.Celsius(c.celsius))
		require.False(t, ok, "%v", c)
	}
	hot, _, ok := wood.PinMoisture(120e6, 49)
	require.True(t, ok)
	require.InDelta(t, 12-0.1*22, float64(hot), 0.4, "James 1988, chart, from memory: about 0.1 point per kelvin at 12 %%")
	require.EqualError(t, wood.CheckPinReading(32, 20), "pin reading 32 %: a meter means something from 7 % to 25 % only, above fiber saturation nothing")
	require.EqualError(t, wood.CheckPinReading(12, 80), "pin reading in wood at 176.0 F (80.0 C): the correction holds from -4.0 F (-20.0 C) to 140.0 F (60.0 C)")
	require.NoError(t, wood.CheckPinReading(12, 45))
}

func TestPinMoistureFallsWithResistance(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c := quantity.Celsius(rapid.Float64Range(0, 55).Draw(t, "temperature"))
		r := math.Exp(rapid.Float64Range(math.Log(0.5e6), math.Log(2e10)).Draw(t, "log ohm"))
		drier, _, ok := wood.PinMoisture(quantity.Ohm(r*1.02), c)
		wetter, _, okToo := wood.PinMoisture(quantity.Ohm(r), c)
		if ok && okToo {
			require.Greater(t, wetter, drier)
			hot, _, okHot := wood.PinMoisture(quantity.Ohm(r), c+5)
			require.True(t, !okHot || hot < wetter, "hot wood reads high")
		}
	})
}

// FPL-GTR-282 eq. 4-9, 4-11, 4-12, 4-14: red oak's printed gravity at 12 % (0.63) follows from its basic gravity and
// shrinkage; every species' does within 0.02 where both are printed and confirmed.
func TestShrinkageAndDensity(t *testing.T) {
	require.InDelta(t, 0.0516, float64(wood.Shrinkage(0.086, 12)), 1e-9)
	require.Zero(t, wood.Shrinkage(0.086, 35))
	oak, err := wood.LookupSpecies("red oak")
	require.NoError(t, err)
	require.InDelta(t, 0.56/(1-0.137*0.6), oak.GravityAt(12), 1e-9)
	require.InDelta(t, 1000*oak.GravityAt(12)*1.12, float64(oak.DensityAt(12)), 1e-9)
	require.InDelta(t, 560*1.8, float64(oak.DensityAt(80)), 1e-9)
	for _, r := range reference(t, "species_properties.csv") {
		if r["status_sg"] == "confirmed" && r["status_shrinkage"] == "confirmed" {
			s, err := wood.LookupSpecies(r["species"])
			require.NoError(t, err)
			require.InDelta(t, s.Gravity12, s.GravityAt(12), 0.025, s.Name)
		}
	}
	buckeye, err := wood.LookupSpecies("buckeye")
	require.NoError(t, err)
	share, estimated := buckeye.VolumetricShrinkage()
	require.True(t, estimated)
	require.InDelta(t, 0.265*0.33, float64(share), 1e-9)
	require.InDelta(t, 100*(1.54-0.56)/(1.54*0.56), float64(wood.MaxMoisture(0.56)), 1e-9)
	require.InDelta(t, 1120, float64(wood.OvenDryMass(2, 0.56)), 1e-9)
	require.InDelta(t, 11.2, float64(wood.WaterPerPoint(1120)), 1e-9)
}

// Heat of sorption computed apart by Clausius and Clapeyron from Simpson's coefficients, kJ/kg.
func TestHeatOfSorptionAgainstTable(t *testing.T) {
	checked := 0
	for _, r := range reference(t, "drying_models.csv") {
		if r["name"] != "differential heat of sorption from HH2" {
			continue
		}
		// "Clausius-Clapeyron on HH2_C at M = 10 %, 45 C: 227"
		words := strings.Fields(strings.NewReplacer("%,", "", ":", "").Replace(r["expression"]))
		number := func(i int) float64 {
			v, err := strconv.ParseFloat(words[i], 64)
			require.NoError(t, err, "%v", words)
			return v
		}
		n := len(words)
		m, c, want := number(n-4), number(n-3), number(n-1)
		got := wood.HeatOfSorption(quantity.Celsius(c), quantity.MoistureContent(m))
		if m < 8 {
			require.True(t, math.IsNaN(got))
			continue
		}
		require.InDelta(t, want, got/1000, 3, "%v", r["expression"])
		checked++
	}
	require.GreaterOrEqual(t, checked, 12)
	require.Zero(t, wood.HeatOfSorption(45, 40))
	// Steam tables: 2406 kJ/kg at 40 C, 2358 at 60 C (from memory).
	require.InDelta(t, 2406e3, wood.HeatOfVaporization(40), 1000)
	require.InDelta(t, 2358e3, wood.HeatOfVaporization(60), 2000)
}

// AH-188 ch. 6 and 7 (from memory).
func TestProngVerdictsAndAdvice(t *testing.T) {
	for _, c := range []struct {
		atOnce, later wood.Bend
		want          wood.Stress
	}{
		{wood.Straight, wood.Straight, wood.StressFree}, {wood.Inward, wood.Straight, wood.GradientOnly},
		{wood.Outward, wood.Straight, wood.GradientOnly}, {wood.Inward, wood.Inward, wood.Casehardened},
		{wood.Straight, wood.Inward, wood.Casehardened}, {wood.Outward, wood.Inward, wood.Casehardened},
		{wood.Straight, wood.Outward, wood.ReverseCasehardened}, {wood.Outward, wood.Outward, wood.ReverseCasehardened},
		{wood.Inward, wood.Outward, wood.ReverseCasehardened},
	} {
		got, err := wood.JudgeProngs(c.atOnce, c.later)
		require.NoError(t, err)
		require.Equal(t, c.want, got, "%v then %v", c.atOnce, c.later)
	}
	_, err := wood.JudgeProngs(9, wood.Straight)
	require.Error(t, err)
	_, err = wood.ParseBend("sideways")
	require.ErrorContains(t, err, "expected straight, inward or outward")

	oak, err := wood.LookupSpecies("red oak")
	require.NoError(t, err)
	pine, err := wood.LookupSpecies("ponderosa pine")
	require.NoError(t, err)
	advice := wood.AdviseConditioning(wood.Casehardened, oak, 0.027, 8)
	require.True(t, advice.Needed)
	require.Equal(t, quantity.MoistureContent(12), advice.EMC)
	require.Equal(t, 16*time.Hour, advice.Shortest)
	require.Equal(t, 24*time.Hour, advice.Longest)
	advice = wood.AdviseConditioning(wood.Casehardened, oak, 0.052, 8)
	require.Equal(t, 48*time.Hour, advice.Longest)
	require.Equal(t, quantity.MoistureContent(11), wood.AdviseConditioning(wood.Casehardened, pine, 0.027, 8).EMC)
	for _, verdict := range []wood.Stress{wood.StressFree, wood.GradientOnly, wood.ReverseCasehardened} {
		advice := wood.AdviseConditioning(verdict, oak, 0.027, 8)
		require.False(t, advice.Needed)
		require.NotEmpty(t, advice.Advice)
	}
}

// FAO ISPM 15 (56 C, 30 min, confirmed) and USDA APHIS T314-a (60 C, 60 min, from memory).
func TestExposureRules(t *testing.T) {
	rules := map[string]wood.Exposure{}
	for _, e := range wood.Exposures() {
		require.NotEmpty(t, e.Source)
		require.NotEmpty(t, e.Caution)
		require.False(t, e.Official && !e.Unbroken, "no public rule here allows a pause")
		rules[e.Name] = e
	}
	require.Equal(t, quantity.Celsius(56), rules["ispm15"].Core)
	require.Equal(t, 30*time.Minute, rules["ispm15"].Time)
	require.True(t, rules["ispm15"].Unbroken)
	require.Equal(t, quantity.Celsius(60), rules["firewood"].Core)
	require.Equal(t, time.Hour, rules["firewood"].Time)
	require.False(t, rules["pitch"].Unbroken, "pitch setting counts hours")
	require.True(t, rules["pitch"].DryBulb)
}

func BenchmarkPinMoisture(b *testing.B) {
	b.ReportAllocs()
	for i := range b.N {
		mc, _, _ := wood.PinMoisture(quantity.Ohm(1e6*float64(1+i%1000)), 45)
		sink += float64(mc)
	}
}

// Common practice, no source.
func TestPinSigmaGrowsWithMoisture(t *testing.T) {
	for mohm, want := range map[float64]float64{630: 0.8, 18.6: 1.2, 2.14: 2, 0.60: 4} { // 10, 15, 20, 24 %
		_, sigma, ok := wood.PinMoisture(quantity.Ohm(mohm*1e6), 27)
		require.True(t, ok)
		require.InDelta(t, want, float64(sigma), 1e-9)
	}
}

// Common practice, from memory: 4 to 8 h for easy 4/4, half for softwoods.
func TestConditioningTimesOfEasyWoods(t *testing.T) {
	poplar, err := wood.LookupSpecies("poplar")
	require.NoError(t, err)
	advice := wood.AdviseConditioning(wood.Casehardened, poplar, 0.027, 8)
	require.Equal(t, [2]time.Duration{4 * time.Hour, 8 * time.Hour}, [2]time.Duration{advice.Shortest, advice.Longest})
	pine, err := wood.LookupSpecies("ponderosa pine")
	require.NoError(t, err)
	advice = wood.AdviseConditioning(wood.Casehardened, pine, 0.027, 8)
	require.Equal(t, [2]time.Duration{2 * time.Hour, 4 * time.Hour}, [2]time.Duration{advice.Shortest, advice.Longest})
}
