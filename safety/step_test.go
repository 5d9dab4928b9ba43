package safety

import (
	"encoding/json"
	"math"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"drywarden/hardware"
	"drywarden/hardware/quantity"
)

func TestCompressorWelded(t *testing.T) {
	r := newRig(t)
	r.drying()
	r.want &^= compressorOut
	r.breaks = readBack(compressorOut, 0, 0)
	require.Equal(t, 2+5, r.until(CompressorWelded, 20), "a contactor is given 2 s to drop, then 5 s")
	require.Equal(t, hardware.ForcedOff, r.out.Forced)
	require.True(t, r.out.Trips.Has(CompressorWelded))
}

func TestTripRecordUnreadable(t *testing.T) {
	r := newRig(t)
	r.state.recall([]string{"fan_forward_1", "no_such_rule"})
	r.run(100)
	require.Equal(t, hardware.ForcedOff, r.out.Forced)
	require.True(t, r.out.Trips.Has(TripRecordUnreadable))
	r.pressPanel()
	require.NotZero(t, r.out.Trips, "a technician's trip may be among those that are lost")

	r = newRig(t)
	r.state.recall([]string{"start_delay"})
	require.True(t, r.state.Latched.Has(TripRecordUnreadable), "a rule that does not latch cannot be in the record")
}

func TestSilence(t *testing.T) {
	r := newRig(t)
	r.drying()
	r.tick(5 * time.Second)
	require.Equal(t, hardware.NotForced, r.out.Forced)
	for range 2 {
		r.tick(5001 * time.Millisecond)
		require.Equal(t, hardware.ForcedSafe, r.out.Forced)
		require.Equal(t, "controller_silent", r.vetoedBy(hardware.Compressor))
		r.run(1)
		require.Equal(t, hardware.NotForced, r.out.Forced)
	}
	r.run(3500)
	r.tick(6 * time.Second)
	r.run(2)
	require.Equal(t, hardware.ForcedSafe, r.out.Forced)
	require.True(t, r.out.Trips.Has(ControllerSilentOften), "three within an hour")
	r.run(10)
	r.pressPanel() // the panel may do what the operator may
	require.Zero(t, r.out.Trips)
}

func TestCompressorLockout(t *testing.T) {
	r := newRig(t)
	r.drying()
	r.want &^= heat1
	for n := 1; n <= 3; n++ {
		r.breaks = active(hardware.ContactHighPressure)
		if n == 2 {
			r.breaks = active(hardware.ContactLowPressure)
		}
		r.run(4)
		require.False(t, r.on().Has(hardware.Compressor))
		r.breaks = nil
		r.want &^= compressorOut
		r.run(2)
		require.Equal(t, n == 3, r.out.Trips.Has(CompressorLockout))
		if n == 2 {
			r.state.Clearing = r.state.Clearing.With(LowPressure, true) // as a technician may
			r.run(2)
		}
		r.pressPanel()
		require.Equal(t, n != 2, r.out.Trips.Has(HighPressure), "it has not cooled for half an hour")
		r.run(1800)
		r.pressPanel()
		require.False(t, r.out.Trips.Has(HighPressure) || r.out.Trips.Has(LowPressure))
		r.run(600)
		r.want |= compressorOut
		r.run(1)
		require.Equal(t, n < 3, r.on().Has(hardware.Compressor))
	}
	require.Equal(t, "compressor_lockout", r.vetoedBy(hardware.Compressor))
}

func TestLowPressureAtRest(t *testing.T) {
	r := newRig(t)
	r.settleIn()
	r.breaks = active(hardware.ContactLowPressure)
	r.want = forwards
	r.run(100)
	require.Zero(t, r.out.Trips, "a cold machine at rest latches nothing")
	r.want |= blowerOut | compressorOut
	r.run(1)
	require.Equal(t, "low_pressure", r.vetoedBy(hardware.Compressor))
}

func TestAirflowStuck(t *testing.T) {
	told := func(r *rig) bool { _, raised := r.alarm(AirflowStuck); return raised }
	r := newRig(t)
	r.settleIn()
	r.breaks = active(hardware.ContactAirflow)
	r.run(9)
	require.Zero(t, r.out.AlarmCount)
	r.run(1)
	require.True(t, told(r))
	r.want = forwards
	r.run(1)
	r.want |= heat1
	r.run(1)
	require.Equal(t, "airflow_stuck", r.vetoedBy(hardware.Heat1), "a fan that starts makes the proof no better")
	r.breaks = inactive(hardware.ContactAirflow)
	r.run(1)
	r.breaks = nil
	r.run(1)
	require.True(t, r.on().Has(hardware.Heat1), "the contact was seen to open")
}

