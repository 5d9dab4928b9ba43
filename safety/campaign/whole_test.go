package campaign

import (
	"math"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"drywarden/controller"
	"drywarden/hardware"
	"drywarden/hardware/quantity"
	"drywarden/hardware/simkiln"
	"drywarden/schedule/wood"
)

// whole is a row of the table of failures in a whole kiln: what comes of its cause there.
type whole struct {
	row  int
	what string // of several ways of the same row; empty: the one of causes
	from func() *checkpoint
	// instead of the cause of the row, when another one shows more of it
	faults []happening
	before func(*site)             // after a start and a quarter of an hour; nil: nothing
	early  bool                    // the failure is there when the program starts
	rule   string                  // that tells
	since  func(*site) func() bool // from when on its time counts: as long as this is so without a break; nil: the injection
	counts func(*site) bool        // time counts only in such ticks; nil: always
	within time.Duration           // in which it must be told at all; 0: an hour
	limit  time.Duration           // 0: that of the row
	later  time.Duration           // after it was told, until it has ended as it must
	off    hardware.OutputSet      // that must then be off
	on     hardware.OutputSet      // of which one must be on
	level  hardware.SafeLevel      // forced
	hold   string                  // of the stage; empty: none is looked for
	latch  bool                    //
	clears hardware.Authority      // who may clear it
	end    func(*testing.T, *site) // what else must be so then; nil: nothing
	back   time.Duration           // after the mending until an alarm that does not latch is gone; 0: a minute
	slow   bool                    // left out with -short
}

func showName(row int, what string) string {
	name := failures[row-1].name(row)
	if what != "" {
		name += ": " + what
	}
	return name
}

// site is the kiln in which it is shown.
func (w *whole) site(t *testing.T) *site {
	from := w.from
	if from == nil {
		from = midDry
	}
	return from().resume(t, nil)
}

// show lets the failure come and gives the time until it is told, in simulated seconds; 0 is the tick that shows it first.
func (w *whole) show(t *testing.T, s *site) time.Duration {
	if !w.early {
		s.run(15 * time.Minute)
	}
	if w.before != nil {
		w.before(s)
	}
	require.NotContains(t, s.since, w.rule, "told before it happens")
	var so func() bool
	if w.since != nil {
		so = w.since(s)
	}
	if w.faults != nil {
		c := cause{faults: w.faults}
		s.injectAll(&c)
	} else {
		s.happen(w.row)
	}
	patience := w.within
	if patience == 0 {
		patience = time.Hour
	}
	took, last := -time.Second, time.Duration(0)
	for spent := time.Duration(0); spent < patience && s.ever[w.rule] <= s.began; spent += time.Second {
		require.NoError(t, s.tick())
		switch {
		case so != nil && !so():
			took = -time.Second
		case w.counts == nil || w.counts(s):
			took += time.Second
		}
		last = spent
	}
	require.Contains(t, s.since, w.rule, "not told within %v; told were %v", last, s.ever)
	if took < 0 {
		took = 0
	}
	s.run(w.later)
	require.Zero(t, s.last.On&w.off, "must be off")
	if w.on != 0 {
		require.NotZero(t, s.last.On&w.on, "must be on")
	}
	require.Equal(t, w.level.String(), s.last.Forced.String())
	if w.hold != "" {
		require.Contains(t, s.status().Charge.Holds, w.hold)
	}
	if a := s.shown(w.rule); w.latch {
		require.NotNil(t, a, "it stays")
		require.True(t, a.Latched)
		require.Equal(t, w.clears.String(), a.Clears)
	}
	if w.end != nil {
		w.end(t, s)
	}
	w.mend(t, s)
	return took
}

