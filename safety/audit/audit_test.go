package audit

import (
	"bytes"
	"io"
	"math"
	"math/bits"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"drywarden/hardware/trace"
)

// The tables of a header, in an order of their own: meaning must come from the names.
var (
	testOutputs  = []string{"heartbeat", "vent", "fan_forward_1", "fan_reverse_1", "compressor", "heat_1", "spray", "sounder", "blower", "alarm_lamp", "crankcase"}
	testContacts = []string{"door", "airflow", "e_stop", "high_limit", "panel_reset", "smoke", "high_pressure", "mains", "inside_button", "blower_airflow", "panel_key",
		"gas", "float", "inhibit", "vent_shut", "water_supply"}
	testProbes  = []string{"dry_bulb", "dry_bulb", "humidity", "core", "core", "outdoor_temperature", "outdoor_humidity", "coil"}
	testVerbs   = []string{"none", "hold", "resume", "advance", "back", "confirm", "weigh", "end", "start", "ack"}
	testEvents  = []string{"none", "command", "stage", "weigh", "alarm", "alarm_clear", "trip_reset", "checkpoint", "confirmed"}
	testMatters = []string{"weights", "files", "stop"}
	testModes   = []string{"start", "rest", "work", "hold", "service"}
	testKinds   = []string{"preheat", "dry", "equalize", "condition", "heat", "cool"}
	testForced  = []string{"none", "safe", "off"}
)

func testHeader(boot uint32) trace.Header {
	h := trace.Header{Format: 1, Kiln: "shed", KilnHash: "k", TickNS: 1e9, Boot: boot, Qualities: []string{"absent", "valid", "stale"},
		Contacts: testContacts, ContactsFitted: 1<<len(testContacts) - 1, Outputs: testOutputs, OutputsFitted: 1<<len(testOutputs) - 1,
		OutputsReadBack: 0b1100, Modes: testModes, StageKinds: testKinds, EventKinds: testEvents, ForcedLevels: testForced, Verbs: testVerbs, Matters: testMatters,
		Rules: []trace.Rule{{ID: 1, Name: "e_stop", Latched: true, Clears: "panel"}, {ID: 2, Name: "high_limit", Latched: true, Clears: "panel"},
			{ID: 3, Name: "smoke", Latched: true, Clears: "panel"}, {ID: 4, Name: "no_airflow", Latched: true, Clears: "operator"},
			{ID: 5, Name: "trip_record_unreadable", Latched: true, Clears: "panel"}, {ID: 6, Name: "trip_record_not_saved", Clears: "itself"},
			{ID: 7, Name: "inside_button", Latched: true, Clears: "panel"}, {ID: 8, Name: "gas_leak", Latched: true, Clears: "technician"},
			{ID: 9, Name: "water_on_floor", Latched: true, Clears: "panel"}, {ID: 10, Name: "inhibit", Latched: true, Clears: "panel"}},
		Limits: trace.Limits{CompressorMinOffNS: 300e9, CompressorMinOnNS: 600e9, CompressorStartsHour: 4, CompressorAmbientMin: 18,
			CompressorAmbientMax: 55, FanCoastNS: 90e9, DryBulbMax: 72, SetDryBulbMax: 69, StartDelayNS: 30e9, VentIntervalNS: 60e9,
			SprayIntervalNS: 5e9, ContactorIntervalNS: 10e9, RampDryBulb: 5, RampEMC: 2},
		Run: &trace.Run{ID: 7, Charge: "c", Schedule: "s", Hash: "h",
			Lots: []trace.Lot{{Name: "a", Target: 7, GreenMaxDryBulb: 44, MaxDryBulb: 70, FiberSaturation: 30},
				{Name: "b", Target: 6.75, GreenMaxDryBulb: 50, FiberSaturation: 30}},
			Stages: []trace.Stage{{Name: "warm", Kind: "preheat", DryBulb: 40, EMC: 17, MinDwellNS: 600e9},
				{Name: "dry 1", Kind: "dry", DryBulb: 43, EMC: 15, MinDwellNS: 3600e9, UntilMC: 25},
				{Name: "dry 2", Kind: "dry", DryBulb: 49, EMC: 5, MinDwellNS: 3600e9},
				{Name: "even", Kind: "equalize", DryBulb: 49, EMC: 6.5}, {Name: "relieve", Kind: "condition", DryBulb: 49, EMC: 11},
				{Name: "bugs", Kind: "heat", DryBulb: 65, EMC: 8, Core: 57, ExposureNS: 1800e9, Unbroken: true, MinCores: 2},
				{Name: "cool", Kind: "cool", DryBulb: 35, EMC: 8}}}}
	for _, role := range testProbes {
		h.Probes = append(h.Probes, trace.Probe{Name: role, Role: role, Lot: -1})
	}
	return h
}

// tape makes records and has them judged at once.
type tape struct {
	h      trace.Header
	c      *Checker
	r      trace.Record
	air    bool          // airflow follows the fans
	frozen bool          // the heartbeat stands
	step   time.Duration // from record to record
	keep   func(*trace.Record)
	began  bool
}

func bit(names []string, name string) uint32 {
	i := slices.Index(names, name)
	if i < 0 {
		panic(name)
	}
	return 1 << i
}

func index(names []string, name string) uint8 { return uint8(bits.TrailingZeros32(bit(names, name))) }

// newTape is a kiln at rest before its first tick; h may be changed by edit.
func newTape(edit ...func(*trace.Header)) *tape {
	t := &tape{h: testHeader(1), air: true, step: time.Second}
	for _, e := range edit {
		e(&t.h)
	}
	t.c = New(t.h)
	t.fresh()
	return t
}

func (t *tape) fresh() {
	t.r = trace.Record{Boot: t.h.Boot, Stage: -1, Governing: -1, Mode: index(testModes, "start")}
	t.r.ContactValid = t.h.ContactsFitted
	t.r.ContactActive = bit(testContacts, "mains") | bit(testContacts, "blower_airflow") | bit(testContacts, "vent_shut") | bit(testContacts, "water_supply")
	for i, v := range []float64{41, 41.2, 0.85, 25, 26, 10, 0.6, 12} {
		t.r.Probe[i], t.r.ProbeQuality[i] = v, 1
	}
	t.r.DryBulb, t.r.DryBulbValid, t.r.EMC, t.r.EMCValid = 41.2, true, 16, true
	for i := range 2 {
		t.r.Lots[i] = trace.LotBelief{Control: 60 - 2*float64(i), Mean: 58, Sigma: 1.2, Rate: 2}
	}
	t.r.ReadBackValid = 0b1100
	t.began = false
}

// run ticks n times.
func (t *tape) run(n int) {
	for range n {
		r := &t.r
		r.Tick++
		r.Uptime += t.step
		if !t.began {
			t.began = true
			r.Uptime = t.step
		} else if r.Mode == index(testModes, "work") && r.Stage >= 0 {
			r.StageTime += t.step
		}
		hb := bit(testOutputs, "heartbeat")
		if !t.frozen {
			r.Applied = r.Applied&^hb | (r.Applied^hb)&hb
		}
		if t.air {
			t.contact("airflow", r.ReadBack&(bit(testOutputs, "fan_forward_1")|bit(testOutputs, "fan_reverse_1")) != 0)
		}
		t.c.Check(r)
		if t.keep != nil {
			t.keep(r)
		}
		r.ReadBack = r.Applied & r.ReadBackValid
		r.EventCount = 0
	}
}

func (t *tape) on(names ...string) {
	for _, n := range names {
		t.r.Requested |= bit(testOutputs, n)
		t.r.Applied |= bit(testOutputs, n)
		if strings.HasPrefix(n, "fan") {
			t.r.RequestedSpeed[0], t.r.AppliedSpeed[0] = 1, 1
		}
	}
}

func (t *tape) off(names ...string) {
	for _, n := range names {
		t.r.Requested &^= bit(testOutputs, n)
		t.r.Applied &^= bit(testOutputs, n)
	}
}

func (t *tape) contact(name string, active bool) {
	t.r.ContactActive &^= bit(testContacts, name)
	if active {
		t.r.ContactActive |= bit(testContacts, name)
	}
}

func (t *tape) event(kind string, a int32, b float64) {
	t.r.Events[t.r.EventCount] = trace.Event{Kind: index(testEvents, kind), A: a, B: b}
	t.r.EventCount++
}

func (t *tape) command(verb string) { t.event("command", int32(index(testVerbs, verb)), 0) }

// confirm takes a person's word for a matter.
func (t *tape) confirm(matter string) {
	t.command("confirm")
	t.event("confirmed", int32(index(testMatters, matter)), 0)
}

func (t *tape) mode(name string) { t.r.Mode = index(testModes, name) }

// stage enters a stage of the run with set points as they are.
func (t *tape) stage(i int8) {
	s := t.h.Run.Stages[i]
	t.r.RunID, t.r.Stage, t.r.StageKind, t.r.StageTime, t.r.SetActive = t.h.Run.ID, i, index(testKinds, s.Kind), 0, true
	t.r.BaseDryBulb, t.r.BaseEMC, t.r.Governing = s.DryBulb, s.EMC, 0
}

// reboot starts another boot; everything is off and the run's state is as given.
func (t *tape) reboot(outage time.Duration, edit ...func(*trace.Header)) {
	t.h.Boot++
	t.h.OutageKnown, t.h.OutageNS = outage >= 0, int64(max(0, outage))
	for _, e := range edit {
		e(&t.h)
	}
	t.c.Restart(t.h)
	t.r.Boot, t.r.Tick, t.r.Uptime = t.h.Boot, 0, 0
	t.r.Applied, t.r.Requested, t.r.ReadBack = 0, 0, 0
	t.r.AppliedSpeed, t.r.RequestedSpeed = [4]float64{}, [4]float64{}
	t.mode("start")
	t.began = false
}

