package loop

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"

	"drywarden/controller"
	"drywarden/controller/operator"
	"drywarden/controller/store"
	"drywarden/controller/store/storetest"
	"drywarden/hardware"
	"drywarden/hardware/mono"
	"drywarden/hardware/quantity"
	"drywarden/hardware/trace"
	"drywarden/safety"
	"drywarden/schedule"
)

func quantityOf(c float64) quantity.Celsius { return quantity.Celsius(c) }

// testPlan is a charge of one lot with two sample boards.
func testPlan() *schedule.Plan {
	ramps := func(s schedule.Stage) schedule.Stage {
		s.RampDryBulb, s.RampEMCDown, s.RampEMCUp = 5, 1, 2
		return s
	}
	return &schedule.Plan{
		ID: 1, Charge: "yard-1", Hash: "h", Equalizing: schedule.DefaultEqualizing(),
		Lots: []schedule.Lot{{Name: "Hollow Creek", Species: "poplar", Group: schedule.Easy, Thickness: 0.027, Volume: 2, Start: 60, Target: 8,
			Tolerance: 1, OvenDry: 900, RateLimit: 13.8, GreenMaxDryBulb: 60, MaxDryBulb: 80}},
		Samples: []schedule.SampleBoard{{Name: "A1", Lot: 0, Start: 3.2, OvenDry: 2}, {Name: "A2", Lot: 0, Start: 3.4, OvenDry: 2}},
		Schedule: schedule.Schedule{Name: "test", Stages: []schedule.Stage{
			ramps(schedule.Stage{Name: "warm up", Kind: schedule.Preheat, DryBulb: 40, EMC: 16, For: 6 * time.Hour}),
			ramps(schedule.Stage{Name: "dry 1", Kind: schedule.Dry, DryBulb: 45, EMC: 10, UntilMC: 12}),
			ramps(schedule.Stage{Name: "heat", Kind: schedule.Heat, DryBulb: 62, EMC: 8, Core: 56, CoreMargin: 1, Exposure: 30 * time.Minute, Unbroken: true, MinCores: 1}),
		}},
	}
}

// room is a kiln whose air stays as it is told: the loop's own tests need no physics.
type room struct {
	celsius, outdoor float64
	contacts         hardware.ContactSet
	fails            error
	panics           bool
	written          []hardware.Outputs
	writes           int
}

var roomLayout = hardware.Layout{
	Probes: []hardware.Probe{
		{Name: "db-1", Role: hardware.RoleDryBulb, Lot: hardware.NoLot, Calibrated: time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC)},
		{Name: "db-2", Role: hardware.RoleDryBulb, Lot: hardware.NoLot},
		{Name: "rh-1", Role: hardware.RoleHumidity, Lot: hardware.NoLot},
		{Name: "out-1", Role: hardware.RoleOutdoorTemperature, Lot: hardware.NoLot},
		{Name: "core-1", Role: hardware.RoleCore, Lot: 0},
	},
	Contacts: 1<<hardware.ContactAirflow | 1<<hardware.ContactEStop | 1<<hardware.ContactDoor | 1<<hardware.ContactHighLimit | 1<<hardware.ContactPanelReset,
	Outputs: 1<<hardware.FanForward1 | 1<<hardware.FanReverse1 | 1<<hardware.Heat1 | 1<<hardware.Vent | 1<<hardware.Sounder | 1<<hardware.Beacon |
		1<<hardware.AlarmLamp | 1<<hardware.Heartbeat,
	FanGroups: 1, HeatStages: 1,
}

func (r *room) Read(_ mono.Instant, to *hardware.Snapshot) error {
	if r.panics {
		panic("a driver broke")
	}
	if r.fails != nil {
		return r.fails
	}
	for i, v := range []float64{r.celsius, r.celsius + 0.1, 0.7, r.outdoor, r.celsius - 2} {
		to.Readings[i] = hardware.Reading{Value: v, Quality: hardware.Valid}
	}
	to.Contacts = hardware.Contacts{Active: r.contacts, Valid: roomLayout.Contacts}
	return nil
}

func (r *room) Apply(_ mono.Instant, o hardware.Outputs) error {
	r.writes++
	r.written = append(r.written[:0], o)
	if o.On&hardware.AllFans != 0 {
		r.contacts = r.contacts.With(hardware.ContactAirflow, true)
	} else {
		r.contacts = r.contacts.With(hardware.ContactAirflow, false)
	}
	return nil
}

// handSaver makes durable when the test says so.
type handSaver struct {
	MemorySaver
	hold    bool
	durable uint64
	failure error
}

func (s *handSaver) Durable() uint64 {
	if !s.hold {
		s.durable = s.MemorySaver.Durable()
	}
	return s.durable
}
func (s *handSaver) Failure() error { return s.failure }

type memoryTrips struct{ names []string }

func (m *memoryTrips) LoadTrips() ([]string, error)   { return m.names, nil }
func (m *memoryTrips) SaveTrips(names []string) error { m.names = names; return nil }

