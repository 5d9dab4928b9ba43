package board

import (
	"os"
	"path/filepath"
	"slices"
	"strings"

	"golang.org/x/sys/unix"
)

// mark is a device's file, held with a shared lock until it is closed or the process ends, however it ends, so that others can
// see that the device is in use: the kernel lets several programs open one bus.
type mark struct{ file *os.File } // nil: could not be held, which is no error: the bus works without

// mark marks a device as in use. A mark must go with what it marks: a bus that was unplugged stays until nobody holds it.
func (l *Linux) mark(device string) mark {
	file, err := os.Open(filepath.Join(l.devices(), device))
	if err != nil {
		return mark{}
	}
	if err := unix.Flock(int(file.Fd()), unix.LOCK_SH|unix.LOCK_NB); err != nil {
		_ = file.Close()
		return mark{}
	}
	return mark{file}
}

// Close lets the lock go.
func (m mark) Close() error {
	if m.file == nil {
		return nil
	}
	return m.file.Close()
}

// InUse lists the buses and GPIO chips that a process of this program uses now, in the words of a kiln file.
func (l *Linux) InUse() []string {
	var used []string
	for _, pattern := range []string{"i2c-*", "spidev*", "gpiochip*"} {
		paths, _ := filepath.Glob(filepath.Join(l.devices(), pattern)) // the pattern is good
		for _, path := range paths {
			if held(path) {
				used = append(used, strings.Replace(filepath.Base(path), "spidev", "spi", 1))
			}
		}
	}
	slices.Sort(used)
	return used
}

func held(path string) bool {
	file, err := os.Open(path)
	if err != nil {
		return false // nor can it be looked at
	}
	defer file.Close() // lets the lock go too
	return unix.Flock(int(file.Fd()), unix.LOCK_EX|unix.LOCK_NB) == unix.EWOULDBLOCK
}

func (l *Linux) devices() string {
	if l.root == "" {
		return "/dev"
	}
	return l.root
}
