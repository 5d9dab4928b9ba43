package quantity

import (
	"encoding"
	"fmt"
	"math"
	"reflect"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// Conversions are exact by definition: NIST SP 811 (2008), appendix B.
func TestTextForms(t *testing.T) {
	for text, want := range map[string]float64{"110 F": 43.333333, "43.3 C": 43.3, "-40F": -40, "1e2 C": 100} {
		var c Celsius
		require.NoError(t, c.UnmarshalText([]byte(text)), text)
		require.InDelta(t, want, float64(c), 1e-6, text)
	}
	for text, want := range map[string]float64{"5 Fd": 2.777778, "2.8 K": 2.8} {
		var d CelsiusDelta
		require.NoError(t, d.UnmarshalText([]byte(text)), text)
		require.InDelta(t, want, float64(d), 1e-6, text)
	}
	for text, want := range map[string]float64{"840 bf": 840 * 0.002359737216, "2.0 m3": 2, "1 MBF": 2.359737216, "35.3 ft3": 0.99958468} {
		var v CubicMeter
		require.NoError(t, v.UnmarshalText([]byte(text)), text)
		require.InDelta(t, want, float64(v), 1e-6, text)
	}
	for text, want := range map[string]float64{"8/4": 0.052, "4/4": 0.027, "52 mm": 0.052, "3.5in": 0.0889, "12/4": 0.0777, "1200 ft": 365.76} {
		var m Meter
		require.NoError(t, m.UnmarshalText([]byte(text)), text)
		require.InDelta(t, want, float64(m), 1e-9, text)
	}
	for text, want := range map[string]time.Duration{"6 h": 6 * time.Hour, "90 s": 90 * time.Second, "5 min": 5 * time.Minute, "21 d": 504 * time.Hour} {
		var d Duration
		require.NoError(t, d.UnmarshalText([]byte(text)), text)
		require.Equal(t, want, d.Std(), text)
	}
	var m Kilogram
	require.NoError(t, m.UnmarshalText([]byte("12 gal")))
	require.InDelta(t, 45.424941, float64(m), 1e-5)
}

func TestRefused(t *testing.T) {
	for text, to := range map[string]encoding.TextUnmarshaler{
		"110": new(Celsius), "NaN C": new(Celsius), "inf F": new(Celsius), "110 K": new(Celsius), "900 F": new(Celsius),
		"": new(Celsius), "C": new(Celsius), "1.2.3 C": new(Celsius), "-300 C": new(Celsius), "1e400 C": new(Celsius),
		"5 F": new(CelsiusDelta), "0.35": new(Ratio), "135 %": new(Ratio), "-1 %": new(MoistureContent), "2/4": new(Meter),
		"8/8": new(Meter), "30": new(Duration), "30 m": new(Duration), "-5 min": new(Duration),
	} {
		require.Error(t, to.UnmarshalText([]byte(text)), "%T %q", to, text)
	}
	var c Celsius = 7
	require.EqualError(t, c.UnmarshalText([]byte("110")), `"110": unit missing, expected a temperature with its unit (C, F)`)
	require.Equal(t, Celsius(7), c, "a refused text changes nothing")
}

func TestStringReadsBack(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c := Celsius(Quantize(rapid.Float64Range(-99, 399).Draw(t, "c"), 0.01))
		var c2 Celsius
		require.NoError(t, c2.UnmarshalText([]byte(c.String())))
		require.InDelta(t, float64(c), float64(c2), 1e-6)

		w := Watt(Quantize(rapid.Float64Range(0, 1e6).Draw(t, "w"), 1))
		var w2 Watt
		require.NoError(t, w2.UnmarshalText([]byte(w.String())))
		require.InDelta(t, float64(w), float64(w2), 1e-2)

		d := Duration(time.Duration(rapid.Int64Range(0, 1e7).Draw(t, "s")) * time.Second)
		var d2 Duration
		require.NoError(t, d2.UnmarshalText([]byte(d.String())))
		require.Equal(t, d, d2)
	})
}

// FuzzText reads any text as every quantity there is. What is taken is a number, and its own text form is taken too.
func FuzzText(f *testing.F) {
	for _, s := range []string{"110 F", "8/4", "1e9 C", "e", "-", "µ", "12 gal", "1e C", ".C", "3 %/d", "90 s", "5 Fd/h", "1e308 kWh", "0x1p4 C", "1_0 C", "9e18 d", "-0 K"} {
		f.Add(s)
	}
	type text interface {
		encoding.TextUnmarshaler
		fmt.Stringer
	}
	f.Fuzz(func(t *testing.T, written string) {
		for _, to := range []text{new(Celsius), new(CelsiusDelta), new(CelsiusPerHour), new(Ratio), new(MoistureContent), new(MoisturePerDay), new(MoisturePerHour),
			new(Pascal), new(Meter), new(CubicMeter), new(Kilogram), new(KilogramPerHour), new(KilogramPerCubicMeter), new(Watt), new(Joule), new(WattPerKelvin),
			new(JoulePerKelvin), new(Ohm), new(Ampere), new(MeterPerSecond), new(CubicMeterPerHour), new(PerHour), new(Duration)} {
			if to.UnmarshalText([]byte(written)) != nil {
				continue
			}
			v := reflect.ValueOf(to).Elem()
			if v.CanFloat() {
				require.True(t, Finite(v.Float()), "%q became %v", written, v.Float())
			}
			if c, ok := to.(*Celsius); ok {
				require.True(t, *c >= -100 && *c <= 400, "%q became %v", written, *c)
			}
			again := reflect.New(v.Type()).Interface().(text)
			require.NoError(t, again.UnmarshalText([]byte(to.String())), "%q became %q", written, to)
			if d, ok := to.(*Duration); ok {
				require.InEpsilon(t, float64(*d)+1, float64(*again.(*Duration))+1, 1e-12, "%q became %q", written, to) // text holds seconds as a float64
			}
		}
	})
}

func TestFinite(t *testing.T) {
	for _, v := range []float64{0, math.Copysign(0, -1), 1, math.MaxFloat64, -math.MaxFloat64, math.SmallestNonzeroFloat64} {
		require.True(t, Finite(v), v)
	}
	for _, v := range []float64{math.NaN(), math.Inf(1), math.Inf(-1)} {
		require.False(t, Finite(v), v)
	}
}