type records struct {
	headers []trace.Header
	last    trace.Record
	events  []trace.Event
}

func (r *records) Header(h *trace.Header) { r.headers = append(r.headers, *h) }
func (r *records) Record(rec *trace.Record) {
	r.last = *rec
	r.events = append(r.events, rec.Events[:rec.EventCount]...)
}

type rig struct {
	t     testing.TB
	room  *room
	saver *handSaver
	seen  *records
	trips *memoryTrips
	pace  *mono.Paced
	log   *bytes.Buffer
	deps  Deps
	*Loop
}

func newRig(t testing.TB, change func(*Deps)) *rig {
	r := &rig{t: t, room: &room{celsius: 30, outdoor: 10}, saver: &handSaver{}, seen: &records{}, trips: &memoryTrips{}, log: &bytes.Buffer{}}
	r.boot(nil, change)
	return r
}

// boot starts gate and loop as a process does.
func (r *rig) boot(restored *Image, change func(*Deps)) {
	cfg := controller.DefaultConfig()
	cfg.Layout, cfg.Pressure, cfg.Volume, cfg.DryBulbMax, cfg.EMCMin = roomLayout, 101325, 30, 65, 4
	cfg.Demand.HeatStages, cfg.Demand.Vent, cfg.Demand.Compressor = 1, true, false
	r.pace = mono.NewPaced(time.Second, 0)
	r.deps = Deps{
		Config: cfg, Inputs: r.room, Saver: r.saver, Pacer: r.pace, Recorder: r.seen,
		Header: trace.Header{Program: "test", Kiln: "north", KilnHash: "kiln"}, Rules: safety.Rules(), Units: "si", PublishEvery: 1, Restored: restored,
		Log: slog.New(slog.NewTextHandler(r.log, nil)),
	}
	if change != nil {
		change(&r.deps)
	}
	gate, err := safety.NewGate(safety.DefaultLimits(), &cfg.Layout, r.room, r.deps.Pacer, r.trips)
	require.NoError(r.t, err)
	r.deps.Gate = gate
	r.Loop, err = New(r.deps)
	require.NoError(r.t, err)
}

func (r *rig) ticks(n int) *controller.Status {
	for range n {
		require.NoError(r.t, r.Tick(r.t.Context()))
	}
	return r.Status()
}

// reply waits a few ticks for one.
func (r *rig) reply(c <-chan controller.Reply) controller.Reply {
	for range 5 {
		select {
		case reply := <-c:
			return reply
		default:
			r.ticks(1)
		}
	}
	require.Fail(r.t, "no reply")
	return controller.Reply{}
}

func (r *rig) started() *rig {
	r.ticks(40)
	require.Equal(r.t, controller.Accepted, r.reply(r.Start(testPlan())).Refusal)
	return r
}

func TestNewSaysAllThatIsMissing(t *testing.T) {
	_, err := New(Deps{})
	for _, what := range []string{"inputs", "a gate", "a saver", "a pacer", "a tick longer than 0", "the pressure"} {
		require.ErrorContains(t, err, what)
	}
}

func TestChargeIsStartedAndShown(t *testing.T) {
	r := newRig(t, nil)
	require.Nil(t, r.Status(), "nothing is shown before the first tick")
	s := r.ticks(1)
	require.Nil(t, s.Charge)
	require.Equal(t, "start", s.Mode)
	require.Equal(t, "no charge, start", s.Headline)
	require.Len(t, r.seen.headers, 1)
	require.Nil(t, r.seen.headers[0].Run)
	r.started()
	s = r.ticks(60)
	require.Equal(t, "yard-1", s.Charge.Name)
	require.EqualValues(t, 1, s.Charge.Run)
	require.Equal(t, "charge yard-1, stage 1 of 3 (preheat), work", s.Headline)
	require.Len(t, s.Charge.Lots, 1)
	require.Len(t, s.Charge.Samples, 2)
	require.InDelta(t, 13.8, *s.Charge.Lots[0].RateLimit, 1e-9)
	require.Equal(t, "running", s.Charge.Phase)
	require.Contains(t, s.Charge.Why, "stage 1 not over")
	require.Len(t, r.seen.headers, 2, "a start writes a new header")
	require.Equal(t, "yard-1", r.seen.headers[1].Run.Charge)
	require.EqualValues(t, 1, r.seen.last.RunID)
	require.Len(t, s.Outputs, 8)
	for _, o := range s.Outputs {
		require.Contains(t, o.Why, ": ", "each output says why it is as it is: %s", o.Name)
		require.NotContains(t, o.Why, "reason ")
	}
	require.Equal(t, []string{"30 celsius valid", "30.1 celsius valid", "0.7 ratio valid", "10 celsius valid", "28 celsius valid"}, probeWords(s))
	require.Equal(t, "2026-03-01", s.Probes[0].Date)
	fans := s.Outputs[0]
	require.True(t, fans.Applied, "fans run: %s", fans.Why)
	require.Contains(t, s.Outputs[1].Why, "fan reverse 1 off: the fans blow the other way")
	require.EqualValues(t, 1, s.Counts.Outputs[0].Starts)
	require.Contains(t, r.log.String(), `msg="run started"`)

	// A second start is refused, and does not touch the plan of the run.
	other := testPlan()
	other.Charge = "yard-2"
	require.Equal(t, controller.RefusedRunning, r.reply(r.Start(other)).Refusal)
	require.Equal(t, "yard-1", r.ticks(1).Charge.Name)

	require.Equal(t, controller.Accepted, r.reply(r.Submit(controller.Command{Verb: controller.VerbEnd, Run: 1})).Refusal)
	s = r.ticks(2)
	require.Nil(t, s.Charge)
	require.Nil(t, r.seen.headers[len(r.seen.headers)-1].Run)
	require.Equal(t, controller.Accepted, r.reply(r.Start(other)).Refusal)
	require.EqualValues(t, 2, r.ticks(1).Charge.Run, "a run's id is never given again")
}

