package chip

import (
	"errors"
	"fmt"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"strings"
	"sync"
)

// OneWire is a model of a 1-wire bus as the kernel's w1_therm shows it: a tree of files that is written afresh whenever a
// sensor changes.
type OneWire struct {
	mu     sync.Mutex
	root   string
	master string
	ids    []string
}

// NewOneWire makes the files of bus n below root.
func NewOneWire(root string, n int) (*OneWire, error) {
	o := &OneWire{root: root, master: fmt.Sprintf("w1_bus_master%d", n)}
	if err := os.MkdirAll(filepath.Join(root, o.master), 0o755); err != nil {
		return nil, fmt.Errorf("model a 1-wire bus: %w", err)
	}
	return o, errors.Join(o.write(filepath.Join(o.master, "therm_bulk_read"), "1\n"), o.list())
}

// write replaces a file as a whole, so that a reader sees the old or the new text.
func (o *OneWire) write(name, text string) error {
	path := filepath.Join(o.root, name)
	if err := os.WriteFile(path+".new", []byte(text), 0o644); err != nil {
		return err
	}
	return os.Rename(path+".new", path)
}

func (o *OneWire) list() error {
	text := strings.Join(o.ids, "\n") + "\n"
	if len(o.ids) == 0 {
		text = "not found.\n"
	}
	return o.write(filepath.Join(o.master, "w1_master_slaves"), text)
}

// Scratchpad gives the nine bytes of a sensor at a temperature after a conversion.
func Scratchpad(celsius float64) [9]byte {
	raw := uint16(int16(math.Round(celsius * 16)))
	pad := [9]byte{byte(raw), byte(raw >> 8), 0x4B, 0x46, 0x7F, 0xFF, 0x10 - byte(raw&0xF), 0x10}
	return Sealed(pad)
}

// PowerUp gives the nine bytes of a sensor that has not measured yet.
func PowerUp() [9]byte { return Sealed([9]byte{0x50, 0x05, 0x4B, 0x46, 0x7F, 0xFF, 0x0C, 0x10}) }

// Sealed puts the checksum in.
func Sealed(pad [9]byte) [9]byte {
	pad[8] = wireSum(pad[:8])
	return pad
}

// wireSum gives the checksum as the shift register of the datasheet's figure computes it.
func wireSum(bytes []byte) byte {
	crc := byte(0)
	for _, b := range bytes {
		for bit := range 8 {
			in := crc&1 ^ b>>bit&1
			crc >>= 1
			if in == 1 {
				crc ^= 0x8C
			}
		}
	}
	return crc
}

// Set puts a sensor on the bus that shows these bytes, with the kernel's verdict on them.
func (o *OneWire) Set(id string, pad [9]byte, good bool) error {
	verdict := "NO"
	if good {
		verdict = "YES"
	}
	raw := int16(uint16(pad[0]) | uint16(pad[1])<<8)
	return o.put(id, fmt.Sprintf("% x : crc=%02x %s\n% x t=%d\n", pad, pad[8], verdict, pad, int(raw)*1000/16))
}

// Silence makes a sensor's file empty, as the kernel does when it gets no answer.
func (o *OneWire) Silence(id string) error { return o.put(id, "") }

func (o *OneWire) put(id, text string) error {
	o.mu.Lock()
	defer o.mu.Unlock()
	dir := filepath.Join(o.root, id)
	if err := os.Mkdir(dir, 0o755); err == nil {
		o.ids = append(o.ids, id)
		if err := o.list(); err != nil {
			return err
		}
	} else if !errors.Is(err, fs.ErrExist) {
		return err
	}
	return o.write(filepath.Join(id, "w1_slave"), text)
}

// Remove takes a sensor's directory away, as the kernel does some searches after it was unplugged.
func (o *OneWire) Remove(id string) error {
	o.mu.Lock()
	defer o.mu.Unlock()
	var left []string
	for _, other := range o.ids {
		if other != id {
			left = append(left, other)
		}
	}
	o.ids = left
	return errors.Join(os.RemoveAll(filepath.Join(o.root, id)), o.list())
}
