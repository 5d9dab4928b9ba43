package schedule

import (
	"fmt"
	"strconv"
	"strings"
	"time"

	"drywarden/hardware/quantity"
	"drywarden/schedule/library"
	"drywarden/schedule/sheet"
	"drywarden/schedule/wood"
)

// Ramps and times of assembled schedules; common practice, no source.
const (
	rampWood       quantity.CelsiusPerHour  = 3 // preheat and dry
	rampRefractory quantity.CelsiusPerHour  = 2
	rampHeat       quantity.CelsiusPerHour  = 5
	rampCool       quantity.CelsiusPerHour  = 8
	rampCoolHard   quantity.CelsiusPerHour  = 5
	emcRampDown    quantity.MoisturePerHour = 1
	emcRampUp      quantity.MoisturePerHour = 2

	dryDwell  = 12 * time.Hour
	coolDwell = 2 * time.Hour
	minCores  = 2

	heatOver  quantity.Celsius = 8 // dry bulb over the core that is wanted, with its margin
	heatLeast quantity.Celsius = 3

	preheatGreen    quantity.MoistureContent = 17.5 // EMC at which green refractory wood does not check
	preheatAirDried quantity.MoistureContent = 13   // about the shell of wood that has stood outdoors
	preheatMost     quantity.MoistureContent = 18

	emcRounding quantity.MoistureContent = 1e-6

	day = 24 * time.Hour
)

// group gives the group that needs the most care.
func (j *judge) group() Group {
	hardest := Easy
	for i := range j.lots {
		hardest = min(hardest, j.lots[i].Group)
	}
	if len(j.lots) == 0 {
		return Moderate
	}
	return hardest
}

func (j *judge) thickest() quantity.Meter {
	thick := quantity.Meter(0)
	for i := range j.lots {
		thick = max(thick, j.lots[i].Thickness)
	}
	return thick
}

// rampLimit gives the fastest that a kind of stage may change the dry bulb.
func (j *judge) rampLimit(k Kind) quantity.CelsiusPerHour {
	refractory := j.group() == Refractory
	switch {
	case k == Heat || k == Condition || k == Equalize:
		return rampHeat
	case k == Cool && refractory:
		return rampCoolHard
	case k == Cool:
		return rampCool
	case refractory:
		return rampRefractory
	}
	return rampWood
}

// defaults fills in ramps and times by kind and group.
func (j *judge) defaults(st *Stage) {
	st.RampDryBulb, st.RampEMCDown, st.RampEMCUp = j.rampLimit(st.Kind), emcRampDown, emcRampUp
	switch st.Kind {
	case Dry:
		st.MinDwell = dryDwell
	case Equalize:
		if st.MaxTime = 21 * day; j.group() == Easy {
			st.MaxTime = 4 * day
		}
	case Cool:
		st.MinDwell = coolDwell
	}
	if st.MaxTime == 0 {
		st.MaxTime = DefaultMaxTime(st.Kind)
	}
}

// assemble writes the whole schedule from the published codes of the lots: preheat, the dry stages, equalize, and where
// they are asked for condition and heat, then cool.
func (j *judge) assemble(c *ChargeSheet, plan *Plan) Schedule {
	if !j.canEnd() {
		return Schedule{}
	}
	drying, ok := j.combined(c, plan)
	if !ok {
		return Schedule{}
	}
	stages := append([]Stage{j.preheat(&drying.Steps[0])}, j.dryStages(drying.Steps)...)
	last := stages[len(stages)-1]
	equalize := Stage{Name: "equalize", Kind: Equalize, DryBulb: last.DryBulb, EMC: j.equalizeEMC()}
	if floor := j.kiln.machine().EMCMin(last.DryBulb); equalize.EMC < floor {
		equalize.EMC = floor // canEnd has seen to it that this is low enough
	}
	j.defaults(&equalize)
	if c.data.Equalizing.Rule != noEqualizing {
		stages = append(stages, equalize)
	}
	if c.data.Conditioning {
		stages = append(stages, j.condition(last.DryBulb))
	}
	if heat, wanted := j.heat(c, equalize.EMC); wanted {
		stages = append(stages, heat)
	}
	cool := Stage{Name: "cool", Kind: Cool, DryBulb: restDryBulb, EMC: equalize.EMC}
	j.defaults(&cool)
	return Schedule{Name: drying.Code, Source: drying.Source, Stages: append(stages, cool)}
}