// A bridged contact is found out before fans start, at power-on and at each reversal: until then they wait.
func TestBridgedAirflow(t *testing.T) {
	told := func(r *rig) bool { _, raised := r.alarm(AirflowStuck); return raised }
	r := newRig(t)
	r.breaks = active(hardware.ContactAirflow)
	r.want = sounderOut | forwards
	for !r.on().Has(hardware.FanForward1) {
		require.Less(t, r.state.Ticks, uint64(100))
		r.run(1)
	}
	require.True(t, told(r))
	r.want |= heat1 | compressorOut | blowerOut
	r.run(3600)
	require.Zero(t, r.on()&allHeatAndRefrigerant)

	r = newRig(t)
	r.drying()
	r.breaks = active(hardware.ContactAirflow)
	r.want = 0
	r.run(60)
	r.want = reverse1 | reverse2
	for !r.on().Has(hardware.FanReverse1) {
		require.Less(t, r.state.FansOff, 2*time.Minute)
		r.run(1)
	}
	require.True(t, told(r))
	// One that opens costs no time.
	r = newRig(t)
	r.drying()
	r.want = 0
	r.run(60)
	r.want = reverse1 | reverse2
	r.run(1)
	require.True(t, r.on().Has(hardware.FanReverse1))
}

func TestSafe(t *testing.T) {
	r := newRig(t)
	r.drying()
	r.want &^= forward2
	r.run(70)
	// Too hot: vents open though not asked for, a fan that stands may not start, the one that runs goes on.
	r.breaks = func(r *rig) { active(hardware.ContactHighLimit)(r); value(bulbA, 66)(r) }
	r.want |= forward2
	r.run(1)
	require.Equal(t, hardware.ForcedSafe, r.out.Forced)
	require.Equal(t, forward1|blowerOut|ventOut, r.on())
	require.Equal(t, "high_limit", r.vetoedBy(hardware.FanForward2))
	_, vetoed := r.veto(hardware.Vent)
	require.False(t, vetoed)
	// No longer too hot: shut, even when asked for. What was asked for and is refused is listed.
	r.breaks = active(hardware.ContactHighLimit)
	r.want |= ventOut
	r.run(1)
	require.Equal(t, forward1|blowerOut, r.on())
	require.Equal(t, "high_limit", r.vetoedBy(hardware.Vent))
	// Hot again: not before the vents have been shut for their interval.
	r.breaks = func(r *rig) { active(hardware.ContactHighLimit)(r); quality(hardware.NoAnswer, bulbA, bulbB)(r) }
	r.want &^= ventOut
	r.run(59)
	require.Equal(t, forward1|blowerOut, r.on())
	_, vetoed = r.veto(hardware.Vent)
	require.False(t, vetoed, "nobody asked")
	r.run(1)
	require.Equal(t, forward1|blowerOut, r.on(), "nothing tells that it is no fire")
	// OFF shuts them as well.
	r.breaks = func(r *rig) {
		active(hardware.ContactHighLimit)(r)
		value(bulbA, 69)(r)
		active(hardware.ContactSmoke)(r)
	}
	r.run(1)
	require.Zero(t, r.out.On)
	require.Equal(t, hardware.ForcedOff, r.out.Forced)
	require.True(t, r.out.Trips.Has(Smoke) && r.out.Trips.Has(HighLimit), "one rule does not hide another")
}

func TestTooHighNeedsTenSeconds(t *testing.T) {
	r := newRig(t)
	r.drying()
	for n := range 25 {
		// Flapping: seen in two ticks of three.
		r.breaks = nil
		if n%3 != 2 {
			r.breaks = value(bulbB, 71)
		}
		r.run(1)
		if n == 0 {
			require.Equal(t, "heat_near_limit", r.vetoedBy(hardware.Heat1), "heat goes at once")
			require.Equal(t, "compressor_too_hot", r.vetoedBy(hardware.Compressor))
			require.Equal(t, hardware.NotForced, r.out.Forced)
		}
	}
	require.True(t, r.out.Trips.Has(DryBulbTooHigh), "a flapping fault fires")
}

