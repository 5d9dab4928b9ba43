package simkiln

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"drywarden/hardware"
	"drywarden/hardware/quantity"
)

// busy gives a kiln with everything running in the second week of an oak charge, sprayed or vented by none.
func busy(t *testing.T) (*Kiln, *driver) {
	c := DefaultConfig()
	c.Probes.LoadCells = 1
	c.Samples = []int8{0}
	c.Weather = Weather{Mean: 10, Humidity: 0.7}
	c.Room.Start = 43
	c.Room.StartRH = 0.8
	c.Person.Absent = true
	k := newKiln(t, c, lot("red oak", 27, 5, 60, 4))
	d := &driver{k: k}
	d.idle(works, 3*time.Hour, nil)
	return k, d
}

const works = fansOnly | 1<<hardware.Compressor | 1<<hardware.Blower

// second lets a second pass with these outputs told and gives what is read then.
func second(t *testing.T, k *Kiln, on hardware.OutputSet) (s hardware.Snapshot) {
	o := k.s.Outputs
	o.On = on | (o.On^1<<hardware.Heartbeat)&(1<<hardware.Heartbeat)
	require.NoError(t, k.Apply(0, o))
	k.Advance(time.Second)
	return readOf(t, k)
}

func readOf(t *testing.T, k *Kiln) (s hardware.Snapshot) {
	require.NoError(t, k.Read(0, &s))
	return s
}

func probeOf(k *Kiln, role hardware.Role) hardware.ProbeID { return k.layout.ByRole(role)[0] }