func probeWords(s *controller.Status) []string {
	var words []string
	for _, p := range s.Probes {
		words = append(words, fmt.Sprint(*p.Value, " ", p.Unit, " ", p.Quality))
	}
	return words
}

// TestNothingIsAnsweredBeforeItIsDurable holds the disk and looks.
func TestNothingIsAnsweredBeforeItIsDurable(t *testing.T) {
	r := newRig(t, nil).started()
	r.ticks(10)
	r.saver.hold = true
	reply := r.Submit(controller.Command{Verb: controller.VerbHold, Run: 1})
	second := r.Submit(controller.Command{Verb: controller.VerbResume, Run: 1})
	s := r.ticks(20)
	require.Empty(t, reply)
	require.Equal(t, "hold", s.Pending.Verb)
	require.Greater(t, s.Storage.Generation, s.Storage.Durable)
	require.Empty(t, s.Charge.Holds, "the old stage goes on until the hold is safe")
	r.saver.hold = false
	s = r.ticks(1)
	require.Len(t, reply, 1)
	require.Equal(t, controller.Accepted, (<-reply).Refusal)
	require.Equal(t, []string{"operator"}, s.Charge.Holds, "who gets the answer sees the effect")
	require.Equal(t, "hold", s.Mode)
	require.Equal(t, controller.Accepted, r.reply(second).Refusal, "a second order waits its turn and is not refused")
	require.Empty(t, r.ticks(1).Charge.Holds)
}

func TestFullQueueRefuses(t *testing.T) {
	r := newRig(t, nil)
	r.ticks(1)
	commands := make([]controller.Command, queueLength+3)
	for i := range commands {
		commands[i].Verb = controller.VerbConfirm
	}
	replies := r.Submit(commands...)
	require.Len(t, replies, 3, "three did not fit")
	for range 3 {
		require.Equal(t, controller.RefusedBusy, (<-replies).Refusal)
	}
	r.ticks(queueLength)
	require.Len(t, replies, queueLength, "the others were answered, one a tick")
	require.Equal(t, controller.RefusedNothing, (<-replies).Refusal)
}

// TestPowerCutsWhileOrdering cuts at every tick around a start and a hold: what was answered is never lost.
func TestPowerCutsWhileOrdering(t *testing.T) {
	for cut := range 12 {
		r := newRig(t, nil)
		r.ticks(40)
		start := r.Start(testPlan())
		var hold <-chan controller.Reply
		for range cut {
			r.ticks(1)
			if hold == nil && len(start) > 0 {
				hold = r.Submit(controller.Command{Verb: controller.VerbHold, Run: 1})
			}
		}
		started, held := len(start) > 0, len(hold) > 0
		r.boot(r.saver.Cut(), nil)
		s := r.ticks(5)
		require.Empty(t, s.Outage.Problem)
		require.True(t, s.Outage.Restored)
		require.EqualValues(t, 2, s.Boot)
		if started {
			require.NotNil(t, s.Charge, "cut after %d ticks: the start was answered", cut)
			require.Equal(t, "yard-1", s.Charge.Name)
		}
		if held {
			require.Contains(t, s.Charge.Holds, "operator", "cut after %d ticks: the hold was answered", cut)
		}
		if cut == 11 {
			require.True(t, started && held, "the campaign must reach past both answers")
		}
	}
}