func TestStart(t *testing.T) {
	r := newRig(t)
	everything := r.layout.Outputs &^ (heartbeatOut | reverse1 | reverse2 | sounderOut)
	r.want = everything
	for n := range 30 {
		r.run(1)
		require.Zero(t, r.out.On, "second %d", n)
		v, _ := r.veto(hardware.Vent)
		require.Equal(t, hardware.Veto{Output: hardware.Vent, Rule: StartDelay, Remaining: time.Duration(30-n) * time.Second}, v)
	}
	r = newRig(t)
	r.want = sounderOut
	r.run(20)
	require.Zero(t, r.out.On)
	v, _ := r.veto(hardware.Sounder)
	require.Equal(t, hardware.Veto{Output: hardware.Sounder, Rule: StartDelay, Remaining: time.Second}, v)
	r.run(20)
	require.True(t, r.out.On.Has(hardware.Sounder))
	r.want = everything
	r.run(1)
	require.Equal(t, "fan_coast", r.vetoedBy(hardware.FanForward1), "no direction is known: assume just stopped")
	v, _ = r.veto(hardware.Compressor)
	require.Equal(t, "airflow_compressor", Name(v.Rule))
	r.run(20)
	require.True(t, r.on().Has(hardware.FanForward1))
	r.run(1)
	v, _ = r.veto(hardware.Compressor)
	require.Equal(t, hardware.Veto{Output: hardware.Compressor, Rule: CompressorRest, Remaining: 239 * time.Second}, v)
	r.want &^= sprayOut
	r.run(238)
	require.False(t, r.on().Has(hardware.Compressor))
	r.run(1)
	require.True(t, r.on().Has(hardware.Compressor))
}

func TestDirectionRecalled(t *testing.T) {
	r := newRig(t)
	r.state.recall([]string{"fan_reverse_1", "fan_forward_2", "fan_reverse_2"})
	r.run(20)
	r.want = sounderOut
	r.run(10)
	r.want = reverse1 | reverse2
	r.run(1)
	require.Equal(t, reverse1, r.on(), "group 1 ran in reverse; of group 2 both are recorded, so neither is believed")
	r = newRig(t)
	r.state.recall([]string{"fan_reverse_1"})
	r.run(20)
	r.want = sounderOut
	r.run(10)
	r.want = forward1
	r.run(1)
	require.Equal(t, "fan_coast", r.vetoedBy(hardware.FanForward1))
}

// After the door, and after the key, nothing moves until somebody has said that all are out, and not before the sounder has
// warned since.
func TestDoorAndKey(t *testing.T) {
	for _, c := range []hardware.ContactID{hardware.ContactDoor, hardware.ContactInhibit, hardware.ContactInsideButton} {
		rule := map[hardware.ContactID]hardware.RuleID{hardware.ContactDoor: DoorOpen, hardware.ContactInhibit: Inhibit, hardware.ContactInsideButton: InsideButton}[c]
		r := newRig(t)
		r.drying()
		r.breaks = active(c)
		r.run(1)
		require.Zero(t, r.on()&moving, "in the tick that shows it")
		require.True(t, r.out.Entered)
		require.Equal(t, Name(rule), r.vetoedBy(hardware.FanForward1))
		r.want = sounderOut | forwards
		r.pressPanel()
		require.True(t, r.out.Trips.Has(rule), "not while it is open")
		r.breaks = nil
		r.run(3600)
		require.Zero(t, r.on()&moving)
		require.True(t, r.out.Entered)
		require.Equal(t, Name(rule), r.vetoedBy(hardware.FanForward1), "however long it waits")
		r.state.Acked = r.state.Acked.With(InsideButton, true)
		r.pressPanel()
		require.False(t, r.out.Entered)
		require.Zero(t, r.out.Trips)
		v, _ := r.veto(hardware.FanForward1)
		require.Equal(t, RestartWarning, v.Rule)
		require.Greater(t, v.Remaining, 7*time.Second, "what sounded before does not count")
		_, raised := r.alarm(RestartWarning)
		require.False(t, raised, "waiting is no alarm")
		r.run(10)
		r.want = forwards
		r.run(1)
		require.Equal(t, forwards, r.on())
	}
	// Without a sounder the time with the door shut counts.
	r := newRig(t)
	r.plant.outputs &^= sounderOut
	r.plant.spare.fitted = r.plant.fitted
	r.want = forwards
	r.run(61)
	require.Equal(t, forwards, r.on())
}

