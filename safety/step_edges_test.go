package safety

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"drywarden/hardware"
	"drywarden/hardware/quantity"
)

// A tick of 3 s is worth 3 s to what works towards a refusal, and 2 s to what works towards a permission.
func TestEveryTimer(t *testing.T) {
	const tick, slow = 3 * time.Second, 2 * time.Second
	r := newRig(t)
	r.drying()
	r.breaks = func(r *rig) {
		inactive(hardware.ContactAirflow)(r)
		inactive(hardware.ContactBlowerAirflow)(r)
		quality(hardware.NoAnswer, wetBulb, humidity)(r)
	}
	r.want |= sounderOut
	r.tick(time.Second)
	b := r.state
	r.tick(tick)
	a := r.state
	require.Equal(t, b.Ticks+1, a.Ticks)
	for name, d := range map[string][3]time.Duration{
		"up":              {a.Up, b.Up, slow},
		"press":           {a.SincePress, longest, 0},
		"fans on":         {a.FansOn, b.FansOn, tick},
		"unproven":        {a.Unproven, b.Unproven, tick},
		"blower unproven": {a.BlowerUnproven, b.BlowerUnproven, tick},
		"no humidity":     {a.NoHumidity, b.NoHumidity, tick},
		"warned":          {a.Warned, b.Warned, slow},
		"door shut":       {a.DoorShut, b.DoorShut, slow},
		"start":           {a.Starts[0], b.Starts[0], slow},
		"fan 1":           {a.SinceChange[hardware.FanForward1], b.SinceChange[hardware.FanForward1], slow},
		"door lamp":       {a.SinceChange[hardware.DoorLamp], b.SinceChange[hardware.DoorLamp], slow},
		"heat credit":     {a.HeatCredit, b.HeatCredit, slow/4 - tick},
		"vent credit":     {a.VentCredit, b.VentCredit, slow / 4},
		"group 1 off":     {a.Groups[0].Off, 0, 0},
	} {
		if name == "heat credit" && b.HeatCredit < tick {
			d[2] = -b.HeatCredit
		}
		if name == "vent credit" {
			d[2] = min(d[2], 180*time.Second-b.VentCredit)
		}
		require.Equal(t, d[1]+d[2], d[0], name)
	}
	require.Zero(t, a.FansOff)

	// At rest.
	r.breaks, r.want = nil, 0
	r.tick(time.Second)
	b = r.state
	r.tick(tick)
	a = r.state
	require.Equal(t, []time.Duration{slow, slow, 0, 0, 0}, []time.Duration{a.FansOff - b.FansOff, a.Groups[1].Off - b.Groups[1].Off, a.FansOn, a.NoHumidity, a.Warned - b.Warned})
	require.Equal(t, b.HeatCredit+slow/4, a.HeatCredit)
	r.run(3000)
	require.Equal(t, 180*time.Second, r.state.HeatCredit, "no more can be saved up")
	require.Equal(t, 180*time.Second, r.state.VentCredit)
	r.breaks = active(hardware.ContactPanelReset)
	r.tick(time.Second)
	require.Zero(t, r.state.SincePress)
	r.tick(tick)
	require.Equal(t, tick, r.state.SincePress)
	r.breaks = active(hardware.ContactDoor)
	r.tick(time.Second)
	require.Zero(t, r.state.DoorShut-time.Second, "it counts from the tick that shows it open")
	require.Zero(t, r.state.Warned)
	r.tick(-time.Second)
	require.Equal(t, tick+time.Second, r.state.SincePress, "time does not go back")
	// Nothing passes the longest.
	r = newRig(t)
	r.drying()
	r.state.Up, r.state.Starts[1], r.state.Groups[2].Off, r.state.SinceChange[hardware.Spray] = longest, longest, longest, longest
	r.tick(tick)
	require.Equal(t, []time.Duration{longest, longest, longest, longest}, []time.Duration{r.state.Up, r.state.Starts[1], r.state.Groups[2].Off, r.state.SinceChange[hardware.Spray]})
}