func TestTripIsShownAndItsResetAnsweredWhenItIsGone(t *testing.T) {
	r := newRig(t, nil).started()
	r.ticks(60)
	r.room.contacts = r.room.contacts.With(hardware.ContactEStop, true)
	s := r.ticks(1)
	require.Equal(t, "off", s.Forced)
	require.Len(t, s.Trips, 1)
	trip := s.Trips[0]
	require.Equal(t, "emergency_stop", trip.Rule)
	require.True(t, trip.Active)
	require.Contains(t, trip.HowToClear, "at the panel")
	require.Zero(t, r.room.written[0].On&^(1<<hardware.Heartbeat|1<<hardware.Sounder|1<<hardware.AlarmLamp|1<<hardware.Beacon))
	require.Contains(t, strings.Join(s.Waits, "\n"), "trip emergency_stop")

	reset := func() (controller.Answer, bool) {
		answers := make(chan controller.Answer, 1)
		r.put(ask{order: controller.Order{Command: controller.Command{Verb: controller.VerbReset, Rule: safety.EmergencyStop}, Reason: "looked"},
			answer: func(a controller.Answer) { answers <- a }})
		r.ticks(3)
		if len(answers) == 0 {
			return controller.Answer{}, false
		}
		return <-answers, true
	}
	a, ok := reset()
	require.True(t, ok)
	require.NotEqual(t, controller.Accepted, a.Reply.Refusal)
	require.Contains(t, a.Text, "cause is still there")

	r.room.contacts = r.room.contacts.With(hardware.ContactEStop, false)
	r.ticks(2)
	ack := r.Submit(controller.Command{Verb: controller.VerbAck, Rule: safety.EmergencyStop})
	require.Equal(t, controller.Accepted, r.reply(ack).Refusal)
	a, ok = reset()
	require.True(t, ok)
	require.Equal(t, controller.RefusedPanel, a.Reply.Refusal, "no command alone clears it")

	r.room.contacts = r.room.contacts.With(hardware.ContactPanelReset, true)
	r.ticks(2)
	r.room.contacts = r.room.contacts.With(hardware.ContactPanelReset, false)
	r.ticks(5)
	s = r.Status()
	require.Empty(t, s.Trips, "a press at the panel clears it")
	found := false
	for _, e := range r.seen.events {
		found = found || e.Kind == uint8(controller.EventTripReset) && e.A == int32(safety.EmergencyStop) && e.B == float64(hardware.AtPanel)
	}
	require.True(t, found, "the record tells of the reset")
	require.Contains(t, r.log.String(), "msg=tripped component=loop rule=emergency_stop")
	require.Contains(t, r.log.String(), `msg="trip reset" component=loop rule=emergency_stop by=panel`)
	require.Equal(t, controller.RefusedNothing, r.reply(r.Submit(controller.Command{Verb: controller.VerbReset, Rule: 60})).Refusal)
}

func TestLostInputsAreNotTakenForOldOnes(t *testing.T) {
	r := newRig(t, nil).started()
	r.ticks(60)
	r.room.fails = errors.New("bus is gone")
	s := r.ticks(1)
	for _, p := range s.Probes {
		require.Nil(t, p.Value)
		require.Equal(t, "absent", p.Quality)
	}
	require.Equal(t, "inputs", alarmNamed(s, "inputs"))
	s = r.ticks(20)
	require.NotEqual(t, "none", s.Forced, "the gate sees it too")
	require.Equal(t, 1, strings.Count(r.log.String(), "inputs cannot be read"), "said once, not each tick")
	r.room.fails = nil
	require.Empty(t, alarmNamed(r.ticks(1), "inputs"))
}

func alarmNamed(s *controller.Status, rule string) string {
	for _, a := range s.Alarms {
		if a.Rule == rule {
			return a.Rule
		}
	}
	return ""
}

func TestSlowTicksAreCounted(t *testing.T) {
	r := newRig(t, nil)
	r.ticks(5)
	r.pace.Advance(3 * time.Second)
	s := r.ticks(1)
	require.EqualValues(t, 1, s.Counts.Slow)
	require.Equal(t, "slow_tick", alarmNamed(s, "slow_tick"))
	require.EqualValues(t, 1, r.ticks(3).Counts.Slow)
	require.Equal(t, "slow_tick", alarmNamed(r.ticks(50), "slow_tick"), "it is shown for a minute")
	require.Empty(t, alarmNamed(r.ticks(20), "slow_tick"))
	r.pace.Advance(600 * time.Millisecond)
	require.EqualValues(t, 2, r.ticks(1).Counts.Slow, "1.6 s are slow")
	r.pace.Advance(400 * time.Millisecond)
	require.EqualValues(t, 2, r.ticks(1).Counts.Slow, "1.4 s are not")
}

// A wall clock that jumps changes nothing but the trust in it.
func TestWallClockJumps(t *testing.T) {
	for _, jump := range []int64{-40 * 365 * 86400, -90, -4, 4, 3600, 10 * 365 * 86400, 1 << 60, -1 << 60} {
		at := time.Now()
		shift := int64(0)
		wall := func() hardware.WallTime {
			return hardware.WallTime{Unix: 1_790_000_000 + int64(time.Since(at)/time.Second) + shift, Trusted: true}
		}
		r := newRig(t, func(d *Deps) { d.Wall = wall })
		still := newRig(t, nil)
		s := r.ticks(200)
		still.ticks(200)
		require.True(t, s.ClockTrusted)
		require.Empty(t, alarmNamed(s, "wall_clock_suspect"))
		shift = jump
		s = r.ticks(1)
		require.False(t, s.ClockTrusted, "jump of %d s", jump)
		require.Equal(t, "wall_clock_suspect", alarmNamed(s, "wall_clock_suspect"))
		still.ticks(1)
		require.Equal(t, still.Loop.image.State, r.Loop.image.State, "nothing is controlled by it")
		s = r.ticks(3601)
		require.True(t, s.ClockTrusted)
		require.Empty(t, alarmNamed(s, "wall_clock_suspect"))
		still.ticks(3601)
		require.Equal(t, still.Loop.image.State, r.Loop.image.State)
	}
}