// start sits out the start-up delay and proves the fans.
func (t *tape) start() {
	t.run(20)
	t.on("sounder")
	t.run(10)
	t.off("sounder")
	t.on("fan_forward_1")
	t.mode("rest")
	t.run(10)
}

// work is a kiln in stage i of its run with air moving, an hour after its start.
func work(i int8, edit ...func(*trace.Header)) *tape {
	t := newTape(edit...)
	t.r.SetDryBulb, t.r.SetEMC = 41, 16
	if i >= 2 {
		for l := range 2 {
			t.r.Lots[l] = trace.LotBelief{Control: 18 - float64(l), Mean: 17, Sigma: 0.8, Rate: 1}
		}
	}
	t.start()
	t.stage(i)
	t.mode("work")
	t.run(3600)
	return t
}

func (t *tape) report() Report { return t.c.Finish() }

func names(r Report) []string {
	var out []string
	for _, v := range r.Violations {
		if !slices.Contains(out, v.Name) {
			out = append(out, v.Name)
		}
	}
	return out
}

func (t *tape) probes(v float64) { t.r.Probe[0], t.r.Probe[1], t.r.DryBulb = v, v, v }
func (t *tape) loseDryBulbs()    { t.r.ProbeQuality[0], t.r.ProbeQuality[1] = 2, 2 }
func (t *tape) warmCores(v float64) {
	t.r.Probe[3], t.r.Probe[4] = v, v
}

// heating is a kiln in its heat stage, hot through and counting for n seconds.
func heating(n int, edit ...func(*trace.Header)) *tape {
	t := work(5, edit...)
	t.warmCores(58)
	t.r.ExposureCount = true
	t.count(n)
	return t
}

func (t *tape) count(n int) {
	for range n {
		t.r.Exposure += t.step
		t.run(1)
	}
}

func (t *tape) trip(id int, on bool) {
	t.r.Trips &^= 1 << id
	if on {
		t.r.Trips |= 1 << id
	}
}

func (t *tape) force(level string) { t.r.Forced = index(testForced, level) }

func (t *tape) allOff() {
	t.off("vent", "fan_forward_1", "fan_reverse_1", "compressor", "heat_1", "spray", "sounder", "blower", "crankcase")
}

