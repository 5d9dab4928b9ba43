package main

import (
	"context"
	"fmt"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"drywarden/cmd/drywarden/internal/kilnfile"
	"drywarden/controller"
	"drywarden/controller/loop"
	"drywarden/controller/store"
	"drywarden/controller/store/storetest"
	"drywarden/hardware"
	"drywarden/hardware/mono"
	"drywarden/hardware/trace"
	"drywarden/safety"
	"drywarden/schedule"
)

// shortCharge goes through every kind of stage in a few days: air-dried boards, a little more to dry, a heat treatment.
// COUNT is how its heat stage counts.
const shortCharge = `
id = "short"
conditioning = true
[equalizing]
start_below = "0.3 %"
end_above = "3 %"
[[lot]]
name = "ash"
species = "ash, white"
thickness = "4/4"
volume = "1.0 m3"
start = "12.5 %"
target = "11 %"
[[lot]]
name = "poplar"
species = "poplar, yellow"
thickness = "4/4"
volume = "1.2 m3"
start = "13.5 %"
target = "11 %"
[[sample]]
name = "a1"
lot = "ash"
[[sample]]
name = "a2"
lot = "ash"
[[sample]]
name = "p1"
lot = "poplar"
[[sample]]
name = "p2"
lot = "poplar"
[[stage]]
kind = "preheat"
dry_bulb = "40 C"
emc = "11 %"
until = { time = "1 h" }
[[stage]]
kind = "dry"
name = "dry 1"
dry_bulb = "43 C"
emc = "8 %"
until = { moisture = "12.5 %", at_least = "1 h" }
[[stage]]
kind = "dry"
name = "dry 2"
dry_bulb = "45 C"
emc = "6.5 %"
until = { at_least = "1 h" }
[[stage]]
kind = "equalize"
until = { at_least = "1 h" }
[[stage]]
kind = "condition"
emc = "14 %"
until = { time = "2 h" }
[[stage]]
kind = "heat"
dry_bulb = "64 C"
core = "56 C"
exposure = "30 min"
count = "COUNT"
[[stage]]
kind = "cool"
`

// shortKiln is a warm one, so that nothing takes long.
const shortKiln = `
name = "short"
units = "si"
altitude = "200 m"
volume = "40 m3"
state = "state"
metrics = "off"
[hardware]
kind = "simulated"
[limits]
hard_limit = "75 C"
driest_air = "28 %"
[compressor]
ambient_max = "55 C"
drying_max = "45 C"
[simulated]
load = "charge.toml"
seed = SEED
boards_per_lot = 4
[simulated.room]
start_temperature = "22 C"
start_humidity = "60 %"
structure = "0.8 MJ/K"
[simulated.weather]
mean = "18 C"
humidity = "60 %"
day_of_year = 180
`

func shortFiles(t testing.TB, seed uint64, count string) (*kilnfile.File, controller.ChargeFiles) {
	file, err := kilnfile.Read("kiln.toml", []byte(strings.Replace(shortKiln, "SEED", fmt.Sprint(seed), 1)))
	require.NoError(t, err)
	return file, controller.ChargeFiles{Charge: controller.File{Name: "charge.toml", Text: strings.Replace(shortCharge, "COUNT", count, 1)}}
}

// cutKiln is a whole kiln with its computer, whose power can be cut: the real simulated kiln, gate, loop, control state,
// trips and copies on a disk that forgets what was not synced, and one judge over the trace of all boots.
type cutKiln struct {
	t      testing.TB
	random *rand.Rand
	file   *kilnfile.File
	plant  *plant
	live   *live
	disk   *storetest.Disk
	seen   *observer
	told   func(*trace.Record)      // after the judge; may be nil
	meddle func(*hardware.Snapshot) // with what is read; may be nil
	wall   func() hardware.WallTime // may be nil

	// How a process reaches its disk; nil: straight, with a saver that a seed makes late.
	reach func(who string) store.FS
	saves func(slots *store.Slots, durable uint64) loop.Saver

	// of this boot
	loop     *loop.Loop
	pace     *drive
	gate     *safety.Gate
	trips    *seenTrips
	person   *person
	saver    *seenSaver
	slow     *slowSaver // nil with another saver
	restored *loop.Image
	limits   safety.Limits
	config   controller.Config
	snap     *hardware.Snapshot // the loop's own

	// what a computer knows of time
	computer string // boot id
	trusted  bool   // wall time
}