// The trace's header says how long the kiln was without control where a clock has measured it, and nothing where it was
// estimated from cooling.
func TestHeaderTellsTheMeasuredOutage(t *testing.T) {
	now := store.Stamp{BootID: "one", BootTime: time.Hour, WallUnix: 1_790_000_000, WallTrusted: true}
	stamped := func(d *Deps) { d.Stamp = func() store.Stamp { return now } }
	for _, c := range []struct {
		name  string
		after store.Stamp
		want  time.Duration // <0: not known
	}{
		{"one boot of the computer", store.Stamp{BootID: "one", BootTime: 3 * time.Hour}, 2 * time.Hour},
		{"another, wall clock trusted", store.Stamp{BootID: "two", WallUnix: 1_790_007_200, WallTrusted: true}, 2 * time.Hour},
		{"another, no clock", store.Stamp{BootID: "two"}, -1},
	} {
		now = store.Stamp{BootID: "one", BootTime: time.Hour, WallUnix: 1_790_000_000, WallTrusted: true}
		r := newRig(t, stamped)
		r.room.celsius = 50
		r.ticks(2)
		require.False(t, r.seen.headers[0].OutageKnown, "a first start")
		now, r.room.celsius = c.after, 30
		r.seen.headers = nil
		r.boot(r.saver.Cut(), stamped)
		s := r.ticks(2)
		require.NotNil(t, s.Outage.Seconds, "cooled at least: %s", c.name)
		require.Len(t, r.seen.headers, 1)
		h := r.seen.headers[0]
		require.Equal(t, c.want >= 0, h.OutageKnown, c.name)
		require.EqualValues(t, max(c.want, 0), h.OutageNS, c.name)
	}
}

func TestDamagedMemory(t *testing.T) {
	r := newRig(t, func(d *Deps) { d.PublishEvery = 1 })
	want := r.Loop.deps.Config
	r.ticks(61)
	r.Loop.deps.Config.Demand.HeatAbove = 7
	r.Loop.deps.Config.Layout.Probes[0].Offset = 3
	s := r.ticks(60)
	require.Equal(t, want.Demand, r.Loop.deps.Config.Demand, "the second copy is taken")
	require.Zero(t, r.Loop.deps.Config.Layout.Probes[0].Offset)
	require.Equal(t, "configuration_damaged", alarmNamed(s, "configuration_damaged"))
	r.Loop.watch.spare.DryBulbMax++
	r.Loop.deps.Config.Demand.HeatAbove = 7
	r.Loop.watch.unlooked = time.Hour
	require.ErrorContains(t, r.Loop.Tick(t.Context()), "both copies are damaged")
}

func BenchmarkChecksum(b *testing.B) {
	r := newRig(b, nil)
	b.ReportAllocs()
	for b.Loop() {
		sumOf(&r.Loop.deps.Config)
	}
}

var _ operator.Kiln = (*Loop)(nil)

// TestHangingDiskIsShown: a disk that neither takes nor refuses is found out by the clock.
func TestHangingDiskIsShown(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t, nil)
		r.ticks(5)
		r.saver.hold = true
		r.Submit(controller.Command{Verb: controller.VerbHold})
		r.Start(testPlan())
		s := r.ticks(40)
		require.Empty(t, s.Storage.Failure)
		time.Sleep(patience + time.Second)
		s = r.ticks(1)
		require.Contains(t, s.Storage.Failure, "the disk has not taken generation")
		require.Equal(t, "storage", alarmNamed(s, "storage"))
		r.saver.hold = false
		s = r.ticks(2)
		require.Empty(t, s.Storage.Failure)
	})
}

func TestFailingDiskIsShown(t *testing.T) {
	r := newRig(t, nil)
	r.saver.failure = errors.New("no space left")
	s := r.ticks(1)
	require.Equal(t, "no space left", s.Storage.Failure)
	require.Equal(t, "storage", alarmNamed(s, "storage"))
}

