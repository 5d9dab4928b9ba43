package quantity

import (
	"encoding/json"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// What a program saves it must read back, bit for bit.
func TestJSONRoundTrip(t *testing.T) {
	type all struct {
		A Celsius
		B CelsiusDelta
		C CelsiusPerHour
		D Ratio
		E MoistureContent
		F MoisturePerDay
		G MoisturePerHour
		H Pascal
		I Meter
		J CubicMeter
		K Kilogram
		L KilogramPerHour
		M KilogramPerCubicMeter
		N Watt
		O Joule
		P WattPerKelvin
		Q JoulePerKelvin
		R Ohm
		S Ampere
		T MeterPerSecond
		U CubicMeterPerHour
		V PerHour
		W Duration
	}
	rapid.Check(t, func(t *rapid.T) {
		f := func(name string) float64 { return rapid.Float64Range(-1e12, 1e12).Draw(t, name) }
		want := all{Celsius(f("A")), CelsiusDelta(f("B")), CelsiusPerHour(f("C")), Ratio(f("D")), MoistureContent(f("E")), MoisturePerDay(f("F")),
			MoisturePerHour(f("G")), Pascal(f("H")), Meter(f("I")), CubicMeter(f("J")), Kilogram(f("K")), KilogramPerHour(f("L")),
			KilogramPerCubicMeter(f("M")), Watt(f("N")), Joule(f("O")), WattPerKelvin(f("P")), JoulePerKelvin(f("Q")), Ohm(f("R")), Ampere(f("S")),
			MeterPerSecond(f("T")), CubicMeterPerHour(f("U")), PerHour(f("V")), Duration(rapid.Int64Range(0, 1000).Draw(t, "W") * 1e9)}
		text, err := json.Marshal(want)
		require.NoError(t, err)
		var got all
		require.NoError(t, json.Unmarshal(text, &got))
		require.Equal(t, want, got)
	})
	var c Celsius
	require.NoError(t, json.Unmarshal([]byte(`"110 F"`), &c))
	require.InDelta(t, 43.333, float64(c), 1e-3)
	for _, bad := range []string{`true`, `"110"`, `{}`, `[1]`} {
		require.Error(t, json.Unmarshal([]byte(bad), &c), bad)
	}
}
