package schedule

import (
	"fmt"
	"math"
	"strconv"

	"drywarden/hardware"
	"drywarden/hardware/quantity"
	"drywarden/schedule/sheet"
	"drywarden/schedule/wood"
)

const (
	maxLots    = hardware.MaxLots
	maxSamples = hardware.MaxSamples
)

// ScheduleSheet is a schedule as a person wrote it down: read, not yet judged against a kiln.
type ScheduleSheet struct {
	data  scheduleData
	sheet *sheet.Sheet
}

type scheduleData struct {
	Name   string      `toml:"name,required"`
	Source string      `toml:"source,required"`
	Notes  string      `toml:"notes"`
	Stages []stageData `toml:"stage,required"`
}

type stageData struct {
	Name       string                    `toml:"name"`
	Kind       Kind                      `toml:"kind,required"`
	DryBulb    *quantity.Celsius         `toml:"dry_bulb"`
	EMC        *quantity.MoistureContent `toml:"emc"`
	Depression *quantity.CelsiusDelta    `toml:"depression"`
	WetBulb    *quantity.Celsius         `toml:"wet_bulb"`
	RH         *quantity.Ratio           `toml:"rh"`
	Ramp       *quantity.CelsiusPerHour  `toml:"ramp"`
	EMCRamp    *quantity.MoisturePerHour `toml:"emc_ramp"`
	Until      untilData                 `toml:"until"`
	Core       *quantity.Celsius         `toml:"core"`
	Exposure   *quantity.Duration        `toml:"exposure"`
	Count      *countRule                `toml:"count"`
	Cores      *int                      `toml:"cores"`
}

type untilData struct {
	Moisture *quantity.MoistureContent `toml:"moisture"`
	Time     *quantity.Duration        `toml:"time"`
	AtLeast  *quantity.Duration        `toml:"at_least"`
	AtMost   *quantity.Duration        `toml:"at_most"`
}

type countRule uint8

const (
	unbroken countRule = iota
	cumulative
)

var countNames = [...]string{"unbroken", "cumulative"}

func (c countRule) String() string                { return nameOf(countNames[:], uint8(c)) }
func (c *countRule) UnmarshalText(b []byte) error { return named(countNames[:], "count", b, c) }

// ParseSchedule reads a schedule file. The error holds every fault of the text; what only shows against a kiln and a
// charge is found by Resolve or Check. A sheet with faults is given too.
func ParseSchedule(name string, text []byte) (*ScheduleSheet, error) {
	s := &ScheduleSheet{}
	s.sheet = sheet.Read(name, text, &s.data)
	if s.sheet.Good("name") && s.data.Name == "" {
		s.sheet.Fault("name", `""`, "a name for the schedule")
	}
	checkStages(s.sheet, s.data.Stages)
	return s, s.sheet.Err()
}

// Check judges a schedule file against a kiln alone, without a charge. The error is *sheet.Faults.
func (s *ScheduleSheet) Check(kiln Kiln) error {
	on := s.sheet.Clone()
	if err := kiln.check(); err != nil {
		return err
	}
	judge := judge{on, &kiln, nil, DefaultEqualizing()}
	judge.written(s.data.Stages)
	return on.Err()
}

// Name gives the schedule's name.
func (s *ScheduleSheet) Name() string { return s.data.Name }

// order is where a kind may stand: a schedule goes through these in turn, and only dry stages come more than once.
var order = [kindCount]int{Preheat: 0, Dry: 1, Equalize: 2, Condition: 3, Heat: 4, Cool: 5}

