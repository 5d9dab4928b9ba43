package safety

import (
	"math"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"drywarden/hardware"
)

func TestTable(t *testing.T) {
	require.LessOrEqual(t, ruleCount-1, hardware.LastSafetyRule)
	names, interlocks := map[string]bool{}, false
	level := hardware.ForcedOff
	for i, r := range table {
		require.Equal(t, hardware.RuleID(i+1), r.id, r.name)
		require.Regexp(t, regexp.MustCompile(`^[a-z]+(_[a-z]+)*$`), r.name)
		require.False(t, names[r.name], r.name)
		names[r.name] = true
		interlocks = interlocks || r.see == nil
		require.Equal(t, interlocks, r.see == nil, "interlocks stand last: %s", r.name)
		require.LessOrEqual(t, r.level, level, "order of severity: %s", r.name)
		level = r.level
		require.Equal(t, r.latched, r.clears != hardware.ByItself, "what is not latched clears by itself: %s", r.name)
		for _, text := range r.text {
			require.NotEmpty(t, strings.TrimSpace(text), r.name)
			require.True(t, strings.HasSuffix(text, "."), "%s: %s", r.name, text)
		}
		id, ok := Lookup(r.name)
		require.True(t, ok)
		require.Equal(t, r.id, id)
		require.Equal(t, r.latched, Latches(r.id))
	}
	require.Len(t, Rules(), len(table))
	var tells []string
	for i, text := range Rules() {
		r := &table[i]
		require.Equal(t, hardware.RuleText{ID: r.id, Name: r.name, Class: r.class, Clears: r.clears, Seen: r.text[0], Done: r.text[1], CheckFirst: r.text[2], WoodWaits: r.text[3]}, text)
		if r.tells {
			require.Nil(t, r.see, "a condition tells anyway: %s", r.name)
			tells = append(tells, r.name)
		}
	}
	require.Equal(t, []string{"both_directions_requested", "airflow_heat", "heat_near_limit", "airflow_compressor", "blower_airflow",
		"compressor_starts", "spray_with_compressor", "not_fitted"}, tells, "the others are waited for in any run")
	require.False(t, Latches(ruleCount))
	require.Equal(t, "smoke", Rules()[1].Name)
	require.Equal(t, "none", Name(NoRule))
	require.Equal(t, "none", Name(ruleCount))
	require.False(t, Latches(NoRule))
	_, ok := Lookup("no_such_rule")
	require.False(t, ok)
}

// ruleCase says how to bring a rule about in a kiln that dries, and what must come of it.
type ruleCase struct {
	rule   hardware.RuleID
	name   string
	breaks func(*rig)
	after  int                // ticks until it is in force, the first that shows it counting as 1
	level  hardware.SafeLevel //
	gone   hardware.OutputSet // of what ran
	latch  int                // ticks until latched; 0: never
}

func value(id hardware.ProbeID, v float64) func(*rig) {
	return func(r *rig) { r.snap.Readings[id].Value = v }
}

func quality(q hardware.Quality, ids ...hardware.ProbeID) func(*rig) {
	return func(r *rig) {
		for _, id := range ids {
			r.snap.Readings[id].Quality = q
		}
	}
}

func aged(age time.Duration, ids ...hardware.ProbeID) func(*rig) {
	return func(r *rig) {
		for _, id := range ids {
			r.snap.Readings[id].Age = age
		}
	}
}

func readBack(on, off, lost hardware.OutputSet) func(*rig) {
	return func(r *rig) {
		r.snap.ReadBack = r.snap.ReadBack&^off | on
		r.snap.ReadBackValid &^= lost
		for o := range hardware.OutputCount {
			if off.Has(o) {
				r.snap.Current[o] = 0
			}
		}
	}
}

const (
	heatAndCold = heat1 | compressorOut // what ran of allHeatAndRefrigerant
	drives      = forwards | blowerOut | heatAndCold
)

