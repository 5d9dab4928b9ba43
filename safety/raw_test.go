package safety

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"drywarden/hardware"
)

// warming makes the air hotter by a pace in kelvin a minute from now on.
func warming(r *rig, pace float64, probes ...hardware.ProbeID) func(*rig) {
	from := r.state.Ticks
	return func(r *rig) {
		rise := pace * float64(r.state.Ticks-from+1) / 60
		for _, id := range probes {
			r.snap.Readings[id].Value += rise
		}
	}
}

// until runs until the rule trips, and gives the seconds; 0 when it did not within most.
func (r *rig) until(rule hardware.RuleID, most int) int {
	for n := 1; n <= most; n++ {
		r.run(1)
		if r.out.Trips.Has(rule) {
			return n
		}
	}
	return 0
}

func TestAirRisingFast(t *testing.T) {
	ready := func() *rig {
		r := newRig(t)
		r.settleIn()
		r.want = forwards
		r.run(60)
		return r
	}
	// 2 K beyond 5 K a minute, and 15 s.
	for _, c := range []struct {
		pace    float64
		seconds int
	}{{4.9, 0}, {6, 135}, {10, 39}, {60, 17}} {
		r := ready()
		r.breaks = warming(r, c.pace, bulbA, bulbB, leaving)
		require.InDelta(t, c.seconds, r.until(AirRisingFast, 160), 1, "%v K a minute", c.pace)
		if c.seconds > 0 {
			require.Zero(t, r.out.On, "fans too")
			a, _ := r.alarm(AirRisingFast)
			require.Equal(t, leaving, a.Probe)
			require.Equal(t, 5.0, a.Limit)
			require.InDelta(t, 43+c.pace*float64(c.seconds)/60, a.Value, 1.1)
		}
	}
	// Any two will do; one alone is moved, or wrong; wood and wick are no air.
	for _, two := range [][]hardware.ProbeID{{bulbA, bulbB}, {bulbB, leaving}, {leaving, bulbA}} {
		r := ready()
		r.breaks = warming(r, 20, two...)
		require.InDelta(t, 8+15, r.until(AirRisingFast, 60), 1)
		r = ready()
		r.breaks = warming(r, 20, two[0], core, wetBulb)
		require.Zero(t, r.until(AirRisingFast, 60))
	}
	r := ready()
	lost, hotter := quality(hardware.NoAnswer, bulbA, leaving), warming(r, 20, bulbA, bulbB, leaving)
	r.breaks = func(r *rig) { hotter(r); lost(r) }
	require.Zero(t, r.until(AirRisingFast, 60), "one left")
	// Those that are noisy hold no pace for a quarter of a minute.
	r = ready()
	r.breaks = func(r *rig) {
		for i, id := range []hardware.ProbeID{bulbA, leaving} {
			r.snap.Readings[id].Value += []float64{4, -4, 1, -3, 3, 0, -4}[(int(r.state.Ticks)/5+3*i)%7]
		}
	}
	require.Zero(t, r.until(AirRisingFast, 4000))
	// What fell for a minute and leaps back is another matter.
	r = ready()
	r.breaks = func(r *rig) { value(leaving, 33)(r); value(bulbA, 35)(r) }
	r.run(90)
	r.breaks = nil
	require.Equal(t, 15, r.until(AirRisingFast, 60))

	// Heat explains it, and for a minute after; the door explains it for ten.
	r = ready()
	r.want |= heat1
	r.run(1)
	r.breaks = warming(r, 8, bulbA, bulbB, leaving)
	require.Zero(t, r.until(AirRisingFast, 60))
	r.want &^= heat1
	require.InDelta(t, 60+40+15, r.until(AirRisingFast, 200), 1)
	r = ready()
	r.breaks = active(hardware.ContactDoor)
	r.run(1)
	r.breaks = warming(r, 2, bulbA, bulbB, leaving)
	r.run(540)
	r.breaks = warming(r, 8, bulbA, bulbB, leaving)
	require.InDelta(t, 60+40+15, r.until(AirRisingFast, 200), 2)
}

