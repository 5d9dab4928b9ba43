package simkiln

import (
	"bytes"
	"fmt"
	"math"
	"reflect"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"drywarden/hardware"
	"drywarden/hardware/quantity"
)

// settleOak gives a green red-oak charge that has dried for some days in the first stage.
func settleOak(t testing.TB, days int, change func(*Config)) (*Kiln, *driver) {
	c := DefaultConfig()
	c.Weather = Weather{Mean: 10, Humidity: 0.7}
	if change != nil {
		change(&c)
	}
	k := newKiln(t, c, lot("red oak", 27, 5, 80, 6))
	d := &driver{k: k, stages: stagesOf(oak44), vent: true}
	d.dry(0, days)
	return k, d
}

// idle lets time pass with only these outputs on.
func (d *driver) idle(on hardware.OutputSet, last time.Duration, each func()) {
	for end := d.k.Now() + last; d.k.Now() < end; {
		d.on = on | d.on&(1<<hardware.Heartbeat)
		d.apply()
		d.k.Advance(2 * time.Second)
		if each != nil {
			each()
		}
	}
}

const fansOnly = hardware.OutputSet(1<<hardware.FanForward1 | 1<<hardware.FanForward2)

// A structure and its air, nothing else, cool as exp(-t/tau) with tau = C/UA.
func TestCoolingIsExponential(t *testing.T) {
	c := DefaultConfig()
	c.Room = Room{AirVolume: 77, UA: 60, Structure: 6e6, StructureUA: 1e5, Start: 45, StartRH: 0.1}
	c.Weather = Weather{Mean: 5, Humidity: 0.5}
	k := newKiln(t, c, lot("pine", 27, 0.001, 6, 1))
	d := driver{k: k}
	air := (airHeat + 1860*k.s.RoomW) * k.s.RoomMass
	tau := (6e6 + air) / 60
	for _, hours := range []float64{6, 24, 48} {
		d.idle(0, time.Duration(hours*float64(time.Hour))-k.Now(), nil)
		want := 5 + 0.5 + 39.5*math.Exp(-hours*3600/tau) // 30 W of control hold the room 0.5 K up
		require.InDelta(t, want, k.s.RoomT, 0.15, "after %v h", hours)
	}
	checkBooks(t, k)
}

// A closed, well insulated room is still about 90 F many hours after shut-down from 110 F: common practice, no source.
func TestClosedRoomStaysWarm(t *testing.T) {
	k, d := settleOak(t, 3, func(c *Config) { c.Weather.Mean = 15 })
	require.InDelta(t, fahrenheit(110), k.s.RoomT, 2)
	d.idle(0, 12*time.Hour, nil)
	t.Logf("%.1f C after 12 h without power", k.s.RoomT)
	require.InDelta(t, fahrenheit(90), k.s.RoomT, 4)
	checkBooks(t, k)
}

// Fans off: the air between the boards is soon full and drying nearly stops, though the machine keeps the room's air as dry
// as it was; and with everything off all the more so for a room that cools.
func TestStillAirStopsDrying(t *testing.T) {
	k, d := settleOak(t, 4, nil)
	twin := &driver{k: k.Clone(), stages: d.stages, vent: true, on: d.on}
	before := k.s.Evaporated
	for twin.k.Now() < k.Now()+12*time.Hour {
		twin.tick(2 * time.Second)
	}
	running := twin.k.s.Evaporated - before
	_, asIs := k.emcNow()

	held := &driver{k: k.Clone(), on: d.on}
	hold := func(last time.Duration) float64 {
		before := held.k.s.Evaporated
		for end := held.k.Now() + last; held.k.Now() < end; {
			_, emc := held.k.emcNow()
			on := held.on &^ fansOnly
			if emc > asIs+0.2 {
				on |= works &^ fansOnly
			} else if emc < asIs-0.2 {
				on &^= works
			}
			held.idle(on, 2*time.Second, nil)
		}
		return held.k.s.Evaporated - before
	}
	hold(2 * time.Hour)
	still := hold(12 * time.Hour)
	_, emc := held.k.emcNow()
	require.InDelta(t, asIs, emc, 1, "the room's air is as before")

	d.idle(0, 2*time.Hour, nil)
	before = k.s.Evaporated
	d.idle(0, 12*time.Hour, nil)
	dead := k.s.Evaporated - before
	t.Logf("12 h: %.1f kg with fans and machine, %.1f kg with the machine alone, %.1f kg with nothing", running, still, dead)
	require.Less(t, still, 0.2*running)
	require.Less(t, dead, 0.2*running)
	checkBooks(t, held.k)
	checkBooks(t, k)
}

