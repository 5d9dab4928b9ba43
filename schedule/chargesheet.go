package schedule

import (
	"fmt"
	"strconv"

	"drywarden/hardware/quantity"
	"drywarden/schedule/sheet"
	"drywarden/schedule/wood"
)

// Treatment is the heat treatment asked for. The program records exposure; it certifies nothing.
type Treatment uint8

// Treatments.
const (
	NoTreatment   Treatment = iota
	Insect                  // a private plan against insects, hotter and longer than the phytosanitary one
	Phytosanitary           // 56 C for 30 minutes without a break, at the core (FAO ISPM 15, treatment HT)
	Pitch                   // sets the resin of softwoods
	treatmentCount
)

var treatmentNames = [treatmentCount]string{"none", "insect", "phytosanitary", "pitch"}

// String gives the name that charge sheets use.
func (t Treatment) String() string { return nameOf(treatmentNames[:], uint8(t)) }

// UnmarshalText reads the name that String gives.
func (t *Treatment) UnmarshalText(b []byte) error { return named(treatmentNames[:], "treatment", b, t) }

// ControlRule says which moisture of the samples drives the stages.
type ControlRule uint8

// Control rules.
const (
	WetterHalf     ControlRule = iota // mean of the wetter half of the samples
	WettestSample                     // the wettest sample
	controlRuleEnd                    //
)

var controlRuleNames = [controlRuleEnd]string{"wetter_half", "wettest"}

// String gives the name that charge sheets use.
func (c ControlRule) String() string { return nameOf(controlRuleNames[:], uint8(c)) }

// UnmarshalText reads the name that String gives.
func (c *ControlRule) UnmarshalText(b []byte) error {
	return named(controlRuleNames[:], "control rule", b, c)
}

// ChargeSheet is a charge as a person wrote it down: read, not yet judged against a kiln.
type ChargeSheet struct {
	data     chargeData
	sheet    *sheet.Sheet
	schedule *ScheduleSheet // of data.Schedule, once the caller has loaded it
}

type chargeData struct {
	ID           string       `toml:"id,required"`
	Notes        string       `toml:"notes"`
	Control      ControlRule  `toml:"control"`
	Schedule     string       `toml:"schedule"`     // name of a schedule file; empty: by species and thickness
	Conditioning bool         `toml:"conditioning"` // relieve stresses at the end
	Equalizing   equalizeData `toml:"equalizing"`
	Lots         []lotData    `toml:"lot,required"`
	Samples      []sampleData `toml:"sample"`
	Stages       []stageData  `toml:"stage"` // a schedule of this charge only
}

type equalizeData struct {
	Rule       string                    `toml:"rule"`
	StartBelow *quantity.MoistureContent `toml:"start_below"`
	EMCBelow   *quantity.MoistureContent `toml:"emc_below"`
	EndAbove   *quantity.MoistureContent `toml:"end_above"`
}

type lotData struct {
	Name      string                   `toml:"name,required"`
	Owner     string                   `toml:"owner"`
	Contact   string                   `toml:"contact"`
	Species   string                   `toml:"species,required"`
	Thickness quantity.Meter           `toml:"thickness,required"`
	Volume    quantity.CubicMeter      `toml:"volume,required"`
	Pieces    int                      `toml:"pieces"`
	Start     quantity.MoistureContent `toml:"start,required"`
	Target    quantity.MoistureContent `toml:"target,required"`
	Tolerance quantity.MoistureContent `toml:"tolerance"`
	Treatment Treatment                `toml:"treatment"`
	Code      string                   `toml:"code"`  // of a published schedule; empty: by species and thickness
	Price     string                   `toml:"price"` // basis, in words
	Notes     string                   `toml:"notes"`
}

// SetDefaults gives the usual tolerance.
func (l *lotData) SetDefaults() { l.Tolerance = 0.5 }

type sampleData struct {
	Name     string                    `toml:"name,required"`
	Lot      string                    `toml:"lot,required"`
	Weight   *quantity.Kilogram        `toml:"weight"`
	OvenDry  *quantity.Kilogram        `toml:"oven_dry"`
	Moisture *quantity.MoistureContent `toml:"moisture"`
	Sections []sectionData             `toml:"section"`
	Place    string                    `toml:"place"`
}

type sectionData struct {
	Wet quantity.Kilogram `toml:"wet,required"`
	Dry quantity.Kilogram `toml:"dry,required"`
}

// ParseCharge reads a charge sheet. The error holds every fault of the text; what only shows against a kiln is found by
// Resolve. A sheet with faults is given too: Resolve goes on from it and reports these faults with its own.
func ParseCharge(name string, text []byte) (*ChargeSheet, error) {
	c := &ChargeSheet{}
	c.sheet = sheet.Read(name, text, &c.data)
	c.check()
	return c, c.sheet.Err()
}

// ID gives the charge's id.
func (c *ChargeSheet) ID() string { return c.data.ID }

