package audit

import (
	"math"
	"math/bits"
	"slices"

	"drywarden/hardware/trace"
)

// set is outputs or contacts, in the order of the lists below, whatever order a header uses.
type set uint32

func (s set) has(other set) bool { return s&other != 0 }

// Outputs as headers name them.
var outputNames = []string{"fan_forward_1", "fan_forward_2", "fan_forward_3", "fan_forward_4", "fan_reverse_1",
	"fan_reverse_2", "fan_reverse_3", "fan_reverse_4", "compressor", "blower", "blower_low", "crankcase", "heat_1", "heat_2",
	"heat_3", "vent", "spray", "sounder", "beacon", "alarm_lamp", "door_lamp", "heartbeat"}

const (
	forward    set = 1<<4 - 1
	reverse        = forward << 4
	fans           = forward | reverse
	compressor set = 1 << 8
	blower     set = 1 << 9
	blowerLow  set = 1 << 10
	crankcase  set = 1 << 11
	heat       set = 7 << 12
	vent       set = 1 << 15
	spray      set = 1 << 16
	sounder    set = 1 << 17
	beacon     set = 1 << 18
	alarmLamp  set = 1 << 19
	doorLamp   set = 1 << 20
	heartbeat  set = 1 << 21

	// signals move nothing and heat nothing: "everything off" leaves them alone.
	signals = sounder | beacon | alarmLamp | doorLamp | heartbeat
	// movers are what can hurt somebody who opens the door.
	movers = fans | compressor | heat | spray
	// contactors are what wears when it is switched too often.
	contactors = fans | compressor | blower | blowerLow | crankcase | heat
)

// Contacts as headers name them.
var contactNames = []string{"airflow", "blower_airflow", "e_stop", "door", "high_limit", "high_pressure", "low_pressure",
	"smoke", "gas", "float", "mains", "inside_button", "inhibit", "panel_reset", "panel_key", "vent_open", "vent_shut", "water_supply"}

const (
	airflow set = 1 << iota
	blowerAir
	eStop
	door
	highLimit
	highPressure
	lowPressure
	smoke
	gas
	float
	mains
	insideButton
	inhibit
	panelReset
	panelKey
	ventOpen
	ventShut
	waterSupply
)

// Modes, forced levels, stage kinds, verbs and event kinds as headers name them. The first of each list is what an
// unknown number counts as.
var (
	modeNames   = []string{"unknown", "start", "rest", "work", "hold", "service"}
	forcedNames = []string{"unknown", "none", "safe", "off"}
	kindNames   = []string{"unknown", "preheat", "dry", "equalize", "condition", "heat", "cool"}
	verbNames   = []string{"unknown", "start", "end", "hold", "resume", "advance", "back", "confirm", "weigh"}
	eventNames  = []string{"unknown", "command", "stage", "weigh", "alarm", "alarm_clear", "trip_reset", "start", "end", "confirmed", "reset_granted"}
	// What a person confirms, of that which invariants speak of.
	matterNames = []string{"unknown", "stop", "files"}
)

const (
	modeStart = iota + 1
	modeRest
	modeWork
	modeHold
	modeService
)

const (
	forcedNone = iota + 1
	forcedSafe
	forcedOff
)

const (
	kindPreheat = iota + 1
	kindDry
	kindEqualize
	kindCondition
	kindHeat
	kindCool
)

const (
	verbStart = iota + 1
	verbEnd
	verbHold
	verbResume
	verbAdvance
	verbBack
	verbConfirm
	verbWeigh
	verbCount
)

const (
	eventCommand = iota + 1
	eventStage
	eventWeigh
	eventAlarm
	eventAlarmClear
	eventTripReset
	eventStart
	eventEnd
	eventConfirmed
	eventResetGranted
)

const (
	matterStop = iota + 1
	matterFiles
)

// bitmap turns bits in a header's order into a set.
type bitmap struct {
	same bool
	to   [32]int8
}

