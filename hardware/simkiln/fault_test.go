package simkiln

import (
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

func probeOf(k *Kiln, role hardware.Role) hardware.ProbeID { return k.layout.ByRole(role)[0] }

// Every fault shows what it would show in a kiln. before is the snapshot as it begins, after the one at the end.
func TestFaultSignatures(t *testing.T) {
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
		}},
		{HighPressureTrip, works, works, time.Minute, func(t *testing.T, k *Kiln, before, after hardware.Snapshot) {
			active(hardware.ContactHighPressure)(t, k, before, after)
			require.Zero(t, after.Current[hardware.Compressor])
		}},
		{LowPressureTrip, works, works, time.Minute, active(hardware.ContactLowPressure)},
		{LowCharge, works, works, 30 * time.Minute, nil},
		{CoilIced, works, works &^ (1 << hardware.Compressor), 3 * time.Minute, func(t *testing.T, k *Kiln, before, after hardware.Snapshot) {
			require.Positive(t, k.s.Ice)
			require.Less(t, k.s.Ice, 6.0, "melts in the blower's air")
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
		{LoadCellSlip, works, works, time.Minute, func(t *testing.T, k *Kiln, before, after hardware.Snapshot) {
			cell := probeOf(k, hardware.RoleLoadCell)
			require.InDelta(t, 0.05, after.Readings[cell].Value-before.Readings[cell].Value, 0.005)
		}},
	} {
		t.Run(c.kind.String(), func(t *testing.T) {
			k, d := busy(t)
			if c.on != works {
				d.idle(c.on, 10*time.Minute, nil)
			}
			before := d.snapshot()
			f := Fault{Kind: c.kind}
			if c.kind == ProbeInAir {
				f.Probe = probeOf(k, hardware.RoleCore)
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
				require.Less(t, k.s.Pump.Water, 0.95*twin.k.s.Pump.Water)
			case DoorContactShut:
				require.NoError(t, k.Inject(Fault{Kind: DoorOpen}))
				d.idle(c.then, time.Minute, nil)
				require.False(t, d.snapshot().Contacts.Active.Has(hardware.ContactDoor))
				require.True(t, k.s.Door)
			default:
				t.Fatalf("no check for %s", c.kind)
			}
		})
	}
}

func TestStormIsReplayable(t *testing.T) {
	a := Storm(5, 50, 30*day, 14)
	require.Equal(t, a, Storm(5, 50, 30*day, 14))
	require.NotEqual(t, a, Storm(6, 50, 30*day, 14))
	require.Greater(t, len(a), 50)
	c := DefaultConfig()
	c.Faults = a
	k := newKiln(t, c, lot("red oak", 27, 5, 60, 4))
	require.Len(t, k.fitted, 14)
	d := driver{k: k, stages: stagesOf(oak44), vent: true}
	n := Notice{Running: true, AlarmCount: 1}
	n.Alarms[0].Active = true
	var s hardware.Snapshot
	last := 6 * day
	if testing.Short() {
		last = day
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