// Machine off, vents shut, fans on: the air fills up and drying stalls.
func TestClosedRoomFillsUp(t *testing.T) {
	k, d := settleOak(t, 2, func(c *Config) { c.Weather.Mean = 20; c.Room.AirChanges = 0.02 })
	twin := &driver{k: k.Clone(), stages: d.stages, on: d.on}
	d.idle(fansOnly, 6*time.Hour, nil)
	rh, _ := k.emcNow()
	before, ran := k.s.Evaporated, twin.k.s.Evaporated
	d.idle(fansOnly, 6*time.Hour, nil)
	for twin.k.Now() < k.Now() {
		twin.tick(2 * time.Second)
	}
	stalled, running := (k.s.Evaporated-before)/6, (twin.k.s.Evaporated-ran)/12
	t.Logf("RH %.3f after 6 h with fans only; then %.2f kg/h, with the machine %.2f", rh, stalled, running)
	require.Greater(t, rh, 0.90)
	require.LessOrEqual(t, rh, 1.01)
	require.Less(t, stalled, 0.4*running, "drying stalls: no more than the fans' heat sends to the cold walls")
	require.Less(t, stalled, float64(k.cfg.Fans.Power)/latent(k.s.RoomT)*3600)
}

// With the door open and the fans stopped the room's air follows outdoors within ten minutes: its moisture nearly all the
// way, and with it the EMC, though the warm load and walls still heat the air.
func TestOpenDoorBringsOutdoorAir(t *testing.T) {
	k, d := settleOak(t, 4, nil)
	_, before := k.emcNow()
	inside := k.s.RoomT - k.s.OutT
	moist := k.s.RoomW
	require.NoError(t, k.Inject(Fault{Kind: DoorOpen, Duration: quantity.Duration(time.Hour)}))
	d.idle(0, 10*time.Minute, nil)
	outW := humidityRatio(k.s.OutP, 101325)
	_, after := k.emcNow()
	// What outdoor air makes of the EMC at the temperature that load and walls leave it.
	outdoors := k.table.at(k.s.RoomT).moisture(vapourPressure(outW, 101325) / saturation(k.s.RoomT))
	t.Logf("after 10 min %.1f C, outdoors %.1f; W %.4f (from %.4f), outdoors %.4f; EMC %.1f to %.1f, outdoor air at this warmth %.1f",
		k.s.RoomT, k.s.OutT, k.s.RoomW, moist, outW, before, after, outdoors)
	require.Less(t, k.s.RoomT-k.s.OutT, 0.4*inside)
	require.Less(t, k.s.RoomW-outW, 0.1*(moist-outW))
	require.Less(t, math.Abs(after-outdoors), 0.4*math.Abs(before-outdoors))
	require.True(t, k.s.Contacts.Active.Has(hardware.ContactDoor))
	checkBooks(t, k)
}

// Halving every step moves the end of the charge by less than half a percent.
func TestStepHalving(t *testing.T) {
	t.Parallel()
	run := func(air, wood time.Duration) (float64, float64) {
		c := DefaultConfig()
		c.AirStep, c.WoodStep = air, wood
		k := newKiln(t, c, lot("red oak", 27, 5, 80, 4), lot("pine", 27, 1, 100, 2))
		d := driver{k: k, stages: stagesOf(oak44), vent: true}
		target := 45.0
		if !testing.Short() {
			target = 9
		}
		days := d.dry(target, 40)
		return days, float64(k.Truth().Energy) / 3.6e6
	}
	coarse, e1 := run(5*time.Second, 120*time.Second)
	fine, e2 := run(2500*time.Millisecond, 60*time.Second)
	t.Logf("%.3f and %.3f d, %.0f and %.0f kWh", coarse, fine, e1, e2)
	require.InEpsilon(t, fine, coarse, 0.005)
	require.InEpsilon(t, e2, e1, 0.005)
}

func (d *driver) snapshot() (s hardware.Snapshot) {
	_ = d.k.Read(0, &s)
	return s
}

// Same seed, same bytes; a clone and a saved kiln go on exactly as the original.
func TestSameSeedSameBytes(t *testing.T) {
	build := func(seed uint64) *driver {
		c := DefaultConfig()
		c.Seed = seed
		c.Samples = []int8{0, 0, 1}
		c.Faults = []Fault{{Kind: ProbeDrift, Start: quantity.Duration(3 * time.Hour), Probe: 1}, {Kind: FanStop, Start: quantity.Duration(30 * time.Hour), Duration: quantity.Duration(time.Hour)}}
		k := newKiln(t, c, lot("red oak", 27, 3, 80, 5), lot("walnut", 27, 2, 60, 4))
		k.Tell(Notice{Running: true})
		return &driver{k: k, stages: stagesOf(oak44), vent: true}
	}
	saved := func(k *Kiln) []byte {
		var b bytes.Buffer
		require.NoError(t, k.Save(&b))
		return b.Bytes()
	}
	run := func(d *driver, last time.Duration) {
		for end := d.k.Now() + last; d.k.Now() < end; {
			d.tick(time.Second)
		}
	}
	a, b, other := build(7), build(7), build(8)
	run(a, 40*time.Hour)
	run(b, 40*time.Hour)
	run(other, 40*time.Hour)
	require.Equal(t, saved(a.k), saved(b.k))
	require.NotEqual(t, saved(a.k), saved(other.k))

	c := *a
	c.k = a.k.Clone()
	back, err := New(a.k.cfg)
	require.NoError(t, err)
	require.NoError(t, back.Load(bytes.NewReader(saved(a.k))))
	e := *a
	e.k = back
	run(a, 10*time.Hour)
	require.NotEqual(t, saved(a.k), saved(c.k), "the clone must not move with the original")
	run(&c, 10*time.Hour)
	run(&e, 10*time.Hour)
	require.Equal(t, saved(a.k), saved(c.k))
	require.Equal(t, saved(a.k), saved(e.k))
	require.Equal(t, a.snapshot(), e.snapshot())
	require.Equal(t, a.k.Actions(), e.k.Actions())
	require.Error(t, back.Load(bytes.NewReader([]byte("nonsense"))))
}

