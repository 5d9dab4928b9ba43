package campaign

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"drywarden/hardware"
	"drywarden/hardware/mono"
	"drywarden/hardware/quantity"
	"drywarden/safety"
)

// Probes of the kiln on the bench.
const (
	bulbA hardware.ProbeID = iota
	bulbB
	wetBulb
	humidity
	leaving
	core
)

const (
	forwards = hardware.OutputSet(1)<<hardware.FanForward1 | 1<<hardware.FanForward2
	heat1    = hardware.OutputSet(1) << hardware.Heat1
	heat2    = hardware.OutputSet(1) << hardware.Heat2
	machine  = hardware.OutputSet(1) << hardware.Compressor
	blower   = hardware.OutputSet(1) << hardware.Blower
	spray    = hardware.OutputSet(1) << hardware.Spray
	vent     = hardware.OutputSet(1) << hardware.Vent
	beat     = hardware.OutputSet(1) << hardware.Heartbeat
	working  = forwards | blower | machine | heat1
	every    = hardware.ContactSet(1)<<hardware.ContactCount - 1
)

func on(o hardware.OutputID) hardware.OutputSet { return 1 << o }

// bench is a kiln without physics and the real gate in front of it: feedback follows what the gate has written, airflow
// follows the fans, everything is fitted. A fault spoils what is read, or hinders what is written.
type bench struct {
	t      require.TestingT
	clock  mono.Manual
	layout hardware.Layout
	limits safety.Limits
	told   hardware.Outputs // what the gate wrote last
	kept   []string         // trip store
	storeE error            // the store's trouble
	boardE error            // the board's trouble
	gate   *safety.Gate
	snap   hardware.Snapshot
	out    hardware.Applied
	want   hardware.OutputSet
	fault  func(*bench)
	ticks  int // since the fault began
}

// Apply is the board.
func (b *bench) Apply(_ mono.Instant, out hardware.Outputs) error {
	if b.boardE == nil {
		b.told = out
	}
	return b.boardE
}

// LoadTrips and SaveTrips are the store.
func (b *bench) LoadTrips() ([]string, error) { return b.kept, b.storeE }
func (b *bench) SaveTrips(names []string) error {
	if b.storeE == nil {
		b.kept = names
	}
	return b.storeE
}

func newBench(t require.TestingT) *bench {
	b := &bench{t: t, limits: safety.DefaultLimits()}
	b.limits.CompressorAmbientMax = 60
	b.layout = hardware.Layout{
		Probes: []hardware.Probe{{Name: "dry bulb a", Role: hardware.RoleDryBulb}, {Name: "dry bulb b", Role: hardware.RoleDryBulb},
			{Name: "wet bulb", Role: hardware.RoleWetBulb}, {Name: "humidity", Role: hardware.RoleHumidity},
			{Name: "leaving air", Role: hardware.RoleLeavingAir}, {Name: "core", Role: hardware.RoleCore}},
		Contacts: every, FanGroups: 2, HeatStages: 2,
	}
	b.layout.Outputs = hardware.OutputSet(1)<<hardware.OutputCount - 1
	for _, o := range []hardware.OutputID{hardware.FanForward3, hardware.FanForward4, hardware.FanReverse3, hardware.FanReverse4, hardware.Heat3} {
		b.layout.Outputs = b.layout.Outputs.With(o, false)
	}
	b.layout.ReadBack = b.layout.Outputs & (hardware.AllFans | hardware.AllHeat | machine | blower | on(hardware.Crankcase) | spray)
	b.layout.FanCurrent = 5.5
	b.layout.Current = heat1 | heat2 | machine | on(hardware.Crankcase) | b.layout.Outputs&hardware.AllFans
	b.start()
	return b
}

// start makes a new process.
func (b *bench) start() {
	var err error
	b.gate, err = safety.NewGate(b.limits, &b.layout, b, &b.clock, b)
	require.NoError(b.t, err)
	b.snap = hardware.Snapshot{}
}

