package sequence

import (
	"encoding/json"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"drywarden/controller/demand"
	"drywarden/hardware"
)

// bench drives the sequencer with a kiln that does what it is told, a second a tick.
type bench struct {
	cfg     Config
	layout  hardware.Layout
	s       State
	d       demand.Demand
	applied hardware.Applied
	out     Result
	in      Input
	now     time.Duration
	fansOn  time.Duration
	forced  hardware.OutputSet // refused by somebody else
}

func newBench() *bench {
	b := &bench{cfg: DefaultConfig()}
	b.layout = hardware.Layout{FanGroups: 2, HeatStages: 2, FanDrive: true,
		Contacts: 1<<hardware.ContactAirflow | 1<<hardware.ContactBlowerAirflow,
		Outputs: 1<<hardware.FanForward1 | 1<<hardware.FanForward2 | 1<<hardware.FanReverse1 | 1<<hardware.FanReverse2 |
			1<<hardware.Compressor | 1<<hardware.Blower | 1<<hardware.BlowerLow | 1<<hardware.Crankcase |
			1<<hardware.Heat1 | 1<<hardware.Heat2 | 1<<hardware.Vent | 1<<hardware.Spray | 1<<hardware.Sounder}
	b.in = Input{Demand: &b.d, Layout: &b.layout, Applied: &b.applied, Coil: 15, CoilOK: true, MayWarn: true, MayMove: true}
	b.d = demand.Demand{Fans: true, FanSpeed: 1, Reversal: true}
	Restart(&b.cfg, &b.s)
	return b
}

func (b *bench) tick() {
	b.now += time.Second
	b.in.Elapsed = time.Second
	var active hardware.ContactSet
	if b.applied.On&hardware.AllFans != 0 {
		b.fansOn += time.Second
	} else {
		b.fansOn = 0
	}
	active = active.With(hardware.ContactAirflow, b.fansOn > 3*time.Second)
	active = active.With(hardware.ContactBlowerAirflow, b.applied.On.Has(hardware.Blower))
	b.in.Contacts = hardware.Contacts{Active: active, Valid: b.layout.Contacts}
	Step(&b.cfg, &b.s, &b.in, &b.out)
	b.applied.Outputs = b.out.Requested
	b.applied.On &^= b.forced
}

func (b *bench) run(d time.Duration) {
	for range int(d / time.Second) {
		b.tick()
	}
}

func (b *bench) until(t *testing.T, what func() bool, within time.Duration) time.Duration {
	t.Helper()
	from := b.now
	for !what() {
		require.Less(t, b.now-from, within, "did not happen")
		b.tick()
	}
	return b.now - from
}

func (b *bench) on(o hardware.OutputID) func() bool {
	return func() bool { return b.applied.On.Has(o) }
}

func (b *bench) off(o hardware.OutputID) func() bool {
	return func() bool { return !b.applied.On.Has(o) }
}

func TestFansStartAfterAWarningGroupByGroup(t *testing.T) {
	b := newBench()
	b.s.Known = true
	b.tick()
	require.True(t, b.applied.On.Has(hardware.Sounder))
	require.Zero(t, b.applied.On&hardware.AllFans)
	warned := b.until(t, b.on(hardware.FanForward1), time.Minute)
	require.GreaterOrEqual(t, warned, b.cfg.WarnTime)
	require.False(t, b.applied.On.Has(hardware.FanForward2), "both groups at once")
	require.InDelta(t, b.cfg.Stagger.Seconds(), b.until(t, b.on(hardware.FanForward2), time.Minute).Seconds(), 1.01)
}

func TestUnknownDirectionWaitsForTheFansToRunDown(t *testing.T) {
	b := newBench()
	waited := b.until(t, b.on(hardware.FanForward1), 3*time.Minute)
	require.GreaterOrEqual(t, waited, b.cfg.Coast)
}

func TestCompressorRests(t *testing.T) {
	b := newBench()
	b.d.Dry = true
	first := b.until(t, b.on(hardware.Compressor), 20*time.Minute)
	require.GreaterOrEqual(t, first, 300*time.Second, "off for five minutes after a start of the process")
	b.d.Dry = false
	b.d.DryWhy = demand.Why{Code: demand.DryEnough}
	ran := b.until(t, b.off(hardware.Compressor), time.Hour)
	require.GreaterOrEqual(t, ran, 600*time.Second, "minimum run")
	require.False(t, b.applied.On.Has(hardware.Blower), "a running blower evaporates what clings to the coil")
	require.True(t, b.applied.On.Has(hardware.Crankcase))
	b.d.Dry = true
	require.Equal(t, MinimumRest, func() demand.Reason { b.tick(); return b.out.CompressorWhy.Code }())
	require.GreaterOrEqual(t, b.until(t, b.on(hardware.Compressor), time.Hour), 299*time.Second)
}