// The relay of the heartbeat drops the master contactor 3 s after the last toggle.
func TestSilentHeartbeatSwitchesEverythingOff(t *testing.T) {
	k, d := settleOak(t, 1, nil)
	require.NoError(t, k.Apply(0, hardware.Outputs{On: fansOnly | 1<<hardware.Heat1 | 1<<hardware.Crankcase | ^d.on&(1<<hardware.Heartbeat)}))
	k.Advance(2 * time.Second)
	require.Equal(t, fansOnly|1<<hardware.Heat1|1<<hardware.Crankcase, d.snapshot().ReadBack)
	k.Advance(3 * time.Second)
	require.Zero(t, d.snapshot().ReadBack)
	require.Greater(t, k.s.Speed, 0.3, "fans coast")
	k.Advance(2 * time.Minute)
	require.Less(t, k.s.Speed, 0.05)
	require.False(t, d.snapshot().Contacts.Proven(hardware.ContactAirflow))
	fresh := newKiln(t, k.cfg, k.cfg.Lots...)
	require.NoError(t, fresh.Apply(0, hardware.Outputs{On: fansOnly}))
	fresh.Advance(10 * time.Second)
	require.Zero(t, fresh.s.Closed, "nothing moves before the first toggle")
}

// A charge's sample boards are weighed once a day with the balance's error, and tell the truth within it.
func TestPersonWeighsDaily(t *testing.T) {
	c := DefaultConfig()
	c.Samples = []int8{0, 0, 0}
	k := newKiln(t, c, lot("red oak", 27, 5, 80, 12))
	d := driver{k: k, stages: stagesOf(oak44)}
	cut := k.CutSamples()
	require.Len(t, cut, 3)
	first, second := cut[0].Start/cut[0].OvenDry, cut[1].Start/cut[1].OvenDry
	require.Greater(t, first, second, "the first is wet, the second dry")
	k.Tell(Notice{Running: true})
	weighed := 0
	for k.Now() < 5*day {
		d.tick(2 * time.Second)
		for _, a := range k.Actions() {
			require.Equal(t, WeighSample, a.Kind)
			weighed++
			s := k.s.Samples[a.Sample]
			require.InDelta(t, s.OvenDry*(1+k.wood.mean(s.Board)/100), float64(a.Mass), 0.006)
		}
	}
	require.Equal(t, 15, weighed)
	require.InDelta(t, 1, float64(cut[0].OvenDry)/k.s.Samples[0].OvenDry, 0.03)
}

// A latched trip whose cause is gone is reset with the panel's button held; a fault without an end is mended once its
// alarm was seen.
func TestPersonResetsAndMends(t *testing.T) {
	k, d := settleOak(t, 1, nil)
	require.NoError(t, k.Inject(Fault{Kind: ProbeOpen, Probe: 0}))
	n := Notice{Running: true, Confirm: true, AlarmCount: 2}
	n.Alarms[0] = hardware.Alarm{Rule: 4, Latched: true, Clears: hardware.AtPanel}
	n.Alarms[1] = hardware.Alarm{Rule: 9, Active: true}
	seen := map[ActionKind]int{}
	for range 12 * 3600 {
		k.Tell(n)
		d.tick(time.Second)
		for _, a := range k.Actions() {
			seen[a.Kind]++
			switch a.Kind {
			case ResetTrip:
				require.EqualValues(t, 4, a.Rule)
				require.True(t, d.snapshot().Contacts.Active.Has(hardware.ContactPanelReset))
				n.Alarms[0] = n.Alarms[1]
				n.AlarmCount = 1
			case Ack:
				for i := range n.AlarmCount {
					if n.Alarms[i].Rule == a.Rule {
						n.Alarms[i].Acked = true
					}
				}
			case Confirm:
				n.Confirm = false
			case Mend:
				require.Equal(t, ProbeOpen, a.Fault)
				require.False(t, k.Faulty(ProbeOpen))
				n.AlarmCount = 0
			}
		}
	}
	require.Equal(t, map[ActionKind]int{ResetTrip: 1, Ack: 2, Confirm: 1, Mend: 1}, seen)
	require.False(t, d.snapshot().Contacts.Active.Has(hardware.ContactPanelReset))
	require.True(t, d.snapshot().Readings[0].OK())
}