func TestFans(t *testing.T) {
	r := newRig(t)
	r.drying()
	r.want = forwards | reverse1
	r.run(1)
	require.Equal(t, forward2, r.on())
	require.Equal(t, "both_directions_requested", r.vetoedBy(hardware.FanForward1))
	require.Equal(t, "both_directions_requested", r.vetoedBy(hardware.FanReverse1))
	_, raised := r.alarm(BothDirectionsRequested)
	require.True(t, raised)
	require.Equal(t, []quantity.Ratio{0, 0.8, 0, 0}, r.out.FanSpeed[:])

	r.want = reverse1 | reverse2
	r.run(1)
	require.Zero(t, r.on())
	r.run(58)
	v, _ := r.veto(hardware.FanReverse1)
	require.Equal(t, hardware.Veto{Output: hardware.FanReverse1, Rule: FanCoast, Remaining: time.Second}, v)
	r.run(1)
	require.Equal(t, reverse1, r.on(), "group 2 went off a tick later")
	r.run(1)
	require.Equal(t, reverse1|reverse2, r.on())

	// Same direction again: only the contactor's interval.
	r.want = reverse1
	r.run(1)
	r.want = reverse1 | reverse2
	r.run(9)
	require.Equal(t, "min_interval", r.vetoedBy(hardware.FanReverse2))
	r.run(1)
	require.Equal(t, reverse1|reverse2, r.on())
}

func TestSpeed(t *testing.T) {
	r := newRig(t)
	r.drying()
	r.look()
	for _, speed := range []float64{math.NaN(), math.Inf(1), -0.1, 1.01} {
		r.in.Requested.FanSpeed[0] = ratio(speed)
		r.in.Elapsed = time.Second
		Step(r.plant, &r.state, &r.in, &r.out)
		require.Equal(t, quantity.Ratio(1), r.out.FanSpeed[0], "a fan that is asked for runs")
		require.Equal(t, quantity.Ratio(0.8), r.out.FanSpeed[1])
		require.Zero(t, r.out.FanSpeed[2])
		_, raised := r.alarm(NotFinite)
		require.True(t, raised)
	}
}

func TestAirflow(t *testing.T) {
	r := newRig(t)
	r.drying()
	r.breaks = inactive(hardware.ContactAirflow)
	r.want |= heat2
	r.run(1)
	require.Equal(t, "airflow_heat", r.vetoedBy(hardware.Heat2), "no stage starts without proof in this tick")
	require.True(t, r.on().Has(hardware.Heat1))
	r.want &^= heat2
	r.run(9)
	require.True(t, r.on().Has(hardware.Heat1), "10 s without proof")
	r.run(1)
	require.Equal(t, "airflow_heat", r.vetoedBy(hardware.Heat1))
	require.Equal(t, r.out.Forced, hardware.NotForced)

	// The compressor holds 30 s where a fan contactor does not report a fault first.
	r = newRig(t)
	r.drying()
	r.want &^= heat1
	for n := range 31 {
		r.breaks = inactive(hardware.ContactAirflow)
		r.look()
		r.state.Rule[FanNotProven].Fill = 0
		r.judge(time.Second)
		require.Equal(t, n < 30, r.on().Has(hardware.Compressor), "%d", n)
	}
	require.Equal(t, "airflow_compressor", r.vetoedBy(hardware.Compressor))

	// Fans off takes heat and compressor with it in the same tick, proof or no proof.
	r = newRig(t)
	r.drying()
	r.want &^= forwards
	r.run(1)
	require.Zero(t, r.on()&heatAndCold)
}

