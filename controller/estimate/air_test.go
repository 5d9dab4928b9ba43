package estimate

import (
	"encoding/json"
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"drywarden/hardware"
	"drywarden/hardware/quantity"
	"drywarden/schedule"
)

// air is a room with two or three dry bulbs, a wet bulb and a humidity probe.
type air struct {
	cfg    Config
	layout hardware.Layout
	s      State
	snap   hardware.Snapshot
	in     Input
	out    schedule.Conditions
}

const (
	db1 = iota
	db2
	db3
	wb
	rh
	outT
	outRH
)

func newAir() *air {
	a := &air{cfg: DefaultConfig()}
	for _, role := range []hardware.Role{hardware.RoleDryBulb, hardware.RoleDryBulb, hardware.RoleDryBulb, hardware.RoleWetBulb,
		hardware.RoleHumidity, hardware.RoleOutdoorTemperature, hardware.RoleOutdoorHumidity} {
		a.layout.Probes = append(a.layout.Probes, hardware.Probe{Role: role, Lot: hardware.NoLot})
	}
	a.in = Input{Snapshot: &a.snap, Layout: &a.layout, Pressure: 101325, Volume: 72}
	return a
}

func (a *air) set(values ...float64) {
	for i, v := range values {
		a.snap.Readings[i] = hardware.Reading{Value: v, Quality: hardware.Valid}
		if math.IsNaN(v) {
			a.snap.Readings[i].Quality = hardware.NoAnswer
		}
	}
}

func (a *air) step(d time.Duration) schedule.Conditions {
	for range int(d / time.Second) {
		a.out = schedule.Conditions{}
		a.in.Elapsed = time.Second
		Step(&a.cfg, &a.s, &a.in, &a.out)
	}
	return a.out
}

var gone = math.NaN()

// Printed psychrometric and EMC figures of the general drying schedules: 110 F with a depression of 4 F is 87 % and
// 17.6 % EMC, 8 F is 75 % and 13.4 (AH-188, Simpson 1991, table of RH and EMC by depression; from memory).
func TestAirOfThePrintedTable(t *testing.T) {
	for _, c := range []struct{ dryBulb, depression, rh, emc float64 }{{110, 4, 0.87, 17.6}, {110, 8, 0.755, 13.4}, {110, 14, 0.60, 10.0}} {
		a := newAir()
		t1 := float64(quantity.FromFahrenheit(c.dryBulb))
		a.set(t1, t1, t1, t1-c.depression/1.8, gone, gone, gone)
		out := a.step(time.Second)
		require.True(t, out.DryBulbOK && out.EMCOK)
		require.InDelta(t, c.rh, float64(out.RH), 0.012)
		require.InDelta(t, c.emc, float64(out.EMC), 0.35)
		require.InDelta(t, t1-c.depression/1.8, float64(out.WetBulb), 0.25, "thermodynamic and ventilated wet bulb")
	}
}

func TestDryBulbs(t *testing.T) {
	for _, c := range []struct {
		name    string
		a, b, c float64
		want    float64
		agree   int
	}{
		{"all agree", 45, 45.2, 44.8, 45, 3},
		{"one far too high, two agree", 45, 45.2, 60, 45.1, 2},
		{"one far too low, two agree", 45, 45.2, 20, 45.1, 2},
		{"two disagree: the warmer", 45, 50, gone, 50, 1},
		{"all apart: the warmest", 40, 45, 50, 50, 1},
		{"one alone", 45, gone, gone, 45, 1},
	} {
		a := newAir()
		a.set(c.a, c.b, c.c, 40, gone, gone, gone)
		out := a.step(time.Second)
		require.True(t, out.DryBulbOK, c.name)
		require.InDelta(t, c.want, float64(out.DryBulb), 1e-9, c.name)
		require.Equal(t, c.agree, out.DryBulbs, c.name)
	}
}

