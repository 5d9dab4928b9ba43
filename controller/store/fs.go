package store

import (
	"fmt"
	"io"
	"os"
	"path/filepath"
)

// FS is one folder, and the little that the store needs of it. Names have no separators. Nothing is safe until the
// file's Sync and, for its name, SyncDir have returned nil.
type FS interface {
	ReadFile(name string) ([]byte, error) // an error that is fs.ErrNotExist when there is none
	Create(name string) (File, error)     // new, or emptied
	Rename(from, to string) error         // replaces to in one go
	SyncDir() error
}

// File is a file being written.
type File interface {
	io.Writer
	Sync() error
	Close() error
}

type folder struct{ dir string }

// Folder gives the folder dir of the machine's file system; it is made when missing.
func Folder(dir string) (FS, error) {
	if err := os.MkdirAll(dir, 0o750); err != nil {
		return nil, fmt.Errorf("make state folder: %w", err)
	}
	return folder{dir}, nil
}

func (f folder) ReadFile(name string) ([]byte, error) { return os.ReadFile(filepath.Join(f.dir, name)) }

func (f folder) Create(name string) (File, error) {
	return os.OpenFile(filepath.Join(f.dir, name), os.O_WRONLY|os.O_CREATE|os.O_TRUNC, 0o640)
}

func (f folder) Rename(from, to string) error {
	return os.Rename(filepath.Join(f.dir, from), filepath.Join(f.dir, to))
}

func (f folder) SyncDir() error {
	d, err := os.Open(f.dir)
	if err != nil {
		return err
	}
	err = d.Sync()
	if closing := d.Close(); err == nil {
		err = closing
	}
	return err
}

// write puts data under name so that after a power cut there is either what was there before or all of data.
func write(fs FS, name string, data []byte) error {
	temporary := name + ".new"
	file, err := fs.Create(temporary)
	if err != nil {
		return err
	}
	n, err := file.Write(data)
	if err == nil && n != len(data) {
		err = io.ErrShortWrite
	}
	if err == nil {
		err = file.Sync()
	}
	if closing := file.Close(); err == nil {
		err = closing
	}
	if err != nil {
		return err
	}
	if err := fs.Rename(temporary, name); err != nil {
		return err
	}
	return fs.SyncDir()
}
