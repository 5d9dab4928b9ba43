package wood_test

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"drywarden/hardware/quantity"
	"drywarden/schedule/wood"
)

// Wood Handbook tables 4-1, 4-3 (FPL-GTR-190) and 5-3 (FPL-GTR-282); the file says which cells are confirmed.
func TestSpeciesAgainstWoodHandbook(t *testing.T) {
	rows := reference(t, "species_properties.csv")
	require.Len(t, rows, 52)
	cell := func(r row, column string) float64 {
		if r[column] == "" {
			return 0
		}
		return r.number(t, column)
	}
	for _, r := range rows {
		s, err := wood.LookupSpecies(r["species"])
		require.NoError(t, err)
		require.Equal(t, r["species"], s.Name)
		require.InDelta(t, cell(r, "green_mc_heart_pct"), float64(s.GreenHeart), 1e-9, s.Name)
		require.InDelta(t, cell(r, "green_mc_sap_pct"), float64(s.GreenSap), 1e-9, s.Name)
		require.InDelta(t, cell(r, "shrink_radial_pct"), 100*float64(s.ShrinkRadial), 1e-9, s.Name)
		require.InDelta(t, cell(r, "shrink_tangential_pct"), 100*float64(s.ShrinkTangential), 1e-9, s.Name)
		require.InDelta(t, cell(r, "shrink_volumetric_pct"), 100*float64(s.ShrinkVolumetric), 1e-9, s.Name)
		require.InDelta(t, cell(r, "sg_basic"), s.BasicGravity, 1e-9, s.Name)
		require.InDelta(t, cell(r, "sg_at_12pct"), s.Gravity12, 1e-9, s.Name)
	}
}

// Safe rates of the table in FPL-GTR-118 (from memory): 4/4 and 8/4 as printed, 6/4 by the rule of 0.6, rounded there.
func TestSafeRateAgainstPublished(t *testing.T) {
	rows := reference(t, "max_safe_drying_rate.csv")
	require.Len(t, rows, 13)
	for _, r := range rows {
		s, err := wood.LookupSpecies(r["species"])
		require.NoError(t, err)
		for size, column := range map[string]string{"4/4": "rate_4/4_pct_per_day", "6/4": "rate_6/4_pct_per_day_computed", "8/4": "rate_8/4_pct_per_day"} {
			rate, assumed := wood.SafeRate(s, thickness(t, size))
			require.InDelta(t, r.number(t, column), float64(rate), 0.051, "%s %s", s.Name, size)
			require.False(t, assumed, "%s %s", s.Name, size)
		}
	}
}

func thickness(t testing.TB, text string) (m quantity.Meter) {
	t.Helper()
	require.NoError(t, m.UnmarshalText([]byte(text)))
	return m
}

func TestSafeRateNeverExtrapolatesSilently(t *testing.T) {
	oak, err := wood.LookupSpecies("red oak")
	require.NoError(t, err)
	for text, want := range map[string]bool{"3/4": true, "1 in": false, "4/4": false, "5/4": false, "6/4": false, "8/4": false, "9/4": true, "12/4": true} {
		rate, assumed := wood.SafeRate(oak, thickness(t, text))
		require.Equal(t, want, assumed, text)
		require.Positive(t, float64(rate), text)
		require.LessOrEqual(t, rate, oak.SafeRate, text)
	}
	last := oak.SafeRate
	for mm := 20.0; mm < 150; mm++ {
		rate, _ := wood.SafeRate(oak, quantity.Meter(mm/1000))
		require.LessOrEqual(t, rate, last, "thicker is never faster: %v mm", mm)
		last = rate
	}
	poplar, err := wood.LookupSpecies("yellow-poplar")
	require.NoError(t, err)
	_, assumed := wood.SafeRate(poplar, thickness(t, "4/4"))
	require.True(t, assumed, "none is published")
	rate, assumed := wood.SafeRate(oak, 0)
	require.Zero(t, rate)
	require.True(t, assumed)
}