// A delay fills four times as fast as it drains, and keeps no more than it needs.
func TestDelay(t *testing.T) {
	r := newRig(t)
	r.drying()
	hot := value(core, 71)
	fill := func() time.Duration { return r.state.Rule[DryBulbTooHigh].Fill }
	r.breaks = hot
	r.run(8)
	require.Equal(t, 8*time.Second, fill())
	r.breaks = nil
	r.run(4)
	require.Equal(t, 7*time.Second, fill())
	r.tick(3 * time.Second)
	require.Equal(t, 6500*time.Millisecond, fill(), "draining is a permission: 2 s of 3")
	r.breaks = hot
	r.tick(3 * time.Second)
	require.Equal(t, 8500*time.Millisecond, fill(), "seen for the first time again")
	require.Zero(t, r.out.Trips)
	r.tick(time.Second)
	require.Zero(t, r.out.Trips)
	r.tick(500 * time.Millisecond)
	require.True(t, r.out.Trips.Has(DryBulbTooHigh))
	r.run(100)
	require.Equal(t, 10*time.Second, fill())
	r.breaks = nil
	r.run(40)
	require.Zero(t, fill())
	// Doubt alone counts apart, and from the first break anew.
	r = newRig(t)
	r.drying()
	r.breaks = unreadable(hardware.ContactHighPressure)
	r.run(9)
	require.Equal(t, 9*time.Second, r.state.Rule[HighPressure].Doubt)
	r.breaks = nil
	r.run(1)
	require.Zero(t, r.state.Rule[HighPressure].Doubt)
	r.breaks = unreadable(hardware.ContactHighPressure)
	r.run(9)
	require.Zero(t, r.out.Trips)
	r.run(1)
	require.Equal(t, hardware.RuleSet(1<<HighPressure), r.out.Trips)
}

// What an alarm says of itself.
func TestAlarmFields(t *testing.T) {
	r := newRig(t)
	r.drying()
	r.breaks = active(hardware.ContactHighPressure)
	r.run(1)
	require.EqualValues(t, 1, r.out.AlarmCount)
	require.Equal(t, hardware.Alarm{Rule: HighPressure, Class: hardware.Machine, Latched: true, Active: true, Clears: hardware.AtPanel, Probe: hardware.NoProbe}, r.out.Alarms[0])
	r.tick(3 * time.Second)
	require.Equal(t, 2*time.Second, r.out.Alarms[0].For)
	r.breaks = nil
	r.run(1)
	require.Equal(t, hardware.Alarm{Rule: HighPressure, Class: hardware.Machine, Latched: true, Clears: hardware.AtPanel, Probe: hardware.NoProbe, For: 3 * time.Second}, r.out.Alarms[0])
	// An interlock's is there while it refuses, and only where it is worth one.
	r = newRig(t)
	r.drying()
	r.want |= sprayOut | reverse1
	r.run(1)
	var rules []hardware.RuleID
	for _, a := range r.out.Alarms[:r.out.AlarmCount] {
		require.True(t, a.Active)
		require.False(t, a.Latched)
		rules = append(rules, a.Rule)
	}
	require.Equal(t, []hardware.RuleID{BothDirectionsRequested, SprayWithCompressor}, rules)
	r.want = drives
	r.run(1)
	for _, a := range r.out.Alarms[:r.out.AlarmCount] {
		require.NotEqual(t, BothDirectionsRequested, a.Rule)
	}
	// Acknowledged until it is new again.
	r.breaks = inactive(hardware.ContactWaterSupply)
	r.run(1)
	r.state.Acked = 1 << WaterSupplyLost
	r.run(5)
	a, _ := r.alarm(WaterSupplyLost)
	require.True(t, a.Acked)
	r.breaks = nil
	r.run(1)
	r.breaks = inactive(hardware.ContactWaterSupply)
	r.run(1)
	a, _ = r.alarm(WaterSupplyLost)
	require.False(t, a.Acked)
	require.Zero(t, a.For)
}

func TestSpeedsAndDirections(t *testing.T) {
	r := newRig(t)
	r.drying()
	require.Equal(t, []quantity.Ratio{0.8, 0.8, 0, 0}, r.out.FanSpeed[:])
	require.Equal(t, []Direction{DirectionForward, DirectionForward, DirectionUnknown, DirectionUnknown},
		[]Direction{r.state.Groups[0].Last, r.state.Groups[1].Last, r.state.Groups[2].Last, r.state.Groups[3].Last})
	r.want = forward1
	r.run(70)
	require.Equal(t, []quantity.Ratio{0.8, 0, 0, 0}, r.out.FanSpeed[:])
	r.want = forward1 | reverse2
	r.run(1)
	require.Equal(t, []quantity.Ratio{0.8, 0.8, 0, 0}, r.out.FanSpeed[:])
	require.Equal(t, DirectionReverse, r.state.Groups[1].Last)
	for speed, good := range map[quantity.Ratio]bool{0: true, 1: true, -0.001: false, 1.001: false} {
		require.Equal(t, good, speedOK(speed))
	}
	// Between Steps: SAFE keeps the fans and their speed, OFF nothing.
	r.state.silence(hardware.ForcedSafe)
	require.Equal(t, forward1|reverse2, r.state.Out.On)
	require.Equal(t, quantity.Ratio(0.8), r.state.Out.FanSpeed[1])
	r.state.Warned = time.Minute
	r.state.silence(hardware.ForcedSafe)
	require.Equal(t, time.Minute, r.state.Warned)
	r.state.silence(hardware.ForcedOff)
	require.Zero(t, r.state.Out)
	require.Zero(t, r.state.Warned, "people may come near")
	require.Zero(t, r.state.SinceChange[hardware.FanForward1])

	r = newRig(t)
	r.drying()
	r.want = forwards | sprayOut | ventOut | 1<<hardware.DoorLamp | 1<<hardware.Beacon
	r.run(70)
	require.Equal(t, r.want, r.on())
	since := r.state.SinceChange
	r.state.silence(hardware.ForcedSafe)
	require.Equal(t, forwards|1<<hardware.DoorLamp|1<<hardware.Beacon, r.state.Out.On)
	for o := range hardware.OutputCount {
		if o == hardware.Spray || o == hardware.Vent {
			since[o] = 0
		}
	}
	require.Equal(t, since, r.state.SinceChange)
}

