package schedule

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"math"
	"strconv"

	"drywarden/hardware/quantity"
	"drywarden/schedule/library"
	"drywarden/schedule/sheet"
	"drywarden/schedule/wood"
)

// Kiln is what a schedule has to know of the kiln it is to run on.
type Kiln struct {
	Machine    library.Machine          // pressure, greatest dry bulb while the compressor works, driest air
	EMCMin     quantity.MoistureContent // driest air at Machine.DryBulbMax by any means, vents and heat included; 0: as Machine says
	DryBulbMax quantity.Celsius         // highest set point of any stage but heat; 0: as Machine says
	HeatMax    quantity.Celsius         // highest set point of a heat stage; 0: no heat stage
	Spray      bool
	Heat       bool
	Vent       bool
	Cores      int                   // core probes fitted
	CoreMargin quantity.CelsiusDelta // uncertainty of the cores with that of their placement; 0: 1 K
	Simulated  bool                  // sample boards need no weights: the simulated person cuts and weighs them
	Species    wood.Table            // in which the lots' species are looked up; zero: the published ones alone
}

// defaultCoreMargin is what a core must be hotter than the treatment asks; common practice, no source.
const defaultCoreMargin quantity.CelsiusDelta = 1

func (k *Kiln) coreMargin() quantity.CelsiusDelta {
	if k.CoreMargin > 0 {
		return k.CoreMargin
	}
	return defaultCoreMargin
}

// machine gives the machine with the driest air that the kiln can make by any means.
func (k *Kiln) machine() library.Machine {
	m := k.Machine
	if k.EMCMin > 0 {
		m.RHMin = min(m.RHMin, wood.RHForEMC(m.DryBulbMax, k.EMCMin))
	}
	return m
}

// dryBulbMax gives the highest set point for a kind of stage.
func (k *Kiln) dryBulbMax(kind Kind) quantity.Celsius {
	limit := k.DryBulbMax
	if limit == 0 {
		limit = k.Machine.DryBulbMax
	}
	switch kind {
	case Heat:
		return k.HeatMax
	case Preheat, Dry:
		return min(limit, k.Machine.DryBulbMax)
	}
	return limit
}

func (k *Kiln) check() error {
	if err := k.Machine.Validate(); err != nil {
		return &sheet.Faults{List: []sheet.Fault{{File: "kiln", Found: err.Error(), Expected: "a kiln that can dry"}}}
	}
	return nil
}

// Resolve judges a charge sheet, with the schedule it asks for, against a kiln and gives the plan that a run works
// through. Plan.ID is left to the caller. The error is *sheet.Faults and holds every fault of the sheet and of the schedule file.
// Resolve changes nothing: it may be called again with another kiln.
func Resolve(c *ChargeSheet, kiln Kiln) (*Plan, error) {
	if err := kiln.check(); err != nil {
		return nil, err
	}
	s := c.sheet.Clone()
	plan := &Plan{Charge: c.data.ID, Equalizing: c.data.Equalizing.resolve(), Wettest: c.data.Control == WettestSample}
	lotsOK := c.lots(s, plan, kiln.Species)
	c.samples(s, plan, kiln.Simulated)
	j := judge{s, &kiln, plan.Lots, plan.Equalizing}
	if !lotsOK {
		j.lots = nil
	}
	var other error
	switch {
	case c.data.Schedule != "" && c.schedule == nil:
		s.Fault("schedule", strconv.Quote(c.data.Schedule), "a schedule file "+c.ScheduleFile()+" that can be read")
	case c.data.Schedule != "":
		j.s = c.schedule.sheet.Clone()
		d := &c.schedule.data
		plan.Schedule = Schedule{Name: d.Name, Source: d.Source, Stages: j.written(d.Stages)}
		other = j.s.Err()
		c.asked(s, plan)
	case len(c.data.Stages) > 0:
		plan.Schedule = Schedule{Name: "as on the charge sheet", Source: "charge sheet " + c.data.ID, Stages: j.written(c.data.Stages)}
		c.asked(s, plan)
	case lotsOK:
		plan.Schedule = j.assemble(c, plan)
	}
	if err := sheet.Join(s.Err(), other); err != nil {
		return nil, err
	}
	plan.Notes = append(plan.Notes, c.remarks(plan)...)
	plan.Hash = plan.hash()
	return plan, nil
}

