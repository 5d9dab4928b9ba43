package safety

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"drywarden/hardware"
	"drywarden/hardware/quantity"
)

// Every limit is taken at both ends of its range and refused beyond them, and every default is what the documents say.
func TestEveryLimit(t *testing.T) {
	const s = time.Second
	for _, c := range []struct {
		key                string
		of                 func(*Limits) *quantity.Duration
		least, usual, most time.Duration
	}{
		{"compressor_min_off", func(l *Limits) *quantity.Duration { return &l.CompressorMinOff }, 180 * s, 300 * s, 3600 * s},
		{"fan_coast", func(l *Limits) *quantity.Duration { return &l.FanCoast }, 60 * s, 60 * s, 600 * s},
		{"fan_proof", func(l *Limits) *quantity.Duration { return &l.FanProof }, s, 10 * s, 60 * s},
		{"airflow_heat", func(l *Limits) *quantity.Duration { return &l.AirflowHeat }, s, 10 * s, 10 * s},
		{"airflow_compressor", func(l *Limits) *quantity.Duration { return &l.AirflowCompressor }, s, 30 * s, 30 * s},
		{"blower_proof", func(l *Limits) *quantity.Duration { return &l.BlowerProof }, s, 10 * s, 30 * s},
		{"stale_air", func(l *Limits) *quantity.Duration { return &l.StaleAir }, 5 * s, 30 * s, 60 * s},
		{"stale_snapshot", func(l *Limits) *quantity.Duration { return &l.StaleSnapshot }, s, 5 * s, 5 * s},
		{"humidity_lost", func(l *Limits) *quantity.Duration { return &l.HumidityLost }, s, 60 * s, 60 * s},
		{"vent_interval", func(l *Limits) *quantity.Duration { return &l.VentInterval }, s, 60 * s, 600 * s},
		{"spray_interval", func(l *Limits) *quantity.Duration { return &l.SprayInterval }, s, 5 * s, 600 * s},
		{"contactor_interval", func(l *Limits) *quantity.Duration { return &l.ContactorInterval }, s, 10 * s, 600 * s},
		{"start_delay", func(l *Limits) *quantity.Duration { return &l.StartDelay }, 30 * s, 30 * s, 600 * s},
		{"door_warning", func(l *Limits) *quantity.Duration { return &l.DoorWarning }, 10 * s, 10 * s, 60 * s},
		{"silent", func(l *Limits) *quantity.Duration { return &l.Silent }, 2 * s, 5 * s, 5 * s},
		{"silent_off", func(l *Limits) *quantity.Duration { return &l.SilentOff }, s, 30 * s, 30 * s},
		{"unreadable_latch", func(l *Limits) *quantity.Duration { return &l.UnreadableLatch }, s, 10 * s, 60 * s},
	} {
		l := DefaultLimits()
		require.Equal(t, c.usual, c.of(&l).Std(), c.key)
		for _, good := range []time.Duration{c.least, c.most} {
			*c.of(&l) = quantity.Duration(good)
			require.NoError(t, l.Validate(), c.key)
		}
		for _, bad := range []time.Duration{c.least - 1, c.most + 1} {
			*c.of(&l) = quantity.Duration(bad)
			require.ErrorContains(t, l.Validate(), "limit "+c.key+":")
		}
	}
	near := func(v float64, up bool) float64 {
		return math.Nextafter(v, map[bool]float64{true: 1e9, false: -1e9}[up])
	}
	for _, c := range []struct {
		key                string
		set                func(*Limits, float64)
		least, usual, most float64
		open               bool // the least is not taken
	}{
		{"highest_set_point", func(l *Limits, v float64) {
			l.HighestSetPoint, l.DryBulbMax, l.HardLimit = quantity.Celsius(v), quantity.Celsius(v+3), quantity.Celsius(v+6)
		}, 10, 65, 100, false},
		{"dry_bulb_max", func(l *Limits, v float64) { l.DryBulbMax = quantity.Celsius(v) }, 68, 70, 72, false},
		{"compressor_ambient_min", func(l *Limits, v float64) { l.CompressorAmbientMin = quantity.Celsius(v) }, 0, 18, 30, false},
		{"compressor_ambient_max", func(l *Limits, v float64) { l.CompressorAmbientMax = quantity.Celsius(v) }, 23, 0, 90, false},
		{"bulbs_agree", func(l *Limits, v float64) { l.BulbsAgree = quantity.CelsiusDelta(v) }, 0, 3, 3, true},
		{"heat_duty", func(l *Limits, v float64) { l.HeatDuty = quantity.Ratio(v) }, 0.05, 0.3, 0.3, false},
		{"vent_duty", func(l *Limits, v float64) { l.VentDuty = quantity.Ratio(v) }, 0.05, 0.3, 0.3, false},
		{"current_on", func(l *Limits, v float64) { l.CurrentOn = quantity.Ampere(v) }, 0.05, 0.5, 5, false},
	} {
		l := DefaultLimits()
		before := l
		c.set(&l, c.usual)
		if c.key != "highest_set_point" {
			require.Equal(t, before, l, "default of %s", c.key)
		}
		for _, good := range []float64{c.least, c.most} {
			c.set(&l, good)
			if c.open && good == c.least {
				require.ErrorContains(t, l.Validate(), "limit "+c.key+":")
				continue
			}
			require.NoError(t, l.Validate(), c.key)
		}
		for _, bad := range []float64{near(c.least, false), near(c.most, true), math.NaN()} {
			if c.key == "compressor_ambient_max" && bad == 0 {
				continue
			}
			c.set(&l, bad)
			require.ErrorContains(t, l.Validate(), "limit "+c.key+":", "%v", bad)
		}
	}
	l := DefaultLimits()
	require.Equal(t, []any{quantity.Celsius(65), quantity.Celsius(70), quantity.Celsius(75), 6}, []any{l.HighestSetPoint, l.DryBulbMax, l.HardLimit, l.CompressorStarts})
	for starts, good := range map[int]bool{0: false, 1: true, 6: true, 7: false} {
		l.CompressorStarts = starts
		require.Equal(t, good, l.Validate() == nil, "%d starts an hour", starts)
	}
	// Bounds of the temperatures themselves.
	for _, c := range []struct {
		set, max, hard quantity.Celsius
		good           bool
	}{{10, 13, 16, true}, {10, 12.9, 16, false}, {10, 13, 15.9, false}, {100, 110, 120, true}, {100, 110, 120.1, false}, {100, 110.1, 120, false}} {
		l := DefaultLimits()
		l.HighestSetPoint, l.DryBulbMax, l.HardLimit = c.set, c.max, c.hard
		require.Equal(t, c.good, l.Validate() == nil, "%v", c)
	}
}