func TestTheOneThatAsksForLessDryingCounts(t *testing.T) {
	a := newAir()
	a.set(45, 45, gone, 44.9, 0.70, gone, gone) // a dry wick: the wet bulb says 99 %
	out := a.step(time.Second)
	require.InDelta(t, 0.70, float64(out.RH), 1e-6)
	a = newAir()
	a.set(45, 45, gone, 40, 0.99, gone, gone) // a wetted humidity probe
	out = a.step(time.Second)
	require.Less(t, float64(out.RH), 0.78)
}

func TestWetBulbAboveDryBulbIsNone(t *testing.T) {
	a := newAir()
	a.set(45, 45, 45, 46, 0.6, gone, gone)
	out := a.step(3 * time.Minute)
	require.InDelta(t, 0.6, float64(out.RH), 1e-6)
	require.GreaterOrEqual(t, a.s.Air.Crossed, 2*time.Minute)
	require.EqualValues(t, wb, a.s.Air.CrossedBy)
}

func TestRideThroughEnds(t *testing.T) {
	a := newAir()
	a.set(45, 45, 45, 40, 0.72, gone, gone)
	a.step(time.Minute)
	before := a.out
	a.set(gone, gone, gone, 40, 0.72, gone, gone)
	out := a.step(time.Second)
	require.True(t, out.Held && out.DryBulbOK && out.EMCOK)
	require.Equal(t, before.DryBulb, out.DryBulb)
	require.Equal(t, before.EMC, out.EMC)
	out = a.step(58 * time.Second)
	require.True(t, out.DryBulbOK)
	out = a.step(3 * time.Second)
	require.False(t, out.DryBulbOK || out.EMCOK || out.Held)
	a.set(45, 45, 45, 40, 0.72, gone, gone)
	require.True(t, a.step(time.Second).EMCOK, "and comes back")
}

// In a fire every dry bulb reads more than any air here: what was read before is not carried on against that.
func TestProbesBeyondAllAirContradictTheLastGood(t *testing.T) {
	a := newAir()
	a.set(106, 106.1, gone, 40, gone, gone, gone)
	require.True(t, a.step(time.Minute).DryBulbOK)
	a.set(111, 111.2, gone, 40, gone, gone, gone)
	require.False(t, a.step(time.Minute).DryBulbOK)
	a.set(gone, gone, gone, 40, gone, gone, gone)
	require.False(t, a.step(time.Second).DryBulbOK)
}

func TestNothingIsHeldThatWasNeverRead(t *testing.T) {
	a := newAir()
	a.set(gone, gone, gone, gone, gone, gone, gone)
	out := a.step(5 * time.Second)
	require.False(t, out.DryBulbOK || out.EMCOK || out.Held)
}

func TestARedundantProbeTakesOverWithoutABump(t *testing.T) {
	for _, lost := range []int{db1, db2, wb, rh} {
		a := newAir()
		a.set(45, 45.8, gone, 40, 0.70, gone, gone) // the wet bulb says 73 %
		a.step(3 * time.Hour)
		before := a.out
		a.snap.Readings[lost].Quality = hardware.NoAnswer
		require.False(t, a.s.Air.Settling())
		out := a.step(time.Second)
		require.True(t, a.s.Air.Settling(), "nothing may rise yet")
		require.InDelta(t, float64(before.DryBulb), float64(out.DryBulb), 0.01)
		require.InDelta(t, float64(before.EMC), float64(out.EMC), 0.02)
		out = a.step(time.Hour)
		require.InDelta(t, float64(before.DryBulb), float64(out.DryBulb), 0.05, "it goes on with what it learnt")
		require.InDelta(t, float64(before.EMC), float64(out.EMC), 0.1)
		require.False(t, a.s.Air.Settling())
	}
}

func TestLosingTheDrierSourceDoesNotAskForDrierAir(t *testing.T) {
	a := newAir()
	a.set(45, 45, gone, 44.9, 0.60, gone, gone) // the wick is dry
	a.step(time.Hour)
	before := a.out.EMC
	a.snap.Readings[rh].Quality = hardware.Stale
	require.LessOrEqual(t, a.step(time.Hour).EMC, before+0.01)
}

