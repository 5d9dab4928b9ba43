package safety

import (
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"drywarden/hardware"
	"drywarden/hardware/mono"
	"drywarden/hardware/quantity"
)

// Probes of the kiln in these tests.
const (
	bulbA hardware.ProbeID = iota
	bulbB
	wetBulb
	humidity
	leaving
	core
	suction
)

const (
	everyContact = hardware.ContactSet(1)<<hardware.ContactCount - 1
	// permitting is the contacts that are active in a healthy kiln at rest.
	permitting = hardware.ContactSet(1)<<hardware.ContactMains | 1<<hardware.ContactWaterSupply
	heat1      = hardware.OutputSet(1) << hardware.Heat1
	heat2      = hardware.OutputSet(1) << hardware.Heat2
	forward1   = hardware.OutputSet(1) << hardware.FanForward1
	forward2   = hardware.OutputSet(1) << hardware.FanForward2
	reverse1   = hardware.OutputSet(1) << hardware.FanReverse1
	reverse2   = hardware.OutputSet(1) << hardware.FanReverse2
	forwards   = forward1 | forward2
	allMoves   = moving | ventOut
)

func testLayout() hardware.Layout {
	l := hardware.Layout{
		Probes: []hardware.Probe{{Name: "a", Role: hardware.RoleDryBulb}, {Name: "b", Role: hardware.RoleDryBulb},
			{Name: "wb", Role: hardware.RoleWetBulb}, {Name: "rh", Role: hardware.RoleHumidity},
			{Name: "out", Role: hardware.RoleLeavingAir}, {Name: "core", Role: hardware.RoleCore}, {Name: "suction", Role: hardware.RoleSuction}},
		Contacts: everyContact, FanGroups: 2, HeatStages: 2,
	}
	l.Outputs = hardware.OutputSet(1)<<hardware.OutputCount - 1
	for _, o := range []hardware.OutputID{hardware.FanForward3, hardware.FanForward4, hardware.FanReverse3, hardware.FanReverse4, hardware.Heat3} {
		l.Outputs = l.Outputs.With(o, false)
	}
	l.ReadBack = l.Outputs & (hardware.AllFans | hardware.AllHeat | compressorOut | blowerOut | crankcaseOut | sprayOut)
	l.Current = heat1 | heat2 | compressorOut
	return l
}

func testLimits() Limits {
	l := DefaultLimits()
	l.CompressorAmbientMax = 60
	return l
}

func healthy() hardware.Snapshot {
	var s hardware.Snapshot
	for i, v := range []float64{45, 45.4, 40, 0.7, 43, 42, 5} {
		s.Readings[i] = hardware.Reading{Value: v, Quality: hardware.Valid}
	}
	s.Contacts = hardware.Contacts{Active: permitting, Valid: everyContact}
	return s
}

// rig is a kiln without physics: feedback follows the outputs, airflow follows the fans, unless a test says otherwise.
type rig struct {
	t      require.TestingT
	layout hardware.Layout
	plant  *Plant
	state  State
	in     Input
	snap   hardware.Snapshot
	out    hardware.Applied
	want   hardware.OutputSet
	stale  time.Duration  // lag of the snapshot
	speed  quantity.Ratio // of the fans, 0: 0.8
	breaks func(*rig)     // spoils the snapshot after it was made healthy
}

func newRig(t require.TestingT) *rig {
	r := &rig{t: t, layout: testLayout()}
	var err error
	limits := testLimits()
	r.plant, err = Compile(limits, &r.layout)
	require.NoError(t, err)
	r.state = NewState(&limits)
	r.in.Snapshot = &r.snap
	return r
}

func (r *rig) look() {
	r.snap = healthy()
	on := r.state.Out.On
	airy := func(c hardware.ContactID, set hardware.OutputSet) {
		r.snap.Contacts.Active = r.snap.Contacts.Active.With(c, on&set != 0)
	}
	airy(hardware.ContactAirflow, hardware.AllFans)
	airy(hardware.ContactBlowerAirflow, blowerOut)
	airy(hardware.ContactVentOpen, ventOut)
	r.snap.Contacts.Active = r.snap.Contacts.Active.With(hardware.ContactVentShut, on&ventOut == 0)
	r.snap.ReadBack, r.snap.ReadBackValid = on, r.layout.ReadBack
	r.snap.CurrentValid = r.layout.Current
	for o := range hardware.OutputCount {
		if on.Has(o) && r.layout.Current.Has(o) {
			r.snap.Current[o] = 8
		}
	}
	if r.breaks != nil {
		r.breaks(r)
	}
}

// tick judges one tick of the given length.
func (r *rig) tick(elapsed time.Duration) {
	r.look()
	r.judge(elapsed)
}

func (r *rig) judge(elapsed time.Duration) {
	v := r.speed
	if v == 0 {
		v = 0.8
	}
	r.in.Requested = hardware.Outputs{On: r.want, FanSpeed: [hardware.MaxFanGroups]quantity.Ratio{v, v, v, v}}
	r.in.Elapsed, r.in.Lag = elapsed, r.stale
	r.in.Cleared = r.state.Clearing
	Step(r.plant, &r.state, &r.in, &r.out)
}