// What is read is told apart exactly where it says.
func TestEdgesOfReadings(t *testing.T) {
	look := func(breaks ...func(*rig)) *facts {
		r := newRig(t)
		r.drying()
		r.breaks = func(r *rig) {
			for _, b := range breaks {
				b(r)
			}
		}
		r.run(1)
		return &r.in.work
	}
	for _, c := range []struct {
		a, b      float64
		confirmed bool
	}{{45, 48, true}, {48, 45, true}, {45, 48.01, false}, {48.01, 45, false}} {
		require.Equal(t, c.confirmed, look(value(bulbA, c.a), value(bulbB, c.b)).confirmed, "%v %v", c.a, c.b)
	}
	f := look(value(bulbA, 46), value(bulbB, 44))
	require.Equal(t, []any{44.0, bulbB, 46.0, bulbA, 2}, []any{f.low, f.lowProbe, f.high, f.highProbe, f.usable})
	f = look(value(bulbA, 45), value(bulbB, 45), value(leaving, 45), value(core, 45))
	require.Equal(t, []any{45.0, bulbA, 45.0, bulbA, 45.0, bulbA}, []any{f.low, f.lowProbe, f.high, f.highProbe, f.hot, f.hotProbe})
	for v, usable := range map[float64]int{-60: 2, -60.01: 1, 150: 2, 150.01: 1} {
		require.Equal(t, usable, look(value(bulbB, v)).usable, "%v", v)
	}
	require.Equal(t, 150.0, look(value(core, 150)).hot)
	require.Equal(t, 45.4, look(value(core, 150.01)).hot)
	require.Equal(t, 46.5, look(value(leaving, 46.5), aged(time.Hour, leaving)).hot, "an old one that is hot counts")
	for _, c := range []struct {
		age, lag time.Duration
		usable   int
	}{{30, 0, 2}, {26, 4, 2}, {27, 4, 1}, {31, 0, 1}, {-1, 0, 1}} {
		f := look(aged(c.age*time.Second, bulbB), func(r *rig) { r.stale = c.lag * time.Second })
		require.Equal(t, c.usable, f.usable, "%v", c)
		require.Equal(t, max(c.age+c.lag, c.lag, 0)*time.Second, f.age)
	}
	require.Zero(t, look(quality(hardware.NoAnswer, core), value(core, 85)).atStart, "what is not valid means nothing")
	require.False(t, look(quality(hardware.NoAnswer, core), value(core, math.NaN())).broken)
	require.EqualValues(t, 1<<core|1<<wetBulb, look(value(core, 85), value(wetBulb, 85)).atStart)
	f = look(value(wetBulb, 41.5))
	require.Equal(t, []any{41.5, wetBulb}, []any{f.wet, f.wetProbe})
}