func TestValidateReportsEveryFault(t *testing.T) {
	c := DefaultConfig()
	c.Pressure = quantity.Pascal(math.NaN())
	c.Fans.Groups = 9
	c.Samples = []int8{3}
	c.Lots = []LotConfig{{Name: "a"}, {Name: "a", Species: "pine", Thickness: 0.02, Volume: 1, Start: 50, Boards: 3}}
	c.Faults = []Fault{{Kind: ProbeOpen, Probe: 47}}
	before := c
	_, err := New(c)
	require.Equal(t, before.Fans, c.Fans)
	for _, text := range []string{"pressure", "fan groups", "sample 0 is of lot 3", "species is empty", "stands twice", "thickness", "boards", "probe 47"} {
		require.ErrorContains(t, err, text)
	}
}

// Hour by hour the outdoor air is the file's, and begins again after its last hour.
func TestWeatherFromAFile(t *testing.T) {
	hours, err := ReadWeather(strings.NewReader("# a made-up station\nhour, relative_humidity_percent, temperature_celsius\n0, 80, -3.5\n1, 60, 12\n2, 45, 21\n"))
	require.NoError(t, err)
	require.Equal(t, []WeatherHour{{-3.5, 0.8}, {12, 0.6}, {21, 0.45}}, hours)
	c := DefaultConfig()
	c.Weather.Hours = hours
	k := newKiln(t, c, lot("pine", 27, 1, 20, 2))
	for i := range 7 {
		require.EqualValues(t, hours[i%3].Temperature, k.s.OutT)
		require.InDelta(t, float64(hours[i%3].Humidity), k.s.OutP/saturation(k.s.OutT), 1e-9)
		k.Advance(time.Hour + time.Second)
	}
	for _, bad := range []string{"", "t,rh\n1,2\n", "temperature_celsius,relative_humidity_percent\n", "temperature_celsius,relative_humidity_percent\n5,NaN\n99,50\n5,0.5\n"} {
		_, err := ReadWeather(strings.NewReader(bad))
		require.Error(t, err)
	}
	require.ErrorContains(t, err3(ReadWeather(strings.NewReader("temperature_celsius,relative_humidity_percent\n5,NaN\n99,50\n"))), "line 3")
}

func err3(_ []WeatherHour, err error) error { return err }

func TestSpeciesWithoutASetTakeTheNearest(t *testing.T) {
	p, exact := ParametersFor("hickory, pignut")
	require.False(t, exact)
	require.Equal(t, "white oak", p.Name)
	require.EqualValues(t, 640, p.Density)
	p, exact = ParametersFor("maple, hard (sugar)")
	require.True(t, exact)
	require.Equal(t, "hard maple", p.Name)
	p, exact = ParametersFor("spruce, Engelmann")
	require.False(t, exact)
	require.Equal(t, "pine", p.Name)
}

// Reading, advancing and applying allocate nothing once running.
func TestTickAllocatesNothing(t *testing.T) {
	k, d := settleOak(t, 1, nil)
	var s hardware.Snapshot
	n := testing.AllocsPerRun(2000, func() {
		_ = k.Read(0, &s)
		d.tick(time.Second)
	})
	require.Zero(t, n)
}

// BenchmarkTick is a second of a running charge: read, a crude decision, apply, advance; 3 lots, 12 boards, 14 nodes.
func BenchmarkTick(b *testing.B) {
	c := DefaultConfig()
	k := newKiln(b, c, lot("red oak", 27, 2, 80, 12), lot("walnut", 27, 1.5, 70, 12), lot("hard maple", 27, 1.5, 65, 12))
	d := &driver{k: k, stages: stagesOf(oak44), vent: true, governing: func(k *Kiln) float64 { return 80 - k.Now().Hours()/24*2.5 }}
	var s hardware.Snapshot
	b.ReportAllocs()
	b.ResetTimer()
	for range b.N {
		_ = k.Read(0, &s)
		d.tick(time.Second)
	}
}