// Heat may be on, and a reading beyond any kiln is one: two probes so far over the limit are a fire, one is a broken probe.
func TestAirFarTooHot(t *testing.T) {
	for _, v := range []float64{80.1, 140, 400} {
		r := newRig(t)
		r.drying()
		r.breaks = func(r *rig) { value(bulbA, v)(r); value(leaving, v)(r) }
		require.Equal(t, 5, r.until(AirFarTooHot, 20))
		require.Equal(t, hardware.ForcedOff, r.out.Forced)
		require.True(t, r.out.Trips.Has(AirFarTooHot))
		require.Zero(t, r.out.On, "vents shut, fans off")
	}
	for _, breaks := range []func(*rig){value(bulbA, 400), func(r *rig) { value(bulbA, 80)(r); value(leaving, 80)(r) },
		func(r *rig) { value(bulbA, 85)(r); value(bulbB, 85)(r); value(leaving, 85)(r) }} {
		r := newRig(t)
		r.drying()
		r.breaks = breaks
		require.Zero(t, r.until(AirFarTooHot, 60))
	}
}

// A fire while heat is on: from the first degree too many to all off, whichever limits it passes on its way.
func TestFireWhileHeating(t *testing.T) {
	for _, pace := range []float64{0.5, 1, 2, 5} { // K/s
		r := newRig(t)
		r.drying()
		began := r.state.Ticks
		r.breaks = func(r *rig) {
			rise := pace * float64(r.state.Ticks-began)
			for _, id := range []hardware.ProbeID{bulbA, bulbB, leaving} {
				r.snap.Readings[id].Value += rise
			}
		}
		for range 300 {
			r.run(1)
			if off := 40/pace + 10; float64(r.state.Ticks-began) > off {
				require.Zero(t, r.out.On, "at %g K/s after %d s", pace, r.state.Ticks-began)
			}
		}
	}
}

func TestPowerOnValue(t *testing.T) {
	r := newRig(t)
	r.drying()
	r.breaks = func(r *rig) { value(bulbA, 85)(r); value(bulbB, 85)(r) }
	r.run(1)
	require.Equal(t, hardware.ForcedSafe, r.out.Forced, "no reading at all")
	require.Equal(t, "dry_bulb_unknown", r.vetoedBy(hardware.Heat1))
	r.run(15)
	require.False(t, r.out.Trips.Has(DryBulbTooHigh), "and no heat")

	// What is not quite that value is believed.
	r = newRig(t)
	r.drying()
	r.breaks = value(bulbA, 85.01)
	require.Equal(t, 10, r.until(DryBulbTooHigh, 20))
	// The calibration is added to it.
	r = newRig(t)
	r.layout.Probes[core].Offset = -0.25
	var err error
	r.plant, err = Compile(testLimits(), &r.layout)
	require.NoError(t, err)
	r.drying()
	r.breaks = value(core, 84.75)
	require.Zero(t, r.until(DryBulbTooHigh, 20))
	a, raised := r.alarm(ProbeAtPowerOn)
	require.True(t, raised)
	require.Equal(t, core, a.Probe)
	require.Equal(t, 84.75, a.Value)
	// A ratio is no temperature.
	r.layout.Probes[humidity].Offset = -84.3
	r.plant, err = Compile(testLimits(), &r.layout)
	require.NoError(t, err)
	r = newRig(t)
	r.drying()
	_, raised = r.alarm(ProbeAtPowerOn)
	require.False(t, raised)
	// A wet bulb that shows it gives no humidity.
	r.breaks = func(r *rig) { value(wetBulb, 85)(r); quality(hardware.NoAnswer, humidity)(r) }
	r.run(61)
	require.Equal(t, "humidity_unknown", r.vetoedBy(hardware.Compressor))
	require.False(t, r.out.Trips.Has(BulbsCrossed))
}