func TestEdgesOfCurrent(t *testing.T) {
	r := newRig(t)
	r.plant.limits.CurrentOn, r.plant.spare.limits.CurrentOn = 5, 5
	r.drying()
	amps := func(a1, a2 float32) {
		r.breaks = func(r *rig) { r.snap.Current[hardware.Heat1], r.snap.Current[hardware.Heat2] = a1, a2 }
		r.run(1)
	}
	amps(8, 5)
	require.False(t, r.in.work.on.Has(hardware.Heat2))
	amps(8, 5.1)
	require.True(t, r.in.work.on.Has(hardware.Heat2))
	amps(0.5, 0)
	require.False(t, r.in.work.dead.Has(hardware.Heat1))
	amps(0.49, 0)
	require.True(t, r.in.work.dead.Has(hardware.Heat1))
	require.True(t, r.in.work.on.Has(hardware.Heat1), "its contactor is in")
}

// Alarms carry what was seen and what would have been right.
func TestAlarmsSayWhatWasSeen(t *testing.T) {
	for _, c := range []struct {
		rule   hardware.RuleID
		breaks func(*rig)
		after  int
		probe  hardware.ProbeID
		value  float64
		limit  float64
	}{
		{DryBulbTooHigh, value(leaving, 72.5), 10, leaving, 72.5, 70},
		{DryBulbUnknown, quality(hardware.NoAnswer, bulbA, bulbB), 1, hardware.NoProbe, 0, 0},
		{ReadingsStale, aged(31*time.Second, bulbA, bulbB), 1, hardware.NoProbe, 31, 30},
		{ReadingsStale, func(r *rig) { r.stale = 5250 * time.Millisecond }, 1, hardware.NoProbe, 5.25, 5},
		{HumidityUnknown, quality(hardware.Checksum, wetBulb, humidity), 61, hardware.NoProbe, 61, 60},
		{NotFinite, value(core, math.Inf(1)), 1, core, 0, 0},
		{BulbsCrossed, value(wetBulb, 47), 120, wetBulb, 47, 45.4},
		{ProbeAtPowerOn, value(core, 85), 10, core, 85, 85},
		{HeatNearLimit, value(bulbB, 69), 1, bulbB, 69, 69},
		{CompressorTooHot, value(bulbB, 61), 1, bulbB, 61, 60},
		{CompressorTooCold, func(r *rig) { value(bulbA, 17)(r); value(bulbB, 17.5)(r) }, 1, bulbA, 17, 18},
	} {
		r := newRig(t)
		r.drying()
		r.breaks = c.breaks
		r.run(c.after)
		rule := r.state.Rule[c.rule]
		require.Equal(t, []any{c.probe, c.value, c.limit}, []any{rule.Probe, rule.Value, rule.Limit}, Name(c.rule))
		if table[c.rule-1].see != nil || table[c.rule-1].tells {
			a, raised := r.alarm(c.rule)
			require.True(t, raised, Name(c.rule))
			require.Equal(t, []any{c.probe, c.value, c.limit}, []any{a.Probe, a.Value, a.Limit}, Name(c.rule))
		}
	}
	r := newRig(t)
	r.drying()
	r.tick(6 * time.Second)
	a, _ := r.alarm(ControllerSilent)
	require.Equal(t, []any{hardware.NoProbe, 6.0, 5.0}, []any{a.Probe, a.Value, a.Limit})
	require.Equal(t, hardware.NotForced, func() hardware.SafeLevel { r.run(2); return r.out.Forced }())
	for _, lag := range []time.Duration{5 * time.Second, 0} {
		r.stale = lag
		r.run(1)
		require.Equal(t, hardware.NotForced, r.out.Forced, "exactly as old as it may be")
	}
	r.breaks = value(core, 70)
	require.Zero(t, r.until(DryBulbTooHigh, 30), "exactly as hot as it may be")
}

func TestAirflowTimes(t *testing.T) {
	// From the start of fans whose air never comes: 10 s, then 20 s of delay.
	r := newRig(t)
	r.settleIn()
	r.want = forwards
	r.breaks = inactive(hardware.ContactAirflow)
	require.Equal(t, 30, r.until(FanNotProven, 100))
	// Stuck is what is still there ten seconds after the coast-down.
	r = newRig(t)
	r.settleIn()
	r.want = forwards
	r.run(20)
	r.want = 0
	r.run(1)
	r.breaks = active(hardware.ContactAirflow)
	n := 0
	for raised := false; !raised; n++ {
		r.run(1)
		_, raised = r.alarm(AirflowStuck)
	}
	require.Equal(t, 60+10, n)
}