// Wood that dries stands between wet and dry bulb; dry wood heated by the air takes the time that its heat content and
// the heaters' power allow, its core last.
func TestWoodHeating(t *testing.T) {
	k, _ := settleOak(t, 2, nil)
	rh, _ := k.emcNow()
	wb := wetBulb(k.s.RoomT, rh*saturation(k.s.RoomT), 101325, wickFull, k.s.RoomT)
	core := float64(k.Truth().Lots[0].Core)
	t.Logf("green oak: wet bulb %.1f, core %.1f, dry bulb %.1f", wb, core, k.s.RoomT)
	require.Greater(t, core, wb-0.5)
	require.Less(t, core, k.s.RoomT+0.5)

	for _, mm := range []float64{27, 52, 78} {
		c := DefaultConfig()
		c.Weather = Weather{Mean: 10, Humidity: 0.7}
		c.Room.Start, c.Room.StartRH = 49, 0.4
		k := newKiln(t, c, LotConfig{Name: "a", Species: "red oak", Thickness: quantity.Meter(mm / 1000), Volume: 5, Start: 8, Boards: 4, AirDried: true, Sigma: 0.5})
		d := driver{k: k}
		_, heat := k.wood.content()
		perKelvin := heat/49 + 1.5e6
		for k.wood.coreTemperature(0, 0) < 56 {
			on := fansOnly
			if k.s.RoomT < 64.5 {
				on |= hardware.AllHeat
			}
			d.idle(on, 2*time.Second, nil)
			require.Less(t, k.Now(), 10*time.Hour)
		}
		least := perKelvin * 7 / (9000 + 2000)
		t.Logf("%v mm: 49 to 56 C at the core in %.2f h; heat content alone %.2f h at full power", mm, k.Now().Hours(), least/3600)
		require.Greater(t, k.Now().Seconds(), 0.8*least)
		require.Less(t, k.Now().Seconds(), 2.5*least)
		checkBooks(t, k)
	}
}

// Cold, wet air ices the coil; the coil air falls with the ice and a rest with the blower on melts it.
func TestFrostAndDefrost(t *testing.T) {
	c := DefaultConfig()
	c.Room.Start, c.Room.StartRH = 8, 0.85
	c.Weather = Weather{Mean: 5, Humidity: 0.8}
	k := newKiln(t, c, lot("pine", 27, 5, 100, 4))
	d := driver{k: k}
	d.idle(works|1<<hardware.BlowerLow, 3*time.Hour, nil)
	ice := k.s.Ice
	t.Logf("%.1f kg of ice, coil %.1f C, room %.1f C", ice, k.s.Pump.Coil, k.s.RoomT)
	require.Greater(t, ice, 0.3)
	d.idle(fansOnly|1<<hardware.Blower, time.Hour, nil)
	require.Less(t, k.s.Ice, ice/2)
	checkBooks(t, k)
}

// The coil holds water before any drains, and what drains comes late.
func TestCoilHoldsWaterBack(t *testing.T) {
	k, d := settleOak(t, 2, nil)
	d.idle(fansOnly, 2*time.Hour, nil)
	start, coil := d.snapshot().Condensate.Total, k.s.CoilWater
	d.idle(works, 4*time.Minute, nil)
	t.Logf("coil %.2f to %.2f kg in 4 min, %.2f kg metered", coil, k.s.CoilWater, d.snapshot().Condensate.Total-start)
	require.Less(t, d.snapshot().Condensate.Total-start, 0.35)
	d.idle(works, 30*time.Minute, nil)
	require.Greater(t, d.snapshot().Condensate.Total-start, 1.0)
}

// Fans reverse: the boards that met the air last now meet it first, and dry the faster for it.
func TestReversalSwapsTheEdges(t *testing.T) {
	c := DefaultConfig()
	c.Weather = Weather{Mean: 10, Humidity: 0.7}
	c.Fans.Flow = 3
	alike := lot("red oak", 27, 5, 80, 6)
	alike.Uniform = true
	k := newKiln(t, c, alike)
	for b := range k.wood.Position { // equal boards, but each in its place across the load
		k.wood.Position[b] = (float64(b) + 0.5) / 6
	}
	d := &driver{k: k, stages: stagesOf(oak44), vent: true}
	for k.Now() < day {
		d.tick(2 * time.Second)
	}
	require.False(t, k.s.Reverse)
	forward := k.wood.Flux[0] / k.wood.Flux[5]
	back := hardware.OutputSet(1<<hardware.FanReverse1 | 1<<hardware.FanReverse2)
	d.idle(0, 2*time.Minute, nil)
	d.idle(back|works&^fansOnly, 30*time.Minute, nil)
	require.True(t, k.s.Reverse)
	require.True(t, d.snapshot().Contacts.Proven(hardware.ContactAirflow))
	backward := k.wood.Flux[0] / k.wood.Flux[5]
	t.Logf("first board against last: %.2f forward, %.2f in reverse", forward, backward)
	require.Greater(t, forward, 1.05)
	require.Less(t, backward, 1/1.05)
}