// hash names a plan: two plans with the same hash run the same. Notes and the run's id are no part of it.
func (p *Plan) hash() string {
	same := *p
	same.ID, same.Hash, same.Notes = 0, "", nil
	text, err := json.Marshal(same)
	if err != nil {
		panic(fmt.Errorf("hash plan: %w", err)) // every number was checked to be finite
	}
	sum := sha256.Sum256(text)
	return hex.EncodeToString(sum[:8])
}

// lots looks the species up and fills in the plan's lots; false when one is not usable.
func (c *ChargeSheet) lots(s *sheet.Sheet, plan *Plan, table wood.Table) bool {
	ok := len(c.data.Lots) > 0 && len(c.data.Lots) <= maxLots
	for i := range c.data.Lots {
		d, at := &c.data.Lots[i], sheet.At("lot", i)
		for _, key := range []string{"species", "thickness", "volume", "start", "target"} {
			ok = ok && s.Good(sheet.Sub(at, key))
		}
		if !s.Good(sheet.Sub(at, "species")) {
			continue
		}
		species, err := table.Lookup(d.Species)
		if err != nil {
			s.Fault(sheet.Sub(at, "species"), strconv.Quote(d.Species), "a species of the table ("+err.Error()+")")
			ok = false
			continue
		}
		rate, assumed := wood.SafeRate(species, d.Thickness)
		plan.Lots = append(plan.Lots, Lot{
			Name: d.Name, Owner: d.Owner, Species: species.Name, Group: Group(species.Group), Softwood: species.Softwood,
			Thickness: d.Thickness, Volume: d.Volume, Pieces: d.Pieces, Start: d.Start, Target: d.Target, Tolerance: d.Tolerance,
			OvenDry: wood.OvenDryMass(d.Volume, species.BasicGravity), RateLimit: rate, RateAssumed: assumed,
			GreenMaxDryBulb: species.GreenMaxDryBulb, MaxDryBulb: species.MaxDryBulb,
		})
	}
	return ok
}

func (c *ChargeSheet) samples(s *sheet.Sheet, plan *Plan, simulated bool) {
	count := make([]int, len(c.data.Lots))
	for i := range c.data.Samples {
		d, at := &c.data.Samples[i], sheet.At("sample", i)
		lot := c.lotNamed(d.Lot)
		if lot < 0 || i >= maxSamples {
			continue
		}
		count[lot]++
		board := SampleBoard{Name: d.Name, Lot: int8(lot), OvenDry: d.ovenDry()}
		if d.Weight != nil {
			board.Start = *d.Weight
		}
		if !simulated {
			if d.Weight == nil {
				s.Missing(sheet.Sub(at, "weight"), "the weight when cut")
			}
			if board.OvenDry == 0 && d.Weight != nil && !anyGiven(s, at, "oven_dry", "moisture", "section") {
				s.Missing(sheet.Sub(at, "oven_dry"), "one of oven_dry, moisture, section")
			}
		}
		plan.Samples = append(plan.Samples, board)
	}
	for i, n := range count {
		if n == 0 && s.Good(sheet.Sub(sheet.At("lot", i), "name")) {
			s.Missing(sheet.At("lot", i), fmt.Sprintf("a [[sample]] with lot = %q: each lot needs a sample board, better two", c.data.Lots[i].Name))
		}
	}
}

// remarks is what the operator should know of a charge that can be run.
func (c *ChargeSheet) remarks(plan *Plan) []string {
	var notes []string
	count := make([]int, len(plan.Lots))
	for _, b := range plan.Samples {
		count[b.Lot]++
	}
	refractory, easy := "", ""
	for i := range plan.Lots {
		l := &plan.Lots[i]
		if l.RateAssumed {
			notes = append(notes, fmt.Sprintf("lot %s: no safe rate is published for %s at %v; %v is assumed", l.Name, l.Species, l.Thickness, l.RateLimit))
		}
		if count[i] < 2 {
			notes = append(notes, fmt.Sprintf("lot %s has one sample board: two or more tell its wettest and driest", l.Name))
		}
		if green := l.Start > wood.FiberSaturation; green && l.Group == Refractory {
			refractory = l.Name
		} else if green && l.Group == Easy {
			easy = l.Name
		}
	}
	if refractory != "" && easy != "" {
		notes = append(notes, fmt.Sprintf("lots %s and %s: easy green wood may mould in the air that refractory wood needs; better dried apart", refractory, easy))
	}
	return notes
}

