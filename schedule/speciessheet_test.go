package schedule

import (
	"errors"
	"testing"

	"github.com/stretchr/testify/require"

	"drywarden/schedule/sheet"
	"drywarden/schedule/wood"
)

const appleFile = `[[species]]
name = "apple"
scientific = "Malus domestica"
also = ["apple wood"]
source = "invented"
group = "moderate"
basic_gravity = 0.61
green_heart = "81 %"
safe_rate = "4 %/d"
green_dry_bulb_max = "118 F"
dry_bulb_max = "70 C"
schedule_as = "cherry, black"
`

func TestParseSpecies(t *testing.T) {
	table, err := ParseSpecies("own.toml", []byte(appleFile))
	require.NoError(t, err)
	s, err := table.Lookup("apple wood")
	require.NoError(t, err)
	require.Equal(t, "operator's own: invented", s.Status)
	require.InDelta(t, 1.6, float64(s.SafeRate84), 1e-9)
	require.InDelta(t, 81, float64(s.GreenHeart), 1e-9)
	require.InDelta(t, 47.78, float64(s.GreenMaxDryBulb), 0.01)
}

// Every key arrives in its own field.
func TestParseSpeciesReadsEveryKey(t *testing.T) {
	table, err := ParseSpecies("own.toml", []byte(`[[species]]
name = "larch, hybrid"
scientific = "Larix x eurolepis"
also = ["larch, Dunkeld"]
source = "invented"
group = "easy"
softwood = true
basic_gravity = 0.45
gravity_12 = 0.5
green_heart = "50 %"
green_sap = "120 %"
shrink_radial = "4 %"
shrink_tangential = "8 %"
shrink_volumetric = "12 %"
safe_rate = "10 %/d"
safe_rate_84 = "3 %/d"
green_dry_bulb_max = "60 C"
dry_bulb_max = "80 C"
schedule_as = "aspen"
note = "resin"
`))
	require.NoError(t, err)
	require.Equal(t, []wood.Species{{Name: "larch, hybrid", Scientific: "Larix x eurolepis", Aliases: []string{"larch, Dunkeld"}, Group: wood.Easy, Softwood: true,
		BasicGravity: 0.45, Gravity12: 0.5, GreenHeart: 50, GreenSap: 120, ShrinkRadial: 0.04, ShrinkTangential: 0.08, ShrinkVolumetric: 0.12,
		SafeRate: 10, SafeRate84: 3, GreenMaxDryBulb: 60, MaxDryBulb: 80, IndexName: "aspen", Note: "resin", Status: "operator's own: invented"}}, table.Own())
}

func TestParseSpeciesTellsEveryFault(t *testing.T) {
	_, err := ParseSpecies("own.toml", []byte(`[[species]]
name = "apple"
source = ""
group = "soft"
basic_gravity = 3.0
green_heart = "81"
green_dry_bulb_max = "90 C"
dry_bulb_max = "70 C"
schedule_as = "cheery"
colour = "red"

[[species]]
name = "walnut"
`))
	var faults *sheet.Faults
	require.True(t, errors.As(err, &faults))
	at := map[string]int{}
	for _, f := range faults.List {
		at[f.Key] = f.Line
	}
	require.Equal(t, map[string]int{
		"species[1].source": 3, "species[1].group": 4, "species[1].basic_gravity": 5, "species[1].green_heart": 6, "species[1].green_dry_bulb_max": 7,
		"species[1].schedule_as": 9, "species[1].colour": 10,
		"species[2].source": 12, "species[2].group": 12, "species[2].basic_gravity": 12, "species[2].green_dry_bulb_max": 12, "species[2].dry_bulb_max": 12,
	}, at)
	_, err = ParseSpecies("own.toml", []byte(appleFile+"[[species]]\nname = \"walnut\"\nsource = \"x\"\ngroup = \"easy\"\nbasic_gravity = 0.5\ngreen_dry_bulb_max = \"40 C\"\ndry_bulb_max = \"60 C\"\n"))
	require.ErrorContains(t, err, `the name "walnut" means walnut, black already`)
}

// FuzzSpecies reads any text as a file of own species. What is taken passes the same checks as the published rows, and
// makes a charge that resolves or is refused.
func FuzzSpecies(f *testing.F) {
	f.Add([]byte(appleFile))
	f.Add([]byte("[[species]]\nname = \"oak, red\"\n"))
	f.Add([]byte("species = 1\n[[species]]\n"))
	f.Fuzz(func(t *testing.T, text []byte) {
		table, err := ParseSpecies("own.toml", text)
		if err != nil {
			require.IsType(t, &sheet.Faults{}, err)
			require.Empty(t, table.Own())
			return
		}
		for _, s := range table.Own() {
			require.NoError(t, s.Validate())
		}
	})
}