// ScheduleFile gives the name of the schedule file that the sheet asks for, without its folder: NAME.schedule.toml.
// Empty: none.
func (c *ChargeSheet) ScheduleFile() string {
	if c.data.Schedule == "" {
		return ""
	}
	return c.data.Schedule + ".schedule.toml"
}

// Use hands over the schedule file that the sheet asks for, once the caller has read it.
func (c *ChargeSheet) Use(s *ScheduleSheet) { c.schedule = s }

// Ranges in which the figures of a charge can be meant.
const (
	minThickness quantity.Meter           = 0.010
	maxThickness quantity.Meter           = 0.110
	maxVolume    quantity.CubicMeter      = 200
	minTarget    quantity.MoistureContent = 4
	maxTarget    quantity.MoistureContent = 25
	maxStart     quantity.MoistureContent = 250
	maxTolerance quantity.MoistureContent = 5
)

// between reports a value outside its range, low and high included.
func between[T interface {
	~float64
	String() string
}](s *sheet.Sheet, key string, v, low, high T) {
	if !(v >= low && v <= high) {
		s.Fault(key, s.Written(key, v.String()), fmt.Sprintf("%v to %v", low, high))
	}
}

// check judges what needs no kiln.
func (c *ChargeSheet) check() {
	s, d := c.sheet, &c.data
	if s.Good("id") && d.ID == "" {
		s.Fault("id", `""`, "an id for the charge")
	}
	if d.Schedule != "" && len(d.Stages) > 0 {
		s.Fault("schedule", strconv.Quote(d.Schedule), "either the name of a schedule file or stages in this sheet, not both")
	}
	c.checkEqualizing()
	if len(d.Lots) == 0 && s.Given("lot") {
		s.Fault("lot", "no lot", "at least one")
	}
	c.checkLots()
	c.checkSamples()
	if len(d.Stages) > 0 {
		checkStages(s, d.Stages)
	}
}

func (c *ChargeSheet) checkEqualizing() {
	s, e := c.sheet, &c.data.Equalizing
	if _, known := equalizeRules[e.Rule]; !known && e.Rule != "" {
		s.Fault("equalizing.rule", strconv.Quote(e.Rule), "one of mean, handbook, handbook_softwood, none")
	}
	for _, f := range []struct {
		key   string
		value *quantity.MoistureContent
	}{{"start_below", e.StartBelow}, {"emc_below", e.EMCBelow}, {"end_above", e.EndAbove}} {
		if f.value != nil {
			between(s, sheet.Sub("equalizing", f.key), *f.value, 0, 4)
		}
	}
}

// equalizeRules: mean is the program's own, for targets that mean the lot's mean. The handbook's takes the target as the
// wettest board: 2 points, 3 for softwoods (Simpson (ed.) 1991, AH-188, ch. 7). none leaves the stage out: drying ends when
// the mean of every lot is at its target.
var equalizeRules = map[string]Equalizing{
	"mean":              DefaultEqualizing(),
	"handbook":          {StartBelow: 2, EMCBelow: 2, EndAbove: 0},
	"handbook_softwood": {StartBelow: 3, EMCBelow: 3, EndAbove: 0},
	noEqualizing:        DefaultEqualizing(),
}

const noEqualizing = "none"

func (e *equalizeData) resolve() Equalizing {
	rule, known := equalizeRules[e.Rule]
	if !known {
		rule = DefaultEqualizing()
	}
	for _, f := range []struct {
		given *quantity.MoistureContent
		to    *quantity.MoistureContent
	}{{e.StartBelow, &rule.StartBelow}, {e.EMCBelow, &rule.EMCBelow}, {e.EndAbove, &rule.EndAbove}} {
		if f.given != nil {
			*f.to = *f.given
		}
	}
	return rule
}

func (c *ChargeSheet) checkLots() {
	s := c.sheet
	for i := range c.data.Lots {
		l, at := &c.data.Lots[i], sheet.At("lot", i)
		if i >= maxLots {
			s.Fault(at, fmt.Sprintf("lot %d", i+1), fmt.Sprintf("at most %d lots", maxLots))
			continue
		}
		if name := sheet.Sub(at, "name"); s.Good(name) {
			switch first := c.lotNamed(l.Name); {
			case l.Name == "":
				s.Fault(name, `""`, "a name for the lot")
			case first < i:
				s.Fault(name, strconv.Quote(l.Name), fmt.Sprintf("a name of its own; lot %d has it", first+1))
			}
		}
		if key := sheet.Sub(at, "thickness"); s.Good(key) {
			between(s, key, l.Thickness, minThickness, maxThickness)
		}
		if key := sheet.Sub(at, "volume"); s.Good(key) && !(l.Volume > 0 && l.Volume <= maxVolume) {
			s.Fault(key, s.Written(key, l.Volume.String()), fmt.Sprintf("more than 0 and at most %v", maxVolume))
		}
		if key := sheet.Sub(at, "pieces"); l.Pieces < 0 {
			s.Fault(key, strconv.Itoa(l.Pieces), "a count of boards")
		}
		if key := sheet.Sub(at, "tolerance"); s.Good(key) && !(l.Tolerance > 0 && l.Tolerance <= maxTolerance) {
			s.Fault(key, s.Written(key, l.Tolerance.String()), fmt.Sprintf("more than 0 and at most %v", maxTolerance))
		}
		start, target := sheet.Sub(at, "start"), sheet.Sub(at, "target")
		if s.Good(target) {
			between(s, target, l.Target, minTarget, maxTarget)
		}
		if s.Good(start) {
			between(s, start, l.Start, minTarget, maxStart)
		}
		if s.Good(start) && s.Good(target) && l.Start <= l.Target {
			s.Fault(start, s.Written(start, l.Start.String()), fmt.Sprintf("more than the target of %v", l.Target))
		}
	}
}