func TestSafetyStopsTheCompressorWithinItsMinimumRun(t *testing.T) {
	for _, code := range []demand.Reason{demand.NoDryBulb, demand.AmbientLimit, demand.HeldSafe, demand.NoHumidity} {
		b := newBench()
		b.d.Dry = true
		b.until(t, b.on(hardware.Compressor), 20*time.Minute)
		b.d.Dry, b.d.DryWhy = false, demand.Why{Code: code}
		b.tick()
		require.False(t, b.applied.On.Has(hardware.Compressor), "reason %d", code)
	}
}

func TestStartsAnHour(t *testing.T) {
	b := newBench()
	b.d.Wet = true
	var starts []time.Duration
	for range 6 * 3600 {
		b.d.Dry = b.s.CompressorOn == 0 // as nervous as can be
		was := b.applied.On.Has(hardware.Compressor)
		b.tick()
		if !was && b.applied.On.Has(hardware.Compressor) {
			starts = append(starts, b.now)
		}
	}
	require.Greater(t, len(starts), 10)
	early := 0
	for i, at := range starts {
		if at <= time.Hour {
			early++
		}
		if i >= 4 {
			require.Greater(t, at-starts[i-4], time.Hour, "more than four starts in an hour")
		}
	}
	require.LessOrEqual(t, early, 2, "in the first hour most starts count as used")
}

func TestReversalWaitsForTheCompressorAndCoasts(t *testing.T) {
	b := newBench()
	b.d.Wet, b.d.Heat = true, 0
	b.until(t, b.on(hardware.FanForward1), 3*time.Minute)
	b.d.Dry = true
	b.until(t, b.on(hardware.Compressor), 20*time.Minute)
	b.run(b.cfg.ReverseWetMin)
	require.Equal(t, Running, b.s.Fans, "not while the compressor runs")
	b.d.Dry = false
	b.until(t, b.off(hardware.FanForward1), time.Hour)
	require.Zero(t, b.applied.On&hardware.AllFans)
	rested := b.until(t, b.on(hardware.FanReverse1), 3*time.Minute)
	require.GreaterOrEqual(t, rested, b.cfg.Coast)
	b.until(t, func() bool { return b.s.Fans == Running }, time.Minute)
	require.Less(t, b.s.RunFor, time.Minute)
}

func TestReversalDoesNotWaitForEver(t *testing.T) {
	b := newBench()
	b.d.Wet, b.d.Dry = true, true
	b.until(t, b.on(hardware.FanReverse1), b.cfg.ReverseWetMax+20*time.Minute)
}

func TestNoReversalWhileCounting(t *testing.T) {
	b := newBench()
	b.d.Counting = true
	b.run(14 * time.Hour)
	require.True(t, b.applied.On.Has(hardware.FanForward1))
}

func TestDefrost(t *testing.T) {
	b := newBench()
	b.d.Dry = true
	b.until(t, b.on(hardware.Compressor), 20*time.Minute)
	b.in.Coil = -4
	b.until(t, b.off(hardware.Compressor), 15*time.Minute)
	require.True(t, b.s.Defrosting)
	require.True(t, b.applied.On.Has(hardware.Blower), "air thaws the coil")
	b.in.Coil = 6
	b.run(15 * time.Second)
	require.False(t, b.applied.On.Has(hardware.Blower))
	require.EqualValues(t, 1, b.s.Defrosts)
	b.until(t, b.on(hardware.Compressor), 20*time.Minute)
	b.in.Coil = -4
	b.until(t, b.off(hardware.Compressor), 15*time.Minute)
	require.True(t, b.s.DefrostTwice)
}

func TestHeatNeedsProvenAirflow(t *testing.T) {
	b := newBench()
	b.d.Heat = 2
	b.until(t, b.on(hardware.Heat1), 3*time.Minute)
	require.GreaterOrEqual(t, b.s.AirFor, b.cfg.AirProven)
	require.False(t, b.applied.On.Has(hardware.Heat2), "one after another")
	b.until(t, b.on(hardware.Heat2), time.Minute)
	b.forced = hardware.AllFans
	b.run(10 * time.Second)
	require.Zero(t, b.applied.On&hardware.AllHeat)
}

func TestDoorStopsEverythingAndWarnsAgain(t *testing.T) {
	b := newBench()
	b.d.Dry, b.d.Heat = true, 1
	b.until(t, b.on(hardware.Compressor), 20*time.Minute)
	b.in.MayWarn, b.in.MayMove = false, false
	b.tick()
	require.Zero(t, b.applied.On&^(1<<hardware.Vent))
	b.in.MayWarn, b.in.MayMove = true, true
	require.GreaterOrEqual(t, b.until(t, b.on(hardware.FanForward1), time.Minute), b.cfg.WarnTime)
}

func TestFansRunOnAfterHeat(t *testing.T) {
	b := newBench()
	b.d.Heat = 1
	b.until(t, b.on(hardware.Heat1), 3*time.Minute)
	b.run(time.Minute)
	b.d = demand.Demand{}
	b.tick()
	require.Zero(t, b.applied.On&hardware.AllHeat)
	require.NotZero(t, b.applied.On&hardware.AllFans)
	b.until(t, b.off(hardware.FanForward1), 2*time.Minute)
}