func newCutKiln(t testing.TB, seed uint64, count string) *cutKiln {
	file, files := shortFiles(t, seed, count)
	return startCutKiln(t, file, files, seed)
}

// startCutKiln makes the kiln and starts the charge on it.
func startCutKiln(t testing.TB, file *kilnfile.File, files controller.ChargeFiles, seed uint64) *cutKiln {
	p, err := newPlant(file, files)
	require.NoError(t, err)
	k := &cutKiln{t: t, random: rand.New(rand.NewPCG(seed, 0xc07)), file: file, plant: p, live: &live{plant: p}, seen: &observer{}, computer: "first", trusted: true}
	k.disk = storetest.NewDisk(func(n int) int { return k.random.IntN(n) })
	k.disk.Reordered = seed%2 == 0
	k.start(0)
	// An order whose context is done is handed in and not waited for: the kiln moves only when told.
	done, cancel := context.WithCancel(context.Background())
	cancel()
	_, err = k.loop.StartCharge(done, controller.Order{}, files)
	require.ErrorIs(t, err, context.Canceled)
	for range 60 {
		k.tick()
	}
	require.NotZero(t, k.seen.last.RunID, "the charge was started")
	return k
}

// stamp is the kiln's time, as this computer knows it.
func (k *cutKiln) stamp() store.Stamp {
	now := k.live.stamp().BootTime
	return store.Stamp{BootID: k.computer, BootTime: now, WallUnix: 1_700_000_000 + int64(now/time.Second), WallTrusted: k.trusted}
}

// start is a process's start on what is on the disk.
func (k *cutKiln) start(outage time.Duration) { require.NoError(k.t, k.boot(outage)) }

// boot is start where the power may go in the middle of it, which is its only error.
func (k *cutKiln) boot(outage time.Duration) error {
	reach := k.reach
	if reach == nil {
		reach = func(string) store.FS { return k.disk }
	}
	layout := k.plant.kiln.Layout()
	k.limits = k.file.SafetyLimits()
	config := controllerConfig(k.file, &layout)
	k.config = config
	pace := &drive{Paced: mono.NewPaced(tick, 0), plant: k.plant}
	k.pace = pace
	var err error
	k.trips = &seenTrips{TripStore: store.NewTrips(reach("trips"))}
	k.gate, err = safety.NewGate(k.limits, &layout, k.plant, pace, k.trips)
	require.NoError(k.t, err)
	slots := store.NewSlots(reach("control"), "control")
	restored, problem := loop.Restore(slots)
	require.NoError(k.t, problem, "a cut spoils nothing")
	k.restored = restored
	last, durable := uint32(0), uint64(0)
	if restored != nil {
		last, durable = restored.Boot, restored.State.Generation
	}
	boot, err := store.NextBoot(reach("boots"), last)
	if k.disk.Off() {
		return storetest.ErrCut
	}
	require.NoError(k.t, err)
	if k.saves != nil {
		k.saver = &seenSaver{Saver: k.saves(slots, durable)}
	} else {
		k.slow = &slowSaver{slots: slots, draw: k.random.IntN, durable: durable}
		k.saver = &seenSaver{Saver: k.slow}
	}
	kiln := k.file.ForSchedule(&layout)
	k.loop, err = loop.New(loop.Deps{
		Config: config, Inputs: k, Gate: k.gate, Saver: k.saver, Pacer: pace, Recorder: recorders{k.seen, k.hear},
		Header: trace.Header{Program: "test", Kiln: k.file.Name, KilnHash: hashOf(k.file.Text()), Seed: k.file.Simulated.Seed,
			OutageKnown: true, OutageNS: int64(outage), Limits: traceLimits(&config, &k.limits, k.file)},
		Rules: safety.Rules(), Units: k.file.Units.String(), Unjudged: unjudged(&layout),
		Prepare:  func(files controller.ChargeFiles) (*schedule.Plan, error) { return k.live.prepare(files, kiln) },
		Copies:   loop.KeepIn(reach("copies")),
		Restored: restored, Boot: boot, Stamp: k.stamp, Wall: k.wall, PublishEvery: publishEvery,
	})
	require.NoError(k.t, err)
	k.person = newPerson(k.plant, k.loop, k.seen)
	return nil
}