// canEnd refuses targets that this kiln's driest air does not reach.
func (j *judge) canEnd() bool {
	m := j.kiln.machine()
	limit := j.kiln.dryBulbMax(Dry)
	for i := range j.lots {
		limit = min(limit, j.lots[i].MaxDryBulb)
	}
	ok := true
	// EMC falls as the air gets warmer at the same relative humidity, so the last stage is judged at the warmest.
	floor := m.EMCMin(limit)
	for i := range j.lots {
		l := &j.lots[i]
		if least := floor + max(finalBelow, j.rule.StartBelow+0.5); l.Target < least {
			j.s.Fault(sheet.Sub(sheet.At("lot", i), "target"), l.Target.String()+", which this kiln could never reach",
				fmt.Sprintf("%v or more: the driest air that it can make, vents and heat included, has an EMC of %v at %.1f C", up1(least), round1(floor), float64(limit)))
			ok = false
		}
	}
	return ok
}

// combined assembles each lot's code and combines them. Softwoods, for which no code is published here, go along with the
// hardwoods of the charge.
func (j *judge) combined(c *ChargeSheet, plan *Plan) (library.Assembled, bool) {
	var each []library.Assembled
	ok := true
	m := j.kiln.machine()
	m.DryBulbMax = j.kiln.dryBulbMax(Dry)
	along := quantity.MoistureContent(0) // of the wettest lot that goes along: the others' schedules are entered there
	for i := range j.lots {
		if l := &j.lots[i]; l.Softwood && c.data.Lots[i].Code == "" {
			along = max(along, l.Start)
		}
	}
	for i := range j.lots {
		l, d, at := &j.lots[i], &c.data.Lots[i], sheet.At("lot", i)
		if d.Code == "" && l.Softwood {
			plan.Notes = append(plan.Notes, fmt.Sprintf("lot %s: no softwood code is published here, it goes along with the schedule of the other lots", l.Name))
			continue
		}
		a, err := library.Assemble(library.Request{Code: d.Code, Species: l.Species, Thickness: l.Thickness, Start: max(l.Start, along),
			Target: j.lowestTarget(), Machine: m, Table: j.kiln.Species})
		if err != nil {
			key, found := "species", d.Species
			if d.Code != "" {
				key, found = "code", d.Code
			}
			j.s.Fault(sheet.Sub(at, key), strconv.Quote(found), "a schedule that can be made ("+err.Error()+")")
			ok = false
			continue
		}
		plan.Notes = append(plan.Notes, j.briefly(l, &a)...)
		a.Notes = nil
		each = append(each, a)
	}
	if !ok {
		return library.Assembled{}, false
	}
	if len(each) == 0 {
		j.s.Missing("schedule", "a schedule file, stages in this sheet, or a code: for softwoods alone none is published here")
		return library.Assembled{}, false
	}
	all, err := library.Combine(each)
	if err != nil {
		j.s.Fault("lot", "lots whose schedules cannot be combined", "lots that can ("+err.Error()+")")
		return library.Assembled{}, false
	}
	plan.Notes = append(plan.Notes, all.Notes...)
	j.finish(&all)
	last := all.Steps[len(all.Steps)-1]
	if floor := j.kiln.machine().EMCMin(last.DryBulb); floor > last.EMC+emcRounding {
		j.s.Fault("lot", fmt.Sprintf("lots that need an EMC of %v at the end", round1(last.EMC)),
			fmt.Sprintf("%v or more, the driest air that this kiln can make at %.1f C", up1(floor), float64(last.DryBulb)))
		return library.Assembled{}, false
	}
	return all, true
}