func TestBulbsCrossed(t *testing.T) {
	for _, c := range []struct {
		name    string
		breaks  func(*rig)
		seconds int
	}{
		{"within two good probes", func(r *rig) { value(bulbA, 45.4)(r); value(wetBulb, 45.7)(r) }, 0},
		{"old", func(r *rig) { value(wetBulb, 50)(r); aged(time.Minute, wetBulb)(r) }, 0},
		{"above one of two, which hangs low", func(r *rig) { value(bulbB, 50)(r); value(wetBulb, 49.5)(r) }, 0},
		{"exchanged for one of two", func(r *rig) { value(bulbA, 43)(r); value(bulbB, 50)(r); value(wetBulb, 49.51)(r) }, 120},
		{"damp, and one of two a little low", func(r *rig) { value(bulbA, 44.7)(r); value(bulbB, 45)(r); value(wetBulb, 45)(r) }, 0},
		{"damp, and one of two lower", func(r *rig) { value(bulbA, 44.69)(r); value(bulbB, 45)(r); value(wetBulb, 45)(r) }, 120},
		{"still air", func(r *rig) { value(wetBulb, 50)(r); inactive(hardware.ContactAirflow)(r) }, 0},
		{"crossed", func(r *rig) { value(wetBulb, 50)(r) }, 120},
		{"no dry bulb", func(r *rig) { value(wetBulb, 50)(r); quality(hardware.NoAnswer, bulbA, bulbB)(r) }, 0},
	} {
		r := newRig(t)
		r.drying()
		r.breaks = c.breaks
		require.Equal(t, c.seconds, r.until(BulbsCrossed, 180), c.name)
	}
	r := newRig(t)
	r.drying()
	r.breaks = func(r *rig) {
		if r.state.Ticks%100 != 0 {
			value(wetBulb, 50)(r)
		}
	}
	require.Zero(t, r.until(BulbsCrossed, 1000), "without a break, or it is noise")
	r = newRig(t)
	r.drying()
	r.plant.contacts &^= 1 << hardware.ContactAirflow
	r.plant.spare.fitted = r.plant.fitted
	r.breaks = func(r *rig) { value(wetBulb, 50)(r); inactive(hardware.ContactAirflow)(r) }
	require.Equal(t, 120, r.until(BulbsCrossed, 180), "where airflow is not sensed it is taken for granted")
}

func TestBulbsIdentical(t *testing.T) {
	// alike makes two bulbs read alike, moving every few seconds.
	alike := func(a, b hardware.ProbeID, every uint64) func(*rig) {
		return func(r *rig) {
			v := 45 + 0.01*float64(r.state.Ticks/every%7)
			value(a, v)(r)
			value(b, v)(r)
		}
	}
	for _, pair := range [][2]hardware.ProbeID{{bulbA, bulbB}, {bulbB, wetBulb}} {
		r := newRig(t)
		r.drying()
		r.want = forwards
		r.breaks = alike(pair[0], pair[1], 5)
		require.Equal(t, 601, r.until(BulbsIdentical, 700))
		a, _ := r.alarm(BulbsIdentical)
		require.Equal(t, pair[1], a.Probe)
		require.InDelta(t, 45, a.Value, 0.1)
		r.want |= heat1
		r.run(1)
		require.Equal(t, "bulbs_identical", r.vetoedBy(hardware.Heat1))
	}
	// Good probes in quiet air may well agree while nothing changes.
	r := newRig(t)
	r.drying()
	r.breaks = alike(bulbA, bulbB, 100)
	require.InDelta(t, 950, r.until(BulbsIdentical, 1200), 50, "ten changes")
	// A single difference starts it again; probes of other kinds do not count.
	r = newRig(t)
	r.drying()
	same := alike(bulbA, bulbB, 5)
	r.breaks = func(r *rig) {
		same(r)
		if r.state.Ticks%500 == 0 {
			r.snap.Readings[bulbA].Value += 0.01
		}
	}
	require.Zero(t, r.until(BulbsIdentical, 2000))
	r = newRig(t)
	r.drying()
	r.breaks = alike(leaving, core, 5)
	require.Zero(t, r.until(BulbsIdentical, 700))
	r = newRig(t)
	r.drying()
	same = alike(bulbA, bulbB, 5)
	r.breaks = func(r *rig) { same(r); aged(time.Minute, bulbB)(r) }
	require.Zero(t, r.until(BulbsIdentical, 700))
}