// A lot that the air goes round dries a fifth slower or so: common figures for calibration, no source.
func TestBaffleLeakSlowsItsLot(t *testing.T) {
	table := newIsotherms()
	sum := 0.0
	species := []string{"red oak", "hard maple", "walnut", "yellow-poplar", "pine"}
	for _, name := range species {
		var days [2]float64
		for i, share := range []float64{1, math.Pow(leakSpeed, 0.6)} {
			w := board(t, name, 27, 70, 43)
			w.FilmShare[0] = share
			days[i], _ = dryBoard(&w, table, func(float64) float64 { return 45 }, func(m, _ float64) float64 {
				if m > 30 {
					return 12
				}
				return 5.5
			})
		}
		t.Logf("%-13s %.1f d, with a leak %.1f d (%+.0f %%)", name, days[0], days[1], 100*(days[1]/days[0]-1))
		require.Greater(t, days[1], 1.1*days[0])
		require.Less(t, days[1], 1.35*days[0])
		sum += days[1] / days[0]
	}
	require.InDelta(t, 1.2, sum/float64(len(species)), 0.05)
	leaky, lots := 0, 600
	c := DefaultConfig()
	c.Lots = nil
	for seed := range uint64(lots / 6) {
		c.Seed = seed
		var six []LotConfig
		for i := range 6 {
			l := lot("pine", 27, 1, 8, 1)
			l.Name = fmt.Sprint(i)
			six = append(six, l)
		}
		k := newKiln(t, c, six...)
		for _, share := range k.wood.FilmShare {
			if share < 1 {
				leaky++
			}
		}
	}
	require.InDelta(t, float64(lots)/leakOneIn, leaky, 4*math.Sqrt(float64(lots)/leakOneIn), "one lot in twelve")
}

// Nothing that a step reads or writes is a map, whose order would not repeat, or hidden behind a pointer, a function or a
// channel.
func TestStateHoldsNoMaps(t *testing.T) {
	var walk func(path string, of reflect.Type)
	walk = func(path string, of reflect.Type) {
		switch of.Kind() {
		case reflect.Map, reflect.Chan, reflect.Func, reflect.Interface, reflect.Pointer:
			t.Errorf("%s is a %v", path, of)
		case reflect.Slice, reflect.Array:
			walk(path+"[]", of.Elem())
		case reflect.Struct:
			if of == reflect.TypeFor[time.Time]() {
				return // the date of a calibration: printed, never reckoned with
			}
			for i := range of.NumField() {
				walk(path+"."+of.Field(i).Name, of.Field(i).Type)
			}
		}
	}
	walk("state", reflect.TypeFor[state]())
	walk("wood", reflect.TypeFor[wood]())
	walk("config", reflect.TypeFor[Config]())
}

// Heaters that nobody switches off trip the wired limit, which needs its own button once the room is cool.
func TestWiredLimit(t *testing.T) {
	c := DefaultConfig()
	c.Room.UA = 20
	c.Heat.Power = 20000
	k := newKiln(t, c, lot("pine", 27, 1, 10, 2))
	d := driver{k: k}
	hottest := 0.0
	n := Notice{AlarmCount: 1}
	n.Alarms[0] = hardware.Alarm{Rule: 3, Latched: true, Active: true, Clears: hardware.AtPanel}
	d.idle(fansOnly|hardware.AllHeat, 6*time.Hour, func() { hottest = max(hottest, k.s.RoomT) })
	require.True(t, d.snapshot().Contacts.Active.Has(hardware.ContactHighLimit))
	require.Zero(t, d.snapshot().ReadBack&hardware.AllHeat)
	require.InDelta(t, hardLimit, hottest, 1)
	d.idle(0, 80*time.Hour, func() { k.Tell(n) })
	require.Less(t, k.s.RoomT, hardReset)
	require.False(t, d.snapshot().Contacts.Active.Has(hardware.ContactHighLimit))
	checkBooks(t, k)
}

// The first law over a whole charge, in total enthalpy and independent of the kiln's own heat book: what was drawn from
// the mains went through the walls, out with air and condensate, into freeing bound water, or is still there.
func TestFirstLaw(t *testing.T) {
	t.Parallel()
	c := DefaultConfig()
	k := newKiln(t, c, lot("walnut", 27, 5, 80, 4))
	content := func() float64 {
		s := &k.s
		k.flushAir(0)
		k.closeWood()
		k.openWood()
		sum := s.RoomMass*moistEnthalpy(s.RoomT, s.RoomW) + s.LoadMass*moistEnthalpy(s.LoadT, s.LoadW) +
			float64(c.Room.Structure)*s.StructureT + s.CoilWater*liquid*s.RoomT
		for b := range k.wood.Count {
			wet := liquid * k.wood.mean(b) / 100
			bound := min(k.wood.mean(b), fiberSaturation)
			for j := range heatNodes { // GTR-190 equations 4-16 to 4-18, integrated over temperature
				t := k.wood.T[b*heatNodes+j]
				kelvin := t*t/2 + 273.15*t
				extra := 1000 * bound * (-0.06191*t + 2.36e-4*kelvin - 1.33e-4*bound*t) * (1 + bound/100)
				sum += k.wood.Mass[b] / heatNodes * (103.1*t + 3.867*kelvin + wet*t + extra)
			}
		}
		return sum
	}
	before := content()
	d := driver{k: k, stages: stagesOf(maple44), vent: true}
	target := 12.0
	if testing.Short() {
		target = 60
	}
	days := d.dry(target, 20)
	s := &k.s
	change := content() - before
	rest := s.Electric - s.Loss - s.Exchange - s.DrainHeat - s.Sorption - change
	t.Logf("%.1f d: %.0f MJ drawn, %.0f walls, %.0f air, %.0f condensate, %.0f sorption, %.0f stored; %.1f MJ (%.2f %%) unexplained",
		days, s.Electric/1e6, s.Loss/1e6, s.Exchange/1e6, s.DrainHeat/1e6, s.Sorption/1e6, change/1e6, rest/1e6, 100*rest/s.Electric)
	require.Less(t, math.Abs(rest), 0.005*s.Electric)
}