// Whichever probe of the air is lost or comes back, the coldest is another one and nothing burns.
func TestAirProbesComeAndGo(t *testing.T) {
	for _, id := range []hardware.ProbeID{bulbA, bulbB, leaving} {
		r := newRig(t)
		r.settleIn()
		r.breaks = value(id, 30)
		r.want = forwards
		r.run(400)
		for range 3 {
			r.breaks = quality(hardware.NoAnswer, id)
			require.Zero(t, r.until(AirRisingFast, 40))
			r.breaks = value(id, 30)
			require.Zero(t, r.until(AirRisingFast, 40))
		}
	}
}

// A kiln is checked one part at a time: the least that will do does, one less does not.
func TestEdgesOfLayout(t *testing.T) {
	with := func(change func(*hardware.Layout)) []string {
		l := testLayout()
		change(&l)
		return CheckLayout(&l)
	}
	require.Empty(t, with(func(l *hardware.Layout) {
		l.Probes = append(l.Probes, make([]hardware.Probe, hardware.MaxProbes-len(l.Probes))...)
	}))
	require.Len(t, with(func(l *hardware.Layout) {
		l.Probes = append(l.Probes, make([]hardware.Probe, hardware.MaxProbes-len(l.Probes)+1)...)
	}), 1)
	require.Empty(t, with(func(l *hardware.Layout) { l.FanGroups = hardware.MaxFanGroups }))
	require.Len(t, with(func(l *hardware.Layout) { l.FanGroups = hardware.MaxFanGroups + 1 }), 1)
	for _, o := range []hardware.OutputID{hardware.FanForward3, hardware.FanReverse3} {
		require.Len(t, with(func(l *hardware.Layout) { l.Outputs = l.Outputs.With(o, true) }), 1, "one direction of a group that is not declared")
	}
	require.Empty(t, with(func(l *hardware.Layout) {
		l.FanGroups, l.Outputs = 0, l.Outputs&^(hardware.AllFans|hardware.AllHeat|compressorOut)
	}))
	require.Empty(t, with(func(l *hardware.Layout) { l.Probes = l.Probes[bulbB : wetBulb+1] }), "one dry bulb, one wet bulb")
	require.Empty(t, with(func(l *hardware.Layout) { l.Probes = []hardware.Probe{l.Probes[bulbA], l.Probes[humidity]} }))
	require.Len(t, with(func(l *hardware.Layout) { l.Probes = l.Probes[:bulbB+1] }), 1)
	require.Len(t, with(func(l *hardware.Layout) { l.Probes = l.Probes[wetBulb:] }), 1)
	for _, rest := range []hardware.OutputSet{hardware.AllHeat, compressorOut} {
		require.Len(t, with(func(l *hardware.Layout) {
			l.Contacts &^= 1 << hardware.ContactAirflow
			l.Outputs &^= rest
		}), 1, "heat alone and compressor alone need airflow proof")
	}
	unjudged := func(rule hardware.RuleID, change func(*hardware.Layout)) string {
		l := testLayout()
		change(&l)
		for _, m := range Unjudged(&l) {
			if m.Rule == rule {
				return m.Needs
			}
		}
		return ""
	}
	probes := func(ids ...hardware.ProbeID) func(*hardware.Layout) {
		return func(l *hardware.Layout) {
			all := l.Probes
			l.Probes = nil
			for _, id := range ids {
				l.Probes = append(l.Probes, all[id])
			}
		}
	}
	require.Empty(t, unjudged(AirRisingFast, probes(bulbA, leaving)))
	require.Empty(t, unjudged(AirRisingFast, probes(bulbA, bulbB)))
	require.Equal(t, "a second probe of the air", unjudged(AirRisingFast, probes(bulbA)))
	for _, c := range []struct {
		contacts hardware.ContactSet
		vent     bool
		judged   bool
	}{{1 << hardware.ContactVentOpen, true, true}, {1 << hardware.ContactVentShut, true, true}, {0, true, false}, {0, false, true}} {
		needs := unjudged(VentNotFollowing, func(l *hardware.Layout) {
			l.Contacts = l.Contacts&^(1<<hardware.ContactVentOpen|1<<hardware.ContactVentShut) | c.contacts
			l.Outputs = l.Outputs.With(hardware.Vent, c.vent)
		})
		require.Equal(t, c.judged, needs == "", "%v", c)
	}
	require.Equal(t, "read-back or current of spray", unjudged(SprayStuckOpen, func(l *hardware.Layout) { l.ReadBack &^= sprayOut }))
	require.Equal(t, "read-back of fan_forward_1, heat_1", unjudged(OutputsDroppedOften, func(l *hardware.Layout) { l.ReadBack &^= heat1 | forward1 }))
	require.Empty(t, unjudged(HighPressure, func(l *hardware.Layout) {
		l.Contacts &^= 1 << hardware.ContactHighPressure
		l.Outputs &^= compressorOut
	}))
	require.Equal(t, "high-pressure cut-out", unjudged(HighPressure, func(l *hardware.Layout) { l.Contacts &^= 1 << hardware.ContactHighPressure }))
}