func (r *rig) run(seconds int) {
	for range seconds {
		r.tick(time.Second)
	}
}

// on gives what is applied, heartbeat left out.
func (r *rig) on() hardware.OutputSet { return r.out.On &^ heartbeatOut }

// settleIn brings the rig past the start delay and the warning, and lets everything rest.
func (r *rig) settleIn() {
	r.run(20)
	r.want = sounderOut
	r.run(11)
	r.want = 0
	r.run(600)
	require.Zero(r.t, r.out.VetoCount)
	require.Zero(r.t, r.out.AlarmCount)
}

// drying brings it to fans, heat, blower and compressor on, without a veto.
func (r *rig) drying() {
	r.settleIn()
	r.want = forwards
	r.run(5)
	r.want |= blowerOut
	r.run(5)
	r.want |= compressorOut | heat1
	r.run(20)
	require.Equal(r.t, r.want, r.on())
	require.Zero(r.t, r.out.VetoCount)
	require.Zero(r.t, r.out.AlarmCount)
}

func (r *rig) veto(o hardware.OutputID) (hardware.Veto, bool) {
	for _, v := range r.out.Vetoes[:r.out.VetoCount] {
		if v.Output == o {
			return v, true
		}
	}
	return hardware.Veto{}, false
}

func (r *rig) vetoedBy(o hardware.OutputID) string {
	v, ok := r.veto(o)
	if !ok {
		return ""
	}
	return Name(v.Rule)
}

func (r *rig) alarm(id hardware.RuleID) (hardware.Alarm, bool) {
	for _, a := range r.out.Alarms[:r.out.AlarmCount] {
		if a.Rule == id {
			return a, true
		}
	}
	return hardware.Alarm{}, false
}

func (r *rig) pressPanel() {
	keep := r.breaks
	r.breaks = func(r *rig) {
		if keep != nil {
			keep(r)
		}
		r.snap.Contacts.Active = r.snap.Contacts.Active.With(hardware.ContactPanelReset, true)
	}
	r.run(1)
	r.breaks = keep
	r.run(1)
}

func active(c hardware.ContactID) func(*rig) {
	return func(r *rig) { r.snap.Contacts.Active = r.snap.Contacts.Active.With(c, true) }
}

func inactive(c hardware.ContactID) func(*rig) {
	return func(r *rig) { r.snap.Contacts.Active = r.snap.Contacts.Active.With(c, false) }
}

func unreadable(c hardware.ContactID) func(*rig) {
	return func(r *rig) { r.snap.Contacts.Valid = r.snap.Contacts.Valid.With(c, false) }
}

// board notes what it is told.
type board struct {
	mu     sync.Mutex
	out    hardware.Outputs
	writes int
	err    error
	panics bool
	told   chan struct{} // gets a word for each write, if not nil
}

func (b *board) Apply(_ mono.Instant, out hardware.Outputs) error {
	if b.panics {
		panic("board gone")
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	b.writes++
	if b.err == nil {
		b.out = out
	}
	if b.told != nil {
		b.told <- struct{}{}
	}
	return b.err
}

// now gives what it was told last, to a test that runs beside Watch.
func (b *board) now() hardware.Outputs {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.out
}

// memory is a trip store.
type memory struct {
	names []string
	saves int
	load  error
	save  error
	hook  func()
}

func (m *memory) LoadTrips() ([]string, error) { return m.names, m.load }

func (m *memory) SaveTrips(names []string) error {
	if m.hook != nil {
		m.hook()
	}
	m.saves++
	if m.save == nil {
		m.names = names
	}
	return m.save
}

// gated is a gate on a manual clock.
type gated struct {
	*rig
	clock mono.Manual
	board board
	store memory
	gate  *Gate
}

func newGated(t *testing.T, names ...string) *gated {
	g := &gated{rig: newRig(t), store: memory{names: names}}
	g.open()
	return g
}

func (g *gated) open() {
	var err error
	g.gate, err = NewGate(testLimits(), &g.layout, &g.board, &g.clock, &g.store)
	require.NoError(g.t, err)
	g.rig.state = g.gate.State()
}

func (g *gated) run(seconds int) {
	for range seconds {
		g.clock.Advance(time.Second)
		g.look()
		g.snap.Now = g.clock.Now() - mono.Instant(g.stale)
		g.gate.Apply(&g.snap, hardware.Outputs{On: g.want, FanSpeed: [hardware.MaxFanGroups]quantity.Ratio{1, 1, 1, 1}}, &g.out)
		g.rig.state = g.gate.State()
	}
}

func (g *gated) drying() {
	for _, phase := range []struct {
		want    hardware.OutputSet
		seconds int
	}{{0, 20}, {sounderOut, 11}, {0, 600}, {forwards, 5}, {forwards | blowerOut, 5}, {forwards | blowerOut | compressorOut | heat1, 5}} {
		g.want = phase.want
		g.run(phase.seconds)
	}
	require.Equal(g.t, g.want, g.on())
}

func (g *gated) press() {
	g.breaks = active(hardware.ContactPanelReset)
	g.run(1)
	g.breaks = nil
	g.run(1)
}