// A contactor follows its command after a time of its own, less than a second and the same each time; until then nothing is
// drawn, and the meter counts from there on.
func TestContactorsTakeTime(t *testing.T) {
	c := DefaultConfig()
	c.Probes.Ideal = true
	k := newKiln(t, c, lot("pine", 27, 1, 12, 2))
	d := &driver{k: k}
	d.idle(fansOnly, time.Minute, nil)
	apart := map[time.Duration]bool{}
	for i := range c.Heat.Stages {
		o := hardware.Heat(i)
		begin, drawn := k.Now(), k.s.Electric
		idle := k.fanPower() + controlPower
		d.on = fansOnly.With(o, true)
		d.apply()
		require.False(t, d.snapshot().ReadBack.Has(o), "not at once")
		for !d.snapshot().ReadBack.Has(o) {
			k.Advance(time.Millisecond)
		}
		took := k.Now() - begin
		require.Equal(t, k.pullDelay[o], took)
		require.True(t, took >= 50*time.Millisecond && took < 900*time.Millisecond, "%v", took)
		apart[took] = true
		k.Advance(2*time.Second - took)
		k.flushAir(0)
		want := idle*2 + float64(c.Heat.Power)/3*(2*time.Second-took).Seconds()
		require.InEpsilon(t, want, k.s.Electric-drawn, 1e-3, "drawn from the moment it closed")
		d.on = fansOnly
		d.apply()
		require.True(t, d.snapshot().ReadBack.Has(o))
		k.Advance(90 * time.Millisecond)
		require.False(t, d.snapshot().ReadBack.Has(o))
		k.Advance(910 * time.Millisecond)
		d.idle(fansOnly, 2*time.Second, nil)
	}
	require.Len(t, apart, c.Heat.Stages, "each has its own time")
	checkBooks(t, k)
}

// The floor loses heat to the ground: at rest the room stands between outdoors and ground as the two conductances have it.
func TestFloorLosesToTheGround(t *testing.T) {
	c := DefaultConfig()
	c.Room = Room{AirVolume: 77, UA: 40, GroundUA: 20, Structure: 1e6, StructureUA: 1e5, Start: 20, StartRH: 0.1}
	for i := range 400 { // cold for as long as this runs; the year's mean is 6 C
		t := quantity.Celsius(-10)
		if i >= 200 {
			t = 22
		}
		c.Weather.Hours = append(c.Weather.Hours, WeatherHour{t, 0.5})
	}
	k := newKiln(t, c, lot("pine", 27, 0.001, 6, 1))
	require.InDelta(t, 6, k.groundT, 1e-9)
	d := driver{k: k}
	d.idle(0, 80*time.Hour, nil)
	require.InDelta(t, (40*-10+20*6+controlPower)/60, k.s.RoomT, 0.1)
	checkBooks(t, k)
	require.EqualValues(t, 10, (&Weather{Mean: 10, Seasonal: 8}).mean())
}

// A machine loses 1 % of its efficiency a year: a common allowance, no source. Ten years old it dries less for its power.
func TestMachineAges(t *testing.T) {
	run := func(years float64) *Kiln {
		c := DefaultConfig()
		c.Machine.Age = quantity.Duration(years * year * float64(time.Hour))
		c.Room.Start, c.Room.StartRH = 43, 0.8
		k := newKiln(t, c, lot("red oak", 27, 5, 60, 2))
		d := driver{k: k}
		d.idle(works, 30*time.Minute, nil)
		return k
	}
	fresh, old := run(0), run(10)
	require.InEpsilon(t, 0.48*math.Pow(0.99, 10), old.efficiency(), 1e-5)
	require.InEpsilon(t, 0.48, fresh.efficiency(), 1e-5)
	t.Logf("%.2f kg/h new, %.2f after ten years", fresh.s.Pump.Water*3600, old.s.Pump.Water*3600)
	require.Less(t, old.s.Pump.Water/old.s.Pump.Power, 0.97*fresh.s.Pump.Water/fresh.s.Pump.Power)
}