// What hard wiring explains is not counted; what it does not, is.
func TestEdgesOfDrops(t *testing.T) {
	for _, c := range []struct {
		breaks func(*rig)
		plant  func(*Plant)
		counts bool
	}{
		{readBack(0, heat1, 0), nil, true},
		{readBack(0, heat1, heat1), nil, false},
		{readBack(sprayOut, 0, 0), nil, true},
		{readBack(1<<hardware.Crankcase, 0, 0), nil, true},
		{readBack(1<<hardware.Vent, 0, 0), func(p *Plant) { p.readBack |= ventOut }, false}, // moves slowly
		{readBack(0, heat1, 0), func(p *Plant) { p.readBack = 0 }, false},
	} {
		r := newRig(t)
		r.drying()
		r.state.Drops[0], r.state.Drops[1] = time.Second, 2*time.Second
		if c.plant != nil {
			c.plant(r.plant)
		}
		r.breaks = c.breaks
		r.run(1)
		require.Equal(t, c.counts, r.out.Trips.Has(OutputsDroppedOften))
	}
	for _, id := range []hardware.ContactID{hardware.ContactEStop, hardware.ContactDoor, hardware.ContactHighLimit, hardware.ContactHighPressure,
		hardware.ContactLowPressure, hardware.ContactMains, hardware.ContactAirflow, hardware.ContactGas, hardware.ContactFloat} {
		explains := id != hardware.ContactGas && id != hardware.ContactFloat
		turned := active(id)
		if id == hardware.ContactMains || id == hardware.ContactAirflow {
			turned = inactive(id)
		}
		for _, fitted := range []bool{true, false} {
			for _, breaks := range []func(*rig){turned, unreadable(id)} {
				r := newRig(t)
				r.drying()
				r.state.Drops[0], r.state.Drops[1] = time.Second, 2*time.Second
				r.plant.contacts = r.plant.contacts.With(id, fitted)
				r.plant.spare.fitted = r.plant.fitted
				r.breaks = func(r *rig) { breaks(r); readBack(0, heat1, 0)(r) }
				r.run(1)
				require.Equal(t, !(explains && fitted), r.out.Trips.Has(OutputsDroppedOften), "%v fitted %v", id, fitted)
			}
		}
	}
	for third, trips := range map[time.Duration]bool{time.Hour - 2*time.Second: true, time.Hour - time.Second: false} {
		r := newRig(t)
		r.drying()
		r.state.Drops[0], r.state.Drops[1] = 0, third
		r.breaks = readBack(0, heat1, 0)
		r.run(1)
		require.Equal(t, trips, r.out.Trips.Has(OutputsDroppedOften), "%v", third)
	}
}