// cases holds for each invariant a trace that breaks it and a neighbour that breaks nothing at all.
var cases = []struct {
	name      string
	bad, good func() *tape
}{
	{"record fits its header", func() *tape {
		t := work(1)
		t.r.StageKind = 0
		t.run(1)
		return t
	}, func() *tape { t := work(1); t.run(1); return t }},
	{"ticks in order", func() *tape {
		t := work(1)
		t.r.Tick += 3
		t.run(1)
		return t
	}, func() *tape {
		t := work(1)
		t.reboot(time.Hour)
		t.start()
		return t
	}},
	{"tick keeps time", func() *tape {
		t := work(1)
		t.r.Uptime += 600 * time.Millisecond
		t.run(1)
		return t
	}, func() *tape {
		t := work(1)
		t.r.Uptime += 400 * time.Millisecond
		t.run(1)
		return t
	}},
	{"numbers finite and possible", func() *tape {
		t := work(1)
		t.r.Lots[1].Rate = math.NaN()
		t.run(1)
		return t
	}, func() *tape {
		t := work(1)
		t.r.Probe[1], t.r.ProbeQuality[1] = math.NaN(), 2 // not valid: means nothing
		t.run(1)
		return t
	}},
	{"only fitted outputs", func() *tape {
		t := work(1, func(h *trace.Header) { h.OutputsFitted &^= bit(testOutputs, "vent") })
		t.on("vent")
		t.run(1)
		return t
	}, func() *tape { t := work(1); t.on("vent"); t.run(1); return t }},
	{"gate only takes away", func() *tape {
		t := work(1)
		t.r.Applied |= bit(testOutputs, "vent")
		t.run(1)
		return t
	}, func() *tape {
		t := work(5)
		t.probes(70)
		t.trip(2, true)
		t.r.Applied |= bit(testOutputs, "vent")
		t.force("safe")
		t.run(1)
		return t
	}},
	{"refusals are told", func() *tape {
		t := work(1)
		t.r.Requested |= bit(testOutputs, "vent")
		t.run(1)
		return t
	}, func() *tape {
		t := work(1)
		t.r.Requested |= bit(testOutputs, "vent")
		t.r.Vetoed |= bit(testOutputs, "vent")
		t.run(1)
		return t
	}},
	{"fan speeds possible", func() *tape {
		t := work(1)
		t.r.AppliedSpeed[0], t.r.RequestedSpeed[0] = 0.8, 0.7
		t.run(1)
		return t
	}, func() *tape {
		t := work(1)
		t.r.AppliedSpeed[0], t.r.RequestedSpeed[0] = 0.6, 0.7
		t.run(1)
		return t
	}},
	{"fan directions exclusive", func() *tape {
		t := work(1)
		t.r.ReadBack |= bit(testOutputs, "fan_reverse_1") // welded, and nothing is done about it
		t.run(1)
		return t
	}, func() *tape {
		t := work(1)
		t.r.ReadBack |= bit(testOutputs, "fan_reverse_1")
		t.off("fan_forward_1")
		t.trip(4, true)
		t.run(1)
		return t
	}},
	{"fans coast before they turn", func() *tape {
		t := work(1)
		t.off("fan_forward_1")
		t.run(89)
		t.on("fan_reverse_1")
		t.run(20)
		return t
	}, func() *tape {
		t := work(1)
		t.off("fan_forward_1")
		t.run(90)
		t.on("fan_reverse_1")
		t.run(20)
		return t
	}},
	{"heat needs airflow", func() *tape {
		t := work(1)
		t.on("heat_1")
		t.run(20)
		t.air = false
		t.contact("airflow", false)
		t.run(11)
		return t
	}, func() *tape {
		t := work(1)
		t.on("heat_1")
		t.run(20)
		t.air = false
		t.contact("airflow", false)
		t.run(10)
		t.off("heat_1")
		t.run(5)
		return t
	}},
	{"heat needs a sound dry bulb", func() *tape {
		t := work(1)
		t.on("heat_1")
		t.run(20)
		t.loseDryBulbs()
		t.run(1)
		return t
	}, func() *tape {
		t := work(1)
		t.on("heat_1")
		t.run(5)
		t.r.ProbeQuality[0] = 2
		t.run(1)
		t.loseDryBulbs()
		t.off("heat_1")
		t.run(60)
		t.r.DryBulbValid = false
		t.run(60)
		return t
	}},
	{"heat on one dry bulb is capped", func() *tape {
		t := work(1)
		t.r.ProbeQuality[1] = 0
		t.on("heat_1")
		t.run(1200)
		return t
	}, func() *tape {
		t := work(1)
		t.r.ProbeQuality[1] = 0
		for range 12 {
			t.on("heat_1")
			t.run(180)
			t.off("heat_1")
			t.run(420)
		}
		return t
	}},
	{"compressor needs airflow", func() *tape {
		t := work(1)
		t.on("compressor", "blower")
		t.contact("blower_airflow", false)
		t.run(31)
		return t
	}, func() *tape {
		t := work(1)
		t.on("compressor", "blower")
		t.run(20)
		t.contact("blower_airflow", false)
		t.run(30)
		t.off("compressor")
		t.run(1)
		return t
	}},
	{"compressor needs dry bulb and humidity", func() *tape {
		t := work(1)
		t.on("compressor", "blower")
		t.run(20)
		t.r.ProbeQuality[2] = 2
		t.run(62)
		return t
	}, func() *tape {
		t := work(1)
		t.on("compressor", "blower")
		t.run(20)
		t.r.ProbeQuality[2] = 2
		t.run(60)
		t.off("compressor")
		t.r.EMCValid = false
		t.run(60)
		return t
	}},
	{"compressor rests before a start", func() *tape {
		t := work(1)
		t.reboot(24 * time.Hour)
		t.start()
		t.mode("work")
		t.run(250)
		t.on("compressor", "blower")
		t.run(1)
		return t
	}, func() *tape {
		t := work(1)
		t.reboot(24 * time.Hour)
		t.start()
		t.mode("work")
		t.run(261)
		t.on("compressor", "blower")
		t.run(1)
		return t
	}},
	{"compressor runs its minimum", func() *tape {
		t := work(1)
		t.on("compressor", "blower")
		t.run(599)
		t.off("compressor")
		t.run(1)
		return t
	}, func() *tape {
		t := work(1)
		t.on("compressor", "blower")
		t.run(30)
		t.off("compressor", "fan_forward_1")
		t.contact("door", true)
		t.run(1)
		t = work(1)
		t.on("compressor", "blower")
		t.run(170)
		t.r.EMCValid = false // no humidity source is believed any more, and that is told
		t.event("alarm", 90, 1)
		t.off("compressor")
		t.run(1)
		return t
	}},
	{"compressor starts an hour", func() *tape {
		t := work(1)
		for range 5 {
			t.on("compressor", "blower")
			t.run(600)
			t.off("compressor", "blower")
			t.run(300)
		}
		return t.faster()
	}, func() *tape {
		t := work(1)
		for range 9 {
			t.on("compressor", "blower")
			t.run(600)
			t.off("compressor", "blower")
			t.run(300)
		}
		return t
	}},
	{"compressor within its ambient limits", func() *tape {
		t := work(1)
		t.on("compressor", "blower")
		t.run(20)
		t.probes(55.01)
		t.run(1)
		return t
	}, func() *tape {
		t := work(1)
		t.on("compressor", "blower")
		t.run(20)
		t.probes(55)
		t.run(1)
		t.probes(55.01)
		t.off("compressor")
		t.run(1)
		return t
	}},
	{"heat and vent exclusive", func() *tape {
		t := work(1)
		t.on("heat_1", "vent")
		t.run(1)
		return t
	}, func() *tape {
		t := work(2)
		t.r.VentDry = true
		t.on("heat_1", "vent")
		t.run(100)
		return t
	}},
	{"spray and compressor exclusive", func() *tape {
		t := work(4)
		t.on("spray", "compressor", "blower")
		t.run(1)
		return t
	}, func() *tape {
		t := work(4)
		t.on("spray")
		t.run(10)
		return t
	}},
	{"spray with heat needs airflow", func() *tape {
		t := work(4)
		t.air = false
		t.contact("airflow", false)
		t.run(12)
		t.on("spray", "heat_1")
		t.run(1)
		return t
	}, func() *tape {
		t := work(4)
		t.on("spray", "heat_1")
		t.run(10)
		return t
	}},
	{"outputs keep their intervals", func() *tape {
		t := work(1)
		t.on("vent")
		t.run(59)
		t.off("vent")
		t.run(1)
		return t
	}, func() *tape {
		t := work(1)
		t.on("vent")
		t.run(60)
		t.off("vent")
		t.run(1)
		t = work(2)
		t.r.VentDry = true
		t.on("vent")
		t.run(60)
		t.on("heat_1")
		t.run(5)
		t.r.VentDry = false // heat gives way at once, the vent has its time
		t.off("heat_1")
		t.run(1)
		t = work(4)
		t.run(60)
		t.off("fan_forward_1")
		t.on("spray")
		t.run(4)
		t.off("spray") // no fan moves the air
		t.run(1)
		return t
	}},
	{"emergency stop stops all", func() *tape {
		t := work(1)
		t.allOff()
		t.contact("e_stop", true)
		t.trip(1, true)
		t.run(5)
		t.contact("e_stop", false)
		t.run(20)
		t.on("vent") // nobody was at the panel
		t.run(1)
		return t
	}, func() *tape {
		t := work(1)
		t.allOff()
		t.contact("e_stop", true)
		t.trip(1, true)
		t.run(5)
		t.contact("e_stop", false)
		t.run(20)
		t.contact("panel_reset", true)
		t.run(2)
		t.contact("panel_reset", false)
		t.event("trip_reset", 1, 2)
		t.trip(1, false)
		t.run(60)
		t.on("vent")
		t.run(1)
		return t
	}},
	{"stop waits for a word", func() *tape {
		t := stopped()
		t.on("fan_forward_1") // reset at the panel, and nobody has said so
		t.run(1)
		return t
	}, func() *tape {
		t := stopped()
		t.confirm("stop")
		t.on("fan_forward_1")
		t.run(1)
		return t
	}},
	{"door stops what moves", func() *tape {
		t := work(1)
		t.r.ContactValid &^= bit(testContacts, "door") // unreadable is as good as open
		t.run(1)
		return t
	}, func() *tape {
		t := work(1)
		t.off("fan_forward_1")
		t.contact("door", true)
		t.on("vent")
		t.run(1)
		return t
	}},
	{"door is warned before a restart", func() *tape {
		t := work(1)
		t.off("fan_forward_1")
		t.contact("door", true)
		t.run(30)
		t.contact("door", false)
		t.on("sounder")
		t.run(8)
		t.on("fan_forward_1")
		t.run(1)
		return t
	}, func() *tape {
		t := work(1)
		t.off("fan_forward_1")
		t.contact("door", true)
		t.run(30)
		t.contact("door", false)
		t.on("sounder")
		t.run(10)
		t.off("sounder")
		t.on("fan_forward_1")
		t.run(1)
		return t
	}},
	{"limit or fire stops heat", func() *tape {
		t := work(1)
		t.contact("high_limit", true)
		t.trip(2, true)
		t.run(1)
		t.contact("high_limit", false)
		t.run(60)
		t.reboot(time.Hour)
		t.start()
		t.on("heat_1")
		t.run(1)
		return t
	}, func() *tape {
		t := work(1)
		t.contact("high_limit", true)
		t.trip(2, true)
		t.run(1)
		t.contact("high_limit", false)
		t.run(60)
		t.reboot(time.Hour)
		t.start()
		t.contact("panel_reset", true)
		t.event("trip_reset", 2, 2)
		t.trip(2, false)
		t.run(1)
		t.contact("panel_reset", false)
		t.on("heat_1")
		t.run(1)
		return t
	}},
	{"refrigerant and water faults stop the compressor", func() *tape {
		t := work(1)
		t.on("compressor", "blower")
		t.run(20)
		t.contact("high_pressure", true)
		t.run(1)
		return t
	}, func() *tape {
		t := work(1)
		t.on("compressor", "blower")
		t.run(20)
		t.contact("high_pressure", true)
		t.off("compressor")
		t.run(1)
		t.on("crankcase")
		t.run(20)
		t.contact("gas", true)
		t.trip(8, true)
		t.off("crankcase") // the fan may run
		t.run(20)
		t.on("blower")
		t.run(1)
		return t
	}},
	{"nothing starts with somebody inside", func() *tape {
		t := work(1)
		t.contact("inside_button", true) // the fan runs on
		t.run(1)
		return t
	}, func() *tape {
		for i, name := range []string{"inside_button", "inhibit", "float"} {
			t := latched(name, []int{7, 10, 9}[i])
			t.contact("panel_reset", true)
			t.event("trip_reset", int32([]int{7, 10, 9}[i]), 2)
			t.trip([]int{7, 10, 9}[i], false)
			t.run(1)
			t.contact("panel_reset", false)
			t.on("vent")
			t.run(1)
			if r := t.report(); r.Total > 0 {
				return t
			}
		}
		t := work(1)
		t.r.ContactValid &^= bit(testContacts, "inhibit") // a moment in which it cannot be read need not latch
		t.allOff()
		t.run(1)
		t.r.ContactValid |= bit(testContacts, "inhibit")
		t.on("vent")
		t.run(1)
		return t
	}},
	{"mains lost stops what moves", func() *tape {
		t := work(1)
		t.contact("mains", false)
		t.run(1)
		return t
	}, func() *tape {
		t := work(1)
		t.contact("mains", false)
		t.off("fan_forward_1")
		t.run(1)
		return t
	}},
	{"too hot stops heat and compressor", func() *tape {
		t := work(5)
		t.on("heat_1")
		t.run(20)
		t.probes(72.01)
		t.run(1)
		return t
	}, func() *tape {
		t := work(5)
		t.on("heat_1")
		t.run(20)
		t.probes(72.01)
		t.off("heat_1")
		t.on("vent")
		t.run(1)
		return t
	}},
	{"forced levels hold", func() *tape {
		t := work(1)
		t.on("heat_1")
		t.run(20)
		t.force("safe")
		t.run(1)
		return t
	}, func() *tape {
		t := work(1)
		t.on("heat_1")
		t.run(20)
		t.force("safe")
		t.off("heat_1")
		t.run(1)
		t.probes(67.1)
		t.trip(2, true) // it was too hot and nearly still is
		t.run(60)
		t.on("vent")
		t.run(1)
		return t
	}},
	{"trips latch", func() *tape {
		t := work(1)
		t.trip(4, true)
		t.run(10)
		t.reboot(time.Minute)
		t.trip(4, false)
		t.run(1)
		return t
	}, func() *tape {
		t := work(1)
		t.trip(4, true)
		t.run(10)
		t.reboot(time.Minute)
		t.run(1)
		t.event("trip_reset", 4, 1)
		t.trip(4, false)
		t.run(1)
		t = work(1)
		t.trip(4, true)
		t.run(10)
		t.reboot(time.Minute)
		t.trip(4, false) // nobody knows any more what was in force, and that is a trip
		t.trip(5, true)
		t.run(1)
		t = work(1)
		t.trip(3, true)
		t.contact("smoke", true)
		t.allOff()
		t.force("off")
		t.run(10)
		t.contact("smoke", false)
		t.reboot(time.Minute)
		t.trip(3, false)
		t.trip(5, true)
		t.run(20)
		t.contact("panel_reset", true)
		t.run(2)
		t.run(1)
		t.event("trip_reset", 5, 3) // whoever resets that answers for the smoke too
		t.trip(5, false)
		t.force("none")
		t.run(60)
		t.on("crankcase")
		t.run(1)
		return t
	}},
	{"nothing moves at the start", func() *tape {
		t := newTape()
		t.run(19)
		t.on("sounder")
		t.run(1)
		return t
	}, func() *tape {
		t := newTape()
		t.run(20)
		t.on("sounder")
		t.run(10)
		t.off("sounder")
		t.on("fan_forward_1")
		t.run(1)
		return t
	}},
	{"heartbeat toggles", func() *tape {
		t := work(1)
		t.frozen = true
		t.run(4)
		return t
	}, func() *tape {
		t := work(1)
		t.frozen = true
		t.run(3)
		t.frozen = false
		t.run(1)
		return t
	}},
	{"service one output at a time", func() *tape {
		t := newTape()
		t.start()
		t.mode("service")
		t.contact("panel_key", true)
		t.on("vent", "spray")
		t.run(60)
		return t
	}, func() *tape {
		t := newTape()
		t.start()
		t.off("fan_forward_1")
		t.run(60)
		t.mode("service")
		t.contact("panel_key", true)
		t.on("vent")
		t.run(900)
		t.off("vent")
		t.run(60)
		t.on("fan_forward_1")
		t.run(60)
		return t
	}},
	{"set points within limits", func() *tape {
		t := work(1)
		t.r.SetEMC = 25
		t.run(1)
		return t
	}, func() *tape {
		t := work(1)
		t.r.SetEMC = 24
		t.run(1)
		return t
	}},
	{"green wood is kept cool", func() *tape {
		t := work(1)
		t.r.Lots[0].Control = 30.1
		t.r.Lots[1].Control = 29
		t.probes(44.2)
		t.r.SetDryBulb = 44.1
		t.run(1)
		return t
	}, func() *tape {
		t := work(1)
		t.r.Lots[0].Control = 30
		t.r.Lots[1].Control = 29
		t.probes(44.2)
		t.r.SetDryBulb = 44.1
		t.run(1)
		return t
	}},
	{"set points ramp", func() *tape {
		t := work(1)
		t.r.SetDryBulb += 0.5 // 0.3 K above what is measured, and not by a ramp
		t.run(1)
		return t
	}, func() *tape {
		t := work(1)
		for range 3600 {
			t.r.SetDryBulb += 5.0 / 7200
			t.r.SetEMC -= 2.0 / 3600
			t.run(1)
		}
		t.mode("hold")
		t.run(1)
		t.r.SetDryBulb -= 10 // towards safe there is no ramp
		t.r.SetEMC += 4
		t.run(1)
		t.mode("work")
		t.run(1)
		for range 600 {
			t.r.SetDryBulb -= 5.0 / 3600
			t.r.SetEMC += 5.0 / 3600
			t.run(1)
		}
		t = work(2) // a weighing says that lot b is above fibre saturation after all
		t.r.SetDryBulb, t.r.BaseDryBulb, t.r.DryBulb = 52, 52, 52
		t.r.Probe[0], t.r.Probe[1] = 52, 52
		t.run(1)
		t.r.SetDryBulb = 50
		t.run(1)
		t = work(1, ramps(2, 1, 2))
		for range 600 {
			t.r.SetDryBulb += 2.0 / 3600
			t.r.SetEMC -= 1.0 / 3600
			t.run(1)
		}
		for range 600 { // towards safe, and an absence that adds to it
			t.r.SetDryBulb -= 4.0 / 3600
			t.r.SetEMC += 4.0 / 3600
			t.run(1)
		}
		return t
	}},
	{"rate guard only gentles", func() *tape {
		t := work(1)
		t.r.GuardBias = -0.5
		t.run(1)
		return t
	}, func() *tape {
		t := work(1)
		t.r.GuardBias, t.r.SetEMC = 0.5, 16
		t.run(1)
		return t
	}},
	{"last dry stage ends", func() *tape {
		t := newTape(func(h *trace.Header) { h.Run.Stages[2].EMC = 5.51 })
		t.run(1)
		return t
	}, func() *tape {
		t := newTape(func(h *trace.Header) { h.Run.Stages[2].EMC = 5.5 })
		t.run(1)
		return t
	}},
	{"stages in order", func() *tape {
		t := work(2)
		t.stage(1)
		t.run(1)
		return t
	}, func() *tape {
		t := work(2)
		t.command("back")
		t.stage(1)
		t.run(1)
		return t
	}},
	{"stage advance is earned", func() *tape {
		t := work(1)
		t.r.Lots[0].Control, t.r.Lots[1].Control = 24.9, 24
		t.run(5 * 3600)
		t.stage(2)
		t.run(1)
		return t
	}, func() *tape {
		t := work(1)
		t.r.Lots[0].Control, t.r.Lots[1].Control = 24.9, 24
		t.run(6 * 3600)
		t.stage(2)
		t.run(1)
		return t
	}},
	{"stage time is honest", func() *tape {
		t := work(1)
		t.reboot(time.Hour)
		t.r.StageTime += time.Hour
		t.run(1)
		return t
	}, func() *tape { t := work(1); t.reboot(time.Hour); t.run(1); return t }},
	{"hold freezes", func() *tape {
		t := work(1)
		t.command("hold")
		t.mode("hold")
		t.run(10)
		t.r.StageTime += time.Second
		t.run(1)
		return t
	}, func() *tape {
		t := work(1)
		t.command("hold")
		t.mode("hold")
		t.run(10)
		t.command("resume")
		t.mode("work")
		t.run(10)
		return t
	}},
	{"hold is obeyed", func() *tape {
		t := work(1)
		t.command("hold")
		t.mode("hold")
		t.run(10)
		t.reboot(time.Minute)
		t.start()
		t.mode("work")
		t.run(60)
		return t
	}, func() *tape {
		t := work(1)
		t.command("hold")
		t.mode("hold")
		t.run(10)
		t.reboot(time.Minute)
		t.start()
		t.mode("hold")
		t.run(60)
		t.command("resume")
		t.mode("work")
		t.run(120)
		return t
	}},
	{"hold is told", func() *tape {
		t := work(1)
		t.mode("hold")
		t.run(3700)
		return t
	}, func() *tape {
		t := work(1)
		t.event("alarm", 80, 1)
		t.mode("hold")
		t.run(9000)
		t.event("alarm_clear", 80, 0)
		t.run(1)
		t.mode("work")
		t.run(4000)
		t.allOff()
		t.contact("inside_button", true) // who pressed it knows why
		t.mode("hold")
		t.run(4000)
		t.contact("inside_button", false)
		t.run(3500)
		return t
	}},
	{"changed files wait for a person", func() *tape {
		t := work(1)
		t.reboot(time.Minute, func(h *trace.Header) { h.KilnHash = "other" })
		t.start()
		t.mode("work")
		t.run(1)
		return t
	}, func() *tape {
		t := work(1)
		t.reboot(time.Minute, func(h *trace.Header) { h.KilnHash = "other" })
		t.start()
		t.mode("hold")
		t.run(20)
		t.confirm("files")
		t.mode("work")
		t.run(1)
		return t
	}},
	{"wettest lot governs", func() *tape {
		t := work(1)
		t.r.Governing = 1
		t.run(1)
		return t
	}, func() *tape {
		t := work(3)
		t.r.Governing = 1 // the driest governs equalizing
		t.run(1)
		return t
	}},
	{"exposure counts only in good conditions", func() *tape {
		t := heating(600)
		t.r.Probe[4] = 56.99
		t.count(1)
		return t
	}, func() *tape {
		t := heating(600)
		t.r.Probe[4] = 57
		t.count(1)
		return t
	}},
	{"exposure is backed by readings", func() *tape {
		t := heating(600)
		t.r.Exposure += 5 * time.Second
		t.count(1)
		return t
	}, func() *tape {
		t := heating(1800)
		t.r.ExposureCount = false
		t.stage(6)
		t.run(10)
		return t
	}},
	{"exposure starts again", func() *tape {
		t := heating(600)
		t.r.ExposureCount = false
		t.warmCores(50)
		t.run(65)
		return t
	}, func() *tape {
		t := heating(600)
		t.r.ExposureCount = false
		t.warmCores(50)
		t.run(55) // a short dip is bridged, not counted
		t.warmCores(58)
		t.r.ExposureCount = true
		t.count(60)
		t.reboot(time.Minute)
		t.r.Exposure, t.r.ExposureCount = 0, false
		t.run(1)
		return t
	}},
	{"beliefs rest on probes", func() *tape {
		t := work(1)
		t.r.ProbeQuality[2] = 2
		t.run(61)
		return t
	}, func() *tape {
		t := work(1)
		t.r.ProbeQuality[2] = 2
		t.run(60)
		t.r.ProbeQuality[2] = 1
		t.run(1)
		t.r.Probe[0], t.r.Probe[1] = t.r.Probe[0]-8, t.r.Probe[1]-8 // jumped: the last good one stands in
		t.run(60)
		return t
	}},
	{"moisture stays possible", func() *tape {
		t := work(2)
		t.r.Lots[1].Control = 1.9
		t.run(1)
		return t
	}, func() *tape {
		t := work(2)
		t.r.Lots[1].Control = 2
		t.run(1)
		return t
	}},
	{"moisture rises only when wetted", func() *tape {
		t := work(1)
		for range 60 {
			t.r.Lots[0].Control += 0.31 / 60
			t.run(59)
		}
		return t
	}, func() *tape {
		t := work(1)
		for range 240 {
			t.r.Lots[0].Control += 0.29 / 60
			t.run(60)
		}
		t.event("weigh", 1, 2.3)
		t.r.Lots[0].Control += 1.5
		t.run(3600)
		return t
	}},
}