// The rest and the duties end when they say.
func TestRemaining(t *testing.T) {
	r := newRig(t)
	r.drying()
	r.want = forwards | blowerOut
	r.run(1)
	r.want = drives
	remaining := func(o hardware.OutputID) time.Duration {
		v, vetoed := r.veto(o)
		require.True(t, vetoed, o.String())
		return v.Remaining
	}
	r.run(1)
	require.Equal(t, 299*time.Second, remaining(hardware.Compressor))
	require.Equal(t, 9*time.Second, remaining(hardware.Heat1))
	r.run(8)
	require.Equal(t, time.Second, remaining(hardware.Heat1))
	r.run(1)
	require.True(t, r.on().Has(hardware.Heat1))

	// A single dry bulb: what is saved up is spent, then it waits for a minute's worth of credit.
	r = newRig(t)
	r.drying()
	r.want = forwards | heat1
	r.breaks = quality(hardware.NoAnswer, bulbB)
	r.state.HeatCredit = 10 * time.Second
	n := 0
	for r.on().Has(hardware.Heat1) {
		r.run(1)
		n++
	}
	require.Equal(t, 11, n, "down to what one tick may need")
	left := remaining(hardware.Heat1)
	require.InDelta(t, 4*(60-r.state.HeatCredit.Seconds()), left.Seconds(), 1e-6)
	require.Less(t, r.state.HeatCredit, MaxCredit)
	waited := 0
	for !r.on().Has(hardware.Heat1) {
		r.run(1)
		waited++
	}
	require.InDelta(t, left.Seconds(), waited, 1)

	// Sounder at the end of the start delay; everything when it is over.
	r = newRig(t)
	r.want = sounderOut | 1<<hardware.DoorLamp
	r.run(1)
	require.Equal(t, []time.Duration{20 * time.Second, 30 * time.Second}, []time.Duration{remaining(hardware.Sounder), remaining(hardware.DoorLamp)})
	r.run(20)
	require.Equal(t, sounderOut, r.on())
	r.run(10)
	require.Equal(t, r.want, r.on())
	r.want = forwards
	r.run(1)
	require.Equal(t, 29*time.Second, remaining(hardware.FanForward1), "the coast-down of a fan that nobody knows")
	v, _ := r.veto(hardware.FanForward1)
	require.Equal(t, FanCoast, v.Rule)
}

// One start too many in an hour is the one that the hour's limit forbids, not one that something else forbids.
func TestStartsInAnHour(t *testing.T) {
	for oldest, refused := range map[time.Duration]bool{time.Hour - 2*time.Second: true, time.Hour - time.Second: true, time.Hour: false} {
		r := newRig(t)
		r.drying()
		r.want = forwards | blowerOut
		r.run(310)
		for i := range r.state.Starts {
			r.state.Starts[i] = oldest
		}
		r.want = drives
		r.run(1)
		require.Equal(t, refused, r.vetoedBy(hardware.Compressor) == "compressor_starts", "%v", oldest)
		if refused {
			v, _ := r.veto(hardware.Compressor)
			require.Equal(t, time.Hour, v.Remaining)
			r.run(3599)
			require.False(t, r.on().Has(hardware.Compressor))
			r.run(1)
			require.True(t, r.on().Has(hardware.Compressor))
		}
	}
	r := newRig(t)
	r.drying()
	r.want = forwards | blowerOut
	r.run(100)
	for i := range r.state.Starts {
		r.state.Starts[i] = time.Minute
	}
	r.want = drives
	r.run(10)
	require.Equal(t, longest, r.state.ShortCycled, "it still rests: that is no start too many")
	require.Equal(t, "compressor_rest", r.vetoedBy(hardware.Compressor))
}