// asked makes sure that a written schedule does what the charge sheet asks for beside it.
func (c *ChargeSheet) asked(s *sheet.Sheet, plan *Plan) {
	var condition, heat *Stage
	for i := range plan.Schedule.Stages {
		switch st := &plan.Schedule.Stages[i]; st.Kind {
		case Condition:
			condition = st
		case Heat:
			heat = st
		}
	}
	if c.data.Conditioning && condition == nil {
		s.Fault("conditioning", "true", "a schedule with a condition stage, or false")
	}
	for i := range c.data.Lots {
		t := c.data.Lots[i].Treatment
		if t == NoTreatment {
			continue
		}
		want := treatments[t]
		if heat == nil || heat.Core < want.core || heat.Exposure < want.exposure.Std() || (want.unbroken && !heat.Unbroken) {
			s.Fault(sheet.Sub(sheet.At("lot", i), "treatment"), t.String(), "a schedule with a heat stage of "+want.String()+", or none")
		}
	}
}

type treatment struct {
	core     quantity.Celsius
	exposure quantity.Duration
	unbroken bool
}

func (t treatment) String() string {
	words := "in all"
	if t.unbroken {
		words = "without a break"
	}
	return fmt.Sprintf("core %v or more for %v %s", t.core, t.exposure, words)
}

const minute quantity.Duration = 60e9

// treatments. Phytosanitary: FAO ISPM 15, annex 1, treatment HT. Insect: hotter and longer, since 56 C for 30 minutes is
// said not to end every powder-post beetle; common practice, no source. Pitch: 160 F for about a day (Simpson (ed.) 1991,
// AH-188, ch. 7, from memory).
var treatments = [treatmentCount]treatment{
	Insect:        {core: 60, exposure: 120 * minute},
	Phytosanitary: {core: 56, exposure: 30 * minute, unbroken: true},
	Pitch:         {core: 71.1, exposure: 24 * 60 * minute},
}

// judge holds what a schedule is judged against. Without lots it is judged against the kiln alone.
type judge struct {
	s    *sheet.Sheet
	kiln *Kiln
	lots []Lot
	rule Equalizing
}

// written resolves stages that a person wrote, and reports what is wrong with them.
func (j *judge) written(data []stageData) []Stage {
	var stages []Stage
	before := Stage{DryBulb: 25, EMC: 12}
	begin := j.wettestStart()
	lastDry := -1
	for i := range data {
		if data[i].Kind == Dry {
			lastDry = i
		}
	}
	for i := range data {
		d, at := &data[i], sheet.At("stage", i)
		if i >= MaxStages || !j.s.Good(sheet.Sub(at, "kind")) {
			continue
		}
		stage, ok := j.writtenStage(d, at, &before, i == lastDry)
		if ok {
			j.checkStage(at, d, &stage, begin)
			if d.Kind == Dry {
				j.checkDry(at, d, &stage, i == lastDry)
			}
			before = stage
		}
		if d.Kind == Dry && d.Until.Moisture != nil {
			begin = min(begin, *d.Until.Moisture)
		}
		if lastDry >= 0 && i >= lastDry && len(j.lots) > 0 {
			begin = min(begin, j.highestTarget())
		}
		stages = append(stages, stage)
	}
	return stages
}

// writtenStage fills in a stage from what is written and the rules of its kind.
func (j *judge) writtenStage(d *stageData, at string, before *Stage, lastDry bool) (Stage, bool) {
	base := *before
	switch d.Kind {
	case Equalize:
		if len(j.lots) > 0 {
			base.EMC = j.equalizeEMC()
		}
	case Condition:
		if len(j.lots) > 0 {
			base.EMC = j.conditionEMC()
		}
	case Cool:
		base.DryBulb = restDryBulb
	}
	db, emc, ok := d.air(j.s, at, j.kiln, &base)
	stage := Stage{Name: d.Name, Kind: d.Kind, DryBulb: db, EMC: emc}
	if stage.Name == "" {
		stage.Name = d.Kind.String()
	}
	j.defaults(&stage)
	if d.Ramp != nil {
		if limit := j.rampLimit(d.Kind); *d.Ramp > limit {
			j.s.Fault(at+".ramp", j.s.Written(at+".ramp", d.Ramp.String()), fmt.Sprintf("at most %v in a %s stage of this wood", limit, d.Kind))
		}
		stage.RampDryBulb = *d.Ramp
	}
	if d.EMCRamp != nil {
		if *d.EMCRamp > emcRampDown {
			j.s.Fault(at+".emc_ramp", j.s.Written(at+".emc_ramp", d.EMCRamp.String()), fmt.Sprintf("at most %v", emcRampDown))
		}
		stage.RampEMCDown = *d.EMCRamp
	}
	if u := d.Until.Moisture; u != nil {
		stage.UntilMC = *u
	}
	if u := d.Until.Time; u != nil {
		stage.For = u.Std()
	}
	if u := d.Until.AtLeast; u != nil {
		stage.MinDwell = u.Std()
	}
	if u := d.Until.AtMost; u != nil {
		stage.MaxTime = u.Std()
	}
	if d.Kind == Heat {
		stage.MinCores, stage.CoreMargin = minCores, j.kiln.coreMargin()
		stage.Unbroken = d.Count == nil || *d.Count == unbroken
		if d.Core != nil {
			stage.Core = *d.Core
		}
		if d.Exposure != nil {
			stage.Exposure = d.Exposure.Std()
		}
		if d.Cores != nil {
			stage.MinCores = *d.Cores
		}
	}
	return stage, ok
}