func TestWarmingIsOwed(t *testing.T) {
	b := newBench()
	b.d.Dry, b.in.Warm = true, time.Hour
	b.run(30 * time.Minute)
	require.False(t, b.applied.On.Has(hardware.Compressor))
	require.Equal(t, CrankcaseWarming, b.out.CompressorWhy.Code)
}

// Whatever is wanted, seen or refused, the request never holds what must not be together, and keeps the rests.
func TestNeverTogether(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		b := newBench()
		b.s.Known = true
		lastOff := map[hardware.OutputID]time.Duration{}
		var fansOff time.Duration
		reverse := false
		for range 40 {
			b.d = demand.Demand{Fans: rapid.Bool().Draw(t, "fans"), FanSpeed: 1, Dry: rapid.Bool().Draw(t, "dry"),
				Heat: rapid.Uint8Range(0, 2).Draw(t, "heat"), Vent: rapid.Bool().Draw(t, "vent"), Spray: rapid.Bool().Draw(t, "spray"),
				Reversal: rapid.Bool().Draw(t, "reversal"), Wet: rapid.Bool().Draw(t, "wet"), BlowerLow: rapid.Bool().Draw(t, "low")}
			b.in.MayMove = rapid.IntRange(0, 9).Draw(t, "may") > 0
			b.in.MayWarn = b.in.MayMove
			b.in.Coil = 4
			if rapid.IntRange(0, 4).Draw(t, "frost") == 0 {
				b.in.Coil = -5
			}
			b.forced = 0
			if rapid.IntRange(0, 9).Draw(t, "refuse") == 0 {
				b.forced = 1 << hardware.OutputID(rapid.IntRange(0, int(hardware.OutputCount)-1).Draw(t, "refused"))
			}
			if rapid.IntRange(0, 3).Draw(t, "old") == 0 {
				b.s.RunFor += 7 * time.Hour
			}
			for range rapid.IntRange(1, 400).Draw(t, "seconds") {
				before := b.applied.On
				b.tick()
				on := b.out.Requested.On
				require.Zero(t, on&^b.layout.Outputs)
				require.Zero(t, on&(on>>hardware.FanReverse1)&hardware.AllForward, "both directions")
				require.False(t, on.Has(hardware.Spray) && on.Has(hardware.Compressor), "spray and compressor")
				require.False(t, on&hardware.AllHeat != 0 && on.Has(hardware.Vent), "heat and vent")
				if on&hardware.AllHeat != 0 || on.Has(hardware.Compressor) {
					require.NotZero(t, on&hardware.AllFans, "heat or compressor without fans")
				}
				if on.Has(hardware.Compressor) && !before.Has(hardware.Compressor) {
					require.GreaterOrEqual(t, b.now-lastOff[hardware.Compressor], 300*time.Second)
					require.True(t, before.Has(hardware.Blower))
				}
				if on&hardware.AllReverse != 0 != reverse && on&hardware.AllFans != 0 {
					require.GreaterOrEqual(t, fansOff, 60*time.Second, "turned before it had run down")
				}
				for o := range hardware.OutputCount {
					if before.Has(o) && !b.applied.On.Has(o) {
						lastOff[o] = b.now
					}
				}
				if b.applied.On&hardware.AllFans == 0 {
					fansOff += time.Second
				} else {
					fansOff, reverse = 0, b.applied.On&hardware.AllReverse != 0
				}
			}
		}
	})
}

// A reversal that falls due just after heat or spray came on lets them keep their least interval.
func TestReversalKeepsTheIntervals(t *testing.T) {
	for _, o := range []hardware.OutputID{hardware.Heat1, hardware.Spray} {
		b := newBench()
		b.run(3 * time.Minute)
		b.d.Heat, b.d.Spray = 1, false
		if o == hardware.Spray {
			b.d.Heat, b.d.Spray = 0, true
		}
		b.until(t, b.on(o), time.Minute)
		on := b.now
		b.s.RunFor = b.cfg.ReverseDryMax
		b.until(t, b.off(o), time.Minute)
		require.GreaterOrEqual(t, b.now-on, 5*time.Second)
		require.NotZero(t, b.applied.On&hardware.AllFans)
		b.until(t, b.on(hardware.FanReverse1), 3*time.Minute)
	}
}

func TestStateIsStoredWhole(t *testing.T) {
	b := newBench()
	b.d.Dry, b.d.Heat = true, 1
	b.run(30 * time.Minute)
	text, err := json.Marshal(&b.s)
	require.NoError(t, err)
	var again State
	require.NoError(t, json.Unmarshal(text, &again))
	require.Equal(t, b.s, again)
	require.Contains(t, string(text), `"running"`)
	require.Error(t, json.Unmarshal([]byte(`{"Fans":"flying"}`), &again))
}

func BenchmarkStep(b *testing.B) {
	k := newBench()
	k.d.Dry = true
	k.run(time.Hour)
	b.ReportAllocs()
	for b.Loop() {
		Step(&k.cfg, &k.s, &k.in, &k.out)
	}
}