// stopped is a kiln whose emergency stop was pressed, let go of and reset at the panel.
func stopped() *tape {
	t := work(1)
	t.allOff()
	t.contact("e_stop", true)
	t.trip(1, true)
	t.run(60)
	t.contact("e_stop", false)
	t.contact("panel_reset", true)
	t.run(2)
	t.contact("panel_reset", false)
	t.event("trip_reset", 1, 2)
	t.trip(1, false)
	t.run(60)
	return t
}

// faster starts the compressor a fifth time in an hour by cutting its runs short for safety.
func (t *tape) faster() *tape {
	for range 5 {
		t.on("compressor", "blower")
		t.run(60)
		t.r.Applied &^= bit(testOutputs, "compressor")
		t.r.Vetoed |= bit(testOutputs, "compressor")
		t.run(1)
		t.r.Vetoed = 0
		t.off("compressor", "blower")
		t.run(310)
	}
	return t
}

func TestEachInvariantCatchesItsBreachAndSparesItsNeighbour(t *testing.T) {
	seen := map[string]bool{}
	for _, test := range cases {
		t.Run(test.name, func(t *testing.T) {
			require.Contains(t, names(test.bad().report()), test.name)
			good := test.good().report()
			require.Empty(t, good.Violations)
			require.Zero(t, good.Total)
		})
		seen[test.name] = true
	}
	for _, inv := range invariants {
		require.True(t, seen[inv.name], "no case for %q", inv.name)
		require.NotEmpty(t, inv.says)
	}
	require.Len(t, cases, len(invariants))
}

// latched is a kiln at work after a contact forbade, its rule tripped and the contact let go; all is off.
func latched(contact string, rule int) *tape {
	t := work(1)
	t.allOff()
	t.contact(contact, true)
	t.trip(rule, true)
	t.run(20)
	t.contact(contact, false)
	t.run(20)
	return t
}

// ramps gives every stage these ramps.
func ramps(dryBulb, down, up float64) func(*trace.Header) {
	return func(h *trace.Header) {
		for i := range h.Run.Stages {
			s := &h.Run.Stages[i]
			s.RampDryBulb, s.RampEMCDown, s.RampEMCUp = dryBulb, down, up
		}
	}
}