// mend takes the cause away. What latches outlives its cause and the process, and goes for its authority alone; the rest
// goes by itself.
func (w *whole) mend(t *testing.T, s *site) {
	s.kiln.Mend()
	s.run(10 * time.Second)
	if !w.latch {
		back := w.back
		if back == 0 {
			back = time.Minute
		}
		require.True(t, s.until(back, func() bool {
			a := s.shown(w.rule) // it may stay on the list for a while, as one that is over
			return a == nil || !a.Active
		}), "still told after %v", back)
		return
	}
	require.NotNil(t, s.shown(w.rule), "it outlives its cause")
	s.run(time.Minute)
	s.cut(5 * time.Second)
	s.run(31 * time.Minute) // a cut-out may not be reset sooner
	require.NotNil(t, s.shown(w.rule), "it outlives the process")
	id := s.idOf(w.rule)
	if w.clears == hardware.ByOperator {
		require.Equal(t, controller.Accepted, s.ask(controller.Command{Verb: controller.VerbReset, Rule: id}).Refusal)
	} else {
		require.NotEqual(t, controller.Accepted, s.ask(controller.Command{Verb: controller.VerbReset, Rule: id}).Refusal, "no command alone")
		s.ask(controller.Command{Verb: controller.VerbAck, Rule: id}) // some want it first
		s.press()
		if w.clears == hardware.ByTechnician {
			require.NotNil(t, s.shown(w.rule), "not by the panel alone")
			s.loop.SubmitOrder(controller.Order{Command: controller.Command{Verb: controller.VerbReset, Rule: id}, Reason: "looked at it"})
		}
	}
	s.run(10 * time.Second)
	require.Nil(t, s.shown(w.rule), "it is cleared")
}

// midDry is a kiln in the middle of drying, wet enough for the compressor to run often.
var midDry = sync.OnceValue(func() *checkpoint { return checkpointAt(18 * time.Hour) })

// hotDry is one whose air has become warmer than set: it vents.
var hotDry = sync.OnceValue(func() *checkpoint { return checkpointAt(13 * time.Hour) })

// heatingUp is one whose air is being warmed up.
var heatingUp = sync.OnceValue(func() *checkpoint { return checkpointAt(10 * time.Minute) })

func checkpointAt(after time.Duration) *checkpoint {
	s := newSite(panicking{}, siteKiln(1), siteCharge, nil)
	s.begin(0)
	s.run(after)
	return s.keep()
}

// keep takes a checkpoint at which nothing is told, with the control state that was saved last, as after a power cut.
func (s *site) keep() *checkpoint {
	require.Empty(s.t, s.since)
	c := s.checkpoint()
	c.image = s.memory.saved
	return c
}

// blind is a kiln with one stage of 9 kW, whose heaters are neither read back nor measured, and which has no smoke detector.
var blind = sync.OnceValue(func() *checkpoint {
	c := siteKiln(1)
	c.Heat.Stages = 1
	s := newSite(panicking{}, c, siteCharge, func(s *site) {
		l := &s.deps.Config.Layout
		l.ReadBack &^= hardware.AllHeat
		l.Current &^= hardware.AllHeat
		l.Contacts = l.Contacts.With(hardware.ContactSmoke, false)
	})
	s.begin(0)
	s.run(18 * time.Hour)
	return s.keep()
})

// nearlyDry is one whose wood is dry enough for pins, driest one whose wood is so dry that a leak shows.
var (
	nearlyDry = sync.OnceValue(func() *checkpoint { return airDried("12 %", 12) })
	driest    = sync.OnceValue(func() *checkpoint { return airDried("9.5 %", 9.5) })
)

func airDried(sheet string, start quantity.MoistureContent) *checkpoint {
	c := siteKiln(1)
	c.Lots[0].Start, c.Lots[0].Sigma, c.Lots[0].AirDried = start, 0.5, true
	s := newSite(panicking{}, c, strings.Replace(siteCharge, "34 %", sheet, 1), nil)
	s.begin(0)
	s.run(12 * time.Hour)
	return s.keep()
}