func TestBlower(t *testing.T) {
	r := newRig(t)
	r.drying()
	r.want &^= blowerOut
	r.run(1)
	require.Equal(t, "blower_airflow", r.vetoedBy(hardware.Compressor), "no compressor without its blower")
	r.want = forwards
	r.run(300)
	// Blower and compressor together: 10 s to prove it.
	r.want |= blowerOut | compressorOut
	r.breaks = inactive(hardware.ContactBlowerAirflow)
	r.run(10)
	require.True(t, r.on().Has(hardware.Compressor))
	r.run(1)
	require.Equal(t, "blower_airflow", r.vetoedBy(hardware.Compressor))
	r.run(600)
	require.False(t, r.on().Has(hardware.Compressor), "no second grace while the blower runs")

	// A blower that is no output runs with the compressor.
	r = newRig(t)
	r.plant.outputs &^= blowerOut
	r.plant.spare.fitted = r.plant.fitted
	r.settleIn()
	r.want = forwards
	r.run(5)
	r.want |= compressorOut
	r.breaks = inactive(hardware.ContactBlowerAirflow)
	r.run(10)
	require.True(t, r.on().Has(hardware.Compressor))
	r.run(1)
	require.False(t, r.on().Has(hardware.Compressor))
	r.plant.contacts &^= 1 << hardware.ContactBlowerAirflow
	r.plant.spare.fitted = r.plant.fitted
	r.run(300)
	require.True(t, r.on().Has(hardware.Compressor), "not sensed at all")
}

func TestCompressor(t *testing.T) {
	r := newRig(t)
	r.drying()
	r.want &^= heat1
	r.breaks = value(bulbB, 60.1)
	r.run(1)
	require.Equal(t, "compressor_too_hot", r.vetoedBy(hardware.Compressor), "the hotter bulb counts")
	require.Equal(t, 60.1, r.state.Rule[CompressorTooHot].Value)
	r.breaks = nil
	r.run(299)
	v, _ := r.veto(hardware.Compressor)
	require.Equal(t, hardware.Veto{Output: hardware.Compressor, Rule: CompressorRest, Remaining: time.Second}, v)
	r.run(1)
	require.True(t, r.on().Has(hardware.Compressor))
	r.breaks = value(bulbA, 17.9)
	r.run(1)
	require.Equal(t, "compressor_too_cold", r.vetoedBy(hardware.Compressor), "the colder bulb counts")
	r.breaks = nil

	// Starts an hour. Those of the first hour after the start of the process: 2 assumed, 2 so far.
	r.state = NewState(&r.plant.limits)
	r.drying()
	starts := []int{}
	for second := range 8000 {
		was := r.on().Has(hardware.Compressor)
		r.want = r.want.With(hardware.Compressor, second%301 != 0)
		r.run(1)
		if !was && r.on().Has(hardware.Compressor) {
			starts = append(starts, second)
		}
		if v, vetoed := r.veto(hardware.Compressor); vetoed && v.Rule != CompressorRest {
			require.Equal(t, CompressorStarts, v.Rule)
			require.LessOrEqual(t, v.Remaining, time.Hour)
		}
	}
	require.Len(t, starts, 9)
	require.Greater(t, starts[3]-starts[2], 3600, "asked once too often: it waits for an hour")
	for i := range starts {
		if i >= 6 {
			require.Greater(t, starts[i]-starts[i-6], 3600, "at most 6 in any hour: %v", starts)
		}
	}
}

// A stall earns nothing: an hour that one tick says has passed is worth two seconds of rest.
func TestStallEarnsNothing(t *testing.T) {
	r := newRig(t)
	r.drying()
	r.want = forwards
	r.run(10)
	r.want |= blowerOut | compressorOut
	r.tick(time.Hour)
	r.run(2)
	v, _ := r.veto(hardware.Compressor)
	require.Equal(t, hardware.Veto{Output: hardware.Compressor, Rule: CompressorRest, Remaining: (300 - 9 - 2 - 2) * time.Second}, v)
	r.tick(-time.Hour)
	v, _ = r.veto(hardware.Compressor)
	require.Equal(t, (300-9-2-2)*time.Second, v.Remaining, "time does not go back")
}

// What works towards a refusal counts all the time that passed, once it was seen before.
func TestStallForgivesNothing(t *testing.T) {
	r := newRig(t)
	r.drying()
	r.breaks = inactive(hardware.ContactAirflow)
	r.tick(4500 * time.Millisecond)
	r.tick(4500 * time.Millisecond)
	require.True(t, r.on().Has(hardware.Heat1))
	r.tick(1100 * time.Millisecond)
	require.Equal(t, "airflow_heat", r.vetoedBy(hardware.Heat1))

	r = newRig(t)
	r.drying()
	r.breaks = value(core, 71)
	r.tick(4500 * time.Millisecond) // worth 2 s, as it is seen for the first time
	r.tick(4500 * time.Millisecond)
	require.Zero(t, r.out.Trips)
	r.tick(3500 * time.Millisecond)
	require.True(t, r.out.Trips.Has(DryBulbTooHigh))

	r = newRig(t)
	r.drying()
	r.state.HeatCredit = 100 * time.Second
	r.tick(4 * time.Second)
	require.Equal(t, 96500*time.Millisecond, r.state.HeatCredit, "4 s spent, 2 s x 0.25 earned")
}