// Small things, each once.
func TestOddsAndEnds(t *testing.T) {
	r := newRig(t)
	r.drying()
	// Vents in SAFE: open above 65 C only.
	for v, open := range map[float64]bool{65: false, 65.01: true} {
		r := newRig(t)
		r.drying()
		r.run(60)
		r.breaks = func(r *rig) { active(hardware.ContactHighLimit)(r); value(bulbA, v)(r) }
		r.run(1)
		require.Equal(t, open, r.on().Has(hardware.Vent), "%v", v)
	}
	l := DefaultLimits()
	l.BulbsAgree = 0.01
	require.NoError(t, l.Validate())
	// More probes of the air than are watched for fire.
	layout := crowded()
	plant, err := Compile(testLimits(), &layout)
	require.NoError(t, err)
	q := newRig(t)
	q.plant, q.layout = plant, layout
	q.breaks = func(r *rig) {
		for i := range r.layout.Probes {
			r.snap.Readings[i] = hardware.Reading{Value: 45, Quality: hardware.Valid}
		}
	}
	q.run(5)
	require.EqualValues(t, 1<<maxAir-1, q.state.AirKnown)
	// A ratio of nothing is no power-on value.
	r.breaks = value(humidity, 0)
	r.run(1)
	require.Zero(t, r.in.work.atStart)
	// Of two, the first is named.
	r.breaks = func(r *rig) { value(bulbB, 85)(r); value(core, 85)(r) }
	r.run(10)
	require.Equal(t, bulbB, r.state.Rule[ProbeAtPowerOn].Probe)
	// Probes of the air that come back hotter have not risen.
	for _, two := range [][]hardware.ProbeID{{bulbA, bulbB}, {bulbB, leaving}} {
		r := newRig(t)
		r.settleIn()
		r.want = forwards
		r.run(70)
		r.breaks = quality(hardware.NoAnswer, two...)
		r.run(9)
		r.breaks = func(r *rig) { value(two[0], 56)(r); value(two[1], 56)(r) }
		require.Zero(t, r.until(AirRisingFast, 60))
	}
	// One dry bulb is enough to tell a wet bulb that is hotter.
	r = newRig(t)
	r.drying()
	r.breaks = func(r *rig) { quality(hardware.NoAnswer, bulbA)(r); value(wetBulb, 46)(r) }
	require.Equal(t, 120, r.until(BulbsCrossed, 130))
	// Heat that fails is heat's failure.
	r = newRig(t)
	r.drying()
	r.breaks = readBack(0, heat1, 0)
	r.run(60)
	require.Zero(t, r.state.HeatFailed)
	require.Equal(t, longest, r.state.CompressorFailed)
	require.True(t, r.on().Has(hardware.Compressor))
	// Vents that hang open cost heat from the tick in which that is told.
	r = newRig(t)
	r.drying()
	r.breaks = inactive(hardware.ContactVentShut)
	for n := 1; n <= 6; n++ {
		r.run(1)
		_, raised := r.alarm(VentNotFollowing)
		require.Equal(t, n >= 5, raised)
		require.Equal(t, raised, r.in.work.hangOpen)
	}
	// The blower's low speed has a contactor too.
	r = newRig(t)
	r.drying()
	low := hardware.OutputSet(1) << hardware.BlowerLow
	r.want |= low
	r.run(1)
	r.want &^= low
	r.run(1)
	r.want |= low
	r.run(9)
	require.Equal(t, "min_interval", r.vetoedBy(hardware.BlowerLow))
	r.run(1)
	require.True(t, r.on().Has(hardware.BlowerLow))
	// Every follower is followed.
	for _, o := range []hardware.OutputID{hardware.Crankcase, hardware.Spray} {
		r := newRig(t)
		r.drying()
		r.want = forwards | 1<<o
		r.run(20)
		r.breaks = readBack(0, 1<<o, 0)
		r.run(59)
		require.Zero(t, r.out.AlarmCount)
		r.run(1)
		_, raised := r.alarm(OutputNotFollowing)
		require.True(t, raised, o.String())
	}
}

func TestMoreOddsAndEnds(t *testing.T) {
	// A gas leak takes the crankcase heater and the spray too.
	r := newRig(t)
	r.drying()
	r.want = forwards | crankcaseOut | sprayOut
	r.run(20)
	require.Equal(t, r.want, r.on())
	r.breaks = active(hardware.ContactGas)
	r.run(1)
	require.Equal(t, forwards, r.on())
	// A first tick earns nothing, whatever the Input held before.
	r = newRig(t)
	r.drying()
	r.state = NewState(&r.plant.limits)
	r.tick(time.Hour)
	require.Zero(t, r.state.Up)
	require.Zero(t, r.state.SinceChange[hardware.Compressor])
	require.Zero(t, r.in.work.fast)
	require.Zero(t, r.in.work.slow)
	// What is counted is seen in its own tick only, so that it can be reset.
	r = newRig(t)
	r.drying()
	r.state.Drops[0], r.state.Drops[1] = 0, 0
	r.breaks = readBack(0, heat1, 0)
	r.run(1)
	require.True(t, r.state.Seen.Has(OutputsDroppedOften))
	r.run(1)
	require.False(t, r.state.Seen.Has(OutputsDroppedOften))
	require.True(t, r.out.Trips.Has(OutputsDroppedOften))
	r = newRig(t)
	r.drying()
	r.state.Silences[0], r.state.Silences[1] = 0, 0
	r.tick(6 * time.Second)
	require.True(t, r.state.Seen.Has(ControllerSilentOften))
	r.run(1)
	require.False(t, r.state.Seen.Has(ControllerSilentOften))
	// Only what is latched is being cleared.
	r = newRig(t)
	r.drying()
	r.state.Clearing = 1 << Smoke
	r.look()
	r.in.Elapsed, r.in.Cleared = time.Second, 0
	Step(r.plant, &r.state, &r.in, &r.out)
	require.Zero(t, r.state.Clearing)
	// What is not fitted never comes.
	r.want |= 1 << hardware.Heat3
	r.run(1)
	v, _ := r.veto(hardware.Heat3)
	require.Equal(t, hardware.Veto{Output: hardware.Heat3, Rule: NotFitted}, v)
	// Open vents cost credit with heat only.
	r = newRig(t)
	r.drying()
	r.run(1000)
	r.want = forwards | ventOut
	r.run(1)
	before := r.state.VentCredit
	r.run(100)
	require.GreaterOrEqual(t, r.state.VentCredit, before)
	r.want |= heat1
	r.run(1)
	before = r.state.VentCredit
	r.run(4)
	require.Equal(t, before-3250*time.Millisecond, r.state.VentCredit, "nothing is earned beyond the most")
}