// coldCores is one in whose heat stage the cores are not hot yet, heated one whose exposure is being counted.
var (
	coldCores = sync.OnceValue(func() *checkpoint { return treated(func(s *site) bool { return s.record.StageTime > time.Hour }) })
	heated    = sync.OnceValue(func() *checkpoint { return treated(func(s *site) bool { return s.record.Exposure > 10*time.Minute }) })
)

func treated(until func(*site) bool) *checkpoint {
	c := siteKiln(1)
	c.Lots[0].Start, c.Lots[0].Sigma, c.Lots[0].AirDried = 12, 0.5, true
	s := newSite(panicking{}, c, strings.Replace(siteCharge, "34 %", "12 %", 1)+`
[[stage]]
kind = "preheat"
dry_bulb = "45 C"
emc = "10 %"
until = { time = "1 h" }
[[stage]]
kind = "heat"
dry_bulb = "64 C"
core = "56 C"
exposure = "10 h"
count = "cumulative"
[[stage]]
kind = "cool"
`, nil)
	s.begin(1)
	require.True(s.t, s.until(48*time.Hour, func() bool { return until(s) }))
	return s.keep()
}

// coldKiln is one in winter, worked at 10 C, with a compressor that may.
var coldKiln = sync.OnceValue(func() *checkpoint {
	c := siteKiln(1)
	c.Room.Start, c.Machine.Scale = 10, 1
	c.Weather = simkiln.Weather{Mean: -5, Humidity: 0.7}
	s := newSite(panicking{}, c, siteCharge, func(s *site) { s.limits.CompressorAmbientMin, s.deps.Config.Demand.AmbientMin = 5, 5 })
	s.begin(1)
	s.ask(controller.Command{Verb: controller.VerbSet, HasDryBulb: true, DryBulb: 10, HasEMC: true, EMC: 6, For: 48 * time.Hour, Stage: 1})
	s.run(2 * time.Hour)
	return s.keep()
})

const (
	fans       = hardware.AllFans
	compressor = hardware.OutputSet(1) << hardware.Compressor
	crankcase  = hardware.OutputSet(1) << hardware.Crankcase
	vents      = hardware.OutputSet(1) << hardware.Vent
	everything = hardware.OutputSet(1)<<hardware.OutputCount - 1
	drying     = hardware.AllHeat | compressor
)

// value gives a probe's reading, NaN when it is not valid.
func (s *site) value(role hardware.Role, nth int) float64 {
	r := &s.snap.Readings[s.deps.Config.Layout.ByRole(role)[nth]]
	if !r.OK() {
		return math.NaN()
	}
	return r.Value
}

// runs waits until the compressor has started a moment ago, or rests.
func compressorIs(on bool) func(*site) {
	return func(s *site) {
		was := !on
		require.True(s.t, s.until(4*time.Hour, func() bool {
			is := s.last.On.Has(hardware.Compressor)
			changed := is == on && was != on
			was = is
			return changed
		}), "the compressor never changes")
		s.run(20 * time.Second)
	}
}

func unread(role hardware.Role) func(*site) func() bool {
	return func(s *site) func() bool {
		return func() bool {
			for n := range s.deps.Config.Layout.ByRole(role) {
				if !math.IsNaN(s.value(role, n)) {
					return false
				}
			}
			return true
		}
	}
}

func coreUnread(s *site) func() bool {
	return func() bool { return math.IsNaN(s.value(hardware.RoleCore, 0)) }
}

// flowlessOf is an output that is on and whose current does not flow.
func flowlessOf(o hardware.OutputSet) func(*site) func() bool {
	return func(s *site) func() bool {
		return func() bool {
			for id := range hardware.OutputCount {
				if o.Has(id) && s.snap.Previous.On.Has(id) && s.snap.CurrentValid.Has(id) && s.snap.Current[id] < 0.1 {
					return true
				}
			}
			return false
		}
	}
}

// unasked is an output that is off and whose current flows.
func unasked(o hardware.OutputID) func(*site) func() bool {
	return func(s *site) func() bool {
		return func() bool { return !s.snap.Previous.On.Has(o) && s.snap.Current[o] > 0.5 }
	}
}

