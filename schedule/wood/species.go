package wood

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"drywarden/hardware/quantity"
)

// Group says what a species is in danger of.
type Group uint8

// Groups.
const (
	Refractory Group = iota // checks and honeycombs: oak, hickory, beech
	Moderate                // hard maple, cherry, walnut, birch
	Easy                    // poplar, basswood, soft maple, pine: stains when too slow
	groupCount
)

var groupNames = [groupCount]string{"refractory", "moderate", "easy"}

// String gives the group's name.
func (g Group) String() string {
	if int(g) < len(groupNames) {
		return groupNames[g]
	}
	return fmt.Sprintf("unknown_%d", uint8(g))
}

// ParseGroup reads the name that String gives.
func ParseGroup(name string) (Group, error) {
	for i, n := range groupNames {
		if strings.EqualFold(n, strings.TrimSpace(name)) {
			return Group(i), nil
		}
	}
	return 0, fmt.Errorf("unknown group %q, expected one of %s", name, strings.Join(groupNames[:], ", "))
}

// Species is one row of the table. A zero means that no figure is given, never that it is nothing.
type Species struct {
	Name       string // as the handbook writes it: "oak, northern red"
	Scientific string
	Aliases    []string // other names, read only
	Group      Group
	Softwood   bool

	// Green moisture is a prior with a standard deviation of 10 to 15 points, nothing more.
	GreenHeart, GreenSap quantity.MoistureContent
	// Shrinkage from green to oven-dry as a share of the green dimension.
	ShrinkRadial, ShrinkTangential, ShrinkVolumetric quantity.Ratio
	BasicGravity                                     float64 // oven-dry mass over green volume, to water
	Gravity12                                        float64 // oven-dry mass over volume at 12 % moisture

	// SafeRate is the greatest loss in any 24 h for 4/4, SafeRate84 for 8/4, of the fastest sample board, from green to
	// about 20 to 25 %. Assumed: none is published, this is the slowest of the group.
	SafeRate, SafeRate84 quantity.MoisturePerDay
	SafeRateAssumed      bool

	GreenMaxDryBulb quantity.Celsius // greatest dry bulb above fibre saturation
	MaxDryBulb      quantity.Celsius // greatest dry bulb while drying at all
	IndexName       string           // row of the published schedule index; empty: none
	Note            string           // dangers
	Status          string           // which figures are confirmed and which from memory
}

// AllSpecies gives a copy of the table in its order.
func AllSpecies() []Species { return slices.Clone(table[:]) }

// LookupSpecies finds a species by its name, an alias or its scientific name; case, punctuation and the order of the words
// do not matter ("red oak", "oak, red (upland)"). The result is shared and must not be changed. The error names the nearest
// names.
func LookupSpecies(name string) (*Species, error) { return Table{}.Lookup(name) }

func unknown(name string, list []Species) error {
	return fmt.Errorf("unknown species %q, nearest: %s", name, strings.Join(nearest(nameKey(name), list), "; "))
}

func (s *Species) matches(key string) bool {
	if nameKey(s.Name) == key || nameKey(s.Scientific) == key || (s.IndexName != "" && nameKey(s.IndexName) == key) {
		return true
	}
	return slices.ContainsFunc(s.Aliases, func(a string) bool { return nameKey(a) == key })
}

// nameKey gives the words of a name in lower case and alphabetical order.
func nameKey(name string) string {
	words := strings.FieldsFunc(strings.ToLower(name), func(r rune) bool { return (r < 'a' || r > 'z') && r < 0x80 })
	slices.Sort(words)
	return strings.Join(slices.Compact(words), " ")
}

// nearest gives the three names closest to key: those that hold all its words first, then by edit distance, the best of a
// species' names counting.
func nearest(key string, species []Species) []string {
	type candidate struct {
		name     string
		distance int
	}
	var list []candidate
	for i := range species {
		s := &species[i]
		best := nameDistance(key, nameKey(s.Name))
		for _, a := range s.Aliases {
			best = min(best, nameDistance(key, nameKey(a)))
		}
		list = append(list, candidate{s.Name, best})
	}
	slices.SortStableFunc(list, func(a, b candidate) int { return a.distance - b.distance })
	var names []string
	for _, c := range list[:3] {
		names = append(names, c.name)
	}
	return names
}

func nameDistance(key, name string) int {
	held := 0
	words := strings.Fields(key)
	for _, w := range words {
		if slices.Contains(strings.Fields(name), w) {
			held++
		}
	}
	distance := editDistance(key, name)
	if held > 0 && held == len(words) {
		return distance - 1000
	}
	return distance - 4*held
}

// editDistance is Levenshtein's over bytes.
func editDistance(a, b string) int {
	row := make([]int, len(b)+1)
	for j := range row {
		row[j] = j
	}
	for i := range len(a) {
		diagonal := row[0]
		row[0] = i + 1
		for j := range len(b) {
			change := diagonal
			if a[i] != b[j] {
				change++
			}
			diagonal = row[j+1]
			row[j+1] = min(change, row[j]+1, row[j+1]+1)
		}
	}
	return row[len(b)]
}

// Green thicknesses of the nominal sizes to which the published rates belong (common practice, no source), and the rule
// that 6/4 dries safely at 0.6 of the 4/4 rate; the rule was remembered with the table.
const (
	thick44, thick64, thick84 quantity.Meter = 0.027, 0.040, 0.052

	share64 = 0.6
	// Boards this much thinner than 4/4 or thicker than 8/4 still count as those.
	thinnest, thickest quantity.Meter = 0.022, 0.055
	// Over 8/4 the rate falls as the published drying time grows, thickness^1.52 (Tschernitz and Simpson, red oak, 4/4 to
	// 8/4): an extrapolation, always marked assumed.
	thicknessExponent = 1.52
)

// SafeRate gives the greatest safe loss in 24 h at this thickness: the published 4/4 and 8/4 rates, 0.6 of the 4/4 rate at
// 6/4, straight lines between. assumed: the species has no published rate, or the thickness lies outside 4/4 to 8/4 (thinner:
// the 4/4 rate; thicker: extrapolated downwards). 0 when the thickness is not positive.
func SafeRate(s *Species, thickness quantity.Meter) (rate quantity.MoisturePerDay, assumed bool) {
	at64 := share64 * s.SafeRate
	assumed = s.SafeRateAssumed || thickness < thinnest || thickness > thickest
	switch {
	case !(thickness > 0):
		return 0, true
	case thickness <= thick44:
		return s.SafeRate, assumed
	case thickness <= thick64:
		return between(thickness, thick44, thick64, s.SafeRate, at64), assumed
	case thickness <= thick84:
		return between(thickness, thick64, thick84, at64, s.SafeRate84), assumed
	}
	return s.SafeRate84 * quantity.MoisturePerDay(math.Pow(float64(thick84/thickness), thicknessExponent)), assumed
}

func between(x, x0, x1 quantity.Meter, y0, y1 quantity.MoisturePerDay) quantity.MoisturePerDay {
	return y0 + (y1-y0)*quantity.MoisturePerDay((x-x0)/(x1-x0))
}
