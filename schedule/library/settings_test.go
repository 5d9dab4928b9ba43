package library_test

import (
	"encoding/csv"
	"os"
	"path/filepath"
	"strconv"
	"testing"

	"github.com/stretchr/testify/require"

	"drywarden/hardware/quantity"
	"drywarden/schedule/library"
	"drywarden/schedule/wood"
)

// Settings by target: the rules of AH-188 ch. 7 (equalizing confirmed by Wengert's text, conditioning from memory), RH and
// depression computed with PsychroLib and the deg F coefficients.
func TestEqualizeAndConditionSettingsAgainstTable(t *testing.T) {
	file, err := os.Open(filepath.Join("..", "..", "testdata", "reference", "equalizing_conditioning.csv"))
	require.NoError(t, err)
	defer file.Close()
	reader := csv.NewReader(file)
	reader.Comment = '#'
	rows, err := reader.ReadAll()
	require.NoError(t, err)
	require.Greater(t, len(rows), 90)
	for _, r := range rows[1:] {
		number := func(i int) float64 {
			v, err := strconv.ParseFloat(r[i], 64)
			require.NoError(t, err)
			return v
		}
		target := quantity.MoistureContent(number(0))
		var emc quantity.MoistureContent
		switch r[1] {
		case "equalize":
			rule := library.LiteralEqualize(target, false)
			require.Equal(t, target, rule.EndWettest)
			require.Equal(t, rule.EMC, rule.StartDriest)
			emc = rule.EMC
		case "cond_soft":
			emc = library.ConditionEMC(target, true)
		case "cond_hard":
			emc = library.ConditionEMC(target, false)
		default:
			t.Fatalf("unknown phase %q", r[1])
		}
		require.InDelta(t, number(2), float64(emc), 1e-9, "%v", r)
		got, err := library.SettingFor(quantity.FromFahrenheit(number(3)), emc, wood.StandardPressure)
		require.NoError(t, err)
		require.InDelta(t, number(4), 100*float64(got.RH), 0.16, "%v", r)
		require.InDelta(t, number(5), float64(got.Depression)*1.8, 0.11, "%v", r)
	}
	require.Equal(t, quantity.MoistureContent(5), library.LiteralEqualize(8, true).EMC)
}

func TestSettingForRefusesWhatNoAirGives(t *testing.T) {
	_, err := library.SettingFor(60, 30, wood.StandardPressure)
	require.ErrorContains(t, err, "set an EMC of 30 %")
	_, err = library.SettingFor(150, 6, wood.StandardPressure)
	require.ErrorContains(t, err, "the equation holds from")
}

func TestVariantsAreMilderAndHotter(t *testing.T) {
	milder, note, err := library.Variant("T6-D4", -1)
	require.NoError(t, err)
	require.Empty(t, note)
	require.Equal(t, "T4-D3", milder)
	end, note, err := library.Variant("T14-F8", 1)
	require.NoError(t, err)
	require.Equal(t, "T14-F8", end)
	require.Contains(t, note, "the tables end at T14 and depression 8")
	_, _, err = library.Variant("T6-D4", 9)
	require.ErrorContains(t, err, "+9 grades, expected -3 to +3")
	_, _, err = library.Variant("X", 1)
	require.Error(t, err)

	for _, code := range library.Codes() {
		base, err := library.Literal(code)
		require.NoError(t, err)
		name, _, err := library.Variant(code, -1)
		require.NoError(t, err)
		mild, err := library.Literal(name)
		require.NoError(t, err)
		for mc := 100.0; mc > 6; mc -= 1 {
			a, b := inForce(base.Steps, mc), inForce(mild.Steps, mc)
			require.LessOrEqual(t, b.DryBulb, a.DryBulb, "%s at %v", code, mc)
			require.LessOrEqual(t, b.Depression, a.Depression, "%s at %v", code, mc)
		}
	}
	got, err := library.Assemble(library.Request{Species: "red oak", Thickness: 0.027, Target: 7, Machine: capped(120), Grades: -1})
	require.NoError(t, err)
	require.Equal(t, "T2-D1", got.Code)
	require.Contains(t, got.Notes, "T2-D1 taken, -1 grades from the published T4-D2")
}

func BenchmarkAssemble(b *testing.B) {
	b.ReportAllocs()
	for b.Loop() {
		if _, err := library.Assemble(library.Request{Species: "red oak", Thickness: 0.027, Target: 7, Machine: capped(120)}); err != nil {
			b.Fatal(err)
		}
	}
}
