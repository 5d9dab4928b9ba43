package storetest

import (
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"slices"

	"drywarden/controller/store"
)

// ErrCut is what every call gives once the power is gone.
var ErrCut = errors.New("the power is gone")

const sector = 512

type inode struct {
	data   []byte // as written
	synced []byte // as it is surely on the disk
	dirty  bool
}

type binding struct {
	name string
	file *inode // nil: the name is gone
}

// Disk is one folder of a disk that forgets. It is a store.FS.
type Disk struct {
	Reordered bool
	// Fail, when set, may refuse a call: "create", "write", "sync", "rename", "sync_dir". What is refused is not done.
	Fail func(call, name string) error

	draw    func(n int) int
	names   map[string]*inode // as programs see it
	synced  map[string]*inode // as it is surely on the disk
	changes [][]binding       // of names since SyncDir, one entry a call
	calls   int
	cutAt   int
	off     bool
}

// NewDisk makes an empty disk. draw gives a number from 0 to n-1.
func NewDisk(draw func(n int) int) *Disk {
	return &Disk{draw: draw, names: map[string]*inode{}, synced: map[string]*inode{}, cutAt: -1}
}

// CutAfter cuts the power in the n-th call from now that changes anything, counted from 0.
func (d *Disk) CutAfter(n int) { d.cutAt = d.calls + n }

// Cut cuts the power now, between two calls.
func (d *Disk) Cut() { d.off = true }

// Off tells whether the power is gone.
func (d *Disk) Off() bool { return d.off }

// Calls tells how many calls changed, or would have changed, something.
func (d *Disk) Calls() int { return d.calls }

// Restart gives the disk as it is found when the power comes back, whether it was cut or is cut now.
func (d *Disk) Restart() *Disk {
	fresh := NewDisk(d.draw)
	fresh.Reordered = d.Reordered
	names := maps.Clone(d.synced)
	if d.Reordered {
		for _, change := range d.changes {
			for _, b := range change {
				if d.draw(2) == 0 {
					bind(names, b)
				}
			}
		}
	} else {
		for _, change := range d.changes[:d.draw(len(d.changes)+1)] {
			for _, b := range change {
				bind(names, b)
			}
		}
	}
	found := map[*inode]*inode{}
	for _, name := range slices.Sorted(maps.Keys(names)) {
		old := names[name]
		if found[old] == nil {
			data := d.remains(old)
			found[old] = &inode{data: data, synced: slices.Clone(data)}
		}
		fresh.names[name], fresh.synced[name] = found[old], found[old]
	}
	return fresh
}

func bind(names map[string]*inode, b binding) {
	if b.file == nil {
		delete(names, b.name)
	} else {
		names[b.name] = b.file
	}
}

// remains draws what is found of a file.
func (d *Disk) remains(f *inode) []byte {
	if !f.dirty {
		return slices.Clone(f.data)
	}
	length := len(f.synced)
	switch d.draw(3) {
	case 1:
		length = len(f.data)
	case 2:
		low, high := min(len(f.synced), len(f.data)), max(len(f.synced), len(f.data))
		length = low + d.draw(high-low+1)
	}
	data := make([]byte, length)
	for at := 0; at < length; at += sector {
		from := f.synced
		switch d.draw(3) {
		case 1:
			from = f.data
		case 2:
			from = nil // zeros
		}
		if at < len(from) {
			copy(data[at:min(at+sector, length)], from[at:])
		}
	}
	return data
}

// Damage flips a bit of a file, as a worn card does.
func (d *Disk) Damage(name string) {
	if f := d.names[name]; f != nil && len(f.data) > 0 {
		f.data[d.draw(len(f.data))] ^= 1 << d.draw(8)
		f.synced = slices.Clone(f.data)
	}
}

// Put lays a file down as if it had always been there.
func (d *Disk) Put(name string, data []byte) {
	f := &inode{data: slices.Clone(data), synced: slices.Clone(data)}
	d.names[name], d.synced[name] = f, f
}

// Names lists what is there.
func (d *Disk) Names() []string { return slices.Sorted(maps.Keys(d.names)) }

// call counts, and tells whether the power goes in this one.
func (d *Disk) call(call, name string) (cut bool, err error) {
	if d.off {
		return false, ErrCut
	}
	if d.Fail != nil {
		if err := d.Fail(call, name); err != nil {
			return false, fmt.Errorf("%s %s: %w", call, name, err)
		}
	}
	d.calls++
	d.off = d.cutAt >= 0 && d.calls > d.cutAt
	return d.off, nil
}

// ReadFile gives what programs see.
func (d *Disk) ReadFile(name string) ([]byte, error) {
	if d.off {
		return nil, ErrCut
	}
	f := d.names[name]
	if f == nil {
		return nil, fmt.Errorf("read %s: %w", name, fs.ErrNotExist)
	}
	return slices.Clone(f.data), nil
}

// Create makes or empties a file.
func (d *Disk) Create(name string) (store.File, error) {
	cut, err := d.call("create", name)
	if err != nil {
		return nil, err
	}
	f := d.names[name]
	if f == nil {
		f = &inode{}
		d.names[name] = f
		d.changes = append(d.changes, []binding{{name, f}})
	}
	f.data, f.dirty = nil, true
	if cut {
		return nil, ErrCut
	}
	return &file{d, f, name}, nil
}

// Rename gives a file another name, in one go.
func (d *Disk) Rename(from, to string) error {
	cut, err := d.call("rename", to)
	if err != nil {
		return err
	}
	f := d.names[from]
	if f == nil {
		return fmt.Errorf("rename %s: %w", from, fs.ErrNotExist)
	}
	if !cut || d.draw(2) == 0 {
		delete(d.names, from)
		d.names[to] = f
		d.changes = append(d.changes, []binding{{to, f}, {from, nil}})
	}
	if cut {
		return ErrCut
	}
	return nil
}

// SyncDir makes names safe.
func (d *Disk) SyncDir() error {
	cut, err := d.call("sync_dir", "")
	if err != nil {
		return err
	}
	if !cut || d.draw(2) == 0 {
		d.synced, d.changes = maps.Clone(d.names), nil
	}
	if cut {
		return ErrCut
	}
	return nil
}

type file struct {
	disk *Disk
	*inode
	name string
}

func (f *file) Write(p []byte) (int, error) {
	cut, err := f.disk.call("write", f.name)
	if err != nil {
		return 0, err
	}
	n := len(p)
	if cut {
		n = f.disk.draw(n + 1)
	}
	f.data, f.dirty = append(slices.Clip(f.data), p[:n]...), true
	if cut {
		return n, ErrCut
	}
	return n, nil
}

func (f *file) Sync() error {
	cut, err := f.disk.call("sync", f.name)
	if err != nil {
		return err
	}
	if !cut || f.disk.draw(2) == 0 {
		f.synced, f.dirty = slices.Clone(f.data), false
	}
	if cut {
		return ErrCut
	}
	return nil
}

func (f *file) Close() error { return nil }