func contactIs(c hardware.ContactID, active bool) func(*site) func() bool {
	return func(s *site) func() bool { return func() bool { return s.snap.Contacts.Active.Has(c) == active } }
}

// humidApart tells by how much wick and humidity probe disagree, in relative humidity.
func (s *site) humidApart() float64 {
	db := quantity.Celsius((s.value(hardware.RoleDryBulb, 0) + s.value(hardware.RoleDryBulb, 1)) / 2)
	return float64(wood.RHFromPsychrometer(db, quantity.Celsius(s.value(hardware.RoleWetBulb, 0)), 101325)) - s.value(hardware.RoleHumidity, 0)
}

// same tells that the first two probes of a role read alike.
func same(role hardware.Role) func(*site) func() bool {
	return func(s *site) func() bool {
		return func() bool { return s.value(role, 0) == s.value(role, 1) }
	}
}

// coasting waits until heat and compressor have been off for two minutes.
func coasting(s *site) {
	off := 0
	require.True(s.t, s.until(4*time.Hour, func() bool {
		if off++; s.last.On&drying != 0 {
			off = 0
		}
		return off > 120
	}), "heat or compressor is always on")
}

// wetBulbApart tells by how much the wick reads over what the humidity probe says it should, K.
func (s *site) wetBulbApart() float64 {
	db, rh := quantity.Celsius(s.value(hardware.RoleDryBulb, 0)), quantity.Ratio(s.value(hardware.RoleHumidity, 0))
	return s.value(hardware.RoleWetBulb, 0) - float64(wood.WetBulb(db, rh, 101325))
}

// overSet tells by how much the believed dry bulb is over its set point, K; what is not known counts as 0.
func (s *site) overSet() (over float64) {
	if s.record.DryBulbValid {
		over = s.record.DryBulb
	}
	if s.record.SetActive {
		over -= s.record.SetDryBulb
	}
	return over
}

// over tells whether something, without the noise of its probes, is over a limit.
func over(limit float64, of func(*site) float64) func(*site) func() bool {
	const memory = 60 // s
	return func(s *site) func() bool {
		smooth := of(s)
		return func() bool {
			smooth += (of(s) - smooth) / memory
			return smooth > limit
		}
	}
}

