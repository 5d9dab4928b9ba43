package main

import (
	"bytes"
	"encoding/gob"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"os"
	"time"

	"drywarden/cmd/drywarden/internal/kilnfile"
	"drywarden/controller"
	"drywarden/controller/store"
	"drywarden/hardware"
	"drywarden/schedule"
)

// live is a simulated kiln that goes on in real time, or faster, whether the daemon runs or not. While the daemon was dead
// it stood without power.
type live struct {
	plant  *plant
	speed  float64
	path   string
	hash   string // of what the kiln was made from
	saved  time.Time
	writes chan []byte
	done   chan error
	log    *slog.Logger
}

// frozen is the file of a simulated kiln.
type frozen struct {
	Hash string // of the kiln file and the load
	At   store.Stamp
	Kiln []byte
}

// saveKilnEvery is the real time between two writes of the simulated kiln.
const saveKilnEvery = 2 * time.Second

// openLive makes the simulated kiln, or takes it up where it was and lets it run on for the time that has passed.
func openLive(file *kilnfile.File, folder string, speed float64, log *slog.Logger) (*live, error) {
	files, err := readCharge(file.Path(file.Simulated.Load))
	if err != nil {
		return nil, err
	}
	p, err := newPlant(file, files)
	if err != nil {
		return nil, err
	}
	l := &live{plant: p, speed: speed, path: statePath(folder), log: log, saved: time.Now(), writes: make(chan []byte, 1), done: make(chan error, 1),
		hash: hashOf(append(bytes.Clone(file.Text()), files.Charge.Text...))}
	if err := l.restore(); err != nil {
		return nil, err
	}
	// From the first tick on there is a file: whatever kills this process, the kiln goes on from here.
	data, err := l.freeze()
	if err == nil {
		err = l.put(data)
	}
	if err != nil {
		return nil, fmt.Errorf("save the simulated kiln: %w", err)
	}
	go l.write()
	return l, nil
}

func (l *live) restore() error {
	data, err := os.ReadFile(l.path)
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	if err != nil {
		return fmt.Errorf("read the simulated kiln: %w", err)
	}
	var f frozen
	if err := gob.NewDecoder(bytes.NewReader(data)).Decode(&f); err != nil {
		return fmt.Errorf("read the simulated kiln %s: %w; delete it to begin with a new one", l.path, err)
	}
	if f.Hash != l.hash {
		l.log.Warn("the simulated kiln was changed and begins anew")
		return nil
	}
	if err := l.plant.kiln.Load(bytes.NewReader(f.Kiln)); err != nil {
		return fmt.Errorf("read the simulated kiln %s: %w; delete it to begin with a new one", l.path, err)
	}
	now, err := store.Now()
	if err != nil {
		return err
	}
	if passed, known := store.Outage(f.At, now, 0); known {
		if err := l.plant.Apply(0, hardware.Outputs{}); err != nil {
			return err
		}
		dead := time.Duration(float64(passed) * l.speed).Truncate(tick)
		for left := dead; left > 0; left -= tick {
			l.plant.advance(min(left, tick))
		}
		l.log.Info("the simulated kiln went on without power", "seconds", dead.Seconds())
	}
	return nil
}

// stamp is the kiln's own time, so that an outage is as long for the controller as it was for the kiln.
func (l *live) stamp() store.Stamp {
	l.plant.mu.Lock()
	defer l.plant.mu.Unlock()
	return store.Stamp{BootID: "simulated", BootTime: l.plant.kiln.Now()}
}

// tick is called by the loop's goroutine after the kiln moved.
func (l *live) tick() {
	if now := time.Now(); now.Sub(l.saved) >= saveKilnEvery {
		l.saved = now
		if data, err := l.freeze(); err != nil {
			l.log.Error("the simulated kiln cannot be saved", "err", err)
		} else {
			select {
			case l.writes <- data:
			default: // the disk is slow: the next one will do
			}
		}
	}
}

func (l *live) freeze() ([]byte, error) {
	l.plant.mu.Lock()
	defer l.plant.mu.Unlock()
	var kiln, whole bytes.Buffer
	if err := l.plant.kiln.Save(&kiln); err != nil {
		return nil, err
	}
	at, err := store.Now()
	if err != nil {
		return nil, err
	}
	err = gob.NewEncoder(&whole).Encode(frozen{Hash: l.hash, At: at, Kiln: kiln.Bytes()})
	return whole.Bytes(), err
}

func (l *live) put(data []byte) error {
	if err := os.WriteFile(l.path+".new", data, 0o640); err != nil {
		return err
	}
	return os.Rename(l.path+".new", l.path)
}

// write keeps the disk away from the loop. No sync: after a power cut a simulated kiln may begin anew.
func (l *live) write() {
	var failed error
	for data := range l.writes {
		if failed = l.put(data); failed != nil {
			l.log.Error("the simulated kiln cannot be saved", "err", failed)
		}
	}
	l.done <- failed
}

// save is the last write, when the loop has ended.
func (l *live) save() error {
	data, err := l.freeze()
	if err == nil {
		l.writes <- data
	}
	close(l.writes)
	return errors.Join(err, <-l.done)
}

// prepare makes a plan for this kiln. Sample boards without weights get what the simulated person measured.
func (l *live) prepare(files controller.ChargeFiles, kiln schedule.Kiln) (*schedule.Plan, error) {
	plan, err := resolve(files, kiln)
	if err != nil {
		return nil, err
	}
	l.plant.mu.Lock()
	defer l.plant.mu.Unlock()
	return plan, weigh(plan, l.plant.kiln)
}