// checkStage judges one stage against machine and wood. begin is the moisture at which it is entered.
func (j *judge) checkStage(at string, d *stageData, st *Stage, begin quantity.MoistureContent) {
	s, k := j.s, j.kiln
	kind := at + ".kind"
	switch {
	case st.Kind == Heat && (!k.Heat || k.HeatMax == 0):
		s.Fault(kind, "heat", "no heat stage: this kiln has no heater for it")
	case st.Kind == Heat && k.Cores < st.MinCores:
		s.Fault(kind, "heat", fmt.Sprintf("%d core probes for a heat stage; this kiln has %d", st.MinCores, k.Cores))
	case st.Kind == Condition && !k.Spray:
		s.Fault(kind, "condition", "no condition stage: this kiln has no spray")
	}
	if d.DryBulb != nil { // else it is that of the stage before, and judged there
		j.checkDryBulb(at+".dry_bulb", st, begin)
	}
	if st.Kind == Condition {
		if limit := wood.EMC(st.DryBulb, guardMaxRH); st.EMC > limit {
			s.Fault(at, fmt.Sprintf("an EMC of %v", round1(st.EMC)), fmt.Sprintf("at most %v, what 95 %% RH gives at %.1f C", round1(limit), float64(st.DryBulb)))
		}
	}
	if st.Kind == Equalize && len(j.lots) > 0 {
		if limit := j.lowestTarget() + j.rule.EndAbove - equalizeLeast; st.EMC > limit {
			s.Fault(at, fmt.Sprintf("equalizing at an EMC of %v, which would never end", round1(st.EMC)), fmt.Sprintf("at most %v, for the lowest target of %v", round1(limit), j.lowestTarget()))
		}
	}
	if st.MaxTime > 0 && st.MaxTime <= max(st.MinDwell, st.For, st.Exposure) && !s.Given(at+".until.at_least") {
		s.Fault(at+".until.at_most", s.Written(at+".until.at_most", quantity.Duration(st.MaxTime).String()), "more than the stage takes at least")
	}
}

// checkDryBulb judges a dry bulb against machine, wood, and the core it is to heat.
func (j *judge) checkDryBulb(key string, st *Stage, begin quantity.MoistureContent) {
	found := j.s.Written(key, st.DryBulb.String())
	if limit := j.kiln.dryBulbMax(st.Kind); st.DryBulb > limit+rounding && (st.Kind != Heat || j.kiln.HeatMax > 0) {
		j.s.Fault(key, found, fmt.Sprintf("at most %.1f C, the machine's limit in a %s stage", float64(limit), st.Kind))
	}
	for i := range j.lots {
		l := &j.lots[i]
		if l.MaxDryBulb > 0 && st.DryBulb > l.MaxDryBulb+rounding {
			j.s.Fault(key, found, fmt.Sprintf("at most %.1f C for %s", float64(l.MaxDryBulb), l.Species))
		}
		if wet := min(begin, l.Start) > wood.FiberSaturation; wet && st.Kind != Cool && l.GreenMaxDryBulb > 0 && st.DryBulb > l.GreenMaxDryBulb+rounding {
			j.s.Fault(key, found, fmt.Sprintf("at most %.1f C for %s above fibre saturation", float64(l.GreenMaxDryBulb), l.Species))
		}
	}
	if need := st.Core + quantity.Celsius(st.CoreMargin) + heatLeast; st.Kind == Heat && st.Core > 0 && st.DryBulb < need {
		j.s.Fault(key, found, fmt.Sprintf("%v or more: the core must come to %v with a margin of %v", need, st.Core, st.CoreMargin))
	}
}