func ruleCases() []ruleCase {
	off, safe := hardware.ForcedOff, hardware.ForcedSafe
	return []ruleCase{
		{rule: EmergencyStop, breaks: active(hardware.ContactEStop), after: 1, level: off, gone: drives, latch: 1},
		{rule: EmergencyStop, name: "unreadable", breaks: unreadable(hardware.ContactEStop), after: 1, level: off, gone: drives, latch: 1},
		{rule: WaterOnFloor, name: "unreadable", breaks: unreadable(hardware.ContactFloat), after: 1, level: off, gone: drives, latch: 10},
		{rule: Smoke, name: "unreadable", breaks: unreadable(hardware.ContactSmoke), after: 1, level: off, gone: drives, latch: 1},
		{rule: Smoke, breaks: active(hardware.ContactSmoke), after: 1, level: off, gone: drives, latch: 1},
		{rule: InsideButton, breaks: active(hardware.ContactInsideButton), after: 1, level: off, gone: drives, latch: 1},
		{rule: BothDirectionsEnergised, breaks: readBack(reverse1, 0, 0), after: 1, level: off, gone: drives, latch: 1},
		{rule: BothDirectionsEnergised, name: "unreadable", breaks: readBack(0, 0, reverse1), after: 3, level: off, gone: drives, latch: 10},
		{rule: HeatWelded, breaks: readBack(heat2, 0, 0), after: 3, level: off, gone: drives, latch: 3},
		{rule: HeatWelded, name: "by current", breaks: func(r *rig) { r.snap.Current[hardware.Heat2] = 9 }, after: 3, level: off, gone: drives, latch: 3},
		{rule: HeatWelded, name: "unreadable", breaks: readBack(0, 0, heat2), after: 10, level: off, gone: drives, latch: 10},
		{rule: HeatWelded, name: "current unreadable", breaks: func(r *rig) { r.snap.CurrentValid &^= heat2 }, after: 10, level: off, gone: drives, latch: 10},
		{rule: HeatWelded, name: "current no number", breaks: func(r *rig) { r.snap.Current[hardware.Heat2] = float32(math.NaN()) }, after: 10, level: off, gone: drives, latch: 10},
		{rule: FanWelded, name: "unreadable", breaks: readBack(0, 0, reverse2), after: 10, level: off, gone: drives, latch: 10},
		{rule: CompressorWelded, name: "unreadable", breaks: readBack(0, 0, compressorOut), after: 10, level: off, gone: drives, latch: 10},
		{rule: FanWelded, breaks: readBack(reverse2, forward2, 0), after: 3, level: off, gone: drives, latch: 3},
		{rule: WaterOnFloor, breaks: active(hardware.ContactFloat), after: 1, level: off, gone: drives, latch: 1},
		{rule: OutputsNotWritten, breaks: func(r *rig) { r.in.WriteFailed = true }, after: 3, level: off, gone: drives},
		{rule: ShutDown, breaks: func(r *rig) { r.in.Closed = true }, after: 1, level: off, gone: drives},
		{rule: Inhibit, breaks: active(hardware.ContactInhibit), after: 1, level: off, gone: drives, latch: 1},
		{rule: MainsLost, breaks: inactive(hardware.ContactMains), after: 1, level: off, gone: drives},
		{rule: MainsLost, name: "unreadable", breaks: unreadable(hardware.ContactMains), after: 1, level: off, gone: drives},

		{rule: HighLimit, breaks: active(hardware.ContactHighLimit), after: 1, level: safe, gone: heatAndCold, latch: 1},
		{rule: HighLimit, name: "unreadable", breaks: unreadable(hardware.ContactHighLimit), after: 1, level: safe, gone: heatAndCold, latch: 1},
		{rule: DryBulbTooHigh, name: "core", breaks: value(core, 70.1), after: 10, level: safe, gone: heatAndCold, latch: 10},
		{rule: DryBulbTooHigh, name: "leaving air", breaks: value(leaving, 75), after: 10, level: safe, gone: heatAndCold, latch: 10},
		{rule: DryBulbUnknown, breaks: quality(hardware.NoAnswer, bulbA, bulbB), after: 1, level: safe, gone: heatAndCold, latch: 10},
		{rule: DryBulbUnknown, name: "no number", breaks: func(r *rig) {
			r.snap.Readings[bulbA].Value, r.snap.Readings[bulbB].Value = math.NaN(), math.Inf(1)
		}, after: 1, level: safe, gone: heatAndCold, latch: 10},
		{rule: DryBulbUnknown, name: "beyond any kiln", breaks: func(r *rig) {
			r.snap.Readings[bulbA].Value, r.snap.Readings[bulbB].Value = -80, 200
		}, after: 1, level: safe, gone: heatAndCold, latch: 10},
		{rule: ReadingsStale, breaks: aged(31*time.Second, bulbA, bulbB), after: 1, level: safe, gone: heatAndCold, latch: 10},
		{rule: ReadingsStale, name: "from the future", breaks: aged(-time.Second, bulbA, bulbB), after: 1, level: safe, gone: heatAndCold, latch: 10},
		{rule: ReadingsStale, name: "said by the driver", breaks: quality(hardware.Stale, bulbA, bulbB), after: 1, level: safe, gone: heatAndCold, latch: 10},
		{rule: ReadingsStale, name: "whole snapshot", breaks: func(r *rig) { r.stale = 5100 * time.Millisecond }, after: 1, level: safe, gone: heatAndCold, latch: 10},
		{rule: ReadingsStale, name: "snapshot from the future", breaks: func(r *rig) { r.stale = -1 }, after: 1, level: safe, gone: heatAndCold, latch: 10},
		{rule: FansLost, breaks: readBack(0, forwards, 0), after: 8, level: safe, gone: heatAndCold, latch: 8},

		{rule: DoorOpen, breaks: active(hardware.ContactDoor), after: 1, gone: drives, latch: 1},
		{rule: DoorOpen, name: "unreadable", breaks: unreadable(hardware.ContactDoor), after: 1, gone: drives, latch: 10},
		{rule: GasLeak, breaks: active(hardware.ContactGas), after: 1, gone: heatAndCold, latch: 1},
		{rule: FanNotProven, breaks: inactive(hardware.ContactAirflow), after: 20, gone: heatAndCold, latch: 20},
		{rule: FanNotFollowing, breaks: readBack(0, forward2, 0), after: 8, gone: heatAndCold, latch: 8},
		{rule: HighPressure, breaks: active(hardware.ContactHighPressure), after: 1, gone: compressorOut, latch: 1},
		{rule: HighPressure, name: "unreadable", breaks: unreadable(hardware.ContactHighPressure), after: 1, gone: compressorOut, latch: 10},
		{rule: LowPressure, breaks: active(hardware.ContactLowPressure), after: 1, gone: compressorOut, latch: 3},
		{rule: SprayStuckOpen, breaks: readBack(sprayOut, 0, 0), after: 3, gone: compressorOut, latch: 3},
		{rule: HumidityUnknown, breaks: quality(hardware.Checksum, wetBulb, humidity), after: 61, gone: compressorOut},
		{rule: HumidityUnknown, name: "old", breaks: aged(time.Minute, wetBulb, humidity), after: 61, gone: compressorOut},
		{rule: OutputNotFollowing, breaks: readBack(0, blowerOut, 0), after: 60},
		{rule: SprayStuckOpen, name: "unreadable", breaks: readBack(0, 0, sprayOut), after: 10, gone: compressorOut, latch: 10},
		{rule: LowPressure, name: "unreadable", breaks: unreadable(hardware.ContactLowPressure), after: 1, gone: compressorOut, latch: 10},
		{rule: GasLeak, name: "unreadable", breaks: unreadable(hardware.ContactGas), after: 1, gone: heatAndCold, latch: 10},
		{rule: InsideButton, name: "unreadable", breaks: unreadable(hardware.ContactInsideButton), after: 1, level: off, gone: drives, latch: 10},
		{rule: Inhibit, name: "unreadable", breaks: unreadable(hardware.ContactInhibit), after: 1, level: off, gone: drives, latch: 10},
		{rule: WaterSupplyLost, name: "unreadable", breaks: unreadable(hardware.ContactWaterSupply), after: 1},
		{rule: BulbsCrossed, breaks: value(wetBulb, 45.71), after: 120, gone: heatAndCold, latch: 120},
		{rule: VentNotFollowing, breaks: inactive(hardware.ContactVentShut), after: 5},
		{rule: VentNotFollowing, name: "both ends", breaks: active(hardware.ContactVentOpen), after: 5},
		{rule: VentNotFollowing, name: "unreadable", breaks: unreadable(hardware.ContactVentShut), after: 60},
		{rule: ProbeAtPowerOn, breaks: value(bulbB, 85), after: 10},
		{rule: ProbeAtPowerOn, name: "core", breaks: value(core, 85), after: 10},
		{rule: NotFinite, breaks: value(suction, math.Inf(-1)), after: 1},
		{rule: TripRecordNotSaved, breaks: func(r *rig) { r.in.SaveFailed = true }, after: 1},
		{rule: WaterSupplyLost, breaks: inactive(hardware.ContactWaterSupply), after: 1},
	}
}