// A veto that is no matter of time says so.
func TestNothingRemains(t *testing.T) {
	for _, c := range []struct {
		rule   hardware.RuleID
		output hardware.OutputID
		want   hardware.OutputSet
		breaks func(*rig)
	}{
		{EmergencyStop, hardware.Heat1, drives, active(hardware.ContactEStop)},
		{HighLimit, hardware.Heat1, drives, active(hardware.ContactHighLimit)},
		{HighLimit, hardware.Vent, drives | ventOut, active(hardware.ContactHighLimit)},
		{HighLimit, hardware.FanReverse1, drives | reverse1, active(hardware.ContactHighLimit)},
		{DoorOpen, hardware.FanForward1, drives, active(hardware.ContactDoor)},
		{SprayWithCompressor, hardware.Spray, drives | sprayOut, nil},
		{BothDirectionsRequested, hardware.FanForward1, drives | reverse1, nil},
		{AirflowHeat, hardware.Heat2, drives | heat2, inactive(hardware.ContactAirflow)},
		{AirflowHeat, hardware.Heat1, heat1 | reverse1, nil},
		{HeatNearLimit, hardware.Heat1, drives, value(bulbB, 69)},
		{AirflowCompressor, hardware.Compressor, compressorOut | blowerOut, nil},
		{BlowerAirflow, hardware.Compressor, drives &^ blowerOut, nil},
		{CompressorTooHot, hardware.Compressor, drives, value(bulbB, 61)},
		{CompressorTooCold, hardware.Compressor, drives, value(bulbB, 17)},
	} {
		r := newRig(t)
		r.drying()
		r.run(100)
		r.breaks, r.want = c.breaks, c.want
		r.run(1)
		v, vetoed := r.veto(c.output)
		require.True(t, vetoed, Name(c.rule))
		require.Equal(t, hardware.Veto{Output: c.output, Rule: c.rule}, v)
	}
	r := newRig(t)
	r.drying()
	r.want = forwards | sprayOut
	r.run(310)
	r.want |= compressorOut | blowerOut
	r.run(1)
	v, _ := r.veto(hardware.Compressor)
	require.Equal(t, hardware.Veto{Output: hardware.Compressor, Rule: SprayWithCompressor}, v)
	// What is no output at all is not listed; the first of all outputs is.
	r = newRig(t)
	r.drying()
	r.plant.outputs &^= forward1
	r.plant.spare.fitted = r.plant.fitted
	r.run(1)
	_, told := r.alarm(NotFitted)
	require.True(t, told, "the first of all alone")
	r.want |= 1 << hardware.OutputCount
	r.run(1)
	require.Equal(t, "not_fitted", r.vetoedBy(hardware.FanForward1))
	require.EqualValues(t, 1, r.out.VetoCount)
	_, raised := r.alarm(NotFitted)
	require.True(t, raised)
}

