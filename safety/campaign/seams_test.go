package campaign

import (
	"bytes"
	"errors"
	"fmt"
	"math/rand/v2"
	"slices"
	"time"

	"github.com/stretchr/testify/require"

	"drywarden/controller"
	"drywarden/controller/loop"
	"drywarden/controller/store"
	"drywarden/controller/store/storetest"
	"drywarden/hardware"
	"drywarden/hardware/quantity"
	"drywarden/hardware/trace"
	"drywarden/schedule"
)

var errDisk = errors.New("no space left on device")

// seams are where a site can be broken other than by the faults of the simulated kiln.
type seams struct {
	late    time.Duration                             // the next tick comes so much later
	spoils  []hook[*hardware.Snapshot]                // of what is read
	meddles []hook[*hardware.Outputs]                 // a controller that asks for what it should not
	gated   func(hardware.Outputs, *hardware.Applied) // a gate that, asked for these, does something else than it decided
	noted   func(*trace.Record)                       // a recorder that writes something else than there was
	due     []errand                                  // what happens to process and disk, by time
	offset  int64                                     // of the computer's wall clock, seconds
	lasting time.Duration                             // of a failure that is injected now
	pardon  []string                                  // invariants that the failure itself breaks
	asked   *hardware.Outputs                         // as meddled with in this tick, for the record
}

// hook changes something on its way until a time.
type hook[T any] struct {
	until time.Duration
	do    func(T)
}

// errand is something that happens at a time.
type errand struct {
	at time.Duration
	do func() error
}

func apply[T any](now time.Duration, hooks *[]hook[T], to T) bool {
	*hooks = slices.DeleteFunc(*hooks, func(h hook[T]) bool { return now >= h.until })
	for _, h := range *hooks {
		h.do(to)
	}
	return len(*hooks) > 0
}

// forever is longer than any charge.
const forever = 1000 * time.Hour

// spoil changes what is read for a time.
func (s *site) spoil(lasts time.Duration, do func(*hardware.Snapshot)) {
	s.spoils = append(s.spoils, hook[*hardware.Snapshot]{s.kiln.Now() + lasts, do})
}

// meddle changes what the controller asks for.
func (s *site) meddle(lasts time.Duration, do func(*hardware.Outputs)) {
	s.meddles = append(s.meddles, hook[*hardware.Outputs]{s.kiln.Now() + lasts, do})
}

// later has something done after a while.
func (s *site) later(after time.Duration, do func() error) {
	s.due = append(s.due, errand{s.kiln.Now() + after, do})
}

// wallTime is the computer's wall clock. In a bubble of synctest it depends on nothing outside.
func (s *site) wallTime() hardware.WallTime {
	return hardware.WallTime{Unix: time.Now().Unix() + s.offset, Trusted: true}
}

// memory keeps control state and trips without a disk: what is saved in one tick is durable in the next, unless there is
// a fault.
type memory struct {
	pending, saved   loop.Image
	waiting          bool
	trips            []string
	fault, tripFault error
}

func (m *memory) Save(image *loop.Image) { m.pending, m.waiting = *image, true }

func (m *memory) Durable() uint64 {
	if m.waiting && m.fault == nil {
		m.saved, m.waiting = m.pending, false
	}
	return m.saved.State.Generation
}

func (m *memory) Failure() error { return m.fault }

func (m *memory) LoadTrips() ([]string, error) { return slices.Clone(m.trips), m.tripFault }

func (m *memory) SaveTrips(names []string) error {
	if m.tripFault == nil {
		m.trips = slices.Clone(names)
	}
	return m.tripFault
}

// restart begins with what a new process has found; what was not yet durable is lost.
func (m *memory) restart(found *loop.Image) {
	m.waiting = false
	if m.saved = (loop.Image{}); found != nil {
		m.saved = *found
	}
}

// slotSaver writes images to a forgetful disk, encoded as a daemon writes them, but in the tick that asks and not beside it.
type slotSaver struct {
	slots   *store.Slots
	durable uint64
	failure error
}