func TestDead(t *testing.T) {
	flowless := func(o hardware.OutputID) func(*rig) {
		return func(r *rig) { r.snap.Current[o] = 0.04 }
	}
	for _, c := range []struct {
		name   string
		rule   hardware.RuleID
		output hardware.OutputID
		breaks func(*rig)
		after  int
		again  int // what has not drained is remembered
	}{
		{"contactor open", HeatDead, hardware.Heat1, readBack(0, heat1, 0), 60, 61},
		{"nothing flows", HeatDead, hardware.Heat1, flowless(hardware.Heat1), 60, 61},
		{"contactor open", CompressorDead, hardware.Compressor, readBack(0, compressorOut, 0), 180, 152},
		{"nothing flows", CompressorDead, hardware.Compressor, flowless(hardware.Compressor), 180, 152},
	} {
		t.Run(Name(c.rule)+" "+c.name, func(t *testing.T) {
			r := newRig(t)
			r.drying()
			r.breaks = c.breaks
			r.run(c.after - 1)
			require.True(t, r.on().Has(c.output))
			r.run(1)
			require.Equal(t, Name(c.rule), r.vetoedBy(c.output))
			require.Equal(t, c.output, r.out.Vetoes[0].Output)
			require.EqualValues(t, 1, r.out.VetoCount, "the rest runs on")
			require.Zero(t, r.out.Trips, "first it is tried again")
			for n := 1; !r.on().Has(c.output); n++ {
				a, _ := r.alarm(c.rule)
				require.True(t, a.Active)
				require.False(t, a.Latched)
				r.run(1)
				require.LessOrEqual(t, n, 600)
			}
			require.InDelta(t, c.again, r.until(c.rule, 300), 1)
			require.False(t, r.on().Has(c.output))
			r.breaks = nil
			r.run(7200)
			require.Equal(t, Name(c.rule), r.vetoedBy(c.output), "until the operator resets it")
		})
	}
	// Mended in between: nothing is left of it. More than an hour later it is tried again.
	r := newRig(t)
	r.drying()
	for range 2 {
		r.breaks = readBack(0, heat1, 0)
		r.run(60)
		require.False(t, r.on().Has(hardware.Heat1))
		r.breaks = nil
		r.run(4000)
		require.True(t, r.on().Has(hardware.Heat1))
		require.Zero(t, r.out.AlarmCount)
	}
	require.Zero(t, r.out.Trips)
}

// A fan whose contactor is in but which draws nothing does not run; one whose drive stands is not expected to.
func TestFanWithoutCurrent(t *testing.T) {
	r := newRig(t)
	r.plant.current |= forwards
	r.plant.spare.fitted = r.plant.fitted
	amps := func(forward1, forward2 float32) func(*rig) {
		return func(r *rig) {
			r.snap.CurrentValid |= forwards
			if r.state.Out.On&forwards == forwards {
				r.snap.Current[hardware.FanForward1], r.snap.Current[hardware.FanForward2] = forward1, forward2
			}
		}
	}
	r.breaks = amps(3, 3)
	r.drying()
	r.breaks = amps(3, 0.05)
	require.Zero(t, r.until(FanNotFollowing, 60))
	r.breaks = amps(3, 0.049)
	require.Equal(t, 8, r.until(FanNotFollowing, 60))
	require.False(t, r.out.Trips.Has(FansLost))
	r.breaks = amps(0, 0)
	require.Equal(t, 8, r.until(FansLost, 60))

	r = newRig(t)
	r.plant.current |= forwards
	r.plant.spare.fitted = r.plant.fitted
	r.breaks = amps(3, 0)
	for _, speed := range []float64{0.19, 0.2} {
		r.state.Latched, r.want = 0, forwards
		for range 100 {
			r.look()
			r.in.Requested.On, r.in.Elapsed = r.want, time.Second
			if r.state.Up < 30*time.Second {
				r.in.Requested.On = sounderOut
			}
			r.in.Requested.FanSpeed[0], r.in.Requested.FanSpeed[1] = 1, ratio(speed)
			Step(r.plant, &r.state, &r.in, &r.out)
		}
		require.Equal(t, speed >= 0.2, r.out.Trips.Has(FanNotFollowing))
	}
}