// lotNamed gives the index of the first lot with this name, -1 when there is none.
func (c *ChargeSheet) lotNamed(name string) int {
	for i := range c.data.Lots {
		if c.data.Lots[i].Name == name {
			return i
		}
	}
	return -1
}

func (c *ChargeSheet) checkSamples() {
	s, seen := c.sheet, map[string]int{}
	for i := range c.data.Samples {
		d, at := &c.data.Samples[i], sheet.At("sample", i)
		if i >= maxSamples {
			s.Fault(at, fmt.Sprintf("sample %d", i+1), fmt.Sprintf("at most %d samples", maxSamples))
			continue
		}
		if name := sheet.Sub(at, "name"); s.Good(name) {
			switch first, twice := seen[d.Name]; {
			case d.Name == "":
				s.Fault(name, `""`, "a name for the sample board")
			case twice:
				s.Fault(name, strconv.Quote(d.Name), fmt.Sprintf("a name of its own; sample %d has it", first+1))
			default:
				seen[d.Name] = i
			}
		}
		if lot := sheet.Sub(at, "lot"); s.Good(lot) && c.lotNamed(d.Lot) < 0 {
			s.Fault(lot, strconv.Quote(d.Lot), "the name of a lot of this sheet")
		}
		c.checkWeights(d, at)
	}
}

// checkWeights: the oven-dry weight of a sample comes from its sections, their mean moisture, or is given.
func (c *ChargeSheet) checkWeights(d *sampleData, at string) {
	s := c.sheet
	ways := 0
	for _, given := range []bool{d.OvenDry != nil, d.Moisture != nil, len(d.Sections) > 0} {
		if given {
			ways++
		}
	}
	if ways > 1 {
		s.Fault(at, "several of oven_dry, moisture and section", "one of them")
	}
	if ways == 1 && d.Weight == nil && !s.Given(sheet.Sub(at, "weight")) {
		s.Missing(sheet.Sub(at, "weight"), "the weight when cut")
	}
	if d.Weight != nil && s.Good(sheet.Sub(at, "weight")) && !(*d.Weight > 0.02 && *d.Weight < 50) {
		s.Fault(sheet.Sub(at, "weight"), s.Written(sheet.Sub(at, "weight"), d.Weight.String()), "0.02 kg to 50 kg")
	}
	if d.Moisture != nil {
		between(s, sheet.Sub(at, "moisture"), *d.Moisture, minTarget, maxStart)
	}
	if key := sheet.Sub(at, "oven_dry"); d.OvenDry != nil && s.Good(key) && d.Weight != nil {
		if mc := (float64(*d.Weight / *d.OvenDry) - 1) * 100; !(mc >= 0 && mc <= float64(maxStart)) {
			s.Fault(key, s.Written(key, d.OvenDry.String()), fmt.Sprintf("less than the weight of %v, and more than %v of it", *d.Weight, 1/(1+float64(maxStart)/100)))
		}
	}
	for j := range d.Sections {
		x, key := &d.Sections[j], sheet.At(sheet.Sub(at, "section"), j)
		if s.Good(sheet.Sub(key, "wet")) && s.Good(sheet.Sub(key, "dry")) && !(x.Dry > 0 && x.Wet >= x.Dry && float64(x.Wet/x.Dry) <= 1+float64(maxStart)/100) {
			s.Fault(sheet.Sub(key, "dry"), s.Written(sheet.Sub(key, "dry"), x.Dry.String()), fmt.Sprintf("more than 0 and less than the wet weight of %v", x.Wet))
		}
	}
}

// ovenDry gives the calculated oven-dry weight of a sample board, 0 when the sheet does not tell.
func (d *sampleData) ovenDry() quantity.Kilogram {
	if d.Weight == nil {
		return 0
	}
	if d.OvenDry != nil {
		return *d.OvenDry
	}
	var moistures []quantity.MoistureContent
	if d.Moisture != nil {
		moistures = append(moistures, *d.Moisture)
	}
	for _, x := range d.Sections {
		if mc, err := wood.SectionMoisture(x.Wet, x.Dry); err == nil {
			moistures = append(moistures, mc)
		}
	}
	ovenDry, err := wood.CalculatedOvenDry(*d.Weight, moistures...)
	if err != nil {
		return 0 // checkWeights has said why
	}
	return ovenDry
}
