package wood

import (
	"errors"
	"fmt"
	"slices"

	"drywarden/hardware/quantity"
)

// Table is what species are looked up in: the published ones and behind them an operator's own. The zero Table is the
// published ones alone.
type Table struct {
	own []Species
}

// NewTable adds an operator's own species. Each must pass Validate, and no name may lead to two species; the error holds
// every fault. A safe rate left out becomes the slowest published one of the group, marked assumed, and one for 8/4 left
// out 0.4 of that for 4/4, the rule behind the published rates.
func NewTable(own []Species) (Table, error) {
	t := Table{own: slices.Clone(own)}
	var faults []error
	for i := range t.own {
		s := &t.own[i]
		if err := s.Validate(); err != nil {
			faults = append(faults, err)
			continue
		}
		s.fillRates()
		for _, name := range s.names() {
			if other := t.before(i, name); other != "" {
				faults = append(faults, fmt.Errorf("species %s: the name %q means %s already", s.Name, name, other))
			}
		}
	}
	if err := errors.Join(faults...); err != nil {
		return Table{}, err
	}
	return t, nil
}

// Lookup finds a species as LookupSpecies does.
func (t Table) Lookup(name string) (*Species, error) {
	key := nameKey(name)
	for _, list := range [][]Species{table[:], t.own} {
		for i := range list {
			if s := &list[i]; key != "" && s.matches(key) {
				return s, nil
			}
		}
	}
	return nil, unknown(name, t.All())
}

// All gives a copy of the table, the published species first.
func (t Table) All() []Species { return append(AllSpecies(), t.own...) }

// Own gives a copy of the operator's own species.
func (t Table) Own() []Species { return slices.Clone(t.own) }

// before gives the name of the species before own[n] that name leads to.
func (t Table) before(n int, name string) string {
	key := nameKey(name)
	for _, list := range [][]Species{table[:], t.own[:n]} {
		for i := range list {
			if list[i].matches(key) {
				return list[i].Name
			}
		}
	}
	return ""
}

func (s *Species) names() []string {
	names := append([]string{s.Name}, s.Aliases...)
	if s.Scientific != "" {
		names = append(names, s.Scientific)
	}
	return names
}

// mostMoisture is what is believed at most: boards lighter than the species' mean gravity hold a tenth more than MaxMoisture
// gives (old-growth redwood prints 210 % where its gravity has 198 %).
func (s *Species) mostMoisture() quantity.MoistureContent { return 1.1 * MaxMoisture(s.BasicGravity) }

// CheckMoisture says in one sentence why wood of this species cannot have a moisture, or nothing.
func (s *Species) CheckMoisture(m quantity.MoistureContent) error {
	if !(m >= 0 && m <= s.mostMoisture()) {
		return fmt.Errorf("moisture %v of %s: expected 0 %% to %.0f %%, its pores hold no more", m, s.Name, float64(s.mostMoisture()))
	}
	return nil
}

// share84 is what the published 8/4 rates are of the 4/4 ones, 0.39 to 0.40 throughout.
const share84 = 0.4

func (s *Species) fillRates() {
	if s.SafeRate == 0 {
		s.SafeRateAssumed = true
		for i := range table {
			if r := &table[i]; r.Group == s.Group && (s.SafeRate == 0 || r.SafeRate < s.SafeRate) {
				s.SafeRate, s.SafeRate84 = r.SafeRate, r.SafeRate84
			}
		}
	}
	if s.SafeRate84 == 0 {
		s.SafeRate84 = share84 * s.SafeRate
	}
}

// Validate reports every figure of a species that cannot be, or on which no charge should be run. Figures that may be left
// out are 0: green moistures, shrinkages, gravity at 12 %, safe rates.
func (s *Species) Validate() error {
	var faults []error
	within := func(what string, v, low, high float64, unit string) {
		if !(v >= low && v <= high) {
			faults = append(faults, fmt.Errorf("species %s: %s %.4g%s, expected %.4g to %.4g%s", s.Name, what, v, unit, low, high, unit))
		}
	}
	optional := func(what string, v, low, high float64, unit string) {
		if v != 0 {
			within(what, v, low, high, unit)
		}
	}
	if nameKey(s.Name) == "" {
		faults = append(faults, fmt.Errorf("species %q: a name without letters, expected one with a letter in it", s.Name))
	}
	if s.Group >= groupCount {
		faults = append(faults, fmt.Errorf("species %s: group %v is unknown", s.Name, s.Group))
	}
	if s.Status == "" {
		faults = append(faults, fmt.Errorf("species %s: where the figures come from is not said, expected a source", s.Name))
	}
	within("basic specific gravity", s.BasicGravity, 0.1, 1.1, "")
	optional("specific gravity at 12 %", s.Gravity12, s.BasicGravity, 1.3, "")
	most := float64(s.mostMoisture())
	optional("green moisture of the heartwood", float64(s.GreenHeart), float64(FiberSaturation), most, " %")
	optional("green moisture of the sapwood", float64(s.GreenSap), float64(FiberSaturation), most, " %")
	optional("radial shrinkage", 100*float64(s.ShrinkRadial), 0.5, 12, " %")
	optional("tangential shrinkage", 100*float64(s.ShrinkTangential), 100*float64(s.ShrinkRadial), 20, " %")
	optional("volumetric shrinkage", 100*float64(s.ShrinkVolumetric), 100*float64(max(s.ShrinkRadial, s.ShrinkTangential)), 30, " %")
	optional("safe rate", float64(s.SafeRate), 0.2, 25, " %/d")
	if s.SafeRate84 != 0 {
		within("safe rate of 8/4", float64(s.SafeRate84), 0.1, max(0.1, float64(s.SafeRate)), " %/d")
	}
	within("greatest dry bulb", float64(s.MaxDryBulb), 30, 100, " C")
	within("greatest dry bulb while green", float64(s.GreenMaxDryBulb), 25, max(25, float64(min(s.MaxDryBulb, quantity.Celsius(100)))), " C")
	return errors.Join(faults...)
}
