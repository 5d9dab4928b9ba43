package board

import (
	"os"
	"path/filepath"
	"slices"
	"strings"

	"golang.org/x/sys/unix"
)

// mark holds a device's file with a shared lock until this process ends, however it ends, so that others can see that it is
// in use: the kernel lets several programs open one bus. That it cannot be held is no error, the bus works without.
func (l *Linux) mark(device string) {
	l.mu.Lock()
	defer l.mu.Unlock()
	path := filepath.Join(l.devices(), device)
	if l.marks[path] != nil {
		return
	}
	file, err := os.Open(path)
	if err != nil {
		return
	}
	if err := unix.Flock(int(file.Fd()), unix.LOCK_SH|unix.LOCK_NB); err != nil {
		_ = file.Close()
		return
	}
	if l.marks == nil {
		l.marks = map[string]*os.File{}
	}
	l.marks[path] = file
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
