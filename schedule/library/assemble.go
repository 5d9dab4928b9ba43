package library

import (
	"errors"
	"fmt"
	"math"
	"slices"

	"drywarden/hardware/quantity"
	"drywarden/schedule/wood"
)

// Machine is what a kiln can do to its air.
type Machine struct {
	Pressure   quantity.Pascal  // of the station
	DryBulbMax quantity.Celsius // warmest air while drying
	RHMin      quantity.Ratio   // driest air that it can make
}

// EMCMin gives the lowest EMC that the machine can make at a dry bulb.
func (m Machine) EMCMin(db quantity.Celsius) quantity.MoistureContent { return wood.EMC(db, m.RHMin) }

// Validate reports every fault of the machine's figures.
func (m Machine) Validate() error {
	var faults []error
	if !(m.Pressure >= 30000 && m.Pressure <= 110000) {
		faults = append(faults, fmt.Errorf("station pressure %v: expected 30000 Pa to 110000 Pa", m.Pressure))
	}
	if !(m.DryBulbMax >= 20 && m.DryBulbMax <= wood.EMCMaxTemperature) {
		faults = append(faults, fmt.Errorf("greatest dry bulb %s: expected %s to %s", temperature(m.DryBulbMax), temperature(20), temperature(wood.EMCMaxTemperature)))
	}
	if !(m.RHMin >= 0 && m.RHMin <= 0.9) {
		faults = append(faults, fmt.Errorf("lowest relative humidity %v: expected 0 %% to 90 %%", m.RHMin))
	}
	return errors.Join(faults...)
}

// Request says what to assemble: a code, or a species with its thickness.
type Request struct {
	Code      string // takes precedence for the steps; a species given with it still caps the dry bulb
	Species   string
	Thickness quantity.Meter
	Start     quantity.MoistureContent // 0: green
	Target    quantity.MoistureContent
	Machine   Machine
	Grades    int        // hotter (positive) or milder (negative) than the code found, see Variant; 0: as published
	Table     wood.Table // in which the species is looked up; zero: the published one
}

// Assembled is a schedule for one machine: its drying part, first step first.
type Assembled struct {
	Code   string
	Source string
	Steps  []Step
	Notes  []string // every limit that bound and everything that was assumed

	Target  quantity.MoistureContent
	Machine Machine
}

// UnderTarget is how far below the target the EMC of the last step must lie, in points, so that the wood can reach it.
const UnderTarget quantity.MoistureContent = 1.5

// Assemble writes a schedule for one machine. The dry bulb is capped by machine and species, the EMC of every published step
// is kept unless the machine cannot make air that dry, the schedule is entered at the step in force at Start, and the last
// step's EMC lies at least UnderTarget below the target. The error says when the machine cannot do that, or what else is
// wrong with the request; all faults together.
func Assemble(r Request) (Assembled, error) {
	if err := r.validate(); err != nil {
		return Assembled{}, fmt.Errorf("assemble schedule: %w", err)
	}
	code, notes := r.Code, []string(nil)
	var species *wood.Species
	if r.Species != "" {
		species, _ = r.Table.Lookup(r.Species) // validated
	}
	if code == "" {
		found, note, err := CodeForSpecies(species, r.Thickness)
		if err != nil {
			return Assembled{}, fmt.Errorf("assemble schedule: %w", err)
		}
		code = found
		if note != "" {
			notes = append(notes, note)
		}
	}
	if r.Grades != 0 {
		variant, note, err := Variant(code, r.Grades)
		if err != nil {
			return Assembled{}, fmt.Errorf("assemble schedule: %w", err)
		}
		notes = append(notes, fmt.Sprintf("%s taken, %+d grades from the published %s", variant, r.Grades, code))
		if note != "" {
			notes = append(notes, note)
		}
		code = variant
	}
	published, err := Literal(code)
	if err != nil {
		return Assembled{}, fmt.Errorf("assemble schedule: %w", err)
	}
	a := Assembled{Code: published.Code, Source: published.Source, Notes: notes, Target: r.Target, Machine: r.Machine}
	a.enter(published.Steps, r.Start)
	for i := range a.Steps {
		a.fit(&a.Steps[i], species)
	}
	if err := a.finish(); err != nil {
		return Assembled{}, fmt.Errorf("assemble schedule %s: %w", a.Code, err)
	}
	return a, nil
}

func (r *Request) validate() error {
	var faults []error
	if r.Code == "" && r.Species == "" {
		faults = append(faults, errors.New("neither code nor species given"))
	}
	if r.Species != "" {
		if _, err := r.Table.Lookup(r.Species); err != nil {
			faults = append(faults, err)
		}
	}
	if !(r.Start >= 0 && r.Start <= 300) {
		faults = append(faults, fmt.Errorf("starting moisture %v: expected 0 %% (green) to 300 %%", r.Start))
	}
	if !(r.Target >= 4 && r.Target <= 25) {
		faults = append(faults, fmt.Errorf("target moisture %v: expected 4 %% to 25 %%", r.Target))
	}
	if r.Start != 0 && r.Start <= r.Target {
		faults = append(faults, fmt.Errorf("starting moisture %v is not above the target %v: nothing to dry", r.Start, r.Target))
	}
	return errors.Join(append(faults, r.Machine.Validate())...)
}