// TestRestartFromTheDisk takes the way of a daemon: files, kept copies, slots, a new process.
func TestRestartFromTheDisk(t *testing.T) {
	disk := storetest.NewDisk(rand.New(rand.NewPCG(1, 1)).IntN)
	now := store.Stamp{BootID: "one", BootTime: time.Hour}
	prepared := 0
	var refused error
	daemon := func(d *Deps) {
		d.Copies, d.KilnFile = KeepIn(disk), controller.File{Name: "kiln.toml", Text: "kiln"}
		d.Stamp = func() store.Stamp { return now }
		d.Prepare = func(files controller.ChargeFiles) (*schedule.Plan, error) {
			prepared++
			if refused != nil {
				return nil, refused
			}
			p := testPlan()
			p.Charge, p.Hash = files.Charge.Text, ""
			return p, nil
		}
	}
	r := newRig(t, daemon)
	r.ticks(40)
	ctx, cancel := context.WithCancel(t.Context())
	ticking := make(chan struct{})
	go func() { // Tick is for one goroutine, and StartCharge waits
		defer close(ticking)
		for ctx.Err() == nil {
			_ = r.Tick(ctx)
		}
	}()
	files := controller.ChargeFiles{Charge: controller.File{Name: "c.toml", Text: "yard-7"}, Schedules: []controller.File{{Name: "s.toml", Text: "x"}}}
	refused = errors.New("two faults")
	_, err := r.StartCharge(t.Context(), controller.Order{}, files)
	require.ErrorIs(t, err, refused)
	refused = nil
	expired := errors.New("the calibration has run out")
	r.Loop.deps.Admit = func(*schedule.Plan) error { return expired }
	_, err = r.StartCharge(t.Context(), controller.Order{}, files)
	require.ErrorIs(t, err, expired)
	r.Loop.deps.Admit = nil
	a, err := r.StartCharge(t.Context(), controller.Order{Reason: "new load", Who: controller.Person{Name: "sam", UID: 1000}}, files)
	require.NoError(t, err)
	require.Equal(t, controller.Accepted, a.Reply.Refusal)
	require.Equal(t, "done", a.Text)
	cancel()
	<-ticking
	r.ticks(2) // the save that went with the answer becomes durable
	require.Contains(t, r.log.String(), `verb=start`)
	require.Contains(t, r.log.String(), `reason="new load" who=sam uid=1000`)

	image := r.saver.Cut()
	data, err := image.Encode()
	require.NoError(t, err)
	restart := func(change func(*Deps)) *controller.Status {
		restored, err := DecodeImage(data)
		require.NoError(t, err)
		require.Nil(t, restored.Run.Plan)
		kiln, err := store.Kept(disk, restored.Run.Kiln.Hash)
		require.NoError(t, err)
		require.Equal(t, "kiln", string(kiln), "the kiln file is kept as run")
		r.boot(restored, func(d *Deps) {
			daemon(d)
			if change != nil {
				change(d)
			}
		})
		return r.ticks(1)
	}
	now.BootTime += 90 * time.Minute
	s := restart(func(d *Deps) { d.Admit = func(*schedule.Plan) error { return expired } })
	require.True(t, s.Outage.Restored, "a run is not lost to the calendar")
	require.InDelta(t, 5400, *s.Outage.Seconds, 1)
	require.Equal(t, "hours", s.Outage.Class)
	require.Equal(t, "yard-7", s.Charge.Name, "the plan is made again from the kept copies")
	require.EqualValues(t, 1, s.Charge.Run)

	s = restart(func(d *Deps) { d.Header.KilnHash = "another" })
	require.True(t, s.Outage.Changed)
	require.True(t, s.Outage.Confirm, "changed files wait for a person's word")
	require.Contains(t, s.Charge.Holds, "files")

	now.BootID = "two"
	r.room.celsius = 31 // warmer than at the save: cooling tells nothing
	s = restart(nil)
	require.Nil(t, s.Outage.Seconds, "across boots and without wall time it is not known")
	require.Equal(t, "long", s.Outage.Class)
	require.True(t, s.Outage.Confirm)
	r.room.celsius = 18
	s = restart(nil)
	require.InDelta(t, coolingTime.Hours()*0.916, *s.Outage.Seconds/3600, 0.2, "from 30 C to 18 C in 10 C: ln(20/8) time constants")

	for _, c := range []struct {
		name, want string
		change     func(*Deps)
	}{
		{"copy gone", "there is none", func(d *Deps) { d.Copies = KeepIn(storetest.NewDisk(func(int) int { return 0 })) }},
		{"no longer loads", "two faults", func(d *Deps) {
			d.Prepare = func(controller.ChargeFiles) (*schedule.Plan, error) { return nil, errors.New("two faults") }
		}},
		{"shorter now", "has no stage", func(d *Deps) {
			d.Prepare = func(controller.ChargeFiles) (*schedule.Plan, error) {
				p := testPlan()
				p.Schedule.Stages = nil
				return p, nil
			}
		}},
	} {
		s := restart(c.change)
		require.False(t, s.Outage.Restored, c.name)
		require.Contains(t, s.Outage.Problem, c.want, c.name)
		require.True(t, s.Outage.Confirm, c.name)
		require.Nil(t, s.Charge, c.name)
		require.EqualValues(t, 2, s.Boot, c.name)
		require.GreaterOrEqual(t, s.Storage.Generation, image.State.Generation, "%s: a generation is never given again", c.name)
	}
}