// Every fault shows what it would show in a kiln. before is the snapshot as it begins, after the one at the end.
func TestFaultSignatures(t *testing.T) {
	t.Parallel()
	active := func(id hardware.ContactID) func(t *testing.T, k *Kiln, before, after hardware.Snapshot) {
		return func(t *testing.T, k *Kiln, before, after hardware.Snapshot) {
			require.False(t, before.Contacts.Active.Has(id))
			require.True(t, after.Contacts.Active.Has(id))
		}
	}
	quality := func(q hardware.Quality) func(t *testing.T, k *Kiln, before, after hardware.Snapshot) {
		return func(t *testing.T, k *Kiln, before, after hardware.Snapshot) {
			require.Equal(t, hardware.Valid, before.Readings[0].Quality)
			require.Equal(t, q, after.Readings[0].Quality)
		}
	}
	dead := func(o hardware.OutputID) func(t *testing.T, k *Kiln, before, after hardware.Snapshot) {
		return func(t *testing.T, k *Kiln, before, after hardware.Snapshot) {
			require.Positive(t, before.Current[o])
			require.True(t, after.ReadBack.Has(o), "the contactor is in")
			require.Zero(t, after.Current[o], "and nothing flows")
		}
	}
	const heated = works | 1<<hardware.Heat1
	shown := map[FaultKind]bool{}
	type check func(t *testing.T, k *Kiln, before, after hardware.Snapshot)
	for _, c := range []struct {
		kind   FaultKind
		on     hardware.OutputSet // before
		then   hardware.OutputSet // during
		last   time.Duration
		verify check
	}{
		{ProbeOpen, works, works, 10 * time.Second, quality(hardware.Implausible)},
		{ProbeShort, works, works, 10 * time.Second, quality(hardware.Implausible)},
		{ProbeNoAnswer, works, works, time.Minute, func(t *testing.T, k *Kiln, before, after hardware.Snapshot) {
			quality(hardware.NoAnswer)(t, k, before, after)
			require.Greater(t, after.Readings[0].Age, 50*time.Second)
		}},
		{ProbeChecksum, works, works, time.Minute, quality(hardware.Checksum)},
		{ProbeStuck, works, heated, 30 * time.Minute, func(t *testing.T, k *Kiln, before, after hardware.Snapshot) {
			require.Equal(t, before.Readings[0].Value, after.Readings[0].Value)
			require.NotEqual(t, before.Readings[1].Value, after.Readings[1].Value)
		}},
		{ProbeDrift, works, works, 24 * time.Hour, func(t *testing.T, k *Kiln, before, after hardware.Snapshot) {
			apart := func(s hardware.Snapshot) float64 { return s.Readings[0].Value - s.Readings[1].Value }
			require.InDelta(t, 1, apart(after)-apart(before), 0.3)
		}},
		{ProbeNoise, works, works, time.Minute, nil},
		{ProbePowerOn, works, works, 10 * time.Second, func(t *testing.T, k *Kiln, before, after hardware.Snapshot) {
			require.Equal(t, 85.0, after.Readings[0].Value)
		}},
		{ProbeInAir, works, works, time.Minute, nil},
		{WickDry, works, works, 24 * time.Hour, func(t *testing.T, k *Kiln, before, after hardware.Snapshot) {
			wet, dry := probeOf(k, hardware.RoleWetBulb), probeOf(k, hardware.RoleDryBulb)
			require.InDelta(t, after.Readings[dry].Value, after.Readings[wet].Value, 0.6)
			require.Less(t, after.Readings[probeOf(k, hardware.RoleHumidity)].Value, 0.95, "the air is not full")
		}},
		{WickDirty, works, works, 48 * time.Hour, nil},
		{HumidityWet, works, works, time.Minute, func(t *testing.T, k *Kiln, before, after hardware.Snapshot) {
			require.Greater(t, after.Readings[probeOf(k, hardware.RoleHumidity)].Value, 0.95)
		}},
		{PinLeak, works, works, time.Minute, func(t *testing.T, k *Kiln, before, after hardware.Snapshot) {
			require.LessOrEqual(t, after.Readings[probeOf(k, hardware.RolePin)].Value, 1e9)
		}},
		{AirflowLost, works, works, time.Minute, func(t *testing.T, k *Kiln, before, after hardware.Snapshot) {
			require.True(t, before.Contacts.Proven(hardware.ContactAirflow))
			require.False(t, after.Contacts.Proven(hardware.ContactAirflow))
			require.Positive(t, after.Current[hardware.FanForward1], "the fans still run")
		}},
		{FanStop, works, works, 2 * time.Minute, func(t *testing.T, k *Kiln, before, after hardware.Snapshot) {
			require.False(t, after.Contacts.Proven(hardware.ContactAirflow))
			require.Less(t, k.s.Speed, 0.06)
		}},
		{FanNoStart, 0, fansOnly, time.Minute, func(t *testing.T, k *Kiln, before, after hardware.Snapshot) {
			require.True(t, after.ReadBack.Has(hardware.FanForward1))
			require.Zero(t, after.Current[hardware.FanForward1])
			require.False(t, after.Contacts.Proven(hardware.ContactAirflow))
		}},
		{FanWeak, works, works, 5 * time.Minute, func(t *testing.T, k *Kiln, before, after hardware.Snapshot) {
			require.InDelta(t, 0.5, k.s.Speed, 0.01)
			require.InEpsilon(t, 0.25, after.Current[hardware.FanForward1]/before.Current[hardware.FanForward1], 0.01, "the motor is relieved")
		}},
		{HighPressureTrip, works, works, time.Minute, func(t *testing.T, k *Kiln, before, after hardware.Snapshot) {
			active(hardware.ContactHighPressure)(t, k, before, after)
			require.Zero(t, after.Current[hardware.Compressor])
		}},
		{LowPressureTrip, works, works, time.Minute, active(hardware.ContactLowPressure)},
		{LowCharge, works, works, 30 * time.Minute, nil},
		{CoilIced, works, works &^ (1 << hardware.Compressor), 3 * time.Minute, func(t *testing.T, k *Kiln, before, after hardware.Snapshot) {
			require.GreaterOrEqual(t, k.s.Ice, 6.0, "it does not melt while the fault lasts")
			require.InDelta(t, 0, after.Readings[probeOf(k, hardware.RoleCoil)].Value, 3)
		}},
		{CoilFouled, works, works, 30 * time.Minute, func(t *testing.T, k *Kiln, before, after hardware.Snapshot) {
			suction := probeOf(k, hardware.RoleSuction)
			require.Less(t, after.Readings[suction].Value, before.Readings[suction].Value-1)
		}},
		{CompressorNoEffect, works, works, time.Minute, dead(hardware.Compressor)},
		{CompressorWeld, works, fansOnly | 1<<hardware.Blower, time.Minute, func(t *testing.T, k *Kiln, before, after hardware.Snapshot) {
			require.True(t, after.ReadBack.Has(hardware.Compressor))
			require.Positive(t, after.Current[hardware.Compressor])
		}},
		{BlowerStop, works, works, time.Minute, func(t *testing.T, k *Kiln, before, after hardware.Snapshot) {
			require.False(t, after.Contacts.Proven(hardware.ContactBlowerAirflow))
			require.Zero(t, after.Current[hardware.Blower])
		}},
		{CrankcaseDead, fansOnly | 1<<hardware.Crankcase, fansOnly | 1<<hardware.Crankcase, time.Minute, dead(hardware.Crankcase)},
		{HeaterWeld, heated, fansOnly, 30 * time.Minute, func(t *testing.T, k *Kiln, before, after hardware.Snapshot) {
			require.True(t, after.ReadBack.Has(hardware.Heat1))
			require.Positive(t, after.Current[hardware.Heat1])
			k.Advance(10 * time.Second) // no heartbeat: the master contactor opens
			require.Zero(t, k.currents()[hardware.Heat1])
		}},
		{HeaterOpen, heated, heated, time.Minute, dead(hardware.Heat1)},
		{DoorOpen, heated, heated, 10 * time.Minute, func(t *testing.T, k *Kiln, before, after hardware.Snapshot) {
			active(hardware.ContactDoor)(t, k, before, after)
			require.Zero(t, after.Current[hardware.Heat1])
			require.Zero(t, after.Current[hardware.FanForward1])
			require.Less(t, after.Readings[0].Value, before.Readings[0].Value-5)
		}},
		{DoorContactShut, works, works, time.Minute, nil},
		{EmergencyStop, heated, heated, time.Minute, func(t *testing.T, k *Kiln, before, after hardware.Snapshot) {
			active(hardware.ContactEStop)(t, k, before, after)
			require.Zero(t, after.ReadBack)
		}},
		{HighLimit, heated, heated, time.Minute, func(t *testing.T, k *Kiln, before, after hardware.Snapshot) {
			active(hardware.ContactHighLimit)(t, k, before, after)
			require.Zero(t, after.Current[hardware.Heat1])
			require.Positive(t, after.Current[hardware.FanForward1], "the fans stay")
		}},
		{BreakerHeat, heated, heated, time.Minute, dead(hardware.Heat1)},
		{BreakerMachine, works, works, time.Minute, dead(hardware.Compressor)},
		{BreakerFans, works, works, time.Minute, dead(hardware.FanForward1)},
		{MainsLoss, works, works, time.Minute, func(t *testing.T, k *Kiln, before, after hardware.Snapshot) {
			require.True(t, before.Contacts.Proven(hardware.ContactMains))
			require.False(t, after.Contacts.Proven(hardware.ContactMains))
			require.Zero(t, after.ReadBack)
		}},
		{Smoke, works, works, time.Minute, active(hardware.ContactSmoke)},
		{RefrigerantGas, works, works, time.Minute, active(hardware.ContactGas)},
		{FloorWater, works, works, time.Minute, active(hardware.ContactFloat)},
		{InsideButton, works, works, time.Minute, active(hardware.ContactInsideButton)},
		{Inhibit, works, works, time.Minute, active(hardware.ContactInhibit)},
		{VentStuckOpen, works, works, 30 * time.Minute, func(t *testing.T, k *Kiln, before, after hardware.Snapshot) {
			active(hardware.ContactVentOpen)(t, k, before, after)
			require.Less(t, after.Readings[0].Value, before.Readings[0].Value)
		}},
		{VentStuckShut, works, works | 1<<hardware.Vent, 5 * time.Minute, func(t *testing.T, k *Kiln, before, after hardware.Snapshot) {
			require.True(t, after.Contacts.Active.Has(hardware.ContactVentShut))
			require.True(t, after.ReadBack.Has(hardware.Vent))
		}},
		{SprayStuckOn, works, fansOnly, 30 * time.Minute, func(t *testing.T, k *Kiln, before, after hardware.Snapshot) {
			require.True(t, after.ReadBack.Has(hardware.Spray))
			rh := probeOf(k, hardware.RoleHumidity)
			require.Greater(t, after.Readings[rh].Value, before.Readings[rh].Value+0.03)
		}},
		{NoWater, works, fansOnly | 1<<hardware.Spray, 30 * time.Minute, func(t *testing.T, k *Kiln, before, after hardware.Snapshot) {
			require.False(t, after.Contacts.Active.Has(hardware.ContactWaterSupply))
		}},
		{DrainBlocked, works, works, 2 * time.Hour, func(t *testing.T, k *Kiln, before, after hardware.Snapshot) {
			require.Equal(t, before.Condensate.Total, after.Condensate.Total)
			active(hardware.ContactFloat)(t, k, before, after)
		}},
		{CondensateStuck, works, works, 2 * time.Hour, func(t *testing.T, k *Kiln, before, after hardware.Snapshot) {
			require.Equal(t, before.Condensate.Total, after.Condensate.Total)
			require.Greater(t, k.s.Drained, after.Condensate.Total+1)
		}},
		{HoseOff, works, works, 2 * time.Hour, func(t *testing.T, k *Kiln, before, after hardware.Snapshot) {
			require.Equal(t, before.Condensate.Total, after.Condensate.Total)
			require.False(t, after.Contacts.Active.Has(hardware.ContactFloat))
		}},
		{BothDirections, works, works, time.Minute, func(t *testing.T, k *Kiln, before, after hardware.Snapshot) {
			require.True(t, after.ReadBack.Has(hardware.FanForward1) && after.ReadBack.Has(hardware.FanReverse1))
			require.Less(t, k.s.Speed, 0.5)
		}},
		{ProbesCrossed, works, works, time.Minute, func(t *testing.T, k *Kiln, before, after hardware.Snapshot) {
			wet, dry := probeOf(k, hardware.RoleWetBulb), probeOf(k, hardware.RoleDryBulb)
			require.Less(t, before.Readings[wet].Value, before.Readings[dry].Value)
			require.Greater(t, after.Readings[wet].Value, after.Readings[dry].Value+0.3, "the wet bulb is hotter than the dry bulb")
		}},
		{ProbeDuplicate, works, works, 10 * time.Minute, func(t *testing.T, k *Kiln, before, after hardware.Snapshot) {
			require.NotEqual(t, before.Readings[0].Value, before.Readings[1].Value)
			require.Equal(t, after.Readings[1].Value, after.Readings[0].Value, "identical to the last digit")
		}},
		{PinLoose, works, works, 2 * time.Hour, func(t *testing.T, k *Kiln, before, after hardware.Snapshot) {
			pin := probeOf(k, hardware.RolePin)
			require.Greater(t, after.Readings[pin].Value, 50*before.Readings[pin].Value, "reads ever drier")
		}},
		{BusDown, works, works, time.Minute, func(t *testing.T, k *Kiln, before, after hardware.Snapshot) {
			for i, p := range k.layout.Probes {
				want := hardware.NoAnswer
				if p.Role == hardware.RolePin || p.Role == hardware.RoleLoadCell {
					want = hardware.Valid
				}
				require.Equal(t, want, after.Readings[i].Quality, p.Name)
			}
		}},
		{HumidityDrift, works, works, 72 * time.Hour, func(t *testing.T, k *Kiln, before, after hardware.Snapshot) {
			rh, _ := k.emcNow()
			require.InDelta(t, 0.03, after.Readings[probeOf(k, hardware.RoleHumidity)].Value-rh, 0.025)
		}},
		{ContactorWeld, heated, fansOnly, 10 * time.Minute, func(t *testing.T, k *Kiln, before, after hardware.Snapshot) {
			require.True(t, after.ReadBack.Has(hardware.Heat1))
			require.Positive(t, after.Current[hardware.Heat1], "current with the command off")
			k.Advance(10 * time.Second)
			require.Zero(t, k.currents()[hardware.Heat1], "the master contactor takes it off")
			second(t, k, fansOnly) // the heartbeat is back
			k.Advance(10 * time.Millisecond)
			require.True(t, readOf(t, k).ReadBack.Has(hardware.Heat1), "what is welded is still welded")
		}},
		{ContactorStick, fansOnly, heated, time.Minute, func(t *testing.T, k *Kiln, before, after hardware.Snapshot) {
			require.False(t, after.ReadBack.Has(hardware.Heat1), "told to close, does not")
			require.Zero(t, after.Current[hardware.Heat1])
		}},
		{ContactorBounce, fansOnly, heated, 0, func(t *testing.T, k *Kiln, before, after hardware.Snapshot) {
			changes, last := 0, second(t, k, heated).ReadBack.Has(hardware.Heat1)
			for range 50 { // 5 s, seen ten times a second
				k.Advance(100 * time.Millisecond)
				if is := readOf(t, k).ReadBack.Has(hardware.Heat1); is != last {
					changes++
					last = is
				}
			}
			require.Greater(t, changes, 8, "in and out several times a second")
			require.True(t, second(t, k, heated).ReadBack.Has(hardware.Heat1), "and stays in")
		}},
		{OutputOpen, heated, heated, time.Minute, dead(hardware.Heat1)},
		{FanBackward, works, works, time.Minute, func(t *testing.T, k *Kiln, before, after hardware.Snapshot) {
			require.True(t, k.s.Reverse)
			require.InDelta(t, 0.7, k.s.Speed, 0.02)
			require.Less(t, after.Current[hardware.FanForward1], 0.9*before.Current[hardware.FanForward1])
		}},
		{RelayReset, works, works, 0, func(t *testing.T, k *Kiln, before, after hardware.Snapshot) {
			require.NoError(t, k.Inject(Fault{Kind: RelayReset, Duration: quantity.Duration(2 * time.Second)}))
			require.Zero(t, second(t, k, works).ReadBack, "told on, found off")
			second(t, k, works)
			require.Equal(t, works, second(t, k, works).ReadBack, "and back")
		}},
		{RelayGlitch, works, works, 10 * time.Second, func(t *testing.T, k *Kiln, before, after hardware.Snapshot) {
			require.NotEqual(t, works&k.layout.ReadBack, after.ReadBack, "states that nobody asked for")
		}},
		{BrownOut, heated, heated, time.Minute, func(t *testing.T, k *Kiln, before, after hardware.Snapshot) {
			require.False(t, after.Contacts.Proven(hardware.ContactMains), "under 85 % the monitor lets go")
			require.InEpsilon(t, 0.82, after.Current[hardware.Heat1]/before.Current[hardware.Heat1], 0.01)
		}},
		{CondensateMiss, works, works, 3 * time.Hour, func(t *testing.T, k *Kiln, before, after hardware.Snapshot) {
			counted := after.Condensate.Total - before.Condensate.Total
			require.Positive(t, counted)
			require.Less(t, counted, 0.9*(k.s.Drained-before.Condensate.Total))
		}},
		{EnergyMiss, works, works, time.Hour, nil},
		{MachineFire, works, fansOnly, 2 * time.Minute, func(t *testing.T, k *Kiln, before, after hardware.Snapshot) {
			active(hardware.ContactSmoke)(t, k, before, after)
			require.Greater(t, after.Readings[0].Value, before.Readings[0].Value+5, "more than 5 K in two minutes, heat off")
		}},
		{MisWeigh, works, works, 0, nil},
		{PersonAway, works, works, 0, nil},
		{LoadCellSlip, works, works, time.Minute, func(t *testing.T, k *Kiln, before, after hardware.Snapshot) {
			cell := probeOf(k, hardware.RoleLoadCell)
			require.InDelta(t, 0.05, after.Readings[cell].Value-before.Readings[cell].Value, 0.005)
		}},
	} {
		shown[c.kind] = true
		t.Run(c.kind.String(), func(t *testing.T) {
			k, d := busy(t)
			if c.on != works {
				d.idle(c.on, 10*time.Minute, nil)
			}
			before := d.snapshot()
			f := Fault{Kind: c.kind, Output: hardware.Heat1}
			if is, role := c.kind.OfProbe(); is && role != hardware.RoleNone {
				f.Probe = probeOf(k, role)
			}
			twin := &driver{k: k.Clone(), on: d.on}
			require.NoError(t, k.Inject(f))
			d.idle(d.on, 2*time.Second, nil)
			d.idle(c.then, c.last, nil)
			twin.idle(c.then, c.last, nil)
			after := d.snapshot()
			checkBooks(t, k)
			if c.verify != nil {
				c.verify(t, k, before, after)
				return
			}
			healthy := twin.snapshot()
			switch c.kind {
			case ProbeNoise:
				sum := 0.0
				for range 40 {
					d.idle(c.then, 5*time.Second, nil)
					sum = max(sum, d.snapshot().Readings[0].Value-healthy.Readings[0].Value)
				}
				require.Greater(t, sum, 1.5)
			case ProbeInAir:
				require.InDelta(t, k.s.RoomT, after.Readings[f.Probe].Value, 0.5)
			case WickDirty:
				wet := probeOf(k, hardware.RoleWetBulb)
				require.InDelta(t, 0.2, after.Readings[wet].Value-healthy.Readings[wet].Value, 0.12)
			case LowCharge:
				require.Less(t, k.s.Pump.Te, twin.k.s.Pump.Te-4, "the suction is colder")
				lifts := func(k *Kiln) float64 { return k.s.Pump.Latent + k.s.Pump.Sense }
				require.InDelta(t, 0.8, lifts(k)/lifts(twin.k), 0.08, "a fifth of the capacity is gone")
				require.Less(t, k.s.Pump.Water, 0.95*twin.k.s.Pump.Water)
			case DoorContactShut:
				require.NoError(t, k.Inject(Fault{Kind: DoorOpen}))
				d.idle(c.then, time.Minute, nil)
				require.False(t, d.snapshot().Contacts.Active.Has(hardware.ContactDoor))
				require.True(t, k.s.Door)
			case EnergyMiss:
				counted := after.Energy.Total - before.Energy.Total
				require.InEpsilon(t, 0.75*(healthy.Energy.Total-before.Energy.Total), counted, 0.02)
			case MisWeigh, PersonAway:
				present := k.Clone()
				present.cfg.Person.Absent, k.cfg.Person.Absent = false, false
				present.s.PersonNext, k.s.PersonNext = present.s.WeighAt, k.s.WeighAt
				if c.kind == MisWeigh {
					present.s.Severity[MisWeigh] = 0
				} else {
					present.s.Severity[PersonAway] = 0
				}
				n := Notice{Running: true, AlarmCount: 1}
				n.Alarms[0] = hardware.Alarm{Rule: 5, Active: true}
				worst, weights, acks := 0.0, 0, 0
				k.Tell(n)
				for range 26 {
					k.Tell(n)
					k.Advance(time.Hour)
					for _, a := range k.Actions() {
						switch a.Kind {
						case WeighSample:
							weights++
							b := k.s.Samples[a.Sample]
							worst = max(worst, math.Abs(float64(a.Mass)-b.OvenDry*(1+k.wood.mean(b.Board)/100)))
						case Ack:
							acks++
						}
					}
				}
				if c.kind == MisWeigh {
					require.Positive(t, weights)
					require.Greater(t, worst, 0.01, "no such weight")
				} else {
					require.Zero(t, weights+acks, "nobody is there")
				}
			default:
				t.Fatalf("no check for %s", c.kind)
			}
		})
	}
	for _, kind := range FaultKinds() {
		require.True(t, shown[kind], "%s has no signature here", kind)
	}
}