// Between its rest and its grace: a compressor holds without proof for a while, but does not start.
func TestCompressorStartsOnProof(t *testing.T) {
	r := newRig(t)
	r.settleIn()
	r.want = forwards | blowerOut
	r.run(30)
	r.want |= compressorOut
	r.breaks = inactive(hardware.ContactAirflow)
	r.run(1)
	require.Equal(t, "airflow_compressor", r.vetoedBy(hardware.Compressor))
}

// Only what was being cleared is cleared.
func TestClearedByMistake(t *testing.T) {
	r := newRig(t)
	r.state.Latched = 1<<Smoke | 1<<GasLeak
	r.state.Clearing = 1 << GasLeak
	r.look()
	r.in.Cleared = 1<<Smoke | 1<<GasLeak
	Step(r.plant, &r.state, &r.in, &r.out)
	require.Equal(t, hardware.RuleSet(1<<Smoke), r.out.Trips)
}

func TestHeatDuty(t *testing.T) {
	for _, c := range []struct {
		name   string
		breaks func(*rig)
	}{{"one lost", quality(hardware.NoAnswer, bulbB)}, {"one old", aged(time.Minute, bulbA)}, {"they disagree", value(bulbB, 48.1)}} {
		t.Run(c.name, func(t *testing.T) {
			r := newRig(t)
			r.drying()
			r.run(200) // heat at full duty: nothing saved up
			r.want = forwards | heat1
			r.breaks = c.breaks
			r.run(1)
			v, _ := r.veto(hardware.Heat1)
			require.Equal(t, HeatDuty, v.Rule)
			require.InDelta(t, 240, v.Remaining.Seconds(), 1)
			on, worst, window := 0, 0, []bool{}
			for range 4 * 3600 {
				r.run(1)
				window = append(window, r.on().Has(hardware.Heat1))
				if r.on().Has(hardware.Heat1) {
					on++
				}
				if n := len(window); n > 3600 && window[n-3601] {
					on--
				}
				worst = max(worst, on)
			}
			require.LessOrEqual(t, worst, 1080, "30 %% of any hour")
			require.Greater(t, worst, 850, "and it does heat")
		})
	}
}

func TestVents(t *testing.T) {
	r := newRig(t)
	r.drying()
	r.run(1000) // with heat on and vents shut: credit is saved up
	r.want |= ventOut
	r.run(1)
	open := 0
	for r.on().Has(hardware.Vent) {
		r.run(1)
		open++
	}
	require.InDelta(t, 240, open, 5, "180 s saved up, and what is earned meanwhile")
	require.Equal(t, "vent_duty", r.vetoedBy(hardware.Vent))
	r.want &^= heat1
	r.run(60)
	require.True(t, r.on().Has(hardware.Vent), "without heat the vents may stay open")
	r.want |= heat1
	r.run(1)
	require.Equal(t, "vent_duty", r.vetoedBy(hardware.Vent), "heat came on with the vents open: they shut")

	// Well-behaved vent drying is never refused: 60 s in 300 s.
	r = newRig(t)
	r.drying()
	r.run(300)
	for n := range 24 * 300 {
		r.want = r.want.With(hardware.Vent, n%300 < 60)
		r.run(1)
		require.Zero(t, r.out.VetoCount)
	}
}

func TestSpray(t *testing.T) {
	r := newRig(t)
	r.drying()
	r.want |= sprayOut
	r.run(1)
	require.Equal(t, "spray_with_compressor", r.vetoedBy(hardware.Spray))
	r.want &^= compressorOut
	r.run(300)
	require.True(t, r.on().Has(hardware.Spray))
	r.want |= compressorOut
	r.run(1)
	require.Equal(t, "spray_with_compressor", r.vetoedBy(hardware.Compressor), "who came later waits")
	r.breaks = inactive(hardware.ContactWaterSupply)
	r.run(1)
	require.False(t, r.on().Has(hardware.Spray))
	require.True(t, r.on().Has(hardware.Compressor))
	r.breaks = nil
	r.want &^= compressorOut
	r.run(4)
	require.Equal(t, "min_interval", r.vetoedBy(hardware.Spray))
	r.run(1)
	require.True(t, r.on().Has(hardware.Spray))
}