func TestVentHangsOpen(t *testing.T) {
	r := newRig(t)
	r.drying()
	r.breaks = inactive(hardware.ContactVentShut)
	r.run(4)
	require.True(t, r.on().Has(hardware.Heat1))
	r.run(400)
	require.Equal(t, "heat_duty", r.vetoedBy(hardware.Heat1), "heat cannot win against open vents")
	r.breaks = nil
	r.run(1)
	require.True(t, r.on().Has(hardware.Heat1))

	// On their way they are given three minutes; hanging shut costs no heat.
	r = newRig(t)
	r.drying()
	r.want |= ventOut
	r.want &^= heat1
	r.run(60)
	r.breaks = func(r *rig) { inactive(hardware.ContactVentOpen)(r); active(hardware.ContactVentShut)(r) }
	r.run(123)
	_, raised := r.alarm(VentNotFollowing)
	require.False(t, raised)
	r.run(2)
	_, raised = r.alarm(VentNotFollowing)
	require.True(t, raised)
	require.False(t, r.in.work.hangOpen)
	// One end switch alone is enough; none says nothing; no vents say nothing.
	for _, c := range []struct {
		fitted hardware.ContactSet
		vents  bool
		raised bool
	}{{1 << hardware.ContactVentOpen, true, true}, {1 << hardware.ContactVentShut, true, true}, {0, true, false}, {everyContact, false, false}} {
		q := newRig(t)
		q.plant.contacts = q.plant.contacts&^(1<<hardware.ContactVentOpen|1<<hardware.ContactVentShut) | c.fitted
		q.plant.outputs = q.plant.outputs.With(hardware.Vent, c.vents)
		q.plant.spare.fitted = q.plant.fitted
		q.settleIn()
		q.breaks = func(r *rig) { active(hardware.ContactVentOpen)(r); inactive(hardware.ContactVentShut)(r) }
		q.run(5)
		_, raised := q.alarm(VentNotFollowing)
		require.Equal(t, c.raised, raised)
	}
}

func TestOutputsDroppedOften(t *testing.T) {
	r := newRig(t)
	r.drying()
	blip := func(breaks func(*rig), rest int) {
		r.breaks = breaks
		r.run(1)
		r.breaks = nil
		r.run(rest)
	}
	// What the hard wiring does is explained.
	for _, c := range []hardware.ContactID{hardware.ContactDoor, hardware.ContactHighPressure, hardware.ContactLowPressure} {
		for range 3 {
			blip(func(r *rig) { active(c)(r); readBack(0, drives, 0)(r) }, 0)
		}
	}
	for _, c := range []hardware.ContactID{hardware.ContactAirflow, hardware.ContactMains} {
		for range 3 {
			blip(func(r *rig) { inactive(c)(r); readBack(0, heat1, 0)(r) }, 0)
		}
	}
	require.False(t, r.out.Trips.Has(OutputsDroppedOften))

	r = newRig(t)
	r.drying()
	dropped := readBack(0, drives, 0)
	blip(dropped, 1)
	r.breaks = dropped
	r.run(5)
	r.breaks = nil
	r.run(3000)
	require.Zero(t, r.out.Trips, "a long one counts once")
	blip(dropped, 1)
	require.Equal(t, hardware.ForcedSafe, r.out.Forced)
	require.True(t, r.out.Trips.Has(OutputsDroppedOften))

	// More than an hour for three.
	r = newRig(t)
	r.drying()
	for range 4 {
		blip(readBack(sprayOut, 0, 0), 1801)
	}
	require.Zero(t, r.out.Trips)
	// One that has just been switched is not compared.
	r.want &^= forward2
	r.run(1)
	for range 3 {
		blip(readBack(forward2, 0, 0), 0)
		r.run(20)
		r.want ^= forward2
		r.run(1)
	}
	require.False(t, r.out.Trips.Has(OutputsDroppedOften))
}