func newBitmap(header, ours []string) bitmap {
	m := bitmap{same: true}
	for i := range m.to {
		m.to[i] = -1
		if i < len(header) {
			m.to[i] = int8(slices.Index(ours, header[i]))
		}
		if int(m.to[i]) != i && (i < len(header) || i < len(ours)) {
			m.same = false
		}
	}
	return m
}

func (m *bitmap) set(b uint32, known set) set {
	if m.same {
		return set(b) & known
	}
	var s set
	for ; b != 0; b &= b - 1 {
		if to := m.to[bits.TrailingZeros32(b)]; to >= 0 {
			s |= 1 << to
		}
	}
	return s & known
}

// enum turns a number in a header's order into one of ours.
type enum struct {
	to   [32]uint8
	size int
}

func newEnum(header, ours []string) enum {
	e := enum{size: min(len(header), 32)}
	for i := range e.size {
		if j := slices.Index(ours, header[i]); j > 0 {
			e.to[i] = uint8(j)
		}
	}
	return e
}

func (e *enum) of(n int) uint8 {
	if uint(n) >= uint(e.size) {
		return 0
	}
	return e.to[n]
}

// tables is a header, resolved.
type tables struct {
	outputs, contacts bitmap
	fitted            set // outputs
	readBack          set // outputs
	wired             set // contacts
	modes             enum
	forced            enum
	kinds             enum
	verbs             enum
	events            enum
	matters           enum
	grants            bool // the header names the event of a granted reset
	anyVerb           bool // the header names no verbs: any accepted command may have been any
	anyMatter         bool // the header names no matters: a confirmation was one of all

	valid                                 uint8 // quality that says valid
	qualities                             int
	dryBulb, wetBulb, humidity, core      []uint8
	coil, outdoorTemp, outdoorHumidity    []uint8
	probes                                []bounds
	powerOn                               []float64 // what each probe gives before it has measured, in its own unit
	stopRules, limitRules, fireRules      uint64    // by id
	gasRules, floatRules, insideRules     uint64    // by id
	inhibitRules                          uint64    // by id
	hotRules                              uint64    // by id: the kiln was too hot
	recordRules                           uint64    // by id: the record of trips was lost
	latched, atPanel, byTechnician        uint64    // by id
	lots                                  int
	stages                                []trace.Stage
	stageKind                             []uint8
	lastDry                               int
	highestTarget                         float64
	lowestMax, ambientMin, ambientMax     float64
	setMax                                float64
	rest, minOn, coast, startDelay        int64
	ventEvery, sprayEvery, contactorEvery int64
	starts                                int
	tick                                  int64
}

// powerOn is what a common kind of bus thermometer holds before its first conversion, in Celsius, and no measurement: Maxim
// Integrated, DS18B20 data sheet (2019), temperature register.
const (
	powerOn     = 85.0
	powerOnStep = 0.005 // half of a reading's step
)

// bounds is what a probe's role can measure in any kiln; a valid reading outside is a fault of the border.
type bounds struct{ low, high float64 }

var roleBounds = map[string]bounds{
	"humidity":         {0, 1.05},
	"outdoor_humidity": {0, 1.05},
	"pin":              {0, 1e15},
	"load_cell":        {-100, 1e5},
}