func TestUnfittedOutput(t *testing.T) {
	r := newRig(t)
	r.drying()
	r.want |= 1<<hardware.Heat3 | 1<<hardware.FanReverse4 | 1<<31 | heartbeatOut
	r.run(1)
	require.Equal(t, drives, r.on())
	require.Equal(t, "not_fitted", r.vetoedBy(hardware.Heat3))
	require.Equal(t, "not_fitted", r.vetoedBy(hardware.FanReverse4))
	require.EqualValues(t, 2, r.out.VetoCount, "what is no output at all is not listed")
}

func TestHeartbeat(t *testing.T) {
	r := newRig(t)
	r.run(30)
	require.False(t, r.out.On.Has(hardware.Heartbeat), "its relay stays open while nothing may move")
	for n := range 10 {
		r.run(1)
		require.Equal(t, n%2 == 0, r.out.On.Has(hardware.Heartbeat))
	}
	r.plant.outputs &^= heartbeatOut
	r.plant.spare.fitted = r.plant.fitted
	r.run(1)
	require.False(t, r.out.On.Has(hardware.Heartbeat))
	r.run(1)
	require.False(t, r.out.On.Has(hardware.Heartbeat))
}

func TestAnnouncedOnce(t *testing.T) {
	r := newRig(t)
	r.drying()
	r.breaks = unreadable(hardware.ContactHighPressure)
	r.run(1)
	a, _ := r.alarm(HighPressure)
	require.Zero(t, a.For)
	require.False(t, a.Latched)
	r.state.Acked = r.state.Acked.With(HighPressure, true)
	r.run(8)
	a, _ = r.alarm(HighPressure)
	require.Equal(t, 8*time.Second, a.For)
	require.True(t, a.Acked)
	r.run(1)
	a, _ = r.alarm(HighPressure)
	require.Zero(t, a.For, "worse: now it is latched")
	require.True(t, a.Latched)
	require.False(t, a.Acked, "what was acknowledged was less")
	r.run(1)
	a, _ = r.alarm(HighPressure)
	require.Equal(t, time.Second, a.For)
}

// More is wrong than the list can hold: the gravest are kept.
func TestManyAlarms(t *testing.T) {
	r := newRig(t)
	r.drying()
	r.breaks = func(r *rig) { r.snap = hardware.Snapshot{} }
	r.run(120)
	require.EqualValues(t, hardware.MaxAlarms, r.out.AlarmCount)
	require.Equal(t, EmergencyStop, r.out.Alarms[0].Rule)
	for i := range hardware.MaxAlarms - 1 {
		require.Less(t, r.out.Alarms[i].Rule, r.out.Alarms[i+1].Rule)
	}
}

// Inputs that come up slowly after a start latch nothing and raise nothing; nothing moves then anyway.
func TestQuietStart(t *testing.T) {
	r := newRig(t)
	r.breaks = func(r *rig) {
		r.snap = hardware.Snapshot{}
		for _, c := range []hardware.ContactID{hardware.ContactEStop, hardware.ContactHighLimit, hardware.ContactSmoke} {
			r.snap.Contacts.Valid = r.snap.Contacts.Valid.With(c, true) // these trip at once even so
		}
	}
	for range 25 {
		r.run(1)
		require.Zero(t, r.out.Trips)
		require.Zero(t, r.out.AlarmCount)
		require.Equal(t, hardware.ForcedOff, r.out.Forced)
	}
	r.breaks = nil
	r.run(10)
	require.Zero(t, r.out.AlarmCount)
}