// checkStages judges what needs neither kiln nor charge: the order, and which keys a kind has.
func checkStages(s *sheet.Sheet, stages []stageData) {
	last, lastDry := -1, -1
	lastUntil := quantity.MoistureContent(math.Inf(1))
	for i := range stages {
		if s.Good(sheet.Sub(sheet.At("stage", i), "kind")) && stages[i].Kind == Dry {
			lastDry = i
		}
	}
	for i := range stages {
		d, at := &stages[i], sheet.At("stage", i)
		if i >= MaxStages {
			s.Fault(at, fmt.Sprintf("stage %d", i+1), fmt.Sprintf("at most %d stages", MaxStages))
			return
		}
		kindKey := sheet.Sub(at, "kind")
		if !s.Good(kindKey) {
			continue
		}
		if n := order[d.Kind]; n < last || (n == last && d.Kind != Dry) {
			s.Fault(kindKey, d.Kind.String()+" at this place", "the order preheat, dry (one or more), equalize, condition, heat, cool")
		} else {
			last = n
		}
		checkKeys(s, d, at, i == lastDry)
		if u := d.Until.Moisture; u != nil && d.Kind == Dry {
			key := at + ".until.moisture"
			if *u >= lastUntil && s.Good(key) {
				s.Fault(key, s.Written(key, u.String()), fmt.Sprintf("less than the %v of the stage before", lastUntil))
			}
			lastUntil = *u
		}
	}
	checkEnds(s, stages)
}

// checkEnds: a schedule begins with a preheat, dries or heats, and ends with a cool stage.
func checkEnds(s *sheet.Sheet, stages []stageData) {
	n := len(stages)
	if n == 0 {
		if s.Given("stage") {
			s.Fault("stage", "no stage", "preheat, dry and cool at least")
		}
		return
	}
	works := false
	for i := range stages {
		works = works || stages[i].Kind == Dry || stages[i].Kind == Heat
	}
	if key := sheet.Sub(sheet.At("stage", 0), "kind"); stages[0].Kind != Preheat && s.Good(key) {
		s.Fault(key, stages[0].Kind.String()+" as the first stage", "preheat")
	}
	if key := sheet.Sub(sheet.At("stage", n-1), "kind"); stages[n-1].Kind != Cool && s.Good(key) {
		s.Fault(key, stages[n-1].Kind.String()+" as the last stage", "cool")
	} else if !works {
		s.Missing("stage", "a dry or a heat stage")
	}
}

// checkKeys: each kind has its own keys; one that would do nothing is a fault.
func checkKeys(s *sheet.Sheet, d *stageData, at string, lastDry bool) {
	k := d.Kind
	moist := 0
	for _, given := range []bool{d.EMC != nil, d.Depression != nil, d.WetBulb != nil, d.RH != nil} {
		if given {
			moist++
		}
	}
	needsAir := k == Preheat || k == Dry || k == Condition
	switch {
	case moist > 1:
		s.Fault(at, "several of emc, depression, wet_bulb and rh", "one of them")
	case moist == 0 && needsAir && k != Condition && !anyGiven(s, at, "emc", "depression", "wet_bulb", "rh"):
		s.Missing(sheet.Sub(at, "emc"), "one of emc, depression, wet_bulb, rh")
	}
	if d.DryBulb == nil && (k == Preheat || k == Dry || k == Heat) && !s.Given(sheet.Sub(at, "dry_bulb")) {
		s.Missing(sheet.Sub(at, "dry_bulb"), "a temperature with its unit (C, F)")
	}
	type rule struct {
		key      string
		given    bool
		allowed  bool
		required bool
		expected string
	}
	for _, r := range []rule{
		{"core", d.Core != nil, k == Heat, k == Heat, "a temperature with its unit (C, F)"},
		{"exposure", d.Exposure != nil, k == Heat, k == Heat, "a duration with its unit (s, min, h, d)"},
		{"count", d.Count != nil, k == Heat, false, ""},
		{"cores", d.Cores != nil, k == Heat, false, ""},
		{"until.moisture", d.Until.Moisture != nil, k == Dry, k == Dry && !lastDry, "the moisture at which the stage is over"},
		{"until.time", d.Until.Time != nil, k == Preheat || k == Condition, k == Preheat || k == Condition, "a time at the set points"},
	} {
		key := at + "." + r.key
		switch {
		case r.given && !r.allowed:
			s.Fault(key, "a key in a stage of kind "+k.String(), "none; it does nothing there")
		case r.required && !r.given && !s.Given(key):
			s.Missing(key, r.expected)
		}
	}
	checkRanges(s, d, at)
}