// elsewhere names the condition rules whose tests are not rows, as they need more than one broken input.
var elsewhere = map[hardware.RuleID]string{
	CompressorWelded:      "TestCompressorWelded",
	TripRecordUnreadable:  "TestTripRecordUnreadable",
	ControllerSilent:      "TestSilence",
	ControllerSilentOften: "TestSilence",
	CompressorLockout:     "TestCompressorLockout",
	AirflowStuck:          "TestAirflowStuck",
	FanUnloaded:           "TestFanUnloaded",
	AirRisingFast:         "TestAirRisingFast",
	AirFarTooHot:          "TestAirFarTooHot",
	OutputsDroppedOften:   "TestOutputsDroppedOften",
	LimitsDamaged:         "TestLimitsDamaged",
	BulbsIdentical:        "TestBulbsIdentical",
	HeatDead:              "TestDead",
	CompressorDead:        "TestDead",
}

func TestEachRule(t *testing.T) {
	judged := map[hardware.RuleID]bool{}
	for _, c := range ruleCases() {
		judged[c.rule] = true
		t.Run(strings.TrimSpace(Name(c.rule)+" "+c.name), func(t *testing.T) {
			r := newRig(t)
			r.drying()
			before := r.on()
			r.breaks = c.breaks
			for n := 1; n < c.after; n++ {
				r.run(1)
				a, raised := r.alarm(c.rule)
				require.False(t, raised, "in force too early, tick %d: %+v", n, a)
			}
			r.run(1)
			a, raised := r.alarm(c.rule)
			require.True(t, raised)
			require.Zero(t, a.For, "new")
			require.True(t, a.Active)
			require.Equal(t, c.level, r.out.Forced)
			want := before &^ c.gone
			if c.level == hardware.ForcedSafe && r.on().Has(hardware.Vent) {
				want |= ventOut // too hot: judged in TestSafe
			}
			require.Equal(t, want, r.on())
			for o := range hardware.OutputCount {
				if c.gone.Has(o) && c.after == 1 {
					require.Equal(t, Name(c.rule), r.vetoedBy(o), o.String())
				}
			}
			if c.level == hardware.ForcedOff {
				require.Zero(t, r.out.On, "the heartbeat stops too")
			}

			if c.latch > 0 {
				if wait := c.latch - c.after; wait > 1 {
					r.run(wait - 1)
					require.False(t, r.out.Trips.Has(c.rule), "latched too early")
				}
				r.run(1)
				require.True(t, r.out.Trips.Has(c.rule))
				a, _ = r.alarm(c.rule)
				require.True(t, a.Latched)
				require.Equal(t, table[c.rule-1].clears, a.Clears)
			} else {
				r.run(30)
				require.False(t, r.out.Trips.Has(c.rule))
			}
			// The cause goes: what is latched stays, what is not clears by itself.
			r.breaks, r.in.WriteFailed, r.in.SaveFailed, r.in.Closed, r.stale, r.want = nil, false, false, false, 0, 0
			r.run(2)
			a, raised = r.alarm(c.rule)
			require.Equal(t, c.latch > 0, raised)
			require.False(t, a.Active)
			require.Equal(t, c.latch > 0, r.out.Trips.Has(c.rule))
		})
	}
	for i := range table {
		id := table[i].id
		_, other := elsewhere[id]
		require.True(t, judged[id] || other || table[i].see == nil, "no test for %s", table[i].name)
	}
}