func (w *slotSaver) Save(image *loop.Image) {
	data, err := image.Encode()
	if err == nil {
		err = w.slots.Save(image.State.Generation, data)
	}
	if w.failure = err; err == nil {
		w.durable = image.State.Generation
	}
}

func (w *slotSaver) Durable() uint64 { return w.durable }
func (w *slotSaver) Failure() error  { return w.failure }

// newDisk is an in-memory disk that forgets what was not made safe.
func newDisk(seed uint64) *storetest.Disk {
	random := rand.New(rand.NewPCG(seed, 1))
	return storetest.NewDisk(random.IntN)
}

// useDisk puts control state, trips and the copies of files on a disk, and gives what stands there.
func (s *site) useDisk(disk *storetest.Disk) (*loop.Image, error) {
	saver := &slotSaver{slots: store.NewSlots(disk, "state")}
	s.disk, s.saver, s.trips, s.deps.Copies = disk, saver, store.NewTrips(disk), loop.KeepIn(disk)
	image, err := loop.Restore(saver.slots)
	if image != nil {
		saver.durable = image.State.Generation
	}
	return image, err
}

// end takes the program away without a word; the kiln goes on without for so long. A new one finds what was safe.
func (s *site) end(outage time.Duration) error {
	s.kiln.Advance(outage)
	if s.disk != nil {
		image, problem := s.useDisk(s.disk.Restart())
		return s.start(image, problem, outage)
	}
	image := s.memory.saved
	if image.Boot == 0 {
		return s.start(nil, nil, outage)
	}
	return s.start(&image, nil, outage)
}

// cut is a power cut of the computer: its outputs are off at once.
func (s *site) cut(off time.Duration) {
	require.NoError(s.t, s.kiln.Apply(0, hardware.Outputs{}))
	require.NoError(s.t, s.end(off))
}

// kill is the program's end alone, as by kill -9, and the first tick of the next.
func (s *site) kill(outage time.Duration) error {
	before := s.live.State.Run
	if err := s.end(outage); err != nil {
		return err
	}
	if err := s.tick(); err != nil {
		return err
	}
	after := s.live.State.Run
	if after.Phase == schedule.Running && after.ID == before.ID && after.Stage == before.Stage && after.Exposure > before.Exposure+time.Second {
		return fmt.Errorf("recovered exposure %v, it was %v", after.Exposure, before.Exposure)
	}
	return nil
}

// hang is a program that does not call for so many seconds, while its gate's deadline still runs.
func (s *site) hang(seconds int) {
	for range seconds {
		s.move(time.Second)
		s.gate.CheckDeadline()
	}
}

// flipBit damages the configuration in memory.
func (s *site) flipBit() { s.probes[0].Offset += 64 }

// press holds the panel's reset for two seconds.
func (s *site) press() {
	panelReset(s)
	s.run(4 * time.Second)
}

// panelReset has somebody hold the panel's reset for the next two seconds.
func panelReset(s *site) {
	s.spoil(3*time.Second, func(snap *hardware.Snapshot) {
		snap.Contacts.Active = snap.Contacts.Active.With(hardware.ContactPanelReset, true)
	})
}

// weighAll weighs every sample board, each wrong by a share of its weight: the load cells say what they weigh.
func (s *site) weighAll(wrong float64) {
	for i, id := range s.deps.Config.Layout.ByRole(hardware.RoleLoadCell) {
		mass := quantity.Kilogram(s.snap.Readings[id].Value * (1 + wrong))
		s.ask(controller.Command{Verb: controller.VerbWeigh, Sample: int8(i), Mass: mass, Recheck: true})
	}
}

// spoilFile damages a file as a worn card does.
func (s *site) spoilFile(name string) {
	before, err := s.disk.ReadFile(name)
	require.NoError(s.t, err)
	s.disk.Damage(name)
	after, err := s.disk.ReadFile(name)
	require.NoError(s.t, err)
	require.False(s.t, bytes.Equal(before, after))
}