var wholes = []whole{
	{row: 1, rule: "dry_bulb_unknown", since: unread(hardware.RoleDryBulb), later: 10 * time.Second, off: drying, on: fans, level: safeNow, hold: "trip", latch: true, clears: hardware.ByOperator},
	{row: 2, from: heatingUp, rule: "probe_stuck", end: oneBulb},
	{row: 3, rule: "probe_noisy", later: time.Minute, end: oneBulb, back: 5 * time.Minute},
	{row: 4, rule: "dry_bulbs_apart", since: over(1, func(s *site) float64 {
		return math.Abs(s.value(hardware.RoleDryBulb, 0) - s.value(hardware.RoleDryBulb, 1))
	}), within: 6 * time.Hour, later: time.Minute, hold: "suspicious", end: warmerBulb, latch: true, clears: hardware.ByOperator},
	{row: 5, rule: "humidity_unknown", since: unread(hardware.RoleHumidity), later: 10 * time.Second, off: compressor, on: fans, hold: "air"},
	{row: 6, rule: "wet_bulb_hotter_than_dry", since: func(s *site) func() bool {
		return func() bool { return s.value(hardware.RoleWetBulb, 0) > s.value(hardware.RoleDryBulb, 0) }
	}, later: 10 * time.Second, off: drying, on: fans, latch: true, clears: hardware.ByOperator},
	{row: 7, rule: "wick_suspected_dry", since: over(0.08, (*site).humidApart), within: 12 * time.Hour, later: 2 * time.Hour, end: probeAlone, latch: true, clears: hardware.ByOperator},
	{row: 8, rule: "wick_drifting", within: 24 * time.Hour, back: 12 * time.Hour},
	{row: 9, rule: "humidity_probe_wet", since: func(s *site) func() bool { return func() bool { return s.value(hardware.RoleHumidity, 0) > 0.99 } }, later: time.Hour, end: wickAlone, back: 30 * time.Minute},
	{row: 9, what: "no wet bulb", faults: []happening{{kind: simkiln.ProbeOpen, role: hardware.RoleWetBulb}, {kind: simkiln.HumidityWet}}, rule: "humidity_probe_wet", within: 24 * time.Hour, limit: 12 * time.Hour, off: compressor, on: fans, hold: "air", later: 2 * time.Minute, back: 12 * time.Hour, end: func(t *testing.T, s *site) {
		require.NotContains(t, s.ever, "wick_suspected_dry", "it is not read at all")
	}},
	{row: 10, rule: "humidity_drifts", since: func(s *site) func() bool {
		before := s.wetBulbApart()
		return over(0.7, func(s *site) float64 { return before - s.wetBulbApart() })(s)
	}, within: 48 * time.Hour, later: time.Hour, end: wickAlone, back: 12 * time.Hour},
	{row: 11, rule: "core_probe_lost", since: coreUnread, latch: true, clears: hardware.ByOperator},
	{row: 11, what: "heat treatment", from: heated, rule: "core_probe_lost", since: coreUnread, later: time.Hour, end: func(t *testing.T, s *site) {
		require.True(t, s.was.ExposureCount)
		require.False(t, s.record.ExposureCount)
		require.LessOrEqual(t, s.record.Exposure, s.was.Exposure+10*time.Second, "the exposure has stopped")
	}, latch: true, clears: hardware.ByOperator},
	{row: 12, rule: "core_probe_in_air", within: 6 * time.Hour, end: func(t *testing.T, s *site) { require.Equal(t, 1, s.status().Air.Cores, "not counted") }, latch: true, clears: hardware.ByOperator},
	{row: 12, what: "heat treatment", from: coldCores, rule: "core_probe_in_air", later: 18 * time.Hour, end: func(t *testing.T, s *site) {
		require.Greater(t, *s.status().Air.ColdestCore, 57.0, "the core that is in the wood is hot by now")
		require.Zero(t, s.record.Exposure, "one core alone is not enough, and the other is not counted")
	}, latch: true, clears: hardware.ByOperator},
	{row: 13, rule: "bulbs_identical", since: same(hardware.RoleDryBulb), later: 10 * time.Second, off: drying, on: fans, latch: true, clears: hardware.ByOperator},
	{row: 13, what: "two cores", faults: []happening{{kind: simkiln.ProbeDuplicate, role: hardware.RoleCore}}, rule: "cores_identical", since: same(hardware.RoleCore), limit: 606 * time.Second, latch: true, clears: hardware.ByOperator},
	{row: 14, rule: "probe_at_power_on", later: 10 * time.Second, end: oneBulb},
	{row: 15, rule: "dry_bulb_unknown", later: 10 * time.Second, off: drying, level: safeNow, latch: true, clears: hardware.ByOperator},
	{row: 16, from: driest, rule: "pin_leaks", within: 3 * time.Hour, later: 6 * time.Hour, end: unmoved(driest, 0.06), back: 3 * time.Hour},
	{row: 17, from: nearlyDry, rule: "pin_loose", later: 6 * time.Hour, end: unmoved(nearlyDry, 0.06), back: 2 * time.Hour},
	{row: 18, rule: "load_cell_jumped", later: 6 * time.Hour, end: unmoved(midDry, 0.01), latch: true, clears: hardware.ByOperator},
	{row: 19, rule: "condensate_missing", counts: func(s *site) bool { return s.last.On.Has(hardware.Compressor) }, within: 12 * time.Hour, back: 12 * time.Hour},
	{row: 19, what: "drain blocked", faults: []happening{{kind: simkiln.DrainBlocked}}, rule: "water_on_floor", since: contactIs(hardware.ContactFloat, true), within: 24 * time.Hour, off: everything, level: offNow, latch: true, clears: hardware.AtPanel},
	{row: 20, rule: "condensate_missing", within: 48 * time.Hour, later: 12 * time.Hour, end: unmoved(midDry, 0.5), back: 12 * time.Hour},
	{row: 21, before: compressorIs(false), rule: "heat_energised_unasked", since: unasked(hardware.Heat1), later: time.Second, off: everything, level: offNow, latch: true, clears: hardware.ByTechnician},
	{row: 22, from: heatingUp, rule: "heat_dead", since: flowlessOf(hardware.AllHeat), later: 15 * time.Minute, off: hardware.AllHeat, on: fans, latch: true, clears: hardware.ByOperator},
	{row: 23, early: true, rule: "fan_not_following", since: flowlessOf(fans), later: time.Minute, off: drying, on: fans, latch: true, clears: hardware.AtPanel},
	{row: 24, what: "trip", rule: "fan_not_proven", since: contactIs(hardware.ContactAirflow, false), limit: 20 * time.Second, later: 20 * time.Second, off: drying, latch: true, clears: hardware.AtPanel},
	{row: 25, rule: "both_directions_energised", off: everything, level: offNow, latch: true, clears: hardware.ByTechnician},
	{row: 27, rule: "fan_unloaded", later: time.Second, off: drying, on: fans, level: safeNow, latch: true, clears: hardware.ByTechnician},
	{row: 27, what: "air fails", faults: []happening{{kind: simkiln.AirflowLost}}, rule: "fan_not_proven", later: time.Second, off: drying, on: fans, latch: true, clears: hardware.AtPanel},
	{row: 29, rule: "high_pressure", off: compressor, on: fans, latch: true, clears: hardware.AtPanel},
	{row: 30, rule: "low_pressure", before: compressorIs(true), later: 5 * time.Second, off: compressor, on: fans, latch: true, clears: hardware.ByTechnician},
	{row: 32, rule: "compressor_dead", within: 4 * time.Hour, since: flowlessOf(compressor), later: 3 * time.Hour, off: compressor, on: fans, latch: true, clears: hardware.ByOperator},
	{row: 33, before: compressorIs(true), rule: "compressor_energised_unasked", since: unasked(hardware.Compressor), later: time.Second, off: everything, level: offNow, latch: true, clears: hardware.ByTechnician},
	{row: 34, before: compressorIs(false), rule: "crankcase_cold", since: flowlessOf(crankcase)},
	{row: 35, from: blind, before: compressorIs(false), rule: "air_too_warm", within: 4 * time.Hour, since: over(5, (*site).overSet), off: drying, on: fans, end: cooled, back: 6 * time.Hour},
	{row: 36, from: blind, before: compressorIs(false), rule: "dry_bulb_too_high", within: 24 * time.Hour, since: func(s *site) func() bool {
		return func() bool { return s.value(hardware.RoleDryBulb, 0) > 70 || s.value(hardware.RoleDryBulb, 1) > 70 }
	}, later: time.Minute, off: drying, on: vents, level: safeNow, latch: true, clears: hardware.AtPanel},
	{row: 37, rule: "high_limit", off: drying, on: fans, level: safeNow, latch: true, clears: hardware.AtPanel},
	{row: 38, rule: "smoke", off: everything, level: offNow, latch: true, clears: hardware.AtPanel},
	{row: 38, what: "no detector", from: blind, before: coasting, faults: []happening{{kind: simkiln.MachineFire}}, rule: "air_rising_fast", later: time.Second, off: everything, level: offNow, latch: true, clears: hardware.AtPanel},
	{row: 38, what: "no detector, heat on", from: blind, limit: 3 * time.Minute, faults: []happening{{kind: simkiln.MachineFire}}, rule: "air_far_too_hot", off: everything, level: offNow, latch: true, clears: hardware.AtPanel},
	{row: 39, rule: "door_open", off: fans | drying, hold: "door", latch: true, clears: hardware.ByOperator},
	{row: 40, rule: "door_seems_open", level: safeNow, back: 12 * time.Hour},
	{row: 41, what: "the key", faults: []happening{{kind: simkiln.Inhibit}}, rule: "inhibit", off: everything, level: offNow, latch: true, clears: hardware.AtPanel},
	{row: 41, rule: "inside_button", off: everything, level: offNow, latch: true, clears: hardware.AtPanel},
	{row: 42, rule: "emergency_stop", off: everything, level: offNow, latch: true, clears: hardware.AtPanel},
	{row: 43, rule: "vent_not_following", end: limitedHeat, back: 5 * time.Minute},
	{row: 43, what: "shut", from: hotDry, faults: []happening{{kind: simkiln.VentStuckShut}}, rule: "vents_stay_shut", within: 6 * time.Hour,
		counts: func(s *site) bool { return s.last.On.Has(hardware.Vent) }, end: capped, back: 6 * time.Hour},
	{row: 44, rule: "spray_energised_unasked", since: contactIs(hardware.ContactEStop, false), later: 2 * time.Second, off: compressor | 1<<hardware.Spray, on: fans, hold: "trip", latch: true, clears: hardware.AtPanel},
	{row: 45, rule: "water_supply_lost"},
	{row: 46, rule: "fans_lost", later: time.Second, off: drying, level: safeNow, latch: true, clears: hardware.AtPanel},
	{row: 46, what: "heat", from: heatingUp, limit: time.Minute, faults: []happening{{kind: simkiln.BreakerHeat}}, rule: "heat_dead", since: flowlessOf(hardware.AllHeat), later: 15 * time.Minute, off: hardware.AllHeat, on: fans, latch: true, clears: hardware.ByOperator},
	{row: 47, rule: "mains_lost", off: everything, level: offNow},
	{row: 48, rule: "mains_lost", off: everything, level: offNow},
	{row: 52, rule: "outputs_dropped_often", since: func(s *site) func() bool {
		third := s.kiln.Now() + 20*time.Minute
		return func() bool { return s.kiln.Now() > third }
	}, within: 30 * time.Minute, later: time.Second, off: drying, level: safeNow, latch: true, clears: hardware.ByOperator},
	{row: 63, rule: "gas_leak", off: drying | crankcase, on: fans, latch: true, clears: hardware.ByTechnician},
	{row: 64, rule: "water_on_floor", off: everything, level: offNow, latch: true, clears: hardware.AtPanel},
}