// breaches are further ways to break an invariant, one for each of its clauses.
var breaches = []struct {
	what, name string
	make       func() *tape
}{
	{"both directions applied", "fan directions exclusive", func() *tape { t := work(1); t.on("fan_reverse_1"); t.run(1); return t }},
	{"a word for something else than the stop", "stop waits for a word", func() *tape {
		t := stopped()
		t.confirm("weights")
		t.confirm("files")
		t.on("fan_forward_1")
		t.run(1)
		return t
	}},
	{"a word for something else than the files", "changed files wait for a person", func() *tape {
		t := work(1)
		t.reboot(time.Minute, func(h *trace.Header) { h.KilnHash = "other" })
		t.start()
		t.mode("hold")
		t.run(20)
		t.confirm("stop")
		t.mode("work")
		t.run(1)
		return t
	}},
	{"turned at once", "fans coast before they turn", func() *tape {
		t := work(1)
		t.off("fan_forward_1")
		t.on("fan_reverse_1")
		t.run(1)
		return t
	}},
	{"turned over a short known outage", "fans coast before they turn", func() *tape {
		t := work(1)
		t.reboot(20 * time.Second)
		t.run(40)
		t.on("fan_reverse_1")
		t.run(1)
		return t
	}},
	{"heat started blind", "heat needs a sound dry bulb", func() *tape {
		t := work(1)
		t.loseDryBulbs()
		t.on("heat_1")
		t.run(1)
		return t
	}},
	{"heat kept for a minute blind", "heat needs a sound dry bulb", func() *tape {
		t := work(1)
		t.on("heat_1")
		t.run(20)
		t.loseDryBulbs()
		t.run(1)
		return t
	}},
	{"compressor kept for a moment blind", "compressor needs dry bulb and humidity", func() *tape {
		t := work(1)
		t.on("compressor", "blower")
		t.run(700)
		t.loseDryBulbs()
		t.run(1)
		return t
	}},
	{"fans on after the smoke is gone", "limit or fire stops heat", func() *tape {
		t := work(1)
		t.allOff()
		t.contact("smoke", true)
		t.trip(3, true)
		t.run(10)
		t.contact("smoke", false)
		t.run(60)
		t.on("fan_forward_1")
		t.run(1)
		return t
	}},
	{"vents on with the inhibit key", "nothing starts with somebody inside", func() *tape {
		t := work(1)
		t.allOff()
		t.contact("inhibit", true)
		t.on("vent")
		t.run(1)
		return t
	}},
	{"fans on with the key unreadable", "nothing starts with somebody inside", func() *tape {
		t := work(1)
		t.r.ContactValid &^= bit(testContacts, "inhibit")
		t.run(1)
		return t
	}},
	{"fan after the inside button, not reset", "nothing starts with somebody inside", func() *tape {
		t := latched("inside_button", 7)
		t.on("fan_forward_1")
		t.run(1)
		return t
	}},
	{"fan after the key was turned back, not reset", "nothing starts with somebody inside", func() *tape {
		t := latched("inhibit", 10)
		t.on("fan_forward_1")
		t.run(1)
		return t
	}},
	{"fan with water at the float", "refrigerant and water faults stop the compressor", func() *tape {
		t := work(1)
		t.contact("float", true)
		t.run(1)
		return t
	}},
	{"vent after the water is gone, not reset", "refrigerant and water faults stop the compressor", func() *tape {
		t := latched("float", 9)
		t.on("vent")
		t.run(1)
		return t
	}},
	{"heat in a leak of refrigerant", "refrigerant and water faults stop the compressor", func() *tape {
		t := work(1)
		t.on("heat_1")
		t.run(20)
		t.contact("gas", true)
		t.trip(8, true)
		t.run(1)
		return t
	}},
	{"spray in a leak of refrigerant", "refrigerant and water faults stop the compressor", func() *tape {
		t := work(4)
		t.on("spray")
		t.run(20)
		t.contact("gas", true)
		t.trip(8, true)
		t.run(1)
		return t
	}},
	{"crankcase heat after a leak, reset by the panel alone", "refrigerant and water faults stop the compressor", func() *tape {
		t := latched("gas", 8)
		t.contact("panel_reset", true)
		t.run(2)
		t.on("crankcase")
		t.run(1)
		return t
	}},
	{"a technician's trip lost at a restart after a press of the panel's reset", "trips latch", func() *tape {
		t := latched("gas", 8)
		t.contact("panel_reset", true)
		t.run(2)
		t.contact("panel_reset", false)
		t.reboot(time.Minute)
		t.trip(8, false)
		t.run(1)
		return t
	}},
	{"vent open when forced safe and warmer than set", "forced levels hold", func() *tape {
		t := work(1)
		t.on("vent")
		t.run(90)
		t.probes(60)
		t.force("safe")
		t.run(1)
		return t
	}},
	{"vent open after it was too hot and is no more", "forced levels hold", func() *tape {
		t := work(1)
		t.on("vent")
		t.run(90)
		t.probes(66.9)
		t.trip(2, true)
		t.force("safe")
		t.run(1)
		return t
	}},
	{"vent open when forced safe with no dry bulb", "forced levels hold", func() *tape {
		t := work(1)
		t.on("vent")
		t.run(90)
		t.trip(2, true)
		t.loseDryBulbs()
		t.force("safe")
		t.run(1)
		return t
	}},
	{"faster than its own stage", "set points ramp", func() *tape {
		t := work(1, ramps(2, 1, 2))
		t.r.SetDryBulb = 43
		t.run(1)
		for range 60 {
			t.r.SetDryBulb += 2.2 / 3600
			t.run(1)
		}
		return t
	}},
	{"EMC falls faster than its own stage", "set points ramp", func() *tape {
		t := work(1, ramps(2, 1, 2))
		for range 600 {
			t.r.SetEMC -= 1.1 / 3600
			t.run(1)
		}
		return t
	}},
	{"dry bulb falls at once at work", "set points ramp", func() *tape {
		t := work(1)
		t.r.SetDryBulb -= 0.1
		t.run(1)
		return t
	}},
	{"EMC rises at once at work", "set points ramp", func() *tape {
		t := work(1, ramps(2, 1, 2))
		t.r.SetEMC += 0.1
		t.run(1)
		return t
	}},
	{"untold after the door was shut again", "hold is told", func() *tape {
		t := work(1)
		t.allOff()
		t.contact("door", true)
		t.mode("hold")
		t.run(600)
		t.contact("door", false)
		t.run(3700)
		return t
	}},
	{"held for a contact that nobody can read", "hold is told", func() *tape {
		t := work(1)
		t.allOff()
		t.r.ContactValid &^= bit(testContacts, "door")
		t.mode("hold")
		t.run(3700)
		return t
	}},
	{"untold once the alarm has gone", "hold is told", func() *tape {
		t := work(1)
		t.event("alarm", 80, 1)
		t.mode("hold")
		t.run(600)
		t.event("alarm_clear", 80, 0)
		t.run(3700)
		return t
	}},
	{"switched off because the air is no longer believed, for no reason that shows", "compressor runs its minimum", func() *tape {
		t := work(1)
		t.on("compressor", "blower")
		t.run(170)
		t.off("compressor")
		t.r.EMCValid = false
		t.run(1)
		return t
	}},
	{"switched off by a veto for nothing", "compressor runs its minimum", func() *tape {
		t := work(1)
		t.on("compressor", "blower")
		t.run(170)
		t.off("compressor")
		t.r.Vetoed |= bit(testOutputs, "compressor")
		t.run(1)
		return t
	}},
	{"switched off under a trip that has long been there", "compressor runs its minimum", func() *tape {
		t := work(1)
		t.trip(4, true)
		t.on("compressor", "blower")
		t.run(170)
		t.off("compressor")
		t.run(1)
		return t
	}},
	{"switched off since no set point is active", "compressor runs its minimum", func() *tape {
		t := work(1)
		t.on("compressor", "blower")
		t.run(170)
		t.off("compressor")
		t.r.SetActive = false
		t.run(1)
		return t
	}},
	{"heat pulses on one dry bulb are a duty, spray pulses are not", "outputs keep their intervals", func() *tape {
		t := work(4)
		t.r.ProbeQuality[1] = 2
		t.on("spray")
		t.run(3)
		t.off("spray")
		t.run(1)
		return t
	}},
	{"heat close under the limit", "heat needs a sound dry bulb", func() *tape {
		t := work(5)
		t.probes(71)
		t.on("heat_1")
		t.run(1)
		return t
	}},
	{"dry bulbs 3 K apart", "heat on one dry bulb is capped", func() *tape {
		t := work(1)
		t.r.Probe[0] = 37
		t.on("heat_1")
		t.run(1100)
		return t
	}},
	{"compressor started blind", "compressor needs dry bulb and humidity", func() *tape {
		t := work(1)
		t.loseDryBulbs()
		t.on("compressor", "blower")
		t.run(1)
		return t
	}},
	{"air lost", "compressor needs airflow", func() *tape {
		t := work(1)
		t.on("compressor", "blower")
		t.run(20)
		t.air = false
		t.contact("airflow", false)
		t.run(32)
		return t
	}},
	{"blower off, its air not wired", "compressor needs airflow", func() *tape {
		t := work(1, func(h *trace.Header) { h.ContactsFitted &^= bit(testContacts, "blower_airflow") })
		t.on("compressor")
		t.run(1)
		return t
	}},
	{"rest of 299 s", "compressor rests before a start", func() *tape {
		t := work(1)
		t.on("compressor", "blower")
		t.run(600)
		t.off("compressor")
		t.run(299)
		t.on("compressor")
		t.run(1)
		return t
	}},
	{"too cold", "compressor within its ambient limits", func() *tape {
		t := work(1)
		t.on("compressor", "blower")
		t.run(20)
		t.probes(17.9)
		t.run(1)
		return t
	}},
	{"set point beyond the machine", "compressor within its ambient limits", func() *tape {
		t := work(5)
		t.r.SetDryBulb = 55.1
		t.on("compressor", "blower")
		t.run(1)
		return t
	}},
	{"vent-dry in wet wood", "heat and vent exclusive", func() *tape {
		t := work(1)
		t.r.VentDry = true
		t.on("heat_1", "vent")
		t.run(1)
		return t
	}},
	{"vent-dry with wet air outdoors", "heat and vent exclusive", func() *tape {
		t := work(2)
		t.r.VentDry = true
		t.r.Probe[5], t.r.Probe[6] = 38, 0.99
		t.on("heat_1", "vent")
		t.run(1)
		return t
	}},
	{"vent-dry all the time", "heat and vent exclusive", func() *tape {
		t := work(2)
		t.r.VentDry = true
		t.on("vent")
		t.run(1300)
		return t
	}},
	{"spray pulses", "outputs keep their intervals", func() *tape {
		t := work(4)
		t.on("spray")
		t.run(4)
		t.off("spray")
		t.run(1)
		return t
	}},
	{"heat pulses", "outputs keep their intervals", func() *tape {
		t := work(1)
		t.on("heat_1")
		t.run(9)
		t.off("heat_1")
		t.run(1)
		return t
	}},
	{"fan left on", "emergency stop stops all", func() *tape { t := work(1); t.contact("e_stop", true); t.run(1); return t }},
	{"stop forgotten over a restart", "emergency stop stops all", func() *tape {
		t := work(1)
		t.allOff()
		t.contact("e_stop", true)
		t.trip(1, true)
		t.run(10)
		t.contact("e_stop", false)
		t.reboot(time.Hour)
		t.start()
		return t
	}},
	{"sounder too short", "door is warned before a restart", func() *tape {
		t := work(1)
		t.off("fan_forward_1")
		t.contact("door", true)
		t.run(30)
		t.contact("door", false)
		t.run(30)
		t.on("sounder")
		t.run(5)
		t.on("fan_forward_1")
		t.run(1)
		return t
	}},
	{"fans on in smoke", "limit or fire stops heat", func() *tape { t := work(1); t.contact("smoke", true); t.run(1); return t }},
	{"heat on in the tick of the limit", "limit or fire stops heat", func() *tape {
		t := work(1)
		t.on("heat_1")
		t.run(20)
		t.contact("high_limit", true)
		t.run(1)
		return t
	}},
	{"fan starts when forced safe", "forced levels hold", func() *tape {
		t := work(1)
		t.off("fan_forward_1")
		t.run(60)
		t.force("safe")
		t.on("fan_forward_1")
		t.run(1)
		return t
	}},
	{"vent open when forced safe and cool", "forced levels hold", func() *tape {
		t := work(1)
		t.on("vent")
		t.run(90)
		t.probes(35)
		t.force("safe")
		t.run(1)
		return t
	}},
	{"fan on when forced off", "forced levels hold", func() *tape { t := work(1); t.force("off"); t.run(1); return t }},
	{"trip cleared by nobody", "trips latch", func() *tape {
		t := work(1)
		t.trip(4, true)
		t.run(10)
		t.trip(4, false)
		t.run(1)
		return t
	}},
	{"trip lost at a restart with its record only unsaved", "trips latch", func() *tape {
		t := work(1)
		t.trip(4, true)
		t.run(10)
		t.reboot(time.Minute)
		t.trip(4, false)
		t.trip(6, true)
		t.run(1)
		return t
	}},
	{"trip lost while running, with the record", "trips latch", func() *tape {
		t := work(1)
		t.trip(4, true)
		t.run(10)
		t.trip(4, false)
		t.trip(5, true)
		t.run(1)
		return t
	}},
	{"panel trip cleared by a command", "trips latch", func() *tape {
		t := work(1)
		t.trip(2, true)
		t.run(10)
		t.event("trip_reset", 2, 1)
		t.trip(2, false)
		t.run(1)
		return t
	}},
	{"fan before the delay", "nothing moves at the start", func() *tape {
		t := newTape()
		t.run(29)
		t.on("fan_forward_1")
		t.run(1)
		return t
	}},
	{"fan before the delay in the second boot", "nothing moves at the start", func() *tape {
		t := work(1)
		t.reboot(time.Hour)
		t.run(5)
		t.on("fan_forward_1")
		t.run(1)
		return t
	}},
	{"two at once", "service one output at a time", func() *tape {
		t := newTape()
		t.start()
		t.mode("service")
		t.contact("panel_key", true)
		t.on("blower") // the air is no output too many
		t.run(60)
		t.on("vent", "spray")
		t.run(1)
		return t
	}},
	{"without the key", "service one output at a time", func() *tape { t := newTape(); t.start(); t.mode("service"); t.run(1); return t }},
	{"more than 15 min", "service one output at a time", func() *tape {
		t := newTape()
		t.start()
		t.mode("service")
		t.contact("panel_key", true)
		t.run(920)
		return t
	}},
	{"above the kiln's limit", "set points within limits", func() *tape {
		t := work(5, func(h *trace.Header) { h.Run.Lots[0].MaxDryBulb = 0 })
		t.probes(70)
		t.r.SetDryBulb = 69.1
		t.run(1)
		return t
	}},
	{"above the wood's limit", "set points within limits", func() *tape {
		t := work(5, func(h *trace.Header) { h.Run.Lots[0].MaxDryBulb = 60 })
		t.probes(65)
		t.r.SetDryBulb = 61
		t.run(1)
		return t
	}},
	{"EMC falls at once", "set points ramp", func() *tape { t := work(1); t.r.SetEMC = 15.5; t.run(1); return t }},
	{"set point jumps after a restart", "set points ramp", func() *tape {
		t := work(1)
		t.probes(20)
		t.reboot(time.Hour)
		t.r.SetDryBulb = 43
		t.run(1)
		return t
	}},
	{"guard under the stage's EMC", "rate guard only gentles", func() *tape {
		t := work(1)
		t.r.GuardBias, t.r.EMC = 1, 10
		for range 5000 {
			t.r.SetEMC -= 1.0 / 3600
			t.run(1)
		}
		return t
	}},
	{"guard grows in dry wood", "rate guard only gentles", func() *tape {
		t := work(2)
		t.r.GuardBias = 1
		t.run(5)
		t.r.GuardBias = 1.2
		t.run(1)
		return t
	}},
	{"guard stays in dry wood", "rate guard only gentles", func() *tape {
		t := work(2)
		t.r.GuardBias = 1
		t.run(6*3600 + 2)
		return t
	}},
	{"two stages at once", "stages in order", func() *tape { t := work(0); t.command("advance"); t.stage(2); t.run(1); return t }},
	{"back over a restart", "stages in order", func() *tape { t := work(2); t.reboot(time.Minute); t.stage(1); t.run(1); return t }},
	{"unsure", "stage advance is earned", func() *tape {
		t := work(2)
		t.r.Lots[0].Sigma = 2.5
		t.run(1)
		t.stage(3)
		t.run(1)
		return t
	}},
	{"in hold", "stage advance is earned", func() *tape {
		t := work(2)
		t.command("hold")
		t.mode("hold")
		t.run(5)
		t.stage(3)
		t.run(1)
		return t
	}},
	{"door open", "stage advance is earned", func() *tape {
		t := work(2)
		t.contact("door", true)
		t.off("fan_forward_1")
		t.run(5)
		t.stage(3)
		t.run(1)
		return t
	}},
	{"forced", "stage advance is earned", func() *tape { t := work(2); t.force("safe"); t.stage(3); t.run(1); return t }},
	{"before its dwell", "stage advance is earned", func() *tape {
		t := work(2, func(h *trace.Header) { h.Run.Stages[2].MinDwellNS = 3700e9 })
		t.stage(3)
		t.run(1)
		return t
	}},
	{"without readings", "stage advance is earned", func() *tape {
		t := work(2)
		t.loseDryBulbs()
		t.r.DryBulbValid = false
		t.run(65)
		t.stage(3)
		t.run(1)
		return t
	}},
	{"two seconds a tick", "stage time is honest", func() *tape { t := work(1); t.r.StageTime += time.Second; t.run(1); return t }},
	{"stage begins late", "stage time is honest", func() *tape { t := work(2); t.stage(3); t.r.StageTime = time.Hour; t.run(1); return t }},
	{"stage changes in hold", "hold freezes", func() *tape {
		t := work(2)
		t.command("hold")
		t.mode("hold")
		t.run(200)
		t.stage(3)
		t.run(1)
		return t
	}},
	{"one core of two", "exposure counts only in good conditions", func() *tape {
		t := heating(60)
		t.r.ProbeQuality[4] = 0
		t.count(1)
		return t
	}},
	{"air not proven", "exposure counts only in good conditions", func() *tape {
		t := heating(60)
		t.air = false
		t.contact("airflow", false)
		t.count(1)
		return t
	}},
	{"door open", "exposure counts only in good conditions", func() *tape {
		t := heating(60)
		t.contact("door", true)
		t.count(1)
		return t
	}},
	{"grows uncounted", "exposure counts only in good conditions", func() *tape {
		t := heating(60)
		t.r.ExposureCount = false
		t.count(1)
		return t
	}},
	{"a stall earns", "exposure is backed by readings", func() *tape {
		t := heating(60)
		t.r.Uptime += 30 * time.Second
		t.r.Exposure += 30 * time.Second
		t.count(1)
		return t
	}},
	{"left too early", "exposure is backed by readings", func() *tape {
		t := heating(1700)
		t.r.ExposureCount = false
		t.stage(6)
		t.run(1)
		return t
	}},
	{"count goes on after a long dip", "exposure is backed by readings", func() *tape {
		t := heating(600)
		t.r.ExposureCount = false
		t.warmCores(50)
		t.run(65)
		t.warmCores(58)
		t.r.ExposureCount = true
		t.count(5)
		return t
	}},
	{"survives a restart", "exposure starts again", func() *tape { t := heating(600); t.reboot(time.Second); t.run(1); return t }},
	{"grows over a restart", "exposure starts again", func() *tape {
		t := heating(600, func(h *trace.Header) { h.Run.Stages[5].Unbroken = false })
		t.reboot(time.Hour)
		t.r.Exposure += time.Hour
		t.run(1)
		return t
	}},
	{"belief lost in the middle of a run", "moisture stays possible", func() *tape {
		t := work(1)
		t.r.Lots[1] = trace.LotBelief{}
		t.run(1)
		return t
	}},
	{"as run, not as planned", "last dry stage ends", func() *tape { t := work(2); t.r.BaseEMC = 6; t.run(1); return t }},
	{"long after a weighing", "moisture rises only when wetted", func() *tape {
		t := work(1)
		t.event("weigh", 1, 2.3)
		t.run(70)
		t.r.Lots[0].Control += 0.5
		t.run(1)
		return t
	}},
	{"while equalizing", "moisture rises only when wetted", func() *tape { t := work(3); t.r.Lots[0].Control += 0.5; t.run(1); return t }},
	{"at a thermometer's power-on value", "heat needs a sound dry bulb", func() *tape {
		t := work(1)
		t.probes(85)
		t.on("heat_1")
		t.run(1)
		return t
	}},
	{"a core that has not measured", "exposure counts only in good conditions", func() *tape { t := heating(60); t.r.Probe[4] = 85; t.count(1); return t }},
	{"far from any probe", "beliefs rest on probes", func() *tape { t := work(1); t.r.DryBulb = 35; t.run(1); return t }},
	{"jumped probes, believed for too long", "beliefs rest on probes", func() *tape {
		t := work(1)
		t.r.Probe[0], t.r.Probe[1] = t.r.Probe[0]-8, t.r.Probe[1]-8
		t.run(62)
		return t
	}},
	{"dry bulb out of nothing", "beliefs rest on probes", func() *tape { t := work(1); t.loseDryBulbs(); t.run(62); return t }},
	{"boot goes back", "ticks in order", func() *tape { t := work(1); t.h.Boot = math.MaxUint32; t.reboot(time.Minute); t.run(1); return t }},
	{"infinite set point", "numbers finite and possible", func() *tape { t := work(1); t.r.BaseEMC = math.Inf(1); t.run(1); return t }},
	{"reading no probe can give", "numbers finite and possible", func() *tape { t := work(1); t.r.Probe[2] = 1.2; t.run(1); return t }},
	{"other run", "record fits its header", func() *tape { t := work(1); t.r.RunID = 8; t.run(1); return t }},
	{"unknown mode", "record fits its header", func() *tape { t := work(1); t.r.Mode = 9; t.run(1); return t }},
	{"unknown quality", "record fits its header", func() *tape { t := work(1); t.r.ProbeQuality[3] = 7; t.run(1); return t }},
}