// checkDry refuses stages that could never end: air not dry enough for the moisture at which they are over, or drier
// than this kiln can make it.
func (j *judge) checkDry(at string, d *stageData, st *Stage, last bool) {
	key := at + "." + d.moistKey()
	if st.UntilMC > 0 && st.EMC > st.UntilMC-finalBelow {
		j.s.Fault(key, fmt.Sprintf("an EMC of %v, at which the stage would never end", round1(st.EMC)),
			fmt.Sprintf("at most %v, %v points under the moisture at which it is over", round1(st.UntilMC-finalBelow), float64(finalBelow)))
	}
	floor := j.kiln.machine().EMCMin(st.DryBulb)
	end := st.UntilMC
	if last && len(j.lots) > 0 {
		limit := j.finalEMC()
		if end == 0 {
			end = limit + finalBelow
		}
		if st.EMC > limit {
			j.s.Fault(key, fmt.Sprintf("an EMC of %v in the last dry stage, with which the charge would never end", round1(st.EMC)),
				fmt.Sprintf("at most %v, for the lowest target of %v", round1(limit), j.lowestTarget()))
		}
	}
	if end > 0 && floor > end-finalBelow {
		j.s.Fault(key, fmt.Sprintf("a stage that must dry to %v", round1(end)),
			fmt.Sprintf("%v or more: the driest air that this kiln can make at %.1f C, vents and heat included, has an EMC of %v", up1(floor+finalBelow), float64(st.DryBulb), round1(floor)))
	}
}

// moistKey names the key that gives a stage's moisture of the air.
func (d *stageData) moistKey() string {
	switch {
	case d.Depression != nil:
		return "depression"
	case d.WetBulb != nil:
		return "wet_bulb"
	case d.RH != nil:
		return "rh"
	}
	return "emc"
}

// rounding is what limits given in one unit and set points in another may differ by.
const rounding quantity.Celsius = 0.05

// equalizeLeast is the room that a written equalize stage must leave; less than that would take for ever.
const equalizeLeast quantity.MoistureContent = 0.4

func round1(m quantity.MoistureContent) quantity.MoistureContent {
	return quantity.MoistureContent(math.Round(float64(m)*10) / 10)
}

// up1 rounds a least value up, so that it is enough as written.
func up1(m quantity.MoistureContent) quantity.MoistureContent {
	return quantity.MoistureContent(math.Ceil(float64(m)*10-1e-6) / 10)
}

func (j *judge) wettestStart() quantity.MoistureContent {
	if len(j.lots) == 0 {
		return maxStart
	}
	wet := quantity.MoistureContent(0)
	for i := range j.lots {
		wet = max(wet, j.lots[i].Start)
	}
	return wet
}

func (j *judge) lowestTarget() quantity.MoistureContent {
	return (&Plan{Lots: j.lots}).lowestTarget()
}

func (j *judge) highestTarget() quantity.MoistureContent {
	high := quantity.MoistureContent(0)
	for i := range j.lots {
		high = max(high, j.lots[i].Target)
	}
	return high
}

// finalEMC is the highest EMC of the last dry stage with which the charge ends: 1.5 points under the lowest target, and
// half a point under where equalizing begins.
func (j *judge) finalEMC() quantity.MoistureContent {
	return j.lowestTarget() - max(finalBelow, j.rule.StartBelow+0.5)
}

// equalizeEMC is as high as the lot with the highest target needs, so that none is over-dried, and low enough for the lot
// with the lowest to come to its end.
func (j *judge) equalizeEMC() quantity.MoistureContent {
	return max(minEMC, min(j.highestTarget()-j.rule.EMCBelow, j.lowestTarget()+j.rule.EndAbove-equalizeRoom))
}

// conditionEMC: 4 points over the target for hardwoods, 3 for softwoods, the gentlest of the lots (Simpson (ed.) 1991,
// AH-188, ch. 7, from memory).
func (j *judge) conditionEMC() quantity.MoistureContent {
	low := maxEMC
	for i := range j.lots {
		offset := quantity.MoistureContent(4)
		if j.lots[i].Softwood {
			offset = 3
		}
		low = min(low, j.lots[i].Target+offset)
	}
	return low
}