// In SAFE vents open for heat alone, and as long as it lasts.
func TestVentsInSafe(t *testing.T) {
	hot := value(bulbA, 66)
	for _, c := range []struct {
		name   string
		breaks func(*rig)
		ticks  int
		open   bool
	}{
		{"software limit", func(r *rig) { value(core, 71)(r); hot(r) }, 10, true},
		{"fans lost", func(r *rig) { readBack(0, forwards, 0)(r); hot(r) }, 10, false},
		{"hard limit, one bulb left and cool", func(r *rig) { active(hardware.ContactHighLimit)(r); quality(hardware.NoAnswer, bulbA)(r) }, 1, false},
		{"hard limit, one bulb left and hot", func(r *rig) {
			active(hardware.ContactHighLimit)(r)
			quality(hardware.NoAnswer, bulbB)(r)
			hot(r)
		}, 1, true},
		{"hard limit, no bulb left", func(r *rig) { active(hardware.ContactHighLimit)(r); quality(hardware.NoAnswer, bulbA, bulbB)(r) }, 1, false},
	} {
		r := newRig(t)
		r.drying()
		r.run(60)
		r.breaks = c.breaks
		r.run(c.ticks)
		require.Equal(t, hardware.ForcedSafe, r.out.Forced, c.name)
		require.Equal(t, c.open, r.on().Has(hardware.Vent), c.name)
		r.breaks = hot // its cause is gone, the heat is not
		r.run(1)
		require.Equal(t, c.name != "fans lost", r.on().Has(hardware.Vent), c.name)
	}
}

func TestDoubtAndStart(t *testing.T) {
	// Doubt latches from the end of the start delay on, and is told from then on; a cause is told at once.
	r := newRig(t)
	r.breaks = unreadable(hardware.ContactFloat)
	r.run(30)
	require.Zero(t, r.out.Trips)
	r.run(1)
	require.True(t, r.out.Trips.Has(WaterOnFloor))
	for _, c := range []struct {
		rule   hardware.RuleID
		breaks func(*rig)
		told   bool
	}{{DoorOpen, active(hardware.ContactDoor), true}, {DoorOpen, unreadable(hardware.ContactDoor), false}, {LowPressure, active(hardware.ContactLowPressure), true}} {
		r := newRig(t)
		r.breaks = c.breaks
		r.run(5)
		_, raised := r.alarm(c.rule)
		require.Equal(t, c.told, raised, Name(c.rule))
	}
	// Doubt counts without a break, its delay does not.
	r = newRig(t)
	r.drying()
	r.breaks = readBack(0, 0, heat2)
	r.run(9)
	require.Equal(t, hardware.NotForced, r.out.Forced)
	r.breaks = nil
	r.run(1)
	require.Zero(t, r.state.Rule[HeatWelded].Doubt)
	r.breaks = readBack(0, 0, heat2)
	r.run(9)
	require.Equal(t, hardware.ForcedOff, r.out.Forced)
	require.Zero(t, r.out.Trips)
	r.run(1)
	require.True(t, r.out.Trips.Has(HeatWelded))
	// What is gone is no longer seen.
	r = newRig(t)
	r.drying()
	r.breaks = inactive(hardware.ContactWaterSupply)
	r.run(1)
	require.Equal(t, hardware.RuleSet(1<<WaterSupplyLost), r.state.Seen)
	r.breaks = nil
	r.run(1)
	require.Zero(t, r.state.Seen)
	// The half hour after a cut-out is over when it is over.
	for age, clears := range map[time.Duration]bool{30*time.Minute - 2*time.Second: false, 30*time.Minute - time.Second: true} {
		r := newRig(t)
		r.drying()
		r.breaks = active(hardware.ContactHighPressure)
		r.run(1)
		r.breaks = nil
		r.run(1)
		r.state.Cutouts[0] = age
		r.breaks = active(hardware.ContactPanelReset)
		r.run(1)
		require.Equal(t, clears, r.state.Clearing.Has(HighPressure), "%v", age)
	}
}

// The unit runs at its limits, not beyond.
func TestCompressorAtItsLimits(t *testing.T) {
	for _, v := range []float64{60, 18} {
		r := newRig(t)
		r.drying()
		r.breaks = func(r *rig) { value(bulbA, v)(r); value(bulbB, v)(r) }
		r.run(5)
		require.True(t, r.on().Has(hardware.Compressor), "%v", v)
	}
}

// The limit stops heat, compressor and spray in the tick that shows it; SAFE and the trip wait until it is sure.
func TestTooHotStopsSprayAtOnce(t *testing.T) {
	r := newRig(t)
	r.settleIn()
	r.want = forwards
	r.run(60)
	r.want |= sprayOut
	r.run(10)
	require.True(t, r.on().Has(hardware.Spray))
	r.breaks = value(0, 70.1)
	r.run(1)
	require.False(t, r.on().Has(hardware.Spray))
	require.Equal(t, "dry_bulb_too_high", r.vetoedBy(hardware.Spray))
	require.Equal(t, hardware.NotForced, r.out.Forced)
	r.run(10)
	require.Equal(t, hardware.ForcedSafe, r.out.Forced)
}
