package wood

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"time"

	"drywarden/hardware/quantity"
)

// Sample-board arithmetic: Simpson (ed.) 1991, Dry Kiln Operator's Manual, AH-188, ch. 6 (formulas from memory).

// SectionMoisture gives the moisture of a section from its weights before and after the oven (101 to 105 C until constant).
func SectionMoisture(green, ovenDry quantity.Kilogram) (quantity.MoistureContent, error) {
	if !(ovenDry > 0) || !(green >= ovenDry) || math.IsInf(float64(green), 0) {
		return 0, fmt.Errorf("section moisture: green weight %v and oven-dry weight %v, expected green at or above oven-dry, both above 0", green, ovenDry)
	}
	return quantity.MoistureContent(100 * (green - ovenDry) / ovenDry), nil
}

// CalculatedOvenDry gives the oven-dry weight of a sample board from its weight when cut and the mean moisture of its
// sections.
func CalculatedOvenDry(whenCut quantity.Kilogram, sections ...quantity.MoistureContent) (quantity.Kilogram, error) {
	if len(sections) == 0 || !(whenCut > 0) {
		return 0, fmt.Errorf("oven-dry weight of a sample of %v: expected a weight above 0 and at least one section", whenCut)
	}
	var sum quantity.MoistureContent
	for _, m := range sections {
		if !(m >= 0) {
			return 0, fmt.Errorf("oven-dry weight: section moisture %v, expected 0 %% or more", m)
		}
		sum += m
	}
	return whenCut / quantity.Kilogram(1+float64(sum)/float64(len(sections))/100), nil
}

// CurrentMoisture gives the moisture of a sample board that weighs now, weighed as when it was cut (end coat, hook and tag
// included or tared alike). NaN when ovenDry is not above 0.
func CurrentMoisture(now, ovenDry quantity.Kilogram) quantity.MoistureContent {
	if !(ovenDry > 0) {
		return quantity.MoistureContent(math.NaN())
	}
	return quantity.MoistureContent(100 * (now/ovenDry - 1))
}

// WeightAt gives what a board weighs at a moisture.
func WeightAt(ovenDry quantity.Kilogram, m quantity.MoistureContent) quantity.Kilogram {
	return ovenDry * quantity.Kilogram(1+m/100)
}

// OvenDryError gives by how many points a relative error of the oven-dry weight shifts a moisture: (100 + M) times it (first
// order, from the definition of moisture). One per cent is 1.8 points at 80 % and 1.07 at 7 %.
func OvenDryError(m quantity.MoistureContent, relative quantity.Ratio) quantity.MoistureContent {
	return (100 + m) * quantity.MoistureContent(relative)
}

// WaterPerPoint is the water that a lot of this oven-dry mass gives off for one point of moisture.
func WaterPerPoint(ovenDry quantity.Kilogram) quantity.Kilogram { return ovenDry / 100 }

// Weighing is a raw weight of a sample board; it is never changed.
type Weighing struct {
	At     time.Duration // since the charge began
	Weight quantity.Kilogram
}

// Basis is an oven-dry weight with its origin.
type Basis struct {
	At      time.Duration // since the charge began
	OvenDry quantity.Kilogram
	By      string // who
	Reason  string // why, with the new sections
}

// SampleHistory is a board's raw weights and every basis that it has had, the last one in force.
type SampleHistory struct {
	Weighings []Weighing
	Bases     []Basis
}

// Moistures derives the whole history from the basis in force; nothing without one.
func (h *SampleHistory) Moistures() []quantity.MoistureContent {
	if len(h.Bases) == 0 {
		return nil
	}
	list := make([]quantity.MoistureContent, len(h.Weighings))
	for i, w := range h.Weighings {
		list[i] = CurrentMoisture(w.Weight, h.Bases[len(h.Bases)-1].OvenDry)
	}
	return list
}

// Rebased is what a new basis changed, for the record.
type Rebased struct {
	From, To Basis
	Relative quantity.Ratio             // To over From less 1, of the oven-dry weight
	Shift    []quantity.MoistureContent // by which each weighing's moisture moved
}

// Rebase gives the history on a new basis; the old bases stay in it, no weight changes. The basis must name who and why, and
// be neither older than the last nor so heavy that a weighing would come out below 0 %; all faults together.
func Rebase(h SampleHistory, to Basis) (SampleHistory, Rebased, error) {
	var faults []error
	if to.By == "" || to.Reason == "" {
		faults = append(faults, errors.New("who and why must be given"))
	}
	if !(to.OvenDry > 0) || math.IsInf(float64(to.OvenDry), 0) {
		faults = append(faults, fmt.Errorf("oven-dry weight %v is not above 0", to.OvenDry))
	}
	if len(h.Bases) == 0 {
		faults = append(faults, errors.New("the board has no basis yet"))
	} else if to.At < h.Bases[len(h.Bases)-1].At {
		faults = append(faults, errors.New("the new basis is older than the one in force"))
	}
	for _, w := range h.Weighings {
		if w.Weight < to.OvenDry {
			faults = append(faults, fmt.Errorf("oven-dry weight %v is more than the weighing of %v", to.OvenDry, w.Weight))
			break
		}
	}
	if err := errors.Join(faults...); err != nil {
		return h, Rebased{}, fmt.Errorf("rebase sample board: %w", err)
	}
	next := SampleHistory{Weighings: slices.Clone(h.Weighings), Bases: append(slices.Clone(h.Bases), to)}
	change := Rebased{From: h.Bases[len(h.Bases)-1], To: to}
	change.Relative = quantity.Ratio(to.OvenDry/change.From.OvenDry - 1)
	before, after := h.Moistures(), next.Moistures()
	for i := range after {
		change.Shift = append(change.Shift, after[i]-before[i])
	}
	return next, change, nil
}