// A bus that comes back gives its power-on value once.
func TestBusComesBackWithPowerOnValues(t *testing.T) {
	k, d := busy(t)
	require.NoError(t, k.Inject(Fault{Kind: BusDown, Duration: quantity.Duration(time.Minute)}))
	hot := 0
	for range 60 {
		d.idle(works, 2*time.Second, nil)
		if r := d.snapshot().Readings[0]; r.OK() && r.Value == powerOnValue {
			hot++
		}
	}
	require.Positive(t, hot)
	require.LessOrEqual(t, hot, 3)
}

func TestStormIsReplayable(t *testing.T) {
	t.Parallel()
	c := DefaultConfig()
	k := newKiln(t, c, lot("red oak", 27, 5, 60, 4))
	layout := k.Layout()
	a := Storm(5, 50, 30*day, &layout)
	require.Equal(t, a, Storm(5, 50, 30*day, &layout))
	require.NotEqual(t, a, Storm(6, 50, 30*day, &layout))
	require.Greater(t, len(a), 50)
	for _, f := range a {
		require.NoError(t, k.Inject(f))
	}
	d := driver{k: k, stages: stagesOf(oak44), vent: true}
	n := Notice{Running: true, AlarmCount: 1}
	n.Alarms[0].Active = true
	var s hardware.Snapshot
	last := 3 * day
	if testing.Short() {
		last = day / 2
	}
	for k.Now() < last {
		k.Tell(n)
		d.tick(2 * time.Second)
		k.Actions()
		require.NoError(t, k.Read(0, &s))
		for i := range s.Readings {
			require.True(t, quantity.Finite(s.Readings[i].Value))
		}
	}
	checkBooks(t, k)
	for kind := NoFault + 1; kind < faultCount; kind++ {
		require.Positive(t, perYear[kind].rate, kind.String())
		var back FaultKind
		text, err := kind.MarshalText()
		require.NoError(t, err)
		require.NoError(t, back.UnmarshalText(text))
		require.Equal(t, kind, back)
	}
}

// Whatever ails a humidity transmitter, it shows 0 to 100 %; and it never answers for a thermometer.
func TestHumidityStaysInItsRange(t *testing.T) {
	for _, kind := range []FaultKind{ProbeNoise, ProbeDrift, ProbePowerOn, ProbeDuplicate, HumidityDrift} {
		k, _ := busy(t)
		id := probeOf(k, hardware.RoleHumidity)
		require.NoError(t, k.Inject(Fault{Kind: kind, Probe: id, Severity: 10}))
		for range 6 * 3600 {
			s := second(t, k, works)
			if r := s.Readings[id]; r.OK() {
				require.True(t, r.Value >= 0 && r.Value <= 1, "%s: %v", kind, r.Value)
			}
		}
	}
}
