package loop

import (
	"log/slog"
	"sync"
	"sync/atomic"
	"time"

	"drywarden/controller/store"
)

// MemorySaver keeps images in memory, for simulations: what is saved in one tick is durable in the next, always. The zero
// value holds nothing. It is for one goroutine.
type MemorySaver struct {
	pending, saved Image
	waiting, held  bool
}

// Save takes the image; a Durable later it is safe.
func (s *MemorySaver) Save(image *Image) { s.pending, s.waiting = *image, true }

// Durable makes what was saved last safe and gives its generation.
func (s *MemorySaver) Durable() uint64 {
	if s.waiting {
		s.saved, s.held, s.waiting = s.pending, true, false
	}
	return s.saved.State.Generation
}

// Failure is always nil.
func (s *MemorySaver) Failure() error { return nil }

// Cut is a power cut: it gives what was durable, nil when nothing was. What was saved in the last tick is lost.
func (s *MemorySaver) Cut() *Image {
	if !s.held {
		return nil
	}
	image := s.saved
	*s = MemorySaver{saved: image, held: true}
	return &image
}

// retryAfter is how long a failed write waits for the next attempt, unless something newer has to be saved before.
const retryAfter = 2 * time.Second

// DiskSaver writes images to slots from a goroutine of its own. When images come faster than the disk takes them, the
// newest is written and those between are skipped: each holds all that those before it held.
type DiskSaver struct {
	slots *store.Slots
	log   *slog.Logger
	wake  chan struct{}
	stop  chan struct{}
	done  chan struct{}
	once  sync.Once

	durable atomic.Uint64
	failure atomic.Pointer[failure]

	mu      sync.Mutex
	pending Image
	waiting bool
}

type failure struct{ err error }

// NewDiskSaver starts a saver; durable is the generation that was read back, 0 for none. Close stops it. log may be nil.
func NewDiskSaver(slots *store.Slots, durable uint64, log *slog.Logger) *DiskSaver {
	if log == nil {
		log = slog.New(slog.DiscardHandler)
	}
	s := &DiskSaver{slots: slots, log: log, wake: make(chan struct{}, 1), stop: make(chan struct{}), done: make(chan struct{})}
	s.durable.Store(durable)
	go s.run()
	return s
}

// Save takes a copy and returns at once.
func (s *DiskSaver) Save(image *Image) {
	s.mu.Lock()
	s.pending, s.waiting = *image, true
	s.mu.Unlock()
	select {
	case s.wake <- struct{}{}:
	default: // it will look anyway
	}
}

// Durable gives the newest generation that is safely on disk.
func (s *DiskSaver) Durable() uint64 { return s.durable.Load() }

// Failure gives what went wrong in the latest attempt; nil when it went well.
func (s *DiskSaver) Failure() error {
	if f := s.failure.Load(); f != nil {
		return f.err
	}
	return nil
}

// Close writes what waits, once, and stops the saver. It gives up waiting for the disk after the given time.
func (s *DiskSaver) Close(patience time.Duration) error {
	s.once.Do(func() { close(s.stop) })
	timer := time.NewTimer(patience)
	defer timer.Stop()
	select {
	case <-s.done:
		return s.Failure()
	case <-timer.C:
		return errSlowDisk
	}
}

func (s *DiskSaver) run() {
	defer close(s.done)
	var work Image
	var retry <-chan time.Time
	for {
		last := false
		select {
		case <-s.wake:
		case <-retry:
		case <-s.stop:
			last = true
		}
		retry = nil
		if err := s.flush(&work); err != nil && !last {
			retry = time.After(retryAfter)
		}
		if last {
			return
		}
	}
}

func (s *DiskSaver) flush(work *Image) error {
	s.mu.Lock()
	waiting := s.waiting
	if waiting {
		*work, s.waiting = s.pending, false
	}
	s.mu.Unlock()
	if !waiting {
		return nil
	}
	data, err := work.Encode()
	if err == nil {
		err = s.slots.Save(work.State.Generation, data)
	}
	was := s.Failure()
	s.failure.Store(&failure{err})
	if err != nil {
		if was == nil {
			s.log.Error("control state cannot be saved", "err", err, "generation", work.State.Generation)
		}
		s.mu.Lock()
		if !s.waiting { // nothing newer came: try this one again
			s.pending, s.waiting = *work, true
		}
		s.mu.Unlock()
		return err
	}
	if was != nil {
		s.log.Info("control state is saved again", "generation", work.State.Generation)
	}
	s.durable.Store(work.State.Generation)
	return nil
}