func TestEachClauseOfAnInvariantCatchesItsBreach(t *testing.T) {
	for _, b := range breaches {
		t.Run(b.name+"/"+b.what, func(t *testing.T) {
			require.Contains(t, names(b.make().report()), b.name)
		})
	}
}

// 85.00 C is what a common thermometer gives before it has measured: of two dry bulbs the other counts. With a correction
// it is that much beside it, and 85.00 C is then a temperature.
func TestPowerOnValueIsNoReading(t *testing.T) {
	hot := func(value, offset float64) []string {
		t := work(1, func(h *trace.Header) { h.Probes[0].Offset = offset })
		t.on("heat_1")
		t.r.Probe[0] = value
		t.run(1)
		return names(t.report())
	}
	require.Empty(t, hot(85, 0))
	require.Empty(t, hot(84.6, -0.4))
	require.Contains(t, hot(85, -0.4), "too hot stops heat and compressor")
	require.Contains(t, hot(84.9, 0), "too hot stops heat and compressor")
}

// A controller whose file lost its last records to a crash may know more than the trace shows.
func TestLostTailIsForgivenWhereItMayHold(t *testing.T) {
	for _, lost := range []bool{false, true} {
		tape := heating(600, func(h *trace.Header) { h.Run.Stages[5].Unbroken = false })
		tape.reboot(time.Hour, func(h *trace.Header) { h.TailLost = lost })
		tape.r.Exposure += 5 * time.Minute
		tape.r.StageTime += 5 * time.Minute
		tape.r.ExposureCount = false
		tape.run(1)
		require.Equal(t, lost, tape.report().Total == 0, tape.report().Violations)

		tape = work(1)
		tape.probes(30)
		tape.reboot(20*time.Second, func(h *trace.Header) { h.TailLost = lost })
		tape.r.SetDryBulb += 0.8
		tape.run(35)
		tape.on("fan_reverse_1")
		tape.run(1)
		want := []string{"set points ramp", "fans coast before they turn"}
		if lost {
			want = nil
		}
		require.Equal(t, want, names(tape.report()))
	}
}