// oneBulb: the other dry bulb is used, and nothing is held.
func oneBulb(t *testing.T, s *site) {
	st := s.status()
	require.Equal(t, 1, st.Air.DryBulbs, "the other one is used")
	require.Empty(t, st.Charge.Holds)
}

// warmerBulb: the warmer of two dry bulbs counts, and of the humidities that a wick and a probe give with either the drier.
func warmerBulb(t *testing.T, s *site) {
	a, b := s.value(hardware.RoleDryBulb, 0), s.value(hardware.RoleDryBulb, 1)
	air := s.status().Air
	require.InDelta(t, max(a, b), *air.DryBulb, 0.3)
	require.Less(t, *air.EMC, s.emcBy(min(a, b)))
}

// emcBy is what wick and humidity probe together say of the air if its dry bulb is this.
func (s *site) emcBy(dryBulb float64) float64 {
	db, wet := quantity.Celsius(dryBulb), quantity.Celsius(s.value(hardware.RoleWetBulb, 0))
	rh := (wood.RHFromPsychrometer(db, wet, 101325) + quantity.Ratio(s.value(hardware.RoleHumidity, 0))) / 2
	return float64(wood.EMC(db, rh))
}

// probeAlone: what the humidity probe reads is believed, and nothing else. Nothing more is asked for than before.
func probeAlone(t *testing.T, s *site) {
	rh := *s.status().Air.RH
	require.InDelta(t, s.value(hardware.RoleHumidity, 0), rh, 0.02)
	notMore(t, s)
	s.injectAll(&cause{faults: []happening{{kind: simkiln.ProbeOpen, role: hardware.RoleHumidity}}})
	s.run(2 * time.Minute)
	require.Contains(t, s.holds(), "air", "rather nothing than the wick")
	require.Zero(t, s.last.On&compressor)
}