func anyGiven(s *sheet.Sheet, at string, keys ...string) bool {
	for _, key := range keys {
		if s.Given(sheet.Sub(at, key)) {
			return true
		}
	}
	return false
}

func checkRanges(s *sheet.Sheet, d *stageData, at string) {
	if d.Ramp != nil && !(*d.Ramp > 0 && *d.Ramp <= 20) {
		s.Fault(at+".ramp", s.Written(at+".ramp", d.Ramp.String()), "more than 0 K/h and at most 20 K/h")
	}
	if d.EMCRamp != nil && !(*d.EMCRamp > 0 && *d.EMCRamp <= 5) {
		s.Fault(at+".emc_ramp", s.Written(at+".emc_ramp", d.EMCRamp.String()), "more than 0 %/h and at most 5 %/h")
	}
	if d.Cores != nil && !(*d.Cores >= 1 && *d.Cores <= hardware.MaxProbes) {
		s.Fault(at+".cores", strconv.Itoa(*d.Cores), fmt.Sprintf("1 to %d", hardware.MaxProbes))
	}
	if d.Exposure != nil && *d.Exposure <= 0 {
		s.Fault(at+".exposure", s.Written(at+".exposure", d.Exposure.String()), "more than nothing")
	}
	if least, most := d.Until.AtLeast, d.Until.AtMost; least != nil && most != nil && *least >= *most {
		s.Fault(at+".until.at_least", s.Written(at+".until.at_least", least.String()), "less than at_most")
	}
	if d.Until.AtMost != nil && *d.Until.AtMost <= 0 {
		s.Fault(at+".until.at_most", s.Written(at+".until.at_most", d.Until.AtMost.String()), "more than nothing")
	}
}

// air gives dry bulb and EMC of a stage as written; what is left out is what the stage before has. ok is false when the
// sheet's own figures cannot be, which is then reported.
func (d *stageData) air(s *sheet.Sheet, at string, kiln *Kiln, before *Stage) (db quantity.Celsius, emc quantity.MoistureContent, ok bool) {
	db, emc = before.DryBulb, before.EMC
	if d.DryBulb != nil {
		db = *d.DryBulb
	}
	if s.Given(at+".dry_bulb") && !s.Good(at+".dry_bulb") {
		return db, emc, false
	}
	if db < restDryBulb || db > wood.EMCMaxTemperature {
		s.Fault(at+".dry_bulb", s.Written(at+".dry_bulb", db.String()), fmt.Sprintf("%v to %v", restDryBulb, wood.EMCMaxTemperature))
		return db, emc, false
	}
	key, rh := "", quantity.Ratio(-1)
	switch {
	case d.EMC != nil:
		between(s, at+".emc", *d.EMC, minEMC, maxEMC)
		return db, *d.EMC, s.Good(at + ".emc")
	case d.Depression != nil:
		if key = at + ".depression"; *d.Depression > 0 {
			rh = wood.RHFromPsychrometer(db, db-quantity.Celsius(*d.Depression), kiln.Machine.Pressure)
		}
	case d.WetBulb != nil:
		if key = at + ".wet_bulb"; *d.WetBulb < db {
			rh = wood.RHFromPsychrometer(db, *d.WetBulb, kiln.Machine.Pressure)
		}
	case d.RH != nil:
		key, rh = at+".rh", *d.RH
	default:
		return db, emc, !anyGiven(s, at, "emc", "depression", "wet_bulb", "rh")
	}
	if !(rh > 0 && rh < 1) {
		s.Fault(key, s.Written(key, ""), fmt.Sprintf("air that can be at a dry bulb of %.1f C", float64(db)))
		return db, emc, false
	}
	emc = wood.EMC(db, rh)
	if emc < minEMC || emc > maxEMC {
		s.Fault(key, fmt.Sprintf("%s, an EMC of %.1f %%", s.Written(key, ""), float64(emc)), fmt.Sprintf("an EMC of %v to %v", minEMC, maxEMC))
		return db, emc, false
	}
	return db, emc, s.Good(key)
}