func resolve(h *trace.Header) tables {
	t := tables{
		outputs: newBitmap(h.Outputs, outputNames), contacts: newBitmap(h.Contacts, contactNames),
		modes: newEnum(h.Modes, modeNames), forced: newEnum(h.ForcedLevels, forcedNames), kinds: newEnum(h.StageKinds, kindNames),
		verbs: newEnum(h.Verbs, verbNames), events: newEnum(h.EventKinds, eventNames), anyVerb: len(h.Verbs) == 0,
		matters: newEnum(h.Matters, matterNames), anyMatter: len(h.Matters) == 0,
		qualities: len(h.Qualities), valid: 255, lastDry: -1,
	}
	t.grants = slices.Contains(h.EventKinds, eventNames[eventResetGranted])
	t.fitted = t.outputs.set(h.OutputsFitted, 1<<len(outputNames)-1)
	t.readBack = t.outputs.set(h.OutputsReadBack, t.fitted)
	t.wired = t.contacts.set(h.ContactsFitted, 1<<len(contactNames)-1)
	if i := slices.Index(h.Qualities, "valid"); i >= 0 {
		t.valid = uint8(i)
	}
	for i, p := range h.Probes[:min(len(h.Probes), trace.MaxProbes)] {
		to := map[string]*[]uint8{"dry_bulb": &t.dryBulb, "wet_bulb": &t.wetBulb, "humidity": &t.humidity, "core": &t.core,
			"coil": &t.coil, "outdoor_temperature": &t.outdoorTemp, "outdoor_humidity": &t.outdoorHumidity}[p.Role]
		if to != nil {
			*to = append(*to, uint8(i))
		}
		b, ok := roleBounds[p.Role]
		if !ok {
			b = bounds{-80, 250} // Celsius: colder than any weather, hotter than any probe of a kiln stands
		}
		t.probes = append(t.probes, b)
		start := powerOn + p.Offset
		if ok { // no thermometer
			start = math.NaN()
		}
		t.powerOn = append(t.powerOn, start)
	}
	t.rules(h)
	t.limits(&h.Limits)
	t.tick = h.TickNS
	if t.tick <= 0 {
		t.tick = 1e9
	}
	t.lowestMax = 1e9
	if h.Run != nil {
		t.lots = min(len(h.Run.Lots), trace.MaxLots)
		t.stages = h.Run.Stages
		for i, s := range t.stages {
			k := uint8(max(0, slices.Index(kindNames, s.Kind)))
			t.stageKind = append(t.stageKind, k)
			if k == kindDry {
				t.lastDry = i
			}
		}
		for _, l := range h.Run.Lots {
			t.highestTarget = max(t.highestTarget, l.Target)
			if l.MaxDryBulb > 0 {
				t.lowestMax = min(t.lowestMax, l.MaxDryBulb)
			}
		}
	}
	return t
}

func (t *tables) rules(h *trace.Header) {
	for _, r := range h.Rules {
		if r.ID >= 64 {
			continue
		}
		bit := uint64(1) << r.ID
		if r.Latched && r.Clears != "itself" {
			t.latched |= bit
		}
		if r.Clears == "panel" || r.Clears == "technician" {
			t.atPanel |= bit
		}
		if r.Clears == "technician" {
			t.byTechnician |= bit
		}
		switch {
		case contains(r.Name, "e_stop", "emergency_stop", "estop"):
			t.stopRules |= bit
		case contains(r.Name, "limit"):
			t.limitRules |= bit
		case contains(r.Name, "smoke", "fire"):
			t.fireRules |= bit
		case contains(r.Name, "inside"):
			t.insideRules |= bit
		case contains(r.Name, "inhibit"):
			t.inhibitRules |= bit
		case contains(r.Name, "gas"):
			t.gasRules |= bit
		case contains(r.Name, "water_on_floor", "float"):
			t.floatRules |= bit
		}
		if contains(r.Name, "high_limit", "too_high") {
			t.hotRules |= bit
		}
		if contains(r.Name, "record") {
			t.recordRules |= bit & t.latched
		}
	}
}

func (t *tables) limits(l *trace.Limits) {
	t.rest = max(l.CompressorMinOffNS, int64(leastRest))
	t.minOn = max(l.CompressorMinOnNS, int64(leastOn))
	t.coast = max(l.FanCoastNS, int64(leastCoast))
	t.startDelay = max(l.StartDelayNS, int64(leastStartDelay))
	t.ventEvery = max(l.VentIntervalNS, int64(leastVentInterval))
	t.sprayEvery = max(l.SprayIntervalNS, int64(leastSprayInterval))
	t.contactorEvery = max(l.ContactorIntervalNS, int64(leastContactorInterval))
	t.starts = mostStarts
	if l.CompressorStartsHour > 0 {
		t.starts = min(t.starts, l.CompressorStartsHour)
	}
	t.ambientMin, t.ambientMax = l.CompressorAmbientMin, l.CompressorAmbientMax
	t.setMax = l.SetDryBulbMax
	if t.setMax == 0 {
		t.setMax = l.DryBulbMax
	}
}
