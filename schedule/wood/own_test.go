package wood_test

import (
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"drywarden/hardware/quantity"
	"drywarden/schedule/wood"
)

// The published species pass the checks that an operator's own must pass.
func TestPublishedSpeciesPassTheChecksForOwnOnes(t *testing.T) {
	for _, s := range wood.AllSpecies() {
		require.NoError(t, s.Validate(), s.Name)
	}
}

func apple() wood.Species {
	return wood.Species{Name: "apple", Scientific: "Malus domestica", Aliases: []string{"apple wood"}, Group: wood.Moderate, BasicGravity: 0.61,
		GreenMaxDryBulb: 48, MaxDryBulb: 70, Status: "invented"}
}

func TestOwnSpecies(t *testing.T) {
	table, err := wood.NewTable([]wood.Species{apple()})
	require.NoError(t, err)
	for _, name := range []string{"Apple", "wood, apple", "malus domestica"} {
		s, err := table.Lookup(name)
		require.NoError(t, err)
		require.Equal(t, "apple", s.Name)
		require.True(t, s.SafeRateAssumed)
		require.Equal(t, slowest(wood.Moderate), s.SafeRate)
	}
	_, err = table.Lookup("aple")
	require.ErrorContains(t, err, "apple")
	s, err := table.Lookup("red oak")
	require.NoError(t, err)
	require.Equal(t, "oak, northern red", s.Name)
	_, err = wood.LookupSpecies("apple")
	require.Error(t, err, "the published table is untouched")
	require.Len(t, table.All(), len(wood.AllSpecies())+1)

	fast := apple()
	fast.SafeRate = 5
	table, err = wood.NewTable([]wood.Species{fast})
	require.NoError(t, err)
	require.Equal(t, quantity.MoisturePerDay(2), table.Own()[0].SafeRate84, "0.4 of 4/4")
	require.False(t, table.Own()[0].SafeRateAssumed)
}

func slowest(g wood.Group) (rate quantity.MoisturePerDay) {
	for _, s := range wood.AllSpecies() {
		if s.Group == g && !s.SafeRateAssumed && (rate == 0 || s.SafeRate < rate) {
			rate = s.SafeRate
		}
	}
	return rate
}

func TestOwnSpeciesThatCannotBe(t *testing.T) {
	for want, change := range map[string]func(*wood.Species){
		"a name without letters":        func(s *wood.Species) { s.Name = " 12 " },
		"where the figures come from":   func(s *wood.Species) { s.Status = "" },
		"group unknown_9":               func(s *wood.Species) { s.Group = 9 },
		"basic specific gravity 1.2":    func(s *wood.Species) { s.BasicGravity = 1.2 },
		"specific gravity at 12 % 0.5":  func(s *wood.Species) { s.Gravity12 = 0.5 },
		"heartwood 110":                 func(s *wood.Species) { s.GreenHeart = 110 },
		"sapwood 20":                    func(s *wood.Species) { s.GreenSap = 20 },
		"radial shrinkage 13":           func(s *wood.Species) { s.ShrinkRadial = 0.13 },
		"tangential shrinkage 3":        func(s *wood.Species) { s.ShrinkRadial, s.ShrinkTangential = 0.05, 0.03 },
		"volumetric shrinkage 4":        func(s *wood.Species) { s.ShrinkTangential, s.ShrinkVolumetric = 0.08, 0.04 },
		"safe rate 30":                  func(s *wood.Species) { s.SafeRate = 30 },
		"safe rate of 8/4 6":            func(s *wood.Species) { s.SafeRate, s.SafeRate84 = 5, 6 },
		"greatest dry bulb 130":         func(s *wood.Species) { s.MaxDryBulb = 130 },
		"greatest dry bulb while green": func(s *wood.Species) { s.GreenMaxDryBulb = 80 },
	} {
		s := apple()
		change(&s)
		require.ErrorContains(t, s.Validate(), want)
		_, err := wood.NewTable([]wood.Species{s})
		require.Error(t, err)
	}
	redwood, err := wood.LookupSpecies("old-growth redwood")
	require.NoError(t, err)
	require.NoError(t, redwood.CheckMoisture(210), "as the Wood Handbook prints it")
	require.ErrorContains(t, redwood.CheckMoisture(250), "expected 0 % to 218 %")
	clash := apple()
	clash.Aliases = []string{"walnut"}
	_, err = wood.NewTable([]wood.Species{apple(), clash})
	require.ErrorContains(t, err, `the name "walnut" means walnut, black already`)
	require.ErrorContains(t, err, `the name "apple" means apple already`)
}

// James 1988, FPL-GTR-6 table 1, Douglas-fir and red oak (from memory): 120 and 125 Mohm at 12 %.
func TestResistanceOfAMoisture(t *testing.T) {
	oak, err := wood.LookupSpecies("red oak")
	require.NoError(t, err)
	scale, own := wood.PinScaleFor(oak)
	require.True(t, own)
	require.InDelta(t, 125e6, float64(scale.Ohms(12)), 1)
	require.False(t, quantity.Finite(float64(scale.Ohms(6.9))))
	require.False(t, quantity.Finite(float64(scale.Ohms(25.1))))
	rapid.Check(t, func(t *rapid.T) {
		m := quantity.MoistureContent(rapid.Float64Range(7, 25).Draw(t, "moisture"))
		back, _, ok := scale.Moisture(scale.Ohms(m)*(1+1e-12), 27)
		if m < 25 && m > 7.001 {
			require.True(t, ok)
			require.InDelta(t, float64(m), float64(back), 1e-6)
		}
	})
}

// The temperature comes first, as in Pfaff and Garrahan 1986, then the species by its resistances in James 1988, FPL-GTR-6
// table 1 (both from memory): Douglas-fir at 11 % has 265 Mohm, with which hard maple (690 at 10 %, 250 at 11 %) holds 10.94 %.
func TestMeterReadingBySpecies(t *testing.T) {
	fir, err := wood.LookupSpecies("Douglas fir")
	require.NoError(t, err)
	mc, sigma, scale, own, err := wood.MeterMoisture(14, 50, fir)
	require.NoError(t, err)
	require.True(t, own)
	require.Equal(t, "Douglas-fir (coast)", scale.Name)
	require.InDelta(t, float64(wood.TemperatureCorrected(14, 50)), float64(mc), 1e-9)
	require.InDelta(t, 0.8, float64(sigma), 1e-9)

	maple, err := wood.LookupSpecies("hard maple")
	require.NoError(t, err)
	// At 0 C the formula is (reading + 0.567)/0.881.
	mc, _, _, own, err = wood.MeterMoisture(11*0.881-0.567, 0, maple)
	require.NoError(t, err)
	require.True(t, own)
	require.InDelta(t, 10.943, float64(mc), 0.002)

	walnut, err := wood.LookupSpecies("walnut")
	require.NoError(t, err)
	_, _, scale, own, err = wood.MeterMoisture(10, 20, walnut)
	require.NoError(t, err)
	require.False(t, own)
	require.Equal(t, "Douglas-fir (coast)", scale.Name)

	_, _, _, _, err = wood.MeterMoisture(30, 20, fir)
	require.ErrorContains(t, err, "above fiber saturation nothing")
	_, _, _, _, err = wood.MeterMoisture(7, 60, fir)
	require.ErrorContains(t, err, "stands for a moisture outside 7 % to 25 %")
}