// Read is the loop's; what it fills in is there to look at until the next tick.
func (k *cutKiln) Read(now mono.Instant, to *hardware.Snapshot) error {
	k.snap = to
	err := k.plant.Read(now, to)
	if k.meddle != nil {
		k.meddle(to)
	}
	return err
}

func (k *cutKiln) hear(r *trace.Record) {
	if k.told != nil {
		k.told(r)
	}
}

func (k *cutKiln) tick() {
	require.NoError(k.t, k.loop.Tick(context.Background()))
	k.person.act()
}

// state is the live control state of this boot.
func (k *cutKiln) state() *controller.State { return &k.saver.live.State }

// recorders hands each record to the observer and then to a test.
type recorders struct {
	*observer
	then func(*trace.Record)
}

func (r recorders) Record(t *trace.Record) {
	r.observer.Record(t)
	r.then(t)
}

// seenTrips lets a test know what is on the disk.
type seenTrips struct {
	safety.TripStore
	kept, trying hardware.RuleSet // saved for sure; being saved, or the same
}

func (s *seenTrips) LoadTrips() ([]string, error) {
	names, err := s.TripStore.LoadTrips()
	s.kept = rulesOf(names)
	s.trying = s.kept
	return names, err
}

func (s *seenTrips) SaveTrips(names []string) error {
	s.trying = rulesOf(names)
	err := s.TripStore.SaveTrips(names)
	if err == nil {
		s.kept = s.trying
	}
	return err
}

func rulesOf(names []string) (set hardware.RuleSet) {
	for _, name := range names {
		if id, ok := safety.Lookup(name); ok && safety.Latches(id) {
			set = set.With(id, true)
		}
	}
	return set
}

// seenSaver lets a test look at the loop's own image.
type seenSaver struct {
	loop.Saver
	live *loop.Image
}

func (s *seenSaver) Save(image *loop.Image) {
	s.live = image
	s.Saver.Save(image)
}

// slowSaver writes images to real slots some ticks late, as the daemon's own goroutine may, but in an order that a seed
// repeats. It is for one goroutine.
type slowSaver struct {
	slots   *store.Slots
	draw    func(int) int
	waiting []byte // encoded, not yet written
	number  uint64 // its generation
	wait    int    // ticks until it is written
	durable uint64
	err     error
}

func (s *slowSaver) Save(image *loop.Image) {
	s.waiting, s.err = image.Encode()
	s.number = image.State.Generation
	s.wait = s.draw(4)
}

func (s *slowSaver) Durable() uint64 {
	if s.waiting == nil {
		return s.durable
	}
	if s.wait > 0 {
		s.wait--
		return s.durable
	}
	if s.err = s.write(); s.err == nil {
		s.durable = s.number
	}
	return s.durable
}

func (s *slowSaver) write() error {
	data := s.waiting
	s.waiting = nil
	return s.slots.Save(s.number, data)
}

func (s *slowSaver) Failure() error { return s.err }

// cut takes the power away from the computer, perhaps in the middle of a save, and from the kiln; the kiln goes on
// without for the time of the outage. What is left on the disk is all that a new start will find.
func (k *cutKiln) cut(outage time.Duration) {
	if k.slow.waiting != nil && k.random.IntN(2) == 0 {
		k.disk.CutAfter(k.random.IntN(6))
		_ = k.slow.write()
	}
	k.disk = k.disk.Restart()
	k.darken(outage)
}

// darken lets the kiln stand without its computer.
func (k *cutKiln) darken(outage time.Duration) {
	if k.random.IntN(2) == 0 {
		// Everything loses its mains at once; otherwise the process dies and the heartbeat relay drops out after 3 s.
		require.NoError(k.t, k.plant.Apply(0, hardware.Outputs{}))
	}
	k.plant.advance(outage)
}