// A rule on something that is not fitted says nothing, and is listed.
func TestNotFitted(t *testing.T) {
	r := newRig(t)
	optional := hardware.ContactSet(0)
	for _, c := range []hardware.ContactID{hardware.ContactBlowerAirflow, hardware.ContactHighPressure, hardware.ContactLowPressure,
		hardware.ContactSmoke, hardware.ContactGas, hardware.ContactFloat, hardware.ContactMains, hardware.ContactInsideButton,
		hardware.ContactInhibit, hardware.ContactWaterSupply, hardware.ContactVentOpen, hardware.ContactVentShut} {
		optional = optional.With(c, true)
	}
	l := r.layout
	l.Current |= forwards | reverse1 | reverse2
	l.FanCurrent = 4
	require.Empty(t, Unjudged(&l))
	r.layout.Contacts &^= optional
	r.layout.ReadBack, r.layout.Current = 0, 0
	var err error
	r.plant, err = Compile(testLimits(), &r.layout)
	require.NoError(t, err)
	r.breaks = func(r *rig) {
		r.snap.Contacts.Valid &^= optional
		r.snap.Contacts.Active &^= optional
		r.snap.ReadBack, r.snap.ReadBackValid, r.snap.CurrentValid = 0, 0, 0
	}
	r.drying()
	var names []string
	for _, m := range Unjudged(&r.layout) {
		require.NotEmpty(t, m.Needs)
		require.Equal(t, Name(m.Rule), m.Name)
		names = append(names, m.Name)
	}
	require.Equal(t, []string{"smoke", "inside_button", "both_directions_energised", "heat_energised_unasked",
		"compressor_energised_unasked", "fan_energised_unasked", "water_on_floor", "inhibit", "mains_lost", "fans_lost",
		"fan_unloaded", "outputs_dropped_often", "gas_leak", "fan_not_following", "heat_dead", "compressor_dead", "compressor_lockout", "high_pressure",
		"low_pressure", "spray_energised_unasked", "water_supply_lost", "output_not_following", "vent_not_following", "blower_airflow"}, names)

	bare := hardware.Layout{Contacts: r.layout.Contacts}
	names = nil
	for _, m := range Unjudged(&bare) {
		names = append(names, m.Name)
	}
	require.Equal(t, []string{"smoke", "air_rising_fast", "air_far_too_hot", "inside_button", "water_on_floor", "inhibit", "mains_lost"}, names, "what is not fitted needs no rule")
}

