package store

import (
	"bytes"
	"crypto/sha256"
	"encoding/binary"
	"errors"
	"fmt"
	"io/fs"
)

// MaxImage bounds what a slot may hold, in bytes.
const MaxImage = 8 << 20

// ErrEmpty says that nothing was ever saved: a first start.
var ErrEmpty = errors.New("nothing was saved yet")

// ErrNewer says that a newer program wrote the slot.
var ErrNewer = errors.New("written by a newer program")

// DamagedError says that slots are there and none can be used.
type DamagedError struct {
	Name   string
	Faults []error // one a slot
}

// Error names the thing and what is wrong with each slot.
func (e *DamagedError) Error() string {
	return fmt.Sprintf("load %s: no slot can be used: %v", e.Name, errors.Join(e.Faults...))
}

// Unwrap gives the faults of the slots.
func (e *DamagedError) Unwrap() []error { return e.Faults }

// Image is what Load found.
type Image struct {
	Generation uint64
	Data       []byte
	Spoiled    error // what is wrong with the other slot; nil when nothing is. What it held is lost if it was newer
}

// Slot layout, little endian: magic, format, length, sequence, generation, SHA-256 of all that and the data, data.
const (
	magic      = "dwslots\n"
	format     = 1
	headerSize = 8 + 4 + 4 + 8 + 8
	dataStart  = headerSize + sha256.Size
)

// Slots keeps one thing in two alternating files. The newest is the one saved last, whatever its generation: progress
// within a generation is saved too.
type Slots struct {
	fs       FS
	name     string
	loaded   bool
	newest   int    // slot that is known to hold the newest image; the other is written next
	sequence uint64 // of the newest image
	scratch  []byte
}

// NewSlots keeps a thing called name in fs. It touches nothing yet.
func NewSlots(fs FS, name string) *Slots { return &Slots{fs: fs, name: name} }

func (s *Slots) file(slot int) string { return fmt.Sprintf("%s.%d", s.name, slot) }

// Load gives the newest valid image. Errors: ErrEmpty, *DamagedError, or what the file system said.
func (s *Slots) Load() (Image, error) {
	var image Image
	var faults []error
	found, absent := false, 0
	s.newest, s.sequence = 1, 0 // so that a first save goes to slot 0
	for slot := range 2 {
		raw, err := s.fs.ReadFile(s.file(slot))
		if errors.Is(err, fs.ErrNotExist) {
			absent++
			continue
		}
		var sequence, generation uint64
		var data []byte
		if err == nil {
			sequence, generation, data, err = decode(raw)
		}
		if err != nil {
			faults = append(faults, fmt.Errorf("slot %d: %w", slot, err))
			if !found {
				s.newest = 1 - slot // the spoiled one is written over first
			}
			continue
		}
		if !found || sequence > s.sequence {
			image.Generation, image.Data = generation, data
			s.newest, s.sequence = slot, sequence
		}
		found = true
	}
	s.loaded = true
	image.Spoiled = errors.Join(faults...)
	switch {
	case found:
		return image, nil
	case absent == 2:
		return Image{}, ErrEmpty
	}
	return Image{}, &DamagedError{Name: s.name, Faults: faults}
}

// Save makes data durable under generation: when it returns nil, a power cut leaves this image. After an error the image
// saved before is still there, and the next Save tries the same slot again.
func (s *Slots) Save(generation uint64, data []byte) error {
	if len(data) > MaxImage {
		return fmt.Errorf("save %s: %d bytes are more than the %d a slot may hold", s.name, len(data), MaxImage)
	}
	if !s.loaded {
		// Which slot is the older one must be known before one is written over.
		if _, err := s.Load(); err != nil && !errors.Is(err, ErrEmpty) && !isDamaged(err) {
			return fmt.Errorf("save %s: %w", s.name, err)
		}
	}
	slot := 1 - s.newest
	s.scratch = encode(s.scratch[:0], s.sequence+1, generation, data)
	if err := write(s.fs, s.file(slot), s.scratch); err != nil {
		return fmt.Errorf("save %s: %w", s.name, err)
	}
	s.newest, s.sequence = slot, s.sequence+1
	return nil
}

func isDamaged(err error) bool {
	var damaged *DamagedError
	return errors.As(err, &damaged)
}

func encode(to []byte, sequence, generation uint64, data []byte) []byte {
	to = append(to, magic...)
	to = binary.LittleEndian.AppendUint32(to, format)
	to = binary.LittleEndian.AppendUint32(to, uint32(len(data)))
	to = binary.LittleEndian.AppendUint64(to, sequence)
	to = binary.LittleEndian.AppendUint64(to, generation)
	sum := checksum(to, data)
	to = append(to, sum[:]...)
	return append(to, data...)
}

func decode(raw []byte) (sequence, generation uint64, data []byte, err error) {
	if len(raw) < dataStart {
		return 0, 0, nil, fmt.Errorf("cut short at %d bytes", len(raw))
	}
	if string(raw[:8]) != magic {
		return 0, 0, nil, errors.New("not a file of this program")
	}
	header, data := raw[:headerSize], raw[dataStart:]
	if n := binary.LittleEndian.Uint32(header[12:]); uint64(n) != uint64(len(data)) {
		return 0, 0, nil, fmt.Errorf("holds %d bytes instead of %d", len(data), n)
	}
	if sum := checksum(header, data); !bytes.Equal(sum[:], raw[headerSize:dataStart]) {
		return 0, 0, nil, errors.New("checksum does not fit")
	}
	if v := binary.LittleEndian.Uint32(header[8:]); v != format {
		return 0, 0, nil, fmt.Errorf("format %d, this program reads %d: %w", v, format, ErrNewer)
	}
	return binary.LittleEndian.Uint64(header[16:]), binary.LittleEndian.Uint64(header[24:]), data, nil
}

func checksum(header, data []byte) (sum [sha256.Size]byte) {
	h := sha256.New()
	h.Write(header[:headerSize])
	h.Write(data)
	h.Sum(sum[:0])
	return sum
}
