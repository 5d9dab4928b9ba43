package simkiln

import (
	"math"
	"sort"
	"strings"

	"drywarden/hardware/quantity"
)

// Parameters is what drying in this model needs of a species. One set serves every thickness and every check of that
// species. A and Mobility are fitted (calibration, not validation); density is the published basic density, FPL-GTR-282 Table 5-3.
type Parameters struct {
	Name     string
	Density  quantity.KilogramPerCubicMeter // oven-dry mass over green volume
	A        float64                        // m2/s, for 27 mm
	Mobility float64                        // of free water above fibre saturation, of the bound-water diffusivity there
	Softwood bool
	// Published, FPL-GTR-190 Tables 4-1 and 4-3 (shrinkage green to oven-dry), 5-1 and 5-3 (from memory).
	Sapwood            quantity.MoistureContent // green, more than heartwood
	Radial, Tangential quantity.Ratio
	Yield              quantity.Ratio // strain across the grain at failure: tension strength over modulus, green
	words              []string       // one of these in a species name picks the set
}

// sets in a fixed order; the first whose words fit wins. Hard maple has no published tension strength across the grain
// (the mean of the others stands in), cherry no published sapwood moisture (as its heartwood); pine is ponderosa.
var sets = []Parameters{
	{"red oak", 560, 1.40e-3, 0.04, false, -11, 0.040, 0.086, 0.0062, []string{"red oak", "oak, northern red", "oak, southern red", "oak, red"}},
	{"white oak", 600, 0.75e-3, 0.03, false, 14, 0.056, 0.105, 0.0078, []string{"white oak", "oak, white", "oak, post", "oak, overcup", "oak"}},
	{"black walnut", 510, 3.0e-3, 0.05, false, -17, 0.055, 0.078, 0.0065, []string{"walnut"}},
	{"hard maple", 560, 1.8e-3, 0.05, false, 7, 0.048, 0.099, 0.0067, []string{"hard maple", "maple, hard", "maple, sugar", "sugar maple"}},
	{"black cherry", 470, 1.9e-3, 0.05, false, 0, 0.037, 0.071, 0.0046, []string{"cherry"}},
	{"yellow-poplar", 400, 4.0e-3, 0.3, false, 23, 0.046, 0.082, 0.0088, []string{"yellow-poplar", "yellow poplar", "tulip", "poplar"}},
	{"pine", 380, 3.5e-3, 0.5, true, 108, 0.039, 0.062, 0.0033, []string{"pine"}},
}

// others gives basic density and kind of species without a set of their own (GTR-282 Table 5-3), so that the nearest
// set can be taken: same kind, nearest density.
var others = []struct {
	word     string
	density  float64
	softwood bool
	slow     bool // refractory: takes an oak set
}{
	{"alder", 370, false, false}, {"ash", 550, false, false}, {"aspen", 350, false, false}, {"basswood", 320, false, false},
	{"beech", 560, false, true}, {"birch, paper", 480, false, false}, {"birch", 550, false, false}, {"butternut", 360, false, false},
	{"cottonwood", 370, false, false}, {"elm", 460, false, false}, {"hickory", 640, false, true}, {"pecan", 600, false, true},
	{"locust", 660, false, true}, {"magnolia", 460, false, false}, {"maple", 490, false, false}, {"sassafras", 420, false, false},
	{"sweetgum", 460, false, false}, {"tupelo", 460, false, false}, {"willow", 360, false, false}, {"baldcypress", 420, true, false},
	{"redcedar", 440, true, false}, {"cedar", 310, true, false}, {"douglas-fir", 450, true, false}, {"fir", 350, true, false},
	{"hemlock", 400, true, false}, {"larch", 480, true, false}, {"redwood", 380, true, false}, {"spruce", 350, true, false},
	{"tamarack", 490, true, false},
}

// ParametersFor gives the set used for a species. exact is false when the species has no set of its own: then the set
// of the nearest density among its kind is used with the species' own density (with a density of 500 when even the
// name is unknown), and the result is an assumption.
func ParametersFor(species string) (p Parameters, exact bool) {
	name := strings.ToLower(strings.TrimSpace(species))
	for _, s := range sets {
		for _, w := range s.words {
			if holdsWord(name, w) {
				return s, true
			}
		}
	}
	density, softwood, slow := 500.0, false, false
	for _, o := range others {
		if holdsWord(name, o.word) {
			density, softwood, slow = o.density, o.softwood, o.slow
			break
		}
	}
	near := append([]Parameters(nil), sets...)
	rank := func(s Parameters) float64 {
		d := math.Abs(float64(s.Density) - density)
		if s.Softwood != softwood {
			d += 1000
		}
		if slow != strings.Contains(s.Name, "oak") {
			d += 500
		}
		return d
	}
	sort.SliceStable(near, func(i, j int) bool { return rank(near[i]) < rank(near[j]) })
	p = near[0]
	p.Density = quantity.KilogramPerCubicMeter(density)
	return p, false
}

// holdsWord tells whether word stands in name at the beginning of a word.
func holdsWord(name, word string) bool {
	for from := 0; ; {
		i := strings.Index(name[from:], word)
		if i < 0 {
			return false
		}
		i += from
		if i == 0 || name[i-1] < 'a' || name[i-1] > 'z' {
			return true
		}
		from = i + 1
	}
}