// enter takes the steps from the one in force at start to the last that begins above the target.
func (a *Assembled) enter(published []Step, start quantity.MoistureContent) {
	first := stepAt(published, start)
	a.Steps = slices.Clone(published[first:])
	if first > 0 {
		a.note("entered at the step from %v, in force at %v", a.Steps[0].FromMC, start)
	}
	end := len(a.Steps)
	for end > 1 && a.Steps[end-1].FromMC <= a.Target {
		end--
	}
	if end < len(a.Steps) {
		a.note("steps from %v down left out: the target is %v", a.Steps[end].FromMC, a.Target)
		a.Steps = a.Steps[:end]
	}
}

// fit brings one step within what machine and species allow, keeping its EMC if it can.
func (a *Assembled) fit(s *Step, species *wood.Species) {
	where := s.name()
	if note := s.tooDry(); note != "" {
		a.Notes = append(a.Notes, note)
	}
	limit, whose := a.Machine.DryBulbMax, "the machine's greatest"
	if species != nil {
		if species.MaxDryBulb < limit {
			limit, whose = species.MaxDryBulb, "the greatest for "+species.Name
		}
		if wet := s.FromMC == 0 || s.FromMC > wood.FiberSaturation; wet && species.GreenMaxDryBulb < limit {
			limit, whose = species.GreenMaxDryBulb, "the greatest above fiber saturation for "+species.Name
		}
	}
	// Published figures are whole degrees Fahrenheit; a limit written as 48.9 C means 120 F.
	if s.DryBulb > limit+0.05 {
		a.note("%s: dry bulb %s capped at %s, %s", where, temperature(s.DryBulb), temperature(limit), whose)
	}
	s.DryBulb = min(s.DryBulb, limit)
	if floor := a.Machine.EMCMin(s.DryBulb); s.EMC < floor {
		a.note("%s: EMC %s raised to %s, the driest air that the machine makes (%s RH at %s)", where,
			percent(s.EMC), percent(floor), percent(quantity.MoistureContent(a.Machine.RHMin*100)), temperature(s.DryBulb))
		s.EMC = floor
	}
	s.Depression = depression(s, a.Machine)
}

// finish makes sure that every step can end.
func (a *Assembled) finish() error {
	last := &a.Steps[len(a.Steps)-1]
	ceiling := a.Target - UnderTarget
	if floor := a.Machine.EMCMin(last.DryBulb); floor > ceiling {
		return fmt.Errorf("target %v needs a last step at an EMC of %s or less, but the driest air that the machine makes (%s RH at %s) has %s",
			a.Target, percent(ceiling), percent(quantity.MoistureContent(a.Machine.RHMin*100)), temperature(last.DryBulb), percent(floor))
	}
	if last.EMC > ceiling {
		a.note("%s: EMC %s lowered to %s, %v points below the target", last.name(), percent(last.EMC), percent(ceiling), float64(UnderTarget))
		last.EMC = ceiling
		last.Depression = depression(last, a.Machine)
	}
	for i := range len(a.Steps) - 1 {
		if next := a.Steps[i+1].FromMC; a.Steps[i].EMC > next-UnderTarget {
			return fmt.Errorf("%s cannot end: its EMC of %s lies less than %v points below %v, where the next step begins",
				a.Steps[i].name(), percent(a.Steps[i].EMC), float64(UnderTarget), next)
		}
	}
	return nil
}

func depression(s *Step, m Machine) quantity.CelsiusDelta {
	rh := wood.RHForEMC(s.DryBulb, s.EMC)
	return s.DryBulb.Sub(wood.WetBulb(s.DryBulb, rh, m.Pressure))
}

func (s *Step) name() string {
	if s.FromMC == 0 {
		return "green step"
	}
	return fmt.Sprintf("step from %v", s.FromMC)
}

func (a *Assembled) note(format string, args ...any) {
	a.Notes = append(a.Notes, fmt.Sprintf(format, args...))
}

// temperature and difference write what people read in either system of units.
func temperature(t quantity.Celsius) string {
	return fmt.Sprintf("%g F (%g C)", tenths(t.Fahrenheit()), tenths(float64(t)))
}

func difference(d quantity.CelsiusDelta) string {
	return fmt.Sprintf("%g Fd (%g K)", tenths(1.8*float64(d)), tenths(float64(d)))
}

func tenths(v float64) float64 { return math.Round(v*10) / 10 }

func percent(m quantity.MoistureContent) string {
	return quantity.MoistureContent(tenths(float64(m))).String()
}