// What an operator was granted just before a cut is carried out when the outage policy lets it, once.
func TestAWordGivenBeforeACutIsKept(t *testing.T) {
	for _, granted := range []bool{false, true} {
		tape := work(2)
		if granted {
			tape.command("back")
			tape.run(1)
		}
		tape.reboot(10 * time.Hour)
		tape.run(600)
		tape.stage(1)
		tape.run(600)
		require.Equal(t, granted, !slices.Contains(names(tape.report()), "stages in order"), tape.report().Violations)
		tape.stage(0)
		tape.run(1)
		require.Contains(t, names(tape.report()), "stages in order")
	}
}

func TestAWordInARecordThatNamesNone(t *testing.T) {
	tape := stopped()
	tape.reboot(time.Minute, func(h *trace.Header) { h.Matters = nil })
	tape.command("confirm") // was for all that waited
	tape.run(1)
	tape.start()
	require.NotContains(t, names(tape.report()), "stop waits for a word")
}

// A reset is on the disk before it is told: a cut in between leaves a trip that is gone and no word of it. Only the panel's
// reset, held just before, explains that.
func TestAResetThatACutLeftUntold(t *testing.T) {
	for ago, forgiven := range map[int]bool{0: false, 5: true, 70: false} {
		tape := work(1)
		tape.allOff()
		tape.contact("e_stop", true)
		tape.trip(1, true)
		tape.run(100)
		tape.contact("e_stop", false)
		if ago > 0 {
			tape.contact("panel_reset", true)
			tape.run(1)
			tape.contact("panel_reset", false)
			tape.run(ago)
		}
		tape.reboot(time.Minute)
		tape.trip(1, false)
		tape.start()
		require.Equal(t, forgiven, !slices.Contains(names(tape.report()), "trips latch"), ago)
		require.Equal(t, forgiven, !slices.Contains(names(tape.report()), "emergency stop stops all"), ago)
	}
}

// A file that begins in a hold, as one does after the one before was full, does not hold the word by which it began.
func TestAHoldFromBeforeTheTrace(t *testing.T) {
	for _, midway := range []bool{false, true} {
		tape := newTape()
		if midway {
			tape.r.Tick = 5000
		}
		tape.mode("hold")
		tape.run(3700)
		require.Equal(t, midway, !slices.Contains(names(tape.report()), "hold is told"))
	}
}

// A start that a cut kept from being saved is done again: nothing is believed in that tick either.
func TestARunThatBeginsAgainAfterACut(t *testing.T) {
	for _, again := range []bool{false, true} {
		tape := work(1)
		if again {
			tape.reboot(time.Minute)
		}
		tape.r.Lots = [trace.MaxLots]trace.LotBelief{}
		tape.run(1)
		require.Equal(t, again, !slices.Contains(names(tape.report()), "moisture stays possible"))
	}
}