func TestOutdoor(t *testing.T) {
	a := newAir()
	a.set(45, 45, 45, 40, gone, 10, 0.75)
	out := a.step(time.Second)
	require.True(t, out.OutdoorOK && out.OutdoorWOK)
	// 10 C and 75 % at sea level: 5.7 g/kg (ASHRAE Handbook Fundamentals 2017, ch. 1, from saturation 7.66 g/kg; from memory).
	require.InDelta(t, 0.0057, out.OutdoorW, 0.0001)
	a.snap.Readings[outRH].Quality = hardware.Stale
	out = a.step(time.Second)
	require.True(t, out.OutdoorOK)
	require.False(t, out.OutdoorWOK)
}

// Whatever is read, what is believed is a number within the readings, and the loss of one probe never makes the air
// warmer to the wood's harm: not colder than all, not damper than all.
func TestFusedAirIsBounded(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a := newAir()
		for range rapid.IntRange(1, 30).Draw(t, "changes") {
			low, high := math.Inf(1), math.Inf(-1)
			for id := range a.layout.Probes {
				q := rapid.SampledFrom([]hardware.Quality{hardware.Valid, hardware.Valid, hardware.Stale, hardware.Implausible}).Draw(t, "q")
				v := rapid.Float64Range(20, 60).Draw(t, "c")
				if role := a.layout.Probes[id].Role; role == hardware.RoleHumidity || role == hardware.RoleOutdoorHumidity {
					v = rapid.Float64Range(0, 1).Draw(t, "rh")
				}
				a.snap.Readings[id] = hardware.Reading{Value: v, Quality: q}
				if id <= db3 && q == hardware.Valid {
					low, high = min(low, v), max(high, v)
				}
			}
			a.step(time.Duration(rapid.IntRange(1, 100).Draw(t, "seconds")) * time.Second)
			c := &a.out
			for _, x := range []float64{float64(c.DryBulb), float64(c.EMC), float64(c.RH), c.IndoorW, float64(c.WetBulb), c.OutdoorW} {
				require.True(t, quantity.Finite(x))
			}
			if c.EMCOK {
				require.True(t, c.RH >= 0 && c.RH <= 1 && c.EMC >= 0 && c.EMC < 35)
			}
			require.Equal(t, !math.IsInf(low, 0) || c.DryBulbOK, c.DryBulbOK)
		}
		text, err := json.Marshal(&a.s)
		require.NoError(t, err)
		var again State
		require.NoError(t, json.Unmarshal(text, &again))
		require.Equal(t, a.s, again)
	})
}

// The middle of three samples of a noisy core must not count where the sample itself is colder.
func TestColdestCoreIsNoWarmerThanItReads(t *testing.T) {
	a := newAir()
	a.layout.Probes = append(a.layout.Probes, hardware.Probe{Role: hardware.RoleCore})
	core := len(a.layout.Probes) - 1
	filtered := false
	for i := range 200 {
		a.set(62, 62, gone, 50, gone, gone, gone, 61+3*math.Sin(float64(i*i)))
		out := a.step(time.Second)
		if out.CoreCount > 0 {
			require.LessOrEqual(t, float64(out.ColdestCore), a.snap.Readings[core].Value)
			filtered = filtered || float64(out.Cores[core]) > a.snap.Readings[core].Value
		}
	}
	require.True(t, filtered, "the middle of three was above a sample at least once")
}

// A core that is not believed any more may be wrong, or right: while it reads colder nothing is counted against it.
func TestADistrustedCoreStillCountsAsColdest(t *testing.T) {
	a := newAir()
	a.layout.Probes = append(a.layout.Probes, hardware.Probe{Role: hardware.RoleCore}, hardware.Probe{Role: hardware.RoleCore})
	first := hardware.ProbeID(len(a.layout.Probes) - 2)
	a.set(62, 62, gone, 50, gone, gone, gone, 60, 61.5)
	require.Equal(t, 2, a.step(time.Minute).CoreCount)
	a.s.Trust.InAir |= 1 << first
	out := a.step(time.Minute)
	require.Equal(t, 1, out.CoreCount)
	require.EqualValues(t, 60, out.ColdestCore)
}