func TestCheckLayout(t *testing.T) {
	l := testLayout()
	require.Empty(t, CheckLayout(&l))
	require.Len(t, CheckLayout(&hardware.Layout{}), 6, "dry bulb, humidity, e-stop, limit, door, panel")
	l.Contacts &^= 1 << hardware.ContactAirflow
	l.Outputs &^= hardware.AllFans
	require.Len(t, CheckLayout(&l), 2)
	l.Outputs &^= hardware.AllHeat | compressorOut
	require.Empty(t, CheckLayout(&l), "no airflow proof needed without heat and compressor")
	l = testLayout()
	l.FanGroups = 1
	require.Equal(t, []string{"fan group 2: outputs fitted, but only 1 groups declared"}, CheckLayout(&l))
	l.FanGroups = -1
	require.Len(t, CheckLayout(&l), 3)
	l = testLayout()
	l.Outputs &^= sounderOut
	require.Equal(t, []string{"no sounder fitted, but fans are: nothing would warn before they start"}, CheckLayout(&l))
	l = testLayout()
	l.FanGroups, l.Probes = 5, append(make([]hardware.Probe, hardware.MaxProbes), l.Probes...)
	require.Len(t, CheckLayout(&l), 2)
}

func TestLimits(t *testing.T) {
	l := DefaultLimits()
	require.NoError(t, l.Validate())
	require.Zero(t, l.CompressorAmbientMax, "has no default")
	layout := testLayout()
	_, err := Compile(l, &layout)
	require.ErrorContains(t, err, "compressor_ambient_max: not given")
	layout.Outputs &^= compressorOut
	_, err = Compile(l, &layout)
	require.NoError(t, err)

	for _, c := range []struct {
		spoil func(*Limits)
		says  string
	}{
		{func(l *Limits) { l.DryBulbMax = 67.9 }, "at least 68 C"},
		{func(l *Limits) { l.DryBulbMax = 72.1 }, "at most 72 C"},
		{func(l *Limits) { l.CompressorAmbientMax = 20 }, "compressor_ambient_max: found 20 C, expected 23 C to 90 C"},
		{func(l *Limits) { l.CompressorStarts = 7 }, "starts_per_hour: found 7, expected 1 to 6"},
		{func(l *Limits) { l.FanCoast-- }, "fan_coast"},
		{func(l *Limits) { l.StartDelay-- }, "start_delay"},
		{func(l *Limits) { l.BulbsAgree = 3.1 }, "bulbs_agree"},
		{func(l *Limits) { l.HeatDuty = 0.31 }, "heat_duty"},
		{func(l *Limits) { l.CurrentOn = 0 }, "current_on"},
	} {
		l := DefaultLimits()
		c.spoil(&l)
		require.ErrorContains(t, l.Validate(), c.says)
	}
	broken := Limits{DryBulbMax: 1, HighestSetPoint: -1, HardLimit: 2, CompressorAmbientMin: -5, CompressorAmbientMax: -1}
	require.Equal(t, 29, strings.Count(broken.Validate().Error(), "\n")+1, "every fault at once")
	l = DefaultLimits()
	l.HardLimit *= 1e300
	l.HardLimit -= l.HardLimit * 1e300 // not a number
	require.ErrorContains(t, l.Validate(), "hard_limit")
}