// look reads the kiln.
func (b *bench) look() {
	tick, previous := b.snap.Tick+1, b.out
	b.snap = hardware.Snapshot{Tick: tick, Now: b.clock.Now(), Elapsed: time.Second, Previous: previous}
	for i, v := range []float64{45, 45.4, 40, 0.7, 43, 42} {
		b.snap.Readings[i] = hardware.Reading{Value: v, Quality: hardware.Valid}
	}
	told := b.told.On
	b.snap.Contacts = hardware.Contacts{Active: 1<<hardware.ContactMains | 1<<hardware.ContactWaterSupply, Valid: every}
	for _, c := range []struct {
		id hardware.ContactID
		is bool
	}{{hardware.ContactAirflow, told&hardware.AllFans != 0}, {hardware.ContactBlowerAirflow, told&blower != 0},
		{hardware.ContactVentOpen, told&vent != 0}, {hardware.ContactVentShut, told&vent == 0}} {
		b.snap.Contacts.Active = b.snap.Contacts.Active.With(c.id, c.is)
	}
	b.snap.ReadBack, b.snap.ReadBackValid, b.snap.CurrentValid = told&b.layout.ReadBack, b.layout.ReadBack, b.layout.Current
	for o := range hardware.OutputCount {
		if told.Has(o) && b.layout.Current.Has(o) {
			b.snap.Current[o] = 5
		}
	}
	if b.fault != nil {
		b.fault(b)
	}
}

func (b *bench) tick() {
	b.clock.Advance(time.Second)
	b.look()
	b.gate.Apply(&b.snap, hardware.Outputs{On: b.want, FanSpeed: [hardware.MaxFanGroups]quantity.Ratio{1, 1, 1, 1}}, &b.out)
	b.ticks++
}

func (b *bench) run(seconds int) {
	for range seconds {
		b.tick()
	}
}

// drive brings it to the run in which faults are shown: fans, blower, compressor and heat, no veto, no alarm.
func (b *bench) drive() {
	for _, phase := range []struct {
		want    hardware.OutputSet
		seconds int
	}{{0, 20}, {on(hardware.Sounder), 11}, {0, 600}, {forwards, 5}, {forwards | blower, 5}, {working, 30}} {
		b.want = phase.want
		b.run(phase.seconds)
	}
	require.Equal(b.t, working, b.on())
	require.Zero(b.t, b.out.VetoCount)
	require.Zero(b.t, b.out.AlarmCount)
}

func (b *bench) on() hardware.OutputSet { return b.told.On &^ beat }

func (b *bench) alarm(rule string) (hardware.Alarm, bool) {
	for _, a := range b.out.Alarms[:b.out.AlarmCount] {
		if safety.Name(a.Rule) == rule {
			return a, true
		}
	}
	return hardware.Alarm{}, false
}

func (b *bench) vetoed(rule string) bool {
	for _, v := range b.out.Vetoes[:b.out.VetoCount] {
		if safety.Name(v.Rule) == rule {
			return true
		}
	}
	return false
}

func (b *bench) press() {
	keep := b.fault
	b.fault = func(b *bench) {
		if keep != nil {
			keep(b)
		}
		contact(hardware.ContactPanelReset, true)(b)
	}
	b.run(1)
	b.fault = keep
	b.run(2)
}

// Faults of what is read.

func contact(c hardware.ContactID, active bool) func(*bench) {
	return func(b *bench) { b.snap.Contacts.Active = b.snap.Contacts.Active.With(c, active) }
}

func value(v float64, ids ...hardware.ProbeID) func(*bench) {
	return func(b *bench) {
		for _, id := range ids {
			b.snap.Readings[id].Value = v
		}
	}
}

func lost(q hardware.Quality, ids ...hardware.ProbeID) func(*bench) {
	return func(b *bench) {
		for _, id := range ids {
			b.snap.Readings[id].Quality = q
		}
	}
}

// silent is a bus that gives no new reading.
func silent(b *bench) {
	for i := range b.layout.Probes {
		b.snap.Readings[i].Age = time.Duration(b.ticks) * time.Second
	}
}

// energised is a contactor that is in whatever it is told.
func energised(outputs hardware.OutputSet) func(*bench) {
	return func(b *bench) {
		b.snap.ReadBack |= outputs
		for o := range hardware.OutputCount {
			if outputs.Has(o) {
				b.snap.Current[o] = 5
			}
		}
	}
}

// flowless is a branch without supply: the contactor is in, nothing flows.
func flowless(outputs hardware.OutputSet) func(*bench) {
	return func(b *bench) {
		for o := range hardware.OutputCount {
			if outputs.Has(o) {
				b.snap.Current[o] = 0
			}
		}
	}
}

func together(faults ...func(*bench)) func(*bench) {
	return func(b *bench) {
		for _, f := range faults {
			f(b)
		}
	}
}

func TestBenchIsQuiet(t *testing.T) {
	b := newBench(t)
	b.drive()
	b.run(3600)
	require.Equal(t, working, b.on())
	require.Zero(t, b.out.AlarmCount)
}