// A whole charge in short: every stage kind, cycles of compressor, heat, vent and spray, fan reversals, a restart, a
// door opened, a trip and its reset, a counted exposure.
func TestAWholeCleanChargeIsClean(t *testing.T) {
	tape := newTape()
	days := 3
	if testing.Short() {
		days = 1
	}
	tape.r.SetDryBulb, tape.r.SetEMC = 41, 16
	tape.start()
	tape.stage(0)
	tape.mode("work")
	tape.event("alarm", 70, 1)
	tape.event("alarm_clear", 70, 0)
	tape.run(3600)
	tape.stage(1)
	heatOn, ventOn := false, false
	cycle := func(forwards bool) {
		fan := map[bool]string{true: "fan_forward_1", false: "fan_reverse_1"}[forwards]
		tape.on(fan)
		tape.run(60)
		for i := range 12 {
			for l := range 2 {
				tape.r.Lots[l].Control -= 0.02
				tape.r.Lots[l].Mean -= 0.02
			}
			tape.on("compressor", "blower")
			tape.run(700)
			tape.off("compressor", "blower")
			tape.run(30)
			if heatOn = i%3 == 0; heatOn {
				tape.on("heat_1")
				tape.run(120)
				tape.off("heat_1")
			}
			tape.run(30)
			if ventOn = i%3 == 1; ventOn {
				tape.on("vent")
				tape.run(90)
				tape.off("vent")
			}
			tape.run(400)
		}
		tape.off(fan)
		tape.run(120)
	}
	for day := range days {
		for i := range 6 {
			cycle(i%2 == 0)
		}
		tape.event("weigh", 2, 2.25)
		tape.r.Lots[0].Control += 0.8
		tape.run(1)
		if day == 0 {
			tape.on("fan_forward_1")
			tape.run(60)
			tape.off("fan_forward_1")
			tape.contact("door", true)
			tape.mode("hold")
			tape.run(300)
			tape.contact("door", false)
			tape.on("sounder")
			tape.run(12)
			tape.off("sounder")
			tape.mode("work")
			tape.on("fan_forward_1")
			tape.run(60)
			tape.trip(4, true)
			tape.off("fan_forward_1")
			tape.run(60)
			tape.event("trip_reset", 4, 1)
			tape.trip(4, false)
			tape.run(60)
			tape.reboot(20*time.Minute, func(h *trace.Header) { h.TailLost = true })
			tape.start()
			tape.mode("work")
			tape.run(300)
			tape.off("fan_forward_1")
			tape.run(120)
		}
	}
	tape.event("weigh", 2, 2)
	for l := range 2 {
		tape.r.Lots[l].Control, tape.r.Lots[l].Mean = 24-float64(l), 23
	}
	tape.on("fan_forward_1")
	tape.run(6*3600 + 10)
	tape.stage(2)
	tape.r.Lots[0].Control, tape.r.Lots[0].Mean = 19, 18
	tape.r.Lots[1].Control = 18
	tape.run(3700)
	tape.r.VentDry = true
	tape.on("vent", "heat_1")
	tape.run(600)
	tape.off("vent", "heat_1")
	tape.r.VentDry = false
	tape.run(600)
	tape.stage(3)
	tape.run(3600)
	tape.stage(4)
	for range 20 {
		tape.on("spray")
		tape.run(10)
		tape.off("spray")
		tape.run(50)
	}
	tape.stage(5)
	tape.run(600)
	tape.on("heat_1")
	for tape.r.SetDryBulb < 65 {
		tape.r.SetDryBulb += 5.0 / 3600
		tape.probes(tape.r.SetDryBulb - 0.5)
		tape.run(1)
	}
	tape.warmCores(58)
	tape.r.ExposureCount = true
	tape.count(1800)
	tape.r.ExposureCount = false
	tape.off("heat_1")
	tape.run(3)
	tape.stage(6)
	tape.run(3600)
	tape.event("command", int32(index(testVerbs, "end")), 0)
	tape.r.Stage, tape.r.SetActive, tape.r.RunID, tape.r.StageKind = -1, false, 0, 0
	tape.mode("rest")
	tape.off("fan_forward_1")
	tape.run(100)
	rep := tape.report()
	require.Empty(t, rep.Violations)
	require.Greater(t, len(rep.Judged), 40)
}

func TestNextRunIsJudgedByItsOwnHeader(t *testing.T) {
	tape := work(6)
	tape.r.Stage, tape.r.SetActive, tape.r.RunID, tape.r.StageKind = -1, false, 0, 0
	tape.mode("rest")
	tape.run(100)
	run := *tape.h.Run
	run.ID = 8
	tape.h.Run = &run
	tape.c.Restart(tape.h)
	tape.r.SetDryBulb, tape.r.SetEMC = 30, 18
	tape.r.Lots[0].Control, tape.r.Lots[1].Control = 70, 60
	tape.stage(0)
	tape.mode("work")
	tape.run(100)
	require.Empty(t, tape.report().Violations)
	require.Equal(t, uint64(1), tape.report().Boots)
	tape.r.RunID = 7
	tape.run(1)
	require.Equal(t, []string{"record fits its header"}, names(tape.report()))
}

// A header's order means nothing: the same outputs under shuffled tables are the same set, and unknown names are none.
func TestBitsAreReadByName(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		table := rapid.Permutation(append([]string{"a lamp of another time", "and another"}, outputNames...)).Draw(t, "table")
		on := rapid.Uint32().Draw(t, "on") & (1<<len(table) - 1)
		m := newBitmap(table, outputNames)
		want := set(0)
		for i, name := range table {
			if j := slices.Index(outputNames, name); on>>i&1 != 0 && j >= 0 {
				want |= 1 << j
			}
		}
		require.Equal(t, want, m.set(on, ^set(0)))
		straight := newBitmap(outputNames, outputNames)
		require.True(t, straight.same)
		require.Equal(t, want, straight.set(uint32(want), ^set(0)))
	})
	modes := newEnum([]string{"work", "dance"}, modeNames)
	require.Equal(t, []uint8{modeWork, 0, 0, 0}, []uint8{modes.of(0), modes.of(1), modes.of(2), modes.of(-1)})
}

// Whatever a damaged or hostile trace holds, judging it ends with a report.
func TestGarbageIsJudgedWithoutPanic(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		h := testHeader(1)
		if rapid.Bool().Draw(t, "bare") {
			h = trace.Header{}
		}
		if rapid.Bool().Draw(t, "no run") {
			h.Run = nil
		}
		c := New(h)
		for range rapid.IntRange(1, 20).Draw(t, "records") {
			if rapid.IntRange(0, 4).Draw(t, "restart") == 0 {
				h.Boot, h.OutageKnown, h.OutageNS = rapid.Uint32().Draw(t, "boot"), true, rapid.Int64().Draw(t, "outage")
				c.Restart(h)
			}
			u, i := rapid.Uint64(), rapid.Int64()
			r := trace.Record{Boot: h.Boot, Tick: u.Draw(t, "tick"), Uptime: time.Duration(i.Draw(t, "uptime")),
				ContactActive: uint32(u.Draw(t, "u")), ContactValid: uint32(u.Draw(t, "u")), ReadBack: uint32(u.Draw(t, "u")),
				ReadBackValid: uint32(u.Draw(t, "u")), Governing: int8(i.Draw(t, "i")), RunID: 7, Mode: uint8(u.Draw(t, "u")) % 6,
				Stage: int8(i.Draw(t, "i")), StageKind: uint8(u.Draw(t, "u")) % 7, StageTime: time.Duration(i.Draw(t, "i")),
				Exposure: time.Duration(i.Draw(t, "i")), ExposureCount: true, SetActive: rapid.Bool().Draw(t, "b"), SetDryBulb: math.NaN(),
				Requested: uint32(u.Draw(t, "u")), Applied: uint32(u.Draw(t, "u")), Vetoed: uint32(u.Draw(t, "u")),
				Forced: uint8(u.Draw(t, "u")), Trips: u.Draw(t, "u"), EventCount: uint8(u.Draw(t, "u")), VentDry: true,
				DryBulbValid: true, EMCValid: true, GuardBias: 1}
			for k := range r.Events {
				r.Events[k] = trace.Event{Kind: uint8(u.Draw(t, "u")) % 10, A: int32(i.Draw(t, "i"))}
			}
			for k := range r.ProbeQuality {
				r.ProbeQuality[k], r.Probe[k] = uint8(u.Draw(t, "u"))%3, rapid.Float64().Draw(t, "f")
			}
			for k := range r.Lots {
				r.Lots[k].Control = rapid.Float64().Draw(t, "f")
			}
			c.Check(&r)
		}
		rep := c.Finish()
		require.NotZero(t, rep.Records)
		require.NoError(t, rep.WriteText(io.Discard))
	})
}

func TestReportReadsWellAndNamesAllItJudged(t *testing.T) {
	tape := work(1)
	for range 20 {
		tape.on("heat_1", "vent")
		tape.run(1)
	}
	rep := tape.report()
	require.Equal(t, uint64(20), rep.Total)
	require.Len(t, rep.Violations, Kept)
	v := rep.Violations[0]
	require.Equal(t, Violation{Name: "heat and vent exclusive", Boot: 1, Tick: 3641, Uptime: 3641 * time.Second,
		Seen: "heat_1 on with the vent", Expected: "never both"}, v)
	require.Contains(t, rep.Judged, "heat and vent exclusive")
	require.Contains(t, rep.NotJudged, Missing{"same seed, same trace", "needs the same run twice"})
	require.Contains(t, rep.NotJudged, Missing{"trips latch", "this trace gave no occasion"})
	require.Equal(t, len(invariants)+len(notJudged), len(rep.Judged)+len(rep.NotJudged))
	rep.Damage = "trace is damaged from byte 123456 on: a block is cut short; everything before was read"
	var text bytes.Buffer
	require.NoError(t, rep.WriteText(&text))
	for _, l := range strings.Split(text.String(), "\n") {
		require.LessOrEqual(t, len([]rune(l)), 80, l)
	}
	require.Contains(t, text.String(), "20 violations.")
	t.Log("\n" + text.String())
}

func TestJudgeReadsAFileAndToleratesItsTornTail(t *testing.T) {
	var file bytes.Buffer
	tape := newTape()
	w, err := trace.NewWriter(&file, tape.h)
	require.NoError(t, err)
	tape.keep = func(r *trace.Record) { require.NoError(t, w.Write(r)) }
	tape.r.SetDryBulb, tape.r.SetEMC = 41, 16
	tape.start()
	tape.stage(1)
	tape.mode("work")
	tape.run(1000)
	require.NoError(t, w.Flush())
	whole := file.Len()
	require.NoError(t, w.Close())
	for _, cut := range []int{file.Len(), whole, whole - 3} {
		r, err := trace.NewReader(bytes.NewReader(file.Bytes()[:cut]))
		require.NoError(t, err)
		rep, err := Judge(r)
		require.NoError(t, err)
		require.Empty(t, rep.Violations)
		require.Equal(t, cut < whole, rep.Damage != "")
		require.Equal(t, cut < whole, rep.Records < 1040)
		require.Greater(t, rep.Records, uint64(500))
	}
	r, err := trace.NewReader(bytes.NewReader(file.Bytes()[:20]))
	require.NoError(t, err)
	_, err = Judge(r)
	require.ErrorContains(t, err, "judge trace")
	require.NotErrorIs(t, err, io.EOF)
}

func TestCheckingAllocatesNothing(t *testing.T) {
	tape := work(1)
	require.Zero(t, testing.AllocsPerRun(2000, func() { tape.run(1) }))
	require.Empty(t, tape.report().Violations)
}

func BenchmarkCheck(b *testing.B) {
	tape := work(1)
	tape.on("compressor", "blower")
	tape.run(700)
	b.ReportAllocs()
	for b.Loop() {
		tape.run(1)
	}
	if r := tape.report(); r.Total != 0 {
		b.Fatal(r.Violations[0])
	}
}