func TestLimitsDamaged(t *testing.T) {
	r := newRig(t)
	r.drying()
	r.plant.limits.DryBulbMax = 71
	r.run(1)
	require.Equal(t, "limits_damaged", r.vetoedBy(hardware.Heat1))
	require.Equal(t, hardware.ForcedSafe, r.out.Forced)
	require.True(t, r.out.Trips.Has(LimitsDamaged))
	r.plant.limits.DryBulbMax = 70
	r.run(100)
	require.Equal(t, hardware.ForcedSafe, r.out.Forced, "until the operator resets it")
	// A bit that turns in what is fitted would make the gate blind.
	for _, turn := range []func(*Plant){
		func(p *Plant) { p.contacts ^= 1 << hardware.ContactEStop }, func(p *Plant) { p.outputs ^= heat1 },
		func(p *Plant) { p.readBack ^= forward1 }, func(p *Plant) { p.current ^= heat1 }, func(p *Plant) { p.groups = 1 },
	} {
		r := newRig(t)
		r.drying()
		turn(r.plant)
		r.run(1)
		require.True(t, r.out.Trips.Has(LimitsDamaged))
	}
}

// What was counted within a day, and within an hour, outlives the process.
func TestCountsOutliveTheProcess(t *testing.T) {
	g := newGated(t)
	g.drying()
	g.want &^= heat1
	trip := func() {
		g.breaks = active(hardware.ContactHighPressure)
		g.run(1)
		g.breaks = nil
		g.want &^= compressorOut
		g.run(1)
	}
	trip()
	require.Contains(t, g.store.names, "pressure_cutout")
	require.ErrorIs(t, g.gate.Reset(HighPressure, hardware.AtPanel, ""), ErrWait)
	g.open()
	g.run(1797)
	g.press()
	require.True(t, g.out.Trips.Has(HighPressure), "the half hour begins again")
	g.press()
	require.True(t, g.out.Trips.Has(HighPressure))
	g.press()
	require.ErrorIs(t, g.gate.Reset(HighPressure, hardware.AtPanel, ""), ErrNotLatched)
	require.False(t, g.out.Trips.Has(HighPressure))
	trip()
	require.Equal(t, []string{"high_pressure", "fan_forward_1", "fan_forward_2", "pressure_cutout", "pressure_cutout"}, append([]string{g.store.names[0], "fan_forward_1", "fan_forward_2"}, g.store.names[len(g.store.names)-2:]...))
	g.open()
	g.run(10)
	trip()
	require.False(t, g.out.Trips.Has(CompressorLockout), "it did not go out and come back")
	g.run(1800)
	g.press()
	g.press()
	trip()
	require.True(t, g.out.Trips.Has(CompressorLockout), "the third")

	// After a day nothing is left of them.
	g = newGated(t, "pressure_cutout", "pressure_cutout")
	g.run(24 * 3600)
	require.Len(t, g.store.names, 2)
	g.run(2)
	require.Empty(t, g.store.names)
}

func TestSilencesOutliveTheProcess(t *testing.T) {
	g := newGated(t)
	g.drying()
	for n := range 3 {
		g.clock.Advance(6 * time.Second)
		g.gate.CheckDeadline()
		silences := 0
		for _, name := range g.store.names {
			if name == "controller_silence" {
				silences++
			}
		}
		require.Equal(t, n+1, silences, "counted and saved though nobody calls: a watchdog may end this process now")
		g.clock.Advance(10 * time.Second)
		g.gate.CheckDeadline()
		if n == 1 {
			g.run(1) // it did call again: not counted twice
			require.Equal(t, longest, g.state.Silences[2])
		}
		g.open()
		g.run(1)
		require.Equal(t, n == 2, g.out.Trips.Has(ControllerSilentOften))
	}
	require.Equal(t, hardware.ForcedSafe, g.out.Forced)

	// A process that has never called is still starting.
	g = newGated(t)
	g.clock.Advance(6 * time.Second)
	g.gate.CheckDeadline()
	require.Equal(t, hardware.ForcedSafe, g.gate.forced)
	g.run(1)
	require.Empty(t, g.store.names)
	require.Equal(t, longest, g.state.Silences[0])
}

