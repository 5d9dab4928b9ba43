package library

import (
	"errors"
	"fmt"
	"slices"
	"strings"

	"drywarden/hardware/quantity"
)

// Combine gives the gentlest schedule for lots dried together: at every moisture the lowest dry bulb and the highest EMC of
// the lots not yet at their targets, all read at the same moisture, that of the lot which governs. A lot that has reached
// its target no longer holds the EMC up: it waits or is pulled, and a note says so. The lots' machines must be one machine.
// The error says when the combination cannot be made or could not end.
func Combine(lots []Assembled) (Assembled, error) {
	if len(lots) == 0 {
		return Assembled{}, errors.New("combine schedules: no lot given")
	}
	c := Assembled{Target: lots[0].Target, Machine: lots[0].Machine}
	var codes, sources []string
	for i := range lots {
		if lots[i].Machine != c.Machine {
			return Assembled{}, errors.New("combine schedules: the lots were assembled for different machines")
		}
		if len(lots[i].Steps) == 0 {
			return Assembled{}, fmt.Errorf("combine schedules: lot %d has no steps", i+1)
		}
		c.Target = min(c.Target, lots[i].Target)
		codes, sources = addNew(codes, lots[i].Code), addNew(sources, lots[i].Source)
		for _, note := range lots[i].Notes {
			c.Notes = addNew(c.Notes, note)
		}
	}
	c.Code, c.Source = strings.Join(codes, "+"), strings.Join(sources, "; ")
	for _, from := range c.triggers(lots) {
		c.Steps = append(c.Steps, c.gentlestAt(lots, from))
	}
	c.Steps = slices.CompactFunc(c.Steps, func(a, b Step) bool { return a.DryBulb == b.DryBulb && a.EMC == b.EMC })
	if err := c.finish(); err != nil {
		return Assembled{}, fmt.Errorf("combine schedules %s: %w", c.Code, err)
	}
	return c, nil
}

// triggers gives every moisture at which the combination may change, wettest first; the first is that of the lot entered
// earliest.
func (c *Assembled) triggers(lots []Assembled) []quantity.MoistureContent {
	first := lots[0].Steps[0].FromMC
	var at []quantity.MoistureContent
	for i := range lots {
		if from := lots[i].Steps[0].FromMC; from == 0 || first == 0 {
			first = 0
		} else {
			first = max(first, from)
		}
		for _, s := range lots[i].Steps {
			if s.FromMC > c.Target {
				at = append(at, s.FromMC)
			}
		}
		if lots[i].Target > c.Target {
			at = append(at, lots[i].Target)
			c.Notes = addNew(c.Notes, fmt.Sprintf("lots with target %v are done before the charge: pull them, or they dry on", lots[i].Target))
		}
	}
	slices.Sort(at)
	at = slices.Compact(at)
	slices.Reverse(at)
	at = slices.DeleteFunc(at, func(m quantity.MoistureContent) bool { return m == first })
	return append([]quantity.MoistureContent{first}, at...)
}

// gentlestAt gives the step for moistures from from down. A lot entered later than from holds its first step until then.
func (c *Assembled) gentlestAt(lots []Assembled, from quantity.MoistureContent) Step {
	step := Step{FromMC: from, DryBulb: c.Machine.DryBulbMax}
	for i := range lots {
		s := lots[i].Steps[stepAt(lots[i].Steps, from)]
		step.DryBulb = min(step.DryBulb, s.DryBulb)
		if done := from != 0 && from <= lots[i].Target; !done {
			step.EMC = max(step.EMC, s.EMC)
		}
	}
	if floor := c.Machine.EMCMin(step.DryBulb); step.EMC < floor {
		c.note("%s: EMC %s raised to %s, the driest air that the machine makes at %s", step.name(), percent(step.EMC), percent(floor), temperature(step.DryBulb))
		step.EMC = floor
	}
	step.Depression = depression(&step, c.Machine)
	return step
}

func addNew(list []string, item string) []string {
	if slices.Contains(list, item) {
		return list
	}
	return append(list, item)
}