func TestPanel(t *testing.T) {
	trip := func(c hardware.ContactID) *rig {
		r := newRig(t)
		r.drying()
		r.want = 0
		r.breaks = active(c)
		r.run(1)
		return r
	}
	r := trip(hardware.ContactEStop)
	r.pressPanel()
	require.True(t, r.out.Trips.Has(EmergencyStop), "the cause is there")
	r.breaks = nil
	r.run(1)
	r.pressPanel()
	require.Zero(t, r.out.Trips)
	r.want = forwards
	r.run(1)
	require.Equal(t, "restart_warning", r.vetoedBy(hardware.FanForward1), "after OFF the sounder warns again")

	// A reset contact that was never seen released is stuck, and clears nothing; nor does one that cannot be read.
	r = newRig(t)
	r.state.Latched = r.state.Latched.With(Smoke, true)
	r.breaks = active(hardware.ContactPanelReset)
	r.run(50)
	require.True(t, r.out.Trips.Has(Smoke))
	r.breaks = unreadable(hardware.ContactPanelReset)
	r.run(5)
	r.breaks = active(hardware.ContactPanelReset)
	r.run(5)
	require.True(t, r.out.Trips.Has(Smoke))

	// The inside button takes two actions.
	r = trip(hardware.ContactInsideButton)
	r.breaks = nil
	r.run(1)
	r.pressPanel()
	require.True(t, r.out.Trips.Has(InsideButton))
	r.state.Acked = r.state.Acked.With(InsideButton, true)
	r.run(1)
	r.pressPanel()
	require.Zero(t, r.out.Trips)

	// What needs a technician is not the panel's alone; a cause that comes back while the clearing is saved keeps the trip.
	r = trip(hardware.ContactGas)
	r.breaks = nil
	r.run(1)
	r.pressPanel()
	require.True(t, r.out.Trips.Has(GasLeak))
	r.state.Clearing = r.state.Clearing.With(GasLeak, true)
	r.breaks = active(hardware.ContactGas)
	r.look()
	r.in.Elapsed, r.in.Cleared = time.Second, 0
	Step(r.plant, &r.state, &r.in, &r.out)
	require.Zero(t, r.state.Clearing)
	require.True(t, r.out.Trips.Has(GasLeak))
}

func TestStateText(t *testing.T) {
	r := newRig(t)
	r.drying()
	r.breaks = func(r *rig) { active(hardware.ContactHighPressure)(r); inactive(hardware.ContactAirflow)(r) }
	r.run(5)
	r.state.Acked, r.state.Clearing = r.state.Raised, 1<<HighPressure
	text, err := json.Marshal(r.state)
	require.NoError(t, err)
	var back State
	require.NoError(t, json.Unmarshal(text, &back))
	require.Equal(t, r.state, back)
	require.Contains(t, string(text), `"Latched":["high_pressure"]`)
	require.Contains(t, string(text), `"On":["fan_forward_1","fan_forward_2","blower","heat_1"]`)
	require.Contains(t, string(text), `"last":"forward"`)

	before := back
	for _, c := range []struct{ from, to, says string }{
		{`"Latched":["high_pressure"]`, `"Latched":["high_presure"]`, `unknown rule "high_presure"`},
		{`"On":["fan_forward_1"`, `"On":["fan_1"`, `unknown output "fan_1"`},
		{`"last":"forward"`, `"last":"sideways"`, `unknown fan direction "sideways"`},
		{`"SinceChange":{"`, `"SinceChange":{"x`, `unknown output "x`},
		{`"Rule":{"`, `"Rule":{"x`, `unknown rule "x`},
		{`"Speed":[`, `"Speed":[1,`, `found 5 fan speeds, expected 4`},
		{`"Speed":[0.8`, `"Speed":[1.8`, `fan speed 180 %`},
		{`"Up":`, `"Up":-`, `found the time -11m5s`},
		{`"off_nanoseconds":`, `"off_nanoseconds":-1`, `found the time -10ns`},
		{`"fill_nanoseconds":0`, `"fill_nanoseconds":2592000000000001`, `expected 0 to 720h0m0s`},
		{`"Twin":[-1`, `"Twin":[-2`, `unknown probe -2`},
		{`"Twin":[-1,-1`, `"Twin":[-1,48`, `unknown probe 48`},
	} {
		require.Contains(t, string(text), c.from)
		require.ErrorContains(t, json.Unmarshal([]byte(strings.Replace(string(text), c.from, c.to, 1)), &back), c.says)
		require.Equal(t, before, back, "left as it was")
	}
	back.Groups[0].Last = 7
	_, err = json.Marshal(back)
	require.ErrorContains(t, err, "unknown number 7")
}