// A fan that turns its motor and moves too little draws less than the laws of fans let it.
func TestFanUnloaded(t *testing.T) {
	const v, k = 0.8, 293.15 / (45.4 + 273.15) // the rig's speed and air
	const full = 12.0
	const least = 0.75 * full * v * v * v * k
	loaded := func(t *testing.T) *rig {
		r := newRig(t)
		r.layout.Current |= forwards | reverse1 | reverse2
		r.layout.FanCurrent = full
		var err error
		r.plant, err = Compile(testLimits(), &r.layout)
		require.NoError(t, err)
		r.drying()
		r.run(60)
		return r
	}
	draws := func(o hardware.OutputID, amps float32) func(*rig) {
		return func(r *rig) { r.snap.Current[o] = amps }
	}
	r := loaded(t)
	r.breaks = draws(hardware.FanForward2, least+0.01)
	r.run(100)
	require.False(t, r.state.Latched.Has(FanUnloaded), "enough")
	r.breaks = draws(hardware.FanForward2, least-0.01)
	r.run(14)
	require.False(t, r.state.Latched.Has(FanUnloaded))
	r.run(1)
	require.True(t, r.state.Latched.Has(FanUnloaded))
	require.Equal(t, hardware.ForcedSafe, r.out.Forced)
	require.Zero(t, r.out.On&heatAndCold)
	require.NotZero(t, r.out.On&forwards, "fans run on")
	a, _ := r.alarm(FanUnloaded)
	require.InDelta(t, least-0.01, a.Value, 1e-3)
	require.InDelta(t, least, a.Limit, 1e-9)
	require.Equal(t, hardware.ByTechnician, a.Clears)

	for name, breaks := range map[string]func(*rig){
		"it draws nothing: other rules'": draws(hardware.FanForward1, 0.5),
		"its current is not known": func(r *rig) {
			r.snap.Current[hardware.FanForward1] = 1
			r.snap.CurrentValid &^= 1 << hardware.FanForward1
		},
		"the air is not known":     func(r *rig) { draws(hardware.FanForward1, 1)(r); quality(hardware.NoAnswer, bulbA, bulbB)(r) },
		"the other direction, off": draws(hardware.FanReverse1, 1),
	} {
		r := loaded(t)
		r.breaks = breaks
		r.run(40)
		require.False(t, r.state.Latched.Has(FanUnloaded), name)
	}

	// A new speed is reached within a minute; a slow one shows nothing.
	r = loaded(t)
	r.speed = 0.75
	r.breaks = draws(hardware.FanForward1, 1)
	r.run(60 + 14)
	require.False(t, r.state.Latched.Has(FanUnloaded))
	r.run(1)
	require.True(t, r.state.Latched.Has(FanUnloaded))
	r = loaded(t)
	r.speed = 0.79
	r.run(1)
	r.breaks = draws(hardware.FanForward1, 1)
	r.run(15)
	require.True(t, r.state.Latched.Has(FanUnloaded), "no new speed")
	r = loaded(t)
	r.speed = 0.49
	r.run(1)
	r.breaks = draws(hardware.FanForward1, 0.6)
	r.run(200)
	require.False(t, r.state.Latched.Has(FanUnloaded))

	l := testLayout()
	l.Current |= forwards | reverse1 | reverse2
	require.Equal(t, "the current of a fan group at full speed", needsFanCurrent(&l))
	l.FanCurrent = 4
	require.Empty(t, needsFanCurrent(&l))
	require.Empty(t, needsFanCurrent(&hardware.Layout{}))
}