// briefly gives the notes of one lot's schedule, with the limits that bound in several steps told once.
func (j *judge) briefly(l *Lot, a *library.Assembled) []string {
	var notes []string
	capped, raised := 0, 0
	for _, note := range a.Notes {
		switch {
		case strings.Contains(note, ": dry bulb ") && strings.Contains(note, " capped at "):
			capped++
		case strings.Contains(note, ": EMC ") && strings.Contains(note, " raised to "):
			raised++
		default:
			notes = append(notes, fmt.Sprintf("lot %s: %s", l.Name, note))
		}
	}
	if capped > 0 {
		notes = append(notes, fmt.Sprintf("lot %s: dry bulb of schedule %s capped in %d of %d steps, by machine or wood; the EMC of each step is kept", l.Name, a.Code, capped, len(a.Steps)))
	}
	if raised > 0 {
		notes = append(notes, fmt.Sprintf("lot %s: EMC of schedule %s raised in %d of %d steps to the driest air that the kiln can make", l.Name, a.Code, raised, len(a.Steps)))
	}
	return notes
}

// finish makes the combined steps fit lots that go along and the charge's own end: a step that begins where equalizing
// takes over is no step of its own, and the last has the EMC with which the charge ends.
func (j *judge) finish(a *library.Assembled) {
	for len(a.Steps) > 1 {
		n := len(a.Steps) - 1
		if a.Steps[n].FromMC > j.highestTarget()+j.rule.EndAbove {
			break
		}
		a.Steps[n-1].EMC = min(a.Steps[n-1].EMC, a.Steps[n].EMC)
		a.Steps = a.Steps[:n]
	}
	for i := range a.Steps {
		step := &a.Steps[i]
		for k := range j.lots {
			l := &j.lots[k]
			step.DryBulb = min(step.DryBulb, l.MaxDryBulb)
			if wet := i == 0 || step.FromMC > wood.FiberSaturation; wet && l.Start > wood.FiberSaturation {
				step.DryBulb = min(step.DryBulb, l.GreenMaxDryBulb)
			}
		}
		step.EMC = min(max(step.EMC, j.kiln.machine().EMCMin(step.DryBulb), minEMC), maxEMC)
	}
	last := &a.Steps[len(a.Steps)-1]
	last.EMC = min(last.EMC, j.finalEMC())
}

// preheat warms the wood in air that does not dry it: moist for green wood, near the shell's own moisture for wood that
// has dried outdoors, which must not be wetted again.
func (j *judge) preheat(first *library.Step) Stage {
	wet := j.wettestStart()
	emc := preheatAirDried
	switch {
	case wet <= wood.FiberSaturation:
		emc = min(emc, wet-1)
	case j.group() == Refractory:
		emc = preheatGreen
	default:
		emc = first.EMC + 2
	}
	const perInch = 8 * time.Hour // warm-up of 4/4, 27 mm green; common practice, no source
	warm := time.Duration(float64(perInch) * float64(j.thickest()/0.027)).Round(time.Hour)
	if wet <= wood.FiberSaturation {
		warm = max(warm, 12*time.Hour)
	}
	st := Stage{Name: "preheat", Kind: Preheat, DryBulb: first.DryBulb, EMC: min(max(emc, first.EMC), preheatMost), For: min(max(warm, 6*time.Hour), day)}
	j.defaults(&st)
	return st
}

