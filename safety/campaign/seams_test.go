package campaign

import (
	"bytes"
	"errors"
	"math/rand/v2"
	"time"

	"github.com/stretchr/testify/require"

	"drywarden/controller"
	"drywarden/controller/loop"
	"drywarden/controller/store"
	"drywarden/controller/store/storetest"
	"drywarden/hardware"
	"drywarden/hardware/quantity"
)

var errDisk = errors.New("no space left on device")

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

// useDisk puts control state, trips and the copies of files on a disk.
func (s *site) useDisk(disk *storetest.Disk) {
	s.disk = disk
	s.saver = &slotSaver{slots: store.NewSlots(disk, "state")}
	s.store = store.NewTrips(disk)
	s.deps.Copies = loop.KeepIn(disk)
}

// found is what the next process finds on the disk.
func (s *site) found() (*loop.Image, error) { return loop.Restore(store.NewSlots(s.disk, "state")) }

// cut is a power cut, or the program's end without a word: what was safe is found again after a while.
func (s *site) cut(off time.Duration) {
	require.NoError(s.t, s.kiln.Apply(0, hardware.Outputs{}))
	s.kiln.Advance(off)
	if s.disk != nil {
		disk := s.disk.Restart()
		s.useDisk(disk)
		image, err := s.found()
		if image != nil {
			s.saver.(*slotSaver).durable = image.State.Generation
		}
		s.boot(image, err)
		return
	}
	saver, ok := s.saver.(*loop.MemorySaver)
	require.True(s.t, ok)
	s.boot(saver.Cut(), nil)
}

// hang is a program that does not call for so many seconds, while its gate's deadline still runs.
func (s *site) hang(seconds int) {
	for range seconds {
		s.pace.Advance(time.Second)
		s.kiln.Advance(time.Second)
		s.gate.CheckDeadline()
	}
}

// stall makes the next tick late.
func (s *site) stall(by time.Duration) {
	s.pace.Advance(by)
	s.kiln.Advance(by)
}

// jump sets the wall clock on or back.
func (s *site) jump(by time.Duration) { s.wallSkew += by }

// flipBit damages the configuration in memory.
func (s *site) flipBit() { s.deps.Config.Layout.Probes[0].Offset += 64 }

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