// A species without a published rate takes the slowest published one of its group.
func TestAssumedRateIsTheSlowestOfTheGroup(t *testing.T) {
	slowest := map[wood.Group]quantity.MoisturePerDay{}
	for _, s := range wood.AllSpecies() {
		if got, seen := slowest[s.Group]; !s.SafeRateAssumed && (!seen || s.SafeRate < got) {
			slowest[s.Group] = s.SafeRate
		}
	}
	for _, s := range wood.AllSpecies() {
		if s.SafeRateAssumed {
			require.Equal(t, slowest[s.Group], s.SafeRate, s.Name)
		}
	}
}

func TestLookupSpecies(t *testing.T) {
	for name, want := range map[string]string{
		"red oak": "oak, northern red", "Oak, Red (upland)": "oak, northern red", "northern red oak": "oak, northern red",
		"QUERCUS RUBRA": "oak, northern red", "oak, red (northern)": "oak, northern red", "black walnut": "walnut, black",
		"walnut": "walnut, black", "maple, hard (sugar)": "maple, sugar", "hard maple": "maple, sugar", "sugar maple": "maple, sugar",
		"maple, soft (red, silver)": "maple, red", "poplar": "yellow-poplar", "Douglas fir": "Douglas-fir, coast",
		"ponderosa pine": "pine, ponderosa", "pine, northern (eastern) white": "pine, eastern white", "sweetgum, sapwood": "sweetgum, sapwood",
		"oak, white (northern)": "oak, white", "eastern redcedar": "redcedar, eastern", "black cherry": "cherry, black",
	} {
		s, err := wood.LookupSpecies(name)
		require.NoError(t, err, name)
		require.Equal(t, want, s.Name, name)
	}
	_, err := wood.LookupSpecies("red oaks")
	require.ErrorContains(t, err, `unknown species "red oaks", nearest: oak, northern red`)
	_, err = wood.LookupSpecies("walnutt")
	require.ErrorContains(t, err, "nearest: walnut, black")
	_, err = wood.LookupSpecies("pine")
	require.Regexp(t, `nearest: pine, .*; pine, .*; pine, `, err.Error())
	_, err = wood.LookupSpecies("")
	require.Error(t, err)
}

// Every name leads to one species only, and every row is fit to run a charge on.
func TestSpeciesTableIsSound(t *testing.T) {
	owner := map[string]string{}
	for _, s := range wood.AllSpecies() {
		for _, name := range append([]string{s.Name, s.Scientific}, s.Aliases...) {
			found, err := wood.LookupSpecies(name)
			require.NoError(t, err)
			require.Equal(t, s.Name, found.Name, "name %q", name)
			require.Empty(t, owner[name], "%q twice", name)
			owner[name] = s.Name
		}
		require.Greater(t, s.BasicGravity, 0.25, s.Name)
		require.Less(t, s.BasicGravity, 0.9, s.Name)
		require.Positive(t, float64(s.SafeRate), s.Name)
		require.InDelta(t, 0.4, float64(s.SafeRate84/s.SafeRate), 0.012, s.Name)
		require.LessOrEqual(t, s.GreenMaxDryBulb, s.MaxDryBulb, s.Name)
		require.GreaterOrEqual(t, float64(s.GreenMaxDryBulb), 40.0, s.Name)
		require.LessOrEqual(t, float64(s.MaxDryBulb), 100.0, s.Name)
		for part, said := range map[string]bool{"safe rate assumed": s.SafeRateAssumed, "safe rate from memory": !s.SafeRateAssumed, "greatest dry bulb": true} {
			require.Equal(t, said, strings.Contains(s.Status, part), "%s: %s", s.Name, part)
		}
	}
}

// Over 8/4: thickness^1.52, the exponent of Tschernitz and Simpson's red-oak drying times, published for 4/4 to 8/4.
func TestSafeRateOverEightQuarters(t *testing.T) {
	oak, err := wood.LookupSpecies("red oak")
	require.NoError(t, err)
	rate, assumed := wood.SafeRate(oak, 2*0.052)
	require.True(t, assumed)
	require.InDelta(t, 0.3487, float64(rate/oak.SafeRate84), 1e-4)
}