func TestUnreadableStateWaitsForAPerson(t *testing.T) {
	r := newRig(t, func(d *Deps) { d.Problem = errors.New("load state: no slot can be used") })
	s := r.ticks(1)
	require.False(t, s.Outage.Restored)
	require.True(t, s.Outage.Confirm)
	require.Contains(t, s.Outage.Problem, "no slot can be used")
	require.Equal(t, []string{"outage"}, s.ToConfirm)
	require.Contains(t, strings.Join(s.Waits, "\n"), "then: drywarden charge confirm outage")
}

// notes is a service manager that writes down what it is told.
type notes struct{ said []string }

func (n *notes) Ready()             { n.said = append(n.said, "ready") }
func (n *notes) Alive()             { n.said = append(n.said, "alive") }
func (n *notes) Status(line string) { n.said = append(n.said, "status "+line) }
func (n *notes) Stopping()          { n.said = append(n.said, "stopping") }

// TestRun on synctest's clock, with the real saver: it ends with outputs off and the state on disk.
func TestRun(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		disk := storetest.NewDisk(rand.New(rand.NewPCG(1, 1)).IntN)
		saver := NewDiskSaver(store.NewSlots(disk, "state"), 0, nil)
		said := &notes{}
		r := newRig(t, func(d *Deps) { d.Saver, d.Notify, d.Pacer = saver, said, mono.NewReal(time.Second) })
		ctx, cancel := context.WithCancel(t.Context())
		ended := make(chan error)
		go func() { ended <- r.Run(ctx) }()
		answers := make(chan controller.Reply, 1)
		time.Sleep(40*time.Second + 500*time.Millisecond)
		replies := r.Start(testPlan())
		time.Sleep(3 * time.Second)
		answers <- <-replies
		require.Equal(t, controller.Accepted, (<-answers).Refusal)
		time.Sleep(90 * time.Second)
		synctest.Wait()
		require.NotZero(t, r.room.written[0].On&hardware.AllFans)
		late := r.Submit()
		require.Empty(t, late)
		cancel()
		require.NoError(t, <-ended)
		require.Zero(t, r.room.written[0].On, "everything is off")
		require.NoError(t, saver.Close(time.Second))
		got, err := Restore(store.NewSlots(disk.Restart(), "state"))
		require.NoError(t, err)
		require.Equal(t, schedule.Running, got.State.Run.Phase)
		require.Greater(t, got.State.UpTime, 130*time.Second, "progress up to the end is kept")
		require.Equal(t, []string{"ready", "alive"}, said.said[:2], "only after the gate has written its outputs")
		require.Equal(t, "stopping", said.said[len(said.said)-1])
		require.Contains(t, said.said, "status run 1, stage 1, work")
	})
}

func TestPanicEndsWithOutputsOff(t *testing.T) {
	r := newRig(t, nil).started()
	r.ticks(60)
	require.NotZero(t, r.room.written[0].On&hardware.AllFans)
	r.room.panics = true
	pending := r.Submit(controller.Command{Verb: controller.VerbHold, Run: 1})
	before := r.saver.MemorySaver.pending.State.UpTime
	err := r.Run(t.Context())
	require.ErrorContains(t, err, "control loop broke: a driver broke")
	require.Zero(t, r.room.written[0].On, "outputs first")
	require.Equal(t, before, r.saver.MemorySaver.pending.State.UpTime, "a state that may be half changed is not saved")
	require.Equal(t, controller.RefusedBusy, (<-pending).Refusal, "nobody is left waiting")
	require.Contains(t, r.log.String(), "goroutine", "the stack is in the log")
}

// TestSavedStateIsTheState: what is read back is what was, to the last bit, so that a step from either is the same.
func TestSavedStateIsTheState(t *testing.T) {
	r := newRig(t, nil).started()
	for i := range 30 {
		r.room.celsius = 30 + float64(i)/7
		r.ticks(17)
		data, err := r.image.Encode()
		require.NoError(t, err)
		got, err := DecodeImage(data)
		require.NoError(t, err)
		require.Equal(t, r.image.State, got.State)
	}
}

// TestSameInputsSameRecord: the shell adds nothing of its own to what is recorded.
func TestSameInputsSameRecord(t *testing.T) {
	run := func(publish int) []trace.Record {
		r := newRig(t, func(d *Deps) { d.PublishEvery = publish })
		r.started()
		var all []trace.Record
		for range 200 {
			r.ticks(1)
			all = append(all, r.seen.last)
		}
		return all
	}
	require.Equal(t, run(1), run(0))
}

func TestTickAllocatesNothing(t *testing.T) {
	r := newRig(t, func(d *Deps) { d.PublishEvery, d.Log = 0, nil })
	r.started()
	r.ticks(200)
	ctx := t.Context()
	require.Zero(t, testing.AllocsPerRun(500, func() { _ = r.Tick(ctx) }))
}