// A person who errs writes wrong weights, leaves alarms for another day, opens the door on the round and reckons oven-dry
// masses wrong, each in about the share told; one who does not does none of it.
func TestPersonErrs(t *testing.T) {
	t.Parallel()
	if testing.Short() {
		t.Skip("six weeks of rounds")
	}
	const rounds = 40
	type count struct{ weights, wrong, acks, late, doors int }
	run := func(p Person) (n count, believed []float64) {
		c := DefaultConfig()
		c.Person = p
		c.Samples = []int8{0, 0, 0, 0}
		k := newKiln(t, c, lot("pine", 27, 0.5, 20, 4))
		told := k.Now()
		rule := hardware.RuleID(1)
		open := false
		for k.Now() < rounds*day {
			n1 := Notice{Running: true, AlarmCount: 1}
			n1.Alarms[0] = hardware.Alarm{Rule: rule}
			k.Tell(n1)
			k.Advance(time.Minute)
			if k.s.Door && !open {
				n.doors++
			}
			open = k.s.Door
			for _, a := range k.Actions() {
				switch a.Kind {
				case WeighSample:
					n.weights++
					s := k.s.Samples[a.Sample]
					if math.Abs(float64(a.Mass)-s.OvenDry*(1+k.wood.mean(s.Board)/100)) > 0.01 {
						n.wrong++
					}
				case Ack:
					n.acks++
					if a.At-told > day {
						n.late++
					}
					told, rule = a.At, rule%100+1
				}
			}
		}
		for _, b := range k.s.Samples {
			believed = append(believed, b.Believed/b.OvenDry-1)
		}
		return n, believed
	}
	p := DefaultConfig().Person
	careful, right := run(p)
	p.Slips, p.Ignores, p.Doors, p.WrongDry = 0.3, 0.5, 0.4, 1
	sloppy, wrong := run(p)
	t.Logf("careful %+v, sloppy %+v", careful, sloppy)
	require.Equal(t, 4*rounds, careful.weights)
	require.Zero(t, careful.wrong+careful.late+careful.doors)
	require.InDelta(t, 0.3*0.9, float64(sloppy.wrong)/float64(sloppy.weights), 0.1) // one wrong weight in ten is not 10 g off
	require.InDelta(t, 0.5, float64(sloppy.late)/float64(sloppy.acks), 0.2)
	require.InDelta(t, 0.4*rounds, sloppy.doors, 12)
	for i := range right {
		require.Less(t, math.Abs(right[i]), 4*0.0075, "a section's and a balance's error")
		require.Less(t, math.Abs(wrong[i]), 0.03+4*0.0075)
		require.NotEqual(t, right[i], wrong[i])
	}
}

// The honest errors of probes: a load cell creeps by 0.02 % a day for a week; a humidity probe reads ever higher in wet air,
// and shows full air for twenty minutes once it has been wetted.
func TestProbesErr(t *testing.T) {
	c := DefaultConfig()
	c.Probes.LoadCells = 1
	c.Samples = []int8{0}
	k := newKiln(t, c, lot("pine", 27, 1, 80, 2))
	cell, rh := probeOf(k, hardware.RoleLoadCell), probeOf(k, hardware.RoleHumidity)
	over := func() float64 {
		s := k.s.Samples[0]
		return readOf(t, k).Readings[cell].Value/(s.OvenDry*(1+k.wood.mean(s.Board)/100)) - 1
	}
	begin := over()
	k.Advance(14 * day)
	crept := over() - begin - 20e-6*(k.s.RoomT-20)
	t.Logf("crept by %.3f %%", 100*crept)
	require.InDelta(t, 7*2e-4*(1-math.Exp(-2)), crept, 4e-4)

	k.s.HumidityDrift = 0
	for range int(10 * day / sampling) { // the probe alone
		k.s.RoomW = humidityRatio(0.94*saturation(k.s.RoomT), 101325)
		k.s.Now += sampling
		k.sample()
	}
	require.InDelta(t, 10*0.015/30, k.s.HumidityDrift, 1e-4, "1.5 % a month above 90 %")
	k.s.RoomW = humidityRatio(0.995*saturation(k.s.RoomT), 101325)
	k.sample()
	require.EqualValues(t, 1, readOf(t, k).Readings[rh].Value, "wetted")
	k.s.RoomW = humidityRatio(0.7*saturation(k.s.RoomT), 101325)
	for _, c := range []struct {
		last time.Duration
		full bool
	}{{15 * time.Minute, true}, {10 * time.Minute, false}} {
		for range int(c.last / sampling) {
			k.s.Now += sampling
			k.sample()
		}
		require.Equal(t, c.full, readOf(t, k).Readings[rh].Value == 1, "%v later", c.last)
	}
}