// wickAlone: what the wet bulb shows is believed, and nothing else.
func wickAlone(t *testing.T, s *site) {
	rh := *s.status().Air.RH
	require.InDelta(t, s.value(hardware.RoleHumidity, 0)+s.humidApart(), rh, 0.02)
	notMore(t, s)
}

// twin is a kiln to which nothing happened, at the same time.
func (s *site) twin(from func() *checkpoint) *site {
	twin := from().resume(s.t, nil)
	twin.run(s.kiln.Now() - twin.kiln.Now())
	return twin
}

// notMore: the air is not asked to be drier or warmer than it would be, nor believed to be damper than it is.
func notMore(t *testing.T, s *site) {
	twin := s.twin(midDry)
	require.LessOrEqual(t, s.record.SetDryBulb, twin.record.SetDryBulb+1e-9)
	require.GreaterOrEqual(t, s.record.SetEMC, twin.record.SetEMC-1e-9)
	require.Less(t, *s.status().Air.RH, float64(s.kiln.Truth().RH)+0.03)
	require.Empty(t, s.holds())
}

// unmoved: what is believed of the wood is what a kiln believes to which nothing happened, to so many points: of its boards,
// which alone drive the stage where there are some, and of the lot, which pins and water move.
func unmoved(from func() *checkpoint, points float64) func(*testing.T, *site) {
	return func(t *testing.T, s *site) {
		twin := s.twin(from)
		is, would := &s.live.State.Estimate.Wood, &twin.live.State.Estimate.Wood
		require.InDelta(t, would.Said[0].Control.Value, is.Said[0].Control.Value, points)
		require.InDelta(t, would.Filter.X[0], is.Filter.X[0], points)
	}
}