func BenchmarkTick(b *testing.B) {
	r := newRig(b, func(d *Deps) { d.PublishEvery, d.Log = 0, nil })
	r.started()
	r.ticks(200)
	ctx := b.Context()
	b.ReportAllocs()
	for b.Loop() {
		_ = r.Tick(ctx)
	}
}

// BenchmarkShell is the loop's own share of a tick: mapping to a record and handing over.
func BenchmarkShell(b *testing.B) {
	r := newRig(b, func(d *Deps) { d.PublishEvery, d.Log = 0, nil })
	r.started()
	r.ticks(200)
	b.ReportAllocs()
	for b.Loop() {
		r.read()
		r.feed()
		r.count()
		r.save()
		r.fillRecord()
		r.tell()
	}
}

func BenchmarkPublish(b *testing.B) {
	r := newRig(b, nil)
	r.started()
	b.ReportAllocs()
	for b.Loop() {
		r.Publish()
	}
}

// Three starts within an hour after ends that were none: fans only, until a person confirms.
func TestBrokenThriceWithinAnHour(t *testing.T) {
	now := store.Stamp{BootID: "one", BootTime: time.Hour}
	stamp := func(d *Deps) { d.Breaks, d.Stamp = true, func() store.Stamp { return now } }
	life := func(r *rig) *controller.Status { // of ten minutes, ended by a cut
		now.BootTime += 10 * time.Minute
		r.ticks(100)
		r.boot(r.saver.Cut(), stamp)
		return r.ticks(5)
	}
	r := newRig(t, stamp)
	r.ticks(40)
	r.Start(testPlan())
	r.ticks(5)
	for range 2 {
		s := life(r)
		require.False(t, s.Outage.Confirm)
		require.Empty(t, alarmNamed(s, "restarted_often"))
	}
	s := life(r)
	require.Equal(t, "restarted_often", alarmNamed(s, "restarted_often"))
	require.Contains(t, s.Charge.Holds, "outage")
	reply := r.Submit(controller.Command{Verb: controller.VerbConfirm, Matters: controller.Of(controller.MatterRestarts)})
	s = r.ticks(60)
	require.Equal(t, controller.Accepted, (<-reply).Refusal)
	require.NotContains(t, s.Charge.Holds, "outage")
	require.Empty(t, alarmNamed(s, "restarted_often"))

	// Ends that were meant do not count, nor do those of a longer time.
	r = newRig(t, stamp)
	r.ticks(40)
	for range 5 {
		now.BootTime += 10 * time.Minute
		ctx, cancel := context.WithCancel(t.Context())
		cancel()
		require.NoError(t, r.Run(ctx))
		r.saver.MemorySaver.Durable() // the last save arrives
		r.boot(r.saver.Cut(), stamp)
		require.Empty(t, alarmNamed(r.ticks(5), "restarted_often"))
	}
	for range 5 {
		now.BootTime += 25 * time.Minute
		require.Empty(t, alarmNamed(life(r), "restarted_often"))
	}
}

// told is a courier whose success a test decides.
type told struct{ delivery controller.DeliveryStatus }

func (c *told) Delivery() *controller.DeliveryStatus { return &c.delivery }

func TestWhatReachesNobodyIsAnAlarm(t *testing.T) {
	c := &told{controller.DeliveryStatus{Patience: 600}}
	r := newRig(t, func(d *Deps) { d.Courier = c })
	s := r.ticks(2)
	require.Empty(t, s.Alarms)
	require.Equal(t, &c.delivery, s.Delivery)
	c.delivery.Failing, c.delivery.Undelivered = true, 2
	s = r.ticks(1)
	require.Len(t, s.Alarms, 1)
	require.Equal(t, "alarm_not_delivered", s.Alarms[0].Rule)
	require.Contains(t, s.Alarms[0].Seen, "for 10 min; alarms that have reached nobody: 2")
	require.Contains(t, s.Alarms[0].Done, "forced off")
	c.delivery.Failing = false
	require.Empty(t, r.ticks(1).Alarms)
	require.Nil(t, newRig(t, nil).ticks(1).Delivery, "nobody is called")
}

// The gate's alarms are told like all others: once when they begin, once when they are over.
func TestTheGatesAlarmsAreToldOnce(t *testing.T) {
	r := newRig(t, nil)
	r.ticks(40)
	r.seen.events = nil
	for _, outdoor := range []float64{85, r.room.outdoor} { // what a sensor shows that has not measured yet
		r.room.outdoor = outdoor
		r.ticks(30)
	}
	var told []string
	for _, e := range r.seen.events {
		if k := controller.EventKind(e.Kind); (k == controller.EventAlarm || k == controller.EventAlarmClear) && hardware.RuleID(e.A) == safety.ProbeAtPowerOn {
			told = append(told, controller.EventNames()[k])
		}
	}
	require.Equal(t, []string{"alarm", "alarm_clear"}, told)
}