func (j *judge) dryStages(steps []library.Step) []Stage {
	var stages []Stage
	rate := quantity.MoisturePerDay(0)
	for i := range j.lots {
		if r := j.lots[i].RateLimit; r > 0 && (rate == 0 || r < rate) {
			rate = r
		}
	}
	begin := j.wettestStart()
	for i := range steps {
		st := Stage{Kind: Dry, DryBulb: steps[i].DryBulb, EMC: steps[i].EMC}
		st.Name = fmt.Sprintf("dry from %v", begin)
		end := j.lowestTarget()
		if i+1 < len(steps) {
			st.UntilMC = steps[i+1].FromMC
			end = st.UntilMC
		}
		j.defaults(&st)
		if rate > 0 {
			atLimit := time.Duration(float64(begin-end) / float64(rate) * float64(day))
			st.MinDwell = min(dryDwell, max(atLimit/2, 0))
			// Real runs take up to 1.6 times as long as the limit allows; the last points take far longer.
			st.MaxTime = min(max(4*atLimit, 7*day), 60*day)
			if st.UntilMC == 0 {
				st.MaxTime = min(max(6*atLimit, 30*day), 60*day)
			}
			st.MinDwell, st.MaxTime = st.MinDwell.Round(time.Minute), st.MaxTime.Round(time.Hour)
		}
		begin = end
		stages = append(stages, st)
	}
	return stages
}

// condition relieves the stresses of drying: hours for easy 4/4 up to two days for refractory 8/4 (Simpson (ed.) 1991,
// AH-188, ch. 7, from memory).
func (j *judge) condition(dryBulb quantity.Celsius) Stage {
	st := Stage{Name: "condition", Kind: Condition, DryBulb: dryBulb, EMC: j.conditionEMC()}
	j.defaults(&st)
	short, long := 6.0, 24.0
	if j.group() == Refractory {
		short, long = 20, 48
	}
	share := min(max(float64(j.thickest()-0.027)/(0.052-0.027), 0), 1)
	st.For = time.Duration(short+(long-short)*share) * time.Hour
	st.MaxTime = st.For + 2*day
	switch {
	case !j.kiln.Spray:
		j.s.Fault("conditioning", "true", "false: this kiln has no spray")
	case st.EMC > wood.EMC(dryBulb, guardMaxRH):
		j.s.Fault("conditioning", "true", fmt.Sprintf("false: an EMC of %v is out of reach at %.1f C", round1(st.EMC), float64(dryBulb)))
	}
	return st
}

// heat gives the heat stage that does what every lot asks for: the hottest core and the longest exposure, without a break
// when one wants it so.
func (j *judge) heat(c *ChargeSheet, emc quantity.MoistureContent) (Stage, bool) {
	st := Stage{Name: "heat", Kind: Heat, EMC: emc, MinCores: minCores, CoreMargin: j.kiln.coreMargin()}
	wanted, key := NoTreatment, ""
	for i := range c.data.Lots {
		t := c.data.Lots[i].Treatment
		if t == NoTreatment {
			continue
		}
		want := treatments[t]
		if want.core > st.Core {
			wanted, key = t, sheet.Sub(sheet.At("lot", i), "treatment")
		}
		st.Core, st.Exposure = max(st.Core, want.core), max(st.Exposure, want.exposure.Std())
		st.Unbroken = st.Unbroken || want.unbroken
	}
	if wanted == NoTreatment {
		return st, false
	}
	j.defaults(&st)
	st.MaxTime = st.Exposure + day
	core := st.Core + quantity.Celsius(st.CoreMargin)
	limit := j.kiln.HeatMax
	for i := range j.lots {
		limit = min(limit, j.lots[i].MaxDryBulb)
	}
	st.DryBulb = min(core+heatOver, limit)
	switch {
	case !j.kiln.Heat || j.kiln.HeatMax == 0:
		j.s.Fault(key, wanted.String(), "none: this kiln has no heater for it")
	case j.kiln.Cores < st.MinCores:
		j.s.Fault(key, wanted.String(), fmt.Sprintf("none: it needs %d core probes and this kiln has %d", st.MinCores, j.kiln.Cores))
	case st.DryBulb < core+heatLeast:
		j.s.Fault(key, wanted.String(), fmt.Sprintf("a treatment for which a dry bulb of %.1f C, the limit of machine and wood, is enough: this one needs %.1f C", float64(limit), float64(core+heatLeast)))
	}
	return st, true
}