// cooled: for an hour neither heat nor compressor, and the vents are told open, while the air is more than 2.5 K too warm.
func cooled(t *testing.T, s *site) {
	vented := 0
	for range 3600 {
		s.run(time.Second)
		require.Greater(t, s.overSet(), 2.5)
		require.Zero(t, s.last.On&drying)
		if s.last.On.Has(hardware.Vent) {
			vented++
		}
	}
	require.Greater(t, vented, 720)
}

// limitedHeat: heat for at most three tenths of each of three hours, though the air is cooler than set.
func limitedHeat(t *testing.T, s *site) {
	for range 3 {
		heats := 0
		for range 3600 {
			s.run(time.Second)
			if s.last.On&hardware.AllHeat != 0 {
				heats++
			}
		}
		require.LessOrEqual(t, heats, 1080)
		require.Less(t, s.overSet(), -1.0, "it would heat")
	}
}

// capped: an operator who asks for more gets no warmer air.
func capped(t *testing.T, s *site) {
	set := s.record.SetDryBulb
	twin := s.twin(hotDry)
	for _, k := range []*site{s, twin} {
		c := k.command(controller.VerbSet)
		c.HasDryBulb, c.DryBulb, c.For = true, quantity.Celsius(set+3), 3*time.Hour
		require.Equal(t, controller.Accepted, k.ask(c).Refusal)
		k.run(2 * time.Hour)
	}
	require.LessOrEqual(t, s.record.SetDryBulb, set)
	require.Greater(t, twin.record.SetDryBulb, set+1)
}

// Without a fault the whole kiln tells nothing, and the judge finds nothing.
func TestWholeKilnIsQuiet(t *testing.T) {
	s := midDry().resume(t, nil)
	s.run(span(12*time.Hour, 2*time.Hour))
	require.Empty(t, s.ever)
	s.clean()
}
